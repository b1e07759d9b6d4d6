"""A scratch followed from a bad guess, and its profile against the one that was drawn."""

import numpy as np
import pytest
from drawn_scratches import SHAPE, scratch, straight, white

from grindcheck.finish.texture import texture_of
from grindcheck.finish.trace import Path, follow, joined, profile_of, reach_px, sampled

EVERYWHERE = np.ones(SHAPE, bool)
UNIT = (
    0.6  # white noise through the thinnest line's profile: 1 / √(2 · 0.7 · √π) = 0.635, between pixels less
)
LINE = straight((110, 60), 38, 200)


def _texture(seed, *drawn):
    return texture_of(white(seed) + sum(drawn, np.zeros(SHAPE, np.float32)), EVERYWHERE)


def _moved(line, *, aside_px, share):
    """Return a part of a line, moved aside."""
    along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    middle = line.mean(axis=0) + aside_px * np.array([-along[1], along[0]])
    half = share * np.hypot(*(line[1] - line[0])) / 2 * along
    return middle - half, middle + half


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
@pytest.mark.parametrize(("aside_px", "share"), [(0.0, 1.0), (2.0, 0.4), (-2.0, 0.6), (1.0, 1.6)])
def test_ends_are_found_from_a_bad_guess(seed, aside_px, share):
    texture = _texture(seed, scratch(LINE, 2.0))
    start, end = _moved(LINE, aside_px=aside_px, share=share)
    path = follow(texture, start, end, sign=1.0, pair=False, unit_std=UNIT)
    assert path is not None
    off = np.hypot(*(path.points_px[[0, -1]] - LINE).T)
    assert off.max() < 4.0 * path.ends_std_px + 1.0  # four sigmas; half a step at either side
    assert path.ends_std_px < 2.0
    assert path.length_px == pytest.approx(200, abs=2 * (4.0 * path.ends_std_px + 1.0))
    assert path.covered > 0.95


def test_the_other_tone_is_not_followed():
    texture = _texture(5, scratch(LINE, 3.0))
    path = follow(texture, *LINE, sign=-1.0, pair=False, unit_std=UNIT)
    assert path is None or path.length_px < 100


def test_a_gap_is_told_by_what_is_covered():
    texture = _texture(6, scratch(LINE, 3.0, gaps=[(0.4, 0.6)]))
    path = follow(texture, *LINE, sign=1.0, pair=False, unit_std=UNIT)
    assert path is not None
    assert path.covered == pytest.approx(0.8, abs=0.04)  # as drawn; four ends to ± 2 px of 200


def test_points_can_t_be_written():
    path = follow(_texture(7, scratch(LINE, 3.0)), *LINE, sign=1.0, pair=False, unit_std=UNIT)
    assert path is not None and not path.points_px.flags.writeable


def test_contrast_and_width_of_a_drawn_profile():
    path = Path(
        points_px=LINE, length_px=200.0, ends_std_px=1.0, sigmas_per_px=2.0, covered=1.0
    )  # where it was drawn
    for width_px, told_px in ((2.0, 1.8), (4.0, 3.7), (6.0, 5.8)):
        texture = _texture(8, scratch(LINE, 3.0, width_px=width_px))
        profile = profile_of(texture, path, sign=1.0, pair=False)
        # half height of the box through lens and between pixels: 2.45, 4.05, 6.0 px; less 1.65 in squares.
        # The noise of both flanks: a tenth of the height, over a slope of a third a pixel
        assert profile.width_px == pytest.approx(told_px, abs=0.4)
        # the scratch itself adds to the scatter that it is measured in, up to a tenth
        assert 0.7 * 3 < profile.contrast < 1.05 * 3 + 3 * profile.contrast_std
        # 200 values of unit scatter; steps of half a pixel share pixels
        assert 0.5 / np.sqrt(200) < profile.contrast_std < 1.5 / np.sqrt(200)


def test_no_line_has_no_height_to_speak_of():
    path = Path(points_px=LINE, length_px=200.0, ends_std_px=1.0, sigmas_per_px=2.0, covered=1.0)
    profile = profile_of(_texture(9), path, sign=1.0, pair=False)
    assert abs(profile.contrast) < 5 * profile.contrast_std  # the largest of eight values


def test_evidence_reaches_as_far_as_a_wide_scratch():
    path = Path(points_px=LINE, length_px=200.0, ends_std_px=1.0, sigmas_per_px=2.0, covered=1.0)
    thin, wide = (
        reach_px(_texture(10, scratch(LINE, 3.0, width_px=width)), path, unit_std=UNIT)
        for width in (2.0, 12.0)
    )
    assert 1.0 <= thin <= 6.0
    # half of the width at least; the mean that is taken out as shading leaves a dark rim of 24 px
    assert 6.0 <= wide <= 25.0
    assert reach_px(_texture(11), path, unit_std=UNIT) == 0.0


def test_sampled_values_by_hand():
    ramp = np.add.outer(10.0 * np.arange(5), np.arange(8)).astype(np.float32)  # 10 y + x
    way = np.array([[2.0, 2.0], [3.5, 2.0]])
    normal = np.array([[0.0, 1.0], [0.0, 1.0]])  # right of a way along +x is down
    got = sampled(ramp, way, normal, np.array([-1.0, 0.0, 0.5]))
    np.testing.assert_allclose(got, [[12.0, 22.0, 27.0], [13.5, 23.5, 28.5]], atol=1e-4)
    # of a pair, one pixel right less one pixel left
    np.testing.assert_allclose(
        sampled(ramp, way, normal, np.zeros(1), pair=True), [[20.0], [20.0]], atol=1e-4
    )
    assert sampled(ramp, np.array([[-5.0, 2.0]]), normal[:1], np.zeros(1))[0, 0] == 0.0


def test_two_paths_joined():
    one = Path(points_px=np.array([[0.0, 0.0], [30.0, 0.0]]), length_px=30.0, ends_std_px=1.0,
               sigmas_per_px=1.0, covered=1.0)  # fmt: skip
    other = Path(points_px=np.array([[40.0, 0.0], [50.0, 0.0]]), length_px=10.0, ends_std_px=2.0,
                 sigmas_per_px=2.0, covered=0.5)  # fmt: skip
    both = joined(one, other, np.vstack([one.points_px, other.points_px]))
    assert both.length_px == 50.0
    assert both.covered == pytest.approx((30 + 5) / 50)
    assert both.sigmas_per_px == pytest.approx(0.75 * 1 + 0.25 * 2)
    assert both.ends_std_px == 2.0
