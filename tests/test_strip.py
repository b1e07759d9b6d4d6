"""The unrolled face: its rims, its look, what counts as steel."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_face import drawn_face
from exact_scene import edge_y, spine_y

from grindcheck.geometry import frozen
from grindcheck.strip import STEP_MM, _carried_on, unroll


@pytest.fixture(scope="module")
def outline():
    return drawn_face()


@pytest.fixture(scope="module")
def strip(outline):
    return unroll(outline, outline.lay)


def test_rims_are_those_of_the_blade(strip):
    inner = (strip.x_mm > -100.0) & (strip.x_mm < -3.0)
    np.testing.assert_allclose(strip.edge_mm[inner], edge_y(strip.x_mm[inner]), atol=1e-3)
    wanted = spine_y(strip.x_mm[inner]) - edge_y(strip.x_mm[inner])
    np.testing.assert_allclose(strip.width_mm[inner], wanted, atol=2e-3)


def test_flat_and_bevel_have_their_levels_and_lay(strip):
    """Drawn: the flat at 0.30 with lines along, the bevel at 0.42 with lines across."""
    column = (strip.x_mm > -70.0) & (strip.x_mm < -50.0)
    bevel = (strip.above_mm > 2.0) & (strip.above_mm < 12.0)
    flat = (strip.above_mm > 16.0) & (strip.above_mm < 23.0)
    for rows, level, sign in ((bevel, 0.42, 1.0), (flat, 0.30, -1.0)):
        look = np.ix_(rows, column)
        assert float(np.median(strip.brightness[look])) == pytest.approx(np.log(level), abs=0.02)
        assert sign * float(np.median(strip.across[look])) > 0.2
        assert strip.inside[look].all()


def test_rims_and_beyond_are_no_steel(strip):
    assert not strip.inside[strip.above_mm < 0.45].any()
    above = strip.above_mm[:, None] > strip.width_mm[None, :] - 0.45
    assert not strip.inside[above].any()


def test_edge_is_carried_on_behind_a_heel(outline):
    """The edge steps up by 4 mm at 95 mm from the tip, as a choil does; its course goes on straight."""
    points = outline.points_mm.copy()
    heel = outline.is_edge & (points[:, 0] < -95.0)
    points[heel, 1] += 4.0
    found = unroll(replace(outline, points_mm=frozen(points)), outline.lay)
    behind = found.x_mm < -96.0
    np.testing.assert_allclose(found.edge_mm[behind], 0.0, atol=0.05)
    assert not found.inside[np.ix_(found.above_mm < 4.0, found.x_mm < -97.0)].any()


@pytest.mark.parametrize("phase_mm", [0.0, 0.03, 0.1, 0.21, 0.34, 0.45])
def test_the_end_of_a_tape_is_no_heel_and_a_heel_is_one_wherever_the_columns_fall(phase_mm):
    """A tape stands out by 0.9 mm, a heel drops by 3 mm; each within half a millimetre, columns anywhere."""
    x = np.arange(-120.0 + phase_mm, -2.0, STEP_MM)
    behind = np.clip((-90.0 - x) / 0.5, 0.0, 1.0)
    assert _carried_on(x, -12.8 + 0.9 * behind)[1] == x[0]
    course, heel = _carried_on(x, -12.8 + 3.0 * behind)
    assert heel == pytest.approx(-90.3, abs=0.5)
    assert course == pytest.approx(-12.8, abs=0.02)
