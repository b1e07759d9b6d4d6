"""What is drawn on a finish's picture: marks beside scratches, never on them, and details pixel by pixel."""

from typing import TYPE_CHECKING, Any

import numpy as np

from grindcheck.geometry import way_lengths, way_normals, way_points

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from grindcheck.finish.results import FinishFace, Scratch
    from grindcheck.geometry import Array

INK = "#1a1a1a"
MARK = "#ffb000"  # bright, with a dark rim, so that it shows on steel and in grey
STYLES: dict[str | None, Any] = {
    None: "-",
    "new": "-",
    "unchanged": (0, (4, 2)),
    "cannot tell": (0, (1, 1.6)),
    "gone": (0, (6, 2, 1, 2)),
}
"""Line style of a mark by what changed since the earlier photo."""

HATCHES = ("///", "xxx", "...", "\\\\\\", "---", "+++", "ooo", "|||")
NUMBERED = 20  # callouts of a face; more can't be told apart on a phone
_PER_ROW = 14
_RADIUS_PT = 5.0  # from a scratch to the mark round it
_SMALL = 14.0


def mark_scratches(axes: "Axes", face: "FinishFace", *, inches_per_px: float) -> None:
    """Ring each scratch at a distance and number the surest outside the picture.

    Parameters
    ----------
    axes : Axes
        Shows the searched picture in its own pixels.
    face : FinishFace
    inches_per_px : float
        Size of a picture's pixel on paper.
    """
    radius = _RADIUS_PT / 72 / inches_per_px
    callouts: list[tuple[str, Array]] = []
    for one in face.scratches[:NUMBERED]:
        _ring(axes, one.path_px, radius, STYLES[one.change])
        callouts.append((str(one.number), one.path_px))
    for one in face.scratches[NUMBERED:]:
        _end_ticks(axes, one.path_px, gap=radius / 2, long=radius, width=1.0)
    gone = [] if face.earlier is None else [one for one in face.earlier.gone if one.change == "gone"]
    for lost in gone:
        _ring(axes, lost.path_px, radius, STYLES["gone"])
    callouts += [("gone", lost.path_px) for lost in gone[: NUMBERED // 4]]
    _call_out(axes, callouts, radius, inches_per_px)


def hatch_excluded(axes: "Axes", face: "FinishFace") -> list[tuple[str, str]]:
    """Hatch what wasn't searched, one hatch to a name; return names and hatches for the legend."""
    from matplotlib.patches import Polygon

    names = list(dict.fromkeys(one.name for one in face.excluded))
    hatches = {name: HATCHES[i % len(HATCHES)] for i, name in enumerate(names)}
    for one in face.excluded:
        axes.add_patch(
            Polygon(
                one.polygon_px, facecolor=(1, 1, 1, 0.3), edgecolor=INK, hatch=hatches[one.name], linewidth=1
            )
        )
    return list(hatches.items())


def crop_of(one: "Scratch", shape: tuple[int, ...], room_px: tuple[int, int]) -> tuple[slice, slice, int]:
    """Choose the part of a picture that shows a scratch, and by how much each of its pixels is enlarged.

    Parameters
    ----------
    one : Scratch
    shape : tuple of int
        Of the picture: rows, columns.
    room_px : (int, int)
        Width and height that the detail may have on the page.

    Returns
    -------
    rows, columns : slice
    times : int
        1 to 4: the most with which the whole scratch and some of its surroundings fit; 1 if it never does,
        and then its middle is shown.
    """
    low, high = one.path_px.min(axis=0), one.path_px.max(axis=0)
    margin = 24.0
    times = next((k for k in (4, 3, 2) if (k * (high - low + margin) <= room_px).all()), 1)
    middle = (low + high) / 2
    if (high - low + margin > room_px).any():
        middle = one.path_px[len(one.path_px) // 2] if len(one.path_px) > 2 else middle
    out = []
    for at, room, side in zip(middle, room_px, (shape[1], shape[0]), strict=True):
        size = min(room // times, side)
        begin = int(np.clip(round(float(at) - size / 2), 0, side - size))
        out.append(slice(begin, begin + size))
    return out[1], out[0], times


def show_detail(axes: "Axes", picture: Any, one: "Scratch", rows: slice, columns: slice, times: int) -> None:
    """Show a part of the picture as it is; only ticks beyond the scratch's ends are added."""
    part = picture[rows, columns, ::-1]
    extent = (columns.start - 0.5, columns.stop - 0.5, rows.stop - 0.5, rows.start - 0.5)
    axes.imshow(part, extent=extent, interpolation="nearest", aspect="auto")
    _end_ticks(axes, one.path_px, gap=14 / times, long=20 / times, width=2.0)
    axes.set(xlim=extent[:2], ylim=extent[2:])
    axes.set_axis_off()


def _end_ticks(axes: "Axes", path: "Array", *, gap: float, long: float, width: float) -> None:
    for end, inside in ((path[0], path[1]), (path[-1], path[-2])):
        way = (end - inside) / max(float(np.hypot(*(end - inside))), 1e-9)
        line = np.stack([end + gap * way, end + (gap + long) * way])
        axes.plot(line[:, 0], line[:, 1], color=MARK, linewidth=width, path_effects=rim(width + 2))


def _ring(axes: "Axes", path: "Array", radius: float, style: Any) -> None:
    """Draw a line round a path at a distance."""
    outline = ring_px(path, radius)
    axes.plot(outline[:, 0], outline[:, 1], color=MARK, linewidth=1.6, linestyle=style, path_effects=rim(3.2))


def ring_px(path: "Array", radius: float) -> "Array":
    """Return a closed line round a path at a distance, with round ends."""
    path = way_points(path, np.linspace(0.0, float(way_lengths(path)[-1]), 33))
    side = radius * way_normals(path)
    ahead = np.column_stack([side[:, 1], -side[:, 0]])
    turn = np.linspace(0, np.pi, 13)[1:-1, None]
    front = path[-1] + np.cos(turn) * side[-1] + np.sin(turn) * ahead[-1]
    back = path[0] - np.cos(turn) * side[0] - np.sin(turn) * ahead[0]
    return np.vstack([path + side, front, (path - side)[::-1], back, path[:1] + side[:1]])


def _call_out(axes: "Axes", callouts: "list[tuple[str, Array]]", radius: float, inches_per_px: float) -> None:
    """Put numbers into a row above and one below the picture, each with a line that ends at its ring."""
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    middles = [path.mean(axis=0) for _, path in callouts]
    order = sorted(range(len(callouts)), key=lambda i: middles[i][1])
    half = len(order) - _PER_ROW if len(order) > _PER_ROW else 0
    upper = [i for k, i in enumerate(order) if middles[i][1] < (bottom + top) / 2 or k < half]
    upper = upper[:_PER_ROW]
    lower = [i for i in order if i not in upper]
    away = 0.26 / inches_per_px
    for members, y, up in ((upper, top - away, True), (lower, bottom + away, False)):
        members = sorted(members, key=lambda i: float(middles[i][0]))
        widths = [(0.16 + 0.12 * len(callouts[i][0])) / inches_per_px for i in members]
        places = spread([float(middles[i][0]) for i in members], widths, left, right)
        for i, x in zip(members, places, strict=True):
            word, path = callouts[i]
            near = ring_px(path, radius)
            # where the ring is nearest to the number, so that the line doesn't cross the scratch
            foot = near[np.argmin(np.hypot(near[:, 0] - x, near[:, 1] - y))]
            axes.plot(
                [x, foot[0]], [y, foot[1]], color=MARK, linewidth=1.0, clip_on=False, path_effects=rim(2.2)
            )  # fmt: skip
            axes.text(
                x, y, word, fontsize=_SMALL, fontweight="bold", color=INK, ha="center", clip_on=False,
                va="bottom" if up else "top",
                bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": INK},
            )  # fmt: skip


def spread(at: list[float], widths: list[float], low: float, high: float) -> list[float]:
    """Move boxes apart until none overlaps the next, within bounds as far as they fit.

    Examples
    --------
    >>> spread([5.0, 5.0, 9.0], [2.0, 2.0, 2.0], 0.0, 10.0)
    [5.0, 7.0, 9.0]
    >>> spread([9.5, 9.8], [2.0, 2.0], 0.0, 10.0)
    [7.0, 9.0]
    """
    out = list(at)
    for i, width in enumerate(widths):
        least = low + width / 2 if i == 0 else out[i - 1] + (widths[i - 1] + width) / 2
        out[i] = max(out[i], least)
    for i in reversed(range(len(out))):
        last = i == len(out) - 1
        most = high - widths[i] / 2 if last else out[i + 1] - (widths[i + 1] + widths[i]) / 2
        out[i] = min(out[i], most)
    return out


def rim(width: float) -> list[Any]:
    """Return a dark rim for a bright line."""
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=width, foreground=INK)]
