"""A picture made again from its photo and a few nodes lies where the exact one lies."""

import json
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from grindcheck.page.results import views_for_lines
from grindcheck.photo import read_photo
from grindcheck.pipeline import Request, check_pair
from grindcheck.report.drawing_data import pair_drawing
from grindcheck.shown import photo_px, picture_again, shown, shown_data

SAMPLES = Path(__file__).parent.parent / "sample_images"
PHOTOS = (SAMPLES / "field_knife_a_1.jpg", SAMPLES / "field_knife_a_2.jpg")


@pytest.fixture(scope="module")
def comparison():
    return check_pair(Request(photos=PHOTOS, thickness_mm=3.96875))


def test_pictures_of_both_faces_are_made_again_from_plain_numbers(comparison):
    data = pair_drawing(comparison)
    photos = {photo.sha256: photo for photo in map(read_photo, PHOTOS)}
    for side, view in data["sides"].items():
        again = picture_again(photos[view["photo_sha256"]].bgr, view["picture"], widest_px=5000)
        exact = comparison.drawing.faces[side]
        assert again.shape == exact.shape
        # OpenCV pads to a size that it can transform fast, and of an odd one, 405, is half a pixel off; these
        # are even and fast as they are
        shift, _ = cv2.phaseCorrelate(again.mean(axis=2)[:400, :1440], exact.mean(axis=2)[:400, :1440])
        assert np.hypot(*shift) < 0.2  # pixels: as `shown` promises, and nobody sees it


def test_lines_in_pixels_lie_on_the_crease_that_was_rendered(comparison):
    truth = json.loads((SAMPLES / "field_knife_a.json").read_text(encoding="utf-8"))
    for photo in truth["photos"]:
        line = np.array(pair_drawing(comparison)["sides"][photo["face"]]["plunge_px"])
        crease = np.array(photo["crease_px"])
        off = [np.hypot(*(crease - point).T).min() for point in line]
        assert np.median(off) < 2.0  # pixels, 0.15 mm: README, 95 % of errors


def test_places_of_the_picture_are_found_in_the_photo(comparison):
    drawing = comparison.drawing
    for side, view in pair_drawing(comparison)["sides"].items():
        line = drawing.plunge_mm[side]
        index = (
            np.column_stack([line[:, 0] - drawing.x_mm[0], drawing.y_mm[1] - line[:, 1]]) / drawing.step_mm
        )
        away = photo_px(view["picture"], index) - drawing.views[side].plunge_px
        assert np.abs(away).max() < 0.7  # pixels: both are placed at the flat's height


def test_a_narrower_picture_shows_the_same(comparison):
    photo = next(one for one in map(read_photo, PHOTOS) if one.sha256 == comparison.left.photo_sha256)
    view = pair_drawing(comparison)["sides"]["left"]["picture"]
    whole = picture_again(photo.bgr, view, widest_px=5000)
    half = picture_again(photo.bgr, view, widest_px=whole.shape[1] // 2)
    small = cv2.resize(whole, half.shape[1::-1], interpolation=cv2.INTER_AREA)
    shift, _ = cv2.phaseCorrelate(half.mean(axis=2), small.mean(axis=2))
    assert np.hypot(*shift) < 0.5  # pixels


def test_without_a_plane_the_picture_is_the_photo():
    photo = read_photo(PHOTOS[0])
    again = picture_again(photo.bgr, shown_data(shown(photo, None, None)), widest_px=5000)
    assert again.shape == photo.bgr.shape
    assert np.abs(again.astype(int) - photo.bgr).mean() < 0.5  # of 255: OpenCV counts in 1/32 pixel


@pytest.mark.parametrize("shape", [[0, 0], [10**9, 5]])
def test_nodes_that_make_no_picture_are_refused(shape):
    with pytest.raises(ValueError, match="no nodes"):
        picture_again(
            np.zeros((4, 4, 3), np.uint8), {"nodes_px": [[[0, 0], [1, 0]]] * 2, "shape": shape}, widest_px=9
        )


def test_a_line_that_wasn_t_found_can_be_pulled_from_a_usual_place(comparison):
    drawing = pair_drawing(comparison)
    drawing["sides"]["left"]["plunge_px"] = []
    outcome = SimpleNamespace(result={"drawing": drawing})
    views = {
        view["side"]: view
        for view in views_for_lines(SimpleNamespace(kind="symmetry", outcome=outcome, photos=(), faces=()))
    }
    lines = {line["field"]: line for line in views["left"]["lines"]}
    found = comparison.drawing.views["left"]
    handles = np.array([(x, y) for x, y, _ in lines["plunge-left"]["handles"]])
    assert handles.shape == (3, 2)
    everything = np.vstack([found.plunge_px, found.shoulder_px])
    low, high = everything.min(axis=0), everything.max(axis=0)
    room = 0.3 * (high - low).max()  # it lies on the blade, whose lines reach nearly from end to end
    assert ((handles > low - room) & (handles < high + room)).all()
    assert "shoulder-left" in lines
