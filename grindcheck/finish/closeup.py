"""A close-up for the finish check: rectified by a strip or a corner of the mat, or just as it is."""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from grindcheck.camera import Camera, solve_camera
from grindcheck.errors import MatError, NoMatError, PhotoError
from grindcheck.finish import leftout
from grindcheck.finish.printed import printed_part
from grindcheck.geometry import Array, turn
from grindcheck.mat.finding import MatView, find_mat
from grindcheck.mat.strips import STRIP
from grindcheck.photo import Photo
from grindcheck.pixelscale import PixelScale, scale_at
from grindcheck.printscale import PrintScale, load_print_scale, print_scale
from grindcheck.rectify import Plane, linear_light, picture_of, plane_over

SMALLEST_PX = 256  # of the shorter side: four times the least that the search takes
UNKNOWN_HEIGHT_MM, UNKNOWN_HEIGHT_STD_MM = 3.5, 1.5  # kitchen and field knives, 2 to 5 mm; own estimate
PAPER_STD_MM = 0.3  # how flat a cut strip, or a sheet without a board, lies; own estimate
THICKNESS_STD_MM = 0.02  # of a calliper's reading, 0.03 mm largest error (DIN 862), rectangular

_LEAST_SHARE = 0.02  # of the photo; less than that left over is no blade
_TALLEST = (
    1.5  # times the photo's pixels: what a rectified picture may have, so that a steep view stays small
)

Frame = Literal["mat", "strip", "picture"]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Closeup:
    """What the search needs of a close-up.

    Parameters
    ----------
    stored : ndarray of uint8, shape (rows, columns, 3)
        Blue, green, red as the photo stores them; 0 outside the photo.
    picture : ndarray of float32, shape (rows, columns)
        Mean of the linear channels, 0 to 1.
    steel : ndarray of bool, shape (rows, columns)
        What may be steel: the print is cut out, and a ground of a colour of its own; nothing for mere doubt.
    mm_per_px, mm_per_px_std : float or None
        Scale of the picture and its standard uncertainty, the largest over the middle of what may be steel
        and half-way to its ends; None without mat and strip.
    frame : str
        ``mat``, ``strip`` or ``picture``: where lengths come from.
    plane : Plane or None
        How the picture's pixels become millimetres from the mat's or the strip's origin; None without.
    camera : Camera or None
    view : MatView or None
    flags : tuple of str
        Of `grindcheck.flags`.
    """

    stored: NDArray[np.uint8]
    picture: NDArray[np.float32]
    steel: Mask
    mm_per_px: float | None
    mm_per_px_std: float | None
    frame: Frame
    plane: Plane | None
    camera: Camera | None
    view: MatView | None
    flags: tuple[str, ...]

    def mm_from_index(self, index: ArrayLike) -> Array:
        """Millimetres from the origin of mat or strip of pixels (column, row) of the picture, (N, 2)."""
        if self.plane is None:
            raise ValueError("a close-up without mat and strip has no millimetres")
        return self.plane.mat_from_grid(self.plane.grid_from_index(np.asarray(index, dtype=np.float64)))

    def index_from_px(self, points_px: ArrayLike) -> Array:
        """Pixels (column, row) of the picture where pixels (x, y) of the photo lie, (N, 2)."""
        points_px = np.asarray(points_px, dtype=np.float64)
        if self.plane is None or self.camera is None:
            return points_px
        mm = self.camera.mm_from_px(points_px, self.plane.height_mm)
        return self.plane.index_from_grid(self.plane.grid_from_mat(mm))


def closeup(
    photo: Photo,
    *,
    thickness_mm: float | None = None,
    height_mm: float | None = None,
    scale: PrintScale | None = None,
    bar_x_mm: float | None = None,
    bar_y_mm: float | None = None,
    paper: str | None = None,
) -> Closeup:
    """Take a close-up up to the picture that is searched.

    Parameters
    ----------
    photo : Photo
    thickness_mm : float, optional
        Stock thickness, by which the face lies nearer to the camera than the paper.
    height_mm : float, optional
        Height of the face over the paper; default: the thickness.
    scale : PrintScale, optional
        How large the print is; default: by the bars given, else as kept for the mat or strip that is seen.
    bar_x_mm, bar_y_mm : float, optional
        Calliper readings of the bars of the mat or strip that is seen, for this photo.
    paper : str, optional
        The mat that must be seen, if one is.

    Returns
    -------
    Closeup
        Without mat and strip the photo itself, in pixels.

    Raises
    ------
    PhotoError
        If the photo is too small.
    MatError
        If a part of a mat or strip is seen that is too small to measure with: its lines would pass for
        scratches. Likewise two of them, or a mirrored photo.
    CameraError
        If its crossings fit no camera.
    InputError
        If a reading fits no bar of what is seen.

    Notes
    -----
    The picture is turned as the photo is, on a grid as fine as the photo in the middle of the blade. An
    unknown thickness counts as 3.5 mm ± 1.5 mm and is flagged. Paper that bows by half a millimetre along a
    strip moves the scale by 0.5 % from 15 cm and leaves next to no residual (it passes for a bent lens), so
    it counts as an uncertainty of the height, 0.3 mm.
    """
    height_px, width_px = photo.bgr.shape[:2]
    if min(height_px, width_px) < SMALLEST_PX:
        raise PhotoError(
            f"{photo.name} has {width_px} × {height_px} pixels; {SMALLEST_PX} along its shorter side are the "
            "least in which a scratch can be told from texture.",
            advice="Send the phone's original file, uncut.",
        )
    try:
        view = find_mat(photo, paper=paper, close_up=True)
    except NoMatError:
        return _as_it_is(photo)
    if scale is None and (bar_x_mm is not None or bar_y_mm is not None):
        scale = print_scale(view.spec.paper, bar_x_mm, bar_y_mm)
    elif scale is None:
        scale = load_print_scale(view.spec.paper)
    camera = solve_camera(view, photo, scale=(scale.x, scale.y), scale_std=scale.std, close_up=True)
    height, height_std = _height(thickness_mm, height_mm)
    may_be = ~(printed_part(photo, view, camera) | leftout.background(photo.bgr))
    if may_be.mean() < _LEAST_SHARE:
        raise MatError(
            f"{photo.name} shows little but print: {may_be.mean():.1%} of it may be steel.",
            advice="Photograph the blade with the strip beside it.",
        )
    box = _box(may_be)
    plane = _plane(camera, box, height, photo)
    stored = picture_of(photo, camera, plane)
    # the mask takes the same way as the picture; white is what the photo shows and may be steel
    shown = np.repeat(may_be[:, :, None], 3, axis=2).astype(np.uint8) * np.uint8(255)
    steel = picture_of(replace(photo, bgr=shown), camera, plane)[..., 0] > 127
    told = _scale(camera, box, height, height_std, scale.std)
    flags = dict.fromkeys([*photo.flags, *view.flags, *camera.flags, "close_up"])
    flags |= dict.fromkeys(
        name
        for name, so in (
            ("thickness_unknown", thickness_mm is None and height_mm is None),
            ("print_scale_unmeasured", not scale.measured),
        )
        if so
    )
    relative = max(one.std / one.mm_per_px for one in told)
    return _result(
        stored, steel, flags=tuple(flags), frame="strip" if view.spec.paper == STRIP else "mat", plane=plane,
        camera=camera, view=view, mm_per_px=plane.step_mm, mm_per_px_std=relative * plane.step_mm,
    )  # fmt: skip


