"""Scratches of known place: ends, length, contrast, width and tone; and what is none."""

import cv2
import numpy as np
import pytest
from drawn_scratches import SHAPE, brushed, scratch, straight, white

from grindcheck.errors import InputError
from grindcheck.finish.scan import find_scratches
from grindcheck.finish.search import _mark, find_lines

LINE = straight((110, 60), 38, 200)
EVERYWHERE = np.ones(SHAPE, bool)
ENDS_PX = 4.0  # an end is told by single pixels of twice their noise: a few of them, three sigmas


def _lines(grey, *, mask=EVERYWHERE, lay_rad=None):
    # so sure that none of these few pictures has a false find
    return find_lines(grey.astype(np.float32), mask, lay_rad=lay_rad, false_finds=0.01).lines


def _ends_off(path, points):
    """Larger distance between the ends of both, whichever way they run."""
    ends = np.asarray(path)[[0, -1]]
    return min(np.hypot(*(ends[order] - points[[0, -1]]).T).max() for order in ([0, 1], [1, 0]))


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("angle_deg", [38.0, 75.0, 128.0])
def test_a_straight_scratch(seed, sign, angle_deg):
    line = straight((110, 60) if angle_deg < 90 else (310, 70), angle_deg, 200)
    [found] = _lines(white(seed) + scratch(line, 2.0 * sign))
    assert _ends_off(found.path.points_px, line) < ENDS_PX
    assert found.path.length_px == pytest.approx(200, abs=2 * ENDS_PX)
    assert found.tone == ("bright" if sign > 0 else "dark")
    # a box 2 px wide through a lens of 0.7 px is 0.85 of its height in the middle (erf(1 / 0.7√2)), and
    # between the picture's pixels 0.9 of that; three sigmas of the profile
    assert found.profile.contrast * sign == pytest.approx(
        2.0 * 0.85 * 0.9, abs=0.15 + 3 * found.profile.contrast_std
    )
    assert np.sign(found.sigmas) == sign
    assert found.log_nfa < -3


@pytest.mark.parametrize("angle_deg", [40.0, 90.0, 130.0])
def test_across_a_lay(angle_deg):
    line = straight((200, 70), angle_deg, 150)
    [found] = _lines(brushed(4) + scratch(line, 1.5), lay_rad=0.0)
    assert _ends_off(found.path.points_px, line) < ENDS_PX
    assert not found.near_lay and found.tone == "bright"


@pytest.mark.parametrize("width_px", [1.0, 2.0, 3.0, 4.0, 6.0])
def test_width_where_it_is_wider_than_the_pixel(width_px):
    [found] = _lines(white(5) + scratch(LINE, 3.0, width_px=width_px))
    # half height of a blurred box is as wide as the box; the thinnest line's own width, 1.65 px, is taken out
    # in squares: √(3² − 1.65²) = 2.5. Half a pixel for the noise of both flanks and the picture's own pixel
    seen = np.sqrt(max(max(width_px, 1.65) ** 2 - 1.65**2, 0.0))
    assert found.profile.width_px <= width_px + 0.5
    assert found.profile.width_px >= seen - 0.5


@pytest.mark.parametrize("angle_deg", [20.0, 70.0, 110.0, 160.0])
@pytest.mark.parametrize("width_px", [2.0, 4.0])
def test_a_pair_is_one_scratch_of_two_tones(angle_deg, width_px):
    half = straight((0, 0), angle_deg, 90)[1]
    line = np.array([210.0, 150.0]) + np.array([-half, half])
    [found] = _lines(white(6) + scratch(line, 3.0, width_px=width_px, pair=True))
    assert found.tone == "bright and dark"
    assert _ends_off(found.path.points_px, line) < 2 * ENDS_PX  # half of its evidence cancels in the lens
    off = (found.path.points_px - [210, 150]) @ np.array([-half[1], half[0]]) / 90
    assert np.abs(off).max() < 1.0  # along the middle, where bright turns to dark, not along one half


def test_a_curved_scratch_is_followed():
    turn = np.linspace(-0.2, 0.2, 80)
    arc = np.column_stack([210 + 700 * np.sin(turn), 100 + 700 * (1 - np.cos(turn))])  # 280 px, 14 px deep
    [found] = _lines(white(8) + scratch(arc, 2.0))
    assert _ends_off(found.path.points_px, arc) < ENDS_PX
    away = np.hypot(*(found.path.points_px - [210, 800]).T) - 700
    assert np.abs(away).max() < 1.5  # half its width and a half for the noise
    assert found.path.length_px == pytest.approx(280, abs=2 * ENDS_PX)


def test_a_gap_is_bridged():
    line = straight((60, 80), 30, 300)
    [found] = _lines(white(9) + scratch(line, 2.0, gaps=[(0.4, 0.55)]))
    assert _ends_off(found.path.points_px, line) < ENDS_PX
    assert found.path.covered == pytest.approx(0.85, abs=0.05)  # as drawn; ± ENDS_PX at four ends of 300


def test_two_that_cross_are_two():
    one, other = straight((80, 60), 30, 260), straight((80, 220), -35, 260)
    found = _lines(white(10) + scratch(one, 2.0) + scratch(other, 2.0))
    assert len(found) == 2
    for line in (one, other):
        assert min(_ends_off(known.path.points_px, line) for known in found) < ENDS_PX


