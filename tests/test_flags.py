"""The table of reservations, repeated by hand: names are kept in records, so none may change or vanish."""

import re
from pathlib import Path

import pytest

import grindcheck
from grindcheck.flags import FLAGS, flag
from grindcheck.mat.finding import MAT_FLAGS
from grindcheck.photo import PHOTO_FLAGS

NAMES = [
    "no_exif_focal", "small_photo", "mirrored_undone", "digital_zoom", "cropped",
    "blurred", "halo", "clipped", "few_corners", "dark", "blown_out", "tilted",
    "grey_print", "print_scale_unmeasured",
    "focal_contradicts_exif", "lens_contradicted", "lenses_unreadable", "lens_residual",
    "corners_dropped",
    "pair_left_out", "pairs_disagree", "edge_side_unsure", "curved_spine",
    "plunge_unsure", "shoulder_unsure", "grind_unsure", "no_plunge", "full_flat", "placed_by_hand",
    "outlines_differ", "outlines_scale", "turned_end_for_end",
    "dirty_blade",
    "close_up", "no_scale", "thickness_unknown",
]  # fmt: skip


def test_names_by_hand() -> None:
    assert list(FLAGS) == NAMES


def test_each_says_what_is_so_and_what_to_do() -> None:
    for name, one in FLAGS.items():
        assert one.name == name
        assert one.meaning.endswith(".") and one.advice.endswith(".")
        assert len(one.meaning) > 10 and len(one.advice) > 10
    assert len({one.meaning for one in FLAGS.values()}) == len(FLAGS)


def test_the_flags_of_photo_and_mat_are_all_here() -> None:
    assert set(PHOTO_FLAGS) | set(MAT_FLAGS) <= set(FLAGS)


def test_every_flag_that_the_code_sets_is_in_the_table() -> None:
    found = set()
    for path in Path(grindcheck.__file__).parent.rglob("*.py"):
        found |= set(re.findall(r'flags\.append\(\s*"(\w+)"', path.read_text(encoding="utf-8")))
    assert "outlines_differ" in found  # the pattern still finds what it is meant to
    assert found <= set(FLAGS)


def test_an_unknown_name_is_the_programmers_mistake() -> None:
    assert flag("halo") is FLAGS["halo"]
    with pytest.raises(ValueError, match="no flag 'nothing'"):
        flag("nothing")
