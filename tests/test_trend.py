"""The trend over knives: published limits, constants derived again, rules, and how surely a habit is one."""

from datetime import UTC, datetime, timedelta
from math import erf, factorial, inf, pi, sqrt

import numpy as np
import pytest
from scipy import integrate, stats

from grindcheck.errors import InputError
from grindcheck.trend import D2, D4, DRIFT, FEWEST, RULES, RUN, SETTLED, Trend, TrendPoint, trend

START = datetime(2026, 3, 2, 8, tzinfo=UTC)


def points(values, std=0.0) -> list[TrendPoint]:
    stds = np.broadcast_to(std, len(values))
    return [
        TrendPoint(label=f"Petty {i + 1:02}", at=START + timedelta(days=i), value=float(v), std=float(s))
        for i, (v, s) in enumerate(zip(values, stds, strict=True))
    ]


def of(values, std=0.0) -> Trend:
    return trend("plunge.mid", points(values, std))


def rules(values) -> dict[str, list[tuple[int, ...]]]:
    out: dict[str, list[tuple[int, ...]]] = {}
    for one in of(values).signals:
        out.setdefault(one.rule, []).append(one.points)
    return out


def test_constants_are_those_of_the_published_table() -> None:
    # ASTM E2587 and ISO 7870-2 print for n = 2: d2 1.128, d3 0.853, D3 0, D4 3.267; 3/d2 is printed as 2.660
    assert (D2, D4) == (1.128, 3.267)
    assert round(3 / D2, 2) == 2.66


def test_constants_follow_from_the_normal_distribution() -> None:
    # The range of two is |N(0, 2)|: mean 2/√π, variance 2 − 4/π; the table has three decimals.
    d2, d3 = 2 / sqrt(pi), sqrt(2 - 4 / pi)
    assert pytest.approx(d2, abs=5e-4) == D2
    assert pytest.approx(1 + 3 * d3 / d2, abs=5e-4) == D4
    assert 1 - 3 * d3 / d2 < 0  # so that a range has no lower limit
    # the same by Tippett's integral of the mean range, ∫ 1 − Φⁿ − (1 − Φ)ⁿ, and by integrating over both

    def cdf(x: float) -> float:
        return (1 + erf(x / sqrt(2))) / 2

    tippett, _ = integrate.quad(lambda x: 1 - cdf(x) ** 2 - (1 - cdf(x)) ** 2, -9, 9)
    assert tippett == pytest.approx(d2, abs=1e-9)
    second, _ = integrate.dblquad(
        lambda y, x: (x - y) ** 2 * np.exp(-(x * x + y * y) / 2) / (2 * pi), -9, 9, -9, 9, epsabs=1e-9
    )
    assert sqrt(second - tippett**2) == pytest.approx(d3, abs=1e-7)


