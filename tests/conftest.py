"""An empty record in a folder of its own, for the tests of the record."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from grindcheck.record.opening import Record, open_record


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path / "home"


@pytest.fixture
def record(home: Path) -> Iterator[Record]:
    with open_record(home) as opened:
        yield opened
