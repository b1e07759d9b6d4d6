"""The order of the steps of a finish check: photo, regions, lay, scratches, groups, change since earlier."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from grindcheck.errors import InputError, MatError, NoMatError, PairError, about
from grindcheck.finish.change import change_of, judged, lost, seek
from grindcheck.finish.closeup import Closeup, closeup
from grindcheck.finish.findable import CONTRAST, findable
from grindcheck.finish.grits import grit_of
from grindcheck.finish.groups import group_scratches
from grindcheck.finish.lays import region_lay
from grindcheck.finish.line import Line, joined_across, moved, same_path
from grindcheck.finish.regions import (
    Regions,
    blade_direction,
    blade_from_px,
    blade_std_mm,
    closeup_regions,
    find_regions,
    tip_and_edge_mm,
)
from grindcheck.finish.request import FinishRequest
from grindcheck.finish.results import (
    Earlier,
    Finish,
    FinishFace,
    Gone,
    RegionFinish,
    RegionLay,
    Scratch,
)
from grindcheck.finish.scan import find_parts
from grindcheck.finish.search import SMALLEST_PX, Scan
from grindcheck.geometry import Array, Rigid, frozen
from grindcheck.grindlines import check_grind
from grindcheck.mat.finding import find_mat
from grindcheck.photo import Photo, read_photo
from grindcheck.pipeline import Progress, Seen, look_at, showing, stance_of, untold
from grindcheck.placing import Stance
from grindcheck.rectify import Plane
from grindcheck.registration import register
from grindcheck.shown import Shown, shown

STEPS = (
    "Finding mat and blade",
    "Searching for scratches",
    "Searching the earlier photo",
    "Putting scratches together",
)
"""Of `check_finish`, in their order; the third only where there is an earlier photo."""

_UNSURE_ODDS = 1.4  # as for a pair, both photos together
_REACH_MM = 0.35  # how far one scratch may lie apart in two photos: blade, mat and lens, two of their sigmas


@dataclass(frozen=True, slots=True, kw_only=True)
class Searched:
    """One photo with all that was found in it.

    Parameters
    ----------
    photo : Photo
    looked : Seen or Closeup
        On a whole mat, or with a strip, a corner of the mat, or without any.
    regions : Regions
    lays : dict of str to RegionLay
    scans : dict of str to tuple of Scan
        By region, its parts of even texture.
    """

    photo: Photo
    looked: Seen | Closeup
    regions: Regions
    lays: dict[str, RegionLay]
    scans: dict[str, tuple[Scan, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """What the picture of the result needs."""

    picture: np.ndarray
    shown: Shown | None = None


def check_finish(request: FinishRequest, *, progress: Progress = untold) -> Finish:
    """Search every face that the photos show.

    Parameters
    ----------
    request : FinishRequest
    progress : callable, optional

    Returns
    -------
    Finish

    Raises
    ------
    GrindcheckError
        With what is wrong and what to do.
    """
    if not request.photos:
        raise InputError("No photo is given.", advice="Name one photo at least: grindcheck finish face.jpg.")
    progress(STEPS[0])
    photos = [read_photo(path) for path in request.photos]
    looked = []
    for number, photo in enumerate(photos):
        with about(photo.name):
            looked.append(_looked(photo, request, number))
    faces = _by_face(looked)
    share = {side: request.false_finds / len(members) for side, members in faces.items()}
    progress(STEPS[1])
    searched = {
        side: [_searched(photos[n], looked[n], request, n, share[side]) for n in members]
        for side, members in faces.items()
    }
    earlier: dict[str, Searched] = {}
    for path in request.before:
        progress(STEPS[2])
        with about(path.name):
            one = _earlier(path, request)
        if one.regions.side not in faces:
            raise PairError(
                f"{path.name} shows the {one.regions.side or 'unknown'} face; no photo of now shows it.",
                advice="Give an earlier photo of the same face.",
            )
        earlier[one.regions.side] = one
    progress(STEPS[3])
    return Finish(
        faces=tuple(
            _face(members, earlier.get(side), request.false_finds) for side, members in searched.items()
        )
    )


def _stance(request: FinishRequest, photo: Photo) -> Stance:
    thickness = request.needed_thickness(photo.name)
    return stance_of(thickness, request.height_mm, min(request.edge_mm, 0.9 * thickness))


def _looked(photo: Photo, request: FinishRequest, number: int | None) -> Seen | Closeup:
    """Take a photo up to its outline, or up to a close-up's picture if no whole mat is in it."""
    try:
        mat = find_mat(photo, paper=request.paper)
    except MatError as problem:
        close = _closeup(photo, request)
        if close.frame == "picture" and not isinstance(problem, NoMatError):
            raise
        return close
    seen = look_at(photo, request, _stance(request, photo), mat=mat)
    if request.faces is not None and number is not None and number < len(request.faces):
        seen = showing(seen, request.faces[number])
    return seen


