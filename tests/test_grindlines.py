"""Which lines belong to which grind, on drawn faces; lines by hand."""

import numpy as np
import pytest
from drawn_face import drawn_face

from grindcheck.errors import BladeError, InputError
from grindcheck.geometry import frozen
from grindcheck.grindlines import (
    GRINDS,
    Survey,
    check_grind,
    choose_plunges,
    reaches_spine,
    require_lines,
    survey,
    trace_lines,
    trace_plunge_of,
    trace_shoulder_of,
    unlike_shoulders,
    with_flags,
)
from grindcheck.plunge import Candidate, Line


def _lines(seen, **options):
    chosen, _ = choose_plunges(seen, seen)
    plunge = trace_plunge_of(seen, chosen)
    shoulder = trace_shoulder_of(seen, plunge)
    full_flat = options.pop("full_flat", reaches_spine(seen, chosen, plunge, shoulder) > 0)
    return trace_lines(seen, chosen, plunge, shoulder_line=shoulder, full_flat=full_flat, **options)


@pytest.mark.parametrize(
    ("how", "grind"),
    [({}, "sabre"), ({"height_mm": 8.0}, "scandi"), ({"height_mm": None}, "full flat")],
    ids=str,
)
def test_grind_is_told(how, grind):
    found = _lines(survey(drawn_face(**how)))
    assert found.grind == grind
    assert found.full_flat == (grind == "full flat")
    assert (found.shoulder is None) == (grind == "full flat")
    assert ("full_flat" in found.flags) == (grind == "full flat")
    assert found.plunge is not None


def test_bevel_that_runs_out_at_the_heel():
    """Full flat and without a plunge: nothing runs across or along the blade, and both are said."""
    found = _lines(survey(drawn_face(plunge_mm=None, height_mm=None)))
    assert {"no_plunge", "full_flat"} <= set(found.flags)
    assert found.plunge is None
    assert found.shoulder is None


def test_named_grind_is_kept():
    assert _lines(survey(drawn_face()), grind="hollow").grind == "hollow"


def _candidate(x, score):
    return Candidate(x_mm=x, lean=0.0, above_mm=5.0, score=score, other=(x, 0.0))


def test_the_pair_of_plunges_that_belong_together_is_chosen():
    """A brighter line 40 mm off on one face only, a reflection, loses against two that agree."""
    seen = survey(drawn_face())
    one = Survey(
        outline=seen.outline, strip=seen.strip, candidates=(_candidate(-40.0, 2.2), _candidate(-80.0, 1.8))
    )
    other = Survey(outline=seen.outline, strip=seen.strip, candidates=(_candidate(-80.6, 1.7),))
    first, second = choose_plunges(one, other)
    assert first is not None
    assert second is not None
    assert (first.x_mm, second.x_mm) == (-80.0, -80.6)


def test_shoulders_that_can_t_both_be_shoulders():
    """A line 1 mm below the spine of a 26 mm blade on one face, half-way up on the other; an honest pair."""
    seen = survey(drawn_face())
    x = np.linspace(-70.0, -20.0, 60)

    def shoulder(height_mm, confidence=0.9):
        edge = seen.outline.rim_mm(x, edge=True)
        return Line(
            points_mm=frozen(np.column_stack([x, edge + height_mm])), shift_std_mm=0.02, turn_std_rad=0.0,
            scatter_mm=0.02, confidence=confidence, width_mm=0.0, top_mm=0.0,
        )  # fmt: skip

    assert unlike_shoulders(seen, shoulder(23.0), seen, shoulder(12.0))
    assert not unlike_shoulders(seen, shoulder(12.0), seen, shoulder(13.5))
    assert not unlike_shoulders(
        seen, shoulder(23.0), seen, shoulder(12.0, confidence=0.3)
    )  # isn't told anyway
    assert not unlike_shoulders(seen, shoulder(23.0), seen, None)


def test_weak_lines_are_no_plunge():
    seen = survey(drawn_face())
    weak = Survey(outline=seen.outline, strip=seen.strip, candidates=(_candidate(-80.0, 0.7),))
    assert choose_plunges(weak, weak) == (None, None)


def test_lines_by_hand_are_taken_as_they_are():
    seen = survey(drawn_face())
    hand = {
        "plunge": np.array([[-70.0, 1.0], [-69.0, 11.0]]),
        "shoulder": np.array([[-68.0, 12.0], [-30.0, 12.5]]),
    }
    found = _lines(seen, by_hand=hand, full_flat=False)
    assert "placed_by_hand" in found.flags
    assert found.plunge is not None
    assert found.plunge.by_hand
    at, lean = found.plunge.straight()
    assert lean == pytest.approx(0.1, abs=1e-9)
    assert at == pytest.approx(-70.1, abs=1e-9)  # carried down to y = 0
    assert found.plunge.shift_std_mm == 0.1
    assert found.shoulder is not None
    assert found.shoulder.points_mm[:, 1].min() == pytest.approx(12.0)
    assert found.shoulder.points_mm[:, 1].max() == pytest.approx(12.5)


@pytest.mark.parametrize(
    ("points", "words"),
    [([[-70.0, 1.0]], "two points"), ([[-70.0, 1.0], [-70.0, 1.4]], "0.40 mm long")],
)
def test_a_line_by_hand_that_is_none(points, words):
    with pytest.raises(InputError, match=words):
        _lines(survey(drawn_face()), by_hand={"plunge": np.array(points)}, full_flat=False)


def test_more_flags_are_added_once():
    found = _lines(survey(drawn_face(height_mm=None)))
    assert with_flags(found, ("tilted", "full_flat")).flags == (*found.flags, "tilted")


@pytest.mark.parametrize(("word", "name"), [(None, None), ("Full-Flat", "full flat"), ("SCANDI", "scandi")])
def test_grinds_by_name(word, name):
    assert check_grind(word) == name


def test_unknown_grind():
    with pytest.raises(InputError, match="no grind 'wavy'"):
        check_grind("wavy")
    assert all(check_grind(name) == name for name in GRINDS)


def test_a_face_without_lines_can_t_be_measured():
    seen = survey(drawn_face(plunge_mm=None, height_mm=None))
    with pytest.raises(BladeError, match="Neither a plunge line nor a shoulder"):
        require_lines(trace_lines(seen, None, None, full_flat=False))
