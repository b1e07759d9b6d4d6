"""Plots of a result as coordinates for inline SVG: the templates draw, nothing is measured here."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil, floor, log10
from typing import Any

_WIDE, _TALL = 420.0, 250.0
_LEAST_MM = 0.6  # either way of the middle: what is far below the tolerance shouldn't look like a hill
_LEFT, _RIGHT, _TOP, _BOTTOM = 46.0, 10.0, 14.0, 42.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """One axis: where its ticks are, in the drawing, with their labels."""

    ticks: tuple[tuple[float, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """A plot's coordinates.

    Parameters
    ----------
    width, height, left, right, top, bottom : float
        Of the drawing, and of the plot in it.
    x, y : Axis
    curves : dict of str to sequence of (x, y)
    bars : sequence of (x, y, y low, y high)
        Points with their expanded uncertainty.
    band : (float, float) or None
        Upper and lower y of the tolerance.
    """

    width: float
    height: float
    left: float
    right: float
    top: float
    bottom: float
    x: Axis
    y: Axis
    curves: dict[str, tuple[tuple[float, float], ...]]
    bars: tuple[tuple[float, float, float, float], ...] = ()
    band: tuple[float, float] | None = None

    def path(self, name: str) -> str:
        """Return a curve as the points of an SVG polyline."""
        return " ".join(f"{x:.1f},{y:.1f}" for x, y in self.curves[name])


def height_profile(result: Mapping[str, Any]) -> Plot | None:
    """Bevel height along the blade, left against right, by the distance from the tip; None without any."""
    heights = {
        side: [(one["station"], one["value"]) for one in result["faces"][side]["bevel_height"]]
        for side in ("left", "right")
    }
    points = [point for side in heights.values() for point in side]
    if len(points) < 4:
        return None
    ys = [y for _, y in points]
    middle = (min(ys) + max(ys)) / 2
    return _plot(heights, [*ys, middle - _LEAST_MM, middle + _LEAST_MM], x_values=[x for x, _ in points])


def height_difference(result: Mapping[str, Any]) -> Plot | None:
    """Bevel height left minus right with U and the tolerance; None without any."""
    found = [one for one in result["differences"] if one["quantity"] == "bevel_height"]
    if len(found) < 2:
        return None
    tolerance = result["tolerances"]["bevel_height"]["value"]
    lows = [one["value"] - one["expanded"] for one in found]
    highs = [one["value"] + one["expanded"] for one in found]
    bars = [
        (one["station"], one["value"], low, high) for one, low, high in zip(found, lows, highs, strict=True)
    ]
    ys = [*lows, *highs, -1.2 * tolerance, 1.2 * tolerance]
    return _plot({}, ys, x_values=[one["station"] for one in found], bars=bars, band=(tolerance, -tolerance))


def _plot(
    curves: Mapping[str, Sequence[tuple[float, float]]],
    y_values: Sequence[float],
    *,
    x_values: Sequence[float],
    bars: Sequence[tuple[float, float, float, float]] = (),
    band: tuple[float, float] | None = None,
) -> Plot:
    """Lay values into the drawing: the tip at the right, as the pictures have it."""
    low, high = min(y_values), max(y_values)
    pad = 0.08 * max(high - low, 0.2)
    low, high = low - pad, high + pad
    far = max(x_values) * 1.04

    def x_of(value: float) -> float:
        return _WIDE - _RIGHT - value / far * (_WIDE - _LEFT - _RIGHT)

    def y_of(value: float) -> float:
        return _TOP + (high - value) / (high - low) * (_TALL - _TOP - _BOTTOM)

    return Plot(
        width=_WIDE, height=_TALL, left=_LEFT, right=_WIDE - _RIGHT, top=_TOP, bottom=_TALL - _BOTTOM,
        x=Axis(ticks=tuple((x_of(value), f"{value:g}") for value in ticks(0, far, 6))),
        y=Axis(ticks=tuple((y_of(value), f"{value:g}".replace("-", "−")) for value in ticks(low, high, 5))),
        curves={name: tuple((x_of(x), y_of(y)) for x, y in sorted(line)) for name, line in curves.items()},
        bars=tuple((x_of(x), y_of(y), y_of(below), y_of(above)) for x, y, below, above in bars),
        band=None if band is None else (y_of(band[0]), y_of(band[1])),
    )  # fmt: skip


def ticks(low: float, high: float, most: int) -> list[float]:
    """Return round values between two, at most `most` of them.

    Examples
    --------
    >>> ticks(0, 104, 6)
    [0.0, 20.0, 40.0, 60.0, 80.0, 100.0]
    """
    rough = (high - low) / most
    size = 10.0 ** floor(log10(rough))
    step = next(size * times for times in (1, 2, 5, 10) if size * times >= rough)
    return [round(number * step, 9) + 0.0 for number in range(ceil(low / step), floor(high / step) + 1)]
