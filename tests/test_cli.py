"""The commands: exit codes, messages, where results go. Hand-made results stand for the measuring."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from fixtures_results import comparison, face, mismatch
from typer.testing import CliRunner

from grindcheck import __version__, cli, options, pipeline
from grindcheck.errors import BladeError, InputError
from grindcheck.results import Comparison

RUNNER = CliRunner()


class Measured:
    """Stands for `check_pair`: keeps the request and gives a result."""

    def __init__(self, result: Comparison | BaseException) -> None:
        self.result = result
        self.request: pipeline.Request | None = None

    def __call__(self, request: pipeline.Request, **_: Any) -> Comparison:
        self.request = request
        if isinstance(self.result, BaseException):
            raise self.result
        return self.result


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> Measured:
    made = Measured(mismatch(drawn=True))
    monkeypatch.setattr(pipeline, "check_pair", made)
    return made


def check(*options: str, thickness: str | None = "4mm"):
    given = [] if thickness is None else ["--thickness", thickness]
    return RUNNER.invoke(cli.app, ["check", "a.jpg", "b.jpg", *given, *options])


@pytest.mark.parametrize(
    ("result", "code", "word"),
    [
        (comparison(), 0, "MATCH"),
        (mismatch(), 1, "MISMATCH"),
        (comparison(face("left", plunge_mm=120.24)), 3, "CANNOT TELL"),
    ],
)
def test_exit_codes(measured: Measured, result: Comparison, code: int, word: str) -> None:
    measured.result = result
    run = check()
    assert run.exit_code == code
    assert run.stdout.startswith(f"{word}: ")
    assert "\x1b" not in run.stdout  # no colour where there is no terminal


def test_an_error_is_two_lines_and_code_2(measured: Measured) -> None:
    measured.result = BladeError("There is no blade.", advice="Lay it on the field.")
    run = check()
    assert run.exit_code == 2
    assert run.stdout == ""
    assert run.stderr == "Error: There is no blade.\nWhat to do: Lay it on the field.\n"


def test_an_unforeseen_error_is_told_without_a_traceback(measured: Measured) -> None:
    measured.result = ZeroDivisionError("by nothing")
    run = check()
    assert run.exit_code == 2
    assert "ZeroDivisionError: by nothing" in run.stderr
    assert "Traceback" not in run.stderr
    run = RUNNER.invoke(cli.app, ["--debug", "check", "a.jpg", "b.jpg", "--thickness", "4mm"])
    assert run.exit_code == 2
    assert "Traceback" in run.stderr


@pytest.mark.parametrize("problem", [KeyboardInterrupt(), MemoryError()])
def test_an_interruption_is_no_mismatch(measured: Measured, problem: BaseException) -> None:
    measured.result = problem
    run = check()
    assert run.exit_code == 2
    assert "What to do:" in run.stderr


def test_options_reach_the_request(measured: Measured) -> None:
    check(
        "--flat-height", "10mm", "--edge-thickness", "0.02in", "--grind", "full-flat", "--paper", "a3",
        "--no-lens", "--bar-x", "395.8mm", "--bar-y", "276 mm",
        "--faces", "right,left", "--plunge-left", "1,2,3,4", "--shoulder-right", "1,2, 3,4 5,6.5",
        thickness="3/16in",
    )  # fmt: skip
    request = measured.request
    assert request is not None
    assert request.photos == (Path("a.jpg"), Path("b.jpg"))
    assert request.thickness_mm == pytest.approx(4.7625, abs=1e-12)  # 3/16 · 25.4
    assert request.height_mm == 10.0
    assert request.edge_mm == pytest.approx(0.508, abs=1e-12)  # 0.02 · 25.4
    assert (request.grind, request.paper) == ("full flat", "a3")
    assert (request.bar_x_mm, request.bar_y_mm) == (395.8, 276.0)
    assert request.faces == ("right", "left")
    assert not request.kept_lens
    assert request.hand_lines == {"plunge-left": (1, 2, 3, 4), "shoulder-right": (1, 2, 3, 4, 5, 6.5)}


def test_defaults_of_the_request(measured: Measured) -> None:
    check()
    request = measured.request
    assert request is not None
    assert (request.height_mm, request.edge_mm, request.paper, request.grind) == (None, 0.5, None, None)
    assert request.kept_lens
    assert (request.bar_x_mm, request.bar_y_mm, request.hand_lines) == (None, None, {})
    assert request.faces is None


def test_tolerances_decide(measured: Measured) -> None:
    # d = 0.62, U = 0.04: matched by 0.7, not told by 0.65, and the angle is 0 ± 0.3°
    assert check("--tolerance", "0.7mm").exit_code == 0
    assert check("--tolerance", "0.65mm").exit_code == 3
    assert check("--tolerance", "0.7mm", "--angle-tolerance", "0.2deg").exit_code == 3


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (None, "thickness is missing"),
        ("0mm", "0.00 mm; knife stock has 0.8 to 13 mm"),
        ("-4mm", "-4.00 mm"),
        ("3/16 mm", "3/16 in is 4.76 mm"),  # 3/16 · 25.4 = 4.7625
        ("0.1875mm", "0.1875 in is 4.76 mm"),
        ("4in", "write 4mm"),
        ("4", "has no unit"),
        ("thick", "can't be read"),
        ("14mm", "knife stock has"),
        ("0.5mm", "0.5 in is 12.70 mm"),
    ],
)
def test_thickness_slips(measured: Measured, text: str | None, words: str) -> None:
    run = check(thickness=text)
    assert run.exit_code == 2
    assert words in run.stderr
    assert "What to do:" in run.stderr
    assert measured.request is None


def test_a_bare_fraction_is_inches() -> None:
    assert options.read_thickness("3/16") == pytest.approx(4.7625, abs=1e-12)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--flat-height", "3mm"], "less than the thickness"),
        (["--flat-height", "100mm"], "0 to 60 mm"),
        (["--edge-thickness", "4mm"], "edge thickness"),
        (["--edge-thickness", "0mm"], "greater than 0"),
        (["--tolerance", "0mm"], "greater than 0"),
        (["--tolerance", "0.25"], "has no unit"),
        (["--tolerance", "0.25in in"], "can't be read"),
        (["--angle-tolerance", "0deg"], "between 0° and 45°"),
        (["--angle-tolerance", "50deg"], "between 0° and 45°"),
        (["--bar-x", "-1mm"], "greater than 0"),
        (["--plunge-left", "1,2,3"], "--plunge-left '1,2,3' can't be read"),
        (["--shoulder-right", "1,2,3,x"], "can't be read"),
        (["--plunge-right", "1,2,3,nan"], "can't be read"),
        (["--faces", "left"], "--faces left,right"),
        (["--faces", "left,left"], "can't be read"),
        (["--picture", "a.bmp"], "can't be written as 'a.bmp'"),
        (["--json", "a.jpg"], "written over"),
        (["--picture", "b.jpg"], "written over"),
        (["--picture", "x.png", "--json", "x.png"], "written over"),
        (["--paper", "a5"], "a5"),
        (["--grind", "wavy"], "wavy"),
    ],
)
def test_bad_options_stop_before_the_work(measured: Measured, options: list[str], words: str) -> None:
    run = check(*options)
    assert run.exit_code == 2
    assert words in run.stderr
    assert measured.request is None


@pytest.mark.parametrize("photos", [["a.jpg"], ["a.jpg", "b.jpg", "c.jpg"]])
def test_two_photos_are_needed(photos: list[str]) -> None:
    run = RUNNER.invoke(cli.app, ["check", *photos, "--thickness", "4mm"])
    assert run.exit_code == 2
    assert f"{len(photos)} came" in run.stderr


def test_a_missing_photo_is_an_error() -> None:
    run = RUNNER.invoke(cli.app, ["check", "nowhere_1.jpg", "nowhere_2.jpg", "--thickness", "4mm"])
    assert run.exit_code == 2
    assert "nowhere_1.jpg" in run.stderr


def test_json_to_standard_output_is_alone_there(measured: Measured) -> None:
    run = check("--json", "-")
    assert run.exit_code == 1
    assert json.loads(run.stdout)["verdict"] == "mismatch"
    assert run.stderr.startswith("MISMATCH: ")


def test_files_are_written(measured: Measured, tmp_path: Path) -> None:
    run = check("--json", str(tmp_path / "a.json"), "--picture", str(tmp_path / "a.png"), "--units", "mm")
    assert run.exit_code == 1
    assert json.loads((tmp_path / "a.json").read_text(encoding="utf-8"))["verdict"] == "mismatch"
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")
    assert "thou" not in run.stdout


def test_one_unwritable_file_costs_nothing_else(measured: Measured, tmp_path: Path) -> None:
    run = check("--json", str(tmp_path / "nowhere" / "a.json"), "--picture", str(tmp_path / "a.png"))
    assert run.exit_code == 2
    assert run.stdout.startswith("MISMATCH: ")  # the result is still told
    assert (tmp_path / "a.png").exists()
    assert "a.json can't be written" in run.stderr


def test_mat_is_written(tmp_path: Path) -> None:
    run = RUNNER.invoke(cli.app, ["mat", "--paper", "letter", "--out", str(tmp_path / "m.pdf")])
    assert run.exit_code == 0
    assert (tmp_path / "m.pdf").read_bytes().startswith(b"%PDF")
    assert "100 %" in run.stdout


def test_bars_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from grindcheck.printscale import load_print_scale

    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    first = RUNNER.invoke(cli.app, ["mat", "--paper", "a4", "--bar-x", "275.586mm"])
    assert first.exit_code == 0
    assert "other one" in first.stdout
    second = RUNNER.invoke(cli.app, ["mat", "--paper", "a4", "--bar-y", "180.18mm"])
    assert second.exit_code == 0
    kept = load_print_scale("a4")
    # 275.586 of 23 · 12 = 276 mm, 180.18 of 15 · 12 = 180 mm
    assert (kept.x, kept.y, kept.measured) == (pytest.approx(0.9985), pytest.approx(1.001), True)
    assert not list(tmp_path.glob("*.pdf"))


def test_a_bar_of_another_mat_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path))
    run = RUNNER.invoke(cli.app, ["mat", "--paper", "a4", "--bar-x", "20mm"])
    assert run.exit_code == 2
    assert "bar along x reads 20 mm" in run.stderr


def test_version_and_help() -> None:
    assert RUNNER.invoke(cli.app, ["--version"]).stdout == f"grindcheck {__version__}\n"
    told = RUNNER.invoke(cli.app, ["--help"])
    assert told.exit_code == 0
    codes = "Exit codes: 0 match or clean, 1 mismatch or scratched, 2 error, 3 cannot tell."
    assert codes in " ".join(told.stdout.split())


def test_the_module_runs(tmp_path: Path) -> None:
    root = Path(__file__).parent.parent
    run = subprocess.run(
        [sys.executable, "-m", "grindcheck", "check", "no.jpg", "none.jpg", "--thickness", "4mm"],
        capture_output=True, text=True, cwd=root, timeout=60, check=False,
    )  # fmt: skip
    assert run.returncode == 2
    assert run.stderr.startswith("Error: ")
    assert "Traceback" not in run.stderr


@pytest.mark.parametrize("text", ["", "1,2", "1,2,3", "a,b,c,d", "1,2,3,inf"])
def test_a_line_needs_pairs(text: str) -> None:
    with pytest.raises(InputError, match="can't be read"):
        options.read_line("plunge-left", text)
