"""The mat's specification against its own rules, counted by hand, and against OpenCV's ChArUco board."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from grindcheck.errors import InputError
from grindcheck.mat.spec import (
    CALLIPER_MARK_MM,
    DEPTH,
    MARKER_MM,
    PAPERS,
    PRINTER_MARGIN_MM,
    SQUARE_MM,
    TINT_SRGB,
    marker_cells,
    mat_spec,
    specification_json,
)

CALIBRATION = Path(__file__).parent.parent / "calibration"

papers = pytest.mark.parametrize("paper", PAPERS)


@pytest.mark.parametrize(
    ("paper", "size_mm"),
    [
        ("a4", (297.0, 210.0)),  # ISO 216
        ("a3", (420.0, 297.0)),  # ISO 216
        ("letter", (11 * 25.4, 8.5 * 25.4)),  # ANSI/ASME Y14.1, 11 in × 8.5 in
        ("tabloid", (17 * 25.4, 11 * 25.4)),  # ANSI/ASME Y14.1, 17 in × 11 in
    ],
)
def test_paper_sizes(paper: str, size_mm: tuple[float, float]) -> None:
    spec = mat_spec(paper)
    assert (spec.width_mm, spec.height_mm) == pytest.approx(size_mm, abs=1e-9)


def test_every_paper_has_a_mat_and_others_are_refused() -> None:
    assert PAPERS == ("a4", "letter", "a3", "tabloid")
    assert mat_spec("A4") == mat_spec("a4")
    with pytest.raises(InputError, match=r"no mat for the paper 'a5'.*a4, letter, a3, tabloid"):
        mat_spec("a5")


def test_a4_counted_by_hand() -> None:
    """23 × 15 squares less the field's 19 × 11 are 136, half of them white with a marker.

    Crossings: inside corners of the whole board are 22 × 14 = 308, of which those that touch no field square
    remain: less the field's 20 × 12 = 240 corners, its border included, are 68.
    """
    spec = mat_spec("a4")
    assert spec.frame_mm == (276.0, 180.0)
    assert spec.field_mm == (228.0, 132.0)
    assert len(spec.dark_squares()) == 68
    assert len(spec.markers()) == 68
    assert len(spec.crossings_mm()) == 68
    assert spec.square_centre_mm(0, 0) == (-132.0, 84.0)  # half a square inside the top left corner
    # The first white square is (1, 0), centre (-120, 84); its marker's corners are 4.5 mm away.
    np.testing.assert_array_equal(
        spec.marker_corners_mm()[0], [[-124.5, 88.5], [-115.5, 88.5], [-115.5, 79.5], [-124.5, 79.5]]
    )
    np.testing.assert_array_equal(spec.crossings_mm()[0], [-126.0, 78.0])


@papers
def test_rows_are_odd(paper: str) -> None:
    """OpenCV 4.6 changed the layout of boards with an even number of rows."""
    assert mat_spec(paper).rows % 2 == 1


def test_ids_tell_the_paper() -> None:
    ids = [set(mat_spec(paper).markers()) for paper in PAPERS]
    assert len(set.union(*ids)) == sum(map(len, ids))
    assert max(set.union(*ids)) < 587  # the family has 587 markers


@papers
def test_all_lies_within_the_printer_margin(paper: str) -> None:
    spec = mat_spec(paper)
    right, top = spec.width_mm / 2 - PRINTER_MARGIN_MM, spec.height_mm / 2 - PRINTER_MARGIN_MM
    assert PRINTER_MARGIN_MM >= 6
    assert spec.frame_mm[0] / 2 <= right and spec.frame_mm[1] / 2 <= top
    for x_min, y_min, x_max, y_max in spec.bars_mm().values():
        assert -right <= x_min < x_max <= right
        assert -top <= y_min < y_max <= top


@papers
def test_bars_keep_clear_of_the_frame_and_hold_the_mark(paper: str) -> None:
    spec = mat_spec(paper)
    bars = spec.bars_mm()
    assert -spec.frame_mm[1] / 2 - bars["x"][3] >= 0.9  # mm of white
    assert bars["y"][0] - spec.frame_mm[0] / 2 >= 0.9
    assert bars["x"][2] - bars["x"][0] == spec.frame_mm[0] > CALLIPER_MARK_MM
    assert bars["y"][3] - bars["y"][1] == spec.frame_mm[1] > CALLIPER_MARK_MM
    assert CALLIPER_MARK_MM < 6 * 25.4  # within a six-inch calliper


@papers
def test_marker_has_a_white_rim_in_its_square(paper: str) -> None:
    """A reader needs at least one cell of white round a marker (AprilTag 36h11's own border)."""
    assert (SQUARE_MM - MARKER_MM) / 2 >= MARKER_MM / 8
    spec = mat_spec(paper)
    for marker, corners in spec.marker_corners_mm().items():
        np.testing.assert_allclose(corners.mean(axis=0), spec.square_centre_mm(*spec.markers()[marker]))
        assert not corners.flags.writeable


@papers
def test_layout_is_a_charuco_board_without_its_middle(paper: str) -> None:
    """OpenCV's own board of the same size has the same squares, markers and crossings, once renumbered."""
    spec = mat_spec(paper)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    board = cv2.aruco.CharucoBoard((spec.columns, spec.rows), SQUARE_MM, MARKER_MM, family)
    shift = np.array(spec.frame_mm) / 2
    ours = np.array(list(spec.marker_corners_mm().values()))
    theirs = np.array(board.getObjPoints())[..., :2]  # y down from the top left corner
    theirs = np.stack([theirs[..., 0] - shift[0], shift[1] - theirs[..., 1]], axis=-1)
    inside = np.abs(theirs.mean(axis=1)) < np.array(spec.field_mm) / 2
    np.testing.assert_allclose(ours, theirs[~inside.all(axis=1)], atol=1e-5)
    crossings = np.array(board.getChessboardCorners())[:, :2]
    crossings = np.stack([crossings[:, 0] - shift[0], shift[1] - crossings[:, 1]], axis=-1)
    border = (np.abs(crossings) <= np.array(spec.field_mm) / 2 + 1e-3).all(axis=1)
    np.testing.assert_allclose(spec.crossings_mm(), crossings[~border], atol=1e-5)
    assert spec.crossings_mm().shape[1] == 2


def test_cells_have_a_dark_border_and_differ() -> None:
    cells = marker_cells()
    assert len(cells) == 587
    for rows in cells:
        grid = np.array([[int(cell) for cell in row] for row in rows])
        assert grid.shape == (8, 8)
        assert grid[[0, -1]].sum() == 0 and grid[:, [0, -1]].sum() == 0
    assert len({"".join(rows) for rows in cells}) == 587


def test_tint_is_saturated() -> None:
    """Hue tells the field from steel: the strongest colour is more than twice the weakest."""
    assert max(TINT_SRGB) > 2 * min(TINT_SRGB)


def test_stored_specification_is_what_the_program_has() -> None:
    stored = (CALIBRATION / "mats.json").read_text(encoding="utf-8")
    assert stored == specification_json()
    data = json.loads(stored)
    assert list(data) == list(PAPERS)
    assert data["a4"]["depth_squares"] == DEPTH
    assert data["a4"]["markers"][0] == {"id": 0, "column": 1, "row": 0, "cells": marker_cells()[0]}
