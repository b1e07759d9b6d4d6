"""A crease settled to a fraction of a pixel, row by row, from a line that is good to a few tenths of a mm."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from grindcheck.edgefit import fit_steps
from grindcheck.flatend import ROWS_AS_ONE
from grindcheck.geometry import Array
from grindcheck.outline import Outline, sample

_REACHES_MM = (0.35, 0.2)  # how far from the line the step is sought, first and then again
_BEFORE_MM, _AFTER_MM = 1.2, 0.35  # of flat and of plunge that a step is fitted to
_MIX_MM = 0.2  # of plunge beyond the line whose colour is asked, and of flat before it that is left out
_MIX_ROWS = 9  # rows averaged for the colour of the step
_GRAIN = 0.01  # share of the level by which a channel is uncertain anyhow
_STEP_MM = 0.2  # on either side of a step along a whole line
_BEHIND_MM = (2.0, 0.6)  # of flat behind a line that tells how its own streaks step
_BEYOND_MM = 1.5  # beyond it, where another step may lie
_BOW_MM = 0.1  # usual bow of a plunge line in the middle
_SETTLED_MM = 1e-13  # change of a curve in a round after which no other changes it
_RIDGE = 9.0  # neighbours err alike: the bow's prior counts as this many rows


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """A crease as found in each row.

    Parameters
    ----------
    y_mm, x_mm, std_mm : ndarray, shape (N,)
        Rows, where the step lies in them, and its standard uncertainty from the row alone.
    good : ndarray of bool, shape (N,)
        Rows that keep to the curve.
    curve : Polynomial
        x(y) of the good rows.
    """

    y_mm: Array
    x_mm: Array
    std_mm: Array
    good: NDArray[np.bool_]
    curve: np.polynomial.Polynomial

    def scatter(self) -> float:
        """Rms of the good rows about the curve, mm."""
        off = (self.x_mm - self.curve(self.y_mm))[self.good]
        return float(np.sqrt(np.mean(off**2)) + 1e-4)

    def below(self, end: int) -> "Settled":
        """Keep the rows below one, and fit these anew."""
        return _fitted(self.y_mm[:end], self.x_mm[:end], self.std_mm[:end], self.good[:end])


def settle(
    outline: Outline, y: Array, centre: Array, steel: NDArray[np.bool_], *, mixed: bool
) -> Settled | None:
    """Fit a blurred step at a line, row by row.

    Parameters
    ----------
    outline : Outline
    y, centre : ndarray, shape (N,)
        Rows, and where the line lies in them.
    steel : ndarray of bool, shape (N,)
        Rows in which the line lies on the blade.
    mixed : bool
        Look at the mixture of colours that tells flat and plunge apart best, not at the brightness.

    Returns
    -------
    Settled or None
        None where too few rows show a step.
    """
    from scipy.ndimage import uniform_filter1d

    step = outline.face.plane.step_mm
    offsets = np.arange(-_BEFORE_MM, _AFTER_MM + 1e-9, step / 2)
    lever = y - y.mean()
    found = None
    for reach in _REACHES_MM:
        colours = sample(outline.face, centre[:, None] + offsets, y[:, None])
        colours = uniform_filter1d(colours, ROWS_AS_ONE, axis=0, mode="nearest")
        lean = lever @ centre / (lever @ lever)
        blur = outline.blur_mm * float(np.hypot(1.0, lean))
        profiles = _told_best(colours, offsets) if mixed else colours.mean(axis=2)
        fit = fit_steps(profiles, offsets, blur=blur, reach=reach)
        good = (np.abs(fit.place) < 0.95 * reach) & (fit.gain > 0.1) & steel
        if good.sum() < 6:
            return None
        found = _fitted(y, centre + fit.place, fit.place_std, good)
        centre = found.curve(y)
    return found


def step_along(outline: Outline, y: Array, centre: Array) -> tuple[Array, Array]:
    """How strong a step lies along a line and along its neighbours, in spreads of what the flat shows itself.

    Parameters
    ----------
    outline : Outline
    y, centre : ndarray, shape (N,)
        Rows, and where the line lies in them.

    Returns
    -------
    offsets, strength : ndarray, shape (M,)
        mm from the line towards the tip, ascending; and the mean step of colour there, as Mahalanobis
        distance by the spread of such steps on the flat behind the line.
    """
    step = outline.face.plane.step_mm
    half = max(round(_STEP_MM / step), 1)
    offsets = np.arange(-_BEHIND_MM[0], _BEYOND_MM, step)
    colours = sample(outline.face, centre[:, None] + offsets, y[:, None])
    sums = np.cumsum(colours.mean(axis=0), axis=0)
    means = (sums[half:] - sums[:-half]) / half
    steps = means[half:] - means[:-half]
    offsets = offsets[half : half + len(steps)] + step / 2
    own = steps[(offsets > -_BEHIND_MM[0] + _STEP_MM) & (offsets < -_BEHIND_MM[1])]
    spread = own.T @ own / len(own) + (_GRAIN * float(means.mean())) ** 2 * np.eye(3)
    strength = np.sqrt(np.einsum("mi,mi->m", steps, np.linalg.solve(spread, steps.T).T))
    return offsets, np.asarray(strength)


def _fitted(y: Array, x: Array, std: Array, good: NDArray[np.bool_]) -> Settled:
    keep, curve = robust(y, x, np.hypot(std, 0.01), good)
    return Settled(y_mm=y, x_mm=x, std_mm=std, good=keep, curve=curve)


def _told_best(colours: Array, offsets: Array) -> Array:
    """Mix the channels so that flat and plunge differ most against the flat's own scatter (Fisher 1936).

    A plunge mirrors what lies beside the blade, so that its colour may differ where its grey doesn't.
    """
    from scipy.ndimage import uniform_filter1d

    flat = colours[:, offsets < -_MIX_MM]
    behind = np.median(np.ascontiguousarray(flat.transpose(0, 2, 1)), axis=2)
    before = colours[:, (offsets > 0) & (offsets < _MIX_MM)].mean(axis=1)
    step = uniform_filter1d(before - behind, _MIX_ROWS, axis=0, mode="nearest")
    rest = (flat - behind[:, None, :]).reshape(-1, 3)
    spread = rest.T @ rest / len(rest) + (_GRAIN * float(np.mean(behind))) ** 2 * np.eye(3)
    mixture = np.linalg.solve(spread, step.T).T
    mixture /= np.abs(mixture).sum(axis=1, keepdims=True) + 1e-12
    return np.asarray(np.einsum("nmc,nc->nm", colours, mixture))


def blended(one: Settled, other: Settled) -> tuple[Settled, float, float]:
    """Average two looks at one line by how well each keeps to its own curve.

    Parameters
    ----------
    one, other : Settled
        In the same rows, so that both curves have one domain.

    Returns
    -------
    Settled
        The rows of the first, moved to the averaged curve.
    shift_std_mm, turn_std_rad : float
        What the looks leave open of place and direction: the spread of a mixture, of whose parts either may
        be right.
    """
    loose, tight = one.scatter() ** 2, other.scatter() ** 2
    share = loose / (loose + tight)  # of the other
    apart = other.curve - one.curve
    off = apart(one.y_mm)
    slope, shift = np.polyfit(one.y_mm - one.y_mm.mean(), off, 1)
    spread = np.sqrt(share * (1 - share))
    between = replace(one, x_mm=one.x_mm + share * off, curve=one.curve + share * apart)
    return between, float(spread * abs(shift)), float(spread * abs(slope))


def leaves_course(y: Array, x: Array, good: NDArray[np.bool_]) -> int:
    """Row at which a trace leaves the straight course of its lower part for good: the crease's end."""
    from scipy.ndimage import median_filter

    low = good & (np.arange(len(y)) < 0.6 * len(y))
    if low.sum() < 8:
        return len(y)
    _, curve = robust(y, x, np.full(len(y), 0.03), low)
    off = np.abs(x - curve(y))
    usual = max(1.48 * float(np.median(off[low])), 0.02)
    away = median_filter(off, 7, mode="nearest") > 4 * usual
    last = np.flatnonzero(~away)
    return int(last[-1]) + 1 if last.size else len(y)


