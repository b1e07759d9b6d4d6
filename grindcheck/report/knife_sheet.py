"""A knife's sheet for its buyer or for the drawer: one or two pages of PDF."""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from io import BytesIO
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from grindcheck import __version__
from grindcheck.advice import Units, length
from grindcheck.report.flatness_text import flatness_sentences
from grindcheck.report.paper import Paper, width_mm, wrapped
from grindcheck.report.trend_text import short
from grindcheck.units import degrees

if TYPE_CHECKING:
    from grindcheck.flatness import Flatness

SheetPaper = Literal["a4", "letter"]

HOW_TO_READ = (
    "Left and right as seen with the handle towards you and the edge down. Places are distances from the "
    "tip. A difference is left minus right; ± and U are expanded uncertainties (k = 2): in about 95 of 100 "
    "cases the true value lies within them."
)
CUT = "There is more in the maker's record."

_FACES = {
    "match": "The two faces match.",
    "mismatch": "The two faces differ.",
    "cannot tell": "The photos don't decide whether the faces match.",
}
_FINISH = {
    "clean": "The finish is clean.",
    "scratched": "The finish shows scratches.",
    "cannot tell": "The photos don't decide whether the finish is clean.",
}
_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip

_SIDE_MM, _TOP_MM, _BOTTOM_MM = 24.0, 19.0, 28.0
_GUTTER_MM = 10.0
_LEFT_SHARE = 0.44  # of the left column; the table needs the right one
_LABEL_MM = 22.0
_NAME_PT, _LEAST_NAME_PT = 31.0, 19.0
_BODY_PT, _TABLE_PT, _SMALL_PT = 10.5, 9.5, 8.0
_LEADING_MM, _ROW_MM = 4.7, 4.5
_PHOTO_MM = (50.0, 38.0, 33.0, 29.0)  # tallest, and what it may be for all to be on one page
_CAPTION_MM = 6.0
_PARTS = (0.12, 0.42, 0.66, 0.88)  # greys of the parts of the uncertainty's bar; the last is all that is left
_BAR_MM, _PART_GAP_MM = 2.6, 0.5
_WHOLE = 14  # lines up to which a section isn't broken
_WIDE = 1.9  # photos wider than this times their height lie one below the other
_GAP_MM = 5.5  # between sections
_GREY = 0.42
_APOSTROPHE = re.compile(r"(?<=\w)'(?=\w)")
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:mm|in|thou|°C|h|min)\b)")


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetPhoto:
    """A photo of a face.

    Parameters
    ----------
    path : Path
        JPEG, PNG or HEIC; only its pixels, reduced, get into the sheet.
    caption : str
        As "left face"; may be empty.
    """

    path: Path
    caption: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetFigure:
    """One row of the table of both faces.

    Parameters
    ----------
    name : str
        As "plunge at mid-height".
    left, right : float or None
        As measured on each face, where it is.
    difference, expanded : float
        Left minus right and its expanded uncertainty.
    unit : {"mm", "rad"}
    """

    name: str
    left: float | None
    right: float | None
    difference: float
    expanded: float
    unit: Literal["mm", "rad"] = "mm"


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetBudget:
    """Where the uncertainty of one difference comes from.

    Parameters
    ----------
    name : str
        Of the difference, as "plunge at mid-height".
    expanded : float
        Its expanded uncertainty.
    shares : tuple of (str, float)
        Each source's name and its share of the variance, 0 to 1, the largest first; together 1.
    unit : {"mm", "rad"}
    """

    name: str
    expanded: float
    shares: tuple[tuple[str, float], ...]
    unit: Literal["mm", "rad"] = "mm"


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetCheck:
    """What a check of both faces or of the finish said.

    Parameters
    ----------
    decision : str
        ``match``, ``mismatch``, ``clean``, ``scratched`` or ``cannot tell``.
    sentence : str
        What decides it; may be empty.
    on : date
        When it was measured.
    figures : tuple of SheetFigure
        Of both faces; empty for a finish.
    budget : SheetBudget or None
        Of the difference that decides; None for a finish.
    """

    decision: str
    sentence: str
    on: date
    figures: tuple[SheetFigure, ...] = ()
    budget: SheetBudget | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KnifeSheet:
    """All that a sheet may say; what is empty or None is left out.

    Parameters
    ----------
    name : str
    made_on : date
        The date that the sheet bears.
    maker, pattern, steel, grind : str
    thickness_mm : float or None
        Of the stock.
    heat_treatment : tuple of (str, str)
        As ("hardened", "1060 °C, 10 min, oil").
    abrasive_steps : tuple of str
        In their order.
    notes : str
        For the buyer.
    photos : tuple of SheetPhoto
        Two at most are shown.
    symmetry, finish : SheetCheck or None
    flatness : Flatness or None
    """

    name: str
    made_on: date
    maker: str = ""
    pattern: str = ""
    steel: str = ""
    grind: str = ""
    thickness_mm: float | None = None
    heat_treatment: tuple[tuple[str, str], ...] = ()
    abrasive_steps: tuple[str, ...] = ()
    notes: str = ""
    photos: tuple[SheetPhoto, ...] = ()
    symmetry: SheetCheck | None = None
    finish: SheetCheck | None = None
    flatness: "Flatness | None" = None


