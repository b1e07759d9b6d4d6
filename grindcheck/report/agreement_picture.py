"""Difference against mean: the tool and the calliper in one picture."""

from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from grindcheck.agreement import Agreement

_INK, _BAND = "#1a1a1a", "#d8d8d8"


def agreement_picture(found: "Agreement", target: Path, names: tuple[str, ...]) -> None:
    """Draw the differences over the means, with bias and limits of agreement.

    Parameters
    ----------
    found : Agreement
        In mm.
    target : Path
        .png, .pdf or .svg.
    names : tuple of str
        Of the blades.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.8, 5.2), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    axes.axhspan(found.bias_low, found.bias_high, color=_BAND, lw=0)
    for level, style, name in (
        (found.bias, "-", "mean difference"),
        (found.low, "--", "95 % between"),
        (found.high, "--", ""),
    ):
        axes.axhline(level, color=_INK, ls=style, lw=1.4)
        if name:
            axes.annotate(name, (1.0, level), xycoords=("axes fraction", "data"), xytext=(-4, 4),
                          textcoords="offset points", ha="right", fontsize=11)  # fmt: skip
    axes.axhline(0, color=_INK, lw=0.5)
    axes.plot(found.mean, found.difference, "o", color=_INK, ms=7)
    for name, x, y in zip(names, found.mean, found.difference, strict=True):
        axes.annotate(name[:16], (x, y), xytext=(6, 5), textcoords="offset points", fontsize=10)
    axes.margins(x=0.12, y=0.15)
    axes.set_xlabel("mean of both, mm", fontsize=13)
    axes.set_ylabel("grindcheck less calliper, mm", fontsize=13)
    axes.tick_params(labelsize=12)
    axes.spines[["top", "right"]].set_visible(False)
    out = BytesIO()
    figure.savefig(out, format=target.suffix.lower().lstrip(".") or "png", dpi=150)
    from grindcheck.report.data import write_whole

    write_whole(target, lambda beside: beside.write_bytes(out.getvalue()))
