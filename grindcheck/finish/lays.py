"""The lay of a region: which way the surface's lines run, how surely, and the standard's symbol for it."""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from grindcheck.errors import InputError
from grindcheck.finish.results import RegionLay, Symbol
from grindcheck.geometry import Array

_FINEST_PX = 1.0  # sigma of the derivative
_LINE_MM = 0.05  # its sigma in a close-up, where a pixel is finer than a line
_COARSEST_PX = 3.0
_CELL = 16  # pixels; the tensor is summed over such squares
_BRIGHTEST = 0.75  # of all squares have less energy; a glint or a deep scratch is no lay and counts no more
_LEVELS = 8  # of brightness, at which noise is told apart
_BLOCKS = (64, 32, 16)  # pixels a side of the spectrum's windows, the largest that fits
_MOST_BLOCKS = 400
_ANGLES = 72  # over 180°
_APART_RAD = np.deg2rad(15.0)  # peaks nearer than this are one direction
_SHARE = 0.15  # of the lines' energy; a direction with less is leftover scratches, not a lay
_ROUNDS = 30
_UNEVEN = 0.05  # of the lobe; unevenness of pixels and compression
_SIGNIFICANT = 4.0  # sigmas
_PARTS = 16  # of the region, left out in turn
_AGREE = 3.0  # sigmas that tensor and spectrum may lie apart
_WINDOW_RAD = np.deg2rad(0.25)  # how well a peak of such windows is placed
_PIXEL_RAD = np.deg2rad(0.03)  # the sampled derivative isn't quite the same in all directions
_EVEN_RAD = np.pi / np.sqrt(12.0)  # spread of directions that are all as likely


@dataclass(frozen=True, slots=True)
class _Cells:
    """The gradients' tensor over squares of `_CELL` pixels: twice the angle as a complex number, energy."""

    turning: NDArray[np.complex128]  # shape (rows, columns), weighted
    energy: Array
    doubt: (
        Array  # of the energy, since the noise that was subtracted isn't known exactly; 0 outside the region
    )

    def whole(self) -> float:
        """Return all energy; what may be noise as well counts as without direction."""
        return max(float(self.energy.sum()), 0.0) + float(self.doubt.sum()) + 1e-30