@dataclass(frozen=True, slots=True)
class _Piece:
    """A part of a column that isn't broken: its height, and how it is drawn with its top left at (x, y)."""

    tall: float
    draw: Callable[[Paper, float, float], None]
    keep: bool = False  # with the next piece, as a heading


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
        page.text(*at, photo.caption, face="italic", size=9, grey=_GREY)
    rest = [_fill(page, pieces, x, below) for pieces, x in zip(columns.pieces, lefts, strict=True)]
    pages = 2 if any(rest) else 1
    _foot(page, sheet, 1, pages)
    if pages == 2:
        page.next_page()
        page.text(_SIDE_MM, _TOP_MM + 2, short(sheet.name, 70), face="italic", size=11, grey=_GREY)
        _blade_line(page, _TOP_MM + 7.5)
        for pieces, x in zip(rest, lefts, strict=True):
            _fill(page, pieces, x, _TOP_MM + 17, [_line_piece(CUT, "italic", _GREY)])
        _foot(page, sheet, 2, 2)
    return page.pdf()


def day(value: date) -> str:
    """Write a date in words, as ``25 November 2026``."""
    return f"{value.day} {_MONTHS[value.month - 1]} {value.year}"


def _head(page: Paper, sheet: KnifeSheet) -> float:
    """Maker and date, the name, what it is; return where the next part may begin."""
    right = page.width - _SIDE_MM
    if sheet.maker:
        page.text(_SIDE_MM, _TOP_MM + 2, sheet.maker[:60], face="italic", size=11, grey=_GREY)
    page.text(right, _TOP_MM + 2, day(sheet.made_on), face="italic", size=11, grey=_GREY, align="right")
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
        for line in wrapped(HOW_TO_READ, "roman", _SMALL_PT, right - _SIDE_MM):
            y += 3.5
            page.text(_SIDE_MM, y, line, size=_SMALL_PT, grey=_GREY)
    y += 4.2
    page.text(_SIDE_MM, y, f"grindcheck {__version__}", face="italic", size=_SMALL_PT, grey=_GREY)
    if pages > 1:
        page.text(right, y, f"{number} of {pages}", face="italic", size=_SMALL_PT, grey=_GREY, align="right")


@dataclass(frozen=True, slots=True)
class _Columns:
    pieces: tuple[list[_Piece], list[_Piece]]
    on_one_page: bool


def _columns(sheet: KnifeSheet, units: Units, widths: tuple[float, float], room: float) -> _Columns:
    """Put the checks into the right column; the last ones into the left if one page holds all that way."""
    checks = [check for check in (_faces, _finish, _flatness) if check(sheet, units, widths[1])]
    tried = []
    for stays in range(len(checks), min(1, len(checks)) - 1, -1):
        left = _knife(sheet, units, widths[0])
        left += [piece for check in checks[stays:] for piece in check(sheet, units, widths[0])]
        right = [piece for check in checks[:stays] for piece in check(sheet, units, widths[1])]
        left, right = left[:-1], right[:-1]  # no gap after the last section
        tallest = max(sum(piece.tall for piece in pieces) for pieces in (left, right))
        tried.append(_Columns((left, right), tallest <= room))
    return next((one for one in tried if one.on_one_page), tried[0])


