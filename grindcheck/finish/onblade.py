"""Where on a blade a pixel of its face's picture lies: flat and bevel each at its own height."""

from dataclasses import dataclass

import numpy as np

from grindcheck.camera import Camera
from grindcheck.geometry import Array, Rigid, frozen, turn
from grindcheck.grindlines import GrindLines
from grindcheck.outline import Outline, straight_part
from grindcheck.placing import Stance, place, sight
from grindcheck.plunge import Line
from grindcheck.rectify import Face
from grindcheck.strip import Strip

_TIP_STD_MM = (0.08, 0.04)  # along, as for a pair, and across
_HEIGHT_STD_MM = 0.1  # as for a pair: the blade isn't quite flat on the paper, the wedge isn't quite straight


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """How pixels of a face's picture become millimetres of the blade.

    Parameters
    ----------
    face : Face
    camera : Camera
    stance : Stance
    blade_from_face : Rigid
        Tip at the origin, x along the straight part of the spine towards the tip.
    x_mm, edge_mm, reach_mm : ndarray, shape (N,)
        Along the face, the edge's y at its own height, and how high above it the flat's height is reached.
    plunge : (float, float) or None
        x at y = 0 and dx/dy; behind it the stock has its full thickness.
    scale_std : float
        Relative standard uncertainty of the mat's print.
    """

    face: Face
    camera: Camera
    stance: Stance
    blade_from_face: Rigid
    x_mm: Array
    edge_mm: Array
    reach_mm: Array
    plunge: tuple[float, float] | None
    scale_std: float


def frame_of(
    outline: Outline, camera: Camera, stance: Stance, lines: GrindLines, strip: Strip, scale_std: float
) -> Frame:
    """Make the frame of a face.

    Parameters
    ----------
    outline : Outline
    camera : Camera
    stance : Stance
    lines : GrindLines
        Without a shoulder, the plunge's own height or the whole blade tells where the wedge ends.
    strip : Strip
        Of the same face.
    scale_std : float
        Relative, of the mat's print.

    Returns
    -------
    Frame
    """
    face = outline.face
    x_mm = face.plane.x_min_mm + np.arange(face.plane.shape[1], dtype=np.float64) * face.plane.step_mm
    sighting = sight(outline, lines, camera, stance)
    shape = place(sighting, stance)
    spine = np.zeros(len(shape.outline_mm), dtype=np.bool_)
    on_spine = ~outline.is_edge
    spine[on_spine] = straight_part(shape.outline_mm[on_spine], within_mm=0.06)
    angle = 0.0
    if spine.sum() > 20:
        x, y = shape.outline_mm[spine].T
        angle = float(np.arctan(np.polyfit(x - x.mean(), y, 1)[0]))
    rim = shape.outline_mm[outline.is_edge]
    order = np.argsort(rim[:, 0])
    # the edge as traced, but carried on behind the heel as the strip does
    edge = np.interp(x_mm, rim[order, 0], rim[order, 1])
    carried, level = x_mm < strip.heel_mm, np.interp(x_mm, strip.x_mm, strip.edge_mm)
    if carried.any() and not carried.all():
        edge[carried] = level[carried] + (edge[~carried][0] - level[~carried][0])
    if lines.shoulder is not None:
        reach = shoulder_y(lines.shoulder, x_mm) - edge
    elif lines.plunge is not None and not lines.full_flat and lines.plunge.top_mm > 0:
        reach = np.full_like(x_mm, lines.plunge.top_mm)
    else:
        reach = np.interp(x_mm, strip.x_mm, strip.width_mm)
        reach = np.full_like(reach, np.median(reach))
    plane = face.plane
    middle = stance.height_mm - stance.thickness_mm / 2
    at = plane.mat_from_grid(outline.tip_mm[None])
    px = camera.px_from_mm(np.column_stack([at, [[plane.height_mm]]]))
    tip = plane.grid_from_mat(camera.mm_from_px(px, np.array([middle + stance.edge_mm / 2])))[0]
    back = turn(-angle)
    return Frame(
        face=face, camera=camera, stance=stance,
        blade_from_face=Rigid(angle_rad=-angle, shift=-(back @ tip)),
        x_mm=frozen(x_mm), edge_mm=frozen(edge), reach_mm=frozen(np.maximum(reach, 1.0)),
        plunge=None if lines.plunge is None else lines.plunge.straight(), scale_std=scale_std,
    )  # fmt: skip


def blade_mm(frame: Frame, points_px: Array) -> Array:
    """Put points of the picture onto the blade.

    Parameters
    ----------
    frame : Frame
    points_px : ndarray, shape (N, 2)
        Column and row of the searched picture.

    Returns
    -------
    ndarray, shape (N, 2)
        Millimetres in the blade frame: tip at the origin, x ≤ 0, y from edge to spine.

    Notes
    -----
    The line of sight is intersected with the surface: the flat at its height, the bevel as a wedge from the
    edge, half the edge's thickness over the blade's middle, up to the shoulder. Hollow and convex bevels are
    taken as straight, which moves a point by less than a tenth of the slope of sight times a millimetre.
    """
    return frame.blade_from_face(_on_surface(frame, points_px))