def region_lay(
    brightness: NDArray[np.float32], mask: NDArray[np.bool_], *, step_mm: float | None = None
) -> RegionLay:
    """Find the lay of a region.

    Parameters
    ----------
    brightness : ndarray, shape (rows, columns)
        Any measure of brightness; only what lies in the mask is used.
    mask : ndarray of bool, shape (rows, columns)
    step_mm : float, optional
        Millimetres per pixel: in a close-up, derivatives are then taken over a line's width, not a pixel.

    Returns
    -------
    RegionLay
        For ``X`` the direction is that of the stronger lines. ``M``, ``C``, ``R`` and ``P`` have none.

    Raises
    ------
    InputError
        If the region is nowhere 16 pixels wide.

    Notes
    -----
    Direction and strength are those of the structure tensor (Bigün and Granlund 1987) of Gaussian
    derivatives, summed with the gradients' own energy. Departures: no square counts for more than the upper
    quartile of their energies, and the photo's noise, taken as white and depending on brightness, is
    subtracted; it is read off where the spectrum's highest frequencies have little power, which is along
    the lines. Noise that isn't white, as compression leaves, counts as texture without lay. The std follows
    from how the squares' directions scatter, neighbours along the lines counted together for as long as
    they agree (Geyer 1992). Where other lines or the light's own lobe (below) turn the tensor away from the
    spectrum's peak, the peak's direction is told. All is relative to the picture's +x;
    `grindcheck.finish.regions.blade_direction` turns it to the blade's axis.

    Symbols follow the meaning that ISO 1302 gave and ISO 21920-1 kept (from memory): = parallel to the
    plane of projection, here along the blade; ⊥ square to it; X crossed in two oblique directions; M
    multidirectional; C about circular around the surface's centre; R about radial to it; P particulate,
    without direction. A single oblique direction takes the nearer of = and ⊥, and short lines of all
    directions, as tumbling leaves, are P like any surface without a preferred one; M needs three directions
    at least.

    How many directions there are is read off the power by angle, as peaks above the broad lobe (1 + cos)
    that light from a side makes of a surface without any lay: an isotropic surface in raking light has a
    tensor's strength of 0.5 and no lay at all. A direction counts if it carries 15 % of the lines' power
    and stands out by four sigmas when parts of the region are left out in turn (jackknife). C and R are
    chosen where directions that turn about one centre explain the squares' tensors better by the same
    measures.
    """
    if brightness.shape != mask.shape or brightness.ndim != 2:
        raise ValueError(f"mask: shape {brightness.shape} is needed, like the picture's; got {mask.shape}.")
    level = np.zeros(mask.shape, np.float32)
    if mask.any():
        level[mask] = brightness[mask] - float(brightness[mask].mean(dtype=np.float64))
    powers, levels = _block_powers(level, mask)
    noise = _noise(powers, levels)
    sigma = _FINEST_PX if step_mm is None else float(np.clip(_LINE_MM / step_mm, _FINEST_PX, _COARSEST_PX))
    cells = _cells(level, mask, sigma, noise)
    total = cells.turning.sum()
    energy = cells.whole()
    strength = float(np.clip(abs(total) / energy, 0.0, 1.0))
    turning = _turning(cells)
    if turning is not None:
        symbol, explained = turning
        return RegionLay(
            symbol=symbol,
            direction_rad=None,
            direction_std=0.0,
            spread_rad=_spread(explained),
            strength=explained,
        )
    seen = _directions(powers - noise(levels)[:, None, None])
    if len(seen.peaks) in (0, 3):
        return RegionLay(
            symbol="P" if not seen.peaks else "M",
            direction_rad=None,
            direction_std=0.0,
            spread_rad=_spread(strength),
            strength=strength,
        )
    direction, std = seen.peaks[0]
    if len(seen.peaks) == 1:
        by_tensor, tensor_std = -(np.angle(total) + np.pi) / 2, _std(cells, total)
        apart = abs(np.angle(np.exp(2j * (direction - by_tensor)))) / 2
        if apart < _AGREE * np.hypot(std, tensor_std):  # else other lines or the light turn the tensor
            direction, std = by_tensor, np.hypot(tensor_std, _PIXEL_RAD)
    direction = float(np.pi / 2 - (np.pi / 2 - direction) % np.pi)
    alone = abs(total - energy * seen.lobe) / max(energy * (1 - seen.even), 1e-30)
    return RegionLay(
        symbol="X" if len(seen.peaks) == 2 else "=" if abs(direction) <= np.pi / 4 else "⊥",
        direction_rad=direction,
        direction_std=float(std),
        spread_rad=_spread(min(alone, 1.0)),
        strength=strength,
    )


def _spread(strength: float) -> float:
    """Scatter of normally distributed directions whose tensor has a strength (wrapped normal)."""
    return float(min(np.sqrt(0.5 * abs(np.log(max(strength, 1e-6)))), _EVEN_RAD))


def _cells(level: NDArray[np.float32], mask: NDArray[np.bool_], sigma: float, noise: "_Noise") -> _Cells:
    import cv2

    reach = int(np.ceil(4 * sigma))
    at = np.arange(-reach, reach + 1)
    bell = np.exp(-0.5 * (at / sigma) ** 2)
    smooth, slope = bell / bell.sum(), at * bell / (at**2 @ bell)
    across, down = (
        cv2.sepFilter2D(level, cv2.CV_32F, *kernels) for kernels in ((slope, smooth), (smooth, slope))
    )
    side = 2 * reach + 1
    whole = cv2.erode(mask.astype(np.uint8), np.ones((side, side), np.uint8), borderValue=0)
    inside = whole.astype(np.float32)
    count = _summed(inside)
    mean = np.divide(_summed(level * inside), count, out=np.zeros_like(count), where=count > 0)
    floor = noise(mean) * float((slope**2).sum() * (smooth**2).sum()) * count
    across, down = across * inside, down * inside
    xx, yy, xy = (_summed(part) for part in (across * across, down * down, across * down))
    energy = xx + yy - 2 * floor
    turning = xx - yy + 2j * xy
    each = np.divide(energy, count, out=np.zeros_like(energy), where=count > 0)
    weight = _weight(each, count > 0)
    doubt = np.where(count > 0, _UNEVEN * 2 * floor + 1e-12, 0.0)
    return _Cells(np.asarray(turning * weight, dtype=np.complex128), energy * weight, doubt * weight)


