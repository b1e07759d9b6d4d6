"""Which straight pieces stand out of a texture, and how often the texture alone would make such a piece."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grindcheck.finish.beams import Sums, beam_sums
from grindcheck.finish.texture import Texture
from grindcheck.geometry import Array

SHORTEST, LONGEST = 5, 9  # powers of two: pieces cross 32 to 512 pixels
NEAR_LAY_RAD = np.deg2rad(10.0)
_BIN_RAD = np.deg2rad(10.0)
_SIDE = 9  # bins between the lay and the square to it
_MIDDLES = np.concatenate([np.arange(5.0, 90.0, 10.0), -np.arange(5.0, 90.0, 10.0)])  # of bins, degrees
_COMMON, _RARE = 3e-3, 3e-4  # shares of a texture's pieces that its law is learnt from
_NORMAL = (2.9677379, 3.6153005)  # what a normal variable exceeds, either sign, with these shares
_LEAST = 4.2  # in a texture's own standard deviations; the law never asks for less
_QUARTER = (
    4  # of the columns a texture's law is learnt from; of the resolution, how much of a line is in the mask
)
_ENTIRE = 0.7  # of a line that must lie in the mask; a shorter one fits where it doesn't
_FEWEST = 64
_TILES = 4  # down and across; the texture's law is what most of them keep to
_CALM = 0.75  # share of the tiles
_TILE_PIECES = 10000  # of one tile: three of them are rare
_LEAST_TAIL = 2000
_CACHED = 1 << 16  # values
_WINSOR = 2.5
_WINSORED = 0.9527  # variance of a normal variable bounded at ± 2.5
PLACES = 0.05  # see `log_nfa`


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
    near_lay : ndarray of bool, shape (N,)
    unit_std : ndarray, shape (N,)
        Standard deviation that the texture gives to a sum of the evidence along this direction, by the root
        of the length in pixels.
    """

    start_px: Array
    end_px: Array
    sigmas: Array
    pair: NDArray[np.bool_]
    near_lay: NDArray[np.bool_]
    unit_std: Array

    def __len__(self) -> int:
        return len(self.sigmas)

    def subset(self, which: NDArray[np.intp] | NDArray[np.bool_]) -> "Pieces":
        """Return some of the pieces."""
        return Pieces(**{name: getattr(self, name)[which] for name in self.__slots__})


@dataclass(frozen=True, slots=True, kw_only=True)
class Law:
    """What single lines of one length must reach in this texture.

    Parameters
    ----------
    length_px : int
    common, power : tuple of float
        Off the lay and along it: a sum of so many of its own standard deviations is exceeded by the share
        `_COMMON` of them, and the power that brings sums onto the normal scale.
    unit_std : tuple of float
        As `Pieces.unit_std`, the middle over the directions off the lay and along it.
    """

    length_px: int
    common: tuple[float, float]
    power: tuple[float, float]
    unit_std: tuple[float, float]

    def needed(self, sigmas: float, *, near_lay: bool) -> float:
        """Sum, in its own standard deviations, that is as rare as so many of a normal variable."""
        return float(self.common[near_lay] * (sigmas / _NORMAL[0]) ** (1.0 / self.power[near_lay]))


@dataclass(frozen=True, slots=True)
class _Found:
    """What one direction of flipping gives at one level."""

    start_px: Array
    end_px: Array
    z: Array
    bins: NDArray[np.intp]
    unit_std: Array
    rare: Array  # by bin: what the shares _COMMON and _RARE of the pieces exceed
    weight: Array
    std_by_bin: Array


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


