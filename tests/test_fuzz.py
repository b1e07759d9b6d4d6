"""Whatever bytes come from outside: an error with advice or a result, never anything else."""

import contextlib
from pathlib import Path

import fuzz_archives
import pytest
from fuzz_targets import FAILED, TARGETS, pictures, run, seeds
from hypothesis import HealthCheck, given
from hypothesis import settings as how
from hypothesis import strategies as st
from synthetic import photo_of

from grindcheck.errors import RecordError
from grindcheck.mat.finding import find_mat
from grindcheck.record.opening import open_record
from grindcheck.record.taking_in import import_record

EDITS = st.lists(
    st.tuples(st.floats(0, 1), st.integers(0, 3), st.binary(min_size=1, max_size=8)), min_size=1, max_size=6
)


def edited(data: bytes, edits: list[tuple[float, int, bytes]]) -> bytes:
    """Write over, put in, take out or cut off."""
    for share, kind, piece in edits:
        at = int(share * len(data))
        data = (
            data[:at] + piece + data[at + len(piece) :],
            data[:at] + piece + data[at:],
            data[:at] + data[at + 8 * len(piece) :],
            data[:at],
        )[kind]
    return data


COUNTS = {"photo": 250, "table": 150, "kept": 250, "truth": 250, "words": 40, "archive": 60, "mat": 60}


@pytest.mark.parametrize("target", TARGETS)
@pytest.mark.filterwarnings("ignore")
def test_small_edits(target: str) -> None:
    @given(seed=st.integers(0, 40), edits=EDITS)
    @how(
        max_examples=COUNTS[target], deadline=None, derandomize=True, suppress_health_check=list(HealthCheck)
    )
    def each(seed: int, edits: list[tuple[float, int, bytes]]) -> None:
        sound = seeds(target)
        run(target, edited(sound[seed % len(sound)], edits))

    each()


@pytest.mark.parametrize("target", TARGETS)
@given(data=st.binary(max_size=300))
@how(max_examples=20, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
def test_any_bytes(target: str, data: bytes) -> None:
    run(target, data)


@pytest.mark.parametrize("path", sorted(FAILED.glob("*")), ids=lambda path: path.name)
@pytest.mark.filterwarnings("ignore")
def test_inputs_that_once_failed(path: Path) -> None:
    run(path.name.split("_")[0], path.read_bytes())


@pytest.mark.parametrize("target", TARGETS)
def test_sound_inputs_are_taken(target: str) -> None:
    for seed in seeds(target):
        run(target, seed)


def test_the_drawn_mats_are_seen() -> None:
    """Else their edits would never reach what comes after the markers."""
    for picture in pictures():
        assert len(find_mat(photo_of(picture), close_up=True).corner_px) >= 6
    assert len(find_mat(photo_of(pictures()[-1])).corner_px) >= 24


def test_changed_archives_are_taken_and_refused(tmp_path: Path) -> None:
    """Else one way of the two wouldn't be tried."""
    taken = []
    for number, data in enumerate(seeds("archive")):
        fuzz_archives.put_record(tmp_path / str(number))
        (tmp_path / "in.zip").write_bytes(data if data[:2] == b"PK" else fuzz_archives.edited(data))
        with open_record(tmp_path / str(number)) as record, contextlib.suppress(RecordError):
            taken.append(import_record(record, tmp_path / "in.zip").new_rows)
    assert 5 < len(taken) < len(seeds("archive")) - 5
    assert 0 in taken and max(taken) > 5
