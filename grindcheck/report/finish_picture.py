"""The finish as one picture: the verdict in large words, each face with its marks, details, a table.

Made to be read on a phone 390 px wide, a third of the picture's own width, and in grey: what changed is told
by line style and word, what wasn't searched by hatches with their names.
"""

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

from grindcheck.advice import Units
from grindcheck.finish.grits import findable, next_grit_short
from grindcheck.report.finish_marks import (
    INK,
    MARK,
    NUMBERED,
    STYLES,
    crop_of,
    hatch_excluded,
    mark_scratches,
    rim,
    show_detail,
)
from grindcheck.report.finish_words import (
    SHORT_ADVICE,
    face_name,
    finish_headline,
    how_sure,
    long,
    place,
    wide,
)
from grindcheck.report.picture import check_suffix, save
from grindcheck.units import degrees

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from grindcheck.finish.acceptance import FinishVerdict
    from grindcheck.finish.results import Finish, FinishFace, Scratch

DPI = 150
_WIDE = 1170  # px
_EDGE = 38
_ROOM = (537, 270)  # of a detail: two beside each other
_TALLEST = 900  # of a face
_BESIDE = 82  # above and below a face, for the numbers
_DETAILS = 8
_ROWS = 12  # of a table
_SMALL, _PLAIN, _LARGE = 14.0, 16.0, 40.0  # points; the smallest is 10 px high on a 390 px phone
_LINE = 44  # px, of plain words
_SMALL_LINE = 38
_PANEL = {"scratched": "#8c1c13", "clean": "#1e6b3a", "cannot tell": "#5a5a5a"}
_ORIGIN = {"coarser grit": "grit", "draw direction": "draw", "handling": "handling"}


def write_finish_picture(
    finish: "Finish", verdict: "FinishVerdict", path: Path, *, units: Units = "both"
) -> None:
    """Draw the result and write it.

    Parameters
    ----------
    finish : Finish
        With each face's `drawing`.
    verdict : FinishVerdict
    path : Path
        Its suffix, one of `grindcheck.report.picture.SUFFIXES`, says the format.
    units : {"mm", "in", "both"}

    Raises
    ------
    InputError
        If the suffix is none of these.
    OutputError
        If the file can't be written.
    """
    check_suffix(path)
    save(draw_finish(finish, verdict, units=units), path)


