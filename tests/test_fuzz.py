"""Whatever bytes come from outside: an error with advice or a result, never anything else."""

import time
from pathlib import Path

import pytest
from fuzz_targets import FAILED, TARGETS, seeds
from hypothesis import HealthCheck, given
from hypothesis import settings as how
from hypothesis import strategies as st

LIMIT_S = 10.0
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


@pytest.mark.parametrize("target", ["photo", "table"])
@given(seed=st.integers(0, 9), edits=EDITS)
@how(max_examples=250, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@pytest.mark.filterwarnings("ignore")
def test_small_edits(target: str, seed: int, edits: list[tuple[float, int, bytes]]) -> None:
    sound = seeds(target)
    TARGETS[target](edited(sound[seed % len(sound)], edits))


@pytest.mark.parametrize(("target", "count"), [("archive", 40), ("mat", 25)])
def test_small_edits_of_what_takes_longer(target: str, count: int) -> None:
    @given(seed=st.integers(0, 9), edits=EDITS)
    @how(max_examples=count, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
    def each(seed: int, edits: list[tuple[float, int, bytes]]) -> None:
        sound = seeds(target)
        TARGETS[target](edited(sound[seed % len(sound)], edits))

    each()


@pytest.mark.parametrize("target", TARGETS)
@given(data=st.binary(max_size=300))
@how(max_examples=20, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
def test_any_bytes(target: str, data: bytes) -> None:
    TARGETS[target](data)


@pytest.mark.parametrize("path", sorted(FAILED.glob("*")), ids=lambda path: path.name)
@pytest.mark.filterwarnings("ignore")
def test_inputs_that_once_failed(path: Path) -> None:
    begun = time.monotonic()
    TARGETS[path.name.split("_")[0]](path.read_bytes())
    assert time.monotonic() - begun < LIMIT_S


@pytest.mark.parametrize("target", TARGETS)
def test_sound_inputs_are_sound(target: str) -> None:
    for seed in seeds(target):
        TARGETS[target](seed)
