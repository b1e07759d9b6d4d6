"""Micrometer readings in words."""

from typing import TYPE_CHECKING

from grindcheck.advice import Units
from grindcheck.settings import COVERAGE_FACTOR
from grindcheck.units import thou

if TYPE_CHECKING:
    from grindcheck.flatness import Flatness

_DECISIONS = {
    "even": "Even within {limit}",
    "uneven": "Uneven by more than {limit}",
    "cannot tell": "Near {limit}: the micrometer doesn't decide",
}


def flatness_sentences(flatness: "Flatness", units: Units = "both") -> tuple[str, ...]:
    """Say what the readings show: the decision, spread and mean, and the taper where it is known.

    Parameters
    ----------
    flatness : Flatness
    units : {"mm", "in", "both"}

    Returns
    -------
    tuple of str
        Two or three sentences.
    """
    limit = fine(flatness.even_mm, units)
    expanded = COVERAGE_FACTOR * flatness.spread_std_mm
    said = [
        _DECISIONS[flatness.decision].format(limit=limit) + ".",
        f"{len(flatness.readings)} readings differ by {fine(flatness.spread_mm, units)}, "
        f"U = {fine(expanded, units)}; their mean is {fine(flatness.mean_mm, units)}.",
    ]
    taper = flatness.taper
    if taper is None:
        return tuple(said)
    span_mm, span = (101.6, "4 in") if units == "in" else (100.0, "100 mm")
    change, sure = span_mm * taper.slope, span_mm * COVERAGE_FACTOR * taper.slope_std
    if abs(change) <= sure:
        said.append(f"No taper beyond {fine(sure, units)} over {span} shows.")
    else:
        way = "handle" if change > 0 else "tip"
        much = fine(abs(change), units)
        said.append(f"It thickens towards the {way} by {much} over {span}, U = {fine(sure, units)}.")
    return tuple(said)


def fine(value_mm: float, units: Units) -> str:
    """Write a length as a micrometer reads it, such as ``0.018 mm (0.7 thou)``.

    Examples
    --------
    >>> fine(0.0178, "both"), fine(3.99, "in"), fine(0.0254, "in")
    ('0.018 mm (0.7 thou)', '0.1571 in', '0.0010 in')
    """
    if units == "in":
        return f"{value_mm / 25.4:.4f} in"
    in_mm = f"{value_mm:.3f} mm"
    if units == "mm":
        return in_mm
    return (
        f"{in_mm} ({value_mm / 25.4:.4f} in)" if value_mm >= 1.0 else f"{in_mm} ({thou(value_mm):.1f} thou)"
    )
