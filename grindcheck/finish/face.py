"""All photos of a face put together: its scratches once, their groups, what changed since earlier."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from grindcheck.finish.groups import group_scratches
from grindcheck.finish.laid import REACH_MM, compared_with, laid_onto
from grindcheck.finish.line import moved, same_path
from grindcheck.finish.results import Earlier, FinishFace
from grindcheck.finish.searched import Searched
from grindcheck.finish.told import lines_of, region_of, scratch_of, scratches_of
from grindcheck.pipeline import Seen
from grindcheck.shown import Shown, shown

_UNSURE_ODDS = 1.4  # as for a pair, both photos together


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """What the picture of the result needs."""

    picture: np.ndarray
    shown: Shown | None = None


def face_of(members: Sequence[Searched], earlier: Searched | None, false_finds: float) -> FinishFace:
    """Put the photos of one face together; places are in pixels and mm of the first.

    Raises
    ------
    PairError
        If there are several and one shows no mat.
    """
    first = members[0]
    scratches = scratches_of(first)
    for other in members[1:]:
        laid = laid_onto(other, first)
        reach = REACH_MM / (first.regions.mm_per_px or 1.0)
        for line in lines_of(other):
            path = laid.there(line.path.points_px)
            if line.region in first.scans and not any(
                same_path(one.path_px, path, reach_px=reach) for one in scratches
            ):
                scratches.append(scratch_of(first, moved(line, path)))
    scratches.sort(key=lambda one: one.log_nfa)
    scratches = [replace(one, number=number) for number, one in enumerate(scratches, start=1)]
    compared: Earlier | None = None
    if earlier is not None:
        scratches, compared = compared_with(first, scratches, earlier)
    regions = tuple(region_of(first, name, scratches) for name in first.scans)
    blade = first.regions.frame is not None
    groups, numbered = group_scratches(tuple(scratches), regions, blade_axis=blade)
    flags = dict.fromkeys(flag for one in members for flag in _flags(one))
    return FinishFace(
        side=first.regions.side,
        frame="blade" if isinstance(first.looked, Seen) else first.looked.frame,
        photos=tuple({"name": one.photo.name, "sha256": one.photo.sha256} for one in members),
        mm_per_px=first.regions.mm_per_px,
        regions=regions,
        excluded=first.regions.excluded,
        scratches=numbered,
        groups=groups,
        earlier=compared,
        false_finds=false_finds,
        flags=tuple(flags),
        drawing=Drawing(picture=first.regions.picture, shown=_shown(first)),
    )


def _shown(searched: Searched) -> Shown:
    looked = searched.looked
    plane = looked.outline.face.plane if isinstance(looked, Seen) else looked.plane
    return shown(searched.photo, looked.camera, plane)


def _flags(one: Searched) -> list[str]:
    flags = list(one.photo.flags) + list(one.regions.flags)
    looked = one.looked
    if not isinstance(looked, Seen):
        return [*flags, *looked.flags]
    if looked.outline.edge_odds < _UNSURE_ODDS:
        flags.append("edge_side_unsure")
    return [*flags, *looked.mat.flags, *looked.camera.flags, *looked.flags]
