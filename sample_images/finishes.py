"""Finishes of a face as slopes of its surface: belt ground, satin, brushed, tumbled, blasted, etched.

A finish is a dict: ``kind``, ``grit`` (belt, satin, brushed, etched: of the paper before) and ``angle_deg``
of its lay against the blade's axis (0 along the blade, 90 across). Numbers are common practice, no source.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scratches import Box, short_lines
from steel import GRITS

Picture = NDArray[np.float32]

KINDS = ("belt", "satin", "brushed", "tumbled", "blasted", "etched")
LAYLESS = ("tumbled", "blasted", "mirror", "polished")
_COARSE = 5  # texels between the places along a line where it is drawn
# kind to roughness along and across the lay below what the texels show, and share of light given back
_GLOSS = {
    "belt": (0.1, 0.24, 0.46), "satin": (0.08, 0.19, 0.46), "brushed": (0.09, 0.2, 0.46),
    "tumbled": (0.21, 0.21, 0.42), "blasted": (0.42, 0.42, 0.36), "etched": (0.34, 0.36, 0.17),
    "oxide": (0.3, 0.3, 0.05), "mirror": (0.035, 0.035, 0.58), "polished": (0.004, 0.004, 0.6),
}  # fmt: skip
_SPREAD_DEG = {
    "belt": 0.6,
    "satin": 1.2,
    "brushed": 2.5,
    "etched": 1.0,
    "oxide": 1.0,
}  # of the lines' directions


def gloss(finish: dict[str, Any]) -> tuple[float, float, float]:
    """Return roughness along and across the lay, and the share of light that the steel gives back."""
    return _GLOSS[finish["kind"]]


def lay_rad(finish: dict[str, Any]) -> float:
    """Return the direction of the lay's lines against the blade's axis; 0 without a direction."""
    return 0.0 if finish["kind"] in LAYLESS else float(np.radians(finish["angle_deg"]))


def surface_slopes(finish: dict[str, Any], box: Box, rng: np.random.Generator) -> Picture:
    """Return the finish's slopes along u and v, shape (rows, columns, 2)."""
    kind = finish["kind"]
    if kind in ("belt", "satin", "brushed"):
        slopes = _lines(box, rng, finish["grit"], _SPREAD_DEG[kind], broken=kind == "brushed")
    elif kind == "tumbled":
        slopes = _tumbled(box, rng)
    elif kind == "mirror":  # what the last compound leaves: an orange peel too shallow to see as lines
        slopes = _pits(box, rng, ((0.6, 1.0), (2.0, 1.0)), 0.004)
    elif kind == "polished":  # flat enough to see the phone's outline in it
        slopes = _pits(box, rng, ((2.0, 1.0), (6.0, 1.0)), 0.001)
    elif kind == "blasted":
        slopes = _pits(box, rng, ((0.03, 1.0), (0.07, 0.7), (0.2, 0.25)), 0.2)
    else:  # acid, and the bath of a black oxide, eat into what the paper left
        slopes = 0.4 * _lines(box, rng, finish["grit"], _SPREAD_DEG[kind], broken=False)
        slopes += _pits(box, rng, ((0.03, 1.0), (0.1, 0.5)), 0.07)
    return slopes


def mottle(finish: dict[str, Any], shape: tuple[int, int], rng: np.random.Generator) -> Picture:
    """Return the finish's own unevenness in the light that it gives back, about 1; texels of 0.1 mm."""
    if finish["kind"] != "etched":
        return np.ones(shape, np.float32)
    level = np.zeros(shape)
    for sigma, amount in ((3, 0.02), (12, 0.04), (60, 0.06)):
        clouds = ndimage.gaussian_filter(rng.standard_normal(shape), sigma)
        level += amount * clouds / clouds.std()
    return np.clip(1 + level, 0.5, 1.5).astype(np.float32)


def _lines(box: Box, rng: np.random.Generator, grit: int, spread_deg: float, *, broken: bool) -> Picture:
    """Lines along u: a sum of layers of lines of one width each, each at its own slight angle."""
    slope_rms, scale = GRITS[grit]
    total = np.zeros(box.shape, np.float32)
    longer = 0.45 if broken else 1.0
    for width_mm, long_mm, share in (
        (0.03, 3, 0.7), (0.03, 4, 0.7), (0.06, 6, 0.65), (0.06, 8, 0.65), (0.15, 14, 0.4), (0.15, 12, 0.4),
        (0.5, 30, 0.2), (2.0, 60, 0.1),
    ):  # fmt: skip
        layer = _streaks(box, rng, width_mm * scale, long_mm * longer)
        total += share * _leaning(layer, np.radians(rng.normal(0, spread_deg)), box.shape[1])
    for _ in range(3):  # the few grains that cut deeper
        layer = _cuts(box, rng, scale, 12 * longer)
        total += 0.5 * _leaning(layer, np.radians(rng.normal(0, spread_deg)), box.shape[1])
    total *= slope_rms / total.std()
    return np.stack([np.zeros_like(total), total], axis=-1)


