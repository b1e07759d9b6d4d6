"""The bin: what is thrown away is hidden, can be taken out again, and is gone once the bin is emptied."""

import contextlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

from sqlalchemy import delete, exists, select
from sqlalchemy.orm import Session

from grindcheck.errors import NotInRecordError
from grindcheck.record.given import is_id
from grindcheck.record.opening import Record
from grindcheck.record.shelf import in_bin, newest_facts
from grindcheck.record.tables import (
    BinnedTable,
    CheckPhotoTable,
    CheckTable,
    FactsTable,
    KnifeTable,
    NoteTable,
    OutcomeTable,
    PhotoTable,
    StageTable,
)
from grindcheck.record.vault import leftovers, path_of

Entity = Literal["knife", "stage", "note", "check"]
ENTITIES: tuple[Entity, ...] = ("knife", "stage", "note", "check")

TABLES: dict[str, type[KnifeTable] | type[StageTable] | type[NoteTable] | type[CheckTable]] = {
    "knife": KnifeTable,
    "stage": StageTable,
    "note": NoteTable,
    "check": CheckTable,
}
_UNUSED = timedelta(days=1)  # a photo that no check came to need for so long is nobody's upload any more
_AT_ONCE = 500  # ids in one statement, which databases limit


@dataclass(frozen=True, slots=True, kw_only=True)
class Binned:
    """Something in the bin: what it is, whose, and when it was thrown away."""

    entity: Entity
    id: str
    at: datetime
    what: str
    knife: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Emptied:
    """How much is gone for good."""

    things: int
    photos: int


def throw_away(record: Record, entity: Entity, entity_id: str) -> None:
    """Put something into the bin; a note goes with what it corrects and what corrects it.

    Raises
    ------
    NotInRecordError
        If it isn't in the record.
    """
    if entity not in ENTITIES:
        raise ValueError(f"entity must be one of {ENTITIES}; {entity!r} came")
    with record.writing() as session:
        if not is_id(entity_id) or session.get(TABLES[entity], entity_id) is None:
            raise NotInRecordError(
                f"There is no {entity} {entity_id[:8]} in the record.",
                advice="Look its id up with its knife.",
            )
        at = datetime.now(UTC)
        for one in _together(session, entity, entity_id):
            if not in_bin(session, entity, one):
                session.add(BinnedTable(entity=entity, entity_id=one, at=at))


def restore(record: Record, entity: Entity, entity_id: str) -> None:
    """Take something out of the bin.

    Raises
    ------
    NotInRecordError
        If it isn't in there.
    """
    with record.writing() as session:
        if not is_id(entity_id) or not in_bin(session, entity, entity_id):
            raise NotInRecordError(
                f"There is no {entity} {entity_id[:8]} in the bin.", advice="See grindcheck records bin."
            )
        for one in _together(session, entity, entity_id):
            row = session.get(BinnedTable, (entity, one))
            if row is not None:
                session.delete(row)


def in_the_bin(record: Record) -> list[Binned]:
    """List what lies in the bin, the newest first."""
    with record.reading() as session:
        rows = session.scalars(
            select(BinnedTable).order_by(BinnedTable.at.desc(), BinnedTable.entity_id)
        ).all()
        corrected = set(session.scalars(select(NoteTable.corrects).where(NoteTable.corrects.is_not(None))))
        return [_told(session, row) for row in rows if row.entity_id not in corrected]


