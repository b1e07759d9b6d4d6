"""Finding the mat in a photo: its markers on a reduced copy, its crossings at full size.

Markers say which mat lies there and roughly where; they are read on a small grey copy. What is measured
are the crossings of the frame's chessboard, each found to a small part of a pixel at full size.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from grindcheck.errors import MatError
from grindcheck.geometry import Array, frozen, project
from grindcheck.mat.edges import edge_spread, light_samples
from grindcheck.mat.markers import Grey, Markers, markers_of, read_markers
from grindcheck.mat.saddle import refine_crossings
from grindcheck.mat.spec import PAPERS, SQUARE_MM, MatSpec, mat_spec
from grindcheck.photo import Photo

_FEWEST_MARKERS = 6
_FEWEST_CROSSINGS = 8
_NEIGHBOURS_MM = 25.0  # sigma of the weights of markers near by
_MARKER_TOLERANCE = 0.25  # of a square: a marker's corner off the homography; lens distortion stays below
_SPREAD = 0.12  # of the frame's diagonal: the markers' smaller extent, below which they pin no pose
_WELL_SEEN = 24  # crossings; fewer is a reservation
_BLUR_LIMIT_MM = 0.25  # sigma of an edge beyond which lines on steel are lost
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


def find_mat(photo: Photo, *, paper: str | None = None) -> MatView:
    """Find the mat in a photo.

    Parameters
    ----------
    photo : Photo
    paper : str, optional
        The paper that the mat must have.

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
    grey, seen, factor = read_markers(photo.bgr)
    spec, fit, used = _only_mat(grey, seen, paper)
    chart = _Chart.of(spec, fit, used)
    crossing_mm = spec.crossings_mm()
    good, refined_px, corner_std_px = refine_crossings(
        photo.bgr, spec, crossing_mm, chart(crossing_mm), chart.slopes(crossing_mm), coarse_px=max(2, factor)
    )
    corner_mm, corner_px = crossing_mm[good], refined_px[good]
    expected = len(spec.markers())
    if len(corner_px) < _FEWEST_CROSSINGS:
        raise _too_little(len(used), expected, f"and only {len(corner_px)} crossings uncovered")
    spread = edge_spread(photo.bgr, corner_px, chart.slopes(corner_mm))
    light = light_samples(photo.bgr, spec, sorted(used), chart, chart.slopes)
    px_per_mm = float(np.sqrt(abs(np.linalg.det(fit[:2, :2] / fit[2, 2]))))
    reservations = {
        "blurred": spread.blur_px > _BLUR_LIMIT_MM * px_per_mm,
        "halo": spread.halo > _HALO_LIMIT,
        "clipped": light.clipped > _CLIPPED_LIMIT,
        "few_corners": len(corner_px) < _WELL_SEEN,
    }
    return MatView(
        spec=spec,
        corner_mm=frozen(corner_mm),
        corner_px=frozen(corner_px),
        corner_std_px=corner_std_px,
        markers_seen=len(used),
        markers_expected=expected,
        mat_from_px=frozen(np.linalg.inv(fit)),
        blur_px=spread.blur_px,
        halo=spread.halo,
        clipped=light.clipped,
        white_mm=frozen(light.white_mm),
        white_linear=frozen(light.white_linear),
        black_mm=frozen(light.black_mm),
        black_linear=frozen(light.black_linear),
        flags=tuple(name for name in MAT_FLAGS if reservations[name]),
    )


def _only_mat(grey: Grey, seen: Markers, paper: str | None) -> tuple[MatSpec, Array, dict[int, Array]]:
    """Decide which mat is seen, and that it is the only one."""
    found: list[tuple[MatSpec, Array, dict[int, Array]]] = []
    most = (0, 0)
    for name in PAPERS:
        spec = mat_spec(name)
        places = spec.marker_corners_mm()
        left = [marker for marker in seen if marker[0] in places]
        most = max(most, (len({marker for marker, _ in left}), len(places)))
        while len(left) >= _FEWEST_MARKERS:
            consensus = _consensus(left, places)
            if consensus is None:
                break
            fit, members = consensus
            found.append((spec, fit, {left[i][0]: left[i][1] for i in members}))
            left = [marker for i, marker in enumerate(left) if i not in members]
    if not found:
        flipped = markers_of(np.ascontiguousarray(grey[:, ::-1]))
        if len(flipped) >= _FEWEST_MARKERS > len(seen):
            raise MatError(
                f"The photo is mirrored: {len(flipped)} markers can be read in its mirror image only.",
                advice="Use the phone's rear camera, or switch off its mirroring, and photograph again.",
            )
        if most[0] == 0:
            raise MatError(
                "No mat is seen in the photo.",
                advice="Lay the blade on the printed mat and photograph it with all of the mat's frame.",
            )
        raise _too_little(*most)
    if len(found) > 1:
        names = " and ".join(f"{spec.paper} ({len(used)} markers)" for spec, _, used in found)
        raise MatError(f"Two mats are seen: {names}.", advice="Leave only one mat in the picture.")
    spec, fit, used = found[0]
    if paper is not None and spec.paper != mat_spec(paper).paper:
        raise MatError(
            f"The mat in the photo is for {spec.paper} paper, not {mat_spec(paper).paper}.",
            advice="Choose the paper of the mat that lies there, or photograph on the other one.",
        )
    squares = spec.markers()
    centres = np.array([spec.square_centre_mm(*squares[marker]) for marker in used])
    extent = np.sqrt(np.linalg.eigvalsh(np.cov(centres.T)))[0] if len(centres) > 2 else 0.0
    if extent < _SPREAD / 4 * np.hypot(*spec.frame_mm):
        raise _too_little(len(used), len(spec.markers()), "all in one line")
    return spec, fit, used


def _too_little(seen: int, expected: int, more: str = "") -> MatError:
    return MatError(
        f"Too little of the mat is seen: {seen} of {expected} markers{', ' + more if more else ''}.",
        advice="Photograph from straight above with all of the frame in the picture, sharp and evenly lit; "
        "only the handle may cover a part of it.",
    )


def _consensus(seen: Markers, places: dict[int, Array]) -> tuple[Array, set[int]] | None:
    """Return px_from_mat and the indices of the largest set of markers that agree on it, six at least."""
    corner_mm = np.array([places[marker] for marker, _ in seen])
    corner_px = np.array([quad for _, quad in seen])
    best: set[int] = set()
    # one marker gives a homography, good near by only: grow from it, the nearest first
    for seed in range(len(seen)):
        if seed in best:
            continue
        members = _grown(seed, corner_mm, corner_px)
        ids = {seen[i][0] for i in members}
        if len(ids) == len(members) and len(members) > len(best):
            best = members
        if len(best) > 0.6 * len(seen):
            break
    if len(best) < _FEWEST_MARKERS:
        return None
    order = sorted(best)
    fit = _homography(corner_mm[order], corner_px[order])
    return fit, best


def _grown(seed: int, corner_mm: Array, corner_px: Array) -> set[int]:
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
        near = away <= reach_squares * SQUARE_MM
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
        places = spec.marker_corners_mm()
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