def _weight(energy: Array, known: NDArray[np.bool_]) -> Array:
    """Return weights that bound each part's energy by one that most parts don't exceed."""
    most = float(np.quantile(energy[known], _BRIGHTEST)) if known.any() else 0.0
    return np.asarray(np.minimum(1.0, max(most, 0.0) / np.maximum(energy, 1e-30)))


def _summed(picture: NDArray[np.float32]) -> Array:
    rows, columns = picture.shape
    padded = np.pad(picture, ((0, -rows % _CELL), (0, -columns % _CELL)))
    shape = (padded.shape[0] // _CELL, _CELL, padded.shape[1] // _CELL, _CELL)
    return np.asarray(padded.reshape(shape).sum(axis=(1, 3), dtype=np.float64))


def _std(cells: _Cells, total: complex) -> float:
    """Return the standard uncertainty of the tensor's direction from the scatter of its squares."""
    from scipy import fft

    aside = (cells.turning * np.exp(-1j * np.angle(total))).imag
    rows, columns = aside.shape
    size = [fft.next_fast_len(2 * side) for side in aside.shape]
    alike = fft.irfft2(np.abs(fft.rfft2(aside, size)) ** 2, size)
    down, across = (fft.fftfreq(side, 1.0 / side) for side in size)
    lines = (np.angle(total) + np.pi) / 2  # towards +y, down
    along = across[None, :] * np.cos(lines) + down[:, None] * np.sin(lines)
    beside = down[:, None] * np.cos(lines) - across[None, :] * np.sin(lines)
    near = (np.abs(beside) <= 1.0) & (np.abs(across[None, :]) < columns) & (np.abs(down[:, None]) < rows)
    steps = np.rint(np.abs(along[near])).astype(int)
    sums = np.bincount(steps, alike[near])
    ends = np.flatnonzero(sums <= 0)
    variance = max(float(sums[: ends[0] if len(ends) else None].sum()), float(alike[0, 0]))
    return float(np.sqrt(variance) / (2 * max(abs(total), 1e-30)))


def _block_powers(level: NDArray[np.float32], mask: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Power of windows that lie in the mask, shape (blocks, side, side), and their mean levels."""
    import cv2
    from scipy import fft

    for side in _BLOCKS:
        if min(level.shape) < side:
            continue
        full = cv2.erode(
            mask.astype(np.uint8), np.ones((side, side), np.uint8), anchor=(0, 0), borderValue=0
        )[: level.shape[0] - side + 1 : side // 2, : level.shape[1] - side + 1 : side // 2]
        places = np.argwhere(full) * (side // 2)
        if len(places) >= (_PARTS if side > _BLOCKS[-1] else 1):
            break
    else:
        raise InputError(
            f"A region of {int(np.count_nonzero(mask))} pixels is nowhere {_BLOCKS[-1]} pixels wide.",
            advice="Photograph from nearer, or leave more of the face unmasked.",
        )
    places = places[np.linspace(0, len(places) - 1, min(len(places), _MOST_BLOCKS)).round().astype(int)]
    hann = np.hanning(side + 2)[1:-1].astype(np.float32)
    window = np.outer(hann, hann)
    blocks = np.stack([level[y : y + side, x : x + side] for y, x in places])
    mean = (blocks * window).sum(axis=(1, 2)) / window.sum()
    power = np.abs(fft.fft2((blocks - mean[:, None, None]) * window)) ** 2 / (window**2).sum()
    return np.asarray(power, dtype=np.float64), np.asarray(mean, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class _Noise:
    """White noise's variance by brightness: a sensor's grows with the light."""

    levels: Array
    variance: Array

    def __call__(self, level: Array) -> Array:
        return np.asarray(np.interp(level, self.levels, self.variance))


def _noise(powers: Array, levels: Array) -> _Noise:
    """Read white noise off the highest frequencies, in the directions where they have little power."""
    side = powers.shape[-1]
    rays = _polar(side, np.arange(0.4 * side, 0.5 * side), 24)
    groups = np.array_split(np.argsort(levels, kind="stable"), min(_LEVELS, max(1, len(levels) // _LEVELS)))
    by_angle = np.stack([rays @ powers[group].mean(axis=0).ravel() for group in groups])
    # by sectors of 30°, of which one lay's lines fill two at most
    sectors = by_angle.reshape(len(groups), 6, 4).mean(axis=2)
    return _Noise(np.array([levels[group].mean() for group in groups]), np.median(sectors, axis=1))


@cache
def _rays(side: int) -> Array:
    """Return the matrix that takes a power spectrum to the power by direction of the gradients."""
    radii = np.arange(max(3, side // 16), 0.4 * side)
    rays = np.zeros((_ANGLES, side * side))
    for radius in radii:  # as much as the tensor's derivatives make of each frequency
        gain = radius**3 * np.exp(-((2 * np.pi * radius / side) ** 2))
        rays += gain * _polar(side, np.array([radius]), _ANGLES)
    rays.setflags(write=False)
    return rays


def _polar(side: int, radii: Array, angles: int) -> Array:
    """Matrix that takes a power spectrum to its mean along rays, shape (angles, side²)."""
    theta = np.arange(angles) * np.pi / angles
    out = np.zeros((angles, side * side))
    rows = np.arange(angles)
    for radius in radii:
        x, y = radius * np.cos(theta), radius * np.sin(theta)
        left, low = np.floor(x).astype(int), np.floor(y).astype(int)
        for dx in (0, 1):
            for dy in (0, 1):
                share = np.abs(1 - dx - (x - left)) * np.abs(1 - dy - (y - low))
                np.add.at(out, (rows, ((low + dy) % side) * side + (left + dx) % side), share / len(radii))
    return out


@dataclass(frozen=True, slots=True)
class _Directions:
    """What the power by angle says: peaks as (direction, std), and the broad lobe below them."""

    peaks: tuple[tuple[float, float], ...]
    even: float  # share of the power that isn't in any peak
    lobe: complex  # that part's tensor, twice the angle of the gradients, relative to all power


def _directions(powers: Array) -> _Directions:
    """Directions of the lines, the strongest first; at most three."""
    profiles = powers.reshape(len(powers), -1) @ _rays(powers.shape[-1]).T
    profiles *= _weight(profiles.mean(axis=1), np.ones(len(profiles), dtype=np.bool_))[:, None]
    parts = np.array_split(np.arange(len(profiles)), min(_PARTS, len(profiles)))
    whole = profiles.sum(axis=0)
    without = [whole - profiles[part].sum(axis=0) for part in parts] if len(parts) > 1 else []
    return _peaks(*(np.maximum(each, 0) / max(float(each.mean()), 1e-30) for each in (whole, *without)))


def _peaks(whole: Array, *without: Array) -> _Directions:
    theta = np.arange(_ANGLES) * np.pi / _ANGLES
    away = np.angle(np.exp(2j * (theta[:, None] - theta[None, :]))) / 2
    error = _jackknife(np.array(without)) if without else 0.1 * whole
    broad = [_broad(each, error, away) for each in (whole, *without)]
    above = [
        np.maximum(each - under - 2 * error, 0) for each, under in zip((whole, *without), broad, strict=True)
    ]
    found: list[tuple[int, float, float, float]] = []
    left = above[0].copy()
    while left.max() > 0:
        top = int(np.argmax(left))
        near = np.abs(away[:, top]) < _APART_RAD
        left[np.abs(away[:, top]) < 2 * _APART_RAD] = 0
        size, *others = (each[near].mean() * near.sum() / _ANGLES for each in above)
        std = float(_jackknife(np.array(others))) if others else size
        strong = size > _SHARE * max(above[0].mean(), 0.5) and size > _SIGNIFICANT * std
        if strong and all(_apart(whole, top, other) for other, *_ in found):
            middles = [_centre(each, top, near, away) for each in above]
            # across the power lie the lines, and y points up from here on
            direction = float(-(theta[top] + middles[0] + np.pi / 2))
            std = float(np.hypot(_jackknife(np.array(middles[1:])), _WINDOW_RAD)) if others else _APART_RAD
            found.append((top, size, direction, std))
    found.sort(key=lambda one: -one[1])
    return _Directions(
        peaks=tuple((direction, std) for _, _, direction, std in found[:3]),
        even=float(np.clip(broad[0].mean(), 0, 1)),
        lobe=complex(np.exp(2j * theta) @ broad[0] / _ANGLES),
    )


def _apart(profile: Array, one: int, other: int) -> bool:
    """Whether two peaks have a valley half as high as the lower one between them, on either side."""
    first, last = sorted((one, other))
    valley = max(
        float(profile[first:last].min()), float(np.roll(profile, -last)[: _ANGLES - last + first].min())
    )
    return valley < 0.5 * float(min(profile[one], profile[other]))


def _broad(profile: Array, error: Array, away: Array) -> Array:
    """Fit an even part and lobes of one plus cosine below the peaks."""
    from scipy.optimize import nnls

    parts = np.column_stack([np.ones(len(profile)), 1 + np.cos(2 * away[:, :: _ANGLES // 12])])
    doubt = 1 + _UNEVEN + error / np.maximum(profile, 1e-9)
    fitted = parts @ nnls(parts, profile)[0]
    for _ in range(_ROUNDS):
        fitted = parts @ nnls(parts, np.minimum(profile, doubt * fitted))[0]
    return np.asarray(fitted)


def _centre(sizes: Array, top: int, near: NDArray[np.bool_], away: Array) -> float:
    weight = sizes[near]
    return float(weight @ away[near, top] / max(weight.sum(), 1e-30))


def _jackknife(values: Array) -> Array:
    count = len(values)
    return np.asarray(np.sqrt((count - 1) / count * ((values - values.mean(axis=0)) ** 2).sum(axis=0)))


def _turning(cells: _Cells) -> tuple[Symbol, float] | None:
    """C or R, if directions about one centre explain the tensors clearly better than one direction."""
    from scipy.optimize import minimize

    known = cells.doubt > 0
    rows, columns = (np.asarray(part, dtype=np.float64) for part in np.nonzero(known))
    z = cells.turning[known]
    total_energy = cells.whole()
    if len(z) < _PARTS or total_energy <= 0:
        return None
    size = np.array([np.ptp(columns), np.ptp(rows)]) + 1.0

    def explained(centre: Array) -> Array:
        return np.asarray((z * np.exp(-2j * np.arctan2(rows - centre[1], columns - centre[0]))).real)

    starts = [
        np.array([columns.min() + u * size[0], rows.min() + v * size[1]])
        for u in np.linspace(-0.5, 1.5, 13)
        for v in np.linspace(-0.5, 1.5, 13)
    ]
    sums = np.array([explained(start).sum() for start in starts])
    best = starts[int(np.argmax(np.abs(sums)))]
    sign = float(np.sign(sums[int(np.argmax(np.abs(sums)))]))
    fitted = minimize(lambda centre: -sign * explained(centre).sum(), best, method="Nelder-Mead",
                      options={"xatol": 0.05, "fatol": 1e-4 * total_energy, "maxiter": 120}).x  # fmt: skip
    one = (z * np.exp(-1j * np.angle(z.sum()))).real
    gain = sign * explained(fitted) - one
    strength = float(sign * explained(fitted).sum() / total_energy)
    order = np.lexsort((columns // 2, rows // 2))
    groups = np.add.reduceat(gain[order], np.arange(0, len(gain), 4))
    std = float(np.sqrt(((groups - groups.mean()) ** 2).sum()))
    if gain.sum() < max(_SHARE * total_energy, _SIGNIFICANT * std):
        return None
    return ("C" if sign > 0 else "R"), min(strength, 1.0)
