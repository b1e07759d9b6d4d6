"""The tables of a record. Rows are facts that are only ever added; `Binned` alone comes and goes.

References to a stage, to a note that is corrected or to a check that is measured again aren't foreign keys:
what they name may have been thrown away since, and that doesn't change what was said.
"""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import JSON, Double, ForeignKey, Index, MetaData, String, Text
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.types import TypeDecorator

ID_CHARS = 32
SHA_CHARS = 64


class Moment(TypeDecorator[datetime]):
    """A time in UTC with its zone, kept as text that sorts by time: SQLite would drop the zone."""

    impl = String(32)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:
        """Write a time."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"a time needs its zone; {value.isoformat()} came")
        return value.astimezone(UTC).isoformat(timespec="microseconds")

    def process_result_value(self, value: str | None, dialect: Dialect) -> datetime | None:
        """Read a time."""
        return None if value is None else datetime.fromisoformat(value)


class Base(DeclarativeBase):
    """What all tables have in common."""

    metadata = MetaData(
        naming_convention={
            "pk": "pk_%(table_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012
        datetime: Moment, dict[str, Any]: JSON, list[str]: JSON, str: Text, float: Double(),
    }  # fmt: skip


def _id() -> Mapped[str]:
    return mapped_column(String(ID_CHARS), primary_key=True)


def _knife() -> Mapped[str]:
    return mapped_column(String(ID_CHARS), ForeignKey("knives.id"))


class KnifeTable(Base):
    """A knife, of which everything else is said in other tables."""

    __tablename__ = "knives"

    id: Mapped[str] = _id()
    made_at: Mapped[datetime]


class FactsTable(Base):
    """What is said of a knife; the newest holds.

    `sort_name` and `words` are `name` and all words folded for sorting and searching, because databases fold
    ASCII only.
    """

    __tablename__ = "facts"
    __table_args__ = (Index(None, "knife_id", "at"),)

    id: Mapped[str] = _id()
    knife_id: Mapped[str] = _knife()
    at: Mapped[datetime]
    name: Mapped[str]
    sort_name: Mapped[str]
    pattern: Mapped[str]
    steel: Mapped[str]
    thickness_mm: Mapped[float | None]
    grind: Mapped[str]
    buyer_reference: Mapped[str]
    private: Mapped[list[str]]
    notes: Mapped[str]
    words: Mapped[str]


class StageTable(Base):
    """A stage that a knife reached."""

    __tablename__ = "stages"
    __table_args__ = (Index(None, "knife_id", "at"),)

    id: Mapped[str] = _id()
    knife_id: Mapped[str] = _knife()
    at: Mapped[datetime]
    name: Mapped[str]
    note: Mapped[str]


class NoteTable(Base):
    """A note with fields."""

    __tablename__ = "notes"
    __table_args__ = (Index(None, "knife_id", "at"),)

    id: Mapped[str] = _id()
    knife_id: Mapped[str] = _knife()
    stage_id: Mapped[str | None] = mapped_column(String(ID_CHARS))
    at: Mapped[datetime]
    kind: Mapped[str]
    corrects: Mapped[str | None] = mapped_column(String(ID_CHARS))
    fields: Mapped[dict[str, Any]]


class PhotoTable(Base):
    """A photo in the vault."""

    __tablename__ = "photos"

    sha256: Mapped[str] = mapped_column(String(SHA_CHARS), primary_key=True)
    suffix: Mapped[str]
    size_bytes: Mapped[int]
    width: Mapped[int]
    height: Mapped[int]
    added_at: Mapped[datetime]


class CheckTable(Base):
    """A check that was asked for."""

    __tablename__ = "checks"
    __table_args__ = (Index(None, "knife_id", "at"),)

    id: Mapped[str] = _id()
    knife_id: Mapped[str] = _knife()
    stage_id: Mapped[str | None] = mapped_column(String(ID_CHARS))
    at: Mapped[datetime]
    kind: Mapped[str]
    again_of: Mapped[str | None] = mapped_column(String(ID_CHARS))
    asked: Mapped[dict[str, Any]]


class CheckPhotoTable(Base):
    """The photos of a check in their order."""

    __tablename__ = "check_photos"

    check_id: Mapped[str] = mapped_column(String(ID_CHARS), ForeignKey("checks.id"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    sha256: Mapped[str] = mapped_column(String(SHA_CHARS), ForeignKey("photos.sha256"), index=True)
    name: Mapped[str]
    role: Mapped[str]


class OutcomeTable(Base):
    """What came out of a check; the large column is the last, so that a list needn't read past it."""

    __tablename__ = "outcomes"
    __table_args__ = (Index(None, "check_id", "at"),)

    id: Mapped[str] = _id()
    check_id: Mapped[str] = mapped_column(String(ID_CHARS), ForeignKey("checks.id"))
    at: Mapped[datetime]
    state: Mapped[str]
    verdict: Mapped[str]
    headline: Mapped[str]
    error: Mapped[str]
    advice: Mapped[str]
    error_photo: Mapped[int | None]
    program_version: Mapped[str]
    result: Mapped[dict[str, Any]]


class BinnedTable(Base):
    """What lies in the bin: hidden until it is restored, or gone when the bin is emptied."""

    __tablename__ = "binned"

    entity: Mapped[str] = mapped_column(String(16), primary_key=True)
    entity_id: Mapped[str] = mapped_column(String(ID_CHARS), primary_key=True)
    at: Mapped[datetime]
