"""The gauge study against the handbook's worked example, published factors, statsmodels and simulation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grindcheck.errors import InputError
from grindcheck.gaugestudy import (
    Table,
    analysis_of_variance,
    average_and_range,
    table_of,
)
from grindcheck.rangefactors import d2_d3, divisor

# Ten parts, three appraisers, three trials: the worked example of AIAG, Measurement Systems Analysis, chapter
# III. The values are written from memory; the results printed there, which the tests ask for, vouch for them.
AIAG = {
    "A": ((.29, -.56, 1.34, .47, -.80, .02, .59, -.31, 2.26, -1.36),
          (.41, -.68, 1.17, .50, -.92, -.11, .75, -.20, 1.99, -1.25),
          (.64, -.58, 1.27, .64, -.84, -.21, .66, -.17, 2.01, -1.31)),
    "B": ((.08, -.47, 1.19, .01, -.56, -.20, .47, -.63, 1.80, -1.68),
          (.25, -1.22, .94, 1.03, -1.20, .22, .55, .08, 2.12, -1.62),
          (.07, -.68, 1.34, .20, -1.28, .06, .83, -.34, 2.19, -1.50)),
    "C": ((.04, -1.38, .88, .14, -1.46, -.29, .02, -.46, 1.77, -1.49),
          (-.11, -1.13, 1.09, .20, -1.07, -.67, .01, -.56, 1.45, -1.77),
          (-.15, -.96, .67, .11, -1.45, -.49, .21, -.49, 1.87, -2.16)),
}  # fmt: skip


def example() -> Table:
    return table_of(
        (f"part {part}", person, takes[part])
        for person, trials in AIAG.items()
        for takes in trials
        for part in range(10)
    )


def drawn(seed: int, *, knives: int = 6, people: int = 2, takes: int = 3, spread: float = 1.0) -> Table:
    rng = np.random.default_rng(seed)
    values = (
        3.0 * rng.normal(size=(knives, 1, 1))
        + 0.5 * rng.normal(size=(1, people, 1))
        + spread * rng.normal(size=(knives, people, takes))
    )
    return Table(knives=tuple(map(str, range(knives))), people=tuple(map(str, range(people))), values=values)


@pytest.mark.parametrize(
    ("count", "d2", "d3"), [(2, 1.128, 0.853), (3, 1.693, 0.888), (5, 2.326, 0.864), (10, 3.078, 0.797)]
)
def test_factors_of_the_range(count: int, d2: float, d3: float) -> None:
    """Published to three places: ASTM E2587, table of control chart factors (from memory)."""
    assert d2_d3(count) == pytest.approx((d2, d3), abs=6e-4)


@pytest.mark.parametrize(("count", "factor"), [(2, 0.7071), (3, 0.5231), (5, 0.4030), (10, 0.3146)])
def test_factors_of_one_range(count: int, factor: float) -> None:
    """K2 and K3 of the handbook's form, 1/d2* (from memory)."""
    assert 1 / divisor(count) == pytest.approx(factor, abs=6e-5)


@pytest.mark.parametrize(
    ("count", "ranges", "factor"),
    [(2, 2, 1.27931), (2, 3, 1.23105), (2, 5, 1.19105), (3, 2, 1.80538)],
)
def test_factors_of_few_ranges(count: int, ranges: int, factor: float) -> None:
    """Table of d2* in the handbook's appendix C (from memory)."""
    assert divisor(count, ranges) == pytest.approx(factor, abs=6e-5)


def test_beyond_fifteen_ranges_the_handbook_takes_d2() -> None:
    assert divisor(3, 16) == d2_d3(3)[0]


def test_few_ranges_leave_the_variance_unbiased() -> None:
    """Two knives, one person, two takes: 20,000 studies drawn, mean variance 1 within four errors."""
    rng = np.random.default_rng(6)
    values = np.ptp(rng.normal(size=(20_000, 2, 2)), axis=2).mean(axis=1)
    squares = (values / divisor(2, 2)) ** 2
    assert abs(squares.mean() - 1) < 4 * squares.std() / np.sqrt(20_000)
    one = Table(knives=("a", "b"), people=("",), values=rng.normal(size=(2, 1, 2)))
    wanted = np.ptp(one.values, axis=2).mean() / 1.27931  # d2* of two ranges of two
    assert average_and_range(one).repeatability.std == pytest.approx(wanted, rel=1e-5)


def test_worked_example_by_average_and_range() -> None:
    found = average_and_range(example())
    assert found.repeatability.std == pytest.approx(0.2019, abs=1e-4)
    assert found.people == pytest.approx(0.2297, abs=1e-4)
    assert found.gauge.std == pytest.approx(0.3058, abs=1e-4)
    # the printed 1.1046 is 3.511 × 0.3146: that factor is rounded, 1/3.1791 = 0.31456
    assert found.knives == pytest.approx(1.1046, abs=2e-4)
    assert found.total == pytest.approx(1.1461, abs=2e-4)
    assert found.of_total == pytest.approx(0.2668, abs=1e-4)
    assert found.categories == 5


def test_worked_example_by_analysis_of_variance() -> None:
    """The interaction isn't significant (the handbook prints F = 0.434), so that it is pooled."""
    found = analysis_of_variance(example())
    assert found.interaction_p is not None
    assert found.interaction_p > 0.9
    assert found.repeatability.std**2 == pytest.approx(0.0400, abs=5e-5)
    assert found.people is not None
    assert found.people**2 == pytest.approx(0.0515, abs=5e-5)
    assert found.people_by_knife == 0.0
    assert found.knives**2 == pytest.approx(1.0864, abs=5e-5)
    assert found.of_total == pytest.approx(0.279, abs=5e-4)
    assert found.categories == 4


