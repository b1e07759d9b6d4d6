"""A trend in words, and its chart as text."""

from typing import TYPE_CHECKING

from grindcheck.advice import Units
from grindcheck.report.words import QUANTITIES, amount, station
from grindcheck.settings import COVERAGE_FACTOR
from grindcheck.trend import FEWEST, MOSTLY, RULES, SETTLED
from grindcheck.units import degrees

if TYPE_CHECKING:
    from collections.abc import Sequence

    from grindcheck.trend import Trend

_ROWS = 40  # of the text's chart; earlier knives are only counted
_STRIP = 27  # characters that the axis of the text's chart is long
_NAME = 20

# By quantity: what differs, in which way there is more of it, and where.
_MORE = {
    "plunge.shoulder": ("plunge runs", "longer", " at its upper end"),
    "plunge.mid": ("plunge runs", "longer", ""),
    "plunge.edge": ("plunge runs", "longer", " at the edge"),
    "plunge.angle": ("plunge leans", "more towards the tip", ""),
    "bevel_height": ("bevel is", "higher", ""),
    "bevel_angle": ("bevel is", "steeper", ""),
}


def habit_sentence(trend: "Trend", units: Units = "both") -> str:
    """Say in one sentence whether there is a habit.

    Parameters
    ----------
    trend : Trend
    units : {"mm", "in", "both"}

    Returns
    -------
    str
        As ``Your right plunge runs 0.31 mm (12 thou) longer than the left, on 9 of 10 knives.``; longer means
        farther from the tip.
    """
    count = len(trend.points)
    knives = "1 knife is" if count == 1 else f"{count} knives are"
    if not trend.enough:
        return f"{knives} too few to tell a habit; from {FEWEST} on it can be told."
    much = amount(abs(trend.mean), trend.unit, units)
    if trend.habit:
        what, more, where = _MORE.get(trend.quantity, ("figure is", "larger", ""))
        side, other = ("left", "right") if trend.mean > 0 else ("right", "left")
        if trend.station_mm is not None:
            where += f", {station(trend.station_mm, units)} from the tip"
        told = f"Your {side} {what} {much} {more} than the {other}{where}"
        return f"{told}, on {trend.same_side} of {count} knives."
    if abs(trend.mean) > trend.expanded:
        return (
            f"No habit shows on {count} knives: the mean difference is {much}, but only {trend.same_side} of "
            f"them lie on that side, and {MOSTLY:.0%} are asked for."
        )
    sure = amount(trend.expanded, trend.unit, units)
    return f"No habit shows on {count} knives: the mean difference is {much}, sure only to ± {sure}."


def signal_sentences(trend: "Trend") -> tuple[str, ...]:
    """Say what a steady hand rarely does, one sentence for each, naming the knives."""
    said = []
    for signal in trend.signals:
        names = [trend.points[i].label for i in signal.points]
        one = len(names) == 1
        if signal.rule == "outside":
            said.append(f"{_listed(names)} {'lies' if one else 'lie'} outside the limits.")
        elif signal.rule == "jump":
            said.append(
                f"{_listed(names)} {'differs' if one else 'differ'} more from the knife before than a steady "
                "hand does."
            )
        elif signal.rule == "near a limit":
            said.append(f"{_listed(names)}: {RULES['near a limit']}.")
        elif signal.rule == "one side":
            said.append(f"{names[0]} to {names[-1]}, {len(names)} in a row, lie on one side of the mean.")
        else:
            first, last = (trend.points[i].value for i in (signal.points[0], signal.points[-1]))
            way = "larger" if last > first else "smaller"
            said.append(f"{names[0]} to {names[-1]}: {len(names)} in a row, each {way} than the one before.")
    return tuple(said)


def notes(trend: "Trend", units: Units = "both") -> tuple[str, ...]:
    """Say mean, limits and how settled they are, one sentence each."""
    count = len(trend.points)
    if count < 2:
        return ()
    mean, sure = number(trend.mean, trend.unit, units, "+"), number(trend.expanded, trend.unit, units)
    unit = unit_name(trend.unit, units)
    unit = unit if unit == "°" else f" {unit}"
    said = [f"Mean {mean}{unit}, U = {sure}{unit} (95 %)."]
    if trend.limits is not None:
        low, high, jump = (
            number(value, trend.unit, units, sign)
            for value, sign in (
                (trend.limits.lower, "+"),
                (trend.limits.upper, "+"),
                (trend.limits.range_upper, ""),
            )
        )
        said.append(
            f"A steady hand stays between {low} and {high}{unit} and within {jump}{unit} of the knife before."
        )
        if count < SETTLED:
            said.append(f"These limits are provisional: they settle from about {SETTLED} knives on.")
    return tuple(said)


