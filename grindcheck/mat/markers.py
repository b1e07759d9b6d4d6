"""Reading the mat's markers on a reduced grey copy.

The detector of `cv2.aruco` spends half a millisecond on each of the mat's 140 dark quadrilaterals, one after
the other. Here all of them are sampled and compared with the family at once, which takes a tenth of the time.
Where that reads too little, the detector of `cv2.aruco` is asked.
"""

from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grindcheck.geometry import Array
from grindcheck.mat.spec import marker_cells

Grey = NDArray[np.uint8]
Markers = list[tuple[int, Array]]  # id and (4, 2) corners in px: the marker's own top left first, clockwise

LONG_SIDE = 1000  # px, at least, of the first reduced copy tried, which serves nearly always
ENOUGH = 16  # markers: with fewer, other copies are tried

_WINDOW = 23  # px of the local mean
_BELOW = 7.0  # grey levels below it are dark
_SHORTEST = 10.0  # px: a side of a marker, eight cells
_WRONG_BITS = 3  # of 36; the family's codes differ in 11
_WRONG_BORDER = 3  # of 28
_CONTRAST = 20.0  # grey levels


def read_markers(bgr: NDArray[np.uint8], *, coarser: bool = False) -> tuple[Grey, Markers, int]:
    """Return the reduced copy that shows most markers, the markers in px of the full picture, the reduction.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (H, W, 3)
    coarser : bool
        Try a still smaller copy too, for markers that are large and blurred.
    """
    factor = 1
    shorter, longer = sorted(bgr.shape[:2])
    while longer >= 2 * factor * LONG_SIDE and shorter >= 2 * factor:
        factor *= 2
    # finer for a mat that is small in the picture, coarser for one that is blurred
    factors = [factor, factor // 2, factor * 2] if factor > 1 else [1, 2]
    if coarser:
        factors.append(factor * 4)
    factors = [one for one in factors if shorter >= one]  # of a narrow strip nothing would be left
    best: tuple[Grey, Markers, int] | None = None
    copies: list[tuple[Grey, int]] = []
    for factor in factors:
        grey = reduced(bgr, factor)
        copies.append((grey, factor))
        seen = at_full_size(markers_of(grey), factor)
        if best is None or len(seen) > len(best[1]):
            best = grey, seen, factor
        if len(best[1]) >= ENOUGH:
            return best
    for grey, factor in copies:
        seen = at_full_size(_markers_by_aruco(grey), factor)
        if best is None or len(seen) > len(best[1]):
            best = grey, seen, factor
        if len(best[1]) >= ENOUGH:
            break
    if best is None:
        raise ValueError("bgr must have at least one pixel")
    return best


def reduced(bgr: NDArray[np.uint8], factor: int) -> Grey:
    """Return a grey copy, each pixel the mean of factor × factor pixels, factor a power of two.

    A last part row or column is cut. Halving again and again is several times faster than one step.
    """
    small = bgr
    while factor > 1:
        height, width = (side // 2 for side in small.shape[:2])
        whole = small[: 2 * height, : 2 * width]
        small = np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)
        factor //= 2
    return np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY), dtype=np.uint8)


def at_full_size(seen: Markers, factor: int) -> Markers:
    """Return markers of a reduced copy in px of the full picture.

    A reduced pixel is the mean of factor pixels, and its centre is the middle of theirs: x → (x + ½) f − ½.
    """
    return [(marker, (corner_px + 0.5) * factor - 0.5) for marker, corner_px in seen]


def markers_of(grey: Grey) -> Markers:
    """Read all markers of a grey picture at once."""
    quads = _quadrilaterals(grey)
    if len(quads) == 0:
        return []
    cells = _cells(grey, quads)
    low, high = np.percentile(cells, (10, 90), axis=1)
    bits = cells > ((low + high) / 2)[:, None]
    bits = bits.reshape(-1, 8, 8)
    inner = bits[:, 1:-1, 1:-1].reshape(-1, 36)
    border_wrong = bits.sum(axis=(1, 2)) - inner.sum(axis=1)
    agreement = (2.0 * inner - 1.0).astype(np.float32) @ _codes()
    code = np.argmax(agreement, axis=1)
    wrong = (36.0 - agreement[np.arange(len(code)), code]) / 2.0
    good = (wrong <= _WRONG_BITS) & (border_wrong <= _WRONG_BORDER) & (high - low > _CONTRAST)
    seen: Markers = []
    for index in np.flatnonzero(good):
        marker, turns = divmod(int(code[index]), 4)
        corner_px = np.roll(quads[index], turns, axis=0)
        middle, side = corner_px.mean(axis=0), np.linalg.norm(corner_px[0] - corner_px[1])
        if not any(
            other == marker and np.linalg.norm(seen_px.mean(axis=0) - middle) < side / 2
            for other, seen_px in seen
        ):  # fmt: skip
            seen.append((marker, corner_px))
    return seen


