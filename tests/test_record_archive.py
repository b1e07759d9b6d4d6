"""An export imports to the same content; what no export would write is refused, and nothing of it stays."""

import csv
import io
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fixtures_record import done, failed, filled, jpeg, knife, pair, photo
from hypothesis import HealthCheck, given
from hypothesis import settings as how
from hypothesis import strategies as st

from grindcheck.errors import NotInRecordError, OutputError, RecordError
from grindcheck.record import archive, binning, checks, knives, listing, taking_in, vault
from grindcheck.record.archive import export_record
from grindcheck.record.entries import FACT_NAMES, STAGES, KnifeFacts, KnifePage
from grindcheck.record.opening import Record, open_record
from grindcheck.record.taking_in import import_record
from grindcheck.record.verifying import verify

TEXT = st.text(st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp")), max_size=40)
NAME = TEXT.filter(lambda text: bool(text.strip()))
JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | TEXT,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3),
    max_leaves=8,
)
FIELDS = st.dictionaries(TEXT, JSON, min_size=1, max_size=4)
FACTS = st.builds(
    KnifeFacts,
    name=NAME, pattern=TEXT, steel=TEXT, grind=TEXT, notes=TEXT, buyer_reference=TEXT,
    thickness_mm=st.none() | st.floats(0.8, 13.0),
    private=st.lists(st.sampled_from(FACT_NAMES), unique=True).map(tuple),
)  # fmt: skip
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("correct"), FACTS),
        st.tuples(st.just("stage"), st.sampled_from(STAGES) | NAME),
        st.tuples(st.just("note"), FIELDS),
        st.tuples(st.just("correct note"), FIELDS),
        st.tuples(st.just("bin note"), st.none()),
        st.tuples(st.just("check"), st.integers(0, 5)),
        st.tuples(st.just("done"), FIELDS),
        st.tuples(st.just("failed"), NAME),
        st.tuples(st.just("bin check"), st.none()),
    ),
    max_size=10,
)


def act(record: Record, knife_id: str, step: tuple[str, Any]) -> None:
    """Do one thing to a knife, where it can be done."""
    what, value = step
    page = knives.knife(record, knife_id)
    if what == "correct":
        knives.correct_knife(record, knife_id, value)
    elif what == "stage":
        knives.add_stage(record, knife_id, value)
    elif what == "note":
        knives.add_note(record, knife_id, "free", value)
    elif what == "correct note" and page.notes:
        knives.correct_note(record, page.notes[0].id, value)
    elif what == "bin note" and page.notes:
        binning.throw_away(record, "note", page.notes[-1].id)
    elif what == "check":
        pair(record, page.knife, value, again_of=page.checks[0].id if page.checks else None)
    elif what == "done" and page.checks:
        checks.add_outcome(record, page.checks[-1].id, done(**{"other": value}))
    elif what == "failed" and page.checks:
        checks.add_outcome(record, page.checks[0].id, failed(error=value.strip()))
    elif what == "bin check" and page.checks:
        binning.throw_away(record, "check", page.checks[0].id)


def pages(record: Record) -> list[KnifePage]:
    return [knives.knife(record, row.knife.id) for row in listing.knives(record, sort="name")]


