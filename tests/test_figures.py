"""Figures read from straight lines, by hand."""

import math
from fractions import Fraction

import exact_scene as exact
import numpy as np
import pytest

from grindcheck.figures import local_y, plunge_figures
from grindcheck.units import length_mm, thou


def _rims(height=10.0, slope=0.0):
    x = np.linspace(-120.0, 0.0, 601)
    return np.column_stack([x, slope * x]), np.column_stack([x, slope * x + height])


def _line(at_edge, lean, height=10.0, count=40):
    y = np.linspace(0.3, height - 0.3, count)
    return np.column_stack([-at_edge + lean * y, y])


@pytest.mark.parametrize("degrees", [-12.0, 0.0, 7.0, 30.0])
def test_plunge_by_a_right_triangle(degrees):
    """80 mm from the tip at the edge, height 10: the shoulder lies 10 tan(angle) nearer."""
    lean = math.tan(math.radians(degrees))
    found = plunge_figures(_line(80.0, lean), *_rims())
    assert found["edge"] == pytest.approx(80.0, abs=1e-9)
    assert found["mid"] == pytest.approx(80.0 - 5.0 * lean, abs=1e-9)
    assert found["shoulder"] == pytest.approx(80.0 - 10.0 * lean, abs=1e-9)
    assert found["angle"] == pytest.approx(math.radians(degrees), abs=1e-9)


def test_plunge_on_a_sloping_edge_meets_both_rims():
    """Edge y = 0.1 x, plunge x = −80 + 0.2 y: they meet where y = 0.1 (−80 + 0.2 y), so y = −8/0.98."""
    y = np.linspace(-8.0, 1.0, 50)
    line = np.column_stack([-80.0 + 0.2 * y, y])
    found = plunge_figures(line, *_rims(slope=0.1))
    low = -8.0 / 0.98
    high = 2.0 / 0.98  # y = 0.1 (−80 + 0.2 y) + 10
    assert found["edge"] == pytest.approx(80.0 - 0.2 * low, abs=1e-6)
    assert found["shoulder"] == pytest.approx(80.0 - 0.2 * high, abs=1e-6)
    assert found["mid"] == pytest.approx(80.0 - 0.1 * (low + high), abs=1e-6)


def test_plunge_without_a_shoulder_ends_where_it_ends():
    found = plunge_figures(_line(80.0, 0.1), _rims()[0], np.empty((0, 2)))
    assert found["shoulder"] == pytest.approx(80.0 - 0.1 * 9.7, abs=1e-9)


def test_rounded_corner_beside_the_plunge_is_left_out():
    """The belt's edge drops the shoulder's first 2 mm; the straight rest tells where it would meet."""
    edge, top = _rims()
    top = top.copy()
    near = np.abs(top[:, 0] + 79.0) < 2.0
    top[near, 1] -= 1.5
    found = plunge_figures(_line(80.0, 0.1), edge, top)
    assert found["shoulder"] == pytest.approx(79.0, abs=1e-6)


def test_exact_scene_gives_its_own_figures():
    """Plunge 100.6 and 100.0 mm, 5°; height 15 mm; thickness 4, edge 0.5 mm."""
    found = exact.scene(left_mm=100.6, known=True).read()
    lean = math.tan(math.radians(5.0))
    for side, at in (("left", 100.6), ("right", 100.0)):
        figures = found[side]
        assert figures["plunge.edge", None] == pytest.approx(at, abs=1e-7)
        assert figures["plunge.mid", None] == pytest.approx(at - 7.5 * lean, abs=1e-7)
        assert figures["plunge.shoulder", None] == pytest.approx(at - 15.0 * lean, abs=1e-7)
        assert figures["plunge.angle", None] == pytest.approx(math.radians(5.0), abs=1e-9)
        for station in (50.0, 60.0, 70.0, 80.0, 90.0):
            assert figures["bevel_height", station] == pytest.approx(math.hypot(15.0, 1.75), abs=1e-7)


def test_bevel_angle_is_the_handbooks_right_triangle():
    """The tangent is a/b (any engineer's handbook, "solution of right-angled triangles").

    a = (4 − 0.5)/2 = 1.75 over b = 15 gives 6.654°, by the table of tangents tan 6.65° = 0.1166.
    """
    figures = exact.scene(known=True).read()["left"]
    assert math.degrees(figures["bevel_angle", 60.0]) == pytest.approx(6.654, abs=5e-4)
    assert math.tan(figures["bevel_angle", 60.0]) == pytest.approx(1.75 / 15.0, abs=1e-8)
    height, angle = figures["bevel_height", 60.0], figures["bevel_angle", 60.0]
    assert height * math.sin(angle) == pytest.approx(1.75, abs=1e-7)
    assert height * math.cos(angle) == pytest.approx(15.0, abs=1e-7)


def test_no_height_where_a_line_doesn_t_reach():
    x = np.linspace(-50.0, -20.0, 151)
    curve = np.column_stack([x, 0.01 * x**2])
    heights = local_y(curve, np.array([-51.0, -35.0, -19.0]))
    assert heights[1] == pytest.approx(0.01 * 35.0**2, abs=1e-9)  # a parabola is met exactly
    assert np.isnan(heights).tolist() == [True, False, True]
    assert np.isnan(local_y(np.empty((0, 2)), np.array([-35.0]))).all()


def test_heights_are_those_of_a_parabola_fitted_to_the_points_around():
    """Against `numpy.polyfit`, on points in no order."""
    rng = np.random.default_rng(4)
    x = rng.uniform(-60.0, 0.0, 900)
    curve = np.column_stack([x, 12 + 0.05 * x + rng.normal(0, 0.1, x.size)])
    places = np.array([-40.0, -33.3, -20.0])
    expected = []
    for place in places:
        near = np.abs(x - place) < 3.0
        expected.append(np.polyval(np.polyfit(x[near] - place, curve[near, 1], 2), 0.0))
    assert local_y(curve, places) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("sixteenths", range(1, 9))
def test_stock_in_sixteenths_is_exact(sixteenths):
    """1 in = 25.4 mm exactly (1959 agreement): n/16 in = 1.5875 n mm."""
    wanted = float(Fraction(254, 160) * sixteenths)
    assert length_mm(f"{sixteenths}/16in") == pytest.approx(wanted, rel=1e-15)  # the last bit of a double
    assert thou(float(Fraction(254, 160) * sixteenths)) == pytest.approx(62.5 * sixteenths, abs=1e-9)
