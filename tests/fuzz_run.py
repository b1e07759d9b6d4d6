"""Drive a target of `fuzz_targets` guided by coverage, and keep the first input that fails.

    pip install atheris            # Linux and macOS
    PYTHONPATH=.:tests python tests/fuzz_run.py photo --seconds 300

An input that breaks the contract, takes longer than 10 s or more than 2 GB ends the run; it lies under
tests/saved/fuzz then, where `test_fuzz` replays it.
"""

import argparse
import importlib
import subprocess
import sys
import tempfile
from pathlib import Path

MODULES = (
    "batch", "batch_pairing", "csvrows", "gaugetable", "selfcheck", "camera", "mat.finding",
    "page.pairing", "page.given", "page.notes",
    "record.taking_in", "record.pictures", "record.sheet", "record.trends", "record.telling",
    "record.note_words", "report.trend_text",
)  # fmt: skip
"""What the targets need, imported with everything below it so that the search sees which ways it takes."""


def main() -> None:
    """Read the command line and run, in a process of its own: the search ends it without clearing up."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("target")
    parser.add_argument("--seconds", type=int, default=300)
    parser.add_argument("--corpus", help="a folder of inputs to begin with; default: sound ones, made anew")
    options = parser.parse_args()
    if options.corpus:
        search(options.target, options.seconds, options.corpus)
    import fuzz_targets

    with tempfile.TemporaryDirectory(prefix=f"corpus_{options.target}_") as corpus:
        for number, seed in enumerate(fuzz_targets.seeds(options.target)):
            (Path(corpus) / f"seed_{number}").write_bytes(seed)
        raise SystemExit(subprocess.run([sys.executable, *sys.argv, "--corpus", corpus]).returncode)


def search(target: str, seconds: int, corpus: str) -> None:
    """Search on from the inputs in a folder; never returns."""
    import atheris

    with atheris.instrument_imports(include=["grindcheck"]):
        for name in MODULES:
            importlib.import_module(f"grindcheck.{name}")
    import fuzz_targets

    fuzz_targets.FAILED.mkdir(parents=True, exist_ok=True)
    atheris.Setup(
        [
            sys.argv[0], corpus, f"-max_total_time={seconds}", "-timeout=10", "-rss_limit_mb=2048",
            f"-artifact_prefix={fuzz_targets.FAILED / target}_", "-print_final_stats=1",
        ],
        lambda data: fuzz_targets.run(target, data),
    )  # fmt: skip
    atheris.Fuzz()


if __name__ == "__main__":
    main()
