"""Many pairs: what a folder holds, what is done already, and a table that a stop can't spoil.

`grindcheck.batch_workers` does the measuring.
"""

import csv
import hashlib
import io
import os
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from grindcheck import __version__
from grindcheck.errors import InputError, OutputError
from grindcheck.tablecell import cell
from grindcheck.units import length_mm

PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png", ".heic", ".heif")
COLUMNS = (
    "knife", "verdict", "plunge at shoulder (mm)", "U plunge at shoulder (mm)", "plunge half-way (mm)",
    "U plunge half-way (mm)", "plunge at edge (mm)", "U plunge at edge (mm)",
    "largest height difference (mm)",
    "U of that height (mm)", "reservations", "error", "photo 1", "photo 2", "sha256 1", "sha256 2", "options",
    "program",
)  # fmt: skip
# set off, so that two of a phone's running numbers make no pair
_ENDS = re.compile(r"^(?P<name>.*?)[\s_.-]+(?P<end>1|2|a|b|left|right|l|r)$", re.IGNORECASE)
_FIRST = {"1", "a", "left", "l"}


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
    """

    knife: str
    photos: tuple[Path, Path]
    thickness_mm: float
    kept_lens: bool = True

    @property
    def options(self) -> str:
        """What besides the photos decides the result."""
        return f"thickness {self.thickness_mm:.4f} mm" + ("" if self.kept_lens else ", no lens")


def jobs_in(
    folder: Path, thickness_mm: float | None, *, kept_lens: bool = True
) -> tuple[tuple[Job, ...], tuple[Path, ...]]:
    """Pair the photos of a folder.

    Parameters
    ----------
    folder : Path
        With photos whose names end in _1 and _2, _a and _b, or _left and _right (a blank, point or hyphen
        does as well); or with a table ``pairs.csv``
        whose headings are knife, photo 1, photo 2, thickness.
    thickness_mm : float, optional
        For all that the table doesn't tell.
    kept_lens : bool
        As `Job` has it.

    Returns
    -------
    tuple of Job
        By name.
    tuple of Path
        Photos that pair with none.

    Raises
    ------
    InputError
        If there is no pair, or a thickness is missing.
    """
    if not folder.is_dir():
        raise InputError(f"{folder} is no folder.", advice="Name the folder that holds the photos.")
    listed = folder / "pairs.csv"
    if listed.is_file():
        return _listed(listed, thickness_mm, kept_lens), ()
    photos = sorted(path for path in folder.iterdir() if path.suffix.lower() in PHOTO_SUFFIXES)
    found: dict[str, dict[bool, Path]] = {}
    alone: list[Path] = []
    for path in photos:
        match = _ENDS.match(path.stem)
        if match is None or not match["name"]:
            alone.append(path)
            continue
        ends = found.setdefault(match["name"], {})
        first = match["end"].lower() in _FIRST
        if first in ends:
            alone.append(path)
        else:
            ends[first] = path
    jobs = []
    for name, ends in found.items():
        if len(ends) < 2:
            alone += ends.values()
            continue
        if thickness_mm is None:
            raise InputError(
                "The stock thickness is missing.",
                advice="Give --thickness for all, or list the pairs in pairs.csv with a column thickness.",
            )
        pair = ends[True], ends[False]
        jobs.append(Job(knife=name, photos=pair, thickness_mm=thickness_mm, kept_lens=kept_lens))
    if not jobs:
        raise InputError(
            f"No two photos in {folder} pair up.",
            advice="Let their names end in _1 and _2, _a and _b, or _left and _right; else list "
            "them in pairs.csv.",
        )
    return tuple(sorted(jobs, key=lambda job: job.knife)), tuple(sorted(alone))


def _listed(path: Path, thickness_mm: float | None, kept_lens: bool) -> tuple[Job, ...]:
    try:
        rows = list(csv.DictReader(path.read_text(encoding="utf-8-sig").splitlines()))
    except (OSError, UnicodeDecodeError, csv.Error):
        raise InputError(f"{path} can't be read.", advice="Save it as CSV in UTF-8.") from None
    jobs = []
    for number, raw in enumerate(rows, start=2):
        row = {
            str(key).strip().lower(): (value or "").strip()
            for key, value in raw.items()
            if isinstance(value, str)
        }
        names = [row.get("photo 1", ""), row.get("photo 2", "")]
        told = row.get("thickness", "") or (
            f"{row['thickness (mm)']} mm" if row.get("thickness (mm)") else ""
        )
        if not all(names) or not (told or thickness_mm):
            raise InputError(
                f"Row {number} of {path.name} lacks a photo or a thickness.",
                advice="Head the columns knife, photo 1, photo 2, thickness, and fill them in.",
            )
        jobs.append(
            Job(
                knife=row.get("knife") or Path(names[0]).stem,
                photos=(path.parent / names[0], path.parent / names[1]),
                thickness_mm=length_mm(told, what=f"thickness in row {number}")
                if told
                else float(thickness_mm or 0),
                kept_lens=kept_lens,
            )
        )
    if not jobs:
        raise InputError(f"{path.name} lists no pair.", advice="Add a row for each knife.")
    return tuple(jobs)


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file in hex, empty if it can't be read."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


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
        self.done: set[tuple[str, str, str]] = set()
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
        self.done = {(row["sha256 1"], row["sha256 2"], row["options"]) for row in rows if not row["error"]}

    def has(self, job: Job) -> bool:
        """Whether a row of these photos with these options is there already, without an error."""
        one, other = (sha256_of(path) for path in job.photos)
        return (one, other, job.options) in self.done

    def add(self, job: Job, told: Mapping[str, Any]) -> None:
        """Add a row: what the measuring told, or its error."""
        one, other = (sha256_of(path) for path in job.photos)
        row = {
            "knife": job.knife, "photo 1": job.photos[0].name, "photo 2": job.photos[1].name, "sha256 1": one,
            "sha256 2": other, "options": job.options, "program": __version__, **told,
        }  # fmt: skip
        self._append([_plain(row.get(name, "")) for name in COLUMNS])

    def _append(self, values: Any) -> None:
        line = io.StringIO(newline="")
        csv.writer(line, lineterminator="\n").writerow(values)
        with self.path.open("ab") as stream:
            stream.write(line.getvalue().encode("utf-8"))
            stream.flush()
            os.fsync(stream.fileno())


def _plain(value: Any) -> str | int | float:
    return cell(" ".join(value.split()) if isinstance(value, str) else value)


def measure(job: Mapping[str, Any]) -> dict[str, Any]:
    """Measure one pair, told as plain data, and return its cells.

    Parameters
    ----------
    job : mapping
        ``photos`` (two paths), ``thickness_mm``, ``kept_lens``.

    Returns
    -------
    dict
        Some of `COLUMNS`; ``error`` where the photos can't be measured.
    """
    from grindcheck.errors import GrindcheckError
    from grindcheck.pipeline import Request, check_pair
    from grindcheck.settings import COVERAGE_FACTOR
    from grindcheck.verdict import Tolerances, judge

    one, other = (Path(path) for path in job["photos"])
    try:
        asked = Request(photos=(one, other), thickness_mm=job["thickness_mm"], kept_lens=job["kept_lens"])
        comparison = check_pair(asked)
    except GrindcheckError as problem:
        return {"error": f"{problem.message} {problem.advice}"}
    verdict = judge(comparison, Tolerances())
    cells: dict[str, Any] = {"verdict": verdict.decision}
    names = {
        "plunge.shoulder": "plunge at shoulder",
        "plunge.mid": "plunge half-way",
        "plunge.edge": "plunge at edge",
    }
    heights = []
    for figure in comparison.differences:
        if figure.quantity in names:
            name = names[figure.quantity]
            cells[f"{name} (mm)"] = round(figure.value, 3)
            cells[f"U {name} (mm)"] = round(COVERAGE_FACTOR * figure.std, 3)
        elif figure.quantity == "bevel_height":
            heights.append(figure)
    if heights:
        most = max(heights, key=lambda figure: abs(figure.value))
        cells["largest height difference (mm)"] = round(most.value, 3)
        cells["U of that height (mm)"] = round(COVERAGE_FACTOR * most.std, 3)
    flags = {*comparison.flags, *comparison.left.flags, *comparison.right.flags}
    return cells | {"reservations": " ".join(sorted(flags))}


def as_data(job: Job) -> dict[str, Any]:
    """Return a job as plain data that another process can take."""
    return asdict(job) | {"photos": [str(path) for path in job.photos]}
