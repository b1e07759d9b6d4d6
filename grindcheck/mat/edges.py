"""What the mat's black and white tell about a photo: blur, halo, clipping, and the light over the field."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from grindcheck.geometry import Array
from grindcheck.mat.spec import MARKER_MM, SQUARE_MM, MatSpec

_RIM_MM = (SQUARE_MM - MARKER_MM) / 2
_ACROSS_MM = 1.3  # of the rim's 1.5 mm
_ALONG_MM = np.linspace(1.8, 4.6, 15)  # from the crossing along a side; the marker lies beyond the rim
_MOST_CROSSINGS = 28
_BIN_PX = 0.2
_LOBES_FROM = 0.01  # halo; without one, lobes would only stand in for a part of the blur
_WHITE_END = 254  # of 255: clipped


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeSpread:
    """Blur and halo; see `MatView`."""

    blur_px: float
    halo: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """Samples of white and black; see `MatView`."""

    white_mm: Array
    white_linear: Array
    black_mm: Array
    black_linear: Array
    clipped: float


@cache
def linear_levels() -> Array:
    """Return the linear light 0..1 of each of the 256 sRGB levels (IEC 61966-2-1)."""
    encoded = np.arange(256) / 255.0
    table = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    table.setflags(write=False)
    return table


def edge_spread(bgr: NDArray[np.uint8], corner_px: Array, slopes: Array) -> EdgeSpread:
    """Measure the spread of the edges that run from the crossings along the squares' sides.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (H, W, 3)
    corner_px : ndarray, shape (N, 2)
        Refined crossings.
    slopes : ndarray, shape (N, 2, 2)
        Derivatives of px by mm there.

    Notes
    -----
    Pixels are taken as they are, each with its distance from its edge, so that no interpolation blurs them.
    The pooled profile is fitted with a Gaussian's integral, plus two antisymmetric lobes if there is a halo.
    The sigma includes the pixel's own square (0.29 px). The halo is read in encoded values, in which
    phones sharpen; above a clipped white nothing can be seen, so the larger of the two sides counts.
    """
    chosen = np.unique(np.linspace(0, len(corner_px) - 1, min(_MOST_CROSSINGS, len(corner_px))).astype(int))
    distance, level = _edge_pixels(bgr, corner_px[chosen], slopes[chosen])
    light = linear_levels()[level]
    reach = np.nanmax(np.abs(distance), axis=1)
    far = np.abs(distance) > 0.6 * reach[:, None]
    white, black = far & (distance > 0), far & (distance < 0)
    profiles = []
    for values in (light, level / 255.0):
        low, high = _masked_mean(values, black), _masked_mean(values, white)
        step = np.where(high - low > 0.05, high - low, np.nan)
        profiles.append((values - low[:, None]) / step[:, None])
    # place of each edge from the area under its profile: spread of ink moves edges, and a halo doesn't
    inside = np.abs(distance) < 0.9 * reach.min()
    area = _masked_mean(profiles[0], inside)
    place = 0.9 * reach.min() * (1 - 2 * area)
    from_edge = distance - place[:, None]
    usable = np.isfinite(profiles[0]) & (np.abs(from_edge) < 0.9 * reach.min())
    at, linear_profile = _binned(from_edge[usable], profiles[0][usable])
    _, encoded_profile = _binned(from_edge[usable], profiles[1][usable])
    halo = _halo(at, encoded_profile)
    return EdgeSpread(blur_px=_gaussian_sigma(at, linear_profile, lobes=halo > _LOBES_FROM), halo=halo)


def _edge_pixels(bgr: NDArray[np.uint8], corner_px: Array, slopes: Array) -> tuple[Array, NDArray[np.uint8]]:
    """Return signed distances (white positive) and green levels, each of shape (edges, pixels)."""
    typical = float(np.median(np.sqrt(np.abs(np.linalg.det(slopes)))))
    count = int(2 * _ACROSS_MM * typical) + 1
    across = np.linspace(-_ACROSS_MM, _ACROSS_MM, count)
    distances, levels = [], []
    height, width = bgr.shape[:2]
    for axis in (0, 1):
        for sense in (-1.0, 1.0):
            along = sense * _ALONG_MM
            mesh = np.stack(np.meshgrid(along, across, indexing="ij"), -1).reshape(-1, 2)
            offsets = mesh if axis == 0 else mesh[:, ::-1]
            place = corner_px[:, None] + offsets @ slopes.transpose(0, 2, 1)
            whole = np.rint(place).astype(int)
            whole = np.clip(whole, 0, [width - 1, height - 1])
            direction = slopes[:, :, axis] / np.linalg.norm(slopes[:, :, axis], axis=1, keepdims=True)
            away = whole - corner_px[:, None]
            distance = away[:, :, 1] * direction[:, None, 0] - away[:, :, 0] * direction[:, None, 1]
            level = bgr[whole[:, :, 1], whole[:, :, 0], 1]
            # white positive: by the levels themselves
            brighter = _masked_mean(level, distance > 0) > _masked_mean(level, distance < 0)
            distances.append(np.where(brighter[:, None], distance, -distance))
            levels.append(level)
    return np.concatenate(distances), np.concatenate(levels)


def _masked_mean(values: NDArray[np.generic], mask: NDArray[np.bool_]) -> Array:
    kept = np.where(mask, values, 0).astype(np.float64)
    return np.asarray(kept.sum(axis=1) / np.maximum(mask.sum(axis=1), 1))


def _binned(at: Array, values: Array) -> tuple[Array, Array]:
    """Return the mean in bins of `_BIN_PX`, empty ones left out."""
    index = np.floor(at / _BIN_PX).astype(int)
    first = index.min()
    count = np.bincount(index - first)
    total = np.bincount(index - first, weights=values)
    where = np.bincount(index - first, weights=at)
    full = count >= 5
    return where[full] / count[full], total[full] / count[full]


def _gaussian_sigma(at: Array, profile: Array, *, lobes: bool) -> float:
    """Return sigma of the Gaussian's integral that fits best, lobes of sharpening beside it or not."""
    # levels, step and lobe height are linear, so sigma and the lobes' width are tried on a grid
    grid = np.geomspace(0.25, 0.7 * at.max(), 60)
    ratio = np.array([1.5, 2.2, 3.0])
    edge = np.broadcast_to(_normal_integral(at / grid[:, None])[:, None], (len(grid), len(ratio), len(at)))
    x = at / (grid[:, None, None] * ratio[:, None])
    columns = np.stack([np.ones_like(x), edge, x * np.exp(0.5 - x * x / 2)], axis=2)
    if not lobes:
        columns = columns[:, :1, :2]
    normal = columns @ columns.swapaxes(2, 3) + 1e-9 * np.eye(columns.shape[2])
    right = columns @ profile
    solution = np.linalg.solve(normal, right[..., None])[..., 0]
    costs = (profile @ profile - np.sum(solution * right, axis=2)).min(axis=1)
    best = int(np.argmin(costs))
    if 0 < best < len(grid) - 1:
        before, here, after = costs[best - 1 : best + 2]
        bend = before - 2 * here + after
        shift = 0.5 * (before - after) / bend if bend > 0 else 0.0
        return float(grid[best] * (grid[1] / grid[0]) ** shift)
    return float(grid[best])


