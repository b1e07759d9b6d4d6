"""Viewing rays meet each part in its own plane: similar triangles, and an exact scene."""

from dataclasses import replace

import exact_scene as exact
import numpy as np
import pytest
from synthetic import camera_truth

from grindcheck.placing import Stance, common_errors, place, thinned


def _above(height_mm, distance_mm=430.0):
    """Return the length of 144 mm at a height, read in the paper's plane and in its own, seen square-on."""
    camera = camera_truth(width_mm=340.0)
    factor = distance_mm / camera.distance_mm
    camera = camera.with_parameters(np.concatenate([camera.parameters[:10], camera.parameters[10:] * factor]))
    assert camera.distance_mm == pytest.approx(distance_mm)
    px = camera.px_from_mm(np.array([[-72.0, 0.0, height_mm], [72.0, 0.0, height_mm]]))
    in_paper, in_plane = (camera.mm_from_px(px, z) for z in (0.0, height_mm))
    return float(np.ptp(in_paper[:, 0])), float(np.ptp(in_plane[:, 0]))


@pytest.mark.parametrize(
    ("height_mm", "distance_mm", "too_long_mm"),
    [
        (4.0, 430.0, 144.0 * 4.0 / 426.0),  # h/(H − h) of the length, by similar triangles: 1.352 mm
        (3.0, 300.0, 144.0 * 3.0 / 297.0),
        (9.5, 350.0, 144.0 * 9.5 / 340.5),
    ],
)
def test_plane_intersection_in_closed_form(height_mm, distance_mm, too_long_mm):
    in_paper, in_plane = _above(height_mm, distance_mm)
    assert in_paper - 144.0 == pytest.approx(too_long_mm, abs=1e-9)
    assert in_plane == pytest.approx(144.0, abs=1e-9)


def test_papers_plane_costs_what_was_measured():
    """1.36 mm on 144 mm at 430 mm for 4 mm stock, measured in an earlier prototype on a rendered photo."""
    assert _above(4.0)[0] - 144.0 == pytest.approx(1.36, abs=0.01)


@pytest.mark.parametrize("side", ["left", "right"])
def test_every_part_comes_back_from_its_own_height(side):
    """An exact sighting of flat, shoulder, plunge, edge and thinning spine gives the blade back."""
    seen = exact.sighting(side, exact.camera(side, known=True))
    shape = place(seen, exact.STANCE)
    np.testing.assert_allclose(shape.outline_mm, np.vstack(exact.rims()), atol=1e-8)
    np.testing.assert_allclose(shape.plunge_mm, exact.plunge_line(), atol=1e-8)
    np.testing.assert_allclose(shape.shoulder_mm, exact.shoulder_line(), atol=1e-8)


def test_a_wrong_thickness_moves_the_edge_by_half_of_it():
    """The edge lies at h − t/2 + e/2: raised by δ it moves by δ (distance to the camera's foot)/(H − z)."""
    camera = exact.camera("right", known=True)
    seen = exact.sighting("right", camera)
    thicker = Stance(thickness_mm=4.4, height_mm=4.4, edge_mm=0.5)
    edge = seen.is_edge
    moved = place(seen, thicker).outline_mm[edge] - place(seen, exact.STANCE).outline_mm[edge]
    z = 4.0 - 2.0 + 0.25
    foot = camera.centre_mm[:2]
    at = np.vstack(exact.rims())[edge] @ seen.axes.T + seen.origin_mm
    wanted = -(at - foot) / (camera.distance_mm - z) * 0.2  # 0.4 mm of thickness lift the middle by 0.2
    np.testing.assert_allclose(moved @ seen.axes.T, wanted, atol=1e-9)


def test_lower_rim_is_used_only_where_a_wall_is_seen():
    seen = exact.sighting("right", exact.camera("right", known=True))
    wall = np.zeros(len(seen.outline_px), dtype=bool)
    wall[:50] = True
    lower = replace(seen, shows_wall=wall, lower_rim=True)
    moved = np.hypot(*(place(lower, exact.STANCE).outline_mm - place(seen, exact.STANCE).outline_mm).T)
    assert np.all(moved[50:] == 0.0)
    # 0.5 mm lower at the edge: at 150 mm from the foot and 440 mm away, 0.17 mm at most
    assert 0.0 < moved[:50].max() < 0.2


def test_print_scale_stretches_all():
    seen = exact.sighting("left", exact.camera("left", known=True), angle_rad=0.0)
    scaled = place(seen, replace(exact.STANCE, print_scale=(1.01, 1.01)))
    base = place(seen, exact.STANCE)
    tip_to_plunge = [float(np.ptp(shape.plunge_mm[:, 1])) for shape in (scaled, base)]
    assert tip_to_plunge[0] / tip_to_plunge[1] == pytest.approx(1.01, rel=1e-9)


def test_thinned_keeps_points_together():
    seen = exact.sighting("left", exact.camera("left", known=True))
    keep = np.arange(len(seen.outline_px)) % 3 == 0
    part = thinned(seen, keep)
    np.testing.assert_array_equal(
        place(part, exact.STANCE).outline_mm, place(seen, exact.STANCE).outline_mm[keep]
    )
    assert part.is_edge.sum() == seen.is_edge[keep].sum()


def test_common_errors_move_what_they_are_about():
    """Wall, blend, halo, wedge: each moves its own points, by as much as placing them anew does.

    A rim traced half-way down a wall of 3.5 mm lies, by similar triangles, off by half of what the whole wall
    shows. A wedge bent by a tenth of the stock's rise is 0.35 mm thicker half-way up, half of it on a side.
    """
    seen = exact.sighting("right", exact.camera("right", known=True))
    halo = np.where(np.arange(len(seen.outline_px)) < 40, 0.05, 0.0)
    seen = replace(seen, shows_wall=~seen.is_edge, halo_mm=halo)
    own, blade = common_errors(seen, place(seen, exact.STANCE), exact.STANCE)
    edge_wall, spine_wall, edge_blend, spine_blend, halo_off = own
    assert not edge_wall.any()
    lower = place(replace(seen, lower_rim=True), exact.STANCE).outline_mm
    upper = place(seen, exact.STANCE).outline_mm
    np.testing.assert_allclose(spine_wall, (lower - upper) / 2, atol=1e-9)
    for off, rim in ((edge_blend, seen.is_edge), (spine_blend, ~seen.is_edge)):
        np.testing.assert_allclose(np.hypot(*off.T), np.where(rim, 0.01, 0.0), atol=1e-12)
    np.testing.assert_allclose(halo_off, halo[:, None] * seen.normals, atol=1e-12)
    bent, reach = blade
    still = (seen.fullness == 0) | (seen.fullness == 1)
    assert np.abs(bent[still]).max() < 1e-9
    assert np.abs(reach[seen.fullness == 1]).max() < 1e-9
    middle = int(np.argmin(np.abs(seen.fullness - 0.5)))
    foot = seen.camera.centre_mm[:2]
    at = upper[middle] @ seen.axes.T + seen.origin_mm
    thicker = 0.1 * (4.0 - 0.5) * 4 * seen.fullness[middle] * (1 - seen.fullness[middle]) / 2
    rim_z = 2.0 + (0.5 + seen.fullness[middle] * 3.5) / 2
    wanted = -(at - foot) * thicker / (seen.camera.centre_mm[2] - rim_z)
    np.testing.assert_allclose(bent[middle] @ seen.axes.T, wanted, atol=2e-3 * np.abs(wanted).max())
