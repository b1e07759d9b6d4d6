"""What a surface's own texture makes likely: its spectrum, and the picture with that taken out.

A line shows best where the texture has no power of its own. Weighing each frequency by one over the texture's
power is the matched filter's answer to that: sums along a line through such a picture tell as much about the
line as can be told.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grindcheck.geometry import Array, frozen

BLOCK = 64  # pixels; the spectrum's usual resolution
_SHADING_PX = 24.0  # what is smoother than this is light, not texture
# pixels in blocks that are looked at, at most; more change the spectrum by less than its own error
_BLOCK_PIXELS = 600 * BLOCK**2
# share of a block that lies in the mask; the next is used if the one before finds few
_COVERED = (0.7, 0.35, 0.1)
_FEW_BLOCKS = 24
_FLOOR = 1e-3  # of the mean power; below that a picture's rounding rules
_FADE_PX = 6.0
_BOUND = 3.5  # sigmas; a single pixel never counts for more
PROFILE_PX = 0.7  # sigma of the thinnest line's profile as a lens and a sensor draw it


@dataclass(frozen=True, slots=True, kw_only=True)
class Texture:
    """A region of a picture with its own texture taken out.

    Parameters
    ----------
    level : ndarray, shape (rows, columns), float32
        The picture less its shading, in local standard deviations; 0 outside the mask.
    evidence : ndarray, shape (rows, columns), float32
        What sums along lines are taken of; 0 outside the mask.
    mask : ndarray of bool, shape (rows, columns)
    power : ndarray, shape (rows, columns) of a block
        Power by frequency in the order of `numpy.fft.fftfreq`, of a variance of about 1.
    area_px : int
        Pixels of the mask.
    """

    level: NDArray[np.float32]
    evidence: NDArray[np.float32]
    mask: NDArray[np.bool_]
    power: Array
    area_px: int


def texture_of(
    grey: NDArray[np.float32], mask: NDArray[np.bool_], *, block: tuple[int, int] = (BLOCK, BLOCK)
) -> Texture:
    """Learn a region's texture and take it out.

    Parameters
    ----------
    grey : ndarray, shape (rows, columns), float32
        Any measure of brightness.
    mask : ndarray of bool, shape (rows, columns)
        The region; at least one pixel.
    block : (int, int)
        Rows and columns of the blocks whose spectra are taken, even numbers; the filter is as large.

    Returns
    -------
    Texture

    Notes
    -----
    The region is made flat (local mean and standard deviation, both from inside the mask only). Its power
    spectrum is the median over half-overlapping Hann windows (Welch 1967), divided by log 2, the median of an
    exponential variable: few scratches in few windows don't move a median. The picture is whitened by one
    over the root of it, bounded, so that a glint counts as one odd pixel and no more, and filtered once more
    with the profile of a thin line over the root. For a Gaussian texture and small
    contrast this is the matched filter (North 1943, Turin 1960) for every direction and length at once.
    """
    fade = _faded(mask)
    flat = _flattened(grey, mask)
    level = flat * fade
    power = _power(level, mask, block)
    square = np.fft.fftfreq(block[0])[:, None] ** 2 + np.fft.fftfreq(block[1])[None, :] ** 2
    root = np.sqrt(power)
    beyond = block[1] // 2 if block[1] > BLOCK else 0
    inside = np.pad(mask, ((0, 0), (beyond, beyond)))
    white = _filtered(_mirrored(flat, inside, beyond) if beyond else level, 1.0 / root)
    spread = float(np.sqrt(np.mean(white[inside] ** 2))) or 1.0
    np.clip(white, -_BOUND * spread, _BOUND * spread, out=white)
    white /= np.float32(spread)
    if not beyond:
        white *= mask
    evidence = _filtered(white, np.exp(-2.0 * (np.pi * PROFILE_PX) ** 2 * square) / root)
    evidence = np.ascontiguousarray(evidence[:, beyond : beyond + mask.shape[1]]) * fade
    mask = mask.copy()
    for array in (level, evidence, mask):
        array.setflags(write=False)
    return Texture(
        level=level,
        evidence=evidence,
        mask=mask,
        power=frozen(power),
        area_px=int(np.count_nonzero(mask)),
    )


def apart(
    grey: NDArray[np.float32], mask: NDArray[np.bool_], one: tuple[slice, slice], other: tuple[slice, slice]
) -> float:
    """Return how far the spectra of two parts of a region lie apart: mean difference of log power.

    Parameters
    ----------
    grey, mask : ndarray, shape (rows, columns)
        As for `texture_of`.
    one, other : (slice, slice)
        Rows and columns of each part.
    """
    powers = [
        _power(
            _flattened(grey[part], mask[part]) * _faded(mask[part]),
            mask[part],
            (BLOCK, BLOCK),
        )
        for part in (one, other)
    ]
    return float(np.mean(np.abs(np.log(powers[0] / powers[1]))))


def _faded(mask: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Weights that fall smoothly to 0 at the mask's border: a filter of high frequencies would ring there."""
    import cv2

    framed = np.pad(mask, 1).astype(np.uint8)
    away = cv2.distanceTransform(framed, cv2.DIST_L2, 3)[1:-1, 1:-1]
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.minimum(away / _FADE_PX, 1.0)), dtype=np.float32)


