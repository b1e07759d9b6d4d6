"""The blade's outline to a fraction of a pixel, in the face's own frame.

Frame ``face``: mm in the plane of the flat, origin at the rough tip, x from heel to tip, y from edge to
spine. The left face is thereby seen mirrored, so that both faces look alike: tip right, edge down.
"""

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from grindcheck.camera import Camera
from grindcheck.edgefit import fit_steps
from grindcheck.errors import BladeError
from grindcheck.geometry import Array, frozen, turn, way_lengths
from grindcheck.lay import Lay, lay_of
from grindcheck.mat.finding import MatView
from grindcheck.photo import Photo
from grindcheck.rectify import Face, Plane, local_step_mm, plane_over, rectify
from grindcheck.silhouette import Side, Silhouette, from_border

_SPACING_MM = 0.3
_AROUND_MM = 3.0
_FEWEST = 30  # places of a rim that must stand out
_CUT_MM = 0.9  # from the picture's border; no whole step of the rough grid, so that no last bit decides
_BLADE_SHARE = 0.55  # of what lies on the field, from the tip on; behind come tang, handle and hand
_BESIDE_RAD = 0.05  # between blade and whole, from which on they aren't one straight spine
_BLUNT_MM = 0.5  # before the tip where the two rims blur into each other
_LAST_MM = 4.0  # of each rim that tells where the tip is
_LOST_MM = 3.0  # of the tip that the rough shape may have lost
_HALF_WAY = 2.2**-0.5  # the root of a display's exponent
_SHADOW = 0.27  # relative spread of the field's brightness beside the blade (contact shadow)
_CLIPPED = 0.966  # the true level is unknown, and blur moves the apparent rim outwards
_HALO_PX = 0.5  # by so much, more or less: half-way to a level twice that which is stored
_FLOOR = 0.02  # of full scale: noise and halo that no model takes up


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """The traced outline of one face.

    Parameters
    ----------
    side : {"left", "right"}
    face : Face
        Picture in the face frame at the photo's own resolution.
    lay : Lay
        Of that picture.
    points_mm : ndarray, shape (N, 2)
        From the handle along the edge to the tip and back along the spine, all intersected with the plane of
        the flat; `grindcheck.placing` moves each to its own height.
    normals : ndarray, shape (N, 2)
        Unit vectors out of the blade.
    std_mm : ndarray, shape (N,)
        Standard uncertainty along the normal, by itself.
    halo_mm : ndarray, shape (N,)
        Further standard uncertainty that all points beside a blown highlight have in common; 0 elsewhere.
    is_edge : ndarray of bool, shape (N,)
        Edge (with heel and choil) or spine.
    tip_mm : ndarray, shape (2,)
        Where edge and spine meet.
    blur_mm : float
        Edge spread of this photo.
    edge_odds : float
        Log odds that edge and spine aren't exchanged.
    """

    side: Side
    face: Face
    lay: Lay
    points_mm: Array
    normals: Array
    std_mm: Array
    halo_mm: Array
    is_edge: NDArray[np.bool_]
    tip_mm: Array
    blur_mm: float
    edge_odds: float

    def rim_mm(self, x_mm: Array, *, edge: bool) -> Array:
        """Height y of the edge or spine over given x; NaN where the outline doesn't reach."""
        chain = self.points_mm[self.is_edge == edge]
        order = np.argsort(chain[:, 0], kind="stable")
        x, y = chain[order, 0], chain[order, 1]
        return np.asarray(np.interp(x_mm, x, y, left=np.nan, right=np.nan), dtype=np.float64)


