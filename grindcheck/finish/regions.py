"""The parts of a face that are searched, flats and bevel apart, and what of it is left out."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from grindcheck.errors import BladeError, InputError
from grindcheck.finish import leftout
from grindcheck.finish.closeup import Closeup
from grindcheck.finish.onblade import (
    Frame,
    blade_mm,
    blade_std,
    direction_on_blade,
    frame_of,
    shoulder_y,
    tip_and_edge,
)
from grindcheck.finish.results import Excluded
from grindcheck.geometry import Array
from grindcheck.grindlines import (
    GrindLines,
    Survey,
    reaches_spine,
    runs_out,
    survey,
    trace_lines,
    trace_plunge_of,
    trace_shoulder_of,
)
from grindcheck.outline import Outline
from grindcheck.pipeline import Seen
from grindcheck.placing import Stance
from grindcheck.plunge import Line
from grindcheck.rectify import Face, picture_of

Mask = NDArray[np.bool_]

_LEAST_SCORE = 0.75  # of a plunge candidate, as for a pair
_FAINT = 0.25  # confidence of a shoulder that parts the regions although it gives no figures
_RIM_SIGMAS = 3.0  # of the photo's edge spread; beyond, less than 0.3 % of the field is left in a pixel
_HALO_PX = 2.0  # that sharpening reaches further
_EDGE_MM = 0.5  # burr, or the small bevel that sharpening made; common practice, no source
_BESIDE_MM = (1.0, 2.5)  # from the outline, where the field is seen
_UNSURE_MM = 1.0  # half the band around a line that isn't seen clearly
_RADIUS_MM = 1.5  # of a plunge at least: it fades out, and what is measured is where it is strong
_LEAST_MM2 = 25.0  # of a region
_LEAST_BLADE_MM = 10.0  # in front of the handle
_FRONT_MM = 4.0  # a plunge nearer to the handle's front than this is that front
_WOOD = 0.5  # logarithms of the channels' ratios against white paper; steel mirrors its surroundings' colours
_STEEL_SHARE = 0.1  # of what is seen, at least, that tape leaves free
_DIRTY_PER_CM2 = 1.0  # blobs
_DIRTY_SHARE = 0.7  # of all odd places that are blobs
_FEWEST_BLOBS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Regions:
    """A picture with the regions to search.

    Parameters
    ----------
    picture : ndarray of uint8, shape (rows, columns, 3)
        As the photo stores it, for looking at: tip right, edge down where a blade is known.
    grey : ndarray, shape (rows, columns), float32
        Mean of the linear channels.
    masks : dict of str to ndarray of bool, shape (rows, columns)
        ``flat`` and ``bevel``, as far as there are such; ``picture`` without a blade's outline.
    excluded : tuple of Excluded
    mm_per_px : float or None
    side : str
        ``left``, ``right``, or empty.
    lines : GrindLines or None
        That part the regions.
    flags : tuple of str
        ``dirty_blade`` if it is.
    frame : Frame or None
        How pixels become millimetres of the blade.
    """

    picture: NDArray[np.uint8]
    grey: NDArray[np.float32]
    masks: dict[str, Mask]
    excluded: tuple[Excluded, ...]
    mm_per_px: float | None
    side: str = ""
    lines: GrindLines | None = None
    flags: tuple[str, ...] = ()
    frame: Frame | None = None


def find_regions(
    seen: Seen,
    stance: Stance,
    *,
    lines: GrindLines | None = None,
    grind: str | None = None,
    by_hand: Sequence[Array] = (),
) -> Regions:
    """Find the regions of a face that lies on the mat.

    Parameters
    ----------
    seen : Seen
        The photo up to its outline.
    stance : Stance
    lines : GrindLines, optional
        Of this face; default: traced here.
    grind : str, optional
        Its grind, one of `grindcheck.grindlines.GRINDS`; default: as found.
    by_hand : sequence of ndarray, shape (N, 2)
        Polygons in pixels of the upright photo that are not to be searched.

    Returns
    -------
    Regions

    Raises
    ------
    BladeError
        If there is nothing but handle.

    Notes
    -----
    The picture is the outline's own: the plane of the flat at the photo's resolution. The bevel lies lower,
    so it is shifted by up to half a thickness times the slope of sight; `blade_from_px` puts that right.
    A line that isn't seen parts nothing: what would lie on both sides of it is then one region, and a band
    around a line that is seen badly is left out.
    """
    outline = seen.outline
    looked = survey(outline)
    faint = None
    if lines is None:
        lines, faint = _lines_of(looked, grind)
    face, step = outline.face, outline.face.plane.step_mm
    picture = picture_of(seen.photo, seen.camera, face.plane)
    grey = _grey(face.linear)
    solid = _filled(face, outline.points_mm)
    away = _inwards(solid)
    x_mm, y_mm = _axes(face)
    front, lines = _front(looked, lines)
    handle = np.zeros_like(solid)
    if front is not None:
        low, high = (_rim(outline, x_mm, edge=edge) for edge in (True, False))
        handle = (x_mm < front + 2 * step) & (y_mm[:, None] > low) & (y_mm[:, None] < high) & face.inside
        solid &= x_mm >= front + 2 * step
        away = _inwards(solid)
    rim_px = _RIM_SIGMAS * outline.blur_mm / step + _HALO_PX
    bare = solid & (away > rim_px)
    _only_handle(seen, bare, front, float(outline.tip_mm[0]))
    left: dict[str, Mask] = {"by hand": _by_hand(seen, face, by_hand), "handle": handle}
    left["rim"] = solid & (away <= rim_px)
    edge_mm = np.interp(x_mm, looked.strip.x_mm, looked.strip.edge_mm)
    ground = x_mm > (looked.strip.heel_mm if lines.plunge is None else lines.plunge.points_mm[:, 0].min())
    above = y_mm[:, None] - edge_mm[None, :]
    left["edge strip"] = solid & ground & (above < _EDGE_MM + rim_px * step)
    beside = _inwards(~solid)
    field = ~solid & (beside * step > _BESIDE_MM[0]) & (beside * step < _BESIDE_MM[1]) & face.inside
    parts, bands = _parted(lines, faint, x_mm, y_mm, edge_mm, rim_px * step)
    left |= {name: bare & band for name, band in bands.items()}
    even = bare & ~left.get("plunge radius", handle)  # the radius mirrors the field
    left["hole"], left["tape"] = leftout.coloured(
        face.linear, even, field, step_mm=step, white=np.median(seen.mat.white_linear, axis=0)
    )
    left["glare"] = bare & leftout.glaring(picture, step)
    left["shadow"] = bare & leftout.shaded(grey, step)
    taken = np.zeros_like(solid)
    for mask in left.values():
        taken |= mask
    masks = {name: bare & part & ~taken for name, part in parts.items()}
    odd = {name: _odd(grey, mask, face, outline.lay.across) for name, mask in masks.items()}
    for kind in ("mark", "pin", "hole"):
        here = np.zeros_like(solid)
        for spots, size in odd.values():
            chosen = [spot for spot in spots if leftout.kind_of(spot) == kind]
            here |= leftout.spot_mask(chosen, solid.shape, size, round(0.4 / step))
        left[kind] = left.get(kind, np.zeros_like(solid)) | (here & bare)
        masks = {name: mask & ~here for name, mask in masks.items()}
    masks = {name: mask for name, mask in masks.items() if mask.sum() * step**2 > _LEAST_MM2}
    excluded = [one for name, mask in left.items() for one in leftout.polygons(name, mask, step)]
    spots = [spot for found, _ in odd.values() for spot in found]
    searched_cm2 = sum(int(mask.sum()) for mask in masks.values()) * step**2 / 100
    return Regions(
        picture=picture, grey=grey, masks=masks, excluded=tuple(excluded), mm_per_px=step, side=outline.side,
        lines=lines, flags=("dirty_blade",) if is_dirty(spots, searched_cm2) else (),
        frame=frame_of(outline, seen.camera, stance, lines, looked.strip, seen.scale.std),
    )  # fmt: skip


def closeup_regions(close: Closeup, name: str, *, by_hand: Sequence[Array] = ()) -> Regions:
    """Take a close-up as one region: all of it that may be steel.

    Parameters
    ----------
    close : Closeup
    name : str
        Of the photo, for what goes wrong.
    by_hand : sequence of ndarray, shape (N, 2)
        Polygons in pixels of the photo that are not to be searched.

    Returns
    -------
    Regions
        With one mask, ``picture``.

    Raises
    ------
    InputError
        If nothing is left to be searched.
    """
    shape = close.picture.shape
    left = {
        "by hand": _drawn(shape, [close.index_from_px(polygon) for polygon in by_hand]),
        "background": ~close.steel,
        "glare": leftout.glaring(close.stored, close.mm_per_px) & close.steel,
    }
    mask = np.ones(shape, dtype=np.bool_)
    for other in left.values():
        mask &= ~other
    if not mask.any():
        raise InputError(
            f"Nothing of {name} is left to be searched.",
            advice="Use softer light, or leave more of the photo unmasked.",
        )
    excluded = [one for kind, part in left.items() for one in leftout.polygons(kind, part, close.mm_per_px)]
    return Regions(
        picture=close.stored, grey=close.picture, masks={"picture": mask}, excluded=tuple(excluded),
        mm_per_px=close.mm_per_px,
    )  # fmt: skip


def blade_from_px(regions: Regions, points_px: Array) -> Array:
    """Put points of the picture (column, row) onto the blade: `grindcheck.finish.onblade.blade_mm`."""
    return blade_mm(_framed(regions), points_px)


def blade_std_mm(regions: Regions, points_px: Array) -> Array:
    """Return the standard uncertainty of `blade_from_px` along and across the blade, shape (N, 2)."""
    return blade_std(_framed(regions), points_px)


def tip_and_edge_mm(regions: Regions, points_px: Array) -> Array:
    """Return distance from the tip along the blade and height over the edge there, shape (N, 2)."""
    return tip_and_edge(_framed(regions), points_px)


def blade_direction(regions: Regions, angle_rad: float, at_px: Array) -> float:
    """Return the angle to the blade's axis of a direction in the picture, at a place (column, row)."""
    return direction_on_blade(_framed(regions), angle_rad, at_px)


