"""Knives: added, corrected and looked up, with their stages and notes."""

import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, cast

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from grindcheck.errors import InputError, NotInRecordError
from grindcheck.record.checks import checks_of
from grindcheck.record.entries import Knife, KnifeFacts, KnifePage, Note, NoteKind, Stage
from grindcheck.record.given import clean_facts, clean_note, folded, is_id, lines, new_id, one_line
from grindcheck.record.opening import Record
from grindcheck.record.shelf import in_bin, newest_facts, not_binned, require_knife, require_stage
from grindcheck.record.tables import FactsTable, KnifeTable, NoteTable, StageTable

_BEGINNING = re.compile(r"[0-9a-f]{6,32}")  # of an id


def add_knife(record: Record, facts: KnifeFacts) -> Knife:
    """Add a knife.

    Raises
    ------
    InputError
        If a fact can't be kept.
    """
    facts = clean_facts(facts)
    at = datetime.now(UTC)
    with record.writing() as session:
        knife = KnifeTable(id=new_id(), made_at=at)
        session.add(knife)
        session.flush()
        session.add(facts_row(knife.id, facts, at))
        return Knife(id=knife.id, made_at=at, facts=facts, facts_at=at)


def correct_knife(record: Record, knife_id: str, facts: KnifeFacts) -> Knife:
    """Say anew what is said of a knife; what was said before is kept as its history.

    Raises
    ------
    InputError
        If a fact can't be kept.
    NotInRecordError
        If there is no such knife.
    """
    facts = clean_facts(facts)
    with record.writing() as session:
        knife = require_knife(session, knife_id)
        last = session.scalar(select(func.max(FactsTable.at)).where(FactsTable.knife_id == knife.id))
        at = datetime.now(UTC)
        if last is not None:  # a clock that was set back mustn't let the correction be the older one
            at = max(at, last + timedelta(microseconds=1))
        session.add(facts_row(knife.id, facts, at))
        return Knife(id=knife.id, made_at=knife.made_at, facts=facts, facts_at=at)


def add_stage(record: Record, knife_id: str, name: str, note: str = "") -> Stage:
    """Say that a knife reached a stage, one of `entries.STAGES` or in own words."""
    name, note = one_line(name, "stage", needed=True), lines(note, "stage's note")
    with record.writing() as session:
        require_knife(session, knife_id)
        row = StageTable(id=new_id(), knife_id=knife_id, at=datetime.now(UTC), name=name, note=note)
        session.add(row)
        return _stage(row)


def add_note(
    record: Record, knife_id: str, kind: str, fields: Mapping[str, Any], *, stage_id: str | None = None
) -> Note:
    """Add a note with fields to a knife."""
    known, kept = clean_note(kind, fields)
    with record.writing() as session:
        require_knife(session, knife_id)
        require_stage(session, knife_id, stage_id)
        row = NoteTable(
            id=new_id(), knife_id=knife_id, stage_id=stage_id, at=datetime.now(UTC), kind=known, fields=kept
        )
        session.add(row)
        return _note(row)


def correct_note(record: Record, note_id: str, fields: Mapping[str, Any]) -> Note:
    """Say a note anew; the one that it corrects is kept as its `earlier`."""
    with record.writing() as session:
        old = session.get(NoteTable, note_id) if is_id(note_id) else None
        if old is None or in_bin(session, "note", note_id):
            raise NotInRecordError(
                f"There is no note {note_id[:8]} in the record.", advice="Look its id up with its knife."
            )
        if session.scalar(select(NoteTable.id).where(NoteTable.corrects == note_id)) is not None:
            raise InputError(
                f"The note {note_id[:8]} was corrected before.", advice="Correct the newest one of its kind."
            )
        _, kept = clean_note(old.kind, fields)
        row = NoteTable(
            id=new_id(),
            knife_id=old.knife_id,
            stage_id=old.stage_id,
            at=datetime.now(UTC),
            kind=old.kind,
            corrects=old.id,
            fields=kept,
        )
        session.add(row)
        return _note(row)