def _mirrored(picture: NDArray[np.float32], mask: NDArray[np.bool_], reach_px: int) -> NDArray[np.float32]:
    """Carry rows on beyond the mask as their own mirror image.

    A long filter along the lay would take the end of a streak for a step, and a streak mirrored goes on.
    """
    picture = np.pad(picture, ((0, 0), (reach_px, reach_px)))
    columns = mask.shape[1]
    place = np.arange(columns, dtype=np.int32)
    before = np.maximum.accumulate(np.where(mask, place, np.int32(-1)), axis=1)
    after = np.minimum.accumulate(np.where(mask, place, np.int32(columns))[:, ::-1], axis=1)[:, ::-1]
    beyond = np.flatnonzero(~mask)
    column = (beyond % columns).astype(np.int32)
    out = picture.ravel()
    for edge in (before, after):
        away = edge.ravel()[beyond] - column
        source = column + 2 * away
        good = np.flatnonzero((np.abs(away) <= reach_px) & (source >= 0) & (source < columns))
        at, from_there = beyond[good], beyond[good] + 2 * away[good]
        seen = mask.ravel()[from_there]
        out[at[seen]] = out[from_there[seen]]  # only the mask is read, and only what is beyond it written
    return out.reshape(picture.shape)


def _flattened(grey: NDArray[np.float32], mask: NDArray[np.bool_]) -> NDArray[np.float32]:
    weight = mask.astype(np.float32)
    inside = np.maximum(_smooth(weight), 1e-6)
    level = np.asarray((grey - _smooth(grey * weight) / inside) * weight, dtype=np.float32)
    spread = np.sqrt(np.maximum(_smooth(level * level) / inside, 0))
    # where all is one grey, as in a blown-out patch, there is nothing to be seen
    floor = max(1e-3 * float(np.sqrt(np.mean(level[mask] ** 2))), 1e-12)
    return np.asarray(level / np.maximum(spread, floor), dtype=np.float32)


def _smooth(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Gaussian mean over `_SHADING_PX`, worked out at a quarter of the size."""
    import cv2

    rows, columns = picture.shape
    small = (max(1, (columns + 3) // 4), max(1, (rows + 3) // 4))
    quarter = cv2.resize(picture, small, interpolation=cv2.INTER_AREA)
    quarter = cv2.GaussianBlur(quarter, (0, 0), _SHADING_PX / 4)
    return np.asarray(cv2.resize(quarter, (columns, rows), interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def _power(level: NDArray[np.float32], mask: NDArray[np.bool_], block: tuple[int, int]) -> Array:
    import cv2
    from scipy import fft

    down, across = block
    padded = ((0, max(0, down - level.shape[0])), (0, max(0, across - level.shape[1])))
    if padded != ((0, 0), (0, 0)):
        level, mask = np.pad(level, padded), np.pad(mask, padded)
    window = np.outer(*(np.hanning(side + 2)[1:-1].astype(np.float32) for side in block))
    half = np.array(block) // 2
    covered = cv2.boxFilter(
        mask.astype(np.float32), -1, (across, down), anchor=(0, 0), borderType=cv2.BORDER_CONSTANT
    )[: level.shape[0] - down + 1 : half[0], : level.shape[1] - across + 1 : half[1]]
    for least in _COVERED:
        places = np.argwhere(covered >= least) * half
        if len(places) >= _FEW_BLOCKS:
            break
    if not len(places):
        places = np.argwhere(covered == covered.max()) * half
    some = min(len(places), _BLOCK_PIXELS // (down * across))
    places = places[np.linspace(0, len(places) - 1, some).round().astype(int)]
    blocks = np.stack([level[y : y + down, x : x + across] for y, x in places]) * window
    weights = np.stack([mask[y : y + down, x : x + across] for y, x in places]) * window**2
    energy = np.abs(fft.fft2(blocks, workers=-1)) ** 2
    energy /= np.maximum(weights.sum(axis=(1, 2)), 1e-6)[:, None, None]
    power = cv2.blur(
        np.pad((np.median(energy, axis=0) / np.log(2.0)).astype(np.float64), 1, mode="wrap"), (3, 3)
    )[1:-1, 1:-1]
    return np.asarray(np.maximum(power, _FLOOR * power.mean() + 1e-12), dtype=np.float64)


def _filtered(picture: NDArray[np.float32], gain: Array) -> NDArray[np.float32]:
    """Filter with a gain by frequency, given on the block's frequencies; zero beyond the border."""
    from scipy import fft

    kernel = np.fft.fftshift(np.fft.ifft2(gain).real)
    kernel *= np.outer(*(np.sqrt(np.hanning(side + 1)[:-1]) for side in gain.shape))
    rows, columns = picture.shape
    size = [
        fft.next_fast_len(side + more, True) for side, more in zip(picture.shape, gain.shape, strict=True)
    ]
    product = fft.rfft2(picture, size, workers=-1)
    product *= fft.rfft2(kernel.astype(np.float32), size, workers=-1)
    down, across = gain.shape[0] // 2, gain.shape[1] // 2
    whole = fft.irfft2(product, size, workers=-1, overwrite_x=True)
    return np.ascontiguousarray(whole[down : down + rows, across : across + columns])
