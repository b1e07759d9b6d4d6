"""What on a face is no surface to be searched: handle, mark, holes, pins, tape, glare, shadow."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from grindcheck.finish.results import Excluded
from grindcheck.geometry import Array, frozen
from grindcheck.outline import Outline
from grindcheck.rectify import linear_light
from grindcheck.strip import Strip

Mask = NDArray[np.bool_]
Picture = NDArray[np.float32]

_COARSE_MM = 0.15  # a stroke of a mark is a few such steps wide
_STEADY_MM = 4.0  # how long a rim must stay off its course to be another part's
_CHOIL_MM = 9.0  # a notch is shorter
_STEP_MM = 0.5  # of the spine at the front of a handle or tang
_LIFT_MM = 0.8  # of the edge there
_LOOK_MM = 5.0  # windows whose look is compared
_OTHER_LOOK = 1.0  # in natural logarithms of brightness, colour counted four times
_STEEL_SHARE = 0.3  # of a blade, the least coloured, that is surely steel
_HUE = 0.35  # logarithm of a channels' ratio; steel mirrors less colour than this
_CLIPPED = 0.9  # linear
_HOLE_MM2, _TAPE_MM2 = 1.5, 12.0
_CEILING = 250  # of 255, in all channels
_DARKEST = 0.006  # linear, stored 19 of 255; noise and compression rule below
_PATCH_MM = 1.0  # glare and shadow are looked for over such a size; single glints stay
_ODD = 4.0  # sigmas
_RUN_MM = 14.0  # along the lay, over which its own streaks are taken out
_AROUND_MM = 14.0
_NEAR_MM = 1.2  # strokes of one mark lie nearer to each other than twice this
_MARK_MM = (2.5, 40.0)  # least width of a mark, largest extent
_FULL = 0.35  # share of its hull that a mark or a blob fills, once its gaps are closed
_ROUND = 0.75  # share of its circle that a disc fills
_LINES, _STRAIGHT = 3, 0.65  # so many lines; they leave more of a mark than this share explains
_DENSE = 0.2  # share of its hull that a mark's strokes fill
_SOLID = 0.4  # logarithm: a hole or pin is half as bright again, or less by as much; a stain of oil is not
_BLOB_MM = 0.4
_SMALLEST_MM2 = 0.3


@dataclass(frozen=True, slots=True)
class Spot:
    """One connected odd place: its pixels in the coarse picture, and its shape in mm."""

    pixels: Mask
    corner: tuple[int, int]  # row, column of the pixels' first
    wide_mm: float  # least width of its hull
    long_mm: float
    filled: float  # share of the hull that odd pixels fill
    closed: float  # the same once gaps are closed
    roundness: float  # share of its circle that it fills
    straight: float  # share of its odd pixels that lie on its three strongest straight lines
    contrast: float  # natural logarithm of its brightness over its surroundings'


def handle_front(outline: Outline, strip: Strip, *, before_mm: float) -> float | None:
    """Where a handle or bare tang begins.

    Parameters
    ----------
    outline : Outline
    strip : Strip
        Of the same face.
    before_mm : float
        Face x that is surely blade; only what lies nearer to the handle is looked at.

    Returns
    -------
    float or None
        Face x; None if blade is all that is seen.

    Notes
    -----
    Scales differ from steel in brightness, colour or lay at once along the spine and along the edge; a
    plunge or a choil does so along the edge alone. A tang shows as a spine that steps off its line or an
    edge that stays up.
    """
    x = strip.x_mm[strip.x_mm < before_mm]
    if len(x) < 4 * _LOOK_MM / 0.1:
        return None
    number = len(x)
    places = [*_steps(outline, strip, x), *_changes(outline, strip, number)]
    return max(places) if places else None


def _steps(outline: Outline, strip: Strip, x: Array) -> list[float]:
    from scipy.ndimage import minimum_filter1d

    found = []
    carried = strip.edge_mm[: len(x)]
    low = np.nan_to_num(outline.rim_mm(x, edge=True) - carried, nan=0.0)
    high = outline.rim_mm(x, edge=False)
    ahead = high[np.isfinite(high)][-int(3 * _STEADY_MM / 0.1) :]
    off = np.abs(np.nan_to_num(high - np.median(ahead), nan=0.0)) if len(ahead) else np.zeros_like(x)
    for away, least, steady in ((off, _STEP_MM, _STEADY_MM), (low, _LIFT_MM, _CHOIL_MM)):
        size = int(steady / 0.1)
        # the smallest value within the next `steady` mm towards the handle
        stays = minimum_filter1d(away, size, origin=(size - 1) // 2, mode="nearest") > least
        if stays.any():
            found.append(float(x[np.flatnonzero(stays)[-1]]))
    return found


def _changes(outline: Outline, strip: Strip, number: int) -> list[float]:
    """Where the look changes along both rims at once."""
    face = outline.face
    x = strip.x_mm[:number]
    length = int(_LOOK_MM / 0.1)
    sizes = []
    for rim, inward in ((strip.edge_mm[:number], 1.0), ((strip.edge_mm + strip.width_mm)[:number], -1.0)):
        y = rim + inward * np.linspace(1.0, 4.0, 7)[:, None]
        at = face.plane.index_from_grid(np.column_stack([np.broadcast_to(x, y.shape).ravel(), y.ravel()]))
        column, row = np.rint(at).astype(int).T
        inside = np.clip(row, 0, face.plane.shape[0] - 1), np.clip(column, 0, face.plane.shape[1] - 1)
        colour = np.log(np.maximum(face.linear[inside], 0.004))
        looks = np.column_stack([
            outline.lay.brightness[inside], 0.7 * outline.lay.across[inside],
            4 * (colour[:, 2] - colour[:, 1]), 4 * (colour[:, 0] - colour[:, 1]),
        ])  # fmt: skip
        look = np.median(looks.reshape(7, number, 4), axis=0)
        sums = np.concatenate([np.zeros((1, 4)), np.cumsum(look, axis=0)])
        means = (sums[length:] - sums[:-length]) / length
        sizes.append(np.abs(means[length:] - means[:-length]))
    both = np.linalg.norm(np.minimum(*sizes), axis=1)
    if not len(both) or both.max() < _OTHER_LOOK:
        return []
    near = np.flatnonzero(both >= _OTHER_LOOK)
    last = near[-1]  # the group nearest to the tip; its highest place
    first = near[near > last - length][0]
    return [float(x[length + first + int(np.argmax(both[first : last + 1]))])]


def hues(linear: Picture) -> tuple[Picture, Picture]:
    """Logarithms of red over green and of blue over green."""
    logs = np.log(np.maximum(linear, np.float32(0.004)))
    return logs[..., 2] - logs[..., 1], logs[..., 0] - logs[..., 1]


def coloured(
    linear: Picture, blade: Mask, beside: Mask, *, step_mm: float, white: Array
) -> tuple[Mask, Mask]:
    """Which pixels of a blade show the field through a hole, and which are tape.

    Parameters
    ----------
    linear : ndarray, shape (rows, columns, 3), float32
    blade : ndarray of bool, shape (rows, columns)
    beside : ndarray of bool, shape (rows, columns)
        Field beside the blade.
    step_mm : float
    white : ndarray, shape (3,)
        White paper in this light; steel is the least coloured part of a blade.

    Returns
    -------
    hole, tape : ndarray of bool, shape (rows, columns)
    """
    import cv2

    step = max(1, round(_COARSE_MM / step_mm))
    size = (linear.shape[1] // step, linear.shape[0] // step)
    coarse = np.asarray(cv2.resize(linear, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
    red, blue = hues(coarse)

    def small(mask: Mask) -> Mask:
        return cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.99

    within, field = small(blade), small(beside)
    nothing = np.zeros_like(blade)
    if within.sum() < 50:
        return nothing, nothing
    paper = hues(np.asarray(white, dtype=np.float32).reshape(1, 3))
    tinted = np.hypot(red - paper[0], blue - paper[1])
    bare = within & (tinted <= np.quantile(tinted[within], _STEEL_SHARE))
    own = [float(np.median(part[bare])) for part in (red, blue)]
    away = np.hypot(red - own[0], blue - own[1])
    hole = np.zeros_like(within)
    if field.sum() > 50:
        tint = [float(np.median(part[field])) - mine for part, mine in zip((red, blue), own, strict=True)]
        square = tint[0] ** 2 + tint[1] ** 2
        if square > 2 * _HUE**2:
            share = ((red - own[0]) * tint[0] + (blue - own[1]) * tint[1]) / square
            aside = np.abs((red - own[0]) * tint[1] - (blue - own[1]) * tint[0]) / np.sqrt(square)
            hole = (share > 0.5) & (aside < np.maximum(_HUE, 0.5 * share * np.sqrt(square)))
    tape = (away > _HUE) & ~hole & (coarse.max(axis=2) < _CLIPPED)  # clipped, no colour is true
    out = []
    for each, width_mm, least_mm2 in ((hole & within, 0.5, _HOLE_MM2), (tape & within, 1.0, _TAPE_MM2)):
        side = max(3, round(width_mm / (step * step_mm)))
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
        opened = cv2.morphologyEx(each.astype(np.uint8), cv2.MORPH_OPEN, kernel)
        _, labels, stats, _ = cv2.connectedComponentsWithStats(opened)
        large = stats[:, cv2.CC_STAT_AREA] * (step * step_mm) ** 2 >= least_mm2
        large[0] = False
        full = (
            cv2.resize(large[labels].astype(np.uint8), blade.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
        )
        out.append(_grown(full, step + 1) & blade)
    return out[0], out[1]


def glaring(picture: NDArray[np.uint8], step_mm: float | None) -> Mask:
    """Patches where most pixels are at the ceiling in all channels."""
    return _mostly(
        (picture[..., 0] >= _CEILING) & (picture[..., 1] >= _CEILING) & (picture[..., 2] >= _CEILING), step_mm
    )


def shaded(grey: Picture, step_mm: float | None) -> Mask:
    """Patches that are too dark for lines to be seen."""
    return _mostly(grey < _DARKEST, step_mm)


def _mostly(which: Mask, step_mm: float | None) -> Mask:
    import cv2

    size = 15 if step_mm is None else max(5, round(_PATCH_MM / step_mm))
    share = cv2.blur(which.astype(np.float32), (size, size))
    return _grown(share > 0.5, size // 4 + 1) & (share > 0.25)


def odd_spots(grey: Picture, mask: Mask, *, step_mm: float, across: bool | None) -> tuple[list[Spot], int]:
    """Find connected places that stand out of a region's texture by more than it explains.

    Parameters
    ----------
    grey : ndarray, shape (rows, columns), float32
    mask : ndarray of bool, shape (rows, columns)
    step_mm : float
    across : bool or None
        Lines run across the blade, along it, or neither; streaks along them are the texture's own.

    Returns
    -------
    list of Spot
    int
        Pixels of ``grey`` per pixel of the spots, each way.
    """
    import cv2

    step = max(1, round(_COARSE_MM / step_mm))
    rows, columns = grey.shape[0] // step, grey.shape[1] // step
    if min(rows, columns) < 8:
        return [], step
    size = (columns, rows)
    weight = cv2.resize(
        mask[: rows * step, : columns * step].astype(np.float32), size, interpolation=cv2.INTER_AREA
    )
    coarse = cv2.resize(grey[: rows * step, : columns * step], size, interpolation=cv2.INTER_AREA)
    level = np.log(np.maximum(coarse, 0.004, dtype=np.float32))
    inside = weight > 0.99
    if inside.sum() < 200:
        return [], step
    weight = inside.astype(np.float32)
    coarse_mm = step * step_mm
    run, around = (max(3, round(length / coarse_mm) | 1) for length in (_RUN_MM, _AROUND_MM))
    window = {None: (run, run), True: (3, run), False: (run, 3)}[across]

    def mean(values: NDArray[Any], over: NDArray[Any], box: tuple[int, int]) -> Picture:
        share = np.maximum(cv2.blur(over, box), 1e-3)
        return np.asarray(cv2.blur(values * over, box) / share, dtype=np.float32)

    rest = level - mean(level, weight, window)
    bound = 2.5 * 1.48 * float(np.median(np.abs(rest[inside])))
    usual = weight * (np.abs(rest) < bound)  # an odd place must not raise what it is measured against
    rest = (level - mean(level, usual, window)) * weight
    square = np.minimum(rest * rest, np.float32(bound**2))
    spread = np.sqrt(np.maximum(mean(square, weight, (around, around)), 0)) + np.float32(0.01)
    odd = (np.abs(rest) > _ODD * spread) & inside
    return _spots(odd, rest, coarse_mm), step


def _spots(odd: Mask, rest: Picture, coarse_mm: float) -> list[Spot]:
    import cv2

    radius = max(1, round(_NEAR_MM / coarse_mm))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
    framed = np.pad(odd.astype(np.uint8), radius)
    closed = cv2.morphologyEx(framed, cv2.MORPH_CLOSE, disc)[radius:-radius, radius:-radius]
    _, labels, stats, _ = cv2.connectedComponentsWithStats(closed, connectivity=8)
    out = []
    for number in np.flatnonzero(stats[1:, cv2.CC_STAT_AREA] * coarse_mm**2 > _SMALLEST_MM2) + 1:
        x, y, width, height = stats[number, :4]
        here = labels[y : y + height, x : x + width] == number
        points = np.column_stack(np.nonzero(here)[::-1]).astype(np.int32)
        hull = cv2.convexHull(points)
        _, sides, _ = cv2.minAreaRect(points)
        short, long = sorted((side + 1) * coarse_mm for side in sides)
        _, circle = cv2.minEnclosingCircle(points)
        area = cv2.contourArea(hull) + 0.5 * cv2.arcLength(hull, closed=True) + 1
        single = odd[y : y + height, x : x + width] & here
        out.append(Spot(
            pixels=here, corner=(int(y), int(x)), wide_mm=short, long_mm=long,
            filled=float(single.sum() / area), closed=float(here.sum() / area),
            roundness=float(here.sum() / (np.pi * (circle + 0.5) ** 2)),
            straight=_straight(single),
            contrast=float(np.median(rest[y : y + height, x : x + width][single])) if single.any() else 0.0,
        ))  # fmt: skip
    return out


def _straight(single: Mask) -> float:
    """Share of pixels on the three strongest lines, each three pixels wide, taken one after the other."""
    row, column = np.nonzero(single)
    total = len(row)
    if not total:
        return 0.0
    turns = np.arange(60) * np.pi / 60
    left = np.ones(total, dtype=np.bool_)
    away = np.rint(np.outer(np.cos(turns), column) + np.outer(np.sin(turns), row)).astype(int)
    away -= away.min()
    for _ in range(_LINES):
        counts = np.stack([np.bincount(one[left], minlength=away.max() + 3) for one in away])
        wide = counts[:, :-2] + counts[:, 1:-1] + counts[:, 2:]
        turn, first = np.unravel_index(int(np.argmax(wide)), wide.shape)
        left &= (away[turn] < first) | (away[turn] > first + 2)
        if not left.any():
            break
    return 1.0 - float(left.sum()) / total


def kind_of(spot: Spot) -> str:
    """Name a spot: ``mark``, ``pin``, ``hole``, ``blob`` or ``line``."""
    if spot.closed < _FULL or spot.wide_mm < _BLOB_MM or spot.long_mm > 5 * spot.wide_mm:
        return "line"
    if spot.wide_mm < _MARK_MM[0] or spot.long_mm > _MARK_MM[1]:
        return "blob"
    if spot.straight > _STRAIGHT or spot.filled < _DENSE:
        return "line"  # scratches that meet, streaks near to each other
    if spot.roundness > _ROUND and spot.filled > 0.8 * spot.closed:
        if abs(spot.contrast) < _SOLID:
            return "blob"  # a stain
        return "hole" if spot.contrast < 0 else "pin"
    return "mark"


def spot_mask(spots: Sequence[Spot], shape: tuple[int, int], step: int, grow: int) -> Mask:
    """Return the full-size mask of the hulls of some spots, wider by a margin in pixels."""
    import cv2

    out = np.zeros(shape, dtype=np.uint8)
    for spot in spots:
        points = np.column_stack(np.nonzero(spot.pixels)[::-1]) + spot.corner[::-1]
        hull = cv2.convexHull((points * step + step // 2).astype(np.int32))
        cv2.fillConvexPoly(out, hull, 1)
    return _grown(out > 0, grow + step // 2)


def _grown(mask: Mask, pixels: int) -> Mask:
    import cv2

    if pixels < 1 or not mask.any():
        return mask
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * pixels + 1, 2 * pixels + 1))
    return cv2.dilate(mask.astype(np.uint8), disc) > 0


def polygons(name: str, mask: Mask, step_mm: float | None) -> list[Excluded]:
    """Return the borders of a mask's parts; a ring's inner border is joined to its outer by a cut."""
    import cv2

    contours, tree = cv2.findContours(mask.astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    out = []
    for number, contour in enumerate(contours):
        if tree[0][number][3] >= 0:
            continue
        points = _simple(contour)
        area = cv2.contourArea(contour)
        child = tree[0][number][2]
        while child >= 0:
            inner = _simple(contours[child])
            if len(inner) > 2:
                points = _joined(points, inner)
            area -= cv2.contourArea(contours[child])
            child = tree[0][child][0]
        if len(points) > 2 and area > (9 if step_mm is None else _SMALLEST_MM2 / step_mm**2):
            scaled = None if step_mm is None else float(area * step_mm**2)
            out.append(Excluded(name=name, polygon_px=frozen(points), area_mm2=scaled))
    return out


def _simple(contour: NDArray[Any]) -> Array:
    import cv2

    return np.asarray(cv2.approxPolyDP(contour, 0.7, closed=True), dtype=np.float64).reshape(-1, 2)


def _joined(outer: Array, inner: Array) -> Array:
    gaps = ((outer[:, None] - inner[None]) ** 2).sum(axis=2)
    start, end = np.unravel_index(int(np.argmin(gaps)), gaps.shape)
    ring = np.roll(inner, -int(end), axis=0)
    return np.vstack([outer[: start + 1], ring, ring[:1], outer[start:]])


def background(bgr: NDArray[np.uint8]) -> Mask:
    """Find what of a photo without a mat is surely no steel: a ground of a colour of its own.

    Notes
    -----
    Only colour counts, since flat, bevel and shadow differ in brightness as steel and bench do. What is at
    least half as coloured as the ground must make up 5 % to 90 % of the photo, clearly apart from the rest.
    """
    import cv2

    nothing = np.zeros(bgr.shape[:2], dtype=np.bool_)
    step = max(1, min(bgr.shape[:2]) // 300)
    small = cv2.resize(bgr, (bgr.shape[1] // step, bgr.shape[0] // step), interpolation=cv2.INTER_AREA)
    red, blue = hues(np.asarray(cv2.LUT(small, linear_light()), dtype=np.float32))
    strength = cv2.blur(np.hypot(red, blue), (5, 5))
    level = float(np.median(strength[strength > _HUE])) / 2 if (strength > _HUE).any() else np.inf
    coloured_part = strength > max(level, _HUE)
    share = float(coloured_part.mean())
    if not 0.05 < share < 0.9:
        return nothing
    apart = float(np.median(strength[coloured_part]) - np.median(strength[~coloured_part]))
    if apart < 2 * _HUE:
        return nothing
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7))
    clean = cv2.morphologyEx(coloured_part.astype(np.uint8), cv2.MORPH_OPEN, disc)
    clean = cv2.morphologyEx(cv2.dilate(clean, disc), cv2.MORPH_CLOSE, disc)
    return np.asarray(cv2.resize(clean, bgr.shape[1::-1], interpolation=cv2.INTER_NEAREST) > 0)
