"""Bins of directions: by the angle to the lay, worked by hand."""

import numpy as np
import pytest

from grindcheck.finish.directions import Directions


def _bins(directions, *degrees):
    return directions.bins(np.deg2rad(degrees)).tolist()


def test_without_a_lay_every_direction_has_a_bin():
    assert _bins(Directions(lay_rad=None), 1, 15, 89, -1, -15, 179) == [0, 1, 8, 9, 10, 9]
    assert Directions(lay_rad=None).count == 18


@pytest.mark.parametrize("lay_deg", [0.0, 70.0, -35.0])
def test_off_the_lay_what_runs_along_it_has_none(lay_deg):
    off = Directions(lay_rad=np.deg2rad(lay_deg))
    degrees = lay_deg + np.array([9.5, 10.5, 45.0, -9.5, -10.5, 95.0])
    assert _bins(off, *degrees) == [-1, 1, 4, -1, 10, 17]


def test_near_the_lay_only_what_runs_along_it_has_one():
    near = Directions(lay_rad=0.0, near=True)
    assert _bins(near, 0.1, 2.6, 9.9, -0.1, -9.9, 10.1, 50, 181) == [0, 1, 3, 4, 7, -1, -1, 0]
    assert near.count == 8


@pytest.mark.parametrize("directions", [Directions(lay_rad=None), Directions(lay_rad=0.3)])
def test_one_direction_is_never_the_majority_of_those_alike(directions):
    for number in range(directions.count):
        alike = directions.alike(number)
        assert len(alike) >= 4 or (directions.lay_rad is not None and number % 9 in (0, 1, 8))
        assert len(set(alike.tolist())) == len(alike)


def test_either_side_of_a_lay_is_alike():
    assert Directions(lay_rad=0.3).alike(4).tolist() == [3, 4, 5, 12, 13, 14]
    assert Directions(lay_rad=None).alike(4).tolist() == [2, 3, 4, 5, 6]
    assert Directions(lay_rad=0.0, near=True).alike(3).tolist() == [3, 7]
