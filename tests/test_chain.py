"""The hidden Markov chain against its closed forms."""

import numpy as np
import pytest

from grindcheck.chain import follow

STATES = np.linspace(-1.0, 1.0, 201)


def _seen(places, std):
    return -0.5 * ((STATES[None, :] - np.asarray(places)[:, None]) / np.asarray(std)[..., None]) ** 2


def test_a_still_place_is_the_mean_of_what_is_seen():
    """A walk of nearly nothing: the mean of N looks, with std σ/√N (closed form)."""
    rng = np.random.default_rng(4)
    places = 0.2 + 0.1 * rng.normal(size=25)
    mean, std = follow(_seen(places, np.full(25, 0.1)), STATES, walk=1e-3)
    np.testing.assert_allclose(mean, places.mean(), atol=0.005)
    # the walk is spread over at least one state, 0.01, only by rounding: less than a tenth more
    np.testing.assert_allclose(std, 0.1 / np.sqrt(25), rtol=0.1)


def test_a_walking_place_against_kalman():
    """A Gaussian walk seen with Gaussian noise: the smoother of Rauch, Tung and Striebel in closed form."""
    rng = np.random.default_rng(8)
    walk, noise, count = 0.05, 0.15, 60
    places = np.cumsum(walk * rng.normal(size=count)) * 0.5
    seen = places + noise * rng.normal(size=count)
    mean, std = follow(_seen(seen, np.full(count, noise)), STATES, walk=walk)
    wanted, wanted_std = _posterior(seen, np.full(count, noise**-2), walk)
    np.testing.assert_allclose(mean, wanted, atol=0.01)
    np.testing.assert_allclose(std, wanted_std, rtol=0.05)


def _posterior(seen, precision, walk):
    """Mean and std of a walk: the posterior of a linear Gaussian model is one least squares problem."""
    difference = np.diff(np.eye(len(seen)), axis=0)
    covariance = np.linalg.inv(np.diag(precision) + difference.T @ difference / walk**2)
    return covariance @ (precision * seen), np.sqrt(np.diag(covariance))


def test_a_gap_is_bridged_with_the_walks_own_doubt():
    seen = _seen(np.full(41, 0.3), np.full(41, 0.05))
    precision = np.full(41, 0.05**-2)
    seen[15:26] = precision[15:26] = 0.0  # nothing is seen
    mean, std = follow(seen, STATES, walk=0.04)
    wanted, wanted_std = _posterior(np.full(41, 0.3), precision, 0.04)
    np.testing.assert_allclose(mean, wanted, atol=0.01)
    np.testing.assert_allclose(std, wanted_std, rtol=0.05)
    assert std[20] > 2 * std[5]


def test_shapes_that_don_t_fit_are_the_programmers_mistake():
    with pytest.raises(ValueError, match="doesn't fit 201 states"):
        follow(np.zeros((5, 12)), STATES, walk=0.1)


def test_chains_side_by_side_are_those_one_by_one():
    rng = np.random.default_rng(9)
    seen = 3.0 * rng.normal(size=(3, 40, len(STATES)))
    together = follow(seen, STATES, walk=0.03)
    for index, alone in enumerate(follow(one, STATES, walk=0.03) for one in seen):
        np.testing.assert_allclose([part[index] for part in together], alone, atol=1e-12)
