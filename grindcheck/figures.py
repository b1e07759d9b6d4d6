"""What is read off the two faces in the blade's common frame.

Frame ``blade``: mm, origin at the tip, x along the straight part of the spine from heel to tip, y from edge
to spine, the same for both faces. Positions are told as the distance from the tip along the blade, −x.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from grindcheck.geometry import Array, Rigid, Straight, straight_through, turn
from grindcheck.placing import Shape
from grindcheck.registration import Match, resolve
from grindcheck.silhouette import Side

STATION_MM = 10.0
_LEAST_HEIGHT_MM = 0.5  # below, shoulder and edge are one line
_LOCAL_MM = 3.0  # half window of a local fit
_CORNER_MM = 2.5  # beside the plunge the shoulder is rounded by the belt's edge and says nothing
_RUN_POINTS = 5  # at least, of such a run
_RUN_MM = 15.0  # of edge and shoulder used to carry them to the plunge line

Key = tuple[str, float | None]  # quantity and station (mm from the tip)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """What is fixed once, so that a changed input is read off the same way.

    Parameters
    ----------
    match : Match
        Of the right outline on the left one.
    right_to_left : Rigid
    spine : ndarray of bool
        Points of the left outline on the straight part of its spine.
    spine_right : ndarray of bool
        The same on the right outline.
    stations_mm : ndarray
        Distances from the tip at which the bevel height is read.
    labels : dict of float to str
        Stations with a name: "plunge", "middle", "belly".
    has_plunge : (bool, bool)
        Left and right.
    has_shoulder : (bool, bool)
    meets : (bool, bool)
        The shoulder is seen so near to the plunge that it tells where the two meet.
    full_flat : bool
    bends : int
        Degree of the plunge lines: 1 straight, 2 bent.
    unseen_top_mm : (float, float)
        How much higher a shoulder that isn't seen is taken to be than where the plunges end.
    """

    match: Match
    right_to_left: Rigid
    spine: NDArray[np.bool_]
    spine_right: NDArray[np.bool_]
    stations_mm: Array
    has_plunge: tuple[bool, bool]
    has_shoulder: tuple[bool, bool]
    meets: tuple[bool, bool]
    full_flat: bool
    bends: int = 1
    unseen_top_mm: tuple[float, float] = (0.0, 0.0)
    labels: dict[float, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Both faces placed, with the points that weren't part of an outline.

    Parameters
    ----------
    left, right : Shape
    is_edge_left, is_edge_right : ndarray of bool
    tip_left, tip_right : ndarray, shape (2,)
        Face frames.
    """

    left: Shape
    right: Shape
    is_edge_left: NDArray[np.bool_]
    is_edge_right: NDArray[np.bool_]
    tip_left: Array
    tip_right: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Common:
    """The two faces in the blade frame.

    Parameters
    ----------
    outline_mm : ndarray, shape (N, 2)
        Both outlines together.
    is_edge : ndarray of bool
    plunge_mm, shoulder_mm : dict of side to ndarray, shape (K, 2)
    blade_from_left, blade_from_right : Rigid
    """

    outline_mm: Array
    is_edge: NDArray[np.bool_]
    plunge_mm: dict[Side, Array]
    shoulder_mm: dict[Side, Array]
    blade_from_left: Rigid
    blade_from_right: Rigid


def common_frame(pair: Pair, layout: Layout) -> Common:
    """Bring both faces into the blade frame."""
    to_left = resolve(pair.right.outline_mm, pair.left.outline_mm, layout.match, layout.right_to_left)
    right_outline = to_left(pair.right.outline_mm)
    spine = [pair.left.outline_mm[layout.spine], right_outline[layout.spine_right]]
    angle = float(np.mean([_direction(part) for part in spine]))
    tip = (pair.tip_left + to_left(pair.tip_right[None])[0]) / 2
    back = turn(-angle)
    from_left = Rigid(angle_rad=-angle, shift=-(back @ tip))
    from_right = Rigid(angle_rad=to_left.angle_rad - angle, shift=back @ (to_left.shift - tip))
    return Common(
        outline_mm=np.vstack([from_left(pair.left.outline_mm), from_left(right_outline)]),
        is_edge=np.concatenate([pair.is_edge_left, pair.is_edge_right]),
        plunge_mm={"left": from_left(pair.left.plunge_mm), "right": from_right(pair.right.plunge_mm)},
        shoulder_mm={"left": from_left(pair.left.shoulder_mm), "right": from_right(pair.right.shoulder_mm)},
        blade_from_left=from_left,
        blade_from_right=from_right,
    )