def trend_title(trend: "Trend", units: Units = "both") -> str:
    """Name the quantity, as in ``Plunge at mid-height, left minus right``."""
    name = QUANTITIES.get(trend.quantity, trend.quantity)
    if trend.station_mm is not None:
        name += f" at {station(trend.station_mm, units)}"
    return f"{name[:1].upper()}{name[1:]}, left minus right"


def trend_text(trend: "Trend", *, units: Units = "both") -> str:
    """Write the trend: the sentence, the chart as text, what is unusual.

    Parameters
    ----------
    trend : Trend
    units : {"mm", "in", "both"}
        The chart itself is in mm unless inches alone are asked for.

    Returns
    -------
    str
        Lines no longer than 80 characters in the chart.
    """
    lines = [habit_sentence(trend, units), "", f"{trend_title(trend, units)}:", *_chart(trend, units), ""]
    said = [*signal_sentences(trend), *notes(trend, units)]
    return "\n".join([*lines, *said]).rstrip() + "\n"


def number(value: float, unit: str, units: Units, sign: str = "") -> str:
    """Write a value in the chart's unit, without its name."""
    decimals = 4 if unit == "mm" and units == "in" else 2
    shown = degrees(value) if unit == "rad" else value / 25.4 if units == "in" else value
    return f"{round(shown, decimals) + 0.0:{sign}.{decimals}f}"  # no negative zero


def unit_name(unit: str, units: Units) -> str:
    """Name the chart's unit."""
    return "°" if unit == "rad" else "in" if units == "in" else "mm"


def short(name: str, width: int) -> str:
    """Shorten a name in its middle: batches are numbered at the end."""
    if len(name) <= width:
        return name
    tail = (width - 1) // 2
    return f"{name[: width - 1 - tail]}…{name[-tail:]}"


def _chart(trend: "Trend", units: Units) -> list[str]:
    shown = trend.points[-_ROWS:]
    marks = [(0.0, "."), (trend.mean, "|")]
    if trend.limits is not None:
        marks += [(trend.limits.lower, ":"), (trend.limits.upper, ":")]
    reach = [*(point.value for point in shown), *(value for value, _ in marks)]
    low, high = min(reach), max(reach)
    if high - low < 1e-9:
        low, high = low - 0.1, high + 0.1
    outside = {i for one in trend.signals if one.rule == "outside" for i in one.points}
    first = len(trend.points) - len(shown)
    width = min(_NAME, max(len(point.label) for point in shown))
    unit = unit_name(trend.unit, units)
    ends = number(low, trend.unit, units, "+"), number(high, trend.unit, units, "+")
    lines = [f"{'':{width}}  {'':10}  {unit:>8}  {'U':>7}  {ends[0]}{ends[1]:>{_STRIP - len(ends[0])}}"]
    for i, point in enumerate(shown, start=first):
        strip = [" "] * _STRIP
        for value, mark in (*marks, (point.value, "X" if i in outside else "o")):
            strip[round((value - low) / (high - low) * (_STRIP - 1))] = mark
        told = number(point.value, trend.unit, units, "+")
        expanded = number(COVERAGE_FACTOR * point.std, trend.unit, units)
        lines.append(
            f"{short(point.label, width):{width}}  {point.at:%Y-%m-%d}  {told:>8}  {expanded:>7}  "
            + "".join(strip).rstrip()
        )
    limits = "" if trend.limits is None else ", : limits, X outside them"
    lines.append(f"o knife, . zero, | mean{limits}")
    if first:
        lines.append(f"{first} earlier {'knife is' if first == 1 else 'knives are'} counted but not drawn.")
    return lines


def _listed(names: "Sequence[str]") -> str:
    if len(names) > 4:
        names = [*names[:3], f"{len(names) - 3} more"]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