def pieces_of(
    texture: Texture, *, lay_rad: float | None, least_sigmas: float
) -> tuple[Pieces, tuple[Law, ...]]:
    """Find the pieces that stand out.

    Parameters
    ----------
    texture : Texture
    lay_rad : float or None
        Direction of the lay in the picture, from +x towards +y (down); None without one.
    least_sigmas : float
        Weaker ones are left out.

    Returns
    -------
    Pieces
        The strongest first; many of them tell of the same scratch.
    tuple of Law
        Of bright and dark lines at the picture's own resolution, the shortest first.

    Notes
    -----
    Every sum is divided by the standard deviation of the sums of its own slope and length. How the tail
    of a texture's sums falls is learnt from the texture as well: the sizes that three in a thousand and three
    in ten thousand exceed, at the same angle to the lay on either side (the median of six bins, so that
    parallel scratches, which fill one or two, don't pass for texture; of five without a lay), give the power
    by which a sum is brought onto the normal scale. A texture that is itself made of lines, such as a tumbled
    one, so asks for more.
    """
    fine, mask = (_padded(array) for array in (texture.evidence, texture.mask.astype(np.float32)))
    jobs = [(fine, mask, turn, 1.0) for turn in range(4)]
    half = _halved(fine)
    if min(half.shape) >= 1 << SHORTEST:
        jobs += [(_padded(half), _padded(_halved(mask)), turn, 2.0) for turn in range(4)]
    with ThreadPoolExecutor(2) as pool:
        found = list(pool.map(lambda job: _one_turn(*job, lay_rad=lay_rad), jobs))
    parts: list[Pieces] = []
    laws: list[Law] = []
    for fine_ones, group in ((True, found[:4]), (False, found[4:])):
        for key in sorted({key for one in group for key in one}):
            same = [one[key] for one in group if key in one]
            pieces, law = _on_normal_scale(same, key, isotropic=lay_rad is None, least=least_sigmas)
            parts.append(pieces)
            if fine_ones and not key[1] and np.isfinite(law.unit_std).all():
                laws.append(law)
    whole = _joined(parts)
    strongest = np.argsort(-np.abs(whole.sigmas), kind="stable")
    return whole.subset(strongest), tuple(laws)


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
    return np.pad(picture, ((0, -rows % _QUARTER), (0, -columns % _QUARTER)))