def read_face(
    common: Common, layout: Layout, side: Side, *, rise_mm: float, edge_mm: Array, edge_y_mm: Array
) -> dict[Key, float]:
    """Read the figures of one face.

    Parameters
    ----------
    common : Common
    layout : Layout
    side : {"left", "right"}
    rise_mm : float
        Half of stock thickness minus edge thickness: the bevel's rise from the edge to the shoulder.
    edge_mm : ndarray, shape (N, 2)
        The common edge.
    edge_y_mm : ndarray, shape (K,)
        Its height at the layout's stations; see `local_y`.

    Returns
    -------
    dict
        Key (quantity, station) to value in mm and radians; what the face doesn't have isn't there.
    """
    out: dict[Key, float] = {}
    index = 0 if side == "left" else 1
    if layout.full_flat:
        top = common.outline_mm[~common.is_edge]
    elif layout.has_shoulder[index]:
        top = common.shoulder_mm[side]
    else:
        top = np.empty((0, 2))
    start = -np.inf
    if layout.has_plunge[index]:
        ends = top
        if not (layout.full_flat or layout.meets[index]):
            ends = _plunge_ends(common, layout) + np.array([0.0, layout.unseen_top_mm[index]])
        plunge = plunge_figures(common.plunge_mm[side], edge_mm, ends, bends=layout.bends)
        out.update({(f"plunge.{name}", None): value for name, value in plunge.items()})
        start = float(np.mean(common.plunge_mm[side][:, 0]))
    x = -np.asarray(layout.stations_mm, dtype=np.float64)
    heights = local_y(top, x) - edge_y_mm
    told = (x >= start) & (heights >= _LEAST_HEIGHT_MM)
    slopes, angles = np.hypot(heights[told], rise_mm), np.arctan2(rise_mm, heights[told])
    for station, slope, angle in zip(
        layout.stations_mm[told].tolist(), slopes.tolist(), angles.tolist(), strict=True
    ):
        out["bevel_height", station], out["bevel_angle", station] = slope, angle
    return out


def _plunge_ends(common: Common, layout: Layout) -> Array:
    """Stand-in for a shoulder that isn't seen: the other face's, or the height at which the plunges end."""
    for shoulder, meets in zip(common.shoulder_mm.values(), layout.meets, strict=True):
        if meets:
            return shoulder
    ends = [float(line[:, 1].max()) for line in common.plunge_mm.values() if len(line)]
    start = min(float(line[:, 0].min()) for line in common.plunge_mm.values() if len(line))
    x = np.linspace(start, start + 3 * _RUN_MM, 60)
    return np.column_stack([x, np.full(x.size, float(np.mean(ends)))])


def plunge_figures(plunge: Array, edge: Array, top: Array, *, bends: int = 1) -> dict[str, float]:
    """Where a plunge line meets the edge, the half height and the shoulder (or spine), and its angle.

    Parameters
    ----------
    plunge : ndarray, shape (K, 2)
        Points of the plunge line, blade frame.
    edge, top : ndarray, shape (N, 2)
        Edge, and shoulder or spine; ``top`` may be empty, then the line's own end stands for it.
    bends : int
        Degree of the line.

    Returns
    -------
    dict
        ``shoulder``, ``mid``, ``edge`` in mm from the tip, ``angle`` in radians: 0 square to the blade,
        positive when the shoulder end lies nearer to the tip.

    Examples
    --------
    >>> x = np.linspace(-100, 0, 401)
    >>> rim = np.column_stack([x, np.zeros_like(x)])
    >>> line = np.column_stack([np.full(20, -80.0), np.linspace(1, 9, 20)])
    >>> found = plunge_figures(line, rim, rim + [0, 10.0])
    >>> [round(found[name], 6) + 0.0 for name in ("shoulder", "mid", "edge", "angle")]
    [80.0, 80.0, 80.0, 0.0]
    """
    middle = float(plunge[:, 1].mean())
    curve: Callable[[float], float] = (
        straight_through(plunge[:, 1], plunge[:, 0])
        if bends == 1
        else np.polynomial.Polynomial.fit(plunge[:, 1], plunge[:, 0], bends, domain=[middle - 1, middle + 1])
    )
    at = float(curve(middle))
    low = _meeting(curve, _run(edge, at, 1.0), float(plunge[:, 1].min()))
    high = (
        _meeting(curve, _run(top, at, _CORNER_MM), float(plunge[:, 1].max()))
        if len(top)
        else float(plunge[:, 1].max())
    )
    half = (low + high) / 2
    return {
        "shoulder": -float(curve(high)),
        "mid": -float(curve(half)),
        "edge": -float(curve(low)),
        "angle": float(np.arctan2(curve(high) - curve(low), high - low)),
    }


