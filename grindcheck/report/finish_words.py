"""Names and headlines of a finish check that text and picture share."""

from typing import TYPE_CHECKING

from grindcheck.advice import Units
from grindcheck.finish.acceptance import NO_SCRATCH, is_sure
from grindcheck.finish.grits import findable
from grindcheck.units import degrees

if TYPE_CHECKING:
    from grindcheck.finish.acceptance import FinishVerdict
    from grindcheck.finish.results import Finish, FinishFace, RegionLay, Scratch

SHORT_ADVICE = {
    "coarser grit": "Likely left from a coarser grit: go back one grit.",
    "draw direction": "Likely from the sheath: wash or re-open it first.",
    "handling": "Likely from handling: tape the blade while you work.",
}
"""By a group's origin, what to do in the fewest words."""

_LAYS = {
    "=": "along the blade",
    "⊥": "square to the blade",
    "X": "crossed",
    "M": "in many directions",
    "C": "circular",
    "R": "radial",
    "P": "without direction",
}


def finish_headline(finish: "Finish", verdict: "FinishVerdict") -> tuple[str, str]:
    """Return the verdict in capitals, and in one sentence what decides it and down to which size."""
    word = verdict.decision.upper()
    if verdict.decision != "clean":
        first = next(one for one in (*verdict.reasons, "There is nothing to judge."))
        same = {one.reason for one in verdict.judged if one.decision == verdict.decision}
        more = len(same) - 1
        return word, first if more < 1 else f"{first.removesuffix('.')} (and {more} more)."
    found = sum(len(face.scratches) for face in finish.faces)
    size = down_to(finish)
    if found == 0:
        return word, f"No scratch is found; {size} would be."
    kept = "what is accepted" if verdict.limits == NO_SCRATCH else ", ".join(map(str, verdict.limits))
    return (
        word,
        f"{'1 scratch keeps' if found == 1 else f'{found} scratches keep'} to {kept}; {size} would be found.",
    )


def down_to(finish: "Finish") -> str:
    """Write the size from which scratches are found in every region: the largest of the regions' limits."""
    regions = [region for face in finish.faces for region in face.regions]
    if not regions:
        return "none of any size"
    worst = max(regions, key=lambda region: (region.findable_mm or 0.0, region.findable_px))
    return f"one of {findable(worst)} or longer off the lay"


def face_name(face: "FinishFace") -> str:
    """Name a face, or the photo where no blade's outline tells."""
    return f"{face.side.capitalize()} face" if face.side else "Photo"


def lay_named(lay: "RegionLay") -> str:
    """Write a lay in words, as in ``along the blade (2° ± 1°)``."""
    if lay.direction_rad is None:
        return _LAYS[lay.symbol]
    angle, expanded = degrees(lay.direction_rad), 2 * degrees(lay.direction_std)
    return f"{_LAYS[lay.symbol]} ({angle:.0f}° ± {max(expanded, 1):.0f}°)"


def long(one: "Scratch", units: Units) -> str:
    """Write a scratch's length, in pixels without a scale."""
    if one.length_mm is None:
        return f"{one.length_px:.0f} px"
    return f"{one.length_mm / 25.4:.3f} in" if units == "in" else f"{one.length_mm:.1f} mm"


def wide(one: "Scratch", units: Units) -> str:
    """Write a scratch's width, which is none where the pixel is wider."""
    if one.width_px <= 1:
        return "< pixel"
    if one.width_mm is None:
        return f"{one.width_px:.1f} px"
    return f"{one.width_mm / 25.4:.4f} in" if units == "in" else f"{one.width_mm:.2f} mm"


def place(one: "Scratch", units: Units) -> tuple[str, str]:
    """Write how far from the tip and how high over the edge it lies, from end to end."""
    if one.ends_mm is None:
        return "", ""
    scale, decimals = (25.4, 2) if units == "in" else (1.0, 0)
    out = []
    for column in (0, 1):
        low, high = sorted(float(end[column]) / scale for end in one.ends_mm)
        texts = [f"{value:.{decimals}f}" for value in (low, high)]
        out.append(texts[0] if texts[0] == texts[1] else "-".join(texts))
    return out[0], out[1]


def how_sure(one: "Scratch") -> str:
    """Say whether texture alone may look like it."""
    return "sure" if is_sure(one) else "faint"
