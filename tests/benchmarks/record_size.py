"""How long lists and searches take in a large record.

``python tests/benchmarks/record_size.py [KNIVES] [PHOTOS] [DATABASE]`` fills a record in a temporary folder,
by default 1,000 knives with 5,000 photos in 2,500 checks, each with a result as large as a real one, and
prints the median time of each question in ms and as a ratio to a baseline of the same run: the newest 50 rows
of the table of knives alone, in plain SQL.
"""

import json
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import text

from grindcheck.record import checks, knives, listing
from grindcheck.record.entries import STAGES, KnifeFacts
from grindcheck.record.given import new_id
from grindcheck.record.knives import facts_row
from grindcheck.record.opening import Place, Record, open_record
from grindcheck.record.tables import (
    CheckPhotoTable,
    CheckTable,
    KnifeTable,
    OutcomeTable,
    PhotoTable,
    StageTable,
)

sys.path.insert(0, str(Path(__file__).parent.parent))
from fixtures_record import done

ROUNDS = 15
LIMIT_MS = 150.0  # the task's
RESULT_BYTES = 70_000  # a measured pair of 12 MP photos with its drawing has 70,920 characters of JSON


def main() -> None:
    how_many = [int(word) for word in sys.argv[1:3]]
    knife_count, photo_count = (*how_many, *(1000, 5000)[len(how_many) :])
    with tempfile.TemporaryDirectory(prefix="record-size-") as folder:
        home = Path(folder)
        place = Place(url=sys.argv[3], photos=home / "photos") if len(sys.argv) > 3 else Place.in_folder(home)
        with open_record(place) as record:
            begun = time.perf_counter()
            fill(record, knife_count, photo_count)
            print(f"{knife_count} knives, {photo_count} photos filled in {time.perf_counter() - begun:.0f} s")
            report(record, knife_count)


def fill(record: Record, knife_count: int, photo_count: int) -> None:
    """Write rows as the record's own functions do, in one transaction; photos have no files."""
    steels, patterns = ("14C28N", "1.4116", "52100", "80CrV2"), ("petty", "field knife", "tall kitchen knife")
    verdicts = ("match", "mismatch", "cannot tell")
    begin = datetime(2024, 1, 1, tzinfo=UTC)
    padding = {"drawing": "x" * (RESULT_BYTES - len(json.dumps(dict(done().result))))}
    at = begin
    with record.writing() as session:
        for number in range(knife_count):
            at += timedelta(minutes=7)
            knife_id = new_id()
            session.add(KnifeTable(id=knife_id, made_at=at))
            session.flush()
            facts = KnifeFacts(
                name=f"{patterns[number % 3]} {number}", pattern=patterns[number % 3],
                steel=steels[number % 4],
                notes=f"batch {number // 12}, for the canteen", thickness_mm=2.2,
            )  # fmt: skip
            for correction in range(1 + number % 2):
                session.add(facts_row(knife_id, facts, at + timedelta(seconds=correction)))
            for place in range(number % len(STAGES)):
                at += timedelta(seconds=1)
                session.add(StageTable(id=new_id(), knife_id=knife_id, at=at, name=STAGES[place], note=""))
            mine = photo_count * (number + 1) // knife_count - photo_count * number // knife_count
            for first in range(0, mine, 2):
                at += timedelta(seconds=1)
                check_id = new_id()
                session.add(
                    CheckTable(
                        id=check_id, knife_id=knife_id, at=at, kind="symmetry", asked={"thickness_mm": 2.2}
                    )
                )
                session.flush()
                for position in range(min(2, mine - first)):
                    sha256 = new_id() + new_id()
                    session.add(
                        PhotoTable(
                            sha256=sha256,
                            suffix=".jpg",
                            size_bytes=4_000_000,
                            width=4000,
                            height=3000,
                            added_at=at,
                        )
                    )
                    session.flush()
                    session.add(
                        CheckPhotoTable(
                            check_id=check_id, position=position, sha256=sha256, name="a.jpg", role="face"
                        )
                    )
                made = done(verdicts[(number + first) % 3], (number % 7 - 3) / 10, **padding)
                session.add(
                    OutcomeTable(
                        id=new_id(),
                        check_id=check_id,
                        at=at,
                        state="done",
                        verdict=made.verdict,
                        headline=made.headline,
                        error="",
                        advice="",
                        program_version="0.1.0",
                        result=dict(made.result),
                    )
                )
            session.flush()
            session.expunge_all()


def report(record: Record, knife_count: int) -> None:
    some = listing.knives(record, limit=1)[0].knife
    page = min(knife_count, 50)
    questions: dict[str, Callable[[], Any]] = {
        f"list, first {page}": lambda: listing.knives(record, limit=page),
        f"list, last {page}": lambda: listing.knives(record, limit=page, offset=knife_count - page),
        "list, all": lambda: listing.knives(record),
        f"list by name, first {page}": lambda: listing.knives(record, sort="name", limit=page),
        f"list by verdict, first {page}": lambda: listing.knives(record, sort="verdict", limit=page),
        "only mismatch": lambda: listing.knives(record, verdict="mismatch", limit=page),
        "search, many found": lambda: listing.knives(record, "canteen petty", limit=page),
        "search, one found": lambda: listing.knives(record, f"{knife_count - 1} canteen", limit=page),
        "search, none found": lambda: listing.knives(record, "spoon", limit=page),
        "count": lambda: listing.count_knives(record, "canteen"),
        "one knife": lambda: knives.knife(record, some.id),
        "one knife by name": lambda: knives.knife(record, some.facts.name),
        "waiting": lambda: checks.waiting(record),
        "trend": lambda: checks.series(record, "plunge.mid"),
    }
    baseline = median_ms(lambda: plain_rows(record))
    print(f"baseline, the newest {page} knives' rows alone: {baseline:.2f} ms")
    worst = 0.0
    for name, ask in questions.items():
        took = median_ms(ask)
        lists = name.startswith(("list", "only", "search", "count"))
        worst = max(worst, took) if lists else worst
        print(f"{name:28} {took:8.1f} ms  {took / baseline:7.1f} × baseline")
    print(f"slowest list or search: {worst:.0f} ms; asked: {LIMIT_MS:.0f} ms")


def plain_rows(record: Record) -> list[Any]:
    with record.reading() as session:
        return list(session.execute(text("select id, made_at from knives order by made_at desc limit 50")))


def median_ms(ask: Callable[[], Any]) -> float:
    ask()
    times = []
    for _ in range(ROUNDS):
        begun = time.perf_counter()
        ask()
        times.append(time.perf_counter() - begun)
    return 1000 * statistics.median(times)


if __name__ == "__main__":
    main()
