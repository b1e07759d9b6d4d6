"""The scratches of one region of even texture: every line that its own texture doesn't explain."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from grindcheck.errors import InputError
from grindcheck.finish.evidence import Pieces, pieces_of
from grindcheck.finish.line import SAME_PX, Line, linked, same_path
from grindcheck.finish.look import Look, looks_at
from grindcheck.finish.tail import Law, log_nfa, threshold
from grindcheck.finish.texture import Texture
from grindcheck.finish.trace import Path, profile_of, reach_px, sampled, two_toned
from grindcheck.geometry import Array, frozen
from grindcheck.settings import FALSE_FINDS

SMALLEST_PX = 64  # along the shorter side
_SHORTEST_PX = 16.0  # half of the shortest line that is summed; what is shorter is a speck
_ELONGATED = 4.0  # times its width
_SEEN = 2.0  # standard deviations of the mean profile beside it
_PART_PX = 8
_SPECK_PX = 6
_BORDER_PX = 12.0
_FREE = 0.75  # share of a piece that no other scratch explains; shorter pieces tell of the rest
_LOOKS = 17  # places along a piece at which that is asked
_TRIES = 3  # pieces at one place that come to nothing, until no more are followed there
_MOST = 2000  # scratches; a surface with more is no finish


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """A searched region.

    Parameters
    ----------
    lines : tuple of Line
        The surest first.
    looks : tuple of Look
        In the order of the search: all directions but the lay's, and with a lay those along it.
    limit : float
        How far one must stand out to be told, on the normal scale.
    corner_px : (int, int)
        Where the region's first pixel lies (column, row) in the picture in whose pixels the lines are.
    """

    lines: tuple[Line, ...]
    looks: tuple[Look, ...]
    limit: float
    corner_px: tuple[int, int] = (0, 0)

    @property
    def texture(self) -> Texture:
        """The region as it lies, its texture taken out."""
        return self.looks[0].texture

    @property
    def laws(self) -> tuple[Law, ...]:
        """What a line off the lay must reach, by length."""
        return self.looks[0].laws

    def look(self, *, near_lay: bool) -> Look:
        """Return the look for lines along the lay or off it; without a lay there is one for all."""
        return self.looks[-1] if near_lay else self.looks[0]


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
    looks = looks_at(grey, mask, lay_rad)
    area = float(area_px or looks[0].texture.area_px)
    limit = threshold(area, false_finds)
    pieces = []
    for look in looks:
        found, laws = pieces_of(look.texture, look.directions, least_sigmas=limit)
        pieces.append((replace(look, laws=laws), found))
    lines = _told_apart(pieces, limit, area)
    return Scan(lines=lines, looks=tuple(look for look, _ in pieces), limit=limit)


def _told_apart(searched: Sequence[tuple[Look, Pieces]], limit: float, area_px: float) -> tuple[Line, ...]:
    """One line for each scratch: the strongest piece is followed, and what it explains is left out."""
    import cv2

    plain = searched[0][0].texture
    rows, columns = plain.mask.shape
    taken = np.zeros((rows, columns), dtype=np.uint8)
    away = cv2.distanceTransform(np.pad(plain.mask, 1).astype(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1]
    share = np.linspace(0.0, 1.0, _LOOKS)[None, :, None]
    places = np.concatenate(
        [_places(look, pieces.start_px[:, None] * (1 - share) + pieces.end_px[:, None] * share, plain.mask)
         for look, pieces in searched]
    )  # fmt: skip
    which = np.repeat(np.arange(len(searched)), [len(pieces) for _, pieces in searched])
    index = np.concatenate([np.arange(len(pieces)) for _, pieces in searched])
    sigmas = np.concatenate([pieces.sigmas for _, pieces in searched])
    tried = np.zeros((rows, columns), dtype=np.uint8)
    lines: list[Line] = []
    todo = np.argsort(-np.abs(sigmas), kind="stable")
    while len(todo) and len(lines) < _MOST:
        number, todo = int(todo[0]), todo[1:]
        if tried[places[number, :, 1], places[number, :, 0]].min() >= _TRIES:
            continue
        look, pieces = searched[which[number]]
        one = pieces.subset(index[[number]])
        left = _left(look, one, taken)
        if abs(left) < limit:
            _mark(tried, places[number])
            continue
        speck = _speck(look.texture, one)
        if speck is not None:
            at = look.own_from_px.inverse()(speck[None])[0]
            cv2.circle(taken, (int(at[0]), int(at[1])), _SPECK_PX, 1, thickness=-1)
            _mark(tried, places[number])
            continue
        sign = float(np.sign(left))
        unit_std = float(one.unit_std[0])
        path, sign, pair = _followed(look, plain, one, sign=sign, unit_std=unit_std)
        if path is None or _known(taken, path.points_px):
            _mark(tried, places[number])
            continue
        profile = profile_of(plain, path, sign=sign, pair=pair)
        line = path.length_px >= max(_SHORTEST_PX, _ELONGATED * profile.width_px)
        line = line and not _is_border(away, path.points_px)
        # what is told must also be there in the picture that a maker sees
        line = line and abs(profile.contrast) > _SEEN * profile.contrast_std and profile.contrast * sign > 0
        reach = max(_reach(other, path, unit_std if other is look else None) for other, _ in searched)
        thick = round(2 * max(SAME_PX + profile.width_px / 2, reach))
        drawn = [np.rint(path.points_px * 8).astype(np.int32)]
        cv2.polylines(taken, drawn, False, 1, thickness=thick, shift=3)
        if not line:
            continue  # a speck: what it explains is taken out all the same
        # what is found again from the middle of a part found before is one scratch with it
        parts = [one for one in lines if one.near_lay and _runs_along(one, path)]
        lines = [one for one in lines if not any(one is part for part in parts)]
        left = sign * max([abs(left), *(abs(one.sigmas) for one in parts)])
        lines.append(
            Line(
                path=path,
                profile=profile,
                sigmas=left,
                log_nfa=float(log_nfa(np.array([left]), area_px)[0]),
                tone="bright and dark" if pair else ("bright" if sign > 0 else "dark"),
                near_lay=look.near_lay,
            )
        )
        explained = taken[places[todo, :, 1], places[todo, :, 0]].mean(axis=1)
        todo = todo[explained <= 1 - _FREE]
    return tuple(sorted(linked(plain, lines), key=lambda line: line.log_nfa))


def _runs_along(line: Line, path: Path) -> bool:
    """Whether a line is a part of a longer path."""
    return line.path.length_px <= path.length_px and same_path(
        line.path.points_px, path.points_px, reach_px=SAME_PX
    )


def _mark(tried: NDArray[np.uint8], places: NDArray[np.intp]) -> None:
    """Count a piece that came to nothing at the places along it."""
    import cv2

    low, high = places.min(axis=0), places.max(axis=0) + 1
    first = np.maximum(low - 4, 0)  # so that no border cuts the line but the picture's own
    around = tried[first[1] : high[1] + 4, first[0] : high[0] + 4]
    line = np.zeros_like(around)
    start, end = (places[[0, -1]] - first).tolist()
    cv2.line(line, start, end, 1, 3)
    part = (slice(low[1] - first[1], high[1] - first[1]), slice(low[0] - first[0], high[0] - first[0]))
    around[part] = np.minimum(around[part] + line[part], _TRIES)


def _followed(
    look: Look, plain: Texture, one: Pieces, *, sign: float, unit_std: float
) -> tuple[Path | None, float, bool]:
    """Follow a piece; return its path in the region's pixels, its tone's sign and whether it is a pair."""
    pair = bool(one.pair[0])
    back = look.own_from_px.inverse()
    path: Path | None = None
    for _ in range(2):
        own = look.follow(one.start_px[0], one.end_px[0], sign=sign, pair=pair, unit_std=unit_std)
        if own is None:
            break
        path = replace(own, points_px=frozen(back(own.points_px)))
        if not (pair or look.near_lay):
            break
        both, stronger = two_toned(plain, path)
        if both or (not pair and stronger == sign):
            break
        unit_std /= np.sqrt(1.0 + pair)
        pair, sign = False, stronger
    return path, sign, pair


def _places(look: Look, points: Array, mask: NDArray[Any]) -> NDArray[np.intp]:
    """Nearest pixels of the region to points of a look, (N, M, 2)."""
    flat = look.own_from_px.inverse()(points.reshape(-1, 2)).reshape(points.shape)
    return np.clip(np.rint(flat), 0, np.array(mask.shape[::-1]) - 1).astype(np.intp)


def _reach(look: Look, path: Path, unit_std: float | None) -> float:
    """How far beside a path a look's evidence still tells of it."""
    if unit_std is None:
        if not look.laws:
            return 0.0
        unit_std = look.laws[0].unit_std
    own = replace(path, points_px=frozen(look.own_from_px(path.points_px)))
    return reach_px(look.texture, own, unit_std=unit_std)


def _left(look: Look, one: Pieces, taken: NDArray[np.uint8]) -> float:
    """Return what of a piece stands out if what scratches found before explain is left out of it."""
    count = int(np.abs(one.end_px[0] - one.start_px[0]).max()) + 1
    way, normal = _straight(one, count)
    at = _places(look, way[None], taken)[0]
    free = taken[at[:, 1], at[:, 0]] == 0
    if free.all():
        return float(one.sigmas[0])
    if free.mean() < _FREE:
        return 0.0
    strip = sampled(look.texture.evidence, way, normal, np.arange(-2.0, 2.5), pair=bool(one.pair[0]))
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
