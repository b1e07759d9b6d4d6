"""Finding the mat in a photo: its markers on a reduced copy, its crossings at full size.

Markers say which mat lies there and roughly where; they are read on a small grey copy. What is measured
are the crossings of the frame's chessboard, each found to a small part of a pixel at full size.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from types import MappingProxyType

import cv2
import numpy as np

from grindcheck.errors import MatError, NoMatError
from grindcheck.geometry import Array, frozen, project
from grindcheck.mat.edges import edge_spread, light_samples
from grindcheck.mat.markers import Grey, Markers, markers_of, read_markers
from grindcheck.mat.saddle import refine_crossings
from grindcheck.mat.spec import PAPERS, SQUARE_MM, MatSpec, mat_spec
from grindcheck.mat.strips import STRIP, strip_spec
from grindcheck.photo import Photo

_FEWEST_MARKERS = 6
_FEWEST_CROSSINGS = 8
_NEIGHBOURS_MM = 25.0  # sigma of the weights of markers near by
_MARKER_TOLERANCE = 0.25  # of a square: a marker's corner off the homography; lens distortion stays below
_SPREAD = 0.12  # of the frame's diagonal: the markers' smaller extent, below which they pin no pose
_WELL_SEEN = 24  # crossings; fewer is a reservation
# In a close-up a corner of the mat, or a part of a strip, must do: lens and focal length then rest on their
# priors, and what that leaves open is in the camera's covariance.
_CLOSE_MARKERS = 2
_CLOSE_CROSSINGS = 6
_CLOSE_SPREAD = 0.2  # squares: the crossings' smaller extent, below which they are but a line
_BLUR_LIMIT_MM = 0.25  # sigma of an edge beyond which lines on steel are lost
_CLOSE_BLUR_PX = 2.5  # sigma that leaves 0.31 of a line 2 px wide: erf(2 / (2 √2 · 2.5)), closed form
_HALO_LIMIT = 0.05
_CLIPPED_LIMIT = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class MatView:
    """The mat as one photo shows it.

    Parameters
    ----------
    spec : MatSpec
        Which mat.
    corner_mm : ndarray, shape (N, 2)
        Crossings found, where the specification has them.
    corner_px : ndarray, shape (N, 2)
        The same in the photo.
    corner_std_px : float
        Standard uncertainty of a coordinate of a crossing from noise alone.
    markers_seen, markers_expected : int
    mat_from_px : ndarray, shape (3, 3)
        Rough homography; lens distortion is not in it.
    blur_px : float
        Sigma of the spread of the mat's black-white edges, a Gaussian in linear light.
    halo : float
        Overshoot beside these edges, left by sharpening, as a share of the step in encoded values.
    clipped : float, 0..1
        Share of the white samples with a channel at its upper end.
    white_mm, white_linear : ndarray, shape (M, 2) and (M, 3)
        Places on the white paper within the frame, and linear BGR 0..1 there.
    black_mm, black_linear : ndarray, shape (K, 2) and (K, 3)
        The same on the dark squares.
    flags : tuple of str
        Of `MAT_FLAGS`.
    """

    spec: MatSpec
    corner_mm: Array
    corner_px: Array
    corner_std_px: float
    markers_seen: int
    markers_expected: int
    mat_from_px: Array
    blur_px: float
    halo: float
    clipped: float
    white_mm: Array
    white_linear: Array
    black_mm: Array
    black_linear: Array
    flags: tuple[str, ...]


MAT_FLAGS = {
    "blurred": "The mat's edges are blurred.",
    "halo": "The phone's sharpening leaves halos beside edges.",
    "clipped": "The white paper is overexposed.",
    "few_corners": "Little of the mat's frame is seen.",
}


def find_mat(photo: Photo, *, paper: str | None = None, close_up: bool = False) -> MatView:
    """Find the mat in a photo.

    Parameters
    ----------
    photo : Photo
    paper : str, optional
        The paper that the mat must have; a strip has none and passes.
    close_up : bool
        Whether a strip, or a corner of the mat, will do: two markers and six crossings, large in the picture.

    Returns
    -------
    MatView

    Raises
    ------
    MatError
        If no mat is seen, too little of it, two, another paper's, or a mirrored one.

    Notes
    -----
    Ghost markers and a moved scrap of another print are thrown out by geometry: only markers that one
    homography puts within a quarter of a square of their place count. Crossings are predicted by that
    homography, bent by the residuals of the markers near by, so that a strong lens distortion does no harm.
    """
    grey, seen, factor = read_markers(photo.bgr, coarser=close_up)
    true_spec, fit, used = _only_mat(grey, seen, paper, close_up=close_up)
    # what follows counts in millimetres of the mat's squares, so a strip is looked at as enlarged to them
    spec = replace(true_spec, square_mm=SQUARE_MM)
    mm = true_spec.square_mm / SQUARE_MM
    fit = fit @ np.diag([mm, mm, 1.0])
    chart = _Chart.of(spec, fit, used)
    crossing_mm = spec.crossings_mm()
    good, refined_px, corner_std_px = refine_crossings(
        photo.bgr, spec, crossing_mm, chart(crossing_mm), chart.slopes(crossing_mm), coarse_px=max(2, factor)
    )
    corner_mm, corner_px = crossing_mm[good], refined_px[good]
    if len(corner_px) < (_CLOSE_CROSSINGS if close_up else _FEWEST_CROSSINGS):
        raise _too_little(true_spec, len(used), f"and only {len(corner_px)} crossings uncovered")
    if close_up and _least_extent(corner_mm) < _CLOSE_SPREAD * SQUARE_MM:
        raise _too_little(true_spec, len(used), f"its {len(corner_px)} crossings all in one line")
    spread = edge_spread(photo.bgr, corner_px, chart.slopes(corner_mm))
    light = light_samples(photo.bgr, spec, sorted(used), chart, chart.slopes)
    px_per_mm = float(np.sqrt(abs(np.linalg.det(fit[:2, :2] / fit[2, 2]))))
    reservations = {
        "blurred": spread.blur_px > (_CLOSE_BLUR_PX if close_up else _BLUR_LIMIT_MM * px_per_mm),
        "halo": spread.halo > _HALO_LIMIT,
        "clipped": light.clipped > _CLIPPED_LIMIT,
        "few_corners": len(corner_px) < _WELL_SEEN,
    }
    return MatView(
        spec=true_spec,
        corner_mm=frozen(corner_mm * mm),
        corner_px=frozen(corner_px),
        corner_std_px=corner_std_px,
        markers_seen=len(used),
        markers_expected=len(spec.markers()),
        mat_from_px=frozen(np.diag([mm, mm, 1.0]) @ np.linalg.inv(fit)),
        blur_px=spread.blur_px,
        halo=spread.halo,
        clipped=light.clipped,
        white_mm=frozen(light.white_mm * mm),
        white_linear=frozen(light.white_linear),
        black_mm=frozen(light.black_mm * mm),
        black_linear=frozen(light.black_linear),
        flags=tuple(name for name in MAT_FLAGS if reservations[name]),
    )


def _only_mat(
    grey: Grey, seen: Markers, paper: str | None, *, close_up: bool
) -> tuple[MatSpec, Array, dict[int, Array]]:
    """Decide which mat or strip is seen, and that it is the only one."""
    fewest = _CLOSE_MARKERS if close_up else _FEWEST_MARKERS
    specs: list[MatSpec] = [mat_spec(name) for name in PAPERS]
    if close_up:
        specs.append(strip_spec())
    found: list[tuple[MatSpec, Array, dict[int, Array]]] = []
    most, most_spec = 0, specs[0]
    for spec in specs:
        places = _places(spec)
        left = [marker for marker in seen if marker[0] in places]
        if len(ids := {marker for marker, _ in left}) > most:
            most, most_spec = len(ids), spec
        while len(left) >= fewest:
            consensus = _consensus(left, places, spec.square_mm, fewest)
            if consensus is None:
                break
            fit, members = consensus
            found.append((spec, fit, {left[i][0]: left[i][1] for i in members}))
            left = [marker for i, marker in enumerate(left) if i not in members]
    if not found:
        flipped = markers_of(np.ascontiguousarray(grey[:, ::-1]))
        if len(flipped) >= fewest > len(seen):
            raise MatError(
                f"The photo is mirrored: {len(flipped)} markers can be read in its mirror image only.",
                advice="Use the phone's rear camera, or switch off its mirroring, and photograph again.",
            )
        if most == 0:
            raise NoMatError(
                "No mat is seen in the photo.",
                advice="Lay the blade on the printed mat and photograph it with all of the mat's frame.",
            )
        raise _too_little(most_spec, most)
    if max(len(used) for _, _, used in found) >= _FEWEST_MARKERS:  # beside a real mat, a few more are ghosts
        found = [one for one in found if len(one[2]) >= _FEWEST_MARKERS]
    if len(found) > 1:
        names = " and ".join(f"{spec.paper} ({len(used)} markers)" for spec, _, used in found)
        raise MatError(f"Two mats are seen: {names}.", advice="Leave only one mat or strip in the picture.")
    spec, fit, used = found[0]
    if paper is not None and spec.paper not in (mat_spec(paper).paper, STRIP):
        raise MatError(
            f"The mat in the photo is for {spec.paper} paper, not {mat_spec(paper).paper}.",
            advice="Choose the paper of the mat that lies there, or photograph on the other one.",
        )
    squares = spec.markers()
    centres = np.array([spec.square_centre_mm(*squares[marker]) for marker in used])
    if not close_up and _least_extent(centres) < _SPREAD / 4 * np.hypot(*spec.frame_mm):
        raise _too_little(spec, len(used), "all in one line")
    return spec, fit, used


def _least_extent(points_mm: Array) -> float:
    return float(np.sqrt(max(np.linalg.eigvalsh(np.cov(points_mm.T))[0], 0.0))) if len(points_mm) > 2 else 0.0


def _too_little(spec: MatSpec, seen: int, more: str = "") -> MatError:
    strip = spec.paper == STRIP
    what = f"{seen} of {len(spec.markers())} markers{', ' + more if more else ''}."
    if strip:
        return MatError(
            f"Too little of the strip is seen: {what}",
            advice="Show more of the strip, flat, sharp and both of its rows of crossings; or none of it.",
        )
    return MatError(
        f"Too little of the mat is seen: {what}",
        advice="Photograph from straight above with all of the frame in the picture, sharp and evenly lit; "
        "only the handle may cover a part of it.",
    )


@cache
def _places(spec: MatSpec) -> Mapping[int, Array]:
    """Markers' corners on a mat, asked of each paper for every photo."""
    return MappingProxyType(spec.marker_corners_mm())


