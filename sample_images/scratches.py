"""Scratches on a face: plain data, the groove that each cuts into the surface, and what is true of it.

A scratch is a dict: ``id``; ``kind`` (``leftover``, ``sheath`` or ``handling``); ``path_mm``, points of its
line in the blade frame; ``width_mm`` between the groove's lips; ``slope`` of its walls (tangent); and, if
wanted, ``taper_mm`` (length over which it runs out at each end), ``gaps`` (shares of its length, as
``[[0.4, 0.5]]``, where it doesn't touch) and ``region`` (``flat`` or ``bevel`` if it ends at the border).
"""

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Slopes = NDArray[np.float32]

_STEP = 0.2  # of a texel, between the samples of a groove; more would make it waver by its beat
_LIPS = 0.75  # half width with the raised lips, in widths
_CHUNK = 4_000_000  # samples at a time


@dataclass(frozen=True, kw_only=True)
class Box:
    """Where a picture of texels lies in the blade frame: its u axis runs along the lay.

    Parameters
    ----------
    angle_rad : float
        Of u against the blade's x.
    corner_mm : tuple of float
        u and v of the first texel's corner, in the turned frame.
    texel_mm : float
    shape : tuple of int
        Rows (v) and columns (u).
    """

    angle_rad: float
    corner_mm: tuple[float, float]
    texel_mm: float
    shape: tuple[int, int]

    @classmethod
    def round_points(cls, points_mm: Array, *, angle_rad: float, texel_mm: float, most: float) -> "Box":
        """Return the box round points, shape (N, 2); texels grow where there would be more than ``most``."""
        turned = points_mm @ _turn(angle_rad).T
        low, high = turned.min(axis=0) - 0.5, turned.max(axis=0) + 0.5
        texel = max(texel_mm, float(np.sqrt(np.prod(high - low) / most)))
        columns, rows = (int(n) for n in np.ceil((high - low) / texel - 1e-9))
        corner = (float(low[0]), float(low[1]))
        return cls(angle_rad=angle_rad, corner_mm=corner, texel_mm=texel, shape=(rows, columns))

    def texels(self, points_mm: Array) -> Array:
        """Return columns and rows, shape (..., 2), of points of the blade frame; borders at whole numbers."""
        return (points_mm @ _turn(self.angle_rad).T - self.corner_mm) / self.texel_mm

    def uv(self, points_mm: Array) -> Array:
        """Return texture coordinates, shape (..., 2)."""
        return self.texels(points_mm) / [self.shape[1], self.shape[0]]


def _turn(angle_rad: float) -> Array:
    """Return the rotation that takes the blade frame to one whose first axis lies at an angle."""
    cos, sin = np.cos(angle_rad), np.sin(angle_rad)
    return np.array([[cos, sin], [-sin, cos]])


def run(path_mm: Any, step_mm: float) -> tuple[Array, Array]:
    """Return points every ``step_mm`` on a smooth line through the path's points, and their places on it.

    Returns
    -------
    points_mm : ndarray, shape (N, 2)
    along_mm : ndarray, shape (N,)
        Distance from the line's begin.
    """
    path = np.asarray(path_mm, float)
    if len(path) > 2:  # a smooth line through the points
        from scipy.interpolate import CubicSpline

        at = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
        fine = np.linspace(0, at[-1], max(int(at[-1] / 0.25), 8))
        path = CubicSpline(at, path)(fine)
    at = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    along = np.linspace(0, at[-1], max(int(np.ceil(at[-1] / step_mm)), 2))
    return np.column_stack([np.interp(along, at, path[:, k]) for k in (0, 1)]), along


def depth(scratch: dict[str, Any], along_mm: Array, rng: np.random.Generator) -> Array:
    """Return how deep the groove is along its line: about 1 in its middle, 0 in gaps and at the ends."""
    length = along_mm[-1]
    waves = np.zeros_like(along_mm)
    for period_mm, amount in ((0.7, 0.14), (3.0, 0.16), (11.0, 0.12)):
        knots = rng.standard_normal(int(length / period_mm) + 4)
        waves += amount * np.interp(along_mm / period_mm + rng.random(), np.arange(len(knots)), knots)
    taper = min(scratch.get("taper_mm", 0.0), length / 2)
    ends = np.minimum(along_mm, length - along_mm)
    full = np.ones_like(along_mm) if taper <= 0 else np.clip(ends / taper, 0, 1)
    for begin, end in scratch.get("gaps", []):
        full = np.where((along_mm > begin * length) & (along_mm < end * length), 0, full)
    return full * np.clip(1 + waves, 0.3, 1.8)


def grooves(box: Box, scratches: Iterable[dict[str, Any]], rng: np.random.Generator) -> tuple[Slopes, Slopes]:
    """Cut scratches into a level surface.

    Returns
    -------
    slopes : ndarray, shape (rows, columns, 2)
        Rise per mm along u and v, averaged over each texel.
    cover : ndarray, shape (rows, columns)
        Share of each texel that lies between a groove's lips, up to 1.
    """
    return _gathered(box, (piece for one in scratches for piece in _samples(box, one, rng)))


