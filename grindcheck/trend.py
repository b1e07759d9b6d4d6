"""How a difference goes from knife to knife: individuals and moving ranges, and whether it is a habit."""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Literal

from grindcheck.errors import InputError
from grindcheck.settings import COVERAGE_FACTOR

TrendUnit = Literal["mm", "rad"]
Rule = Literal["outside", "one side", "drift", "near a limit", "jump"]

D2 = 1.128
"""Mean range of two normal values, in their standard deviations: 2/√π. Table of ISO 7870-2."""

D4 = 3.267
"""Upper limit of a range of two, in mean ranges: 1 + 3 √(2 − 4/π) / (2/√π). Table of ISO 7870-2."""

FEWEST = 6
"""Knives from which a habit is told: that six fall on one side by chance happens in 1 of 32 cases."""

SETTLED = 20
"""Knives from which the limits count as settled; common practice, no source."""

MOSTLY = 0.75
"""Share of knives that must lie on one side, so that a few extreme ones make no habit; own choice."""

RUN = 9
DRIFT = 6
_CLOSE = 1e-9  # mm or rad: rounding is no difference

RULES: dict[Rule, str] = {
    "outside": "outside the limits",
    "one side": "nine or more in a row on one side of the mean",
    "drift": "six or more in a row, each larger than the one before, or each smaller",
    "near a limit": "two of three in a row more than two thirds of the way to the same limit",
    "jump": "a change from one knife to the next above its limit",
}
"""What each rule says. Each of the first four befalls a steady hand in about 3 of 1000 cases."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendPoint:
    """One knife.

    Parameters
    ----------
    label : str
        The knife's name.
    at : datetime
        When it was measured, with its zone.
    value, std : float
        Left minus right and its standard uncertainty, in the trend's unit.
    """

    label: str
    at: datetime
    value: float
    std: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Where a steady hand stays: the mean and three standard deviations either way.

    Parameters
    ----------
    lower, upper : float
        Of the values: mean ∓ 3/d2 times the mean moving range.
    range_upper : float
        Of the moving ranges: D4 times their mean.
    """

    lower: float
    upper: float
    range_upper: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """Something that a steady hand rarely does.

    Parameters
    ----------
    rule : str
        A key of `RULES`.
    points : tuple of int
        Indices of the knives that make it, in their order.
    """

    rule: Rule
    points: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """One difference over knives.

    Parameters
    ----------
    quantity : str
    station_mm : float or None
        As in `grindcheck.results.Figure`.
    unit : {"mm", "rad"}
    points : tuple of TrendPoint
        By time.
    mean : float
    scatter : float
        Standard deviation from knife to knife, 0 for one knife.
    expanded : float
        Expanded uncertainty of the mean (95 %); infinite for one knife.
    moving_ranges : tuple of float
        Between neighbours, one fewer than the points.
    limits : Limits or None
        None with fewer than `FEWEST` knives.
    signals : tuple of Signal
    same_side : int
        Knives on the mean's side of zero.
    habit : bool
        The mean is farther from zero than its uncertainty and most knives agree.
    """

    quantity: str
    station_mm: float | None
    unit: TrendUnit
    points: tuple[TrendPoint, ...]
    mean: float
    scatter: float
    expanded: float
    moving_ranges: tuple[float, ...]
    limits: Limits | None
    signals: tuple[Signal, ...]
    same_side: int
    habit: bool

    @property
    def enough(self) -> bool:
        """Whether there are knives enough to tell a habit."""
        return len(self.points) >= FEWEST


