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
from grindcheck.posefit import STRETCH, UNKNOWNS, Problem

# name, and which of log focal, cx, cy, k1, k2, p1, p2, k3 are free
MODELS: tuple[tuple[str, tuple[int, ...]], ...] = (
    ("focal length", (0,)),
    ("focal length and centre", (0, 1, 2)),
    ("one radial term", (0, 1, 2, 3)),
    ("two radial terms", (0, 1, 2, 3, 4)),
    ("two radial terms and decentring", (0, 1, 2, 3, 4, 5, 6)),
    ("three radial terms and decentring", (0, 1, 2, 3, 4, 5, 6, 7)),
)
LENS = 8  # values of a lens, of which a photo's parameters have the first seven before the pose
_BEFORE = LENS - 1
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
class Fold:
    """The lens without some of the photos.

    Parameters
    ----------
    photos : tuple of int
        That took no part, by their place in the sights.
    values : ndarray, shape (8,)
    covariance : ndarray, shape (8, 8)
    """

    photos: tuple[int, ...]
    values: Array
    covariance: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """A calibrated lens.

    Parameters
    ----------
    model : str
        One of `MODELS`.
    values : ndarray, shape (8,)
        As the first of `grindcheck.lens`, and k3: log focal length in px, centre, k1, k2, p1, p2, k3.
    covariance : ndarray, shape (8, 8)
        0 of what the model doesn't free.
    stretch : float
        Logarithm of the print's scale along x over that along y.
    rms_px : float
        Of the distances of all crossings used from where the model puts them.
    held_out_px : dict of str to float
        The same of photos that took no part in the fit, model by model.
    photos, corners, dropped : int
    poses : ndarray, shape (photos, 6)
    folds : tuple of Fold
        The same model without some of the photos, each photo being left out once.
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
    folds: tuple[Fold, ...]


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
    without: dict[str, list[Fold]] = {}
    counts = [sum(len(sights[i].corner_px) for i in fold) for fold in folds]
    for name, free in models:
        for fold in folds:
            kept = [sight for i, sight in enumerate(sights) if i not in fold]
            vector, normal = _fit(kept, free, stretch_std, centre_px)
            without.setdefault(name, []).append(
                Fold(
                    photos=tuple(fold),
                    values=frozen(vector[:LENS]),
                    covariance=frozen(_covariance(kept, vector, normal, free)),
                )
            )
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
    covariance = _covariance(sights, vector, normal, free)
    return Lens(
        model=name, values=frozen(vector[:LENS]), covariance=frozen(covariance), stretch=float(vector[LENS]),
        rms_px=float(np.sqrt(np.mean(np.sum(left**2, axis=1)))), held_out_px=held_out, photos=len(sights),
        corners=len(left), dropped=given - len(left), poses=_poses(vector), folds=tuple(without[name]),
    )  # fmt: skip


def _covariance(sights: Sequence[Sight], vector: Array, normal: Array, free: tuple[int, ...]) -> Array:
    """Covariance of the lens, raised by Birge's ratio."""
    square = sum(float(np.sum((_misfit(s, vector, i) / s.std_px) ** 2)) for i, s in enumerate(sights))
    equations = 2 * sum(len(sight.corner_px) for sight in sights)
    unknowns = len(free) + 1 + 6 * len(sights)
    covariance = np.zeros((LENS, LENS))
    inverse = np.linalg.inv(normal)[: len(free), : len(free)]
    covariance[np.ix_(free, free)] = inverse * max(1.0, square / max(equations - unknowns, 1))
    return covariance


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
    nothing = np.zeros(UNKNOWNS + 1)
    return Problem(sight.corner_mm, sight.corner_px, sight.std_px, nothing, nothing)


def _own(vector: Array, index: int) -> Array:
    """Return the 15 unknowns of one photo out of all."""
    return _unknowns(vector, vector[LENS + 1 + 6 * index : LENS + 7 + 6 * index])


def _unknowns(vector: Array, pose: Array) -> Array:
    return np.concatenate([vector[:_BEFORE], pose, vector[[LENS, _BEFORE]]])


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
    vector[:_BEFORE] = np.median(starts[:, :_BEFORE], axis=0)
    fixed = [i for i in range(LENS) if i not in free]
    vector[fixed] = np.concatenate([[vector[0]], centre_px, np.zeros(5)])[fixed]
    vector[LENS + 1 :] = starts[:, _BEFORE:PARAMETERS].ravel()
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
        rows = jacobian.reshape(-1, jacobian.shape[2]) / sight.std_px
        pose = np.arange(LENS + 1 + 6 * index, LENS + 7 + 6 * index)
        at = np.concatenate([np.arange(_BEFORE), pose, [LENS, _BEFORE]])
        normal[np.ix_(at, at)] += rows.T @ rows
        slope[at] += rows.T @ (left / sight.std_px).ravel()
    normal[LENS, LENS] += stretch_std**-2
    slope[LENS] += vector[LENS] / stretch_std**2
    return normal[np.ix_(moved, moved)], slope[moved]


def _alone(sight: Sight, vector: Array) -> float:
    """Sum of squares, px², of a photo to which only its pose is fitted."""
    prior = _unknowns(vector, np.zeros(6))
    held = np.full(UNKNOWNS + 1, 1e14)
    held[1:3] = 1e8  # of pixels: within a ten-thousandth
    held[_BEFORE:STRETCH] = 0.0
    problem = Problem(sight.corner_mm, sight.corner_px, sight.std_px, prior, held)
    found, _ = problem.minimum(_unknowns(vector, sight.start[_BEFORE:PARAMETERS]))
    return float(np.sum(problem.misfit(found) ** 2))