def _consensus(
    seen: Markers, places: Mapping[int, Array], square_mm: float, fewest: int
) -> tuple[Array, set[int]] | None:
    """Return px_from_mat and the indices of the largest set of markers that agree on it."""
    corner_mm = np.array([places[marker] for marker, _ in seen])
    corner_px = np.array([quad for _, quad in seen])
    best: set[int] = set()
    # one marker gives a homography, good near by only: grow from it, the nearest first
    for seed in range(len(seen)):
        if seed in best:
            continue
        members = _grown(seed, corner_mm, corner_px, square_mm)
        ids = {seen[i][0] for i in members}
        if len(ids) == len(members) and len(members) > len(best):
            best = members
        if len(best) > 0.6 * len(seen):
            break
    if len(best) < fewest:
        return None
    order = sorted(best)
    fit = _homography(corner_mm[order], corner_px[order])
    return fit, best


def _grown(seed: int, corner_mm: Array, corner_px: Array, square_mm: float) -> set[int]:
    middle_mm = corner_mm.mean(axis=1)
    away = np.linalg.norm(middle_mm - middle_mm[seed], axis=1)
    members = np.zeros(len(corner_mm), dtype=np.bool_)
    members[seed] = True
    for reach_squares in (2.5, 5.0, 9.0, 16.0, 40.0, 40.0):
        fit = _homography(corner_mm[members], corner_px[members])
        miss = np.linalg.norm(
            project(fit, corner_mm.reshape(-1, 2)).reshape(corner_px.shape) - corner_px, axis=2
        ).max(axis=1)
        side = np.linalg.norm(corner_px - np.roll(corner_px, 1, axis=1), axis=2).max(axis=1)
        near = away <= reach_squares * square_mm
        # markers are three quarters of a square wide
        members = near & (miss < _MARKER_TOLERANCE / 0.75 * side)
        if not members[seed]:
            return set()
    return {int(i) for i in np.flatnonzero(members)}