def blobs_share(spots: Sequence[leftout.Spot]) -> float:
    """Share of a face's odd places that are blobs instead of lines, 0 to 1; 0 without any.

    Parameters
    ----------
    spots : sequence of Spot
        As `grindcheck.finish.leftout.odd_spots` finds them.
    """
    kinds = [leftout.kind_of(spot) for spot in spots]
    blobs = sum(kind in ("blob", "pin", "hole") for kind in kinds)
    return blobs / max(blobs + kinds.count("line"), 1)


def is_dirty(spots: Sequence[leftout.Spot], searched_cm2: float) -> bool:
    """Whether drops, oil or dirt cover a face: many blobs, few lines."""
    blobs = sum(leftout.kind_of(spot) in ("blob", "pin", "hole") for spot in spots)
    many = blobs >= max(_FEWEST_BLOBS, _DIRTY_PER_CM2 * searched_cm2)
    return bool(many and blobs_share(spots) > _DIRTY_SHARE)


def _framed(regions: Regions) -> Frame:
    if regions.frame is None:
        raise ValueError("regions: one with a frame is needed; got a picture without a blade's outline.")
    return regions.frame


def _lines_of(looked: Survey, grind: str | None) -> tuple[GrindLines, Line | None]:
    """Lines of one face alone, and the shoulder even if it is too faint for figures."""
    best = max(looked.candidates, key=lambda one: one.score, default=None)
    chosen = best if best is not None and best.score > _LEAST_SCORE else None
    plunge = trace_plunge_of(looked, chosen)
    shoulder = trace_shoulder_of(looked, plunge)
    odds = reaches_spine(looked, chosen, plunge, shoulder)
    full_flat = grind == "full flat" if grind else odds > 0
    if full_flat and runs_out([plunge]):
        chosen, plunge = None, None
    lines = trace_lines(looked, chosen, plunge, shoulder_line=shoulder, full_flat=full_flat, grind=grind)
    return lines, None if full_flat else shoulder


