"""The words keep up with the code: options, flags, fields, modules, commands."""

import math
import re
import shlex
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer.main
from fixtures_finish import earlier, face, finish, scratch
from fixtures_results import mismatch
from test_architecture import LAYERS, MODULES
from typer.testing import CliRunner

from grindcheck import __version__, cli, pipeline, settings
from grindcheck.finish.acceptance import MUST_SEE_MM, SURE_LOG_NFA, judge_finish, read_limits
from grindcheck.flags import FLAGS
from grindcheck.record.entries import FACT_NAMES, STAGES
from grindcheck.report.data import report_data
from grindcheck.report.finish_data import finish_data
from grindcheck.verdict import Tolerances, judge

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def blocks(text: str, language: str) -> list[str]:
    return [block.strip() for block in re.findall(rf"```{language}\n(.*?)```", text, re.DOTALL)]


RUN, TEST = blocks(README, "sh")[:2]


def section(start: str, end: str) -> str:
    return README[README.index(start) : README.index(end)]


def options(command: str) -> set[str]:
    group: Any = typer.main.get_command(cli.app)
    found = {name for one in group.commands[command].params for name in one.opts if name.startswith("--")}
    return found - {"--help"}


def test_the_readme_opens_with_the_job_and_two_one_line_commands() -> None:
    before = README[: README.index("```sh")]
    assert before.startswith("# grindcheck\n\nA small workshop grinds")
    assert "\n" not in RUN
    assert "\n" not in TEST
    assert RUN.startswith("python3 -m venv .venv && .venv/bin/pip install")
    assert TEST.startswith("python3 -m venv .venv && .venv/bin/pip install")


def test_the_readme_runs_the_sample_pair_with_options_that_exist(monkeypatch: pytest.MonkeyPatch) -> None:
    words = shlex.split(RUN.split("&&")[-1])
    assert words[0] == ".venv/bin/grindcheck"
    asked = []

    def measured(request: pipeline.Request, **_: Any) -> Any:
        asked.append(request)
        return mismatch()

    monkeypatch.setattr(pipeline, "check_pair", measured)
    arguments = words[1 : words.index("--picture")]
    run = CliRunner().invoke(cli.app, arguments)
    assert run.exit_code == 1, run.stderr
    assert asked[0].thickness_mm == pytest.approx(5 / 32 * 25.4)


def test_the_sample_pair_and_the_picture_are_there() -> None:
    shown = re.findall(r"!\[[^]]+\]\(([^)]+)\)", README)
    assert len(shown) == 1
    photos = [word for word in shlex.split(RUN) if word.endswith(".jpg")]
    assert len(photos) == 2
    for name in (*shown, *photos):
        assert (ROOT / name).is_file(), f"{name} isn't there"


def test_the_test_command_is_the_four_commands_in_their_order() -> None:
    tools = [shlex.split(part)[0].removeprefix(".venv/bin/") for part in TEST.split("&&")[2:]]
    assert tools == ["ruff", "ruff", "mypy", "pytest"]
    four = next(block for block in blocks(DEVELOPERS, "sh") if block.startswith("ruff")).splitlines()
    assert [shlex.split(line)[:2] for line in four[:2]] == [["ruff", "format"], ["ruff", "check"]]
    assert four[2:] == ["mypy", "pytest"]


def test_ci_runs_the_readmes_test_command() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    (pattern,) = re.findall(r"grep -m 1 '([^']+)' README\.md", script)
    assert next(line for line in README.splitlines() if pattern in line) == TEST
    assert script.rstrip().endswith('bash -euo pipefail -c "$command"')


def test_ci_is_sound_bash() -> None:
    try:
        checked = subprocess.run(
            ["bash", "-n", str(ROOT / ".ci" / "run")], capture_output=True, text=True, check=False, timeout=30
        )
    except FileNotFoundError:
        pytest.skip("bash isn't installed")
    assert checked.returncode == 0, checked.stderr


