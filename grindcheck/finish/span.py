"""A scratch along the lay followed: one span of a slightly bowed line, chosen as a whole.

Along a lay single places tell little. The texture is correlated over hundreds of pixels; with that taken out,
neighbouring values cancel, and most of what tells of a line lies near its ends. Only whole sums are of use.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from grindcheck.finish.texture import Texture
from grindcheck.finish.trace import BLOCK_PX, HALF_PX, STEP_PX, Path, between, prolonged, sampled, values_at
from grindcheck.geometry import Array, frozen, way_lengths

_ASIDE_PX = np.arange(-3.0, 3.25, 0.5)  # of the whole, and of one end against the other
_BOW_PX = np.arange(-2.0, 2.25, 0.5)
_COARSE_PX = 2
_PLAIN = 2.5  # sigmas; a line of that contrast can be followed in the picture itself
_BEYOND_PX = 256.0
_FAN_RAD = np.deg2rad(np.arange(-10.0, 10.1, 0.125))
_MIDDLE_PX, _FLANK_PX = np.array([-0.5, 0.0, 0.5]), np.array([-6.0, -5.0, 5.0, 6.0])
_ROUNDS = 8


def follow_span(
    texture: Texture,
    start_px: Array,
    end_px: Array,
    *,
    sign: float,
    pair: bool,
    unit_std: float,
    ends_px: float,
) -> Path | None:
    """Follow a scratch that runs along the lay from a straight piece of it.

    Parameters
    ----------
    texture, start_px, end_px, sign, pair, unit_std
        As for `grindcheck.finish.trace.follow`.
    ends_px : float
        What both ends add to the variance of a sum, as so many pixels of length.

    Returns
    -------
    Path or None
        None if nothing is left of it.

    Notes
    -----
    A line of contrast c has a sum of mean c·E, where E is the variance of such a sum: length and `ends_px`.
    The likeliest span among all is that of the largest sum over the root of E (a matched filter with unknown
    begin and end), and the likeliest of a family of parabolas through it that with the largest sum. Both in
    turn, until the span stays.
    """
    points = np.array([start_px, end_px], dtype=np.float64)
    shapes = np.stack(np.meshgrid(_ASIDE_PX, _ASIDE_PX, _BOW_PX, indexing="ij"), axis=-1).reshape(-1, 3)
    offsets = np.arange(-HALF_PX, HALF_PX + STEP_PX / 2, STEP_PX)
    found: Path | None = None
    for _ in range(_ROUNDS):
        way, normal = prolonged(points, texture.mask.shape)
        if len(way) < 2 * BLOCK_PX:
            break
        strip = sampled(texture.evidence, way, normal, offsets, pair=pair, smooth=True) * (sign / unit_std)
        inside = np.flatnonzero(between(way, points))
        if len(inside) < BLOCK_PX:
            break
        tried = [_tried(strip, offsets, shapes, window, ends_px) for window in _windows(inside, len(way))]
        _, offset, along, first, last = max(tried, key=lambda one: one[0])
        total = float(along[first:last].sum())
        if total <= 0 or last - first < 2:
            break
        line = (way + normal * offset[:, None])[first:last]
        points = line[np.unique(np.append(np.arange(0, len(line), BLOCK_PX), len(line) - 1))]
        before = 0.0 if found is None else found.length_px
        per_px = total / (last - first + ends_px)
        found = Path(
            points_px=frozen(points),
            length_px=float(way_lengths(points)[-1]),
            ends_std_px=float(min(1.5 / max(per_px, 1e-3) ** 2, len(line)) ** 2 + 0.5**2) ** 0.5,
            sigmas_per_px=per_px,
            covered=1.0,
        )
        if abs(found.length_px - before) < 1.0:
            break
    return found


def stretched(texture: Texture, path: Path, *, sign: float) -> Path:
    """Carry a plainly seen line on in the picture itself, straight on to either side.

    Parameters
    ----------
    texture : Texture
        In a frame whose x axis the lay is.
    path : Path
        Of a part of the line, at least.
    sign : float
        Positive for a bright one.

    Returns
    -------
    Path
        The same one if it isn't plainly seen or if nothing goes on.

    Notes
    -----
    What the long filter leaves of a strong line is strongest near its ends, so that one end alone may be
    found. In the flattened picture it has the same height all along. Of the straight lines through the middle
    of the part, within 10° of the lay, the one is taken on which the height over its sides is likeliest to be
    that of the part from begin to end: at each place the logarithm of its likelihood against none.
    """
    middle = path.points_px[len(path.points_px) // 2]
    height = float(np.mean(_heights(texture, path.points_px, np.array([[0.0, 1.0]])))) * sign
    if height < _PLAIN:
        return path
    steps = np.arange(-round(path.length_px + _BEYOND_PX), round(path.length_px + _BEYOND_PX) + 1.0)
    ways = middle + steps[None, :, None] * np.stack([np.cos(_FAN_RAD), np.sin(_FAN_RAD)], axis=1)[:, None]
    seen = sign * np.stack([_heights(texture, way, np.array([[0.0, 1.0]])) for way in ways])
    gain = height * seen - 0.5 * height**2
    centre = len(steps) // 2
    ahead = np.cumsum(gain[:, centre:], axis=1)
    behind = np.cumsum(gain[:, centre - 1 :: -1], axis=1)
    best = int(np.argmax(ahead.max(axis=1) + behind.max(axis=1)))
    first = centre - 1 - int(np.argmax(behind[best]))
    last = centre + int(np.argmax(ahead[best]))
    if last - first <= path.length_px:
        return path
    at = np.unique(np.append(np.arange(first, last, BLOCK_PX), last))
    return replace(path, points_px=frozen(ways[best, at]), length_px=float(last - first))


def _heights(texture: Texture, points: Array, normal: Array) -> Array:
    """Height of the flattened picture over both sides at points, (N,)."""
    normal = np.broadcast_to(normal, points.shape)
    middle = sampled(texture.level, points, normal, _MIDDLE_PX).mean(axis=1)
    return np.asarray(middle - sampled(texture.level, points, normal, _FLANK_PX).mean(axis=1))


def _windows(inside: NDArray[np.intp], count: int) -> list[tuple[int, int]]:
    """Where to fit a curve: the span as it is, and half as long again at either end."""
    first, last = int(inside[0]), int(inside[-1]) + 1
    more = (last - first) // 2
    return [
        (max(first - before * more, 0), min(last + after * more, count))
        for before in (0, 1)
        for after in (0, 1)
    ]


def _tried(
    strip: Array, offsets: Array, shapes: Array, window: tuple[int, int], ends_px: float
) -> tuple[float, Array, Array, int, int]:
    """Fit a curve in a window; return how far its best span stands out, offsets, values and the span."""
    inside = slice(*window)
    middle, half = (window[0] + window[1] - 1) / 2, max((window[1] - window[0] - 1) / 2, 1.0)
    place = np.asarray((np.arange(len(strip)) - middle) / half, dtype=np.float64)
    offset = _curved(shapes[_best(strip[inside], place[inside], shapes)], place)
    along = values_at(strip, offsets, offset)
    score, first, last = _span(along, ends_px)
    return score, offset, along, first, last


def _curved(shape: Array, place: Array) -> Array:
    """Offset of a parabola along the way; straight on beyond ±1."""
    aside, turn, bow = shape
    inner = np.clip(place, -1.0, 1.0)
    return np.asarray(np.clip(aside + turn * place + bow * inner * (2 * place - inner), -HALF_PX, HALF_PX))


def _best(strip: Array, place: Array, shapes: Array) -> int:
    """Return the number of the shape along which the sum is largest, worked out on sums of a few rows."""
    count = max(1, len(strip) // BLOCK_PX)
    rows = np.array_split(np.arange(len(strip)), count)
    sums = np.stack([strip[some].sum(axis=0) for some in rows])
    at = np.array([place[some].mean() for some in rows])
    offset = shapes[:, :1] + shapes[:, 1:2] * at + shapes[:, 2:] * at**2
    index = np.clip(np.rint((offset + HALF_PX) / STEP_PX), 0, strip.shape[1] - 1).astype(np.intp)
    return int(np.argmax(sums[np.arange(count)[None, :], index].sum(axis=1)))


def _span(along: Array, ends_px: float) -> tuple[float, int, int]:
    """Return the span, end exclusive, whose sum stands out most among those of its length, and how far."""
    total = np.concatenate([[0.0], np.cumsum(along)])[::_COARSE_PX]
    place = _COARSE_PX * np.arange(len(total))
    length = place[None, :] - place[:, None]
    sums = np.where(length >= BLOCK_PX, total[None, :] - total[:, None], 0.0)
    score = sums / np.sqrt(np.maximum(length, 1) + ends_px)
    first, last = np.unravel_index(int(np.argmax(score)), sums.shape)
    return float(score[first, last]), int(place[first]), int(place[last])
