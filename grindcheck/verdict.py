"""Whether the two faces match: each difference against its tolerance, its uncertainty taken into account."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from grindcheck.settings import (
    ANGLE_TOLERANCE_RAD,
    COVERAGE_FACTOR,
    HEIGHT_TOLERANCE_MM,
    PLUNGE_TOLERANCE_MM,
)
from grindcheck.sources import advice_of

if TYPE_CHECKING:
    from grindcheck.results import Comparison, Figure

Decision = Literal["match", "mismatch", "cannot tell"]

_PLUNGE_PLACES = ("plunge.shoulder", "plunge.mid", "plunge.edge")

# Figures of a line that may be the wrong one are no evidence, however small their stated uncertainty.
UNSURE = {
    "edge_side_unsure": ("plunge.", "bevel_height"),
    "grind_unsure": ("plunge.", "bevel_height"),
    "plunge_unsure": ("plunge.",),
    "shoulder_unsure": ("bevel_height", "plunge.shoulder"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerances:
    """How much the faces may differ.

    Parameters
    ----------
    plunge_mm : float
        Place of the plunge line along the blade.
    height_mm : float
        Bevel height at a station.
    angle_rad : float
        Angle of the plunge line.
    """

    plunge_mm: float = PLUNGE_TOLERANCE_MM
    height_mm: float = HEIGHT_TOLERANCE_MM
    angle_rad: float = ANGLE_TOLERANCE_RAD

    def __post_init__(self) -> None:
        for name in ("plunge_mm", "height_mm", "angle_rad"):
            if not getattr(self, name) > 0:
                raise ValueError(f"{name} must be greater than 0, not {getattr(self, name)}")

    def of(self, quantity: str) -> float | None:
        """Return the tolerance of a quantity in mm or rad; None if it isn't judged."""
        if quantity in _PLUNGE_PLACES:
            return self.plunge_mm
        return {"plunge.angle": self.angle_rad, "bevel_height": self.height_mm}.get(quantity)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One difference with its tolerance and what follows.

    Parameters
    ----------
    figure : Figure
        Left minus right.
    tolerance : float
        In the figure's unit.
    expanded : float
        U = 2 std, in the figure's unit.
    decision : {"match", "mismatch", "cannot tell"}
    """

    figure: "Figure"
    tolerance: float
    expanded: float
    decision: Decision


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The whole decision.

    Parameters
    ----------
    decision : {"match", "mismatch", "cannot tell"}
    judged : tuple of Judged
        In the order of the differences.
    reasons : tuple of str
        Why it can't be told and what would help; empty unless something can't be told.
    notes : tuple of str
        What wasn't judged and why.
    tolerances : Tolerances
    """

    decision: Decision
    judged: tuple[Judged, ...]
    reasons: tuple[str, ...]
    notes: tuple[str, ...]
    tolerances: Tolerances

    @property
    def largest(self) -> "Judged | None":
        """The largest difference, for its tolerance, of those that have the verdict's own decision."""
        decisive = [one for one in self.judged if one.decision == self.decision] or self.judged

        def size(one: Judged) -> tuple[float, bool]:
            return round(abs(one.figure.value) / one.tolerance, 2), one.figure.quantity == "plunge.mid"

        return max(decisive, key=size, default=None)


def judge(comparison: "Comparison", tolerances: Tolerances) -> Verdict:
    """Decide whether the two faces match.

    Parameters
    ----------
    comparison : Comparison
    tolerances : Tolerances

    Returns
    -------
    Verdict
        *mismatch* if any difference is one, else *cannot tell* if any can't be told, else *match*. With
        nothing to judge it is *cannot tell*.

    Notes
    -----
    The rule per difference is that of ISO 14253-1 with the guard band w = U of JCGM 106:2012 (clause 8.3):
    *match* is only said inside the acceptance interval |d| <= T − U, *mismatch* only beyond T + U. For a
    normal error a difference of exactly T is then accepted with a probability of at most Φ(−2) = 2.3 %.
    """
    names = {*comparison.left.flags, *comparison.right.flags, *comparison.flags}
    skipped, notes, reasons = _left_out(comparison)
    judged = []
    for figure in comparison.differences:
        tolerance = tolerances.of(figure.quantity)
        if tolerance is None or figure.quantity in skipped:
            continue
        unsure = any(
            figure.quantity.startswith(start)
            for name, starts in UNSURE.items()
            if name in names
            for start in starts
        )
        expanded = COVERAGE_FACTOR * figure.std
        judged.append(
            Judged(
                figure=figure,
                tolerance=tolerance,
                expanded=expanded,
                decision="cannot tell" if unsure else decide(figure.value, expanded, tolerance),
            )
        )
    if not judged and not reasons:
        reasons.append("There is nothing to judge: neither plunge nor shoulder was measured on both faces.")
    reasons += [reason for name, reason in _UNSURE_REASONS.items() if name in names]
    reasons += _doubts(judged)
    decisions = {one.decision for one in judged}
    decision: Decision = "match"
    if "mismatch" in decisions:
        decision = "mismatch"
    elif "cannot tell" in decisions or reasons:
        decision = "cannot tell"
    return Verdict(
        decision=decision,
        judged=tuple(judged),
        reasons=tuple(dict.fromkeys(reasons)),
        notes=tuple(notes),
        tolerances=tolerances,
    )


