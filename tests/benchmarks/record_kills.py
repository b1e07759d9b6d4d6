"""Processes that write are killed at random moments; what they acknowledged must be there, and whole.

``python tests/benchmarks/record_kills.py [KILLS] [SEED]`` starts a writer on a record in a temporary folder,
kills it after a random time (`Popen.kill`: SIGKILL, on Windows TerminateProcess), opens the record, looks for
everything that the writer had printed as done, and verifies all photos and the database; 50 times on the same
record. By turns the writer adds knives, photos, checks and outcomes, or imports archives of others first. At
the end it prints how much was acknowledged, how much of that is lost, and what `verify` found. A kill isn't a
power cut: what the system had taken but not yet written is not put to the test here.
"""

import io
import json
import random
import subprocess
import sys
import tempfile
import time
import zipfile
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))
from fixtures_record import done, jpeg, knife, pair
from sqlalchemy import select

from grindcheck.record import checks, knives, vault
from grindcheck.record.archive import export_record
from grindcheck.record.entries import KnifeFacts
from grindcheck.record.opening import Record, open_record
from grindcheck.record.tables import CheckTable, KnifeTable, OutcomeTable, PhotoTable
from grindcheck.record.taking_in import import_record
from grindcheck.record.verifying import verify

LONGEST_S = 1.5  # from the writer's first acknowledgement to its death
IMPORTED = 12  # knives in each archive
PHOTO_SIZE = (640, 480)  # large enough that writing one takes a moment


@dataclass
class Told:
    """What writers acknowledged: ids by kind."""

    knives: set[str] = field(default_factory=set)
    checks: set[str] = field(default_factory=set)
    outcomes: set[str] = field(default_factory=set)
    photos: set[str] = field(default_factory=set)
    archives: list[list[str]] = field(default_factory=list)

    def read(self, lines: list[str]) -> None:
        """Add a writer's lines; a line cut off by the kill doesn't count."""
        for line in lines:
            what, _, ids = line.partition(" ")
            if what == "archive":
                self.archives.append(ids.split())
                self.knives.update(ids.split())
            else:
                getattr(self, what).add(ids)

    def __len__(self) -> int:
        return len(self.knives) + len(self.checks) + len(self.outcomes) + len(self.photos)


def main() -> None:
    kills, seed = (*map(int, sys.argv[1:3]), *(50, 1)[len(sys.argv) - 1 :])
    rng = random.Random(seed)
    told, lost, damaged, torn = Told(), 0, 0, 0
    with tempfile.TemporaryDirectory(prefix="record-kills-", ignore_cleanup_errors=True) as name:
        home, archives = Path(name) / "home", Path(name) / "archives"
        archives.mkdir()
        open_record(home).close()
        known: list[set[str]] = []
        for number in range(kills):
            importing = number % 2 == 1
            if importing:
                known += make_archives(archives, number)
            told.read(
                run_and_kill(home, archives if importing else None, number, rng.uniform(0.0, LONGEST_S))
            )
            lost, damaged, torn = after(home, told, known)
            print(
                f"kill {number + 1:3}: acknowledged {len(told)}, lost {lost}, damaged {damaged}, torn {torn}"
            )
        with open_record(home) as record:
            found = verify(record)
    print(
        f"{kills} kills: {len(told)} acknowledged ({len(told.knives)} knives, {len(told.photos)} photos, "
        f"{len(told.checks)} checks, {len(told.outcomes)} outcomes, {len(told.archives)} whole archives), "
        f"{lost} lost, {torn} archives taken in by half; verify: {found.photos} photos, "
        f"{len(found.damages)} damages, {len(found.leftovers)} leftovers"
    )
    raise SystemExit(1 if lost or torn or found.damages else 0)


def run_and_kill(home: Path, archives: Path | None, number: int, seconds: float) -> list[str]:
    """Run a writer for a while after its first word; return the whole lines that it printed."""
    words = [
        sys.executable,
        __file__,
        "--write",
        str(home),
        str(number),
        *([str(archives)] if archives else []),
    ]
    writer = subprocess.Popen(words, stdout=subprocess.PIPE, text=True, encoding="utf-8")
    assert writer.stdout is not None
    first = writer.stdout.readline()  # "ready"
    assert first == "ready\n", first
    time.sleep(seconds)
    writer.kill()
    rest = writer.communicate(timeout=60)[0]
    return rest[: rest.rfind("\n") + 1].splitlines()


def after(home: Path, told: Told, known: list[set[str]]) -> tuple[int, int, int]:
    """Open the record as after a crash; count what is lost, damaged, or taken in by half."""
    with open_record(home) as record:
        there = Told()
        with record.reading() as session:
            there.knives = set(session.scalars(select(KnifeTable.id)))
            there.checks = set(session.scalars(select(CheckTable.id)))
            there.outcomes = set(session.scalars(select(OutcomeTable.check_id)))
            there.photos = set(session.scalars(select(PhotoTable.sha256)))
        lost = sum(
            len(getattr(told, what) - getattr(there, what))
            for what in ("knives", "checks", "outcomes", "photos")
        )
        torn = sum(0 < len(ids & there.knives) < len(ids) for ids in known)
        return lost, len(verify(record).damages), torn


def make_archives(folder: Path, number: int) -> list[set[str]]:
    """Write archives for one writer, of knives that nobody else has; return their knives' ids."""
    for old in folder.iterdir():
        old.unlink()
    out = []
    for archive in range(4):
        with tempfile.TemporaryDirectory() as name, open_record(Path(name)) as record:
            ids = set()
            for one in range(IMPORTED):
                made = knife(record, f"imported {number}-{archive}-{one}")
                checks.add_outcome(record, pair(record, made, 100_000 + 1000 * number + one).id, done())
                ids.add(made.id)
            export_record(record, folder / f"{archive}.zip")
        out.append(ids)
    return out


def write(home: Path, number: int, archives: Path | None) -> None:
    """Write until killed, and print each thing once it is acknowledged."""
    with open_record(home) as record:
        print("ready", flush=True)
        if archives is not None:
            for path in sorted(archives.iterdir()):
                import_record(record, path)
                with zipfile.ZipFile(path) as opened:
                    ids = [row["id"] for row in json.loads(opened.read("record.json"))["tables"]["knives"]]
                print("archive", *ids, flush=True)
        for one in range(1_000_000):
            made = knife(record, f"written {number}-{one}")
            print("knives", made.id, flush=True)
            shas = []
            for place in range(2):
                data = jpeg(10_000_000 + 100_000 * number + 2 * one + place, size=PHOTO_SIZE)
                shas.append(keep(record, data))
                print("photos", shas[-1], flush=True)
            photos = [(sha256, "a.jpg", "face") for sha256 in shas]
            asked = checks.add_check(record, made.id, "symmetry", photos=photos, asked={"thickness_mm": 4})  # type: ignore[arg-type]
            print("checks", asked.id, flush=True)
            checks.add_outcome(record, asked.id, done())
            print("outcomes", asked.id, flush=True)
            knives.correct_knife(record, made.id, KnifeFacts(name=f"corrected {number}-{one}"))


def keep(record: Record, data: bytes) -> str:
    """Keep a photo as an upload would."""
    return vault.add_photo(record, io.BytesIO(data), name="a.jpg").sha256


if __name__ == "__main__":
    if sys.argv[1:2] == ["--write"]:
        write(Path(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4]) if len(sys.argv) > 4 else None)
    else:
        main()
