"""What a form says becomes options of a check and facts of a knife, slips told in the commands' words."""

import re
from collections.abc import Mapping
from typing import Any

from grindcheck import options
from grindcheck.record.entries import KnifeFacts
from grindcheck.record.option_words import read_asked

LINES = ("plunge-left", "plunge-right", "shoulder-left", "shoulder-right")

_BOTH = {"thickness_mm": "thickness", "height_mm": "flat_height", "grind": "grind"}
_FIELDS: Mapping[str, Mapping[str, str]] = {
    "symmetry": {
        **_BOTH,
        "edge_mm": "edge_thickness",
        "tolerance_mm": "tolerance",
        "angle_tolerance_deg": "angle_tolerance",
    },
    "finish": _BOTH,
    "photos": {},
}
"""By kind of check the options and their fields in the form."""

_OPTION = re.compile(r"--([a-z]+(?:-[a-z]+)*)")
_COMMAND = re.compile(r"(?:;|:|,)?\s*(?:run |see )?grindcheck (?:records|check|finish)[^.;]*", re.IGNORECASE)


def for_page(advice: str) -> str:
    """Write an advice for who sees fields instead of options.

    Examples
    --------
    >>> for_page("Measure it and give it, as in --thickness 4mm.")
    'Measure it and give it, as in thickness 4mm.'
    """
    without = _COMMAND.sub("", advice)
    return _OPTION.sub(lambda found: found[1].replace("-", " "), without if without.strip(" .") else advice)


def facts_of(form: Mapping[str, str], private: tuple[str, ...]) -> KnifeFacts:
    """Read what a form says of a knife."""
    thickness = form.get("thickness", "").strip()
    return KnifeFacts(
        name=form.get("name", ""),
        pattern=form.get("pattern", ""),
        steel=form.get("steel", ""),
        thickness_mm=options.read_thickness(thickness) if thickness else None,
        grind=form.get("grind", ""),
        notes=form.get("notes", ""),
        buyer_reference=form.get("buyer_reference", ""),
        private=private,
    )


def facts_as_given(facts: KnifeFacts) -> dict[str, Any]:
    """Return a knife's facts as its form shows them."""
    thickness = "" if facts.thickness_mm is None else f"{facts.thickness_mm:.4g} mm"
    return {
        "name": facts.name, "thickness": thickness, "pattern": facts.pattern, "steel": facts.steel,
        "grind": facts.grind, "notes": facts.notes, "buyer_reference": facts.buyer_reference,
        "private": facts.private,
    }  # fmt: skip


def asked_of(kind: str, form: Mapping[str, str]) -> dict[str, Any]:
    """Read the options of a check; a field that is left empty has the commands' default."""
    told: dict[str, Any] = {
        name: form.get(field, "").strip() or None for name, field in _FIELDS[kind].items()
    }
    if kind == "symmetry" and told["thickness_mm"] is None:
        options.read_thickness(None)
    if kind != "photos" and form.get("no_lens"):
        told["kept_lens"] = False
    asked = read_asked(told)
    accepted = form.get("accept", "").strip()
    if kind == "finish" and accepted:  # never by `read_asked`, which takes the name of a file too
        asked["accept"] = accepted
    return asked


def asked_as_given(asked: Mapping[str, Any]) -> dict[str, str]:
    """Return a check's options as its form shows them."""

    def mm(name: str) -> str:
        return f"{asked[name]:.4g} mm" if asked.get(name) is not None else ""

    angle = asked.get("angle_tolerance_deg")
    return {
        "thickness": mm("thickness_mm"), "flat_height": mm("height_mm"), "edge_thickness": mm("edge_mm"),
        "tolerance": mm("tolerance_mm"), "angle_tolerance": "" if angle is None else f"{angle:g}°",
        "accept": str(asked.get("accept", "")), "grind": str(asked.get("grind", "")),
        "no_lens": "" if asked.get("kept_lens", True) else "yes", "before": "", "stage": "",
    }  # fmt: skip


def lines_of(form: Mapping[str, str]) -> dict[str, list[float]]:
    """Read the lines that were moved by hand; one that wasn't comes as an empty field."""
    return {name: list(options.read_line(name, form[name])) for name in LINES if form.get(name, "").strip()}
