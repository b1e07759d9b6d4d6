"""Scratches in a picture: every line that its own texture doesn't explain. Works on any grey array."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from grindcheck.errors import InputError
from grindcheck.finish.evidence import Law, Pieces, log_nfa, pieces_of, threshold
from grindcheck.finish.results import Tone
from grindcheck.finish.texture import Texture, apart, texture_of
from grindcheck.finish.trace import Path, Profile, follow, joined, profile_of, reach_px, sampled
from grindcheck.geometry import Array, frozen
from grindcheck.settings import FALSE_FINDS

_OWN_PX = 4.0  # what runs this near to a found scratch is the same one
_SHORTEST_PX = 16.0  # half of the shortest line that is summed; what is shorter is a speck
_ELONGATED = 4.0  # times its width
_GAP_PX, _AHEAD_PX = 8.0, 64.0  # where a scratch is looked for beyond the border of an even part
_KNOWN_PLACE = 4.0
_SEEN = 2.0  # standard deviations of the mean profile beside it
_PART_PX = 8
_SPECK_PX = 6
_BORDER_PX = 12.0
_FREE = 0.75  # share of a piece that no other scratch explains; shorter pieces tell of the rest
_LOOKS = 17  # places along a piece at which that is asked
_PART_LEAST_PX = 384  # a part is at least that long: shorter, and its spectrum is known too badly
_UNEVEN = 0.5
SMALLEST_PX = 64  # along the shorter side
_MOST = 2000  # scratches; a surface with more is no finish
_TOGETHER_RAD = np.deg2rad(8.0)


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """A searched region.

    Parameters
    ----------
    lines : tuple of Line
        The surest first.
    texture : Texture
    laws : tuple of Law
        What a line must reach, by length.
    limit : float
        How far one must stand out to be told, on the normal scale.
    corner_px : (int, int)
        Where the texture's first pixel lies (column, row) in the picture in whose pixels the lines are.
    """

    lines: tuple[Line, ...]
    texture: Texture
    laws: tuple[Law, ...]
    limit: float
    corner_px: tuple[int, int] = (0, 0)


def find_scratches(
    grey: NDArray[Any],
    *,
    mask: NDArray[np.bool_] | None = None,
    mm_per_px: float | None = None,
    lay_rad: float | None = None,
    false_finds: float = FALSE_FINDS,
) -> tuple[dict[str, Any], ...]:
    """Find scratches in a plain grey picture, without a mat.

    Parameters
    ----------
    grey : array_like, shape (rows, columns)
        Brightness in any unit, at least 64 pixels a side.
    mask : ndarray of bool, shape (rows, columns), optional
        Where to search; everywhere if left out.
    mm_per_px : float, optional
        Scale; without it there are pixels only.
    lay_rad : float, optional
        Direction of the lay, from +x (right) towards +y (down). Found from the picture if left out.
    false_finds : float
        Expected number of false finds in the whole picture.

    Returns
    -------
    tuple of dict
        The surest first: ``path_px`` (ndarray, shape (N, 2), column and row), ``length_px``, ``width_px`` (0:
        not wider than a lens draws the thinnest line), ``contrast`` (in sigmas of the texture, positive is
        brighter), ``tone``, ``near_lay``, ``log_nfa``, and with a scale ``length_mm`` and ``width_mm`` (None
        where it isn't resolved).

    Raises
    ------
    ValueError
        If an argument has the wrong shape or range.
    InputError
        If the picture is too small.

    Examples
    --------
    >>> import numpy as np
    >>> steel = np.random.default_rng(1).normal(100.0, 5.0, (300, 400))
    >>> steel[150, 100:300] += 12.0
    >>> surest = find_scratches(steel, mm_per_px=0.1)[0]
    >>> round(surest["length_mm"])
    20
    """
    picture = np.asarray(grey, dtype=np.float32)
    if picture.ndim != 2:
        raise ValueError(f"grey must have two axes; it has shape {picture.shape}.")
    if mask is None:
        mask = np.ones(picture.shape, dtype=bool)
    if mask.shape != picture.shape:
        raise ValueError(f"mask must have the shape of grey, {picture.shape}; it has {mask.shape}.")
    if mm_per_px is not None and not mm_per_px > 0:
        raise ValueError(f"mm_per_px must be positive; it is {mm_per_px}.")
    mask = np.asarray(mask, dtype=bool) & np.isfinite(picture)
    picture = np.where(np.isfinite(picture), picture, np.float32(0))
    if lay_rad is None and mask.any():
        from grindcheck.finish.lays import region_lay

        lay = region_lay(picture, mask)
        lay_rad = None if lay.direction_rad is None else -lay.direction_rad
    parts = find_parts(picture, mask, lay_rad=lay_rad, false_finds=false_finds)
    lines = joined_across([line for part in parts for line in part.lines])
    out = []
    for line in lines:
        entry: dict[str, Any] = {
            "path_px": line.path.points_px,
            "length_px": line.path.length_px,
            "width_px": line.profile.width_px,
            "contrast": line.profile.contrast,
            "tone": line.tone,
            "near_lay": line.near_lay,
            "log_nfa": line.log_nfa,
        }
        if mm_per_px is not None:
            resolved = line.profile.width_px > 1.0
            entry["length_mm"] = line.path.length_px * mm_per_px
            entry["width_mm"] = line.profile.width_px * mm_per_px if resolved else None
        out.append(entry)
    return tuple(out)


def find_parts(
    grey: NDArray[np.float32],
    mask: NDArray[np.bool_],
    *,
    lay_rad: float | None,
    false_finds: float = FALSE_FINDS,
    area_px: float | None = None,
    box: tuple[slice, slice] | None = None,
) -> tuple[Scan, ...]:
    """Find the scratches of a region whose texture may change from place to place.

    Parameters
    ----------
    grey, mask, lay_rad, false_finds, area_px
        As for `find_lines`.
    box : (slice, slice), optional
        Rows and columns that hold all of the mask; the whole picture if left out.

    Returns
    -------
    tuple of Scan
        One for each part of even texture, its lines in pixels of `grey`; scratches that cross a border are
        joined by `joined_across`.

    Notes
    -----
    Light shows a lay strongly here and hardly there. A region is halved along its longer side as long as the
    halves' spectra differ by more than half a natural logarithm in the mean: a filter that is wrong by that
    much loses about a tenth of what can be told.
    """
    area = float(area_px or mask.sum())
    box = box or (slice(0, grey.shape[0]), slice(0, grey.shape[1]))
    scans = [
        _placed(
            find_lines(grey[part], mask[part], lay_rad=lay_rad, false_finds=false_finds, area_px=area), part
        )
        for part in _even_parts(grey, mask, box)
    ]
    return tuple(
        replace(scan, lines=tuple(_carried_on(line, scan, scans) for line in scan.lines)) for scan in scans
    )


def _placed(scan: Scan, part: tuple[slice, slice]) -> Scan:
    """Put a part's lines into the whole picture; its texture stays as large as the part."""
    corner = (part[1].start, part[0].start)
    return replace(
        scan, corner_px=corner, lines=tuple(moved(line, line.path.points_px + corner) for line in scan.lines)
    )


def moved(line: Line, points_px: Array) -> Line:
    """Return a line with its path put elsewhere."""
    return replace(line, path=replace(line.path, points_px=frozen(points_px)))


def _carried_on(line: Line, home: Scan, scans: Sequence[Scan]) -> Line:
    """Follow a scratch into the neighbouring parts, where it may be too faint to be found by itself.

    One knows where to look, so that four standard deviations will do instead of the search's six.
    """
    pair, sign = line.tone == "bright and dark", float(np.sign(line.sigmas))
    for last in (False, True):
        points = line.path.points_px if last else line.path.points_px[::-1]
        ahead = -_direction(points[::-1])
        probe = points[-1] + ahead * np.array([[_GAP_PX], [_GAP_PX + _AHEAD_PX]])
        for scan in scans:
            start, end = probe - scan.corner_px
            if scan is home or not scan.laws or not _in_mask(scan.texture, np.stack([start, end])):
                continue
            unit_std = scan.laws[0].unit_std[line.near_lay]
            path = follow(scan.texture, start, end, sign=sign, pair=pair, unit_std=unit_std)
            if path is None:
                continue
            far = path.points_px + scan.corner_px
            far = far if (far[-1] - far[0]) @ ahead > 0 else far[::-1]
            shown = path.sigmas_per_px * np.sqrt(path.covered * path.length_px)
            gap = float(np.hypot(*(far[0] - points[-1])))
            if shown < _KNOWN_PLACE or gap > _AHEAD_PX or _direction(far) @ ahead < np.cos(_TOGETHER_RAD):
                continue
            line = replace(line, path=joined(line.path, path, np.vstack([points, far])))
            break
    return line


def _in_mask(texture: Texture, points: Array) -> bool:
    at = np.rint(points).astype(np.intp)
    size = np.array(texture.mask.shape[::-1])
    return bool(np.all((at >= 0) & (at < size))) and bool(texture.mask[at[:, 1], at[:, 0]].all())


def _even_parts(
    grey: NDArray[np.float32], mask: NDArray[np.bool_], box: tuple[slice, slice]
) -> list[tuple[slice, slice]]:
    sizes = [side.stop - side.start for side in box]
    axis = int(np.argmax(sizes))
    if sizes[axis] < 2 * _PART_LEAST_PX:
        return [box]
    middle = box[axis].start + sizes[axis] // 2
    halves = []
    for side in (slice(box[axis].start, middle), slice(middle, box[axis].stop)):
        halves.append((side, box[1]) if axis == 0 else (box[0], side))
    if min(int(mask[half].sum()) for half in halves) < _PART_LEAST_PX * SMALLEST_PX:
        return [box]
    if apart(grey, mask, *halves) < _UNEVEN:
        return [box]
    return [part for half in halves for part in _even_parts(grey, mask, half)]


def find_lines(
    grey: NDArray[np.float32],
    mask: NDArray[np.bool_],
    *,
    lay_rad: float | None,
    false_finds: float = FALSE_FINDS,
    area_px: float | None = None,
) -> Scan:
    """Find the scratches of one region.

    Parameters
    ----------
    grey : ndarray, shape (rows, columns), float32
    mask : ndarray of bool, shape (rows, columns)
    lay_rad : float or None
        From +x towards +y (down).
    false_finds : float
        Expected number of false finds in `area_px`.
    area_px : float, optional
        Pixels of the whole face that the number is meant for; those of the mask if left out.

    Returns
    -------
    Scan

    Raises
    ------
    ValueError
        If `false_finds` isn't positive.
    InputError
        If the region is too small.
    """
    if not false_finds > 0:
        raise ValueError(f"false_finds must be positive; it is {false_finds}.")
    rows, columns = mask.shape
    if min(rows, columns) < SMALLEST_PX or not mask.any():
        raise InputError(
            f"The picture to search has {columns} × {rows} pixels, {int(mask.sum())} of them in the region.",
            advice=f"Give a region of at least {SMALLEST_PX} pixels a side: come nearer, or send the "
            "original.",
        )
    texture = texture_of(grey, mask)
    area = float(area_px or texture.area_px)
    limit = threshold(area, false_finds)
    pieces, laws = pieces_of(texture, lay_rad=lay_rad, least_sigmas=limit)
    lines = _told_apart(texture, pieces, limit, area)
    return Scan(lines=lines, texture=texture, laws=laws, limit=limit)


def _told_apart(texture: Texture, pieces: Pieces, limit: float, area_px: float) -> tuple[Line, ...]:
    """One line for each scratch: the strongest piece is followed, and what it explains is left out."""
    import cv2

    rows, columns = texture.mask.shape
    taken = np.zeros((rows, columns), dtype=np.uint8)
    away = cv2.distanceTransform(np.pad(texture.mask, 1).astype(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1]
    share = np.linspace(0.0, 1.0, _LOOKS)
    places = pieces.start_px[:, None] + (pieces.end_px - pieces.start_px)[:, None] * share[None, :, None]
    places = np.clip(np.rint(places), 0, np.array([columns - 1, rows - 1])).astype(np.intp)
    lines: list[Line] = []
    todo = np.arange(len(pieces))
    while len(todo) and len(lines) < _MOST:
        number, todo = int(todo[0]), todo[1:]
        one = pieces.subset(np.array([number]))
        left = _left(texture, one, taken)
        if abs(left) < limit:
            continue
        speck = _speck(texture, one)
        if speck is not None:
            cv2.circle(taken, (int(speck[0]), int(speck[1])), _SPECK_PX, 1, thickness=-1)
            continue
        sign = float(np.sign(left))
        pair = bool(one.pair[0])
        path = follow(
            texture, one.start_px[0], one.end_px[0], sign=sign, pair=pair, unit_std=float(one.unit_std[0])
        )
        if path is None or _known(taken, path.points_px):
            continue
        profile = profile_of(texture, path, sign=sign, pair=pair)
        line = path.length_px >= max(_SHORTEST_PX, _ELONGATED * profile.width_px)
        line = line and not _is_border(away, path.points_px)
        # what is told must also be there in the picture that a maker sees
        line = line and abs(profile.contrast) > _SEEN * profile.contrast_std and profile.contrast * sign > 0
        own = max(_OWN_PX + profile.width_px / 2, reach_px(texture, path, unit_std=float(one.unit_std[0])))
        thick = round(2 * own)
        drawn = [np.rint(path.points_px * 8).astype(np.int32)]
        cv2.polylines(taken, drawn, False, 1, thickness=thick, shift=3)
        if not line:
            continue  # a speck: what it explains is taken out all the same
        lines.append(
            Line(
                path=path,
                profile=profile,
                sigmas=left,
                log_nfa=float(log_nfa(np.array([left]), area_px)[0]),
                tone="bright and dark" if pair else ("bright" if sign > 0 else "dark"),
                near_lay=bool(one.near_lay[0]),
            )
        )
        explained = taken[places[todo, :, 1], places[todo, :, 0]].mean(axis=1)
        todo = todo[explained <= 1 - _FREE]
    return tuple(sorted(_linked(texture, lines), key=lambda line: line.log_nfa))


def _left(texture: Texture, one: Pieces, taken: NDArray[np.uint8]) -> float:
    """Return what of a piece stands out if what scratches found before explain is left out of it."""
    count = int(np.abs(one.end_px[0] - one.start_px[0]).max()) + 1
    way, normal = _straight(one, count)
    at = _inside(np.rint(way).astype(np.intp), (taken.shape[0], taken.shape[1]))
    free = taken[at[:, 1], at[:, 0]] == 0
    if free.all():
        return float(one.sigmas[0])
    if free.mean() < _FREE:
        return 0.0
    strip = sampled(texture.evidence, way, normal, np.arange(-2.0, 2.5), pair=bool(one.pair[0]))
    whole = strip.sum(axis=0) / np.sqrt(len(way))
    rest = strip[free].sum(axis=0) / np.sqrt(free.sum())
    best = int(np.argmax(np.abs(whole)))
    return float(one.sigmas[0]) * min(max(float(rest[best] / whole[best]), 0.0), 1.0)


def _straight(one: Pieces, count: int) -> tuple[Array, Array]:
    """Return so many points along a piece, and its normal at each."""
    start, end = one.start_px[0], one.end_px[0]
    way = start + (end - start) * np.linspace(0.0, 1.0, count)[:, None]
    along = (end - start) / float(np.hypot(*(end - start)))
    return way, np.broadcast_to(np.array([-along[1], along[0]]), way.shape)


def _known(taken: NDArray[np.uint8], points: Array) -> bool:
    """Whether half of a path is explained by scratches found before: its own edge or ringing."""
    at = _inside(np.rint(points).astype(np.intp), (taken.shape[0], taken.shape[1]))
    return bool(np.mean(taken[at[:, 1], at[:, 0]]) >= 0.5)


def _speck(texture: Texture, one: Pieces) -> Array | None:
    """Return the strongest place of a piece that stands out by few places, as through a speck; else None.

    A scratch shows along its way. Without the strongest quarter of it the rest must still be on the same side
    by one standard deviation: a scratch at the limit of what is found, six sigmas, then has three left, and
    a texture with specks on it minus two.
    """
    parts = max(4, int(np.hypot(*(one.end_px[0] - one.start_px[0]))) // _PART_PX)
    way, normal = _straight(one, parts * _PART_PX)
    strip = sampled(texture.evidence, way, normal, np.arange(-1.0, 1.5), pair=bool(one.pair[0]))
    best = strip[:, int(np.argmax(np.abs(strip.sum(axis=0))))]
    sums = best.reshape(parts, _PART_PX).sum(axis=1) * np.sign(best.sum())
    order = np.argsort(sums)
    rest = sums[order[: parts - -(-parts // 4)]]
    if rest.sum() / (float(one.unit_std[0]) * np.sqrt(len(rest) * _PART_PX)) >= 1.0:
        return None
    return np.asarray(way[int(order[-1]) * _PART_PX + _PART_PX // 2])


def _is_border(away: NDArray[Any], points: Array) -> bool:
    """Whether a path keeps the same small distance from the region's border: a rim, not a scratch."""
    at = _inside(np.rint(points).astype(np.intp), (away.shape[0], away.shape[1]))
    low, high = np.quantile(away[at[:, 1], at[:, 0]], [0.2, 0.8])
    return bool(high < _BORDER_PX and high - low < 0.5 * _BORDER_PX)


def _inside(at: NDArray[np.intp], shape: tuple[int, int]) -> NDArray[np.intp]:
    return np.clip(at, 0, np.array(shape[::-1]) - 1)


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
    return _linked(None, list(lines))


def _linked(texture: Texture | None, lines: list[Line]) -> list[Line]:
    """Join pieces of one tone that continue each other across a gap no longer than the shorter of them.

    Both must point at the other within 8°: two lines that have nothing to do with each other do so, at a
    given distance, in one of five hundred cases.
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
    return done if len(done) == len(lines) else _linked(texture, done)


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
            leaves, arrives = _direction(first[::-1]), _direction(second)
            across = second[min(2, len(second) - 1)] - first[-min(3, len(first))]
            ahead = across / max(float(np.hypot(*across)), 1e-9)
            if min(-leaves @ ahead, arrives @ ahead, -leaves @ arrives) > np.cos(_TOGETHER_RAD):
                best = gap, np.vstack([first, second])
    return None if best is None else best[1]


def _direction(points: Array) -> Array:
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
