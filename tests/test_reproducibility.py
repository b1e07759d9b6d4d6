"""Each stage fed with the saved output of the stage before, so that a failure names the stage.

Arithmetic differs by machine in the last digits, and iterations end a little elsewhere: every tolerance is
far above that and far below what a user would notice. After a change that is meant:
``python tests/saved_stages.py``.
"""

import numpy as np
import pytest
import reduced
import saved_stages

from grindcheck.camera import solve_camera
from grindcheck.compare import View, compare
from grindcheck.grindlines import (
    choose_plunges,
    reaches_spine,
    survey,
    trace_lines,
    trace_plunge_of,
    trace_shoulder_of,
)
from grindcheck.mat.finding import find_mat
from grindcheck.outline import trace_outline
from grindcheck.pipeline import _scale, stance_of
from grindcheck.silhouette import find_blade

SIDES = ("left", "right")


@pytest.fixture(scope="module")
def saved():
    return saved_stages.load()


@pytest.fixture(scope="module")
def request_():
    return reduced.request(saved_stages.NAME)


@pytest.fixture(scope="module")
def mats(saved):
    return {side: find_mat(saved[0][side].photo) for side in SIDES}


def test_the_saved_file_is_small():
    assert saved_stages.FILE.stat().st_size < 1_000_000


@pytest.mark.parametrize("side", SIDES)
def test_photo_to_mat(saved, mats, side):
    np.testing.assert_array_equal(mats[side].corner_mm, saved[0][side].corner_mm)
    np.testing.assert_allclose(mats[side].corner_px, saved[0][side].corner_px, atol=0.01)


@pytest.mark.parametrize("side", SIDES)
def test_mat_to_camera(saved, mats, request_, side):
    from dataclasses import replace

    one = saved[0][side]
    view = replace(mats[side], corner_mm=one.corner_mm, corner_px=one.corner_px)
    scale = _scale("a4", request_)
    found = solve_camera(view, one.photo, scale=(scale.x, scale.y), scale_std=scale.std)
    points = np.array([[x, y, 4.0] for x in (-100.0, 0.0, 100.0) for y in (-60.0, 60.0)])
    np.testing.assert_allclose(found.px_from_mm(points), one.camera.px_from_mm(points), atol=0.02)
    np.testing.assert_allclose(np.diag(found.covariance), np.diag(one.camera.covariance), rtol=0.05)


@pytest.mark.parametrize("side", SIDES)
def test_camera_to_blade(saved, mats, request_, side):
    one = saved[0][side]
    found = find_blade(
        one.photo,
        one.camera,
        mats[side].spec,
        height_mm=stance_of(request_.thickness_mm, request_.height_mm, request_.edge_mm).height_mm,
    )
    np.testing.assert_allclose(found.tip_mm, one.tip_mm, atol=0.3)
    np.testing.assert_allclose(found.along, one.along, atol=0.002)
    assert found.length_mm == pytest.approx(one.length_mm, abs=0.5)


@pytest.mark.parametrize("side", SIDES)
def test_blade_to_outline(saved, mats, request_, side):
    """The outline in the mat's frame, wherever the rough tip puts the face's own."""
    from scipy.spatial import cKDTree

    one = saved[0][side]
    rough = find_blade(
        one.photo,
        one.camera,
        mats[side].spec,
        height_mm=stance_of(request_.thickness_mm, request_.height_mm, request_.edge_mm).height_mm,
    )
    found = trace_outline(one.photo, mats[side], one.camera, rough)
    assert found.side == side
    wanted = one.outline.face.plane.mat_from_grid(one.outline.points_mm)
    away, _ = cKDTree(found.face.plane.mat_from_grid(found.points_mm)).query(wanted)
    # points 0.3 mm apart meet another set of points within half of that, along the rim
    assert np.quantile(away, 0.95) < 0.16
    tip, wanted_tip = (each.face.plane.mat_from_grid(each.tip_mm[None])[0] for each in (found, one.outline))
    np.testing.assert_allclose(tip, wanted_tip, atol=0.05)


def test_outline_to_lines(saved):
    faces = saved[0]
    surveys = {side: survey(faces[side].outline) for side in SIDES}
    chosen = dict(zip(SIDES, choose_plunges(surveys["left"], surveys["right"]), strict=True))
    for side in SIDES:
        plunge = trace_plunge_of(surveys[side], chosen[side])
        shoulder = trace_shoulder_of(surveys[side], plunge)
        assert reaches_spine(surveys[side], chosen[side], plunge, shoulder) < 0
        found = trace_lines(surveys[side], chosen[side], plunge, shoulder_line=shoulder, full_flat=False)
        for line, wanted in (
            (found.plunge, faces[side].lines.plunge),
            (found.shoulder, faces[side].lines.shoulder),
        ):
            assert line is not None
            assert line.shift_std_mm == pytest.approx(wanted.shift_std_mm, rel=0.3)
        at, lean = found.plunge.straight()
        wanted_at, wanted_lean = faces[side].lines.plunge.straight()
        assert at == pytest.approx(wanted_at, abs=0.02)
        assert lean == pytest.approx(wanted_lean, abs=0.005)
        x = np.linspace(-90.0, -30.0, 50)
        heights = [
            np.interp(x, *line.points_mm[np.argsort(line.points_mm[:, 0])].T)
            for line in (found.shoulder, faces[side].lines.shoulder)
        ]
        assert np.median(np.abs(heights[0] - heights[1])) < 0.02


def test_lines_to_differences(saved, mats, request_):
    faces, wanted = saved
    views = {
        side: View(
            photo=faces[side].photo, mat=mats[side], camera=faces[side].camera, outline=faces[side].outline,
            lines=faces[side].lines,
        )
        for side in SIDES
    }  # fmt: skip
    found = compare(
        views, stance_of(request_.thickness_mm, request_.height_mm, request_.edge_mm), _scale("a4", request_)
    )
    got = {f"{one.quantity} {one.station_mm or ''}".strip(): one for one in found.differences}
    assert got.keys() == wanted.keys()
    for name, (value, std) in wanted.items():
        assert got[name].value == pytest.approx(value, abs=0.002), name
        assert got[name].std == pytest.approx(std, rel=0.05), name
