"""Two processes that write at once, and one that is killed, lose nothing."""

import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from fixtures_record import jpeg, knife
from fixtures_record import photo as new_photo

from grindcheck.record import knives, listing
from grindcheck.record.archive import export_record
from grindcheck.record.entries import KnifeFacts
from grindcheck.record.opening import Record, open_record
from grindcheck.record.verifying import verify

ROOT = Path(__file__).parent.parent

WRITER = """
import sys
from pathlib import Path

sys.path.insert(0, "tests")
from fixtures_record import done, knife, pair

from grindcheck.record import checks, knives
from grindcheck.record.opening import open_record

home, name, rounds = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
with open_record(home) as record:
    for number in range(rounds):
        made = knife(record, f"{name} {number}")
        print("knife", made.id, flush=True)
        knives.add_stage(record, made.id, "finished")
        asked = pair(record, made, number)
        print("check", asked.id, flush=True)
        checks.add_outcome(record, asked.id, done())
        print("outcome", asked.id, flush=True)
"""


def started(home: Path, name: str, rounds: int) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-W", "error", "-c", WRITER, str(home), name, str(rounds)],
        cwd=ROOT, stdout=subprocess.PIPE, text=True, encoding="utf-8",
    )  # fmt: skip


def test_two_processes_at_once_lose_nothing(home: Path) -> None:
    running = [started(home, name, 12) for name in ("left", "right")]
    told = [one.communicate(timeout=120)[0].split("\n") for one in running]
    assert [one.returncode for one in running] == [0, 0]
    with open_record(home) as record:
        rows = listing.knives(record)
        assert {row.knife.facts.name for row in rows} == {
            f"{name} {n}" for name in ("left", "right") for n in range(12)
        }
        assert all((row.verdict, row.stage) == ("match", "finished") for row in rows)
        assert {row.knife.id for row in rows} == {
            line.split()[1] for lines in told for line in lines if line.startswith("knife")
        }
        found = verify(record)
        assert (found.photos, found.damages, found.leftovers) == (13, (), ())  # seeds 0 to 12, each once


def test_what_was_acknowledged_survives_a_kill(home: Path) -> None:
    writer = started(home, "left", 10_000)
    assert writer.stdout is not None
    lines = [writer.stdout.readline().split() for _ in range(20)]
    writer.kill()
    lines += [line.split() for line in writer.communicate(timeout=60)[0].splitlines()]
    with open_record(home) as record:
        there = {row.knife.id: row for row in listing.knives(record)}
        pages = {knife_id: knives.knife(record, knife_id) for knife_id in there}
        measured = {one.id for page in pages.values() for one in page.checks if one.outcome is not None}
        asked = {one.id for page in pages.values() for one in page.checks}
        assert {line[1] for line in lines if line[0] == "knife"} <= set(there)
        assert {line[1] for line in lines if line[0] == "check"} <= asked
        assert {line[1] for line in lines if line[0] == "outcome"} <= measured
        assert verify(record).damages == ()


def test_a_reader_sees_one_state_while_another_writes(record: Record, home: Path, tmp_path: Path) -> None:
    for number in range(10):
        knife(record, f"petty {number}")
    writer = started(home, "left", 30)
    try:
        for number in range(5):
            done = export_record(record, tmp_path / f"{number}.zip")  # refuses what isn't whole
            assert done.knives >= 10
            time.sleep(0.02)
    finally:
        writer.communicate(timeout=120)
    assert writer.returncode == 0


def test_twenty_threads_share_a_record_and_lose_nothing(record: Record) -> None:
    def upload(number: int) -> tuple[str, list[str]]:
        made = knife(record, f"petty {number}")
        return made.id, [new_photo(record, 10 * number + place).sha256 for place in range(3)]

    with ThreadPoolExecutor(20) as phones:
        told = list(phones.map(upload, range(20)))
    assert {row.knife.id for row in listing.knives(record)} == {knife_id for knife_id, _ in told}
    found = verify(record)
    assert (found.photos, found.damages, found.leftovers) == (60, (), ())
    assert len({sha256 for _, photos in told for sha256 in photos}) == 60


def test_the_same_photo_from_two_records_of_one_folder_is_kept_once(record: Record, home: Path) -> None:
    with open_record(home) as other:
        first, second = new_photo(record, 3), new_photo(other, 3)
        assert first == second
        knives.add_knife(other, KnifeFacts(name="petty"))
        assert len(listing.knives(record)) == 1
    (path,) = [path for path in record.place.photos.rglob("*") if path.is_file()]
    assert path.read_bytes() == jpeg(3)
