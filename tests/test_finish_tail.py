"""How a texture's tail falls: the number of false finds, the law that is learnt, what must not teach it."""

import numpy as np
import pytest

from grindcheck.finish.directions import Directions
from grindcheck.finish.tail import (
    Law,
    Sample,
    law_of,
    log_nfa,
    on_normal_scale,
    rare_of,
    sample_of,
    std_of,
    threshold,
    typical_of,
)


def test_more_area_more_false_finds():
    sigmas = np.array([4.0, 6.0])
    # expected numbers add up over places
    np.testing.assert_allclose(log_nfa(sigmas, 1e7) - log_nfa(sigmas, 1e6), 1.0)
    assert (np.diff(log_nfa(np.linspace(2, 12, 50), 1e6)) < 0).all()
    np.testing.assert_array_equal(log_nfa(-sigmas, 1e6), log_nfa(sigmas, 1e6))


@pytest.mark.parametrize("false_finds", [0.01, 1.0, 10.0])
def test_threshold_is_where_the_number_is_met(false_finds):
    limit = threshold(4e6, false_finds)
    # to the table's step of 0.0025 sigmas
    assert log_nfa(np.array([limit]), 4e6)[0] == pytest.approx(np.log10(false_finds), abs=1e-4)


def test_a_normal_law_asks_what_is_wanted_and_a_heavy_one_more():
    # three in a thousand normal variables exceed 2.96774, either sign (tables of the normal distribution)
    normal = Law(length_px=64, common=2.96774, power=1.0, unit_std=1.0)
    assert normal.needed(5.0) == pytest.approx(5.0, abs=1e-4)
    heavy = Law(length_px=64, common=4.0, power=0.8, unit_std=1.0)
    # by hand: 4 · (5 / 2.96774) ** 1.25 = 4 · 1.9195
    assert heavy.needed(5.0) == pytest.approx(7.678, abs=1e-3)
    assert on_normal_scale(np.array([-heavy.needed(5.0)]), 4.0, 0.8)[0] == pytest.approx(-5.0)


def _normal(seed, shape=(8, 16, 4000)):
    return np.random.default_rng(seed).standard_normal(shape, dtype=np.float32)


def _sample(values, rows=32.0):
    inside = np.full((values.shape[0] // 4, values.shape[1], values.shape[2] // 4), rows, np.float32)
    return sample_of(values, inside, pair=False, least=0.7 * rows)


def test_a_sample_is_every_fourth_column_by_its_rows():
    sums = np.arange(2 * 1 * 8, dtype=np.float32).reshape(2, 1, 8)
    inside = np.array([[[4.0, 1.0]]], np.float32)  # the second column's lines lie mostly outside
    single = sample_of(sums, inside, pair=False, least=2.0)
    # by hand: columns 1 and 5; 1² / 4, 9² / 4, and nothing where fewer than two rows lie in the mask
    np.testing.assert_allclose(single.square[:, 0], [[0.25, 0.0], [20.25, 0.0]])
    np.testing.assert_array_equal(single.entire[:, 0], [[True, False]] * 2)
    # columns 2 less 0 and 6 less 4: always 2
    np.testing.assert_allclose(sample_of(sums, inside, pair=True, least=2.0).square[:, 0, 0], [1.0, 1.0])


def test_std_is_that_of_one_row_and_bounded_against_scratches():
    values = 3.0 * np.sqrt(32.0) * _normal(1)
    # 64 000 numbers a slope, one in sixteen of them used: 1 / √8000 = 1.1 %
    np.testing.assert_allclose(std_of(_sample(values), None), 3.0, rtol=0.04)
    values[:, 3:5, 100:200] += 500.0
    np.testing.assert_allclose(std_of(_sample(values), None), 3.0, rtol=0.04)


def test_shares_of_normal_sums_are_those_of_the_tables():
    sample = _sample(np.sqrt(32.0) * _normal(2))
    rare = rare_of(sample, np.ones(8), np.zeros(8, np.intp), 1, near=False)
    # two-sided 0.3 % and 0.03 % of a normal variable (tables): 2.968 and 3.615; 128 000 numbers in four
    # by four tiles have 24 and 2.4 beyond, three quarters of the tiles keep to a little more
    assert rare[0, 0] == pytest.approx(2.968, abs=0.1)
    assert rare[0, 1] == pytest.approx(3.615, abs=0.35)


def test_a_scratch_along_the_lay_teaches_nothing():
    values = np.sqrt(32.0) * _normal(3)
    values[2:5, 2:14, 1000:1040] *= 8.0  # over most of the rows, one in a hundred columns
    bins = np.zeros(8, np.intp)
    clean = rare_of(_sample(np.sqrt(32.0) * _normal(3)), np.ones(8), bins, 1, near=True)
    near = rare_of(_sample(values), np.ones(8), bins, 1, near=True)
    np.testing.assert_allclose(near, clean, rtol=0.03)


def test_law_is_the_median_of_like_directions():
    directions = Directions(lay_rad=0.0)
    rare = np.tile([3.2, 4.0], (directions.count, 1))
    rare[4] = [9.0, 20.0]  # parallel scratches fill one bin
    common, power = law_of(typical_of(rare, np.ones(len(rare), bool), directions, None))
    np.testing.assert_allclose(common[1:9], 3.2)
    # by hand: ln(3.6153 / 2.96774) / ln(4 / 3.2)
    np.testing.assert_allclose(power[1:9], 0.8845, atol=1e-4)


def test_a_law_is_never_lighter_than_normal():
    directions = Directions(lay_rad=None)
    rare = np.tile([2.0, 2.1], (directions.count, 1))
    common, power = law_of(typical_of(rare, np.ones(len(rare), bool), directions, None))
    np.testing.assert_allclose(common, 2.96774, atol=1e-5)
    np.testing.assert_allclose(power, 1.0)


def test_what_is_unknown_is_as_for_shorter_lines():
    directions = Directions(lay_rad=0.0, near=True)
    shorter = np.tile([3.5, 4.5], (8, 1))
    known = np.arange(8) % 4 == 1
    typical = typical_of(np.tile([3.1, 3.8], (8, 1)), known, directions, shorter)
    np.testing.assert_array_equal(typical[known], np.tile([3.1, 3.8], (2, 1)))
    np.testing.assert_array_equal(typical[~known], shorter[~known])


def test_without_any_line_in_the_mask_there_is_nothing_to_learn():
    sample = Sample(np.zeros((8, 2, 40), np.float32), np.zeros((8, 2, 40), bool))
    assert np.isinf(std_of(sample, None)).all()
    assert not rare_of(sample, std_of(sample, None), np.zeros(8, np.intp), 1, near=False).any()