def _samples(box: Box, scratch: dict[str, Any], rng: np.random.Generator) -> Iterator[tuple[Array, ...]]:
    """Sample a groove: columns, rows, rise along u and v, inside; each times the share of a texel."""
    step = _STEP * box.texel_mm
    points, along = run(scratch["path_mm"], step)
    way = np.gradient(points, axis=0)
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    across = np.column_stack([-way[:, 1], way[:, 0]])
    wide = scratch["width_mm"]
    off = np.arange(-_LIPS * wide + step / 2, _LIPS * wide, step)
    rise = profile(off, wide)
    if wide >= 0.08:  # a broad grain leaves finer lines within
        rise += 0.3 * rng.standard_normal(len(off)) * (np.abs(off) < wide / 2)
    rise *= scratch["slope"]
    deep = depth(scratch, along, rng)
    share = (along[1] - along[0]) * step / box.texel_mm**2
    turned = across @ _turn(box.angle_rad).T
    every = max(1, _CHUNK // len(off))
    for begin in range(0, len(points), every):
        part = slice(begin, begin + every)
        place = box.texels(points[part, None] + off[None, :, None] * across[part, None])
        value = deep[part, None] * rise[None, :] * share
        inside = (deep[part, None] > 0) * (np.abs(off) < wide / 2)[None, :] * share
        yield place[..., 0], place[..., 1], value * turned[part, :1], value * turned[part, 1:], inside


def profile(off_mm: Array, width_mm: float) -> Array:
    """Return the rise across a groove of wall slope 1: a V with a rounded bottom, and raised lips."""
    wall = np.clip(off_mm / (0.12 * width_mm), -1, 1)
    far = np.abs(off_mm)
    lips = -0.35 * np.sign(off_mm) * (far < _LIPS * width_mm)
    return np.where(far <= width_mm / 2, wall, lips)


def short_lines(
    box: Box, count: int, rng: np.random.Generator, *, long_mm: float, wide_mm: float, slope: float
) -> tuple[Slopes, Slopes]:
    """Cut many short straight lines of any direction, as `grooves` does."""
    step = 0.6 * box.texel_mm
    size = np.array([box.shape[1], box.shape[0]]) * box.texel_mm
    length = np.clip(rng.lognormal(np.log(long_mm), 0.7, count), 0.15, 12.0)
    width = np.clip(rng.lognormal(np.log(wide_mm), 0.35, count), 0.02, 0.14)
    steep = slope * rng.lognormal(0, 0.6, count)
    angle = rng.uniform(0, np.pi, count)
    middle = rng.uniform(0, 1, (count, 2)) * size

    def pieces() -> Iterator[tuple[Array, ...]]:
        share = (step / box.texel_mm) ** 2
        order = np.argsort(length)
        for group in np.array_split(order, 200):
            along = np.arange(step / 2, length[group].max(), step) - length[group].max() / 2
            off = np.arange(-_LIPS * width[group].max(), _LIPS * width[group].max(), step)
            a, d = along[None, :, None], off[None, None, :]
            half = length[group, None, None] / 2
            wide = width[group, None, None]
            value = profile(d / wide, 1.0) * steep[group, None, None] * share
            value = value * np.clip(1.5 * (1 - np.abs(a) / half), 0, 1) * (np.abs(d) < _LIPS * wide)
            inside = (np.abs(a) < half) * (np.abs(d) < wide / 2) * share
            cos, sin = np.cos(angle[group])[:, None, None], np.sin(angle[group])[:, None, None]
            u = (middle[group, 0, None, None] + a * cos - d * sin) / box.texel_mm
            v = (middle[group, 1, None, None] + a * sin + d * cos) / box.texel_mm
            yield u, v, -value * sin, value * cos, inside

    return _gathered(box, pieces())


def _gathered(box: Box, pieces: Iterable[tuple[Array, ...]]) -> tuple[Slopes, Slopes]:
    rows, columns = box.shape
    total = np.zeros((3, rows * columns), np.float32)
    for u, v, along, across, inside in pieces:
        column, row = np.floor(u).astype(np.int64), np.floor(v).astype(np.int64)
        within = (column >= 0) & (column < columns) & (row >= 0) & (row < rows)
        if not within.any():
            continue
        index = (row * columns + column)[within]
        first = int(index.min())
        for k, value in enumerate((along, across, inside)):
            found = np.bincount(index - first, np.broadcast_to(value, u.shape)[within])
            total[k, first : first + len(found)] += found.astype(np.float32)
    slopes = np.moveaxis(total[:2].reshape(2, rows, columns), 0, -1)
    return slopes, np.minimum(total[2], 1).reshape(rows, columns)


def clipped(path_mm: Any, inside: Any, *, step_mm: float = 0.05) -> Array:
    """Return the longest stretch of a path that lies inside, shape (N, 2).

    Parameters
    ----------
    path_mm : array_like, shape (N, 2)
    inside : callable
        Takes points, shape (N, 2), and returns whether each is inside.
    step_mm : float
        How finely it is looked at; the ends are that exact.
    """
    points, _ = run(path_mm, step_mm)
    flags = np.concatenate([[False], np.asarray(inside(points), bool), [False]])
    begins, ends = (np.nonzero(np.diff(flags.astype(int)) == sign)[0] for sign in (1, -1))
    if not len(begins):
        return np.zeros((0, 2))
    longest = int(np.argmax(ends - begins))
    return points[begins[longest] : ends[longest]]


def changes(before: Iterable[str], after: Iterable[str]) -> dict[str, list[str]]:
    """Return which scratches are new, gone and unchanged, by id."""
    old, now = list(before), list(after)
    return {
        "new": [one for one in now if one not in old],
        "gone": [one for one in old if one not in now],
        "unchanged": [one for one in now if one in old],
    }


def thinned(points: Array, step: int) -> Array:
    """Return every ``step``-th point and the last."""
    keep = sorted({*itertools.islice(range(len(points)), 0, None, step), len(points) - 1})
    return points[keep]