def _one_turn(
    picture: Sums, mask: Sums, turn: int, pixel: float, *, lay_rad: float | None
) -> dict[tuple[int, bool], _Found]:
    """Search one of the four ranges of 45°."""
    import cv2

    turned, covered = (_turned(array, turn) for array in (picture, mask))
    rows, columns = turned.shape
    last = min(LONGEST - (pixel > 1), int(np.floor(np.log2(max(rows, 1) * 1.34))))
    out: dict[tuple[int, bool], _Found] = {}
    if last < SHORTEST:
        return out
    small = cv2.resize(covered, (columns // _QUARTER, rows // _QUARTER), interpolation=cv2.INTER_AREA)
    before: dict[bool, Array] = {}
    shares = beam_sums(np.asarray(small, dtype=np.float32), first=SHORTEST - 2, last=last - 2)
    for (power, stride, sums), (_, _, share) in zip(
        beam_sums(turned, first=SHORTEST, last=last), shares, strict=True
    ):
        run = (1 << power) - 1
        slopes = np.arange(sums.shape[0])
        direction = np.arctan2(run, slopes)  # in the turned picture, from +x towards +y
        if turn % 2:
            direction = np.pi - direction
        if turn >= 2:
            direction = np.pi / 2 - direction
        bins = _bins(direction - (lay_rad or 0.0))
        steps = np.hypot(slopes, run) / (1 << power) * pixel  # pixels of the picture by row
        # rows of each line that lie in the mask, known on a quarter of the resolution
        inside = share * np.float32(_QUARTER)
        for pair in (False, True):
            sample = _sample(sums, pair=pair)
            rows_in = np.repeat(inside, _QUARTER, axis=0)[:, : sample.shape[1], : sample.shape[2]]
            std = before[pair] = _std(sample, rows_in, before.get(pair), least=_ENTIRE * (1 << power))
            limit = std * np.sqrt(_ENTIRE * (1 << power)) * _LEAST
            values, slope, start, x = _beyond(sums, limit, pair=pair)
            within = inside[slope // _QUARTER, start, x // _QUARTER]
            z = values / (std[slope] * np.sqrt(np.maximum(within, 1.0))) * _sign(turn, pair=pair)
            keep = (within >= _ENTIRE * (1 << power)) & (np.abs(z) > _LEAST)
            z, slope, start, x = z[keep], slope[keep], start[keep], x[keep]
            begin = np.column_stack([x, start * stride]).astype(np.float64)
            end = begin + np.column_stack([slope, np.full(len(slope), run)])
            out[power, pair] = _Found(
                start_px=_upright(begin, turn, columns) * pixel + (pixel - 1) / 2,
                end_px=_upright(end, turn, columns) * pixel + (pixel - 1) / 2,
                z=z,
                bins=bins[slope],
                unit_std=(std * np.sqrt(steps))[slope],
                rare=_rare(sample, rows_in, std, bins, least=_ENTIRE * (1 << power)),
                weight=np.bincount(bins, minlength=2 * _SIDE).astype(np.float64),
                std_by_bin=np.asarray(
                    np.bincount(bins, weights=std * np.sqrt(steps), minlength=2 * _SIDE), dtype=np.float64
                ),
            )
    return out


def _turned(picture: Sums, turn: int) -> Sums:
    turned = picture.T if turn >= 2 else picture
    return np.ascontiguousarray(turned[:, ::-1] if turn % 2 else turned)


def _sign(turn: int, *, pair: bool) -> float:
    # of two columns, which one is on the right of the way down, in the upright picture
    return 1.0 if not pair or turn in (1, 2) else -1.0


def _upright(points: Array, turn: int, columns: int) -> Array:
    points = points.copy()
    if turn % 2:
        points[:, 0] = columns - 1 - points[:, 0]
    return points[:, ::-1] if turn >= 2 else points


def _bins(angle_rad: Array) -> NDArray[np.intp]:
    """Bin of an angle to the lay: 0 to 8 from the lay to its square on one side, 9 to 17 on the other."""
    folded = (angle_rad + np.pi / 2) % np.pi - np.pi / 2
    step = np.minimum((np.abs(folded) / _BIN_RAD).astype(np.intp), _SIDE - 1)
    return np.asarray(step + _SIDE * (folded < 0), dtype=np.intp)


def _sample(sums: Sums, *, pair: bool) -> Sums:
    """Every fourth column: what a texture's law is learnt from."""
    if pair:
        return np.subtract(sums[..., 2::_QUARTER], sums[..., : sums.shape[-1] - 2 : _QUARTER])
    return np.ascontiguousarray(sums[..., 1::_QUARTER])


def _beyond(
    sums: Sums, limit: Array, *, pair: bool
) -> tuple[Array, NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """Values beyond a limit by slope, with slope, start and column; a few slopes at a time, in the cache."""
    slopes, starts, columns = sums.shape
    at_once = max(1, _CACHED // (starts * columns))
    parts = []
    for first in range(0, slopes, at_once):
        values = sums[first : first + at_once]
        if pair:
            values = values[..., 2:] - values[..., :-2]
        bound = limit[first : first + at_once, None, None].astype(np.float32)
        hits = np.flatnonzero(np.abs(values) > bound)
        slope, start, x = np.unravel_index(hits, values.shape)
        parts.append((values.reshape(-1)[hits].astype(np.float64), slope + first, start, x + pair))
    value, slope, start, x = (np.concatenate(column) for column in zip(*parts, strict=True))
    return value, slope, start, x


def _std(values: Sums, rows_in: Sums, before: Array | None, *, least: float) -> Array:
    """Return the standard deviation of a sum over one row, by slope, bounded against scratches.

    Of the lines of which enough lies in the mask: squares of sums by the rows in the mask. A slope of which
    no line does, because the region is narrow, has that of lines half as long in the same direction.
    """
    weight = (rows_in >= least).astype(np.float32)
    count = weight.sum(axis=(1, 2), dtype=np.float64)
    square = values * values * (weight / np.maximum(rows_in, 1.0))
    variance = square.sum(axis=(1, 2), dtype=np.float64) / np.maximum(count, 1.0)
    for _ in range(2):
        bound = (_WINSOR**2 * variance).astype(np.float32)
        bounded = np.minimum(square, bound[:, None, None])
        variance = bounded.sum(axis=(1, 2), dtype=np.float64) / np.maximum(count, 1.0) / _WINSORED
    known = count >= _FEWEST
    slopes = np.arange(len(values))
    if before is not None:
        variance = np.where(known, variance, before[slopes // 2] ** 2)
    elif known.any():
        variance = np.interp(slopes, slopes[known], variance[known])
    else:
        return np.full(len(values), np.inf)
    return np.asarray(np.sqrt(np.maximum(variance, 1e-20)))


def _rare(values: Sums, rows_in: Sums, std: Array, bins: NDArray[np.intp], *, least: float) -> Array:
    """By bin, what the shares `_COMMON` and `_RARE` of the pieces exceed; 0 where there are none.

    What three quarters of the region's parts keep to: a scratch lifts the tail only where it runs, while a
    texture may well be wilder here than there.
    """
    out = np.zeros((2 * _SIDE, 2))
    for number in np.unique(bins):
        which = np.flatnonzero(bins == number)
        entire = rows_in[which] >= least
        unit = (std[which, None, None] * np.sqrt(np.maximum(rows_in[which], 1.0))).astype(np.float32)
        size = np.abs(values[which] / unit)
        # as many tiles as leave each enough pieces to know its rare ones
        tiles = int(np.clip(np.sqrt(entire.sum() / _TILE_PIECES), 1, _TILES))
        tails = []
        for down in np.array_split(np.arange(values.shape[1]), min(tiles, values.shape[1])):
            for across in np.array_split(np.arange(values.shape[2]), tiles):
                part = (slice(None), slice(down[0], down[-1] + 1), slice(across[0], across[-1] + 1))
                tail = size[part][entire[part]]
                if len(tail) > _LEAST_TAIL:
                    at = [int((1 - share) * len(tail)) for share in (_COMMON, _RARE)]
                    tails.append(np.partition(tail, at)[at])
        if tails:
            out[number] = np.quantile(tails, _CALM, axis=0)
    return out


def _on_normal_scale(
    same: Sequence[_Found], key: tuple[int, bool], *, isotropic: bool, least: float
) -> tuple[Pieces, Law]:
    weight = np.stack([one.weight * (one.rare[:, 0] > 0) for one in same])
    rare = np.stack([one.rare for one in same])
    total = weight.sum(axis=0)
    by_bin = (rare * weight[..., None]).sum(axis=0) / np.maximum(total, 1e-9)[:, None]
    common, power = _law(by_bin, total > 0, isotropic=isotropic)
    z = np.concatenate([one.z for one in same])
    bins = np.concatenate([one.bins for one in same])
    sigmas = np.sign(z) * _NORMAL[0] * (np.abs(z) / common[bins]) ** power[bins]
    keep = np.abs(sigmas) >= least
    near = np.zeros(len(z), bool) if isotropic else bins % _SIDE < NEAR_LAY_RAD / _BIN_RAD
    off = (np.arange(2 * _SIDE) % _SIDE > 0) | isotropic
    unit = sum(one.std_by_bin for one in same) / np.maximum(sum(one.weight for one in same), 1e-9)
    law = Law(
        length_px=1 << key[0],
        common=(float(np.median(common[off])), float(common[0])),
        power=(float(np.median(power[off])), float(power[0])),
        unit_std=tuple(_middle(unit[which]) for which in (off, ~off if not isotropic else off)),  # type: ignore[arg-type]
    )
    pieces = Pieces(
        start_px=np.concatenate([one.start_px for one in same])[keep],
        end_px=np.concatenate([one.end_px for one in same])[keep],
        sigmas=sigmas[keep],
        pair=np.full(int(keep.sum()), key[1]),
        near_lay=near[keep],
        unit_std=np.concatenate([one.unit_std for one in same])[keep],
    )
    return pieces, law


def _middle(values: Array) -> float:
    return float(np.median(values[values > 0])) if np.any(values > 0) else 1.0


def _law(by_bin: Array, known: NDArray[np.bool_], *, isotropic: bool) -> tuple[Array, Array]:
    """Size and power of each bin's law, never lighter than normal."""
    rare = np.full((2 * _SIDE, 2), np.nan)
    for number in range(2 * _SIDE):
        step = number % _SIDE
        if isotropic:  # one side's light stretches dents: the same direction, not its mirror image
            apart = np.abs((_MIDDLES - _MIDDLES[number] + 90.0) % 180.0 - 90.0)
            near = np.flatnonzero(apart < 25.0)
        elif step == 0:
            near = np.array([0, _SIDE])
        else:
            steps = np.arange(max(step - 1, 1), min(step + 1, _SIDE - 1) + 1)
            near = np.concatenate([steps, steps + _SIDE])
        near = near[known[near]]
        if len(near):
            rare[number] = np.median(by_bin[near], axis=0)
    some = np.array(_NORMAL)
    rare = np.where(np.isfinite(rare), rare, some)
    common = np.maximum(rare[:, 0], _NORMAL[0])
    ratio = np.maximum(rare[:, 1] / rare[:, 0], _NORMAL[1] / _NORMAL[0])
    return common, np.log(_NORMAL[1] / _NORMAL[0]) / np.log(ratio)


def _joined(parts: Sequence[Pieces]) -> Pieces:
    if not parts:
        nothing = np.zeros(0)
        return Pieces(
            start_px=np.zeros((0, 2)), end_px=np.zeros((0, 2)), sigmas=nothing,
            pair=np.zeros(0, bool), near_lay=np.zeros(0, bool), unit_std=nothing,
        )  # fmt: skip
    return Pieces(
        **{name: np.concatenate([getattr(part, name) for part in parts]) for name in Pieces.__slots__}
    )
