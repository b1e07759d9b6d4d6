"""A flat piece of steel of known outline over the printed mat, as an exact camera sees it.

The edge is drawn by its signed distance: share of steel Φ(−d/σ), the exact picture of a straight edge behind
a Gaussian blur (and of a gently bent one to second order). So the truth is the outline itself.
"""

from collections.abc import Callable
from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import ndtr
from synthetic import camera_truth, encoded, photo_of, reflectance, render

from grindcheck.camera import Camera
from grindcheck.geometry import Array, turn
from grindcheck.mat.spec import mat_spec
from grindcheck.photo import Photo

SPEC = mat_spec("a4")
HEIGHT_MM = 4.0
BLUR_PX = 0.9
STEEL, BRIGHT = 0.35, 0.6  # linear levels of flat and bevel
LENGTH_MM, SHOULDER_MM, PLUNGE_MM = 150.0, 14.0, 98.0
_MIDDLE_MM = np.array([-LENGTH_MM / 2, 12.5])


def blade() -> Array:
    """Return an outline in the blade's frame: x from heel to tip at 0, y from edge to spine, 0.1 mm apart.

    Straight edge with a belly, a heel 4 mm high at x = −112, a tang to x = −150, a straight spine that drops.
    """
    x = np.arange(-112.0, 0.0, 0.1)
    belly = 13.0 * np.clip((x + 40.0) / 40.0, 0.0, None) ** 2
    drop = 25.0 - 12.0 * np.clip((x + 45.0) / 45.0, 0.0, None) ** 2
    corners = np.array([[-112.0, 25.0], [-112.0, 24.0], [-LENGTH_MM, 24.0], [-LENGTH_MM, 4.0], [-112.0, 4.0]])
    sides = [np.column_stack([x, belly]), np.column_stack([x, drop])[::-1], corners, [[-112.0, 0.0]]]
    return dense(np.vstack(sides), 0.1)


CORNERS_MM = np.array(
    [[0.0, 13.0], [-112.0, 0.0], [-112.0, 4.0], [-112.0, 24.0], [-112.0, 25.0], [-150.0, 24.0], [-150.0, 4.0]]
)  # of `blade`, where no outline runs straight


def dense(polygon: Array, step: float) -> Array:
    """Return a closed polygon with points at most ``step`` apart."""
    closed = np.vstack([polygon, polygon[:1]])
    parts = [
        a
        + (b - a)
        * np.linspace(0, 1, max(int(np.ceil(np.hypot(*(b - a)) / step)), 1), endpoint=False)[:, None]
        for a, b in pairwise(closed)
    ]
    return np.vstack(parts)


def out_of(polygon: Array, points: Array) -> Array:
    """Signed distance of points from a dense polygon walked counterclockwise, positive outside."""
    tangent = np.roll(polygon, -1, axis=0) - np.roll(polygon, 1, axis=0)
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]]) / np.hypot(*tangent.T)[:, None]
    nearest = cKDTree(polygon).query(points)[1]
    away = points - polygon[nearest]
    off = np.einsum("nc,nc->n", away, normal[nearest])
    far = np.hypot(*away.T)
    return np.where(np.abs(off) > 0.9 * far, off, np.copysign(far, off))  # beside a corner, the corner itself


def placed(
    points: Array, *, turn_rad: float = 0.0, at_mm: tuple[float, float] = (0.0, 0.0), left: bool = False
) -> Array:
    """Lay points of the blade onto the mat, its middle at ``at_mm``, turned over for the left face."""
    flip = np.array([1.0, -1.0 if left else 1.0])
    return ((points - _MIDDLE_MM) * flip) @ turn(turn_rad).T + np.asarray(at_mm)


def ground(
    *, turn_rad: float = 0.0, at_mm: tuple[float, float] = (0.0, 0.0), left: bool = False
) -> Callable[[Array], Array]:
    """Return which points of the mat lie on the bevel of a blade placed so."""
    flip = np.array([1.0, -1.0 if left else 1.0])

    def bevel(mat_mm: Array) -> Array:
        x, y = (((mat_mm - np.asarray(at_mm)) @ turn(turn_rad)) * flip + _MIDDLE_MM).T
        return (x > -PLUNGE_MM) & (y < SHOULDER_MM)

    return bevel


