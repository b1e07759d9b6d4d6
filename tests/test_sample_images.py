"""Sample photos and their truth: geometry by hand, camera against OpenCV, files against their description."""

import itertools
import json
import math
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

HERE = Path(__file__).parent
SAMPLES = HERE.parent / "sample_images"
sys.path[:0] = [str(SAMPLES), str(HERE / "accuracy")]

import blade as blades  # noqa: E402
import lens  # noqa: E402
import scenes  # noqa: E402
import surface  # noqa: E402

PAIRS = json.loads((SAMPLES / "pairs.json").read_text(encoding="utf-8"))["pairs"]
NAMES = [pair["name"] for pair in PAIRS]


def _truth(name):
    return json.loads((SAMPLES / f"{name}.json").read_text(encoding="utf-8"))


def _flat(data, name=""):
    """Nested lists and dicts as one dict of leaves."""
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else None
    if items is None:
        return {name: data}
    return {leaf: value for key, part in items for leaf, value in _flat(part, f"{name}.{key}").items()}


def _camera(photo):
    data = photo["camera"]
    matrix = data["matrix_px"]
    return lens.Camera(
        width_px=data["size_px"][0],
        height_px=data["size_px"][1],
        focal_px=matrix[0][0],
        centre_px=(matrix[0][2], matrix[1][2]),
        distortion=tuple(data["distortion"]),
        cam_from_mat=np.array(data["cam_from_mat"]),
        shift_mm=np.array(data["shift_mm"]),
    )


@pytest.fixture
def sabre():
    """4 mm stock, 0.5 mm edge, 15 mm bevel, plunge 100 mm from the tip leaning 10°, 2 mm belt radius."""
    face = blades.Face(plunge_mm=100.0, angle_deg=10.0, height_mm=15.0, radius_mm=2.0)
    return blades.Blade(
        grind="sabre", width_mm=26.0, thickness_mm=4.0, edge_thickness_mm=0.5, belly_mm=40.0,
        belly_power=2.0, tip_mm=13.0, drop_mm=40.0, drop_power=2.0, heel_mm=116.0, choil_mm=3.0,
        tang_mm=80.0, tang_low_mm=2.0, tang_high_mm=24.0, left=face, right=replace(face, plunge_mm=100.6),
    )  # fmt: skip


def test_figures_by_hand(sabre):
    found = blades.figures(sabre, sabre.left)
    lean = math.tan(math.radians(10.0))
    assert found["plunge"]["edge"] == pytest.approx(100.0, abs=1e-9)
    assert found["plunge"]["mid"] == pytest.approx(100.0 - 7.5 * lean, abs=1e-9)  # right triangle
    assert found["plunge"]["shoulder"] == pytest.approx(100.0 - 15.0 * lean, abs=1e-9)
    assert found["plunge"]["angle"] == pytest.approx(10.0, abs=1e-9)
    at_60 = next(h for h in found["bevel_height"] if h["station"] == 60.0)  # before the belly begins
    assert at_60["dy_mm"] == pytest.approx(15.0, abs=1e-12)
    assert at_60["value"] == pytest.approx(math.hypot(15.0, 1.75), abs=1e-12)  # (4 - 0.5) / 2 = 1.75
    assert at_60["bevel_angle_deg"] == pytest.approx(math.degrees(math.atan(1.75 / 15.0)), abs=1e-9)


def test_differences_are_left_minus_right(sabre):
    found = blades.differences(sabre)
    assert found["plunge"]["edge"] == pytest.approx(-0.6, abs=1e-9)
    assert found["plunge"]["shoulder"] == pytest.approx(-0.6, abs=1e-9)
    assert found["plunge"]["angle"] == pytest.approx(0.0, abs=1e-9)
    assert [h["value"] for h in found["bevel_height"]] == pytest.approx([0.0] * len(found["bevel_height"]))


def test_half_thickness_by_hand(sabre):
    half = sabre.half
    assert half(sabre.left, -110.0, 5.0) == 2.0  # ricasso: the flat
    assert half(sabre.left, -60.0, 20.0) == 2.0  # above the shoulder
    assert half(sabre.left, -60.0, 0.0) == pytest.approx(0.25)  # the edge
    assert half(sabre.left, -60.0, 7.5) == pytest.approx((0.25 + 2.0) / 2)  # half-way up a flat bevel