def draw_finish(finish: "Finish", verdict: "FinishVerdict", *, units: Units = "both") -> Any:
    """Draw the result.

    Returns
    -------
    matplotlib.figure.Figure
        Not known to pyplot, so nothing has to be closed.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    # drawn twice: once to learn how tall it is
    tall = 100
    for _ in range(2):
        figure = Figure(figsize=(_WIDE / DPI, tall / DPI), dpi=DPI, facecolor="white")
        FigureCanvasAgg(figure)
        page = _Page(figure, tall)
        _head(page, finish, verdict)
        for face in finish.faces:
            _face(page, face)
        _details(page, finish, units)
        for face in finish.faces:
            _table(page, face, units, several=len(finish.faces) > 1)
        _foot(page, finish)
        tall = page.used + _EDGE // 2
    return figure


class _Page:
    """A page that is filled from above, in pixels."""

    def __init__(self, figure: Any, tall: int) -> None:
        self.figure, self._tall, self.used = figure, tall, 0

    def panel(self, x: int, wide: int, tall: int) -> "Axes":
        """Make axes from here down, without using up the page."""
        box = (x / _WIDE, 1 - (self.used + tall) / self._tall, wide / _WIDE, tall / self._tall)
        axes: Axes = self.figure.add_axes(box)
        return axes

    def text(self, x: int, words: str, size: float, *, bold: bool = False, color: str = INK) -> None:
        """Write from here down, without using up the page."""
        self.figure.text(
            x / _WIDE, 1 - self.used / self._tall, words, fontsize=size, color=color, va="top",
            fontweight="bold" if bold else "normal",
        )  # fmt: skip

    def down(self, px: int) -> None:
        self.used += px


def _head(page: _Page, finish: "Finish", verdict: "FinishVerdict") -> None:
    word, sentence = finish_headline(finish, verdict)
    said = textwrap.wrap(sentence, 60)
    todo: list[str] = []
    if verdict.decision == "scratched":
        origins = dict.fromkeys(group.origin for face in finish.faces for group in face.groups)
        todo = [SHORT_ADVICE[origin] for origin in origins]
    elif verdict.decision == "cannot tell":
        todo = [reason for reason in verdict.reasons[1:3] if reason != sentence]
    lines = [part for one in todo for part in textwrap.wrap(one, 54)]
    tall = 150 + _LINE * (len(said) + len(lines)) + (20 if lines else 0)
    axes = page.panel(0, _WIDE, tall)
    axes.set_facecolor(_PANEL[verdict.decision])
    axes.set(xticks=[], yticks=[])
    for spine in axes.spines.values():
        spine.set_visible(False)
    page.down(18)
    page.text(_EDGE, word, _LARGE, bold=True, color="white")
    page.down(112)
    for line in said:
        page.text(_EDGE, line, _PLAIN, color="white")
        page.down(_LINE)
    page.down(20 if lines else 0)
    for line in lines:
        page.text(_EDGE, line, _PLAIN, bold=True, color="white")
        page.down(_LINE)
    page.down(20)


def _face(page: _Page, face: "FinishFace") -> None:
    """One face with its marks, and what the marks mean."""
    picture = face.drawing.picture
    rows, columns = picture.shape[:2]
    room = _WIDE - 2 * _EDGE
    wide = min(room, round(_TALLEST * columns / rows))
    tall = max(round(wide * rows / columns), 1)
    title = face_name(face) + (", mirrored" if face.side == "left" else "")
    count = len(face.scratches)
    found = "no scratch found" if count == 0 else "1 scratch" if count == 1 else f"{count} scratches"
    page.down(24)
    page.text(_EDGE, f"{title}: {found}", _PLAIN, bold=True)
    gone = 0 if face.earlier is None else len(face.earlier.gone)
    beside = _BESIDE if count or gone else 12
    page.down(_LINE + beside)
    axes = page.panel(_EDGE + (room - wide) // 2, wide, tall)
    axes.imshow(picture[:, :, ::-1], aspect="auto", interpolation="antialiased")
    axes.set(xticks=[], yticks=[], xlim=(-0.5, columns - 0.5), ylim=(rows - 0.5, -0.5))
    hatches = hatch_excluded(axes, face)
    mark_scratches(axes, face, inches_per_px=wide / DPI / columns)
    page.down(tall + beside)
    if face.mm_per_px is not None:
        _scale_bar(page, 20.0 if columns * face.mm_per_px > 100 else 5.0, wide / columns / face.mm_per_px)
    _legend(page, face, hatches)
    if face.regions:
        for line in textwrap.wrap(f"Next grit? {'. '.join(next_grit_short(face))}.", 64):
            page.text(_EDGE, line, _SMALL, bold=True)
            page.down(_SMALL_LINE)


def _scale_bar(page: _Page, long_mm: float, px_per_mm: float) -> None:
    wide = max(round(long_mm * px_per_mm), 1)
    axes = page.panel(_WIDE - _EDGE - wide, wide, 8)
    axes.set_facecolor(INK)
    axes.set(xticks=[], yticks=[])
    page.down(12)
    page.text(_WIDE - _EDGE - wide, f"{long_mm:.0f} mm", _SMALL)
    page.down(-12)


def _legend(page: _Page, face: "FinishFace", hatches: list[tuple[str, str]]) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Any] = []
    if face.earlier is not None:
        present = {one.change for one in face.scratches} | {one.change for one in face.earlier.gone}
        for word in ("new", "unchanged", "gone", "cannot tell"):
            if word in present:
                handles.append(
                    Line2D(
                        [],
                        [],
                        color=MARK,
                        linestyle=STYLES[word],
                        linewidth=2,
                        path_effects=rim(4),
                        label=word,
                    )
                )
    for name, hatch in hatches:
        handles.append(Patch(facecolor="white", edgecolor=INK, hatch=hatch, label=f"{name}: not searched"))
    per_row = 2
    if handles:
        rows = -(-len(handles) // per_row)
        axes = page.panel(_EDGE, 860, rows * _SMALL_LINE + 10)
        axes.set_axis_off()
        axes.legend(
            handles=handles, loc="upper left", ncols=per_row, fontsize=_SMALL, frameon=False, borderaxespad=0,
            borderpad=0, columnspacing=1.2, handlelength=2.4,
        )  # fmt: skip
        page.down(rows * _SMALL_LINE + 10)
    else:
        page.down(_SMALL_LINE + 10 if face.mm_per_px is not None else 0)
    more = len(face.scratches) - NUMBERED
    if more > 0:
        page.text(_EDGE, f"The {NUMBERED} surest are numbered; {more} more have ticks at their ends.", _SMALL)
        page.down(_SMALL_LINE)


def _details(page: _Page, finish: "Finish", units: Units) -> None:
    """Show the surest scratches at the photo's own pixels, two beside each other."""
    all_of_them = [(face, one) for face in finish.faces for one in face.scratches]
    surest = sorted(all_of_them, key=lambda pair: pair[1].log_nfa)[:_DETAILS]
    if not surest:
        return
    page.down(24)
    page.text(_EDGE, "Details: pixel by pixel, nothing changed", _PLAIN, bold=True)
    page.down(_LINE + 6)
    for begin in range(0, len(surest), 2):
        pair = surest[begin : begin + 2]
        crops = [crop_of(one, face.drawing.picture.shape, _ROOM) for face, one in pair]
        for i, ((face, one), (rows, columns, times)) in enumerate(zip(pair, crops, strict=True)):
            x = _EDGE + i * (_ROOM[0] + 20)
            side = f"{face.side.capitalize()} " if len(finish.faces) > 1 else ""
            told = f"{side}{one.number}: {long(one, units)}, {one.change or how_sure(one)}, x{times}"
            page.text(x, told, _SMALL)
            page.down(_SMALL_LINE)
            tall, wide = (times * (part.stop - part.start) for part in (rows, columns))
            show_detail(page.panel(x, wide, tall), face.drawing.picture, one, rows, columns, times)
            page.down(-_SMALL_LINE)
        page.down(_SMALL_LINE + max(times * (rows.stop - rows.start) for rows, _, times in crops) + 22)


