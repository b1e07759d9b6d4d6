"""A knife's sheet from the record: the newest of each kind, nothing private, the command that writes it."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from math import radians
from pathlib import Path
from typing import Any

import pypdf
import pytest
from fixtures_results import comparison, face, mismatch
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from sqlalchemy import create_engine
from typer.testing import CliRunner

from grindcheck import __version__, cli
from grindcheck.flatness import READING_STD_MM
from grindcheck.record import checks, knives
from grindcheck.record.entries import Check, Knife, KnifeFacts, KnifePage, Outcome
from grindcheck.record.opening import Place, Record, open_record
from grindcheck.record.sheet import sheet_of
from grindcheck.record.vault import add_photo
from grindcheck.report.data import report_data
from grindcheck.report.knife_sheet import knife_sheet
from grindcheck.report.sheet_data import KnifeSheet
from grindcheck.trend import D2, DRIFT, FEWEST, MOSTLY, RUN
from grindcheck.verdict import Tolerances, judge

TODAY = date(2026, 11, 25)
FACTS = KnifeFacts(
    name="Petty no. 7",
    pattern="Kitchen petty",
    steel="14C28N",
    thickness_mm=2.2,
    grind="full flat",
    notes="chatter at the heel",
    buyer_reference="order 4711",
)


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with open_record(tmp_path / "home") as opened:
        yield opened


def photo(record: Record, folder: Path, name: str, shade: int) -> str:
    path = folder / f"{name}.jpg"
    Image.new("RGB", (400, 300), (shade, shade, shade)).save(path)
    return add_photo(record, path).sha256


def symmetry(record: Record, knife_id: str, photos: dict[str, str], result=None, more=()) -> None:
    """Add a check as measured: of `photos` by side, the right one first in the user's order."""
    result = mismatch() if result is None else result
    verdict = judge(result, Tolerances())
    data = report_data(result, verdict)
    for side, sha256 in photos.items():
        data["faces"][side]["photo"] = {"name": "IMG_1.jpg", "sha256": sha256}
    asked = checks.add_check(
        record,
        knife_id,
        "symmetry",
        photos=[(photos[side], f"secret_{side}.jpg", "face") for side in ("right", "left")]
        + [(sha256, "secret_more.jpg", "face") for sha256 in more],
        asked={"thickness_mm": 4.0},
    )
    done = Outcome(
        at=datetime.now(UTC), state="done", verdict=verdict.decision, headline="The headline of symmetry.",
        result=data, program_version=__version__,
    )  # fmt: skip
    checks.add_outcome(record, asked.id, done)


def finish(record: Record, knife_id: str, sha256: str, verdict: str) -> None:
    asked = checks.add_check(record, knife_id, "finish", photos=[(sha256, "f.jpg", "face")])
    scratches = [
        {"length_mm": 4.0, "sure": True}, {"length_mm": 13.24, "sure": True},
        {"length_mm": 40.0, "sure": False},
    ] if verdict == "scratched" else []  # fmt: skip
    photos = [{"name": "f.jpg", "sha256": sha256}]
    data = {"faces": [{"side": "left", "photos": photos, "scratches": scratches}]}
    done = Outcome(
        at=datetime.now(UTC), state="done", verdict=verdict, headline=f"The finish was {verdict}.",
        result=data, program_version=__version__,
    )  # fmt: skip
    checks.add_outcome(record, asked.id, done)


def page(record: Record, facts: KnifeFacts = FACTS) -> KnifePage:
    return knives.knife(record, knives.add_knife(record, facts).id)


def made(record: Record, knife_id: str, **options) -> KnifeSheet:
    return sheet_of(record, knives.knife(record, knife_id), made_on=TODAY, **options)


def test_facts(record: Record) -> None:
    sheet = made(record, page(record).knife.id, maker="Canteen batch")
    assert sheet == KnifeSheet(
        name="Petty no. 7",
        made_on=TODAY,
        maker="Canteen batch",
        pattern="Kitchen petty",
        steel="14C28N",
        grind="full flat",
        thickness_mm=2.2,
    )


