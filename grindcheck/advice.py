"""What to grind, in the words of the bench.

Metal can only be taken off, so one face always follows the other: a plunge moves towards the handle only, a
shoulder towards the spine only. Of two plunge lines that differ, each end is therefore brought to whichever
of the two lies farther from the tip, and of two bevels the lower one is raised.
"""

from dataclasses import dataclass
from math import atan2, sin, sqrt
from typing import TYPE_CHECKING, Literal

from grindcheck.settings import THIN_EDGE_MM
from grindcheck.units import degrees, thou

if TYPE_CHECKING:
    from grindcheck.results import Comparison, Figure
    from grindcheck.verdict import Judged, Verdict

Units = Literal["mm", "in", "both"]

CAUTIONS = (
    "Cool often: keep the steel below its tempering temperature.",
    "Wear eye protection and a respirator and follow your local rules; never measure at a running machine.",
)

_SMALLEST_MM = 0.005  # a move below this reads 0.00 or 0.01 and isn't worth a sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class Raise:
    """What raising a shoulder costs.

    Parameters
    ----------
    depth_mm : float
        To take off at the old shoulder, square to the flat, when the bevel turns about its edge.
    edge_loss_mm : float
        Thickness that the edge loses when the whole bevel is ground parallel instead.
    """

    depth_mm: float
    edge_loss_mm: float


def shoulder_raise(height_mm: float, raise_mm: float, rise_mm: float) -> Raise:
    """Tell how much metal a raised shoulder takes.

    Parameters
    ----------
    height_mm : float
        Bevel height now, along the ground surface.
    raise_mm : float
        By how much it is to grow, along the surface.
    rise_mm : float
        Half of stock thickness minus edge thickness.

    Returns
    -------
    Raise

    Notes
    -----
    A flat bevel is the hypotenuse L of a right triangle with the legs h (in the plane of the flat) and r
    (the rise). Turned about the edge, r stays and the new leg is h' = √((L + D)² − r²); at the old shoulder
    the new surface lies r h / h' above the edge, so the depth there is r (1 − h / h'), which is d tan β'
    with d = h' − h and β' the new bevel angle. Ground parallel, the angle β = asin(r / L) stays and the
    surface sinks by D sin β everywhere. A hollow or convex bevel differs a little from both.

    Examples
    --------
    >>> cost = shoulder_raise(5.0, 45**0.5 - 5.0, 3.0)  # legs 4 and 3; then 6 and 3
    >>> round(cost.depth_mm, 6)
    1.0
    """
    flat_mm = sqrt(height_mm**2 - rise_mm**2)
    new_mm = sqrt((height_mm + raise_mm) ** 2 - rise_mm**2)
    angle = atan2(rise_mm, flat_mm)
    return Raise(depth_mm=rise_mm * (1 - flat_mm / new_mm), edge_loss_mm=raise_mm * sin(angle))


def advise(comparison: "Comparison", verdict: "Verdict", *, units: Units = "both") -> tuple[str, ...]:
    """Say what to grind for every difference that is a mismatch, and what to mind.

    Parameters
    ----------
    comparison : Comparison
    verdict : Verdict
    units : {"mm", "in", "both"}

    Returns
    -------
    tuple of str
        Sentences; without a mismatch only that nothing is to be ground.
    """
    wrong = [one for one in verdict.judged if one.decision == "mismatch"]
    if not wrong:
        return ("Leave both faces as they are: no difference is certain to exceed its tolerance.",)
    lines = [
        *_plunge(comparison, [one for one in wrong if one.figure.quantity.startswith("plunge.")], units),
        *_heights(comparison, [one for one in wrong if one.figure.quantity == "bevel_height"], units),
    ]
    return (*lines, *CAUTIONS)


def length(value_mm: float, units: Units) -> str:
    """Write a length for the bench, such as ``0.62 mm (24 thou)``.

    Examples
    --------
    >>> length(0.62, "both"), length(0.04, "both"), length(0.635, "in")
    ('0.62 mm (24 thou)', '0.04 mm (1.6 thou)', '0.0250 in')
    """
    if units == "in":
        return f"{value_mm / 25.4:.4f} in"
    millimetres = f"{value_mm:.2f} mm"
    decimals = 1 if abs(value_mm) < 0.254 else 0
    return millimetres if units == "mm" else f"{millimetres} ({thou(value_mm):.{decimals}f} thou)"


