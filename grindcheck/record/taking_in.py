"""An archive is taken into a record: all of it, or nothing where anything in it isn't right.

Nothing is unpacked by the names in the archive. What the data file lists is looked up, read within its stated
size, hashed, and kept like a photo that a user gives.
"""

import json
import re
import shutil
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, BinaryIO, cast

from sqlalchemy import inspect, select, tuple_
from sqlalchemy.orm import Session

from grindcheck.errors import PhotoError, RecordError
from grindcheck.photo import MAX_FILE_BYTES
from grindcheck.record.archive import DATA_FILE, FORMAT, NAME, photo_member
from grindcheck.record.opening import Record, told_plainly
from grindcheck.record.rows import TABLES, damaged, row_data, row_of
from grindcheck.record.shelf import in_bin
from grindcheck.record.tables import (
    Base,
    CheckPhotoTable,
    CheckTable,
    FactsTable,
    KnifeTable,
    NoteTable,
    OutcomeTable,
    PhotoTable,
    StageTable,
)
from grindcheck.record.vault import Arrived, Taking, arriving, keep

MOST_DATA_BYTES = 1 << 30  # 5,000 measured checks have about 0.4 GB
MOST_MEMBERS = 200_000

_SPARE_BYTES = 50_000_000  # that must stay free on the disk
_AT_ONCE = 300  # keys in one statement, which databases limit
_ENCRYPTED = 0x1
_PACKINGS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_DENSEST = 100  # a data file is 5 to 20 times as long as it is packed; deflate reaches 1,030
_DENSE_FROM_BYTES = 50_000_000  # below, a bomb does no harm
_ROW_NAMES = {table.__tablename__ for table in TABLES}


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenIn:
    """What an import did.

    Parameters
    ----------
    knives, photos : int
        How many the archive has.
    new_knives, new_rows, new_photos : int
        How many weren't there before.
    binned : tuple of str
        Names of knives that lie in the bin here; what is new of them lies there too.
    """

    knives: int
    photos: int
    new_knives: int
    new_rows: int
    new_photos: int
    binned: tuple[str, ...]


def import_record(
    record: Record, path: Path, *, progress: Callable[[int, int], None] = lambda done, of: None
) -> TakenIn:
    """Take an archive in; what is there already is left as it is.

    Parameters
    ----------
    record : Record
    path : Path
    progress : callable
        Is told how many photos are read, of how many.

    Raises
    ------
    RecordError
        If the file is no archive, a newer one, damaged, contradicts itself or what is recorded here, or
        doesn't fit onto the disk. Nothing of it is taken in then.
    """
    with _opened(path) as archive, arriving(record) as take:
        rows = _rows(_data(archive))
        _check_references(rows)
        photos = [row for row in rows[PhotoTable] if isinstance(row, PhotoTable)]
        _check_room(record, sum(photo.size_bytes for photo in photos))
        arrived = []
        for done, photo in enumerate(photos):
            progress(done, len(photos))
            arrived.append(_photo(archive, photo, take))
        progress(len(photos), len(photos))
        with record.writing() as session:
            return _merge(record, session, rows, arrived)


@contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
    """Open a zip file, and refuse one that no export would write."""
    try:
        with _zip(path) as archive:
            members = archive.infolist()
            names = [member.filename for member in members]
            if len(members) > MOST_MEMBERS or len(set(names)) < len(names):
                raise damaged("it has too many files, or several of one name")
            strange = next((member for member in members if _strange(member)), None)
            if strange is not None:
                raise damaged(f"it has a file {strange.filename[:60]!r}, which no export writes")
            yield archive
    except FileNotFoundError:
        raise RecordError(f"There is no file {path}.", advice="Check name and folder.") from None
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, EOFError) as problem:
        raise RecordError(
            f"{path.name} is no zip file that can be read ({problem}).",
            advice="Give the file that grindcheck records export wrote, or export it anew.",
        ) from problem
    except OSError as problem:
        raise RecordError(
            f"{path.name} can't be read ({problem.strerror or problem}).", advice="Copy it again."
        ) from problem


def _zip(path: Path) -> zipfile.ZipFile:
    try:
        return zipfile.ZipFile(path)
    except (ValueError, OverflowError, struct.error) as problem:  # a name that isn't text, a size below 0
        raise zipfile.BadZipFile(str(problem)) from problem