def test_remarks_only_where_they_are_asked_for(record: Record) -> None:
    knife_id = page(record).knife.id
    assert made(record, knife_id).notes == ""
    assert made(record, knife_id, notes=True).notes == "chatter at the heel"


@pytest.mark.parametrize("name", ["pattern", "steel", "grind", "notes"])
def test_what_is_private_is_left_out(record: Record, name: str) -> None:
    sheet = made(record, page(record, replace(FACTS, private=(name,))).knife.id, notes=True)
    assert getattr(sheet, name) == ""
    assert getattr(FACTS, name) not in repr(sheet)


def test_a_private_thickness_and_name(record: Record) -> None:
    assert made(record, page(record, replace(FACTS, private=("thickness_mm",))).knife.id).thickness_mm is None
    unnamed = made(record, page(record, replace(FACTS, private=("name",))).knife.id)
    assert (unnamed.name, unnamed.pattern) == ("Kitchen petty", "")
    bare = made(record, page(record, replace(FACTS, private=("name", "pattern"))).knife.id)
    assert bare.name == "Knife"


def test_the_buyers_reference_is_never_in_it(record: Record) -> None:
    assert "4711" not in repr(made(record, page(record).knife.id, notes=True))


def test_notes_become_heat_treatment_steps_and_flatness(record: Record) -> None:
    knife_id = page(record).knife.id
    first = knives.add_note(record, knife_id, "heat treatment", {"hardened": "1060 °C", "soak": 8.0})
    knives.correct_note(record, first.id, {"hardened": "1050 °C", "soak": 8.0})
    knives.add_note(record, knife_id, "heat treatment", {"text": "tempered twice"})
    knives.add_note(record, knife_id, "abrasive step", {"grit": 120, "belt": ["new", "ceramic"]})
    knives.add_note(record, knife_id, "abrasive step", {"text": "hand 600"})
    knives.add_note(record, knife_id, "free", {"text": "SECRET"})
    good = {
        "readings": [{"value_mm": 2.19, "at_mm": 15.0}, {"value_mm": 2.2, "at_mm": 70}, {"value_mm": 2.2}]
    }
    knives.add_note(record, knife_id, "micrometer", good)
    knives.add_note(record, knife_id, "micrometer", {"readings": "none", "text": "dropped it"})
    sheet = made(record, knife_id)
    assert sheet.heat_treatment == (("Hardened", "1050 °C"), ("Soak", "8"), ("", "tempered twice"))
    assert sheet.abrasive_steps == ("grit 120, belt new; ceramic", "hand 600")
    assert sheet.flatness is not None
    assert sheet.flatness.spread_mm == pytest.approx(0.01)
    assert sheet.flatness.taper is None  # one place isn't told
    assert "SECRET" not in repr(sheet)


def test_both_faces_with_their_figures(record: Record, tmp_path: Path) -> None:
    knife_id = page(record).knife.id
    photos = {"left": photo(record, tmp_path, "a", 90), "right": photo(record, tmp_path, "b", 140)}
    symmetry(record, knife_id, photos)
    sheet = made(record, knife_id)
    assert [one.caption for one in sheet.photos] == ["left face", "right face"]
    assert [one.path.stem for one in sheet.photos] == [photos["left"], photos["right"]]
    assert sheet.symmetry is not None
    assert (sheet.symmetry.decision, sheet.symmetry.sentence) == ("mismatch", "The headline of symmetry.")
    plunge, angle, *heights = sheet.symmetry.figures
    # the fixture's figures: 120 and 119.38 mm, standard uncertainty 0.02 mm
    assert (plunge.left, plunge.right, plunge.difference) == pytest.approx((120.0, 119.38, 0.62))
    assert plunge.expanded == pytest.approx(0.04)
    assert angle.unit == "rad"
    assert [one.name for one in heights] == [f"bevel height at {at} mm" for at in (20, 50, 80, 110)]
    assert "secret" not in repr(sheet)