def robust(
    y: Array, x: Array, std: Array, good: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], np.polynomial.Polynomial]:
    """Fit x(y) robustly, straight but for a bow of about 0.1 mm: the rows that keep to it, and the curve."""
    middle, half = float(np.mean(y)), max(float(np.ptp(y)) / 2, 1e-3)
    along = (y - middle) / half
    design = np.column_stack([np.ones_like(along), along, along**2 - 1 / 3])
    keep = good.copy()
    coefficients = np.array([np.median(x[keep]), 0.0, 0.0])
    slopes = np.subtract.outer(x[keep][::3], x[keep][::3])
    runs = np.subtract.outer(along[keep][::3], along[keep][::3])
    far = np.abs(runs) > 0.3
    if far.any():  # Theil and Sen's median slope, a start that a third of blunders doesn't move
        coefficients[1] = np.median(slopes[far] / runs[far])
        coefficients[0] = np.median(x[keep] - coefficients[1] * along[keep])
    for _ in range(10):
        residual = x - design @ coefficients
        scale = max(1.48 * float(np.median(np.abs(residual[keep]))), 0.015)
        new = good & (np.abs(residual) < 3.5 * scale)
        if new.sum() < 6:
            break
        same, keep = np.array_equal(new, keep), new
        weighted = design[keep].T / (std[keep] ** 2 + scale**2)
        normal = weighted @ design[keep]
        normal[2, 2] += _RIDGE / _BOW_MM**2
        before, coefficients = coefficients, np.linalg.solve(normal, weighted @ x[keep])
        if same and np.abs(coefficients - before).max() < _SETTLED_MM:
            break
    c0, c1, c2 = coefficients
    curve = np.polynomial.Polynomial([c0 - c2 / 3, c1, c2], domain=[middle - half, middle + half])
    return keep, curve
