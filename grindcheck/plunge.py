"""Where the plunge line runs: the crease at which the ricasso's flat ends.

First roughly, as the straight line across the strip whose two sides differ most in brightness and lay and
which is itself a sharp edge; then row by row to a fraction of a pixel.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from grindcheck.chain import interpolated
from grindcheck.creasefit import blended, leaves_course, settle, step_along
from grindcheck.flatend import FaceMaps, best_line, face_maps, flat_between, flat_ends, on_steel
from grindcheck.geometry import Array, frozen
from grindcheck.outline import Outline, sample
from grindcheck.strip import STEP_MM, Strip, means_apart

_LEANS = np.tan(np.deg2rad(np.arange(-32.0, 32.1, 4.0)))  # dx/dy of tried lines
_ROW_MM = 0.2
_LEAST_BLADE_MM = 20.0  # a plunge nearer to the tip is none
_HEEL_MM = 0.5  # of ricasso at least between heel or choil and the plunge
_BEHIND_MM = 1.5  # flat that must be seen behind the crease
_NEARER_MM = 0.8  # nearer to the handle, where a fainter end of the flat is sought
_FACES_MM = 3.0  # usual difference of the plunges of two faces, for choosing only
_FACES_LEAN = 0.1
_APART_MM = 0.3  # two lines farther from each other can't both be the crease
_SAME_MM = 0.1  # two traces nearer to each other are of one line
_STANDS_OUT = 5.0  # strength of a step that the flat's own streaks don't have
_CLEARER = 3.0  # times stronger a step beside a line that is none must be
_SURE = 0.9  # confidence of a line that needs no more starts
_LIKELY = 0.45  # confidence of a line that may be the crease although another is surer
_USUAL_LEAN = 0.12  # dx/dy of a plunge, 7°; common practice, no source
_INDEPENDENT = 2.0  # neighbours along a crease err alike: shade, halo, a streak; two looks at most
_ROUGH_MM = 0.1  # scatter of a line that hardly is one
_LEAST_EVIDENCE = 2.0  # log likelihood per row; below, the flat goes on


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A line that may be the plunge: ``x = x_mm + lean * (above - above_mm)`` in the strip.

    Parameters
    ----------
    x_mm, lean, above_mm : float
    score : float
        0 for nothing to 2 or 3 for a sharp edge between different lays and levels.
    other : (float, float)
        A second ``x_mm`` and ``lean`` worth trying: the line that divides the looks best rather than the
        sharpest.
    """

    x_mm: float
    lean: float
    above_mm: float
    score: float
    other: tuple[float, float]


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
    top_mm : float
        How high above the edge a plunge line is seen.
    evidence : float
        Sum of the log likelihood that the points are a line.
    std_mm : ndarray, shape (K,), or None
        Of each point, where they differ.
    """

    points_mm: Array
    shift_std_mm: float
    turn_std_rad: float
    scatter_mm: float
    confidence: float
    by_hand: bool = False
    width_mm: float = 0.0
    top_mm: float = 0.0
    evidence: float = 0.0
    std_mm: Array | None = None

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
    reference, highest = float(strip.above_mm[rows].mean()), float(strip.above_mm[rows].max())
    best: list[tuple[float, int, float]] = []
    others: list[tuple[float, float]] = []
    far = int(4.0 / STEP_MM)
    legal = (strip.x_mm < -_LEAST_BLADE_MM) & (strip.x_mm > strip.begins_mm + _BEHIND_MM)
    legal &= ~_near(strip.covered)
    total, bright, across = _sheared(strip, rows, reference)
    seen = total > 0.5 * len(rows)
    sharp = np.abs(_difference(bright, 1, 6))
    noise = [
        1.48 * np.median(step[own]) + 0.01 if own.any() else 1.0
        for step, own in zip(sharp, seen, strict=True)
    ]
    sharpness = np.where(seen, np.log1p(sharp / np.array(noise)[:, None]) / np.log(16.0), 0.0)
    # behind the heel there is no blade: neither at the edge nor as far up as is looked
    back = np.maximum(_LEANS * reference, _LEANS * (reference - highest))
    possible = seen & legal & (strip.x_mm - back[:, None] > strip.heel_mm + _HEEL_MM)
    edges = np.where(possible, sharpness, 0.0)
    change = np.clip(_difference(across, 5, far), -1, 1)
    level = np.minimum(np.abs(_difference(bright, 5, far)) / 0.4, 1.0)
    scores = np.where(possible, edges + change + 0.4 * level, -np.inf)
    while len(best) < count and np.isfinite(scores.max()):
        number, column = (int(index) for index in np.unravel_index(int(np.argmax(scores)), scores.shape))
        widest = number
        # near the best place the sharpest line is meant: sums over wide windows hardly depend on its lean
        first = max(0, column - 12)
        close = edges[:, first : column + 13]
        number, near = (int(index) for index in np.unravel_index(int(np.argmax(close)), close.shape))
        place = first + near
        worth = scores[number, place] if np.isfinite(scores[number, place]) else scores[number, column]
        # beside a sharper edge where no plunge can be (the handle's front, the heel) it is only that edge's
        # flank
        flank = sharpness[:, max(0, place - 12) : place + 13].max() > 1.1 * edges[number, place]
        if np.isfinite(worth) and not flank:
            best.append((float(worth), place, float(_LEANS[number])))
            others.append((float(strip.x_mm[column]), float(_LEANS[widest])))
        scores[:, max(0, column - 20) : column + 21] = -np.inf
    found = [
        Candidate(
            x_mm=float(strip.x_mm[column]), lean=lean, above_mm=reference, score=score, other=other
        )
        for (score, column, lean), other in zip(best, others, strict=True)
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda candidate: -candidate.score))


def _near(covered: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return what is covered and what lies beside it: the end of a cover is no plunge."""
    import cv2

    size = 2 * round(_BEHIND_MM / STEP_MM) + 1
    return np.asarray(cv2.dilate(covered.astype(np.uint8)[None], np.ones((1, size), np.uint8))[0] > 0)


