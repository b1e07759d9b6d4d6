"""How strongly a scratch of known place stands out in a photo: its contrast in sigmas of the texture.

The path is known from the truth, so the profile across it can be averaged along its whole length; that shows
far weaker lines than any search can. What is measured is the photo, not the search.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

Array = NDArray[np.float64]

_REACH_PX = 24  # how far the profile reaches on each side
_CLEAR_PX = 5  # what is nearer to the line than this (and its half width) isn't texture
_STEP_PX = 0.5
_LOOSE_PX = 2.0  # how far the line may lie off its told place: lens blur, sharpening


@dataclass(frozen=True, slots=True, kw_only=True)
class Contrast:
    """The contrast of one scratch.

    Parameters
    ----------
    peak : float
        Largest departure of the averaged profile from its surroundings within the scratch, averaged over
        two pixels, in sigmas of a single pixel of the texture; positive is brighter.
    swing : float
        Brightest minus darkest of the profile there, in the same sigmas: it also sees a bright-dark pair.
    std : float
        Standard deviation of `peak`: of the averaged profile beside the scratch, in the same sigmas. Along
        the lay it is large, as the lay's own lines are averaged along themselves.
    sigma : float
        One pixel's sigma of the texture, in grey levels.
    profile : ndarray, shape (M,)
        The averaged profile less its surroundings, in sigmas, every half pixel.
    """

    peak: float
    swing: float
    std: float
    sigma: float
    profile: Array


def contrast(grey: NDArray[Any], path_px: ArrayLike, *, width_px: float = 2.0, mask: Any = None) -> Contrast:
    """Measure a scratch's contrast along its known path.

    Parameters
    ----------
    grey : ndarray, shape (height, width)
        The photo's grey levels, as stored or linear.
    path_px : array_like, shape (N, 2)
        Its line in pixels (x, y).
    width_px : float
        The groove's width.
    mask : ndarray of bool, shape (height, width), optional
        False where the surface ends: border, mark; such places count for nothing.

    Raises
    ------
    ValueError
        If fewer than three pixels of the path, or too little texture beside it, lie in the photo.
    """
    points, normal = _followed(np.asarray(path_px, float))
    off = np.arange(-_REACH_PX, _REACH_PX + _STEP_PX / 2, _STEP_PX)
    place = points[:, None] + off[None, :, None] * normal[:, None]
    at = [place[..., 1], place[..., 0]]
    strip = ndimage.map_coordinates(grey.astype(float), at, order=1, cval=np.nan)
    if mask is not None:
        strip[ndimage.map_coordinates(mask.astype(float), at, order=0) < 0.5] = np.nan
    beside = np.abs(off) >= _CLEAR_PX + width_px / 2
    known = np.isfinite(strip)
    if (known[:, ~beside].mean(axis=1) > 0.9).sum() < 3 or known[:, beside].sum() < 50:
        raise ValueError("too little of the path and its surroundings lies in the picture")
    level = _smooth_level(strip, beside)
    flat = strip - level
    pixel_sigma = float(np.nanstd(flat[:, beside]))
    enough = known.mean(axis=0) > 0.5
    profile = np.zeros(len(off))
    profile[enough] = np.nanmean(flat[:, enough], axis=0)
    two = round(2 / _STEP_PX)
    averaged = ndimage.uniform_filter1d(profile, two)
    inside = np.abs(off) <= width_px / 2 + _LOOSE_PX
    near = averaged[inside]
    texture = averaged[beside & enough]
    return Contrast(
        peak=float(near[np.argmax(np.abs(near))]) / pixel_sigma,
        swing=float(np.ptp(near)) / pixel_sigma,
        std=float(np.std(texture)) / pixel_sigma,
        sigma=pixel_sigma,
        profile=profile / pixel_sigma,
    )


def _followed(path_px: Array) -> tuple[Array, Array]:
    """Return a point every pixel along a path, and the unit normals there."""
    at = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(path_px, axis=0), axis=1))])
    along = np.linspace(0, at[-1], max(int(at[-1]) + 1, 3))
    points = np.column_stack([np.interp(along, at, path_px[:, k]) for k in (0, 1)])
    way = np.gradient(points, axis=0)
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    return points, np.column_stack([-way[:, 1], way[:, 0]])


def _smooth_level(strip: Array, beside: NDArray[np.bool_]) -> Array:
    """Return the shading: per stretch of the path a straight line across, fitted beside the scratch."""
    columns = strip.shape[1]
    across = np.linspace(-1, 1, columns)
    values = np.where(beside[None, :], strip, np.nan)
    known = np.isfinite(values)
    filled = np.where(known, values, 0.0)

    def summed(weight: Array) -> Array:
        return ndimage.gaussian_filter1d((filled * weight).sum(axis=1), 15.0, mode="nearest")

    def counted(weight: Array) -> Array:
        return ndimage.gaussian_filter1d((known * weight).sum(axis=1), 15.0, mode="nearest")

    s0, s1, s2 = counted(np.ones(columns)), counted(across), counted(across**2)
    t0, t1 = summed(np.ones(columns)), summed(across)
    det = s0 * s2 - s1**2
    sure = det > 1e-3 * np.maximum(s0 * s2, 1e-9)
    safe = np.where(sure, det, 1.0)
    slope = np.where(sure, (s0 * t1 - s1 * t0) / safe, 0.0)
    start = np.where(sure, (s2 * t0 - s1 * t1) / safe, t0 / np.maximum(s0, 1e-9))
    return start[:, None] + slope[:, None] * across[None, :]