def _homography(corner_mm: Array, corner_px: Array) -> Array:
    fit, _ = cv2.findHomography(corner_mm.reshape(-1, 2), corner_px.reshape(-1, 2), 0)
    if fit is None:
        return np.diag([1e9, 1e9, 1.0])
    return np.asarray(fit, dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Chart:
    """Rough px from mm: a homography, bent by the residuals of the markers near by."""

    fit: Array
    known_mm: Array
    residual_px: Array

    @classmethod
    def of(cls, spec: MatSpec, fit: Array, used: dict[int, Array]) -> "_Chart":
        places = _places(spec)
        known_mm = np.concatenate([places[marker] for marker in used])
        known_px = np.concatenate(list(used.values()))
        return cls(fit=fit, known_mm=known_mm, residual_px=known_px - project(fit, known_mm))

    def __call__(self, points_mm: Array) -> Array:
        """Local linear regression of the residuals, with weights that fall off over two squares."""
        away = self.known_mm[None] - points_mm[:, None]
        square = np.sum(away**2, axis=2)
        # far from all markers the weights must not vanish
        weight = np.exp(-(square - square.min(axis=1, keepdims=True)) / (2 * _NEIGHBOURS_MM**2))
        basis = np.concatenate([np.ones((*square.shape, 1)), away / _NEIGHBOURS_MM], axis=2)
        weighted = basis * weight[:, :, None]
        normal = weighted.transpose(0, 2, 1) @ basis
        normal += np.diag([1e-6, 0.5, 0.5])  # a line of markers has no slope across it
        right = weighted.transpose(0, 2, 1) @ self.residual_px
        return project(self.fit, points_mm) + np.linalg.solve(normal, right)[:, 0]

    def slopes(self, points_mm: Array) -> Array:
        """Return derivatives of px by mm, shape (N, 2, 2), of the homography alone."""
        steps = [
            project(self.fit, points_mm + step) - project(self.fit, points_mm - step)
            for step in np.array([[0.5, 0.0], [0.0, 0.5]])
        ]
        return np.stack(steps, axis=2)
