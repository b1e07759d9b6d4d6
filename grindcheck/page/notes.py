"""Notes with fields: how a form fills them, and what micrometer readings come to."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from grindcheck.errors import InputError
from grindcheck.record.entries import Note
from grindcheck.units import length_mm

_LEAST = 3  # readings: with fewer there is no spread to speak of


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """What readings of one blade come to, in mm; `taper` in words, empty without places."""

    spread: float
    mean: float
    taper: str


def note_fields(kind: str, form: Mapping[str, str]) -> dict[str, Any]:
    """Return the fields of a note; what is left empty is left out."""
    told = {name: text.strip() for name, text in form.items() if text.strip()}
    if kind != "micrometer":
        return dict(told)
    numbers = sorted({int(found[1]) for name in told if (found := re.fullmatch(r"reading(\d{1,2})", name))})
    readings = []
    for number in numbers:
        one = {"thickness_mm": length_mm(told[f"reading{number}"], what=f"reading {number}")}
        if f"place{number}" in told:
            one["station_mm"] = length_mm(told[f"place{number}"], what=f"place {number}")
        readings.append(one)
    if len(readings) < _LEAST:
        raise InputError(
            f"{len(readings)} readings are given; the spread needs {_LEAST}.",
            advice="Measure at three spots or more: heel, middle, tip.",
        )
    return {"readings": readings}
