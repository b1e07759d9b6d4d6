"""How fast the page answers with 1,000 knives and 5,000 photos in the record, idle and while it measures.

Run ``python tests/benchmarks/page_answers.py [FOLDER]``; a folder that has the record already is used again.
"""

import io
import random
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from page_bench import SAMPLES, Served, served, told
from PIL import Image
from sqlalchemy import text

from grindcheck.record import checks, knives, listing, vault
from grindcheck.record.entries import STAGES, KnifeFacts, Outcome
from grindcheck.record.measuring import measure_check
from grindcheck.record.opening import Record, open_record

KNIVES, CHECKS = 1000, 2500  # two photos each
LISTS_S, MEANWHILE_S = 0.150, 0.200
TIMES = 40
PAIRS, MEASURING_S = 60, 45.0


def fill(record: Record) -> None:
    """Put knives, photos, checks and measured results into a record."""
    rng = random.Random(20)
    noise = np.random.default_rng(20)
    steels, patterns = ("1.2519", "1.2842", "1.4116", "1.2235"), ("petty", "field knife", "paring", "cleaver")
    made = [
        knives.add_knife(
            record,
            KnifeFacts(
                name=f"{rng.choice(patterns)} {number}",
                steel=rng.choice(steels), pattern=rng.choice(patterns),
                thickness_mm=rng.choice((2.2, 3.0, 3.96875)), notes="a note of the usual length " * 3,
                buyer_reference=f"canteen {number % 37}",
            ),
        )
        for number in range(KNIVES)
    ]  # fmt: skip
    for knife in made:
        for stage in STAGES[: rng.randint(1, 5)]:
            knives.add_stage(record, knife.id, stage)
    done: Outcome | None = None
    for number in range(CHECKS):
        knife = made[number % KNIVES]
        photos = []
        for face in range(2):
            if number == 0:
                kept = vault.add_photo(record, SAMPLES / f"field_knife_a_{face + 1}.jpg")
            else:
                out = io.BytesIO()
                pixels = noise.integers(0, 255, (24, 32, 3), dtype=np.uint8)
                Image.fromarray(pixels).resize((640, 480)).save(out, "JPEG")
                out.seek(0)
                kept = vault.add_photo(record, out)
            photos.append((kept.sha256, f"IMG_{number}_{face}.jpg", "face"))
        check = checks.add_check(record, knife.id, "symmetry", photos=photos, asked={"thickness_mm": 3.96875})
        if done is None:
            done = measure_check(record, check)  # one true result, its JSON of the usual size for all
        verdict = rng.choice(("match", "mismatch", "cannot tell"))
        checks.add_outcome(
            record,
            check.id,
            Outcome(
                at=datetime.now(UTC), state="done", verdict=verdict, headline=done.headline,
                result=done.result,
                program_version=done.program_version,
            ),
        )  # fmt: skip


def timed(page: Served, path: str, times: int = TIMES) -> list[float]:
    """Ask for a page several times."""
    out = []
    for _ in range(times):
        seconds, status, _ = page.ask(path)
        assert status == 200, (path, status)
        out.append(seconds)
    return out


def main(home: Path) -> None:
    """Print the figures."""
    with open_record(home) as record:
        if listing.count_knives(record) < KNIVES:
            begun = time.perf_counter()
            fill(record)
            print(f"Filled in {time.perf_counter() - begun:.0f} s.", file=sys.stderr)
        knife = listing.knives(record, limit=1, offset=500)[0].knife
        check = knives.knife(record, knife.id).checks[0]
        photo = check.photos[0].photo.sha256
        with record.reading() as session:
            counted = [
                session.scalar(text(f"select count(*) from {name}"))
                for name in ("knives", "photos", "checks")
            ]
    print(f"{counted[0]} knives, {counted[1]} photos, {counted[2]} checks.\n")
    print("| page | median ms | 95 % ms | largest ms | limit ms | |\n|---|---|---|---|---|---|")
    paths = {
        "list": "/", "list, page 13": "/?start=480", "list by name": "/?sort=name",
        "list, worst first": "/?sort=verdict", "only mismatches": "/?verdict=mismatch",
        "search, one word": "/?q=cleaver", "search, two words": "/?q=petty+1.2842",
        "search, nothing": "/?q=zzz",
    }  # fmt: skip
    others = {"a knife": f"/knives/{knife.id}", "a result": f"/checks/{check.id}", "trend": "/trend",
              "small photo": f"/photos/{photo}/small.jpg", "list for programs": "/api/knives"}  # fmt: skip
    with served(home) as page:
        for name, path in {**paths, **others}.items():
            timed(page, path, 2)
            limit = LISTS_S if name in paths else MEANWHILE_S
            print(told(name, timed(page, path), limit), flush=True)
    with open_record(home) as record:
        pair = [vault.add_photo(record, SAMPLES / f"field_knife_a_{n}.jpg").sha256 for n in (1, 2)]
        photos = [(sha256, "x.jpg", "face") for sha256 in pair]
        for _ in range(PAIRS):
            checks.add_check(record, knife.id, "symmetry", asked=check.asked, photos=photos)
        before = len(checks.waiting(record))
    everything = {**paths, **others}
    seconds: dict[str, list[float]] = {name: [] for name in everything}
    with served(home) as page:
        deadline = time.monotonic() + MEASURING_S
        while time.monotonic() < deadline:
            for name, path in everything.items():
                seconds[name] += timed(page, path, 1)
        with open_record(home) as record:
            left = len(checks.waiting(record))
    for name, found in seconds.items():
        print(told(f"{name}, while measuring", found, MEANWHILE_S))
    print(f"\nMeasured meanwhile: {before - left} pairs in {MEASURING_S:.0f} s.")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as folder:
            main(Path(folder))