def _front(looked: Survey, lines: GrindLines) -> tuple[float | None, GrindLines]:
    """Where handle or tang begin, and the lines without a plunge that is nothing but that place."""
    outline, plunge = looked.outline, lines.plunge
    before = 0.45 * float(outline.points_mm[:, 0].min())
    if plunge is not None and (plunge.by_hand or "plunge_unsure" not in lines.flags):
        before = float(plunge.points_mm[:, 0].min())
    front = leftout.handle_front(outline, looked.strip, before_mm=before)
    if front is None or plunge is None or plunge.by_hand:
        return front, lines
    if float(plunge.points_mm[:, 0].mean()) < front + _FRONT_MM:
        flags = tuple(name for name in lines.flags if name != "plunge_unsure")
        lines = replace(lines, plunge=None, flags=(*flags, "no_plunge"))
    return front, lines


def _rim(outline: Outline, x_mm: Array, *, edge: bool) -> Array:
    """Height of a rim at each x, carried on level beyond its ends."""
    rim = outline.rim_mm(x_mm, edge=edge)
    known = np.isfinite(rim)
    return np.asarray(np.interp(x_mm, x_mm[known], rim[known]))


def _grey(linear: NDArray[np.float32]) -> NDArray[np.float32]:
    import cv2

    grey = np.asarray(cv2.transform(linear, np.full((1, 3), 1 / 3, dtype=np.float32)), dtype=np.float32)
    grey.setflags(write=False)
    return grey


def _axes(face: Face) -> tuple[Array, Array]:
    plane = face.plane
    columns, rows = (np.arange(count, dtype=np.float64) * plane.step_mm for count in plane.shape[::-1])
    return plane.x_min_mm + columns, plane.y_max_mm - rows


def _filled(face: Face, points_mm: Array) -> Mask:
    return _drawn(face.plane.shape, [face.plane.index_from_grid(points_mm)]) & face.inside


