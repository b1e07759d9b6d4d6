"""Where the shoulder runs: the line where the bevel meets the flat, from the plunge to the tip.

Roughly as the least-cost path through the strip (dynamic programming over a step in brightness and a change
of lay), then to a fraction of a pixel along its normals.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grindcheck.border import AROUND_MM, COLUMN_MM, BorderOdds, border_odds
from grindcheck.chain import follow, interpolated
from grindcheck.geometry import Array, frozen
from grindcheck.outline import Outline, sample
from grindcheck.plunge import Line, no_line
from grindcheck.strip import STEP_MM, Strip, means_apart

_LOWEST_MM = 2.0  # a bevel lower than this is an edge
_RIM_MM = 1.0  # a shoulder nearer to the spine is none
# smoothing of the course before a pass, and how far the line may lie off it
_PASSES = ((3.0, 0.8), (1.5, 0.5))
_TRIES = 4  # of a pass whose line lies where its search ends
_END_MM = 0.1  # from there on
_WALK_MM = 0.03  # random walk of the border from column to column: 0.15 mm within 10 mm
_LOOK_MM = 0.1  # std of the place that the look tells, beside its own
_CARRIED = 3.0  # blocks that count as one where a chain was followed: its std by its walk, squared
_SMOOTH_MM = 2.0  # one sigma along the line over which evidence and odds are averaged
_LOST_MM = 0.12  # std beyond which a place says too little to be told
_WAVY_MM = 0.1  # scatter of a shoulder about its own course that a hand leaves; common practice, no source
_LEAST_EVIDENCE = 0.05  # log likelihood per column of a border over none
_SURE = 30.0  # the same, over the whole line
_APART_MM = 2.0  # of the shoulder's start and the plunge's end, beyond which one of them is wrong
_CORNER_MM = 1.5  # how well the plunge's end tells the shoulder's height
_STEEPEST = 4  # rows a path may climb from column to column: about 45°


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """A rough shoulder.

    Parameters
    ----------
    x_mm, above_mm : ndarray, shape (K,)
        Strip coordinates.
    """

    x_mm: Array
    above_mm: Array


def shoulder_path(strip: Strip, *, from_mm: float, top_mm: float | None = None) -> Path | None:
    """Find the best path along the blade.

    Parameters
    ----------
    strip : Strip
    from_mm : float
        Where the bevel begins: the plunge's x, or the heel.
    top_mm : float, optional
        Height above the edge at which the plunge line ends, where the shoulder begins.

    Returns
    -------
    Path or None
        None where the strip is too short or too narrow to hold one.
    """
    worth, x = _worth(strip, from_mm)
    rows = len(strip.above_mm)
    if worth.shape[1] < 20:
        return None
    if top_mm is not None:
        off = np.minimum(((strip.above_mm - top_mm) / _CORNER_MM) ** 2, 9.0)
        worth[:, : round(5.0 / COLUMN_MM)] -= 0.2 * off[:, None]
    # column by column, so that each is one row in memory
    gain = np.ascontiguousarray(worth.T)
    came = np.zeros(gain.shape, dtype=np.intp)
    penalty = 0.02 * np.arange(-_STEEPEST, _STEEPEST + 1) ** 2
    index = np.arange(rows)
    before = np.full(rows + 2 * _STEEPEST, -1e9)
    best = before[_STEEPEST : rows + _STEEPEST]
    best[:] = gain[0]
    # row r's neighbours in the column before are r + _STEEPEST … r − _STEEPEST, from the upper one down
    neighbours = np.lib.stride_tricks.sliding_window_view(before, 2 * _STEEPEST + 1)[:, ::-1]
    for column in range(1, len(gain)):
        options = neighbours - penalty
        chosen = options.argmax(axis=1)
        np.subtract(index + _STEEPEST, chosen, out=came[column])
        np.add(options[index, chosen], gain[column], out=best)
    path = np.empty(len(gain), dtype=np.intp)
    path[-1] = int(best.argmax())
    for column in range(len(gain) - 1, 0, -1):
        path[column - 1] = min(max(came[column, path[column]], 0), rows - 1)
    return Path(x_mm=frozen(x), above_mm=frozen(strip.above_mm[path]))


def _worth(strip: Strip, from_mm: float) -> tuple[Array, Array]:
    """How much of a shoulder each place is, columns thinned to 0.4 mm."""
    import cv2

    first = int(np.searchsorted(strip.x_mm, from_mm + 2.0))
    bright = strip.brightness[:, first:]
    across = strip.across[:, first:]
    inside = strip.inside[:, first:].astype(np.float32)
    along = 1.2 / STEP_MM
    weight = cv2.GaussianBlur(inside, (0, 0), sigmaX=along, sigmaY=0.4) + 1e-6
    smooth = cv2.GaussianBlur(bright * inside, (0, 0), sigmaX=along, sigmaY=0.4) / weight
    lay = cv2.GaussianBlur(across * inside, (0, 0), sigmaX=along, sigmaY=0.4) / weight
    step = np.abs(means_apart(smooth, 1, 4)[0])
    seen = inside > 0
    noise = 1.48 * float(np.median(step[seen])) + 0.01 if seen.any() else 1.0
    # the rest is asked of the columns that are kept only
    thin = slice(None, None, round(COLUMN_MM / STEP_MM))
    step = step[:, thin]
    level = np.abs(means_apart(smooth[:, thin], 4, 15)[0])
    change = -means_apart(lay[:, thin], 2, 15)[0]
    worth = (
        np.minimum(step / noise, 8.0) / 8.0 + np.clip(change, -0.5, 1.0) + 0.4 * np.minimum(level / 0.4, 1.0)
    )
    height = strip.above_mm[:, None]
    legal = (height > _LOWEST_MM) & (height < strip.width_mm[first:][thin][None, :] - _RIM_MM)
    return np.where(legal, worth, 0.0), strip.x_mm[first:][thin]


def trace_shoulder(outline: Outline, strip: Strip, path: Path, *, top_mm: float | None = None) -> Line:
    """Trace the shoulder along its normals from a rough path.

    Parameters
    ----------
    outline : Outline
    strip : Strip
    path : Path
    top_mm : float, optional
        Height above the edge at which the plunge line ends.

    Returns
    -------
    Line
        Ordered from plunge to tip; its confidence tells whether it is a line.

    Notes
    -----
    The picture is straightened along the path, and `grindcheck.border` says how likely flat and bevel meet at
    each place across it. A hidden Markov chain along the blade, whose state is the border's place and whose
    step is a small random walk, gives the place's posterior mean and std (forward-backward, Rabiner 1989).
    The second pass starts from the first one's line and looks less far, so that the bevel's pattern is taken
    from nearer by. A pass whose line lies where its search ends is done again from there, since the border
    may lie beyond; what lies there at last is no figure.
    """
    from scipy.ndimage import gaussian_filter1d, median_filter

    base = np.interp(path.x_mm, strip.x_mm, strip.edge_mm)
    width = np.interp(path.x_mm, strip.x_mm, strip.width_mm)
    left = width - path.above_mm
    usual = float(np.median(left[: max(len(left) * 3 // 5, 1)]))
    if usual < _RIM_MM + 0.3:  # it hugs the spine's own shading
        return no_line(np.column_stack([path.x_mm, base + path.above_mm]))
    run = left > min(2.5, 0.5 * usual)
    end = len(run) if run.all() else int(np.argmin(run))
    course = np.column_stack([path.x_mm, base + median_filter(path.above_mm, 9, mode="nearest")])[:end]
    if len(course) < 15:
        return no_line(course)
    for smoothing, reach in _PASSES:
        for _ in range(_TRIES):
            course[:, 1] = gaussian_filter1d(course[:, 1], smoothing / COLUMN_MM, mode="nearest")
            seen = _follow(outline, course, reach)
            course = seen.points_mm.copy()
            if not seen.at_end.any():
                break
    std = seen.std_mm * at_odds(seen.odds, seen.states)
    evidence = gaussian_filter1d(seen.evidence, _SMOOTH_MM / COLUMN_MM, mode="nearest")
    good = (std < _LOST_MM) & (evidence > _LEAST_EVIDENCE) & ~seen.at_end
    if good.sum() < 12:
        return no_line(course)
    height = _above_edge(outline, course)
    good &= _steady(course[:, 0], height, good)
    if good.sum() < 12:
        return no_line(course)
    kept, std = course[good], std[good]
    scatter = float(np.sqrt(np.mean((kept[:, 1] - gaussian_filter1d(kept[:, 1], 5.0, mode="nearest")) ** 2)))
    begins = float(np.median(height[good][:20]))
    # a plunge fades out below the shoulder, but never runs on above it
    apart = top_mm is not None and not -_APART_MM < begins - top_mm < 2 * _APART_MM
    total = float(evidence[good].sum())
    return Line(
        points_mm=frozen(kept),
        shift_std_mm=float(np.sqrt(np.mean(std**2))),
        turn_std_rad=0.0,
        scatter_mm=scatter,
        confidence=0.0
        if apart
        else float(
            np.clip(good.mean() / 0.6, 0, 1)
            * np.clip(total / _SURE, 0, 1)
            * np.clip(np.median(seen.odds.clear[good]), 0, 1) ** 4
        ),
        evidence=total,
        std_mm=frozen(std),
    )


def _above_edge(outline: Outline, points: Array) -> Array:
    """Distance of points from the edge, square to it."""
    from scipy.spatial import cKDTree

    edge = outline.points_mm[outline.is_edge]
    return np.asarray(cKDTree(edge).query(points)[0], dtype=np.float64)


def _steady(x: Array, height: Array, good: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which places follow the bevel's own height: a shoulder runs beside the edge, or nearly."""
    middle, half = float(x.mean()), max(float(np.ptp(x)) / 2, 1.0)
    along = (x - middle) / half
    design = np.column_stack([np.ones_like(along), along, along**2])
    weight = good.astype(np.float64)
    trend = np.full(len(x), float(np.median(height[good])))
    for _ in range(20):  # least absolute deviations: a third of the places may lie on another line
        off = np.abs(height - trend)
        weighted = design.T * (weight / np.maximum(off, 0.02))
        coefficients = np.linalg.solve(weighted @ design, weighted @ height)
        trend = design @ coefficients
    off = np.abs(height - trend)
    usual = min(1.48 * float(np.median(off[good])), _WAVY_MM)
    return np.asarray(good & (off < max(4 * usual, 0.25)))


