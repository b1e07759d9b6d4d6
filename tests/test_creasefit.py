"""A crease settled row by row: in brightness and in the mixture of colours that tells it best."""

import math

import numpy as np
import pytest
from drawn_face import STEP_MM, drawn_face

from grindcheck.creasefit import Settled, blended, settle, step_along

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
    """Half a pixel is granted where only the colour steps."""
    how = {"radius": 0.30, "tint": FIELD, "band_mm": 0.3, "bevel": 0.5}
    mixed, plain = _settled(mixed=True, **how), _settled(mixed=False, **how)
    assert np.abs(mixed.curve(ROWS) - TRUE).max() < 0.5 * STEP_MM
    # brightness steps where the radius ends, 0.3 mm on
    assert (plain.curve(ROWS) - TRUE).mean() > 0.2


def test_looks_that_differ_are_averaged_and_their_spread_is_told():
    """Two looks that keep to their curves alike: half-way between, with half their distance as std."""
    one, other = (
        Settled(
            y_mm=ROWS, x_mm=x, std_mm=np.full(len(ROWS), 0.01), good=np.ones(len(ROWS), bool),
            curve=np.polynomial.Polynomial.fit(ROWS, x, 2),
        )
        for x in (TRUE, TRUE + 0.3 + 0.01 * (ROWS - ROWS.mean()))
    )  # fmt: skip
    between, shift, turn = blended(one, other)
    middle = TRUE + 0.15 + 0.005 * (ROWS - ROWS.mean())
    assert between.x_mm == pytest.approx(middle, abs=1e-9)
    assert between.curve(ROWS) == pytest.approx(middle, abs=1e-9)
    assert shift == pytest.approx(0.15, abs=1e-9)
    assert turn == pytest.approx(0.005, abs=1e-9)


def test_a_look_that_strays_from_its_own_curve_counts_for_little():
    wavy = TRUE + 0.3 + 0.1 * (-1.0) ** np.arange(len(ROWS))
    one, other = (
        Settled(
            y_mm=ROWS, x_mm=x, std_mm=np.full(len(ROWS), 0.01), good=np.ones(len(ROWS), bool),
            curve=np.polynomial.Polynomial.fit(ROWS, x, 2),
        )
        for x in (TRUE + 0.01 * (-1.0) ** np.arange(len(ROWS)), wavy)
    )  # fmt: skip
    between, shift, _ = blended(one, other)
    assert np.abs(between.curve(ROWS) - TRUE).max() < 0.01
    assert shift < 0.05


def test_two_looks_that_agree_cost_little():
    _, shift, turn = blended(_settled(mixed=True), _settled(mixed=False))
    assert shift < 0.01
    assert turn < 0.002


def test_rows_off_the_blade_tell_nothing():
    assert settle(drawn_face(), ROWS, TRUE, np.zeros(len(ROWS), bool), mixed=True) is None


@pytest.mark.parametrize("off_mm", [0.0, -0.7])
def test_a_step_is_strongest_where_it_lies(off_mm):
    """From a line on it, and from one 0.7 mm back on the flat, which itself is no step."""
    offsets, strength = step_along(drawn_face(), ROWS, TRUE + off_mm)
    assert offsets[int(np.argmax(strength))] == pytest.approx(-off_mm, abs=STEP_MM)
    behind = strength[offsets < -off_mm - 0.3]
    assert strength.max() > 5.0
    assert behind.max() < 5.0
