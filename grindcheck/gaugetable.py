"""The table that a gauge study is fed with: values or photos, knife by knife, person by person."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from grindcheck.csvrows import csv_rows
from grindcheck.errors import GrindcheckError, InputError
from grindcheck.results import Comparison, Figure
from grindcheck.units import length_mm

_QUANTITIES = {"plunge": "plunge.mid", "edge": "plunge.edge", "shoulder": "plunge.shoulder"}
_FEWEST_TAKES = 2

Measure = Callable[["Take"], tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """One row of the table: a knife measured once by somebody.

    Parameters
    ----------
    row : int
        In the file, the heading being 1.
    knife, person : str
        ``person`` may be empty: one person did all.
    value_mm : float or None
        As the row has it; None where photos are to be measured.
    photos : tuple of Path
        Two, or none where there is a value.
    thickness_mm : float or None
    """

    row: int
    knife: str
    person: str
    value_mm: float | None
    photos: tuple[Path, ...]
    thickness_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A value in mm, with its expanded uncertainty where it was measured from photos."""

    take: Take
    value_mm: float
    expanded_mm: float | None


def read_takes(path: Path) -> tuple[Take, ...]:
    """Read the table of a study.

    Parameters
    ----------
    path : Path
        CSV in UTF-8, comma or semicolon. Headings: ``knife``, ``person`` (may be left out), and either
        ``value`` or ``photo 1`` and ``photo 2`` with ``thickness``. Lengths have their unit, or the heading
        has it: ``value (mm)``. Photos are sought beside the table.

    Returns
    -------
    tuple of Take

    Raises
    ------
    InputError
        Naming the row and what it lacks.
    """
    rows = csv_rows(path)
    if not rows or not {"value", "photo 1"} & set(rows[0]):
        raise InputError(
            f"{path.name} has no column of values or photos.",
            advice="Head them knife, person, value (mm); or photo 1, photo 2, thickness (mm) for the last.",
        )
    return tuple(_take(number, row, path) for number, row in enumerate(rows, start=2))


def read_calliper(path: Path) -> dict[str, float]:
    """Read what a calliper says, mm by knife: a CSV with the headings ``knife`` and ``value``."""
    found: dict[str, float] = {}
    for number, row in enumerate(csv_rows(path), start=2):
        knife, value = row.get("knife", ""), row.get("value", "")
        if not knife or not value:
            raise InputError(
                f"Row {number} of {path.name} lacks a knife or a value.",
                advice="Fill it in, or take the row out.",
            )
        if knife in found:
            raise InputError(
                f"{path.name} has {knife} twice.",
                advice="Give one calliper value a knife, the mean of several.",
            )
        found[knife] = _signed_mm(value, f"value in row {number}")
    return found


def measured_takes(
    takes: tuple[Take, ...], measure: Measure, *, progress: Callable[[str], None]
) -> tuple[tuple[Measured, ...], tuple[tuple[Take, str], ...]]:
    """Measure what is to be measured.

    Returns
    -------
    tuple of Measured
    tuple of (Take, str)
        Takes that couldn't be measured, and why.
    """
    done, failed = [], []
    for number, take in enumerate(takes, start=1):
        if take.value_mm is not None:
            done.append(Measured(take=take, value_mm=take.value_mm, expanded_mm=None))
            continue
        who = f" by {take.person}" if take.person else ""
        progress(f"{number} of {len(takes)}: {take.knife}{who}")
        try:
            value, expanded = measure(take)
        except GrindcheckError as problem:
            failed.append((take, problem.message))
            continue
        done.append(Measured(take=take, value_mm=value, expanded_mm=expanded))
    return tuple(done), tuple(failed)


def evenly(done: tuple[Measured, ...]) -> tuple[tuple[Measured, ...], tuple[str, ...]]:
    """Keep as many takes of every knife by everybody, and say what was left out for it.

    Where a pair of photos couldn't be measured, the last takes of the others go; a knife of which somebody
    has fewer than two takes left goes as a whole.
    """
    people = tuple(dict.fromkeys(one.take.person for one in done))
    by_knife: dict[str, dict[str, list[Measured]]] = {}
    for one in done:
        by_knife.setdefault(one.take.knife, {}).setdefault(one.take.person, []).append(one)
    said = []
    for knife, cells in list(by_knife.items()):
        if any(len(cells.get(person, ())) < _FEWEST_TAKES for person in people):
            said.append(f"{knife} is left out: not everybody measured it twice.")
            del by_knife[knife]
    counts = {len(cells[person]) for cells in by_knife.values() for person in people}
    if len(counts) > 1:
        said.append(f"The first {min(counts)} takes of each knife count, so that all have as many.")
    kept = [one for cells in by_knife.values() for person in people for one in cells[person][: min(counts)]]
    return tuple(kept), tuple(said)


def figure_of(comparison: Comparison, name: str) -> Figure:
    """Return the difference that a study is about.

    Parameters
    ----------
    comparison : Comparison
    name : {"plunge", "edge", "shoulder", "height"}
        The plunge half-way up, at the edge, at the shoulder; the bevel's height in the middle of the blade.

    Raises
    ------
    InputError
        If the photos don't show it.
    """
    for figure in comparison.differences:
        if figure.quantity == _QUANTITIES.get(name) or (name == "height" and figure.label == "middle"):
            return figure
    raise InputError(
        f"The photos show no {name} of both faces.",
        advice="Study another figure with --figure, or photograph anew.",
    )


def _take(number: int, row: dict[str, str], path: Path) -> Take:
    knife, value = row.get("knife", ""), row.get("value", "")
    photos = tuple(path.parent / row[name] for name in ("photo 1", "photo 2") if row.get(name))
    if not knife or not (value or len(photos) == 2):
        raise InputError(
            f"Row {number} of {path.name} lacks a knife, or a value or two photos.",
            advice="Fill it in, or take the row out.",
        )
    thickness = row.get("thickness", "")
    return Take(
        row=number, knife=knife, person=row.get("person", ""),
        value_mm=_signed_mm(value, f"value in row {number}") if value else None,
        photos=photos if not value else (),
        thickness_mm=length_mm(thickness, what=f"thickness in row {number}") if thickness else None,
    )  # fmt: skip


def _signed_mm(text: str, what: str) -> float:
    """Read a length that may be negative: a difference, left less right."""
    sign = -1.0 if text.startswith(("-", "−")) else 1.0
    bare = text.lstrip("+-−").strip()
    if not any(digit in bare for digit in "123456789") and "0" in bare:
        return 0.0  # which a length isn't
    return sign * length_mm(bare, what=what)
