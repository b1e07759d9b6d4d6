"""Crossings of the frame's chessboard to a small part of a pixel, by their symmetry.

Where four squares meet, the picture is its own image under a half turn about the crossing, whatever blur,
sharpening, tone curve or spread of ink it went through, for each of these acts alike on both halves. The
crossing is therefore the point about which the window differs least from its own half turn.
"""

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grindcheck.geometry import Array
from grindcheck.mat.spec import MARKER_MM, SQUARE_MM, MatSpec

_RIM_MM = (SQUARE_MM - MARKER_MM) / 2
_ARM_MM = 4.5  # along the squares' sides the window reaches further than across them
_LARGEST_PX = 20  # half a window's side, if the rim is no wider; more adds time, not accuracy
_MARGIN_PX = 5  # beyond the prediction's error: for shifts and for the interpolation
_SPREAD_PX = 1.5  # blur that the window keeps off the markers' dark border
_LEAST_STEP = 15.0  # grey levels between black and white
_STEP_SHARE = 0.3  # of the median step: less is shadow, glare or a finger
_UNEVEN = 0.35  # of the step: difference of two like quadrants
_UNLIKE = 0.12  # of the step: rms difference from the half turn

_COARSE_MOVES, _FINE_MOVES = 3, 2  # each squares the error; the last one shows that it has settled

Bools = NDArray[np.bool_]


