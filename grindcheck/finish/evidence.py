"""Which straight pieces stand out of a texture."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grindcheck.finish.beams import Sums, beam_sums
from grindcheck.finish.directions import NEAR_LAY_RAD, Directions
from grindcheck.finish.tail import (
    COLUMNS,
    Law,
    law_of,
    on_normal_scale,
    rare_of,
    sample_of,
    std_of,
    typical_of,
)
from grindcheck.finish.texture import Texture
from grindcheck.geometry import Array

SHORTEST, LONGEST = 5, 9  # powers of two: pieces cross 32 to 512 pixels
_LEAST = 4.2  # in a texture's own standard deviations; the law never asks for less
_ENTIRE = 0.7  # of a line that must lie in the mask; a shorter one fits where it doesn't
_CACHED = 1 << 16  # values
_ACROSS = 2  # samples a pixel across the lay: lines there are told apart by less than a pixel


@dataclass(frozen=True, slots=True, kw_only=True)
class Pieces:
    """Straight pieces that stand out.

    Parameters
    ----------
    start_px, end_px : ndarray, shape (N, 2)
    sigmas : ndarray, shape (N,)
        How far each stands out: as rare as so many standard deviations of a normal variable; positive is
        brighter, or brighter on the side that a line from start to end has on its right.
    pair : ndarray of bool, shape (N,)
        Bright beside dark instead of one tone.
    unit_std : ndarray, shape (N,)
        Standard deviation that the texture gives to a sum of the evidence along this direction, by the root
        of the length in pixels.
    """

    start_px: Array
    end_px: Array
    sigmas: Array
    pair: NDArray[np.bool_]
    unit_std: Array

    def __len__(self) -> int:
        return len(self.sigmas)

    def subset(self, which: NDArray[np.intp] | NDArray[np.bool_]) -> "Pieces":
        """Return some of the pieces."""
        return Pieces(**{name: getattr(self, name)[which] for name in self.__slots__})


@dataclass(frozen=True, slots=True)
class _Grid:
    """Evidence sampled for a search, and the size of its cells in pixels along x and y."""

    picture: Sums
    mask: Sums
    cell: tuple[float, float]


@dataclass(frozen=True, slots=True)
class _Found:
    """What one direction of flipping gives at one length."""

    start_px: Array
    end_px: Array
    z: Array
    bins: NDArray[np.intp]
    unit_std: Array
    rare: Array  # by bin: what the shares of the pieces exceed that the law is learnt from
    slopes: Array  # by bin
    std_sum: Array  # by bin


def pieces_of(
    texture: Texture, directions: Directions, *, least_sigmas: float
) -> tuple[Pieces, tuple[Law, ...]]:
    """Find the pieces that stand out.

    Parameters
    ----------
    texture : Texture
        If the directions are those near the lay, in a frame whose x axis the lay is.
    directions : Directions
    least_sigmas : float
        Weaker ones are left out.

    Returns
    -------
    Pieces
        The strongest first; many of them tell of the same scratch.
    tuple of Law
        Of bright and dark lines at the finest sampling, the shortest first.

    Notes
    -----
    Every sum is divided by the standard deviation of the sums of its own slope and length, and brought onto
    the normal scale by the law of its texture's tail (`grindcheck.finish.tail`). Each halving of the
    resolution finds lines twice as wide. Near the lay a texture has most of its power and what tells a line
    from it is fine across, so that there are two samples a pixel across the lay.
    """
    grids = _grids(texture, directions)
    jobs = [(grid, turn) for grid in grids for turn in ((2, 3) if directions.near else range(4))]
    with ThreadPoolExecutor(2) as pool:
        found = list(pool.map(lambda job: _one_turn(*job, directions=directions), jobs))
    parts: list[Pieces] = []
    laws: list[Law] = []
    typical: dict[tuple[int, bool], Array] = {}
    for grid in grids:
        group = [one for (of, _), one in zip(jobs, found, strict=True) if of is grid]
        finer, typical = typical, {}
        for power, pair in sorted({key for one in group for key in one}):
            same = [one[power, pair] for one in group if (power, pair) in one]
            # what is too rare to be known is as for half the length, or as at twice the resolution
            shorter = typical.get((power - 1, pair), finer.get((power + 1, pair)))
            typical[power, pair] = _typical(same, directions, shorter)
            pieces, law = _on_normal_scale(same, typical[power, pair], pair=pair, least=least_sigmas)
            parts.append(pieces)
            if grid is grids[0] and not pair and law is not None:
                laws.append(Law(length_px=grid.cell[0] * (1 << power), **law))
    whole = _joined(parts)
    strongest = np.argsort(-np.abs(whole.sigmas), kind="stable")
    return whole.subset(strongest), tuple(laws)


def _grids(texture: Texture, directions: Directions) -> list[_Grid]:
    import cv2

    picture, mask = texture.evidence, texture.mask.astype(np.float32)
    cell = (1.0, 1.0)
    if directions.near:
        size = (picture.shape[1], picture.shape[0] * _ACROSS)
        picture = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_CUBIC), dtype=np.float32)
        mask = np.repeat(mask, _ACROSS, axis=0)
        cell = (1.0, 1.0 / _ACROSS)
    grids: list[_Grid] = []
    for _ in range(3 if directions.near else 2):
        if min(picture.shape) < 1 << SHORTEST and grids:
            break
        picture, mask = _padded(picture), _padded(mask)
        grids.append(_Grid(picture, mask, cell))
        picture, mask, cell = _halved(picture), _halved(mask), (2 * cell[0], 2 * cell[1])
    return grids


def _halved(picture: Sums) -> Sums:
    import cv2

    rows, columns = picture.shape[0] // 2 * 2, picture.shape[1] // 2 * 2
    if not rows or not columns:
        return np.zeros((0, 0), np.float32)
    small = cv2.resize(picture[:rows, :columns], (columns // 2, rows // 2), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.float32)


def _padded(picture: Sums) -> Sums:
    """Give a picture sides that quarters of pixels divide."""
    rows, columns = picture.shape
    return np.pad(picture, ((0, -rows % COLUMNS), (0, -columns % COLUMNS)))


def _one_turn(grid: _Grid, turn: int, *, directions: Directions) -> dict[tuple[int, bool], _Found]:
    """Search one of the four ranges of 45°, or the part of it near the lay."""
    import cv2

    turned, covered = (_turned(array, turn) for array in (grid.picture, grid.mask))
    aside, ahead = grid.cell if turn < 2 else grid.cell[::-1]  # size of a cell along a row and down
    rows, columns = turned.shape
    last = min(LONGEST - round(np.log2(ahead)), int(np.floor(np.log2(max(rows, 1) * 1.34))))
    out: dict[tuple[int, bool], _Found] = {}
    if last < SHORTEST:
        return out
    steepest = min(float(np.tan(NEAR_LAY_RAD)) * ahead / aside, 1.0) if directions.near else 1.0
    small = cv2.resize(covered, (columns // COLUMNS, rows // COLUMNS), interpolation=cv2.INTER_AREA)
    before: dict[bool, Array] = {}
    shares = beam_sums(
        np.asarray(small, dtype=np.float32), first=SHORTEST - 2, last=last - 2, steepest=steepest
    )
    for (power, stride, sums), (_, _, share) in zip(
        beam_sums(turned, first=SHORTEST, last=last, steepest=steepest), shares, strict=True
    ):
        run = (1 << power) - 1
        slopes = np.arange(sums.shape[0])
        direction = np.arctan2(run * ahead, slopes * aside)  # in the turned picture, from +x towards +y
        if turn % 2:
            direction = np.pi - direction
        if turn >= 2:
            direction = np.pi / 2 - direction
        bins = directions.bins(direction)
        if np.all(bins < 0):
            continue
        steps = np.hypot(slopes * aside, run * ahead) / (1 << power)  # pixels of the picture by row
        # rows of each line that lie in the mask, known on a quarter of the resolution
        inside = share * np.float32(COLUMNS)
        least = _ENTIRE * (1 << power)
        for pair in (False, True):
            sample = sample_of(sums, inside, pair=pair, least=least)
            std = before[pair] = std_of(sample, before.get(pair))
            limit = np.where(bins < 0, np.inf, std * np.sqrt(least) * _LEAST)
            values, slope, start, x = _beyond(sums, limit, pair=pair)
            within = inside[slope // COLUMNS, start, x // COLUMNS]
            z = values / (std[slope] * np.sqrt(np.maximum(within, 1.0))) * _sign(turn, pair=pair)
            keep = (within >= least) & (np.abs(z) > _LEAST)
            z, slope, start, x = z[keep], slope[keep], start[keep], x[keep]
            begin = np.column_stack([x, start * stride]).astype(np.float64)
            end = begin + np.column_stack([slope, np.full(len(slope), run)])
            searched = bins >= 0
            out[power, pair] = _Found(
                start_px=_upright(begin, turn, columns, grid.cell),
                end_px=_upright(end, turn, columns, grid.cell),
                z=z,
                bins=bins[slope],
                unit_std=(std * np.sqrt(steps))[slope],
                rare=rare_of(sample, std, bins, directions.count, near=directions.near),
                slopes=np.bincount(bins[searched], minlength=directions.count).astype(np.float64),
                std_sum=np.bincount(
                    bins[searched],
                    weights=(std * np.sqrt(steps))[searched],
                    minlength=directions.count,
                ).astype(np.float64),
            )
    return out


def _turned(picture: Sums, turn: int) -> Sums:
    turned = picture.T if turn >= 2 else picture
    return np.ascontiguousarray(turned[:, ::-1] if turn % 2 else turned)


def _sign(turn: int, *, pair: bool) -> float:
    # of two columns, which one is on the right of the way down, in the upright picture
    return 1.0 if not pair or turn in (1, 2) else -1.0


def _upright(points: Array, turn: int, columns: int, cell: tuple[float, float]) -> Array:
    points = points.copy()
    if turn % 2:
        points[:, 0] = columns - 1 - points[:, 0]
    points = points[:, ::-1] if turn >= 2 else points
    return np.asarray(points * cell + (np.array(cell) - 1) / 2)


def _beyond(
    sums: Sums, limit: Array, *, pair: bool
) -> tuple[Array, NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """Values beyond a limit by slope, with slope, start and column; a few slopes at a time, in the cache."""
    slopes, starts, columns = sums.shape
    at_once = max(1, _CACHED // (starts * columns))
    parts: list[tuple[Array, NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]] = []
    for first in range(0, slopes, at_once):
        bound = limit[first : first + at_once, None, None].astype(np.float32)
        if not np.isfinite(bound).any() and parts:
            continue
        values = sums[first : first + at_once]
        if pair:
            values = values[..., 2:] - values[..., :-2]
        hits = np.flatnonzero(np.abs(values) > bound)
        slope, start, x = np.unravel_index(hits, values.shape)
        parts.append((values.reshape(-1)[hits].astype(np.float64), slope + first, start, x + pair))
    value, slope, start, x = (np.concatenate(column) for column in zip(*parts, strict=True))
    return value, slope, start, x


def _typical(same: Sequence[_Found], directions: Directions, shorter: Array | None) -> Array:
    """Return what the tail of the sums of one length reaches, by bin, all turns together."""
    weight = np.stack([one.slopes * (one.rare[:, 0] > 0) for one in same])
    rare = np.stack([one.rare for one in same])
    total = weight.sum(axis=0)
    by_bin = (rare * weight[..., None]).sum(axis=0) / np.maximum(total, 1e-9)[:, None]
    return typical_of(by_bin, total > 0, directions, shorter)


def _on_normal_scale(
    same: Sequence[_Found], typical: Array, *, pair: bool, least: float
) -> tuple[Pieces, dict[str, float] | None]:
    common, power = law_of(typical)
    z = np.concatenate([one.z for one in same])
    bins = np.concatenate([one.bins for one in same])
    sigmas = on_normal_scale(z, common[bins], power[bins])
    keep = np.abs(sigmas) >= least
    slopes = np.sum([one.slopes for one in same], axis=0)
    there = slopes > 0
    unit = np.sum([one.std_sum for one in same], axis=0)[there] / slopes[there]
    law = None
    if len(unit) and np.isfinite(unit).all():
        law = {
            "common": float(np.median(common[there])),
            "power": float(np.median(power[there])),
            "unit_std": float(np.median(unit)),
        }
    return Pieces(
        start_px=np.concatenate([one.start_px for one in same])[keep],
        end_px=np.concatenate([one.end_px for one in same])[keep],
        sigmas=sigmas[keep],
        pair=np.full(int(keep.sum()), pair),
        unit_std=np.concatenate([one.unit_std for one in same])[keep],
    ), law


def _joined(parts: Sequence[Pieces]) -> Pieces:
    if not parts:
        nothing = np.zeros(0)
        return Pieces(
            start_px=np.zeros((0, 2)), end_px=np.zeros((0, 2)), sigmas=nothing,
            pair=np.zeros(0, bool), unit_std=nothing,
        )  # fmt: skip
    return Pieces(
        **{name: np.concatenate([getattr(part, name) for part in parts]) for name in Pieces.__slots__}
    )
