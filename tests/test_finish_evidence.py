"""What stands out: every direction, both tones, pairs by their side, and the promise of few false finds."""

import numpy as np
import pytest
from drawn_scratches import SHAPE, brushed, scratch, straight, white

from grindcheck.finish.directions import Directions
from grindcheck.finish.evidence import pieces_of
from grindcheck.finish.tail import threshold
from grindcheck.finish.texture import texture_of
from grindcheck.finish.trace import sampled

MIDDLE = np.array([210.0, 150.0])


def _pieces(grey, *, mask=None, lay_rad=None, least=5.0):
    where = np.ones(grey.shape, bool) if mask is None else mask
    return pieces_of(texture_of(grey, where), Directions(lay_rad=lay_rad), least_sigmas=least)[0]


def _through_the_middle(angle_deg, length_px=160.0):
    half = straight((0, 0), angle_deg, length_px / 2)[1]
    return np.array([MIDDLE - half, MIDDLE + half])


def _angle_deg(pieces, number=0):
    x, y = pieces.end_px[number] - pieces.start_px[number]
    return np.degrees(np.arctan2(y, x)) % 180


@pytest.mark.parametrize("angle_deg", np.arange(0.0, 180.0, 15.0))
def test_a_line_of_any_direction_is_the_strongest(angle_deg):
    found = _pieces(white(1) + scratch(_through_the_middle(angle_deg), 2.0))
    found = found.subset(~found.pair)  # either border of a line is a pair too
    away = (_angle_deg(found) - angle_deg + 90) % 180 - 90
    assert abs(away) < 2.0  # from corner to corner of a line 2 px wide over 64 px
    assert (
        found.sigmas[0] > 8
    )  # 2 sigmas over 160 px through the profile: about 2 · 0.65 · √128 / 0.63 · 0.75
    along = found.end_px[0] - found.start_px[0]
    along /= np.hypot(*along)
    off = (found.start_px[0] - MIDDLE) @ np.array([-along[1], along[0]])
    assert abs(off) < 3.0  # half the width and what 2° make of a half length of 60 px


def test_a_dark_line_is_negative():
    assert _pieces(white(2) + scratch(_through_the_middle(30), -2.0)).sigmas[0] < -8


@pytest.mark.parametrize("angle_deg", [20.0, 70.0, 110.0, 160.0])  # one in each of the four turns
def test_a_pair_is_positive_with_its_bright_side_on_the_right(angle_deg):
    line = _through_the_middle(angle_deg)
    found = _pieces(white(3) + scratch(line, 3.0, width_px=4.0, pair=True))
    assert found.pair[0]
    along = found.end_px[0] - found.start_px[0]
    same_way = np.sign(along @ (line[1] - line[0]))  # drawn with the bright half on the right
    assert np.sign(found.sigmas[0]) == same_way


@pytest.mark.parametrize("angle_deg", [0.0, 25.0, 45.0, 110.0])
def test_unit_std_is_what_sums_along_a_direction_scatter(angle_deg):
    shape = (700, 800)
    texture = texture_of(white(4, shape), np.ones(shape, bool))
    pieces, _ = pieces_of(texture, Directions(lay_rad=None), least_sigmas=4.2)
    direction = np.degrees(np.arctan2(*(pieces.end_px - pieces.start_px).T[::-1])) % 180
    near = ~pieces.pair & (np.abs((direction - angle_deg + 90) % 180 - 90) < 8)
    assert near.sum() > 2
    along = straight((0, 0), angle_deg, 1.0)[1]
    way = np.array([400.0, 350.0]) + np.arange(-50, 50)[:, None] * along
    normal = np.broadcast_to([-along[1], along[0]], way.shape)
    # a thousand parallels beside each other and behind each other
    sums = np.concatenate(
        [
            sampled(texture.evidence, way + shift * along, normal, np.arange(-200.0, 200.0, 2)).sum(axis=0)
            for shift in np.arange(-100.0, 101.0, 20.0)
        ]
    )
    # a sum of whole pixels against one of values in between, smoother by up to 10 %; on the halved
    # picture means of two pixels, 10 % less; single slopes have few long lines, so the middle is asked
    assert np.median(pieces.unit_std[near]) == pytest.approx(sums.std() / 10, rel=0.15)


@pytest.mark.parametrize("lay_deg", [0.0, 70.0])
def test_with_a_lay_only_what_crosses_it_by_ten_degrees_is_looked_for(lay_deg):
    grey = white(6)
    for off in (-15.0, -5.0, 5.0, 15.0):
        grey = grey + scratch(_through_the_middle(lay_deg + off, 220.0), 2.0)
    found = _pieces(grey, lay_rad=np.deg2rad(lay_deg))
    angle = np.array([_angle_deg(found, number) for number in range(len(found))])
    away = np.abs((angle - lay_deg + 90) % 180 - 90)
    assert len(found) and away.min() >= 10.0


@pytest.mark.parametrize("angle_deg", [-8.0, -3.0, 0.0, 5.0])
def test_near_the_lay_a_line_lies_where_it_was_drawn(angle_deg):
    line = _through_the_middle(angle_deg)
    texture = texture_of(white(9) + scratch(line, 2.0), np.ones(SHAPE, bool))
    found, laws = pieces_of(texture, Directions(lay_rad=0.0, near=True), least_sigmas=5.0)
    away = (_angle_deg(found) - angle_deg + 90) % 180 - 90
    assert abs(away) < 2.0  # as for any direction
    along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    off = (0.5 * (found.start_px[0] + found.end_px[0]) - MIDDLE) @ np.array([-along[1], along[0]])
    assert abs(off) < 1.0  # half of the width
    # on white noise there is no lay to take out: the unit is that of any direction
    plain = pieces_of(texture, Directions(lay_rad=None), least_sigmas=5.0)[1]
    assert laws[1].unit_std == pytest.approx(plain[1].unit_std, rel=0.1)


def test_pieces_keep_to_the_mask():
    mask = np.zeros(SHAPE, bool)
    mask[60:240, 50:200] = True
    line = scratch(straight((20, 150), 0, 380), 3.0)
    found = _pieces(white(7) + line, mask=mask)
    assert len(found)
    steps = np.linspace(0, 1, 200)[:, None]
    for start, end in zip(found.start_px, found.end_px, strict=True):
        way = np.rint(start + steps * (end - start)).astype(int)
        inside = np.all((way >= 0) & (way < [SHAPE[1], SHAPE[0]]), axis=1)
        way = way[inside]
        # seven tenths of its rows, known to a quarter of the resolution
        assert mask[way[:, 1], way[:, 0]].sum() / 200 > 0.65


@pytest.mark.parametrize("shape", [(120, 400), (300, 420)])
def test_a_texture_with_a_lay_gives_no_pieces_in_a_small_region(shape):
    # fields of pure texture; at 6.5 sigmas one in some thousand shows a piece
    for seed in range(4):
        assert not len(_pieces(brushed(20 + seed, shape), lay_rad=0.0, least=6.5))


def test_scratches_don_t_hide_each_other():
    # eight parallel ones: their own direction's law is learnt from its neighbours
    grey = white(8)
    for row in range(8):
        grey = grey + scratch(straight((60, 20 + 30 * row), 12, 280), 2.5)
    assert _pieces(grey).sigmas[0] > threshold(grey.size, 1.0)
