"""The JSON of a finish: the promised fields, units, determinism, whole files."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from fixtures_finish import earlier, face, finish, leftover, scratch, sheath

from grindcheck import __version__
from grindcheck.errors import OutputError
from grindcheck.finish.acceptance import judge_finish
from grindcheck.finish.results import Finish
from grindcheck.report.data import json_text
from grindcheck.report.finish_data import finish_data, write_finish_json


def data(result: Finish) -> dict:
    made = finish_data(result, judge_finish(result))
    assert json.loads(json_text(made)) == made  # nothing but plain data
    return made


def test_it_describes_itself() -> None:
    made = data(finish(face(scratch(1))))
    assert (made["format"], made["kind"], made["verdict"]) == (1, "finish", "scratched")
    assert made["program"] == {"name": "grindcheck", "version": __version__}
    assert made["limits"] == [
        {
            "side": "left",
            "limit": "none",
            "decision": "scratched",
            "reason": "Left face: scratch 1; none is accepted.",
            "scratches": [1],
        }
    ]


def test_a_scratch() -> None:
    made = data(finish(face(scratch(1, width_px=2.4, width_mm=0.24, grit="P60"))))
    (one,) = made["faces"][0]["scratches"]
    # from (−80, 20), 8 mm at 40°: cos 40° = 0.76604, sin 40° = 0.64279; the edge lies at 0 there
    assert one["ends_mm"] == [
        [80.0, 20.0],
        [pytest.approx(73.8716, abs=1e-3), pytest.approx(25.1423, abs=1e-3)],
    ]
    assert one["path_mm"][0] == [-80.0, 20.0]
    assert one["length_mm"] == 8.0
    assert one["length_std_mm"] == pytest.approx(0.141421, abs=1e-6)  # √2 · 0.1
    assert (one["angle_deg"], one["lay_angle_deg"]) == (pytest.approx(40.0), pytest.approx(40.0))
    assert (one["region"], one["contrast"], one["log_nfa"], one["sure"]) == ("flat", 2.5, -8.0, True)
    assert (one["width_mm"], one["grit"], one["group"], one["change"]) == (0.24, "P60", 0, None)


def test_without_a_scale_all_mm_are_null() -> None:
    made = data(finish(face(scratch(1), scaled=False, side="")))["faces"][0]
    assert (made["side"], made["mm_per_px"], made["frame"]) == (None, None, "picture")
    (one,) = made["scratches"]
    assert all(one[name] is None for name in one if name.endswith("_mm"))
    assert one["length_px"] == 80.0
    assert all(region["findable"]["length_mm"] is None for region in made["regions"])


def test_groups_point_at_scratches() -> None:
    made = data(finish(face(*leftover(), *sheath(13))))["faces"][0]
    assert [group["scratches"] for group in made["groups"]] == [list(range(1, 13)), [13, 14, 15]]
    for one in made["scratches"]:
        assert one["number"] in made["groups"][one["group"]]["scratches"]
    assert made["groups"][0]["angle_deg"] == pytest.approx(55.0, abs=2.0)


def test_the_earlier_photo() -> None:
    made = data(finish(face(scratch(1, change="new", change_certainty=0.9), earlier=earlier())))["faces"][0]
    assert made["earlier"]["photo"]["name"] == "petty_before.jpg"
    assert made["earlier"]["gone"][0]["change"] == "gone"
    assert made["earlier"]["coverage"][1] == {"region": "flat", "per_cm2_mm": 4.0, "share": 0.004}
    assert (made["scratches"][0]["change"], made["scratches"][0]["change_certainty"]) == ("new", 0.9)


def test_the_same_result_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("one.json", "two.json"):
        result = finish(face(*leftover(), earlier=earlier()), face(side="right"))
        write_finish_json(result, judge_finish(result), tmp_path / name)
    assert (tmp_path / "one.json").read_bytes() == (tmp_path / "two.json").read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["one.json", "two.json"]


def test_no_number_is_refused(tmp_path: Path) -> None:
    result = finish(face(replace(scratch(1), contrast=float("nan"))))
    with pytest.raises(ValueError, match="not JSON compliant"):
        write_finish_json(result, judge_finish(result), tmp_path / "a.json")


def test_a_missing_folder_is_told(tmp_path: Path) -> None:
    result = finish()
    with pytest.raises(OutputError, match="can't be written"):
        write_finish_json(result, judge_finish(result), tmp_path / "nowhere" / "a.json")
