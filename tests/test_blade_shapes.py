"""Recurved edge, swage, tapered tang: figures by hand, and truth against the mesh that is rendered."""

import sys
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent / "sample_images")]

import blade as blades  # noqa: E402
import facemap  # noqa: E402
import surface  # noqa: E402
from swage import Swage  # noqa: E402

SWAGE = Swage(length_mm=50.0, height_mm=5.0, rest_mm=2.0)
SHAPES = {
    "recurve": {"recurve_mm": 2.0, "recurve_from_mm": 90.0, "recurve_to_mm": 30.0},
    "swage": {"swage": SWAGE},
    "tang": {"tang_end_mm": 1.0},
}


def _made(grind="sabre", **shape):
    """4 mm stock, 0.5 mm edge, 16 mm bevel, plunge 100 mm from the tip leaning 10°, 2 mm belt radius."""
    face = blades.Face(plunge_mm=100.0, angle_deg=10.0, height_mm=16.0, radius_mm=2.0)
    return blades.Blade(
        grind=grind, width_mm=26.0, thickness_mm=4.0, edge_thickness_mm=0.5, belly_mm=40.0, belly_power=2.0,
        tip_mm=12.0, drop_mm=40.0, drop_power=2.0, heel_mm=115.0, choil_mm=3.0, tang_mm=80.0,
        tang_low_mm=3.0, tang_high_mm=25.0, left=face, right=face, **shape,
    )  # fmt: skip


RECURVED = [(-95, 0), (-90, 0), (-75, 1), (-60, 2), (-45, 1), (-30, 0.75), (0, 12)]


@pytest.mark.parametrize(("x", "y"), RECURVED)
def test_recurved_edge_by_hand(x, y):
    """Sine squared from 90 to 30 mm: 1 mm at a quarter, 2 mm in the middle; then the belly."""
    assert float(_made(**SHAPES["recurve"]).edge(x)) == pytest.approx(y)


def test_slope_of_the_edge_is_its_derivative():
    """Against central differences, whose own error is h²/6 times the third derivative: 1e-8."""
    blade = _made(**SHAPES["recurve"])
    x = np.linspace(-99, -1, 400)
    numeric = (blade.edge(x + 1e-3) - blade.edge(x - 1e-3)) / 2e-3
    np.testing.assert_allclose(blade.edge_slope(x), numeric, atol=1e-6)


def test_swage_by_hand():
    """Fall (2 − 1)/5 a mm once at its full width, 15 mm before its begin; nothing before it begins."""
    assert float(SWAGE.low(-50.0, 26.0)) == 26
    assert float(SWAGE.low(-42.5, 26.0)) == pytest.approx(26 - 5 * 0.75)  # half-way: 1 − (1/2)²
    assert float(SWAGE.low(-20.0, 20.0)) == pytest.approx(15)
    for y, half in ((20, 1.0), (17.5, 1.5), (15, 2.0), (10, 2.0)):
        assert float(SWAGE.half(2.0, -20.0, y, 20.0)) == pytest.approx(half)


def test_tapered_tang_by_hand():
    """From 2 mm of half thickness at the heel to 0.5 mm 80 mm behind it."""
    blade = _made(tang_end_mm=1.0)
    for behind, half in ((0, 2.0), (40, 1.25), (80, 0.5)):
        assert float(blade.half(blade.left, -115.0 - behind, 10.0)) == pytest.approx(half)
    assert float(blade.half(blade.left, -110.0, 10.0)) == 2


def test_plain_blades_are_as_they_were():
    """Nothing of the three shapes touches a blade that has none of them."""
    blade = _made()
    x, y = np.meshgrid(np.linspace(-110, -0.1, 200), np.linspace(0, 26, 60))
    assert float(blade.ceiling(x, y).min()) == 2
    assert np.all(blade.flat_top(x) == blade.spine(x))
    assert "swage" not in blades.lines(blade, blade.left)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("grind", ["sabre", "hollow", "convex", "scandi"])
