"""The budget as data: it adds up, says what helps, and records without it still tell."""

import math
from typing import Any

import pytest
from fixtures_results import comparison, face, figure, mismatch
from hypothesis import given
from hypothesis import strategies as st

from grindcheck.report.budget_data import budget_data, deciding, recorded_budget
from grindcheck.report.data import report_data
from grindcheck.results import Comparison
from grindcheck.settings import COVERAGE_FACTOR
from grindcheck.sources import COMPONENTS, advice_of, sources
from grindcheck.verdict import Tolerances, judge

# every number is rounded to 1e-6, half of it off at most; eight sources and the whole add to less than this
ROUNDED = 5e-6


def data(result: Comparison) -> dict[str, Any]:
    return report_data(result, judge(result, Tolerances()))


def adds_up(made: dict[str, Any]) -> None:
    """Squares of the sources give the combined variance, k times its root is U, the shares are whole."""
    assert len(made["budget"]) == len(made["differences"])
    for one, difference in zip(made["budget"], made["differences"], strict=True):
        for name in ("quantity", "unit", "std", "expanded"):
            assert one[name] == difference[name]
        assert one.get("station") == difference.get("station")
        together = math.sqrt(sum(source["std"] ** 2 for source in one["sources"]))
        assert together == pytest.approx(one["std"], abs=ROUNDED)
        assert made["coverage_factor"] * together == pytest.approx(one["expanded"], abs=2 * ROUNDED)
        assert sum(source["share"] for source in one["sources"]) == pytest.approx(1.0, abs=ROUNDED)
        for source in one["sources"]:
            assert source["share"] * one["std"] ** 2 == pytest.approx(
                source["std"] ** 2, abs=2 * one["std"] * ROUNDED
            )
            assert source["advice"]


def test_by_hand() -> None:
    # 0.04² of 0.05² from the lines, 0.03² from lens and pose
    result = comparison(face("left"), face("right", plunge_mm=119.38), std_mm=0.05)
    one = next(one for one in data(result)["budget"] if one["quantity"] == "plunge.mid")
    assert one["std"] == 0.05
    assert one["expanded"] == 0.1
    assert [(source["name"], source["std"], source["share"]) for source in one["sources"]] == [
        ("seeing the lines", 0.04, 0.64),
        ("lens and pose", 0.03, 0.36),
    ]
    assert one["sources"][1]["advice"] == advice_of("pose")


def test_it_adds_up_by_hand_and_in_degrees() -> None:
    made = data(mismatch())
    adds_up(made)
    angle = next(one for one in made["budget"] if one["quantity"] == "plunge.angle")
    assert angle["unit"] == "deg"
    assert angle["sources"][0]["std"] == pytest.approx(0.8 * 0.15, abs=1e-6)


@given(
    st.dictionaries(
        st.sampled_from([*COMPONENTS, "a new one", "repeat"]),
        st.floats(1e-6, 10.0),
        min_size=1,
    )
)
def test_any_components_add_up(components: dict[str, float]) -> None:
    found = sources(components)
    variance = sum(size**2 for size in components.values())
    assert sum(one.std**2 for one in found) == pytest.approx(variance, rel=1e-12)
    assert sum(one.share for one in found) == pytest.approx(1.0, rel=1e-12)
    assert [one.share for one in found] == sorted((one.share for one in found), reverse=True)
    assert ("other" in {one.name for one in found}) == bool({"a new one", "repeat"} & set(components))


def test_nothing_has_no_sources() -> None:
    assert sources({}) == ()
    assert sources({"line": 0.0}) == ()


@pytest.mark.parametrize(
    "result",
    [
        mismatch(),
        comparison(face("left", height_mm=14.9), face("right", lean_mm=0.1)),
        comparison(face("left", full_flat=True), face("right", full_flat=True)),
    ],
)
def test_one_decides_and_it_is_the_text_s_own(result: Comparison) -> None:
    [one] = [one for one in data(result)["budget"] if one["decides"]]
    wanted = deciding(judge(result, Tolerances()))
    assert wanted is not None
    assert (one["quantity"], one.get("station")) == (wanted.quantity, wanted.station_mm)
    assert one["expanded"] == pytest.approx(
        math.degrees(COVERAGE_FACTOR * wanted.std) if wanted.unit == "rad" else COVERAGE_FACTOR * wanted.std,
        abs=1e-6,
    )


def test_where_nothing_is_judged_none_decides() -> None:
    bare = comparison(
        face("left", plunge_mm=None, full_flat=True), face("right", plunge_mm=None, full_flat=True)
    )
    assert not any(one["decides"] for one in data(bare)["budget"])


def test_a_record_without_the_field_tells_the_same() -> None:
    made = data(mismatch())
    told = made.pop("budget")
    assert recorded_budget(made) == told
    assert recorded_budget(made | {"budget": told[:1]}) == told[:1]  # as recorded, where it is


@pytest.mark.parametrize("budget", [None, "much", [1], [{}], [{"sources": 3}]])
def test_what_is_no_budget_is_worked_out_anew(budget: object) -> None:
    made = data(mismatch())
    assert recorded_budget(made | {"budget": budget}) == made["budget"]


@pytest.mark.parametrize(
    "differences", [None, 7, [7], [{}], [{"components": {"line": "wide"}, "std": 1, "unit": "mm"}]]
)
def test_what_tells_nothing_shows_nothing(differences: object) -> None:
    assert recorded_budget({"differences": differences}) == []
    assert recorded_budget({}) == []


def test_the_table_knows_every_component_and_helps_with_each() -> None:
    assert "other" not in {one.name for one in sources(dict.fromkeys(COMPONENTS, 1.0))}
    assert budget_data([]) == []
    assert figure("plunge.mid", 1.0).components.keys() <= set(COMPONENTS)
    assert all(advice_of(component) for component in COMPONENTS)
    assert advice_of("a new one") == ""


def test_a_source_is_helped_by_what_is_largest_of_it() -> None:
    [one] = sources({"pose": 1.0, "focal length": 2.0})
    [other] = sources({"pose": 2.0, "focal length": 1.0})
    assert one.name == other.name == "lens and pose"
    assert (one.advice, other.advice) == (advice_of("focal length"), advice_of("pose"))
    assert "original files" in one.advice and "more squarely" in other.advice
