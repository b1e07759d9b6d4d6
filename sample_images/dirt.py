"""What a workshop leaves on the mat: grinding dust, smears of oil, finger prints, as pictures of the sheet.

A mat's dirt is a dict: ``seed``; ``dust_per_cm2``, grains of grit and steel; ``haze``, share of the paper
that finer dust covers on average; ``smears`` and ``prints``, how many wiping marks and oily finger prints.
Numbers are common practice, no source. Row 0 of every picture is the sheet's upper border.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Picture = NDArray[np.float32]

PER_MM = 12  # texels
DUST = np.array([0.085, 0.08, 0.075], np.float32)  # linear reflectance of grit and steel
_GRAINS = ((0.1, 0.72), (0.2, 0.2), (0.4, 0.08))  # diameter in mm, share of all grains
_RIDGE_MM = 0.48  # from ridge to ridge of a finger
_FINGER_MM = (7.0, 10.0)  # half axes of what a finger touches


def soil(shape: tuple[int, int], dirt: dict[str, Any]) -> tuple[Picture, Picture]:
    """Return the dirt of a sheet.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns, `PER_MM` to a mm.
    dirt : dict
        As the module describes it.

    Returns
    -------
    oil : ndarray, shape (rows, columns)
        Share of its light that the paper keeps where oil has soaked in.
    dust : ndarray, shape (rows, columns)
        Share of each texel that dust covers.
    """
    rng = np.random.default_rng([dirt["seed"], 11])
    oil = np.ones(shape, np.float32)
    for _ in range(dirt["smears"]):
        _smear(oil, rng)
    for _ in range(dirt["prints"]):
        _finger_print(oil, rng)
    return oil, _dust(shape, dirt, rng)


def soiled(level: Picture, oil: Picture, dust: Picture) -> Picture:
    """Return reflectance, grey (rows, columns) or coloured (rows, columns, 3), with the dirt on it."""
    tone: Any = DUST
    if level.ndim == 3:
        oil, dust = oil[..., None], dust[..., None]
    else:
        tone = DUST.mean()
    return (level * oil * (1 - dust) + tone * dust).astype(np.float32)


def middle(picture: Picture, size_mm: tuple[float, float]) -> Picture:
    """Return the middle of a sheet's picture, so wide and high."""
    rows, columns = (round(size * PER_MM) for size in size_mm[::-1])
    top, left = (picture.shape[0] - rows) // 2, (picture.shape[1] - columns) // 2
    return picture[top : top + rows, left : left + columns]


def _dust(shape: tuple[int, int], dirt: dict[str, Any], rng: np.random.Generator) -> Picture:
    coarse = rng.standard_normal((shape[0] // PER_MM + 2, shape[1] // PER_MM + 2))
    clouds = ndimage.gaussian_filter(coarse, 14)  # 1 texel a mm
    clouds = np.kron(np.exp(0.8 * clouds / clouds.std()), np.ones((PER_MM, PER_MM)))[: shape[0], : shape[1]]
    where = np.minimum(clouds / clouds.mean(), 3).astype(np.float32)
    cover = dirt["haze"] * where
    for wide_mm, share in _GRAINS:
        chance = dirt["dust_per_cm2"] * share / (10 * PER_MM) ** 2
        grains = (rng.random(shape, dtype=np.float32) < chance * where).astype(np.float32)
        sigma = wide_mm / 2.5 * PER_MM
        cover += ndimage.gaussian_filter(grains, sigma, truncate=2.5) * (2 * np.pi * sigma**2 * 1.5)
    return np.clip(cover, 0, 0.95).astype(np.float32)


def _at(shape: tuple[int, int], reach_mm: float, rng: np.random.Generator) -> tuple[Any, Any, Any]:
    """Draw a place and a direction: a window of the sheet, and mm along and across within it."""
    place = rng.uniform(0, 1, 2) * shape
    reach = round(reach_mm * PER_MM)
    rows, columns = (
        slice(max(0, int(p) - reach), min(n, int(p) + reach)) for p, n in zip(place, shape, strict=True)
    )
    y, x = np.ogrid[rows, columns]
    y, x = (y - place[0]) / PER_MM, (x - place[1]) / PER_MM
    turn = rng.uniform(0, 2 * np.pi)
    along = np.cos(turn) * x + np.sin(turn) * y
    return (rows, columns), along, np.cos(turn) * y - np.sin(turn) * x


def _smear(oil: Picture, rng: np.random.Generator) -> None:
    """Wipe once across the sheet: a bent band of fine stripes."""
    half, wide = rng.uniform(20, 55), rng.uniform(5, 14)
    window, along, across = _at(oil.shape, half * 1.3, rng)
    across = across - rng.normal(0, 0.003) * along**2
    stripes = ndimage.gaussian_filter1d(rng.standard_normal(600), 2.0)  # 0.1 mm each
    striped = np.interp(across, np.linspace(-30, 30, 600), stripes / stripes.std())
    band = np.exp(-((across / wide) ** 4) - (along / half) ** 4)
    taken = rng.uniform(0.12, 0.3) * band * np.clip(0.7 + 0.35 * striped, 0, 1.4)
    oil[window] *= (1 - taken).astype(np.float32)


def _finger_print(oil: Picture, rng: np.random.Generator) -> None:
    """Touch the sheet with an oily finger: ridges that run round a core and bend aside."""
    window, along, across = _at(oil.shape, 1.3 * max(_FINGER_MM), rng)
    wide, long = _FINGER_MM
    core = rng.uniform(-1.5, 1.5, 2)
    away = np.hypot(along - core[0], (across - core[1]) * rng.uniform(1.0, 1.4))
    bend = rng.uniform(0.5, 1.2) * np.sin(along / rng.uniform(2.5, 4) + rng.uniform(0, 6))
    ridges = 0.5 + 0.5 * np.cos(2 * np.pi * (away + bend) / _RIDGE_MM)
    pad = np.clip(6 * (1 - (along / long) ** 2 - (across / wide) ** 2), 0, 1)
    oil[window] *= (1 - rng.uniform(0.2, 0.45) * pad * (0.25 + 0.75 * ridges)).astype(np.float32)