@how(
    max_examples=25,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(lives=st.lists(st.tuples(FACTS, STEPS), max_size=3))
def test_an_export_imports_to_the_same_content(
    tmp_path_factory: pytest.TempPathFactory, lives: list[tuple[KnifeFacts, list[tuple[str, Any]]]]
) -> None:
    folder = tmp_path_factory.mktemp("trip")
    with open_record(folder / "one") as one, open_record(folder / "other") as other:
        for facts, steps in lives:
            made = knives.add_knife(one, facts)
            for step in steps:
                act(one, made.id, step)
        export_record(one, folder / "all.zip")
        first = import_record(other, folder / "all.zip")
        assert pages(other) == pages(one)
        assert (first.knives, first.new_knives) == (len(lives), len(lives))
        again = import_record(other, folder / "all.zip")
        assert (again.new_knives, again.new_rows, again.new_photos) == (0, 0, 0)
        assert pages(other) == pages(one)
        assert verify(other).damages == ()
        export_record(other, folder / "back.zip")
        assert tables(folder / "back.zip") == tables(folder / "all.zip")


def tables(path: Path) -> dict[str, Any]:
    with zipfile.ZipFile(path) as opened:
        out: dict[str, Any] = json.loads(opened.read("record.json"))["tables"]
    return {name: sorted(rows, key=lambda row: json.dumps(row, sort_keys=True)) for name, rows in out.items()}


@pytest.fixture
def other(tmp_path: Path):  # type: ignore[no-untyped-def]
    with open_record(tmp_path / "other") as opened:
        yield opened


def test_the_archive_describes_itself_and_holds_the_bytes(record: Record, tmp_path: Path) -> None:
    filled(record)
    done_with = export_record(record, tmp_path / "all.zip")
    assert (done_with.knives, done_with.photos) == (2, 4)
    with zipfile.ZipFile(tmp_path / "all.zip") as opened:
        data = json.loads(opened.read("record.json"))
        assert (data["kind"], data["format"], data["program"]["name"]) == (
            "grindcheck record",
            1,
            "grindcheck",
        )
        assert data["written_at"].endswith("+00:00")
        assert "SHA-256" in data["about"]
        for seed in (0, 1, 2, 5):
            kept = photo(record, seed)
            assert opened.read(f"photos/{kept.sha256}.jpg") == jpeg(seed)
        assert {name.split("/")[0] for name in opened.namelist()} == {
            "record.json", "knives.csv", "checks.csv", "differences.csv", "photos",
        }  # fmt: skip


def test_one_knife_goes_out_alone(record: Record, other: Record, tmp_path: Path) -> None:
    made = filled(record)
    twin = knife(record, "twin")
    pair(record, twin, 20)
    export_record(record, tmp_path / "one.zip", [made.id])
    import_record(other, tmp_path / "one.zip")
    assert pages(other) == [knives.knife(record, made.id)]
    assert verify(other).photos == 4


def test_two_records_grow_together(record: Record, other: Record, tmp_path: Path) -> None:
    made = filled(record)
    export_record(record, tmp_path / "1.zip")
    import_record(other, tmp_path / "1.zip")
    knives.add_stage(other, made.id, "finished")
    mine = knife(other, "made there")
    knives.add_note(record, made.id, "free", {"text": "made here"})
    export_record(other, tmp_path / "2.zip")
    took = import_record(record, tmp_path / "2.zip")
    assert (took.new_knives, took.new_rows, took.new_photos) == (1, 3, 0)  # a knife, its facts, a stage
    page = knives.knife(record, made.id)
    assert [one.name for one in page.stages] == ["heat treated", "finished"]
    assert page.notes[-1].fields == {"text": "made here"}
    assert knives.knife(record, mine.id).knife == mine


def test_the_bin_stays_at_home_and_is_told(record: Record, other: Record, tmp_path: Path) -> None:
    made = filled(record)
    export_record(record, tmp_path / "1.zip")
    import_record(other, tmp_path / "1.zip")
    binning.throw_away(other, "knife", made.id)
    assert import_record(other, tmp_path / "1.zip").binned == ("petty № 7 😀",)
    assert [page.knife.facts.name for page in pages(other)] == ["+second"]
    export_record(other, tmp_path / "2.zip")
    assert [row["name"] for row in tables(tmp_path / "2.zip")["facts"]] == ["+second"]
    with pytest.raises(NotInRecordError, match="lies in the bin"):
        export_record(other, tmp_path / "3.zip", [made.id])
    assert not (tmp_path / "3.zip").exists()


def test_an_import_mends_a_damaged_photo(record: Record, tmp_path: Path) -> None:
    filled(record)
    export_record(record, tmp_path / "1.zip")
    vault.photo_path(record, photo(record, 0).sha256).write_bytes(b"rotten")
    assert len(verify(record).damages) == 1
    import_record(record, tmp_path / "1.zip")
    assert verify(record).damages == ()


@pytest.mark.parametrize("how_bad", ["missing", "damaged"])
def test_a_damaged_photo_isnt_exported(record: Record, tmp_path: Path, how_bad: str) -> None:
    filled(record)
    path = vault.photo_path(record, photo(record, 0).sha256)
    if how_bad == "missing":
        path.unlink()
    else:
        path.write_bytes(b"rotten")
    with pytest.raises(RecordError, match="can't be exported") as caught:
        export_record(record, tmp_path / "1.zip")
    assert "records verify" in caught.value.advice
    assert list(tmp_path.glob("*.zip")) == []


def test_an_export_that_cant_be_written(record: Record, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="can't be written"):
        export_record(record, tmp_path / "nowhere" / "1.zip")


# Tables for spreadsheets


def cells(path: Path, name: str) -> list[list[str]]:
    with zipfile.ZipFile(path) as opened:
        data = opened.read(name)
    assert data.startswith(b"\xef\xbb\xbf")  # the mark by which a spreadsheet knows UTF-8
    return list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")))


def test_tables_open_in_a_spreadsheet(record: Record, tmp_path: Path) -> None:
    filled(record)
    export_record(record, tmp_path / "1.zip")
    head, *rows = cells(tmp_path / "1.zip", "knives.csv")
    assert head[0] == "name"
    by_name = {row[0]: dict(zip(head, row, strict=True)) for row in rows}
    assert by_name["petty № 7 😀"]["steel"] == "14C28N, batch 3"
    assert by_name["petty № 7 😀"]["stage"] == "heat treated"
    head, *rows = cells(tmp_path / "1.zip", "checks.csv")
    assert [row[3] for row in rows] == ["done", "failed", "waiting", ""]
    assert [row[4] for row in rows] == ["mismatch", "", "", ""]
    head, row = cells(tmp_path / "1.zip", "differences.csv")
    told = dict(zip(head, row, strict=True))
    assert (told["left minus right"], told["U"], told["unit"]) == ("-0.6", "0.04", "mm")


@pytest.mark.parametrize("name", ["=1+1", "+1", "-1", "@sum", "=cmd|' /C calc'!A0", "＝1"])
def test_a_name_is_no_formula(record: Record, tmp_path: Path, name: str) -> None:
    made = knife(record, name, notes="=2\n=3")
    checks.add_outcome(record, pair(record, made).id, failed(error="-1 mm"))
    export_record(record, tmp_path / "1.zip")
    (row,) = cells(tmp_path / "1.zip", "knives.csv")[1:]
    assert row[0] == f"'{name}"
    assert row[8] == "'=2\n=3"
    (row,) = cells(tmp_path / "1.zip", "checks.csv")[1:]
    assert (row[0], row[5]) == (f"'{name}", "'-1 mm")


# What no export would write


Change = Callable[[dict[str, Any], dict[str, bytes]], object]


def forged(source: Path, target: Path, change: Change) -> Path:
    """Write an archive anew after a change of its data and its files."""
    with zipfile.ZipFile(source) as opened:
        files = {name: opened.read(name) for name in opened.namelist()}
    data = json.loads(files["record.json"])
    result = change(data, files)
    if "record.json" in files:
        files["record.json"] = result if isinstance(result, bytes) else json.dumps(data).encode()
    with zipfile.ZipFile(target, "w") as made:
        for name, content in files.items():
            made.writestr(name, content)
    return target


def first_photo(files: dict[str, bytes]) -> str:
    return next(name for name in files if name.startswith("photos/"))


def rows_of(table: str, /, **changes: Any) -> Change:
    return lambda data, files: data["tables"][table][0].update(changes)


def photo_made(other: bytes = b"", before: bytes = b"") -> Change:
    """Put other bytes in the first photo's place, of its length if they are given by one byte."""

    def change(_: dict[str, Any], files: dict[str, bytes]) -> None:
        name = first_photo(files)
        files[name] = before + (other * len(files[name]) if other else files[name])

    return change


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda data, files: files.pop("record.json"), "has no record.json"),
        (lambda data, files: b"{", "record.json can't be read"),
        (lambda data, files: b"[" * 200_000, "record.json can't be read"),
        (lambda data, files: b"\xff\xfe", "record.json can't be read"),
        (lambda data, files: b"[1]", "no export of a record"),
        (lambda data, files: data.update(kind="songs"), "no export of a record"),
        (lambda data, files: data.update(format="1"), "doesn't say of which format"),
        (lambda data, files: data.update(format=0), "doesn't say of which format"),
        (lambda data, files: data.update(format=2), "archive is of format 2; this program reads up to 1"),
        (lambda data, files: data.pop("tables"), "the tables that it should have"),
        (lambda data, files: data["tables"].update(songs=[]), "the tables that it should have"),
        (lambda data, files: data["tables"].update(knives=7), "knives is no list"),
        (lambda data, files: data["tables"]["knives"].append(7), "doesn't have the fields"),
        (lambda data, files: data["tables"]["knives"][0].pop("made_at"), "doesn't have the fields"),
        (rows_of("knives", extra=1), "doesn't have the fields"),
        (rows_of("knives", id="../../etc/passwd"), "isn't as the record keeps it"),
        (rows_of("knives", id=None), "id of knives is 'None'"),
        (rows_of("knives", made_at="yesterday"), "made_at of knives is 'yesterday'"),
        (rows_of("knives", made_at="2026-01-01T00:00:00"), "made_at of knives is"),
        (rows_of("knives", made_at="0001-01-01T00:00:00+23:59"), "made_at of knives is"),
        (rows_of("knives", made_at="9999-12-31T23:59:59-01:00"), "made_at of knives is"),
        (rows_of("facts", thickness_mm=10**400), "thickness_mm of facts is '1000"),
        (rows_of("facts", name=""), "knife's name is missing"),
        (rows_of("facts", name="a\nb"), "character that can't be kept"),
        (rows_of("facts", name=" a"), "isn't as the record keeps it"),
        (rows_of("facts", thickness_mm=1e9), "stock thickness is 1e\\+09 mm"),
        (rows_of("facts", thickness_mm="4"), "thickness_mm of facts is '4'"),
        (rows_of("facts", private="name"), "private of facts is 'name'"),
        (rows_of("facts", private=["smell"]), "no field smell"),
        (rows_of("facts", knife_id="0" * 32), "a knife that isn't in it"),
        (rows_of("stages", name="x" * 201), "stage has 201 characters"),
        (rows_of("notes", kind="poem"), "no kind of note 'poem'"),
        (rows_of("notes", fields=[1]), "fields of notes is"),
        (rows_of("checks", kind="smell"), "isn't as the record keeps it"),
        (rows_of("checks", knife_id="0" * 32), "a knife that isn't in it"),
        (rows_of("checks", asked=None), "asked of checks is 'None'"),
        (rows_of("checks", asked={"thickness_mm": "4 mm"}), "isn't as the record keeps it"),
        (rows_of("checks", asked={"hand_lines": 5}), "isn't as the record keeps it"),
        (rows_of("outcomes", state="maybe"), "isn't as the record keeps it"),
        (rows_of("outcomes", verdict="<b>"), "isn't as the record keeps it"),
        (rows_of("outcomes", error_photo=-1), "error_photo of outcomes is '-1'"),
        (rows_of("outcomes", check_id="0" * 32), "outcome of a check that isn't in it"),
        (rows_of("check_photos", name="../x.jpg"), "isn't as the record keeps it"),
        (rows_of("check_photos", role="back"), "isn't as the record keeps it"),
        (rows_of("check_photos", position=7), "aren't counted from 0"),
        (rows_of("check_photos", position=True), "position of check_photos is 'True'"),
        (rows_of("check_photos", sha256="0" * 64), "list of photos isn't that of its checks"),
        (rows_of("photos", suffix=".exe"), "isn't as the record keeps it"),
        (rows_of("photos", sha256="../x"), "isn't as the record keeps it"),
        (rows_of("photos", width=0), "isn't as the record keeps it"),
        (rows_of("photos", size_bytes=5), "isn't as large as it says"),
        (rows_of("photos", suffix=".png"), "is missing"),
        (lambda data, files: data["tables"]["knives"].append(data["tables"]["knives"][0]), "one entry twice"),
        (lambda data, files: data["tables"].update(facts=[]), "nothing is said of one of its knives"),
        (lambda data, files: data.update(lost=len(files.pop(first_photo(files)))), "is missing"),
        (photo_made(b"x"), "is no JPEG"),
        (photo_made(before=b"long"), "isn't as large"),
        (lambda data, files: files.update({"../../evil.sh": b"x"}), "has a file '../../evil.sh'"),
        (lambda data, files: files.update({"/etc/cron.d/x": b"x"}), "has a file '/etc/cron.d/x'"),
        (lambda data, files: files.update({"photos/../x": b"x"}), "has a file 'photos/../x'"),
        (lambda data, files: files.update({"C:\\x": b"x"}), "has a file 'C:"),
        (lambda data, files: files.update({"photos/a/b": b"x"}), "has a file 'photos/a/b'"),
    ],
)  # fmt: skip
def test_a_forged_archive_is_refused_as_a_whole(
    record: Record, other: Record, tmp_path: Path, change: Change, said: str
) -> None:
    filled(record)
    export_record(record, tmp_path / "1.zip")
    bad = forged(tmp_path / "1.zip", tmp_path / "bad.zip", change)
    with pytest.raises(RecordError, match=said) as caught:
        import_record(other, bad)
    assert caught.value.advice
    assert listing.knives(other) == []
    assert [path for path in other.place.photos.rglob("*") if path.is_file()] == []