def at_odds(odds: BorderOdds, states: Array) -> Array:
    """Return how many times wider the border's std is, since level and pattern tell two places.

    Parameters
    ----------
    odds : BorderOdds
    states : ndarray, shape (states,)

    Returns
    -------
    ndarray, shape (blocks,)
        Birge's ratio (1932) of the two, each followed by itself, averaged along the line; at least 1.
    """
    from scipy.ndimage import gaussian_filter1d

    places, stds = follow(np.stack(odds.parts), states, walk=_WALK_MM)
    square = (places[0] - places[1]) ** 2 / (stds**2).sum(axis=0)
    return np.asarray(
        np.sqrt(np.maximum(gaussian_filter1d(square, _SMOOTH_MM / COLUMN_MM, mode="nearest"), 1.0))
    )


def guided(place: Array, std: Array, states: Array) -> Array:
    """Return the log likelihood of each state by the look.

    Parameters
    ----------
    place, std : ndarray, shape (blocks,)
        Where the look, followed by itself, tells the border.
    states : ndarray, shape (states,)

    Returns
    -------
    ndarray, shape (blocks, states)
        Normal about the place. Blurred as it is, the look may lie beside the border all along, which no
        number of blocks mends; and what its chain has carried from block to block counts once.
    """
    variance = (std**2 + _LOOK_MM**2) * _CARRIED
    return np.asarray(-0.5 * (states - place[:, None]) ** 2 / variance[:, None])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pass:
    """One pass of the Markov chain: what it saw, and which points lie where its search ends."""

    points_mm: Array
    std_mm: Array
    evidence: Array
    at_end: NDArray[np.bool_]
    odds: BorderOdds
    states: Array


