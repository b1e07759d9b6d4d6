"""The command ``finish``: exit codes, options, where results go. Hand-made results stand for the search."""

import json
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
from fixtures_finish import earlier, face, finish, scratch
from typer.testing import CliRunner

from grindcheck import cli
from grindcheck.errors import BladeError
from grindcheck.finish.request import FinishRequest
from grindcheck.finish.results import Finish

RUNNER = CliRunner()


class Searched:
    """Stands for `check_finish`: keeps the request and gives a result."""

    def __init__(self) -> None:
        self.result: Finish | BaseException = finish(face(scratch(1), drawn=True))
        self.request: FinishRequest | None = None

    def __call__(self, request: FinishRequest) -> Finish:
        self.request = request
        if isinstance(self.result, BaseException):
            raise self.result
        return self.result


@pytest.fixture
def searched(monkeypatch: pytest.MonkeyPatch) -> Searched:
    made = Searched()
    monkeypatch.setitem(sys.modules, "grindcheck.finish.check", SimpleNamespace(check_finish=made))
    return made


def run(*options: str):
    return RUNNER.invoke(cli.app, ["finish", *options])


@pytest.mark.parametrize(
    ("result", "code", "word"),
    [
        (finish(), 0, "CLEAN"),
        (finish(face(scratch(1))), 1, "SCRATCHED"),
        (finish(face(scratch(1, log_nfa=-0.1))), 3, "CANNOT TELL"),
        (finish(face(flags=("blurred",))), 3, "CANNOT TELL"),
    ],
)
def test_exit_codes(searched: Searched, result: Finish, code: int, word: str) -> None:
    searched.result = result
    done = run("a.jpg")
    assert done.exit_code == code
    assert done.stdout.startswith(f"{word}: ")
    assert "\x1b" not in done.stdout  # no colour where there is no terminal


def test_an_error_is_two_lines_and_code_2(searched: Searched) -> None:
    searched.result = BladeError("There is no blade.", advice="Lay it on the field.")
    done = run("a.jpg")
    assert done.exit_code == 2
    assert done.stdout == ""
    assert done.stderr == "Error: There is no blade.\nWhat to do: Lay it on the field.\n"


def test_an_unforeseen_error_names_this_command(searched: Searched) -> None:
    searched.result = ZeroDivisionError("by nothing")
    done = run("a.jpg")
    assert done.exit_code == 2
    assert "grindcheck --debug finish ..." in done.stderr
    assert "Traceback" not in done.stderr


def test_options_reach_the_request(searched: Searched) -> None:
    run(
        "a.jpg", "b.jpg", "c.jpg", "--thickness", "3/16in", "--flat-height", "10mm", "--grind", "full-flat",
        "--paper", "a3", "--bar-x", "395.8mm", "--bar-y", "276 mm", "--faces", "left,left,right",
        "--mask", "1,2,3,4,5,6", "--mask", "3: 1,2, 3,4 5,6.5 7,8", "--before", "d.jpg", "--before", "e.jpg",
        "--false-finds", "0.1", "--no-lens",
    )  # fmt: skip
    request = searched.request
    assert request is not None
    assert request.photos == (Path("a.jpg"), Path("b.jpg"), Path("c.jpg"))
    assert request.thickness_mm == pytest.approx(4.7625, abs=1e-12)  # 3/16 · 25.4
    assert (request.height_mm, request.grind, request.paper) == (10.0, "full flat", "a3")
    assert (request.bar_x_mm, request.bar_y_mm) == (395.8, 276.0)
    assert request.faces == ("left", "left", "right")
    assert [(mask.photo, mask.polygon_px.tolist()) for mask in request.masks] == [
        (0, [[1, 2], [3, 4], [5, 6]]),
        (2, [[1, 2], [3, 4], [5, 6.5], [7, 8]]),
    ]
    assert request.before == (Path("d.jpg"), Path("e.jpg"))
    assert request.false_finds == 0.1
    assert not request.kept_lens


def test_defaults_of_the_request(searched: Searched) -> None:
    run("a.jpg")
    assert searched.request == FinishRequest(photos=(Path("a.jpg"),))


