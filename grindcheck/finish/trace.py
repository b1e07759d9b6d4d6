"""One scratch followed: its path, where it ends, how wide and how strong it is."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from grindcheck.finish.texture import PROFILE_PX, Texture
from grindcheck.geometry import Array, frozen, way_lengths, way_normals, way_points

HALF_PX = 6  # how far to either side of the guess a path may lie
STEP_PX = 0.5  # of offsets
BLOCK_PX = 8  # along the path
_BEND_STD = 0.06  # change of offset by pixel of way, one sigma: about 1 in 16
_ACROSS_PX = np.arange(-10.0, 10.25, 0.5)  # where a profile is taken
_WEAKER = 0.5  # of two tones, to the stronger one
_SEEN = 2.0  # standard deviations of the profile beside it
_ROUNDS = 3  # at least; more as long as it grows
_MOST_ROUNDS = 8
_SPREAD = 1.4826  # standard deviation of a normal variable by the median of its magnitudes
_SCATTER = 2.5  # of these
_RINGING_PX = 24
_RINGING = 4.0  # sigmas


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """A scratch as it lies in the picture.

    Parameters
    ----------
    points_px : ndarray, shape (N, 2)
        From end to end, N ≥ 2.
    length_px : float
    ends_std_px : float
        Standard uncertainty of either end along the path.
    sigmas_per_px : float
        Evidence by pixel of length in its standard deviations.
    covered : float
        Share of the way from end to end on which it shows: less than 1 with gaps.
    """

    points_px: Array
    length_px: float
    ends_std_px: float
    sigmas_per_px: float
    covered: float


def follow(
    texture: Texture,
    start_px: Array,
    end_px: Array,
    *,
    sign: float,
    pair: bool,
    unit_std: float,
) -> Path | None:
    """Follow a scratch from a straight piece of it.

    Parameters
    ----------
    texture : Texture
    start_px, end_px : array_like, shape (2,)
        The piece.
    sign : float
        Positive for a bright one.
    pair : bool
        Bright beside dark.
    unit_std : float
        See `grindcheck.finish.evidence.Pieces`.

    Returns
    -------
    Path or None
        None if nothing is left of it.

    Notes
    -----
    The picture is sampled along the guess, prolonged at either end. The offset is the path of largest
    evidence with normal increments (Viterbi 1967), then smoothed by a cubic that the shown parts decide. On
    or off along the way is the likeliest sequence of two states whose change costs the logarithm of the
    places where it could be (Rissanen's description length), which bridges a gap as soon as what follows
    pays for it. A few rounds, each along the path before.
    """
    points = np.array([start_px, end_px], dtype=np.float64)
    per_px = 0.0
    found: Path | None = None
    before = 0.0
    for round_ in range(_MOST_ROUNDS):
        way, normal = prolonged(points, texture.mask.shape)
        if len(way) < 2 * BLOCK_PX:
            return found
        offsets = np.arange(-HALF_PX, HALF_PX + STEP_PX / 2, STEP_PX)
        strip = sampled(texture.evidence, way, normal, offsets, pair=pair) * (sign / unit_std)
        if round_ == 0:
            inside = between(way, points)
            middle = strip[inside][:, abs(offsets) <= 1.0]
            per_px = float(middle.mean(axis=0).max()) if middle.size else 0.0
        if per_px <= 0:
            return found
        offset = _smoothed(strip, offsets, per_px)
        along = values_at(strip, offsets, offset)
        noise = _SPREAD * float(np.median(np.abs(strip)))
        on = _on(along, per_px, noise)
        if not on.any():
            return found
        offset = _fitted(offset, on)
        along = values_at(strip, offsets, offset)
        on = _on(along, per_px, noise)
        if not on.any():
            return found
        shown = np.flatnonzero(on)
        per_px = float(along[on].mean())
        if per_px <= 0:
            return found
        first, last = int(shown[0]), int(shown[-1])
        line = (way + normal * offset[:, None])[first : last + 1]
        points = line[np.unique(np.append(np.arange(0, len(line), BLOCK_PX), len(line) - 1))]
        if len(points) < 2:
            return found
        found = Path(
            points_px=frozen(points),
            length_px=float(way_lengths(points)[-1]),
            ends_std_px=float(min(1.5 / max(per_px, 1e-3) ** 2, len(line)) ** 2 + 0.5**2) ** 0.5,
            sigmas_per_px=per_px,
            covered=len(shown) / (last + 1 - first),
        )
        if round_ + 1 >= _ROUNDS and found.length_px < before + BLOCK_PX:
            break
        before = found.length_px
    return found


def joined(one: Path, other: Path, points_px: Array) -> Path:
    """Make one path of two whose points are given in order."""
    length = float(way_lengths(points_px)[-1])
    shown = one.covered * one.length_px + other.covered * other.length_px
    weight = one.length_px / max(one.length_px + other.length_px, 1e-9)
    return Path(
        points_px=frozen(points_px),
        length_px=length,
        ends_std_px=max(one.ends_std_px, other.ends_std_px),
        sigmas_per_px=weight * one.sigmas_per_px + (1 - weight) * other.sigmas_per_px,
        covered=min(shown / max(length, 1e-9), 1.0),
    )


def sampled(
    picture: NDArray[Any],
    way: Array,
    normal: Array,
    offsets: Array,
    *,
    pair: bool = False,
    smooth: bool = False,
) -> Array:
    """Values beside a way, shape (along, across); 0 outside; of a pair, right less left by one pixel each.

    In between pixels by a straight line, or, `smooth`, by a cubic.
    """
    import cv2

    how = cv2.INTER_CUBIC if smooth else cv2.INTER_LINEAR

    def at(shift: float) -> Array:
        places = way[:, None] + normal[:, None] * (offsets + shift)[None, :, None]
        return np.asarray(
            cv2.remap(picture, places.astype(np.float32), None, how, borderMode=cv2.BORDER_CONSTANT),  # type: ignore[call-overload]
            dtype=np.float64,
        )

    return at(1.0) - at(-1.0) if pair else at(0.0)


def prolonged(points: Array, shape: tuple[int, int]) -> tuple[Array, Array]:
    """Return the way in steps of a pixel with as much again at either end, and its normals.

    Cut at the picture's border.
    """
    whole = float(way_lengths(points)[-1])
    more = max(whole, 48.0)
    steps = np.arange(-more, whole + more + 0.5)
    way = way_points(points, steps)
    reach = min(whole / 3, 64.0)
    for end, beyond, sign in ((0.0, steps < 0, 1), (whole, steps > whole, -1)):
        near = way_points(points, np.array([end + sign * reach]))[0]
        last = points[0] if sign > 0 else points[-1]
        direction = (last - near) / max(float(np.hypot(*(last - near))), 1e-9)
        way[beyond] = last + direction * np.abs(steps[beyond] - end)[:, None]
    inside = np.all((way >= 0) & (way <= np.array(shape[::-1]) - 1), axis=1)
    way = way[inside]
    return (way, way_normals(way)) if len(way) > 1 else (way, way)


def between(way: Array, points: Array) -> Array:
    """Which points of a way lie beside a path's chord, (N,) bool."""
    axis = points[-1] - points[0]
    along = (way - points[0]) @ axis / float(axis @ axis)
    return np.asarray((along >= 0) & (along <= 1))


def _smoothed(strip: Array, offsets: Array, per_px: float) -> Array:
    """Offset along the way: the path of largest log likelihood among those with normal increments."""
    count = -(-len(strip) // BLOCK_PX)
    padded = np.zeros((count * BLOCK_PX, strip.shape[1]))
    padded[: len(strip)] = strip
    gain = per_px * padded.reshape(count, BLOCK_PX, -1).sum(axis=1)
    move = -0.5 * ((offsets[:, None] - offsets[None, :]) / (_BEND_STD * BLOCK_PX)) ** 2
    best = gain[0].copy()
    back = np.zeros(gain.shape, dtype=np.intp)
    for index in range(1, count):
        total = best[None, :] + move
        back[index] = np.argmax(total, axis=1)
        best = total[np.arange(len(offsets)), back[index]] + gain[index]
    state = np.empty(count, dtype=np.intp)
    state[-1] = int(np.argmax(best))
    for index in range(count - 1, 0, -1):
        state[index - 1] = back[index, state[index]]
    middles = (np.arange(count) + 0.5) * BLOCK_PX - 0.5
    return np.asarray(np.interp(np.arange(len(strip)), middles, offsets[state]))


def _fitted(offset: Array, on: np.ndarray) -> Array:
    """Cubic through the shown part, of lower degree where that is short; straight on beyond it."""
    shown = np.flatnonzero(on)
    middle, half = (shown[0] + shown[-1]) / 2, max((shown[-1] - shown[0]) / 2, 1.0)
    degree = min(3, int(2 * half) // 24)
    place = (np.arange(len(offset)) - middle) / half
    shape = np.polynomial.Polynomial.fit(place[shown], offset[shown], degree, domain=[-1, 1])
    slope = shape.deriv()
    inner = np.clip(place, -1, 1)
    return np.asarray(np.clip(shape(inner) + slope(inner) * (place - inner), -HALF_PX, HALF_PX))


def values_at(strip: Array, offsets: Array, offset: Array) -> Array:
    """Values of a strip (along, across) at one offset a row."""
    place = (offset - offsets[0]) / STEP_PX
    low = np.clip(place.astype(np.intp), 0, len(offsets) - 2)
    part = place - low
    rows = np.arange(len(strip))
    return np.asarray(strip[rows, low] * (1 - part) + strip[rows, low + 1] * part)


def _on(along: Array, per_px: float, noise: float) -> np.ndarray:
    """Likeliest run of "shows" and "doesn't" along the way.

    One place never counts for more than twice the middle: a speck isn't a scratch gone on. Where single
    places scatter by more than that, both sides of the question are bounded alike, or the bound itself would
    tell against a faint scratch.
    """
    half = 0.5 * per_px
    bound = max(3.0 * half, _SCATTER * noise)
    gain = per_px * np.clip(along - half, -bound, bound)
    cost = float(np.log(len(along)))
    on_best, off_best = gain[0] - cost, 0.0
    from_on = np.zeros((len(along), 2), dtype=bool)  # [index, state]: came from "on"
    for index in range(1, len(along)):
        stay_on, turn_on = on_best, off_best - cost
        stay_off, turn_off = off_best, on_best - cost
        from_on[index] = turn_off > stay_off, stay_on >= turn_on
        on_best, off_best = max(stay_on, turn_on) + gain[index], max(stay_off, turn_off)
    state = on_best > off_best
    out = np.zeros(len(along), dtype=bool)
    for index in range(len(along) - 1, -1, -1):
        out[index] = state
        state = bool(from_on[index, int(state)])
    return _grown(out, gain)


def _grown(on: NDArray[np.bool_], gain: Array) -> NDArray[np.bool_]:
    """Keep the strongest run and what follows it after gaps no longer than the shorter of the two."""
    steps = np.diff(np.concatenate([[0], on.astype(np.int8), [0]]))
    runs = list(zip(np.flatnonzero(steps == 1), np.flatnonzero(steps == -1), strict=True))
    out = np.zeros_like(on)
    if not runs:
        return out
    best = max(range(len(runs)), key=lambda number: float(gain[slice(*runs[number])].sum()))
    first, last = runs[best]
    out[first:last] = True
    for begin, end in runs[best + 1 :]:
        if begin - last > min(last - first, end - begin):
            break
        out[begin:end], last = True, end
    for begin, end in reversed(runs[:best]):
        if first - end > min(last - first, end - begin):
            break
        out[begin:end], first = True, begin
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """What a scratch looks like across.

    Parameters
    ----------
    contrast : float
        Height over both sides, in sigmas of the texture; of a pair, half of bright to dark.
    contrast_std : float
    width_px : float
        Full width at half height, less what the thinnest line has by blur (in squares); 0 if not more.
    """

    contrast: float
    contrast_std: float
    width_px: float


def profile_of(texture: Texture, path: Path, *, sign: float, pair: bool) -> Profile:
    """Measure height and width across a path.

    Notes
    -----
    The mean over the path of the flattened picture across it. Height is the extreme within 2 px of the path
    over the median beyond 5 px; the width where half of it is left. The height's uncertainty is that of the
    values beyond.
    """
    mean, level, spread, near = _across(texture, path)
    if pair:
        return Profile(contrast=sign * float(np.ptp(mean[near])) / 2, contrast_std=spread, width_px=0.0)
    height = sign * (mean - level)
    top = int(np.argmax(np.where(near, height, -np.inf)))
    peak = float(height[top])
    if peak <= 0:
        return Profile(contrast=sign * peak, contrast_std=spread, width_px=0.0)
    reach = [_half(height[top:], peak), _half(height[top::-1], peak)]
    full = 0.5 * sum(reach)
    thinnest = 2.3548 * PROFILE_PX
    return Profile(
        contrast=sign * peak,
        contrast_std=spread,
        width_px=float(np.sqrt(max(full**2 - thinnest**2, 0.0))),
    )


def two_toned(texture: Texture, path: Path) -> tuple[bool, float]:
    """Say whether a path is bright beside dark, or of one tone, and the sign of the stronger.

    Parameters
    ----------
    texture : Texture
    path : Path

    Notes
    -----
    Taking out a texture rings beside a strong line, which looks like a pair. So the flattened picture itself
    is asked: the weaker tone must have half of the stronger one's height, and exceed what the picture has
    beside the path.
    """
    mean, level, spread, near = _across(texture, path)
    bright, dark = float(mean[near].max()) - level, level - float(mean[near].min())
    weaker, stronger = sorted((bright, dark))
    return weaker > max(_WEAKER * stronger, _SEEN * spread), 1.0 if bright >= dark else -1.0


def _across(texture: Texture, path: Path) -> tuple[Array, float, float, NDArray[np.bool_]]:
    """Mean of the flattened picture across a path, level and spread beside it, and what is near."""
    way, normal = stepped(path.points_px)
    across = sampled(texture.level, way, normal, _ACROSS_PX)
    seen = sampled(texture.mask.astype(np.float32), way, normal, _ACROSS_PX)
    mean = (across * seen).sum(axis=0) / np.maximum(seen.sum(axis=0), 1e-9)
    flank = np.abs(_ACROSS_PX) >= 5.0
    return mean, float(np.median(mean[flank])), float(np.std(mean[flank])), np.abs(_ACROSS_PX) <= 2.0


def reach_px(texture: Texture, path: Path, *, unit_std: float) -> float:
    """How far beside a path the evidence still tells of it.

    Taking out a texture rings beside a strong line. The mean over the path, across it, is compared with
    what the texture makes of such a mean: out to where it last exceeds four of its standard deviations.
    """
    way, normal = stepped(path.points_px)
    offsets = np.arange(-_RINGING_PX, _RINGING_PX + 0.5)
    mean = np.abs(sampled(texture.evidence, way, normal, offsets).sum(axis=0)) / (
        unit_std * np.sqrt(len(way))
    )
    beyond = np.abs(offsets)[mean > _RINGING]
    return float(beyond.max()) + 1.0 if len(beyond) else 0.0


def stepped(points: Array) -> tuple[Array, Array]:
    """Return a path in steps of a pixel, and its normals."""
    whole = float(way_lengths(points)[-1])
    way = way_points(points, np.linspace(0.0, whole, max(2, round(whole) + 1)))
    return way, way_normals(way)


def _half(values: Array, peak: float) -> float:
    """Return the steps until half of the peak is left, with a part of a step."""
    below = np.flatnonzero(values < peak / 2)
    if not len(below):
        return float(len(values))
    index = int(below[0])
    upper, lower = float(values[index - 1]), float(values[index])
    return index - 1 + (upper - peak / 2) / max(upper - lower, 1e-12)
