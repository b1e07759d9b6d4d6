"""Which photos of a folder make a pair: by their names, by a table, else by when they were taken."""

import re
from datetime import datetime
from itertools import pairwise
from pathlib import Path

from grindcheck.batch import Job
from grindcheck.csvrows import csv_rows
from grindcheck.errors import InputError, PhotoError
from grindcheck.photo import time_taken
from grindcheck.units import length_mm

PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png", ".heic", ".heif")
# set off, so that two of a phone's running numbers make no pair
_ENDS = re.compile(r"^(?P<name>.*?)[\s_.-]+(?P<end>1|2|a|b|left|right|l|r)$", re.IGNORECASE)
_FIRST = {"1", "a", "left", "l"}
_LONGEST_S = 300.0  # between the two photos of a blade: it is turned over and laid down again
_CLEARLY = 2.0  # times longer must the next photo of either be away, or who belongs to whom is a guess


def jobs_in(
    folder: Path, thickness_mm: float | None, *, kept_lens: bool = True
) -> tuple[tuple[Job, ...], tuple[Path, ...]]:
    """Pair the photos of a folder.

    Parameters
    ----------
    folder : Path
        With photos whose names end in _1 and _2, _a and _b, or _left and _right (a blank, point or hyphen
        does as well); or with a table ``pairs.csv``
        whose headings are knife, photo 1, photo 2, thickness (read by `grindcheck.csvrows`). Photos
        that no name pairs are paired by the time that their metadata tells.
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
        If there is no pair, a thickness is missing, or the table can't be read.
    """
    if not folder.is_dir():
        raise InputError(f"{folder} is no folder.", advice="Name the folder that holds the photos.")
    listed = folder / "pairs.csv"
    if listed.is_file():
        return _listed(listed, thickness_mm, kept_lens), ()
    named, alone = _by_name(folder)
    timed, alone = by_time(alone)
    pairs = [(name, pair, False) for name, pair in named] + [
        (one.stem, (one, two), True) for one, two in timed
    ]
    if not pairs:
        raise InputError(
            f"No two photos in {folder} pair up.",
            advice="Let their names end in _1 and _2, _a and _b, or _left and _right; else list "
            "them in pairs.csv.",
        )
    if thickness_mm is None:
        raise InputError(
            "The stock thickness is missing.",
            advice="Give --thickness for all, or list the pairs in pairs.csv with a column thickness.",
        )
    jobs = [
        Job(knife=name, photos=pair, thickness_mm=thickness_mm, kept_lens=kept_lens, by_time=by_time)
        for name, pair, by_time in pairs
    ]
    return tuple(sorted(jobs, key=lambda job: job.knife)), tuple(sorted(alone))


def by_time(photos: list[Path]) -> tuple[list[tuple[Path, Path]], list[Path]]:
    """Pair photos that were taken one shortly after the other.

    Parameters
    ----------
    photos : list of Path

    Returns
    -------
    list of (Path, Path)
        The earlier one first.
    list of Path
        Those that pair with none, those without a time among them.

    Notes
    -----
    Two photos are a pair if they are each other's nearest, five minutes apart at most, and the next photo of
    either is twice as far away at least. A third take of one blade so leaves all of its photos unpaired.
    """
    timed: list[tuple[datetime, Path]] = []
    for path in photos:
        try:
            told = time_taken(path)
        except PhotoError:  # no photo at all
            continue
        if told:
            # phones tell local time, some with the zone; those of one session have the same one
            timed.append((datetime.fromisoformat(told).replace(tzinfo=None), path))
    timed.sort()
    gaps = [(after[0] - before[0]).total_seconds() for before, after in pairwise(timed)]
    pairs = []
    for place, gap in enumerate(gaps):
        beside = [gaps[other] for other in (place - 1, place + 1) if 0 <= other < len(gaps)]
        if gap <= _LONGEST_S and all(other > 0 and other >= _CLEARLY * gap for other in beside):
            pairs.append((timed[place][1], timed[place + 1][1]))
    taken = {path for pair in pairs for path in pair}
    return pairs, [path for path in photos if path not in taken]


def _by_name(folder: Path) -> tuple[list[tuple[str, tuple[Path, Path]]], list[Path]]:
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
    alone += [path for ends in found.values() if len(ends) < 2 for path in ends.values()]
    return [(name, (ends[True], ends[False])) for name, ends in found.items() if len(ends) == 2], alone


def _listed(path: Path, thickness_mm: float | None, kept_lens: bool) -> tuple[Job, ...]:
    jobs = []
    for number, row in enumerate(csv_rows(path), start=2):
        names = [row.get("photo 1", ""), row.get("photo 2", "")]
        told = row.get("thickness", "")
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