def test_other_bytes_of_the_same_length_are_noticed(record: Record, other: Record, tmp_path: Path) -> None:
    filled(record)
    export_record(record, tmp_path / "1.zip")

    def change(_: dict[str, Any], files: dict[str, bytes]) -> None:
        data = bytearray(files[first_photo(files)])
        data[-10] ^= 1  # within the picture; it decodes all the same
        files[first_photo(files)] = bytes(data)

    with pytest.raises(RecordError, match="has other bytes than its hash says"):
        import_record(other, forged(tmp_path / "1.zip", tmp_path / "bad.zip", change))
    assert listing.knives(other) == []


def test_a_contradiction_leaves_both_as_they_are(record: Record, tmp_path: Path) -> None:
    made = filled(record)
    export_record(record, tmp_path / "1.zip")
    knife(record, "later")
    before = pages(record)
    bad = forged(tmp_path / "1.zip", tmp_path / "bad.zip", rows_of("stages", name="polished"))
    with pytest.raises(RecordError, match="contradicts the record: it has other stages") as caught:
        import_record(record, bad)
    assert "empty record" in caught.value.advice
    assert pages(record) == before
    assert knives.knife(record, made.id).stages[0].name == "heat treated"


def test_files_that_are_no_archives(record: Record, tmp_path: Path) -> None:
    (tmp_path / "text.zip").write_text("hello", encoding="utf-8")
    with pytest.raises(RecordError, match=r"text.zip is no zip file that can be read"):
        import_record(record, tmp_path / "text.zip")
    with pytest.raises(RecordError, match="There is no file"):
        import_record(record, tmp_path / "nowhere.zip")
    with pytest.raises(RecordError, match="can't be read"):
        import_record(record, tmp_path)


