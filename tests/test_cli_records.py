"""The commands of the record, as typed; hand-made results stand for the measuring."""

import json
import os
import re
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import pytest
import typer.main
from fixtures_record import jpeg
from fixtures_results import comparison, mismatch
from typer.testing import CliRunner

from grindcheck import cli, pipeline
from grindcheck.errors import BladeError, about
from grindcheck.record import knives
from grindcheck.record.opening import open_record
from grindcheck.record.vault import photo_path

RUNNER = CliRunner()
ROOT = Path(__file__).parent.parent


@pytest.fixture(autouse=True)
def own_home(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GRINDCHECK_HOME", str(home))
    monkeypatch.delenv("GRINDCHECK_DATABASE", raising=False)


@pytest.fixture
def photos(tmp_path: Path) -> list[str]:
    paths = [tmp_path / "left.jpg", tmp_path / "right.jpg"]
    for seed, path in enumerate(paths):
        path.write_bytes(jpeg(seed))
    return [str(path) for path in paths]


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> list[pipeline.Request]:
    asked: list[pipeline.Request] = []

    def check_pair(request: pipeline.Request, **_: Any) -> Any:
        asked.append(request)
        if request.grind == "hollow":
            with about(request.photos[1].name):
                raise BladeError(f"{request.photos[1].name} shows no blade.", advice="Take it again.")
        return comparison() if request.edge_mm == 0.4 else mismatch()

    monkeypatch.setattr(pipeline, "check_pair", check_pair)
    return asked


def run(*words: str, code: int = 0) -> Any:
    result = RUNNER.invoke(cli.app, ["records", *words])
    assert result.exit_code == code, result.output
    return result


def page(name: str = "petty 7") -> Any:
    with open_record() as record:
        return knives.knife(record, name)


def shown_id(text: str) -> str:
    found = re.findall(r"\b[0-9a-f]{8}\b", text)
    assert found
    return str(found[-1])


def test_a_knife_is_added_listed_and_shown() -> None:
    added = run(
        "add", "petty 7", "--pattern", "petty", "--steel", "14C28N", "--thickness", "5/32in",
        "--grind", "full flat", "--notes", "for the canteen", "--buyer", "K-12",
        "--private", "buyer_reference, notes",
    )  # fmt: skip
    assert added.stdout.startswith("petty 7 is added: ")
    facts = page().knife.facts
    assert facts.thickness_mm == pytest.approx(5 / 32 * 25.4)
    assert facts.private == ("notes", "buyer_reference")
    assert "petty 7" in run("list").stdout
    assert "petty 7" in run("list", "canteen").stdout
    assert run("list", "spoon").stdout == "No knife is found.\n"
    assert run("list", "--verdict", "match").stdout == "No knife is found.\n"
    shown = run("show", "PETTY 7").stdout
    for line in ("  pattern: petty", "  stock thickness: 3.97 mm", "  buyer's reference: K-12 (private)"):
        assert line in shown.splitlines()


def test_a_list_that_is_cut_says_so() -> None:
    for number in range(3):
        run("add", f"petty {number}")
    out = run("list", "--limit", "2", "--sort", "name").stdout
    assert out.splitlines()[-1] == "2 of 3 are shown."
    assert "petty 2" not in out


def test_a_correction_changes_what_is_given_and_keeps_the_rest() -> None:
    run("add", "petty 7", "--steel", "14C28N", "--pattern", "petty")
    assert run("correct", "petty 7", "--steel", "1.4116").stdout == "petty 7 is corrected.\n"
    assert (page().knife.facts.steel, page().knife.facts.pattern) == ("1.4116", "petty")
    shown = run("show", "petty 7").stdout
    assert "  corrected once, last " in shown
    assert "was: steel 14C28N" in shown
    assert "Nothing is corrected." in run("correct", "petty 7", code=2).stderr
    run("correct", "petty 7", "--name", "petty 8", "--private", "")
    assert page("petty 8").knife.facts.private == ()


def test_stages_and_notes() -> None:
    run("add", "petty 7")
    stage = shown_id(run("stage", "petty 7", "heat treated", "--note", "in the small oven").stdout)
    told = run(
        "note", "petty 7", "soak=10 min", "quench=oil", "--kind", "heat treatment", "--at-stage", stage
    )
    assert told.stdout.startswith("heat treatment: soak 10 min, quench oil [")
    told = run("note", "petty 7", "soak=12 min", "--corrects", shown_id(told.stdout))
    (note,) = page().notes
    assert note.fields == {"soak": "12 min"}
    assert note.stage_id == page().stages[0].id
    assert note.kind == "heat treatment"
    run("note", "petty 7", "hairline", "at", "the heel")
    shown = run("show", "petty 7").stdout
    assert "stage heat treated: in the small oven" in shown
    assert "soak 12 min" in shown
    assert "corrected once" in shown
    assert "free: hairline at the heel" in shown


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["note", "petty 7"], "The note is empty"),
        (["note", "petty 7", "a=1", "b"], "field 'b' can't be read"),
        (["note", "petty 7", "a=1", "a=2"], "field 'a' can't be read"),
        (["note", "petty 7", "x", "--corrects", "00000000"], "has no note '00000000'"),
        (["note", "petty 7", "x", "--at-stage", "00000000"], "has no stage '00000000'"),
        (["note", "petty 7", "--reading", "4", "--reading", "4mm"], "no unit"),
        (["note", "petty 7", "--reading", "4mm", "--reading", "4mm"], "2"),
        (["stage", "petty 7", ""], "stage is missing"),
        (["show", "spoon"], "There is no knife 'spoon'"),
        (["add", " "], "knife's name is missing"),
        (["add", "x", "--thickness", "4"], "has no unit"),
        (["add", "x", "--private", "smell"], "no field smell"),
        (["photo", "petty 7", "nowhere.jpg"], "nowhere.jpg can't be read"),
        (["check", "petty 7"], "needs two photos, one of each face; 0 came"),
        (["check", "petty 7", "--again", "00000000"], "has no check"),
        (["bin", "spoon"], "There is no knife 'spoon'"),
        (["bin", "--restore", "zz"], "'zz' is no id"),
        (["bin", "petty 7", "--empty"], "too much at once"),
        (["export", "nowhere/x.zip"], "can't be written"),
        (["export", "x.zip", "spoon"], "There is no knife 'spoon'"),
        (["import", "nowhere.zip"], "There is no file"),
        (["trend"], "No knife has this difference measured"),
        (["trend", "--picture", "x.doc"], "no kind of picture"),
    ],
)
def test_errors_are_two_lines_and_code_2(words: list[str], said: str) -> None:
    run("add", "petty 7")
    result = run(*words, code=2)
    first, second = result.stderr.splitlines()
    assert first.startswith("Error: ")
    assert said in first
    assert second.startswith("What to do: ")
    assert result.stdout == ""