@pytest.mark.parametrize(
    ("command", "start", "end"),
    [
        ("check", "`grindcheck check PHOTO PHOTO` measures", "`grindcheck finish PHOTO...` finds"),
        ("finish", "`grindcheck finish PHOTO...` finds", "`grindcheck mat` writes"),
        ("mat", "`grindcheck mat` writes", "`grindcheck calibrate PHOTO...` learns"),
        ("calibrate", "`grindcheck calibrate PHOTO...` learns", "`grindcheck gauge TABLE` studies"),
        ("gauge", "`grindcheck gauge TABLE` studies", "`grindcheck batch FOLDER --csv FILE` measures"),
        ("batch", "`grindcheck batch FOLDER --csv FILE` measures", "`grindcheck selftest` measures"),
        ("selftest", "`grindcheck selftest` measures", "`grindcheck serve` opens"),
        ("serve", "`grindcheck serve` opens", "`grindcheck --version`"),
    ],
)
def test_every_option_has_its_row_and_none_is_made_up(command: str, start: str, end: str) -> None:
    rows = [line for line in section(start, end).splitlines() if line.startswith("| `--")]
    named = {name for row in rows for name in re.findall(r"`(--[\w-]+)`", row.split("|")[1])}
    assert named == options(command)


RECORDS: dict[str, tuple[str, str]] = {
    "list": ("`grindcheck records list", "`grindcheck records show"),
    "show": ("`grindcheck records show", "`grindcheck records add"),
    "stage": ("`grindcheck records stage", "`grindcheck records note"),
    "note": ("`grindcheck records note", "`grindcheck records photo"),
    "photo": ("`grindcheck records photo", "`grindcheck records check"),
    "check": ("`grindcheck records check", "`grindcheck records bin"),
    "bin": ("`grindcheck records bin", "`grindcheck records export"),
    "export": ("`grindcheck records export", "`grindcheck records import"),
    "import": ("`grindcheck records import", "`grindcheck records verify"),
    "verify": ("`grindcheck records verify", "`grindcheck records trend"),
    "trend": ("`grindcheck records trend", "`grindcheck records sheet"),
    "sheet": ("`grindcheck records sheet", "## How it decides"),
}


def record_options(command: str) -> set[str]:
    group: Any = typer.main.get_command(cli.app)
    params = group.commands["records"].commands[command].params
    names = {name for one in params for name in (*one.opts, *one.secondary_opts)}
    return {name for name in names if name.startswith("--")} - {"--help"}


def rows_between(start: str, end: str) -> set[str]:
    rows = [line for line in section(start, end).splitlines() if line.startswith("| `--")]
    return {name for row in rows for name in re.findall(r"`(--[\w-]+)`", row.split("|")[1])}


@pytest.mark.parametrize("command", RECORDS)
def test_every_option_of_the_record_has_its_row(command: str) -> None:
    assert rows_between(*RECORDS[command]) == record_options(command)


def test_every_command_of_the_record_is_told() -> None:
    group: Any = typer.main.get_command(cli.app)
    assert set(group.commands["records"].commands) == {*RECORDS, "add", "correct"}
    told = rows_between("`grindcheck records add", "`grindcheck records stage")
    assert told == record_options("add") | record_options("correct")
    assert record_options("correct") - record_options("add") == {"--name"}


def test_the_record_is_shown_in_lines_that_run(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (lines,) = [
        block.splitlines() for block in blocks(README, "sh") if block.startswith("grindcheck records add")
    ]
    monkeypatch.chdir(ROOT)
    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path))
    monkeypatch.delenv("GRINDCHECK_DATABASE", raising=False)
    said = [CliRunner().invoke(cli.app, shlex.split(line)[1:]) for line in lines]
    assert [one.exit_code for one in said] == [0, 1, 0], [one.output for one in said]
    assert "MISMATCH" in said[1].stdout
    assert "symmetry check of field_knife_a_1.jpg, field_knife_a_2.jpg: mismatch" in said[2].stdout
    for name in STAGES:
        assert name in section("`grindcheck records stage", "`grindcheck records note").replace("\n", " ")
    for name in FACT_NAMES:
        assert f"`{name}`" in section("`grindcheck records add", "`grindcheck records stage")
    for member in ("record.json", "knives.csv", "checks.csv", "differences.csv"):
        assert f"`{member}`" in README


def test_defaults_told_are_those_of_the_code() -> None:
    for option, default in (
        ("--edge-thickness", f"{settings.EDGE_MM:g}mm"),
        ("--tolerance", f"{settings.PLUNGE_TOLERANCE_MM:g}mm"),
        ("--angle-tolerance", "1deg"),
    ):
        told = section("`grindcheck check PHOTO PHOTO` measures", "`grindcheck finish PHOTO...` finds")
        (row,) = [line for line in told.splitlines() if line.startswith(f"| `{option}`")]
        assert row.split("|")[-2].strip() == default
    assert settings.PLUNGE_TOLERANCE_MM == settings.HEIGHT_TOLERANCE_MM  # one option sets both
    assert f"{settings.THINNEST_STOCK_MM:g} to {settings.THICKEST_STOCK_MM:g} mm" in README