def _quadrilaterals(grey: Grey) -> Array:
    """Return dark convex quadrilaterals, shape (N, 4, 2), clockwise on the screen."""
    dark = cv2.adaptiveThreshold(
        grey, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, _WINDOW, _BELOW
    )
    contours, _ = cv2.findContours(dark, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    quads = []
    for contour in contours:
        if len(contour) < 3.2 * _SHORTEST:
            continue
        around = cv2.approxPolyDP(contour, 0.03 * len(contour), True)
        if len(around) == 4 and cv2.isContourConvex(around):
            quads.append(np.asarray(around, dtype=np.float64).reshape(4, 2))
    if not quads:
        return np.empty((0, 4, 2))
    out = np.array(quads)
    after = np.roll(out, -1, axis=1)
    area = np.sum(out[:, :, 0] * after[:, :, 1] - out[:, :, 1] * after[:, :, 0], axis=1) / 2
    out[area < 0] = out[area < 0, ::-1]
    side = np.linalg.norm(np.roll(out, -1, axis=1) - out, axis=2)
    out = out[side.min(axis=1) >= _SHORTEST]
    # the contour runs through the centres of the outermost dark pixels, half a pixel inside the edge
    middle = out.mean(axis=1, keepdims=True)
    side = side[side.min(axis=1) >= _SHORTEST].mean(axis=1)
    return np.asarray(middle + (out - middle) * (1.0 + 1.0 / side)[:, None, None])


def _cells(grey: Grey, quads: Array) -> Array:
    """Return the mean level of the 8 × 8 cells of each quadrilateral, shape (N, 64)."""
    parts = np.array([-0.2, 0.0, 0.2])
    at = ((np.arange(8) + 0.5)[:, None] + parts).ravel() / 8.0
    s, t = np.meshgrid(at, at)
    square = np.stack([s.ravel(), t.ravel(), np.ones(s.size)])
    place = _square_to(quads) @ square
    x, y = place[:, 0] / place[:, 2], place[:, 1] / place[:, 2]
    level = cv2.remap(grey, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR)
    fine = np.asarray(level, dtype=np.float64).reshape(-1, 8, 3, 8, 3)
    return np.asarray(fine.mean(axis=(2, 4)).reshape(-1, 64))


def _square_to(quads: Array) -> Array:
    """Return homographies (N, 3, 3) from the unit square to quadrilaterals (Heckbert's closed form)."""
    a, b, c, d = (quads[:, i] for i in range(4))
    e, f, g = b - c, d - c, a - b + c - d
    det = e[:, 0] * f[:, 1] - f[:, 0] * e[:, 1]
    p = (g[:, 0] * f[:, 1] - f[:, 0] * g[:, 1]) / det
    q = (e[:, 0] * g[:, 1] - g[:, 0] * e[:, 1]) / det
    out = np.empty((len(quads), 3, 3))
    out[:, :2, 0] = b - a + p[:, None] * b
    out[:, :2, 1] = d - a + q[:, None] * d
    out[:, :2, 2] = a
    out[:, 2, 0], out[:, 2, 1], out[:, 2, 2] = p, q, 1.0
    return out


@cache
def _codes() -> NDArray[np.float32]:
    """Return the family as ±1, shape (36, 4 × ids): each id as seen after 0 to 3 quarter turns."""
    inner = np.array([[[int(bit) for bit in row[1:-1]] for row in rows[1:-1]] for rows in marker_cells()])
    turned = np.stack([np.rot90(inner, k, axes=(1, 2)) for k in range(4)], axis=1)
    return np.asarray((2.0 * turned.reshape(-1, 36) - 1.0).T, dtype=np.float32)


def _markers_by_aruco(grey: Grey) -> Markers:
    corners, ids, _ = _detector().detectMarkers(grey)
    if ids is None:
        return []
    return [
        (int(marker), np.asarray(quad, dtype=np.float64).reshape(4, 2))
        for marker, quad in zip(np.asarray(ids).ravel(), corners, strict=True)
    ]


@cache
def _detector() -> Any:
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = 0.01
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    return cv2.aruco.ArucoDetector(family, parameters)
