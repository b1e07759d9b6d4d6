"""How likely the border of two lays lies at each place of a straightened picture, column by column.

Three things tell bevel from flat. Each has its own level of brightness; and the lines that a belt leaves
across the bevel run on, each in its column, until they end at the border. Where such lines are, they are by
far the surer: their pattern is known from the bevel itself, so that each row can be asked how much of it is
there. And each has its own look, level and liveliness together: a bright streak of the flat that has the
bevel's level is still as lively as the flat.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grindcheck.geometry import Array
from grindcheck.registration import integral_length

AROUND_MM = 2.4  # of flat and bevel on either side that vote
COLUMN_MM = 0.4
_POOL_MM = 5.0  # one sigma along the line over which each side's own look is averaged
_LEVEL_MM = 1.7  # one sigma along the line over which the level is averaged
_CALM_MM = 0.5  # one sigma along the line beyond which brightness is shade or streak, not a line across
_CLEANER = 0.1  # of the other side's spread that each side has at least: shade
_PATTERN_MM = 0.8  # of bevel below the border that tells the pattern; the next piece tells how well it keeps
_PLACES_A_SIGMA = 8.0  # at which an average is worked out
_BLOCKS = 8  # whose samples, 0.5 MB at all states, are compared at once
_MOST = 50.0  # squared spreads that one sample of level or look may cost at most
_CAP = 4.0  # spreads beyond which a sample of the pattern says no more
_FLOOR = 0.004  # linear, where a logarithm begins
_FINENESS = (0.7, 2.5, 5.0)  # pixels: scales along the line at which a surface is more or less lively
_STILL = 1e-8  # mean square slope of a surface without any
_SHRINK = 0.02  # of each variance towards a diagonal spread: few rows tell it
_STEP_CLEAR = 3.0  # step of the level, in spreads of the streaks, that is surely one
_LAY_CLEAR = 0.8  # log ratio of the across lines' energy below and above a line that surely divides two lays


@dataclass(frozen=True, slots=True, kw_only=True)
class _Straightened:
    """The picture along the expected border, and what is asked of it.

    Parameters
    ----------
    linear, logs : ndarray, shape (columns, samples)
        Brightness, and its logarithm.
    below, above : ndarray of bool, shape (samples,)
        Samples that are bevel, and that are flat, wherever the border lies.
    flat_share : ndarray, shape (states, samples)
        Share of the flat in each sample.
    block : int
        Columns that are told as one.
    step : float
        Distance of columns and of samples, mm.
    """

    linear: Array
    logs: Array
    below: NDArray[np.bool_]
    above: NDArray[np.bool_]
    flat_share: Array
    block: int
    step: float


@dataclass(frozen=True, slots=True)
class _Vote:
    """What one thing says: where the border lies, what it lends to there being one, how the sides differ."""

    likelihood: Array
    gain: Array
    clear: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class BorderOdds:
    """What the picture says about the border, per block of columns.

    Parameters
    ----------
    likelihood : ndarray, shape (blocks, states)
        Log likelihood of a border at each state.
    gain : ndarray, shape (blocks, states)
        How much likelier a border is there than none, where level and pattern go over gradually.
    clear : ndarray, shape (blocks,)
        How clearly the sides differ, 1 for surely.
    parts : (ndarray, ndarray), shape (blocks, states)
        What level and pattern say by themselves.
    look : ndarray, shape (blocks, states)
        What the look says by itself: less exactly than the other two, and less easily misled.

    Level and pattern add up to the likelihood; the look isn't in it, see `guided`.
    """

    likelihood: Array
    gain: Array
    clear: Array
    parts: tuple[Array, Array]
    look: Array


def border_odds(linear: Array, offsets: Array, states: Array, *, blur: float, step: float) -> BorderOdds:
    """Log likelihood of a border at each state, per block of columns of 0.4 mm.

    Parameters
    ----------
    linear : ndarray, shape (columns, samples)
        Brightness, straightened along the expected border; the bevel at negative offsets.
    offsets : ndarray, shape (samples,)
        mm across, ascending.
    states : ndarray, shape (states,)
        Where the border may lie, mm across, ascending and symmetrical.
    blur : float
        Edge spread of the picture, mm.
    step : float
        Distance of columns and of samples, mm.

    Returns
    -------
    BorderOdds

    Notes
    -----
    All votes are log likelihoods of independent normal samples about what is expected, which goes over from
    bevel to flat with the blur of the picture. How many samples count as one follows from integral lengths
    along and across: of the streaks of the side that has the longer ones for the level, of the flat's grain
    for the pattern, of the flat's look for the look.

    The pattern is the bevel's brightness (logarithm, less its mean along the line) averaged over the rows
    nearest below. A row at the share a of bevel shows a times the pattern times how well the pattern keeps,
    measured on the rows beyond. Each row has its own spread about that, so that a dark streak of the flat
    votes neither for nor against: its lines run along the border and have nothing of the pattern.
    """
    from scipy.special import ndtr

    seen = _Straightened(
        linear=linear,
        logs=np.log(np.maximum(linear, _FLOOR)),
        below=(offsets > -AROUND_MM + 0.2) & (offsets < states[0]),
        above=(offsets < AROUND_MM - 0.2) & (offsets > states[-1]),
        flat_share=ndtr((offsets[None, :] - states[:, None]) / np.hypot(blur, 0.7 * step)),
        block=max(round(COLUMN_MM / step), 1),
        step=step,
    )
    level = _level_odds(seen, gradual=np.clip(offsets / (2 * states[-1]) + 0.5, 0, 1))
    pattern = _pattern_odds(seen, offsets)
    return BorderOdds(
        likelihood=level.likelihood + pattern.likelihood,
        gain=level.gain + pattern.gain,
        clear=np.maximum(level.clear, pattern.clear),
        parts=(level.likelihood, pattern.likelihood),
        look=_look_odds(seen),
    )


def _level_odds(seen: _Straightened, gradual: Array) -> _Vote:
    """Vote of the brightness, each side with its own spread: a streaky flat beside a clean bevel."""
    block, step = seen.block, seen.step
    level = _blocks(_along(seen.linear, _LEVEL_MM / step), block)
    usual, spread, calm = [], [], []
    for part in (seen.below, seen.above):
        mean = _along(seen.linear[:, part].mean(axis=1), _POOL_MM / step)
        own = _blocks(mean[:, None], block)
        off = ((level - own) ** 2)[:, part].mean(axis=1)
        usual.append(own)
        spread.append(_along(off[:, None], _POOL_MM / COLUMN_MM) + 1e-6)
        calm.append(_along(seen.linear[:, part], _CALM_MM / step) - mean[:, None])
    bevel, flat = usual
    even = np.sqrt(0.5 * (spread[0] + spread[1]))
    clear = (np.abs(flat - bevel) / even)[:, 0] / _STEP_CLEAR
    least = _CLEANER**2 * np.maximum(*spread)
    weight = 0.5 * block * min(_looks(part) for part in calm)
    off, apart = level - bevel, flat - bevel
    cost = _cost(off, apart, seen.flat_share, (np.maximum(spread[0], least), np.maximum(spread[1], least)))
    # that a border is there at all, its step must tell: spreads differ by themselves along any line
    none = np.minimum(((off - apart * gradual) / even) ** 2, _MOST).sum(axis=1)
    gain = none[:, None] - _cost(off / even, apart / even, seen.flat_share)
    return _Vote(likelihood=-weight * cost, gain=weight * gain, clear=clear)


def _pattern_odds(seen: _Straightened, offsets: Array) -> _Vote:
    """Vote of the bevel's lines, which end at the border."""
    block, below, above = seen.block, seen.below, seen.above
    pool = _POOL_MM / seen.step
    lines = seen.linear - _along(seen.linear, _CALM_MM / seen.step)
    near = below & (offsets > offsets[below][-1] - _PATTERN_MM)
    pattern = lines[:, near].mean(axis=1)
    power = _along(pattern**2, pool) + 1e-12
    there = _along(lines * pattern[:, None], pool) / power[:, None]  # how much of it each row has
    rest = lines - there * pattern[:, None]
    spread = _along(rest**2, pool)
    lines = there * pattern[:, None] + np.clip(rest, -_CAP * np.sqrt(spread), _CAP * np.sqrt(spread))
    kept = np.clip(there[:, below & ~near].mean(axis=1), 0.0, 1.0) * pattern
    with_it, alone = _blocks(lines * kept[:, None], block), _blocks((kept**2)[:, None], block)
    spread = _blocks(spread, block) + 1e-8
    weight = 0.5 * block * _looks(lines[:, above])
    share = 1 - seen.flat_share
    cost = np.einsum("bm,sm->bs", -2 * with_it / spread, share)
    cost += np.einsum("bm,sm->bs", alone / spread, share**2)
    none = ((0.25 * alone - with_it) / spread).sum(axis=1)
    energy = _slope(seen.logs, 0.7, across=0.7) ** 2
    bevel, flat = (
        _blocks(_along(energy[:, part].mean(axis=1), pool)[:, None], block) for part in (below, above)
    )
    clear = np.log((bevel + 1e-8) / (flat + 1e-8))[:, 0] / _LAY_CLEAR
    return _Vote(likelihood=-weight * cost, gain=weight * (none[:, None] - cost), clear=clear)


