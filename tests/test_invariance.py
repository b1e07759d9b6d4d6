"""Whatever way blade, photo and order lie, the differences are the same, sign included."""

from dataclasses import replace

import exact_scene as exact
import numpy as np
import pytest
import reduced
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from synthetic import camera_truth

from grindcheck.budget import Scene
from grindcheck.geometry import Rigid, frozen, turn
from grindcheck.pipeline import check_pair
from grindcheck.placing import place
from grindcheck.registration import register

NAME = "field_knife_a"


@pytest.fixture(scope="module")
def photos(tmp_path_factory):
    return reduced.halved(NAME, tmp_path_factory.mktemp("half"))


@pytest.fixture(scope="module")
def measured(photos):
    return check_pair(reduced.request(NAME, photos))


def test_swap_of_the_photos_changes_no_digit(photos, measured):
    swapped = check_pair(reduced.request(NAME, photos[::-1]))
    assert replace(swapped, drawing=None) == replace(measured, drawing=None)


def test_told_faces_change_no_digit(photos, measured):
    sides = {face.photo_name: face.side for face in (measured.left, measured.right)}
    told = tuple(sides[photo.name] for photo in photos)
    found = check_pair(reduced.request(NAME, photos, faces=told))
    assert replace(found, drawing=None) == replace(measured, drawing=None)


def test_faces_told_the_wrong_way_round_are_doubted(photos, measured):
    """Both outlines say otherwise: a slip of the order is likely, so that no verdict may rest on it."""
    sides = {face.photo_name: face.side for face in (measured.left, measured.right)}
    wrong = tuple("left" if sides[photo.name] == "right" else "right" for photo in photos)
    try:
        found = check_pair(reduced.request(NAME, photos, faces=wrong))
    except Exception as problem:  # with edge and spine exchanged there may be no line at all
        assert "Neither a plunge line nor a shoulder" in str(problem)
    else:
        assert "edge_side_unsure" in found.flags


@pytest.mark.parametrize("orientation", [6, 3, 8])
def test_orientation_by_exif_changes_no_digit(photos, measured, tmp_path, orientation):
    """The same upright pixels, stored without loss in each of the turned ways that phones do."""
    turns = {6: Image.Transpose.ROTATE_90, 3: Image.Transpose.ROTATE_180, 8: Image.Transpose.ROTATE_270}
    stored = {}
    for way, how in (("upright", None), ("turned", turns[orientation])):
        stored[way] = []
        for photo in photos:
            with Image.open(photo) as picture:
                exif = picture.getexif()
                pixels = picture if how is None else picture.transpose(how)
                exif[0x0112] = 1 if how is None else orientation
                target = tmp_path / f"{way}_{photo.stem}.png"
                pixels.save(target, exif=exif.tobytes(), compress_level=1)
                stored[way].append(target)
    upright, turned = (check_pair(reduced.request(NAME, tuple(stored[way]))) for way in ("upright", "turned"))
    assert turned.differences == upright.differences
    # stored as JPEG or without loss, it is the same picture
    assert upright.differences == measured.differences


@pytest.mark.parametrize("quarter_turns", [1, 2, 3])
def test_photo_turned_by_quarters(photos, measured, tmp_path, quarter_turns):
    """Rotated pixels without loss: the grid of the face picture lies otherwise on them.

    Interpolation moves a line by up to 0.1 px, 0.015 mm at this size; a difference of two by up to 0.03 mm,
    over the bevel's 15 mm by 2 mrad.
    """
    turned = tuple(
        reduced.changed(photo, tmp_path / f"{photo.stem}.png", lambda pixels: np.rot90(pixels, quarter_turns))
        for photo in photos
    )
    found = check_pair(reduced.request(NAME, turned))
    wanted = {one.quantity: one.value for one in measured.differences if one.quantity.startswith("plunge")}
    got = {one.quantity: one.value for one in found.differences if one.quantity.startswith("plunge")}
    assert got.keys() == wanted.keys()
    assert len(got) == 4
    for quantity, value in got.items():
        limit = 0.002 if quantity == "plunge.angle" else 0.03
        assert value == pytest.approx(wanted[quantity], abs=limit), quantity


