"""What a scratch's width says of the grit, and whether the next grit may follow."""

from itertools import pairwise
from typing import TYPE_CHECKING

from grindcheck.settings import COVERAGE_FACTOR

if TYPE_CHECKING:
    from grindcheck.finish.results import FinishFace, RegionFinish, Scratch

GRAINS_MM = {
    "P40": 0.425, "P50": 0.336, "P60": 0.269, "P80": 0.201, "P100": 0.162, "P120": 0.125, "P150": 0.100,
    "P180": 0.082, "P220": 0.068, "P240": 0.0585, "P320": 0.046, "P400": 0.035, "P600": 0.026,
}  # fmt: skip
"""Mean grain of FEPA P grades (FEPA 43-1 and 43-2, ISO 6344), as tables of coated abrasives give them."""

_VAGUE = 0.3
"""Relative uncertainty of a width beyond which more than half the table would fit."""


def grit_of(width_mm: float, width_std: float) -> str | None:
    """Name the FEPA P grits whose mean grain is as wide as a scratch.

    Parameters
    ----------
    width_mm : float
        A width that the photo resolves.
    width_std : float
        Its standard uncertainty, mm.

    Returns
    -------
    str or None
        ``P120``, or from coarse to fine as in ``P100 to P150``, or ``P40 or coarser``; None where the width
        is too vague (a relative standard uncertainty above 30 %) or finer than the table.

    Notes
    -----
    Which grit *made* a scratch doesn't follow from its width. Only the tip of a grain cuts, so a scratch is
    narrower than its grain and the grit at least as coarse as the one named; but grains of one grade
    scatter, so that a stray large one of a finer grade may have cut it too. The name says
    how large the scratch is, in the maker's own scale.

    Examples
    --------
    >>> grit_of(0.13, 0.005), grit_of(0.12, 0.012)
    ('P120', 'P100 to P150')
    """
    if not width_mm > 0 or not width_std >= 0:
        raise ValueError(f"width_mm must be above and width_std at least 0, not {width_mm} and {width_std}")
    if width_std > _VAGUE * width_mm:
        return None
    low, high = (width_mm + sign * COVERAGE_FACTOR * width_std for sign in (-1, 1))
    names, sizes = list(GRAINS_MM), list(GRAINS_MM.values())
    between = [(a * b) ** 0.5 for a, b in pairwise(sizes)]
    # the last classes reach as far beyond their mean as to the border on its other side
    coarsest, finest = sizes[0] ** 1.5 / sizes[1] ** 0.5, sizes[-1] ** 1.5 / sizes[-2] ** 0.5
    if high < finest:
        return None
    coarse = next((i for i, border in enumerate(between) if high >= border), len(names) - 1)
    fine = next((i for i, border in enumerate(between) if low >= border), len(names) - 1)
    if high > coarsest:
        return f"{names[fine]} or coarser"
    return names[fine] if coarse == fine else f"{names[coarse]} to {names[fine]}"


def next_grit(face: "FinishFace") -> tuple[str, ...]:
    """Answer *can I move on to the next grit?* for each region of a face.

    Parameters
    ----------
    face : FinishFace
        With its groups, and with `earlier` where there was an earlier photo.

    Returns
    -------
    tuple of str
        A sentence or two per region. Only what this photo can show is claimed.
    """
    return tuple("; ".join(_answer(region, face)) for region in face.regions)


def next_grit_short(face: "FinishFace") -> tuple[str, ...]:
    """Answer the same in a few words per region, as in ``Flat: not yet``."""
    return tuple(_answer(region, face)[0] for region in face.regions)


def _answer(region: "RegionFinish", face: "FinishFace") -> tuple[str, str]:
    name = region.name.capitalize()
    there = [one for one in face.scratches if one.region == region.name]
    left = [one for one in there if _is_left(one, face)]
    much, was = _coverage(region), _before(region, face)
    if left:
        lines = "1 line is" if len(left) == 1 else f"{len(left)} lines are"
        told = f"{lines} likely left from a coarser grit. Scratches in all: {much}{was}."
        return f"{name}: not yet", told
    if there:
        short = f"{name}: yes, as far as leftover lines go"
        said = (
            f"none of {findable(region)} or longer is seen. "
            f"But scratches that are likely from elsewhere remain: {much}{was}."
        )
    else:
        short = f"{name}: yes, as far as the photo tells"
        said = f"no scratch of {findable(region)} or longer is seen{was}."
    if region.lay.direction_rad is not None:
        said += " Old lines that run along the lay are hidden by it: change the direction to see them."
    return short, said


def _is_left(one: "Scratch", face: "FinishFace") -> bool:
    return one.group is not None and face.groups[one.group].origin == "coarser grit"


def findable(region: "RegionFinish") -> str:
    """Write the shortest scratch that is found in nine of ten cases, in pixels without a scale."""
    if region.findable_mm is None:
        return f"{region.findable_px:.0f} px"
    return f"{region.findable_mm:.1f} mm"


def _coverage(region: "RegionFinish") -> str:
    share = f"{100 * region.share:.2g} % of the area"
    return share if region.per_cm2_mm is None else f"{region.per_cm2_mm:.1f} mm per cm², {share}"


def _before(region: "RegionFinish", face: "FinishFace") -> str:
    """Set the scratches' length per area, or their share, beside that of the earlier photo."""
    if face.earlier is None:
        return ""
    now, then, unit = region.per_cm2_mm, face.earlier.per_cm2_mm.get(region.name), "mm per cm²"
    if now is None or then is None:
        share = face.earlier.share.get(region.name)
        if share is None:
            return ""
        now, then, unit = 100 * region.share, 100 * share, "% of the area"
    change = "no less than" if now >= then > 0 else "against"
    return f", {change} {then:.2g} {unit} in the earlier photo"