def test_a_cut_off_archive(record: Record, other: Record, tmp_path: Path) -> None:
    filled(record)
    export_record(record, tmp_path / "1.zip")
    data = (tmp_path / "1.zip").read_bytes()
    for share in (0.2, 0.6, 0.99):
        (tmp_path / "cut.zip").write_bytes(data[: int(len(data) * share)])
        with pytest.raises(RecordError, match="no zip file that can be read"):
            import_record(other, tmp_path / "cut.zip")
    spoilt = bytearray(data)
    spoilt[len(data) // 2 : len(data) // 2 + 64] = b"\x00" * 64
    (tmp_path / "spoilt.zip").write_bytes(spoilt)
    with pytest.raises(RecordError):
        import_record(other, tmp_path / "spoilt.zip")
    assert listing.knives(other) == []


def test_bombs_are_refused_before_they_are_unpacked(
    record: Record, other: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bomb = tmp_path / "bomb.zip"
    monkeypatch.setattr(taking_in, "MOST_DATA_BYTES", 1_000_000)
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as made:
        made.writestr("record.json", b" " * 2_000_000)
    assert bomb.stat().st_size < 10_000
    with pytest.raises(RecordError, match=r"record.json would have 2 MB"):
        import_record(other, bomb)
    monkeypatch.setattr(taking_in, "MOST_MEMBERS", 10)
    with zipfile.ZipFile(bomb, "w") as made:
        for number in range(11):
            made.writestr(f"photos/{number}", b"")
    with pytest.raises(RecordError, match="too many files"):
        import_record(other, bomb)


def test_a_data_file_denser_than_any_export_packs_it(
    record: Record, other: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A megabyte would become a gigabyte of text, and that many times as much once it is read."""
    bomb = tmp_path / "bomb.zip"
    monkeypatch.setattr(taking_in, "_DENSE_FROM_BYTES", 500_000)
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as made:
        made.writestr("record.json", b"[" + b"[]," * 400_000)
    with pytest.raises(RecordError, match=r"record.json would have 1 MB out of 0.0 MB, as no export packs"):
        import_record(other, bomb)
    filled(record)
    for number in range(10):  # one measured result is like another
        result = done(other={"path": [[0.1 * n, 0.2 * n] for n in range(500)]})
        checks.add_outcome(record, pair(record, knife(record, f"k{number}"), number).id, result)
    export_record(record, tmp_path / "1.zip")
    with zipfile.ZipFile(tmp_path / "1.zip") as made:
        member = made.getinfo("record.json")
        assert member.file_size / member.compress_size < taking_in._DENSEST / 3


@pytest.mark.parametrize("packing", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_packings_that_no_export_has(record: Record, other: Record, tmp_path: Path, packing: int) -> None:
    """What unpacks them has errors of its own and may ask for gigabytes of a few bytes."""
    filled(record)
    export_record(record, tmp_path / "1.zip")
    with zipfile.ZipFile(tmp_path / "1.zip") as made:
        files = {name: made.read(name) for name in made.namelist()}
    with zipfile.ZipFile(tmp_path / "2.zip", "w", packing) as made:
        for name, content in files.items():
            made.writestr(name, content)
    with pytest.raises(RecordError, match="which no export writes"):
        import_record(other, tmp_path / "2.zip")


def test_a_name_that_is_no_text_in_a_files_own_header(record: Record, other: Record, tmp_path: Path) -> None:
    filled(record)
    export_record(record, tmp_path / "1.zip")
    data = bytearray((tmp_path / "1.zip").read_bytes())
    data[30] = 0xFF  # where the first file's own header has its name, APPNOTE 4.3.7
    at = data.index(b"PK\x01\x02")  # its entry in the directory: flags 8 bytes on, 0x800 is UTF-8 (4.4.4)
    data[at + 9] |= 0x08
    (tmp_path / "1.zip").write_bytes(data)
    with pytest.raises(RecordError, match="no zip file that can be read"):
        import_record(other, tmp_path / "1.zip")
    assert listing.knives(other) == []


def test_a_photo_that_unpacks_to_more_than_it_says(record: Record, other: Record, tmp_path: Path) -> None:
    # the directory of the zip says 100 bytes, the data is a million zeros
    pair(record, knife(record))
    export_record(record, tmp_path / "1.zip")

    def change(data: dict[str, Any], files: dict[str, bytes]) -> None:
        files[first_photo(files)] = bytes(1_000_000)

    bad = forged(tmp_path / "1.zip", tmp_path / "bad.zip", change)
    with pytest.raises(RecordError, match="isn't as large as it says"):
        import_record(other, bad)


def test_two_files_of_one_name_and_locked_ones(record: Record, other: Record, tmp_path: Path) -> None:
    filled(record)
    export_record(record, tmp_path / "1.zip")
    with (
        zipfile.ZipFile(tmp_path / "1.zip", "a") as opened,
        pytest.warns(UserWarning, match="Duplicate name"),
    ):
        opened.writestr("record.json", b"{}")
    with pytest.raises(RecordError, match="several of one name"):
        import_record(other, tmp_path / "1.zip")
    export_record(record, tmp_path / "2.zip")
    data = bytearray((tmp_path / "2.zip").read_bytes())
    at = data.index(b"PK\x01\x02")  # the first entry of the directory; flags lie 8 bytes on (APPNOTE 4.3.12)
    data[at + 8] |= 1
    (tmp_path / "2.zip").write_bytes(data)
    with pytest.raises(RecordError, match="which no export writes"):
        import_record(other, tmp_path / "2.zip")


def test_an_archive_that_doesnt_fit(
    record: Record, other: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(record)
    export_record(record, tmp_path / "1.zip")
    usage = taking_in.shutil.disk_usage(tmp_path)
    monkeypatch.setattr(taking_in.shutil, "disk_usage", lambda path: usage._replace(free=1_000_000))
    with pytest.raises(RecordError, match="1 MB are free") as caught:
        import_record(other, tmp_path / "1.zip")
    assert "nothing was taken in" in caught.value.advice


def test_a_disk_that_fills_during_an_import(
    record: Record, other: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(record)
    export_record(record, tmp_path / "1.zip")
    replace, moved = Path.replace, []

    def filling(self: Path, target: Path) -> Path:
        if moved:
            raise OSError(28, "No space left on device")
        moved.append(target)
        return replace(self, target)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", filling)
        with pytest.raises(RecordError, match="No space left"):
            import_record(other, tmp_path / "1.zip")
    assert len(moved) == 1
    assert listing.knives(other) == []
    assert verify(other).damages == ()
    import_record(other, tmp_path / "1.zip")  # room again
    assert pages(other) == pages(record)
    assert verify(other).leftovers == ()


def test_the_largest_data_file_is_above_what_a_large_record_has() -> None:
    assert taking_in.MOST_DATA_BYTES > 5000 * 100_000  # a measured check has about 70 kB
    assert archive.FORMAT == 1
