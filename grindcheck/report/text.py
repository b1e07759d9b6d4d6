"""The result as plain text: the verdict in one line, then what to do, then the figures, then what to mind."""

import textwrap
from collections.abc import Iterable
from itertools import chain
from typing import TYPE_CHECKING

from grindcheck.advice import Units, advise, length
from grindcheck.flags import flag
from grindcheck.report.uncertainty_text import uncertainty_lines
from grindcheck.report.words import headline, named
from grindcheck.settings import COVERAGE_FACTOR
from grindcheck.units import degrees, thou

if TYPE_CHECKING:
    from grindcheck.results import Comparison, FaceFigures, Figure
    from grindcheck.verdict import Verdict

_COLUMNS = 98


def text_report(comparison: "Comparison", verdict: "Verdict", *, units: Units = "both") -> str:
    """Write the result as text.

    Parameters
    ----------
    comparison : Comparison
    verdict : Verdict
    units : {"mm", "in", "both"}
        Both: millimetres, and thousandths of an inch beside the differences.

    Returns
    -------
    str
        Lines of plain text that end with a newline. The first one is the verdict at a glance, unbroken. Apart
        from ``±`` and ``°`` all signs in numbers are ASCII, so that any console shows them.
    """
    word, sentence = headline(verdict, units)
    blocks = [
        [f"{word}: {sentence}", *listed(reason for reason in verdict.reasons if reason != sentence)],
        ["What to do", *listed(advise(comparison, verdict, units=units))],
        _differences(comparison, verdict, units),
        _faces(comparison.left, comparison.right, units),
        ["Reservations", *(_reservations(comparison, verdict) or ["  None."])],
        *([found] if (found := uncertainty_lines(comparison, verdict, units)) else []),
        ["What this rests on", *listed(_assumed(comparison, units))],
    ]
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def listed(sentences: "Iterable[str]") -> list[str]:
    """Wrap sentences as a list."""
    wrap = textwrap.TextWrapper(_COLUMNS, initial_indent="  - ", subsequent_indent="    ")
    wrap.break_on_hyphens = False
    return list(chain.from_iterable(wrap.wrap(sentence) for sentence in sentences))


def _differences(comparison: "Comparison", verdict: "Verdict", units: Units) -> list[str]:
    full_flat = comparison.left.full_flat and comparison.right.full_flat
    judged = {(one.figure.quantity, one.figure.station_mm): one for one in verdict.judged}
    heads = {"mm": ("mm", "± U"), "in": ("in", "± U"), "both": ("mm", "± U", "thou", "± U")}[units]
    rows = []
    for figure in comparison.differences:
        one = judged.get((figure.quantity, figure.station_mm))
        row = [
            named(figure, units, full_flat=full_flat),
            _number(figure, units, sign="+"),
            _expanded(figure, units),
        ]
        if units == "both":
            in_mm = figure.unit == "mm"
            row.append(f"{thou(figure.value):+.1f}" if in_mm else "")
            row.append(f"{thou(COVERAGE_FACTOR * figure.std):.1f}" if in_mm else "")
        row.append("" if one is None else _written(one.tolerance, figure.unit, units))
        row.append("not judged" if one is None else one.decision)
        rows.append(tuple(row))
    if not rows:
        return ["Differences: none could be measured."]
    return table(("Difference, left minus right", *heads, "tolerance", ""), rows)


