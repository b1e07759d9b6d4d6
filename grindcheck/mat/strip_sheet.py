"""A sheet of strips drawn from its specification: a vector PDF at true size."""

from pathlib import Path
from typing import Any

import numpy as np

from grindcheck.geometry import Array, frozen
from grindcheck.mat.drawing import (
    CAPITAL,
    CAUTION,
    MM_PER_POINT,
    PAPER_NAMES,
    PRINT_NOTE,
    board_rectangles_mm,
    fill,
    pdf_page,
    write_page,
)
from grindcheck.mat.spec import VERSION
from grindcheck.mat.strips import SHEET_BAR_MM, StripSheet, strip_spec

CUT_LINE_MM = 0.15
_CUT_GREY = "0.6"
HOW_TO = (
    "1. Before you cut, measure bar x of a strip and bar y of the sheet with a calliper; keep the readings:",
    "    grindcheck mat --strip --paper {paper} --bar-x ... --bar-y ...",
    "2. Cut along the grey lines. Use a strip as long as it is flat and clean; tape a curled one down.",
    "3. Lay one strip flat beside the blade, as much of it in the close-up as fits. Only one in a photo.",
)


def draw_strips(sheet: StripSheet, path: Path | str) -> None:
    """Write a sheet of strips as a PDF of the paper's size, all vectors, fonts embedded.

    The same specification gives the same bytes (with the same version of matplotlib).

    Parameters
    ----------
    sheet : StripSheet
    path : Path or str
        The PDF file; one that exists is replaced.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    title = f"grindcheck strips, {PAPER_NAMES[sheet.paper]}, version {VERSION}"
    write_page(pdf_page(sheet.width_mm, sheet.height_mm, title, lambda axes: _draw(axes, sheet)), path)


def strip_rectangles_mm() -> Array:
    """All that is black on a strip, except words, as disjoint rectangles, shape (N, 4), in its own frame."""
    spec = strip_spec()
    return frozen([*board_rectangles_mm(spec), spec.bars_mm()["x"]])


def cut_lines_mm(sheet: StripSheet) -> Array:
    """Return the grey lines to cut along as thin rectangles, shape (N, 4), in the sheet's frame."""
    cuts = np.array(sheet.cuts_mm())
    half = CUT_LINE_MM / 2
    low, high = cuts[:, :2].min(axis=0), cuts[:, 2:].max(axis=0)
    upright = [(x - half, low[1], x + half, high[1]) for x in np.unique(cuts[:, [0, 2]])]
    level = [(low[0], y - half, high[0], y + half) for y in np.unique(cuts[:, [1, 3]])]
    return frozen(upright + level)


def _draw(axes: Any, sheet: StripSheet) -> None:
    fill(axes, cut_lines_mm(sheet), _CUT_GREY)
    black = strip_rectangles_mm()
    everywhere = [black + np.tile(origin, 2) for origin in sheet.origins_mm]
    fill(axes, np.concatenate([*everywhere, [sheet.bar_mm]]), "black")
    for x, y in sheet.origins_mm:
        _write_strip(axes, x, y)
    box = sheet.bar_mm
    words = f"bar y: {SHEET_BAR_MM:.1f} mm = {SHEET_BAR_MM / 25.4:.3f} in"
    size_mm = 2.0
    axes.text((box[0] + box[2]) / 2 + size_mm * CAPITAL / 2, (box[1] + box[3]) / 2, words,
              fontsize=size_mm / MM_PER_POINT, color="white", ha="center", va="baseline", rotation=90,
              rotation_mode="anchor")  # fmt: skip
    cuts = np.array(sheet.cuts_mm())
    left, top, bottom = cuts[:, 0].min(), cuts[:, 3].max(), cuts[:, 1].min()
    size_mm = 3.2
    style = {"fontsize": size_mm / MM_PER_POINT, "va": "baseline", "color": "black"}
    name = f"grindcheck strips {PAPER_NAMES[sheet.paper]}, version {VERSION}"
    axes.text(left, top + 3.0, name, ha="left", **style)
    axes.text(box[2], top + 3.0, PRINT_NOTE, ha="right", weight="bold", **style)
    for number, line in enumerate((*HOW_TO, CAUTION)):
        words = line.format(paper=sheet.paper)
        axes.text(left, bottom - 8.0 - 6.0 * number, words, ha="left", **style)


def _write_strip(axes: Any, x: float, y: float) -> None:
    """Words in white on the bar, so that its ends stay free for the calliper's jaws."""
    spec = strip_spec()
    left, low, right, high = spec.bars_mm()["x"]
    size_mm = 1.5
    style = {"fontsize": size_mm / MM_PER_POINT, "va": "baseline", "color": "white"}
    base = y + (low + high) / 2 - size_mm * CAPITAL / 2
    length = right - left
    axes.text(x + left + 25.0, base, f"grindcheck strip, version {VERSION}", ha="center", **style)
    axes.text(
        x + right - 25.0, base, f"bar x: {length:.1f} mm = {length / 25.4:.3f} in", ha="center", **style
    )