def test_micrometer_readings() -> None:
    run("add", "petty 7")
    told = run(
        "note", "petty 7", "--reading", "4.02mm@20mm", "--reading", "4.00mm@60mm", "--reading", "3.98mm@100mm"
    ).stdout  # fmt: skip
    assert told.splitlines()[0].startswith(
        "micrometer: 4.020 mm at 20 mm, 4.000 mm at 60 mm, 3.980 mm at 100 mm ["
    )
    # spread 4.02 − 3.98, mean of the three, slope −0.04 mm over 80 mm from the tip towards the handle
    assert told.splitlines()[1] == (
        "uneven: spread 0.040 mm, mean 4.000 mm, taper -0.050 mm over 100 mm towards the handle."
    )
    (note,) = page().notes
    assert note.kind == "micrometer"
    assert note.fields["readings"][0] == {"value_mm": 4.02, "at_mm": 20.0}
    told = run("note", "petty 7", *(word for _ in range(3) for word in ("--reading", "4mm@ricasso"))).stdout
    assert "4.000 mm at ricasso" in told
    assert "even: spread 0.000 mm" in told


def test_a_check_is_measured_and_kept(photos: list[str], measured: list[pipeline.Request]) -> None:
    run("add", "petty 7", "--thickness", "4mm")
    stage = shown_id(run("stage", "petty 7", "bevels ground").stdout)
    result = run("check", "petty 7", *photos, "--bar-x", "276.4mm", "--at-stage", stage, code=1)
    assert result.stdout.startswith("MISMATCH: The right plunge lies ")
    assert "  - " in result.stdout
    assert measured[0].thickness_mm == 4.0  # the knife's
    assert measured[0].bar_x_mm == 276.4
    (check,) = page().checks
    assert check.outcome.verdict == "mismatch"
    assert check.stage_id == page().stages[0].id
    assert [one.name for one in check.photos] == ["left.jpg", "right.jpg"]
    with open_record() as record:
        kept = photo_path(record, check.photos[0].photo.sha256)
    assert kept.read_bytes() == Path(photos[0]).read_bytes()
    assert measured[0].photos[0] == kept
    assert "mismatch (symmetry)" in run("list").stdout
    assert "petty 7" in run("list", "--verdict", "mismatch").stdout
    assert "symmetry check of left.jpg, right.jpg: mismatch: " in run("show", "petty 7").stdout


