"""The gauge study as a user runs it: tables of values, two photos a take, bad rows, calliper."""

import csv
import json
from pathlib import Path

import pytest
import reduced
from test_gaugestudy import AIAG
from typer.testing import CliRunner, Result

from grindcheck.cli import app
from grindcheck.errors import InputError
from grindcheck.gaugetable import Measured, Take, measured_takes, read_takes


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["gauge", *map(str, arguments)])


def table(path: Path, rows: list[list[object]], heading: str = "knife,person,value (mm)") -> Path:
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([heading.split(","), *rows])
    return path


@pytest.fixture
def worked(tmp_path: Path) -> Path:
    rows: list[list[object]] = [
        [f"part {part}", person, takes[part]]
        for person, trials in AIAG.items()
        for takes in trials
        for part in range(10)
    ]
    return table(tmp_path / "worked.csv", rows)


def test_the_worked_example_end_to_end(worked: Path) -> None:
    """Figures of the handbook's example, see test_gaugestudy; tolerance 1 mm either way."""
    told = run(worked, "--json", "-", "--tolerance", "1 mm")
    assert told.exit_code == 0, told.output
    data = json.loads(told.stdout)
    by_range, by_variance = data["studies"]
    assert by_range["gauge_mm"]["std"] == pytest.approx(0.3058, abs=1e-4)
    assert by_variance["categories"] == 4
    # 6 × 0.3024 / 2
    assert by_variance["share_of_tolerance"] == pytest.approx(0.907, abs=1e-3)
    assert data["sentence"].startswith("Not good enough")
    text = run(worked, "--tolerance", "10 mm", "--units", "mm").stdout
    assert text.startswith("Good enough to judge a difference of 10.000 mm")
    assert "another person" in text


def test_against_a_calliper(worked: Path, tmp_path: Path) -> None:
    means = {part: sum(takes[part] for trials in AIAG.values() for takes in trials) / 9 for part in range(10)}
    calliper = table(
        tmp_path / "calliper.csv", [[f"part {p}", m - 0.1] for p, m in means.items()], "knife,value (mm)"
    )
    picture = tmp_path / "agreement.png"
    told = run(worked, "--calliper", calliper, "--picture", picture, "--units", "mm")
    assert told.exit_code == 0, told.output
    assert "the tool reads 0.100 mm more in the mean." in told.stdout
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_photos_measured_from_end_to_end(tmp_path: Path) -> None:
    """Two sample knives at half their size, each twice, the second take a twentieth darker.

    (15 % darker, another line is taken in a third knife, field_knife_b, and its plunge is 0.24 mm off.)
    """
    import numpy as np

    rows: list[list[object]] = []
    for name in ("field_knife_a", "petty_a"):
        photos = reduced.halved(name, tmp_path)
        darker = [
            reduced.changed(path, tmp_path / f"darker_{path.name}", lambda rgb: (0.95 * rgb).astype(np.uint8))
            for path in photos
        ]
        thickness = reduced.truth(name)["thickness_mm"]
        rows += [[name, *(path.name for path in pair), thickness] for pair in (photos, darker)]
    takes = table(tmp_path / "takes.csv", rows, "knife,photo 1,photo 2,thickness (mm)")
    told = run(takes, "--json", "-")
    assert told.exit_code == 0, told.output
    assert "4 of 4: petty_a" in told.stderr
    data = json.loads(told.stdout)
    assert data["left_out"] == []
    values = np.array(data["values_mm"])
    assert values.shape == (2, 1, 2)
    # what is told of a knife's U is 0.11 to 0.13 mm; another light alone moves a line by far less
    assert 0 < np.ptp(values, axis=2).max() < 0.05
    for name, mean in zip(data["knives"], values.mean(axis=(1, 2)), strict=True):
        assert mean == pytest.approx(reduced.truth(name)["differences"]["plunge"]["mid"], abs=0.11)
    assert data["studies"][0]["repeatability_mm"]["std"] > 0


