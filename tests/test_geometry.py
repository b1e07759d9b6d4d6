"""Rigid motions and homographies against arithmetic by hand and closed form."""

import math

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grindcheck.geometry import Rigid, frozen, project, turn

angles = st.floats(-10, 10)
shifts = st.tuples(st.floats(-500, 500), st.floats(-500, 500))


def test_quarter_turn_goes_against_the_clock() -> None:
    """By hand: (2, 1) turned by 90° with y up is (-1, 2)."""
    np.testing.assert_allclose(turn(math.pi / 2) @ [2, 1], [-1, 2], atol=1e-15)


def test_rigid_turns_then_shifts() -> None:
    """By hand: (2, 1) turned by 90° is (-1, 2), shifted by (10, 20) is (9, 22)."""
    motion = Rigid(angle_rad=math.pi / 2, shift=np.array([10.0, 20.0]))
    np.testing.assert_allclose(motion([[2, 1], [0, 0]]), [[9, 22], [10, 20]], atol=1e-14)


@given(angle=angles, shift=shifts)
def test_inverse_undoes(angle: float, shift: tuple[float, float]) -> None:
    motion = Rigid(angle_rad=angle, shift=np.array(shift))
    points = np.array([[0.0, 0.0], [300.0, -2.0], [-7.0, 45.0]])
    # Coordinates of 1000 carry 1e-13 each; a few operations stay below 1e-11.
    np.testing.assert_allclose(motion.inverse()(motion(points)), points, atol=1e-11)
    np.testing.assert_allclose(motion(motion.inverse()(points)), points, atol=1e-11)


@given(angle=angles, shift=shifts)
def test_lengths_and_handedness_are_kept(angle: float, shift: tuple[float, float]) -> None:
    motion = Rigid(angle_rad=angle, shift=np.array(shift))
    a, b, c = motion([[0.0, 0.0], [3.0, 0.0], [0.0, 4.0]])
    assert math.dist(b, c) == pytest.approx(5.0, abs=1e-11)  # 3, 4, 5
    (u, v), (s, t) = b - a, c - a
    assert u * t - v * s == pytest.approx(12.0, abs=1e-9)  # twice the triangle's area, with its sign


def test_projection_by_hand() -> None:
    """(1, 3) → (2·1 + 1, 3, 0.5·1 + 1) = (3, 3, 1.5) → (2, 2)."""
    matrix = [[2.0, 0.0, 1.0], [0.0, 1.0, 0.0], [0.5, 0.0, 1.0]]
    np.testing.assert_allclose(project(matrix, [[1.0, 3.0]]), [[2.0, 2.0]])


def test_projection_of_a_homography_found_by_another_library() -> None:
    corners = np.array([[0, 0], [276, 0], [276, 180], [0, 180]], np.float32)
    seen = np.array([[312.5, 220], [3710, 305], [3650, 2540], [355, 2600.25]], np.float32)
    matrix = cv2.getPerspectiveTransform(corners, seen)
    points = np.array([[10.0, 20.0], [138.0, 90.0], [270.5, 3.25]])
    expected = cv2.perspectiveTransform(points[None], matrix)[0]
    np.testing.assert_allclose(project(matrix, points), expected, atol=1e-9)
    np.testing.assert_allclose(project(matrix, corners), seen, atol=1e-3)  # found in single precision


def test_projection_scale_of_the_matrix_does_not_matter() -> None:
    matrix = np.array([[2.0, 0.1, 1.0], [0.2, 1.0, 0.0], [0.001, 0.002, 1.0]])
    points = [[10.0, 20.0], [-3.0, 7.0]]
    np.testing.assert_allclose(project(-7 * matrix, points), project(matrix, points), rtol=1e-14)


def test_projection_of_no_points() -> None:
    assert project(np.eye(3), np.empty((0, 2))).shape == (0, 2)


def test_frozen_is_a_copy_that_cant_be_changed() -> None:
    source = np.array([1, 2, 3])
    kept = frozen(source)
    source[0] = 9
    assert kept.tolist() == [1.0, 2.0, 3.0]
    assert kept.dtype == np.float64
    with pytest.raises(ValueError, match="read-only"):
        kept[0] = 5
