"""The decision rule against the guard-band arithmetic of JCGM 106:2012 and the zones of ISO 14253-1."""

import math
from dataclasses import replace

import numpy as np
import pytest
from fixtures_results import comparison, face, figure, mismatch
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from grindcheck.verdict import Tolerances, decide, judge

TOLERANCES = Tolerances()


# Worked by hand for T = 0.25, U = 0.05: the guard band w = U (JCGM 106, 8.3) leaves the acceptance interval
# −0.20 … 0.20; non-conformity is proven beyond 0.30 (ISO 14253-1); between them lies the uncertainty range.
@pytest.mark.parametrize(
    ("difference", "expected"),
    [
        (0.0, "match"),
        (0.19, "match"),
        (-0.19, "match"),
        (0.20, "match"),  # on the limit: inside, as acceptance intervals are closed
        (-0.20, "match"),
        (0.201, "cannot tell"),
        (0.25, "cannot tell"),
        (-0.25, "cannot tell"),
        (0.30, "cannot tell"),  # on the limit: not yet proven
        (-0.30, "cannot tell"),
        (0.301, "mismatch"),
        (-0.301, "mismatch"),
        (5.0, "mismatch"),
    ],
)
def test_zones_by_hand(difference: float, expected: str) -> None:
    assert decide(difference, 0.05, 0.25) == expected


def test_an_uncertainty_beyond_the_tolerance_never_matches() -> None:
    # |d| + U <= T has no solution for U > T: 0.26 > 0.25
    assert decide(0.0, 0.26, 0.25) == "cannot tell"
    assert decide(0.5, 0.26, 0.25) == "cannot tell"  # 0.5 − 0.26 = 0.24 < 0.25
    assert decide(0.52, 0.26, 0.25) == "mismatch"  # 0.52 − 0.26 = 0.26 > 0.25


@given(st.floats(-2, 2), st.floats(0, 1), st.floats(0.01, 1))
def test_the_rule_knows_no_side_and_more_uncertainty_never_decides(d: float, u: float, t: float) -> None:
    found = decide(d, u, t)
    assert decide(-d, u, t) == found
    if found == "cannot tell":
        assert decide(d, 2 * u, t) == "cannot tell"


def test_false_match_and_false_mismatch_at_the_limit() -> None:
    # At |true d| = T both wrong decisions have the probability Φ(−2) = 0.02275 for a normal error (k = 2).
    rng = np.random.default_rng(106)
    count, std = 40_000, 0.03
    for true in (0.25, -0.25):
        found = [decide(true + std * e, 2 * std, 0.25) for e in rng.standard_normal(count)]
        for wrong in ("match", "mismatch"):
            share = found.count(wrong) / count
            expected = norm.cdf(-2)
            four_sigmas = 4 * math.sqrt(expected * (1 - expected) / count)  # binomial: 0.0030
            assert abs(share - expected) < four_sigmas
        assert found.count("match") / count < 0.025 + 4 * math.sqrt(0.025 * 0.975 / count)


@pytest.mark.parametrize("beyond", [0.25, 0.26, 0.28, 0.35])
@pytest.mark.parametrize("std", [0.01, 0.05, 0.10])
def test_false_match_in_closed_form(beyond: float, std: float) -> None:
    # P(|d| <= T − U) by the normal distribution, against the share of a fine grid of errors that match
    limit = max(0.25 - 2 * std, 0.0)
    expected = norm.cdf((limit - beyond) / std) - norm.cdf((-limit - beyond) / std) if limit else 0.0
    quantiles = norm.ppf((np.arange(20_000) + 0.5) / 20_000)
    share = np.mean([decide(beyond + std * q, 2 * std, 0.25) == "match" for q in quantiles])
    assert share == pytest.approx(expected, abs=2e-4)  # the grid's own step is 5e-5
    assert share <= 0.025


def test_overall() -> None:
    assert judge(comparison(), TOLERANCES).decision == "match"
    assert judge(mismatch(), TOLERANCES).decision == "mismatch"
    doubtful = comparison(face("left", plunge_mm=120.24))  # 0.24 + 0.04 > 0.25, 0.24 − 0.04 < 0.25
    assert judge(doubtful, TOLERANCES).decision == "cannot tell"


def test_one_mismatch_outweighs_what_cannot_be_told() -> None:
    both = comparison(face("left", plunge_mm=120.24, height_mm=14.0))  # heights differ by 1 mm
    verdict = judge(both, TOLERANCES)
    assert verdict.decision == "mismatch"
    assert verdict.reasons  # the doubt about the plunge is still told


def test_each_quantity_has_its_own_tolerance() -> None:
    tolerances = Tolerances(plunge_mm=0.1, height_mm=0.2, angle_rad=0.3)
    assert {
        name: tolerances.of(name) for name in ("plunge.shoulder", "plunge.mid", "plunge.edge")
    } == dict.fromkeys(("plunge.shoulder", "plunge.mid", "plunge.edge"), 0.1)
    assert tolerances.of("plunge.angle") == 0.3
    assert tolerances.of("bevel_height") == 0.2
    assert tolerances.of("bevel_angle") is None
    assert tolerances.of("plunge.transition") is None
    strict = judge(comparison(face("left", height_mm=15.16)), replace(TOLERANCES, height_mm=0.1))
    assert {one.figure.quantity for one in strict.judged if one.decision == "mismatch"} == {"bevel_height"}


