"""Agreement with a calliper against the published example of the method, and simulation."""

import numpy as np
import pytest

from grindcheck.agreement import agreement
from grindcheck.errors import InputError

# First readings of 17 people with two peak flow meters, l/min: Bland and Altman, Lancet 1986, table 1; from
# memory, vouched for by the results printed there.
LARGE = (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427)
MINI = (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451)


def test_published_example() -> None:
    """Printed: mean difference −2.1, std 38.8, limits −79.7 and 75.5 (two spreads), 95 % −22.0 to 17.8."""
    found = agreement(LARGE, MINI)
    assert found.bias == pytest.approx(-2.1, abs=0.05)
    assert found.std == pytest.approx(38.8, abs=0.05)
    assert found.bias - 2 * found.std == pytest.approx(-79.7, abs=0.1)
    assert found.bias + 2 * found.std == pytest.approx(75.5, abs=0.1)
    assert (found.bias_low, found.bias_high) == pytest.approx((-22.0, 17.8), abs=0.1)
    assert found.normalised is None


def test_growth_with_size_is_seen() -> None:
    rng = np.random.default_rng(3)
    calliper = rng.uniform(5, 30, 20)
    grown = agreement(1.01 * calliper + 0.01 * rng.normal(size=20), calliper)
    assert grown.slope == pytest.approx(0.01, rel=0.2)
    assert grown.slope_p < 0.001
    even = agreement(calliper + 0.05 + 0.01 * rng.normal(size=20), calliper)
    assert even.slope_p > 0.01


def test_honest_uncertainties_disagree_in_five_percent() -> None:
    """Of 2000 pairs within both U (k = 2: 4.55 % of normal ones lie beyond), at four standard errors."""
    rng = np.random.default_rng(4)
    found = agreement(
        10 + 0.03 * rng.normal(size=2000), 10 + 0.01 * rng.normal(size=2000),
        tool_expanded=np.full(2000, 0.06), calliper_expanded=0.02,
    )  # fmt: skip
    assert abs(found.disagree / 2000 - 0.0455) < 4 * np.sqrt(0.0455 * 0.9545 / 2000)


@pytest.mark.parametrize(("true_over_stated", "words"), [
    (1.0, "as large as the stated uncertainties say"),
    (2.0, "too small for these differences, by a factor of 1.8"),
    (0.4, "U is generous"),
])  # fmt: skip
def test_stated_uncertainty_as_a_whole(true_over_stated: float, words: str) -> None:
    """Forty pairs; chi-square is the sum of squared differences over variances."""
    from grindcheck.report.gauge_text import agreement_text

    rng = np.random.default_rng(7)
    difference = true_over_stated * 0.05 * rng.normal(size=40)
    found = agreement(10 + difference, np.full(40, 10.0), tool_expanded=np.full(40, 0.1))
    assert found.chi_square == pytest.approx(np.sum(difference**2) / 0.05**2)
    assert words in agreement_text(found, "mm")


def test_honest_uncertainties_are_doubted_in_one_study_of_twenty() -> None:
    """Eight pairs each, 1,000 studies; the tool's and the calliper's uncertainty both drawn; four errors."""
    rng = np.random.default_rng(8)
    doubted = 0
    for _ in range(1000):
        found = agreement(
            0.05 * rng.normal(size=8), 0.015 * rng.normal(size=8),
            tool_expanded=np.full(8, 0.1), calliper_expanded=0.03,
        )  # fmt: skip
        assert found.chi_square_p is not None
        doubted += not 0.025 <= found.chi_square_p <= 0.975
    assert abs(doubted / 1000 - 0.05) < 4 * np.sqrt(0.05 * 0.95 / 1000)


def test_too_few_pairs_are_refused() -> None:
    with pytest.raises(InputError):
        agreement([1.0, 2.0], [1.0, 2.0])
