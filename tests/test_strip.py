"""The unrolled face: its rims, its look, what counts as steel."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_face import drawn_face
from exact_scene import edge_y, spine_y

from grindcheck.geometry import frozen
from grindcheck.plunge import plunge_candidates
from grindcheck.strip import STEP_MM, _carried_on, uncovered, unroll


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
    course, heel, turned = _carried_on(x, -12.8 + 3.0 * behind)
    assert heel == pytest.approx(-90.3, abs=0.5)
    assert turned == pytest.approx(-90.05, abs=0.1)  # where a tenth of the 3 mm is reached
    assert course == pytest.approx(-12.8, abs=0.02)


def _with_rims(outline, *, edge=lambda x: 0.0 * x, spine=lambda x: 0.0 * x):
    """Return the outline with its rims moved in y, by functions of x."""
    points = outline.points_mm.copy()
    for part, move in ((outline.is_edge, edge), (~outline.is_edge, spine)):
        points[part, 1] += move(points[part, 0])
    return replace(outline, points_mm=frozen(points))


def test_the_blade_begins_where_both_rims_step(outline):
    """The shoulders of a tang, 4 mm below and 2 mm above, 95 mm from the tip; a choil has the lower only."""
    tang = {
        "edge": lambda x: np.where(x < -95.0, 4.0, 0.0),
        "spine": lambda x: np.where(x < -95.0, -2.0, 0.0),
    }
    found = unroll(_with_rims(outline, **tang), outline.lay)
    assert found.begins_mm == pytest.approx(-95.0, abs=0.3)
    choil = unroll(_with_rims(outline, edge=tang["edge"]), outline.lay)
    assert choil.begins_mm == choil.x_mm[0]
    assert choil.heel_mm == pytest.approx(-95.0, abs=1.0)


def test_the_end_of_a_tangs_bare_steel_is_no_plunge(outline):
    """Behind the shoulders the tang is bare and bright: the sharpest line of all, and no candidate."""
    tang = {
        "edge": lambda x: np.where(x < -95.0, 4.0, 0.0),
        "spine": lambda x: np.where(x < -95.0, -2.0, 0.0),
    }
    x = outline.face.plane.x_min_mm + np.arange(outline.lay.brightness.shape[1]) * outline.face.plane.step_mm
    bright = (outline.lay.brightness + np.where(x < -95.0, 1.5, 0.0)).astype(np.float32)
    bare = replace(_with_rims(outline, **tang), lay=replace(outline.lay, brightness=bright))
    found = plunge_candidates(unroll(bare, bare.lay))
    assert found[0].x_mm == pytest.approx(-80.0 + np.tan(np.deg2rad(6.0)) * found[0].above_mm, abs=0.5)
    assert all(candidate.x_mm > -94.0 for candidate in found)


def test_what_lies_over_the_edge_is_neither_heel_nor_plunge(outline):
    """Tape from 40 to 62 mm from the tip stands out by 3 mm: both of its ends are sudden."""

    def taped(x):
        return np.where((x > -62.0) & (x < -40.0), -3.0, 0.0)

    plain = unroll(outline, outline.lay)
    found = unroll(_with_rims(outline, edge=taped), outline.lay)
    inner = found.x_mm > -100.0
    np.testing.assert_allclose(found.edge_mm[inner], plain.edge_mm[inner], atol=0.1)
    assert found.heel_mm == plain.heel_mm
    ends = found.x_mm[found.covered][[0, -1]]
    assert ends[0] == pytest.approx(-62.0, abs=1.0)
    assert ends[1] == pytest.approx(-40.0, abs=1.0)
    assert not any(-63.5 < candidate.x_mm < -38.5 for candidate in plunge_candidates(found))


def test_a_step_that_never_ends_is_no_cover():
    x = np.arange(-80.0, 0.0, STEP_MM)
    edge, covered = uncovered(x, np.where(x < -50.0, 3.0, 0.0))
    assert not covered.any()
    assert edge[0] == 3.0
