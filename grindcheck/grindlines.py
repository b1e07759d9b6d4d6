"""The lines of a grind on one face: plunge and shoulder, and which kind of grind they make."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from grindcheck.errors import BladeError, InputError
from grindcheck.geometry import Array, frozen, way_lengths, way_points
from grindcheck.outline import Outline
from grindcheck.plunge import Candidate, Line, plunge_candidates, retrace_plunge, trace_plunge
from grindcheck.shoulder import shoulder_path, trace_shoulder
from grindcheck.strip import Strip, unroll

GRINDS = ("sabre", "scandi", "full flat", "hollow", "convex")
_LEAST_SCORE = 0.75  # of a plunge candidate; below, nothing runs across the blade
SEEN = 0.5  # confidence from which a line is told
_RIVAL_MM = 4.0  # nearer to each other two creases are one plunge's two borders
SURE_ODDS = float(np.log(19.0))  # 95 %, within which the grind isn't told
_NO_PLUNGE = 0.5  # of both faces, below which what was traced is no plunge at all
_SURE = 0.85  # of a plunge that needs no second look
_UNSURE_PLUNGE = 0.6  # scatter of about 0.07 mm, at which traces of another line begin to pass
_FADES_AT = 0.72  # of the blade's width: a full flat plunge is seen beyond, any other ends below
_ROUNDED_MM = 0.3  # below the shoulder the corner is rounded
_BEYOND_MM = 1.0  # of a plunge line above the shoulder that spoils its direction
_ROUGHLY_MM = 0.5  # how well a line is known that isn't seen clearly
_ROUGHLY_RAD = 0.1
_USUAL_DIFFERENCE_MM = 3.0  # of plunges or heights of two faces of one blade; only chooses what to tell
_SCANDI_SHARE = 0.45  # a straight bevel lower than this share of the blade is called a scandi grind


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """A face's strip and the lines that may be its plunge."""

    outline: Outline
    strip: Strip
    candidates: tuple[Candidate, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GrindLines:
    """The lines found on one face.

    Parameters
    ----------
    plunge, shoulder : Line or None
    full_flat : bool
        The bevel reaches the spine.
    grind : str
        One of `GRINDS`, or empty if the lines don't tell.
    flags : tuple of str
    """

    plunge: Line | None
    shoulder: Line | None
    full_flat: bool
    grind: str
    flags: tuple[str, ...]


def survey(outline: Outline) -> Survey:
    """Unroll a face and look for lines that may be its plunge."""
    strip = unroll(outline, outline.lay)
    return Survey(outline=outline, strip=strip, candidates=plunge_candidates(strip))


def choose_plunges(one: Survey, other: Survey) -> tuple[Candidate | None, Candidate | None]:
    """Choose the plunge of each face, knowing that both belong to one blade.

    Parameters
    ----------
    one, other : Survey

    Returns
    -------
    tuple of Candidate or None
        The pair with the highest sum of scores, less a penalty for lying far apart; None where the blade
        shows no plunge. The choice doesn't move the lines, which are traced on each face alone.
    """
    best: tuple[Candidate | None, Candidate | None] = (None, None)
    highest = 2 * _LEAST_SCORE
    for first in one.candidates:
        for second in other.candidates:
            apart = _from_tip(one, first) - _from_tip(other, second)
            worth = first.score + second.score - 0.5 * min((apart / _USUAL_DIFFERENCE_MM) ** 2, 8.0)
            if worth > highest and min(first.score, second.score) > 0.5 * _LEAST_SCORE:
                best, highest = (first, second), worth
    return best


def rival_plunges(one: Survey, other: Survey, chosen: tuple[Candidate | None, Candidate | None]) -> bool:
    """Whether both faces show another crease that may be the plunge as well.

    Where a shoulder starts at the plunge there is no doubt. Where none is seen, the border of a finish, the
    front of a handle or the end of a tape can be a sharper line than the plunge, on both faces alike.

    Returns
    -------
    bool
        Another crease is seen as surely as a plunge, at about one place and height on both faces.
    """
    if chosen[0] is None or chosen[1] is None:
        return False
    left = [
        replace(seen, candidates=tuple(each for each in seen.candidates if _far(each, taken)))
        for seen, taken in ((one, chosen[0]), (other, chosen[1]))
    ]
    found = choose_plunges(left[0], left[1])
    if found[0] is None or found[1] is None:
        return False
    apart = abs(_from_tip(one, found[0]) - _from_tip(other, found[1]))
    if apart > _USUAL_DIFFERENCE_MM:
        return False
    lines = (
        trace_plunge(one.outline, one.strip, found[0]),
        trace_plunge(other.outline, other.strip, found[1]),
    )
    alike = abs(lines[0].top_mm - lines[1].top_mm) < _USUAL_DIFFERENCE_MM
    return alike and min(line.confidence for line in lines) > _SURE


def _far(one: Candidate, other: Candidate) -> bool:
    return abs(one.x_mm - other.x_mm) > _RIVAL_MM


def doubted(line: Line | None) -> Line | None:
    """Return a plunge that may be another line as one that isn't sure."""
    return None if line is None else replace(line, confidence=min(line.confidence, _NO_PLUNGE))


def not_told(line: Line | None) -> Line | None:
    """Return a shoulder as one that isn't to be told: there may be none."""
    return None if line is None else replace(line, confidence=0.0)


def unlike_shoulders(one: Survey, line: Line | None, other: Survey, other_line: Line | None) -> bool:
    """Whether one of two shoulders must be another line: nobody grinds two faces that differ by so much.

    As where a wall along the spine is seen: the flat ends there too, and more clearly than at its shoulder.
    """
    if line is None or other_line is None or min(line.confidence, other_line.confidence) < SEEN:
        return False
    x = line.points_mm[:, 0] - one.outline.tip_mm[0]
    heights = [_height_from_tip(seen, told, x) for seen, told in ((one, line), (other, other_line))]
    apart = heights[0] - heights[1]
    apart = apart[np.isfinite(apart)]
    return len(apart) > 0 and bool(abs(np.median(apart)) > _USUAL_DIFFERENCE_MM)


def _height_from_tip(seen: Survey, shoulder: Line, x: Array) -> Array:
    """Height of a shoulder over the edge at places from the tip; NaN where it isn't seen."""
    at = x + seen.outline.tip_mm[0]
    points = shoulder.points_mm[np.argsort(shoulder.points_mm[:, 0])]
    y = np.interp(at, points[:, 0], points[:, 1], left=np.nan, right=np.nan)
    return np.asarray(y - seen.outline.rim_mm(at, edge=True))


def trace_plunge_of(seen: Survey, plunge: Candidate | None) -> Line | None:
    """Trace the chosen plunge as far up as it is seen."""
    return None if plunge is None else trace_plunge(seen.outline, seen.strip, plunge)


def compare_plunges(seen: Survey, line: Line | None, other: Survey, other_line: Line | None) -> Line | None:
    """Look again at a doubtful plunge, now that the other face's is known; a sure one stays as it is."""
    if line is None or other_line is None or line.confidence > _SURE or other_line.confidence <= _SURE:
        return line
    at, lean = other_line.straight()
    y = float(other_line.points_mm[:, 1].mean())
    x_mm = at + lean * y - float(other.outline.tip_mm[0]) + float(seen.outline.tip_mm[0])
    return retrace_plunge(seen.outline, seen.strip, line, x_mm=x_mm, lean=lean)


def runs_out(plunges: Iterable[Line | None]) -> bool:
    """Whether a full flat bevel runs out at the heel: neither face shows anything like a plunge."""
    return all(line is None or line.confidence < _NO_PLUNGE for line in plunges)


def trace_shoulder_of(seen: Survey, plunge_line: Line | None) -> Line | None:
    """Trace the shoulder from the plunge, or from the heel where there is none."""
    start = float(plunge_line.points_mm[:, 0].mean()) if plunge_line else seen.strip.heel_mm
    top = plunge_line.top_mm if plunge_line and plunge_line.confidence > SEEN and plunge_line.top_mm else None
    path = shoulder_path(seen.strip, from_mm=start, top_mm=top)
    return trace_shoulder(seen.outline, seen.strip, path, top_mm=top) if path else None


def _from_tip(seen: Survey, candidate: Candidate) -> float:
    return float(seen.outline.tip_mm[0]) - candidate.x_mm


def trace_lines(
    seen: Survey,
    plunge: Candidate | None,
    plunge_line: Line | None,
    *,
    shoulder_line: Line | None = None,
    full_flat: bool,
    grind: str | None = None,
    by_hand: Mapping[str, Array] | None = None,
) -> GrindLines:
    """Trace plunge and shoulder of one face.

    Parameters
    ----------
    seen : Survey
    plunge : Candidate or None
        The chosen candidate.
    plunge_line : Line or None
        Traced from it.
    shoulder_line : Line or None
        As `trace_shoulder_of` found it.
    full_flat : bool
        Whether the bevel reaches the spine: see `reaches_spine`.
    grind : str, optional
        The grind as the user names it.
    by_hand : mapping of str to ndarray, shape (K, 2), optional
        ``plunge`` and ``shoulder`` as polylines in the face frame, instead of those in the picture.

    Returns
    -------
    GrindLines
    """
    by_hand = by_hand or {}
    flags: list[str] = []
    if "plunge" in by_hand:
        plunge_line = _line_by_hand(by_hand["plunge"])
    if "shoulder" in by_hand:
        shoulder_line = _line_by_hand(by_hand["shoulder"])
    elif full_flat:
        shoulder_line = None
    elif shoulder_line is None or "plunge" in by_hand:
        shoulder_line = trace_shoulder_of(seen, plunge_line)
    if (
        shoulder_line is not None
        and shoulder_line.confidence >= SEEN
        and plunge_line
        and not plunge_line.by_hand
    ):
        plunge_line = _up_to(seen, plunge, plunge_line, shoulder_line)
    if plunge_line is None:
        flags.append("no_plunge")
    elif plunge_line.confidence < _UNSURE_PLUNGE:
        flags.append("plunge_unsure")
        plunge_line = replace(
            plunge_line,
            shift_std_mm=max(plunge_line.shift_std_mm, _ROUGHLY_MM),
            turn_std_rad=max(plunge_line.turn_std_rad, _ROUGHLY_RAD),
        )
    if full_flat:
        flags.append("full_flat")
    elif shoulder_line is None or shoulder_line.confidence < SEEN:
        flags.append("shoulder_unsure")
        shoulder_line = None  # a line that may be none gives no figures
    if by_hand:
        flags.append("placed_by_hand")
    return GrindLines(
        plunge=plunge_line,
        shoulder=shoulder_line,
        full_flat=full_flat,
        grind=grind or _kind(seen, shoulder_line, full_flat=full_flat),
        flags=tuple(flags),
    )


def _up_to(seen: Survey, start: Candidate | None, plunge: Line, shoulder: Line) -> Line:
    """Keep of the plunge what lies below the shoulder, and trace anew what went beyond."""
    near = np.abs(shoulder.points_mm[:, 0] - plunge.points_mm[:, 0].mean()) < 12.0
    if near.sum() < 3:
        return plunge
    level = float(np.median(shoulder.points_mm[near, 1])) - _ROUNDED_MM
    column = int(np.argmin(np.abs(seen.strip.x_mm - plunge.points_mm[:, 0].mean())))
    height = level - float(seen.strip.edge_mm[column])
    if start is not None and height > 2.5 and plunge.top_mm > height + _BEYOND_MM:
        again = trace_plunge(seen.outline, seen.strip, start, top_mm=height)
        if again.confidence > plunge.confidence:
            return again
    below = plunge.points_mm[:, 1] < level
    return replace(plunge, points_mm=frozen(plunge.points_mm[below])) if below.sum() >= 6 else plunge


def reaches_spine(
    seen: Survey, plunge: Candidate | None, plunge_line: Line | None, shoulder_line: Line | None
) -> float:
    """Log odds that the bevel reaches the spine, a full flat grind.

    Parameters
    ----------
    seen : Survey
    plunge : Candidate or None
    plunge_line : Line or None
        Traced from it as far up as it is seen.
    shoulder_line : Line or None
        Traced as if there were one.

    Returns
    -------
    float
        Positive for a full flat grind.

    Notes
    -----
    On a full flat grind the plunge is seen nearly up to the spine and changes the face's look all
    the way, and no line along the blade is found; otherwise the plunge ends at the shoulder, above which the
    flat goes on as it was behind the plunge. The look says little where flat and bevel look alike, as after
    hand finishing.
    """
    line = shoulder_line.confidence if shoulder_line else 0.0
    odds = 4.0 * (0.5 - line)
    if plunge is None or plunge_line is None:
        return odds - 1.0
    low, high = (_look_across(seen.strip, plunge, band) for band in ((0.08, 0.35), (0.75, 0.95)))
    odds += 4.0 * min(low / 0.5, 1.0) * (min(high / max(low, 0.15), 1.5) - 0.5)
    width = float(np.interp(plunge.x_mm, seen.strip.x_mm, seen.strip.width_mm))
    height = np.clip((plunge_line.top_mm / width - _FADES_AT) / 0.1, -1.0, 1.0) * plunge_line.confidence
    return odds + 6.0 * float(height)


def _look_across(strip: Strip, plunge: Candidate, band: tuple[float, float]) -> float:
    """How much brightness and lay change across the plunge line, within a band of the blade's height."""
    column = int(np.argmin(np.abs(strip.x_mm - plunge.x_mm)))
    width = float(strip.width_mm[column])
    rows = np.flatnonzero((strip.above_mm > band[0] * width) & (strip.above_mm < band[1] * width))
    at = plunge.x_mm + plunge.lean * (strip.above_mm[rows] - plunge.above_mm)
    looks = []
    for gap, reach in ((0.8, 4.0), (-4.0, -0.8)):
        first = np.searchsorted(strip.x_mm, at + gap, side="right")
        end = np.searchsorted(strip.x_mm, at + reach, side="left")
        columns = first[:, None] + np.arange(max((end - first).max(initial=0), 1))
        held = np.minimum(columns, len(strip.x_mm) - 1)
        seen = strip.inside[rows[:, None], held] & (columns < end[:, None])
        enough = np.count_nonzero(seen, axis=1) > 5
        values = [
            part[rows[:, None], held][enough].mean(axis=1, where=seen[enough], dtype=np.float64)
            for part in (strip.brightness, strip.across)
        ]
        looks.append(np.median(values, axis=1) if enough.any() else np.zeros(2))
    return float(np.hypot(*((looks[0] - looks[1]) * np.array([2.0, 1.0]))))


def _line_by_hand(points: Array) -> Line:
    """Return the user's polyline in points 0.2 mm apart; a hand places a line to about 0.1 mm."""
    if len(points) < 2:
        raise InputError("A line needs two points.", advice="Give it as x1,y1,x2,y2 in pixels of the photo.")
    length = way_lengths(points)
    if length[-1] < 1.0:
        raise InputError(
            f"The line given by hand is {length[-1]:.2f} mm long.",
            advice="Give its two ends in pixels of the upright photo, x1,y1,x2,y2.",
        )
    at = np.linspace(0, length[-1], max(int(length[-1] / 0.2), 12))
    dense = way_points(points, at)
    return Line(
        points_mm=frozen(dense), shift_std_mm=0.1, turn_std_rad=float(0.15 / length[-1]), scatter_mm=0.0,
        confidence=1.0, by_hand=True,
    )  # fmt: skip


def _kind(seen: Survey, shoulder: Line | None, *, full_flat: bool) -> str:
    """Name the grind as far as lines tell: curvature of the bevel across isn't seen in them."""
    if full_flat:
        return "full flat"
    if shoulder is None:
        return ""
    x, y = shoulder.points_mm.T
    near = x < np.quantile(x, 0.5)
    share = np.median((y - np.interp(x, seen.strip.x_mm, seen.strip.edge_mm))[near]) / np.median(
        np.interp(x, seen.strip.x_mm, seen.strip.width_mm)[near]
    )
    return "scandi" if share < _SCANDI_SHARE else "sabre"


def with_flags(lines: GrindLines, flags: tuple[str, ...]) -> GrindLines:
    """Return the lines with more flags."""
    return replace(lines, flags=tuple(dict.fromkeys(lines.flags + flags)))


def check_grind(grind: str | None) -> str | None:
    """Return a grind's name as used here.

    Raises
    ------
    InputError
        If it is none of `GRINDS`.

    Examples
    --------
    >>> check_grind("Full-Flat")
    'full flat'
    """
    if grind is None:
        return None
    name = grind.lower().replace("-", " ").replace("_", " ").strip()
    if name not in GRINDS:
        raise InputError(f"There is no grind {grind!r} here.", advice=f"Choose one of {', '.join(GRINDS)}.")
    return name


def require_lines(lines: GrindLines) -> None:
    """Raise if nothing on the face can be measured.

    Raises
    ------
    BladeError
        If there is neither plunge nor shoulder on a face that isn't full flat.
    """
    if lines.plunge is None and lines.shoulder is None and not lines.full_flat:
        raise BladeError(
            "Neither a plunge line nor a shoulder is seen.",
            advice="Turn the blade or the lamp until the lines show, or give them by hand.",
        )