def trend(
    quantity: str,
    points: Iterable[TrendPoint],
    *,
    unit: TrendUnit = "mm",
    station_mm: float | None = None,
) -> Trend:
    """Make the chart of individuals and moving ranges, and tell a habit.

    Parameters
    ----------
    quantity : str
        What the values are.
    points : iterable of TrendPoint
        One of each knife, in any order.
    unit : {"mm", "rad"}
        Of values and uncertainties.
    station_mm : float, optional
        Distance from the tip at which they are read, for a quantity with stations.

    Returns
    -------
    Trend

    Raises
    ------
    InputError
        If there is no knife.
    ValueError
        If a value isn't finite, an uncertainty is negative, or a time has no zone.

    Notes
    -----
    Limits are those of ISO 7870-2 for individuals, from the mean moving range, so that a slow drift doesn't
    widen them. They hold for knives ground alike; measurement errors are part of the scatter that they show.

    A habit must exceed what may come from scatter and from measuring. The mean's expanded uncertainty is
    √((t s/√n)² + (k ū)²): s is the scatter, t Student's factor for 95 %, ū the mean of the knives' standard
    uncertainties. The latter isn't divided by √n: one phone, one print and one way of lighting may move all
    knives alike, and then ū is just the uncertainty of the mean. Where errors are independent this is too
    careful, never too bold.

    The rules for runs are common practice, chosen here so that each befalls a steady hand about equally
    rarely.

    References
    ----------
    .. [1] ISO 7870-2, Control charts, Part 2: Shewhart control charts.

    Examples
    --------
    >>> from datetime import UTC, datetime
    >>> values = (-0.30, -0.28, -0.34, -0.31, -0.29, -0.33)
    >>> knives = [
    ...     TrendPoint(label=str(i), at=datetime(2026, 3, 1 + i, tzinfo=UTC), value=value, std=0.03)
    ...     for i, value in enumerate(values)
    ... ]
    >>> found = trend("plunge.mid", knives)
    >>> found.habit, found.same_side, round(found.mean, 2)
    (True, 6, -0.31)
    """
    ordered = tuple(sorted(_checked(points), key=lambda point: point.at))
    if not ordered:
        raise InputError(
            "No knife has this difference measured.",
            advice="Check the two faces of a few knives first, and keep the checks in the record.",
        )
    values = [point.value for point in ordered]
    count = len(values)
    mean = math.fsum(values) / count
    scatter = math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (count - 1)) if count > 1 else 0.0
    expanded = _expanded(scatter, math.fsum(point.std for point in ordered) / count, count)
    ranges = tuple(abs(b - a) for a, b in pairwise(values))
    limits = _limits(mean, ranges) if count >= FEWEST else None
    same = sum(value * mean > 0 for value in values)
    return Trend(
        quantity=quantity,
        station_mm=station_mm,
        unit=unit,
        points=ordered,
        mean=mean,
        scatter=scatter,
        expanded=expanded,
        moving_ranges=ranges,
        limits=limits,
        signals=() if limits is None else tuple(_signals(values, mean, ranges, limits)),
        same_side=same,
        habit=count >= FEWEST and abs(mean) > expanded and same >= MOSTLY * count,
    )


def _checked(points: Iterable[TrendPoint]) -> Iterator[TrendPoint]:
    for point in points:
        if not math.isfinite(point.value):
            raise ValueError(f"value of {point.label!r} must be finite, not {point.value}")
        if not (math.isfinite(point.std) and point.std >= 0):
            raise ValueError(f"std of {point.label!r} must be finite and not negative, not {point.std}")
        if point.at.tzinfo is None:
            raise ValueError(f"at of {point.label!r} must have a zone, not {point.at}")
        yield point


def _expanded(scatter: float, mean_std: float, count: int) -> float:
    if count < 2:
        return math.inf
    from scipy.special import stdtrit

    student = float(stdtrit(count - 1, 0.975))
    return math.hypot(student * scatter / math.sqrt(count), COVERAGE_FACTOR * mean_std)


def _limits(mean: float, ranges: Sequence[float]) -> Limits:
    mean_range = math.fsum(ranges) / len(ranges)
    away = 3.0 / D2 * mean_range
    return Limits(lower=mean - away, upper=mean + away, range_upper=D4 * mean_range)


def _signals(
    values: Sequence[float], mean: float, ranges: Sequence[float], limits: Limits
) -> Iterator[Signal]:
    away = limits.upper - mean
    offsets = [value - mean for value in values]
    outside = tuple(i for i, offset in enumerate(offsets) if abs(offset) > away + _CLOSE)
    if outside:
        yield Signal(rule="outside", points=outside)
    sides = [0 if abs(offset) < _CLOSE else int(math.copysign(1, offset)) for offset in offsets]
    for run in _runs([a == b != 0 for a, b in pairwise(sides)], RUN):
        yield Signal(rule="one side", points=run)
    steps = [b - a for a, b in pairwise(values)]
    for run in (*_runs([s > _CLOSE for s in steps], DRIFT), *_runs([s < -_CLOSE for s in steps], DRIFT)):
        yield Signal(rule="drift", points=run)
    near: set[int] = set()
    for sign in (1, -1):
        far = [i for i, offset in enumerate(offsets) if sign * offset > 2 / 3 * away + _CLOSE]
        near |= {i for pair in pairwise(far) if pair[1] - pair[0] <= 2 for i in pair}
    if near - set(outside):
        yield Signal(rule="near a limit", points=tuple(sorted(near)))
    jumps = tuple(i + 1 for i, one in enumerate(ranges) if one > limits.range_upper + _CLOSE)
    if jumps:
        yield Signal(rule="jump", points=jumps)


def _runs(joined: Sequence[bool], least: int) -> Iterator[tuple[int, ...]]:
    """Yield the longest stretches of neighbours that are joined, if they have `least` members."""
    start = 0
    for i, goes_on in enumerate((*joined, False), start=1):
        if not goes_on:
            if i - start >= least:
                yield tuple(range(start, i))
            start = i