def knife(record: Record, id_or_name: str) -> KnifePage:
    """Return all of a knife.

    Parameters
    ----------
    record : Record
    id_or_name : str
        Its id, the beginning of it, or its name in any case. One in the bin is found by its whole id only.

    Raises
    ------
    NotInRecordError
        If there is none, or several have that name.
    """
    with record.reading() as session:
        knife_id = id_or_name if is_id(id_or_name) else _look_up(session, id_or_name)
        row = require_knife(session, knife_id, binned_too=True)
        said = session.scalars(
            select(FactsTable)
            .where(FactsTable.knife_id == knife_id)
            .order_by(FactsTable.at.desc(), FactsTable.id.desc())
        ).all()
        history = [knife_of(row, one) for one in said]
        stages = session.scalars(
            select(StageTable)
            .where(StageTable.knife_id == knife_id, not_binned("stage", StageTable.id))
            .order_by(StageTable.at, StageTable.id)
        ).all()
        return KnifePage(
            knife=history[0],
            history=tuple(history[1:]),
            stages=tuple(_stage(one) for one in stages),
            notes=_notes(session, knife_id),
            checks=checks_of(session, knife_id),
            binned=in_bin(session, "knife", knife_id),
        )


def _look_up(session: Session, text: str) -> str:
    """Return the id of the one knife with a name, or with an id that begins so."""
    wanted = folded(text)
    known = select(FactsTable.knife_id).where(
        FactsTable.id == newest_facts(FactsTable.knife_id), not_binned("knife", FactsTable.knife_id)
    )
    found = list(session.scalars(known.where(FactsTable.sort_name == wanted).limit(10)))
    if not found and _BEGINNING.fullmatch(text.lower()):
        found = list(
            session.scalars(
                known.where(FactsTable.knife_id.startswith(text.lower(), autoescape=True)).limit(10)
            )
        )
    if len(found) > 1:
        raise NotInRecordError(
            f"{len(found)} knives are called {text!r}.",
            advice=f"Name one by its id: {', '.join(sorted(one[:8] for one in found))}.",
        )
    if not found:
        raise NotInRecordError(
            f"There is no knife {text!r} in the record.", advice="See grindcheck records list."
        )
    return found[0]


def _notes(session: Session, knife_id: str) -> tuple[Note, ...]:
    """Return the notes that hold, each with those that it corrects."""
    rows = session.scalars(
        select(NoteTable)
        .where(NoteTable.knife_id == knife_id, not_binned("note", NoteTable.id))
        .order_by(NoteTable.at, NoteTable.id)
    ).all()
    by_id = {row.id: row for row in rows}
    corrected = {row.corrects for row in rows}
    out = []
    for row in rows:
        if row.id in corrected:
            continue
        earlier: list[Note] = []
        one = row
        while one.corrects in by_id and len(earlier) < len(rows):
            one = by_id[one.corrects]
            earlier.append(_note(one))
        out.append(_note(row, tuple(earlier)))
    return tuple(out)


def facts_row(knife_id: str, facts: KnifeFacts, at: datetime, *, row_id: str | None = None) -> FactsTable:
    """Return what is said of a knife as a row, with the words for searching and sorting."""
    said = (facts.name, facts.pattern, facts.steel, facts.grind, facts.buyer_reference, facts.notes)
    return FactsTable(
        id=row_id or new_id(),
        knife_id=knife_id,
        at=at,
        name=facts.name,
        sort_name=folded(facts.name),
        pattern=facts.pattern,
        steel=facts.steel,
        thickness_mm=facts.thickness_mm,
        grind=facts.grind,
        buyer_reference=facts.buyer_reference,
        private=list(facts.private),
        notes=facts.notes,
        words=folded(" ".join(said)),
    )


def knife_of(row: KnifeTable, said: FactsTable) -> Knife:
    """Return rows as they are handed out."""
    facts = KnifeFacts(
        name=said.name,
        pattern=said.pattern,
        steel=said.steel,
        thickness_mm=said.thickness_mm,
        grind=said.grind,
        notes=said.notes,
        buyer_reference=said.buyer_reference,
        private=tuple(said.private),
    )
    return Knife(id=row.id, made_at=row.made_at, facts=facts, facts_at=said.at)


def _stage(row: StageTable) -> Stage:
    return Stage(id=row.id, knife_id=row.knife_id, at=row.at, name=row.name, note=row.note)


def _note(row: NoteTable, earlier: tuple[Note, ...] = ()) -> Note:
    return Note(
        id=row.id,
        knife_id=row.knife_id,
        stage_id=row.stage_id,
        at=row.at,
        kind=cast(NoteKind, row.kind),
        fields=row.fields,
        corrects=row.corrects,
        earlier=earlier,
    )
