"""The printed mat as data: a frame of chessboard squares and AprilTag markers round a tinted field.

The frame is two squares deep. A dark square has an even ``column + row``, counted from the top left; each
white square carries one marker of the family AprilTag 36h11, numbered row by row from the paper's own first
id, so that a photo says which mat it shows. Frame ``mat``: millimetres, origin at the middle of the sheet,
x right, y up, z up out of the paper.
"""

import json
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from grindcheck.errors import InputError
from grindcheck.geometry import Array, frozen

VERSION = "1"
DEPTH = 2  # squares from the frame's outside to the field
SQUARE_MM = 12.0
MARKER_MM = 9.0  # eight cells of 1.125 mm: six of data, one of dark border on each side
PRINTER_MARGIN_MM = 6.0
CALLIPER_MARK_MM = 140.0  # within the jaws of a six-inch calliper
TINT_SRGB = (226, 96, 166)  # one ink (magenta), a hue that steel, wood, brass and layout fluid don't have

_PAPERS = {
    # paper: width, height, columns, rows, first marker id
    "a4": (297.0, 210.0, 23, 15, 0),
    "letter": (279.4, 215.9, 21, 15, 80),
    "a3": (420.0, 297.0, 33, 23, 160),
    "tabloid": (431.8, 279.4, 34, 21, 280),
}
PAPERS = tuple(_PAPERS)


@dataclass(frozen=True, slots=True, kw_only=True)
class MatSpec:
    """One paper size of the mat.

    Parameters
    ----------
    paper : str
        One of `PAPERS`, printed in landscape.
    width_mm, height_mm : float
        The sheet.
    columns, rows : int
        Squares of the frame's outside; rows are odd.
    first_id : int
        Id of the first marker.
    square_mm : float
        Side of a square; a marker is three quarters of it.
    """

    paper: str
    width_mm: float
    height_mm: float
    columns: int
    rows: int
    first_id: int
    square_mm: float = SQUARE_MM

    @property
    def marker_mm(self) -> float:
        """Side of a marker, its dark border included."""
        return self.square_mm * MARKER_MM / SQUARE_MM

    @property
    def field_mm(self) -> tuple[float, float]:
        """Width and height of the tinted field."""
        return ((self.columns - 2 * DEPTH) * self.square_mm, (self.rows - 2 * DEPTH) * self.square_mm)

    @property
    def frame_mm(self) -> tuple[float, float]:
        """Width and height of the frame's outside."""
        return (self.columns * self.square_mm, self.rows * self.square_mm)

    def in_frame(self, column: int, row: int) -> bool:
        """Whether a square belongs to the frame (and not to the field)."""
        inside_x = DEPTH <= column < self.columns - DEPTH
        inside_y = DEPTH <= row < self.rows - DEPTH
        return not (inside_x and inside_y)

    def square_centre_mm(self, column: int, row: int) -> tuple[float, float]:
        """Centre of a square."""
        width, height = self.frame_mm
        return ((column + 0.5) * self.square_mm - width / 2, height / 2 - (row + 0.5) * self.square_mm)

    def dark_squares(self) -> list[tuple[int, int]]:
        """Dark squares of the frame as (column, row), row by row."""
        return [(c, r) for r in range(self.rows) for c in range(self.columns)
                if (c + r) % 2 == 0 and self.in_frame(c, r)]  # fmt: skip

    def markers(self) -> dict[int, tuple[int, int]]:
        """Marker id to (column, row) of its white square."""
        white = [(c, r) for r in range(self.rows) for c in range(self.columns)
                 if (c + r) % 2 == 1 and self.in_frame(c, r)]  # fmt: skip
        return {self.first_id + index: place for index, place in enumerate(white)}

    def marker_corners_mm(self) -> dict[int, Array]:
        """Marker id to its (4, 2) outer corners: top left, top right, bottom right, bottom left."""
        half = self.marker_mm / 2
        around = np.array([[-half, half], [half, half], [half, -half], [-half, -half]])
        return {
            marker: frozen(np.add(self.square_centre_mm(*place), around))
            for marker, place in self.markers().items()
        }

    def crossings_mm(self) -> Array:
        """Where four squares of the frame meet, shape (N, 2): the corners that are measured."""
        width, height = self.frame_mm
        return frozen(
            [
                (c * self.square_mm - width / 2, height / 2 - r * self.square_mm)
                for r in range(1, self.rows)
                for c in range(1, self.columns)
                if all(self.in_frame(c - i, r - j) for i in (0, 1) for j in (0, 1))
            ]
        )

    def bars_mm(self) -> dict[str, tuple[float, float, float, float]]:
        """Calliper bars along ``x`` and ``y`` as (x_min, y_min, x_max, y_max) of dark rectangles."""
        width, height = self.frame_mm
        thick = 2.5
        below = -(self.height_mm / 2 - PRINTER_MARGIN_MM + height / 2) / 2
        beside = (self.width_mm / 2 - PRINTER_MARGIN_MM + width / 2) / 2
        return {
            "x": (-width / 2, below - thick / 2, width / 2, below + thick / 2),
            "y": (beside - thick / 2, -height / 2, beside + thick / 2, height / 2),
        }

    def as_data(self) -> dict[str, Any]:
        """Return the whole specification as plain data, with each marker's cells (1 is white)."""
        cells = marker_cells()
        return {
            "version": VERSION,
            "paper": self.paper,
            "width_mm": self.width_mm,
            "height_mm": self.height_mm,
            "columns": self.columns,
            "rows": self.rows,
            "depth_squares": DEPTH,
            "square_mm": self.square_mm,
            "marker_mm": self.marker_mm,
            "marker_family": "AprilTag 36h11",
            "tint_srgb": list(TINT_SRGB),
            "field_mm": list(self.field_mm),
            "dark_squares": [list(place) for place in self.dark_squares()],
            "markers": [
                {"id": marker, "column": c, "row": r, "cells": cells[marker]}
                for marker, (c, r) in self.markers().items()
            ],
            "crossings_mm": self.crossings_mm().tolist(),
            "bars_mm": {axis: list(bar) for axis, bar in self.bars_mm().items()},
        }


def mat_spec(paper: str) -> MatSpec:
    """Return the mat of a paper size.

    Raises
    ------
    InputError
        If there is no mat of that name.

    Examples
    --------
    >>> mat_spec("a4").field_mm
    (228.0, 132.0)
    """
    try:
        width, height, columns, rows, first = _PAPERS[paper.lower()]
    except KeyError:
        raise InputError(
            f"There is no mat for the paper {paper!r}.", advice=f"Choose one of {', '.join(PAPERS)}."
        ) from None
    return MatSpec(
        paper=paper.lower(), width_mm=width, height_mm=height, columns=columns, rows=rows, first_id=first
    )


@cache
def marker_cells() -> list[list[str]]:
    """Return for each id of the family its 8 × 8 cells as rows of 0 (dark) and 1 (white), border included."""
    import cv2

    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    drawn = [cv2.aruco.generateImageMarker(family, marker, 8) for marker in range(len(family.bytesList))]
    return [["".join("1" if cell else "0" for cell in row) for row in one] for one in drawn]


def specification_json() -> str:
    """Return the specification of all papers as JSON, as kept in ``calibration/mats.json``."""
    return json.dumps({paper: mat_spec(paper).as_data() for paper in PAPERS}, indent=1) + "\n"
