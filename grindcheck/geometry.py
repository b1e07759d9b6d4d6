"""Lines, rigid motions and homographies in the plane. Points are ``(N, 2)`` float64 in ``(x, y)``."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rigid:
    """A turn followed by a shift: ``p -> R(angle_rad) @ p + shift``.

    Parameters
    ----------
    angle_rad : float
        Counterclockwise in a frame with y up.
    shift : ndarray, shape (2,)
        In the unit of the points.
    """

    angle_rad: float
    shift: Array

    def __call__(self, points: ArrayLike) -> Array:
        """Move points of shape (N, 2)."""
        return np.asarray(points, dtype=np.float64) @ turn(self.angle_rad).T + self.shift

    def inverse(self) -> "Rigid":
        """Return the motion that undoes this one."""
        back = turn(-self.angle_rad)
        return Rigid(angle_rad=-self.angle_rad, shift=-(back @ self.shift))


@dataclass(frozen=True, slots=True)
class Straight:
    """A line ``level + slope x``: the budget fits and asks thousands, and a `Polynomial` is slow."""

    level: float
    slope: float

    def __call__(self, x: float) -> float:
        """Return the line's level at a place."""
        return self.level + self.slope * x


def straight_through(x: Array, y: Array) -> Straight:
    """Least squares line through points (N,) and (N,), in closed form."""
    middle, level = np.add.reduce(x) / len(x), np.add.reduce(y) / len(x)
    away = x - middle
    slope = away @ y / max(away @ away, 1e-30)
    return Straight(float(level - slope * middle), float(slope))


def turn(angle_rad: float) -> Array:
    """Return the (2, 2) matrix of a counterclockwise turn (y up)."""
    cos, sin = np.cos(angle_rad), np.sin(angle_rad)
    return np.array([[cos, -sin], [sin, cos]])


def project(matrix: ArrayLike, points: ArrayLike) -> Array:
    """Apply a (3, 3) homography to points of shape (N, 2).

    Examples
    --------
    >>> project(np.diag([2.0, 2.0, 1.0]), [[1.0, 3.0]])
    array([[2., 6.]])
    """
    points = np.asarray(points, dtype=np.float64)
    homogeneous = np.column_stack([points, np.ones(len(points))]) @ np.asarray(matrix, dtype=np.float64).T
    return np.asarray(homogeneous[:, :2] / homogeneous[:, 2:], dtype=np.float64)


def way_lengths(points: Array) -> Array:
    """Return how far along a polyline each of its points lies, (N,), from 0.

    Examples
    --------
    >>> way_lengths(np.array([[0.0, 0.0], [3.0, 4.0], [3.0, 6.0]]))
    array([0., 5., 7.])
    """
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])


def way_points(points: Array, at: Array) -> Array:
    """Return the points of a polyline (N, 2) at lengths along it, (M, 2); beyond its ends, the ends."""
    lengths = way_lengths(points)
    return np.column_stack([np.interp(at, lengths, points[:, axis]) for axis in (0, 1)])


def way_normals(points: Array) -> Array:
    """Return unit normals along a densely sampled way (N, 2), turned a quarter from +x towards +y."""
    tangent = np.gradient(points, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    return np.column_stack([-tangent[:, 1], tangent[:, 0]])


def frozen(array: ArrayLike) -> Array:
    """Return a read-only float64 copy, for result classes."""
    out = np.array(array, dtype=np.float64)
    out.setflags(write=False)
    return out
