"""What a user gives is made clean once, and clean things stay as they are."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grindcheck.errors import InputError
from grindcheck.record.entries import Note
from grindcheck.record.given import (
    DEEPEST_JSON,
    LONGEST_NAME,
    LONGEST_TEXT,
    file_name,
    folded,
    is_id,
    new_id,
    plain,
    sentence,
)
from grindcheck.record.telling import note_text

ANY = st.text(max_size=300)


@given(ANY)
def test_a_file_name_is_one_shown_line_and_stays_so(text: str) -> None:
    name = file_name(text)
    assert file_name(name) == name
    assert 0 < len(name) <= LONGEST_NAME
    assert not set(name) & set("/\\\n\x00")


@given(ANY)
def test_a_sentence_stays_as_it_is(text: str) -> None:
    assert sentence(sentence(text)) == sentence(text)
    sentence(text).encode("utf-8")


def test_a_sentence_has_an_end() -> None:
    assert len(sentence("word " * LONGEST_TEXT)) <= LONGEST_TEXT
    assert sentence("a\x00b\ud800c\n") == "a b c"


@given(ANY)
def test_folding_twice_is_folding_once(text: str) -> None:
    assert folded(folded(text)) == folded(text)


@given(st.dictionaries(ANY, st.integers() | st.booleans() | st.none() | st.floats(), max_size=4))
def test_plain_data_stays_as_it_is(data: dict[str, object]) -> None:
    try:
        kept = plain(data, "note")
    except InputError as problem:
        assert "can't be kept" in problem.message or "has a character" in problem.message
    else:
        assert kept == data
        assert plain(kept, "note") == kept


def test_ids() -> None:
    assert is_id(new_id())
    assert new_id() != new_id()
    assert not is_id("0" * 31)
    assert not is_id("0" * 31 + "G")


def test_deep_data_is_refused() -> None:
    deep: list[object] = []
    for _ in range(100_000):
        deep = [deep]
    with pytest.raises(InputError, match="can't be kept"):
        plain({"a": deep}, "note")


@pytest.mark.parametrize("levels", [1, DEEPEST_JSON - 1, DEEPEST_JSON, 400, 700])
def test_no_deeper_than_what_can_be_told(levels: int) -> None:
    """Telling goes down level by level: 600 levels passed, and no text of their knife could be written."""
    inner: object = "x"
    for _ in range(levels):
        inner = [inner]
    if levels < DEEPEST_JSON:
        note = Note(
            id="", knife_id="", at=datetime.now(UTC), kind="free", fields=plain({"a": inner}, "note"),
            stage_id=None,
        )  # fmt: skip
        assert note_text(note).startswith("free: a x")
    else:
        with pytest.raises(InputError, match="note has lists within lists, 40 and more deep"):
            plain({"a": inner}, "note")


def test_whole_numbers_can_be_reckoned_with() -> None:
    """One of 400 digits passed, and no text of its knife could be written."""
    assert plain({"a": [10**299, -(10**298)]}, "note") == {"a": [10**299, -(10**298)]}
    with pytest.raises(InputError, match="note has a number of 401 digits"):
        plain({"readings": [{"value_mm": 10**400}]}, "note")
