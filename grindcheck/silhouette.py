"""Where the blade lies on the field, to a quarter of a millimetre: mask, tip end, edge side, which face."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from grindcheck.camera import Camera
from grindcheck.errors import BladeError
from grindcheck.geometry import Array, frozen
from grindcheck.mat.spec import MatSpec
from grindcheck.photo import Photo
from grindcheck.rectify import Face, plane_over, rectify

Side = Literal["left", "right"]

_STEP_MM = 0.25
_RIM_MM = 0.75  # kept clear of the frame's own squares
_SHORTEST_MM = 40.0
_SPECK_MM2 = 40.0  # noise and dirt of an empty field
_BAND = 32  # rows of the field, 0.1 MB of each quantity, that are compared with it at once
_THIN = 4  # of the field's pixels, each way, that its colour is fitted to: one a millimetre


@dataclass(frozen=True, slots=True, kw_only=True)
class Silhouette:
    """The blade as a rough shape.

    Parameters
    ----------
    face : Face
        The field in the plane of the flat, mat frame.
    mask : ndarray of bool, shape (rows, columns)
        Blade and handle, holes filled.
    tip_mm : ndarray, shape (2,)
        Rough tip, mat frame.
    along, up : ndarray, shape (2,)
        Unit vectors in the mat frame: heel to tip, edge to spine.
    length_mm, width_mm : float
        Visible length from the tip, and the largest width within 60 % of it.
    edge_odds : float
        Log odds, from the shape alone, that the edge lies opposite ``up``; near 0 when it doesn't tell.
    tinted : bool
        Whether the field's hue was used; a grey print leaves only brightness.
    """

    face: Face
    mask: NDArray[np.bool_]
    tip_mm: Array
    along: Array
    up: Array
    length_mm: float
    width_mm: float
    edge_odds: float
    tinted: bool

    @property
    def side(self) -> Side:
        """Which face: handle towards you, edge down, the left face is seen with the tip to the left."""
        cross = self.along[0] * self.up[1] - self.along[1] * self.up[0]
        return "right" if cross > 0 else "left"

    def turned_over(self) -> "Silhouette":
        """Return the same shape with edge and spine exchanged."""
        return Silhouette(
            face=self.face,
            mask=self.mask,
            tip_mm=self.tip_mm,
            along=self.along,
            up=frozen(-self.up),
            length_mm=self.length_mm,
            width_mm=self.width_mm,
            edge_odds=-self.edge_odds,
            tinted=self.tinted,
        )


def find_blade(photo: Photo, camera: Camera, spec: MatSpec, *, height_mm: float) -> Silhouette:
    """Find the blade on the field.

    Parameters
    ----------
    photo : Photo
    camera : Camera
    spec : MatSpec
        The mat seen.
    height_mm : float
        Height of the upper flat above the paper.

    Returns
    -------
    Silhouette

    Raises
    ------
    BladeError
        If there is nothing on the field, no elongated shape, or the blade runs off the field at both ends.
    """
    # as large as it was printed, in whole steps; what the axes differ by is far below the rim left out
    printed = math.sqrt(math.prod(camera.scale))
    half = np.round((np.array(spec.field_mm) / 2 * printed - _RIM_MM) / _STEP_MM) * _STEP_MM
    eye = camera.centre_mm
    # what hides the field's border at this height: the frame beyond must not be taken for steel
    low, high = (eye[:2] + (sign * half - eye[:2]) * (1 - height_mm / eye[2]) for sign in (-1, 1))
    plane = plane_over(
        origin_mm=np.zeros(2), axes=np.eye(2), x_mm=(low[0], high[0]), y_mm=(low[1], high[1]),
        step_mm=_STEP_MM, height_mm=height_mm,
    )  # fmt: skip
    face = rectify(photo, camera, plane)
    mask, tinted = _blade_mask(face)
    return _orient(face, mask, tinted=tinted)


def _blade_mask(face: Face) -> tuple[NDArray[np.bool_], bool]:
    import cv2

    smooth = np.asarray(cv2.GaussianBlur(face.linear, (0, 0), 1.0), dtype=np.float32)
    usable = face.inside
    distance, tinted = _unlikeness(smooth, usable)
    level = _otsu(distance[usable])
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7))
    unlike = ((distance > level) & usable).astype(np.uint8)
    opened = cv2.morphologyEx(unlike, cv2.MORPH_OPEN, disc[1:-1, 1:-1])
    closed = cv2.morphologyEx(opened, cv2.MORPH_CLOSE, disc)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(closed, connectivity=4)
    areas = stats[1:, cv2.CC_STAT_AREA] * face.plane.step_mm**2
    if areas.max(initial=0.0) < _SPECK_MM2:
        raise BladeError(
            "No blade is seen on the mat's field.",
            advice="Lay the blade on the tinted field, with its tip on the field, and photograph again.",
        )
    biggest = 1 + int(np.argmax(areas))
    blob = (labels == biggest).astype(np.uint8)
    contours, _ = cv2.findContours(blob, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros_like(blob)
    cv2.drawContours(filled, contours, -1, 1, thickness=cv2.FILLED)
    share = float(filled.mean())
    if share > 0.75:
        raise BladeError(
            f"{share:.0%} of the field differs from its tint; the blade can't be told from the mat.",
            advice="Use soft, even light without hard shadows, or a larger mat, and photograph again.",
        )
    return filled.astype(bool), tinted


def _unlikeness(linear: NDArray[np.float32], usable: NDArray[np.bool_]) -> tuple[NDArray[np.float32], bool]:
    """How unlike the field each pixel is: angle of its colour, or brightness when the print is grey.

    Hue and brightness of the field are smooth surfaces, fitted to every few pixels and evaluated at all.
    """
    rows, columns = usable.shape
    band = max(8, min(rows, columns) // 20)
    ring = usable.copy()
    ring[band:-band, band:-band] = False
    thin = (slice(None, None, _THIN), slice(None, None, _THIN))
    y, x = (np.linspace(-1, 1, count) for count in (rows, columns))
    terms = _terms(*np.meshgrid(x[::_THIN], y[::_THIN]))
    colour, log_norm = _colour(linear[thin].reshape(-1, 3).astype(np.float64))
    within, member = usable[thin].ravel(), ring[thin].ravel()
    field_colour = np.median(colour[member], axis=0)
    field_colour /= np.linalg.norm(field_colour)
    tinted = float(np.arccos(np.clip(field_colour.sum() / np.sqrt(3), -1, 1))) > np.deg2rad(10)
    angle = np.arccos(np.clip(colour @ field_colour, -1, 1))
    member &= angle < np.median(angle[member]) * 3 + 0.02
    wanted = np.column_stack([colour, log_norm])
    for _ in range(3):
        own = terms[member]
        fit = np.asarray(np.linalg.solve(own.T @ own, own.T @ wanted[member]), dtype=np.float64)
        hue, light = fit[:, :3], fit[:, 3]
        local = terms @ hue
        cosine = np.einsum("nc,nc->n", colour, local) / np.sqrt(np.einsum("nc,nc->n", local, local))
        angle = np.arccos(np.clip(cosine, -1, 1))
        brighter = np.abs(log_norm - terms @ light)
        spread = 1.48 * np.median(angle[member]) + 1e-3
        noise = 1.48 * np.median(brighter[member]) + 0.01
        member = within & ((angle < 4 * spread) & (brighter < 1.0) if tinted else brighter < 4 * noise)
    brightness = _surface(light, y, x)
    field = [_surface(hue[:, c], y, x) for c in range(3)] if tinted else []
    out = np.empty_like(brightness)
    # so few rows at once that all that is made of them stays in the cache
    for first in range(0, rows, _BAND):
        part = slice(first, first + _BAND)
        out[part] = _unlike(linear[part], brightness[part], [surface[part] for surface in field])
    return out, tinted


def _unlike(
    linear: NDArray[np.float32], brightness: NDArray[np.float32], field: list[NDArray[np.float32]]
) -> NDArray[np.float32]:
    """How unlike a field of this log brightness, and of this colour unless it is grey, each pixel is."""
    blue, green, red = (np.ascontiguousarray(linear[..., c]) for c in range(3))
    norm = np.sqrt(blue * blue + green * green + red * red) + np.float32(1e-4)
    above = np.log(norm) - brightness
    if not field:
        return np.asarray(np.minimum(np.abs(above), 1.0), dtype=np.float32)
    norm *= np.sqrt(field[0] * field[0] + field[1] * field[1] + field[2] * field[2])
    cosine = (blue * field[0] + green * field[1] + red * field[2]) / norm
    away = np.arccos(np.clip(cosine, -1, 1))
    # brighter than the lit tint or much darker than its shadow is no field either
    beyond = 0.5 * (np.maximum(above - 0.35, 0) + np.maximum(-1.6 - above, 0))
    return np.asarray(np.minimum(np.sqrt(away * away + beyond * beyond), 1.0), dtype=np.float32)


def _colour(linear: Array) -> tuple[Array, Array]:
    """Direction of each colour, and the logarithm of its length."""
    norm = np.linalg.norm(linear, axis=1) + 1e-4
    return linear / norm[:, None], np.log(norm)


def _terms(x: Array, y: Array) -> Array:
    """Return the terms of a quadratic in x and y, one column each."""
    return np.column_stack([part.ravel() for part in (np.ones_like(x), x, y, x * y, x * x, y * y)])


def _surface(quadratic: Array, y: Array, x: Array) -> NDArray[np.float32]:
    """Evaluate a quadratic, its coefficients in the order of `_terms`, on a whole grid."""
    one, by_x, by_y, by_xy, by_xx, by_yy = quadratic
    by_row = np.column_stack([one + by_y * y + by_yy * y * y, by_x + by_xy * y, np.full(y.size, by_xx)])
    powers = np.stack([np.ones(x.size), x, x * x])
    return by_row.astype(np.float32) @ powers.astype(np.float32)


def _otsu(values: NDArray[np.float32]) -> float:
    """Threshold that separates two classes best (Otsu 1979)."""
    counts, edges = np.histogram(values, bins=256)
    centres = (edges[:-1] + edges[1:]) / 2
    below = np.cumsum(counts)
    above = below[-1] - below
    sums = np.cumsum(counts * centres)
    with np.errstate(invalid="ignore", divide="ignore"):
        between = below * above * (sums / below - (sums[-1] - sums) / above) ** 2
    return float(centres[int(np.nanargmax(between[:-1]))])


def _orient(face: Face, mask: NDArray[np.bool_], *, tinted: bool) -> Silhouette:
    points = face.plane.grid_from_index(np.argwhere(mask)[:, ::-1].astype(np.float64))
    centre = points.mean(axis=0)
    _, spread, directions = np.linalg.svd(
        points[:: max(1, len(points) // 5000)] - centre, full_matrices=False
    )
    along = directions[0]
    position, across = (points - centre) @ along, (points - centre) @ np.array([-along[1], along[0]])
    length = float(np.ptp(position))
    if length < _SHORTEST_MM or spread[0] < 1.7 * spread[1]:
        raise BladeError(
            f"The shape on the field is {length:.0f} mm long and not like a blade.",
            advice="Lay one blade of at least 50 mm on the field, with nothing else, and photograph again.",
        )
    ends = [_end(face, points, centre, sign * along, sign * position, sign * across) for sign in (1.0, -1.0)]
    if ends[0].touches and ends[1].touches:
        raise BladeError(
            "The blade runs off the field at both ends, so its tip isn't seen on the field.",
            advice="Move the tip onto the field (the handle may lie over the frame), or print a larger mat.",
        )
    tip_index = int(ends[1].score > ends[0].score)
    along = along if tip_index == 0 else -along
    up = np.array([-along[1], along[0]])
    tip_end = ends[tip_index]
    x = (points - tip_end.place) @ along
    y = (points - tip_end.place) @ up
    low, high = _rims(x, y, length)
    body = slice(int(0.25 * len(low)), int(0.6 * len(low)))
    width = float(np.nanmax((high - low)[: body.stop]))
    odds = _edge_odds(low, high, length)
    if odds < 0:
        up, odds = -up, -odds
    return Silhouette(
        face=face,
        mask=mask,
        tip_mm=frozen(tip_end.place),
        along=frozen(along),
        up=frozen(up),
        length_mm=length,
        width_mm=width,
        edge_odds=float(odds),
        tinted=tinted,
    )


@dataclass(frozen=True, slots=True)
class _End:
    place: Array
    touches: bool
    score: float


def _end(face: Face, points: Array, centre: Array, outward: Array, position: Array, across: Array) -> _End:
    """One end of the shape: whether it leaves the field, and how much it looks like a tip.

    `position` and `across` tell how far the points lie outward of the centre, and beside it.
    """
    reach = position.max()
    near = np.flatnonzero(position > reach - 40.0)
    points, position, across = points[near], position[near], across[near]
    at_border = from_border(face, points) < 0.6
    touches = bool(at_border.sum() * face.plane.step_mm > 2.0)
    widths = [float(np.ptp(across[position > reach - depth])) for depth in (1.5, 10.0)]
    tapering = 1.0 - widths[0] / max(widths[1], 1e-6)
    place = points[position > reach - 0.6].mean(axis=0)
    place = place + outward * (reach - (place - centre) @ outward)
    return _End(place=place, touches=touches, score=tapering - 10.0 * touches)


def from_border(face: Face, points_mm: Array) -> Array:
    """How far points of the grid frame lie inside the border of a face's picture, mm."""
    index = face.plane.index_from_grid(points_mm)
    last = np.array([face.plane.shape[1] - 1, face.plane.shape[0] - 1])
    inside = np.minimum(index, last - index)
    return np.asarray(np.minimum(inside[:, 0], inside[:, 1]) * face.plane.step_mm)


