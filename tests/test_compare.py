"""Comparison: reservations, corners that were seen, components, what a face without a line lacks."""

import math
from dataclasses import replace

import exact_scene as exact
import numpy as np
import pytest
import saved_stages
from synthetic import camera_truth
from uncertainties import ufloat

from grindcheck.compare import (
    SIDES,
    View,
    _check_outlines,
    _figure,
    _registered,
    _waviness,
    compare,
    outlines_agree,
)
from grindcheck.errors import BladeError, PairError
from grindcheck.geometry import Rigid, frozen
from grindcheck.mat.finding import find_mat
from grindcheck.outline import turned_over
from grindcheck.placing import Stance
from grindcheck.printscale import print_scale
from grindcheck.registration import Registration

STANCE = Stance(thickness_mm=3.96875, height_mm=3.96875, edge_mm=0.5)


@pytest.fixture(scope="module")
def views():
    faces, _ = saved_stages.load()
    return {
        side: View(
            photo=one.photo, mat=find_mat(one.photo), camera=one.camera, outline=one.outline, lines=one.lines
        )
        for side, one in faces.items()
    }


@pytest.fixture(scope="module")
def compared(views):
    return compare(views, STANCE, print_scale("a4"))


def _registration(**changes):
    usual = {
        "fixed_from_moving": Rigid(angle_rad=0.0, shift=frozen([0.0, 0.0])), "covariance": frozen(np.eye(3)),
        "pivot_mm": frozen([0.0, 0.0]), "rms_mm": 0.02, "used": 0.95, "stretch": 0.0, "stretch_std": 2e-4,
    }  # fmt: skip
    return Registration(**{**usual, **changes})


@pytest.mark.parametrize(
    ("changes", "flags"),
    [
        ({}, []),
        ({"rms_mm": 0.2}, ["outlines_differ"]),
        ({"stretch": 0.003}, ["outlines_scale"]),
        ({"stretch": -0.003}, ["outlines_scale"]),
        ({"stretch": 0.003, "stretch_std": 0.001}, []),  # 3 sigma are no contradiction
        ({"stretch": 0.001}, []),  # nor is a tenth of a millimetre on the blade's length
    ],
    ids=str,
)
def test_reservations_of_the_outlines(changes, flags):
    found: list[str] = []
    _check_outlines(_registration(**changes), found)
    assert found == flags


@pytest.mark.parametrize("changes", [{"rms_mm": 0.8}, {"used": 0.3}], ids=str)
def test_outlines_of_two_blades(changes):
    with pytest.raises(PairError, match=r"don't lie on each other: 0\.\d\d mm rms, \d+% of the rim fits"):
        _check_outlines(_registration(**changes), [])


def test_outlines_on_a_grey_print_must_fit_better():
    """Half of the rim may be hidden; without a tint it may be half wrong, so three quarters must fit."""
    _check_outlines(_registration(used=0.7), [])
    _check_outlines(_registration(used=0.8), [], tinted=False)
    with pytest.raises(PairError, match=r"70% of the rim fits.*Print the mat in colour"):
        _check_outlines(_registration(used=0.7), [], tinted=False)


@pytest.mark.parametrize(("thickness_mm", "flags"), [(4.0, []), (3.8, []), (9.0, ["outlines_scale"])])
def test_thickness_contradicted_by_the_outlines(thickness_mm, flags):
    """From 400 and 300 mm a height wrong by 5 mm stretches one face 0.4 % more: 5/300 − 5/400.

    Two photos from one distance would hide it: outlines can't tell what is wrong with both alike.
    """
    rng = np.random.default_rng(4)
    sightings = {}
    for side, width_mm in (("left", 340.0), ("right", 255.0)):
        seen = exact.sighting(side, camera_truth(width_mm=width_mm, tilt_rad=0.05), angle_rad=0.0)
        sightings[side] = replace(
            seen, outline_px=frozen(seen.outline_px + 0.1 * rng.normal(size=seen.outline_px.shape))
        )
    told = Stance(thickness_mm=thickness_mm, height_mm=thickness_mm, edge_mm=0.5)
    _, registration, _ = _registered(sightings, told, Rigid(angle_rad=0.0, shift=frozen([0.0, 0.0])))
    found: list[str] = []
    _check_outlines(registration, found)
    assert [flag for flag in found if flag == "outlines_scale"] == flags


def test_outlines_agree_and_turned_over_don_t(views):
    one, other = views["left"].outline, views["right"].outline
    assert outlines_agree(one, other) < 0.05
    assert (
        outlines_agree(one, turned_over(other)) > 0.2
    )  # tip 13 mm over the edge of 26, but belly and drop differ
    assert outlines_agree(one, turned_over(other)) == pytest.approx(
        outlines_agree(turned_over(one), other), abs=0.05
    )


def test_an_outline_of_a_few_points_is_refused_and_not_registered(views):
    """As on a mat printed in grey, of which the blade hardly stands out."""
    one, other = views["left"].outline, views["right"].outline
    seen = other.points_mm[:, 0] > other.points_mm[:, 0].max() - 3.0
    few = replace(
        other,
        **{
            name: getattr(other, name)[seen]
            for name in ("points_mm", "normals", "std_mm", "halo_mm", "is_edge")
        },
    )
    with pytest.raises(BladeError, match="places of the blade's rim"):
        outlines_agree(one, few)