def _by_face(looked: Sequence[Seen | Closeup]) -> dict[str, list[int]]:
    """Return the indices of the photos of each face; every photo without a mat stands for itself."""
    faces: dict[str, list[int]] = {}
    for number, one in enumerate(looked):
        name = one.outline.side if isinstance(one, Seen) else f"photo {number}"
        faces.setdefault(name, []).append(number)
    return dict(sorted(faces.items()))


def _searched(
    photo: Photo, looked: Seen | Closeup, request: FinishRequest, number: int | None, false_finds: float
) -> Searched:
    with about(photo.name):
        return _searched_photo(photo, looked, request, number, false_finds)


def _searched_photo(
    photo: Photo, looked: Seen | Closeup, request: FinishRequest, number: int | None, false_finds: float
) -> Searched:
    by_hand = [mask.polygon_px for mask in request.masks if mask.photo == number]
    if isinstance(looked, Seen):
        regions = find_regions(
            looked, _stance(request, photo), grind=check_grind(request.grind), by_hand=by_hand
        )
    else:
        regions = closeup_regions(looked, photo.name, by_hand=by_hand)
    masks = {name: mask for name, mask in regions.masks.items() if mask.any()}
    if not masks:
        raise InputError(
            f"{photo.name} leaves nothing to search: what remains of the blade is too small.",
            advice="Come nearer, or take away what covers the blade; give less with --mask.",
        )
    area = float(sum(int(mask.sum()) for mask in masks.values()))
    stored = regions.picture.mean(axis=2).astype(np.float32)
    lays: dict[str, RegionLay] = {}
    scans: dict[str, tuple[Scan, ...]] = {}
    for name, mask in masks.items():
        try:
            lays[name] = region_lay(stored, mask, step_mm=regions.mm_per_px)
        except InputError:  # a sliver beside another region
            if len(masks) == 1:
                raise
            continue
        direction = lays[name].direction_rad
        if direction is not None and regions.frame is not None:
            at_px = np.argwhere(mask).mean(axis=0)[::-1]
            lays[name] = replace(lays[name], direction_rad=blade_direction(regions, direction, at_px))
        scans[name] = find_parts(
            stored,
            mask,
            lay_rad=None if direction is None else -direction,
            false_finds=false_finds,
            area_px=area,
            box=_box(mask),
        )
    if not scans:
        raise InputError(
            f"{photo.name} leaves nothing to search: what remains of the blade is too narrow.",
            advice="Come nearer, or take away what covers the blade; give less with --mask.",
        )
    return Searched(photo=photo, looked=looked, regions=regions, lays=lays, scans=scans)


def _closeup(photo: Photo, request: FinishRequest) -> Closeup:
    return closeup(
        photo,
        thickness_mm=request.thickness_mm,
        height_mm=request.height_mm,
        bar_x_mm=request.bar_x_mm,
        bar_y_mm=request.bar_y_mm,
        paper=request.paper,
    )


