"""Where the plunge line runs: the crease at which the ricasso's flat ends.

First roughly, as the straight line across the strip whose two sides differ most in brightness and lay and
which is itself a sharp edge; then row by row to a fraction of a pixel.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grindcheck.edgefit import fit_steps
from grindcheck.geometry import Array, frozen
from grindcheck.outline import Outline, sample
from grindcheck.registration import integral_length
from grindcheck.strip import STEP_MM, Strip

_LEANS = np.tan(np.deg2rad(np.arange(-40.0, 40.1, 4.0)))  # dx/dy of tried lines
_ROW_MM = 0.2
_LEAST_BLADE_MM = 20.0  # a plunge nearer to the tip is none
_BEHIND_MM = 1.5  # flat that must be seen behind the crease


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A line that may be the plunge: ``x = x_mm + lean * (above - above_mm)`` in the strip.

    Parameters
    ----------
    x_mm, lean, above_mm : float
    score : float
        0 for nothing to about 2.4 for a sharp edge between different lays and levels.
    change_of_lay : float
        Across the line, −2 to 2; positive from along to across.
    """

    x_mm: float
    lean: float
    above_mm: float
    score: float
    change_of_lay: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A traced line.

    Parameters
    ----------
    points_mm : ndarray, shape (K, 2)
        Face frame, plane of the flat.
    shift_std_mm : float
        Of the line's place, neighbours taken as correlated.
    turn_std_rad : float
        Of its direction.
    scatter_mm : float
        Rms of the points about their curve.
    confidence : float
        0 to 1.
    by_hand : bool
    width_mm : float
        Of the transition behind it; 0 if not measured.
    """

    points_mm: Array
    shift_std_mm: float
    turn_std_rad: float
    scatter_mm: float
    confidence: float
    by_hand: bool = False
    width_mm: float = 0.0

    def straight(self) -> tuple[float, float]:
        """Return (x at y = 0, dx/dy) of the line through the points."""
        y = self.points_mm[:, 1]
        if len(y) < 2 or np.ptp(y) < 1e-6:
            return float(self.points_mm[:, 0].mean()), 0.0
        slope, offset = np.polyfit(y - y.mean(), self.points_mm[:, 0], 1)
        return float(offset - slope * y.mean()), float(slope)


def plunge_candidates(strip: Strip, *, count: int = 6) -> tuple[Candidate, ...]:
    """Find lines that may be the plunge, best first.

    Parameters
    ----------
    strip : Strip
    count : int
        How many at most.

    Returns
    -------
    tuple of Candidate
        Empty if the blade is too short.
    """
    typical = float(np.median(strip.width_mm[: len(strip.x_mm) * 7 // 10]))
    rows = np.flatnonzero((strip.above_mm > 0.8) & (strip.above_mm < max(0.42 * typical, 4.0)))[::2]
    reference = float(strip.above_mm[rows].mean())
    columns = np.arange(len(strip.x_mm))
    best: list[tuple[float, int, float, float]] = []
    far = int(4.0 / STEP_MM)
    legal = (strip.x_mm < -_LEAST_BLADE_MM) & (strip.x_mm > strip.x_mm[0] + _BEHIND_MM)
    scores = np.full((len(_LEANS), len(columns)), -np.inf)
    changes = np.zeros_like(scores)
    for number, lean in enumerate(_LEANS):
        shift = np.rint(lean * (strip.above_mm[rows] - reference) / STEP_MM).astype(int)
        index = np.clip(columns[None, :] + shift[:, None], 0, len(columns) - 1)
        weight = strip.inside[rows[:, None], index].astype(np.float64)
        total = weight.sum(axis=0)
        safe = np.maximum(total, 1e-9)
        bright = (strip.brightness[rows[:, None], index] * weight).sum(axis=0) / safe
        across = (strip.across[rows[:, None], index] * weight).sum(axis=0) / safe
        seen = total > 0.5 * len(rows)
        sharp = _difference(bright, 1, 6)
        noise = 1.48 * np.median(np.abs(sharp[seen])) + 0.01 if seen.any() else 1.0
        changes[number] = _difference(across, 5, far)
        level = np.minimum(np.abs(_difference(bright, 5, far)) / 0.4, 1.0)
        score = np.minimum(np.abs(sharp) / noise, 15.0) / 15.0 + np.clip(changes[number], -1, 1) + 0.4 * level
        scores[number] = np.where(seen & legal, score, -np.inf)
    while len(best) < count and np.isfinite(scores.max()):
        number, column = np.unravel_index(int(np.argmax(scores)), scores.shape)
        lean = float(_LEANS[number])
        best.append((float(scores[number, column]), int(column), lean, float(changes[number, column])))
        scores[:, max(0, column - 20) : column + 21] = -np.inf
    return tuple(
        Candidate(x_mm=float(strip.x_mm[column]), lean=lean, above_mm=reference, score=score, change_of_lay=change)
        for score, column, lean, change in best
    )


def _difference(profile: Array, gap: int, length: int) -> Array:
    """Mean of ``length`` samples after each place minus that before, ``gap`` left out on each side."""
    sums = np.concatenate([[0.0], np.cumsum(profile)])
    count = len(profile)
    at = np.arange(count)
    a0, a1 = np.clip(at + gap, 0, count), np.clip(at + gap + length, 0, count)
    b0, b1 = np.clip(at - gap - length, 0, count), np.clip(at - gap, 0, count)
    after = (sums[a1] - sums[a0]) / np.maximum(a1 - a0, 1)
    before = (sums[b1] - sums[b0]) / np.maximum(b1 - b0, 1)
    return np.where((a1 - a0 < length // 2) | (b1 - b0 < length // 2), 0.0, after - before)


def trace_plunge(outline: Outline, strip: Strip, start: Candidate, *, top_mm: float | None = None) -> Line:
    """Trace the crease from a rough line.

    Parameters
    ----------
    outline : Outline
    strip : Strip
    start : Candidate
    top_mm : float, optional
        Height above the edge to which it runs; default: three quarters of the blade.

    Returns
    -------
    Line
        Its confidence tells whether it is one.
    """
    column = int(np.argmin(np.abs(strip.x_mm - start.x_mm)))
    edge, width = float(strip.edge_mm[column]), float(strip.width_mm[column])
    top = min(top_mm if top_mm is not None else 0.75 * width, width - 0.6)
    above = np.arange(0.6, top, _ROW_MM)
    y = edge + above
    centre = start.x_mm + start.lean * (above - start.above_mm)
    std = np.full(len(y), np.inf)
    good = np.ones(len(y), dtype=np.bool_)
    jump = np.zeros(len(y))
    for reach, before, after in ((1.2, 1.5, 0.8), (0.45, 1.5, 0.5), (0.25, 1.5, 0.45)):
        slope = float(np.polyfit(y, centre, 1)[0])
        fit = _rows(outline, y, centre, slope, reach=reach, before=before, after=after)
        good = (np.abs(fit.place) < 0.95 * reach) & (fit.gain > 0.1)
        jump = np.where(good, fit.jump, 0.0)
        sign = np.sign(np.sum(jump)) or 1.0
        good &= jump * sign > 0
        if good.sum() < 6:
            return _hopeless(np.column_stack([centre, y]))
        seen = centre + fit.place
        std = np.maximum(fit.place_std, 0.005)
        good, curve = _robust(y, seen, std, good, degree=1 if reach > 0.4 else 2)
        if good.sum() < 6:
            return _hopeless(np.column_stack([centre, y]))
        centre = curve(y)
    points = np.column_stack([seen, y])[good]
    residual = seen[good] - centre[good]
    scatter = float(np.sqrt(np.mean(residual**2)) + 1e-4)
    independent = max(good.sum() / integral_length(residual), 2.0)
    span = float(np.std(y[good])) + 1e-6
    share = good.sum() / max(len(y), 1)
    return Line(
        points_mm=frozen(points),
        shift_std_mm=scatter / np.sqrt(independent),
        turn_std_rad=scatter / np.sqrt(independent) / span,
        scatter_mm=scatter,
        confidence=float(np.clip(share / 0.6, 0, 1) * np.clip(start.score / 0.9, 0, 1) * np.exp(-scatter / 0.3)),
        width_mm=_transition(outline, points, float(np.polyfit(y, centre, 1)[0])),
    )


def _rows(outline: Outline, y: Array, centre: Array, slope: float, *, reach: float, before: float, after: float):  # type: ignore[no-untyped-def]
    from scipy.ndimage import uniform_filter1d

    step = outline.face.plane.step_mm
    offsets = np.arange(-before - reach, after + reach + 1e-9, step / 2)
    points = np.stack(np.broadcast_arrays(centre[:, None] + offsets[None, :], y[:, None]), axis=-1)
    profiles = sample(outline.face, points).mean(axis=2)
    profiles = uniform_filter1d(profiles, 5, axis=0, mode="nearest")
    blur = outline.blur_mm * float(np.hypot(1.0, slope))
    return fit_steps(profiles, offsets, blur=blur, reach=reach)


def _robust(
    y: Array, x: Array, std: Array, good: NDArray[np.bool_], *, degree: int
) -> tuple[NDArray[np.bool_], "np.polynomial.Polynomial"]:
    keep = good.copy()
    curve = np.polynomial.Polynomial.fit(y[keep], x[keep], 1)
    for _ in range(8):
        residual = x - curve(y)
        scale = max(1.48 * float(np.median(np.abs(residual[keep]))), 0.015)
        new = good & (np.abs(residual) < 3.5 * scale)
        if new.sum() < 6:
            break
        keep = new
        weight = 1.0 / np.hypot(std[keep], scale)
        curve = np.polynomial.Polynomial.fit(y[keep], x[keep], min(degree, 2), w=weight)
    return keep, curve


def _transition(outline: Outline, points: Array, slope: float) -> float:
    """Width from the crease to where the bevel has its own level, at half height."""
    middle = np.quantile(points[:, 1], 0.5)
    near = np.abs(points[:, 1] - middle) < 1.5
    if near.sum() < 3:
        return 0.0
    y, centre = points[near, 1], points[near, 0]
    step = outline.face.plane.step_mm
    offsets = np.arange(0.0, 7.0, step)
    grid = np.stack(np.broadcast_arrays(centre[:, None] + offsets[None, :], y[:, None]), axis=-1)
    level = np.log(np.maximum(sample(outline.face, grid).mean(axis=2).mean(axis=0), 1e-3))
    own = float(np.median(level[offsets > 4.5]))
    off = np.abs(level - own)
    peak = float(off[offsets < 1.5].max())
    if peak < 0.1:
        return 0.0
    settled = np.flatnonzero((off < 0.25 * peak) & (offsets > offsets[int(np.argmax(off[offsets < 1.5]))]))
    return float(offsets[settled[0]]) if settled.size else 0.0


def _hopeless(points: Array) -> Line:
    return Line(
        points_mm=frozen(points), shift_std_mm=1.0, turn_std_rad=0.2, scatter_mm=1.0, confidence=0.0
    )
