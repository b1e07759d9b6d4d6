"""The text of a finish: the verdict at a glance, what to do, each scratch, what it rests on."""

from dataclasses import replace

import pytest
from fixtures_finish import earlier, face, finish, leftover, region, scratch, sheath

from grindcheck.finish.acceptance import judge_finish, read_limits
from grindcheck.finish.results import Finish
from grindcheck.flags import FLAGS
from grindcheck.report.finish_text import finish_text


def report(result: Finish, limits: str = "none", units: str = "both") -> str:
    return finish_text(result, judge_finish(result, read_limits(limits)), units=units)  # type: ignore[arg-type]


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize(
    ("result", "limits", "start"),
    [
        (finish(), "none", "CLEAN: No scratch is found; one of 3.0 mm or longer off the lay would be."),
        (
            finish(face(scratch(1))),
            "longest 9 mm, count 2",
            "CLEAN: 1 scratch keeps to longest 9 mm, count 2; one of 3.0 mm or longer off the lay would be",
        ),
        (finish(face(scratch(1))), "none", "SCRATCHED: Left face: scratch 1; none is accepted."),
        (
            finish(face(*sheath())),
            "longest 3 mm, count 2",
            "SCRATCHED: Left face: scratches 1, 2 and 3; longer than 3 mm (and 1 more).",
        ),
        (
            finish(face(scratch(1)), face(flags=("dark",))),
            "none",
            "SCRATCHED: Left face: scratch 1; none is accepted.",
        ),
        (finish(face(flags=("dark",))), "none", f"CANNOT TELL: Left face: {FLAGS['dark'].meaning}"),
    ],
)
def test_the_first_line_is_the_verdict(result: Finish, limits: str, start: str) -> None:
    assert report(result, limits).splitlines()[0].startswith(start)


def test_a_clean_verdict_names_the_worst_regions_size() -> None:
    result = finish(face(regions=(region("flat"), region("bevel", findable_mm=4.2))))
    assert "one of 4.2 mm or longer off the lay would be" in report(result).splitlines()[0]


def row(text: str, start: str) -> list[str]:
    (found,) = [line for line in text.splitlines() if line.startswith(start)]
    return found.split()


def test_a_scratch_has_its_row() -> None:
    # from (−80, 20), 8 mm long at 40°: to −80 + 8 cos 40° = −73.9, 20 + 8 sin 40° = 25.1; the edge is at 0
    # there; U = 2 · √2 · 0.1 = 0.28 mm
    text = report(finish(face(scratch(1, width_px=2.4, width_mm=0.24))))
    assert row(text, "1 flat") == [
        "1", "flat", "74-80", "20-25", "8.0", "mm", "0.3", "0.24", "mm", "40°", "40°", "+2.5", "-8.0",
        "sure,", "bright",
    ]  # fmt: skip


def test_inches_and_pixels() -> None:
    # 8 / 25.4 = 0.315; 73.9 / 25.4 = 2.91, 80 / 25.4 = 3.15
    inch = report(finish(face(scratch(1))), units="in")
    assert "2.91-3.15" in inch
    assert "0.315 in" in inch
    pixels = report(finish(face(scratch(1), scaled=False, side="")))
    assert row(pixels, "1 flat")[2:6] == ["80", "px", "<", "pixel"]
    assert pixels.splitlines()[0].startswith("SCRATCHED: The photo: scratch 1")


def test_each_group_says_what_it_likely_is_and_what_to_do() -> None:
    made = face(*leftover(), *sheath(13), scratch(16, degrees=-30.0, name="bevel"))
    text = flat(report(finish(made)))
    for group, numbers in zip(made.groups, ("Numbers 1-12.", "Numbers 13-15.", "Number 16."), strict=True):
        assert f"{group.reading} {numbers} {group.advice}" in text
    assert "Can I move on to the next grit? - Flat: not yet" in text


def test_the_earlier_photo_is_told() -> None:
    new = replace(scratch(1), change="new", change_certainty=0.9)
    text = report(finish(face(new, earlier=earlier())))
    assert "Against the earlier photo petty_before.jpg" in text
    assert "1 new, 1 gone, 0 unchanged." in text
    assert "Gone from the bevel: a scratch of 8.5 mm, 97 % sure." in text  # √(8² + 3²) = 8.54
    assert "new 90 %" in text
    lost = earlier(gone=(replace(earlier().gone[0], change="cannot tell"),))
    assert "1 of the earlier photo can't be told" in flat(report(finish(face(new, earlier=lost))))


def test_long_lists_are_cut_and_that_is_said() -> None:
    many = [scratch(i + 1) for i in range(60)]
    text = report(finish(face(*many)))
    assert "  ... and 20 more, in the JSON." in text
    assert not any(line.startswith("41 flat") for line in text.splitlines())


def test_reservations_and_what_was_not_searched() -> None:
    text = flat(report(finish(face(flags=("blown_out",)), face(side="right"))))
    assert f"Left face: {FLAGS['blown_out'].meaning} {FLAGS['blown_out'].advice} [blown_out]" in text
    assert "Right face: not searched: mark, edge strip." in text
    assert "Accepted on each face: no scratch." in text
    assert "Texture alone passes for 1 scratches per face" in text


def test_plain_signs_only() -> None:
    text = report(finish(face(*leftover(), *sheath(13), earlier=earlier()), face(side="right")))
    assert {sign for sign in text if ord(sign) > 126} <= {"±", "°", "²"}
    assert "\x1b" not in text
    assert text.endswith("\n")
    assert max(map(len, text.splitlines()[1:])) <= 125