def _sheared(strip: Strip, rows: NDArray[np.intp], reference: float) -> tuple[Array, Array, Array]:
    """Steel seen, mean brightness and mean lay along every tried line: shape (leans, columns) each."""
    inside = strip.inside[rows].astype(np.float64)
    parts = np.stack([inside, strip.brightness[rows] * inside, strip.across[rows] * inside])
    shifts = np.rint(np.outer(_LEANS, strip.above_mm[rows] - reference) / STEP_MM).astype(int)
    pad = int(np.abs(shifts).max())
    parts = np.pad(parts, ((0, 0), (0, 0), (pad, pad)), mode="edge")
    sums = np.zeros((3, len(_LEANS), strip.x_mm.size))
    for lean, along in enumerate(shifts + pad):
        for row, first in enumerate(along):
            sums[:, lean] += parts[:, row, first : first + strip.x_mm.size]
    total, bright, across = sums
    steel = np.maximum(total, 1e-9)
    return total, bright / steel, across / steel


def _difference(profiles: Array, gap: int, length: int) -> Array:
    """`means_apart` of each row, 0 where less than half of a window is left."""
    difference, count = means_apart(profiles.T, gap, length)
    return np.where(count < length // 2, 0.0, difference.T)


def trace_plunge(outline: Outline, strip: Strip, start: Candidate, *, top_mm: float | None = None) -> Line:
    """Trace the crease from a rough line.

    Parameters
    ----------
    outline : Outline
    strip : Strip
    start : Candidate
    top_mm : float, optional
        Height above the edge to which it runs; default: as far as it is seen.

    Returns
    -------
    Line
        Its confidence tells whether it is one; `Line.top_mm` how high it is seen.

    Notes
    -----
    The plunge line is where the flat ends, whatever follows: a dark or bright band, wide or
    narrow. So the flat behind it is modelled (a plane of brightness, a level per row for the streaks of its
    lay, its noise), each sample votes by how badly the flat explains its brightness and its slope, and the
    straight line that parts the votes best is taken, each row's say being bounded. A blurred step is then
    fitted at the line, row by row, for the fraction of a pixel and a slight bow: once in the colour that
    tells flat and plunge apart best and once in brightness. Either may have taken a line beside the crease;
    the line lies between them, and how far they lie apart counts as uncertainty. A line along which nothing
    steps, beside what the flat shows itself, is traced anew from the strongest step beside it.
    """
    maps = face_maps(outline)
    starts = [(start.x_mm, start.lean), (start.x_mm, _USUAL_LEAN)]
    tries = [_trace(outline, strip, maps, x_mm, lean, start.above_mm, top_mm) for x_mm, lean in starts]
    if not _agree(*tries):
        tries.append(_trace(outline, strip, maps, *start.other, start.above_mm, top_mm))
        tries.append(_trace(outline, strip, maps, *starts[0], start.above_mm, top_mm, near=True))
    column = int(np.argmin(np.abs(strip.x_mm - start.x_mm)))
    y = float(strip.edge_mm[column]) + start.above_mm
    found = _first(outline, maps, tries, y)
    at, lean = found.straight()
    x_mm = at + lean * y - _NEARER_MM
    again = _trace(outline, strip, maps, x_mm, lean, start.above_mm, top_mm)
    best = _first(outline, maps, [found, again], y)
    strength, beside = _stands_out(outline, best)
    if strength < _STANDS_OUT:
        at, lean = best.straight()
        moved = _trace(
            outline, strip, maps, at + lean * y + beside, lean, start.above_mm, top_mm, settled=True
        )
        tries.append(moved)
        clear = _stands_out(outline, moved)[0] > max(_STANDS_OUT, _CLEARER * strength)
        best = moved if clear else replace(best, confidence=min(best.confidence, _LIKELY))
    return allowing_for(best, [*tries, again], y)


def retrace_plunge(outline: Outline, strip: Strip, line: Line, *, x_mm: float, lean: float) -> Line:
    """Trace a doubtful plunge again from where the other face has its own, and choose.

    Parameters
    ----------
    outline : Outline
    strip : Strip
    line : Line
        As traced from this face alone.
    x_mm, lean : float
        The other face's line, brought to this face's frame: place half-way up its own height, and dx/dy.

    Returns
    -------
    Line
        The surer of the two, its confidence lowered by how unlike the other face's line it lies: faces of one
        blade differ by a few millimetres and degrees (common practice, no source).
    """
    column = int(np.argmin(np.abs(strip.x_mm - x_mm)))
    height = max(float(np.ptp(line.points_mm[:, 1])), 4.0) / 2
    again = _trace(outline, strip, face_maps(outline), x_mm, lean, height, None, near=True)
    y = float(strip.edge_mm[column]) + height

    def likely(one: Line) -> float:
        at, own = one.straight()
        apart = ((at + own * y - x_mm) / _FACES_MM) ** 2 + ((own - lean) / _FACES_LEAN) ** 2
        return one.confidence * float(np.exp(-0.5 * apart))

    best = max((line, again), key=likely)
    return replace(best, confidence=likely(best))


def _stands_out(outline: Outline, line: Line) -> tuple[float, float]:
    """How strong a step a line is, and where beside it the strongest one lies, mm."""
    at, lean = line.straight()
    y = np.arange(float(line.points_mm[:, 1].min()), float(line.points_mm[:, 1].max()), _ROW_MM)
    offsets, strength = step_along(outline, y, at + lean * y)
    here = float(strength[np.abs(offsets) < _SAME_MM].max())
    return here, float(offsets[int(np.argmax(strength))])


def _agree(one: Line, other: Line) -> bool:
    """Whether two traces from different starts came to the same sure line."""
    near = abs(float(one.points_mm[:, 0].mean() - other.points_mm[:, 0].mean())) < _SAME_MM
    return near and min(one.confidence, other.confidence) > _SURE


def _first(outline: Outline, maps: FaceMaps, lines: list[Line], y: float) -> Line:
    """Choose the line at which the flat ends, of several that were traced.

    The surest line, or of those nearly as sure the one nearest to the handle at a height y; unless the flat
    has ended before it, at another line that is likely too: a grind line of the bevel can look sharper than
    the crease.
    """
    most = max(len(line.points_mm) for line in lines)
    worth = {id(line): line.confidence * min(len(line.points_mm) / (0.7 * most), 1.0) for line in lines}

    def place(line: Line) -> float:
        at, lean = line.straight()
        return at + lean * y

    best = max(worth.values())
    surest = min((line for line in lines if worth[id(line)] >= 0.95 * best), key=place)
    for line in sorted(lines, key=place):
        if place(surest) - place(line) < _APART_MM or worth[id(line)] < _LIKELY:
            continue
        rows = np.arange(
            max(float(one.points_mm[:, 1].min()) for one in (line, surest)),
            min(float(one.points_mm[:, 1].max()) for one in (line, surest)),
            _ROW_MM,
        )
        (at, lean), (other, turn) = line.straight(), surest.straight()
        first, second = at + lean * rows, other + turn * rows
        if len(rows) < 8 or (second < first).any():
            continue
        if flat_between(outline, maps, rows, first, second) > 0:
            return line
    return surest


def allowing_for(chosen: Line, lines: list[Line], y: float) -> Line:
    """Return a line with what is left open where a surer one was set aside: either may be right.

    Parameters
    ----------
    chosen : Line
    lines : list of Line
        All that were traced.
    y : float
        Height at which they are compared.

    Returns
    -------
    Line
        Its std at least the spread of a mixture of the two, by their confidences.
    """
    at, lean = chosen.straight()
    shift, turn = chosen.shift_std_mm, chosen.turn_std_rad
    for line in lines:
        other, other_lean = line.straight()
        away = other + other_lean * y - at - lean * y
        if line.confidence <= chosen.confidence or abs(away) < _APART_MM:
            continue
        share = line.confidence / (line.confidence + chosen.confidence)
        spread = float(np.sqrt(share * (1 - share)))
        shift = max(shift, spread * abs(away))
        turn = max(turn, spread * abs(other_lean - lean))
    return replace(chosen, shift_std_mm=shift, turn_std_rad=turn)


def _trace(
    outline: Outline,
    strip: Strip,
    maps: FaceMaps,
    x_mm: float,
    lean: float,
    above_mm: float,
    top_mm: float | None,
    *,
    near: bool = False,
    settled: bool = False,
) -> Line:
    """Trace from one start; ``near``: it is good to less than a millimetre; ``settled``: to a few tenths."""
    column = int(np.argmin(np.abs(strip.x_mm - x_mm)))
    edge, width = float(strip.edge_mm[column]), float(strip.width_mm[column])
    above = np.arange(0.6, min(top_mm, width - 0.6) if top_mm else width - 0.6, _ROW_MM)
    if len(above) < 8:
        return no_line(np.array([[x_mm, edge], [x_mm, edge + 1.0]]))
    y = edge + above
    centre = x_mm + lean * (above - above_mm)
    evidence = np.zeros(len(y))
    # the lower part alone first: it surely is plunge, and its short lever leaves the line's lean free
    passes = ((1.6, max(int(0.45 * len(y)), 8)), (0.8, len(y)))
    for reach, part in passes[near or settled :]:
        gain, states = flat_ends(outline, maps, y, centre, reach)
        shift, lean = (0.0, 0.0) if settled else best_line(gain[:part], states, y[:part])
        at = shift + lean * (y - y[:part].mean())
        centre = centre + at
        evidence = interpolated(at[:, None], states, gain)[:, 0]
    rows = len(y) if top_mm else _top(evidence)
    if rows < 8 or (evidence[:rows] > _LEAST_EVIDENCE).sum() < 8:
        return no_line(np.column_stack([centre, y]))
    y, centre, evidence = y[:rows], centre[:rows], evidence[:rows]
    # a line over the choil or beyond the rim isn't on the blade
    behind = outline.face.plane.pixels(centre[:, None] - [[0.5, 0.0]], y[:, None])
    steel = np.all(on_steel(maps, *behind), axis=1)
    seen = settle(outline, y, centre, steel, mixed=True)
    if seen is None:
        return no_line(np.column_stack([centre, y]))
    plain = settle(outline, y, centre, steel, mixed=False)
    shift = turn = 0.0
    if plain is not None:
        seen, shift, turn = blended(seen, plain)
    end = len(y) if top_mm else leaves_course(y, seen.x_mm, seen.good)
    if end < len(y) and seen.good[:end].sum() >= 8:
        seen, y, evidence = seen.below(end), y[:end], evidence[:end]
    found, good, centre = seen.x_mm, seen.good, seen.curve(y)
    points = np.column_stack([found, y])[good]
    scatter = seen.scatter()
    own = scatter / np.sqrt(_INDEPENDENT)
    share = good.sum() / len(y)
    strength = float(np.median(evidence))
    return Line(
        points_mm=frozen(points),
        shift_std_mm=float(np.hypot(own, shift)),
        turn_std_rad=float(np.hypot(own / (float(np.std(y[good])) + 1e-6), turn)),
        scatter_mm=scatter,
        confidence=float(
            np.clip(share / 0.6, 0, 1)
            * np.clip(strength / (3 * _LEAST_EVIDENCE), 0, 1)
            * np.exp(-((scatter / _ROUGH_MM) ** 2))
        ),
        width_mm=_transition(outline, points, float(np.polyfit(y, centre, 1)[0])),
        top_mm=float(y[-1] - edge),
        evidence=float(np.sum(np.maximum(evidence - _LEAST_EVIDENCE, 0.0))),
    )


def _top(evidence: Array) -> int:
    """How many rows the crease runs: where the sum of evidence over a fair share of its own is highest."""
    usual = float(np.median(evidence[: max(len(evidence) // 4, 8)]))
    total = np.cumsum(evidence - max(0.3 * usual, _LEAST_EVIDENCE))
    return int(np.argmax(total)) + 1


def _transition(outline: Outline, points: Array, slope: float) -> float:
    """Width from the crease to where the bevel has its own level, at half height."""
    middle = np.quantile(points[:, 1], 0.5)
    near = np.abs(points[:, 1] - middle) < 1.5
    if near.sum() < 3:
        return 0.0
    y, centre = points[near, 1], points[near, 0]
    step = outline.face.plane.step_mm
    offsets = np.arange(0.0, 7.0, step)
    colours = sample(outline.face, centre[:, None] + offsets, y[:, None])
    level = np.log(np.maximum(colours.mean(axis=2).mean(axis=0), 1e-3))
    own = float(np.median(level[offsets > 4.5]))
    off = np.abs(level - own)
    peak = float(off[offsets < 1.5].max())
    if peak < 0.1:
        return 0.0
    settled = np.flatnonzero((off < 0.25 * peak) & (offsets > offsets[int(np.argmax(off[offsets < 1.5]))]))
    return float(offsets[settled[0]]) if settled.size else 0.0


def no_line(points: Array) -> Line:
    """Return what stands for a line that isn't one: confidence 0."""
    return Line(points_mm=frozen(points), shift_std_mm=1.0, turn_std_rad=0.2, scatter_mm=1.0, confidence=0.0)