def _faces(left: "FaceFigures", right: "FaceFigures", units: Units) -> list[str]:
    """Both faces' own figures beside each other."""
    lines = []
    for face in (left, right):
        parts = [f"{face.side.capitalize()} face: {face.photo_name}", face.grind or "grind not recognised"]
        parts += ["no plunge"] if not face.plunge else []
        parts += ["no shoulder: the bevel height is the blade's"] if face.full_flat else []
        parts += [f"placed by hand: {', '.join(face.by_hand)}"] if face.by_hand else []
        lines.append("; ".join(parts))
    figures = {side: _by_key(face) for side, face in (("left", left), ("right", right))}
    unit = "in" if units == "in" else "mm"
    heads = [
        f"left {unit}",
        "± U",
        f"right {unit}",
        "± U",
        *(("left in", "right in") if units == "both" else ()),
    ]
    full_flat = left.full_flat and right.full_flat
    rows = []
    for key, some in {**figures["left"], **figures["right"]}.items():
        found = [figures[side].get(key) for side in ("left", "right")]
        cells = [named(some, units, full_flat=full_flat)]
        for one in found:
            cells += ["-", ""] if one is None else [_number(one, units), _expanded(one, units)]
        if units == "both":
            cells += ["" if one is None or one.unit == "rad" else _number(one, "in") for one in found]
        rows.append(tuple(cells))
    return [*lines, *table(("From the tip along the blade", *heads), rows)] if rows else lines


def _by_key(face: "FaceFigures") -> "dict[tuple[str, float | None], Figure]":
    figures = [*face.plunge.values(), *face.bevel_height, *face.bevel_angle]
    if face.waviness is not None:
        figures.append(face.waviness)
    return {(figure.quantity, figure.station_mm): figure for figure in figures}


def _reservations(comparison: "Comparison", verdict: "Verdict") -> list[str]:
    owned = (
        ("pair", comparison.flags),
        ("left", comparison.left.flags),
        ("right", comparison.right.flags),
    )
    return listed([*verdict.notes, *flagged(owned)])


def flagged(owned: "Iterable[tuple[str, Iterable[str]]]") -> list[str]:
    """Write a sentence for each flag, with the names of all that carry it."""
    owners: dict[str, list[str]] = {}
    for owner, names in owned:
        for name in names:
            owners.setdefault(name, []).append(owner)
    return [
        f"{' and '.join(who).capitalize()}: {flag(name).meaning} {flag(name).advice} [{name}]"
        for name, who in owners.items()
    ]


def _assumed(comparison: "Comparison", units: Units) -> list[str]:
    scale = comparison.print_scale
    if scale["measured"]:
        printed = (
            f"The print was measured: {scale['x']:.2%} along x and {scale['y']:.2%} along y of its true size."
        )
    else:
        printed = (
            f"The print's scale wasn't measured; its standard uncertainty of {scale['std']:.2%} is in U."
        )
    return [
        f"Stock thickness {length(comparison.thickness_mm, units)}, its upper flat "
        f"{length(comparison.height_mm, units)} above the paper, edge thickness before sharpening "
        f"{length(comparison.edge_mm, units)}.",
        printed,
        f"The two outlines lie within {length(comparison.outline_rms_mm, units)} of each other (rms).",
        f"U is the expanded uncertainty, k = {COVERAGE_FACTOR:.0f}. Match: the difference and U together are "
        "within the tolerance; mismatch: the difference less U is beyond it (ISO 14253-1); otherwise it "
        "can't be told.",
    ]


def _number(figure: "Figure", units: Units, sign: str = "") -> str:
    return _written(figure.value, figure.unit, units, sign)


def _expanded(figure: "Figure", units: Units) -> str:
    return _written(COVERAGE_FACTOR * figure.std, figure.unit, units)


def _written(value: float, unit: str, units: Units, sign: str = "") -> str:
    if unit == "rad":
        return f"{degrees(value):{sign}.2f}°"
    return f"{value / 25.4:{sign}.4f}" if units == "in" else f"{value:{sign}.2f}"


def table(heads: tuple[str, ...], rows: list[tuple[str, ...]]) -> list[str]:
    """Align: the first and a headless last column to the left, numbers to the right."""
    widths = [max(len(row[i]) for row in [heads, *rows]) for i in range(len(heads))]
    wordy = {0, len(heads) - 1} if heads[-1] == "" else {0}
    return [
        "  ".join(
            cell.ljust(width) if i in wordy else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in [heads, *rows]
    ]