def test_two_side_by_side_are_two():
    one, other = straight((80, 100), 30, 220), straight((60, 140), 30, 220)  # 45 px apart
    found = _lines(white(11) + scratch(one, 2.0) + scratch(other, 2.0))
    assert len(found) == 2
    for line in (one, other):
        assert min(_ends_off(known.path.points_px, line) for known in found) < ENDS_PX


def test_only_the_mask_is_searched():
    mask = np.zeros(SHAPE, bool)
    mask[:, :200] = True
    outside, across = straight((260, 40), 70, 200), straight((60, 150), 0, 300)
    [found] = _lines(white(12) + scratch(outside, 4.0) + scratch(across, 3.0), mask=mask)
    cut = np.array([[60.0, 150.0], [199.0, 150.0]])
    # evidence fades over 6 px at the mask's border
    assert _ends_off(found.path.points_px, cut) < ENDS_PX + 6.0


@pytest.mark.parametrize("seed", range(4))
def test_pure_texture_has_no_scratch_to_speak_of(seed):
    # one false find in a hundred fields is asked for, so eight have none
    for grey, lay_rad in ((white(30 + seed), None), (brushed(30 + seed), 0.0)):
        assert not find_lines(grey, EVERYWHERE, lay_rad=lay_rad, false_finds=0.01).lines


def test_specks_are_no_scratches():
    grey = white(13)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    for at_x, at_y in np.random.default_rng(14).uniform((30, 30), (390, 270), (12, 2)):
        grey = grey + 8 * np.exp(-((x - at_x) ** 2 + (y - at_y) ** 2) / (2 * 2.0**2)).astype(np.float32)
    assert not _lines(grey)


def test_a_rim_along_the_border_is_no_scratch():
    mask = np.zeros(SHAPE, bool)
    mask[40:260] = True
    rim = scratch(straight((20, 44), 0, 380), 3.0)
    assert not _lines(white(15) + rim, mask=mask)
    # one that leaves the border is one
    assert len(_lines(white(15) + scratch(straight((60, 44), 25, 300), 3.0), mask=mask)) == 1


def test_plain_array_function():
    steel = 100 + 5 * (white(16) + scratch(LINE, 2.5, width_px=3.0))
    [found] = find_scratches(steel, mm_per_px=0.05, false_finds=0.01)
    assert set(found) == {
        "path_px", "length_px", "width_px", "contrast", "tone", "near_lay", "log_nfa",
        "length_mm", "width_mm",
    }  # fmt: skip
    assert found["length_mm"] == pytest.approx(0.05 * found["length_px"])
    assert found["width_mm"] == pytest.approx(0.05 * found["width_px"])
    assert _ends_off(found["path_px"], LINE) < ENDS_PX
    [same] = find_scratches(steel, false_finds=0.01)
    assert "length_mm" not in same and same["length_px"] == found["length_px"]


def test_holes_in_the_numbers_are_left_out():
    steel = white(17) + scratch(LINE, 2.5)
    steel[200:, 300:] = np.nan
    [found] = find_scratches(steel, false_finds=0.01)
    assert _ends_off(found["path_px"], LINE) < ENDS_PX


@pytest.mark.parametrize(
    ("change", "error", "message"),
    [
        ({"grey": np.zeros(100)}, ValueError, "grey must have two axes"),
        ({"grey": np.zeros((100, 100, 3))}, ValueError, "grey must have two axes"),
        ({"mask": np.ones((99, 120), bool)}, ValueError, r"mask must have the shape of grey, \(100, 120\)"),
        ({"mm_per_px": 0.0}, ValueError, "mm_per_px must be positive; it is 0.0"),
        ({"mm_per_px": float("nan")}, ValueError, "mm_per_px must be positive; it is nan"),
        ({"false_finds": 0.0}, ValueError, "false_finds must be positive; it is 0.0"),
        ({"grey": white(1, (40, 200)), "lay_rad": 0.0}, InputError, "200 × 40 pixels"),
        ({"mask": np.zeros((100, 120), bool)}, InputError, "0 of them in the region"),
    ],
)
def test_bad_input(change, error, message):
    with pytest.raises(error, match=message):
        find_scratches(**({"grey": white(1, (100, 120))} | change))


@pytest.mark.parametrize("level", [0.0, 255.0])
def test_an_even_picture_has_nothing(level):
    assert find_scratches(np.full((100, 140), level), lay_rad=0.0) == ()


@pytest.mark.parametrize("ends", [((40, 50), (90, 20)), ((0, 99), (35, 60)), ((7, 0), (7, 0))])
def test_a_try_is_marked_as_on_a_whole_picture(ends):
    places = np.rint(np.linspace(*ends, 9)).astype(np.intp)
    low, high = places.min(axis=0), places.max(axis=0) + 1
    line = cv2.line(np.zeros((100, 120), np.uint8), ends[0], ends[1], 1, 3)
    expected = np.zeros_like(line)
    expected[low[1] : high[1], low[0] : high[0]] = line[low[1] : high[1], low[0] : high[0]]
    tried = np.zeros_like(line)
    _mark(tried, places)
    np.testing.assert_array_equal(tried, expected)