def trace_outline(photo: Photo, view: MatView, camera: Camera, rough: Silhouette) -> Outline:
    """Trace the outline from the rough shape.

    Parameters
    ----------
    photo, view, camera
        The photo, its mat and its lens and pose.
    rough : Silhouette

    Returns
    -------
    Outline

    Raises
    ------
    BladeError
        If too little of the outline stands out from the field.

    Notes
    -----
    Along each normal the colour is projected onto the direction that separates the steel just inside from
    the field just outside, given that the field may be shaded: Fisher's discriminant with the shade as the
    field's main variance. Where the hue alone separates them the shade drops out entirely. The step in this
    value is then placed by `fit_steps` with the photo's own edge spread. A file that stores the hue in
    blocks of pixels spreads its step, in stored values; in linear light its middle would lie off towards one
    side, in stored values that of the lens's own spread towards the other: there half-way is taken.
    """
    plane = rough.face.plane
    step = local_step_mm(camera, rough.tip_mm - rough.along * rough.length_mm / 2, plane.height_mm)
    axes = _aligned_axes(rough)
    contour = _rough_contour(rough, axes)
    low, high = contour.min(axis=0) - _AROUND_MM, contour.max(axis=0) + _AROUND_MM
    face = rectify(
        photo, camera,
        plane_over(origin_mm=rough.tip_mm, axes=axes, x_mm=(low[0], high[0]), y_mm=(low[1], high[1]),
                   step_mm=step, height_mm=plane.height_mm),
    )  # fmt: skip
    blur = max(view.blur_px, 0.6) * step
    edge, spine = _chains(contour, rough, axes)
    lay = lay_of(face)
    odds = rough.edge_odds + bevel_odds(lay, face, edge, spine)
    if odds < 0:
        face, lay, rough = upside_down(face), lay.upside_down(), rough.turned_over()
        flip = np.array([1.0, -1.0])
        edge, spine = spine[::-1] * flip, edge[::-1] * flip
    trace = partial(_trace, face, blur=blur, coarse_hue=photo.coarse_hue)
    traced = [trace(trace(chain, reach=0.9)[0], reach=0.35) for chain in (edge, spine)]
    tip = _tip(traced[0][0], traced[1][0])
    # the rough shape has lost its finest millimetre: carry both rims on to where they meet, and trace again
    longer = [_carried_to(traced[0][0], tip), _carried_to(traced[1][0][::-1], tip)[::-1]]
    parts = [trace(chain, reach=0.35) for chain in longer]
    points, normals, std, halo = (np.concatenate(each) for each in zip(*parts, strict=True))
    edge_points, spine_points = parts[0][0], parts[1][0]
    return Outline(
        side=rough.side,
        face=face,
        lay=lay,
        points_mm=frozen(points),
        normals=frozen(normals),
        std_mm=frozen(std),
        halo_mm=frozen(halo),
        is_edge=np.arange(len(points)) < len(edge_points),
        tip_mm=frozen(_tip(edge_points, spine_points)),
        blur_mm=blur,
        edge_odds=abs(odds),
    )


def turned_over(outline: Outline) -> Outline:
    """Return the same outline with edge and spine exchanged, for when the other photo knows better."""
    flip = np.array([1.0, -1.0])
    count = int(outline.is_edge.sum())
    return Outline(
        side="left" if outline.side == "right" else "right",
        face=upside_down(outline.face),
        lay=outline.lay.upside_down(),
        points_mm=frozen(outline.points_mm[::-1] * flip),
        normals=frozen(outline.normals[::-1] * flip),
        std_mm=frozen(outline.std_mm[::-1]),
        halo_mm=frozen(outline.halo_mm[::-1]),
        is_edge=np.arange(len(outline.points_mm)) < len(outline.points_mm) - count,
        tip_mm=frozen(outline.tip_mm * flip),
        blur_mm=outline.blur_mm,
        edge_odds=-outline.edge_odds,
    )


def bevel_odds(lay: Lay, face: Face, edge: Array, spine: Array) -> float:
    """Log odds that a bevel starts along the rim taken as the edge rather than along the other.

    Parameters
    ----------
    lay : Lay
    face : Face
    edge, spine : ndarray, shape (N, 2)
        The two rims.

    Returns
    -------
    float
        The plunge changes brightness and lay of a strip inside the edge; a strip inside the spine keeps its
        look, but on a full flat grind, which gives odds near 0.
    """
    x = np.arange(max(edge[:, 0].min(), spine[:, 0].min()) + 5.0, 0.35 * spine[:, 0].min(), 0.5)
    if len(x) < 60:
        x = np.arange(max(edge[:, 0].min(), spine[:, 0].min()) + 3.0, -12.0, 0.5)
    below, above = (_changes(lay, face, rim, inward, x) for rim, inward in ((edge, 1.0), (spine, -1.0)))
    # what changes on both sides at once, as the front of a handle does, tells nothing
    alone = float(np.max(below - above, initial=0.0)), float(np.max(above - below, initial=0.0))
    return 4.0 * (alone[0] - alone[1]) / max(sum(alone), 0.2)


