"""Acceptance limits: how they are read, and what follows from them and their uncertainty."""

from dataclasses import replace

import pytest
from fixtures_finish import face, finish, leftover, region, scratch, sheath

from grindcheck.errors import InputError
from grindcheck.finish.acceptance import NO_SCRATCH, SURE_LOG_NFA, Limit, judge_finish, read_limits
from grindcheck.finish.results import Finish, Scratch


def decided(text: str, *scratches: Scratch, **changes: object) -> str:
    return judge_finish(finish(face(*scratches, **changes)), read_limits(text)).decision  # type: ignore[arg-type]


def test_limits_are_read_from_one_line_or_several() -> None:
    limits = (
        Limit(kind="longest", value=3.0),
        Limit(kind="count", value=2),
        Limit(kind="count", value=0, region="bevel"),
        Limit(kind="coverage", value=0.5, region="flat"),
    )
    assert read_limits("longest 3 mm, count 2, bevel none, flat coverage 0.5 mm/cm2") == limits
    text = "# canteen\nlongest 3 mm\ncount 2  # per face\n\nBevel None\nflat coverage 0,5 mm per cm²\n"
    assert read_limits(text) == limits


def test_lengths_have_units_and_decimal_commas() -> None:
    assert read_limits("longest 1/8 in")[0].value == pytest.approx(3.175)  # 25.4 / 8
    assert read_limits("longest 2,5 mm, count 1") == (
        Limit(kind="longest", value=2.5),
        Limit(kind="count", value=1),
    )


