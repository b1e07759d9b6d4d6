"""Blurred steps and creases in closed form, without noise and with."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from grindcheck.edgefit import fit_steps
from grindcheck.geometry import Array

OFFSETS = np.arange(-10.0, 10.01, 0.5)
BLUR = 1.2


def step(
    place: float,
    *,
    blur: float = BLUR,
    levels: tuple[float, float] = (0.2, 0.6),
    slopes: tuple[float, float] = (0, 0),
) -> Array:
    """Return two straight levels meeting at ``place``, convolved with a Gaussian.

    Worked by hand: the integral of u⁺ φ((d − u)/σ)/σ over u is d Φ(d/σ) + σ φ(d/σ), times the slope.
    """
    d = OFFSETS - place
    after, bell = ndtr(d / blur), blur * np.exp(-0.5 * (d / blur) ** 2) / math.sqrt(2 * math.pi)
    before = levels[0] * (1 - after) + slopes[0] * (d * (1 - after) - bell)
    return np.asarray(before + levels[1] * after + slopes[1] * (d * after + bell))


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    place=st.floats(-3.5, 3.5), low=st.floats(-1, 1), jump=st.floats(0.1, 1.0), falling=st.booleans(),
    before=st.floats(-0.02, 0.02), after=st.floats(-0.02, 0.02),
)  # fmt: skip
def test_step_between_slopes_is_met(
    place: float, low: float, jump: float, falling: bool, before: float, after: float
) -> None:
    jump = -jump if falling else jump
    profile = step(place, levels=(low, low + jump), slopes=(before, after))
    fit = fit_steps(profile, OFFSETS, blur=BLUR, reach=4.0)
    assert fit.place[0] == pytest.approx(place, abs=0.005 * 0.5)  # 0.005 of a sample, as promised
    assert fit.jump[0] == pytest.approx(jump, rel=0.15)
    assert fit.place_std[0] < 0.2 * BLUR


@pytest.mark.parametrize("place", [-1.7, 0.0, 0.33, 2.1])
def test_crease_is_met(place: float) -> None:
    """No step of the level at all, a bend alone."""
    profile = step(place, levels=(0.4, 0.4), slopes=(0.0, 0.05))
    fit = fit_steps(profile, OFFSETS, blur=BLUR, reach=4.0, slopes=(False, True), spacing=0.1)
    # a small step makes up for a misplaced bend, so the cost is flat: a third of the tried spacing
    assert fit.place[0] == pytest.approx(place, abs=0.1 / 3)


def test_std_is_the_scatter_of_the_places() -> None:
    rng = np.random.default_rng(5)
    count = 2000
    places = rng.uniform(-2.0, 2.0, count)
    profiles = np.stack([step(place, slopes=(0.004, -0.003)) for place in places])
    profiles += 0.02 * rng.normal(size=profiles.shape)
    fit = fit_steps(profiles, OFFSETS, blur=BLUR, reach=4.0)
    z = (fit.place - places) / fit.place_std
    # std comes from 41 − 5 = 36 degrees of freedom: z is Student's t of 36, whose rms is sqrt(36/34) = 1.03;
    # the rms of 2000 is known to 1/sqrt(2 × 2000) = 1.6 %, of which four are taken
    assert 0.965 < np.sqrt(np.mean(z**2)) < 1.095
    assert abs(np.mean(z)) < 4 / math.sqrt(count)  # unbiased: four standard errors
    # Cramér and Rao: noise² over the sum of squared slopes of the profile, wider for free levels and slopes
    bell = np.exp(-0.5 * (OFFSETS / BLUR) ** 2) / (BLUR * math.sqrt(2 * math.pi))
    least = 0.02 / (0.4 * math.sqrt(np.sum(bell**2)))
    assert least < np.median(fit.place_std) < 2.0 * least


def test_where_a_threshold_is_biased() -> None:
    """A bright strip along the edge moves the half-way crossing of inner and outer level, not the fit."""
    profile = step(0.4, levels=(0.2, 0.9), slopes=(0.0, -0.05))  # falls from 0.9 to 0.42 over 9.6
    fit = fit_steps(profile, OFFSETS, blur=BLUR, reach=4.0)
    inner, outer = np.median(profile[OFFSETS > 3]), np.median(profile[OFFSETS < -3])
    half = (inner + outer) / 2
    above = int(np.argmax(profile > half))
    share = (half - profile[above - 1]) / (profile[above] - profile[above - 1])
    crossing = OFFSETS[above - 1] + share * 0.5
    assert abs(crossing - 0.4) > 0.15
    assert fit.place[0] == pytest.approx(0.4, abs=0.005 * 0.5)


def test_gain_tells_a_step_from_none() -> None:
    rng = np.random.default_rng(3)
    noise = 0.02 * rng.normal(size=(200, OFFSETS.size))
    without = fit_steps(0.4 + 0.01 * OFFSETS + noise, OFFSETS, blur=BLUR, reach=4.0)
    with_step = fit_steps(step(0.5) + noise, OFFSETS, blur=BLUR, reach=4.0)
    # For one place tried, two levels or slopes more than a straight line explain a share of the residual that
    # is Beta(1, 37/2) distributed, median 1 − 0.5^(2/37) = 0.037; the best of 8 / blur = 7 independent places
    # has the median 1 − (1 − 0.5^(1/7))^(2/37) = 0.12 at the most
    assert 0.037 < np.median(without.gain) < 0.12
    assert np.median(with_step.gain) > 0.8
    assert np.median(with_step.jump) == pytest.approx(0.4, abs=0.02)


def test_bad_arguments() -> None:
    with pytest.raises(ValueError, match="profiles have 41 samples, offsets 3"):
        fit_steps(step(0.0), OFFSETS[:3], blur=1.0, reach=1.0)
    with pytest.raises(ValueError, match=r"blur and reach must be positive, got 0\.0 and 1\.0"):
        fit_steps(step(0.0), OFFSETS, blur=0.0, reach=1.0)
