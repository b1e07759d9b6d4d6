"""Twenty phones uploading 12-megapixel photos at once: whether all is recorded, and the memory it takes.

Run ``python tests/benchmarks/page_uploads.py``.
"""

import hashlib
import json
import tempfile
import threading
import time
from pathlib import Path

from page_bench import SAMPLES, Served, served, unique

from grindcheck.record import vault, verifying
from grindcheck.record.opening import open_record

PHONES, PHOTOS = 20, 6
LIMIT_MB = 1500.0


def phone(page: Served, number: int, photos: list[bytes], kept: list[str], problems: list[str]) -> None:
    """Send photos as the page does: one after the other, each shown small as soon as it has come."""
    for place in range(PHOTOS):
        body = unique(photos[place % len(photos)], number * PHOTOS + place)
        _, status, data = page.ask(f"/api/photos?name=IMG_{number}_{place}.jpg", method="POST", body=body)
        sha = hashlib.sha256(body).hexdigest()
        if status != 201 or json.loads(data)["sha256"] != sha:
            problems.append(f"phone {number}, photo {place}: {status} {data[:80]!r}")
            continue
        kept.append(sha)
        _, status, _ = page.ask(f"/photos/{sha}/small.jpg")
        if status != 200:
            problems.append(f"phone {number}, small photo {place}: {status}")


def main() -> None:
    """Print the figures."""
    photos = [path.read_bytes() for path in sorted(SAMPLES.glob("*_[12].jpg"))]
    kept: list[str] = []
    problems: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        with served(Path(folder)) as page:
            before = page.memory_mb()
            threads = [
                threading.Thread(target=phone, args=(page, number, photos, kept, problems))
                for number in range(PHONES)
            ]
            begun = time.perf_counter()
            for thread in threads:
                thread.start()
            peak, waits = before, []
            while any(thread.is_alive() for thread in threads):
                peak = max(peak, page.memory_mb())
                waits.append(page.ask("/")[0])
                time.sleep(0.02)
            seconds = time.perf_counter() - begun
        with open_record(Path(folder)) as record:
            there = sum(vault.photo_path(record, sha).is_file() for sha in kept)
            sound = verifying.verify(record)
    size = sum(map(len, photos)) / len(photos) / 1e6
    print(f"{PHONES} phones, {PHOTOS} photos each of 12 megapixels, {size:.1f} MB in the mean.")
    print(f"Recorded: {there} of {PHONES * PHOTOS} in {seconds:.0f} s; problems: {problems or 'none'}.")
    print(f"Verified: {sound}")
    print(f"Memory: {before:.0f} MB before, {peak:.0f} MB at most; limit {LIMIT_MB:.0f} MB: "
          f"{'met' if peak <= LIMIT_MB else 'MISSED'}.")  # fmt: skip
    middle = sorted(waits)[len(waits) // 2]
    print(f"The list meanwhile: {1e3 * middle:.0f} ms in the middle, {1e3 * max(waits):.0f} ms at most.")


if __name__ == "__main__":
    main()
