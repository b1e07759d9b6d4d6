"""A knife or all in one zip file: photos as they came, all that is recorded as JSON, tables as CSV."""

import contextlib
import hashlib
import json
import zipfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from grindcheck import __version__
from grindcheck.errors import RecordError
from grindcheck.record.checks import check
from grindcheck.record.opening import Record
from grindcheck.record.pictures import result_pictures
from grindcheck.record.rows import TABLES, row_data
from grindcheck.record.shelf import not_binned, require_knife
from grindcheck.record.spreadsheets import spreadsheets
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
from grindcheck.record.vault import path_of
from grindcheck.report.data import write_whole

FORMAT = 1
"""It rises when a field changes its meaning or a new one is needed to understand the others."""

NAME = "grindcheck record"
DATA_FILE = "record.json"
PHOTOS_FOLDER = "photos"
PICTURES_FOLDER = "pictures"

_ABOUT = (
    "One entry per row of the record: `facts` of a knife by time, the newest holds; `notes` may correct "
    "earlier ones; `checks` with their photos in order and what came out. Times are UTC, lengths mm, angles "
    "degrees. The photos lie in the folder photos under their SHA-256, as they came from the camera."
)
_CHUNK = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """How much an archive holds."""

    knives: int
    photos: int


def photo_member(sha256: str, suffix: str) -> str:
    """Return the name of a photo within an archive."""
    return f"{PHOTOS_FOLDER}/{sha256}{suffix}"


def export_record(
    record: Record,
    path: Path,
    knife_ids: Iterable[str] | None = None,
    *,
    pictures: bool = False,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> Exported:
    """Write knives into a zip file, whole or not at all.

    Parameters
    ----------
    record : Record
    path : Path
    knife_ids : iterable of str, optional
        Default: all knives. What lies in the bin stays out.
    pictures : bool
        Whether the results are drawn too, which takes about half a second each.
    progress : callable
        Is told how many photos are written, of how many.

    Raises
    ------
    RecordError
        If a photo is missing or damaged, so that the archive wouldn't be whole.
    OutputError
        If the file can't be written.
    """
    with record.reading() as session:
        tables = _tables(session, knife_ids)
    photos = tables["photos"]
    data = {
        "kind": NAME,
        "format": FORMAT,
        "program": {"name": "grindcheck", "version": __version__},
        "written_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "about": _ABOUT,
        "tables": tables,
    }

    drawn: Iterable[tuple[str, bytes]] = ()
    if pictures:
        drawn = result_pictures(record, (check(record, row["id"]) for row in tables["checks"]))

    def write(beside: Path) -> None:
        with zipfile.ZipFile(beside, "w", zipfile.ZIP_STORED, strict_timestamps=False) as archive:
            text = json.dumps(data, ensure_ascii=False, indent=1, allow_nan=False)
            archive.writestr(DATA_FILE, text.encode("utf-8"), zipfile.ZIP_DEFLATED)
            for name, content in spreadsheets(tables).items():
                archive.writestr(name, content, zipfile.ZIP_DEFLATED)
            for check_id, made in drawn:
                archive.writestr(f"{PICTURES_FOLDER}/{check_id}.jpg", made)
            for done, photo in enumerate(photos):
                progress(done, len(photos))
                _copy(record, archive, photo["sha256"], photo["suffix"])
            progress(len(photos), len(photos))

    write_whole(path, write)
    return Exported(knives=len(tables["knives"]), photos=len(photos))


def _copy(record: Record, archive: zipfile.ZipFile, sha256: str, suffix: str) -> None:
    hashed = hashlib.sha256()
    with contextlib.ExitStack() as open_files:
        try:
            source = open_files.enter_context(path_of(record, sha256, suffix).open("rb"))
        except OSError as problem:
            raise _not_whole(sha256, suffix, problem.strerror or str(problem)) from problem
        target = open_files.enter_context(archive.open(photo_member(sha256, suffix), "w", force_zip64=True))
        while chunk := source.read(_CHUNK):
            hashed.update(chunk)
            target.write(chunk)
    if hashed.hexdigest() != sha256:
        raise _not_whole(sha256, suffix, "its bytes aren't what they were")


def _not_whole(sha256: str, suffix: str, why: str) -> RecordError:
    return RecordError(
        f"The photo {sha256[:12]}{suffix} can't be exported ({why}).",
        advice="See whose it is with grindcheck records verify, and give it again or leave that knife out.",
    )


def _tables(session: Session, knife_ids: Iterable[str] | None) -> dict[str, list[dict[str, Any]]]:
    """Return the rows of all tables, of some knives or all, without what lies in the bin."""
    kept: dict[type[Base], list[Base]] = {table: [] for table in TABLES}
    wanted = None if knife_ids is None else list(dict.fromkeys(knife_ids))
    for knife_id in wanted or ():
        require_knife(session, knife_id)
    binned: dict[str, Any] = {"stage": StageTable, "note": NoteTable, "check": CheckTable}
    here = [not_binned("knife", KnifeTable.id)]
    if wanted is not None:
        here.append(KnifeTable.id.in_(wanted))
    knives = select(KnifeTable.id).where(*here)
    kept[KnifeTable] = list(session.scalars(select(KnifeTable).where(*here).order_by(KnifeTable.made_at)))
    kept[FactsTable] = list(
        session.scalars(select(FactsTable).where(FactsTable.knife_id.in_(knives)).order_by(FactsTable.at))
    )
    for entity, table in binned.items():
        kept[table] = list(
            session.scalars(
                select(table)
                .where(table.knife_id.in_(knives), not_binned(entity, table.id))
                .order_by(table.at, table.id)
            )
        )
    checks = select(CheckTable.id).where(CheckTable.knife_id.in_(knives), not_binned("check", CheckTable.id))
    kept[CheckPhotoTable] = list(
        session.scalars(
            select(CheckPhotoTable)
            .where(CheckPhotoTable.check_id.in_(checks))
            .order_by(CheckPhotoTable.check_id, CheckPhotoTable.position)
        )
    )
    kept[OutcomeTable] = list(
        session.scalars(
            select(OutcomeTable).where(OutcomeTable.check_id.in_(checks)).order_by(OutcomeTable.at)
        )
    )
    used = select(CheckPhotoTable.sha256).where(CheckPhotoTable.check_id.in_(checks))
    kept[PhotoTable] = list(
        session.scalars(select(PhotoTable).where(PhotoTable.sha256.in_(used)).order_by(PhotoTable.sha256))
    )
    return {table.__tablename__: [row_data(row) for row in kept[table]] for table in TABLES}
