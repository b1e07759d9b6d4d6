"""Pictures of planes against the homography and the exact camera."""

import numpy as np
import pytest
from synthetic import camera_truth, linear, photo_of

from grindcheck.camera import Camera
from grindcheck.geometry import Array, project, turn
from grindcheck.rectify import (
    Plane,
    _map_px,
    linear_light,
    local_step_mm,
    picture_of,
    plane_over,
    rectify,
)

TILTED = camera_truth((1600, 1200), tilt_rad=0.25, azimuth_rad=0.6, spin_rad=0.3, width_mm=150.0)
BENT = camera_truth(
    (4000, 3000), diagonals=0.65, tilt_rad=0.2, azimuth_rad=2.0, width_mm=300.0,
    distortion=(0.12, -0.1, 4e-4, -3e-4),
)  # fmt: skip


def turned_plane(*, step_mm: float = 0.1, height_mm: float = 4.0, mirrored: bool = False) -> Plane:
    axes = turn(0.4) @ np.diag([1.0, -1.0 if mirrored else 1.0])
    return plane_over(
        origin_mm=np.array([3.0, -2.0]), axes=axes, x_mm=(-40.0, 25.3), y_mm=(-11.2, 17.0), step_mm=step_mm,
        height_mm=height_mm,
    )  # fmt: skip


def exact_px(camera: Camera, plane: Plane) -> Array:
    rows, columns = np.indices(plane.shape)
    at = plane.mat_from_grid(plane.grid_from_index(np.column_stack([columns.ravel(), rows.ravel()])))
    return camera.px_from_mm(np.column_stack([at, np.full(len(at), plane.height_mm)])).reshape(
        *plane.shape, 2
    )


@pytest.mark.parametrize("mirrored", [False, True])
def test_grid_frames_go_back_and_forth(mirrored: bool) -> None:
    plane = turned_plane(mirrored=mirrored)
    points = np.array([[1.0, 2.0], [-30.0, 11.0]])
    assert np.allclose(plane.grid_from_mat(plane.mat_from_grid(points)), points, atol=1e-12)
    assert np.allclose(plane.grid_from_index(plane.index_from_grid(points)), points, atol=1e-12)
    # by the class's own words: the first pixel's centre lies at x_min, y_max; rows run along −y
    assert np.allclose(plane.index_from_grid(np.array([[plane.x_min_mm, plane.y_max_mm]])), 0.0)
    assert np.allclose(
        plane.index_from_grid(np.array([[plane.x_min_mm, plane.y_max_mm - 0.1]])), [[0.0, 1.0]]
    )


def test_without_lens_the_map_is_a_homography() -> None:
    """K [r1 r2 r3·h + t] maps the plane z = h: worked by hand from x = K (R X + t)."""
    plane = turned_plane()
    k = np.array(
        [[TILTED.focal_px, 0, TILTED.centre_px[0]], [0, TILTED.focal_px, TILTED.centre_px[1]], [0, 0, 1]]
    )
    rotation, translation = TILTED.rotation, TILTED.parameters[10:13]
    matrix = k @ np.column_stack(
        [rotation[:, 0], rotation[:, 1], rotation[:, 2] * plane.height_mm + translation]
    )
    rows, columns = np.indices(plane.shape)
    at = plane.mat_from_grid(plane.grid_from_index(np.column_stack([columns.ravel(), rows.ravel()])))
    expected = project(matrix, at).reshape(*plane.shape, 2)
    assert np.allclose(exact_px(TILTED, plane), expected, atol=1e-6)
    assert np.abs(_map_px(TILTED, plane) - expected).max() < 0.005