def upside_down(face: Face) -> Face:
    """Return the face with y reversed."""
    plane = face.plane
    lowest = plane.y_max_mm - (plane.shape[0] - 1) * plane.step_mm
    turned = Plane(
        origin_mm=plane.origin_mm, axes=frozen(plane.axes * np.array([1.0, -1.0])), x_min_mm=plane.x_min_mm,
        y_max_mm=-lowest, step_mm=plane.step_mm, shape=plane.shape, height_mm=plane.height_mm,
    )  # fmt: skip
    return Face(
        plane=turned,
        linear=np.ascontiguousarray(face.linear[::-1]),
        inside=np.ascontiguousarray(face.inside[::-1]),
    )


def _changes(lay: Lay, face: Face, rim: Array, inward: float, x: Array) -> Array:
    """Difference in look of two neighbouring 8 mm pieces of a strip inside a rim, along x."""
    order = np.argsort(rim[:, 0])
    y = np.interp(x, rim[order, 0], rim[order, 1])
    depth = np.linspace(1.0, 4.0, 7)
    columns, rows = (
        np.clip(np.rint(each).astype(int), 0, side - 1)
        for each, side in zip(
            face.plane.pixels(x, y + inward * depth[:, None]), face.plane.shape[::-1], strict=True
        )
    )
    seen = Lay(
        brightness=lay.brightness[rows, columns],
        energy_x=lay.energy_x[rows, columns],
        energy_y=lay.energy_y[rows, columns],
    )
    looks = []
    for values in (seen.brightness, seen.across):
        strip = np.median(values, axis=0)
        sums = np.concatenate([[0.0], np.cumsum(strip)])
        means = (sums[16:] - sums[:-16]) / 16
        looks.append(means[16:] - means[:-16] if len(means) > 20 else np.zeros(1))
    return np.asarray(np.hypot(*looks))


def _aligned_axes(rough: Silhouette) -> Array:
    """Face axes with x along the straight part of the rough spine, which a finger behind it may outdo."""
    axes = np.column_stack([rough.along, rough.up])
    _, spine = _chains(_rough_contour(rough, axes), rough, axes)
    points, _ = _resample(spine)
    whole = _straight_angle(points)
    blade = _straight_angle(points[np.hypot(*points.T) < _BLADE_SHARE * rough.length_mm])
    # the whole is straighter, unless something else that lies behind the blade is straighter still
    if whole is None or (blade is not None and abs(blade - whole) > _BESIDE_RAD):
        whole = blade
    return axes if whole is None else np.asarray(axes @ turn(whole))


def _straight_angle(spine: Array) -> float | None:
    """Direction of a spine's straight part; None if it has none."""
    straight = straight_part(spine, within_mm=0.25)
    if straight.sum() < 20:
        return None
    x, y = spine[straight].T
    return float(np.arctan(np.polyfit(x - x.mean(), y, 1)[0]))


def straight_part(spine: Array, *, within_mm: float) -> NDArray[np.bool_]:
    """Which points of a spine lie on its straight part.

    Parameters
    ----------
    spine : ndarray, shape (N, 2)
        In order along the blade, x from heel to tip.
    within_mm : float
        How far they may stray from the line.

    Returns
    -------
    ndarray of bool, shape (N,)
        The largest set near one line that starts from a piece of the spine 15 to 60 mm long; none if it spans
        less than 20 mm (a curved spine).
    """
    best, most = np.zeros(len(spine), dtype=np.bool_), 0
    x, y = np.ascontiguousarray(spine.T)
    for length in (15.0, 30.0, 60.0):
        for start in np.arange(x.min(), x.max() - length + 1e-9, 5.0):
            part = (x >= start) & (x <= start + length)
            count = int(np.count_nonzero(part))
            if count < 20:
                continue
            for _ in range(3):
                near_x, near_y = x[part], y[part]
                middle, level = np.add.reduce(near_x) / count, np.add.reduce(near_y) / count
                away = near_x - middle
                slope = away @ near_y / (away @ away)
                part = np.abs(y - level - slope * (x - middle)) < within_mm
                count = int(np.count_nonzero(part))
                if count < 20:
                    break
            if count > most:
                best, most = part, count
    return best if best.any() and np.ptp(x[best]) >= 20.0 else np.zeros_like(best)