def test_the_handbooks_example() -> None:
    # NIST/SEMATECH e-Handbook, 6.3.2.2: ten flow rates, mean 50.81, mean range 1.8778,
    # limits 45.8159 and 55.8041
    found = of([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    assert found.mean == pytest.approx(50.81)
    assert np.mean(found.moving_ranges) == pytest.approx(1.8778, abs=5e-5)
    assert found.limits.lower == pytest.approx(45.8159, abs=5e-5)
    assert found.limits.upper == pytest.approx(55.8041, abs=5e-5)
    assert found.limits.range_upper == pytest.approx(3.267 * 16.9 / 9)  # ranges add up to 16.9
    assert not found.signals


def test_worked_by_hand() -> None:
    found = of([0.0, 0.2, 0.0, 0.2, 0.0, 0.2])
    assert found.mean == pytest.approx(0.1)
    assert found.moving_ranges == pytest.approx([0.2] * 5)
    assert found.scatter == pytest.approx(sqrt(6 * 0.01 / 5))
    assert found.limits.upper == pytest.approx(0.1 + 3 * 0.2 / 1.128)
    assert found.limits.lower == pytest.approx(0.1 - 3 * 0.2 / 1.128)


def test_knives_are_ordered_by_time() -> None:
    given = points([0.1, 0.2, 0.3])
    assert trend("plunge.mid", reversed(given)).points == tuple(given)


def test_each_rule_befalls_a_steady_hand_about_as_rarely() -> None:
    # normal, independent values about the true mean; counted per group of points that the rule looks at
    tail = stats.norm.sf(2)
    chances = {
        "outside": 2 * stats.norm.sf(3),
        "one side": 2 * 0.5**RUN,
        "drift": 2 / factorial(DRIFT),  # one order of six is rising and one falling
        "near a limit": 2 * (3 * tail**2 * (1 - tail) + tail**3),
    }
    assert all(0.0025 < chance < 0.0040 for chance in chances.values()), chances
    assert set(chances) | {"jump"} == set(RULES)


def test_outside_and_jump() -> None:
    quiet = [0.1, -0.1] * 6
    assert rules(quiet) == {}
    found = rules(
        [*quiet, 1.2]
    )  # mean 0.092, mean range (11 · 0.2 + 1.3)/12 = 0.292, limit 0.87, of ranges 0.95
    assert found["outside"] == [(12,)]
    assert found["jump"] == [(12,)]


@pytest.mark.parametrize("sign", [1, -1])
def test_one_side(sign: int) -> None:
    # mean 0: nine at +0.1 in two heights, then nine at −0.1
    values = sign * np.array([0.09, 0.11] * 4 + [0.1] + [-0.09, -0.11] * 4 + [-0.1])
    found = rules(values)
    assert found["one side"] == [tuple(range(9)), tuple(range(9, 18))]
    eight = sign * np.array([0.09, 0.11] * 4 + [-0.09, -0.11] * 4)
    assert "one side" not in rules(eight)


@pytest.mark.parametrize("sign", [1, -1])
def test_drift(sign: int) -> None:
    six = sign * np.array([0.2, -0.3, -0.2, -0.1, 0.0, 0.1, 0.2, -0.1])
    assert rules(six)["drift"] == [(1, 2, 3, 4, 5, 6)]
    five = sign * np.array([0.2, -0.2, -0.1, 0.0, 0.1, 0.2, -0.1])
    assert "drift" not in rules(five)
    level = sign * np.array([0.2, -0.3, -0.2, -0.1, -0.1, 0.0, 0.1, 0.2, -0.1])  # a standstill breaks it
    assert "drift" not in rules(level)


@pytest.mark.parametrize("sign", [1, -1])
def test_two_of_three_near_a_limit(sign: int) -> None:
    # ranges 0.1, so limits 0.27 about the mean and two thirds at 0.18; the mean is 0.0
    wave = [0.0, 0.1, 0.2, 0.1, 0.2, 0.1, 0.0, -0.1, -0.2, -0.1, 0.0, -0.1, -0.2, -0.1, 0.0, 0.1]
    values = sign * np.array(wave)
    assert np.mean(values) == pytest.approx(0)
    assert rules(values)["near a limit"] == [(2, 4)]  # those four apart, 8 and 12, don't count


def test_equal_knives_are_no_signal() -> None:
    found = of([0.1] * 12)
    assert found.scatter == pytest.approx(0, abs=1e-12)
    assert not found.signals


def test_few_knives_have_no_limits_and_no_habit() -> None:
    found = of([-0.3] * (FEWEST - 1), 0.01)
    assert not found.enough
    assert found.limits is None
    assert not found.habit
    alone = of([-0.3], 0.01)
    assert alone.expanded == inf
    assert alone.moving_ranges == ()
    assert not alone.habit


def test_a_habit_must_exceed_what_measuring_may_feign() -> None:
    values = [-0.31, -0.29, -0.30, -0.32, -0.28, -0.30, -0.31, -0.29]
    assert of(values, 0.10).habit  # 2 · 0.10 < 0.30
    assert not of(values, 0.15).habit  # 2 · 0.15 is 0.30, and the scatter comes on top
    uneven = of(values, [0.02, 0.28] * 4)  # the mean of the uncertainties counts: 0.15
    assert not uneven.habit
    assert uneven.expanded == pytest.approx(of(values, 0.15).expanded)


def test_the_means_uncertainty_against_students_test() -> None:
    # with exact measurements the interval is Student's (scipy's, by its own way)
    values = np.random.default_rng(5).normal(0.1, 0.2, 12)
    low, high = stats.ttest_1samp(values, 0).confidence_interval(0.95)
    assert of(values).expanded == pytest.approx((high - low) / 2)


def test_most_knives_must_agree() -> None:
    # two thirds left, one third right, all sure: the mean alone would be a habit
    mixed = [0.35, 0.35, -0.05] * 8
    found = of(mixed)
    assert found.mean > found.expanded
    assert found.same_side == 16
    assert not found.habit
    assert of([0.35, 0.35, 0.35, -0.05] * 6).habit


def test_few_steady_hands_pass_for_a_habit() -> None:
    # 2000 hands without habit: knives scatter by 0.1, measuring by 0.05, either the same error for all
    # knives of a hand, then 5 % of the intervals miss zero (three standard deviations of that are 1.5 %), or
    # one for each knife, then fewer do, because ū isn't divided by √n.
    random = np.random.default_rng(11)
    alarms = {"shared": 0, "independent": 0}
    for _ in range(2000):
        knives = random.normal(0, 0.1, 10)
        alarms["shared"] += of(knives + random.normal(0, 0.05), 0.05).habit
        alarms["independent"] += of(knives + random.normal(0, 0.05, 10), 0.05).habit
    assert alarms["shared"] / 2000 < 0.065
    assert alarms["independent"] < alarms["shared"]


def test_a_true_habit_is_found() -> None:
    # 0.31 mm; the mean's U is √((2.26 · 0.1/√10)² + 0.1²) = 0.12 mm
    random = np.random.default_rng(12)
    found = sum(of(random.normal(-0.31, 0.1, 10), 0.05).habit for _ in range(300))
    assert found >= 297


def test_no_knife_is_told() -> None:
    with pytest.raises(InputError, match="No knife has this difference"):
        trend("plunge.mid", [])


def test_slips_of_the_programmer() -> None:
    (one,) = points([0.1])
    for changed, words in (
        ({"value": float("nan")}, "value of 'Petty 01' must be finite"),
        ({"std": -0.1}, "not negative"),
        ({"at": datetime(2026, 3, 2)}, "must have a zone"),
    ):
        fields = {"label": one.label, "at": one.at, "value": one.value, "std": one.std} | changed
        with pytest.raises(ValueError, match=words):
            trend("plunge.mid", [TrendPoint(**fields)])


def test_limits_settle_later_than_habits() -> None:
    assert FEWEST < SETTLED
