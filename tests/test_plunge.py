"""The plunge line on drawn faces: its place and lean are known, whatever follows the crease."""

import math
from dataclasses import replace

import numpy as np
import pytest
from drawn_face import STEP_MM, drawn_face

from grindcheck import plunge
from grindcheck.grindlines import survey
from grindcheck.plunge import Line, allowing_for, trace_plunge

FIELD = (1.15, 0.75, 1.10)  # mean 1


def _traced(**how):
    seen = survey(drawn_face(**how))
    assert seen.candidates
    return trace_plunge(seen.outline, seen.strip, seen.candidates[0], top_mm=13.4)


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"radius": 0.1, "bevel": 0.25},  # a dark band, as where the radius mirrors the bench
        {"bevel": 0.30},  # bevel and flat equally bright: band and lay tell
        {"radius": 0.42},  # no band
        {"lay": 0.02},
        {"lay": 0.12},
        {"noise": 0.04},
        {"blur_mm": 0.16},
        {"lean_rad": math.radians(-12.0)},
        {"lean_rad": math.radians(20.0)},
        {"plunge_mm": 60.0},
    ],
    ids=str,
)
def test_place_and_lean(how):
    """The crease is a step: a quarter of a pixel, 0.02 mm, is the bias that this model is granted.

    Its own std is added three times over; the lean by the same bias over half of the 13 mm.
    """
    line = _traced(**how)
    wanted_lean = math.tan(how.get("lean_rad", math.radians(6.0)))
    at, lean = line.straight()
    middle = float(line.points_mm[:, 1].mean())
    wanted = -how.get("plunge_mm", 80.0) + wanted_lean * middle
    assert at + lean * middle == pytest.approx(wanted, abs=0.25 * STEP_MM + 3 * line.shift_std_mm)
    assert lean == pytest.approx(wanted_lean, abs=0.25 * STEP_MM / 6.5 + 3 * line.turn_std_rad)
    assert line.confidence > 0.5
    assert line.shift_std_mm < 0.05


def test_a_radius_of_the_flats_own_grey_is_told_by_its_colour():
    """As where the radius mirrors the coloured field; brightness alone ends the flat 0.3 mm too late.

    Both looks keep to their lines alike, so that the line lies between them and its std reaches the true one.
    """
    line = _traced(radius=0.30, tint=FIELD, band_mm=0.3, bevel=0.5)
    at, lean = line.straight()
    middle = float(line.points_mm[:, 1].mean())
    off = at + lean * middle + 80.0 - math.tan(math.radians(6.0)) * middle
    assert abs(off) < min(2 * line.shift_std_mm, 0.2)
    assert lean == pytest.approx(math.tan(math.radians(6.0)), abs=0.25 * STEP_MM / 6.5)
    assert line.shift_std_mm < 0.2
    assert line.confidence > 0.5


def test_a_surer_line_that_was_set_aside_widens_the_chosen_one():
    """Either of two may be right: the spread of their mixture by confidence; one nearby changes nothing."""
    y = np.linspace(1.0, 11.0, 51)

    def line(x_mm, lean, confidence):
        return Line(
            points_mm=np.column_stack([x_mm + lean * (y - 6.0), y]), shift_std_mm=0.01, turn_std_rad=0.001,
            scatter_mm=0.01, confidence=confidence,
        )  # fmt: skip

    chosen, surer = line(-80.5, 0.2, 0.6), line(-80.0, 0.1, 0.9)
    wide = allowing_for(chosen, [chosen, surer, line(-85.0, 0.0, 0.5)], 6.0)
    assert wide.shift_std_mm == pytest.approx(np.sqrt(0.4 * 0.6) * 0.5)
    assert wide.turn_std_rad == pytest.approx(np.sqrt(0.4 * 0.6) * 0.1)
    assert allowing_for(chosen, [chosen, line(-80.4, 0.2, 0.9)], 6.0) == chosen


def test_scatter_between_drawings_is_as_stated():
    """Sixteen drawings with other noise: rms of the errors against the stated std and the granted bias."""
    errors, stds = [], []
    for seed in range(16):
        line = _traced(seed=seed, lay=0.1, noise=0.03)
        at, lean = line.straight()
        middle = float(line.points_mm[:, 1].mean())
        errors.append(at + lean * middle + 80.0 - math.tan(math.radians(6.0)) * middle)
        stds.append(line.shift_std_mm)
    assert np.sqrt(np.mean(np.square(errors))) < 0.25 * STEP_MM + 1.5 * np.sqrt(np.mean(np.square(stds)))
    assert np.median(stds) < 0.02


def test_transition_is_the_belts_radius():
    """Drawn 1.2 mm wide, with a sharp end: met to two pixels and the blur."""
    assert _traced().width_mm == pytest.approx(1.2, abs=2 * STEP_MM + 0.16)


def test_top_is_seen_where_the_shoulder_crosses():
    seen = survey(drawn_face())
    line = trace_plunge(seen.outline, seen.strip, seen.candidates[0])
    assert line.top_mm == pytest.approx(14.0, abs=1.0)


def test_nothing_across_the_blade_gives_no_good_candidate():
    seen = survey(drawn_face(plunge_mm=None, height_mm=None))
    assert all(candidate.score < 0.75 for candidate in seen.candidates)


def test_a_line_that_is_no_step_is_traced_anew_from_the_step_beside_it(monkeypatch):
    """Whatever the votes took for the flat's end: a line 0.7 mm behind the crease, on the plain flat."""
    first = plunge._first

    def astray(*of):
        line = first(*of)
        return replace(line, points_mm=line.points_mm - [0.7, 0.0])

    monkeypatch.setattr(plunge, "_first", astray)
    at, lean = _traced().straight()
    assert at + 7.0 * lean == pytest.approx(-80.0 + 7.0 * math.tan(math.radians(6.0)), abs=0.04)


def test_a_line_beside_no_step_at_all_is_unlikely(monkeypatch):
    """Nowhere near is a step, so that the line can't be one."""
    monkeypatch.setattr(plunge, "_STANDS_OUT", 1e6)
    assert _traced().confidence < 0.5