def test_mean_squares_against_statsmodels() -> None:
    """Variances follow from the mean squares of `anova_lm` on the crossed model."""
    pandas = pytest.importorskip("pandas")
    formula = pytest.importorskip("statsmodels.formula.api")
    anova = pytest.importorskip("statsmodels.stats.anova")
    table = drawn(4, knives=5, people=3, takes=3)
    values = np.array(table.values)
    values += 1.5 * np.random.default_rng(1).normal(size=(5, 3, 1))  # an interaction that can't be pooled
    table = Table(knives=table.knives, people=table.people, values=values)
    knife, person, _ = np.meshgrid(range(5), range(3), range(3), indexing="ij")
    frame = pandas.DataFrame({"y": values.ravel(), "knife": knife.ravel(), "person": person.ravel()})
    told = anova.anova_lm(formula.ols("y ~ C(knife) * C(person)", frame).fit())
    squares = told["mean_sq"]
    found = analysis_of_variance(table)
    noise, both = squares["Residual"], squares["C(knife):C(person)"]
    assert found.interaction_p == pytest.approx(told["PR(>F)"]["C(knife):C(person)"], rel=1e-9)
    assert found.repeatability.std**2 == pytest.approx(noise, rel=1e-9)
    assert found.people_by_knife**2 == pytest.approx((both - noise) / 3, rel=1e-9)
    assert found.knives**2 == pytest.approx(max((squares["C(knife)"] - both) / 9, 0.0), rel=1e-9)
    assert found.people is not None
    assert found.people**2 == pytest.approx(max((squares["C(person)"] - both) / 15, 0.0), rel=1e-9)


@pytest.mark.parametrize("study", [average_and_range, analysis_of_variance])
@given(seed=st.integers(0, 10_000), shift=st.floats(-50, 50), scale=st.floats(0.1, 10))
@settings(max_examples=20, deadline=None, derandomize=True)
def test_shift_and_scale(study, seed: int, shift: float, scale: float) -> None:
    table = drawn(seed)
    other = Table(knives=table.knives, people=table.people, values=table.values * scale + shift)
    one, two = study(table), study(other)
    assert two.gauge.std == pytest.approx(scale * one.gauge.std, rel=1e-6)
    assert two.knives == pytest.approx(scale * one.knives, rel=1e-6, abs=1e-6)
    assert two.categories == one.categories


def test_order_of_rows_does_not_matter() -> None:
    rows = [
        (f"part {part}", person, takes[part])
        for person, trials in AIAG.items()
        for takes in trials
        for part in range(10)
    ]
    again = table_of([rows[i] for i in np.random.default_rng(2).permutation(len(rows))])
    assert analysis_of_variance(again).gauge.std == pytest.approx(analysis_of_variance(example()).gauge.std)
    assert average_and_range(again).gauge.std == pytest.approx(0.3058, abs=1e-4)


@pytest.mark.parametrize("people", [1, 2])
def test_interval_of_the_repeatability_holds_the_truth(people: int) -> None:
    """In 95 of 100 studies: 400 drawn ones, limits at four standard errors of a share."""
    held = [
        one.low <= 1.0 <= one.high
        for seed in range(400)
        for one in [analysis_of_variance(drawn(seed, people=people)).repeatability]
    ]
    assert abs(np.mean(held) - 0.95) < 4 * np.sqrt(0.95 * 0.05 / 400)


@pytest.mark.parametrize("study", [average_and_range, analysis_of_variance])
@pytest.mark.parametrize(("knives", "people", "spread_people"), [(6, 2, 0.5), (6, 2, 2.0), (10, 3, 1.0)])
def test_interval_of_the_gauge_holds_the_truth(study, knives: int, people: int, spread_people: float) -> None:
    """Also with two people, whose spread two values tell: 300 studies, four standard errors below."""
    true = np.hypot(1.0, spread_people)
    held = 0
    for seed in range(300):
        rng = np.random.default_rng(seed)
        values = (
            3.0 * rng.normal(size=(knives, 1, 1))
            + spread_people * rng.normal(size=(1, people, 1))
            + rng.normal(size=(knives, people, 3))
        )
        table = Table(
            knives=tuple(map(str, range(knives))), people=tuple(map(str, range(people))), values=values
        )
        gauge = study(table).gauge
        held += gauge.low <= true <= gauge.high
    assert held / 300 > 0.95 - 4 * np.sqrt(0.95 * 0.05 / 300)


def test_readings_that_are_all_alike_are_refused() -> None:
    with pytest.raises(InputError, match="alike"):
        table_of([(knife, "x", 1.0) for knife in "aabb"])


def test_one_person_leaves_people_unstudied() -> None:
    table = drawn(3, people=1)
    for study in (average_and_range, analysis_of_variance):
        assert study(table).people is None
        assert study(table).gauge.std == study(table).repeatability.std


@pytest.mark.parametrize(
    "rows",
    [
        [("a", "x", 1.0), ("a", "x", 1.1)],
        [("a", "x", 1.0), ("b", "x", 2.0)],
        [
            ("a", "x", 1.0),
            ("a", "x", 1.1),
            ("b", "x", 2.0),
            ("b", "x", 2.1),
            ("a", "y", 1.0),
            ("a", "y", 1.0),
        ],
    ],
)
def test_lopsided_table_is_refused(rows: list[tuple[str, str, float]]) -> None:
    with pytest.raises(InputError):
        table_of(rows)