def _table(page: _Page, face: "FinishFace", units: Units, *, several: bool) -> None:
    if not face.scratches:
        return
    changed = face.earlier is not None
    heads = ("No.", "region", "from tip", "length", "change" if changed else "width", "to lay", "likely")
    at = (0, 70, 205, 400, 560, 760, 885)
    page.down(16)
    page.text(
        _EDGE, f"{face_name(face)}, the surest first" if several else "The surest first", _PLAIN, bold=True
    )
    page.down(_LINE)
    for x, head in zip(at, heads, strict=True):
        page.text(_EDGE + x, head, _SMALL, bold=True)
    page.down(_SMALL_LINE)
    for one in face.scratches[:_ROWS]:
        for x, cell in zip(at, _cells(one, face, units, changed=changed), strict=True):
            page.text(_EDGE + x, cell, _SMALL)
        page.down(_SMALL_LINE)
    more = len(face.scratches) - _ROWS
    if more > 0:
        page.text(_EDGE, f"and {more} more", _SMALL)
        page.down(_SMALL_LINE)


def _cells(one: "Scratch", face: "FinishFace", units: Units, *, changed: bool) -> tuple[str, ...]:
    tip = place(one, units)[0]
    lay = "" if one.lay_angle_rad is None else f"{degrees(one.lay_angle_rad):.0f}°"
    origin = "" if one.group is None else _ORIGIN[face.groups[one.group].origin]
    if how_sure(one) == "faint":
        origin += ", faint"
    unit = "" if not tip else " in" if units == "in" else " mm"
    width = (one.change or "") if changed else wide(one, units)
    return str(one.number), one.region, tip + unit, long(one, units), width, lay, origin.lstrip(", ")


def _foot(page: _Page, finish: "Finish") -> None:
    sizes = [
        f"{face.side + ' ' if face.side else ''}{region.name} {findable(region)}"
        for face in finish.faces
        for region in face.regions
    ]
    if not sizes:
        return
    told = (
        f"Found are scratches off the lay from: {', '.join(sizes)} (two pixels wide, nine of ten). Shorter, "
        "fainter or along the lay, some may be there that this photo doesn't show."
    )
    page.down(16)
    for line in textwrap.wrap(told, 70):
        page.text(_EDGE, line, _SMALL)
        page.down(_SMALL_LINE)