def _trace(
    face: Face, chain: Array, *, blur: float, reach: float, coarse_hue: bool
) -> tuple[Array, Array, Array, Array]:
    """One refinement of a rim: points that stand out, their normals, std and halo."""
    points, normals = _resample(chain)
    shift, std, halo, good = _refine(face, points, normals, blur=blur, reach=reach, coarse_hue=coarse_hue)
    require_rim(int(good.sum()), _FEWEST)
    return (points + shift[:, None] * normals)[good], normals[good], std[good], halo[good]


def require_rim(count: int, fewest: int) -> None:
    """Refuse a rim of which too few places were traced.

    Raises
    ------
    BladeError
    """
    if count < fewest:
        raise BladeError(
            f"Only {count} places of the blade's rim stand out from the field.",
            advice="Use more and softer light so that blade and field differ, and photograph again.",
        )


def _carried_to(chain: Array, tip: Array) -> Array:
    """Carry a rim on to the tip, its last piece straightened by a parabola."""
    away = np.hypot(*(chain - tip).T)
    kept = chain[away > _BLUNT_MM]
    near = np.flatnonzero(np.hypot(*(kept - tip).T) < _LAST_MM)
    if len(near) < 6:
        return chain
    along = np.linspace(kept[-1, 0], tip[0], 12)[1:-1]
    if abs(tip[0] - kept[-1, 0]) < 0.15:
        return chain
    curve = np.polynomial.Polynomial.fit(
        np.append(kept[near, 0], tip[0]),
        np.append(kept[near, 1], tip[1]),
        2,
        w=np.append(np.ones(len(near)), 5.0),
    )
    return np.vstack([kept, np.column_stack([along, curve(along)])])