_UNSURE_REASONS = {
    "edge_side_unsure": "Edge and spine can't be told apart: say which photo shows which face "
    "(--faces left,right), or place a plunge or shoulder line by hand.",
    "grind_unsure": "Whether the bevel reaches the spine isn't seen clearly: say the grind (--grind).",
    "plunge_unsure": "The plunge line isn't seen clearly: use softer light from the side, or place it by "
    "hand (--plunge-left, --plunge-right).",
    "shoulder_unsure": "The shoulder isn't seen clearly: use softer light from the side, or place it by "
    "hand (--shoulder-left, --shoulder-right).",
}


def decide(difference: float, expanded: float, tolerance: float) -> Decision:
    """Decide one difference.

    Parameters
    ----------
    difference, expanded, tolerance : float
        d, U and T in one unit.

    Examples
    --------
    >>> decide(-0.10, 0.05, 0.25), decide(0.25, 0.05, 0.25), decide(-0.62, 0.05, 0.25)
    ('match', 'cannot tell', 'mismatch')
    """
    # A hundred-millionth of T absorbs the rounding of the sum: |d| + U = T is inside, as the rule says.
    rounding = 1e-8 * tolerance
    if abs(difference) + expanded <= tolerance + rounding:
        return "match"
    if abs(difference) - expanded > tolerance + rounding:
        return "mismatch"
    return "cannot tell"


def _left_out(comparison: "Comparison") -> tuple[set[str], list[str], list[str]]:
    """Quantities that aren't judged, what is said about it, and what of it forbids a verdict."""
    left, right = comparison.left, comparison.right
    skipped: set[str] = set()
    notes: list[str] = []
    reasons: list[str] = []
    if not left.plunge and not right.plunge:
        notes.append("No plunge is seen on either face; the bevel was judged without it.")
    elif not left.plunge or not right.plunge:
        missing = "left" if not left.plunge else "right"
        reasons.append(
            f"No plunge is seen on the {missing} face, but on the other: photograph the {missing} face in "
            f"softer light, or place its line by hand (--plunge-{missing})."
        )
    if left.full_flat and right.full_flat:
        skipped.add("bevel_height")
        notes.append(
            "Full flat grind: the bevels reach the spine, so both heights are the blade's own and say "
            "nothing about symmetry."
        )
        if not left.plunge and not right.plunge:
            reasons.append(
                "A full flat grind without a plunge shows no line that could differ: compare the faces with "
                "a calliper and a straightedge."
            )
    elif left.full_flat != right.full_flat:
        full = "left" if left.full_flat else "right"
        reasons.append(
            f"The {full} face looks full flat and the other doesn't: say which with --grind, or place the "
            f"shoulder by hand (--shoulder-{full})."
        )
    elif not any(figure.quantity == "bevel_height" for figure in comparison.differences):
        reasons.append(
            "No bevel height was measured on both faces at one station: use softer light, or place the "
            "shoulder by hand (--shoulder-left, --shoulder-right)."
        )
    return skipped, notes, reasons


def _doubts(judged: list[Judged]) -> list[str]:
    """For each kind of figure that can't be told within its uncertainty: what would help most."""
    out = []
    for start, word in (("plunge.", "plunge"), ("bevel_height", "bevel height")):
        doubtful = [
            one
            for one in judged
            if one.figure.quantity.startswith(start)
            and decide(one.figure.value, one.expanded, one.tolerance) == "cannot tell"
        ]
        if not doubtful:
            continue
        worst = max(doubtful, key=lambda one: one.expanded / one.tolerance)
        source = max(worst.figure.components, key=lambda name: worst.figure.components[name], default="")
        remedy = advice_of(source)
        because = f" Most of the uncertainty comes from the {source}: {remedy}." if remedy else ""
        stations = [
            f"{one.figure.station_mm:.0f} mm" for one in doubtful if one.figure.station_mm is not None
        ]
        where = f" at {', '.join(stations)} from the tip" if stations else ""
        out.append(f"The {word}{where} lies within its uncertainty of the tolerance.{because}")
    return out
