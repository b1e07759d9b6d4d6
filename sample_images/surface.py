"""The surface of a blade as grids of points, ready for a path tracer."""

import itertools
import math
from dataclasses import dataclass

import numpy as np
from blade import Blade, Face, lines, shoulder_end, shoulder_point
from numpy.typing import NDArray
from rim import lower_border, outline, ricasso_columns, ricasso_end

Array = NDArray[np.float64]

_WALL_MM = 1e-3  # how far a wall leans where the plunge is deeper than the belt edge's radius


def _refined(points: Array, step_mm: float) -> Array:
    """Put points into the long pieces of a polyline."""
    out = []
    for a, b in itertools.pairwise(points):
        n = max(1, int(np.hypot(*(b - a)) / step_mm))
        out.append(a + (b - a) * np.arange(n)[:, None] / n)
    return np.vstack([*out, points[-1:]])


@dataclass(frozen=True, kw_only=True)
class Patch:
    """A grid of surface points with its own normals, so that creases between patches stay sharp.

    Parameters
    ----------
    part : str
        ``flat``, ``bevel``, ``plunge``, ``swage``, ``tang``, ``wall``, ``scale`` or ``pin``.
    points_mm : ndarray, shape (rows, columns, 3)
        x, y and height over the mid plane.
    """

    part: str
    points_mm: Array


def patches(blade: Blade, side: str, *, step_mm: float = 0.15) -> list[Patch]:
    """Return the surface of the face ``side`` as patches whose borders lie on its creases."""
    face = blade.face(side)
    rows = np.sin(np.linspace(0, np.pi / 2, 140))  # dense towards the shoulder, where the fillet narrows
    start, y_start, crease, width = _plunge_rows(blade, face, rows)
    columns = np.linspace(0, 1, int(-start[0] / step_mm))
    x = start[:, None] * (1 - columns)
    y = blade.edge(x) + rows[:, None] * (blade.top(face, x) - blade.edge(x))
    bevel = np.stack([x, y, np.minimum(blade.floor(face, x, y), blade.thickness_mm / 2)], axis=-1)
    found = [Patch(part="bevel", points_mm=bevel)]
    if blade.plunge:
        found.append(Patch(part="plunge", points_mm=_plunge(blade, face, y_start, crease, width)))
    if blade.swage is not None:
        found.append(Patch(part="swage", points_mm=_swage(blade, face)))
    found += [Patch(part="flat", points_mm=points) for points in _flats(blade, face)]
    return [*found, Patch(part="tang", points_mm=_tang(blade, face))]


def _plunge(blade: Blade, face: Face, y_start: Array, crease: Array, width: Array) -> Array:
    """Return the fillet that the belt's edge left, from the crease to the bevel."""
    turn = np.linspace(1, 0, 26)
    lean = math.cos(math.radians(face.angle_deg))
    radius = face.radius_mm
    begin = np.arcsin(np.clip(width * lean / radius, 0, 1))
    past = width[:, None] - radius / lean * np.sin(begin[:, None] * turn)
    past = np.column_stack([np.zeros(len(width)), np.maximum(past, np.minimum(_WALL_MM, width[:, None]))])
    fx, fy = crease[:, None] + past, np.repeat(y_start[:, None], past.shape[1], axis=1)
    fz = blade.half(face, fx, fy)
    fz[:, 0] = blade.thickness_mm / 2
    return np.stack([fx, fy, fz], axis=-1)


def _plunge_rows(blade: Blade, face: Face, rows: Array) -> tuple[Array, Array, Array, Array]:
    """Solve for each row where the fillet meets the bevel: x, y, crease x, fillet width."""
    x_top, y_top = shoulder_point(blade, face)
    y = rows * y_top
    if not blade.plunge:
        return np.full_like(y, x_top), y, y, y
    width = blade.fillet_width(face, y)
    crease = blade.crease(face, y)
    for _ in range(12):  # the rows follow the shoulder's own waviness
        x = crease + width
        y = blade.edge(x) + rows * (blade.top(face, x) - blade.edge(x))
        crease, width = blade.crease(face, y), blade.fillet_width(face, y)
    return crease + width, y, crease, width


def _flats(blade: Blade, face: Face) -> list[Array]:
    flat = blade.thickness_mm / 2
    rows = np.linspace(0, 1, 60)[:, None]
    x_top, y_top = shoulder_point(blade, face)
    out = _ricasso(blade, face, y_top, rows) if blade.plunge else []
    if blade.grind != "full_flat":
        last = shoulder_end(blade, face)
        columns = np.linspace(0, 1, int((last - x_top) / 0.15))[None, :]
        above = y_top + rows * (blade.width_mm - y_top)
        left = blade.crease(face, above) if blade.plunge else np.full_like(above, x_top)
        x = left + (last - left) * columns
        low = blade.top(face, x)
        out.append((x, low + rows * (blade.flat_top(x) - low)))
    return [np.stack([x, y, np.full(x.shape, flat)], axis=-1) for x, y in out]


def _swage(blade: Blade, face: Face) -> Array:
    """Return the swage from its lower line, or the ridge against the bevel, up to the spine."""
    low = lines(blade, face, points=600)["swage"]
    x = low[None, :, 0] + np.zeros((24, 1))
    y = low[None, :, 1] + np.linspace(0, 1, 24)[:, None] * (blade.spine(x) - low[None, :, 1])
    return np.stack([x, y, blade.ceiling(x, y)], axis=-1)


def _ricasso(blade: Blade, face: Face, y_top: float, rows: Array) -> list[tuple[Array, Array]]:
    """Return the ricasso as two grids: a straight one, and one that ends on the crease."""
    x = ricasso_columns(blade)[None, :] + 0 * rows
    low = lower_border(blade, x)
    out = [(x, low + rows * (blade.width_mm - low))]
    share = np.concatenate([np.linspace(0, y_top, 60), np.linspace(y_top, blade.width_mm, 12)[1:]])
    share = share if blade.grind != "full_flat" else share[:60]
    y = share[:, None]
    begin, end = ricasso_end(blade), blade.crease(face, y)
    columns = np.linspace(0, 1, 16)[None, :]
    out.append((begin + (end - begin) * columns, y + 0 * columns))
    return out


def _tang(blade: Blade, face: Face) -> Array:
    x, y = np.meshgrid(
        np.linspace(-blade.heel_mm - blade.tang_mm, -blade.heel_mm, 60),
        np.linspace(blade.tang_low_mm, blade.tang_high_mm, 20),
    )
    heel = blade.half(face, -blade.heel_mm, y)  # the tang begins as thick as where a bevel runs out there
    z = np.minimum(heel, blade.ceiling(x, y))
    return np.stack([x, y, z], axis=-1)


def walls(blade: Blade, side: str, other: str) -> Array:
    """Return the wall round the outline, shape (2, N, 3): upper rim of ``side``, lower rim of ``other``."""
    around = _refined(outline(blade), 0.1)
    x, y = around.T
    top = blade.half(blade.face(side), x, y)
    low = -blade.half(blade.face(other), x, y)
    return np.stack([np.column_stack([x, y, top]), np.column_stack([x, y, low])])
