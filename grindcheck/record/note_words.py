"""A note's fields as a user writes them, and what micrometer readings come to."""

from collections.abc import Mapping, Sequence
from typing import Any

from grindcheck.errors import InputError
from grindcheck.flatness import Reading, flatness
from grindcheck.units import length_mm


def read_fields(said: Sequence[str], readings: Sequence[str]) -> dict[str, Any]:
    """Read fields ``name=value``, or a text, or micrometer readings.

    Parameters
    ----------
    said : sequence of str
        Fields, or words without a ``=`` that make up one text.
    readings : sequence of str
        ``4.02mm``, ``4.02mm@30mm`` (from the tip) or ``4.02mm@ricasso``.

    Raises
    ------
    InputError
        If fields and text are mixed, a field comes twice, or a reading is no length or one of too few.

    Examples
    --------
    >>> read_fields(["quench=oil", "soak=10 min"], [])
    {'quench': 'oil', 'soak': '10 min'}
    >>> read_fields(["hairline", "at the heel"], [])
    {'text': 'hairline at the heel'}
    """
    fields: dict[str, Any] = {}
    named = [text.partition("=") for text in said]
    if all(not sign for _, sign, _ in named):
        text = " ".join(said).strip()
        fields = {"text": text} if text else {}
    else:
        for name, sign, value in named:
            if not sign or not name.strip() or not value.strip() or name.strip() in fields:
                raise InputError(
                    f"The field {name!r} can't be read.",
                    advice='Write each field once, as in "quench=oil" "soak=10 min", or one text without =.',
                )
            fields[name.strip()] = value.strip()
    if readings:
        read = [_reading(text) for text in readings]
        flatness(Reading(**one) for one in read)
        fields["readings"] = read
    return fields


def readings_sentence(fields: Mapping[str, Any]) -> str:
    """Say what micrometer readings come to: spread, mean, whether the stock is even, and the taper."""
    found = flatness(Reading(**one) for one in fields["readings"])
    told = f"{found.decision}: spread {found.spread_mm:.3f} mm, mean {found.mean_mm:.3f} mm"
    if found.taper is not None:
        told += f", taper {found.taper.slope * 100:+.3f} mm over 100 mm towards the handle"
    return told + "."


def _reading(text: str) -> dict[str, Any]:
    value, sign, place = text.partition("@")
    out: dict[str, Any] = {"value_mm": length_mm(value, what="reading")}
    if sign and place.strip()[:1].isdigit():
        out["at_mm"] = length_mm(place, what="place of the reading")
    elif place.strip():
        out["label"] = place.strip()
    return out