def test_fillet_leaves_the_flat_at_the_circles_angle(sabre):
    """A circle of radius R that reaches D below the flat cuts it at acos(1 − D/R)."""
    y = 6.0
    depth = 1.75 * (1 - y / 15.0)
    crease = float(sabre.crease(sabre.left, y))
    step = 1e-6
    fall = (2.0 - float(sabre.half(sabre.left, crease + step, y))) / (step * math.cos(math.radians(10.0)))
    assert math.degrees(math.atan(fall)) == pytest.approx(math.degrees(math.acos(1 - depth / 2.0)), abs=0.01)
    end = crease + float(sabre.fillet_width(sabre.left, y))
    assert float(sabre.half(sabre.left, end, y)) == pytest.approx(2.0 - depth, abs=1e-9)  # meets the bevel


@pytest.mark.parametrize("grind", blades.GRINDS)
def test_surface_lies_on_the_blade_and_its_borders_on_the_crease(sabre, grind):
    one = replace(sabre, grind=grind)
    found = {patch.part: patch.points_mm for patch in surface.patches(one, "left")}
    for part in ("bevel", "plunge"):
        x, y, z = np.moveaxis(found[part][:, 1:], -1, 0)
        np.testing.assert_allclose(z, one.half(one.left, x, y), atol=1e-9)
    x, y, z = found["plunge"][:, 0].T
    np.testing.assert_allclose(x, one.crease(one.left, y), atol=1e-9)
    np.testing.assert_allclose(z, 2.0, atol=1e-12)
    np.testing.assert_allclose(found["plunge"][:, -1], found["bevel"][:, 0], atol=1e-6)  # no gap between


def test_full_flat_reports_the_blades_height(sabre):
    found = blades.figures(replace(sabre, grind="full_flat"), sabre.left)
    at_60 = next(h for h in found["bevel_height"] if h["station"] == 60.0)
    assert found["full_flat"]
    assert at_60["value"] == pytest.approx(26.0, abs=1e-9)  # spine minus edge, both straight there
    assert found["plunge"]["shoulder"] == pytest.approx(100.0 - 26.0 * math.tan(math.radians(10.0)), abs=1e-9)


def test_bevel_that_runs_out_at_the_heel_has_no_plunge(sabre):
    found = blades.figures(replace(sabre, grind="full_flat", plunge=False), sabre.left)
    assert found["plunge"] is None
    assert [h["station"] for h in found["bevel_height"]] == [10.0 * n for n in range(1, 12)]  # heel at 116


def test_camera_projects_as_opencv_does():
    photo = _truth("field_knife_a")["photos"][0]
    camera = _camera(photo)
    points = np.array([[x, y, z] for x in (-130.0, 20.0, 137.0) for y in (-88.0, 90.0) for z in (0.0, 4.0)])
    turn = cv2.Rodrigues(camera.cam_from_mat)[0]
    matrix = np.array(photo["camera"]["matrix_px"])
    wanted, _ = cv2.projectPoints(points, turn, camera.shift_mm, matrix, np.array(camera.distortion))
    np.testing.assert_allclose(camera.project(points), wanted.reshape(-1, 2), atol=1e-8)


def test_aimed_camera_shows_the_whole_frame():
    view = PAIRS[0]["photos"][0]["view"]
    camera = lens.aimed(view, (276.0, 180.0))
    corners = camera.project([[x, y, 0.0] for x in (-138.0, 138.0) for y in (-90.0, 90.0)])
    border = view["margin"] * np.array([4000.0, 3000.0])
    assert np.all(corners >= border - 1e-6)
    assert np.all(corners <= [4000.0, 3000.0] - border + 1e-6)
    assert camera.as_data()["tilt_deg"] == pytest.approx(view["tilt_deg"], abs=1e-9)


def test_mat_lies_in_the_photo_where_the_truth_says():
    """Half a pixel of shift anywhere between ray and JPEG would show; 68 corners of 0.05 px leave 0.006."""
    truth = _truth("field_knife_a")
    mat = json.loads((HERE.parent / "calibration" / "mats.json").read_text(encoding="utf-8"))["a4"]
    corners_mm = np.array(mat["crossings_mm"]) * truth["print_scale"]
    for photo in truth["photos"]:
        with Image.open(SAMPLES / photo["file"]) as stored:
            grey = np.asarray(ImageOps.exif_transpose(stored).convert("L"))
        assert [grey.shape[1], grey.shape[0]] == photo["camera"]["size_px"]
        wanted = _camera(photo).project(np.column_stack([corners_mm, np.zeros(len(corners_mm))]))
        stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-4)
        found = cv2.cornerSubPix(grey, wanted.astype(np.float32).reshape(-1, 1, 2), (8, 8), (-1, -1), stop)
        away = found.reshape(-1, 2) - wanted
        assert np.abs(away.mean(axis=0)).max() < 0.03
        assert away.std(axis=0).max() < 0.1


