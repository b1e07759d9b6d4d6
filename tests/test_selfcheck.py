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
from grindcheck.selfdrift import drifted, read_released, released_data
from grindcheck.selffaces import FaceChecked


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


def test_drift_is_seen_figure_by_figure() -> None:
    """Half a standard uncertainty moves a figure, a quarter more of it widens it; less is let pass."""
    before = SelfCheck(figures=figures([0.5, 0.1]), failed=())
    kept = released_data(replace(before, figures=named(before.figures)))
    assert drifted(replace(before, figures=named(before.figures)), kept) == ()
    near = named(figures([0.9, -0.3]))
    assert drifted(SelfCheck(figures=near, failed=()), kept) == ()
    [moved] = drifted(SelfCheck(figures=named(figures([1.1, 0.1])), failed=()), kept)
    assert (
        moved == "petty: plunge.mid at 0 mm was 0.5000 ± 1.0000 mm at release, and is 1.1000 ± 1.0000 mm now."
    )
    wide = (replace(near[0], std=1.3), near[1])
    assert len(drifted(SelfCheck(figures=wide, failed=()), kept)) == 1
    [gone] = drifted(SelfCheck(figures=near[:1], failed=()), kept)
    assert gone == "petty: plunge.mid at 1 mm was measured at release, and isn't now."
    new = (*near, replace(near[0], station_mm=7.0))
    [said] = drifted(SelfCheck(figures=new, failed=()), kept)
    assert "at 7 mm wasn't measured at release" in said
    # a pair that fails loses all its figures; one that wasn't asked for none
    assert len(drifted(SelfCheck(figures=(), failed=(("petty", "dark"),)), kept)) == 2
    assert drifted(SelfCheck(figures=(), failed=()), kept) == ()


def named(found: tuple[Compared, ...]) -> tuple[Compared, ...]:
    return tuple(replace(one, station_mm=float(place)) for place, one in enumerate(found))


@pytest.mark.parametrize("worse", ["", "figure", "face", "far"])
def test_the_whole_command_can_fail(worse: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """All samples as the release had them, but for a figure moved, a face without its finds, one far off."""
    released = read_released(reduced.SAMPLES)
    told = [
        Compared(
            pair=one["pair"], quantity=one["quantity"], station_mm=one["station_mm"], true=one["value"],
            told=one["value"], std=one["std"], unit="mm",
        )
        for one in released["figures"]
    ]  # fmt: skip
    if worse == "figure":
        told[3] = replace(told[3], told=told[3].told + told[3].std)
    if worse == "far":
        told[3] = replace(told[3], true=told[3].told + 5 * told[3].std)
    faces = [
        FaceChecked(
            name=one["name"], true=tuple(one["found"]), found=tuple(one["found"]), false=one["false"],
            false_expected=3.25, decision=one["decision"],
        )
        for one in released["faces"]
    ]  # fmt: skip
    if worse == "face":
        faces[2] = replace(faces[2], found=())
    check = SelfCheck(figures=tuple(told), failed=())
    monkeypatch.setattr("grindcheck.selfcheck.check_samples", lambda folder, names, progress: check)
    monkeypatch.setattr(
        "grindcheck.selffaces.check_faces", lambda folder, names, truth_of, progress: (tuple(faces), ())
    )
    done = CliRunner().invoke(app, ["selftest"])
    assert done.exit_code == (1 if worse else 0), done.output
    assert ("Not as it should be" in done.stdout) == bool(worse)
    assert ("No figures or faces differ from the release" in done.stdout) == (worse in ("", "far"))
    assert ("at release, and is" in done.stdout) == (worse == "figure")
    assert ("NOT RIGHT: 0 of" in done.stdout) == (worse == "face")
    assert "face_clean: 0 of 0 scratches found, 0 false, clean" in done.stdout


def test_figures_at_release_that_are_none_are_refused(tmp_path: Path) -> None:
    for text in ("", "[]", '{"figures": [{"pair": "a"}], "faces": []}'):
        (tmp_path / "released.json").write_text(text, encoding="utf-8")
        with pytest.raises(InputError, match="can't be read"):
            read_released(tmp_path)


def test_the_command_prints_figure_by_figure(tmp_path: Path) -> None:
    told = CliRunner().invoke(app, ["selftest", "--quick", "--json", str(tmp_path / "out.json")])
    assert told.exit_code == 0, told.output
    assert "As it should be" in told.stdout
    data = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    assert data["sound"]
    assert data["drifted"] == data["faces"] == []
    assert "No figures or faces differ from the release" in told.stdout
    assert told.stdout.count("inside\n") + told.stdout.count("OUTSIDE\n") == len(data["figures"]) > 3


def test_missing_samples_are_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="sample photos aren't here"):
        sample_folder(tmp_path)


@pytest.mark.parametrize(
    "content", ["", "{}", "5", '{"pairs": 3}', '{"pairs": []}', '{"pairs": [{"name": 3}]}', "[" * 100_000]
)
def test_a_damaged_list_of_pairs_is_told(tmp_path: Path, content: str) -> None:
    (tmp_path / "pairs.json").write_text(content, encoding="utf-8")
    with pytest.raises(InputError, match=r"pairs.json, can't be read \(.+\)\. Get the folder"):
        sample_pairs(tmp_path)


@pytest.mark.parametrize(
    "change",
    [
        {"differences": None}, {"differences": {"plunge": {"mid": "0"}, "bevel_height": []}},
        {"differences": {"plunge": None, "bevel_height": [{"station": 10}]}}, {"photos": []}, {"photos": 3},
        {"thickness_mm": "2mm"}, {"edge_thickness_mm": float("nan")}, {"print_scale": None}, {"paper": "a9"},
        {"flat_height_mm": 10**400},
    ],
)  # fmt: skip
def test_a_damaged_truth_is_told(tmp_path: Path, change: dict[str, object]) -> None:
    """Before anything is measured: whatever is wrong in the file, it is named."""
    (tmp_path / "one.json").write_text(json.dumps(reduced.truth("petty_a") | change), encoding="utf-8")

    def measured(request: Request) -> Comparison:
        raise AssertionError("nothing must be measured")

    with pytest.raises(InputError, match=r"The truth of one can't be read \(.+\)\. Get the folder"):
        check_samples(tmp_path, ("one",), progress=str, measure=measured)