@contextmanager
def _reading(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> Iterator[BinaryIO]:
    """Open a file of the archive; what its own header has wrong is the archive's damage."""
    try:
        file = archive.open(member)
    except (ValueError, OverflowError, RuntimeError, struct.error) as problem:  # a name that isn't text there
        raise zipfile.BadZipFile(str(problem)) from problem
    with file:
        yield cast(BinaryIO, file)


def _strange(member: zipfile.ZipInfo) -> bool:
    parts = PurePosixPath(member.filename).parts
    ordinary = re.fullmatch(r"[\w.-]+(/[\w.-]+)?", member.filename, re.ASCII)
    odd = member.compress_type not in _PACKINGS or bool(member.flag_bits & _ENCRYPTED)
    return not ordinary or ".." in parts or odd


def _data(archive: zipfile.ZipFile) -> Mapping[str, Any]:
    """Read the data file, and refuse one that this program doesn't understand."""
    try:
        member = archive.getinfo(DATA_FILE)
    except KeyError:
        raise damaged(f"it has no {DATA_FILE}, so no export wrote it") from None
    if member.file_size > MOST_DATA_BYTES:
        raise damaged(f"its {DATA_FILE} would have {member.file_size / 1e6:.0f} MB")
    if member.file_size > max(_DENSE_FROM_BYTES, _DENSEST * member.compress_size):
        raise damaged(
            f"its {DATA_FILE} would have {member.file_size / 1e6:.0f} MB out of "
            f"{member.compress_size / 1e6:.1f} MB, as no export packs"
        )
    with _reading(archive, member) as file:
        text = file.read(MOST_DATA_BYTES + 1)
    if len(text) != member.file_size:
        raise damaged(f"its {DATA_FILE} isn't as long as it says")
    try:
        data = json.loads(text.decode("utf-8"))
    except (ValueError, RecursionError) as problem:
        raise damaged(f"its {DATA_FILE} can't be read ({str(problem)[:80]})") from problem
    if not isinstance(data, dict) or data.get("kind") != NAME:
        raise damaged("it is no export of a record")
    if not isinstance(data.get("format"), int) or data["format"] < 1:
        raise damaged("it doesn't say of which format it is")
    if data["format"] > FORMAT:
        raise RecordError(
            f"The archive is of format {data['format']}; this program reads up to {FORMAT}.",
            advice="Update grindcheck; nothing of the archive was taken in.",
        )
    tables = data.get("tables")
    if not isinstance(tables, dict) or set(tables) != _ROW_NAMES:
        raise damaged("it doesn't have the tables that it should have")
    return tables


def _rows(tables: Mapping[str, Any]) -> dict[type[Base], list[Base]]:
    rows: dict[type[Base], list[Base]] = {}
    for table in TABLES:
        entries = tables[table.__tablename__]
        if not isinstance(entries, list):
            raise damaged(f"{table.__tablename__} is no list")
        rows[table] = [row_of(table, entry) for entry in entries]
        keys = {_key(row) for row in rows[table]}
        if len(keys) < len(rows[table]):
            raise damaged(f"{table.__tablename__} has one entry twice")
    return rows


def _check_references(rows: Mapping[type[Base], Sequence[Base]]) -> None:
    """Refuse rows of a knife, check or photo that isn't in the archive, and what isn't as a record has it."""
    knives, checks, photos = (
        {_key(row)[0] for row in rows[table]} for table in (KnifeTable, CheckTable, PhotoTable)
    )
    for table in (FactsTable, StageTable, NoteTable, CheckTable):
        if any(row.knife_id not in knives for row in rows[table] if isinstance(row, table)):
            raise damaged(f"{table.__tablename__} has an entry of a knife that isn't in it")
    told = {row.knife_id for row in rows[FactsTable] if isinstance(row, FactsTable)}
    if told != knives:
        raise damaged("nothing is said of one of its knives")
    pictures = [row for row in rows[CheckPhotoTable] if isinstance(row, CheckPhotoTable)]
    outcomes = [row for row in rows[OutcomeTable] if isinstance(row, OutcomeTable)]
    if not {row.check_id for row in pictures} | {row.check_id for row in outcomes} <= checks:
        raise damaged("it has a photo or an outcome of a check that isn't in it")
    if {row.sha256 for row in pictures} != photos:
        raise damaged("its list of photos isn't that of its checks")
    places: dict[str, set[int]] = {}
    for one in pictures:
        places.setdefault(one.check_id, set()).add(one.position)
    if any(counted != set(range(len(counted))) for counted in places.values()):
        raise damaged("the photos of a check aren't counted from 0")


def _check_room(record: Record, needed: int) -> None:
    with told_plainly(record.place):
        free = shutil.disk_usage(record.place.photos).free
    if needed + _SPARE_BYTES > free:
        raise RecordError(
            f"The archive's photos need {needed / 1e6:.0f} MB, and {free / 1e6:.0f} MB are free.",
            advice="Free some room on the disk; nothing was taken in.",
        )


def _photo(archive: zipfile.ZipFile, listed: PhotoTable, take: Taking) -> Arrived:
    """Read a photo into the vault's temporary files, and see that it is the one that is listed."""
    name = photo_member(listed.sha256, listed.suffix)
    try:
        member = archive.getinfo(name)
    except KeyError:
        raise damaged(f"the photo {listed.sha256[:12]} is missing") from None
    if member.file_size != listed.size_bytes or listed.size_bytes > MAX_FILE_BYTES:
        raise damaged(f"the photo {listed.sha256[:12]} isn't as large as it says")
    try:
        with _reading(archive, member) as file:
            one = take(file, name, listed.size_bytes)
    except PhotoError as problem:
        raise damaged(problem.message.rstrip(".")) from problem
    if one.sha256 != listed.sha256:
        raise damaged(f"the photo {listed.sha256[:12]} has other bytes than its hash says")
    if one.file.suffix != listed.suffix:
        raise damaged(f"the photo {listed.sha256[:12]} is of another format than it says")
    return one


def _merge(
    record: Record,
    session: Session,
    rows: Mapping[type[Base], Sequence[Base]],
    arrived: Sequence[Arrived],
) -> TakenIn:
    """Add what isn't there; compare first, so that a contradiction leaves everything as it is."""
    new = {table: _new(session, table, rows[table]) for table in TABLES}
    for one, row in zip(arrived, rows[PhotoTable], strict=True):
        keep(record, session, one, added_at=row.added_at if isinstance(row, PhotoTable) else None)
    for table in TABLES:
        if table is not PhotoTable:
            session.add_all(new[table])
            session.flush()
    facts = {row.knife_id: row.name for row in rows[FactsTable] if isinstance(row, FactsTable)}
    return TakenIn(
        knives=len(rows[KnifeTable]),
        photos=len(arrived),
        new_knives=len(new[KnifeTable]),
        new_rows=sum(map(len, new.values())),
        new_photos=len(new[PhotoTable]),
        binned=tuple(name for knife_id, name in facts.items() if in_bin(session, "knife", knife_id)),
    )


def _new(session: Session, table: type[Base], rows: Sequence[Base]) -> list[Base]:
    """Return the rows that the record doesn't have; one that it has must be the same."""
    keys = inspect(table).primary_key
    known: dict[tuple[Any, ...], Base] = {}
    for at in range(0, len(rows), _AT_ONCE):
        wanted = [_key(row) for row in rows[at : at + _AT_ONCE]]
        found = session.scalars(select(table).where(tuple_(*keys).in_(wanted)))
        known |= {_key(row): row for row in found}
    new = []
    for row in rows:
        there = known.get(_key(row))
        if there is None:
            new.append(row)
        elif not _same(there, row):
            raise RecordError(
                f"The archive contradicts the record: it has other {table.__tablename__} "
                f"under {str(_key(row)[0])[:12]}.",
                advice="Take it into an empty record, in a folder that GRINDCHECK_HOME names.",
            )
    return new


def _same(there: Base, row: Base) -> bool:
    if isinstance(there, PhotoTable) and isinstance(row, PhotoTable):  # who has it since when differs
        return (there.size_bytes, there.suffix) == (row.size_bytes, row.suffix)
    return row_data(there) == row_data(row)


def _key(row: Base) -> tuple[Any, ...]:
    return tuple(getattr(row, str(column.key)) for column in inspect(type(row)).primary_key)