def _rims(x: Array, y: Array, length: float) -> tuple[Array, Array]:
    """Lower and upper rim per millimetre from the tip; NaN where nothing lies."""
    bins = np.clip((-x).astype(int), 0, int(length))
    low = np.full(int(length) + 1, np.inf)
    high = np.full(int(length) + 1, -np.inf)
    np.minimum.at(low, bins, y)
    np.maximum.at(high, bins, y)
    empty = ~np.isfinite(low)
    low[empty] = high[empty] = np.nan
    return low, high


def _edge_odds(low: Array, high: Array, length: float) -> float:
    """Log odds that the edge is the lower rim, from the shape alone.

    The tip lies nearer to the spine on most patterns, and a heel or choil steps on the edge side; the heel
    is the surer sign, since a straight edge with a dropping spine has its tip at the edge.
    """
    body = slice(int(0.3 * length), max(int(0.5 * length), int(0.3 * length) + 3))
    middle, half = np.nanmedian((low + high)[body]) / 2, np.nanmedian((high - low)[body]) / 2
    belly = float(np.clip(-middle / half, -1, 1))
    tail = slice(int(0.3 * length), int(0.95 * length))
    step_low = np.nanmax(_lifts(low[tail]), initial=0.0)
    step_high = np.nanmax(_lifts(-high[tail]), initial=0.0)
    heel = float(np.clip((step_low - step_high) / half, -1, 1))
    return 2.0 * belly + 5.0 * heel


def _lifts(rim: Array) -> Array:
    """How far a rim moves inward over four millimetres, walking towards the handle."""
    return rim[4:] - rim[:-4] if len(rim) > 4 else np.zeros(1)