def test_angles_come_back_as_radians(record: Record, tmp_path: Path) -> None:
    knife_id = page(record).knife.id
    photos = {"left": photo(record, tmp_path, "a", 90), "right": photo(record, tmp_path, "b", 140)}
    result = comparison(face("left"), face("right", lean_mm=1.0))
    symmetry(record, knife_id, photos, result)
    told = next(one for one in made(record, knife_id).symmetry.figures if one.unit == "rad")
    (true,) = [one for one in result.differences if one.quantity == "plunge.angle"]
    assert told.difference == pytest.approx(
        true.value, abs=radians(1e-6)
    )  # JSON has six decimals of a degree
    assert told.expanded == pytest.approx(2 * true.std, abs=radians(1e-6))


def test_the_largest_difference_is_among_the_heights(record: Record, tmp_path: Path) -> None:
    knife_id = page(record).knife.id
    photos = {"left": photo(record, tmp_path, "a", 90), "right": photo(record, tmp_path, "b", 140)}
    result = mismatch()
    odd = [
        replace(one, value=0.5) if one.quantity == "bevel_height" and one.station_mm == 40 else one
        for one in result.differences
    ]
    symmetry(record, knife_id, photos, replace(result, differences=tuple(odd)))
    names = [one.name for one in made(record, knife_id).symmetry.figures[2:]]
    assert names == [f"bevel height at {at} mm" for at in (20, 40, 80, 110)]


def test_figures_of_an_unsure_line_are_left_out(record: Record, tmp_path: Path) -> None:
    knife_id = page(record).knife.id
    photos = {"left": photo(record, tmp_path, "a", 90), "right": photo(record, tmp_path, "b", 140)}
    symmetry(record, knife_id, photos, comparison(face("left", flags=("plunge_unsure",)), face("right")))
    told = made(record, knife_id).symmetry
    assert (told.decision, told.sentence) == ("cannot tell", "")
    assert {one.name.split(" at ")[0] for one in told.figures} == {"bevel height"}


def test_where_the_deciding_uncertainty_comes_from(record: Record, tmp_path: Path) -> None:
    knife_id = page(record).knife.id
    photos = {side: photo(record, tmp_path, side, shade) for side, shade in (("left", 60), ("right", 90))}
    symmetry(record, knife_id, photos)
    budget = made(record, knife_id).symmetry.budget
    assert budget.name == "plunge at the shoulder"  # the first of three that differ alike
    assert budget.expanded == pytest.approx(0.04)
    assert budget.shares == (("seeing the lines", 0.64), ("lens and pose", 0.36))
    # a plunge that wasn't seen clearly says nothing; then a bevel height decides
    unsure = mismatch(flags=("plunge_unsure",))
    symmetry(record, knife_id, photos, unsure)
    assert made(record, knife_id, units="in").symmetry.budget.name == "bevel height at 0.79 in"  # 20 mm


def test_of_several_pairs_the_differences_alone_are_told(record: Record, tmp_path: Path) -> None:
    """They are combined, the faces' figures are of one pair: they needn't differ by what is told."""
    knife_id = page(record).knife.id
    photos = {side: photo(record, tmp_path, side, shade) for side, shade in (("left", 60), ("right", 90))}
    more = [photo(record, tmp_path, f"more_{shade}", shade) for shade in (120, 150)]
    symmetry(record, knife_id, photos, more=more)
    sheet = made(record, knife_id)
    assert sheet.symmetry.figures[0].difference == pytest.approx(0.62)
    assert {(one.left, one.right) for one in sheet.symmetry.figures} == {(None, None)}
    assert [one.caption for one in sheet.photos] == ["left face", "right face"]


def test_the_newest_of_each_kind_counts(record: Record, tmp_path: Path) -> None:
    knife_id = page(record).knife.id
    old = {"left": photo(record, tmp_path, "a", 90), "right": photo(record, tmp_path, "b", 140)}
    symmetry(record, knife_id, old)
    finish(record, knife_id, photo(record, tmp_path, "c", 60), "scratched")
    newest = photo(record, tmp_path, "d", 200)
    finish(record, knife_id, newest, "clean")
    failed = checks.add_check(
        record, knife_id, "symmetry", photos=[(old["left"], "x", "face"), (newest, "y", "face")],
        asked={"thickness_mm": 4.0},
    )  # fmt: skip
    error = Outcome(at=datetime.now(UTC), state="failed", error="no mat", program_version=__version__)
    checks.add_outcome(record, failed.id, error)
    sheet = made(record, knife_id)
    assert sheet.finish is not None
    assert (sheet.finish.decision, sheet.finish.sentence) == ("clean", "The finish was clean.")
    assert sheet.symmetry is not None
    assert sheet.symmetry.decision == "mismatch"
    assert [one.path.stem for one in sheet.photos] == [old["left"], old["right"]]  # both faces of one check