def test_a_mat_needs_the_thickness() -> None:
    with pytest.raises(cli.InputError, match=r"a\.jpg shows the mat, and the stock thickness is missing"):
        FinishRequest(photos=(Path("a.jpg"),)).needed_thickness("a.jpg")
    assert FinishRequest(photos=(Path("a.jpg"),), thickness_mm=4.0).needed_thickness("a.jpg") == 4.0


def test_what_is_accepted_decides(searched: Searched, tmp_path: Path) -> None:
    # the scratch is 8 ± 0.3 mm long
    assert run("a.jpg", "--accept", "longest 9 mm").exit_code == 0
    assert run("a.jpg", "--accept", "longest 8 mm").exit_code == 3
    assert run("a.jpg", "--accept", "longest 7 mm").exit_code == 1
    file = tmp_path / "canteen.txt"
    file.write_text(
        "# what the canteen accepts\nlongest 9 mm\ncount 2\n", encoding="utf-8-sig", newline="\r\n"
    )
    assert run("a.jpg", "--accept", str(file)).exit_code == 0


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--thickness", "4"], "has no unit"),
        (["--flat-height", "10mm"], "but not the stock thickness"),
        (["--thickness", "4mm", "--flat-height", "3mm"], "less than the thickness"),
        (["--faces", "left,right"], "can't be read for 1 photo."),
        (["--faces", "up"], "can't be read for 1 photo."),
        (["--mask", "1,2,3,4"], "mask '1,2,3,4' can't be read"),
        (["--mask", "1,2,3,4,5,x"], "can't be read"),
        (["--mask", "1,2,3,4,5,inf"], "can't be read"),
        (["--mask", "2:1,2,3,4,5,6"], "is for photo 2, but 1 came"),
        (["--mask", "0:1,2,3,4,5,6"], "is for photo 0"),
        (["--accept", "shiny"], "'shiny' isn't understood"),
        (["--accept", "nowhere.txt"], "nowhere.txt isn't there"),
        (["--accept", "x" * 5000], "isn't understood"),
        (["--false-finds", "0"], "must be above 0"),
        (["--false-finds", "nan"], "must be above 0"),
        (["--false-finds", "1000"], "at most 100"),
        (["--before", "d.jpg", "--json", "d.jpg"], "written over"),
        (["--picture", "a.jpg"], "written over"),
        (["--picture", "a.bmp"], "can't be written as 'a.bmp'"),
        (["--paper", "a5"], "a5"),
    ],
)
def test_bad_options_stop_before_the_work(searched: Searched, options: list[str], words: str) -> None:
    done = run("a.jpg", *options)
    assert done.exit_code == 2
    assert words in done.stderr
    assert searched.request is None


def test_a_file_of_limits_that_is_no_text(searched: Searched, tmp_path: Path) -> None:
    for name, content in (("a.txt", b"\xff\xfe\x00"), ("b.txt", b"longest 3 mm\n" * 10_000)):
        (tmp_path / name).write_bytes(content)
        done = run("a.jpg", "--accept", str(tmp_path / name))
        assert done.exit_code == 2
        assert "can't be read as acceptance limits" in done.stderr
    assert searched.request is None


def test_a_photo_is_needed() -> None:
    assert run().exit_code == 2


def test_json_to_standard_output_is_alone_there(searched: Searched) -> None:
    done = run("a.jpg", "--json", "-")
    assert done.exit_code == 1
    assert json.loads(done.stdout)["kind"] == "finish"
    assert done.stderr.startswith("SCRATCHED: ")


def test_files_are_written(searched: Searched, tmp_path: Path) -> None:
    searched.result = finish(face(scratch(1, change="new"), drawn=True, earlier=earlier()))
    done = run("a.jpg", "--json", str(tmp_path / "a.json"), "--picture", str(tmp_path / "a.png"))
    assert done.exit_code == 1
    assert json.loads((tmp_path / "a.json").read_text(encoding="utf-8"))["verdict"] == "scratched"
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")


def test_one_unwritable_file_costs_nothing_else(searched: Searched, tmp_path: Path) -> None:
    done = run("a.jpg", "--json", str(tmp_path / "nowhere" / "a.json"), "--picture", str(tmp_path / "a.png"))
    assert done.exit_code == 2
    assert done.stdout.startswith("SCRATCHED: ")  # the result is still told
    assert (tmp_path / "a.png").exists()
    assert "a.json can't be written" in done.stderr