def blade_std(frame: Frame, points_px: Array) -> Array:
    """Return the standard uncertainty of what `blade_mm` says, shape (N, 2).

    Parameters
    ----------
    frame : Frame
    points_px : ndarray, shape (N, 2)

    Notes
    -----
    The tip, where two rims are carried on to meet; the flat's height and the mat's print, which scale the
    distance from the tip; the surface's own height, which shifts by the slope of sight; half a pixel.
    """
    plane = frame.face.plane
    mat = plane.mat_from_grid(plane.grid_from_index(points_px))
    tip = plane.mat_from_grid(frame.blade_from_face.inverse()(np.zeros((1, 2))))
    depth = frame.camera.centre_mm[2] - plane.height_mm
    raised = np.hypot(_HEIGHT_STD_MM / depth, frame.scale_std) * np.abs((mat - tip) @ plane.axes)
    sloped = _HEIGHT_STD_MM * np.abs((mat - frame.camera.centre_mm[:2]) @ plane.axes) / depth
    square = raised**2 + sloped**2 + (0.5 * plane.step_mm) ** 2 + np.square(_TIP_STD_MM)
    return np.asarray(np.sqrt(square), dtype=np.float64)


def tip_and_edge(frame: Frame, points_px: Array) -> Array:
    """Return for each point its distance from the tip along the blade and its height over the edge there.

    Parameters
    ----------
    frame : Frame
    points_px : ndarray, shape (N, 2)

    Returns
    -------
    ndarray, shape (N, 2)
    """
    face = _on_surface(frame, points_px)
    blade = frame.blade_from_face(face)
    edge = np.interp(face[:, 0], frame.x_mm, frame.edge_mm)
    return np.column_stack([-blade[:, 0], face[:, 1] - edge])


def direction_on_blade(frame: Frame, angle_rad: float, at_px: Array) -> float:
    """Turn a direction in the picture to one on the blade.

    Parameters
    ----------
    frame : Frame
    angle_rad : float
        To the picture's +x, positive upwards.
    at_px : ndarray, shape (2,)
        Where: a bevel's slope and the sight change it a little.

    Returns
    -------
    float
        To the blade's axis, −π/2 < angle ≤ π/2, as seen along the flat's normal.
    """
    half = 0.5 / frame.face.plane.step_mm * np.array([np.cos(angle_rad), -np.sin(angle_rad)])
    ends = blade_mm(frame, np.stack([at_px - half, at_px + half]))
    along = ends[1] - ends[0]
    turned = float(np.arctan2(along[1], along[0]))
    return float(np.pi / 2 - (np.pi / 2 - turned) % np.pi)


def shoulder_y(line: Line, x_mm: Array) -> Array:
    """Return y of the shoulder at each x, carried on level towards the heel and straight towards the tip."""
    order = np.argsort(line.points_mm[:, 0])
    x, y = line.points_mm[order].T
    own = np.asarray(np.interp(x_mm, x, y), dtype=np.float64)
    last = x > x[-1] - 5.0
    if last.sum() < 4 or np.ptp(x[last]) < 1.0:
        return own
    slope = float(np.polyfit(x[last] - x[-1], y[last], 1)[0])
    return np.asarray(np.where(x_mm > x[-1], y[-1] + slope * (x_mm - x[-1]), own), dtype=np.float64)


def _on_surface(frame: Frame, points_px: Array) -> Array:
    """Points of the picture where the line of sight meets the surface, face frame."""
    plane, stance = frame.face.plane, frame.stance
    flat = plane.grid_from_index(np.asarray(points_px, dtype=np.float64).reshape(-1, 2))
    px = frame.camera.px_from_mm(
        np.column_stack([plane.mat_from_grid(flat), np.full(len(flat), plane.height_mm)])
    )
    middle = stance.height_mm - stance.thickness_mm / 2
    found = flat
    for _ in range(3):  # each brings the height to a hundredth of what it was wrong by
        above = found[:, 1] - np.interp(found[:, 0], frame.x_mm, frame.edge_mm)
        full = np.clip(above / np.interp(found[:, 0], frame.x_mm, frame.reach_mm), 0.0, 1.0)
        if frame.plunge is not None:
            full[found[:, 0] < frame.plunge[0] + frame.plunge[1] * found[:, 1]] = 1.0
        height = middle + stance.edge_mm / 2 + full * (stance.thickness_mm - stance.edge_mm) / 2
        found = plane.grid_from_mat(frame.camera.mm_from_px(px, height))
    return np.asarray(found)
