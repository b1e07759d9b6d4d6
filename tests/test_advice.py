"""What to grind: the cost of a raised shoulder against right triangles, the sentences' sides and amounts."""

import math
from dataclasses import replace

import pytest
from fixtures_results import comparison, face, mismatch

from grindcheck.advice import CAUTIONS, advise, length, shoulder_raise
from grindcheck.results import Comparison
from grindcheck.verdict import Tolerances, judge


def advice(result: Comparison, units: str = "mm") -> tuple[str, ...]:
    return advise(result, judge(result, Tolerances()), units=units)  # type: ignore[arg-type]


def test_raise_by_the_3_4_5_triangle() -> None:
    # Legs 4 (height in the flat's plane) and 3 (rise), bevel 5. Raised to legs 6 and 3, bevel √45. At the old
    # shoulder, 4 of 6 along, the new line has risen 3 · 4/6 = 2: one is to be taken off.
    cost = shoulder_raise(5.0, math.sqrt(45) - 5.0, 3.0)
    assert cost.depth_mm == pytest.approx(1.0, abs=1e-12)
    # Parallel: sin β = 3/5, so the edge loses 3/5 of what the bevel grows along its surface.
    assert cost.edge_loss_mm == pytest.approx(0.6 * (math.sqrt(45) - 5.0), abs=1e-12)


def test_raise_parallel_by_the_3_4_5_triangle() -> None:
    # A parallel bevel of 10 has legs 8 and 6: against the rise of 3 at the edge it has sunk by 6 − 3 = 3.
    assert shoulder_raise(5.0, 5.0, 3.0).edge_loss_mm == pytest.approx(3.0, abs=1e-12)


def test_a_small_raise_costs_d_tan_of_the_angle() -> None:
    # first order: both costs tend to d · tan β, here in the flat's plane d = D / cos β for the turned bevel
    rise, height, small = 1.75, 15.0, 1e-6
    beta = math.asin(rise / height)
    cost = shoulder_raise(height, small, rise)
    assert cost.depth_mm == pytest.approx(small / math.cos(beta) * math.tan(beta), rel=1e-5)
    assert cost.edge_loss_mm == pytest.approx(small * math.cos(beta) * math.tan(beta), rel=1e-5)


def test_nothing_is_ground_without_a_mismatch() -> None:
    for result in (comparison(), comparison(face("left", plunge_mm=120.24))):
        lines = advice(result)
        assert len(lines) == 1
        assert lines[0].startswith("Leave both faces as they are")


# Left minus right is 120 − 119.38 = +0.62: the right plunge lies nearer to the tip, and a plunge can only be
# moved towards the handle, so it is the right one that is ground. Mirrored for the left.
@pytest.mark.parametrize(("near", "other"), [("right", "left"), ("left", "right")])
def test_the_plunge_nearer_to_the_tip_is_moved(near: str, other: str) -> None:
    faces = {near: face(near, plunge_mm=119.38), other: face(other, plunge_mm=120.0)}
    lines = advice(comparison(faces["left"], faces["right"]))
    assert lines[0] == f"Grind the {near} face: move its plunge 0.62 mm towards the handle."
    assert not any(f"Grind the {other} face" in line for line in lines)


def test_cautions_come_once_and_only_with_grinding() -> None:
    lines = advice(mismatch())
    assert [line for line in lines if line in CAUTIONS] == list(CAUTIONS)
    assert any("tempering" in line for line in CAUTIONS)
    assert any("eye protection" in line and "running machine" in line for line in CAUTIONS)


def test_units() -> None:
    # 0.62 / 25.4 = 0.02441 in = 24.41 thou
    assert "0.62 mm (24 thou)" in advice(mismatch(), "both")[0]
    assert "0.0244 in" in advice(mismatch(), "in")[0]
    assert length(25.4, "both") == "25.40 mm (1000 thou)"


def test_both_ends_are_told_when_they_differ() -> None:
    # Right: shoulder 119.38 − 0.15, edge 119.38 + 0.15, left square at 120: 0.77 and 0.47 to go.
    lines = advice(comparison(face("left"), face("right", plunge_mm=119.38, lean_mm=0.30)))
    assert "0.77 mm at the shoulder, 0.47 mm at the edge" in lines[0]


def test_crossing_plunges_are_each_ground_where_they_lie_nearer_to_the_tip() -> None:
    # Right leans by 1 mm about the same middle: its shoulder end is 0.5 mm nearer to the tip, its edge end
    # 0.5 mm farther, so the left edge end follows.
    lines = advice(comparison(face("left"), face("right", lean_mm=1.0)))
    assert "Grind the right face: move its plunge towards the handle, 0.50 mm at the shoulder." in lines
    assert "Grind the left face: move its plunge towards the handle, 0.50 mm at the edge." in lines
    # atan(1 / 14.9) = 3.84°
    assert any("the right plunge leans 3.8° more towards the tip" in line for line in lines)


def test_full_flat_says_spine() -> None:
    lines = advice(comparison(face("left", full_flat=True), face("right", full_flat=True, lean_mm=1.0)))
    assert any("0.50 mm at the spine" in line for line in lines)
    assert not any("shoulder" in line for line in lines)


@pytest.mark.parametrize(("low", "other"), [("right", "left"), ("left", "right")])
def test_the_lower_bevel_is_raised(low: str, other: str) -> None:
    faces = {low: face(low, height_mm=14.4), other: face(other, height_mm=15.0)}
    lines = advice(comparison(faces["left"], faces["right"]))
    assert (
        lines[0]
        == f"Grind the {low} face: raise its shoulder by 0.60 mm between 20 mm and 110 mm from the tip."
    )
    # rise (4 − 0.5) / 2 = 1.75; √(14.4² − 1.75²) = 14.293, √(15² − 1.75²) = 14.898
    # 1.75 (1 − 14.293 / 14.898) = 0.071
    assert "depth of 0.07 mm at the old shoulder at 20 mm" in lines[1]
    # 0.6 · 1.75 / 14.4 = 0.073 of 0.5
    assert "0.43 mm of edge thickness would remain" in lines[1]
    assert "thin" not in lines[1]


def test_a_thin_edge_is_warned_of() -> None:
    # the loss of 0.6 · (4 − 0.3)/2 / 14.4 = 0.077 leaves 0.22 of 0.30
    lines = advice(comparison(face("left", height_mm=14.4), edge_mm=0.3))
    assert "0.22 mm of edge thickness would remain. That is thin" in lines[1]


def test_an_edge_that_would_be_used_up_is_warned_of() -> None:
    # 4 mm to raise: 4 · 1.95 / 11 = 0.71 of an edge of 0.1
    lines = advice(comparison(face("left", height_mm=11.0), edge_mm=0.1))
    assert "more than the whole edge" in lines[1]
    assert "would remain" not in lines[1]


def test_only_stations_that_mismatch_are_named() -> None:
    result = comparison()
    changed = tuple(
        replace(one, value=-0.5) if one.station_mm in (50.0, 60.0) else one for one in result.differences
    )
    lines = advice(replace(result, differences=changed))
    assert "between 50 mm and 60 mm" in lines[0]
    single = tuple(replace(one, value=0.5) if one.station_mm == 70.0 else one for one in result.differences)
    assert (
        advice(replace(result, differences=single))[0]
        == "Grind the right face: raise its shoulder by 0.50 mm at 70 mm from the tip."
    )
