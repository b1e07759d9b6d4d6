"""Grits by width, and the answer to whether the next one may follow."""

from dataclasses import replace

import pytest
from fixtures_finish import earlier, face, lay, leftover, region, scratch, sheath

from grindcheck.finish.grits import GRAINS_MM, findable, grit_of, next_grit, next_grit_short


def test_the_table_is_the_standards() -> None:
    # FEPA 43-1 / ISO 6344 as tables of coated abrasives repeat it, in micrometres; repeated by hand
    known = {
        "P60": 269,
        "P80": 201,
        "P100": 162,
        "P120": 125,
        "P150": 100,
        "P180": 82,
        "P220": 68,
        "P400": 35,
    }
    assert {name: round(1000 * GRAINS_MM[name]) for name in known} == known
    assert list(GRAINS_MM.values()) == sorted(GRAINS_MM.values(), reverse=True)


@pytest.mark.parametrize("name", GRAINS_MM)
def test_a_scratch_as_wide_as_a_grain_is_named_after_it(name: str) -> None:
    assert grit_of(GRAINS_MM[name], 0.0001) == name


@pytest.mark.parametrize(
    ("width_mm", "std_mm", "named"),
    [
        (
            0.12,
            0.012,
            "P100 to P150",
        ),  # 0.096 to 0.144; borders √(0.125·0.100) = 0.112, √(0.162·0.125) = 0.142
        (0.50, 0.01, "P40 or coarser"),  # 0.48 to 0.52, all above 0.425
        (0.40, 0.03, "P40 to P50"),  # 0.34 to 0.46; border √(0.425·0.336) = 0.378
        (0.40, 0.045, "P50 or coarser"),  # 0.31 to 0.49; beyond 0.425 · √(0.425/0.336) = 0.478
        (0.12, 0.04, None),  # a third of the width: too vague
        (0.015, 0.001, None),  # finer than the table
    ],
)
def test_ranges(width_mm: float, std_mm: float, named: str | None) -> None:
    assert grit_of(width_mm, std_mm) == named


@pytest.mark.parametrize(
    ("width_mm", "std_mm"), [(0.0, 0.01), (-0.1, 0.01), (0.1, -0.01), (float("nan"), 0.1)]
)
def test_no_width_is_a_slip(width_mm: float, std_mm: float) -> None:
    with pytest.raises(ValueError, match="must be above"):
        grit_of(width_mm, std_mm)


def test_leftover_lines_mean_not_yet() -> None:
    flat, bevel = next_grit(face(*leftover()))
    # 3 · (4.0 + 4.2 + 4.4 + 4.6) = 51.6 mm on 20 cm²; 51.6 · 0.1 mm of 2000 mm²
    assert flat == (
        "Flat: not yet; 12 lines are likely left from a coarser grit. "
        "Scratches in all: 2.6 mm per cm², 0.26 % of the area."
    )
    assert bevel.startswith("Bevel: yes, as far as the photo tells; no scratch of 3.0 mm or longer is seen.")
    assert next_grit_short(face(*leftover())) == ("Flat: not yet", "Bevel: yes, as far as the photo tells")


def test_scratches_from_elsewhere_do_not_hold_the_grit_up_but_are_told() -> None:
    flat, _ = next_grit(face(*sheath()))
    assert flat.startswith("Flat: yes, as far as leftover lines go")
    assert "likely from elsewhere remain: 6.6 mm per cm²" in flat  # 50 + 44 + 38 = 132 mm on 20 cm²


def test_the_lay_hides_lines_along_it_and_that_is_said() -> None:
    (lined,) = next_grit(face(regions=(region("flat"),)))
    assert "run along the lay are hidden" in lined
    (blasted,) = next_grit(face(regions=(region("flat", lay=lay("P", None)),)))
    assert "hidden" not in blasted


def test_the_earlier_photo_is_set_beside_it() -> None:
    # the earlier flat had 4, the bevel 2 mm per cm²
    flat, bevel = next_grit(face(*leftover(), earlier=earlier()))
    assert flat.endswith("2.6 mm per cm², 0.26 % of the area, against 4 mm per cm² in the earlier photo.")
    assert "is seen, against 2 mm per cm² in the earlier photo." in bevel
    worse, _ = next_grit(face(*leftover(), *sheath(13), earlier=earlier()))
    assert "no less than 4 mm per cm² in the earlier photo" in worse  # (51.6 + 132) / 20 = 9.2


def test_without_a_scale_shares_and_pixels_are_told() -> None:
    flat, _ = next_grit(face(scratch(1), scaled=False, earlier=earlier()))
    # 80 px of 200 000 = 0.04 %; the earlier share was 0.004
    assert "0.04 % of the area, against 0.4 % of the area in the earlier photo" in flat
    assert "30 px or longer" in flat
    assert "mm per cm²" not in flat
    assert findable(replace(region(), findable_mm=None)) == "30 px"