@pytest.mark.parametrize("name", ["plunge_mm", "height_mm", "angle_rad"])
@pytest.mark.parametrize("value", [0.0, -0.1, math.nan])
def test_a_tolerance_is_positive(name: str, value: float) -> None:
    with pytest.raises(ValueError, match=f"{name} must be greater than 0"):
        Tolerances(**{name: value})


def test_the_angle_is_judged_in_radians() -> None:
    # 0.6° + U 0.3° < 1°: match. 1.4° − 0.3° > 1°: mismatch. 1° ± 0.3°: cannot tell. (std is 0.15°)
    for degrees, expected in ((0.6, "match"), (1.4, "mismatch"), (1.0, "cannot tell")):
        lean = 14.9 * math.tan(math.radians(degrees))
        verdict = judge(comparison(face("left", lean_mm=lean)), replace(TOLERANCES, plunge_mm=9.0))
        assert verdict.decision == expected


def test_without_a_plunge_the_bevel_is_judged_and_it_is_said() -> None:
    verdict = judge(comparison(face("left", plunge_mm=None), face("right", plunge_mm=None)), TOLERANCES)
    assert verdict.decision == "match"
    assert {one.figure.quantity for one in verdict.judged} == {"bevel_height"}
    assert any("No plunge is seen on either face" in note for note in verdict.notes)


def test_a_plunge_on_one_face_only_cannot_be_told() -> None:
    verdict = judge(comparison(face("left"), face("right", plunge_mm=None)), TOLERANCES)
    assert verdict.decision == "cannot tell"
    assert any("No plunge is seen on the right face" in reason for reason in verdict.reasons)


def test_nothing_to_judge() -> None:
    bare = comparison(
        face("left", plunge_mm=None, height_mm=None), face("right", plunge_mm=None, height_mm=None)
    )
    verdict = judge(bare, TOLERANCES)
    assert verdict.decision == "cannot tell"
    assert verdict.judged == ()
    assert verdict.largest is None
    assert verdict.reasons


def test_full_flat_heights_are_not_evidence() -> None:
    # one outline gives both heights, so their difference of 0 would always match
    flat = comparison(face("left", full_flat=True), face("right", full_flat=True))
    verdict = judge(flat, TOLERANCES)
    assert verdict.decision == "match"
    assert all(one.figure.quantity != "bevel_height" for one in verdict.judged)
    assert any("Full flat" in note for note in verdict.notes)
    bare = comparison(
        face("left", full_flat=True, plunge_mm=None), face("right", full_flat=True, plunge_mm=None)
    )
    assert judge(bare, TOLERANCES).decision == "cannot tell"


def test_full_flat_on_one_face_only() -> None:
    verdict = judge(comparison(face("left", full_flat=True, height_mm=None), face("right")), TOLERANCES)
    assert verdict.decision == "cannot tell"
    assert any("left face looks full flat" in reason for reason in verdict.reasons)


@pytest.mark.parametrize(
    ("name", "doubtful"),
    [
        ("plunge_unsure", {"plunge.shoulder", "plunge.mid", "plunge.edge", "plunge.angle"}),
        ("shoulder_unsure", {"plunge.shoulder", "bevel_height"}),
        (
            "grind_unsure",
            {"plunge.shoulder", "plunge.mid", "plunge.edge", "plunge.angle", "bevel_height"},
        ),
        (
            "edge_side_unsure",
            {"plunge.shoulder", "plunge.mid", "plunge.edge", "plunge.angle", "bevel_height"},
        ),
    ],
)
def test_a_line_that_may_be_the_wrong_one_decides_nothing(name: str, doubtful: set[str]) -> None:
    verdict = judge(comparison(face("left", flags=(name,), plunge_mm=123.0, height_mm=12.0)), TOLERANCES)
    cannot = {one.figure.quantity for one in verdict.judged if one.decision == "cannot tell"}
    assert cannot == doubtful
    assert verdict.reasons


@pytest.mark.parametrize(
    ("source", "help_"),
    [
        ("print scale", "--bar-x"),
        ("focal length", "original files"),
        ("pose", "more squarely"),
        ("lens", "calibrate the phone anew"),
        ("line", "softer light"),
        ("thickness", "calliper"),
        ("registration", "clean the edge"),
        ("height", "press the mat flat"),
        ("edge thickness", "--edge-thickness"),
        ("outline", "softer light"),
        ("tip", "clear of tape"),
        ("which face", "--faces left,right"),
    ],
)
def test_reasons_say_what_would_help_most(source: str, help_: str) -> None:
    parts = {"pose" if source != "pose" else "line": 0.01, source: 0.05}
    one = figure("plunge.mid", 0.25, math.hypot(0.01, 0.05), components=parts)
    verdict = judge(replace(comparison(), differences=(one, *comparison().differences[4:])), TOLERANCES)
    assert verdict.decision == "cannot tell"
    assert any(f"from the {source}" in reason and help_ in reason for reason in verdict.reasons)


def test_the_largest_is_taken_for_its_tolerance() -> None:
    # 2° of 1° counts more than 0.4 mm of 0.25 mm
    lean = 14.9 * math.tan(math.radians(2.0))
    verdict = judge(comparison(face("left", plunge_mm=120.0, lean_mm=lean)), TOLERANCES)
    assert verdict.largest is not None
    assert verdict.largest.figure.quantity == "plunge.angle"