def _earlier(path: Path, request: FinishRequest) -> Searched:
    photo = read_photo(path)
    looked = _looked(photo, request, None)
    if not isinstance(looked, Seen):
        raise MatError(
            f"{path.name} shows no mat, so it can't be laid onto the photo of now.",
            advice="Compare photos on the mat.",
        )
    return _searched(photo, looked, request, None, request.false_finds)


def _box(mask: np.ndarray) -> tuple[slice, slice]:
    """Return the rectangle of a mask, as large as the search needs as far as the picture goes."""
    out = []
    for axis in (1, 0):
        there = np.flatnonzero(mask.any(axis=axis))
        size = mask.shape[1 - axis]
        first, last = int(there[0]), int(there[-1]) + 1
        more = max(0, SMALLEST_PX - (last - first))
        first = max(0, min(first - more // 2, size - SMALLEST_PX))
        out.append(slice(first, min(size, max(last, first + SMALLEST_PX))))
    return out[0], out[1]


def _face(members: Sequence[Searched], earlier: Searched | None, false_finds: float) -> FinishFace:
    first = members[0]
    scratches = _scratches(first)
    for other in members[1:]:
        laid = _laid(other, first)
        reach = _REACH_MM / (first.regions.mm_per_px or 1.0)
        for line in _joined(other):
            path = laid.there(line.path.points_px)
            if line.region in first.scans and not any(
                same_path(one.path_px, path, reach_px=reach) for one in scratches
            ):
                scratches.append(_scratch(first, moved(line, path)))
    scratches.sort(key=lambda one: one.log_nfa)
    scratches = [replace(one, number=number) for number, one in enumerate(scratches, start=1)]
    compared: Earlier | None = None
    if earlier is not None:
        scratches, compared = _compared(first, scratches, earlier)
    regions = tuple(_region(first, name, scratches) for name in first.scans)
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


def _scratches(searched: Searched) -> list[Scratch]:
    """List the scratches of one photo; one that crosses from flat to bevel is one, and where it is surest."""
    return [_scratch(searched, line) for line in _joined(searched)]


def _joined(searched: Searched) -> list[Line]:
    return joined_across(
        [
            replace(line, region=name)
            for name, parts in searched.scans.items()
            for scan in parts
            for line in scan.lines
        ]
    )


def _flags(one: Searched) -> list[str]:
    flags = list(one.photo.flags) + list(one.regions.flags)
    looked = one.looked
    if not isinstance(looked, Seen):
        return [*flags, *looked.flags]
    if looked.outline.edge_odds < _UNSURE_ODDS:
        flags.append("edge_side_unsure")
    return [*flags, *looked.mat.flags, *looked.camera.flags, *looked.flags]


def _scratch(searched: Searched, line: Line) -> Scratch:
    """One scratch in the words of the result; numbers are given later."""
    regions, points = searched.regions, line.path.points_px
    step = regions.mm_per_px
    chord = points[-1] - points[0]
    angle = _folded(float(np.arctan2(-chord[1], chord[0])))
    if regions.frame is not None:
        angle = blade_direction(regions, angle, points.mean(axis=0))
    lay = searched.lays[line.region].direction_rad
    path_mm = ends = ends_std = None
    length_mm = None if step is None else line.path.length_px * step
    if regions.frame is not None:
        path_mm = frozen(blade_from_px(regions, points))
        ends = frozen(tip_and_edge_mm(regions, points[[0, -1]]))
        along = chord / max(float(np.hypot(*chord)), 1e-9)
        std = blade_std_mm(regions, points[[0, -1]])
        # both ends share the tip's and the plane's error: their length has the ends' own
        ends_std = float(
            np.hypot(line.path.ends_std_px * float(step or 0), np.max(np.abs(std @ np.abs(along))))
        )
        legs = np.diff(path_mm, axis=0)
        length_mm = float(np.hypot(*legs.T).sum())
    elif step is not None and isinstance(searched.looked, Closeup):
        path_mm = frozen(searched.looked.mm_from_index(points))
        scale = float(searched.looked.mm_per_px_std or 0.0) * line.path.length_px
        ends_std = float(np.hypot(line.path.ends_std_px * step, scale))
    resolved = step is not None and line.profile.width_px > 1.0
    width_mm = line.profile.width_px * float(step) if resolved and step is not None else None
    return Scratch(
        number=1,
        path_px=points,
        path_mm=path_mm,
        length_px=line.path.length_px,
        length_mm=length_mm,
        ends_std_mm=ends_std,
        width_mm=width_mm,
        width_px=line.profile.width_px,
        contrast=line.profile.contrast,
        tone=line.tone,
        angle_rad=angle,
        lay_angle_rad=None if lay is None else abs(_folded(angle - lay)),
        along_lay=line.near_lay,
        region=line.region,
        log_nfa=line.log_nfa,
        certainty=float(1.0 / (1.0 + 10.0 ** min(line.log_nfa, 300.0))),
        grit=None if width_mm is None or step is None else grit_of(width_mm, 0.5 * step),
        ends_mm=ends,
    )


def _folded(angle_rad: float) -> float:
    """Into −π/2 < a ≤ π/2."""
    return float(np.pi / 2 - (np.pi / 2 - angle_rad) % np.pi)


def _region(searched: Searched, name: str, scratches: Sequence[Scratch]) -> RegionFinish:
    parts, step = searched.scans[name], searched.regions.mm_per_px
    here = [one for one in scratches if one.region == name]
    area_px = sum(scan.texture.area_px for scan in parts)
    # the worst of the parts: what is told holds everywhere
    limits = [findable(scan) for scan in parts]
    length_px = max(limit.length_px for limit in limits)
    along = max(limit.along_contrast for limit in limits)
    covered = sum(one.length_px * max(one.width_px, 1.0) for one in here)
    area_mm2 = None if step is None else area_px * step**2
    length_mm = None if step is None else float(sum(one.length_mm or 0.0 for one in here))
    return RegionFinish(
        name=name,
        area_mm2=area_mm2,
        area_px=area_px,
        lay=searched.lays[name],
        scratch_length_mm=length_mm,
        per_cm2_mm=None if area_mm2 is None or length_mm is None else length_mm / (area_mm2 / 100.0),
        share=min(covered / area_px, 1.0),
        findable_px=length_px,
        findable_mm=None if step is None else length_px * step,
        findable_contrast=CONTRAST,
        along_contrast=along,
    )


@dataclass(frozen=True, slots=True)
class _Laid:
    """One picture laid onto another of the same face: its pixels become those of the other."""

    moving: Plane
    fixed: Plane
    fixed_from_moving: Rigid
    rms_mm: float

    def there(self, points_px: Array) -> Array:
        at_mm = self.fixed_from_moving(self.moving.grid_from_index(points_px))
        return np.asarray(self.fixed.index_from_grid(at_mm))


def _laid(one: Searched, other: Searched) -> _Laid:
    """Lay a picture of a face onto another, outline onto outline."""
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
    return _Laid(moving.face.plane, fixed.face.plane, found.fixed_from_moving, found.rms_mm)


def _compared(now: Searched, scratches: list[Scratch], earlier: Searched) -> tuple[list[Scratch], Earlier]:
    laid, back = _laid(earlier, now), _laid(now, earlier)
    reach_now = _REACH_MM / float(now.regions.mm_per_px or 1.0)
    reach_then = _REACH_MM / float(earlier.regions.mm_per_px or 1.0)
    was = _scratches(earlier)
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
    then = {name: _region(earlier, name, was) for name in earlier.scans}
    return out, Earlier(
        photo_name=earlier.photo.name,
        photo_sha256=earlier.photo.sha256,
        gone=tuple(gone),
        outline_rms_mm=laid.rms_mm,
        per_cm2_mm={name: float(one.per_cm2_mm or 0.0) for name, one in then.items()},
        share={name: one.share for name, one in then.items()},
    )