def test_a_check_is_measured_again_with_other_options(
    photos: list[str], measured: list[pipeline.Request]
) -> None:
    run("add", "petty 7", "--thickness", "4mm")
    first = run("check", "petty 7", *photos, "--thickness", "5mm", "--plunge-left", "1,2,3,4", code=1)
    check_id = shown_id(first.stdout)
    again = run(
        "check", "petty 7", "--again", check_id, "--edge-thickness", "0.4mm", "--plunge-right", "5,6,7,8"
    )  # fmt: skip
    assert again.stdout.startswith("MATCH: ")
    assert measured[1].thickness_mm == 5.0
    assert measured[1].hand_lines == {"plunge-left": (1, 2, 3, 4), "plunge-right": (5, 6, 7, 8)}
    old, new = page().checks
    assert new.again_of == old.id
    assert new.photos == old.photos
    assert old.outcome.verdict == "mismatch"  # stays
    result = run("check", "petty 7", photos[0], "--again", check_id, code=2)
    assert "measured again with its own photos" in result.stderr


def test_the_calibrated_lens_is_left_out_and_taken_again(
    photos: list[str], measured: list[pipeline.Request]
) -> None:
    run("add", "petty 7", "--thickness", "4mm")
    check_id = shown_id(run("check", "petty 7", *photos, code=1).stdout)
    without_id = shown_id(run("check", "petty 7", "--again", check_id, "--no-lens", code=1).stdout)
    run("check", "petty 7", "--again", without_id, "--tolerance", "0.2mm", code=1)
    run("check", "petty 7", "--again", without_id, "--lens", code=1)
    assert [one.kept_lens for one in measured] == [True, False, False, True]
    assert ["kept_lens" in one.asked for one in page().checks] == [False, True, True, True]


def test_a_check_that_fails_is_kept_too(photos: list[str], measured: list[pipeline.Request]) -> None:
    run("add", "petty 7", "--thickness", "4mm")
    result = run("check", "petty 7", *photos, "--grind", "hollow", code=2)
    error, advice, kept = result.stderr.splitlines()
    assert error == "Error: right.jpg shows no blade."
    assert advice == "What to do: Take it again."
    assert kept.startswith("Photos and options are kept: check ")
    (check,) = page().checks
    assert (check.outcome.state, check.outcome.error_photo) == ("failed", 1)
    assert "couldn't be measured: right.jpg shows no blade. Take it again." in run("show", "petty 7").stdout


def test_a_finish_is_recorded(photos: list[str]) -> None:
    run("add", "petty 7")
    result = run(
        "check", "petty 7", photos[0], "--kind", "finish", "--before", photos[1], "--accept", "count 2",
        "--mask", "1,2,3,4,5,6", "--false-finds", "0.5", "--thickness", "2mm", code=2,
    )  # fmt: skip
    assert "left.jpg has 40 × 30 pixels" in result.stderr
    (check,) = page().checks
    assert check.kind == "finish"
    assert check.asked == {
        "thickness_mm": 2.0, "masks": ["1,2,3,4,5,6"], "accept": "count 2", "false_finds": 0.5,
    }  # fmt: skip
    assert [one.role for one in check.photos] == ["face", "before"]


def test_photos_alone(photos: list[str]) -> None:
    run("add", "petty 7")
    assert run("photo", "petty 7", *photos).stdout.startswith("2 photos kept with petty 7: ")
    (check,) = page().checks
    assert check.kind == "photos"
    assert "photos: left.jpg, right.jpg [" in run("show", "petty 7").stdout


