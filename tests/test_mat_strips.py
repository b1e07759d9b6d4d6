"""The strip's specification, counted by hand, against OpenCV's board and beside the mats."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from grindcheck.errors import InputError
from grindcheck.mat.spec import PAPERS, PRINTER_MARGIN_MM, mat_spec
from grindcheck.mat.strips import (
    CUT_MM,
    SHEET_BAR_MM,
    STRIP_PAPERS,
    strip_json,
    strip_sheet,
    strip_spec,
)
from grindcheck.printscale import UNMEASURED_STD, load_print_scale, print_scale, save_print_scale

CALIBRATION = Path(__file__).parent.parent / "calibration"


def test_counted_by_hand() -> None:
    """23 × 3 = 69 squares, 35 of them dark (the first, and every other one); crossings 22 × 2."""
    spec = strip_spec()
    assert (len(spec.dark_squares()), len(spec.markers()), len(spec.crossings_mm())) == (35, 34, 44)
    assert spec.frame_mm == (115.0, 15.0)
    assert spec.marker_mm == 3.75
    assert (spec.width_mm, spec.height_mm) == (120.0, 21.0)
    # in two lines, one square apart: one line alone would pin no tilt about itself
    assert np.unique(spec.crossings_mm()[:, 1]).tolist() == [-2.5, 2.5]


def test_ids_are_of_the_family_and_no_mats() -> None:
    ids = set(strip_spec().markers())
    assert max(ids) < 587  # AprilTag 36h11 has 587
    for paper in PAPERS:
        assert not ids & set(mat_spec(paper).markers())


def test_layout_is_opencvs_charuco_board() -> None:
    """OpenCV's own board has the same squares, markers and crossings, once renumbered."""
    spec = strip_spec()
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    board = cv2.aruco.CharucoBoard((23, 3), 5.0, 3.75, family)
    shift = np.array(spec.frame_mm) / 2
    theirs = np.array(board.getObjPoints())[..., :2]  # y down from the top left corner
    theirs = np.stack([theirs[..., 0] - shift[0], shift[1] - theirs[..., 1]], axis=-1)
    np.testing.assert_allclose(np.array(list(spec.marker_corners_mm().values())), theirs, atol=1e-5)
    crossings = np.array(board.getChessboardCorners())[:, :2]
    crossings = np.stack([crossings[:, 0] - shift[0], shift[1] - crossings[:, 1]], axis=-1)
    np.testing.assert_allclose(spec.crossings_mm(), crossings, atol=1e-5)


def test_all_lies_on_the_strip() -> None:
    spec = strip_spec()
    width, height = spec.frame_mm
    left, low, right, high = spec.bars_mm()["x"]
    assert (left, right) == (-width / 2, width / 2)
    assert high < -height / 2  # white between bar and board
    # white all round, wider than a marker's cell (3.75 / 8 = 0.47 mm): a cut beside the line does no harm
    assert low - CUT_MM[1] >= 1.0
    assert CUT_MM[3] - height / 2 >= 1.0
    assert min(left - CUT_MM[0], CUT_MM[2] - right) >= 1.0


@pytest.mark.parametrize("paper", STRIP_PAPERS)
def test_strips_lie_within_the_printer_margin_and_apart(paper: str) -> None:
    sheet = strip_sheet(paper)
    assert len(sheet.origins_mm) == 12
    boxes = np.array([*sheet.cuts_mm(), sheet.bar_mm])
    half = np.array([sheet.width_mm, sheet.height_mm]) / 2 - PRINTER_MARGIN_MM
    assert (boxes[:, :2] >= -half).all() and (boxes[:, 2:] <= half).all()
    common = np.minimum(boxes[:, None, 2:], boxes[:, 2:]) - np.maximum(boxes[:, None, :2], boxes[:, :2])
    area = np.prod(np.clip(common, 0, None), axis=2)
    np.fill_diagonal(area, 0)
    assert area.max() < 1e-9
    assert sheet.bar_mm[3] - sheet.bar_mm[1] == SHEET_BAR_MM


def test_other_papers_are_refused() -> None:
    assert strip_sheet("A4") == strip_sheet("a4")
    with pytest.raises(InputError, match=r"no sheet of strips for the paper 'a3'.*a4, letter"):
        strip_sheet("a3")


def test_stored_specification_is_what_the_program_has() -> None:
    stored = (CALIBRATION / "strip.json").read_text(encoding="utf-8")
    assert stored == strip_json()
    assert json.loads(stored)["markers"][0]["id"] == 400


# The print's scale


def test_both_bars() -> None:
    """By hand: 114.54 / 115 = 0.996, 139.72 / 140 = 0.998; 0.03 / √3 / 114.54 = 1.51218e-4."""
    scale = print_scale("strip", 114.54, 139.72)
    assert (scale.x, scale.y) == pytest.approx((0.996, 0.998), abs=1e-12)
    assert scale.std == pytest.approx(1.51218e-4, rel=1e-4)
    assert scale.measured


def test_one_bar_stands_for_both_axes_unmeasured() -> None:
    """A sheet shrunk to 96 % is so along both axes; 0.96 · 115 = 110.4, 0.96 · 140 = 134.4."""
    for bars in ((110.4, None), (None, 134.4)):
        scale = print_scale("strip", *bars)
        assert (scale.x, scale.y) == pytest.approx((0.96, 0.96))
        assert scale.std == UNMEASURED_STD and not scale.measured


def test_a_reading_that_fits_no_bar() -> None:
    with pytest.raises(InputError, match=r"along x reads 140 mm; by design it is 115 mm long\."):
        print_scale("strip", 140.0)  # the mat's piece is on no strip


def test_readings_are_kept_apart_from_the_mats(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path))
    save_print_scale("a4", 275.0, 179.0)
    save_print_scale("strip", bar_x_mm=114.54)
    kept = save_print_scale("strip", bar_y_mm=139.72)
    assert kept == load_print_scale("strip") == print_scale("strip", 114.54, 139.72)
    assert load_print_scale("a4") == print_scale("a4", 275.0, 179.0)
