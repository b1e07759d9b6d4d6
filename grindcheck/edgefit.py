"""Where a blurred step or crease lies in many intensity profiles at once, to a fraction of a pixel."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from grindcheck.geometry import Array, frozen


@dataclass(frozen=True, slots=True, kw_only=True)
class StepFit:
    """The step found in each of N profiles.

    Parameters
    ----------
    place : ndarray, shape (N,)
        Where the step lies, in the unit of the offsets.
    place_std : ndarray, shape (N,)
        Standard uncertainty from the profile's own residual, for independent samples.
    jump : ndarray, shape (N,)
        Level after the step minus level before it, at the step.
    gain : ndarray, shape (N,)
        Share of the variance about one straight line that the step explains, 0 to 1.
    """

    place: Array
    place_std: Array
    jump: Array
    gain: Array


def fit_steps(
    profiles: Array,
    offsets: Array,
    *,
    blur: float,
    reach: float,
    slopes: tuple[bool, bool] = (True, True),
    spacing: float | None = None,
) -> StepFit:
    """Fit a straight piece, a step and a straight piece, blurred by a Gaussian, to each profile.

    Parameters
    ----------
    profiles : ndarray, shape (N, M)
        Linear intensities sampled along N normals.
    offsets : ndarray, shape (M,)
        Where the samples lie, ascending, zero at the expected place.
    blur : float
        Standard deviation of the picture's edge spread, in the unit of the offsets, above 0.
    reach : float
        The step is sought within ``-reach … reach``.
    slopes : (bool, bool)
        Whether the level before and after the step may change linearly.
    spacing : float, optional
        Distance of the tried places; a quartic refines between them. Default: a third of the blur, which
        leaves less than 0.005 of a sample.

    Returns
    -------
    StepFit

    Raises
    ------
    ValueError
        If shapes don't fit, or blur or reach isn't positive.

    Notes
    -----
    Separable least squares: for each tried place the levels and slopes enter linearly, so a matrix product
    for each gives the residual of all profiles. The blurred ramp is the exact convolution
    ``d Φ(d/σ) + σ φ(d/σ)``.
    The 50 % crossing of a plain threshold is biased where a level isn't constant (a bright edge strip, the
    band of a plunge radius); the slopes take that up. It is wrong where a second step lies within the window.
    """
    profiles = np.atleast_2d(np.asarray(profiles, dtype=np.float64))
    offsets = np.asarray(offsets, dtype=np.float64)
    if profiles.shape[1] != offsets.size:
        raise ValueError(f"profiles have {profiles.shape[1]} samples, offsets {offsets.size}")
    if blur <= 0 or reach <= 0:
        raise ValueError(f"blur and reach must be positive, got {blur} and {reach}")
    step = spacing or blur / 3
    places = np.arange(-reach - step, reach + 1.5 * step, step)  # each needs neighbours
    centred = profiles - profiles.mean(axis=1, keepdims=True)
    power = np.einsum("nm,nm->n", centred, centred)
    straight, _ = np.linalg.qr(np.column_stack([np.ones_like(offsets), offsets]))
    plain = power - np.square(centred @ straight).sum(axis=1)
    # what all places have in common: the mean, which is taken out already, and a slope that never changes
    steps = _steps(offsets - places[:, None], blur, slopes, straight if all(slopes) else straight[:, :1])
    along = [centred @ column.T for column in steps.columns]
    cost = (plain if all(slopes) else power)[:, None] - sum(np.square(share) for share in along)
    best = np.clip(cost.argmin(axis=1), 2, places.size - 3)
    around = np.take_along_axis(cost, best[:, None] + np.arange(-2, 3), axis=1)
    shift, lowest, bend = _lowest(around, 1e-12 * np.maximum(power, 1e-30))
    place = places[best] + shift * step
    noise = lowest / max(offsets.size - 3 - sum(slopes), 1)
    return StepFit(
        place=frozen(place),
        place_std=frozen(np.sqrt(2 * noise / bend) * step),
        jump=frozen(steps.jumps([share[np.arange(len(share)), best] for share in along], best)),
        gain=frozen(np.clip(1 - lowest / np.maximum(plain, 1e-30), 0.0, 1.0)),
    )


@dataclass(frozen=True, slots=True)
class _Steps:
    """What a step at each of P tried places adds to what all places have in common.

    Parameters
    ----------
    columns : list of ndarray, shape (P, M)
        The step, and the change of slope at it where one may change: orthonormal, and square to what is
        common.
    size, slope_size, mixed : ndarray, shape (P,)
        Lengths of the two before they were made unit vectors, and how much of the step the second contained.
    """

    columns: list[Array]
    size: Array
    slope_size: Array
    mixed: Array

    def jumps(self, along: list[Array], best: NDArray[np.intp]) -> Array:
        """Level after less level before, from each profile's shares of the columns of its best place."""
        step = along[0]
        if len(along) > 1:
            step = step - along[1] * (self.mixed / self.slope_size)[best]
        return np.asarray(step / self.size[best])


def _steps(distance: Array, blur: float, slopes: tuple[bool, bool], common: Array) -> _Steps:
    """Blurred steps at distances (P, M) from the tried places, square to the common columns (M, 1 or 2)."""

    def square_to_common(parts: Array) -> Array:
        return np.asarray(parts - (parts @ common) @ common.T)

    def length(parts: Array) -> Array:
        return np.asarray(np.sqrt(np.einsum("pm,pm->p", parts, parts)))

    after = ndtr(distance / blur)
    step = square_to_common(after)
    size = length(step)
    step /= size[:, None]
    if not any(slopes):
        return _Steps([step], size, size, np.zeros_like(size))
    bell = blur * np.exp(-0.5 * np.square(distance / blur)) / np.sqrt(2 * np.pi)
    ramp = square_to_common(distance * after + bell if slopes[1] else distance * (1 - after) - bell)
    mixed = np.einsum("pm,pm->p", ramp, step)
    ramp -= mixed[:, None] * step
    slope_size = length(ramp)
    return _Steps([step, ramp / slope_size[:, None]], size, slope_size, mixed)


def _lowest(cost: Array, least: Array) -> tuple[Array, Array, Array]:
    """Where the quartic through five neighbours is lowest, from the middle one; its value and bend there.

    A parabola through three would miss by up to a tenth of their distance: the cost is steeper farther off.
    """
    before, at, after = cost[:, 1], cost[:, 2], cost[:, 3]
    outer_sum, outer_step = cost[:, 0] + cost[:, 4], cost[:, 4] - cost[:, 0]
    first = (8 * (after - before) - outer_step) / 12
    second = (16 * (before + after) - outer_sum - 30 * at) / 12
    third = (outer_step - 2 * (after - before)) / 2
    fourth = outer_sum - 4 * (before + after) + 6 * at
    bend = np.maximum(before - 2 * at + after, least)
    shift = np.clip(0.5 * (before - after) / bend, -1.0, 1.0)
    for _ in range(8):  # Newton's steps
        slope = first + shift * (second + shift * (third / 2 + shift * fourth / 6))
        curve = np.maximum(second + shift * (third + shift * fourth / 2), 0.05 * bend)
        shift = np.clip(shift - slope / curve, -1.0, 1.0)
    lowest = at + shift * (first + shift * (second / 2 + shift * (third / 6 + shift * fourth / 24)))
    return shift, np.maximum(lowest, least), bend