def _look_odds(seen: _Straightened) -> Array:
    """Vote of level and liveliness, mixed so that they tell the sides best (Fisher 1936)."""
    block, along = seen.block, _LEVEL_MM / seen.step
    looks = [_blocks(_along(seen.logs, along), block)]
    for fineness in _FINENESS:
        energy = _slope(seen.logs, fineness) ** 2
        looks.append(0.5 * np.log(_blocks(_along(energy, along), block) + _STILL))
    look = np.stack(looks, axis=2)
    sides = []
    spread = np.zeros((len(look), len(looks), len(looks)))
    for part in (seen.below, seen.above):
        usual = _along(look[:, part].mean(axis=1), _POOL_MM / COLUMN_MM)
        off = look[:, part] - usual[:, None]
        spread += np.einsum("bmi,bmj->bij", off, off) / (2 * off.shape[1])
        sides.append(usual)
    spread = _along(spread, _POOL_MM / COLUMN_MM)
    spread += _SHRINK * spread * np.eye(len(looks)) + 1e-9 * np.eye(len(looks))
    apart = sides[1] - sides[0]
    mixture = np.linalg.solve(spread, apart[:, :, None])[:, :, 0]
    clear = np.sqrt(np.einsum("bi,bi->b", mixture, apart)) + 1e-9  # distance of the sides in spreads
    told = np.einsum("bmi,bi->bm", look - sides[0][:, None], mixture) / clear[:, None]
    cost = _cost(told, clear[:, None], seen.flat_share)
    return np.asarray(-0.5 * _looks(told[:, seen.above] - clear[:, None]) * cost)


