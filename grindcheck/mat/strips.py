"""The printed strip as data: a narrow board to lay beside a blade in a close-up; sheets of strips.

A strip is the mat's frame in small: three rows of squares, so that its crossings lie in two lines, and
markers of the same family whose ids no mat has. Frame ``mat`` of a strip: millimetres, origin at its
board's middle.
"""

import json
from dataclasses import dataclass
from typing import Any

from grindcheck.errors import InputError
from grindcheck.mat.spec import PRINTER_MARGIN_MM, VERSION, MatSpec, marker_cells, mat_spec

STRIP = "strip"  # stands where a mat has its paper's name
STRIP_PAPERS = ("a4", "letter")
CUT_MM = (-60.0, -12.0, 60.0, 9.0)  # x_min, y_min, x_max, y_max of a strip once cut out
SHEET_BAR_MM = 140.0  # along the sheet's y, which no strip is long enough to show

_COLUMNS, _ROWS, _FIRST_ID, _SQUARE_MM = 23, 3, 400, 5.0
_BAR_GAP_MM, _BAR_THICK_MM = 1.0, 2.0
_ACROSS, _DOWN = 2, 6  # strips on a sheet
_FIRST_TOP_MM = 84.0  # y of the first row's upper cut
_BAR_BESIDE_MM = 10.0

Rectangle = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class StripSpec(MatSpec):
    """One strip; all that a mat's specification tells, but no field and one bar.

    The sheet that `width_mm` and `height_mm` tell of is the strip as cut out (`CUT_MM`).
    """

    @property
    def field_mm(self) -> tuple[float, float]:
        """A strip has no field."""
        return (0.0, 0.0)

    def bars_mm(self) -> dict[str, Rectangle]:
        """Calliper bar along ``x``, below the board, as (x_min, y_min, x_max, y_max)."""
        width, height = self.frame_mm
        top = -height / 2 - _BAR_GAP_MM
        return {"x": (-width / 2, top - _BAR_THICK_MM, width / 2, top)}


@dataclass(frozen=True, slots=True, kw_only=True)
class StripSheet:
    """A sheet of strips, printed in landscape; frame ``sheet``: mm, origin at its middle, x right, y up.

    Parameters
    ----------
    paper : str
        One of `STRIP_PAPERS`.
    width_mm, height_mm : float
    origins_mm : tuple of (float, float)
        Where each strip's origin lies.
    bar_mm : tuple of float
        Bar along y as (x_min, y_min, x_max, y_max).
    """

    paper: str
    width_mm: float
    height_mm: float
    origins_mm: tuple[tuple[float, float], ...]
    bar_mm: Rectangle

    def cuts_mm(self) -> tuple[Rectangle, ...]:
        """Return each strip as cut out, in the sheet's frame."""
        return tuple((CUT_MM[0] + x, CUT_MM[1] + y, CUT_MM[2] + x, CUT_MM[3] + y) for x, y in self.origins_mm)


def strip_spec() -> StripSpec:
    """Return the strip.

    Examples
    --------
    >>> strip_spec().frame_mm
    (115.0, 15.0)
    """
    return StripSpec(
        paper=STRIP,
        width_mm=CUT_MM[2] - CUT_MM[0],
        height_mm=CUT_MM[3] - CUT_MM[1],
        columns=_COLUMNS,
        rows=_ROWS,
        first_id=_FIRST_ID,
        square_mm=_SQUARE_MM,
    )


def strip_sheet(paper: str) -> StripSheet:
    """Return the sheet of strips of a paper size.

    Raises
    ------
    InputError
        If there is no such sheet.
    """
    if paper.lower() not in STRIP_PAPERS:
        raise InputError(
            f"There is no sheet of strips for the paper {paper!r}.",
            advice=f"Choose one of {', '.join(STRIP_PAPERS)}.",
        )
    size = mat_spec(paper)
    wide, high = CUT_MM[2] - CUT_MM[0], CUT_MM[3] - CUT_MM[1]
    left = -size.width_mm / 2 + PRINTER_MARGIN_MM + 2.0
    bar_x = left + _ACROSS * wide + _BAR_BESIDE_MM
    bar_top = _FIRST_TOP_MM
    return StripSheet(
        paper=size.paper,
        width_mm=size.width_mm,
        height_mm=size.height_mm,
        origins_mm=tuple(
            (left + column * wide - CUT_MM[0], _FIRST_TOP_MM - row * high - CUT_MM[3])
            for row in range(_DOWN)
            for column in range(_ACROSS)
        ),
        bar_mm=(bar_x, bar_top - SHEET_BAR_MM, bar_x + 2.5, bar_top),
    )


def strip_json() -> str:
    """Return the strip and its sheets as JSON, as kept in ``calibration/strip.json``."""
    spec = strip_spec()
    cells = marker_cells()
    data: dict[str, Any] = {
        "version": VERSION,
        "columns": spec.columns,
        "rows": spec.rows,
        "square_mm": spec.square_mm,
        "marker_mm": spec.marker_mm,
        "marker_family": "AprilTag 36h11",
        "cut_mm": list(CUT_MM),
        "dark_squares": [list(place) for place in spec.dark_squares()],
        "markers": [
            {"id": marker, "column": c, "row": r, "cells": cells[marker]}
            for marker, (c, r) in spec.markers().items()
        ],
        "crossings_mm": spec.crossings_mm().tolist(),
        "bars_mm": {axis: list(bar) for axis, bar in spec.bars_mm().items()},
        "sheets": {
            paper: {
                "width_mm": strip_sheet(paper).width_mm,
                "height_mm": strip_sheet(paper).height_mm,
                "origins_mm": [list(origin) for origin in strip_sheet(paper).origins_mm],
                "bar_y_mm": list(strip_sheet(paper).bar_mm),
            }
            for paper in STRIP_PAPERS
        },
    }
    return json.dumps(data, indent=1) + "\n"
