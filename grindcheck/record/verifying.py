"""Every photo is hashed again and the database checked; what is wrong is named, with its knives."""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from grindcheck.errors import RecordError
from grindcheck.record.opening import Record
from grindcheck.record.shelf import newest_facts
from grindcheck.record.tables import CheckPhotoTable, CheckTable, FactsTable, PhotoTable
from grindcheck.record.vault import leftovers, path_of

_CHUNK = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Damage:
    """Something that isn't as it was kept.

    Parameters
    ----------
    kind : {"missing", "damaged", "unreadable", "database"}
    what : str
        The photo's file in the vault, or what the database says.
    names : tuple of str
        What the user's files were called.
    knives : tuple of str
        Names of the knives that it belongs to.
    """

    kind: Literal["missing", "damaged", "unreadable", "database"]
    what: str
    names: tuple[str, ...] = ()
    knives: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What `verify` found.

    Parameters
    ----------
    photos, size_bytes : int
        How many photos were hashed, and how much that was.
    damages : tuple of Damage
        None if all is as it was kept.
    leftovers : tuple of Path
        Files that a stop half-way left; nothing needs them, and emptying the bin takes them away.
    """

    photos: int
    size_bytes: int
    damages: tuple[Damage, ...]
    leftovers: tuple[Path, ...]


def verify(record: Record, *, progress: Callable[[int, int], None] = lambda done, of: None) -> Verified:
    """Check the whole record.

    Parameters
    ----------
    record : Record
    progress : callable
        Is told how many photos are done, of how many.
    """
    damages = _database(record)
    with record.reading() as session:
        listed = list(session.execute(select(PhotoTable.sha256, PhotoTable.suffix, PhotoTable.size_bytes)))
    total = 0
    for done, (sha256, suffix, size_bytes) in enumerate(listed):
        progress(done, len(listed))
        kind = _look_at(path_of(record, sha256, suffix), sha256)
        total += size_bytes
        if kind is not None:
            with record.reading() as session:
                if session.get(PhotoTable, sha256) is not None:  # it may have gone with the bin meanwhile
                    damages.append(_of_photo(session, kind, sha256, suffix))
    progress(len(listed), len(listed))
    with record.writing() as session:  # so that no photo is moved to its place meanwhile
        known = set(session.scalars(select(PhotoTable.sha256)))
        left = leftovers(record, known)
    return Verified(photos=len(listed), size_bytes=total, damages=tuple(damages), leftovers=tuple(left))


def _look_at(path: Path, sha256: str) -> Literal["missing", "damaged", "unreadable"] | None:
    hashed = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while chunk := file.read(_CHUNK):
                hashed.update(chunk)
    except FileNotFoundError:
        return "missing"
    except OSError:
        return "unreadable"
    return None if hashed.hexdigest() == sha256 else "damaged"


def _of_photo(
    session: Session, kind: Literal["missing", "damaged", "unreadable"], sha256: str, suffix: str
) -> Damage:
    rows = session.execute(
        select(CheckPhotoTable.name, FactsTable.name)
        .join(CheckTable, CheckTable.id == CheckPhotoTable.check_id)
        .join(FactsTable, FactsTable.id == newest_facts(CheckTable.knife_id))
        .where(CheckPhotoTable.sha256 == sha256)
        .order_by(CheckTable.at)
    ).all()
    return Damage(
        kind=kind,
        what=f"{sha256}{suffix}",
        names=tuple(dict.fromkeys(name for name, _ in rows)),
        knives=tuple(dict.fromkeys(knife for _, knife in rows)),
    )


def _database(record: Record) -> list[Damage]:
    """Let SQLite check its file and its references; other databases watch over both themselves."""
    if record.database_file is None:
        return []
    try:
        with record.reading() as session:
            run = session.connection().exec_driver_sql
            told = [str(one) for (one,) in run("PRAGMA integrity_check") if one != "ok"]
            told += [
                f"row {row} of {table} names a row of {other} that isn't there"
                for table, row, other, _ in run("PRAGMA foreign_key_check")
            ]
    except RecordError as problem:
        told = [problem.message]
    return [Damage(kind="database", what=one) for one in told]
