"""The JSON: the fields that the README promises, units, determinism, whole files."""

import json
import math
from pathlib import Path

import pytest
from fixtures_results import STATIONS, comparison, face, mismatch

from grindcheck import __version__
from grindcheck.errors import OutputError
from grindcheck.report.data import json_text, report_data, write_json, write_whole
from grindcheck.results import Comparison
from grindcheck.verdict import Tolerances, judge


def data(result: Comparison) -> dict:
    made = report_data(result, judge(result, Tolerances()))
    assert json.loads(json_text(made)) == made  # nothing but plain data
    return made


def is_figure(one: dict) -> bool:
    assert {"value", "std", "unit", "components"} <= set(one)
    total = math.sqrt(sum(part**2 for part in one["components"].values()))
    # each is rounded to 1e-6, two or three of them add
    assert total == pytest.approx(one["std"], abs=5e-6)
    return True


def test_the_promised_fields() -> None:
    made = data(mismatch())
    assert made["verdict"] == "mismatch"
    assert made["program"] == {"name": "grindcheck", "version": __version__}
    for side in ("left", "right"):
        one = made["faces"][side]
        assert all(is_figure(one["plunge"][name]) for name in ("shoulder", "mid", "edge", "angle"))
        assert [height["station"] for height in one["bevel_height"]] == list(STATIONS)
        assert all(is_figure(height) for height in one["bevel_height"])
        assert one["full_flat"] is False
        assert one["flags"] == []
        assert one["photo"]["name"] == f"petty_{side}.jpg"
        assert len(one["photo"]["sha256"]) == 64
    assert all(is_figure(one) and "quantity" in one for one in made["differences"])
    assert [one["quantity"] for one in made["differences"][:4]] == [
        "plunge.shoulder",
        "plunge.mid",
        "plunge.edge",
        "plunge.angle",
    ]
    assert all(("station" in one) == (one["quantity"] == "bevel_height") for one in made["differences"])
    assert made["blade"]["thickness"] == {"value": 4.0, "unit": "mm"}
    assert made["print_scale"] == {"x": 1.0, "y": 1.0, "std": 0.0029, "measured": False}


def test_left_minus_right_with_its_decision() -> None:
    made = data(mismatch())
    one = next(one for one in made["differences"] if one["quantity"] == "plunge.mid")
    assert one["value"] == pytest.approx(0.62, abs=1e-6)  # 120 − 119.38
    assert one["expanded"] == pytest.approx(0.04, abs=1e-6)  # 2 · 0.02
    assert (one["tolerance"], one["decision"]) == (0.25, "mismatch")
    assert made["advice"][0] == "Grind the right face: move its plunge 0.62 mm towards the handle."


def test_angles_are_degrees() -> None:
    made = data(comparison(face("left", lean_mm=14.9)))
    angle = made["faces"]["left"]["plunge"]["angle"]
    assert angle["unit"] == "deg"
    assert angle["value"] == pytest.approx(45.0, abs=1e-6)  # both legs 14.9
    assert angle["std"] == pytest.approx(0.1, abs=1e-6)
    assert angle["components"]["line"] == pytest.approx(0.08, abs=1e-6)
    assert made["tolerances"]["plunge.angle"] == {"value": 1.0, "unit": "deg"}
    assert made["tolerances"]["plunge"] == {"value": 0.25, "unit": "mm"}


def test_without_plunge_it_is_null() -> None:
    made = data(comparison(face("left", plunge_mm=None), face("right", plunge_mm=None)))
    assert made["faces"]["left"]["plunge"] is None
    assert made["notes"]


def test_what_is_not_judged_has_no_decision() -> None:
    made = data(comparison(face("left", full_flat=True), face("right", full_flat=True)))
    heights = [one for one in made["differences"] if one["quantity"] == "bevel_height"]
    assert heights
    assert all(one["decision"] is None and one["tolerance"] is None for one in heights)


def test_the_same_result_gives_the_same_bytes(tmp_path: Path) -> None:
    files = []
    for name in ("one.json", "two.json"):
        result = mismatch()
        write_json(result, judge(result, Tolerances()), tmp_path / name)
        files.append((tmp_path / name).read_bytes())
    assert files[0] == files[1]
    assert b"\r" not in files[0]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["one.json", "two.json"]


def test_no_number_is_not_a_number() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        json_text({"value": math.nan})


def test_a_missing_folder_is_told(tmp_path: Path) -> None:
    result = comparison()
    with pytest.raises(OutputError, match="can't be written") as caught:
        write_json(result, judge(result, Tolerances()), tmp_path / "nowhere" / "result.json")
    assert "folder" in caught.value.advice


def test_what_is_no_file_name_is_told(tmp_path: Path) -> None:
    (tmp_path / "folder.json").mkdir()
    result = comparison()
    for path in (tmp_path / "folder.json", Path()):
        with pytest.raises(OutputError, match="can't be written"):
            write_json(result, judge(result, Tolerances()), path)
    assert [path.name for path in tmp_path.iterdir()] == ["folder.json"]


def test_a_write_that_fails_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "result.json"
    path.write_text("earlier", encoding="utf-8")

    def half(beside: Path) -> None:
        beside.write_text("half", encoding="utf-8")
        raise OSError(28, "No space left on device")

    with pytest.raises(OutputError, match="No space left on device"):
        write_whole(path, half)
    assert path.read_text(encoding="utf-8") == "earlier"
    assert list(tmp_path.iterdir()) == [path]
