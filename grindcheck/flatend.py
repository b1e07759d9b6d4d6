"""Where a flat ends: how badly the flat behind a line explains what lies before it, row by row."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grindcheck.chain import interpolated
from grindcheck.geometry import Array
from grindcheck.outline import Outline, sample_map

_FLAT_MM = (4.0, 0.3)  # the flat is modelled from this far to this near behind where the crease may be
_BAND_MM = 2.5  # of what follows the crease that votes: the belt's edge, and bevel behind a small one
_ALONG_LINES_MM = 0.8  # over which lines across the blade are averaged
ROWS_AS_ONE = 5  # rows averaged: 1 mm along the crease
_WIDER = 5.0  # what isn't flat differs by so many times the flat's noise
_ROW_WEIGHT = 0.5 / 5  # rows averaged count as one, and so do neighbouring samples
_LEAN_OFF = 0.4  # how far a start's lean may be off at most
_CLOSE_MM = 0.3  # behind a line, where the flat is taken to be known already
_ROW_SAY = 4.0  # log likelihood that one row can cost a line at most


@dataclass(frozen=True, slots=True)
class FaceMaps:
    """What the traces of one face look up: brightness, the same averaged along y, and what is steel."""

    brightness: NDArray[np.float32]
    upright: NDArray[np.float32]
    steel: NDArray[np.uint8]


def face_maps(outline: Outline) -> FaceMaps:
    """Make the maps of one face."""
    import cv2

    plane = outline.face.plane
    steel = np.zeros(plane.shape, dtype=np.uint8)
    cv2.fillPoly(steel, [np.rint(plane.index_from_grid(outline.points_mm)).astype(np.int32)], 1)
    size = 2 * max(round(0.35 / plane.step_mm), 1) + 1
    brightness = np.ascontiguousarray(outline.lay.brightness)
    return FaceMaps(
        brightness,
        np.asarray(
            cv2.blur(brightness, (1, max(round(_ALONG_LINES_MM / plane.step_mm), 1))), dtype=np.float32
        ),
        np.asarray(cv2.erode(steel, np.ones((size, size), np.uint8)), dtype=np.uint8),
    )


def on_steel(maps: FaceMaps, columns: Array, rows: Array) -> NDArray[np.bool_]:
    """Whether columns and rows that make up (N, M) lie on the blade, clear of its rim."""
    row, column = (
        np.clip(np.rint(each).astype(int), 0, side - 1)
        for each, side in zip((rows, columns), maps.steel.shape, strict=True)
    )
    return np.asarray(maps.steel[row, column] > 0)


def flat_ends(outline: Outline, maps: FaceMaps, y: Array, centre: Array, reach: float) -> tuple[Array, Array]:
    """Log likelihood, per row, that the flat ends at each place relative to the centre; and the places."""
    from scipy.ndimage import maximum_filter1d

    step = outline.face.plane.step_mm
    sums, borders = _vote_sums(outline, maps, y, centre, reach)
    # what isn't flat begins at the crease and ends where it ends best, within the widest band of a belt
    span = max(round(_BAND_MM / step), 2)
    farthest = maximum_filter1d(sums, 2 * span + 1, axis=1, origin=0, mode="nearest")
    farthest = np.concatenate([farthest[:, span:], np.repeat(farthest[:, -1:], span, axis=1)], axis=1)
    states = np.arange(-reach, reach + 1e-9, step / 2)
    return interpolated(states, borders, farthest[:, : len(borders)] - sums), states


def flat_between(outline: Outline, maps: FaceMaps, y: Array, first: Array, second: Array) -> float:
    """Whether the flat behind one line goes on up to another nearer to the tip: negative where it does.

    Parameters
    ----------
    outline : Outline
    maps : FaceMaps
    y : ndarray, shape (N,)
        Rows.
    first, second : ndarray, shape (N,)
        The lines' x in these rows, the first nearer to the handle.

    Returns
    -------
    float
        Sum over the rows of the votes for "not flat" between the lines, each row's say bounded.
    """
    sums, borders = _vote_sums(outline, maps, y, first, _CLOSE_MM)
    places = np.column_stack([second - first, np.zeros(len(y))])
    there, here = interpolated(places, borders, sums).T
    return float(np.clip(_ROW_WEIGHT * (there - here), -_ROW_SAY, _ROW_SAY).sum())


def _vote_sums(
    outline: Outline, maps: FaceMaps, y: Array, centre: Array, reach: float
) -> tuple[Array, Array]:
    """Votes for "not flat", summed along each row, and the places between samples that the sums belong to."""
    from scipy.ndimage import gaussian_filter1d, uniform_filter1d

    step = outline.face.plane.step_mm
    offsets = np.arange(-_FLAT_MM[0] - reach, reach + _BAND_MM + step, step)
    columns, rows = outline.face.plane.pixels(centre[:, None] + offsets, y[:, None])
    steel = on_steel(maps, columns, rows)
    share = uniform_filter1d(steel.astype(np.float64), ROWS_AS_ONE, axis=0, mode="nearest")
    single = sample_map(maps.brightness, columns, rows)
    smooth = uniform_filter1d(np.where(steel, single, 0.0), ROWS_AS_ONE, axis=0, mode="nearest")
    profiles = smooth / np.maximum(share, 1e-3)
    zone = (share > 0.5) & (offsets < -reach - _FLAT_MM[1])[None, :]
    beyond = (share > 0.5) & (offsets > reach)[None, :]
    flat, noise = _flat_model(profiles, offsets, y, zone)
    votes = _votes(((profiles - flat) / noise) ** 2, zone, beyond)
    # lines across the blade: their slope, seen along them, as a mean square so that no row's phase matters
    upright = sample_map(maps.upright, columns, rows)
    slope = gaussian_filter1d(upright, 1.0, axis=1, order=1, mode="nearest") ** 2
    energy = uniform_filter1d(uniform_filter1d(slope, ROWS_AS_ONE, axis=0, mode="nearest"), 5, axis=1)
    # a sharp step is felt by the slope samples before it: its vote lags by as much
    energy = np.roll(energy / max(float(np.median(energy[zone])) if zone.any() else 1.0, 1e-8), 4, axis=1)
    votes += _votes(energy, zone, beyond)
    sums = np.concatenate(
        [np.zeros((len(y), 1)), np.cumsum(np.where(share > 0.5, votes, 0.0), axis=1)], axis=1
    )
    return sums, np.concatenate([offsets - step / 2, [offsets[-1] + step / 2]])


def _flat_model(profiles: Array, offsets: Array, y: Array, zone: NDArray[np.bool_]) -> tuple[Array, float]:
    """Brightness of the flat carried on past its end, and its noise."""
    grid_x, grid_y = np.broadcast_arrays(offsets[None, :], y[:, None] - y.mean())
    design = np.column_stack([np.ones(zone.sum()), grid_x[zone], grid_y[zone]])
    if zone.sum() < 50:
        return np.full_like(profiles, float(np.median(profiles))), 0.3
    values = profiles[zone]
    weight = np.ones(len(values))
    for _ in range(4):
        weighted = design.T * weight**2
        plane = np.linalg.solve(weighted @ design, weighted @ values)
        residual = np.abs(values - design @ plane)
        weight = 1.0 / np.sqrt(1.0 + (residual / (2 * np.median(residual) + 1e-3)) ** 2)
    flat = plane[0] + plane[1] * grid_x + plane[2] * grid_y
    off = np.where(zone, profiles - flat, np.nan)
    middle = float(np.median(grid_x[zone]))
    halves = offsets > middle, offsets <= middle
    near, far = (_level(off[:, half]) for half in halves)
    # streaks begin and end: what a row's level changes from one half to the other it may change again
    drift = float(1.48 * np.median(np.abs(near - far)))
    flat = flat + near[:, None]
    return flat, float(np.hypot(1.48 * np.median(np.abs((profiles - flat)[zone])), drift) + 0.015)


def _level(off: Array) -> Array:
    """Median of what is seen of each row, 0 where that is too little; NaN isn't seen."""
    ordered = np.sort(off, axis=1)  # NaN last
    count = np.count_nonzero(np.isfinite(off), axis=1)
    row, last = np.arange(len(off)), max(off.shape[1] - 1, 0)
    if count.max(initial=0) <= 6:
        return np.zeros(len(off))
    middle = ordered[row, np.maximum(count - 1, 0) // 2], ordered[row, np.minimum(count // 2, last)]
    return np.where(count > 6, (middle[0] + middle[1]) / 2, 0.0)


def _votes(energy: Array, zone: NDArray[np.bool_], beyond: NDArray[np.bool_]) -> Array:
    """Log likelihood ratio of what lies beyond the flat, from squares whose mean is 1 on the flat.

    The wider variance is what the picture shows beyond, in its more telling fifth.
    """
    if not zone.any() or not beyond.any():
        return np.zeros_like(energy)
    usual = max(float(np.mean(np.minimum(energy[zone], 9.0))), 1.0)
    energy = energy / usual
    wider = float(np.clip(np.quantile(energy[beyond], 0.8), 1.0, _WIDER**2))
    return np.asarray(0.5 * (np.minimum(energy, 16.0) * (1 - 1 / wider) - np.log(wider)))


def best_line(gain: Array, states: Array, y: Array) -> tuple[float, float]:
    """Straight line with the highest likelihood over all rows, each row's say bounded: (shift, dx/dy)."""
    lost = np.minimum(_ROW_WEIGHT * (gain.max(axis=1, keepdims=True) - gain), _ROW_SAY)
    lever = y - y.mean()
    step = float(states[1] - states[0])
    leans = np.linspace(-1, 1, 61) * min(states[-1] / max(np.abs(lever).max(), 1.0), _LEAN_OFF)
    shifts = np.rint(np.outer(leans, lever) / step).astype(int)
    pad = int(np.abs(shifts).max())
    shifted = np.lib.stride_tricks.sliding_window_view(
        np.pad(lost, ((0, 0), (pad, pad)), mode="edge"), len(states), axis=1
    )
    rows = np.arange(len(y))
    total = np.stack([shifted[rows, pad + along].sum(axis=0) for along in shifts])
    lean, state = np.unravel_index(int(np.argmin(total)), total.shape)
    return float(states[state]), float(leans[lean])
