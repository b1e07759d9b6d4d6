"""A border followed from step to step: posterior of a hidden Markov chain whose state is its place."""

import numpy as np

from grindcheck.geometry import Array


def follow(likelihood: Array, states: Array, *, walk: float) -> tuple[Array, Array]:
    """Return the posterior mean and std of each step's place.

    Parameters
    ----------
    likelihood : ndarray, shape (N, K) or (C, N, K)
        Log likelihood of each of K places at each of N steps, up to a constant per step; of C chains side by
        side.
    states : ndarray, shape (K,)
        The places, evenly spaced.
    walk : float
        Standard deviation of the place's change from one step to the next.

    Returns
    -------
    mean, std : ndarray, shape (N,) or (C, N)

    Raises
    ------
    ValueError
        If shapes don't fit.

    Notes
    -----
    Forward-backward (Rabiner 1989) with a Gaussian random walk as transition. A trickle of 1e-12 to every
    place lets the chain recover from a place that it excluded.

    Examples
    --------
    >>> states = np.linspace(-1, 1, 81)
    >>> seen = -0.5 * ((states[None, :] - 0.25) / 0.1) ** 2 * np.ones((30, 1))
    >>> mean, std = follow(seen, states, walk=0.01)
    >>> bool(np.allclose(mean, 0.25, atol=1e-3)), bool(std.max() < 0.1)
    (True, True)
    """
    if likelihood.ndim not in (2, 3) or likelihood.shape[-1] != states.size:
        raise ValueError(f"likelihood {likelihood.shape} doesn't fit {states.size} states")
    spacing = float(states[1] - states[0])
    reach = min(int(np.ceil(4 * walk / spacing)), states.size // 2 - 1)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) * spacing / walk) ** 2)
    kernel /= kernel.sum()
    apart = np.subtract.outer(np.arange(states.size), np.arange(states.size))
    step = np.where(np.abs(apart) <= reach, kernel[np.clip(apart, -reach, reach) + reach], 0.0)
    emission = np.exp(np.maximum(likelihood - likelihood.max(axis=-1, keepdims=True), -60.0))
    # steps first, chains as rows: each step is one small matrix product for all of them
    emission = np.ascontiguousarray(np.moveaxis(emission.reshape(-1, *likelihood.shape[-2:]), 1, 0))
    forward = np.empty_like(emission)
    backward = np.ones_like(emission)
    total, carried = np.empty((emission.shape[1], 1)), np.full(emission.shape[1:], 1.0 / states.size)
    # written in place, since there are many steps and little to each
    for seen, now in zip(emission, forward, strict=True):
        np.multiply(seen, carried, out=now)
        now += 1e-30
        np.add.reduce(now, axis=1, keepdims=True, out=total)
        now /= total
        np.matmul(now, step, out=carried)
        carried += 1e-12
    carried = np.ones(emission.shape[1:])
    after = np.empty_like(carried)
    for seen, before in zip(emission[:0:-1], backward[-2::-1], strict=True):
        np.multiply(seen, carried, out=after)
        np.matmul(after, step, out=before)
        before += 1e-12
        np.add.reduce(before, axis=1, keepdims=True, out=total)
        before /= total
        carried = before
    posterior = forward * backward
    posterior /= posterior.sum(axis=-1, keepdims=True)
    mean = posterior @ states
    variance = posterior @ states**2 - mean**2
    std = np.sqrt(np.maximum(variance, (spacing / 4) ** 2))
    return (mean[:, 0], std[:, 0]) if likelihood.ndim == 2 else (mean.T, std.T)


def interpolated(places: Array, grid: Array, rows: Array) -> Array:
    """Values of many rows between the places that they have in common, as `numpy.interp` gives them of one.

    Parameters
    ----------
    places : ndarray, shape (K,) or (N, K)
        Where to look: the same in all rows, or each row's own.
    grid : ndarray, shape (M,)
        Ascending.
    rows : ndarray, shape (N, M)

    Returns
    -------
    ndarray, shape (N, K)

    Examples
    --------
    >>> interpolated(np.array([0.5, 3.0]), np.array([0.0, 1.0]), np.array([[2.0, 4.0], [1.0, 1.0]]))
    array([[3., 4.],
           [1., 1.]])
    """
    first = np.clip(np.searchsorted(grid, places, side="right") - 1, 0, len(grid) - 2)
    share = np.clip((places - grid[first]) / (grid[first + 1] - grid[first]), 0.0, 1.0)
    row = np.arange(len(rows))[:, None]
    before, after = rows[row, first], rows[row, first + 1]
    return np.asarray(before + share * (after - before))
