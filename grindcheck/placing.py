"""What is seen of a face, each part put at its own height above the paper.

A viewing ray meets the flat, the edge and a lower rim at different places; measuring all in one plane would
move the edge of a 4 mm blade by millimetres per decimetre from the camera's foot. Flat, shoulder and plunge
lie at the flat's height h; the blade's middle plane at h − t/2; a rim half a local thickness above it.

A wall that faces the camera lies between two corners, and which of them stands out depends on what the wall
mirrors: mostly the mat beside it, whose tint hides it, so that the upper corner is traced; a wall lit by a
lamp is traced at its lower corner. `grindcheck.compare` lets the two outlines decide.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from grindcheck.camera import Camera
from grindcheck.geometry import Array, frozen
from grindcheck.grindlines import GrindLines
from grindcheck.outline import Outline
from grindcheck.silhouette import Side

_STEADY_MM = 0.015  # of a traced point: blend and halo, common to neighbours
_BLEND_MM = 0.01  # of the same, common to a whole rim
_WEDGE_BEND = 0.1  # of the stock thickness half-way up a hollow or convex bevel, common practice, no source
_WEDGE_REACH = 0.05  # of the height at which the wedge reaches the stock's thickness
_RIM_STEP_MM = 0.25
_RIM_SMOOTH_MM = 2.5  # of the edge, for its slope
_WALL_SHARE = 0.5  # of the width of a wall that the camera sees: its rim may be traced anywhere on it


@dataclass(frozen=True, slots=True, kw_only=True)
class Stance:
    """How the blade lies on the mat, all in mm.

    Parameters
    ----------
    thickness_mm : float
        Stock thickness t.
    height_mm : float
        Height h of the upper flat above the paper: t, or t plus one handle scale.
    edge_mm : float
        Edge thickness e before sharpening.
    print_scale : (float, float)
        Printed over nominal length of the mat along x and y, relative to that used in the camera.
    """

    thickness_mm: float
    height_mm: float
    edge_mm: float
    print_scale: tuple[float, float] = (1.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """One face as seen: pixels of its outline and lines, and the frame they are told in.

    Parameters
    ----------
    side : {"left", "right"}
    camera : Camera
    origin_mm : ndarray, shape (2,)
        Of the face frame, in the mat frame.
    axes : ndarray, shape (2, 2)
        Columns are the face frame's x and y in the mat frame.
    outline_px : ndarray, shape (N, 2)
    outline_std_mm : ndarray, shape (N,)
        Of each point along its normal; more where a wall shows, since the traced corner may lie on it.
    point_std_mm : ndarray, shape (N,)
        The same without the wall, and without what a blown highlight moves.
    halo_mm : ndarray, shape (N,)
        What a blown highlight may move a point by; all points beside one alike.
    normals : ndarray, shape (N, 2)
        Outwards, in the face frame.
    is_edge : ndarray of bool, shape (N,)
    fullness : ndarray, shape (N,)
        Local thickness at the rim: 0 the edge's, 1 the stock's.
    shows_wall : ndarray of bool, shape (N,)
        The rim's side wall faces the camera.
    lower_rim : bool
        Where a wall faces the camera its lower corner was traced, rather than the upper one.
    plunge_px, shoulder_px : ndarray, shape (K, 2)
        Empty where there is none.
    lines : GrindLines
    """

    side: Side
    camera: Camera
    origin_mm: Array
    axes: Array
    outline_px: Array
    outline_std_mm: Array
    point_std_mm: Array
    halo_mm: Array
    normals: Array
    is_edge: NDArray[np.bool_]
    fullness: Array
    shows_wall: NDArray[np.bool_]
    plunge_px: Array
    shoulder_px: Array
    lines: GrindLines
    lower_rim: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """One face in mm, face frame, every part at its own height.

    Parameters
    ----------
    outline_mm : ndarray, shape (N, 2)
        Order and roles as in `Sighting`.
    plunge_mm, shoulder_mm : ndarray, shape (K, 2)
    """

    outline_mm: Array
    plunge_mm: Array
    shoulder_mm: Array


def sight(outline: Outline, lines: GrindLines, camera: Camera, stance: Stance) -> Sighting:
    """Turn the traced outline and lines of a face back into what the photo shows.

    Parameters
    ----------
    outline : Outline
    lines : GrindLines
    camera : Camera
    stance : Stance
        For the local thickness at the rims.

    Returns
    -------
    Sighting
    """
    plane = outline.face.plane
    mat = plane.mat_from_grid(outline.points_mm)
    normal = outline.normals @ plane.axes.T
    aside = np.einsum("nc,nc->n", normal, camera.centre_mm[:2] - mat)
    shows_wall = aside > 0
    fullness = _fullness(outline, lines)
    deep = stance.edge_mm + fullness * (stance.thickness_mm - stance.edge_mm)
    wall = np.where(shows_wall, deep * aside / (camera.centre_mm[2] - plane.height_mm), 0.0)
    point_std = np.hypot(_STEADY_MM, outline.std_mm)

    def px(points_mm: Array) -> Array:
        if not len(points_mm):
            return frozen(np.empty((0, 2)))
        at = plane.mat_from_grid(points_mm)
        return frozen(camera.px_from_mm(np.column_stack([at, np.full(len(at), plane.height_mm)])))

    return Sighting(
        side=outline.side,
        camera=camera,
        origin_mm=plane.origin_mm,
        axes=plane.axes,
        outline_px=px(outline.points_mm),
        outline_std_mm=frozen(point_std + outline.halo_mm + _WALL_SHARE * wall),
        point_std_mm=frozen(point_std),
        halo_mm=outline.halo_mm,
        normals=outline.normals,
        is_edge=outline.is_edge,
        fullness=frozen(fullness),
        shows_wall=shows_wall,
        plunge_px=px(lines.plunge.points_mm if lines.plunge else np.empty((0, 2))),
        shoulder_px=px(lines.shoulder.points_mm if lines.shoulder else np.empty((0, 2))),
        lines=lines,
    )


def place(sighting: Sighting, stance: Stance, *, camera: Camera | None = None) -> Shape:
    """Intersect all that is seen with the planes it lies in.

    Parameters
    ----------
    sighting : Sighting
    stance : Stance
    camera : Camera, optional
        Another lens and pose than the photo's own, to see what an error of it does.

    Returns
    -------
    Shape
    """
    camera = camera or sighting.camera
    middle = stance.height_mm - stance.thickness_mm / 2
    half = stance.edge_mm / 2 + sighting.fullness * (stance.thickness_mm - stance.edge_mm) / 2
    rim = middle + np.where(sighting.shows_wall & sighting.lower_rim, -half, half)
    parts = [sighting.outline_px, sighting.plunge_px, sighting.shoulder_px]
    heights = [rim, *(np.full(len(part), stance.height_mm) for part in parts[1:])]
    mat = camera.mm_from_px(np.vstack(parts), np.concatenate(heights)) * np.asarray(stance.print_scale)
    face = (mat - sighting.origin_mm) @ np.linalg.inv(sighting.axes).T
    ends = np.cumsum([len(part) for part in parts])
    return Shape(
        outline_mm=frozen(face[: ends[0]]),
        plunge_mm=frozen(face[ends[0] : ends[1]]),
        shoulder_mm=frozen(face[ends[1] :]),
    )


def common_errors(sighting: Sighting, shape: Shape, stance: Stance) -> tuple[Array, Array]:
    """Return how far one standard uncertainty of what its points have in common moves an outline.

    Parameters
    ----------
    sighting : Sighting
    shape : Shape
        What `place` makes of it.
    stance : Stance

    Returns
    -------
    ndarray, shape (5, N, 2)
        Of this photo alone, mm in the face frame: where on its wall the edge was traced, and the spine; what
        the blend moves either rim by; what blown highlights move what lies beside them by.
    ndarray, shape (2, N, 2)
        Of the blade, and therefore of both photos alike: how far its wedge is hollow or convex, and how far
        up it reaches its full thickness.
    """
    outline = shape.outline_mm
    rims = np.stack([sighting.is_edge, ~sighting.is_edge])[:, :, None]
    other = place(replace(sighting, lower_rim=not sighting.lower_rim), stance).outline_mm
    fullness = sighting.fullness

    def with_fullness(changed: Array) -> Array:
        held = np.clip(changed, 0.0, 1.0)
        return place(replace(sighting, fullness=held), stance).outline_mm - outline

    bent = with_fullness(fullness + _WEDGE_BEND * 4 * fullness * (1 - fullness))
    reach = with_fullness(np.where(fullness < 1, fullness * (1 + _WEDGE_REACH), 1.0))
    halo = sighting.halo_mm[:, None] * sighting.normals
    own = [*(_WALL_SHARE * (other - outline) * rims), *(_BLEND_MM * sighting.normals * rims), halo]
    return np.stack(own), np.stack([bent, reach])


def thinned(sighting: Sighting, keep: NDArray[np.bool_]) -> Sighting:
    """Return the sighting with a part of its outline, for the registration."""
    return replace(
        sighting,
        outline_px=frozen(sighting.outline_px[keep]),
        outline_std_mm=frozen(sighting.outline_std_mm[keep]),
        point_std_mm=frozen(sighting.point_std_mm[keep]),
        halo_mm=frozen(sighting.halo_mm[keep]),
        normals=frozen(sighting.normals[keep]),
        is_edge=sighting.is_edge[keep],
        fullness=frozen(sighting.fullness[keep]),
        shows_wall=sighting.shows_wall[keep],
    )


def _fullness(outline: Outline, lines: GrindLines) -> Array:
    """Share of the stock thickness at each rim point: 1 behind the plunge, by the wedge before it.

    The wedge rises with the distance from the edge, square to it, to full thickness at the shoulder; on a
    full flat grind at the spine beside the plunge. Hollow and convex bevels are taken as straight here: what
    that moves a rim by is left to the registration.
    """
    x, y = outline.points_mm.T
    above = np.nan_to_num(_from_edge(outline, outline.points_mm), nan=0.0)
    above[outline.is_edge] = 0.0
    if lines.shoulder is not None:
        reach = float(np.nanmedian(_from_edge(outline, lines.shoulder.points_mm)))
    elif lines.plunge is not None and not lines.full_flat and lines.plunge.top_mm > 0:
        reach = lines.plunge.top_mm  # the shoulder isn't seen, but the plunge ends at it
    else:
        start = lines.plunge.points_mm[:, 0].mean() if lines.plunge else np.quantile(x, 0.3)
        body = np.linspace(start + 2.0, start + 12.0, 11)
        reach = float(np.nanmedian(outline.rim_mm(body, edge=False) - outline.rim_mm(body, edge=True)))
    reach = reach if np.isfinite(reach) else float(np.ptp(y))
    fullness = np.clip(above / max(reach, 1.0), 0.0, 1.0)
    if lines.plunge is not None:
        at, slope = lines.plunge.straight()
        fullness[x < at + slope * y] = 1.0
    return np.asarray(fullness)


def _from_edge(outline: Outline, points_mm: Array) -> Array:
    """Distances of points from the edge below them, square to the edge there; NaN beyond its ends."""
    edge = outline.points_mm[outline.is_edge]
    x = np.arange(edge[:, 0].min(), edge[:, 0].max(), _RIM_STEP_MM)
    if len(x) < 2:
        return np.full(len(points_mm), np.nan)
    y = uniform_filter1d(outline.rim_mm(x, edge=True), int(_RIM_SMOOTH_MM / _RIM_STEP_MM), mode="nearest")
    steep = np.interp(points_mm[:, 0], x, np.gradient(y, x))
    above = points_mm[:, 1] - outline.rim_mm(points_mm[:, 0], edge=True)
    return np.asarray(above / np.hypot(1.0, steep))
