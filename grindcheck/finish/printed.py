"""Where a photo shows the print of a mat or strip: full of lines, so it must not be searched."""

import numpy as np
from numpy.typing import NDArray

from grindcheck.camera import Camera
from grindcheck.geometry import Array
from grindcheck.mat.drawing import board_rectangles_mm, coverage, dark_rectangles_mm
from grindcheck.mat.finding import MatView
from grindcheck.mat.strips import CUT_MM, STRIP
from grindcheck.photo import Photo
from grindcheck.rectify import linear_light

Mask = NDArray[np.bool_]

_LONG_SIDE = 1200  # px of the reduced photo that is looked at
_LIKE = 0.3  # of the step from black to white: a pixel that differs less from the print is like it
_SURE = 0.8  # share of like pixels round a place that is surely print
_MOSTLY = 0.6  # share of them, edges left out, in a quarter of a square, to which print reaches
_WORDS_MM = 1.6  # gaps that words leave are filled
_CUT_MM = 0.8  # the cut edge of the paper, its shadow and its lift; it is no scratch either
_NODE = 8  # reduced pixels
_RASTER_PX = 8.0  # per millimetre of a strip; per 2.4 mm of a mat


def printed_part(photo: Photo, view: MatView, camera: Camera) -> Mask:
    """Find the pixels of a photo that show the print and its white paper.

    Parameters
    ----------
    photo : Photo
    view : MatView
    camera : Camera

    Returns
    -------
    ndarray of bool, shape (H, W)

    Notes
    -----
    The specification, put into the photo, says how bright each pixel would be if nothing covered the print.
    Where four fifths of a square's surroundings are like that, it is print; from there it reaches as far as
    pixels stay like it, but no farther than half a square. So a blade that lies over the print keeps its
    pixels. A blade as dark as ink loses up to half a square of its rim over a dark square, and one as
    bright as the paper beside it over white.
    """
    import cv2

    height, width = photo.bgr.shape[:2]
    factor = max(1, round(max(width, height) / _LONG_SIDE))
    size = (max(1, width // factor), max(1, height // factor))
    small = cv2.resize(photo.bgr, size, interpolation=cv2.INTER_AREA)
    seen = np.asarray(cv2.LUT(small, linear_light()), dtype=np.float32).mean(axis=2)
    sheet, dark, per_mm = _raster(view)
    near = _near(view, camera, sheet, (width, height), size)
    out = np.zeros(seen.shape, dtype=np.uint8)
    left, top, right, bottom = near
    if right <= left or bottom <= top:
        return np.zeros((height, width), dtype=np.bool_)
    x, y = np.meshgrid(np.arange(left, right), np.arange(top, bottom))
    mm = _mm_of_pixels(camera, x, y, (width / size[0], height / size[1])) / np.asarray(camera.scale)
    column = ((mm[:, 0] - sheet[0]) * per_mm - 0.5).reshape(x.shape).astype(np.float32)
    row = ((sheet[3] - mm[:, 1]) * per_mm - 0.5).reshape(x.shape).astype(np.float32)
    square_px = max(3.0, float(view.spec.square_mm * np.sqrt(x.size / max(_area_mm2(mm, x.shape), 1e-9))))
    blurred = cv2.blur(dark, (3, 3))
    ink = cv2.remap(blurred, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    on_sheet = (column > -0.5) & (row > -0.5) & (column < dark.shape[1] - 0.5) & (row < dark.shape[0] - 0.5)
    if view.spec.paper != STRIP:
        half = np.array(view.spec.field_mm) / 2
        on_sheet &= ~np.all(np.abs(mm) < half, axis=1).reshape(x.shape)
    white, black = (
        _plane_fit(at, light.mean(axis=1), mm).reshape(x.shape)
        for at, light in (
            (view.white_mm, view.white_linear),
            (view.black_mm, view.black_linear),
        )
    )
    part = seen[top:bottom, left:right]
    off = np.abs(part - (white + (black - white) * ink)) / np.maximum(white - black, 1e-3)
    edge = (ink > 0.1) & (ink < 0.9)  # a small part of a pixel decides there
    like = ((off < _LIKE) | edge) & on_sheet
    window = (round(square_px) | 1, round(square_px) | 1)
    share = cv2.blur(like.astype(np.float32), window) / np.maximum(
        cv2.blur(on_sheet.astype(np.float32), window), 1e-3
    )
    sure = ((share > _SURE) & on_sheet).astype(np.uint8)
    reach = cv2.dilate(sure, _disc(square_px / 2))
    close = (round(square_px / 4) | 1, round(square_px / 4) | 1)
    firm = (on_sheet & ~edge).astype(np.float32)
    mostly = cv2.blur(firm * (off < _LIKE), close) > _MOSTLY * cv2.blur(firm, close)
    found = ((reach > 0) & mostly & on_sheet).astype(np.uint8)
    per_square = square_px / view.spec.square_mm
    found = cv2.morphologyEx(found, cv2.MORPH_CLOSE, _disc(_WORDS_MM / 2 * per_square))
    out[top:bottom, left:right] = found
    # outwards only: what lies over the print is left alone
    beyond = np.ones(seen.shape, dtype=np.bool_)
    beyond[top:bottom, left:right] = ~on_sheet
    out |= cv2.dilate(out, _disc(_CUT_MM * per_square)) * beyond.astype(np.uint8)
    return np.asarray(cv2.resize(out, (width, height), interpolation=cv2.INTER_NEAREST) > 0)


def _mm_of_pixels(
    camera: Camera, x: NDArray[np.int_], y: NDArray[np.int_], factor: tuple[float, float]
) -> Array:
    """Return mm on the paper of reduced pixels, shape (N, 2): exact at every eighth, linear between."""
    import cv2

    columns, rows = (np.arange(side // _NODE + 2) * _NODE for side in (x.shape[1], x.shape[0]))
    at = np.stack(np.meshgrid(columns + x[0, 0], rows + y[0, 0]), axis=-1).reshape(-1, 2)
    nodes = camera.mm_from_px((at + 0.5) * factor - 0.5, 0.0).reshape(len(rows), len(columns), 2)
    where = [((side - side[0, 0]) / _NODE).astype(np.float32) for side in (x, y)]
    return np.asarray(cv2.remap(nodes, where[0], where[1], cv2.INTER_LINEAR), dtype=np.float64).reshape(-1, 2)


def _raster(view: MatView) -> tuple[tuple[float, float, float, float], NDArray[np.float32], float]:
    """Return the sheet (x_min, y_min, x_max, y_max), its ink 0 to 1, and pixels per mm."""
    spec = view.spec
    per_mm = _RASTER_PX * 5.0 / spec.square_mm
    if spec.paper == STRIP:
        rectangles = np.concatenate([board_rectangles_mm(spec), [spec.bars_mm()["x"]]])
        return CUT_MM, coverage(rectangles, CUT_MM, per_mm), per_mm
    half = (spec.width_mm / 2, spec.height_mm / 2)
    sheet = (-half[0], -half[1], *half)
    return sheet, coverage(dark_rectangles_mm(spec), sheet, per_mm), per_mm


def _near(
    view: MatView,
    camera: Camera,
    sheet: tuple[float, float, float, float],
    full: tuple[int, int],
    size: tuple[int, int],
) -> tuple[int, int, int, int]:
    """Return the rectangle (left, top, right, bottom) of the reduced photo that the sheet lies in."""
    x, y = np.meshgrid(np.linspace(sheet[0], sheet[2], 60), np.linspace(sheet[1], sheet[3], 40))
    mm = np.column_stack([x.ravel(), y.ravel()]) * np.asarray(camera.scale)
    known = np.linalg.norm(mm[:, None] - view.corner_mm[None], axis=2).min(axis=1)
    px = camera.px_from_mm(np.column_stack([mm, np.zeros(len(mm))]))
    # far from every crossing a lens may fold points back into the picture
    px = px[known < 4 * view.spec.square_mm]
    scale = np.array(size) / np.array(full)
    low = np.floor(px.min(axis=0) * scale).astype(int) - 2
    high = np.ceil(px.max(axis=0) * scale).astype(int) + 3
    return max(low[0], 0), max(low[1], 0), min(high[0], size[0]), min(high[1], size[1])


def _area_mm2(mm: Array, shape: tuple[int, ...]) -> float:
    """Area that a grid of points of the photo covers on the paper."""
    corners = mm.reshape(*shape, 2)[[0, 0, -1, -1], [0, -1, -1, 0]]
    after = np.roll(corners, -1, axis=0)
    return float(abs(np.sum(corners[:, 0] * after[:, 1] - corners[:, 1] * after[:, 0])) / 2)


def _plane_fit(at_mm: Array, values: Array, where_mm: Array) -> NDArray[np.float32]:
    """Carry values known at places on to others, as a plane where there are enough of them."""
    middle = at_mm.mean(axis=0)
    reach = max(float(np.ptp(at_mm, axis=0).max()), 1e-9)
    columns = np.column_stack([np.ones(len(at_mm)), (at_mm - middle) / reach])
    # a ridge: what a narrow strip can't show across itself is taken as even
    normal = columns.T @ columns + np.diag([0.0, 0.02, 0.02]) * len(at_mm)
    solution = np.linalg.solve(normal, columns.T @ values)
    carried = solution[0] + (where_mm - middle) / reach @ solution[1:]
    within = np.clip(carried, 0.5 * values.min(), 1.5 * values.max())
    return np.asarray(within, dtype=np.float32)


def _disc(radius_px: float) -> NDArray[np.uint8]:
    import cv2

    side = 2 * max(1, round(radius_px)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)), dtype=np.uint8)
