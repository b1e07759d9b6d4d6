"""A knife's sheet for its buyer or for the drawer: one or two pages of PDF."""

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import Literal

from grindcheck import __version__
from grindcheck.advice import Units
from grindcheck.report.paper import Paper, width_mm, wrapped
from grindcheck.report.sheet_data import KnifeSheet
from grindcheck.report.sheet_sections import (
    GREY,
    SMALL_PT,
    Piece,
    day,
    faces_section,
    finish_section,
    flatness_section,
    knife_section,
    line_piece,
)
from grindcheck.report.trend_text import short

SheetPaper = Literal["a4", "letter"]

HOW_TO_READ = (
    "Left and right as seen with the handle towards you and the edge down. Places are distances from the "
    "tip. A difference is left minus right; ± and U are expanded uncertainties (k = 2): in about 95 of 100 "
    "cases the true value lies within them."
)
CUT = "There is more in the maker's record."

_SIDE_MM, _TOP_MM, _BOTTOM_MM = 24.0, 19.0, 28.0
_GUTTER_MM = 10.0
_LEFT_SHARE = 0.44  # of the left column; the table needs the right one
_NAME_PT, _LEAST_NAME_PT = 31.0, 19.0
_PHOTO_MM = (50.0, 38.0, 33.0, 29.0)  # tallest, and what it may be for all to be on one page
_CAPTION_MM = 6.0
_WIDE = 1.9  # photos wider than this times their height lie one below the other


def knife_sheet(sheet: KnifeSheet, *, units: Units = "mm", paper: SheetPaper = "a4") -> bytes:
    """Set the sheet.

    Parameters
    ----------
    sheet : KnifeSheet
    units : {"mm", "in", "both"}
        With "both" the table is in mm and the thickness in both.
    paper : {"a4", "letter"}

    Returns
    -------
    bytes
        A PDF of one page, or of two where one doesn't hold it all; what two don't hold is cut, and the sheet
        says so. The same sheet gives the same bytes. Fonts are embedded; of a photo nothing but its reduced
        pixels is in the file.

    Raises
    ------
    PhotoError
        If a photo can't be read.
    """
    page = Paper(paper, title=sheet.name, author=sheet.maker)
    inside = page.width - 2 * _SIDE_MM - _GUTTER_MM
    widths = (_LEFT_SHARE * inside, (1 - _LEFT_SHARE) * inside)
    lefts = (_SIDE_MM, _SIDE_MM + widths[0] + _GUTTER_MM)
    y = _head(page, sheet)
    photos = _photos(sheet)
    for tallest in (*_PHOTO_MM, _PHOTO_MM[0]):  # smaller photos rather than a second page for a few lines
        boxes = _boxes([photo.size for photo in photos], page.width - 2 * _SIDE_MM, tallest)
        below = y + max((top + tall for _, top, _, tall in boxes), default=-_CAPTION_MM) + _CAPTION_MM + 8.5
        columns = _columns(sheet, units, widths, page.height - _BOTTOM_MM - below)
        if columns.on_one_page:
            break
    for photo, (left, top, wide, tall) in zip(photos, boxes, strict=True):
        page.photo(photo.jpeg, _SIDE_MM + left, y + top, wide, tall)
        at = (_SIDE_MM + left, y + top + tall + 4.0)
        page.text(*at, photo.caption, face="italic", size=9, grey=GREY)
    rest = [_fill(page, pieces, x, below) for pieces, x in zip(columns.pieces, lefts, strict=True)]
    pages = 2 if any(rest) else 1
    _foot(page, sheet, 1, pages)
    if pages == 2:
        page.next_page()
        page.text(_SIDE_MM, _TOP_MM + 2, short(sheet.name, 70), face="italic", size=11, grey=GREY)
        _blade_line(page, _TOP_MM + 7.5)
        for pieces, x in zip(rest, lefts, strict=True):
            _fill(page, pieces, x, _TOP_MM + 17, [line_piece(CUT, "italic", GREY)])
        _foot(page, sheet, 2, 2)
    return page.pdf()


def _head(page: Paper, sheet: KnifeSheet) -> float:
    """Maker and date, the name, what it is; return where the next part may begin."""
    right = page.width - _SIDE_MM
    if sheet.maker:
        page.text(_SIDE_MM, _TOP_MM + 2, sheet.maker[:60], face="italic", size=11, grey=GREY)
    page.text(right, _TOP_MM + 2, day(sheet.made_on), face="italic", size=11, grey=GREY, align="right")
    _blade_line(page, _TOP_MM + 7.5)
    inside = page.width - 2 * _SIDE_MM
    size = _NAME_PT
    while size > _LEAST_NAME_PT and width_mm(sheet.name, "roman", size) > inside:
        size -= 1.0
    lines = wrapped(sheet.name, "roman", size, inside)
    if len(lines) > 3:
        lines = [*lines[:2], f"{lines[2][:-2]} …"]
    y = _TOP_MM + 12.5
    for line in lines:
        y += 0.42 * size
        page.text(_SIDE_MM, y, line, size=size)
    kind = ", ".join(part for part in (sheet.pattern, sheet.steel) if part)
    for line in wrapped(kind, "italic", 13, inside)[:2] if kind else ():
        y += 7.0
        page.text(_SIDE_MM, y, line, face="italic", size=13, grey=0.25)
    return y + 8.0


