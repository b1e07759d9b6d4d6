"""The sections of a knife's sheet, each as pieces of a column."""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import zip_longest
from typing import Literal

from grindcheck.advice import Units, length
from grindcheck.report.flatness_text import flatness_sentences
from grindcheck.report.paper import Paper, wrapped
from grindcheck.report.sheet_data import KnifeSheet, SheetBudget, SheetCheck, SheetFigure
from grindcheck.units import degrees

GREY = 0.42
SMALL_PT = 8.0

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

_LABEL_MM = 22.0
_BODY_PT, _TABLE_PT = 10.5, 9.5
_LEADING_MM, _ROW_MM = 4.7, 4.5
_PARTS = (0.12, 0.42, 0.66, 0.88)  # greys of the parts of the uncertainty's bar; the last is all that is left
_BAR_MM, _PART_GAP_MM = 2.6, 0.5
_WHOLE = 14  # lines up to which a section isn't broken
_GAP_MM = 5.5  # between sections
_APOSTROPHE = re.compile(r"(?<=\w)'(?=\w)")
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:mm|in|thou|°C|h|min)\b)")


@dataclass(frozen=True, slots=True)
class Piece:
    """A part of a column that isn't broken: its height, and how it is drawn with its top left at (x, y)."""

    tall: float
    draw: Callable[[Paper, float, float], None]
    keep: bool = False  # with the next piece, as a heading


def knife_section(sheet: KnifeSheet, units: Units, column: float) -> list[Piece]:
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


def faces_section(sheet: KnifeSheet, units: Units, column: float) -> list[Piece]:
    """Tell whether the faces match: verdict, figures, and where their uncertainty comes from."""
    if sheet.symmetry is None:
        return []
    body = _verdict(_FACES, sheet.symmetry, column) + _table(sheet.symmetry.figures, units, column)
    body += _budget(sheet.symmetry.budget, units, column)
    return _section("Both faces", body, column)


def finish_section(sheet: KnifeSheet, units: Units, column: float) -> list[Piece]:
    """Tell whether the finish is clean."""
    if sheet.finish is None:
        return []
    return _section("Finish", _verdict(_FINISH, sheet.finish, column), column)


def flatness_section(sheet: KnifeSheet, units: Units, column: float) -> list[Piece]:
    """Tell what the micrometer said."""
    if sheet.flatness is None:
        return []
    first, *more = flatness_sentences(sheet.flatness, "in" if units == "in" else "mm")
    body = _paragraph(first, column, bold=True) + _paragraph(" ".join(more), column)
    return _section("Flatness", body, column)


def line_piece(line: str, face: Literal["roman", "bold", "italic"], grey: float = 0.0) -> Piece:
    """Set one line that was wrapped before."""
    size = _BODY_PT if face != "italic" else 9.0

    def draw(page: Paper, x: float, y: float) -> None:
        page.text(x, y + 3.6, line, face=face, size=size, grey=grey)

    return Piece(_LEADING_MM, draw)


def day(value: date) -> str:
    """Write a date in words, as ``25 November 2026``."""
    return f"{value.day} {_MONTHS[value.month - 1]} {value.year}"


def _budget(budget: SheetBudget | None, units: Units, column: float) -> list[Piece]:
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
    lines = wrapped(_set(said), "italic", SMALL_PT, column)
    return [Piece(1.8 + _BAR_MM + 0.4, bar, keep=True), *(_small_piece(line) for line in lines)]


def _small_piece(line: str) -> Piece:
    def draw(page: Paper, x: float, y: float) -> None:
        page.text(x, y + 2.8, line, face="italic", size=SMALL_PT, grey=0.25)

    return Piece(3.6, draw)


def _verdict(words: dict[str, str], check: SheetCheck, column: float) -> list[Piece]:
    told = _paragraph(words.get(check.decision, check.decision), column, bold=True)
    told += _paragraph(check.sentence, column)
    return [*told, line_piece(f"Measured on {day(check.on)}.", "italic", GREY)]


def _section(title: str, body: list[Piece], column: float) -> list[Piece]:
    if not body:
        return []

    def draw(page: Paper, x: float, y: float) -> None:
        page.text(x, y + 3.2, title.upper(), size=7.8, spacing=1.3, grey=0.15)
        page.rule(x, x + column, y + 4.9)

    if len(body) <= _WHOLE:
        body = [*(replace(piece, keep=True) for piece in body[:-1]), body[-1]]
    return [Piece(8.2, draw, keep=True), *body, Piece(_GAP_MM, lambda page, x, y: None)]


def _facts(facts: Sequence[tuple[str, str]], column: float) -> list[Piece]:
    if not any(label for label, _ in facts):
        return [piece for _, text in facts for piece in _paragraph(text, column)]
    pieces = []
    for label, text in facts:
        labels = wrapped(label, "italic", _BODY_PT, _LABEL_MM - 2)
        lines = wrapped(_set(text), "roman", _BODY_PT, column - _LABEL_MM)
        pieces += [_fact(*pair) for pair in zip_longest(labels, lines, fillvalue="")]
    return pieces


def _fact(label: str, line: str) -> Piece:
    def draw(page: Paper, x: float, y: float) -> None:
        page.text(x, y + 3.6, label, face="italic", size=_BODY_PT, grey=GREY)
        page.text(x + _LABEL_MM, y + 3.6, line, size=_BODY_PT)

    return Piece(_LEADING_MM, draw)


def _paragraph(text: str, column: float, *, bold: bool = False) -> list[Piece]:
    face: Literal["roman", "bold"] = "bold" if bold else "roman"
    lines = wrapped(_set(text), face, _BODY_PT, column) if text else []
    return [line_piece(line, face) for line in lines]


def _set(text: str) -> str:
    """Set a text as a printer would: round apostrophes, a number not parted from its unit."""
    return _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", _APOSTROPHE.sub("’", text))


def _table(figures: Sequence[SheetFigure], units: Units, column: float) -> list[Piece]:
    """Name, left, right, and the difference with its uncertainty."""
    if not figures:
        return []
    ends = (column - 42.0, column - 28.0, column)  # of the columns of numbers
    unit = "in" if units == "in" else "mm"
    of_faces = any(one.left is not None or one.right is not None for one in figures)
    titles = ("left", "right", "difference") if of_faces else ("", "", "difference")

    def heads(page: Paper, x: float, y: float) -> None:
        page.text(x, y + 5.2, f"{unit}, or °", face="italic", size=SMALL_PT, grey=GREY)
        for end, head in zip(ends, titles, strict=True):
            page.text(x + end, y + 5.2, head, face="italic", size=SMALL_PT, grey=GREY, align="right")
        page.rule(x, x + column, y + 6.6, grey=0.8)

    pieces = [Piece(7.6, heads, keep=True)]
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

        pieces.append(Piece(_ROW_MM + 3.8 * (len(names) - 1), row))
    return pieces


def _number(value: float, unit: str, units: Units, *, sign: bool = False) -> str:
    decimals = 4 if unit == "mm" and units == "in" else 2
    shown = degrees(value) if unit == "rad" else value / 25.4 if units == "in" else value
    text = f"{round(shown, decimals) + 0.0:{'+' if sign else ''}.{decimals}f}".replace("-", "−")
    return f"{text}°" if unit == "rad" else text