def _as_it_is(photo: Photo) -> Closeup:
    steel = ~leftout.background(photo.bgr)
    return _result(photo.bgr, steel, flags=(*photo.flags, "no_scale"), frame="picture")


def _result(
    stored: NDArray[np.uint8],
    steel: Mask,
    *,
    flags: tuple[str, ...],
    frame: Frame,
    plane: Plane | None = None,
    camera: Camera | None = None,
    view: MatView | None = None,
    mm_per_px: float | None = None,
    mm_per_px_std: float | None = None,
) -> Closeup:
    import cv2

    # by channel: all three at once would take four times the memory
    picture = np.zeros(stored.shape[:2], dtype=np.float32)
    for channel in range(3):
        picture += cv2.LUT(np.ascontiguousarray(stored[..., channel]), linear_light())
    picture /= np.float32(3.0)
    for array in (stored, picture, steel):
        array.setflags(write=False)
    return Closeup(
        stored=stored, picture=picture, steel=steel, mm_per_px=mm_per_px, mm_per_px_std=mm_per_px_std,
        frame=frame, plane=plane, camera=camera, view=view, flags=flags,
    )  # fmt: skip


def _height(thickness_mm: float | None, height_mm: float | None) -> tuple[float, float]:
    """Return the height of the face over the paper and its standard uncertainty."""
    told = height_mm if height_mm is not None else thickness_mm
    if told is None:
        return UNKNOWN_HEIGHT_MM, float(np.hypot(UNKNOWN_HEIGHT_STD_MM, PAPER_STD_MM))
    return told, float(np.hypot(THICKNESS_STD_MM, PAPER_STD_MM))


def _box(mask: Mask) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of the pixels of a mask."""
    columns, rows = np.flatnonzero(mask.any(axis=0)), np.flatnonzero(mask.any(axis=1))
    return float(columns[0]), float(rows[0]), float(columns[-1]), float(rows[-1])


def _plane(camera: Camera, box: tuple[float, float, float, float], height_mm: float, photo: Photo) -> Plane:
    """Lay a grid over a rectangle of the photo, turned as the photo and as fine as it is in the middle."""
    left, top, right, bottom = box
    middle = np.array([(left + right) / 2, (top + bottom) / 2])
    here, beside = camera.mm_from_px(middle + np.array([[0.0, 0.0], [1.0, 0.0]]), height_mm)
    axes = turn(float(np.arctan2(*(beside - here)[::-1])))
    x, y = np.linspace(left, right, 9), np.linspace(top, bottom, 9)
    rim = np.concatenate([
        np.column_stack([x, np.full(9, top)]), np.column_stack([x, np.full(9, bottom)]),
        np.column_stack([np.full(9, left), y]), np.column_stack([np.full(9, right), y]),
    ])  # fmt: skip
    grid = camera.mm_from_px(rim, height_mm) @ axes
    low, high = grid.min(axis=0), grid.max(axis=0)
    most = _TALLEST * photo.bgr.shape[0] * photo.bgr.shape[1]
    step = max(scale_at(camera, middle, height_mm).mm_per_px, float(np.sqrt(np.prod(high - low) / most)))
    return plane_over(
        origin_mm=np.zeros(2), axes=axes, x_mm=(low[0], high[0]), y_mm=(low[1], high[1]), step_mm=step,
        height_mm=height_mm,
    )  # fmt: skip


def _scale(
    camera: Camera, box: tuple[float, float, float, float], height: float, height_std: float, print_std: float
) -> list[PixelScale]:
    """Scales in the middle of a rectangle of the photo and half-way to its corners."""
    left, top, right, bottom = box
    places = [(0.5, 0.5), (0.25, 0.25), (0.75, 0.25), (0.25, 0.75), (0.75, 0.75)]
    return [
        scale_at(
            camera, (left + s * (right - left), top + t * (bottom - top)), height,
            height_std_mm=height_std, print_std=print_std,
        )
        for s, t in places
    ]  # fmt: skip
