"""Grey faces without a knife: textures of known seeds, of variance 1, and scratches drawn on them.

The textures are invented models of finishes, not photos: what a brushed, satin, blasted or tumbled face looks
like to a search for lines, with a law that is known. Nothing of grindcheck is used.
"""

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

Grey = NDArray[np.float32]
Points = NDArray[np.float64]
_SUB = 4  # bits of a pixel's part in what OpenCV draws


def white(rng: np.random.Generator, shape: tuple[int, int]) -> Grey:
    """Pixel noise and nothing else."""
    return rng.standard_normal(shape, dtype=np.float32)


def brushed(rng: np.random.Generator, shape: tuple[int, int]) -> Grey:
    """Streaks along x, noise blurred by 60 px along and 0.8 px across (sigmas), and pixel noise."""
    return _unit(_streaks(rng, shape, angle_rad=0.0, along_px=60.0, across_px=0.8) + 0.25 * _fine(rng, shape))


def satin(rng: np.random.Generator, shape: tuple[int, int]) -> Grey:
    """Shorter streaks of six directions within a few degrees of x, and pixel noise."""
    fan = sum(
        (
            _streaks(rng, shape, angle_rad=float(angle), along_px=25.0, across_px=0.9)
            for angle in rng.normal(0.0, np.deg2rad(4.0), 6)
        ),
        start=np.zeros(shape, np.float32),
    )
    return _unit(_unit(fan) + 0.35 * _fine(rng, shape))


def blasted(rng: np.random.Generator, shape: tuple[int, int]) -> Grey:
    """Round dents of 1.5 px (sigma) and pixel noise: no direction."""
    return _unit(_unit(cv2.GaussianBlur(white(rng, shape), (0, 0), 1.5)) + 0.3 * white(rng, shape))


def tumbled(rng: np.random.Generator, shape: tuple[int, int]) -> Grey:
    """Dense field of short lines, 10 to 60 px long, of every direction and both tones, and pixel noise.

    One line for each 12 px², so that about three run over each pixel. The surface is itself made of lines.
    """
    rows, columns = shape
    count = rows * columns // 12
    middle = rng.uniform(-30.0, 30.0 + np.array([columns, rows]), (count, 2))
    angle = rng.uniform(0.0, np.pi, count)
    half = 0.5 * rng.uniform(10.0, 60.0, count)[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    ends = np.stack([middle - half, middle + half], axis=1)
    fixed = np.rint(ends * (1 << _SUB)).astype(np.int32)
    depth = rng.integers(0, 16, count)  # sixteen depths; those of one depth are drawn at once
    field = np.zeros(shape, np.float32)
    for number in range(16):
        layer = np.zeros(shape, np.uint8)
        cv2.polylines(layer, list(fixed[depth == number]), False, 255, 1, cv2.LINE_AA, _SUB)
        field += layer * np.float32((number - 7.5) / 255.0)
    return _unit(_unit(cv2.GaussianBlur(field, (0, 0), 0.6)) + 0.3 * white(rng, shape))


TEXTURES: dict[str, Callable[[np.random.Generator, tuple[int, int]], Grey]] = {
    "white": white,
    "brushed": brushed,
    "satin": satin,
    "blasted": blasted,
    "tumbled": tumbled,
}
LAID = ("brushed", "satin")  # with a lay, along x


def arc(middle: ArrayLike, angle_rad: float, length_px: float, bow_px: float = 0.0) -> Points:
    """Points of a scratch from end to end, one a pixel; its middle lies `bow_px` off the chord."""
    along = np.linspace(-0.5, 0.5, max(2, round(length_px) + 1))
    axis = np.array([np.cos(angle_rad), np.sin(angle_rad)])
    side = np.array([-axis[1], axis[0]])
    off = bow_px * (1.0 - 4.0 * along**2)
    return np.asarray(middle, np.float64) + length_px * along[:, None] * axis + off[:, None] * side


def add_scratch(grey: Grey, points: Points, contrast: float, width_px: float = 2.0) -> None:
    """Add a scratch of even height, its borders a pixel wide and soft, to a picture in place.

    The distance to the way is that to the nearest of its points, four to a pixel.
    """
    low = np.maximum(np.floor(points.min(axis=0)).astype(int) - 6, 0)
    high = np.minimum(np.ceil(points.max(axis=0)).astype(int) + 7, grey.shape[::-1])
    if np.any(high <= low):
        return
    scale = 4
    size = (high - low) * scale
    drawn = np.zeros((int(size[1]), int(size[0])), np.uint8)
    fixed = np.rint(((points - low + 0.5) * scale - 0.5) * (1 << _SUB)).astype(np.int32)
    cv2.polylines(drawn, [fixed], False, 255, 1, cv2.LINE_8, _SUB)
    away = cv2.distanceTransform(255 - drawn, cv2.DIST_L2, cv2.DIST_MASK_PRECISE) / scale
    fine = np.clip(width_px / 2 + 0.5 - away, 0.0, 1.0)
    cover = cv2.resize(fine, tuple(int(side) for side in high - low), interpolation=cv2.INTER_AREA)
    grey[low[1] : high[1], low[0] : high[0]] += np.float32(contrast) * cover.astype(np.float32)


def _streaks(
    rng: np.random.Generator, shape: tuple[int, int], *, angle_rad: float, along_px: float, across_px: float
) -> Grey:
    noise = np.fft.rfft2(white(rng, shape))
    y, x = np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None]
    along = x * np.cos(angle_rad) + y * np.sin(angle_rad)
    across = y * np.cos(angle_rad) - x * np.sin(angle_rad)
    gain = np.exp(-2.0 * np.pi**2 * ((along * along_px) ** 2 + (across * across_px) ** 2))
    return _unit(np.fft.irfft2(noise * gain, shape).astype(np.float32))


def _fine(rng: np.random.Generator, shape: tuple[int, int]) -> Grey:
    return _unit(cv2.GaussianBlur(white(rng, shape), (0, 0), 0.5))


def _unit(grey: Grey) -> Grey:
    return np.asarray(grey / grey.std(), dtype=np.float32)
