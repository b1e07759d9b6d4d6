"""The shoulder on drawn faces: 14 mm above the edge all along."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_face import STEP_MM, drawn_face
from exact_scene import edge_y

from grindcheck import shoulder
from grindcheck.border import BorderOdds
from grindcheck.chain import follow
from grindcheck.grindlines import survey
from grindcheck.shoulder import at_odds, guided, shoulder_path, trace_shoulder


def _traced(top_mm=None, **how):
    seen = survey(drawn_face(**how))
    path = shoulder_path(seen.strip, from_mm=-78.0, top_mm=top_mm)
    assert path is not None
    return trace_shoulder(seen.outline, seen.strip, path, top_mm=top_mm)


def _heights(line):
    """Errors of the height, along y; the belly's slope turns them by less than cos 20°."""
    part = line.points_mm[line.points_mm[:, 0] < -30.0]
    return part[:, 1] - edge_y(part[:, 0]) - 14.0


@pytest.mark.parametrize(
    "how",
    [{}, {"bevel": 0.22}, {"lay": 0.02}, {"noise": 0.04}, {"blur_mm": 0.16}, {"seed": 9}],
    ids=str,
)
def test_height(how):
    """A step in level: bias below a quarter of a pixel, 0.02 mm; scatter below the stated std, doubled."""
    line = _traced(**how)
    errors = _heights(line)
    assert len(errors) > 80
    assert abs(np.median(errors)) < 0.25 * STEP_MM + 0.005
    assert np.sqrt(np.mean(errors**2)) < 2 * line.shift_std_mm + 0.25 * STEP_MM
    assert line.confidence > 0.5
    assert line.std_mm is not None
    assert line.std_mm.shape == (len(line.points_mm),)


def test_lay_alone_tells():
    """Bevel and flat equally bright: only the lines' direction differs."""
    line = _traced(bevel=0.30)
    assert abs(np.median(_heights(line))) < 3 * line.shift_std_mm + 0.25 * STEP_MM


def test_no_shoulder_on_a_full_flat_face():
    """Nothing runs along the blade: whatever path is best, it isn't believed."""
    line = _traced(height_mm=None)
    assert line.confidence < 0.5


def test_a_line_far_from_the_plunges_end_isn_t_believed():
    """The plunge ends 6 mm above the edge: a line at 14 mm can't be its shoulder."""
    assert _traced(top_mm=6.0).confidence < 0.5
    assert _traced(top_mm=13.8).confidence > 0.5


def test_a_strip_too_short_holds_no_path():
    seen = survey(drawn_face())
    assert shoulder_path(seen.strip, from_mm=-6.0) is None


@pytest.mark.parametrize("off_mm", [-2.0, -1.3, 1.3])
def test_a_rough_path_beside_the_shoulder_is_left(off_mm):
    """Farther off than one pass looks: the line is followed up, not told from where the search ends.

    The bias granted is `test_height`'s.
    """
    seen = survey(drawn_face())
    path = shoulder_path(seen.strip, from_mm=-78.0)
    line = trace_shoulder(seen.outline, seen.strip, replace(path, above_mm=path.above_mm + off_mm))
    errors = _heights(line)
    assert len(errors) > 80
    assert abs(np.median(errors)) < 0.25 * STEP_MM + 0.005
    assert np.abs(errors).max() < 0.2


def test_a_line_where_the_search_ends_is_no_figure(monkeypatch):
    """Two passes look 1.3 mm far: what lies at their end from 1.7 mm off isn't told, only places found."""
    monkeypatch.setattr(shoulder, "_TRIES", 1)
    seen = survey(drawn_face())
    path = shoulder_path(seen.strip, from_mm=-78.0)
    line = trace_shoulder(seen.outline, seen.strip, replace(path, above_mm=path.above_mm - 1.7))
    assert line.confidence < 0.5


def test_level_and_pattern_that_tell_two_places_widen_the_std():
    """Two normal likelihoods 0.2 mm apart, each of std s: Birge's ratio is 0.2 over s times the root of 2."""
    states = np.arange(-0.5, 0.5, 0.01)
    one, other = (
        np.tile(-0.5 * ((states - at) / 0.1) ** 2, (60, 1)) for at in (-0.1, 0.1)
    )  # fmt: skip
    ratio = at_odds(_odds(one, other), states)
    alone_std = follow(one, states, walk=0.03)[1][30]
    assert ratio[30] == pytest.approx(0.2 / (np.sqrt(2) * alone_std), rel=1e-3)
    assert ratio[30] > 2
    assert at_odds(_odds(one, one), states) == pytest.approx(1.0)


def test_the_look_chooses_between_two_places():
    """Level and pattern find two places alike; the look points between them, nearer to one."""
    states = np.arange(-0.5, 0.505, 0.01)
    two = np.logaddexp(*(-0.5 * ((states - at) / 0.04) ** 2 for at in (-0.3, 0.3)))
    seen = np.tile(two, (60, 1))
    look = np.tile(-0.5 * ((states - 0.2) / 0.1) ** 2, (60, 1))
    assert follow(seen, states, walk=0.03)[0] == pytest.approx(0.0, abs=0.01)
    guide = guided(*follow(look, states, walk=0.03), states)
    place, _ = follow(seen + guide, states, walk=0.03)
    assert place[30] == pytest.approx(0.3, abs=0.02)


def test_the_look_hardly_moves_what_level_and_pattern_place_well():
    states = np.arange(-0.5, 0.505, 0.01)
    sure = np.tile(-0.5 * ((states + 0.1) / 0.04) ** 2, (60, 1))
    look = np.tile(-0.5 * ((states - 0.1) / 0.1) ** 2, (60, 1))
    place, _ = follow(sure + guided(*follow(look, states, walk=0.03), states), states, walk=0.03)
    assert place[30] == pytest.approx(-0.1, abs=0.02)


def _odds(level, pattern):
    nothing = np.zeros(len(level))
    return BorderOdds(
        likelihood=level + pattern, gain=level, clear=nothing, parts=(level, pattern), look=level
    )