def _coarse_shape(box: Box) -> tuple[int, int]:
    return box.shape[0], box.shape[1] // _COARSE + 2


def _smoothed(noise: Picture, box: Box, width_mm: float, long_mm: float) -> Picture:
    smooth = ndimage.gaussian_filter1d(noise, width_mm / 2 / box.texel_mm, axis=0, mode="wrap")
    size = max(1, round(long_mm / 2 * 1.8 / box.texel_mm / _COARSE))  # three boxes are nearly a Gaussian
    for _ in range(3):
        smooth = ndimage.uniform_filter1d(smooth, size, axis=1, mode="wrap")
    return smooth


def _streaks(box: Box, rng: np.random.Generator, width_mm: float, long_mm: float) -> Picture:
    noise = rng.standard_normal(_coarse_shape(box), dtype=np.float32)
    smooth = _smoothed(noise, box, width_mm, long_mm)
    return smooth / smooth.std()


def _cuts(box: Box, rng: np.random.Generator, scale: float, long_mm: float) -> Picture:
    shape = _coarse_shape(box)
    noise = np.where(rng.random(shape, dtype=np.float32) < 2.5e-4, 1, 0).astype(np.float32)
    noise *= rng.lognormal(0, 0.4, shape).astype(np.float32)
    smooth = _smoothed(noise, box, 0.05 * scale, long_mm)
    rise = np.diff(smooth, axis=0, append=smooth[:1])
    return rise / (rise.std() + 1e-12)


def _leaning(layer: Picture, lean_rad: float, columns: int) -> Picture:
    """Shear a layer so that its lines lean, and draw it at every column."""
    rows, coarse = layer.shape
    off = np.tan(lean_rad) * _COARSE * (np.arange(coarse) - coarse / 2)
    whole = np.floor(off).astype(int)
    part = (off - whole).astype(np.float32)
    row = np.arange(rows)[:, None]
    low = np.take_along_axis(layer, (row - whole) % rows, axis=0)
    high = np.take_along_axis(layer, (row - whole - 1) % rows, axis=0)
    leant = low * (1 - part) + high * part
    at = np.arange(columns) / _COARSE
    first = at.astype(int)
    rest = (at - first).astype(np.float32)
    return leant[:, first] * (1 - rest) + leant[:, first + 1] * rest


def _pits(box: Box, rng: np.random.Generator, sizes: Any, slope_rms: float) -> Picture:
    """Return slopes of a surface uneven in all directions: a sum of bumps of some sizes (mm)."""
    total = np.zeros((*box.shape, 2), np.float32)
    for size_mm, share in sizes:
        noise = rng.standard_normal(box.shape, dtype=np.float32)
        height = ndimage.gaussian_filter(noise, size_mm / 2 / box.texel_mm, mode="wrap", truncate=3.0)
        slopes = np.stack(np.gradient(height)[::-1], axis=-1)
        total += share * slopes / slopes.std()
    return total * (slope_rms / total.std())


def _tumbled(box: Box, rng: np.random.Generator) -> Picture:
    """Many short lines of all directions, dents, and a worn ground below them."""
    area = box.shape[0] * box.shape[1] * box.texel_mm**2
    lines, _ = short_lines(box, int(12 * area), rng, long_mm=0.9, wide_mm=0.045, slope=0.16)
    worn = _pits(box, rng, ((0.05, 1.0), (0.12, 0.7), (0.6, 0.3)), 0.03)
    dents = np.zeros(box.shape, np.float32)
    for size_mm, each, deep in ((0.06, 1.2, 0.7), (0.15, 0.2, 1.2)):
        hits = (rng.random(box.shape, dtype=np.float32) < each * box.texel_mm**2).astype(np.float32)
        sigma = size_mm / 2 / box.texel_mm
        bowl = ndimage.gaussian_filter(hits, sigma, truncate=3.0) * (2 * np.pi * sigma**2)
        dents -= deep * 0.2 * size_mm / 2 / box.texel_mm * bowl  # slopes up to about 0.09 and 0.15
    return lines + worn + np.stack(np.gradient(dents)[::-1], axis=-1)
