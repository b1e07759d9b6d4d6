"""A folder of pairs with one worker and with all cores, one after the other in the same run.

    PYTHONPATH=. python tests/benchmarks/batch_cores.py [--pairs 8]

Prints the ratio; seconds differ by machine.
"""

import argparse
import json
import time
from pathlib import Path

from grindcheck.batch import Job
from grindcheck.batch_workers import cores, measured_here

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"


def main() -> None:
    """Measure the sample pairs again and again."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--pairs", type=int, default=8)
    options = parser.parse_args()
    names = [
        pair["name"] for pair in json.loads((SAMPLES / "pairs.json").read_text(encoding="utf-8"))["pairs"]
    ]
    jobs = []
    for number in range(options.pairs):
        truth = json.loads((SAMPLES / f"{names[number % len(names)]}.json").read_text(encoding="utf-8"))
        one, other = (SAMPLES / photo["file"] for photo in truth["photos"])
        jobs.append(Job(knife=truth["name"], photos=(one, other), thickness_mm=truth["thickness_mm"]))
    taken = {}
    for workers in (1, cores()):
        begun = time.perf_counter()
        failed = [cells["error"] for _, cells in measured_here(jobs, workers) if cells.get("error")]
        taken[workers] = time.perf_counter() - begun
        print(f"{workers} workers: {taken[workers]:.1f} s, {len(failed)} of {len(jobs)} failed")
    print(f"{max(taken)} workers are {taken[1] / taken[max(taken)]:.2f} times as fast as one")


if __name__ == "__main__":
    main()
