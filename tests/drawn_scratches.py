"""Grey pictures of a texture with scratches of known place, width and contrast, drawn without any blade."""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from scipy.spatial import cKDTree
from scipy.special import erf

Grey = NDArray[np.float32]
SHAPE = (300, 420)  # rows, columns: not square
BLUR_PX = 0.7  # sigma; what a lens and a sensor do to the thinnest line


def white(seed: int, shape: tuple[int, int] = SHAPE) -> Grey:
    """Noise without a direction, of standard deviation 1."""
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


def brushed(seed: int, shape: tuple[int, int] = SHAPE) -> Grey:
    """Lines along x, half a pixel wide and some twenty pixels long, and white noise; variance 1."""
    rng = np.random.default_rng(seed)
    lines = ndimage.gaussian_filter(rng.standard_normal(shape), (0.6, 10.0))
    grey = 0.92 * lines / lines.std() + 0.39 * rng.standard_normal(shape)
    return (grey / grey.std()).astype(np.float32)


def straight(start: ArrayLike, angle_deg: float, length_px: float) -> NDArray[np.float64]:
    """Both ends of a line from `start`; the angle is from +x towards +y, which points down."""
    angle = np.deg2rad(angle_deg)
    first = np.asarray(start, dtype=np.float64)
    return np.array([first, first + length_px * np.array([np.cos(angle), np.sin(angle)])])


def scratch(
    points: ArrayLike,
    contrast: float,
    *,
    width_px: float = 2.0,
    pair: bool = False,
    gaps: Any = (),
    shape: tuple[int, int] = SHAPE,
) -> Grey:
    """Draw one scratch to be added to a texture: a box across it, blurred, of height `contrast`.

    A pair is half bright and half dark, the bright half on the right of the way. `gaps` are shares of its
    length, as ``[(0.4, 0.5)]``, where nothing is drawn.
    """
    points = np.asarray(points, dtype=np.float64)
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    steps = np.linspace(0.0, at[-1], int(at[-1] * 4) + 2)
    way = np.column_stack([np.interp(steps, at, points[:, axis]) for axis in (0, 1)])
    tangent = np.gradient(way, axis=0)
    tangent /= np.hypot(*tangent.T)[:, None]
    y, x = np.mgrid[: shape[0], : shape[1]]
    places = np.column_stack([x.ravel(), y.ravel()]).astype(np.float64)
    _, nearest = cKDTree(way).query(places, distance_upper_bound=width_px + 8.0)
    near = nearest < len(way)
    which = nearest[near]
    off = places[near] - way[which]
    along = np.sum(off * tangent[which], axis=1)
    across = off[:, 1] * tangent[which, 0] - off[:, 0] * tangent[which, 1]  # positive on the right

    def box(low: float, high: float) -> NDArray[np.float64]:
        root = BLUR_PX * np.sqrt(2.0)
        return np.asarray(0.5 * (erf((high - across) / root) - erf((low - across) / root)))

    half = width_px / 2
    value = box(0.0, half) - box(-half, 0.0) if pair else box(-half, half)
    shown = np.abs(along) <= 0.5
    for low, high in gaps:
        shown &= (steps[which] < low * at[-1]) | (steps[which] > high * at[-1])
    out = np.zeros(shape[0] * shape[1])
    out[near] = contrast * value * shown
    return out.reshape(shape).astype(np.float32)
