"""Rows as plain data for an archive, and back; what comes in is checked like what a user gives."""

from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import JSON, Double, Integer, inspect
from sqlalchemy.sql.schema import Column

from grindcheck.errors import GrindcheckError, RecordError
from grindcheck.record.asked import NAMES
from grindcheck.record.entries import CHECK_KINDS, ROLES, STATES, VERDICTS, KnifeFacts
from grindcheck.record.given import (
    LONGEST_RESULT,
    clean_facts,
    clean_note,
    file_name,
    is_id,
    is_sha256,
    lines,
    one_line,
    plain,
    sentence,
)
from grindcheck.record.knives import facts_row
from grindcheck.record.tables import (
    Base,
    CheckPhotoTable,
    CheckTable,
    FactsTable,
    KnifeTable,
    Moment,
    NoteTable,
    OutcomeTable,
    PhotoTable,
    StageTable,
)
from grindcheck.record.vault import SUFFIXES

TABLES: tuple[type[Base], ...] = (
    KnifeTable,
    FactsTable,
    StageTable,
    NoteTable,
    PhotoTable,
    CheckTable,
    CheckPhotoTable,
    OutcomeTable,
)
"""What an archive holds, in the order in which rows may refer to each other. The bin stays at home."""

DERIVED = {"facts": ("sort_name", "words")}
"""Columns that follow from others."""

_MOST = 2**31 - 1


def row_data(row: Base) -> dict[str, Any]:
    """Return a row as plain data."""
    out: dict[str, Any] = {}
    for column in _columns(type(row)):
        value = getattr(row, column.key)
        out[column.key] = value.astimezone(UTC).isoformat() if isinstance(value, datetime) else value
    return out


def row_of(table: type[Base], data: Any) -> Base:
    """Return plain data as a row.

    Raises
    ------
    RecordError
        If a field is missing, unknown, of another type, or not as the record would have kept it.
    """
    name = table.__tablename__
    if not isinstance(data, Mapping) or set(data) != {column.key for column in _columns(table)}:
        raise damaged(f"an entry of {name} doesn't have the fields that it should have")
    values = {column.key: _value(name, column, data[column.key]) for column in _columns(table)}
    try:
        sound = _sound(table, values)
    except GrindcheckError as problem:
        raise damaged(f"in {name}: {problem.message}") from problem
    if not sound:
        raise damaged(f"an entry of {name} isn't as the record keeps it")
    if table is FactsTable:
        return facts_row(values["knife_id"], _facts(values), values["at"], row_id=values["id"])
    return table(**values)


def damaged(why: str) -> RecordError:
    """Return the error of an archive that can't be taken in."""
    return RecordError(
        f"The archive can't be taken in: {why}.", advice="Export it anew; nothing of it was taken in."
    )


def _columns(table: type[Base]) -> list[Column[Any]]:
    derived = DERIVED.get(table.__tablename__, ())
    return [column for column in inspect(table).columns if column.key not in derived]


def _value(table: str, column: Column[Any], value: Any) -> Any:
    """Check a value's type and bring it into the column's."""
    kind = column.type
    if value is None and column.nullable:
        return None
    if isinstance(kind, Moment) and isinstance(value, str):
        with suppress(
            ValueError, OverflowError
        ):  # OverflowError: on the calendar's edge, and in UTC beyond it
            at = datetime.fromisoformat(value)
            if at.tzinfo is not None:
                return at.astimezone(UTC)
    elif isinstance(kind, JSON):
        if isinstance(value, list if column.key == "private" else dict):
            return value
    elif isinstance(kind, Integer):
        if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= _MOST:
            return value
    elif isinstance(kind, Double):
        if isinstance(value, int | float) and not isinstance(value, bool):
            with suppress(OverflowError):  # an integer of hundreds of digits
                return float(value)
    elif isinstance(value, str) and not isinstance(kind, Moment):
        return value
    raise damaged(f"{column.key} of {table} is {str(value)[:40]!r}")


def _sound(table: type[Base], values: Mapping[str, Any]) -> bool:
    """Tell whether values are what the record itself would have kept."""
    ids = [value for key, value in values.items() if key in _REFERENCES and value is not None]
    if not all(map(is_id, ids)):
        return False
    if "sha256" in values and not is_sha256(values["sha256"]):
        return False
    if table is FactsTable:
        facts = _facts(values)
        return clean_facts(facts) == facts and bool(list(facts.private) == values["private"])
    if table is StageTable:
        named = one_line(values["name"], "stage", needed=True) == values["name"]
        return named and bool(lines(values["note"], "note") == values["note"])
    if table is NoteTable:
        kind, fields = clean_note(values["kind"], values["fields"])
        return bool((kind, fields) == (values["kind"], values["fields"]))
    if table is PhotoTable:
        return values["suffix"] in SUFFIXES and all(values[key] > 0 for key in ("width", "height"))
    if table is CheckTable:
        if values["kind"] not in CHECK_KINDS or plain(values["asked"], "options") != values["asked"]:
            return False
        types = NAMES[values["kind"]]
        return all(isinstance(value, types.get(name, object)) for name, value in values["asked"].items())
    if table is CheckPhotoTable:
        return values["role"] in ROLES and file_name(values["name"]) == values["name"]
    if table is OutcomeTable:
        texts = ("headline", "error", "advice", "program_version")
        return (
            values["state"] in STATES
            and values["verdict"] in VERDICTS
            and all(sentence(values[key]) == values[key] for key in texts)
            and plain(values["result"], "result", longest=LONGEST_RESULT) == values["result"]
        )
    return True


_REFERENCES = ("id", "knife_id", "stage_id", "corrects", "check_id", "again_of")


def _facts(values: Mapping[str, Any]) -> KnifeFacts:
    names = ("name", "pattern", "steel", "thickness_mm", "grind", "notes", "buyer_reference")
    return KnifeFacts(**{name: values[name] for name in names}, private=tuple(map(str, values["private"])))
