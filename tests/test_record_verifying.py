"""Damage is found and named, with the knives that it belongs to."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from fixtures_record import filled, knife, pair, photo

from grindcheck.errors import RecordError
from grindcheck.record import vault
from grindcheck.record.opening import Record, open_record
from grindcheck.record.telling import verified_text
from grindcheck.record.verifying import verify


def test_a_whole_record(record: Record) -> None:
    filled(record)
    told: list[tuple[int, int]] = []
    found = verify(record, progress=lambda done, of: told.append((done, of)))
    assert found.damages == ()
    assert found.leftovers == ()
    assert found.photos == 4
    assert found.size_bytes == sum(path.stat().st_size for path in record.place.photos.rglob("*.jpg"))
    assert told == [(0, 4), (1, 4), (2, 4), (3, 4), (4, 4)]
    assert verified_text(found).startswith("All is as it was kept: 4 photos with ")


def test_missing_and_damaged_photos_are_named(record: Record) -> None:
    one, other = knife(record, "petty 1"), knife(record, "field 2")
    pair(record, one, 0)
    pair(record, other, 1)  # seed 1 belongs to both
    gone, rotten, lonely = photo(record, 0), photo(record, 1), photo(record, 9)
    vault.photo_path(record, gone.sha256).unlink()
    path = vault.photo_path(record, rotten.sha256)
    data = bytearray(path.read_bytes())
    data[100] ^= 1  # one bit
    path.write_bytes(data)
    vault.photo_path(record, lonely.sha256).write_bytes(b"")
    found = verify(record)
    told = {one.what: one for one in found.damages}
    assert set(told) == {f"{each.sha256}.jpg" for each in (gone, rotten, lonely)}
    assert (told[f"{gone.sha256}.jpg"].kind, told[f"{gone.sha256}.jpg"].knives) == ("missing", ("petty 1",))
    assert told[f"{rotten.sha256}.jpg"].kind == "damaged"
    assert told[f"{rotten.sha256}.jpg"].knives == ("petty 1", "field 2")
    assert told[f"{rotten.sha256}.jpg"].names == ("face 1.jpg",)
    assert told[f"{lonely.sha256}.jpg"].knives == ()
    text = verified_text(found)
    assert f"  missing: {gone.sha256}.jpg; face 0.jpg of petty 1\n" in text
    assert f"  damaged: {lonely.sha256}.jpg; of no knife\n" in text


def test_a_photo_that_cant_be_read(record: Record) -> None:
    kept = photo(record)
    path = vault.photo_path(record, kept.sha256)
    path.unlink()
    path.mkdir()  # no file, whatever may be done to it
    assert [one.kind for one in verify(record).damages] == ["unreadable"]


def test_a_row_that_refers_to_nothing(record: Record, home: Path) -> None:
    made = knife(record)
    pair(record, made)
    with closing(
        sqlite3.connect(home / "record.sqlite")
    ) as connection:  # as another program would, unchecked
        connection.execute("delete from knives")
        connection.commit()
    told = [one.what for one in verify(record).damages]
    assert len(told) == 2
    assert all("names a row of knives that isn't there" in one for one in told)


def test_a_damaged_database_is_told_not_thrown(record: Record, home: Path) -> None:
    for number in range(40):
        knife(record, f"petty {number}", notes="n" * 4000)
    record.close()  # the log goes into the file
    file = home / "record.sqlite"
    data = bytearray(file.read_bytes())
    data[20 * 4096 : 60 * 4096] = b"\x99" * (40 * 4096)
    file.write_bytes(data)
    try:
        with open_record(home) as again:
            found = verify(again)
    except RecordError as problem:  # so much is lost that it can't be opened
        assert "records verify" in problem.advice
    else:
        assert {one.kind for one in found.damages} == {"database"}
        assert "database: " in verified_text(found)


def test_leftovers_are_told_but_are_no_damage(record: Record) -> None:
    folder = record.place.photos / "ab"
    folder.mkdir()
    (folder / ("ab" * 32 + ".jpg")).write_bytes(b"stray")
    found = verify(record)
    assert found.damages == ()
    assert "1 file left by a stop half-way; emptying the bin takes that away." in verified_text(found)


@pytest.mark.parametrize("count", [0, 1])
def test_numbers_are_told_in_words(record: Record, count: int) -> None:
    for number in range(count):
        photo(record, number)
    assert verified_text(verify(record)).startswith(
        "All is as it was kept: " + ("1 photo with" if count else "0 photos with")
    )