def _drawn(shape: tuple[int, ...], polygons_px: Sequence[Array]) -> Mask:
    import cv2

    out = np.zeros(shape[:2], dtype=np.uint8)
    for polygon in polygons_px:
        cv2.fillPoly(out, [np.rint(np.asarray(polygon) * 16).astype(np.int32)], 1, shift=4)
    return out.astype(np.bool_)


def _inwards(mask: Mask) -> NDArray[np.float32]:
    """How far each pixel of a mask lies from what isn't in it; beyond the picture counts as outside."""
    import cv2

    return np.asarray(cv2.distanceTransform(np.pad(mask, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1])


def _by_hand(seen: Seen, face: Face, given: Sequence[Array]) -> Mask:
    plane = face.plane
    placed = []
    for polygon in given:
        mat = seen.camera.mm_from_px(np.asarray(polygon, dtype=np.float64), plane.height_mm)
        placed.append(plane.index_from_grid(plane.grid_from_mat(mat)))
    return _drawn(plane.shape, placed)


def _only_handle(seen: Seen, bare: Mask, front: float | None, tip_mm: float) -> None:
    """Raise if what lies on the field has no blade."""
    if front is not None and front > tip_mm - _LEAST_BLADE_MM:
        raise BladeError(
            f"Only {max(tip_mm - front, 0):.0f} mm of blade are seen in front of the handle.",
            advice="Lay the blade itself on the field, with its tip, and photograph again.",
        )
    if not bare.any():
        return
    red, blue = leftout.hues(seen.outline.face.linear[bare][::50])
    white = leftout.hues(np.median(seen.mat.white_linear, axis=0, keepdims=True).astype(np.float32))
    tint = np.hypot(red - white[0], blue - white[1])
    if float(np.quantile(tint, _STEEL_SHARE)) > _WOOD:
        raise BladeError(
            "What lies on the field is coloured like a handle, not like steel.",
            advice="Lay the blade itself on the field, with its tip, and photograph again.",
        )


def _parted(
    lines: GrindLines, faint: Line | None, x_mm: Array, y_mm: Array, edge_mm: Array, rim_mm: float
) -> tuple[dict[str, Mask], dict[str, Mask]]:
    """Regions by the lines, and the bands along these lines that are left out."""
    shape = len(y_mm), len(x_mm)
    everything = np.ones(shape, dtype=np.bool_)
    plunge, shoulder = lines.plunge, lines.shoulder
    unsure = shoulder is None
    if shoulder is None and faint is not None and faint.confidence >= _FAINT:
        shoulder = faint
    ahead = everything if plunge is None else x_mm[None, :] > _plunge_x(plunge, y_mm)[:, None]
    top = None
    if shoulder is not None:
        top = shoulder_y(shoulder, x_mm)
    elif plunge is not None and plunge.top_mm > 0 and not lines.full_flat:
        top = edge_mm + plunge.top_mm  # the shoulder isn't seen, but the plunge ends at it
    below = everything if top is None else y_mm[:, None] < top[None, :]
    bands: dict[str, Mask] = {}
    if plunge is not None:
        half = rim_mm + 2 * plunge.shift_std_mm + plunge.scatter_mm
        past = x_mm[None, :] - _plunge_x(plunge, y_mm)[:, None]
        radius = max(plunge.width_mm, _RADIUS_MM)
        reach = below if top is None else y_mm[:, None] < top[None, :] + half
        bands["plunge radius"] = (past > -half) & (past < radius + half) & reach
    if top is not None:
        half = (
            _UNSURE_MM
            if unsure or shoulder is None
            else rim_mm + 2 * shoulder.shift_std_mm + shoulder.scatter_mm
        )
        bands["shoulder"] = ahead & (np.abs(y_mm[:, None] - top[None, :]) < half)
    if top is None and (plunge is None or not lines.full_flat):
        name = "bevel" if lines.full_flat else "flat"
        return {name: everything}, bands
    bevel = ahead & below
    return {"flat": ~bevel, "bevel": bevel}, bands


def _plunge_x(line: Line, y_mm: Array) -> Array:
    """Return x of the plunge line at each height, carried on straight beyond its ends."""
    at, slope = line.straight()
    order = np.argsort(line.points_mm[:, 1])
    x, y = line.points_mm[order].T
    own = np.interp(y_mm, y, x)
    beyond = at + slope * y_mm
    return np.asarray(np.where((y_mm < y[0]) | (y_mm > y[-1]), beyond, own), dtype=np.float64)


def _odd(
    grey: NDArray[np.float32], mask: Mask, face: Face, across: NDArray[np.float32]
) -> tuple[list[leftout.Spot], int]:
    if not mask.any():
        return [], 1
    lay = float(np.median(across[mask]))
    return leftout.odd_spots(
        grey, mask, step_mm=face.plane.step_mm, across=None if abs(lay) < 0.2 else lay > 0
    )
