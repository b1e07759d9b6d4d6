"""The result as one picture: the verdict in large words, both faces in the common frame, and what differs.

Made to be read on a phone 390 px wide, a third of the picture's own width, and in grey: lines differ by their
style and their name, not by colour alone.
"""

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from grindcheck.advice import Units, advise
from grindcheck.errors import InputError
from grindcheck.report.budget_data import LEAST, deciding
from grindcheck.report.data import write_whole
from grindcheck.report.words import amount, headline, named
from grindcheck.settings import COVERAGE_FACTOR
from grindcheck.sources import Source, sources

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from grindcheck.results import Comparison
    from grindcheck.verdict import Verdict

SUFFIXES = (".png", ".jpg", ".jpeg", ".pdf")

_WIDTH_IN = 7.8
_DPI = 150
_LEFT_IN = 0.85
_INSIDE_IN = _WIDTH_IN - _LEFT_IN - 0.25  # between the margins
_SMALL, _PLAIN, _LARGE = 14.0, 16.0, 40.0  # points; the smallest is 10 px high on a 390 px phone
_LINE_IN = 0.30  # of one line of plain words
_SMALL_LINE_IN = 0.26  # of one line of small words
_BARS_ABOVE_IN = 0.72  # of their two lines of title
_BAR_IN = 0.36  # of one bar and the gap to the next
_BARS_FROM, _BARS_TO = 2.35 / _INSIDE_IN, 1 - 0.75 / _INSIDE_IN  # what names and shares leave to the bars
_SIDES = ("left", "right")
_INK = "#1a1a1a"
_PLUNGE, _SHOULDER = "#ffb000", "#4dd2ff"  # bright and light, each with a dark rim
_PANEL = {"mismatch": "#8c1c13", "match": "#1e6b3a", "cannot tell": "#5a5a5a"}
_DASHES: dict[str, Any] = {"left": "-", "right": (0, (4, 2))}


def check_suffix(path: Path) -> None:
    """Refuse a picture file whose format can't be written.

    Raises
    ------
    InputError
        If the suffix is none of `SUFFIXES`.
    """
    if path.suffix.lower() not in SUFFIXES:
        raise InputError(
            f"A picture can't be written as {path.name!r}.",
            advice="Give the file a name that ends in .png, .jpg or .pdf.",
        )


def write_picture(comparison: "Comparison", verdict: "Verdict", path: Path, *, units: Units = "both") -> None:
    """Draw the result and write it.

    Parameters
    ----------
    comparison : Comparison
        With its `drawing`.
    verdict : Verdict
    path : Path
        Its suffix, one of `SUFFIXES`, says the format.
    units : {"mm", "in", "both"}

    Raises
    ------
    InputError
        If the suffix is none of `SUFFIXES`.
    OutputError
        If the file can't be written.
    """
    check_suffix(path)
    save(draw(comparison, verdict, units=units), path)


