"""Drive a target of `fuzz_targets` guided by coverage, and keep the first input that fails.

    pip install atheris            # Linux and macOS
    PYTHONPATH=.:tests python tests/fuzz_run.py photo --seconds 300

An input that breaks the contract, takes longer than 10 s or more than 2 GB ends the run; it lies under
tests/saved/fuzz then, where `test_fuzz` replays it.
"""

import argparse
import sys
import tempfile
from pathlib import Path

import fuzz_targets


def main() -> None:
    """Read the command line and run."""
    import atheris

    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("target", choices=sorted(fuzz_targets.TARGETS))
    parser.add_argument("--seconds", type=int, default=300)
    options = parser.parse_args()
    with atheris.instrument_imports(include=["grindcheck"]):
        import grindcheck.batch
        import grindcheck.batch_pairing
        import grindcheck.gaugetable
        import grindcheck.lensstore
        import grindcheck.mat.finding
        import grindcheck.photo
        import grindcheck.record.taking_in  # noqa: F401
    corpus = Path(tempfile.mkdtemp(prefix=f"corpus_{options.target}_"))
    for number, seed in enumerate(fuzz_targets.seeds(options.target)):
        (corpus / f"seed_{number}").write_bytes(seed)
    fuzz_targets.FAILED.mkdir(parents=True, exist_ok=True)
    atheris.Setup(
        [
            sys.argv[0], str(corpus), f"-max_total_time={options.seconds}", "-timeout=10",
            "-rss_limit_mb=2048",
            f"-artifact_prefix={fuzz_targets.FAILED / options.target}_", "-print_final_stats=1",
        ],
        fuzz_targets.TARGETS[options.target],
    )  # fmt: skip
    atheris.Fuzz()


if __name__ == "__main__":
    main()
