"""Scratches in a picture: every line that its own texture doesn't explain. Works on any grey array."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from grindcheck.finish.line import TOGETHER_RAD, Line, direction_into, joined_across, moved
from grindcheck.finish.search import SMALLEST_PX, Scan, find_lines
from grindcheck.finish.texture import apart
from grindcheck.finish.trace import joined
from grindcheck.geometry import Array
from grindcheck.settings import FALSE_FINDS

_GAP_PX, _AHEAD_PX = 8.0, 64.0  # where a scratch is looked for beyond the border of an even part
_KNOWN_PLACE = 4.0
_PART_LEAST_PX = 384  # a part is at least that long: shorter, and its spectrum is known too badly
_UNEVEN = 0.5


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


def _carried_on(line: Line, home: Scan, scans: Sequence[Scan]) -> Line:
    """Follow a scratch into the neighbouring parts, where it may be too faint to be found by itself.

    One knows where to look, so that four standard deviations will do instead of the search's six: those of
    the first pixels beyond the border.
    """
    pair, sign = line.tone == "bright and dark", float(np.sign(line.sigmas))
    for last in (False, True):
        points = line.path.points_px if last else line.path.points_px[::-1]
        ahead = -direction_into(points[::-1])
        probe = points[-1] + ahead * np.array([[_GAP_PX], [_GAP_PX + _AHEAD_PX]])
        for scan in scans:
            look = scan.look(near_lay=line.near_lay)
            if scan is home or not look.laws or not _in_mask(scan, probe):
                continue
            start, end = look.own_from_px(probe - scan.corner_px)
            path = look.follow(start, end, sign=sign, pair=pair, unit_std=look.laws[0].unit_std)
            if path is None:
                continue
            far = look.own_from_px.inverse()(path.points_px) + scan.corner_px
            far = far if (far[-1] - far[0]) @ ahead > 0 else far[::-1]
            shown = path.sigmas_per_px * np.sqrt(min(path.covered * path.length_px, _AHEAD_PX))
            gap = float(np.hypot(*(far[0] - points[-1])))
            if shown < look.law(_AHEAD_PX).needed(_KNOWN_PLACE) or gap > _AHEAD_PX:
                continue
            chord = (far[-1] - far[0]) / float(np.hypot(*(far[-1] - far[0])))
            if min(direction_into(far) @ ahead, chord @ ahead) < np.cos(TOGETHER_RAD):
                continue
            line = replace(line, path=joined(line.path, path, np.vstack([points, far])))
            break
    return line


def _in_mask(scan: Scan, points: Array) -> bool:
    mask = scan.texture.mask
    at = np.rint(points - scan.corner_px).astype(np.intp)
    size = np.array(mask.shape[::-1])
    return bool(np.all((at >= 0) & (at < size))) and bool(mask[at[:, 1], at[:, 0]].all())


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