def save(figure: Any, path: Path) -> None:
    """Write a figure in the format of the path's suffix; the same figure gives the same file.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    kind = path.suffix.lower().removeprefix(".")
    # without the time of writing
    metadata = {"pdf": {"CreationDate": None}, "png": {"Software": "grindcheck"}}.get(kind)
    write_whole(path, lambda beside: figure.savefig(beside, format=kind, dpi=_DPI, metadata=metadata))


def draw(comparison: "Comparison", verdict: "Verdict", *, units: Units = "both") -> Any:
    """Draw the result.

    Returns
    -------
    matplotlib.figure.Figure
        Not known to pyplot, so nothing has to be closed.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    drawing = comparison.drawing
    strip_in = _INSIDE_IN * (drawing.y_mm[1] - drawing.y_mm[0]) / (drawing.x_mm[1] - drawing.x_mm[0])
    advice = advise(comparison, verdict, units=units) if verdict.decision == "mismatch" else ()
    to_grind = [side for side in _SIDES if any(line.startswith(f"Grind the {side} face") for line in advice)]
    word, sentence = headline(verdict, units)
    said = textwrap.wrap(sentence, 60)
    told = [line for line in advice if line.startswith("Grind")]
    if verdict.decision == "cannot tell":
        told = [reason for reason in verdict.reasons[:2] if reason != sentence]
    todo = [part for line in told for part in textwrap.wrap(line, 54)]
    head_in = 1.15 + _LINE_IN * (len(said) + len(todo)) + (_LINE_IN / 2 if todo else 0.0)
    has_detail = all(len(drawing.plunge_mm[side]) > 1 for side in _SIDES)
    full_flat = comparison.left.full_flat and comparison.right.full_flat
    has_heights = any(one.quantity == "bevel_height" for one in comparison.differences) and not full_flat
    decides = deciding(verdict)
    shares = () if decides is None else sources(decides.components)
    bars = [one for one in shares if one.share >= LEAST]
    helps = (
        textwrap.wrap(f"To make the first smaller: {bars[0].advice}.", 58) if bars and bars[0].advice else []
    )
    below_in = 0.2 + _SMALL_LINE_IN * len(helps)  # of the bars
    tall = head_in + 2 * strip_in + 1.65 + 3.3 * has_detail + 2.6 * has_heights
    if bars:
        tall += _BARS_ABOVE_IN + _BAR_IN * len(bars) + below_in

    figure = Figure(figsize=(_WIDTH_IN, tall), facecolor="white")
    FigureCanvasAgg(figure)
    _head(figure, verdict, word, said, todo, head_in / tall)
    column = _Column(figure, tall - head_in)
    for side, below in (("left", 0.03), ("right", 0.68)):
        axes = column.panel(strip_in, above=0.44, below=below)
        _strip(axes, drawing, side, grind=side in to_grind)
        if side == "left":
            axes.set_xticks([])
    axes.set_xlabel("mm from the tip; solid line plunge, dashed line shoulder", fontsize=_SMALL)
    _scale_bar(axes, drawing)
    if has_detail:
        _detail(column.panel(2.1, above=0.48, below=0.72), comparison, units)
    if has_heights:
        _heights(column.panel(1.45, above=0.45, below=0.70), comparison, verdict)
    if decides is not None and bars:
        expanded = amount(COVERAGE_FACTOR * decides.std, decides.unit, units)
        what = f"{named(decides, units, full_flat=full_flat)}, U = {expanded}"
        axes = column.panel(_BAR_IN * len(bars), above=_BARS_ABOVE_IN, below=below_in)
        _budget(axes, bars, what, helps)
    return figure


class _Column:
    """Panels one below the other, all as wide as the page."""

    def __init__(self, figure: Any, top_in: float) -> None:
        self._figure, self._top_in = figure, top_in

    def panel(self, tall_in: float, *, above: float, below: float) -> "Axes":
        whole = float(self._figure.get_size_inches()[1])
        bottom = self._top_in - above - tall_in
        self._top_in = bottom - below
        box = (_LEFT_IN / _WIDTH_IN, bottom / whole, _INSIDE_IN / _WIDTH_IN, tall_in / whole)
        axes: Axes = self._figure.add_axes(box)
        return axes


def _head(figure: Any, verdict: "Verdict", word: str, said: list[str], todo: list[str], share: float) -> None:
    from matplotlib.patches import Rectangle

    tall = figure.get_size_inches()[1]
    figure.add_artist(
        Rectangle(
            (0, 1 - share + 0.08 / tall),
            1,
            share - 0.08 / tall,
            transform=figure.transFigure,
            color=_PANEL[verdict.decision],
        )
    )
    x, y = 0.25 / _WIDTH_IN, 1 - 0.14 / tall
    figure.text(x, y, word, fontsize=_LARGE, fontweight="bold", color="white", va="top")
    y -= 0.82 / tall
    for line in said:
        figure.text(x, y, line, fontsize=_PLAIN, color="white", va="top")
        y -= _LINE_IN / tall
    y -= 0.12 / tall
    for line in todo:
        figure.text(x, y, line, fontsize=_PLAIN, fontweight="bold", color="white", va="top")
        y -= _LINE_IN / tall


