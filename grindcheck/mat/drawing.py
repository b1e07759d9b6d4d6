"""The mat drawn from its specification: a vector PDF at true size, and a raster for tests and rendering."""

from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from grindcheck.errors import OutputError
from grindcheck.geometry import Array, frozen
from grindcheck.mat.spec import (
    CALLIPER_MARK_MM,
    PRINTER_MARGIN_MM,
    TINT_SRGB,
    VERSION,
    MatSpec,
    marker_cells,
)

MARK_GAP_MM = 0.8  # a white gap behind the 140 mm piece of a bar: a calliper finds an edge better than a line
PRINT_NOTE = "Print at 100 % / actual size. Do not fit to page."
CAUTION = "Tape the edge or leave it unsharpened."

PAPER_NAMES = {"a4": "A4", "letter": "US Letter", "a3": "A3", "tabloid": "Tabloid"}
CAPITAL = 0.729  # height of a capital in DejaVu Sans, of the font size
MM_PER_POINT = 25.4 / 72
_Rectangle = tuple[float, float, float, float]


def draw_mat(spec: MatSpec, path: Path | str) -> None:
    """Write the mat as a PDF of the paper's size, all vectors, fonts embedded.

    The same specification gives the same bytes (with the same version of matplotlib).

    Parameters
    ----------
    spec : MatSpec
        The mat.
    path : Path or str
        The PDF file; one that exists is replaced.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    write_page(_pdf(spec), path)


def write_page(data: bytes, path: Path | str) -> None:
    """Write a page; an `OutputError` if that can't be done."""
    path = Path(path)
    try:
        path.write_bytes(data)
    except (OSError, ValueError) as problem:
        raise OutputError(
            f"The mat can't be written to {path} ({problem}).",
            advice="Name a file in a folder that exists and that you may write to.",
        ) from problem


def mat_raster(spec: MatSpec, px_per_mm: float) -> NDArray[np.uint8]:
    """Draw the mat without its words as a picture.

    Parameters
    ----------
    spec : MatSpec
        The mat.
    px_per_mm : float
        Resolution; with a multiple of 8 no edge of a square or marker on A4 cuts through a pixel.

    Returns
    -------
    ndarray of uint8, shape (H, W, 3)
        RGB. The sheet's corner is the outer corner of the first pixel, so that
        ``x_px = (x_mm + width_mm / 2) * px_per_mm - 0.5`` and
        ``y_px = (height_mm / 2 - y_mm) * px_per_mm - 0.5``.

    Notes
    -----
    A pixel is the mean over its area, in sRGB values, as a PDF viewer mixes them.
    """
    if not px_per_mm > 0:
        raise ValueError(f"px_per_mm must be positive, got {px_per_mm}")
    half = (spec.width_mm / 2, spec.height_mm / 2)
    sheet = (-half[0], -half[1], *half)
    tint = coverage(field_rectangle_mm(spec), sheet, px_per_mm)
    dark = coverage(dark_rectangles_mm(spec), sheet, px_per_mm)
    rgb = np.empty((*dark.shape, 3), dtype=np.uint8)
    for channel, value in enumerate(TINT_SRGB):
        rgb[..., channel] = np.rint(255 - (255 - value) * tint - 255 * dark)  # field and dark are disjoint
    return rgb


def coverage(rectangles_mm: Array, sheet_mm: _Rectangle, px_per_mm: float) -> NDArray[np.float32]:
    """Return the share of each pixel that disjoint rectangles cover, row 0 at the sheet's upper edge.

    Parameters
    ----------
    rectangles_mm : ndarray, shape (N, 4)
        As (x_min, y_min, x_max, y_max).
    sheet_mm : tuple of float
        What the picture shows, likewise.
    px_per_mm : float
    """
    left_mm, bottom_mm, right_mm, top_mm = sheet_mm
    shape = (round((top_mm - bottom_mm) * px_per_mm), round((right_mm - left_mm) * px_per_mm))
    layer = np.zeros(shape, dtype=np.float32)
    for left, bottom, right, top in (rectangles_mm * [1, -1, 1, -1] + [-left_mm, top_mm] * 2) * px_per_mm:
        x, cover_x = _covered(left, right, shape[1])
        y, cover_y = _covered(top, bottom, shape[0])
        layer[y, x] += np.outer(cover_y, cover_x)
    return layer


def dark_rectangles_mm(spec: MatSpec) -> Array:
    """All that is black, except words, as disjoint rectangles (x_min, y_min, x_max, y_max), shape (N, 4)."""
    return frozen(
        [*board_rectangles_mm(spec), *(one for both in bar_pieces_mm(spec).values() for one in both)]
    )


def board_rectangles_mm(spec: MatSpec) -> Array:
    """Return the dark squares and the markers' dark cells as disjoint rectangles, shape (N, 4)."""
    half = spec.square_mm / 2
    found: list[_Rectangle] = []
    for place in spec.dark_squares():
        x, y = spec.square_centre_mm(*place)
        found.append((x - half, y - half, x + half, y + half))
    cells = marker_cells()
    for marker, place in spec.markers().items():
        found += _marker_rectangles(spec.square_centre_mm(*place), spec.marker_mm, cells[marker])
    return frozen(found)


def field_rectangle_mm(spec: MatSpec) -> Array:
    """Return the tinted field as one rectangle, shape (1, 4)."""
    width, height = spec.field_mm
    return frozen([(-width / 2, -height / 2, width / 2, height / 2)])


