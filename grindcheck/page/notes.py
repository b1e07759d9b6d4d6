"""Notes with fields: how a form fills them, and what micrometer readings come to."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from grindcheck.errors import GrindcheckError
from grindcheck.flatness import Flatness, Reading, flatness
from grindcheck.record.entries import Note
from grindcheck.units import length_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """Micrometer readings as a note keeps them, and what they come to; None if they can't be read."""

    lines: tuple[str, ...]
    found: Flatness | None


def note_fields(kind: str, form: Mapping[str, str]) -> dict[str, Any]:
    """Return the fields of a note; what is left empty is left out.

    Raises
    ------
    InputError
        If a reading is no length, or there are too few.
    """
    told = {name: text.strip() for name, text in form.items() if text.strip()}
    if kind != "micrometer":
        return dict(told)
    numbers = sorted({int(found[1]) for name in told if (found := re.fullmatch(r"reading(\d{1,2})", name))})
    readings = []
    for number in numbers:
        one: dict[str, Any] = {"value_mm": length_mm(told[f"reading{number}"], what=f"reading {number}")}
        if f"place{number}" in told:
            one["at_mm"] = length_mm(told[f"place{number}"], what=f"place {number}")
        readings.append(one)
    flatness(Reading(**one) for one in readings)
    return {"readings": readings}


def readings_of(notes: Iterable[Note]) -> dict[str, Readings]:
    """Return by note what its micrometer readings come to."""
    return {note.id: _readings(note.fields) for note in notes if note.kind == "micrometer"}


def _readings(fields: Mapping[str, Any]) -> Readings:
    try:
        given = [
            Reading(value_mm=float(one["value_mm"]), at_mm=one.get("at_mm"), label=str(one.get("label", "")))
            for one in fields["readings"]
        ]
        found = flatness(given)
    except (GrindcheckError, LookupError, TypeError, ValueError, AttributeError):
        return Readings(lines=tuple(f"{name}: {value}" for name, value in fields.items()), found=None)
    lines = tuple(
        f"{one.value_mm:.3f} mm" + ("" if one.at_mm is None else f" at {one.at_mm:.0f} mm from the tip")
        for one in given
    )
    return Readings(lines=lines, found=found)