def _strip(axes: "Axes", drawing: Any, side: str, *, grind: bool) -> None:
    """One face with its lines."""
    half = drawing.step_mm / 2
    (x0, x1), (y0, y1) = drawing.x_mm, drawing.y_mm
    picture = drawing.faces[side][:, :, ::-1]
    axes.imshow(picture, extent=(x0 - half, x1 + half, y0 - half, y1 + half), aspect="auto", origin="upper")
    outline = drawing.outline_mm[side]
    axes.plot(
        outline[:, 0],
        outline[:, 1],
        color="white",
        linewidth=0.8,
        linestyle="None",
        marker=".",
        markersize=0.8,
    )
    for line, colour, style in (
        (drawing.shoulder_mm[side], _SHOULDER, (0, (5, 2))),
        (drawing.plunge_mm[side], _PLUNGE, "-"),
    ):
        if len(line):
            axes.plot(
                line[:, 0], line[:, 1], color=colour, linestyle=style, linewidth=2.6, path_effects=_rim()
            )
    axes.set(xlim=(x0, x1), ylim=(y0, y1), yticks=[])
    title = "Left face, mirrored" if side == "left" else "Right face"
    if grind:
        title += ": grind this one"
    axes.set_title(title, loc="left", fontsize=_PLAIN, color=_INK, fontweight="bold", pad=5)
    _tip_ticks(axes)


def _scale_bar(axes: "Axes", drawing: Any) -> None:
    """Draw a bar of a round length above the strip's right end, clear of the blade."""
    x0, x1 = drawing.x_mm
    length = 20.0 if x1 - x0 > 100 else 10.0
    over = 1 + 0.15 / (
        _INSIDE_IN * (drawing.y_mm[1] - drawing.y_mm[0]) / (x1 - x0)
    )  # 0.15 in above the frame
    place = axes.get_xaxis_transform()  # x in mm, y in heights of the strip
    ends = ([x1 - length, x1], [over, over])
    axes.plot(*ends, color=_INK, linewidth=5, solid_capstyle="butt", transform=place, clip_on=False)
    axes.text(
        x1 - length - 0.012 * (x1 - x0), over, f"{length:.0f} mm",
        fontsize=_SMALL, color=_INK, ha="right", va="center", transform=place,
    )  # fmt: skip


def _detail(axes: "Axes", comparison: "Comparison", units: Units) -> None:
    """Both plunge lines over each other, stretched along the blade, the largest difference dimensioned."""
    from matplotlib.ticker import MaxNLocator

    lines = {side: comparison.drawing.plunge_mm[side] for side in _SIDES}
    foot = np.array([0.0, min(float(line[:, 1].min()) for line in lines.values())])
    lines = {side: line - foot for side, line in lines.items()}
    for side, line in lines.items():
        axes.plot(line[:, 0], line[:, 1], color=_INK, linestyle=_DASHES[side], linewidth=3)
    both = np.vstack(list(lines.values()))
    (left, bottom), (right, top) = both.min(axis=0), both.max(axis=0)
    reach = max(1.2 * (right - left), 1.2)
    tall = top - bottom
    axes.set(xlim=((left + right) / 2 - reach, (left + right) / 2 + 1.7 * reach))
    axes.set(ylim=(bottom - 0.06 * tall, top + 0.2 * tall))
    ends = {side: float(line[np.argmax(line[:, 1]), 0]) for side, line in lines.items()}
    for side, align, off in zip(
        sorted(_SIDES, key=ends.__getitem__), ("right", "left"), (-1, 1), strict=True
    ):
        place = (ends[side] + 0.03 * off * reach, top + 0.1 * tall)
        axes.text(*place, side, fontsize=_PLAIN, ha=align, va="center", fontweight="bold")
    low = max(float(line[:, 1].min()) for line in lines.values())
    high = min(float(line[:, 1].max()) for line in lines.values())
    levels = {"plunge.shoulder": 0.9, "plunge.mid": 0.5, "plunge.edge": 0.1}
    found = [one for one in comparison.differences if one.quantity in levels]
    if found:
        largest = max(found, key=lambda one: (round(abs(one.value), 2), one.quantity == "plunge.mid"))
        level = low + levels[largest.quantity] * (high - low)
        near, far = sorted(float(np.interp(level, *_by_height(line))) for line in lines.values())
        for start, end in ((near - 0.35 * reach, near), (far + 0.35 * reach, far)):
            axes.annotate(
                "", xy=(end, level), xytext=(start, level),
                arrowprops={"arrowstyle": "-|>", "color": _INK, "linewidth": 2, "shrinkA": 0, "shrinkB": 1},
            )  # fmt: skip
        axes.plot([near, far], [level, level], color=_INK, linewidth=2)
        short: Units = "in" if units == "in" else "mm"
        expanded = amount(COVERAGE_FACTOR * largest.std, "mm", short)
        axes.text(
            far + 0.4 * reach, level, f"{amount(abs(largest.value), 'mm', short)}\n± {expanded}",
            fontsize=_PLAIN, fontweight="bold", va="center", ha="left",
        )  # fmt: skip
    axes.set_title(
        "Plunge lines laid over each other, mm",
        loc="left",
        fontsize=_PLAIN,
        fontweight="bold",
        color=_INK,
        pad=6,
    )
    axes.set_xlabel("from the tip (tip to the right)", fontsize=_SMALL)
    axes.set_ylabel("height", fontsize=_SMALL)
    _tip_ticks(axes)
    axes.yaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
    axes.grid(color="#d8d8d8", linewidth=0.8)
    axes.set_axisbelow(True)


