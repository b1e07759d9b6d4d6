"""Two photos of a face laid onto each other, and what of its scratches has changed between them."""

from dataclasses import dataclass, replace

import numpy as np

from grindcheck.errors import PairError
from grindcheck.finish.change import change_of, judged, lost, seek
from grindcheck.finish.line import same_path
from grindcheck.finish.results import Earlier, Gone, Scratch
from grindcheck.finish.searched import Searched
from grindcheck.finish.told import region_of, scratches_of
from grindcheck.geometry import Array, Rigid, frozen
from grindcheck.pipeline import Seen
from grindcheck.rectify import Plane
from grindcheck.registration import register

REACH_MM = 0.35  # how far one scratch may lie apart in two photos: blade, mat and lens, two of their sigmas


@dataclass(frozen=True, slots=True)
class Laid:
    """One picture laid onto another of the same face: its pixels become those of the other."""

    moving: Plane
    fixed: Plane
    fixed_from_moving: Rigid
    rms_mm: float

    def there(self, points_px: Array) -> Array:
        """Return pixels of the one picture, shape (N, 2), as pixels of the other."""
        at_mm = self.fixed_from_moving(self.moving.grid_from_index(points_px))
        return np.asarray(self.fixed.index_from_grid(at_mm))


def laid_onto(one: Searched, other: Searched) -> Laid:
    """Lay a picture of a face onto another, outline onto outline.

    Raises
    ------
    PairError
        If one of them shows no mat.
    """
    if not isinstance(one.looked, Seen) or not isinstance(other.looked, Seen):
        raise PairError(
            f"{one.photo.name} and {other.photo.name} can't be laid onto each other without a mat.",
            advice="Photograph the blade on the mat both times.",
        )
    moving, fixed = one.looked.outline, other.looked.outline
    start = Rigid(angle_rad=0.0, shift=frozen(fixed.tip_mm - moving.tip_mm))
    reach = 0.9 * max(float(moving.points_mm[:, 0].min()), float(fixed.points_mm[:, 0].min()), -200.0)
    parts = [outline.points_mm[outline.points_mm[:, 0] > reach] for outline in (moving, fixed)]
    found, _ = register(parts[0], parts[1], start=start)
    return Laid(moving.face.plane, fixed.face.plane, found.fixed_from_moving, found.rms_mm)


def compared_with(
    now: Searched, scratches: list[Scratch], earlier: Searched
) -> tuple[list[Scratch], Earlier]:
    """Tell of each scratch whether it is new, and which of the earlier ones are gone.

    Paths of what is gone are in pixels of the picture of now.

    Raises
    ------
    PairError
        If one of them shows no mat.
    """
    laid, back = laid_onto(earlier, now), laid_onto(now, earlier)
    reach_now = REACH_MM / float(now.regions.mm_per_px or 1.0)
    reach_then = REACH_MM / float(earlier.regions.mm_per_px or 1.0)
    was = scratches_of(earlier)
    before = [(one, laid.there(one.path_px)) for one in was]
    scans_now, scans_then = (
        [scan for parts in searched.scans.values() for scan in parts] for searched in (now, earlier)
    )
    out = []
    there: bool | None
    for one in scratches:
        if any(same_path(one.path_px, path, reach_px=reach_now) for _, path in before):
            there, sure = True, one.certainty
        else:
            there, sure = judged(seek(scans_then, back.there(one.path_px), one.contrast, reach_px=reach_then))
        sure = min(sure, one.certainty)
        out.append(replace(one, change=change_of(there, sure), change_certainty=sure))
    gone = []
    for known, path in before:
        if any(same_path(one.path_px, path, reach_px=reach_now) for one in scratches):
            continue
        there, sure = judged(seek(scans_now, path, known.contrast, reach_px=reach_now))
        sure = min(sure, known.certainty)
        change = lost(there, sure)
        if change is None:
            continue  # still there, too faint now to be found by itself
        gone.append(
            Gone(
                path_px=frozen(path),
                path_mm=known.path_mm,
                length_mm=known.length_mm,
                change=change,
                certainty=sure,
                region=known.region,
            )
        )
    then = {name: region_of(earlier, name, was) for name in earlier.scans}
    return out, Earlier(
        photo_name=earlier.photo.name,
        photo_sha256=earlier.photo.sha256,
        gone=tuple(gone),
        outline_rms_mm=laid.rms_mm,
        per_cm2_mm={name: float(one.per_cm2_mm or 0.0) for name, one in then.items()},
        share={name: one.share for name, one in then.items()},
    )
