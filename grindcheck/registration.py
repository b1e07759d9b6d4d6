"""The rigid motion that lays one face's outline onto the other's: it is the same piece of steel."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from grindcheck.geometry import Array, Rigid, frozen, turn

_ROUNDS = 30
_TUKEY = 4.7  # robust sigmas; 95 % efficient for normal errors (Huber 1981)
_SPACING_MM = 0.3
_FEWEST = 20  # points; fewer don't tell whether two outlines lie on each other


@dataclass(frozen=True, slots=True, kw_only=True)
class Registration:
    """How the moving outline lies on the fixed one.

    Parameters
    ----------
    fixed_from_moving : Rigid
    covariance : ndarray, shape (3, 3)
        Of (angle_rad, shift x, shift y) about `pivot_mm`, with neighbours' errors taken as correlated.
    pivot_mm : ndarray, shape (2,)
    rms_mm : float
        Of the distances of points that count, along the normals.
    used : float
        Share of points that count.
    stretch : float
        Relative size of the moving outline over the fixed one that the residuals ask for; 0 when heights
        and scales are right.
    stretch_std : float
    """

    fixed_from_moving: Rigid
    covariance: Array
    pivot_mm: Array
    rms_mm: float
    used: float
    stretch: float
    stretch_std: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """Pairs of a moving point with the fixed point and normal it lies on, for repeated solving."""

    moving: NDArray[np.intp]
    fixed: NDArray[np.intp]
    share: Array
    normal: Array
    weight: Array


@dataclass(frozen=True, slots=True)
class Rims:
    """What whole rims err by, of the moving and of the fixed outline.

    Parameters
    ----------
    std : (ndarray, ndarray), shape (N,) and (M,)
        Standard uncertainty of each point along its normal that its whole rim has in common, mm.
    is_edge : (ndarray of bool, ndarray of bool), shape (N,) and (M,)
        Edge or spine.
    """

    std: tuple[Array, Array]
    is_edge: tuple[NDArray[np.bool_], NDArray[np.bool_]]

    def off(self, match: Match) -> list[Array]:
        """Distances of matched pairs when one rim of one outline lies off by its std, for all four."""
        out = []
        for index, std, edge in zip((match.moving, match.fixed), self.std, self.is_edge, strict=True):
            out += [np.where(edge[index] == rim, std[index], 0.0) for rim in (True, False)]
        return out


def register(
    moving: Array,
    fixed: Array,
    *,
    start: Rigid | None = None,
    std: tuple[Array, Array] | None = None,
    rims: Rims | None = None,
) -> tuple[Registration, Match]:
    """Register two outlines by point to line distances, robustly.

    Parameters
    ----------
    moving, fixed : ndarray, shape (N, 2) and (M, 2)
        Outlines in mm, each in order along the rim, about 0.3 mm apart.
    start : Rigid, optional
        First guess; default: the frames as they are.
    std : (ndarray, ndarray), optional
        How well each moving and fixed point is known, mm; only their proportions count. Default: all alike.
    rims : Rims, optional
        What whole rims err by. Default: nothing.

    Returns
    -------
    Registration
    Match
        The final pairs, so that a small change of the inputs can be followed with `resolve`.

    Raises
    ------
    ValueError
        If an outline has fewer than 20 points.

    Notes
    -----
    Gauss-Newton on distances along the fixed outline's normals with Tukey's weight (Besl and McKay 1992 for
    the scheme, Chen and Medioni 1991 for the distance). Departures: none in the solver; the covariance is
    widened by the integral length of the residuals along the rim, since neighbours share blur, shade and
    burr. What a whole rim errs by, as where it is traced on a wall that the camera sees, leaves hardly any
    residuals: that is told by `rims`, each rim of each outline by itself.
    """
    from scipy.spatial import cKDTree

    if min(len(moving), len(fixed)) < _FEWEST:
        fewest = min(len(moving), len(fixed))
        raise ValueError(f"an outline has {fewest} points, {_FEWEST} at least are needed")
    rim = _Rim(fixed, _normals(fixed), cKDTree(fixed))
    pivot = fixed.mean(axis=0)
    motion = start or Rigid(angle_rad=0.0, shift=np.zeros(2))
    limit = 5.0
    trust = np.ones(0)
    for step in range(_ROUNDS):
        at = motion(moving)
        match = rim.pair(at, limit)
        if len(match.moving) < _FEWEST:
            return _unlike(motion, pivot, rim.tree.query(at)[0]), match
        design, distance = _equations(at[match.moving], pivot, match.normal, fixed, match)
        trust = _trust(match, std)
        proper = np.abs(distance) * np.sqrt(trust)
        scale = max(1.48 * float(np.median(proper)), 0.005)
        tukey = np.where(proper < _TUKEY * scale, (1 - (proper / (_TUKEY * scale)) ** 2) ** 2, 0.0)
        match = _with_weight(match, tukey * trust)
        change = _solve(design, distance, match.weight)
        motion = _moved(motion, change, pivot)
        limit = max(min(limit, 3 * _TUKEY * scale), 0.3)
        if step > 3 and np.abs(change).max() < 1e-6:
            break
    at = motion(moving)
    if (match.weight > 0.1 * trust).sum() < _FEWEST:
        return _unlike(motion, pivot, rim.tree.query(at)[0]), match
    design, distance = _equations(at[match.moving], pivot, match.normal, fixed, match)
    off = rims.off(match) if rims else []
    return _summary(motion, match, trust, design, distance, pivot, at, off), match


def resolve(moving: Array, fixed: Array, match: Match, start: Rigid) -> Rigid:
    """Solve the registration again for slightly changed outlines, with the same pairs and weights."""
    pivot = fixed.mean(axis=0)
    at = start(moving)
    design, distance = _equations(at[match.moving], pivot, match.normal, fixed, match)
    return _moved(start, _solve(design, distance, match.weight), pivot)


class _Rim:
    """The polyline through the fixed points, as far as it stays the same in all rounds.

    Parameters
    ----------
    points, normals : ndarray, shape (M, 2)
    tree : cKDTree
        Of the points.
    """

    def __init__(self, points: Array, normals: Array, tree: Any) -> None:
        self.points, self.normals, self.tree = points, normals, tree
        self.chord = np.zeros_like(points)
        self.chord[1:-1] = points[2:] - points[:-2]
        self.segment = np.diff(points, axis=0)
        self.length = np.hypot(*self.segment.T)

    def pair(self, at: Array, limit: float) -> Match:
        """Foot of each moving point on the polyline."""
        away, nearest = self.tree.query(at)
        index = np.clip(nearest, 1, len(self.points) - 2)
        ahead = np.einsum("nc,nc->n", at - self.points[index], self.chord[index]) > 0
        first = np.where(ahead, index, index - 1)
        length = self.length[first]
        along = np.einsum("nc,nc->n", at - self.points[first], self.segment[first])
        share = along / np.maximum(length, 1e-9) ** 2
        ok = (away < limit) & (share > -0.5) & (share < 1.5) & (length < 5 * _SPACING_MM)
        moving = np.flatnonzero(ok)
        first, share = first[moving], np.clip(share[moving], 0.0, 1.0)
        normal = self.normals[first] * (1 - share[:, None]) + self.normals[first + 1] * share[:, None]
        normal /= np.hypot(*normal.T)[:, None]
        return Match(moving=moving, fixed=first, share=share, normal=normal, weight=np.ones(len(moving)))


def _trust(match: Match, std: tuple[Array, Array] | None) -> Array:
    """Weight of each pair by how well its points are known, 1 for the best."""
    if std is None:
        return np.ones(len(match.moving))
    variance = std[0][match.moving] ** 2 + std[1][match.fixed] ** 2
    return np.asarray(variance.min() / variance)


def _with_weight(match: Match, weight: Array) -> Match:
    return Match(
        moving=match.moving, fixed=match.fixed, share=match.share, normal=match.normal, weight=weight
    )


def _normals(points: Array) -> Array:
    from scipy.ndimage import uniform_filter1d

    tangent = np.gradient(uniform_filter1d(points, 5, axis=0, mode="nearest"), axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    return np.column_stack([tangent[:, 1], -tangent[:, 0]])


def _equations(at: Array, pivot: Array, normal: Array, fixed: Array, match: Match) -> tuple[Array, Array]:
    foot = fixed[match.fixed] * (1 - match.share[:, None]) + fixed[match.fixed + 1] * match.share[:, None]
    distance = np.einsum("nc,nc->n", at - foot, normal)
    lever = at - pivot
    turning = normal[:, 1] * lever[:, 0] - normal[:, 0] * lever[:, 1]
    return np.column_stack([turning, normal]), distance


def _solve(design: Array, distance: Array, weight: Array) -> Array:
    root = np.sqrt(weight)
    return np.asarray(np.linalg.lstsq(design * root[:, None], -distance * root, rcond=1e-9)[0])


def _moved(motion: Rigid, change: Array, pivot: Array) -> Rigid:
    """Apply a small turn about the pivot and a shift after the motion."""
    matrix = turn(float(change[0]))
    shift = matrix @ (motion.shift - pivot) + pivot + change[1:]
    return Rigid(angle_rad=motion.angle_rad + float(change[0]), shift=frozen(shift))


def _summary(
    motion: Rigid,
    match: Match,
    trust: Array,
    design: Array,
    distance: Array,
    pivot: Array,
    at: Array,
    whole: list[Array],
) -> Registration:
    counts = match.weight > 0.1 * trust
    residual = distance[counts]
    proper = residual * np.sqrt(trust[counts])
    order = np.argsort(match.moving[counts])
    normal_matrix = (design[counts] * match.weight[counts, None]).T @ design[counts]
    rms = float(np.sqrt(np.mean(residual**2)))
    covariance = np.linalg.pinv(normal_matrix, rcond=1e-12) * _variance(proper[order], 3)
    for off in whole:
        moved = _solve(design[counts], off[counts], match.weight[counts])
        covariance = covariance + np.outer(moved, moved)
    outward = np.einsum("nc,nc->n", at[match.moving] - pivot, match.normal)
    wide = np.column_stack([design, outward])[counts]
    inverse = np.linalg.pinv((wide * match.weight[counts, None]).T @ wide, rcond=1e-12)
    change = -(inverse @ ((wide * match.weight[counts, None]).T @ residual))
    left = ((residual + wide @ change) * np.sqrt(trust[counts]))[order]
    return Registration(
        fixed_from_moving=motion,
        covariance=frozen(covariance),
        pivot_mm=frozen(pivot),
        rms_mm=rms,
        used=float(counts.sum() / max(len(at), 1)),
        stretch=-float(change[3]),
        stretch_std=float(np.sqrt(inverse[3, 3] * _variance(left, 4))),
    )


def _variance(residual: Array, unknowns: int) -> float:
    """Variance per point, for neighbours that err alike and for what the fit took of the residuals."""
    widening = integral_length(residual)
    independent = max(len(residual) / widening, unknowns + 1.0)
    return float(np.mean(residual**2)) * widening * independent / (independent - unknowns)


def _unlike(motion: Rigid, pivot: Array, away: Array) -> Registration:
    """Two outlines that lie on each other nowhere: nothing used, and all their distance as residual."""
    rms = float(np.sqrt(np.mean(away**2)))
    return Registration(
        fixed_from_moving=motion, covariance=frozen(np.eye(3) * rms**2), pivot_mm=frozen(pivot), rms_mm=rms,
        used=0.0, stretch=0.0, stretch_std=1.0,
    )  # fmt: skip


def integral_length(residual: Array) -> float:
    """How many neighbours in a row count as one: 1 + 2 Σ autocorrelation up to its first zero.

    Parameters
    ----------
    residual : ndarray, shape (N,) or (N, M)
        In order along the line; of M lines side by side the mean correlation counts.

    Returns
    -------
    float
        1 for independent residuals; at most a quarter of N.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> 1.0 <= integral_length(rng.normal(size=2000)) < 1.3
    True
    """
    from scipy.fft import next_fast_len

    count = len(residual)
    if count < 8:
        return 1.0
    rows = np.ascontiguousarray(np.atleast_2d(np.transpose(residual)), dtype=np.float64)
    length = next_fast_len(2 * count, real=True)
    spectrum = np.fft.rfft(rows - rows.mean(axis=1, keepdims=True), length, axis=1).view(np.float64)
    power = np.einsum("nm,nm->m", spectrum, spectrum).reshape(-1, 2).sum(axis=1)
    correlation = np.fft.irfft(power, length)[: count // 2]
    if correlation[0] <= 0:
        return 1.0
    correlation = correlation / correlation[0]
    negative = np.flatnonzero(correlation <= 0.05)
    end = int(negative[0]) if negative.size else len(correlation)
    return float(np.clip(1 + 2 * correlation[1:end].sum(), 1.0, max(count / 4, 1.0)))
