"""A trend as a picture: individuals above, moving ranges below.

Made like the other pictures: 390 px wide, a third of its own width, must do, and grey too. A knife outside
the limits is a cross, limits are dashed, the mean is a heavy line, and each is named beside the panel.
"""

import textwrap
from io import BytesIO
from typing import TYPE_CHECKING, Any, Literal

from grindcheck.advice import Units
from grindcheck.report.trend_text import habit_sentence, short, signal_sentences, trend_title, unit_name
from grindcheck.settings import COVERAGE_FACTOR
from grindcheck.units import degrees

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from grindcheck.trend import Trend

_WIDTH_IN = 7.8
_DPI = 150
_LEFT_IN, _RIGHT_IN, _RIGHT_FOR_INCHES_IN = 0.85, 1.35, 1.65
_SMALL, _PLAIN, _LARGE = 14.0, 16.0, 21.0  # points; the smallest is 10 px high on a 390 px phone
_LINE_IN = 0.30
_UPPER_IN, _LOWER_IN, _BETWEEN_IN = 3.2, 1.5, 0.62
_INK, _QUIET = "#1a1a1a", "#d8d8d8"
_LABELS = 20  # names that fit below each other's side
_NAME = 13  # characters of a name that are shown
_BARS = 60  # knives up to which each has its bar of uncertainty
_ENDS = {
    "plunge.angle": ("left leans more to the tip", "right leans more to the tip"),
    "bevel_height": ("left higher", "right higher"),
    "bevel_angle": ("left steeper", "right steeper"),
}


def trend_picture(trend: "Trend", *, units: Units = "both", kind: Literal["png", "svg"] = "png") -> bytes:
    """Draw the trend.

    Parameters
    ----------
    trend : Trend
    units : {"mm", "in", "both"}
        The axes are in mm unless inches alone are asked for; degrees for angles.
    kind : {"png", "svg"}

    Returns
    -------
    bytes
        The same trend gives the same bytes.
    """
    import matplotlib

    out = BytesIO()
    metadata: dict[str, Any] = {"png": {"Software": "grindcheck"}, "svg": {"Date": None, "Creator": None}}
    with matplotlib.rc_context({"svg.hashsalt": "grindcheck"}):
        draw_trend(trend, units=units).savefig(out, format=kind, dpi=_DPI, metadata=metadata[kind])
    return out.getvalue()


