"""The rigid motion that lays one face's outline onto the other's: it is the same piece of steel."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from grindcheck.geometry import Array, Rigid, frozen, turn

_ROUNDS = 40
_TUKEY = 4.7  # robust sigmas; 95 % efficient for normal errors (Huber 1981)
_SPACING_MM = 0.3
_COARSE_MM = 0.5  # at which Tukey's weight ends at first
_FINE_MM = 0.02  # from which on the residuals alone tell where it ends
_NEAR_MM = 1.0  # within which two points may be one place of the rim, whether they count or not
_WIDENING = 5.0  # neighbours that count as one at least: the hue of a block of a JPEG's pixels
_COUNTS = 0.1  # of Tukey's weight, for a point to belong
_ALIKE_MM = 0.0035  # of a point of which nothing is known, so that two differ by 0.005 mm
_STILL = 1e-9  # rad and mm, of a last step
_LEAST_NOISE = 1e-16  # so that weights stay finite where outlines fit exactly
FEWEST_POINTS = 20  # points; fewer don't tell whether two outlines lie on each other


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
    """Pairs of a moving point with the fixed point and normal it lies on, for repeated solving.

    Parameters
    ----------
    moving, fixed : ndarray of int, shape (P,)
    share : ndarray, shape (P,)
        How far the foot lies from the fixed point towards the next.
    normal : ndarray, shape (P, 2)
    weight : ndarray, shape (P,)
        Of each distance, 1/mm²; 0 for what doesn't belong.
    common : ndarray, shape (P, K)
        What one standard uncertainty of each common error adds to the distances, mm.
    """

    moving: NDArray[np.intp]
    fixed: NDArray[np.intp]
    share: Array
    normal: Array
    weight: Array
    common: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """How well the points of two outlines are known.

    Parameters
    ----------
    std : (ndarray, ndarray), shape (N,) and (M,)
        Standard uncertainty of each moving and fixed point along its normal, by itself, mm.
    common : (ndarray, ndarray), shape (K, N, 2) and (K, M, 2)
        How far one standard uncertainty of each common error, as where on its wall a whole rim was traced,
        moves the points, mm.
    """

    std: tuple[Array, Array]
    common: tuple[Array, Array]

    def variance(self, match: Match) -> Array:
        """Return the variance of each distance, mm²."""
        return np.asarray(self.std[0][match.moving] ** 2 + self.std[1][match.fixed] ** 2)

    def off(self, match: Match, motion: Rigid) -> Array:
        """Return what one standard uncertainty of each common error adds to the distances, (P, K) mm."""
        moving = self.common[0][:, match.moving] @ turn(motion.angle_rad).T
        share = match.share[:, None]
        fixed = self.common[1][:, match.fixed] * (1 - share) + self.common[1][:, match.fixed + 1] * share
        return np.asarray(np.einsum("kpc,pc->pk", moving - fixed, match.normal))


def register(
    moving: Array, fixed: Array, *, start: Rigid | None = None, known: Known | None = None
) -> tuple[Registration, Match]:
    """Register two outlines by point to line distances, robustly.

    Parameters
    ----------
    moving, fixed : ndarray, shape (N, 2) and (M, 2)
        Outlines in mm, each in order along the rim, about 0.3 mm apart.
    start : Rigid, optional
        First guess; default: the frames as they are.
    known : Known, optional
        How well the points are known. Default: all alike, by their own scatter.

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
    the scheme, Chen and Medioni 1991 for the distance). The common errors are solved for together with the
    motion, each with a prior of one standard uncertainty: they hardly show in the residuals, and yet move
    what is found. The straight parts of a blade fit wherever it lies along itself, and only belly and drop
    tell where that is: a scale of the robust weight taken from all residuals alone would leave just these out
    as soon as the start is a little off. So it comes down from half a millimetre by halves (graduated
    non-convexity, Blake and Zisserman 1987), and never below the stated uncertainty. Neighbours share blur,
    shade and burr: weights are less by the integral length of the residuals along the rim. What is stated
    counts even if two outlines fit each other better, since both may err alike.
    """
    from scipy.spatial import cKDTree

    if min(len(moving), len(fixed)) < FEWEST_POINTS:
        fewest = min(len(moving), len(fixed))
        raise ValueError(f"an outline has {fewest} points, {FEWEST_POINTS} at least are needed")
    rim = _Rim(fixed, _normals(fixed), cKDTree(fixed))
    pivot = fixed.mean(axis=0)
    motion = start or Rigid(angle_rad=0.0, shift=np.zeros(2))
    least = (_LEAST_NOISE, 1.0) if known is None else (1.0, _WIDENING)
    known = known or _alike(moving, fixed)
    limit, coarse = 5.0, _COARSE_MM
    common = np.zeros(known.common[0].shape[0])
    for _ in range(_ROUNDS):
        at = motion(moving)
        match = rim.pair(at, limit)
        if len(match.moving) < FEWEST_POINTS:
            return _unlike(motion, pivot, rim.tree.query(at)[0]), match
        match = replace(match, common=known.off(match, motion))
        design, distance = _equations(at[match.moving], pivot, match.normal, fixed, match)
        left = distance + match.common @ common
        std = np.sqrt(known.variance(match))
        scale = max(1.48 * float(np.median(np.abs(left) / std)), 1.0, coarse / _TUKEY / float(np.median(std)))
        tukey = np.maximum(1 - (left / (_TUKEY * scale * std)) ** 2, 0.0) ** 2
        if (tukey > _COUNTS).sum() < FEWEST_POINTS:
            return _unlike(motion, pivot, rim.tree.query(at)[0]), match
        trust = _Trust(std=std, tukey=tukey, least=least)
        match = trust.weigh(match, left)
        change, _ = _solve(design, distance, match)
        common = change[3:]
        motion = _moved(motion, change[:3], pivot)
        limit = max(min(limit, 3 * _TUKEY * scale * float(np.median(std))), _NEAR_MM)
        if coarse < _FINE_MM and np.abs(change[:3]).max() < _STILL:
            break
        coarse /= 2
    at = motion(moving)
    design, distance = _equations(at[match.moving], pivot, match.normal, fixed, match)
    outward = np.einsum("nc,nc->n", at[match.moving] - pivot, match.normal)
    wide = np.column_stack([design, outward])
    _, covariance = _solve(design, distance, match)
    change, _ = _solve(wide, distance, match)
    # what a stretch leaves of the residuals, and not what it makes of them, tells how well it is known
    left = distance + np.hstack([wide, match.common]) @ change
    change, stretched = _solve(wide, distance, trust.weigh(match, left))
    counts = tukey > _COUNTS
    found = Registration(
        fixed_from_moving=motion,
        covariance=frozen(covariance[:3, :3]),
        pivot_mm=frozen(pivot),
        rms_mm=float(np.sqrt(np.mean(distance[counts] ** 2))),
        used=float(counts.sum() / max(len(at), 1)),
        stretch=-float(change[3]),
        stretch_std=float(np.sqrt(stretched[3, 3])),
    )
    return found, match


def resolve(moving: Array, fixed: Array, match: Match, start: Rigid) -> Rigid:
    """Solve the registration again for slightly changed outlines, with the same pairs and weights."""
    pivot = fixed.mean(axis=0)
    at = start(moving)
    design, distance = _equations(at[match.moving], pivot, match.normal, fixed, match)
    return _moved(start, _solve(design, distance, match)[0][:3], pivot)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trust:
    """How far pairs are trusted, apart from what their residuals add.

    Parameters
    ----------
    std : ndarray, shape (P,)
        Of each distance, mm.
    tukey : ndarray, shape (P,)
        Robust weight, 0 to 1.
    least : (float, float)
        Least variance of residuals in these std, and least number of neighbours that count as one.
    """

    std: Array
    tukey: Array
    least: tuple[float, float]

    def weigh(self, match: Match, left: Array) -> Match:
        """Weigh pairs by what is left of their distances too: its size, and how alike neighbours are."""
        proper = left / self.std
        counts = self.tukey > _COUNTS
        widening = integral_length(proper[counts][np.argsort(match.moving[counts])])
        # what was left out counts as far off as the weights reach: it may be right, and the rest wrong
        reach = float(np.abs(proper[self.tukey > 0]).max())
        noise = float(np.mean(np.minimum(np.abs(proper), reach) ** 2))
        inflated = self.std**2 * max(noise, self.least[0]) * max(widening, self.least[1])
        return replace(match, weight=self.tukey / inflated)


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
        return Match(
            moving=moving,
            fixed=first,
            share=share,
            normal=normal,
            weight=np.ones(len(moving)),
            common=np.zeros((len(moving), 0)),
        )


def _alike(moving: Array, fixed: Array) -> Known:
    """Points of which only their scatter is known, and nothing in common."""
    std = np.full(len(moving), _ALIKE_MM), np.full(len(fixed), _ALIKE_MM)
    return Known(std=std, common=(np.zeros((0, len(moving), 2)), np.zeros((0, len(fixed), 2))))


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


def _solve(design: Array, distance: Array, match: Match) -> tuple[Array, Array]:
    """Change of the motion and size of the common errors, and the covariance of these."""
    wide = np.hstack([design, match.common])
    heavy = (wide * match.weight[:, None]).T
    prior = np.diag(np.repeat([0.0, 1.0], [design.shape[1], match.common.shape[1]]))
    covariance = np.asarray(np.linalg.pinv(heavy @ wide + prior, rcond=1e-13, hermitian=True), np.float64)
    return -(covariance @ (heavy @ distance)), covariance


def _moved(motion: Rigid, change: Array, pivot: Array) -> Rigid:
    """Apply a small turn about the pivot and a shift after the motion."""
    matrix = turn(float(change[0]))
    shift = matrix @ (motion.shift - pivot) + pivot + change[1:]
    return Rigid(angle_rad=motion.angle_rad + float(change[0]), shift=frozen(shift))


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