def test_stated_uncertainties_of_photos_are_held_against_the_calliper(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Four knives, 0.2 mm off each with U 0.1 and 0.03 mm: (0.2 / 0.0522)² each, 14.68; four are 58.7."""
    rows: list[list[object]] = [[k, f"{k}1.jpg", f"{k}2.jpg", 3.0] for k in "abcd" for _ in range(2)]
    takes = table(tmp_path / "takes.csv", rows, "knife,photo 1,photo 2,thickness (mm)")
    values = {knife: 0.5 * place for place, knife in enumerate("abcd")}
    calliper = table(tmp_path / "calliper.csv", [[k, v] for k, v in values.items()], "knife,value (mm)")
    monkeypatch.setattr(
        "grindcheck.cli_gauge._measured",
        lambda take, _: (values[take.knife] + 0.2 + 0.01 * (take.row % 2) - 0.005, 0.1),
    )
    told = run(takes, "--calliper", calliper, "--units", "mm")
    assert told.exit_code == 0, told.output
    assert "too small for these differences, by a factor of 3.8 (chi-square 58.7 where 4" in told.stdout
    data = json.loads(run(takes, "--calliper", calliper, "--json", "-").stdout)
    assert data["calliper"]["chi_square"] == pytest.approx(4 * 0.2**2 / (0.05**2 + 0.015**2))
    assert data["calliper"]["chi_square_p"] < 1e-9


def test_one_bad_pair_is_left_out_and_named() -> None:
    takes = tuple(
        Take(row=row, knife="a", person="", value_mm=None, photos=(Path("1"), Path("2")), thickness_mm=3.0)
        for row in (2, 3)
    )

    def measure(take: Take) -> tuple[float, float]:
        if take.row == 2:
            raise InputError("The photo is dark.", advice="More light.")
        return 0.25, 0.1

    steps: list[str] = []
    done, failed = measured_takes(takes, measure, progress=steps.append)
    assert done == (Measured(take=takes[1], value_mm=0.25, expanded_mm=0.1),)
    assert failed == ((takes[0], "The photo is dark."),)
    assert steps == ["1 of 2: a", "2 of 2: a"]


def test_a_missing_take_costs_a_take_of_the_others(tmp_path: Path) -> None:
    rows: list[list[object]] = [
        [knife, "", value]
        for knife, values in (
            ("a", (0.1, 0.2, 0.15)),
            ("b", (0.5, 0.4)),
            ("c", (0.9, 0.8, 0.7)),
            ("d", (0.3,)),
        )
        for value in values
    ]
    told = run(table(tmp_path / "odd.csv", rows), "--json", "-")
    assert told.exit_code == 0, told.output
    assert "d is left out" in told.stderr
    assert "The first 2 takes of each knife count" in told.stderr
    assert json.loads(told.stdout)["values_mm"] == [[[0.1, 0.2]], [[0.5, 0.4]], [[0.9, 0.8]]]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("knife,person\na,b\n", "no column"),
        ("knife,value\na,\n", "Row 2"),
        ("knife,photo 1,photo 2\na,one.jpg,\n", "Row 2"),
        ("knife,value\na,much\n", "row 2"),
        ("\x00\x01", "no column"),
    ],
)
def test_bad_tables_say_what_to_do(tmp_path: Path, text: str, said: str) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text(text, encoding="utf-8")
    told = run(bad)
    assert told.exit_code == 2
    assert said in told.stderr
    assert "What to do:" in told.stderr


def test_a_folder_or_nothing_is_no_table(tmp_path: Path) -> None:
    (tmp_path / "folder.csv").mkdir()
    assert "folder.csv can't be read" in " ".join(run(tmp_path / "folder.csv").stderr.split())
    assert "There is no file" in run(tmp_path / "none.csv").stderr


def test_inches_signs_and_semicolons_are_read(tmp_path: Path) -> None:
    file = tmp_path / "one.csv"
    file.write_text("Knife;Value\na;-0.25 mm\nb;0.01 in\nc;0\n", encoding="utf-8")
    assert [take.value_mm for take in read_takes(file)] == pytest.approx([-0.25, 0.254, 0.0])
