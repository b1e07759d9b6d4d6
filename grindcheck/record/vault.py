"""The photos of a record: the bytes as they came, each once, under the name of their hash.

A photo is written under a temporary name, synced, and moved to its own while the record is locked for
writing, in the transaction that lists it; it is taken away only under that lock, after what listed it is gone
for good. So a listed photo is always there, and what a stop half-way leaves behind is listed nowhere and does
no harm.
"""

import contextlib
import hashlib
import os
import tempfile
import time
from collections.abc import Container, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from sqlalchemy.orm import Session

from grindcheck.errors import NotInRecordError, PhotoError
from grindcheck.photo import MAX_FILE_BYTES, PhotoFile, look_over
from grindcheck.record.entries import StoredPhoto
from grindcheck.record.given import is_sha256
from grindcheck.record.opening import Record, told_plainly
from grindcheck.record.tables import PhotoTable

SUFFIXES = (".jpg", ".png", ".heic")
TEMPORARY = ".part"

_CHUNK = 1 << 20
_STALE_SECONDS = 86400  # no photo is on its way for a day


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrived:
    """A photo in a temporary file of the vault, synced and hashed."""

    path: Path
    sha256: str
    size_bytes: int
    file: PhotoFile


def add_photo(
    record: Record, source: BinaryIO | Path, *, name: str = "", limit_bytes: int = MAX_FILE_BYTES
) -> StoredPhoto:
    """Keep a photo; one that is there already is kept once.

    Parameters
    ----------
    record : Record
    source : binary stream or Path
        Read in pieces.
    name : str
        What messages call it; a path's own name by default.
    limit_bytes : int
        A larger file is refused as soon as it shows.

    Raises
    ------
    PhotoError
        If it is no JPEG, PNG or HEIC picture, or is damaged or too large.
    RecordError
        If it can't be written.
    """
    if isinstance(source, Path):
        name = name or source.name
        try:
            with source.open("rb") as stream:
                return add_photo(record, stream, name=name, limit_bytes=limit_bytes)
        except OSError as problem:
            raise PhotoError(
                f"{source} can't be read ({problem.strerror or problem}).", advice="Check name and folder."
            ) from problem
    with arriving(record) as take:
        one = take(source, name or "The photo", limit_bytes)
        with record.writing() as session:
            return keep(record, session, one)


def photo_path(record: Record, sha256: str) -> Path:
    """Return where a photo lies, for reading only.

    Raises
    ------
    NotInRecordError
        If the record doesn't have it.
    """
    with record.reading() as session:
        row = session.get(PhotoTable, sha256) if is_sha256(sha256) else None
        if row is None:
            raise NotInRecordError(
                f"There is no photo {sha256[:12]} in the record.",
                advice="Look the photo up on its knife's page.",
            )
        return path_of(record, row.sha256, row.suffix)


def stored_photo(record: Record, sha256: str) -> StoredPhoto:
    """Return what is kept of a photo.

    Raises
    ------
    NotInRecordError
        If the record doesn't have it.
    """
    with record.reading() as session:
        row = session.get(PhotoTable, sha256) if is_sha256(sha256) else None
        if row is None:
            raise NotInRecordError(
                f"There is no photo {sha256[:12]} in the record.",
                advice="Look the photo up on its knife's page.",
            )
        return stored(row)


def path_of(record: Record, sha256: str, suffix: str) -> Path:
    """Return where a photo lies or would lie; hash and suffix are checked, so no other path can follow."""
    if not is_sha256(sha256) or suffix not in SUFFIXES:
        raise ValueError(f"{sha256!r} and {suffix!r} aren't a hash and the suffix of a photo")
    return record.place.photos / sha256[:2] / f"{sha256}{suffix}"