def draw_trend(trend: "Trend", *, units: Units = "both") -> Any:
    """Draw the trend.

    Returns
    -------
    matplotlib.figure.Figure
        Not known to pyplot, so nothing has to be closed.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    said = textwrap.wrap(habit_sentence(trend, units), 42)
    unusual = [line for one in signal_sentences(trend) for line in textwrap.wrap(one, 62)][:6]
    longest = max(min(len(point.label), _NAME) for point in trend.points)
    below = 0.25 + 0.125 * longest
    has_ranges = bool(trend.moving_ranges)
    head = 0.35 + 0.4 * len(said) + _LINE_IN * len(unusual)
    tall = head + 0.5 + _UPPER_IN + (_BETWEEN_IN + _LOWER_IN if has_ranges else 0.0) + below

    figure = Figure(figsize=(_WIDTH_IN, tall), facecolor="white")
    FigureCanvasAgg(figure)
    y = 1 - 0.2 / tall
    for line in said:
        figure.text(0.25 / _WIDTH_IN, y, line, fontsize=_LARGE, fontweight="bold", color=_INK, va="top")
        y -= 0.4 / tall
    for line in unusual:
        figure.text(0.25 / _WIDTH_IN, y, line, fontsize=_PLAIN, color=_INK, va="top")
        y -= _LINE_IN / tall

    def panel(top_in: float, high_in: float) -> "Axes":
        right_in = _RIGHT_FOR_INCHES_IN if units == "in" else _RIGHT_IN
        wide = _WIDTH_IN - _LEFT_IN - right_in
        axes: Axes = figure.add_axes(
            (_LEFT_IN / _WIDTH_IN, 1 - (top_in + high_in) / tall, wide / _WIDTH_IN, high_in / tall)
        )
        return axes

    upper = panel(head + 0.5, _UPPER_IN)
    _individuals(upper, trend, units)
    lowest = upper
    if has_ranges:
        lowest = panel(head + 0.5 + _UPPER_IN + _BETWEEN_IN, _LOWER_IN)
        _ranges(lowest, trend, units)
        upper.set_xticklabels([])
    _names(lowest, trend)
    return figure


def _scaled(trend: "Trend", units: Units, value: float) -> float:
    if trend.unit == "rad":
        return degrees(value)
    return value / 25.4 if units == "in" else value


def _individuals(axes: "Axes", trend: "Trend", units: Units) -> None:
    count = len(trend.points)
    x = list(range(1, count + 1))
    y = [_scaled(trend, units, point.value) for point in trend.points]
    expanded = [_scaled(trend, units, COVERAGE_FACTOR * point.std) for point in trend.points]
    outside = {i for one in trend.signals if one.rule == "outside" for i in one.points}
    axes.axhline(0, color=_INK, linewidth=0.9, zorder=1)
    axes.plot(x, y, color="#8a8a8a", linewidth=1.2, zorder=2)
    if count <= _BARS:
        axes.errorbar(x, y, yerr=expanded, fmt="none", ecolor=_INK, elinewidth=1.3, capsize=4, zorder=3)
    size = 8.0 if count <= _BARS else 3.5
    calm = [i for i in range(count) if i not in outside]
    axes.plot(
        [x[i] for i in calm], [y[i] for i in calm], "o",
        color=_INK, markersize=size, markeredgecolor="white", zorder=4,
    )  # fmt: skip
    for i in sorted(outside):
        axes.plot(x[i], y[i], "X", color=_INK, markersize=size + 5, markeredgecolor="white", zorder=5)
    lowest = min(value - u for value, u in zip(y, expanded, strict=True))
    highest = max(value + u for value, u in zip(y, expanded, strict=True))
    mean = _scaled(trend, units, trend.mean)
    reach = [0.0, lowest, highest]
    lines = []
    if count > 1:
        lines.append((mean, "mean", "-"))
    if trend.limits is not None:
        lines += [
            (_scaled(trend, units, value), "limit", "--")
            for value in (trend.limits.lower, trend.limits.upper)
        ]
    reach += [value for value, _, _ in lines]
    span = max(max(reach) - min(reach), 1e-6)
    axes.set(xlim=(0.4, count + 0.6), ylim=(min(reach) - 0.2 * span, max(reach) + 0.2 * span))
    _levels(axes, lines, trend, units, _UPPER_IN)
    high, low = _ENDS.get(trend.quantity, ("left longer", "right longer"))
    for words, at, align in ((f"↑ {high}", 0.975, "top"), (f"↓ {low}", 0.025, "bottom")):
        axes.text(0.012, at, words, transform=axes.transAxes, fontsize=_SMALL, va=align, color=_INK)
    _titled(axes, f"{trend_title(trend, units)}, {unit_name(trend.unit, units)} (bars: U)")


def _ranges(axes: "Axes", trend: "Trend", units: Units) -> None:
    x = list(range(2, len(trend.points) + 1))
    y = [_scaled(trend, units, value) for value in trend.moving_ranges]
    axes.plot(x, y, color="#8a8a8a", linewidth=1.2, zorder=2)
    jumps = {i for one in trend.signals if one.rule == "jump" for i in one.points}
    size = 7.0 if len(x) <= _BARS else 3.5
    for at, value in zip(x, y, strict=True):
        far = at - 1 in jumps
        axes.plot(
            at, value, "X" if far else "o",
            color=_INK, markersize=size + 5 * far, markeredgecolor="white", zorder=4,
        )  # fmt: skip
    lines = [(sum(y) / len(y), "mean", "-")]
    if trend.limits is not None:
        lines.append((_scaled(trend, units, trend.limits.range_upper), "limit", "--"))
    top = max(*y, *(value for value, _, _ in lines), 1e-6)
    axes.set(xlim=(0.4, len(trend.points) + 0.6), ylim=(0, 1.3 * top))
    _levels(axes, lines, trend, units, _LOWER_IN)
    _titled(axes, "Change from one knife to the next")


def _levels(
    axes: "Axes", lines: list[tuple[float, str, str]], trend: "Trend", units: Units, tall_in: float
) -> None:
    """Draw mean and limits across, each with its name and value beside the panel; the view must be set."""
    decimals = 4 if units == "in" and trend.unit == "mm" else 2
    low, high = axes.get_ylim()
    least = 0.24 / tall_in  # of the panel's height, between two names
    room = -1.0
    for value, name, style in sorted(lines):
        axes.axhline(value, color=_INK, linestyle=style, linewidth=2.2 if name == "mean" else 1.5, zorder=1.5)
        room = max((value - low) / (high - low), room + least)
        text = f"{name} {round(value, decimals) + 0.0:.{decimals}f}".replace("-", "−")
        axes.annotate(
            text, xy=(1.0, room), xycoords="axes fraction", xytext=(5, 0), textcoords="offset points",
            ha="left", va="center", fontsize=_SMALL, color=_INK, annotation_clip=False,
        )  # fmt: skip


def _titled(axes: "Axes", words: str) -> None:
    from matplotlib.ticker import MaxNLocator

    axes.set_title(words, loc="left", fontsize=_PLAIN, fontweight="bold", color=_INK, pad=6)
    axes.yaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
    axes.tick_params(labelsize=_SMALL, colors=_INK)
    axes.grid(axis="y", color=_QUIET, linewidth=0.8)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _names(axes: "Axes", trend: "Trend") -> None:
    """Write the knives' names below, as many as fit."""
    count = len(trend.points)
    step = -(-count // _LABELS)
    places = list(range(count, 0, -step))[::-1]
    names = [trend.points[i - 1].label for i in places]
    axes.set_xticks(
        places, [short(name, _NAME) for name in names],
        rotation=90, fontsize=_SMALL,
    )  # fmt: skip
