"""Groups: what is more than chance, which origin follows, how it is worded."""

from dataclasses import replace
from math import radians

import numpy as np
import pytest
from fixtures_finish import angle_of, face, lay, leftover, region, scratch, sheath

from grindcheck.finish.groups import MANY, axial_mean, group_scratches
from grindcheck.finish.results import Scratch

BOTH = (region("flat"), region("bevel"))


def origins(*scratches: Scratch, blade_axis: bool = True) -> list[tuple[str, tuple[int, ...]]]:
    groups, _ = group_scratches(scratches, BOTH, blade_axis=blade_axis)
    return [(group.origin, group.numbers) for group in groups]


def test_the_fixtures_lie_as_they_say() -> None:
    for one in (*leftover(), *sheath(), scratch(1, degrees=-70)):
        assert np.tan(angle_of(one)) == pytest.approx(np.tan(one.angle_rad), abs=1e-9)


def test_parallel_lines_off_the_lay_are_a_coarser_grit() -> None:
    assert origins(*leftover()) == [("coarser grit", tuple(range(1, 13)))]


def test_long_lines_along_the_blade_are_the_draw_direction() -> None:
    assert origins(*sheath()) == [("draw direction", (1, 2, 3))]
    # in the middle of leftover lines as well
    assert origins(*leftover(), *sheath(13)) == [
        ("coarser grit", tuple(range(1, 13))),
        ("draw direction", (13, 14, 15)),
    ]


def test_two_long_lines_along_the_blade_are_more_than_chance_and_one_is_not() -> None:
    # (30° / 180°)² = 1/36 < 1/20
    assert origins(*sheath()[:2]) == [("draw direction", (1, 2))]
    assert origins(sheath()[0]) == [("handling", (1,))]


def test_short_lines_along_the_blade_are_no_draw() -> None:
    short = [replace(one, length_mm=4.0) for one in sheath()]
    assert origins(*short) == [("handling", (1, 2, 3))]


def test_without_the_blades_axis_no_draw_direction_is_told() -> None:
    assert origins(*sheath(), blade_axis=False) == [("handling", (1, 2, 3))]


def test_many_long_lines_along_the_lay_are_a_coarser_grit() -> None:
    deep = [scratch(i + 1, (-120.0, 15.0 + i), length_mm=20.0, degrees=0.1 * i) for i in range(MANY)]
    assert origins(*deep) == [("coarser grit", tuple(range(1, MANY + 1)))]
    groups, _ = group_scratches(deep, BOTH, blade_axis=True)
    assert "along the lay but deeper" in groups[0].reading
    # one fewer is what grit in a sheath leaves
    assert origins(*deep[:-1]) == [("draw direction", tuple(range(1, MANY)))]


def test_two_crossing_grits_are_two_groups() -> None:
    found = origins(*leftover(10), *leftover(8, degrees=-40.0, first=11))
    assert found == [("coarser grit", tuple(range(1, 11))), ("coarser grit", tuple(range(11, 19)))]


def test_regions_are_looked_at_apart() -> None:
    bevel = [replace(one, region="bevel", number=one.number + 12) for one in leftover()]
    assert [origin for origin, _ in origins(*leftover(), *bevel)] == ["coarser grit", "coarser grit"]


def test_chance_makes_groups_as_rarely_as_promised() -> None:
    # 1 to 2 % of sets of random directions, so 4 to 8 of 400; less or more by three roots of 8 for counting
    rng = np.random.default_rng(5)
    false = 0
    for _ in range(400):
        some = [scratch(i + 1, length_mm=5.0, degrees=d) for i, d in enumerate(rng.uniform(-90, 90, 12))]
        false += any(origin != "handling" for origin, _ in origins(*some))
    assert 0 < false <= 8 + 3 * np.sqrt(8)


def test_the_window_wraps_at_the_square() -> None:
    turned = leftover(degrees=90.0)  # some just below 90°, some just above −90°
    folded = [replace(one, angle_rad=(one.angle_rad + np.pi / 2) % np.pi - np.pi / 2) for one in turned]
    assert origins(*folded) == [("coarser grit", tuple(range(1, 13)))]
    mean, spread = axial_mean(one.angle_rad for one in folded)
    assert abs(mean) > radians(88)
    assert spread < radians(2)


def test_each_scratch_knows_its_group_and_keeps_its_place() -> None:
    given = (*sheath(), *leftover(first=4), scratch(16, degrees=-30.0, name="bevel"))
    groups, found = group_scratches(given, BOTH, blade_axis=True)
    assert [one.number for one in found] == [one.number for one in given]
    for one in found:
        assert one.group is not None
        assert one.number in groups[one.group].numbers
    assert sum(len(group.numbers) for group in groups) == len(given)


def test_a_thousand_scratches_are_grouped() -> None:
    many = [replace(one, number=i + 1) for i, one in enumerate(leftover(10) * 100)]
    assert origins(*many)[0][0] == "coarser grit"


def test_readings_are_likely_and_advice_is_for_the_bench() -> None:
    made = face(*leftover(), *sheath(13), scratch(16, degrees=-30.0))
    words = {
        "coarser grit": "back one grit",
        "draw direction": "re-open the sheath",
        "handling": "tape the blade",
    }
    assert {group.origin for group in made.groups} == set(words)
    for group in made.groups:
        assert group.reading.startswith("Likely ")
        assert words[group.origin] in group.advice
        assert "edge taped" in group.advice


def test_the_reading_says_the_angle_the_width_and_what_is_new() -> None:
    (wide,) = face(*(replace(one, grit="P100 to P150") for one in leftover())).groups
    # the fixture's lines lie at 55° ± 2° to the flat's lay, which runs along the blade
    assert "12 parallel lines on the flat, 55° off the lay" in wide.reading
    assert "grains of P100 to P150, and a scratch is narrower than its grain" in wide.reading
    (new,) = face(*(replace(one, change="new") for one in sheath())).groups
    assert "none of them in the earlier photo" in new.reading
    tumbled = region("flat", lay=lay("P", None))
    (bare,) = face(*(replace(one, lay_angle_rad=None) for one in leftover()), regions=(tumbled,)).groups
    assert "55° to the blade" in bare.reading


def test_nothing_gives_nothing() -> None:
    assert group_scratches((), BOTH, blade_axis=True) == ((), ())
