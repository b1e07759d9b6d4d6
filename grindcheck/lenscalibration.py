"""A phone's lens from many photos of the mat: one lens, a pose for each photo, and the print's stretch.

Bundle adjustment over all crossings (Triggs et al. 2000 for the scheme), with the projection of
`grindcheck.lens`. How many terms of distortion the photos can carry is decided by how well a lens fitted to
some of them foretells the crossings of the others.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grindcheck.geometry import Array, frozen
from grindcheck.lens import PARAMETERS
from grindcheck.posefit import Problem

# name, and which of log focal, cx, cy, k1, k2, p1, p2 are free
MODELS: tuple[tuple[str, tuple[int, ...]], ...] = (
    ("focal length", (0,)),
    ("focal length and centre", (0, 1, 2)),
    ("one radial term", (0, 1, 2, 3)),
    ("two radial terms", (0, 1, 2, 3, 4)),
    ("two radial terms and decentring", (0, 1, 2, 3, 4, 5, 6)),
)
LENS = 7  # parameters of the lens, before those of the pose
_FOLDS = 4
_OUTLIER = 6.0  # robust sigmas
_ROUNDS = 60
_LEAST = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """The crossings of one photo.

    Parameters
    ----------
    corner_mm, corner_px : ndarray, shape (N, 2)
    std_px : float
        Of each coordinate.
    start : ndarray, shape (13,)
        Lens and pose as this photo alone tells them.
    """

    corner_mm: Array
    corner_px: Array
    std_px: float
    start: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """A calibrated lens.

    Parameters
    ----------
    model : str
        One of `MODELS`.
    values : ndarray, shape (7,)
        As the first of `grindcheck.lens`: log focal length in px, centre, k1, k2, p1, p2.
    covariance : ndarray, shape (7, 7)
    stretch : float
        Logarithm of the print's scale along x over that along y.
    rms_px : float
        Of the distances of all crossings used from where the model puts them.
    held_out_px : dict of str to float
        The same of photos that took no part in the fit, model by model.
    photos, corners, dropped : int
    poses : ndarray, shape (photos, 6)
    """

    model: str
    values: Array
    covariance: Array
    stretch: float
    rms_px: float
    held_out_px: dict[str, float]
    photos: int
    corners: int
    dropped: int
    poses: Array


def calibrate(
    sights: Sequence[Sight],
    *,
    stretch_std: float,
    centre_px: Array,
    models: Sequence[tuple[str, tuple[int, ...]]] = MODELS,
    drop: bool = True,
) -> Lens:
    """Fit the lens that all photos share.

    Parameters
    ----------
    sights : sequence of Sight
        Five at least.
    stretch_std : float
        Relative standard uncertainty of the ratio of the print's two scales.
    centre_px : ndarray, shape (2,)
        The picture's middle, where the centre stays in models that don't free it.
    models : sequence of (str, tuple of int)
        To choose from, the simplest first.
    drop : bool
        Leave out crossings beyond six robust sigmas.

    Returns
    -------
    Lens
        With the model whose held-out residual is the lowest, or a simpler one that is within the lowest one's
        standard error (Breiman et al. 1984).

    Notes
    -----
    Weights are those of the crossings' own scatter; the covariance is raised by Birge's ratio until the
    residuals have their expected size, never lowered. Crossings beyond six robust sigmas of a first fit with
    the fullest model are left out.
    """
    given = sum(len(sight.corner_px) for sight in sights)
    sights = _cleaned(sights, stretch_std, centre_px) if drop else list(sights)
    folds = [list(range(start, len(sights), _FOLDS)) for start in range(min(_FOLDS, len(sights)))]
    squares: dict[str, list[float]] = {}
    counts = [sum(len(sights[i].corner_px) for i in fold) for fold in folds]
    for name, free in models:
        for fold in folds:
            kept = [sight for i, sight in enumerate(sights) if i not in fold]
            vector, _ = _fit(kept, free, stretch_std, centre_px)
            squares.setdefault(name, []).append(sum(_alone(sights[i], vector) for i in fold))
    held_out = {name: float(np.sqrt(sum(each) / sum(counts))) for name, each in squares.items()}
    per_fold = {name: np.array(each) / counts for name, each in squares.items()}
    lowest = min(held_out, key=lambda name: held_out[name])
    error = float(per_fold[lowest].std(ddof=1) / np.sqrt(len(folds))) if len(folds) > 1 else 0.0
    name, free = next(
        model for model in models if per_fold[model[0]].mean() <= per_fold[lowest].mean() + error
    )
    vector, normal = _fit(sights, free, stretch_std, centre_px)
    left = np.concatenate([_misfit(sight, vector, i) for i, sight in enumerate(sights)])
    scaled = np.concatenate([_misfit(sight, vector, i) / sight.std_px for i, sight in enumerate(sights)])
    unknowns = len(free) + 1 + 6 * len(sights)
    birge = max(1.0, float(np.sum(scaled**2)) / max(2 * len(scaled) - unknowns, 1))
    covariance = np.zeros((LENS, LENS))
    inverse = np.linalg.inv(normal)[: len(free), : len(free)] * birge
    covariance[np.ix_(free, free)] = inverse
    return Lens(
        model=name, values=frozen(vector[:LENS]), covariance=frozen(covariance), stretch=float(vector[LENS]),
        rms_px=float(np.sqrt(np.mean(np.sum(left**2, axis=1)))), held_out_px=held_out, photos=len(sights),
        corners=len(left), dropped=given - len(left), poses=_poses(vector),
    )  # fmt: skip


def _poses(vector: Array) -> Array:
    return frozen(vector[LENS + 1 :].reshape(-1, 6))


def _cleaned(sights: Sequence[Sight], stretch_std: float, centre_px: Array) -> list[Sight]:
    vector, _ = _fit(sights, MODELS[-1][1], stretch_std, centre_px)
    out = []
    for index, sight in enumerate(sights):
        miss = np.linalg.norm(_misfit(sight, vector, index), axis=1)
        # the median of a Rayleigh distribution is 1.1774 sigma (closed form: sqrt(2 ln 2))
        sigma = max(float(np.median(miss)) / np.sqrt(2 * np.log(2)), sight.std_px)
        keep = miss < _OUTLIER * sigma
        out.append(
            Sight(
                corner_mm=sight.corner_mm[keep], corner_px=sight.corner_px[keep], std_px=sight.std_px,
                start=sight.start,
            )
        )  # fmt: skip
    return out


def _problem(sight: Sight) -> Problem:
    nothing = np.zeros(PARAMETERS + 1)
    return Problem(sight.corner_mm, sight.corner_px, sight.std_px, nothing, nothing)


def _own(vector: Array, index: int) -> Array:
    """Return the 14 unknowns of one photo out of all."""
    pose = vector[LENS + 1 + 6 * index : LENS + 7 + 6 * index]
    return np.concatenate([vector[:LENS], pose, vector[LENS : LENS + 1]])


def _misfit(sight: Sight, vector: Array, index: int) -> Array:
    return _problem(sight).misfit(_own(vector, index))


def _fit(
    sights: Sequence[Sight], free: tuple[int, ...], stretch_std: float, centre_px: Array
) -> tuple[Array, Array]:
    """Minimise over the free lens parameters, the stretch and all poses: (vector, normal matrix).

    The normal matrix is over the free lens parameters, the stretch and the poses, in this order.
    """
    starts = np.array([sight.start for sight in sights])
    vector = np.zeros(LENS + 1 + 6 * len(sights))
    vector[:LENS] = np.median(starts[:, :LENS], axis=0)
    fixed = [i for i in range(LENS) if i not in free]
    vector[fixed] = np.concatenate([[vector[0]], centre_px, np.zeros(4)])[fixed]
    vector[LENS + 1 :] = starts[:, LENS:PARAMETERS].ravel()
    moved = np.array([*free, LENS, *range(LENS + 1, len(vector))])
    cost, damping = _cost(sights, vector, stretch_std), 1e-3
    normal, slope = _normal(sights, vector, moved, stretch_std)
    for _ in range(_ROUNDS):
        gained = 0.0
        while damping < 1e10:
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -slope)
            tried = vector.copy()
            tried[moved] += step
            new = _cost(sights, tried, stretch_std)
            if new <= cost:
                gained, vector, cost, damping = cost - new, tried, new, max(damping / 10, 1e-12)
                break
            damping *= 10
        normal, slope = _normal(sights, vector, moved, stretch_std)
        if gained <= _LEAST * (1 + cost):
            break
    return vector, normal


def _cost(sights: Sequence[Sight], vector: Array, stretch_std: float) -> float:
    each = sum(float(np.sum((_misfit(s, vector, i) / s.std_px) ** 2)) for i, s in enumerate(sights))
    return each + float(vector[LENS] / stretch_std) ** 2


def _normal(
    sights: Sequence[Sight], vector: Array, moved: NDArray[np.intp], stretch_std: float
) -> tuple[Array, Array]:
    size = len(vector)
    normal, slope = np.zeros((size, size)), np.zeros(size)
    for index, sight in enumerate(sights):
        left, jacobian = _problem(sight).linear(_own(vector, index))
        rows = jacobian.reshape(-1, PARAMETERS + 1) / sight.std_px
        pose = np.arange(LENS + 1 + 6 * index, LENS + 7 + 6 * index)
        at = np.concatenate([np.arange(LENS), pose, [LENS]])
        normal[np.ix_(at, at)] += rows.T @ rows
        slope[at] += rows.T @ (left / sight.std_px).ravel()
    normal[LENS, LENS] += stretch_std**-2
    slope[LENS] += vector[LENS] / stretch_std**2
    return normal[np.ix_(moved, moved)], slope[moved]


def _alone(sight: Sight, vector: Array) -> float:
    """Sum of squares, px², of a photo to which only its pose is fitted."""
    prior = np.concatenate([vector[:LENS], np.zeros(6), vector[LENS : LENS + 1]])
    held = np.concatenate([np.full(LENS, 1e14), np.zeros(6), [1e14]])
    held[1:3] = 1e8  # of pixels: within a ten-thousandth
    problem = Problem(sight.corner_mm, sight.corner_px, sight.std_px, prior, held)
    start = np.concatenate([vector[:LENS], sight.start[LENS:PARAMETERS], vector[LENS : LENS + 1]])
    found, _ = problem.minimum(start)
    return float(np.sum(problem.misfit(found) ** 2))
