"""One pair of a batch measured: the cells of its row, and its result as files."""

import hashlib
import re
import tempfile
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from grindcheck.batch import Job, hashes
from grindcheck.errors import OutputError
from grindcheck.report.data import json_text, report_data, write_whole

if TYPE_CHECKING:
    from grindcheck.results import Comparison
    from grindcheck.verdict import Verdict

_UNSAFE = re.compile(r"[^\w.-]+")  # in a file's name, on any system
_LONGEST = 40  # letters of it, of four bytes at most
_SUFFIXES = (".json", ".png")  # of what is kept of a pair


def measure(job: Mapping[str, Any]) -> dict[str, Any]:
    """Measure one pair, told as plain data, and return its cells.

    Parameters
    ----------
    job : mapping
        ``photos`` (two paths), ``thickness_mm``, ``kept_lens``, ``files``, and perhaps ``sha256`` of both.

    Returns
    -------
    dict
        Some of `grindcheck.batch.COLUMNS`; ``error`` where the photos can't be measured, or aren't those of
        the hashes any more; ``files``, bytes by suffix, where they are asked for.
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
    measured = [face.photo_sha256 for face in (comparison.left, comparison.right)]
    if job.get("sha256") and sorted(measured) != sorted(job["sha256"]):
        return {"error": "A photo was changed while the batch ran. Run it again."}
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
    files = {"files": _files(comparison, verdict)} if job["files"] else {}
    return cells | {"reservations": " ".join(sorted(flags))} | files


def keep_files(folder: Path, job: Job, files: Mapping[str, bytes]) -> None:
    """Write what `measure` made of a pair, each file whole or not at all.

    Parameters
    ----------
    folder : Path
        Made if it isn't there.
    job : Job
        The files are named after its knife, and after photos and options, so that none replaces another's.
    files : mapping of str to bytes
        By suffix.

    Raises
    ------
    OutputError
        If one can't be written.
    """
    name = _name(job)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise OutputError(
            f"The folder {folder} can't be made: {problem.strerror}.", advice="Name another for --results."
        ) from None
    for suffix, data in files.items():
        write_whole(folder / f"{name}{suffix}", partial(_write, data))


def has_files(folder: Path, job: Job) -> bool:
    """Whether `keep_files` has written all of a pair, with these photos and options, into a folder."""
    name = _name(job)
    return all((folder / f"{name}{suffix}").is_file() for suffix in _SUFFIXES)


def _name(job: Job) -> str:
    told = "".join([*hashes(job), job.options])
    plain = _UNSAFE.sub("_", job.knife).strip(".") or "pair"
    return f"{plain[:_LONGEST]}_{hashlib.sha256(told.encode('utf-8')).hexdigest()[:8]}"


def _write(data: bytes, path: Path) -> None:
    path.write_bytes(data)


def _files(comparison: "Comparison", verdict: "Verdict") -> dict[str, bytes]:
    from grindcheck.report.picture import write_picture

    with tempfile.TemporaryDirectory() as folder:
        picture = Path(folder) / "result.png"
        write_picture(comparison, verdict, picture)
        drawn = picture.read_bytes()
    text = json_text(report_data(comparison, verdict)).encode("utf-8")
    return dict(zip(_SUFFIXES, (text, drawn), strict=True))