def refine_crossings(
    bgr: NDArray[np.uint8],
    spec: MatSpec,
    crossing_mm: Array,
    predicted_px: Array,
    slopes: Array,
    *,
    coarse_px: int,
) -> tuple[Bools, Array, float]:
    """Refine crossings at full size and tell which of them are uncovered.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (H, W, 3)
    spec : MatSpec
    crossing_mm, predicted_px : ndarray, shape (N, 2)
        Where the crossings are on the mat and, roughly, in the picture.
    slopes : ndarray, shape (N, 2, 2)
        Derivatives of px by mm at the crossings.
    coarse_px : int
        How well they are predicted, about; the first step looks at the window blurred by it.

    Returns
    -------
    good : ndarray of bool, shape (N,)
    refined_px : ndarray, shape (N, 2)
    std_px : float
        Median standard uncertainty of a coordinate, from what the half turn leaves unexplained.

    Notes
    -----
    Gauss-Newton on ``I(c + d) - I(c - d)`` over the window's offsets d, which reaches the Cramér-Rao limit of
    a known pattern, with two more terms for light that changes linearly over the window. The window is a
    cross along the squares' sides and never reaches a marker. Noise that neighbouring pixels share (JPEG,
    demosaicing) makes the true scatter larger than `std_px`.

    It is wrong where paper is creased at the crossing, or where motion blur is a curve.
    """
    scale = np.sqrt(np.abs(np.linalg.det(slopes)))
    typical = float(np.median(scale))
    longest = max(_LARGEST_PX, int(_RIM_MM * typical))
    half = int(np.clip(np.ceil(_ARM_MM * typical), 4, longest))
    margin = coarse_px + _MARGIN_PX
    size = 2 * (half + margin) + 1
    height, width = bgr.shape[:2]
    whole = np.rint(predicted_px).astype(int)
    inside = np.all((whole >= size // 2) & (whole < np.array([width, height]) - size // 2), axis=1)
    refined = predicted_px.copy()
    good = np.zeros(len(predicted_px), dtype=np.bool_)
    if not inside.any():
        return good, refined, np.inf
    patches = _patches(bgr, whole[inside], size)
    offsets = np.arange(-half, half + 1, dtype=np.float32)
    weights, u, v = _window(offsets, slopes[inside], typical)
    shift = (predicted_px - whole)[inside]
    blurred = patches
    if coarse_px > 1:
        stacked = patches.reshape(-1, size)
        box = (2 * coarse_px - 1, 2 * coarse_px - 1)
        blurred = np.asarray(cv2.blur(stacked, box), dtype=np.float32).reshape(patches.shape)
    limit = coarse_px + 1.0
    for move in range(_COARSE_MOVES + _FINE_MOVES):
        coarse = move < _COARSE_MOVES
        every = slice(half % 2, None, 2) if coarse else slice(None)  # keeps the middle, and the symmetry
        at = offsets[every]
        window = _shifted(blurred if coarse else patches, shift, at)
        change, variance, unlike = _symmetry_step(window, weights[:, every, every], at)
        shift = np.clip(shift + np.clip(change, -limit, limit), 3.0 - margin, margin - 3.0)
    contrast, uneven = _quadrants(window, weights, u, v, _dark_top_left(spec, crossing_mm[inside]))
    usual = np.median(contrast)
    moved = np.linalg.norm(whole[inside] + shift - predicted_px[inside], axis=1)
    fits = (
        (contrast > max(_STEP_SHARE * usual, _LEAST_STEP))
        & (uneven < _UNEVEN * contrast)
        & (unlike < _UNLIKE * contrast)
        & (np.abs(change).max(axis=1) < 0.05)
        & (moved < 3.0 * coarse_px + 0.1 * typical)
    )
    refined[inside] = whole[inside] + shift
    good[inside] = fits
    # smooth slopes average over the pixels that sampling mixed, so their full variance counts
    variance = variance / _noise_kept(shift)
    std = float(np.sqrt(np.median(variance[fits]))) if fits.any() else np.inf
    return good, refined, std


def _patches(bgr: NDArray[np.uint8], whole: NDArray[np.int_], size: int) -> NDArray[np.float32]:
    out = np.empty((len(whole), size, size), dtype=np.float32)
    reach = size // 2
    for patch, (x, y) in zip(out, whole, strict=True):
        patch[:] = cv2.cvtColor(bgr[y - reach : y + reach + 1, x - reach : x + reach + 1], cv2.COLOR_BGR2GRAY)
    return out


def _window(
    offsets: NDArray[np.float32], slopes: Array, typical: float
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Return weights (N, K, K) of a cross along the squares' sides, and the offsets in mm."""
    inverse = np.linalg.inv(slopes).astype(np.float32)
    dx, dy = np.meshgrid(offsets, offsets)
    u = inverse[:, 0, 0, None, None] * dx + inverse[:, 0, 1, None, None] * dy
    v = inverse[:, 1, 0, None, None] * dx + inverse[:, 1, 1, None, None] * dy
    across = max(_RIM_MM - _SPREAD_PX / typical, 0.5 * _RIM_MM)
    fade = np.float32(typical)  # one pixel
    nearer = np.minimum(np.abs(u), np.abs(v))
    farther = np.maximum(np.abs(u), np.abs(v))
    reach = min(_ARM_MM, float(offsets[-1]) / typical)
    weights = np.clip((across - nearer) * fade + 0.5, 0, 1) * np.clip((reach - farther) * fade + 0.5, 0, 1)
    round_off = np.hypot(dx, dy) <= offsets[-1]  # a disc, so that each turn of the mat is served alike
    return (weights * round_off).astype(np.float32), u, v


def _kernel(
    distance: NDArray[np.floating[Any]],
) -> NDArray[np.floating[Any]]:
    """Return the weight of a pixel at a distance: cubic convolution (Keys, a = -1/2)."""
    t = np.abs(distance)
    near = 1 + t * t * (1.5 * t - 2.5)
    far = 2 + t * (-4 + t * (2.5 - 0.5 * t))
    return np.where(t < 1, near, np.where(t < 2, far, 0.0))


def _shifted(patches: NDArray[np.float32], shift: Array, offsets: NDArray[np.float32]) -> NDArray[np.float32]:
    """Sample patches at middle + shift + offsets."""
    down, across = (_taps(shift[:, axis], offsets, patches.shape[1]) for axis in (1, 0))
    return np.asarray(down @ patches @ across.transpose(0, 2, 1))


def _taps(shift: Array, offsets: NDArray[np.float32], size: int) -> NDArray[np.float32]:
    """Return the weights (N, K, size) of a patch's pixels along one axis; four of a row differ from zero."""
    first = np.floor(shift).astype(int)
    between = shift - first
    out = np.zeros((len(shift), len(offsets), size), dtype=np.float32)
    patch, row = np.arange(len(shift))[:, None], np.arange(len(offsets))[None]
    column = size // 2 + first[:, None] + offsets.astype(int)
    for tap in (-1, 0, 1, 2):
        out[patch, row, column + tap] = _kernel(between - tap)[:, None]
    return out


def _noise_kept(shift: Array) -> Array:
    """Return the share of independent pixels' variance that sampling between them keeps, shape (N,)."""
    taps = np.arange(-2.0, 4.0)
    between = shift - np.floor(shift)
    return np.asarray(np.prod(np.sum(_kernel(between[:, :, None] - taps) ** 2, axis=2), axis=1))


def _symmetry_step(
    window: NDArray[np.float32], weights: NDArray[np.float32], offsets: NDArray[np.float32]
) -> tuple[Array, Array, Array]:
    """Return the step (N, 2) towards the symmetric point, variance of a coordinate, rms of the difference."""
    count, side = window.shape[0], window.shape[1]
    spacing = float(offsets[1] - offsets[0])
    slope_y, slope_x = np.zeros_like(window), np.zeros_like(window)
    slope_y[:, 1:-1] = (window[:, 2:] - window[:, :-2]) * np.float32(0.5 / spacing)
    slope_x[:, :, 1:-1] = (window[:, :, 2:] - window[:, :, :-2]) * np.float32(0.5 / spacing)
    # read backwards, a window is its own half turn; one of each pair of pixels will do
    pairs = side * side // 2

    def both(values: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        flat = values.reshape(len(values), -1)
        return flat[:, :pairs], flat[:, : -pairs - 1 : -1]

    here, turned = both(window)
    difference = here - turned
    mean = 0.5 * (here + turned)
    mean -= mean.mean(axis=1, keepdims=True)
    columns = np.empty((count, 4, pairs), dtype=np.float32)
    # a half turn changes the sign of the slopes, so subtracting the turned one doubles it
    for index, slope in enumerate((slope_x, slope_y)):
        np.subtract(*both(slope), out=columns[:, index])
    unit = offsets / offsets[-1]
    np.multiply(mean, np.tile(unit, side)[:pairs], out=columns[:, 2])
    np.multiply(mean, np.repeat(unit, side)[:pairs], out=columns[:, 3])
    flat = weights.reshape(count, -1)[:, :pairs]
    weighted = columns * flat[:, None]
    normal = (weighted @ columns.transpose(0, 2, 1)).astype(np.float64)
    right = (weighted @ difference[:, :, None])[:, :, 0].astype(np.float64)
    trace = np.trace(normal, axis1=1, axis2=2)
    inverse = np.linalg.inv(normal + (1e-9 * trace + 1e-9)[:, None, None] * np.eye(4))
    solution = -np.einsum("nij,nj->ni", inverse, right)
    left = difference + (solution.astype(np.float32)[:, None] @ columns)[:, 0]
    square = np.asarray(np.sum(flat * left**2, axis=1) / np.maximum(flat.sum(axis=1), 1e-9), dtype=np.float64)
    return solution[:, :2], square * (inverse[:, 0, 0] + inverse[:, 1, 1]) / 2, np.sqrt(square)


def _dark_top_left(spec: MatSpec, crossing_mm: Array) -> Bools:
    width, height = spec.frame_mm
    column = np.rint((crossing_mm[:, 0] + width / 2) / SQUARE_MM)
    row = np.rint((height / 2 - crossing_mm[:, 1]) / SQUARE_MM)
    return np.asarray((column + row) % 2 == 0)


def _quadrants(
    window: NDArray[np.float32],
    weights: NDArray[np.float32],
    u: NDArray[np.float32],
    v: NDArray[np.float32],
    dark_top_left: Bools,
) -> tuple[Array, Array]:
    """Return white minus black, and the larger difference of two like quadrants, in grey levels."""
    clear = weights * (np.minimum(np.abs(u), np.abs(v)) > 0.3 * _RIM_MM)
    means = []
    for right, top in ((False, True), (True, True), (False, False), (True, False)):
        part = clear * ((u > 0) == right) * ((v > 0) == top)
        means.append((part * window).sum(axis=(1, 2)) / np.maximum(part.sum(axis=(1, 2)), 1e-9))
    top_left, top_right, bottom_left, bottom_right = means
    main, other = (top_left + bottom_right) / 2, (top_right + bottom_left) / 2
    contrast = np.where(dark_top_left, other - main, main - other)
    uneven = np.maximum(np.abs(top_left - bottom_right), np.abs(top_right - bottom_left))
    return np.asarray(contrast, dtype=np.float64), np.asarray(uneven, dtype=np.float64)