def test_faces_of_different_checks_where_none_shows_both(record: Record, tmp_path: Path) -> None:
    knife_id = page(record).knife.id
    old, new = photo(record, tmp_path, "c", 60), photo(record, tmp_path, "d", 200)
    for one in (old, new):
        finish(record, knife_id, one, "clean")
    assert [(one.path.stem, one.caption) for one in made(record, knife_id).photos] == [(new, "left face")]


def test_scratches_are_counted_not_numbered(record: Record, tmp_path: Path) -> None:
    knife_id = page(record).knife.id
    finish(record, knife_id, photo(record, tmp_path, "c", 60), "scratched")
    assert made(record, knife_id).finish.sentence == "2 scratches, the longest 13.2 mm."
    assert (
        made(record, knife_id, units="in").finish.sentence == "2 scratches, the longest 0.52 in."
    )  # 13.24/25.4
    finish(record, knife_id, photo(record, tmp_path, "d", 60), "cannot tell")
    assert made(record, knife_id).finish.sentence == ""


def test_photos_without_a_face_are_shown_where_none_is_known(record: Record, tmp_path: Path) -> None:
    knife_id = page(record).knife.id
    kept = [photo(record, tmp_path, f"p{i}", 50 + 40 * i) for i in range(3)]
    checks.add_check(record, knife_id, "photos", photos=[(one, "p", "face") for one in kept])
    shown = made(record, knife_id).photos
    assert [one.path.stem for one in shown] == kept[:2]
    assert {one.caption for one in shown} == {""}


def test_a_check_that_waits_says_nothing(record: Record, tmp_path: Path) -> None:
    knife_id = page(record).knife.id
    one, other = photo(record, tmp_path, "a", 90), photo(record, tmp_path, "b", 140)
    checks.add_check(
        record,
        knife_id,
        "symmetry",
        photos=[(one, "a", "face"), (other, "b", "face")],
        asked={"thickness_mm": 4.0},
    )
    sheet = made(record, knife_id)
    assert sheet.symmetry is None
    assert len(sheet.photos) == 2


JUNK: tuple[Any, ...] = (
    None,
    True,
    -1,
    10**400,
    1e308,
    "",
    "left",
    "mm",
    "deg",
    [],
    {},
    [1],
    [[]],
)


def spoilt(data: st.DataObject, value: Any) -> Any:
    """Replace something within plain data by something else."""
    inside = value if isinstance(value, dict) else dict(enumerate(value)) if isinstance(value, list) else {}
    if not inside or data.draw(st.integers(0, 3)) == 0:
        return data.draw(st.sampled_from(JUNK))
    key = data.draw(st.sampled_from(sorted(inside)))
    inside = {**inside, key: spoilt(data, inside[key])}
    return inside if isinstance(value, dict) else list(inside.values())


