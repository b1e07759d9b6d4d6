"""What a user gives is made clean once, and clean things stay as they are."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grindcheck.errors import InputError
from grindcheck.record.given import (
    LONGEST_NAME,
    LONGEST_TEXT,
    file_name,
    folded,
    is_id,
    new_id,
    plain,
    sentence,
)

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