def test_the_bin() -> None:
    run("add", "petty 7")
    note = shown_id(run("note", "petty 7", "a slip").stdout)
    assert run("bin", note).stdout == f"The note {note} lies in the bin.\n"
    assert "note, free" in run("bin").stdout
    assert run("bin", "--restore", note).stdout == f"The note {note} is back.\n"
    assert len(page().notes) == 1
    run("bin", "petty 7")
    assert run("list").stdout == "No knife is found.\n"
    assert run("bin", "--empty").stdout == "Gone: 1 thing, 0 photos.\n"
    assert run("bin").stdout == "The bin is empty.\n"


def test_out_and_in_again(photos: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run("add", "petty 7")
    run("photo", "petty 7", *photos)
    run("add", "field 1")
    out = tmp_path / "all.zip"
    assert run("export", str(out)).stdout == f"{out} is written: 2 knives, 2 photos.\n"
    one = tmp_path / "one.zip"
    assert run("export", str(one), "field 1").stdout == f"{one} is written: 1 knife, 0 photos.\n"
    with zipfile.ZipFile(one) as opened:
        assert len(json.loads(opened.read("record.json"))["tables"]["knives"]) == 1
    before = page()
    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path / "other"))
    told = "2 knives and 2 photos taken in; new: 2 knives, 2 photos.\n"
    assert run("import", str(out)).stdout == told
    assert page() == before
    run("bin", "field 1")
    told = "2 knives and 2 photos taken in; new: 0 knives, 0 photos.\nIn the bin here: field 1.\n"
    assert run("import", str(out)).stdout == told


def test_verify(photos: list[str]) -> None:
    run("add", "petty 7")
    run("photo", "petty 7", *photos)
    assert run("verify").stdout.startswith("All is as it was kept: 2 photos with ")
    with open_record() as record:
        photo_path(record, page().checks[0].photos[0].photo.sha256).unlink()
    result = run("verify", code=2)
    assert "missing: " in result.stdout
    assert "left.jpg of petty 7" in result.stdout
    assert result.stderr.startswith("Error: The record is damaged.\nWhat to do: ")


def test_the_trend(photos: list[str], measured: list[pipeline.Request], tmp_path: Path) -> None:
    for number in range(2):
        run("add", f"petty {number}", "--thickness", "4mm")
        run("check", f"petty {number}", *photos, code=1)
    out = run("trend").stdout
    assert "Plunge at mid-height, left minus right:" in out
    assert "petty 1" in out
    for name in ("trend.png", "trend.svg"):
        run("trend", "--quantity", "plunge.edge", "--picture", str(tmp_path / name))
        assert (tmp_path / name).stat().st_size > 1000


def test_another_database_may_be_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, home: Path) -> None:
    monkeypatch.setenv("GRINDCHECK_DATABASE", f"sqlite:///{tmp_path / 'elsewhere.sqlite'}")
    run("add", "petty 7")
    assert (tmp_path / "elsewhere.sqlite").is_file()
    assert not (home / "record.sqlite").exists()
    monkeypatch.setenv("GRINDCHECK_DATABASE", "nonsense")
    assert "GRINDCHECK_DATABASE names no database" in run("list", code=2).stderr


def test_every_command_of_the_record_has_help() -> None:
    group: Any = typer.main.get_command(cli.app)
    for name, command in group.commands["records"].commands.items():
        assert command.help, name
        for one in command.params:
            assert getattr(one, "help", None) or one.name == "photos", f"{name} {one.name}"


def test_a_debug_hint_names_the_whole_command(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(knives, "add_knife", lambda *_: 1 / 0)
    result = run("add", "petty 7", code=2)
    assert "grindcheck --debug records add ..." in result.stderr


def test_from_a_shell(home: Path) -> None:
    # a name that the console can't show
    env = {**os.environ, "GRINDCHECK_HOME": str(home), "PYTHONIOENCODING": "ascii:replace"}
    ran = subprocess.run(
        [sys.executable, "-m", "grindcheck", "records", "add", "petty ж 😀"],
        cwd=ROOT, env=env, capture_output=True, check=False, timeout=60,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    assert page("petty ж 😀").knife.facts.name == "petty ж 😀"