@pytest.mark.parametrize("kind", ["symmetry", "finish"])
@given(data=st.data())
@settings(max_examples=150, deadline=None)
def test_any_result_from_elsewhere_makes_a_sheet(kind, data: st.DataObject) -> None:
    pair = mismatch()
    result: Any = report_data(pair, judge(pair, Tolerances()))
    if kind == "finish":
        scratches = [{"length_mm": 4.0, "sure": True}]
        result = {"faces": [{"side": "left", "photos": [{"sha256": "0" * 64}], "scratches": scratches}]}
    for _ in range(data.draw(st.integers(1, 4))):
        key = data.draw(st.sampled_from(sorted(result)))
        result = {**result, key: spoilt(data, result[key])}
    at = datetime(2026, 3, 2, tzinfo=UTC)
    verdict = "mismatch" if kind == "symmetry" else "scratched"
    check = Check(
        id="c", knife_id="k", stage_id=None, at=at, kind=kind, asked={}, again_of=None, photos=(),
        outcome=Outcome(at=at, state="done", verdict=verdict, result=result, program_version="0"),
    )  # fmt: skip
    knife = Knife(id="k", made_at=at, facts=FACTS, facts_at=at)
    shown = KnifePage(knife=knife, history=(), stages=(), notes=(), checks=(check,), binned=False)
    nowhere = Record(Place.in_folder(Path("nowhere")), create_engine("sqlite://"))  # nothing is read of it
    sheet = sheet_of(nowhere, shown, made_on=TODAY)
    assert (sheet.symmetry or sheet.finish).decision == verdict
    assert knife_sheet(sheet).startswith(b"%PDF")


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("GRINDCHECK_DATABASE", raising=False)
    monkeypatch.chdir(tmp_path)
    with open_record() as record:
        knife_id = page(record, replace(FACTS, name="Petty/7: ß")).knife.id
        photos = {"left": photo(record, tmp_path, "a", 90), "right": photo(record, tmp_path, "b", 140)}
        symmetry(record, knife_id, photos)
    return tmp_path


def test_the_command_writes_it(home: Path) -> None:
    ran = CliRunner().invoke(cli.app, ["records", "sheet", "petty/7: SS", "--maker", "Canteen batch"])
    assert ran.exit_code == 0, ran.stderr
    assert ran.stdout == "Petty_7_ß.pdf is written.\n"
    text = pypdf.PdfReader(home / "Petty_7_ß.pdf").pages[0].extract_text()
    assert "Petty/7: ß" in text
    assert "Canteen batch" in text
    assert "chatter" not in text
    assert "4711" not in text


def test_the_command_takes_its_options(home: Path) -> None:
    words = [
        "records",
        "sheet",
        "petty/7: ß",
        "--out",
        "x.PDF",
        "--notes",
        "--paper",
        "letter",
        "--units",
        "in",
    ]
    assert CliRunner().invoke(cli.app, words).exit_code == 0
    (sheet,) = pypdf.PdfReader(home / "x.PDF").pages
    assert float(sheet.mediabox.width) == pytest.approx(8.5 * 72)
    assert "chatter" in sheet.extract_text()
    assert "4.7244" in sheet.extract_text()  # 120 / 25.4


def test_the_command_tells_what_is_wrong(home: Path) -> None:
    for words, said in (
        (["petty/7: ß", "--out", "x.doc"], "x.doc is no PDF"),
        (["another"], "There is no knife 'another'"),
        (["petty/7: ß", "--out", "nowhere/x.pdf"], "can't be written"),
    ):
        ran = CliRunner().invoke(cli.app, ["records", "sheet", *words])
        assert ran.exit_code == 2
        assert said in ran.stderr


def test_the_readme_tells_the_rules_of_the_code() -> None:
    readme = " ".join((Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8").split())
    assert f"A habit is told from {FEWEST} knives on" in readme
    assert (MOSTLY, RUN, DRIFT) == (0.75, 9, 6)  # three quarters, nine, six in a row in its words
    assert "three quarters of the knives" in readme
    assert f"mean ± {3 / D2:.2f} mean moving ranges" in readme
    assert f"({2 * 2**0.5 * READING_STD_MM:.3f} mm: two readings" in readme


def test_the_trend_of_a_bevels_height(home: Path) -> None:
    ran = CliRunner().invoke(cli.app, ["records", "trend", "--quantity", "bevel_height", "--station", "40mm"])
    assert ran.exit_code == 0, ran.stderr
    assert "Bevel height at 40 mm, left minus right:" in ran.stdout
    for words, said in (
        (["--quantity", "bevel_height", "--station", "41mm"], "No knife has this difference measured."),
        (["--station", "40mm"], "There are no stations for plunge.mid."),
    ):
        ran = CliRunner().invoke(cli.app, ["records", "trend", *words])
        assert ran.exit_code == 2
        assert said in ran.stderr
