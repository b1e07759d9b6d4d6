"""The tables of the accuracy study follow from its rows; the rows here are invented."""

import json
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "accuracy"))

import study
import tables


def _row(name, errors, *, std=0.1, verdict="match", right="match", stratum="oil film", refused=""):
    figures = [
        {
            "group": "difference",
            "quantity": quantity,
            "station": station,
            "true": 1.0,
            "value": 1.0 + error,
            "std": std,
        }
        for quantity, station, error in errors
    ]
    return {
        "name": name, "figures": figures, "refused": refused, "verdict": verdict, "right_verdict": right,
        "tags": {"stratum": stratum}, "flags": [], "faces_right": True, "full_flat_right": True,
    }  # fmt: skip


def test_a_stratum_below_nine_tenths_is_named():
    good = _row("a", [("plunge.mid", None, 0.1)] * 9 + [("plunge.mid", None, 0.3)], stratum="oil film")
    bad = _row(
        "b", [("bevel_height", 20.0, 0.1)] * 4 + [("bevel_height", 20.0, -0.3)], stratum="tape on the edge"
    )
    assert tables.poorly_covered([good, bad]) == {"tape on the edge": 0.8}


def test_angles_and_single_faces_are_no_differences_in_mm():
    row = _row("a", [("plunge.angle", None, 0.1), ("plunge.mid", None, 0.2)])
    row["figures"].append(row["figures"][1] | {"group": "face"})
    assert [figure["quantity"] for figure in tables.differences([row])] == ["plunge.mid"]


def test_pairs_of_one_knife_are_checked_together_only_when_asked(tmp_path):
    files = []
    for name, again in (("study_000", None), ("study_000_again", "study_000"), ("study_001", None)):
        files.append(tmp_path / f"{name}.json")
        files[-1].write_text(json.dumps({"tags": {"again": again} if again else {}}), encoding="utf-8")
    assert study.knives(files, together=False) == [[file] for file in files]
    assert study.knives(files, together=True) == [files[:2], files[2:]]


def test_a_verdict_that_cannot_tell_is_not_wrong():
    rows = [
        _row("a", [], verdict="cannot tell", right="mismatch"),
        _row("b", [], verdict="mismatch", right="match"),
        _row("c", [], refused="BladeError"),
    ]
    assert [row["name"] for row in study.wrong(rows)] == ["b"]


def test_scatter_is_about_the_mean_and_needs_half_of_the_takes():
    """Takes off by 0.1, 0.2 and 0.3 mm: s = 0.1 mm, whatever they have in common."""
    rows = [_row(str(error), [("bevel_height", 30.0, error)]) for error in (0.1, 0.2, 0.3)]
    rows[0]["figures"].append(rows[0]["figures"][0] | {"station": 40.0})
    assert tables.scatter(rows, plunge=False) == pytest.approx({"30 mm from the tip": 0.1})
    assert tables.scatter(rows, plunge=True) == {}


def test_what_stands_outside_of_the_comments_stays(tmp_path):
    file = tmp_path / "RESULTS.md"
    names = ("asked and measured", *tables.SETS)
    places = "".join(f"<!-- {name} -->\na stale table\n<!-- end of {name} -->\n" for name in names)
    file.write_text(f"Before.\n{places}After.\n", encoding="utf-8")
    row = _row("a", [("plunge.mid", None, 0.2), ("bevel_height", 20.0, 0.1)])
    other = _row("b", [("plunge.mid", None, 0.4), ("bevel_height", 20.0, 0.1)], verdict="mismatch")
    sets = {}
    for name in names[1:]:
        sets[name] = tmp_path / f"{name}.json"
        sets[name].write_text(json.dumps([row, other]), encoding="utf-8")
    assert tables.main([*map(str, sets.values()), "--into", str(file)]) == 0
    text = file.read_text(encoding="utf-8")
    assert text.startswith("Before.\n")
    assert text.endswith("After.\n")
    assert "stale" not in text
    assert "| strata below 90 % | none | oil film 50% |" in text
    assert "| verdicts told wrongly, ordinary / hard |  | 1 / 1 |" in text
    assert "| s of a plunge difference, laid and shot again | 0.02 mm | 0.141 mm |" in text
    assert text.count("2 pairs, 0 refused") == 4


def test_a_text_without_its_place_is_told():
    with pytest.raises(ValueError, match="no place for the table 'hard'"):
        tables.put("nothing here", "hard", "table")
