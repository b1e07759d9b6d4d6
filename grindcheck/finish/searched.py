"""One photo of a face searched: its regions, the lay of each, and every scratch of each."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from grindcheck.errors import InputError, MatError, NoMatError, about
from grindcheck.finish.closeup import Closeup, closeup
from grindcheck.finish.lays import region_lay
from grindcheck.finish.regions import Regions, blade_direction, closeup_regions, find_regions
from grindcheck.finish.request import FinishRequest
from grindcheck.finish.results import RegionLay
from grindcheck.finish.scan import find_parts
from grindcheck.finish.search import SMALLEST_PX, Scan
from grindcheck.grindlines import check_grind
from grindcheck.mat.finding import find_mat
from grindcheck.photo import Photo, read_photo
from grindcheck.pipeline import Seen, look_at, showing, stance_of
from grindcheck.placing import Stance


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


def look(photo: Photo, request: FinishRequest, number: int | None) -> Seen | Closeup:
    """Take a photo up to its outline, or up to a close-up's picture if no whole mat is in it.

    `number` is its place among the photos of now, whose faces may be given; None for an earlier one.

    Raises
    ------
    GrindcheckError
        If it can't be used.
    """
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


def search(
    photo: Photo, looked: Seen | Closeup, request: FinishRequest, number: int | None, false_finds: float
) -> Searched:
    """Search a photo that was looked at; `number` as for `look`, whose masks by hand it has.

    Raises
    ------
    InputError
        If nothing is left to search.
    """
    with about(photo.name):
        return _searched_photo(photo, looked, request, number, false_finds)


def search_earlier(path: Path, request: FinishRequest) -> Searched:
    """Search an earlier photo.

    Raises
    ------
    MatError
        If it shows no mat, by which it is laid onto that of now.
    GrindcheckError
        If it can't be used otherwise.
    """
    photo = read_photo(path)
    looked = look(photo, request, None)
    if not isinstance(looked, Seen):
        raise MatError(
            f"{path.name} shows no mat, so it can't be laid onto the photo of now.",
            advice="Compare photos on the mat.",
        )
    return search(photo, looked, request, None, request.false_finds)


def _stance(request: FinishRequest, photo: Photo) -> Stance:
    thickness = request.needed_thickness(photo.name)
    return stance_of(thickness, request.height_mm, min(request.edge_mm, 0.9 * thickness))


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
