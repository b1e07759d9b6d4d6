"""A quantity of the record as a trend over knives."""

from collections.abc import Iterable
from math import radians

from grindcheck.record.entries import Point
from grindcheck.trend import Trend, TrendPoint, TrendUnit, trend


def trend_of(quantity: str, points: Iterable[Point], station_mm: float | None = None) -> Trend | None:
    """Return the trend of `checks.series`; None where there is no point.

    A result that came from elsewhere may say a negative uncertainty; such a one is left out.
    """
    points = [one for one in points if one.std >= 0]
    if not points:
        return None
    unit: TrendUnit = "rad" if points[0].unit == "deg" else "mm"
    factor = radians(1.0) if unit == "rad" else 1.0
    return trend(
        quantity,
        [
            TrendPoint(label=one.name, at=one.at, value=one.value * factor, std=one.std * factor)
            for one in points
        ],
        unit=unit,
        station_mm=station_mm,
    )
