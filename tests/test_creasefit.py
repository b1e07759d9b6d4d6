"""A crease settled row by row: in brightness and in the mixture of colours that tells it best."""

import math

import numpy as np
import pytest
from drawn_face import STEP_MM, drawn_face

from grindcheck.creasefit import apart, settle

FIELD = (1.15, 0.75, 1.10)  # a radius that mirrors the field: another colour, the flat's grey
ROWS = np.arange(1.0, 12.0, 0.2)
TRUE = -80.0 + math.tan(math.radians(6.0)) * ROWS


def _settled(*, mixed, off_mm=0.1, **how):
    face = drawn_face(**how)
    return settle(face, ROWS, TRUE + off_mm, np.ones(len(ROWS), bool), mixed=mixed)


@pytest.mark.parametrize("mixed", [False, True])
def test_a_bright_radius_is_settled_either_way(mixed):
    """A quarter of a pixel is granted, as for the whole trace."""
    found = _settled(mixed=mixed)
    assert np.abs(found.curve(ROWS) - TRUE).max() < 0.25 * STEP_MM
    assert found.good.mean() > 0.9


def test_a_radius_of_the_flats_grey_is_settled_by_its_colour_alone():
    how = {"radius": 0.30, "tint": FIELD, "band_mm": 0.3, "bevel": 0.5}
    mixed, plain = _settled(mixed=True, **how), _settled(mixed=False, **how)
    assert np.abs(mixed.curve(ROWS) - TRUE).max() < 0.5 * STEP_MM
    # brightness steps where the radius ends, 0.3 mm on
    assert (plain.curve(ROWS) - TRUE).mean() > 0.2
    shift, _ = apart(mixed, plain)
    assert shift == pytest.approx((plain.curve(ROWS) - mixed.curve(ROWS)).mean() / math.sqrt(2), abs=0.01)


def test_two_looks_that_agree_cost_little():
    shift, turn = apart(_settled(mixed=True), _settled(mixed=False))
    assert shift < 0.01
    assert turn < 0.002


def test_one_look_alone_tells_nothing_about_another():
    assert apart(_settled(mixed=True), None) == (0.0, 0.0)


def test_rows_off_the_blade_tell_nothing():
    assert settle(drawn_face(), ROWS, TRUE, np.zeros(len(ROWS), bool), mixed=True) is None