def test_heights_are_those_of_the_mesh(grind, shape):
    """Each station's height, read off the rendered bevel: lower and upper border, and its thickness there.

    The columns lie 0.15 mm apart; with slopes that change by up to 0.04 a mm a chord lies within 1e-4 mm
    of its arc, a straight line between columns at the crossing of shoulder and swage within 0.01 mm.
    """
    blade = _made(grind, **SHAPES[shape])
    found = blades.figures(blade, blade.left)["bevel_height"]
    (bevel,) = (p.points_mm for p in surface.patches(blade, "left") if p.part == "bevel")
    low, top = bevel[0], bevel[-1]
    assert len(found) >= 4
    for height in found:
        at = -height["station"]
        edge = np.interp(at, low[:, 0], low[:, 1])
        upper, half = (np.interp(at, top[:, 0], top[:, k]) for k in (1, 2))
        assert upper - edge == pytest.approx(height["dy_mm"], abs=5e-3)
        assert half == pytest.approx(2.0, abs=5e-3)  # the shoulder lies on the flat
        assert np.hypot(upper - edge, half - 0.25) == pytest.approx(height["value"], abs=5e-3)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("grind", ["sabre", "hollow", "convex"])
def test_mesh_lies_on_the_blade(grind, shape):
    """Every point of every patch has the half thickness of the closed form, beside the plunge's crease."""
    blade = _made(grind, **SHAPES[shape])
    seen = set()
    for patch in surface.patches(blade, "left"):
        x, y, z = patch.points_mm.reshape(-1, 3).T
        clear = (x < -106) | (x > -90) if patch.part != "tang" else x <= -115
        expected = blade.half(blade.left, x, y)
        np.testing.assert_allclose(z[clear], expected[clear], atol=1e-6, err_msg=patch.part)
        seen.add(patch.part)
    assert ("swage" in seen) == (shape == "swage")
    rim = surface.walls(blade, "left", "right")
    assert np.all(rim[0, :, 2] >= rim[1, :, 2])


def test_heights_end_where_the_swage_begins_to_cut_the_bevel():
    """Beyond its end the bevel meets the swage in a ridge that is thinner than the flat."""
    blade = _made(swage=SWAGE)
    face = blade.left
    end = blades.shoulder_end(blade, face)
    assert -50 < end < blades.shoulder_end(_made(), face)
    assert min(h["station"] for h in blades.figures(blade, face)["bevel_height"]) >= -end
    x = np.linspace(end + 0.5, -3, 40)
    ridge = blade.top(face, x)
    bevel, swage = blade.floor(face, x, ridge), blade.ceiling(x, ridge)
    met = ridge < blade.spine(x) - 1e-6
    assert np.count_nonzero(met) > 20
    np.testing.assert_allclose(bevel[met], swage[met], atol=1e-9)
    assert np.all(swage[met] < 2)
    line = blades.lines(blade, face)["swage"]
    np.testing.assert_allclose(line[:, 2], np.minimum(blade.floor(face, *line.T[:2]), 2.0), atol=1e-6)


def test_regions_know_the_swage():
    blade = _made(swage=SWAGE)
    points = np.array([[-30.0, 24.5], [-30.0, 18.5], [-60.0, 24.5], [-30.0, 5.0], [-30.0, 27.0]])
    told = facemap.region_at(blade, "left", points).tolist()
    assert told == ["swage", "flat", "flat", "bevel", ""]


def test_shapes_survive_as_data():
    blade = _made(**{k: v for shape in SHAPES.values() for k, v in shape.items()})
    assert blades.Blade.from_data(asdict(blade)) == blade


def test_impossible_shapes_are_refused():
    with pytest.raises(ValueError, match="swage must be None on a full flat grind"):
        _made("full_flat", swage=SWAGE)
    with pytest.raises(ValueError, match=r"recurve_from_mm must exceed recurve_to_mm, got 10.0 and 30.0"):
        _made(recurve_mm=1.0, recurve_from_mm=10.0, recurve_to_mm=30.0)
