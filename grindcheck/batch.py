"""Many pairs: what is to be measured, what is done already, and a table that a stop can't spoil.

`grindcheck.batch_pairing` finds the pairs, `grindcheck.batch_workers` has them measured.
"""

import csv
import hashlib
import io
import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from grindcheck import __version__
from grindcheck.errors import InputError, OutputError, PhotoError
from grindcheck.photo import look_over_bytes
from grindcheck.tablecell import cell

COLUMNS = (
    "knife", "verdict", "plunge at shoulder (mm)", "U plunge at shoulder (mm)", "plunge half-way (mm)",
    "U plunge half-way (mm)", "plunge at edge (mm)", "U plunge at edge (mm)",
    "largest height difference (mm)",
    "U of that height (mm)", "reservations", "error", "photo 1", "photo 2", "sha256 1", "sha256 2", "options",
    "program",
)  # fmt: skip
_HEADING = (",".join(COLUMNS) + "\n").encode("utf-8")


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One pair to measure.

    Parameters
    ----------
    knife : str
    photos : (Path, Path)
    thickness_mm : float
    kept_lens : bool
        Use the phone's lens as it was calibrated, if one is kept.
    by_time : bool
        Whether the photos' times made the pair, not their names.
    files : bool
        Whether the result is wanted as JSON and as a picture too.
    sha256 : (str, str), optional
        Of the photos' files in hex as `seen` read them, empty for one that can't be read.
    pixels : int
        Of the larger photo, likewise; 0 where neither tells.
    """

    knife: str
    photos: tuple[Path, Path]
    thickness_mm: float
    kept_lens: bool = True
    by_time: bool = False
    files: bool = False
    sha256: tuple[str, str] | None = None
    pixels: int = 0

    @property
    def options(self) -> str:
        """What besides the photos decides the result."""
        return f"thickness {self.thickness_mm:.4f} mm" + ("" if self.kept_lens else ", no lens")


def seen(job: Job) -> Job:
    """Return a job with what its photos' files tell; each is read once, and none of a job seen before."""
    if job.sha256 is not None:
        return job
    (one, size), (other, other_size) = map(_told_by, job.photos)
    return replace(job, sha256=(one, other), pixels=max(size, other_size))


def hashes(job: Job) -> tuple[str, str]:
    """Return the SHA-256 of both photos in hex: as they were when the job was seen, else as they are now."""
    return seen(job).sha256 or ("", "")


def _told_by(path: Path) -> tuple[str, int]:
    try:
        data = path.read_bytes()
    except (OSError, ValueError):  # ValueError: a zero byte in the name
        return "", 0
    pixels = 0
    with suppress(PhotoError):  # which measuring it will tell
        file = look_over_bytes(data, name=path.name)
        pixels = file.width * file.height
    return hashlib.sha256(data).hexdigest(), pixels


class Table:
    """The CSV of a batch: rows are only ever added, each written out at once.

    Parameters
    ----------
    path : Path
        Made if it isn't there. A last row that was cut off by a stop is dropped.

    Raises
    ------
    InputError
        If the file is another kind of table: nothing of it is touched.
    OutputError
        If it can't be written.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.done: dict[tuple[str, str, str], list[str]] = {}
        try:
            data = path.read_bytes() if path.exists() else b""
            if data:
                self._take(data)
            else:
                self._append(COLUMNS)
        except OSError as problem:
            raise OutputError(
                f"{path} can't be written: {problem.strerror}.",
                advice="Close it elsewhere, or name another file.",
            ) from None

    def _take(self, data: bytes) -> None:
        whole = data[: data.rfind(b"\n") + 1]
        try:
            rows = list(csv.DictReader(io.StringIO(whole.decode("utf-8"), newline="")))
            heading = next(csv.reader(io.StringIO(whole.decode("utf-8"), newline="")), [])
        except (UnicodeDecodeError, csv.Error):
            heading, rows = [], []
        if not whole and _HEADING.startswith(data):  # stopped while it wrote the heading
            self.path.write_bytes(b"")
            self._append(COLUMNS)
            return
        if tuple(heading) != COLUMNS:
            raise InputError(
                f"{self.path} is another table than a batch writes.", advice="Name another file for --csv."
            )
        if len(whole) < len(data):
            with self.path.open("r+b") as stream:
                stream.truncate(len(whole))
        for row in rows:
            if not row["error"]:
                self.done[row["sha256 1"], row["sha256 2"], row["options"]] = [row[name] for name in COLUMNS]

    def has(self, job: Job) -> bool:
        """Whether a row of these photos with these options is there already, without an error."""
        one, other = hashes(job)
        return (one, other, job.options) in self.done

    def add(self, job: Job, told: Mapping[str, Any]) -> None:
        """Add a row: what the measuring told, or its error; none that says what the pair's last one says."""
        one, other = hashes(job)
        row = {
            "knife": job.knife, "photo 1": job.photos[0].name, "photo 2": job.photos[1].name, "sha256 1": one,
            "sha256 2": other, "options": job.options, "program": __version__, **told,
        }  # fmt: skip
        values = [_plain(row.get(name, "")) for name in COLUMNS]
        if self.done.get((one, other, job.options)) != list(map(str, values)):
            self._append(values)

    def _append(self, values: Any) -> None:
        line = io.StringIO(newline="")
        csv.writer(line, lineterminator="\n").writerow(values)
        with self.path.open("ab") as stream:
            stream.write(line.getvalue().encode("utf-8"))
            stream.flush()
            os.fsync(stream.fileno())


def _plain(value: Any) -> str | int | float:
    return cell(" ".join(value.split()) if isinstance(value, str) else value)


def as_data(job: Job) -> dict[str, Any]:
    """Return a job as plain data that another process can take."""
    return asdict(job) | {"photos": [str(path) for path in job.photos]}