def empty_bin(record: Record) -> Emptied:
    """Remove for good what lies in the bin, and the photos that no check needs any more.

    Photos that were given more than a day ago and never came into a check go too, and what a stop half-way
    left in the folder of the photos.
    """
    with record.writing() as session:
        rows = session.scalars(select(BinnedTable)).all()
        thrown = {entity: {row.entity_id for row in rows if row.entity == entity} for entity in ENTITIES}
        knives = thrown["knife"]
        checks = thrown["check"] | _of(session, CheckTable, knives)
        notes = thrown["note"] | _of(session, NoteTable, knives)
        stages = thrown["stage"] | _of(session, StageTable, knives)
        held = _photos_of(session, checks)
        for table, column, ids in (
            (OutcomeTable, OutcomeTable.check_id, checks),
            (CheckPhotoTable, CheckPhotoTable.check_id, checks),
            (CheckTable, CheckTable.id, checks),
            (NoteTable, NoteTable.id, notes),
            (StageTable, StageTable.id, stages),
            (FactsTable, FactsTable.knife_id, knives),
            (KnifeTable, KnifeTable.id, knives),
        ):
            for some in _pieces(ids):
                session.execute(delete(table).where(column.in_(some)))
        for entity, ids in (("knife", knives), ("check", checks), ("note", notes), ("stage", stages)):
            for some in _pieces(ids):
                session.execute(
                    delete(BinnedTable).where(BinnedTable.entity == entity, BinnedTable.entity_id.in_(some))
                )
        photos = _unneeded(session, held)
        for some in _pieces(sha256 for sha256, _ in photos):
            session.execute(delete(PhotoTable).where(PhotoTable.sha256.in_(some)))
    _clear(record, photos)
    return Emptied(things=len(rows), photos=len(photos))


def _clear(record: Record, photos: Iterable[tuple[str, str]]) -> None:
    """Take files away that nothing lists; nobody can list them meanwhile, and a stop half-way leaves some."""
    with record.writing() as session:
        unlisted = [path_of(record, *one) for one in photos if session.get(PhotoTable, one[0]) is None]
        listed = {sha256 for (sha256,) in session.execute(select(PhotoTable.sha256))}
        unlisted += leftovers(record, listed)
        for path in unlisted:
            with contextlib.suppress(
                OSError
            ):  # one that another program holds open stays until the next time
                path.unlink(missing_ok=True)


def _unneeded(session: Session, held: set[str]) -> list[tuple[str, str]]:
    """Return the photos that no check needs: of removed checks, and old ones that never came into one."""
    old = datetime.now(UTC) - _UNUSED
    rows = session.execute(
        select(PhotoTable.sha256, PhotoTable.suffix, PhotoTable.added_at).where(
            ~exists().where(CheckPhotoTable.sha256 == PhotoTable.sha256)
        )
    )
    return [(sha256, suffix) for sha256, suffix, added_at in rows if sha256 in held or added_at < old]


def _photos_of(session: Session, checks: set[str]) -> set[str]:
    out: set[str] = set()
    for some in _pieces(checks):
        out |= set(session.scalars(select(CheckPhotoTable.sha256).where(CheckPhotoTable.check_id.in_(some))))
    return out


def _of(
    session: Session, table: type[CheckTable] | type[NoteTable] | type[StageTable], knives: set[str]
) -> set[str]:
    out: set[str] = set()
    for some in _pieces(knives):
        out |= set(session.scalars(select(table.id).where(table.knife_id.in_(some))))
    return out


def _together(session: Session, entity: Entity, entity_id: str) -> set[str]:
    """Return what goes into the bin and out of it together: of a note all that correct each other."""
    out, todo = {entity_id}, [entity_id]
    while entity == "note" and todo:
        one = todo.pop()
        row = session.get(NoteTable, one)
        found = set(session.scalars(select(NoteTable.id).where(NoteTable.corrects == one)))
        if row is not None and row.corrects is not None and session.get(NoteTable, row.corrects) is not None:
            found.add(row.corrects)
        todo += found - out
        out |= found
    return out


def _told(session: Session, row: BinnedTable) -> Binned:
    found = session.get(TABLES[row.entity], row.entity_id)
    what, knife_id = row.entity, row.entity_id
    if isinstance(found, StageTable):
        what, knife_id = f"stage {found.name}", found.knife_id
    elif isinstance(found, NoteTable):
        what, knife_id = f"note, {found.kind}", found.knife_id
    elif isinstance(found, CheckTable):
        what, knife_id = f"check, {found.kind}", found.knife_id
    name = session.scalar(
        select(FactsTable.name).where(
            FactsTable.knife_id == knife_id, FactsTable.id == newest_facts(FactsTable.knife_id)
        )
    )
    entity = next(one for one in ENTITIES if one == row.entity)
    return Binned(entity=entity, id=row.entity_id, at=row.at, what=what, knife=name or "")


def _pieces(ids: Iterable[str]) -> Iterable[list[str]]:
    listed = sorted(ids)
    return [listed[at : at + _AT_ONCE] for at in range(0, len(listed), _AT_ONCE)]