class Taking:
    """Takes streams into temporary files, which are gone when the block ends unless they were kept."""

    def __init__(self, record: Record) -> None:
        self.record = record
        self.paths: list[Path] = []

    def __call__(self, source: BinaryIO, name: str, limit_bytes: int) -> Arrived:
        """Take one stream in; messages call it `name`."""
        hashed, size = hashlib.sha256(), 0
        with told_plainly(self.record.place):
            folder = self.record.place.photos
            handle, temporary = tempfile.mkstemp(prefix="arriving-", suffix=TEMPORARY, dir=folder)
            path = Path(temporary)
            self.paths.append(path)
            with os.fdopen(handle, "wb") as file:
                for chunk in _chunks(source, name):
                    size += len(chunk)
                    if size > limit_bytes:
                        raise PhotoError(
                            f"{name} has more than {limit_bytes / 1e6:.0f} MB.",
                            advice="Take the photo at the camera's ordinary size, 12 megapixels are enough.",
                        )
                    hashed.update(chunk)
                    file.write(chunk)
                file.flush()
                os.fsync(file.fileno())
        return Arrived(path=path, sha256=hashed.hexdigest(), size_bytes=size, file=look_over(path, name=name))


@contextmanager
def arriving(record: Record) -> Iterator[Taking]:
    """Give what takes streams in, and clear away what wasn't kept."""
    taking = Taking(record)
    try:
        yield taking
    finally:
        for path in taking.paths:
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)


def keep(record: Record, session: Session, one: Arrived, *, added_at: datetime | None = None) -> StoredPhoto:
    """Move a photo to its place and list it; the session must be one for writing."""
    row = session.get(PhotoTable, one.sha256)
    suffix = one.file.suffix if row is None else row.suffix
    path = path_of(record, one.sha256, suffix)
    if row is None or not _whole(path, one.size_bytes):
        path.parent.mkdir(exist_ok=True)
        one.path.chmod(0o644)  # temporary files are their owner's alone
        one.path.replace(path)
        sync_folders(path.parent, path.parent.parent)
    if row is None:
        row = PhotoTable(
            sha256=one.sha256,
            suffix=suffix,
            size_bytes=one.size_bytes,
            width=one.file.width,
            height=one.file.height,
            added_at=added_at or datetime.now(UTC),
        )
        session.add(row)
        session.flush()
    return stored(row)


def stored(row: PhotoTable) -> StoredPhoto:
    """Return a row as it is handed out."""
    return StoredPhoto(
        sha256=row.sha256,
        suffix=row.suffix,
        size_bytes=row.size_bytes,
        width=row.width,
        height=row.height,
        added_at=row.added_at,
    )


def sync_folders(*folders: Path) -> None:
    """Have the names in folders on the disk, where the system lets a folder be synced (Windows doesn't)."""
    for folder in folders:
        try:
            handle = os.open(folder, os.O_RDONLY)
        except OSError:
            continue
        try:
            os.fsync(handle)
        except OSError:
            pass
        finally:
            os.close(handle)


def leftovers(record: Record, listed: Container[str]) -> list[Path]:
    """Return what a stop half-way left in the vault: photos that aren't listed, old temporary files."""
    long_ago = time.time() - _STALE_SECONDS
    out = []
    for path in sorted(record.place.photos.rglob("*")):
        if not path.is_file():
            continue
        if path.suffix == TEMPORARY:
            with contextlib.suppress(OSError):  # it arrived meanwhile
                if path.stat().st_mtime < long_ago:
                    out.append(path)
        elif path.suffix in SUFFIXES and is_sha256(path.stem) and path.stem not in listed:
            out.append(path)
    return out


def _whole(path: Path, size_bytes: int) -> bool:
    """Tell whether a photo's file is there with all of its bytes; a damaged one is mended by a new copy."""
    try:
        return (
            path.stat().st_size == size_bytes and hashlib.sha256(path.read_bytes()).hexdigest() == path.stem
        )
    except OSError:
        return False


def _chunks(source: BinaryIO, name: str) -> Iterator[bytes]:
    while True:
        try:
            chunk = source.read(_CHUNK)
        except OSError as problem:
            raise PhotoError(
                f"{name} can't be read to its end ({problem.strerror or problem}).", advice="Copy it again."
            ) from problem
        if not chunk:
            return
        yield chunk
