"""The text: the verdict at a glance, signs, units, reservations."""

from dataclasses import replace

import pytest
from fixtures_results import comparison, face, mismatch

from grindcheck.flags import FLAGS
from grindcheck.report.text import text_report
from grindcheck.results import Comparison
from grindcheck.verdict import Tolerances, judge


def report(result: Comparison, units: str = "both") -> str:
    return text_report(result, judge(result, Tolerances()), units=units)  # type: ignore[arg-type]


def test_first_line_says_which_side_how_much_and_how_surely() -> None:
    # 0.62 mm = 24.4 thou; U = 2 · 0.02 = 0.04 mm = 1.6 thou; 0.25 mm = 9.8 thou
    assert report(mismatch()).splitlines()[0] == (
        "MISMATCH: The right plunge lies 0.62 mm (24 thou) nearer to the tip than the left, at mid-height; "
        "U = 0.04 mm (1.6 thou), tolerance 0.25 mm (9.8 thou)."
    )


def test_first_line_of_a_match_and_of_a_doubt() -> None:
    assert report(comparison(), "mm").startswith("MATCH: The largest difference is 0.00 mm")
    doubt = report(comparison(face("left", plunge_mm=120.24)), "mm").splitlines()
    assert doubt[0].startswith("CANNOT TELL: The right plunge lies 0.24 mm nearer to the tip")
    assert "Most of the uncertainty comes from the line" in " ".join(" ".join(doubt[1:4]).split())


@pytest.mark.parametrize(
    ("left", "start"),
    [
        ({"plunge_mm": 119.0}, "MISMATCH: The left plunge lies 1.00 mm nearer to the tip than the right"),
        ({"height_mm": 14.0}, "MISMATCH: The left bevel is 1.00 mm lower than the right, "),
        ({"height_mm": 16.0}, "MISMATCH: The right bevel is 1.00 mm lower than the left, "),
        (
            {"lean_mm": 0.44},
            "MISMATCH: The left plunge leans 1.69° more towards the tip",
        ),  # atan(0.44 / 14.9)
    ],
)
def test_first_line_names_the_side(left: dict[str, float], start: str) -> None:
    assert report(comparison(face("left", **left)), "mm").startswith(start)  # type: ignore[arg-type]


def row(text: str, name: str) -> list[str]:
    (found,) = [line for line in text.splitlines() if line.startswith(name) and line.endswith("match")]
    return found.removeprefix(name).split()


def test_columns_by_unit() -> None:
    # 0.62 / 0.0254 = 24.41 thou; U 0.04 mm = 1.57 thou = 0.0016 in; T 0.25 mm = 0.0098 in
    result = mismatch()
    name = "plunge at mid-height"
    assert row(report(result), name) == ["+0.62", "0.04", "+24.4", "1.6", "0.25", "mismatch"]
    assert row(report(result, "mm"), name) == ["+0.62", "0.04", "0.25", "mismatch"]
    assert row(report(result, "in"), name) == ["+0.0244", "0.0016", "0.0098", "mismatch"]
    assert row(report(result), "plunge angle") == ["+0.00°", "0.30°", "1.00°", "match"]
    # 120 / 25.4 = 4.7244, 119.38 / 25.4 = 4.7000
    assert "120.00   0.04    119.38   0.04   4.7244    4.7000" in report(result)


def test_a_negative_difference_keeps_its_sign() -> None:
    assert row(report(comparison(face("left", plunge_mm=119.0)), "mm"), "plunge at the edge")[0] == "-1.00"


def test_plain_ascii_but_for_two_signs() -> None:
    text = report(mismatch(flags=("turned_end_for_end",)))
    assert {sign for sign in text if ord(sign) > 126} <= {"±", "°"}
    assert "\x1b" not in text
    assert text.endswith("\n")


def test_reservations_name_their_owner_and_advice() -> None:
    result = comparison(
        face("left", flags=("blurred", "halo")), face("right", flags=("blurred",)), flags=("outlines_differ",)
    )
    text = " ".join(report(result).split())
    assert f"Left and right: {FLAGS['blurred'].meaning} {FLAGS['blurred'].advice} [blurred]" in text
    assert f"Left: {FLAGS['halo'].meaning}" in text
    assert f"Pair: {FLAGS['outlines_differ'].meaning}" in text
    assert "Reservations - " in text
    assert "Reservations\n  None." in report(comparison())


def test_what_was_assumed_is_told() -> None:
    text = " ".join(report(comparison(), "mm").split())
    assert "Stock thickness 4.00 mm" in text
    assert "edge thickness before sharpening 0.50 mm" in text
    assert "The print's scale wasn't measured; its standard uncertainty of 0.29% is in U." in text
    measured = replace(comparison(), print_scale={"x": 0.9985, "y": 1.001, "std": 1e-4, "measured": True})
    assert "99.85% along x and 100.10% along y" in " ".join(report(measured).split())


def test_special_faces_are_told() -> None:
    flat = report(comparison(face("left", full_flat=True), face("right", full_flat=True)))
    assert "no shoulder: the bevel height is the blade's" in flat
    assert "plunge at the spine" in flat
    bare = report(comparison(face("left", plunge_mm=None), face("right", plunge_mm=None)))
    assert "No plunge is seen on either face" in bare
    hand = report(comparison(replace(face("left"), by_hand=("plunge",))))
    assert "placed by hand: plunge" in hand
    nothing = report(
        comparison(
            face("left", plunge_mm=None, height_mm=None), face("right", plunge_mm=None, height_mm=None)
        )
    )
    assert nothing.startswith("CANNOT TELL: No bevel height was measured")
    assert "Differences: none could be measured." in nothing