def _scene(angle, x, y, spin, tilt, left_mm, right_mm) -> Scene:
    """Return an exact scene with the blade and the cameras anywhere."""
    usual = exact.scene(known=True)
    sightings, cameras = {}, {}
    for side, sign, at in (("left", 1.0, left_mm), ("right", -1.0, right_mm)):
        cameras[side] = camera_truth(
            tilt_rad=tilt, azimuth_rad=sign * spin, spin_rad=sign * spin, middle_mm=(0.3 * x, 0.2 * y)
        )
        sightings[side] = exact.sighting(
            side, cameras[side], plunge_mm=at, angle_rad=sign * angle, origin_mm=(x, sign * y)
        )
    shapes = {side: place(seen, exact.STANCE) for side, seen in sightings.items()}
    found, match = register(shapes["right"].outline_mm, shapes["left"].outline_mm)
    tip = np.array([[0.0, 13.0]])
    tips = {
        side: frozen(
            cameras[side].px_from_mm(np.column_stack([tip @ seen.axes.T + seen.origin_mm, [[2.0]]]))[0]
        )
        for side, seen in sightings.items()
    }
    layout = replace(usual.layout, match=match, right_to_left=found.fixed_from_moving)
    return Scene(
        sightings=sightings,
        tips_px=tips,
        stance=exact.STANCE,
        cameras=cameras,
        registration=found,
        layout=layout,
    )


anywhere = {
    "angle": st.floats(-np.pi, np.pi),
    "x": st.floats(-80.0, 80.0),
    "y": st.floats(-50.0, 50.0),
    "spin": st.floats(-np.pi, np.pi),
    "tilt": st.floats(0.0, 0.35),
}


@settings(max_examples=40, deadline=None, derandomize=True)
@given(**anywhere, difference=st.floats(-2.0, 2.0))
def test_any_placement_gives_the_true_differences(angle, x, y, spin, tilt, difference):
    """Any place, turn and tip side of the blade, any turn and tilt of the camera: exact, with its sign."""
    found = _scene(angle, x, y, spin, tilt, 100.0 + difference, 100.0).read()
    for quantity in ("plunge.shoulder", "plunge.mid", "plunge.edge"):
        assert found["left"][quantity, None] - found["right"][quantity, None] == pytest.approx(
            difference, abs=1e-6
        )
    for station in (50.0, 70.0):
        key = ("bevel_height", station)
        assert found["left"][key] == pytest.approx(found["right"][key], abs=1e-6)


@settings(max_examples=20, deadline=None, derandomize=True)
@given(**anywhere)
def test_exchanged_faces_change_the_sign_only(angle, x, y, spin, tilt):
    one = _scene(angle, x, y, spin, tilt, 100.7, 100.0).read()
    other = _scene(angle, x, y, spin, tilt, 100.0, 100.7).read()
    for key in (("plunge.edge", None), ("plunge.shoulder", None)):
        assert one["left"][key] - one["right"][key] == pytest.approx(
            other["right"][key] - other["left"][key], abs=1e-6
        )


@settings(max_examples=30, deadline=None, derandomize=True)
@given(angle=st.floats(-0.05, 0.05), x=st.floats(-2.0, 2.0), y=st.floats(-1.0, 1.0))
def test_registration_undoes_any_motion(angle, x, y):
    points = np.vstack(exact.rims())
    motion = Rigid(angle_rad=angle, shift=frozen([x, y]))
    found, _ = register(motion.inverse()(points), points)
    np.testing.assert_allclose(turn(found.fixed_from_moving.angle_rad), turn(angle), atol=1e-6)
    np.testing.assert_allclose(found.fixed_from_moving.shift, motion.shift, atol=1e-4)