def _heights(axes: "Axes", comparison: "Comparison", verdict: "Verdict") -> None:
    """Bevel height left minus right along the blade, with U and the tolerance."""
    differences = [
        one for one in comparison.differences if one.quantity == "bevel_height" and one.station_mm is not None
    ]
    x = [-(one.station_mm or 0.0) for one in differences]
    y = [one.value for one in differences]
    expanded = [COVERAGE_FACTOR * one.std for one in differences]
    tolerance = verdict.tolerances.height_mm
    axes.axhspan(-tolerance, tolerance, color="#e4e4e4", zorder=0)
    axes.axhline(0, color=_INK, linewidth=1)
    axes.errorbar(x, y, yerr=expanded, color=_INK, linewidth=1.5, marker="o", markersize=7, capsize=5)
    reach = 1.15 * max(tolerance, *(abs(value) + u for value, u in zip(y, expanded, strict=True)))
    axes.set(xlim=comparison.drawing.x_mm, ylim=(-reach, reach))
    x0, x1 = comparison.drawing.x_mm
    for text, place, align in (("left higher", reach, "top"), ("right higher", -reach, "bottom")):
        axes.text(x0 + 0.01 * (x1 - x0), 0.94 * place, text, fontsize=_SMALL, va=align, ha="left")
    axes.set_title(
        "Bevel height, left minus right, mm (grey: tolerance)",
        loc="left",
        fontsize=_PLAIN,
        color=_INK,
        fontweight="bold",
        pad=6,
    )
    axes.set_xlabel("from the tip", fontsize=_SMALL)
    axes.tick_params(labelsize=_SMALL)
    _tip_ticks(axes)


def _budget(axes: "Axes", bars: list[Source], what: str, helps: list[str]) -> None:
    """Where the uncertainty of the deciding difference comes from: a bar a source, the largest on top.

    A whole bar, drawn in grey behind each, is all of the variance.
    """
    axes.set(xlim=(0, 1), ylim=(len(bars) - 0.5, -0.5))
    axes.axis("off")
    long = _BARS_TO - _BARS_FROM
    for row, one in enumerate(bars):
        axes.barh(row, long, left=_BARS_FROM, height=0.56, color="#e4e4e4")
        axes.barh(row, one.share * long, left=_BARS_FROM, height=0.56, color=_INK)
        axes.text(0, row, one.name, fontsize=_SMALL, color=_INK, va="center_baseline")
        axes.text(1, row, f"{one.share:.0%}", fontsize=_SMALL, color=_INK, ha="right", va="center_baseline")
    place = axes.transAxes
    tall_in = _BAR_IN * len(bars)
    above: dict[str, Any] = {"transform": place, "va": "baseline", "color": _INK}
    axes.text(
        0, 1 + 0.38 / tall_in, "Where the uncertainty comes from", fontsize=_PLAIN, fontweight="bold", **above
    )
    axes.text(0, 1 + 0.11 / tall_in, what, fontsize=_SMALL, **above)
    for number, line in enumerate(helps):
        y = -(0.05 + _SMALL_LINE_IN * (number + 0.75)) / tall_in
        axes.text(0, y, line, fontsize=_SMALL, **above)


def _by_height(line: Any) -> tuple[Any, Any]:
    order = np.argsort(line[:, 1])
    return line[order, 1], line[order, 0]


def _tip_ticks(axes: "Axes") -> None:
    """Label x as the distance from the tip."""
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    axes.xaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{-x + 0.0:g}"))
    axes.tick_params(labelsize=_SMALL, colors=_INK)


def _rim(width: float = 4.6) -> list[Any]:
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=width, foreground=_INK)]