def _blade_line(page: Paper, y: float) -> None:
    """Draw the rule below the head: a blade from the side, its tip at the right margin."""
    x0, x1, tall = _SIDE_MM, page.width - _SIDE_MM, 1.7
    belly = x1 - 30.0
    page.curve(
        [
            (x0, y), (x0, y), (belly, y), (belly + 8, y),
            (belly + 18, y), (x1 - 4, y + 0.25 * tall), (x1, y + 0.55 * tall),
            (x1 - 8, y + tall), (belly + 12, y + tall), (belly, y + tall),
            (belly, y + tall), (x0, y + tall), (x0, y + tall),
            (x0, y + tall), (x0, y), (x0, y),
        ],
        fill=0.88,
        rim=0.45,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Photo:
    jpeg: bytes
    size: tuple[int, int]
    caption: str


def _photos(sheet: KnifeSheet) -> list[_Photo]:
    from PIL import Image

    from grindcheck.report.plain_photo import plain_photos

    shown = sheet.photos[:2]
    return [
        _Photo(jpeg, Image.open(BytesIO(jpeg)).size, photo.caption)
        for photo, jpeg in zip(shown, plain_photos([photo.path for photo in shown]), strict=True)
    ]


def _boxes(
    sizes: Sequence[tuple[int, int]], inside: float, tallest: float
) -> list[tuple[float, float, float, float]]:
    """Place photos: (left, top, width, height) of each; wide ones below each other, others side by side."""
    stacked = all(wide > _WIDE * tall for wide, tall in sizes)
    room = inside if stacked or len(sizes) == 1 else (inside - 6.0) / 2
    boxes = []
    left = top = 0.0
    for wide, tall in sizes:
        scale = min(room / wide, (tallest if stacked else 1.3 * tallest) / tall)
        boxes.append((left, top, scale * wide, scale * tall))
        if stacked:
            top += scale * tall + _CAPTION_MM + 1.0
        else:
            left += room + 6.0
    return boxes


def _foot(page: Paper, sheet: KnifeSheet, number: int, pages: int) -> None:
    right = page.width - _SIDE_MM
    y = page.height - _BOTTOM_MM + 8.0
    page.rule(_SIDE_MM, right, y)
    if sheet.symmetry is not None or sheet.flatness is not None:
        for line in wrapped(HOW_TO_READ, "roman", SMALL_PT, right - _SIDE_MM):
            y += 3.5
            page.text(_SIDE_MM, y, line, size=SMALL_PT, grey=GREY)
    y += 4.2
    page.text(_SIDE_MM, y, f"grindcheck {__version__}", face="italic", size=SMALL_PT, grey=GREY)
    if pages > 1:
        page.text(right, y, f"{number} of {pages}", face="italic", size=SMALL_PT, grey=GREY, align="right")


@dataclass(frozen=True, slots=True)
class _Columns:
    pieces: tuple[list[Piece], list[Piece]]
    on_one_page: bool


def _columns(sheet: KnifeSheet, units: Units, widths: tuple[float, float], room: float) -> _Columns:
    """Put the checks into the right column; the last ones into the left if one page holds all that way."""
    checks = [
        check for check in (faces_section, finish_section, flatness_section) if check(sheet, units, widths[1])
    ]
    tried = []
    for stays in range(len(checks), min(1, len(checks)) - 1, -1):
        left = knife_section(sheet, units, widths[0])
        left += [piece for check in checks[stays:] for piece in check(sheet, units, widths[0])]
        right = [piece for check in checks[:stays] for piece in check(sheet, units, widths[1])]
        left, right = left[:-1], right[:-1]  # no gap after the last section
        tallest = max(sum(piece.tall for piece in pieces) for pieces in (left, right))
        tried.append(_Columns((left, right), tallest <= room))
    return next((one for one in tried if one.on_one_page), tried[0])


def _fill(page: Paper, pieces: Sequence[Piece], x: float, y: float, cut: Sequence[Piece] = ()) -> list[Piece]:
    """Set pieces one below the other as far as the page goes; return the rest, or set `cut` in its place."""
    end = page.height - _BOTTOM_MM
    left = list(pieces)
    while left:
        group = 1
        while left[group - 1].keep and group < len(left):
            group += 1
        tall = sum(piece.tall for piece in left[:group])
        reserve = sum(piece.tall for piece in cut) if len(left) > group else 0.0
        if y + tall + reserve > end:
            break
        for piece in left[:group]:
            piece.draw(page, x, y)
            y += piece.tall
        left = left[group:]
    if left and cut:
        for piece in cut:
            piece.draw(page, x, y)
            y += piece.tall
        return []
    return left