def _fill(
    page: Paper, pieces: Sequence[_Piece], x: float, y: float, cut: Sequence[_Piece] = ()
) -> list[_Piece]:
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


def _knife(sheet: KnifeSheet, units: Units, column: float) -> list[_Piece]:
    """Tell what the knife is made of and how."""
    facts = [("Steel", sheet.steel)]
    if sheet.thickness_mm is not None:
        facts.append(("Stock", length(sheet.thickness_mm, units)))
    facts.append(("Grind", sheet.grind))
    pieces = _section("The knife", _facts([fact for fact in facts if fact[1]], column), column)
    heat = _facts([(label, text) for label, text in sheet.heat_treatment if text], column)
    pieces += _section("Heat treatment", heat, column)
    steps = " → ".join(step for step in sheet.abrasive_steps if step)
    pieces += _section("Abrasives", _paragraph(steps, column), column)
    return pieces + _section("Notes", _paragraph(sheet.notes, column), column)


def _faces(sheet: KnifeSheet, units: Units, column: float) -> list[_Piece]:
    if sheet.symmetry is None:
        return []
    body = _verdict(_FACES, sheet.symmetry, column) + _table(sheet.symmetry.figures, units, column)
    body += _budget(sheet.symmetry.budget, units, column)
    return _section("Both faces", body, column)


def _budget(budget: SheetBudget | None, units: Units, column: float) -> list[_Piece]:
    """Draw where the uncertainty comes from: one bar in parts, named in their order."""
    if budget is None or not budget.shares:
        return []
    shares = list(budget.shares)
    if len(shares) > len(_PARTS):
        shares[len(_PARTS) - 1 :] = [("all else", sum(share for _, share in shares[len(_PARTS) - 1 :]))]

    def bar(page: Paper, x: float, y: float) -> None:
        long = column - _PART_GAP_MM * (len(shares) - 1)
        for (_, share), grey in zip(shares, _PARTS, strict=False):
            page.bar(x, y + 1.8, share * long, _BAR_MM, grey=grey)
            x += share * long + _PART_GAP_MM

    expanded = _number(budget.expanded, budget.unit, units)
    unit = "" if budget.unit == "rad" else " in" if units == "in" else " mm"
    parts = ", ".join(f"{name} {share:.0%}".replace(" ", "\N{NO-BREAK SPACE}") for name, share in shares)
    said = f"Where the ± {expanded}{unit} of the {budget.name} comes from, by variance: {parts}."
    lines = wrapped(_set(said), "italic", _SMALL_PT, column)
    return [_Piece(1.8 + _BAR_MM + 0.4, bar, keep=True), *(_small_piece(line) for line in lines)]


def _small_piece(line: str) -> _Piece:
    def draw(page: Paper, x: float, y: float) -> None:
        page.text(x, y + 2.8, line, face="italic", size=_SMALL_PT, grey=0.25)

    return _Piece(3.6, draw)


def _finish(sheet: KnifeSheet, units: Units, column: float) -> list[_Piece]:
    if sheet.finish is None:
        return []
    return _section("Finish", _verdict(_FINISH, sheet.finish, column), column)


def _flatness(sheet: KnifeSheet, units: Units, column: float) -> list[_Piece]:
    if sheet.flatness is None:
        return []
    first, *more = flatness_sentences(sheet.flatness, "in" if units == "in" else "mm")
    body = _paragraph(first, column, bold=True) + _paragraph(" ".join(more), column)
    return _section("Flatness", body, column)


def _verdict(words: dict[str, str], check: SheetCheck, column: float) -> list[_Piece]:
    told = _paragraph(words.get(check.decision, check.decision), column, bold=True)
    told += _paragraph(check.sentence, column)
    return [*told, _line_piece(f"Measured on {day(check.on)}.", "italic", _GREY)]


def _section(title: str, body: list[_Piece], column: float) -> list[_Piece]:
    if not body:
        return []

    def draw(page: Paper, x: float, y: float) -> None:
        page.text(x, y + 3.2, title.upper(), size=7.8, spacing=1.3, grey=0.15)
        page.rule(x, x + column, y + 4.9)

    if len(body) <= _WHOLE:
        body = [*(replace(piece, keep=True) for piece in body[:-1]), body[-1]]
    return [_Piece(8.2, draw, keep=True), *body, _Piece(_GAP_MM, lambda page, x, y: None)]