def test_what_is_written_is_read_back() -> None:
    for text in ("longest 3 mm", "none", "count 2", "bevel none", "flat coverage 0.5 mm/cm2"):
        assert [str(one) for one in read_limits(text)] == [text]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "are empty"),
        ("# nothing", "are empty"),
        ("shortest 3 mm", "'shortest 3 mm' isn't understood"),
        ("spine none", "'spine none' isn't understood"),
        ("flat", "'flat' isn't understood"),
        ("longest", "needs a length"),
        ("longest 3", "has no unit"),
        ("longest 0 mm", "needs a length above 0"),
        ("count two", "needs a whole number"),
        ("count -1", "needs a whole number"),
        ("count 1.5", "needs a whole number"),
        ("coverage 3 mm", "needs a number of mm/cm2"),
        ("none at all", "needs nothing after it"),
        ("count 2, count 3", "say the same thing: count 3"),
        ("bevel none, bevel count 1", "say the same thing"),
    ],
)
def test_slips_get_their_own_words(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        read_limits(text)


def test_without_limits_no_scratch_is_accepted() -> None:
    assert judge_finish(finish()).decision == "clean"
    assert judge_finish(finish(face(scratch(1)))).decision == "scratched"
    assert judge_finish(finish(face(scratch(1)))).reasons == ("Left face: scratch 1; none is accepted.",)
    assert [str(one) for one in NO_SCRATCH] == ["none"]


def test_each_face_is_judged_by_itself() -> None:
    both = finish(face(scratch(1)), face(scratch(1), scratch(2), side="right"))
    verdict = judge_finish(both, read_limits("count 1"))
    assert verdict.decision == "scratched"
    assert verdict.reasons == ("Right face: scratches 1 and 2; more than 1 accepted.",)
    assert [one.decision for one in verdict.judged] == ["clean", "scratched"]


@pytest.mark.parametrize(
    ("length_mm", "decision"),
    # each end ± 0.1 mm: U of the length is 2 · √2 · 0.1 = 0.283 mm, the limit 5 mm
    [(4.70, "clean"), (4.73, "cannot tell"), (5.27, "cannot tell"), (5.30, "scratched")],
)
def test_a_length_counts_with_its_uncertainty(length_mm: float, decision: str) -> None:
    assert decided("longest 5 mm", scratch(1, length_mm=length_mm)) == decision


@pytest.mark.parametrize(
    ("log_nfa", "decision"), [(SURE_LOG_NFA - 0.01, "scratched"), (SURE_LOG_NFA + 0.01, "cannot tell")]
)
def test_what_texture_may_make_is_no_proof(log_nfa: float, decision: str) -> None:
    faint = scratch(1, log_nfa=log_nfa)
    assert decided("none", faint) == decision
    assert decided("longest 5 mm", faint) == decision
    assert decided("coverage 0.1 mm/cm2", faint) == decision  # 8 mm on 40 cm² are 0.2
    assert decided("count 1", faint) == "clean"


def test_faint_ones_beside_sure_ones() -> None:
    faint = scratch(2, log_nfa=-0.2)
    assert decided("count 1", scratch(1), faint) == "cannot tell"
    assert decided("count 2", scratch(1), faint) == "clean"
    assert decided("none", scratch(1), faint) == "scratched"
    (reason,) = judge_finish(finish(face(scratch(1), faint)), read_limits("count 1")).reasons
    assert reason.startswith("Left face: scratch 2 is so faint that texture alone may look like it")


@pytest.mark.parametrize(
    ("limit", "decision"),
    # 51.6 mm on 20 cm² of flat are 2.58; U of the sum is 2 · √(12 · 2) · 0.1 = 0.98 mm, so 0.05 per cm²
    [("2.5", "scratched"), ("2.55", "cannot tell"), ("2.6", "cannot tell"), ("2.65", "clean")],
)
def test_coverage_counts_with_its_uncertainty(limit: str, decision: str) -> None:
    assert decided(f"flat coverage {limit} mm/cm2", *leftover()) == decision


def test_a_limit_of_a_region_looks_there_only() -> None:
    on_flat = sheath()
    assert decided("bevel none", *on_flat) == "clean"
    assert decided("flat none", *on_flat) == "scratched"
    assert decided("bevel none", regions=(region("flat"),)) == "cannot tell"


def test_what_the_photo_cannot_show_is_not_called_clean() -> None:
    coarse = (region("flat", findable_mm=6.0), region("bevel"))
    assert decided("longest 5 mm", regions=coarse) == "cannot tell"
    assert decided("none", regions=coarse) == "cannot tell"  # asks for 5 mm by itself
    assert decided("longest 7 mm", regions=coarse) == "clean"
    assert decided("bevel none", regions=coarse) == "clean"
    (reason,) = judge_finish(finish(face(regions=coarse)), read_limits("longest 5 mm")).reasons
    assert "only scratches of 6.0 mm or longer are found on the flat" in reason
    # what is seen is seen all the same
    assert decided("none", scratch(1), regions=coarse) == "scratched"


@pytest.mark.parametrize("flag", ["dark", "blurred"])
def test_dark_and_blurred_photos_are_no_proof(flag: str) -> None:
    assert decided("none", flags=(flag,)) == "cannot tell"
    assert decided("none", scratch(1), flags=(flag,)) == "scratched"
    both = read_limits("longest 3 mm, bevel none")
    assert len(judge_finish(finish(face(flags=(flag,))), both).reasons) == 1  # said once


def test_without_a_scale_only_counts_are_judged() -> None:
    assert decided("count 0", scaled=False) == "clean"
    assert decided("longest 3 mm", scaled=False) == "cannot tell"
    assert decided("longest 3 mm", scratch(1), scaled=False) == "cannot tell"
    assert decided("coverage 1 mm/cm2", scratch(1), scaled=False) == "cannot tell"
    assert decided("count 0", scratch(1), scaled=False) == "scratched"


def test_clean_always_says_down_to_which_size() -> None:
    verdict = judge_finish(finish(face(), face(side="right")))
    assert verdict.decision == "clean"
    assert verdict.reasons == ()
    for side in ("Left", "Right"):
        for name in ("flat", "bevel"):
            assert any(
                note.startswith(f"{side} face, {name}: found are scratches of 3.0 mm or longer")
                for note in verdict.notes
            )
        assert f"{side} face: not searched: mark, edge strip." in verdict.notes


def test_nothing_searched_is_not_clean() -> None:
    assert judge_finish(
        finish(face(regions=(replace(region(), name="x"),))), read_limits("flat none")
    ).decision == ("cannot tell")
    assert judge_finish(Finish(faces=())).decision == "cannot tell"