@cache
def _normal_table() -> tuple[Array, Array]:
    x = np.linspace(-6, 6, 2401)
    density = np.exp(-x * x / 2) / np.sqrt(2 * np.pi)
    integral = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) / 2 * (x[1] - x[0]))])
    return x, integral


def _normal_integral(x: Array) -> Array:
    return np.asarray(np.interp(x, *_normal_table()))


def _halo(at: Array, profile: Array) -> float:
    """Return the overshoot beyond the plateaus, as a share of the step."""
    smooth = np.convolve(profile, np.ones(3) / 3, mode="valid")
    middle = at[1:-1]
    far = 0.7 * at.max()
    white, black = smooth[middle > far], smooth[middle < -far]
    if len(white) == 0 or len(black) == 0:
        return 0.0
    above = smooth[middle > 0].max() - np.median(white)
    below = np.median(black) - smooth[middle < 0].min()
    # what the plateau's own noise reaches is no halo
    noise = max(np.ptp(white), np.ptp(black))
    halo = max(above, below) / (np.median(white) - np.median(black))
    return float(halo) if halo > noise else 0.0


def light_samples(
    bgr: NDArray[np.uint8],
    spec: MatSpec,
    markers: list[int],
    px_from_mm: Callable[[Array], Array],
    slopes_at: Callable[[Array], Array],
) -> Light:
    """Sample the white rims round markers and the dark squares.

    Parameters
    ----------
    markers : list of int
        Ids of the markers seen; a covered one has no white to show.
    px_from_mm : callable
        From (N, 2) mm to (N, 2) px.
    slopes_at : callable
        From (N, 2) mm to the (N, 2, 2) derivatives of px by mm there.
    """
    places = spec.markers()
    rim = (SQUARE_MM / 2 + MARKER_MM / 2) / 2
    steps = np.linspace(-rim, rim, 7)[:-1]
    around = np.concatenate([[(s, -rim), (rim, s), (-s, rim), (-rim, -s)] for s in steps])
    white_mm = np.array([spec.square_centre_mm(*places[marker]) for marker in markers])
    white, top = _medians(bgr, px_from_mm(white_mm), slopes_at(white_mm), around)
    within = np.stack(np.meshgrid([-3.0, -1.5, 0.0, 1.5, 3.0], [-3.0, -1.5, 0.0, 1.5, 3.0]), -1).reshape(
        -1, 2
    )
    black_mm = np.array([spec.square_centre_mm(*place) for place in spec.dark_squares()])
    black, _ = _medians(bgr, px_from_mm(black_mm), slopes_at(black_mm), within)
    seen = np.isfinite(black).all(axis=1)
    if seen.any() and len(white):
        # fingers, a handle or glare on a dark square are brighter than ink
        seen &= black.mean(axis=1) < 0.5 * (
            np.nanmedian(black.mean(axis=1)[seen]) + np.nanmedian(white.mean(axis=1))
        )
    kept = np.isfinite(white).all(axis=1)
    return Light(
        white_mm=white_mm[kept], white_linear=white[kept], black_mm=black_mm[seen], black_linear=black[seen],
        clipped=top,
    )  # fmt: skip


def _medians(
    bgr: NDArray[np.uint8], centre_px: Array, slopes: Array, offsets_mm: Array
) -> tuple[Array, float]:
    """Return linear BGR medians (N, 3) at the offsets round each centre, and the share of clipped samples."""
    height, width = bgr.shape[:2]
    whole = np.rint(centre_px[:, None] + offsets_mm @ slopes.transpose(0, 2, 1)).astype(int)
    inside = np.all((whole >= 0) & (whole < [width, height]), axis=(1, 2))
    out = np.full((len(centre_px), 3), np.nan)
    if not inside.any():
        return out, 0.0
    level = bgr[whole[inside, :, 1], whole[inside, :, 0]]
    # levels rise with light, so the middle one (of an odd count, sorted) is the same before and after
    out[inside] = linear_levels()[np.sort(level, axis=1)[:, level.shape[1] // 2]]
    return out, float(np.mean((level >= _WHITE_END).any(axis=2)))
