"""The shoulder on drawn faces: 14 mm above the edge all along."""

import numpy as np
import pytest
from drawn_face import STEP_MM, drawn_face
from exact_scene import edge_y

from grindcheck.grindlines import survey
from grindcheck.shoulder import shoulder_path, trace_shoulder


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
