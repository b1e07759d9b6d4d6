"""The blade unrolled along its edge: columns along the blade, rows by height above the edge."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grindcheck.geometry import Array, frozen
from grindcheck.lay import Lay
from grindcheck.outline import Outline

STEP_MM = 0.1
_RIM_MM = 0.5  # kept clear of the outline, where field and steel mix
_HEEL_MM = 1.2  # how far the edge leaves its own course at a heel or choil; tape and burr stand out by less


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """Brightness and lay over distance along and height above the edge.

    Parameters
    ----------
    x_mm : ndarray, shape (C,)
        Face frame, ascending towards the tip.
    above_mm : ndarray, shape (R,)
        Height above the edge, ascending.
    edge_mm, width_mm : ndarray, shape (C,)
        Edge's y (carried on straight behind a heel or choil), and the height of the spine above it.
    heel_mm : float
        Where the edge ends in a heel or choil; the strip's start if it doesn't.
    brightness, across : ndarray, shape (R, C), float32
        As in `Lay`; row 0 lies at the edge.
    inside : ndarray of bool, shape (R, C)
        Steel, clear of the outline.
    """

    x_mm: Array
    above_mm: Array
    edge_mm: Array
    width_mm: Array
    heel_mm: float
    brightness: NDArray[np.float32]
    across: NDArray[np.float32]
    inside: NDArray[np.bool_]


def unroll(outline: Outline, lay: Lay) -> Strip:
    """Resample brightness and lay of a face along its edge.

    Parameters
    ----------
    outline : Outline
    lay : Lay
        Of the outline's face.

    Returns
    -------
    Strip
    """
    import cv2

    start = float(outline.points_mm[:, 0].min()) + 0.5
    x = np.arange(start, -2.0, STEP_MM)
    edge, heel = _carried_on(x, outline.rim_mm(x, edge=True))
    spine = outline.rim_mm(x, edge=False)
    spine = np.where(
        np.isfinite(spine), spine, np.interp(x, x[np.isfinite(spine)], spine[np.isfinite(spine)])
    )
    width = spine - edge
    above = np.arange(0.0, float(np.percentile(width, 99)) + 1.0, STEP_MM)
    points = np.stack(np.broadcast_arrays(x[None, :], edge[None, :] + above[:, None]), axis=-1)
    index = outline.face.plane.index_from_grid(points.reshape(-1, 2)).astype(np.float32)
    maps = index.reshape(*points.shape)
    brightness, across = (
        np.asarray(
            cv2.remap(np.ascontiguousarray(part), maps[..., 0], maps[..., 1], cv2.INTER_LINEAR),
            dtype=np.float32,
        )
        for part in (lay.brightness, lay.across)
    )
    inside = (above[:, None] > _RIM_MM) & (above[:, None] < width[None, :] - _RIM_MM)
    raw = outline.rim_mm(x, edge=True)
    behind = edge[None, :] + above[:, None] < np.where(np.isfinite(raw), raw, edge)[None, :] + _RIM_MM
    return Strip(
        x_mm=frozen(x), above_mm=frozen(above), edge_mm=frozen(edge), width_mm=frozen(width), heel_mm=heel,
        brightness=brightness, across=across, inside=inside & ~behind,
    )  # fmt: skip


def means_apart(values: Array, gap: int, length: int) -> tuple[Array, NDArray[np.intp]]:
    """Mean of ``length`` entries after each place minus that before, along the first axis.

    Parameters
    ----------
    values : ndarray, shape (N,) or (N, M)
    gap : int
        Entries left out on each side.
    length : int

    Returns
    -------
    difference : ndarray, shape of ``values``
        Near the ends the windows are shorter, down to nothing, which counts as a mean of 0.
    count : ndarray, shape (N,)
        Entries in the shorter of the two windows.
    """
    number = len(values)
    sums = np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0, dtype=np.float64)])
    at = np.arange(number)
    means, counts = [], []
    for near, far in ((gap, gap + length), (-gap - length, -gap)):
        begin, end = np.clip(at + near, 0, number), np.clip(at + far, 0, number)
        count = (end - begin).reshape(-1, *[1] * (values.ndim - 1))
        means.append((sums[end] - sums[begin]) / np.maximum(count, 1))
        counts.append(end - begin)
    return np.asarray(means[0] - means[1]), np.minimum(*counts)


def _carried_on(x: Array, edge: Array) -> tuple[Array, float]:
    """Carry the edge on straight from where it turns up into a heel or choil; tell where that is."""
    finite = np.isfinite(edge)
    course = np.interp(x, x[finite], edge[finite])
    run = int(8.0 / STEP_MM)
    begin = int(len(x) * 0.7)
    line_x = np.arange(run) * STEP_MM
    for index in range(begin, -1, -5):
        piece = course[index + 1 : index + 1 + run]
        slope, level = np.polyfit(line_x[: len(piece)], piece, 1)
        ahead = level - slope * STEP_MM
        if course[index] - ahead > _HEEL_MM or not finite[index]:
            first = index + 1 + int(1.0 / STEP_MM)
            piece = course[first : first + run]
            slope, level = np.polyfit(line_x[: len(piece)], piece, 1)
            course[:first] = level + slope * (x[:first] - x[first])
            return np.asarray(course), float(x[index])
    return np.asarray(course), float(x[0])