@pytest.mark.parametrize("shape_mm", [(60.0, 25.0), (60.05, 25.13), (0.9, 25.0)])
def test_map_between_nodes(shape_mm: tuple[float, float]) -> None:
    """At the photo's own resolution in the corner of a wide lens, sizes that are and aren't whole nodes."""
    plane = plane_over(
        origin_mm=np.array([85.0, 60.0]), axes=turn(0.3), x_mm=(0.0, shape_mm[0]), y_mm=(0.0, shape_mm[1]),
        step_mm=local_step_mm(BENT, np.array([85.0, 60.0]), 4.0), height_mm=4.0,
    )  # fmt: skip
    found = _map_px(BENT, plane)
    assert found.shape == (*plane.shape, 2)
    # float32 of a coordinate up to 4000 is good to 0.00012 px
    assert np.abs(found - exact_px(BENT, plane)).max() < 0.005


def test_picture_shows_what_lies_there() -> None:
    """Levels that rise linearly with x and y: cubic interpolation keeps a plane, but for rounding."""
    width, height = TILTED.size_px
    y, x = np.indices((height, width))
    ramp = np.stack([x / 10, y / 8, (x + y) / 20], axis=-1)
    photo = photo_of(np.rint(ramp).astype(np.uint8))
    plane = turned_plane()
    px = exact_px(TILTED, plane)
    assert px.min() > 2  # the plane lies inside the photo
    assert (px < [width - 3, height - 3]).all()
    face = rectify(photo, TILTED, plane)
    picture = picture_of(photo, TILTED, plane)
    expected = np.stack([px[..., 0] / 10, px[..., 1] / 8, px.sum(axis=-1) / 20], axis=-1)
    # levels are rounded once in the photo and once in the picture: at most 0.5 each, cubic weights widen the
    # first by at most (1.19)² (sum of absolute weights of a cubic with a = −0.75: 1.375)
    assert np.abs(picture - expected).max() < 0.5 + 0.5 * 1.375**2
    assert abs(float(np.mean(picture - expected))) < 0.02
    assert face.inside.all()
    # IEC 61966-2-1, as the tests' own formula has it
    assert np.allclose(face.linear, linear(picture / 255.0), atol=1e-6)
    assert not face.linear.flags.writeable


def test_outside_the_photo() -> None:
    photo = photo_of(np.full((1200, 1600, 3), 200, dtype=np.uint8))
    plane = plane_over(
        origin_mm=np.zeros(2),
        axes=np.eye(2),
        x_mm=(-200.0, 200.0),
        y_mm=(-2.0, 2.0),
        step_mm=0.1,
        height_mm=0.0,
    )
    face = rectify(photo, TILTED, plane)
    px = exact_px(TILTED, plane)
    within = ((px >= 0) & (px <= [1599, 1199])).all(axis=-1)
    edge = (np.abs(px - [0, 0]) < 0.01).any(axis=-1) | (np.abs(px - [1599, 1199]) < 0.01).any(axis=-1)
    assert np.array_equal(face.inside[~edge], within[~edge])
    assert (face.linear[(px < -2).any(axis=-1)] == 0).all()
    assert 0.1 < face.inside.mean() < 0.9


def test_step_of_a_pixel() -> None:
    """Square on, a pixel covers width over columns in the paper; nearer by h, less in proportion."""
    square_on = camera_truth((4000, 3000), width_mm=340.0)
    assert local_step_mm(square_on, np.array([12.0, -7.0]), 0.0) == pytest.approx(340.0 / 4000, rel=1e-6)
    eye = float(square_on.centre_mm[2])
    assert local_step_mm(square_on, np.array([12.0, -7.0]), 4.0) == pytest.approx(
        340.0 / 4000 * (eye - 4.0) / eye, rel=1e-6
    )


def test_table_of_light() -> None:
    table = linear_light()
    # IEC 61966-2-1: 10 / 255 is still on the straight piece, 0.0392157 / 12.92
    assert table[[0, 10, 255]] == pytest.approx([0.0, 0.0030353, 1.0], abs=1e-6)
    assert table[128] == pytest.approx(0.2158605, abs=1e-6)  # ((128/255 + 0.055)/1.055)^2.4, worked by hand
    assert (np.diff(table) > 0).all()
