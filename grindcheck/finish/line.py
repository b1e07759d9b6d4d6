"""A scratch as found, and pieces of one that continue each other."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from grindcheck.finish.results import Tone
from grindcheck.finish.texture import Texture
from grindcheck.finish.trace import Path, Profile, joined, profile_of
from grindcheck.geometry import Array, frozen, way_lengths, way_points

TOGETHER_RAD = np.deg2rad(8.0)
SAME_PX = 4.0  # what runs this near to a scratch is the same one


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A scratch as found.

    Parameters
    ----------
    path : Path
    profile : Profile
    sigmas : float
        As rare as so many standard deviations; positive is bright.
    log_nfa : float
        Decimal logarithm of the expected number of false finds as striking.
    tone : {"bright", "dark", "bright and dark"}
    near_lay : bool
        Within 10° of the lay, where the other limit holds.
    region : str
        Of a face, where it lies or, if it crosses several, where it is surest.
    """

    path: Path
    profile: Profile
    sigmas: float
    log_nfa: float
    tone: Tone
    near_lay: bool
    region: str = ""


def moved(line: Line, points_px: Array) -> Line:
    """Return a line with its path put elsewhere."""
    return replace(line, path=replace(line.path, points_px=frozen(points_px)))


def joined_across(lines: Sequence[Line]) -> list[Line]:
    """Join lines of several regions that continue each other across what parts them.

    Parameters
    ----------
    lines : sequence of Line
        In pixels of one picture.

    Returns
    -------
    list of Line
        The surest first; a joined one keeps the profile of its surest piece.
    """
    return linked(None, _once(lines))


def _once(lines: Sequence[Line]) -> list[Line]:
    """Leave out what runs along a longer one: found in its own part, and carried on from the next."""
    kept: list[Line] = []
    for line in sorted(lines, key=lambda line: -line.path.length_px):
        for index, longer in enumerate(kept):
            if same_path(line.path.points_px, longer.path.points_px, reach_px=SAME_PX):
                if line.log_nfa < longer.log_nfa:
                    kept[index] = replace(
                        longer, log_nfa=line.log_nfa, sigmas=abs(line.sigmas) * np.sign(longer.sigmas)
                    )
                break
        else:
            kept.append(line)
    return kept


def same_path(one_px: Array, other_px: Array, *, reach_px: float) -> bool:
    """Whether more than half of the shorter path runs within reach of the other."""
    short, long = sorted((one_px, other_px), key=lambda path: float(way_lengths(path)[-1]))
    dense = _dense(long)
    away = np.array([np.hypot(*(dense - point).T).min() for point in _dense(short)])
    return bool(np.mean(away <= reach_px) > 0.5)


def _dense(path: Array) -> Array:
    whole = float(way_lengths(path)[-1])
    return way_points(path, np.linspace(0.0, whole, max(2, int(whole / 2) + 1)))


def linked(texture: Texture | None, lines: list[Line]) -> list[Line]:
    """Join pieces of one tone that continue each other across a gap no longer than the shorter of them.

    With the region's texture, what is joined is measured anew. Both must point at the other within 8°: two
    lines that have nothing to do with each other do so, at a given distance, in one of five hundred cases.
    """
    lines = sorted(lines, key=lambda line: line.log_nfa)
    done: list[Line] = []
    for line in lines:
        for index, kept in enumerate(done):
            points = _continued(kept, line)
            if points is not None:
                done[index] = _together(texture, kept, line, points)
                break
        else:
            done.append(line)
    return done if len(done) == len(lines) else linked(texture, done)


def _continued(one: Line, other: Line) -> Array | None:
    """Return the points of both in order if one continues the other, else None."""
    if one.tone != other.tone:
        return None
    gap_most = min(one.path.length_px, other.path.length_px)
    best: tuple[float, Array] | None = None
    for first in (one.path.points_px, one.path.points_px[::-1]):
        for second in (other.path.points_px, other.path.points_px[::-1]):
            gap = float(np.hypot(*(second[0] - first[-1])))
            if gap > gap_most or (best is not None and gap >= best[0]):
                continue
            leaves, arrives = direction_into(first[::-1]), direction_into(second)
            across = second[min(2, len(second) - 1)] - first[-min(3, len(first))]
            ahead = across / max(float(np.hypot(*across)), 1e-9)
            if min(-leaves @ ahead, arrives @ ahead, -leaves @ arrives) > np.cos(TOGETHER_RAD):
                best = gap, np.vstack([first, second])
    return None if best is None else best[1]


def direction_into(points: Array) -> Array:
    """Return the unit vector into a path from its first point."""
    into = points[min(len(points) - 1, 6)] - points[0]
    return np.asarray(into / max(float(np.hypot(*into)), 1e-9))


def _together(texture: Texture | None, one: Line, other: Line, points: Array) -> Line:
    path = joined(one.path, other.path, points)
    if texture is None:
        return replace(one, path=path)
    pair = one.tone == "bright and dark"
    sign = float(np.sign(one.sigmas))
    return replace(one, path=path, profile=profile_of(texture, path, sign=sign, pair=pair))