def test_exit_codes_are_told() -> None:
    for word, code in cli.EXIT_CODES.items():
        (row,) = [line for line in README.splitlines() if line.startswith(f"| {code} | ")]
        assert word in row.split("|")[2].strip().split(", ")
    assert f"| {cli.EXIT_ERROR} | error" in README


def test_every_flag_has_its_row() -> None:
    rows = [line for line in README.splitlines() if re.match(r"\| `[a-z_]+` \| [A-Z].*\.", line)]
    told = [row for row in rows if row.split("`")[1] in FLAGS]
    assert told == [f"| `{one.name}` | {one.meaning} | {one.advice} |" for one in FLAGS.values()]


def keys(data: Any) -> Iterator[str]:
    if isinstance(data, dict):
        for name, value in data.items():
            if name != "components":  # its names are sources, not fields
                yield name
                yield from keys(value)
    elif isinstance(data, list):
        for value in data:
            yield from keys(value)


def test_every_json_field_is_told() -> None:
    told = section("### Check", "### Finish")
    result = mismatch()
    data = report_data(result, judge(result, Tolerances()))
    del data["faces"]["left"]["camera"], data["faces"]["right"]["camera"]  # told as a whole
    inner = {"faces", "left", "right"}  # as `faces.left`
    assert "`faces.left`, `faces.right`" in told
    missing = {name for name in keys(data) if name not in inner and f"`{name}`" not in told}
    assert not missing


def test_every_json_field_of_a_finish_is_told() -> None:
    told = section("### Finish", "## Reservations")
    result = finish(face(scratch(1), earlier=earlier()))
    missing = {name for name in keys(finish_data(result, judge_finish(result))) if f"`{name}`" not in told}
    assert not missing


def test_the_finish_check_is_shown_in_three_lines_that_run(monkeypatch: pytest.MonkeyPatch) -> None:
    (lines,) = [block.splitlines() for block in blocks(README, "sh") if block.startswith("grindcheck finish")]
    assert len(lines) == 3
    monkeypatch.chdir(ROOT)
    said = []
    for line in lines:
        words = shlex.split(line)[1:]
        if "--picture" in words:  # nothing is written into the source tree
            words = words[: words.index("--picture")]
        ran = CliRunner().invoke(cli.app, words)
        said.append((ran.exit_code, ran.stdout))
    assert [code for code, _ in said] == [1, 1, 0]
    assert "left from a coarser grit" in said[0][1]
    assert "1 new, 2 gone" in said[1][1]


def test_every_limit_has_its_row_and_each_example_is_read() -> None:
    rows = [line for line in section("| limit |", "## Commands").splitlines() if line.startswith("| `")]
    assert [row.split("`")[1] for row in rows] == ["longest", "count", "coverage", "none"]
    for row in rows:
        for example in re.findall(r"`([^`]+)`", row.split("|")[2]):
            assert len(read_limits(example)) == 1
    assert f"of {MUST_SEE_MM:g} mm where the limit names no length" in README
    assert math.log10(1 / 20) == SURE_LOG_NFA  # as the README says


def test_every_module_is_told_in_the_order_of_the_layers() -> None:
    told = re.findall(r"^\| `([\w.]+)` \|", DEVELOPERS, re.MULTILINE)
    named = {
        name
        for name in MODULES
        if name not in ("", "mat", "report", "finish", "record", "record.migrations", "page", "__main__")
    }
    assert {name for name in told if not name.endswith(".py")} == named
    levels = [next(i for i, layer in enumerate(LAYERS) if name in layer) for name in told if name in named]
    assert levels == sorted(levels)


def test_every_program_beside_the_samples_is_told() -> None:
    for path in (ROOT / "sample_images").glob("*.py"):
        assert f"`{path.name}`" in DEVELOPERS


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "calibration/README.md"])
def test_links_lead_somewhere(name: str) -> None:
    path = ROOT / name
    links = re.findall(r"(?<!!)\[[^]]+\]\(([^)#]+)\)", path.read_text(encoding="utf-8"))
    for link in links:
        assert link.startswith("https://") or (path.parent / link).exists(), link


def test_the_changes_end_the_developers_words_and_know_this_version() -> None:
    changes = DEVELOPERS[DEVELOPERS.rindex("\n## ") :]
    assert changes.startswith("\n## Changes\n")
    assert f"### {__version__}\n" in changes
