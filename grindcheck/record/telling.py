"""What is recorded as plain text."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from grindcheck.record.binning import Binned
from grindcheck.record.entries import FACT_NAMES, Check, Knife, KnifePage, KnifeRow, Note
from grindcheck.record.verifying import Verified
from grindcheck.report.text import table

ID_SHOWN = 8
"""Characters of an id that are shown; the record finds its owner by them."""

_WIDEST = 40


def list_text(rows: Sequence[KnifeRow]) -> str:
    """Write a list of knives."""
    if not rows:
        return "No knife is found.\n"
    heads = ("name", "made", "stage", "newest verdict", "id", "")
    cells: list[tuple[str, ...]] = [
        (
            _short(row.knife.facts.name),
            row.knife.made_at.astimezone(UTC).strftime("%Y-%m-%d"),
            _short(row.stage),
            f"{row.verdict} ({row.kind})" if row.verdict else "",
            row.knife.id[:ID_SHOWN],
            "",
        )
        for row in rows
    ]
    return "\n".join(table(heads, cells)) + "\n"


def knife_text(page: KnifePage) -> str:
    """Write all of a knife: what is said of it, then its life in the order of time."""
    facts = page.knife.facts
    out = [facts.name + (" (in the bin)" if page.binned else ""), f"  id {page.knife.id}"]
    for name in FACT_NAMES[1:]:
        value = getattr(facts, name)
        if value not in ("", None):
            shown = f"{value:.2f} mm" if name == "thickness_mm" else str(value)
            private = " (private)" if name in facts.private else ""
            out.append(f"  {_words(name)}: {shown}{private}")
    if page.history:
        out.append(f"  corrected {times(page.history)}, last {time_text(page.knife.facts_at)}")
    life: list[tuple[datetime, str]] = [(page.knife.made_at, "added")]
    life += [(old.facts_at, f"was: {_difference(old, page.knife)}") for old in page.history]
    life += [
        (one.at, f"stage {one.name}" + (f": {one.note}" if one.note else "") + f" [{one.id[:ID_SHOWN]}]")
        for one in page.stages
    ]
    life += [(one.at, note_text(one)) for one in page.notes]
    life += [(one.at, check_text(one)) for one in page.checks]
    out += ["", *(f"{time_text(at)}  {text}" for at, text in sorted(life, key=lambda one: one[0]))]
    return "\n".join(out) + "\n"


def note_text(note: Note) -> str:
    """Write a note in one line."""
    corrected = f", corrected {times(note.earlier)}" if note.earlier else ""
    return f"{note.kind}: {_fields(note.fields)} [{note.id[:ID_SHOWN]}]{corrected}"


def check_text(check: Check) -> str:
    """Write a check in one line."""
    names = ", ".join(one.name for one in check.photos)
    again = f", again of {check.again_of[:ID_SHOWN]}" if check.again_of else ""
    if check.kind == "photos":
        return f"photos: {names} [{check.id[:ID_SHOWN]}]"
    if check.outcome is None:
        said = "waits to be measured"
    elif check.outcome.state == "failed":
        said = f"couldn't be measured: {check.outcome.error} {check.outcome.advice}"
    else:
        said = f"{check.outcome.verdict}: {check.outcome.headline}"
    return f"{check.kind} check of {names}: {said} [{check.id[:ID_SHOWN]}]{again}"


def bin_text(rows: Iterable[Binned]) -> str:
    """Write what lies in the bin."""
    cells: list[tuple[str, ...]] = [
        (_short(row.what), _short(row.knife), time_text(row.at), row.id[:ID_SHOWN], "") for row in rows
    ]
    if not cells:
        return "The bin is empty.\n"
    return "\n".join(table(("what", "knife", "thrown away", "id", ""), cells)) + "\n"


def verified_text(found: Verified) -> str:
    """Write what a verification found."""
    photos = f"{counted(found.photos, 'photo')} with {found.size_bytes / 1e6:.1f} MB"
    left = []
    if found.leftovers:
        files = counted(len(found.leftovers), "file")
        left.append(f"{files} left by a stop half-way; emptying the bin takes that away.")
    if not found.damages:
        return "\n".join([f"All is as it was kept: {photos}.", *left]) + "\n"
    lines = [f"Not as it was kept, of {photos}:"]
    for one in found.damages:
        if one.kind == "database":
            lines.append(f"  database: {one.what}")
        else:
            whose = f"; {', '.join(one.names)} of {', '.join(one.knives)}" if one.knives else "; of no knife"
            lines.append(f"  {one.kind}: {one.what}{whose}")
    return "\n".join([*lines, *left]) + "\n"


def counted(number: int, one: str, more: str = "") -> str:
    """Write a number of things, as in ``1 knife`` or ``2 knives``."""
    return f"{number} {one if number == 1 else more or one + 's'}"


def times(members: Sequence[object]) -> str:
    """Write how often, as in ``once`` or ``2 times``."""
    return "once" if len(members) == 1 else f"{len(members)} times"


def time_text(at: datetime) -> str:
    """Write a time with its zone."""
    return at.astimezone(UTC).strftime("%Y-%m-%d %H:%M UTC")


def _difference(old: Knife, new: Knife) -> str:
    """Say in what facts differ from those that hold."""
    names = [name for name in FACT_NAMES if getattr(old.facts, name) != getattr(new.facts, name)]
    told = [f"{_words(name)} {getattr(old.facts, name) or 'not told'}" for name in names]
    if old.facts.private != new.facts.private:
        told.append(f"private {', '.join(old.facts.private) or 'nothing'}")
    return "; ".join(told) or "the same"


def _fields(fields: Mapping[str, Any]) -> str:
    if set(fields) == {"text"}:
        return str(fields["text"])
    if isinstance(fields.get("readings"), list):
        rest = _fields({name: value for name, value in fields.items() if name != "readings"})
        return ", ".join([*map(_reading, fields["readings"]), *([rest] if rest else [])])
    return ", ".join(f"{name} {_value(value)}" for name, value in fields.items())


def _reading(one: Any) -> str:
    if not isinstance(one, Mapping) or not isinstance(one.get("value_mm"), float | int):
        return _value(one)
    place = f"{one['at_mm']:g} mm" if isinstance(one.get("at_mm"), float | int) else str(one.get("label", ""))
    return f"{one['value_mm']:.3f} mm" + (f" at {place}" if place else "")


def _value(value: Any) -> str:
    if isinstance(value, Mapping):
        return " ".join(f"{name} {_value(one)}" for name, one in value.items())
    if isinstance(value, list):
        return "; ".join(map(_value, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


def _words(name: str) -> str:
    return {"thickness_mm": "stock thickness", "buyer_reference": "buyer's reference"}.get(name, name)


def _short(text: str) -> str:
    return text if len(text) <= _WIDEST else f"{text[: _WIDEST - 1]}…"