@cache
def scene_camera() -> Camera:
    """Return a camera 0.13 mm a pixel over the whole mat, a little tilted, with some distortion."""
    return camera_truth(
        (2400, 1720), diagonals=1.2, tilt_rad=0.06, azimuth_rad=0.7, spin_rad=0.02, width_mm=312.0,
        distortion=(0.03, -0.02, 1e-4, -1e-4),
    )  # fmt: skip


@cache
def empty_mat(grey: bool = False) -> "np.ndarray[Any, Any]":
    """Linear picture of the mat alone."""
    import cv2

    table = reflectance(SPEC)
    if grey:
        table = np.repeat(table.mean(axis=2, keepdims=True), 3, axis=2)
    light = render(scene_camera(), table, SPEC, points=8)
    light = cv2.GaussianBlur(light, (0, 0), BLUR_PX)
    light.setflags(write=False)
    return light


def blade_photo(
    outline_mm: Array,
    *,
    bevel: Callable[[Array], Array] | None = None,
    shade: Callable[[Array, Array], Array] | None = None,
    noise: float = 1.0,
    grey: bool = False,
    seed: int = 1,
) -> Photo:
    """Draw a piece of steel over the mat.

    Parameters
    ----------
    outline_mm : ndarray, shape (N, 2)
        Dense polygon in the mat's frame, in the plane `HEIGHT_MM`, counterclockwise or not.
    bevel : callable, optional
        Of mat coordinates (N, 2): which of the steel is brighter.
    shade : callable, optional
        Of mat coordinates and of the distance to the steel in mm: share of light left on the mat.
    noise : float
        Standard deviation in stored levels.
    """
    camera = scene_camera()
    light = empty_mat(grey).copy()
    px = camera.px_from_mm(np.column_stack([outline_mm, np.full(len(outline_mm), HEIGHT_MM)]))
    if np.sum(px[:, 0] * np.roll(px[:, 1], -1) - px[:, 1] * np.roll(px[:, 0], -1)) < 0:
        px = px[::-1]
    low = np.maximum(np.floor(px.min(axis=0)).astype(int) - 60, 0)
    high = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 60, np.array(camera.size_px) - 1)
    x, y = np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1))
    at = np.column_stack([x.ravel(), y.ravel()]).astype(np.float64)
    off = _distance(px - low, x.shape)
    share = ndtr(-off / BLUR_PX)[:, None]
    part = (slice(low[1], high[1] + 1), slice(low[0], high[0] + 1))
    field = light[part].reshape(-1, 3).astype(np.float64)
    mat_mm = camera.mm_from_px(at, HEIGHT_MM)
    if shade is not None:
        field *= shade(mat_mm, np.maximum(off, 0.0) * 0.13)[:, None]
    steel = np.full(len(at), STEEL)
    if bevel is not None:
        steel[bevel(mat_mm)] = BRIGHT
    light[part] = (field * (1 - share) + steel[:, None] * share).reshape(*x.shape, 3)
    return photo_from(light, noise=noise, seed=seed)


def _distance(polygon: Array, shape: tuple[int, int]) -> Array:
    """Signed distance of a grid's pixels: exact within 8 px of the outline, beyond to a tenth of a pixel."""
    import cv2

    inside = np.zeros(shape, dtype=np.uint8)
    cv2.fillPoly(inside, [np.rint(polygon).astype(np.int32)], 1)
    off = (
        cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5) - cv2.distanceTransform(inside, cv2.DIST_L2, 5)
    ).ravel()
    near = np.flatnonzero(np.abs(off) < 8.0)
    columns, rows = near % shape[1], near // shape[1]
    off[near] = out_of(dense(polygon, 0.1), np.column_stack([columns, rows]).astype(np.float64))
    return np.asarray(off, dtype=np.float64)


def photo_from(light: "np.ndarray[Any, Any]", *, noise: float = 1.0, seed: int = 1) -> Photo:
    """Encode a linear picture with noise."""
    table = (encoded(np.linspace(0.0, 1.0, 2**16)) * 255.0).astype(np.float32)
    levels = table[(np.clip(light, 0.0, 1.0) * (2**16 - 1)).astype(np.int32)]
    random = np.random.default_rng(seed)
    levels = levels + np.float32(noise) * random.standard_normal(levels.shape, dtype=np.float32)
    bgr = np.clip(np.rint(levels), 0, 255).astype(np.uint8)
    bgr.setflags(write=False)
    return photo_of(bgr)
