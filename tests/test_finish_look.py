"""A region turned so that its lay runs along x, and lines along the lay followed there."""

import numpy as np
import pytest
from drawn_scratches import SHAPE, brushed, scratch, straight, white
from finish_textures import TEXTURES, add_scratch, arc

from grindcheck.finish.look import looks_at
from grindcheck.finish.search import find_lines
from grindcheck.finish.span import stretched
from grindcheck.finish.tail import Law
from grindcheck.finish.texture import texture_of
from grindcheck.finish.trace import Path
from grindcheck.geometry import way_lengths

FULL = np.ones(SHAPE, bool)


def test_without_a_lay_there_is_one_look():
    [plain] = looks_at(white(1), FULL, None)
    assert not plain.near_lay and plain.ends_px == 0.0
    np.testing.assert_array_equal(plain.own_from_px([[3.0, 4.0]]), [[3.0, 4.0]])


@pytest.mark.parametrize("lay_deg", [0.5, 30.0, -60.0, 90.0, 135.0])
def test_in_the_second_look_the_lay_runs_along_x(lay_deg):
    lay = np.deg2rad(lay_deg)
    plain, along = looks_at(white(2), FULL, lay)
    assert along.near_lay and not plain.near_lay
    there = along.own_from_px(np.array([[100.0, 80.0], [100 + np.cos(lay), 80 + np.sin(lay)]]))
    step = there[1] - there[0]
    assert abs(step[1]) <= np.sin(np.deg2rad(1.0))  # so near to x it stays as it is
    np.testing.assert_allclose(along.own_from_px.inverse()(there[:1]), [[100.0, 80.0]], atol=1e-9)
    # a turn keeps the area, but for the border's pixels that are seen in part
    border = 2 * (SHAPE[0] + SHAPE[1])
    assert along.texture.area_px == pytest.approx(plain.texture.area_px, abs=2 * border)


def test_a_pixel_lies_where_it_was_before_the_turn():
    grey = np.zeros(SHAPE, np.float32)
    grey[120, 200] = 50.0
    _, along = looks_at(grey + white(3), FULL, np.deg2rad(40.0))
    row, column = np.unravel_index(int(np.argmax(along.texture.level)), along.texture.level.shape)
    at = along.own_from_px.inverse()(np.array([[column, row]], float))[0]
    np.testing.assert_allclose(at, [200, 120], atol=0.75)  # nearest pixel of a grid turned by 40°


def test_what_ends_add_follows_from_two_lengths():
    _, along = looks_at(white(4), FULL, 0.0)
    # variances 0.5 · (length + 40): by hand, unit² · length = 0.5 · 72 at 32 px and 0.5 · 552 at 512 px
    laws = tuple(
        Law(length_px=n, common=3.0, power=1.0, unit_std=np.sqrt(0.5 * (n + 40) / n)) for n in (32, 512)
    )
    object.__setattr__(along, "laws", laws)
    assert along.ends_px == pytest.approx(40.0)


@pytest.mark.parametrize(
    ("angle_deg", "bow_px"), [(-7.0, 0.0), (-7.0, 2.0), (3.0, 0.0), (6.0, 0.0), (6.0, 2.0)]
)
def test_a_scratch_along_long_streaks_is_found_from_end_to_end(angle_deg, bow_px):
    # streaks of 60 px (sigma): a filter of 64 px can't tell this scratch from them
    grey = TEXTURES["brushed"](np.random.default_rng([1, 1]), (600, 900))
    true = arc((450, 300), np.deg2rad(angle_deg), 200.0, bow_px)
    add_scratch(grey, true, 3.0)
    scan = find_lines(grey, np.ones(grey.shape, bool), lay_rad=0.0, false_finds=0.01)
    best = scan.lines[0]
    assert best.near_lay and best.tone == "bright"
    path = best.path.points_px if best.path.points_px[0, 0] < 450 else best.path.points_px[::-1]
    # 3 sigmas over 2 px stand out 3 · 0.8 / 0.9 times: two or three pixels tell an end
    np.testing.assert_allclose(path[[0, -1]], true[[0, -1]], atol=4.0)
    assert float(way_lengths(path)[-1]) == pytest.approx(200.0, abs=5.0)


def test_streaks_that_end_at_the_border_are_no_scratches():
    # what a long filter makes of a region's border would be found there
    found = 0
    for seed in range(4):
        grey = TEXTURES["brushed"](np.random.default_rng([2, seed]), (500, 700))
        mask = np.zeros(grey.shape, bool)
        mask[60:440, 90:610] = True
        scan = find_lines(grey, mask, lay_rad=0.0, false_finds=0.1)
        found += sum(line.near_lay for line in scan.lines)
    # 0.1 asked a field, near the lay a part of it: two in four fields come once in fifteen runs
    assert found <= 1


def test_a_short_region_has_a_shorter_filter():
    tall = brushed(5, (400, 160))
    _, along = looks_at(tall, np.ones(tall.shape, bool), 0.0)
    assert along.texture.power.shape == (64, 64)
    wide = brushed(5, (160, 700))
    _, along = looks_at(wide, np.ones(wide.shape, bool), 0.0)
    assert along.texture.power.shape == (64, 256)


def test_a_strong_line_is_of_one_tone_in_spite_of_its_ringing():
    grey = TEXTURES["satin"](np.random.default_rng([3, 1]), (500, 800)) + scratch(
        straight((300, 250), 4, 200), 6.0, shape=(500, 800)
    )
    [first, *_] = find_lines(grey, np.ones(grey.shape, bool), lay_rad=0.0, false_finds=0.01).lines
    assert first.tone == "bright"


def test_from_one_end_a_plain_line_is_followed_in_the_picture() -> None:
    grey = TEXTURES["satin"](np.random.default_rng([4, 2]), (400, 800))
    true = arc((400, 200), np.deg2rad(-4.0), 200.0)
    add_scratch(grey, true, 5.0)
    texture = texture_of(grey, np.ones(grey.shape, bool))
    part = Path(
        points_px=true[[0, 8, 16, 24]], length_px=24.0, ends_std_px=1.0, sigmas_per_px=1.0, covered=1.0
    )
    whole = stretched(texture, part, sign=1.0)
    # streaks of 25 px (sigma) may go on where the line ends
    np.testing.assert_allclose(whole.points_px[[0, -1]], true[[0, -1]], atol=25.0)
    assert whole.length_px == pytest.approx(200.0, abs=40.0)
    # nothing is seen of a dark one there
    assert stretched(texture, part, sign=-1.0) is part