def _direction(points: Array) -> float:
    if len(points) < 2:
        return 0.0
    return float(np.arctan(straight_through(*points.T).slope))


def meets_plunge(shoulder: Array, plunge: Array) -> bool:
    """Whether a shoulder is seen close enough to a plunge to be carried back to it."""
    return len(plunge) > 0 and len(_in_front(shoulder, float(plunge[:, 0].mean()), _CORNER_MM)) >= _RUN_POINTS


def _in_front(rim: Array, at: float, gap: float) -> Array:
    x = rim[:, 0]
    return rim[(x > at + gap) & (x < at + gap + _RUN_MM)]


def _run(rim: Array, at: float, gap: float) -> Straight:
    """Return the rim in front of the plunge as a gentle curve that can be carried back to it."""
    part = _in_front(rim, at, gap)
    if len(part) < _RUN_POINTS:
        part = rim[np.argsort(np.abs(rim[:, 0] - at))[:10]]
    return straight_through(part[:, 0], part[:, 1])


def _meeting(curve: Callable[[float], float], rim: Straight, y: float) -> float:
    for _ in range(8):
        before, y = y, float(rim(curve(y)))
        if abs(y - before) < 1e-12:
            break
    return y


def local_y(curve: Array, x: Array) -> Array:
    """Height of a curve from local parabolas over ± 3 mm.

    Parameters
    ----------
    curve : ndarray, shape (N, 2)
        Points in any order.
    x : ndarray, shape (K,)

    Returns
    -------
    ndarray, shape (K,)
        NaN where the curve doesn't reach.
    """
    out = np.full(len(x), np.nan)
    if not len(curve):
        return out
    curve = curve[np.argsort(curve[:, 0])]
    first = np.searchsorted(curve[:, 0], x - _LOCAL_MM, side="right")
    end = np.searchsorted(curve[:, 0], x + _LOCAL_MM, side="left")
    away = np.zeros((2, len(x)))
    held = end - first >= 6
    away[0, held], away[1, held] = curve[first[held], 0] - x[held], curve[end[held] - 1, 0] - x[held]
    held &= (away[0] <= -0.5 * _LOCAL_MM) & (away[1] >= 0.5 * _LOCAL_MM)
    if not held.any():
        return out
    first, count = first[held, None], (end - first)[held, None]
    step = np.arange(count.max())[None, :]
    place = np.minimum(first + step, len(curve) - 1)
    near = step < count
    away = np.where(near, curve[place, 0] - x[held, None], 0.0)
    height = np.where(near, curve[place, 1], 0.0)
    out[held] = _level_of_parabola(count[:, 0], away, height)
    return out


def _level_of_parabola(count: NDArray[np.intp], x: Array, y: Array) -> Array:
    """Height at x = 0 of the least squares parabolas through rows of points (K, M), 0 beyond their count."""
    square = x * x
    a, b = x.sum(axis=1), square.sum(axis=1)
    c, d = np.einsum("km,km->k", square, x), np.einsum("km,km->k", square, square)
    p, q, r = y.sum(axis=1), np.einsum("km,km->k", x, y), np.einsum("km,km->k", square, y)
    # Cramer's rule on [[count, a, b], [a, b, c], [b, c, d]]
    first, second, third = b * d - c * c, b * c - a * d, a * c - b * b
    return np.asarray((p * first + q * second + r * third) / (count * first + a * second + b * third))
