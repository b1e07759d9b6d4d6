"""Names and headlines that the text and the picture share."""

from typing import TYPE_CHECKING

from grindcheck.advice import Units, length
from grindcheck.units import degrees

if TYPE_CHECKING:
    from collections.abc import Sequence

    from grindcheck.results import Figure
    from grindcheck.verdict import Verdict

QUANTITIES = {
    "plunge.shoulder": "plunge at the shoulder",
    "plunge.mid": "plunge at mid-height",
    "plunge.edge": "plunge at the edge",
    "plunge.angle": "plunge angle",
    "plunge.transition": "width of the plunge",
    "bevel_height": "bevel height",
    "bevel_angle": "bevel angle",
    "shoulder.waviness": "waviness of the shoulder",
}
_PLACES = {"plunge.shoulder": "at its upper end", "plunge.mid": "at mid-height", "plunge.edge": "at the edge"}


def named(figure: "Figure", units: Units, *, full_flat: bool = False) -> str:
    """Name a figure with its station, as in ``bevel height at 30 mm``."""
    name = QUANTITIES.get(figure.quantity, figure.quantity)
    if full_flat and figure.quantity == "plunge.shoulder":
        name = "plunge at the spine"
    if figure.station_mm is None:
        return name
    return f"{name} at {station(figure.station_mm, units)}" + (f" ({figure.label})" if figure.label else "")


def left_out(pairs: "Sequence[tuple[int, str]]", names: "Sequence[str]") -> list[str]:
    """Say which pairs of photos were left out, and in what they don't agree with the others.

    Parameters
    ----------
    pairs : sequence of (int, str)
        Index of the pair and the quantity, as `grindcheck.several.Combined` has them.
    names : sequence of str
        Of all photos, two and two.
    """
    return [
        f"Left out: {names[2 * pair]} and {names[2 * pair + 1]}, whose {QUANTITIES.get(quantity, quantity)} "
        "doesn't agree with the other pairs."
        for pair, quantity in pairs
    ]


def station(value_mm: float, units: Units) -> str:
    """Write a distance from the tip."""
    return f"{value_mm / 25.4:.2f} in" if units == "in" else f"{value_mm:.0f} mm"


def amount(value: float, unit: str, units: Units) -> str:
    """Write a value without sign, as in ``0.62 mm (24 thou)`` or ``1.40°``."""
    return f"{degrees(value):.2f}°" if unit == "rad" else length(value, units)


def headline(verdict: "Verdict", units: Units) -> tuple[str, str]:
    """Return the verdict in capitals, and in one sentence which side, how much and how surely."""
    word = verdict.decision.upper()
    worst = verdict.largest
    if worst is None or (verdict.decision == "cannot tell" and worst.decision != "cannot tell"):
        return word, verdict.reasons[0] if verdict.reasons else "There is nothing to judge."
    figure = worst.figure
    certain = (
        f"U = {amount(worst.expanded, figure.unit, units)}, "
        f"tolerance {amount(worst.tolerance, figure.unit, units)}"
    )
    if verdict.decision == "match":
        much = amount(abs(figure.value), figure.unit, units)
        return word, f"The largest difference is {much}, {named(figure, units)}; {certain}."
    return word, f"{which_side(figure, units)}; {certain}."


def which_side(figure: "Figure", units: Units) -> str:
    """Say which face differs how, as in ``The right plunge lies 0.62 mm nearer to the tip at mid-height``.

    Distances are told from the tip and differences are left minus right, so a positive one means that the
    right plunge lies nearer to the tip.
    """
    much = amount(abs(figure.value), figure.unit, units)
    lower, other = ("left", "right") if figure.value < 0 else ("right", "left")
    if figure.quantity == "plunge.angle":
        return f"The {other} plunge leans {much} more towards the tip at its upper end than the {lower}"
    if figure.quantity == "bevel_height":
        place = "" if figure.station_mm is None else f", {station(figure.station_mm, units)} from the tip"
        return f"The {lower} bevel is {much} lower than the {other}{place}"
    return f"The {lower} plunge lies {much} nearer to the tip than the {other}, {_PLACES[figure.quantity]}"
