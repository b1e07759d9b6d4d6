"""What is thrown away is hidden, comes back, or is gone with all that nothing else needs."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fixtures_record import done, filled, knife, pair, photo
from sqlalchemy import func, select

from grindcheck.errors import InputError, NotInRecordError
from grindcheck.record import binning, checks, finding, knives, listing, vault
from grindcheck.record.opening import Record
from grindcheck.record.tables import Base, PhotoTable
from grindcheck.record.verifying import verify


def counts(record: Record) -> dict[str, int]:
    with record.reading() as session:
        return {
            name: session.scalar(select(func.count()).select_from(table)) or 0
            for name, table in Base.metadata.tables.items()
        }


def test_a_knife_goes_comes_back_and_goes_for_good(record: Record) -> None:
    made = filled(record)
    page, whole = knives.knife(record, made.id), counts(record)
    binning.throw_away(record, "knife", made.id)
    binning.throw_away(record, "knife", made.id)  # twice is once
    assert [row.knife.facts.name for row in listing.knives(record)] == ["+second"]
    (lying,) = binning.in_the_bin(record)
    assert (lying.entity, lying.id, lying.what, lying.knife) == ("knife", made.id, "knife", "petty № 7 😀")
    assert knives.knife(record, made.id).binned
    with pytest.raises(NotInRecordError, match="There is no knife"):
        knives.knife(record, "petty № 7 😀")
    with pytest.raises(NotInRecordError, match="lies in the bin"):
        knives.add_stage(record, made.id, "finished")
    binning.restore(record, "knife", made.id)
    assert knives.knife(record, made.id) == page
    assert counts(record) == whole
    binning.throw_away(record, "knife", made.id)
    gone = binning.empty_bin(record)
    assert (gone.things, gone.photos) == (1, 4)  # seeds 0, 1, 2 and 5
    assert counts(record) == {**dict.fromkeys(whole, 0), "knives": 1, "facts": 1}
    assert vault.leftovers(record, ()) == []
    with pytest.raises(NotInRecordError):
        knives.knife(record, made.id)
    assert verify(record).damages == ()


def test_photos_that_others_need_stay(record: Record) -> None:
    one, other = knife(record), knife(record, "other")
    mine, shared = pair(record, one, 0), pair(record, other, 1)  # seed 1 is in both
    binning.throw_away(record, "check", mine.id)
    assert [each.id for each in knives.knife(record, one.id).checks] == []
    assert binning.empty_bin(record) == binning.Emptied(things=1, photos=1)
    found = verify(record)
    assert (found.photos, found.damages) == (2, ())
    assert checks.check(record, shared.id) == shared


def test_an_upload_of_today_stays_an_old_one_that_nothing_needs_goes(record: Record) -> None:
    new, old = photo(record, 1), photo(record, 2)
    with record.writing() as session:
        row = session.get(PhotoTable, old.sha256)
        assert row is not None
        row.added_at = datetime.now(UTC) - timedelta(days=2)
    assert binning.empty_bin(record).photos == 1
    assert vault.photo_path(record, new.sha256).exists()
    with pytest.raises(NotInRecordError):
        vault.photo_path(record, old.sha256)


def test_a_note_goes_with_what_it_corrects(record: Record) -> None:
    made = knife(record)
    first = knives.add_note(record, made.id, "free", {"text": "one"})
    second = knives.correct_note(record, first.id, {"text": "two"})
    page = knives.knife(record, made.id)
    for one in (first, second):
        binning.throw_away(record, "note", one.id)
        assert knives.knife(record, made.id).notes == ()
        assert [each.id for each in binning.in_the_bin(record)] == [second.id]
        binning.restore(record, "note", second.id)
        assert knives.knife(record, made.id) == page
    binning.throw_away(record, "note", second.id)
    binning.empty_bin(record)
    assert counts(record)["notes"] == 0


def test_a_stage_goes_and_what_was_said_at_it_stays(record: Record) -> None:
    made = knife(record)
    stage = knives.add_stage(record, made.id, "finished")
    note = knives.add_note(record, made.id, "free", {"text": "x"}, stage_id=stage.id)
    binning.throw_away(record, "stage", stage.id)
    assert knives.knife(record, made.id).stages == ()
    assert binning.in_the_bin(record)[0].what == "stage finished"
    binning.empty_bin(record)
    assert knives.knife(record, made.id).notes == (note,)
    assert verify(record).damages == ()


def test_a_check_that_was_measured_again_may_go(record: Record) -> None:
    made = knife(record)
    first = pair(record, made, 0)
    checks.add_outcome(record, first.id, done())
    again = pair(record, made, 0, again_of=first.id)
    binning.throw_away(record, "check", first.id)
    assert binning.empty_bin(record).photos == 0
    assert knives.knife(record, made.id).checks == (again,)
    with pytest.raises(NotInRecordError):  # who measured it meanwhile is told
        checks.add_outcome(record, first.id, done())


def test_what_isnt_there_is_told(record: Record) -> None:
    made = knife(record)
    nothing: Any = "0" * 32
    with pytest.raises(NotInRecordError, match="There is no check 00000000 in the record"):
        binning.throw_away(record, "check", nothing)
    with pytest.raises(NotInRecordError, match=r"There is no knife .* in the bin"):
        binning.restore(record, "knife", made.id)
    with pytest.raises(ValueError, match="entity must be one of"):
        binning.throw_away(record, "photo", nothing)  # type: ignore[arg-type]
    assert binning.empty_bin(record) == binning.Emptied(things=0, photos=0)


def test_things_are_found_by_how_their_id_begins(record: Record) -> None:
    made = knife(record)
    stage = knives.add_stage(record, made.id, "finished")
    assert finding.find_entity(record, stage.id[:8]) == ("stage", stage.id)
    assert finding.find_entity(record, made.id) == ("knife", made.id)
    assert finding.find_knife_or_entity(record, "petty 1") == ("knife", made.id)
    assert finding.find_knife_or_entity(record, stage.id[:8]) == ("stage", stage.id)
    assert finding.find_in([stage], stage.id[:6], "stage") == stage
    with pytest.raises(InputError, match="'abc' is no id"):
        finding.find_entity(record, "abc")
    with pytest.raises(NotInRecordError, match="No thing in the record has an id"):
        finding.find_entity(record, "0" * 32)
    with pytest.raises(NotInRecordError, match="There is no knife 'spoon'"):
        finding.find_knife_or_entity(record, "spoon")
    with pytest.raises(NotInRecordError, match="has no stage 'abc'"):
        finding.find_in([stage], "abc", "stage")
