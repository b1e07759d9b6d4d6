"""How the tail of a texture's own line sums falls, and how often it alone would make a sum so large."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grindcheck.finish.beams import Sums
from grindcheck.finish.directions import Directions
from grindcheck.geometry import Array

COLUMNS = 4  # one in so many columns is enough to learn a texture's law
PLACES = 0.1  # see `log_nfa`
_COMMON, _RARE = 3e-3, 3e-4  # shares of a texture's pieces that its law is learnt from
_NORMAL = (2.9677379, 3.6153005)  # what a normal variable exceeds, either sign, with these shares
_TAIL = 2.4  # in standard deviations; the shares above lie beyond
_TILES = 4  # down and across; the texture's law is what most of them keep to
_CALM = 0.75  # share of the tiles
_TILE_PIECES = 10000  # of one tile: three of them are rare
_LEAST_TAIL = 2000
_CELL = 6  # sampled columns
_HOT = 4.0  # times the usual largest sum of a cell; what exceeds that is suspected of being a scratch
_FEWEST = 64
_ENOUGH = 4000  # sums that a slope's standard deviation is learnt from
_WINSOR = 2.5
_WINSORED = 0.9527  # variance of a normal variable bounded at ± 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Law:
    """What single lines of one length must reach in this texture.

    Parameters
    ----------
    length_px : float
    common, power : float
        A sum of so many of its own standard deviations is exceeded by the share `_COMMON` of them, and the
        power that brings sums onto the normal scale; the middle over the directions searched.
    unit_std : float
        Standard deviation of a sum by the root of its length in pixels, the middle over the directions.
    """

    length_px: float
    common: float
    power: float
    unit_std: float

    def needed(self, sigmas: float) -> float:
        """Sum, in its own standard deviations, that is as rare as so many of a normal variable."""
        return float(self.common * (sigmas / _NORMAL[0]) ** (1.0 / self.power))


@dataclass(frozen=True, slots=True)
class Sample:
    """Sums that a texture's law is learnt from.

    Parameters
    ----------
    square : ndarray, shape (slopes, starts, columns), float32
        Squares of sums by the rows of each that lie in the mask; 0 where too few do.
    entire : ndarray of bool, shape (slopes, starts, columns)
        Where enough do.
    """

    square: Sums
    entire: NDArray[np.bool_]


def log_nfa(sigmas: Array, area_px: float) -> Array:
    """Return how many false finds a texture would give, as a decimal logarithm.

    Parameters
    ----------
    sigmas : ndarray
        How far a piece stands out.
    area_px : float
        Pixels that were searched.

    Returns
    -------
    ndarray

    Notes
    -----
    A contrario (Desolneux, Moisan and Morel 2000), with the pieces' correlation taken in account instead of
    counted as if they were independent: the expected number of local maxima of a smooth normal field in
    place (two) and direction (one) goes with u² exp(−u²/2) (Siegmund and Worsley 1995), and each length adds
    its own share. The factor is a property of this search, not of any surface: it was counted on white
    noise (``tests/accuracy/finish_null.py``).
    """
    u = np.maximum(np.abs(np.asarray(sigmas, dtype=np.float64)), 1.0)
    return np.asarray((np.log(PLACES * area_px * u**2) - 0.5 * u**2) / np.log(10.0))


def threshold(area_px: float, false_finds: float) -> float:
    """How far a piece must stand out for a number of false finds."""
    u = np.linspace(1.5, 12.0, 4201)
    return float(np.interp(-np.log10(false_finds), -log_nfa(u, area_px), u))


def sample_of(sums: Sums, inside: Sums, *, pair: bool, least: float) -> Sample:
    """Take a sample of sums.

    Parameters
    ----------
    sums : ndarray, shape (slopes, starts, columns), float32
    inside : ndarray, shape (slopes / 4, starts, columns / 4), float32
        Rows of each line that lie in the mask.
    pair : bool
        Differences of columns two apart instead of sums.
    least : float
        Rows in the mask that a line must have.
    """
    if pair:
        square = np.subtract(sums[..., 2::COLUMNS], sums[..., : sums.shape[-1] - 2 : COLUMNS])
    else:
        square = np.ascontiguousarray(sums[..., 1::COLUMNS])
    np.multiply(square, square, out=square)
    weight = np.where(inside >= least, 1.0 / np.maximum(inside, least), 0.0).astype(np.float32)
    weight = np.repeat(weight, COLUMNS, axis=0)[: square.shape[0], :, : square.shape[2]]
    square *= weight
    return Sample(square, weight > 0)


def std_of(sample: Sample, before: Array | None) -> Array:
    """Return the standard deviation of a sum over one row, by slope, bounded against scratches.

    A slope of which no line lies in the mask, because the region is narrow, has that of lines half as long in
    the same direction, `before`.
    """
    slopes, starts, columns = sample.square.shape
    step = max(1, starts * columns // _ENOUGH)
    square, entire = sample.square[..., ::step], sample.entire[..., ::step]
    count = entire.sum(axis=(1, 2))
    variance = square.sum(axis=(1, 2), dtype=np.float64) / np.maximum(count, 1)
    for _ in range(2):
        bound = (_WINSOR**2 * variance).astype(np.float32)
        bounded = np.minimum(square, bound[:, None, None])
        variance = bounded.sum(axis=(1, 2), dtype=np.float64) / np.maximum(count, 1) / _WINSORED
    known = count >= _FEWEST
    if before is not None:
        variance = np.where(known, variance, before[np.arange(slopes) // 2] ** 2)
    elif known.any():
        variance = np.interp(np.arange(slopes), np.flatnonzero(known), variance[known])
    else:
        return np.full(slopes, np.inf)
    return np.asarray(np.sqrt(np.maximum(variance, 1e-20)))


def rare_of(sample: Sample, std: Array, bins: NDArray[np.intp], count: int, *, near: bool) -> Array:
    """By bin, what the shares `_COMMON` and `_RARE` of the sums exceed; 0 where there are none.

    Returns
    -------
    ndarray, shape (count, 2)
        In standard deviations of each slope.

    Notes
    -----
    What three quarters of the region's parts keep to: a scratch lifts the tail only where it runs, while a
    texture may well be wilder here than there. Near the lay, places where sums are four times what is usual
    are suspected of being a scratch and teach nothing; a texture alone hardly ever reaches that.
    """
    out = np.zeros((count, 2))
    if not np.isfinite(std).all():
        return out
    _, starts, columns = sample.square.shape
    variance = std * std
    beyond = np.flatnonzero(sample.square > (_TAIL**2 * variance[:, None, None]).astype(np.float32))
    slope, start, column = np.unravel_index(beyond, sample.square.shape)
    size = np.sqrt(sample.square.reshape(-1)[beyond] / variance[slope])
    cell = start * -(-columns // _CELL) + column // _CELL
    hot = np.zeros((starts, -(-columns // _CELL)), bool)
    if near:
        hot = _hot(np.asarray(sample.entire.any(axis=0)), cell, size)
    for number in np.unique(bins[bins >= 0]):
        which = np.flatnonzero(bins == number)
        first, last = np.searchsorted(slope, [which[0], which[-1] + 1])
        entire = sample.entire[which[0] : which[-1] + 1].sum(axis=0)
        entire[np.repeat(hot, _CELL, axis=1)[:, :columns]] = 0
        # as many tiles as leave each enough pieces to know its rare ones
        tiles = int(np.clip(np.sqrt(entire.sum() / _TILE_PIECES), 1, _TILES))
        down, across = (np.linspace(0, side, min(tiles, side) + 1).astype(int) for side in (starts, columns))
        pieces = np.add.reduceat(np.add.reduceat(entire, down[:-1], axis=0), across[:-1], axis=1).ravel()
        tile = (np.searchsorted(down, start[first:last], "right") - 1) * (len(across) - 1)
        tile += np.searchsorted(across, column[first:last], "right") - 1
        cool = ~hot.ravel()[cell[first:last]]
        tails = []
        for index in np.flatnonzero(pieces > _LEAST_TAIL):
            tail = size[first:last][cool & (tile == index)]
            rank = [int(pieces[index]) - int((1 - share) * pieces[index]) for share in (_COMMON, _RARE)]
            tail = np.concatenate([np.full(max(rank[0] - len(tail), 0), _TAIL), tail])
            at = [len(tail) - one for one in rank]
            tails.append(np.partition(tail, at)[at])
        if tails:
            out[number] = np.quantile(tails, _CALM, axis=0)
    return out


def _hot(there: NDArray[np.bool_], cell: NDArray[np.intp], size: Array) -> NDArray[np.bool_]:
    """Cells, starts by groups of columns, that are suspected of holding a scratch, and those around them."""
    import cv2

    starts, columns = there.shape
    across = -(-columns // _CELL)
    largest = np.full(starts * across, _TAIL)
    np.maximum.at(largest, cell, size)
    known = np.pad(there, ((0, 0), (0, -columns % _CELL))).reshape(starts, across, _CELL).sum(axis=2) > 0
    hot = np.zeros(known.shape, np.uint8)
    if known.any():
        hot[largest.reshape(known.shape) > _HOT * np.median(largest[known.ravel()])] = 1
    return np.asarray(cv2.dilate(hot, np.ones((5, 3), np.uint8)), dtype=np.uint8).astype(np.bool_)


def typical_of(rare: Array, known: NDArray[np.bool_], directions: Directions, shorter: Array | None) -> Array:
    """Return what the shares of the sums exceed, by bin, the median of like directions.

    Parameters
    ----------
    rare : ndarray, shape (bins, 2)
        See `rare_of`.
    known : ndarray of bool, shape (bins,)
    shorter : ndarray, shape (bins, 2), optional
        The same for lines half as long, for directions of which nothing is known: longer sums are nearer to
        normal.
    """
    typical = np.tile(np.array(_NORMAL), (len(rare), 1)) if shorter is None else shorter.copy()
    for number in range(len(rare)):
        near = directions.alike(number)
        near = near[known[near]]
        if len(near):
            typical[number] = np.median(rare[near], axis=0)
    return typical


def law_of(typical: Array) -> tuple[Array, Array]:
    """Size and power of each bin's law, never lighter than normal.

    Parameters
    ----------
    typical : ndarray, shape (bins, 2)
        See `typical_of`.

    Notes
    -----
    How the tail falls is learnt at the same angle to the lay: the sizes that three in a thousand and three in
    ten thousand sums exceed, the median of several bins, give the power by which a sum is brought onto the
    normal scale. A texture that is itself made of lines, such as a tumbled one, so asks for more.
    """
    common = np.maximum(typical[:, 0], _NORMAL[0])
    ratio = np.maximum(typical[:, 1] / np.maximum(typical[:, 0], 1e-9), _NORMAL[1] / _NORMAL[0])
    return common, np.log(_NORMAL[1] / _NORMAL[0]) / np.log(ratio)


def on_normal_scale(z: Array, common: Array, power: Array) -> Array:
    """Bring sums in their own standard deviations onto the scale of a normal variable."""
    return np.asarray(np.sign(z) * _NORMAL[0] * (np.abs(z) / common) ** power)