def _rough_contour(rough: Silhouette, axes: Array) -> Array:
    import cv2

    contours, _ = cv2.findContours(rough.mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    longest = np.asarray(max(contours, key=len), dtype=np.float64).reshape(-1, 2)
    mat = rough.face.plane.mat_from_grid(rough.face.plane.grid_from_index(longest))
    return np.asarray((mat - rough.tip_mm) @ np.linalg.inv(axes).T, dtype=np.float64)


def _chains(contour: Array, rough: Silhouette, axes: Array) -> tuple[Array, Array]:
    """Split the closed contour into edge (handle to tip) and spine (tip to handle), cut at the border."""
    start = int(np.argmax(contour[:, 0]))
    ring = np.roll(contour, -start, axis=0)
    mat = ring @ axes.T + rough.tip_mm
    at_border = from_border(rough.face, mat) < _CUT_MM
    if at_border.any():
        first = int(np.argmax(at_border))
        last = len(ring) - 1 - int(np.argmax(at_border[::-1]))
    else:
        first = last = int(np.argmin(ring[:, 0]))
    one, other = ring[:first], ring[last + 1 :][::-1]
    if min(len(one), len(other)) < 80:
        raise BladeError(
            "Too little of the blade lies on the field.",
            advice="Lay the whole blade from tip to plunge on the tinted field and photograph again.",
        )
    near = min(len(one), len(other))
    if one[:near, 1].mean() < other[:near, 1].mean():
        one, other = other, one
    return other[::-1], one


def _resample(chain: Array) -> tuple[Array, Array]:
    """Points every 0.3 mm with outward normals (to the right of the walk edge, tip, spine)."""
    from scipy.ndimage import gaussian_filter1d

    length = way_lengths(chain)
    at = np.arange(0.0, length[-1], _SPACING_MM)
    keep = np.concatenate([[True], np.diff(length) > 0])
    points = np.column_stack([np.interp(at, length[keep], chain[keep, axis]) for axis in (0, 1)])
    smooth = gaussian_filter1d(points, 0.6 / _SPACING_MM, axis=0, mode="nearest")
    tangent = np.gradient(gaussian_filter1d(points, 1.0 / _SPACING_MM, axis=0, mode="nearest"), axis=0)
    tangent /= np.hypot(*tangent.T)[:, None]
    normals = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    smooth[:2], smooth[-2:] = points[:2], points[-2:]
    return smooth, normals


def _refine(
    face: Face, points: Array, normals: Array, *, blur: float, reach: float, coarse_hue: bool
) -> tuple[Array, Array, Array, NDArray[np.bool_]]:
    import cv2
    from scipy.ndimage import median_filter

    window = reach + max(0.7, 4 * blur)
    offsets = np.arange(-window, window + 1e-9, face.plane.step_mm / 2)
    (x, y), (normal_x, normal_y) = points.T[:, :, None], normals.T[:, :, None]
    found = sample(face, x + offsets * normal_x, y + offsets * normal_y)
    if coarse_hue:
        found = np.asarray(cv2.pow(found, _HALF_WAY), dtype=np.float64)
    mean = cv2.blur(found.reshape(len(found), -1), (1, 3), borderType=cv2.BORDER_REPLICATE)
    # each channel's samples beside each other
    colours = np.ascontiguousarray(mean.reshape(found.shape).transpose(0, 2, 1), dtype=np.float64)
    inner = np.median(colours[:, :, offsets < -min(reach, window / 2)], axis=2)
    outer = np.median(colours[:, :, offsets > min(reach, window / 2)], axis=2)
    step = inner - outer
    spread = _FLOOR**2 * np.eye(3) + _SHADOW**2 * outer[:, :, None] * outer[:, None, :]
    direction = np.linalg.solve(spread, step[:, :, None])[:, :, 0]
    scale = np.einsum("nc,nc->n", direction, step)
    direction /= np.maximum(scale, 1e-9)[:, None]
    values = (direction[:, None] @ (colours - outer[:, :, None]))[:, 0]
    fit = fit_steps(values, offsets, blur=blur, reach=reach)
    place = fit.place
    typical = median_filter(place, size=9, mode="nearest")
    good = (np.abs(place - typical) < 0.15 + 3 * fit.place_std) & (np.abs(place) < reach)
    good &= (fit.gain > 0.3) & (fit.jump < -0.2) & (scale > 4.0)
    # samples lie half a pixel apart, so that two of them are one look at the picture
    std = np.maximum(np.sqrt(2) * fit.place_std, 0.02 * face.plane.step_mm)
    halo = np.where(inner.max(axis=1) > _CLIPPED, _HALO_PX * face.plane.step_mm, 0.0)
    return place - halo, std, halo, good


def sample(face: Face, x_mm: Array, y_mm: Array) -> Array:
    """Linear colours of a face, bilinear, (N, M, 3): at places of its frame whose x and y make up (N, M)."""
    return sample_map(face.linear, *face.plane.pixels(x_mm, y_mm))


def sample_map(picture: NDArray[np.float32], columns: Array, rows: Array) -> Array:
    """Any map over a face's grid at columns and rows that make up (N, M), bilinear."""
    import cv2

    shape = np.broadcast_shapes(columns.shape, rows.shape)
    column, row = (np.broadcast_to(each, shape).astype(np.float32, order="C") for each in (columns, rows))
    return cv2.remap(picture, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(
        np.float64
    )


def _tip(edge: Array, spine: Array) -> Array:
    """Where edge and spine meet: their last millimetres carried on as parabolas."""
    outermost = max(edge[-1], spine[0], key=lambda point: float(point[0]))
    curves = []
    for chain in (edge, spine):
        away = outermost[0] - chain[:, 0]
        part = chain[(away > _BLUNT_MM) & (away < _LAST_MM + _BLUNT_MM)]
        if len(part) < 8:
            return np.asarray(outermost)
        curves.append(np.polynomial.Polynomial.fit(part[:, 0], part[:, 1], 2))
    gap = curves[1] - curves[0].convert(domain=curves[1].domain, window=curves[1].window)
    meetings = [
        float(root.real)
        for root in np.atleast_1d(gap.roots())
        if abs(root.imag) < 1e-9 and -0.3 < root.real - outermost[0] < _LOST_MM
    ]
    if not meetings:
        return np.asarray(outermost)
    x = min(meetings, key=lambda place: abs(place - outermost[0]))
    return np.array([x, float(curves[0](x) + curves[1](x)) / 2])
