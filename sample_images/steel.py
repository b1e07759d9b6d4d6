"""Surfaces as pictures: the lines that a grit leaves in steel, wood, cloth, and the printed mat.

Every picture is float32 and tiles; its first axis is v, its second u. Steel's lines run along u.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Picture = NDArray[np.float32]

TILE_MM = 160.0  # side of the steel's tile
_ACROSS, _ALONG = 6400, 320  # texels across and along the lines: 0.025 mm and 0.5 mm

# grit to rms slope of the lines and to their width's scale; common practice, no source
GRITS = {120: (0.17, 1.5), 220: (0.14, 1.15), 320: (0.115, 1.0), 400: (0.095, 0.85), 600: (0.075, 0.7)}


def ground(grit: int, rng: np.random.Generator) -> Picture:
    """Return the normal map, shape (6400, 320, 3), of steel ground with a grit: normals as (n + 1) / 2."""
    slope_rms, scale = GRITS[grit]
    slope = np.zeros((_ACROSS, _ALONG), np.float32)
    for width_mm, long_mm, share in (
        (0.025, 3, 1.0),
        (0.06, 6, 0.9),
        (0.15, 14, 0.55),
        (0.5, 30, 0.22),
        (2.0, 60, 0.1),
    ):
        slope += share * _streaks(rng, width_mm * scale, long_mm)
    lines = rng.standard_normal(slope.shape).astype(np.float32)  # the few grains that cut deeper
    lines = np.where(np.abs(lines) > 3.6, lines, 0)
    lines = ndimage.gaussian_filter(lines, (1.2 * scale, 20), mode="wrap")
    lines = np.diff(lines, axis=0, append=lines[:1])
    slope += 0.8 * lines / (lines.std() + 1e-9) * (np.abs(lines) > lines.std())
    slope *= slope_rms / slope.std()
    return _normals(slope)


def _streaks(rng: np.random.Generator, width_mm: float, long_mm: float) -> Picture:
    noise = rng.standard_normal((_ACROSS, _ALONG)).astype(np.float32)
    sigma = (width_mm / TILE_MM * _ACROSS / 2, long_mm / TILE_MM * _ALONG / 2)
    smooth = ndimage.gaussian_filter(noise, sigma, mode="wrap")
    return smooth / smooth.std()


def _normals(slope: Picture) -> Picture:
    length = np.sqrt(1 + slope**2)
    return np.stack([np.full_like(slope, 0.5), 0.5 + 0.5 * slope / length, 0.5 + 0.5 / length], axis=-1)


def film(rng: np.random.Generator, amount: float) -> Picture:
    """Return how much light the steel gives back, shape (512, 512, 3): oil, finger marks, faint stains."""
    clouds = ndimage.gaussian_filter(rng.standard_normal((512, 512)), 18, mode="wrap")
    clouds = clouds / clouds.std()
    spots = ndimage.gaussian_filter((rng.random((512, 512)) > 0.9993).astype(float), 3.0, mode="wrap")
    spots = np.clip(spots / (spots.max() + 1e-9) * 3, 0, 1)
    back = 1 - amount * (0.06 * clouds + 0.28 * spots) - 0.02 * clouds
    return np.clip(np.stack([back, back, back - amount * 0.04 * np.abs(clouds)], -1), 0.3, 1.0).astype(
        np.float32
    )


def wood(rng: np.random.Generator, tone: tuple[float, float, float]) -> Picture:
    """Return planks' grain along u, shape (1024, 1024, 3), linear reflectance."""
    noise = rng.standard_normal((1024, 1024))
    grain = ndimage.gaussian_filter(noise, (2, 90), mode="wrap")
    bands = ndimage.gaussian_filter(noise[::-1], (25, 300), mode="wrap")
    pores = ndimage.gaussian_filter((rng.random((1024, 1024)) > 0.995).astype(float), (0.7, 9), mode="wrap")
    level = 1 + 0.16 * grain / grain.std() + 0.22 * bands / bands.std() - 0.12 * pores / pores.std()
    level = np.maximum(level, 0.2)
    return np.clip(np.asarray(tone) * level[..., None] ** np.array([0.9, 1.0, 1.15]), 0.01, 0.85).astype(
        np.float32
    )


def cloth(rng: np.random.Generator, tone: tuple[float, float, float]) -> Picture:
    """Return a woven cloth, shape (1024, 1024, 3), linear reflectance."""
    y, x = np.mgrid[0:1024, 0:1024] * (2 * np.pi / 1024)
    weave = np.sin(160 * x) * np.sin(160 * y) + 0.5 * np.sin(80 * (x + y))
    noise = ndimage.gaussian_filter(rng.standard_normal((1024, 1024)), 1.5, mode="wrap")
    level = 1 + 0.15 * weave + 0.12 * noise / noise.std()
    return np.clip(np.asarray(tone) * level[..., None], 0.01, 0.85).astype(np.float32)


def paper_grain(rng: np.random.Generator) -> Picture:
    """Return the tinted field's unevenness, shape (512, 512), about 1."""
    fine = ndimage.gaussian_filter(rng.standard_normal((512, 512)), 0.8, mode="wrap")
    soft = ndimage.gaussian_filter(rng.standard_normal((512, 512)), 12, mode="wrap")
    return (1 + 0.02 * fine / fine.std() + 0.012 * soft / soft.std()).astype(np.float32)


def printed(mat: dict[str, Any], *, paper: float = 0.78, ink: float = 0.035, per_mm: int = 24) -> Picture:
    """Return the sheet's black and white print, shape (height, width), at whole texels per square and cell.

    The middle of the picture is the middle of the sheet; 24 texels a mm put every border of a square (12 mm)
    and of a marker's cell (1.125 mm) onto a border of texels, so nothing is rounded.
    """
    width, height = (2 * round(mat[key] * per_mm / 2) for key in ("width_mm", "height_mm"))
    sheet = np.full((height, width), paper, np.float32)
    square = round(mat["square_mm"] * per_mm)
    left = width // 2 - mat["columns"] * square // 2
    upper = height // 2 - mat["rows"] * square // 2
    for column, row in mat["dark_squares"]:
        sheet[
            upper + row * square : upper + (row + 1) * square,
            left + column * square : left + (column + 1) * square,
        ] = ink
    cell = round(mat["marker_mm"] * per_mm / 8)
    for marker in mat["markers"]:
        bits = np.array([[c == "1" for c in line] for line in marker["cells"]])
        drawn = np.where(np.kron(bits, np.ones((cell, cell), bool)), paper, ink)
        inset = (square - 8 * cell) // 2
        y, x = upper + marker["row"] * square + inset, left + marker["column"] * square + inset
        sheet[y : y + 8 * cell, x : x + 8 * cell] = drawn
    for x0, y0, x1, y1 in mat["bars_mm"].values():
        columns = _cover(x0 * per_mm + width / 2, x1 * per_mm + width / 2, width)
        rows = _cover(height / 2 - y1 * per_mm, height / 2 - y0 * per_mm, height)
        sheet += (rows[:, None] * columns[None, :] * (ink - paper)).astype(np.float32)
    return sheet


def _cover(begin: float, end: float, count: int) -> NDArray[np.float64]:
    """Share of each texel that lies between two places."""
    index = np.arange(count)
    return np.clip(np.minimum(index + 1, end) - np.maximum(index, begin), 0, 1)


def linear(srgb: Any) -> NDArray[np.float64]:
    """Return linear light of 8-bit sRGB."""
    share = np.asarray(srgb, float) / 255
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
