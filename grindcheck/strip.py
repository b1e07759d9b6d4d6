"""The blade unrolled along its edge: columns along the blade, rows by height above the edge."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grindcheck.geometry import Array, frozen, straight_through
from grindcheck.lay import Lay
from grindcheck.outline import Outline

STEP_MM = 0.1
_RIM_MM = 0.5  # kept clear of the outline, where field and steel mix
_HEEL_MM = 1.2  # how far the edge leaves its own course at a heel or choil; tape and burr stand out by less
_TURNED_MM = 0.3  # a rim that has left its course
_SUDDEN_MM = 0.3  # half of the way within which a cover begins or ends
_COVER_MM = 60.0  # longest piece of tape on an edge
_NEAR_MM = (0.5, 2.5)  # of spine on either side of a heel that tell whether it steps there too
_SHOULDER_MM = 0.6  # that a tang's shoulder stands out at least


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
    begins_mm : float
        Where the blade begins: at the heel if the spine steps there too, as at the shoulders of a tang; else
        the strip's start.
    covered : ndarray of bool, shape (C,)
        Where something lies over the edge, as tape does.
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
    begins_mm: float
    covered: NDArray[np.bool_]
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
    raw, covered = uncovered(x, outline.rim_mm(x, edge=True))
    edge, heel, turned = _carried_on(x, raw)
    spine = outline.rim_mm(x, edge=False)
    spine = np.where(
        np.isfinite(spine), spine, np.interp(x, x[np.isfinite(spine)], spine[np.isfinite(spine)])
    )
    begins = turned if _steps(x, spine, turned) else float(x[0])
    width = spine - edge
    above = np.arange(0.0, float(np.percentile(width, 99)) + 1.0, STEP_MM)
    y = edge[None, :] + above[:, None]
    plane = outline.face.plane
    column = np.tile(((x - plane.x_min_mm) / plane.step_mm).astype(np.float32), (len(above), 1))
    row = ((plane.y_max_mm - y) / plane.step_mm).astype(np.float32)
    brightness, across = (
        np.asarray(cv2.remap(np.ascontiguousarray(part), column, row, cv2.INTER_LINEAR), dtype=np.float32)
        for part in (lay.brightness, lay.across)
    )
    inside = (above[:, None] > _RIM_MM) & (above[:, None] < width[None, :] - _RIM_MM)
    behind = y < np.where(np.isfinite(raw), raw, edge)[None, :] + _RIM_MM
    return Strip(
        x_mm=frozen(x), above_mm=frozen(above), edge_mm=frozen(edge), width_mm=frozen(width), heel_mm=heel,
        begins_mm=begins, covered=covered, brightness=brightness, across=across, inside=inside & ~behind,
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
    sums = np.zeros((number + 1, *values.shape[1:]))
    np.cumsum(values, axis=0, dtype=np.float64, out=sums[1:])
    at = np.arange(number)
    means, counts = [], []
    for near, far in ((gap, gap + length), (-gap - length, -gap)):
        begin, end = np.clip(at + near, 0, number), np.clip(at + far, 0, number)
        count = (end - begin).reshape(-1, *[1] * (values.ndim - 1))
        mean = np.take(sums, end, axis=0)
        mean -= np.take(sums, begin, axis=0)
        means.append(np.divide(mean, np.maximum(count, 1), out=mean))
        counts.append(end - begin)
    return np.asarray(means[0] - means[1]), np.minimum(*counts)


def uncovered(x: Array, edge: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Find what lies over the edge: it stands out at once, and ends as suddenly.

    Parameters
    ----------
    x, edge : ndarray, shape (N,)
        The lower rim, evenly spaced from the handle to the tip; NaN where there is none.

    Returns
    -------
    edge : ndarray, shape (N,)
        Led straight on below the cover.
    covered : ndarray of bool, shape (N,)

    Examples
    --------
    >>> x = np.arange(-80.0, 0.0, 0.1)
    >>> taped = np.where((x > -50) & (x < -30), -2.0, 0.0)
    >>> edge, covered = uncovered(x, taped)
    >>> float(np.abs(edge).max()), round(float(covered.mean()), 2)
    (0.0, 0.27)
    """
    step = float(x[1] - x[0])
    reach = max(round(_SUDDEN_MM / step), 1)
    rises = np.zeros(len(edge))
    rises[reach:-reach] = np.nan_to_num(edge[2 * reach :] - edge[: -2 * reach])
    edge, covered = edge.copy(), np.zeros(len(edge), dtype=bool)
    ends = np.flatnonzero(rises > _HEEL_MM)
    for begin in np.flatnonzero(rises < -_HEEL_MM):
        after = ends[(ends > begin) & (x[ends] < x[begin] + _COVER_MM)]
        if covered[begin] or after.size == 0:
            continue
        sides = np.array([begin - 2 * reach, after[0] + 4 * reach])
        if sides[0] < 0 or sides[1] >= len(edge) or not np.isfinite(edge[sides]).all():
            continue
        inner = slice(*sides)
        covered[inner] = True
        edge[inner] = np.interp(x[inner], x[sides], edge[sides])
    return edge, covered


def _steps(x: Array, spine: Array, heel_mm: float) -> bool:
    """Whether the spine steps down behind the heel, at the very same place."""
    away = x - heel_mm
    behind, before = ((sign * away > _NEAR_MM[0]) & (sign * away < _NEAR_MM[1]) for sign in (-1, 1))
    if not (behind.any() and before.any()):
        return False
    return float(np.median(spine[before]) - np.median(spine[behind])) > _SHOULDER_MM


def _carried_on(x: Array, edge: Array) -> tuple[Array, float, float]:
    """Carry the edge on straight from where it turns up into a heel or choil.

    Returned are also where it has turned up, and where it begins to.
    """
    finite = np.isfinite(edge)
    course = np.interp(x, x[finite], edge[finite])
    run = int(8.0 / STEP_MM)
    begin = int(len(x) * 0.7)
    line_x = np.arange(run, dtype=np.float64) * STEP_MM
    for index in range(begin, -1, -5):
        piece = course[index + 1 : index + 1 + run]
        line = straight_through(line_x[: len(piece)], piece)
        ahead = line.level - line.slope * STEP_MM
        if course[index] - ahead > _HEEL_MM or not finite[index]:
            first = index + 1 + int(1.0 / STEP_MM)
            piece = course[first : first + run]
            line = straight_through(line_x[: len(piece)], piece)
            straight = line.level + line.slope * (x[:first] - x[first])
            turned = np.flatnonzero(course[:first] - straight > _TURNED_MM)
            course[:first] = straight
            return np.asarray(course), float(x[index]), float(x[turned[-1] if turned.size else index])
    return np.asarray(course), float(x[0]), float(x[0])