def _plunge(comparison: "Comparison", wrong: "list[Judged]", units: Units) -> list[str]:
    """Bring each end of the plunge lines to the one that lies farther from the tip."""
    if not wrong:
        return []
    top = "spine" if comparison.left.full_flat and comparison.right.full_flat else "shoulder"
    moves: dict[str, dict[str, float]] = {"left": {}, "right": {}}
    by_name = {figure.quantity: figure for figure in comparison.differences}
    for end in ("shoulder", "mid", "edge"):
        figure = by_name.get(f"plunge.{end}")
        if figure is not None:
            # left minus right of the distance from the tip: positive, the right plunge lies nearer to the tip
            moves["right" if figure.value > 0 else "left"][end] = abs(figure.value)
    turned = [one for one in wrong if one.figure.quantity == "plunge.angle"]
    placed = {one.figure.quantity.removeprefix("plunge.") for one in wrong} - {"angle"}
    out = []
    for side, ends in moves.items():
        asked = (placed | ({"shoulder", "edge"} if turned else set())) & set(ends)
        asked = {end for end in asked if ends[end] >= _SMALLEST_MM}
        if not asked:
            continue
        if "shoulder" in ends and "edge" in ends:
            upper, lower = ends["shoulder"], ends["edge"]
            main = length(ends.get("mid", (upper + lower) / 2), units)
            detail = ""
            if abs(upper - lower) >= 2 * _SMALLEST_MM:
                detail = f": {length(upper, units)} at the {top}, {length(lower, units)} at the edge"
            out.append(f"Grind the {side} face: move its plunge {main} towards the handle{detail}.")
        else:
            places = ", ".join(
                f"{length(ends[end], units)} {_where(end, top)}"
                for end in ("shoulder", "mid", "edge")
                if end in asked
            )
            out.append(f"Grind the {side} face: move its plunge towards the handle, {places}.")
    if turned:
        angle = turned[0].figure.value
        leaning, other = ("left", "right") if angle > 0 else ("right", "left")
        much = f"{degrees(abs(angle)):.1f}°"
        out.append(
            f"At the {top} the {leaning} plunge leans {much} more towards the tip than the {other} one; the "
            "moves above take that out."
            if out
            else f"Grind the {leaning} face: turn its plunge by {much}, its {top} end towards the handle."
        )
    return out


def _where(end: str, top: str) -> str:
    return {"shoulder": f"at the {top}", "mid": "at mid-height", "edge": "at the edge"}[end]


def _heights(comparison: "Comparison", wrong: "list[Judged]", units: Units) -> list[str]:
    """Raise the lower shoulder, face by face, and tell what it costs."""
    out = []
    for side in ("left", "right"):
        # left minus right: negative, the left bevel is the lower one
        low = [one.figure for one in wrong if (one.figure.value < 0) == (side == "left")]
        if not low:
            continue
        worst = max(low, key=lambda figure: abs(figure.value))
        out.append(f"Grind the {side} face: raise its shoulder {_span(low, units)}.")
        cost = _cost(comparison, side, worst)
        if cost is not None:
            out.append(_told_cost(cost, worst, comparison.edge_mm, units))
    return out


def _span(low: "list[Figure]", units: Units) -> str:
    raises = sorted(abs(figure.value) for figure in low)
    stations = sorted(figure.station_mm for figure in low if figure.station_mm is not None)
    much = f"by {length(raises[-1], units)}"
    if raises[-1] - raises[0] >= 0.01:
        much = f"by {length(raises[0], units)} to {length(raises[-1], units)}"
    if not stations:
        return much
    if stations[0] == stations[-1]:
        return f"{much} at {_station(stations[0], units)} from the tip"
    return f"{much} between {_station(stations[0], units)} and {_station(stations[-1], units)} from the tip"


def _station(value_mm: float, units: Units) -> str:
    return f"{value_mm / 25.4:.2f} in" if units == "in" else f"{value_mm:.0f} mm"


def _cost(comparison: "Comparison", side: str, worst: "Figure") -> Raise | None:
    face = comparison.left if side == "left" else comparison.right
    rise = (comparison.thickness_mm - comparison.edge_mm) / 2
    for figure in face.bevel_height:
        if figure.station_mm == worst.station_mm and figure.value > rise > 0:
            return shoulder_raise(figure.value, abs(worst.value), rise)
    return None


def _told_cost(cost: Raise, worst: "Figure", edge_mm: float, units: Units) -> str:
    remaining = edge_mm - cost.edge_loss_mm
    place = "" if worst.station_mm is None else f" at {_station(worst.station_mm, units)}"
    text = (
        f"With the bevel turned about its edge that is a depth of {length(cost.depth_mm, units)} at the old "
        f"shoulder{place}; the edge keeps its {length(edge_mm, units)}. Ground parallel instead, "
    )
    if remaining <= 0:
        return text + (
            f"it would take {length(cost.edge_loss_mm, units)}, more than the whole edge of "
            f"{length(edge_mm, units)}: the blade would lose width. Turn the bevel about its edge."
        )
    text += f"{length(remaining, units)} of edge thickness would remain."
    if remaining < THIN_EDGE_MM:
        text += f" That is thin: below {length(THIN_EDGE_MM, units)} an edge burns easily."
    return text