def _cost(off: Array, apart: Array, flat_share: Array, variances: tuple[Array, Array] | None = None) -> Array:
    """How badly a border at each state explains each block: its samples' squares, each capped, summed.

    Parameters
    ----------
    off : ndarray, shape (blocks, samples)
        What is seen less what the bevel shows, in spreads if no variances are given.
    apart : ndarray, shape (blocks, 1)
        What the flat shows less what the bevel shows, likewise.
    flat_share : ndarray, shape (states, samples)
        Share of the flat in each sample.
    variances : (ndarray, ndarray), shape (blocks, 1), optional
        Of bevel and flat; their logarithms count too.

    Returns
    -------
    ndarray, shape (blocks, states)
    """
    cost = np.empty((len(off), len(flat_share)))
    # so few blocks at once that they stay in the cache
    for first in range(0, len(off), _BLOCKS):
        part = slice(first, first + _BLOCKS)
        missed = apart[part, None] * flat_share
        np.subtract(missed, off[part, None], out=missed)
        np.multiply(missed, missed, out=missed)
        if variances is not None:
            bevel, flat = (one[part, None] for one in variances)
            variance = (flat - bevel) * flat_share + bevel
            missed /= variance
        np.minimum(missed, _MOST, out=missed)
        if variances is not None:
            missed += np.log(variance, out=variance)
        missed.sum(axis=2, out=cost[part])
    return cost


def _along(picture: Array, sigma: float) -> Array:
    """Gaussian average along the line; a wide one on fewer places: what is lost is finer than it shows."""
    flat: NDArray[Any] = np.ascontiguousarray(picture.reshape(len(picture), -1))
    columns, rows = flat.shape
    places = min(columns, int(np.ceil(columns * _PLACES_A_SIGMA / sigma)))
    if places < columns:
        flat = cv2.resize(flat, (rows, places), interpolation=cv2.INTER_AREA)
        # each place is the mean over its own width, which widens the average by that box's variance
        sigma = float(np.sqrt((sigma * places / columns) ** 2 - 1 / 12))
    flat = cv2.sepFilter2D(flat, -1, np.ones(1), _bell(sigma), borderType=cv2.BORDER_REPLICATE)
    if places < columns:
        flat = cv2.resize(flat, (rows, columns), interpolation=cv2.INTER_LINEAR)
    return np.asarray(flat, dtype=np.float64).reshape(picture.shape)


def _slope(picture: Array, sigma: float, *, across: float = 0.0) -> Array:
    """Gaussian derivative along the line, averaged across it too if that is asked."""
    bell = _bell(sigma)
    reach = len(bell) // 2
    slope = np.arange(-reach, reach + 1) / sigma**2 * bell
    row = _bell(across) if across else np.ones(1)
    return np.asarray(cv2.sepFilter2D(picture, -1, row, slope, borderType=cv2.BORDER_REFLECT))


def _bell(sigma: float) -> Array:
    """Return the weights of a Gaussian average, four sigmas to either side."""
    reach = int(4.0 * sigma + 0.5)
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    return np.asarray(weights / weights.sum())


def _blocks(picture: Array, block: int) -> Array:
    """Mean over each block of columns."""
    count = len(picture) // block
    return np.asarray(picture[: count * block].reshape(count, block, -1).mean(axis=1))


def _looks(flat: Array) -> float:
    """Independent samples per pixel of what the flat shows: one over its two integral lengths."""
    return 1.0 / (integral_length(flat) * integral_length(flat.T))