def test_lower_corners_are_believed_where_they_fit_better():
    """The left face's wall was traced at its lower corner: exact outlines fit only when that is assumed."""
    sightings = {}
    for side in SIDES:
        # 60 mm off the camera's foot, where 3.5 mm of wall show by half a millimetre
        seen = exact.sighting(side, exact.camera(side, known=True), origin_mm=(60.0, -60.0))
        sightings[side] = replace(seen, shows_wall=~seen.is_edge)
    left = sightings["left"]
    outline = np.vstack(exact.rims())
    half = 0.25 + left.fullness * 1.75
    z = np.where(left.shows_wall, 2.0 - half, 2.0 + half)
    at = outline @ left.axes.T + left.origin_mm
    px = frozen(left.camera.px_from_mm(np.column_stack([at, z])))
    sightings["left"] = replace(left, outline_px=px)
    start = Rigid(angle_rad=0.0, shift=frozen([0.0, 0.0]))
    found, registration, _ = _registered(sightings, exact.STANCE, start)
    assert found["left"].lower_rim
    assert not found["right"].lower_rim
    assert registration.rms_mm < 1e-3


def test_differences_are_left_minus_right(compared):
    for figure in compared.differences:
        name = figure.quantity.split(".")[-1]
        if figure.quantity == "bevel_height":
            pairs = [
                {one.station_mm: one for one in face.bevel_height}[figure.station_mm].value
                for face in (compared.left, compared.right)
            ]
        else:
            pairs = [face.plunge[name].value for face in (compared.left, compared.right)]
        assert figure.value == pytest.approx(pairs[0] - pairs[1], abs=1e-9)


def test_unmeasured_print_is_said_and_measured_isn_t(views, compared):
    assert "print_scale_unmeasured" in compared.flags
    measured = compare(views, STANCE, print_scale("a4", 276.0, 180.0))
    assert "print_scale_unmeasured" not in measured.flags
    face = {name: figure.components["print scale"] for name, figure in compared.left.plunge.items() if
            name == "edge"}  # fmt: skip
    # 104 mm from the tip, ±0.5 % rectangular per axis, of which the common part counts
    assert face["edge"] == pytest.approx(104.0 * 0.005 / math.sqrt(3) / math.sqrt(2), rel=0.02)
    assert measured.left.plunge["edge"].components.get("print scale", 0.0) < 0.02


def test_a_face_without_a_shoulder_has_no_heights(views):
    bare = {side: replace(view, lines=replace(view.lines, shoulder=None)) for side, view in views.items()}
    found = compare(bare, STANCE, print_scale("a4"))
    assert not found.left.bevel_height
    assert not found.left.bevel_angle
    assert found.left.waviness is None
    assert {one.quantity for one in found.differences} == {
        "plunge.shoulder", "plunge.mid", "plunge.edge", "plunge.angle",
    }  # fmt: skip


def test_a_plunge_on_one_face_only_gives_no_difference(views):
    bare = {**views, "left": replace(views["left"], lines=replace(views["left"].lines, plunge=None))}
    found = compare(bare, STANCE, print_scale("a4"))
    assert found.left.plunge == {}
    assert found.right.plunge
    assert not [one for one in found.differences if one.quantity.startswith("plunge")]


def test_full_flat_heights_are_told_but_not_compared(views):
    bare = {
        side: replace(view, lines=replace(view.lines, shoulder=None, full_flat=True))
        for side, view in views.items()
    }
    found = compare(bare, STANCE, print_scale("a4"))
    assert found.left.full_flat
    assert found.left.bevel_height
    assert not [one for one in found.differences if one.quantity == "bevel_height"]


def test_drawing_has_both_faces_on_one_grid(compared):
    drawing = compared.drawing
    shape = drawing.faces["left"].shape
    assert drawing.faces["right"].shape == shape
    assert shape[1] == round((drawing.x_mm[1] - drawing.x_mm[0]) / drawing.step_mm) + 1
    assert shape[0] == round((drawing.y_mm[1] - drawing.y_mm[0]) / drawing.step_mm) + 1
    for side in SIDES:
        assert drawing.outline_mm[side][:, 0].max() == pytest.approx(
            0.0, abs=0.5
        )  # the tip, rounded by the tracing


def test_components_of_one_name_are_added_in_squares():
    number = 5.0 + ufloat(0.0, 0.3, tag="line") + ufloat(0.0, 0.4, tag="line") + ufloat(0.0, 1.2, tag="pose")
    figure = _figure(("plunge.edge", None), number)
    assert figure.components == {"line": pytest.approx(0.5), "pose": pytest.approx(1.2)}  # 3, 4, 5
    assert figure.std == pytest.approx(1.3)  # 5, 12, 13
    assert figure.unit == "mm"
    assert _figure(("plunge.angle", None), number).unit == "rad"


def test_waviness_of_a_sine():
    """A sine of amplitude a about a cubic has the rms a/√2; six waves are hardly followed by the cubic."""
    x = np.linspace(-100.0, -10.0, 400)
    wave = 0.05 * np.sin(2 * np.pi * x / 11.0)
    found = _waviness(np.column_stack([x, 14.0 + 0.02 * x + 1e-4 * x**2 + wave]))
    assert found is not None
    assert found.value == pytest.approx(0.05 / math.sqrt(2), rel=0.05)
    assert _waviness(np.zeros((20, 2))) is None


def test_faces_that_may_be_exchanged_make_u_reach_the_opposite_sign(views):
    """A difference of +0.6 mm that is −0.6 mm with the faces exchanged: the 95 % interval holds both."""
    scale = print_scale("a4", bar_x_mm=276.0, bar_y_mm=180.0)
    sure = compare(views, STANCE, scale)
    unsure = compare(views, STANCE, scale, flags=("edge_side_unsure",))
    for before, after in zip(sure.differences, unsure.differences, strict=True):
        assert after.value == pytest.approx(before.value, abs=1e-12)
        assert after.components["which face"] == pytest.approx(abs(before.value))
        assert abs(after.value) - 2 * after.std < -abs(before.value)
    assert "which face" not in sure.differences[0].components