def _facts(facts: Sequence[tuple[str, str]], column: float) -> list[_Piece]:
    if not any(label for label, _ in facts):
        return [piece for _, text in facts for piece in _paragraph(text, column)]
    pieces = []
    for label, text in facts:
        labels = wrapped(label, "italic", _BODY_PT, _LABEL_MM - 2)
        lines = wrapped(_set(text), "roman", _BODY_PT, column - _LABEL_MM)
        pieces += [_fact(*pair) for pair in zip_longest(labels, lines, fillvalue="")]
    return pieces


def _fact(label: str, line: str) -> _Piece:
    def draw(page: Paper, x: float, y: float) -> None:
        page.text(x, y + 3.6, label, face="italic", size=_BODY_PT, grey=_GREY)
        page.text(x + _LABEL_MM, y + 3.6, line, size=_BODY_PT)

    return _Piece(_LEADING_MM, draw)


def _paragraph(text: str, column: float, *, bold: bool = False) -> list[_Piece]:
    face: Literal["roman", "bold"] = "bold" if bold else "roman"
    lines = wrapped(_set(text), face, _BODY_PT, column) if text else []
    return [_line_piece(line, face) for line in lines]


def _set(text: str) -> str:
    """Set a text as a printer would: round apostrophes, a number not parted from its unit."""
    return _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", _APOSTROPHE.sub("’", text))


def _line_piece(line: str, face: Literal["roman", "bold", "italic"], grey: float = 0.0) -> _Piece:
    size = _BODY_PT if face != "italic" else 9.0

    def draw(page: Paper, x: float, y: float) -> None:
        page.text(x, y + 3.6, line, face=face, size=size, grey=grey)

    return _Piece(_LEADING_MM, draw)


def _table(figures: Sequence[SheetFigure], units: Units, column: float) -> list[_Piece]:
    """Name, left, right, and the difference with its uncertainty."""
    if not figures:
        return []
    ends = (column - 42.0, column - 28.0, column)  # of the columns of numbers
    unit = "in" if units == "in" else "mm"
    of_faces = any(one.left is not None or one.right is not None for one in figures)
    titles = ("left", "right", "difference") if of_faces else ("", "", "difference")

    def heads(page: Paper, x: float, y: float) -> None:
        page.text(x, y + 5.2, f"{unit}, or °", face="italic", size=_SMALL_PT, grey=_GREY)
        for end, head in zip(ends, titles, strict=True):
            page.text(x + end, y + 5.2, head, face="italic", size=_SMALL_PT, grey=_GREY, align="right")
        page.rule(x, x + column, y + 6.6, grey=0.8)

    pieces = [_Piece(7.6, heads, keep=True)]
    for figure in figures:
        cells = (
            "" if figure.left is None else _number(figure.left, figure.unit, units),
            "" if figure.right is None else _number(figure.right, figure.unit, units),
            f"{_number(figure.difference, figure.unit, units, sign=True)} ± "
            f"{_number(figure.expanded, figure.unit, units)}",
        )
        names = wrapped(figure.name, "roman", _TABLE_PT, ends[0] - 12.0)

        def row(
            page: Paper, x: float, y: float, names: list[str] = names, cells: tuple[str, ...] = cells
        ) -> None:
            for i, line in enumerate(names):
                page.text(x, y + 3.4 + 3.8 * i, line, size=_TABLE_PT)
            for end, cell in zip(ends, cells, strict=True):
                page.text(x + end, y + 3.4, cell, size=_TABLE_PT, align="right")

        pieces.append(_Piece(_ROW_MM + 3.8 * (len(names) - 1), row))
    return pieces


def _number(value: float, unit: str, units: Units, *, sign: bool = False) -> str:
    decimals = 4 if unit == "mm" and units == "in" else 2
    shown = degrees(value) if unit == "rad" else value / 25.4 if units == "in" else value
    text = f"{round(shown, decimals) + 0.0:{'+' if sign else ''}.{decimals}f}".replace("-", "−")
    return f"{text}°" if unit == "rad" else text
