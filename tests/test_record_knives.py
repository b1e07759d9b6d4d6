"""Knives: what is said of them, corrected, found, listed."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from fixtures_record import done, failed, filled, knife, pair, photo
from hypothesis import HealthCheck, given
from hypothesis import settings as how
from hypothesis import strategies as st

from grindcheck.errors import InputError, NotInRecordError
from grindcheck.record import binning, checks, knives, listing
from grindcheck.record.entries import FACT_NAMES, KnifeFacts
from grindcheck.record.opening import Record, open_record

ANY_NAME = st.text(
    st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp")), min_size=1, max_size=200
).filter(lambda text: text.strip() != "")


def names(record: Record, *arguments: str | None, **options: object) -> list[str]:
    return [row.knife.facts.name for row in listing.knives(record, *arguments, **options)]  # type: ignore[arg-type]


def test_facts_are_kept_and_corrections_keep_what_they_correct(record: Record) -> None:
    facts = KnifeFacts(
        name="petty 1", pattern="petty", steel="14C28N", thickness_mm=2.2, grind="full flat",
        notes="for the canteen\nsecond batch", buyer_reference="K-12", private=("buyer_reference",),
    )  # fmt: skip
    made = knives.add_knife(record, facts)
    assert made.facts == facts
    assert made.made_at.tzinfo is UTC
    changed = replace(facts, steel="1.4116")
    corrected = knives.correct_knife(record, made.id, changed)
    page = knives.knife(record, made.id)
    assert page.knife == corrected
    assert [old.facts for old in page.history] == [facts]
    assert page.knife.made_at == made.made_at
    assert corrected.facts_at > made.facts_at


def test_a_clock_set_back_doesnt_make_a_correction_the_older_one(
    record: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = knife(record)

    class SetBack(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:  # type: ignore[override]
            return datetime(2001, 1, 1, tzinfo=UTC)

    monkeypatch.setattr(knives, "datetime", SetBack)
    knives.correct_knife(record, made.id, KnifeFacts(name="petty 2"))
    assert names(record) == ["petty 2"]


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory):  # type: ignore[no-untyped-def]
    with open_record(tmp_path_factory.mktemp("shared")) as record:
        yield record


@how(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=ANY_NAME, note=st.text(st.characters(exclude_categories=("Cc", "Cs")), max_size=300))
def test_any_name_is_kept_found_and_never_part_of_a_path(shared: Record, name: str, note: str) -> None:
    before = {path for path in shared.place.photos.parent.rglob("*")}
    made = knives.add_knife(shared, KnifeFacts(name=name, notes=note))
    assert made.facts.name == name.strip()
    page = knives.knife(shared, made.id)
    assert page.knife == made
    assert made.id in {row.knife.id for row in listing.knives(shared, name)}
    after = {path for path in shared.place.photos.parent.rglob("*")}
    assert {path.name for path in after - before} <= {"record.sqlite-wal", "record.sqlite-shm"}


@pytest.mark.parametrize(
    ("facts", "said", "advice"),
    [
        (KnifeFacts(name="  "), "knife's name is missing", "name or a number"),
        (KnifeFacts(name="a\nb"), r"knife's name has a character that can't be kept \(U\+000A\)", "one line"),
        (KnifeFacts(name="a\ud800"), r"\(U\+D800\)", "one line"),
        (KnifeFacts(name="a" * 201), "knife's name has 201 characters; 200 can be kept", "Shorten"),
        (
            KnifeFacts(name="a", notes="\x00"),
            r"notes has a character that can't be kept \(U\+0000\)",
            "plain",
        ),
        (KnifeFacts(name="a", notes="a" * 20_001), "notes has 20001 characters", "Shorten"),
        (
            KnifeFacts(name="a", thickness_mm=0.19),
            "thickness is 0.19 mm; knife stock has 0.8 to 13",
            "calliper",
        ),
        (KnifeFacts(name="a", thickness_mm=float("nan")), "thickness is nan mm", "calliper"),
        (KnifeFacts(name="a", private=("smell",)), "no field smell", "buyer_reference"),
    ],
)
def test_what_cant_be_kept_is_refused(record: Record, facts: KnifeFacts, said: str, advice: str) -> None:
    with pytest.raises(InputError, match=said) as caught:
        knives.add_knife(record, facts)
    assert advice in caught.value.advice
    assert names(record) == []


def test_every_private_field_is_one_of_the_facts() -> None:
    assert set(FACT_NAMES) == set(KnifeFacts.__slots__) - {"private"}


def test_a_knife_is_found_by_id_name_or_beginning(record: Record) -> None:
    one, other = knife(record, "Petty Ö"), knife(record, "field knife")
    assert knives.knife(record, one.id).knife == one
    assert knives.knife(record, "petty ö").knife == one
    assert knives.knife(record, "Petty O\u0308").knife == one  # the same letter, put together of two
    assert knives.knife(record, other.id[:8].upper()).knife == other
    twin = knife(record, "FIELD  KNIFE")
    with pytest.raises(NotInRecordError, match="2 knives are called 'field knife'") as caught:
        knives.knife(record, "field knife")
    assert other.id[:8] in caught.value.advice
    assert twin.id[:8] in caught.value.advice
    for nobody in ("spoon", "", "abc", "f" * 32, "%"):
        with pytest.raises(NotInRecordError, match="There is no knife"):
            knives.knife(record, nobody)


def test_stages_and_notes(record: Record) -> None:
    made, other = knife(record), knife(record, "other")
    stage = knives.add_stage(record, made.id, "heat treated", "twice")
    note = knives.add_note(record, made.id, "heat treatment", {"soak": "10 min"}, stage_id=stage.id)
    newer = knives.correct_note(record, note.id, {"soak": "12 min"})
    newest = knives.correct_note(record, newer.id, {"soak": "15 min"})
    page = knives.knife(record, made.id)
    assert page.stages == (stage,)
    assert [one.id for one in page.notes] == [newest.id]
    assert [one.fields["soak"] for one in page.notes[0].earlier] == ["12 min", "10 min"]
    assert page.notes[0].stage_id == stage.id
    assert listing.knives(record, "petty")[0].stage == "heat treated"
    with pytest.raises(InputError, match="was corrected before"):
        knives.correct_note(record, note.id, {"soak": "9 min"})
    with pytest.raises(NotInRecordError, match="has no stage"):
        knives.add_note(record, other.id, "free", {"text": "x"}, stage_id=stage.id)
    with pytest.raises(NotInRecordError, match="There is no note"):
        knives.correct_note(record, "0" * 32, {"text": "x"})
    with pytest.raises(InputError, match="stage is missing"):
        knives.add_stage(record, made.id, " ")
    with pytest.raises(NotInRecordError, match="There is no knife"):
        knives.add_stage(record, "0" * 32, "finished")


@pytest.mark.parametrize(
    ("kind", "fields", "said"),
    [
        ("poem", {"text": "x"}, "no kind of note 'poem'"),
        ("free", {}, "The note is empty"),
        ("free", {"text": float("nan")}, "note can't be kept"),
        ("free", {"text": {1, 2}}, "note can't be kept"),
        ("free", {"text": "\ud800"}, "note can't be kept"),
        ("free", {"text": "\x00"}, "has a character that can't be kept"),
        ("free", {"text": "x" * 2_000_001}, "too long"),
    ],
)
def test_a_note_that_cant_be_kept(record: Record, kind: str, fields: dict[str, object], said: str) -> None:
    made = knife(record)
    with pytest.raises(InputError, match=said):
        knives.add_note(record, made.id, kind, fields)
    assert knives.knife(record, made.id).notes == ()


def test_the_list_tells_the_newest(record: Record) -> None:
    made = filled(record)
    row = next(row for row in listing.knives(record) if row.knife.id == made.id)
    assert row.knife.facts.steel == "14C28N, batch 3"
    assert (row.stage, row.verdict, row.kind) == ("heat treated", "mismatch", "symmetry")
    assert row.headline == "The plunge differs by -0.6 mm."
    assert row.thumbnail_sha256 == photo(record, 5).sha256  # the newest check's first


def test_search(record: Record) -> None:
    one = knife(record, "Petty Straße", steel="14C28N", buyer_reference="K_12", notes="100% mine")
    knife(record, "Field knife", pattern="petty's big sister")
    assert names(record, "PETTY") == ["Field knife", "Petty Straße"]  # the newest first
    assert names(record, "strasse 14c28n") == ["Petty Straße"]
    assert names(record, "k_1") == ["Petty Straße"]
    assert names(record, "k%1") == []  # no wildcard
    assert names(record, "100%") == ["Petty Straße"]
    assert names(record, "100_") == []
    assert names(record, one.id[:7]) == ["Petty Straße"]
    assert names(record, "petty spoon") == []
    assert listing.count_knives(record, "petty") == 2


def test_sort_filter_and_pages(record: Record) -> None:
    verdicts = {"b": "match", "A": "mismatch", "c": "cannot tell", "d": None, "e": "clean", "f": "scratched"}
    for place, (name, verdict) in enumerate(verdicts.items()):
        made = knife(record, name)
        asked = pair(record, made, 10 * place)
        if verdict is not None:
            checks.add_outcome(record, asked.id, done(verdict))
    assert names(record) == ["f", "e", "d", "c", "A", "b"]
    assert names(record, sort="name") == ["A", "b", "c", "d", "e", "f"]
    assert names(record, sort="verdict") == ["A", "f", "c", "b", "e", "d"]
    assert names(record, verdict="match") == ["b"]
    assert names(record, verdict="") == ["d"]
    assert names(record, sort="name", limit=2, offset=1) == ["b", "c"]
    assert listing.count_knives(record, verdict="match") == 1
    assert listing.count_knives(record) == 6


def test_a_failed_or_binned_check_gives_no_verdict(record: Record) -> None:
    made = knife(record)
    first = pair(record, made, 0)
    checks.add_outcome(record, first.id, done("match"))
    second = pair(record, made, 2)
    checks.add_outcome(record, second.id, failed())
    assert listing.knives(record)[0].verdict == "match"
    third = pair(record, made, 4)
    checks.add_outcome(record, third.id, done("mismatch"))
    assert listing.knives(record)[0].verdict == "mismatch"
    binning.throw_away(record, "check", third.id)
    assert listing.knives(record)[0].verdict == "match"
    binning.throw_away(record, "knife", made.id)
    assert listing.knives(record) == []
    assert listing.count_knives(record) == 0


def test_no_database_object_leaves_the_record(record: Record, home: Path) -> None:
    made = filled(record)
    page = knives.knife(record, made.id)
    record.close()
    assert repr(page)  # nothing is loaded late


@pytest.mark.parametrize("nonsense", ["\x00" * 32, "\ud800", "' or 1=1 --", "%", "a" * 100_000])
def test_nonsense_is_nobody(record: Record, nonsense: str) -> None:
    knife(record)
    assert listing.knives(record, nonsense + "x") == []
    for ask in (
        lambda: knives.knife(record, nonsense),
        lambda: knives.add_stage(record, nonsense, "finished"),
        lambda: knives.correct_note(record, nonsense, {"text": "x"}),
        lambda: checks.check(record, nonsense),
        lambda: binning.throw_away(record, "note", nonsense),
        lambda: binning.restore(record, "note", nonsense),
    ):
        with pytest.raises(NotInRecordError):
            ask()
