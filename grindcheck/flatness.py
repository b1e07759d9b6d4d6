"""Micrometer readings along a blade: spread, mean, taper, and whether the stock is even."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from grindcheck.errors import InputError
from grindcheck.settings import COVERAGE_FACTOR, THICKEST_STOCK_MM

FlatnessDecision = Literal["even", "uneven", "cannot tell"]

FEWEST = 3
"""Two readings can't tell a taper from a slip."""

READING_STD_MM = 0.004 / math.sqrt(3)
"""A micrometer may be off by 0.004 mm (DIN 863); anything within is as likely (JCGM 100, 4.3.7)."""

EVEN_MM = 0.0254
"""Within a thousandth of an inch is good; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One reading.

    Parameters
    ----------
    value_mm : float
        Thickness.
    at_mm : float or None
        Where along the blade, in mm from the tip, if it is known.
    label : str
        The spot in words, as "ricasso"; may be empty.
    """

    value_mm: float
    at_mm: float | None = None
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Taper:
    """A straight line through the readings.

    Parameters
    ----------
    slope, slope_std : float
        Mm of thickness per mm along the blade, positive if it thickens away from the tip; one sigma.
    at_tip_mm : float
        The line at the tip; beyond the readings it is only drawn on.
    rms_mm : float
        Residuals about the line, by the degrees of freedom left (n − 2).
    """

    slope: float
    slope_std: float
    at_tip_mm: float
    rms_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Flatness:
    """What the readings of one blade say.

    Parameters
    ----------
    readings : tuple of Reading
        As given.
    mean_mm : float
    spread_mm : float
        Largest less smallest.
    spread_std_mm : float
        Of a difference of two readings.
    even_mm : float
        The limit of the spread.
    decision : {"even", "uneven", "cannot tell"}
        Of the spread against the limit, its U taken into account (ISO 14253-1).
    taper : Taper or None
        None unless every reading has its place.
    """

    readings: tuple[Reading, ...]
    mean_mm: float
    spread_mm: float
    spread_std_mm: float
    even_mm: float
    decision: FlatnessDecision
    taper: Taper | None


def flatness(
    readings: Iterable[Reading], *, reading_std_mm: float = READING_STD_MM, even_mm: float = EVEN_MM
) -> Flatness:
    """Work out spread, mean and taper of micrometer readings.

    Parameters
    ----------
    readings : iterable of Reading
        Three or more.
    reading_std_mm : float
        Standard uncertainty of one reading against another with the same micrometer.
    even_mm : float
        Spread up to which the stock counts as even.

    Returns
    -------
    Flatness

    Raises
    ------
    InputError
        With fewer than three readings, a thickness that no stock has, or all readings at one place.

    Notes
    -----
    The line is the ordinary least-squares line; with Sxx = Σ(x − x̄)² the slope's uncertainty is u/√Sxx. u
    is the larger of the reading's own and the rms of the residuals: a blade that isn't straight makes the
    slope less certain, and three readings that happen to lie on a line don't make it certain. A zero error
    of the micrometer is in the mean alone.

    Examples
    --------
    >>> found = flatness([Reading(value_mm=v, at_mm=x) for x, v in ((10, 3.98), (60, 3.99), (110, 4.00))])
    >>> round(found.spread_mm, 3), found.decision, round(found.taper.slope * 100, 3)
    (0.02, 'cannot tell', 0.02)
    """
    if not (math.isfinite(reading_std_mm) and reading_std_mm >= 0):
        raise ValueError(f"reading_std_mm must be finite and not negative, not {reading_std_mm}")
    if not even_mm > 0:
        raise ValueError(f"even_mm must be greater than 0, not {even_mm}")
    given = tuple(readings)
    _check(given)
    values = [one.value_mm for one in given]
    spread = max(values) - min(values)
    spread_std = math.sqrt(2.0) * reading_std_mm
    return Flatness(
        readings=given,
        mean_mm=math.fsum(values) / len(values),
        spread_mm=spread,
        spread_std_mm=spread_std,
        even_mm=even_mm,
        decision=_decide(spread, COVERAGE_FACTOR * spread_std, even_mm),
        taper=_taper(given, reading_std_mm),
    )


def _check(readings: tuple[Reading, ...]) -> None:
    if len(readings) < FEWEST:
        raise InputError(
            f"{len(readings)} micrometer {'reading is' if len(readings) == 1 else 'readings are'} too few.",
            advice="Measure at three spots or more: near the tip, in the middle and at the ricasso.",
        )
    for one in readings:
        if not 0 < one.value_mm <= THICKEST_STOCK_MM:  # also refuses what is no number
            raise InputError(
                f"A thickness of {one.value_mm:g} mm is none of a blade.",
                advice="Write each reading with its unit, as 3.98mm or 0.157in.",
            )
        if one.at_mm is not None and not math.isfinite(one.at_mm):
            raise InputError(
                f"A place of {one.at_mm:g} mm is none on a blade.",
                advice="Write each place as its distance from the tip, as 40mm.",
            )


def _decide(spread: float, expanded: float, limit: float) -> FlatnessDecision:
    if spread + expanded <= limit:
        return "even"
    return "uneven" if spread - expanded > limit else "cannot tell"


def _taper(readings: tuple[Reading, ...], reading_std: float) -> Taper | None:
    places = [one.at_mm for one in readings if one.at_mm is not None]
    if len(places) < len(readings):
        return None
    count = len(places)
    middle = math.fsum(places) / count
    mean = math.fsum(one.value_mm for one in readings) / count
    sxx = math.fsum((x - middle) ** 2 for x in places)
    if sxx == 0:
        raise InputError(
            "All micrometer readings are at one place.",
            advice="Measure at three spots or more: near the tip, in the middle and at the ricasso.",
        )
    slope = (
        math.fsum((x - middle) * (one.value_mm - mean) for x, one in zip(places, readings, strict=True)) / sxx
    )
    residuals = [one.value_mm - mean - slope * (x - middle) for x, one in zip(places, readings, strict=True)]
    rms = math.sqrt(math.fsum(one**2 for one in residuals) / (count - 2))
    return Taper(
        slope=slope,
        slope_std=max(reading_std, rms) / math.sqrt(sxx),
        at_tip_mm=mean - slope * middle,
        rms_mm=rms,
    )