def _follow(outline: Outline, course: Array, reach: float) -> _Pass:
    """One pass of the Markov chain about a smooth course."""
    step = outline.face.plane.step_mm
    x = np.arange(course[0, 0], course[-1, 0], step)
    smooth = np.column_stack([x, np.interp(x, course[:, 0], course[:, 1])])
    slope = np.gradient(smooth[:, 1], x)
    normals = np.column_stack([-slope, np.ones_like(slope)]) / np.hypot(slope, 1.0)[:, None]
    offsets = np.arange(-AROUND_MM, AROUND_MM + step / 2, step)
    (along, across), (normal_x, normal_y) = smooth.T[:, :, None], normals.T[:, :, None]
    colours = sample(outline.face, along + offsets * normal_x, across + offsets * normal_y)
    states = np.arange(-reach, reach + 1e-9, step / 2)
    odds = border_odds(colours.mean(axis=2), offsets, states, blur=outline.blur_mm, step=step)
    # the look chooses a place and makes it no surer
    places, stds = follow(np.stack([odds.look, odds.likelihood]), states, walk=_WALK_MM)
    guide = guided(places[0], stds[0], states)
    place, std = follow(odds.likelihood + guide, states, walk=_WALK_MM)[0], stds[1]
    gain = interpolated(place[:, None], states, odds.gain)[:, 0]
    block = max(round(COLUMN_MM / step), 1)
    centre = slice(block // 2, len(place) * block, block)
    return _Pass(
        points_mm=smooth[centre] + place[:, None] * normals[centre], std_mm=std, evidence=gain,
        at_end=np.abs(place) > reach - _END_MM, odds=odds, states=states,
    )  # fmt: skip
