"""The self-check: it passes on sound figures and can fail."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
import reduced
from typer.testing import CliRunner

from grindcheck.cli import app
from grindcheck.errors import InputError
from grindcheck.pipeline import Request, check_pair
from grindcheck.results import Comparison
from grindcheck.selfcheck import Compared, SelfCheck, check_samples, sample_folder, sample_pairs


def figures(errors: list[float]) -> tuple[Compared, ...]:
    return tuple(
        Compared(
            pair="petty", quantity="plunge.mid", station_mm=None, true=0.0, told=error, std=1.0, unit="mm"
        )
        for error in errors
    )


def test_the_rule_passes_what_is_honest_and_fails_what_is_not() -> None:
    assert SelfCheck(figures=figures([0.5] * 57 + [2.2] * 3), failed=()).sound
    assert not SelfCheck(figures=figures([0.5] * 20 + [2.2] * 40), failed=()).sound
    assert not SelfCheck(figures=figures([0.5] * 59 + [5.0]), failed=()).sound
    assert not SelfCheck(figures=figures([0.5] * 60), failed=(("petty", "dark"),)).sound
    assert not SelfCheck(figures=(), failed=()).sound


def test_one_pair_measured_and_a_spoilt_measurement_seen() -> None:
    folder = sample_folder()
    kept: list[Comparison] = []

    def measured(request: Request) -> Comparison:
        kept.append(check_pair(request))
        return kept[-1]

    names = sample_pairs(folder)[:1]
    assert names == (reduced.PAIRS[0],)
    assert check_samples(folder, names, progress=lambda name: None, measure=measured).sound

    def spoilt(request: Request) -> Comparison:
        off = tuple(replace(one, value=one.value + 6 * one.std) for one in kept[0].differences)
        return replace(kept[0], differences=off)

    found = check_samples(folder, names, progress=lambda name: None, measure=spoilt)
    assert found.outside == len(found.figures) > 0
    assert not found.sound


def test_the_command_prints_figure_by_figure(tmp_path: Path) -> None:
    told = CliRunner().invoke(app, ["selftest", "--quick", "--json", str(tmp_path / "out.json")])
    assert told.exit_code == 0, told.output
    assert "As it should be" in told.stdout
    data = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    assert data["sound"]
    assert told.stdout.count("inside\n") + told.stdout.count("OUTSIDE\n") == len(data["figures"]) > 3


def test_missing_samples_are_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="sample photos aren't here"):
        sample_folder(tmp_path)