@pytest.mark.parametrize("pair", PAIRS, ids=NAMES)
def test_truth_beside_the_photos_is_that_of_the_description(pair):
    truth = _truth(pair["name"])
    one = blades.Blade.from_data(pair["blade"])
    wanted = {side: blades.figures(one, one.face(side)) for side in ("left", "right")}
    assert _flat(truth["faces"]) == pytest.approx(_flat(wanted), abs=1e-9)  # last digits differ by machine
    assert _flat(truth["differences"]) == pytest.approx(_flat(blades.differences(one)), abs=1e-9)
    assert truth["flat_height_mm"] == one.thickness_mm + one.scale_mm
    assert {photo["face"] for photo in truth["photos"]} == {"left", "right"}
    for photo, described in zip(truth["photos"], pair["photos"], strict=True):
        assert photo["file"] == described["file"]
        with Image.open(SAMPLES / photo["file"]) as stored:
            exif = stored.getexif()
            assert exif[0x0112] == described["phone"]["orientation"]
            assert exif.get_ifd(0x8769)[0xA405] == round(described["view"]["f35_mm"])
            assert not exif.get_ifd(0x8825)  # no place in it
            size = stored.size if exif[0x0112] in (1, 3) else stored.size[::-1]
            assert list(size) == photo["camera"]["size_px"]


def test_samples_are_small_enough_and_varied():
    size = sum(file.stat().st_size for file in SAMPLES.iterdir() if file.is_file())
    assert size <= 45 * 2**20  # the limit set for the folder
    assert {pair["blade"]["grind"] for pair in PAIRS} == set(blades.GRINDS)
    assert {pair["paper"] for pair in PAIRS} >= {"a4", "a3", "letter"}
    first = blades.Blade.from_data(PAIRS[0]["blade"])
    assert blades.differences(first)["plunge"]["edge"] == pytest.approx(-0.6, abs=1e-9)  # the README's pair


def test_study_is_repeatable_and_covers_every_stratum_evenly():
    once = scenes.study_scenes(np.random.default_rng(2), 20)
    assert once == scenes.study_scenes(np.random.default_rng(2), 20)
    assert once[0] != scenes.study_scenes(np.random.default_rng(3), 20)[0]
    for tag, kinds in (("grind", 5), ("light", 4), ("thickness", 4), ("lens", 3), ("tilt", 3)):
        counts = Counter(pair["tags"][tag] for pair in once)
        assert len(counts) == kinds
        assert max(counts.values()) - min(counts.values()) <= 1
    for one, photo in itertools.product(once, range(2)):
        lens.aimed(one["photos"][photo]["view"], (252.0, 180.0))  # every view can be built
        blades.figures(blades.Blade.from_data(one["blade"]), blades.Blade.from_data(one["blade"]).left)


def test_a_knife_is_photographed_again_with_the_mat_turned_half_round():
    """The same knife on the same sheet; lamps as far off and as high, 155 to 205 degrees further round."""
    made = scenes.twice(np.random.default_rng(2), 12)
    assert made[::2] == scenes.study_scenes(np.random.default_rng(2), 12)
    for first, second in zip(made[::2], made[1::2], strict=True):
        assert second["tags"]["again"] == first["name"] == second["name"].removesuffix("_again")
        for kept in ("blade", "finish", "print_scale", "bars_known", "seed", "paper", "table"):
            assert second[kept] == first[kept]
        assert {photo["face"] for photo in second["photos"]} == {"left", "right"}
        assert {photo["file"] for photo in second["photos"]}.isdisjoint(p["file"] for p in first["photos"])
        assert second["photos"][0]["place"] != first["photos"][0]["place"]
        for one, other in zip(
            first["photos"][0]["light"]["lamps"], second["photos"][0]["light"]["lamps"], strict=True
        ):
            a, b = np.array(one["place_mm"]), np.array(other["place_mm"])
            assert np.hypot(*b[:2]) == pytest.approx(np.hypot(*a[:2]))
            assert b[2] == pytest.approx(a[2])
            assert a[:2] @ b[:2] < math.cos(math.radians(154.9)) * np.hypot(*a[:2]) ** 2
            assert (one["size_mm"], one["radiance"]) == (other["size_mm"], other["radiance"])