def bar_pieces_mm(spec: MatSpec) -> dict[str, list[_Rectangle]]:
    """Return each calliper bar's two pieces: the first is 140 mm long, both with the gap the whole bar.

    The first piece of ``x`` begins at the left, that of ``y`` at the bottom.
    """
    x = spec.bars_mm()["x"]
    y = spec.bars_mm()["y"]
    mark_x = x[0] + CALLIPER_MARK_MM
    mark_y = y[1] + CALLIPER_MARK_MM
    return {
        "x": [(x[0], x[1], mark_x, x[3]), (mark_x + MARK_GAP_MM, x[1], x[2], x[3])],
        "y": [(y[0], y[1], y[2], mark_y), (y[0], mark_y + MARK_GAP_MM, y[2], y[3])],
    }


def _marker_rectangles(centre_mm: tuple[float, float], side_mm: float, rows: list[str]) -> list[_Rectangle]:
    """Dark cells of one marker, joined along each row."""
    cell = side_mm / len(rows)
    left, top = centre_mm[0] - side_mm / 2, centre_mm[1] + side_mm / 2
    found = []
    for index, row in enumerate(rows):
        high, low = top - index * cell, top - (index + 1) * cell
        start = 0
        for piece in row.split("1"):
            if piece:
                found.append((left + start * cell, low, left + (start + len(piece)) * cell, high))
            start += len(piece) + 1
    return found


def _covered(low: float, high: float, size: int) -> tuple[slice, NDArray[np.float32]]:
    """Pixels that the stretch from `low` to `high` touches, and the covered share of each."""
    first, last = max(int(np.floor(low)), 0), min(int(np.ceil(high)), size)
    start = np.arange(first, last)
    share = np.minimum(start + 1, high) - np.maximum(start, low)
    return slice(first, last), np.clip(share, 0, 1).astype(np.float32)


def _pdf(spec: MatSpec) -> bytes:
    def draw(axes: Any) -> None:
        tint = tuple(value / 255 for value in TINT_SRGB)
        fill(axes, field_rectangle_mm(spec), tint)
        fill(axes, dark_rectangles_mm(spec), "black")
        _write_head(axes, spec)
        _write_bars(axes, spec)

    title = f"grindcheck mat, {PAPER_NAMES[spec.paper]}, version {VERSION}"
    return pdf_page(spec.width_mm, spec.height_mm, title, draw)


def pdf_page(width_mm: float, height_mm: float, title: str, draw: Callable[[Any], None]) -> bytes:
    """Return a page as PDF; `draw` gets axes in mm with the origin at the page's middle."""
    import matplotlib
    from matplotlib.backends.backend_pdf import FigureCanvasPdf
    from matplotlib.figure import Figure

    with matplotlib.rc_context():
        matplotlib.rcdefaults()  # the user's own settings would change the page
        matplotlib.rcParams["pdf.fonttype"] = 42  # fonts as TrueType, which every printer takes
        figure = Figure(figsize=(width_mm / 25.4, height_mm / 25.4))
        FigureCanvasPdf(figure)
        axes = figure.add_axes((0, 0, 1, 1))
        axes.set_axis_off()
        axes.set_xlim(-width_mm / 2, width_mm / 2)
        axes.set_ylim(-height_mm / 2, height_mm / 2)
        draw(axes)
        buffer = BytesIO()
        figure.savefig(
            buffer,
            format="pdf",
            metadata={"Title": title, "Creator": "grindcheck", "Producer": None, "CreationDate": None},
        )
    return buffer.getvalue()


def fill(axes: Any, rectangles: Array, colour: Any) -> None:
    """Fill rectangles as one path: neighbours share their edge exactly, so that no viewer leaves a seam."""
    from matplotlib.patches import PathPatch

    axes.add_patch(PathPatch(_path(rectangles), facecolor=colour, linewidth=0, clip_on=False))


def _path(rectangles: Array) -> Any:
    from matplotlib.path import Path as Outline

    corners = rectangles[:, [0, 1, 2, 1, 2, 3, 0, 3, 0, 1]].reshape(-1, 2)
    codes = [Outline.MOVETO, Outline.LINETO, Outline.LINETO, Outline.LINETO, Outline.CLOSEPOLY]
    return Outline(corners, codes * len(rectangles))


def _write_head(axes: Any, spec: MatSpec) -> None:
    """Words in the strip above the frame."""
    width, height = spec.frame_mm
    low, high = height / 2, spec.height_mm / 2 - PRINTER_MARGIN_MM
    size_mm = min(3.4, 0.58 * (high - low))
    style = {"fontsize": size_mm / MM_PER_POINT, "va": "baseline", "color": "black"}
    y = (low + high) / 2 - size_mm * CAPITAL / 2
    name = f"grindcheck mat {PAPER_NAMES[spec.paper]}, version {VERSION}"
    axes.text(-width / 2, y, name, ha="left", **style)
    axes.text(0, y, PRINT_NOTE, ha="center", weight="bold", **style)
    axes.text(width / 2, y, CAUTION, ha="right", **style)


def _write_bars(axes: Any, spec: MatSpec) -> None:
    """Lengths in white on the bars, so that the ends stay free for the calliper's jaws."""
    size_mm = 2.0
    for axis, (piece, rest) in bar_pieces_mm(spec).items():
        along = 0 if axis == "x" else 1
        whole = rest[along + 2] - piece[along]
        for box, words in (
            (piece, f"bar {axis}: this piece {CALLIPER_MARK_MM:.1f} mm = {CALLIPER_MARK_MM / 25.4:.3f} in"),
            (rest, f"bar {axis} whole {whole:.1f} mm = {whole / 25.4:.3f} in"),
        ):
            x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
            shift = size_mm * CAPITAL / 2  # from the middle of a capital to the baseline
            axes.text(
                x + (shift if axis == "y" else 0),
                y - (shift if axis == "x" else 0),
                words,
                fontsize=size_mm / MM_PER_POINT,
                color="white",
                ha="center",
                va="baseline",
                rotation=0 if axis == "x" else 90,
                rotation_mode="anchor",
            )
