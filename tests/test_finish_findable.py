"""How small a scratch a picture would show, against sums over drawn lines."""

import numpy as np
import pytest
from drawn_scratches import white
from finish_textures import TEXTURES, add_scratch, arc

from grindcheck.finish.findable import ALONG_PX, CONTRAST, findable, line_response, line_sum
from grindcheck.finish.search import find_lines
from grindcheck.finish.texture import texture_of

FLAT = np.ones((64, 64))


def test_a_line_in_white_noise_by_hand() -> None:
    # power 1 everywhere: the filter is the profile's Gaussian (sigma 0.7 px) alone, and at the middle of a
    # bar of 2 px it gives erf(1 / (0.7 · √2)) = 0.8469 (tables of the error function)
    for angle in (0.0, 0.3, 1.2):
        assert line_response(FLAT, angle) == pytest.approx(0.8469, abs=0.01)
        assert line_sum(FLAT, angle, 200.0, 100.0) == pytest.approx(84.69, rel=0.02)


def test_twice_the_power_halves_the_answer() -> None:
    assert line_response(2 * FLAT, 0.5) == pytest.approx(line_response(FLAT, 0.5) / 2)
    assert line_sum(2 * FLAT, 0.5, 200.0, 64.0) == pytest.approx(line_sum(FLAT, 0.5, 200.0, 64.0) / 2)


@pytest.mark.parametrize("angle_deg", [4.0, 8.0])
def test_a_sum_along_the_lay_is_that_of_a_drawn_line(angle_deg: float) -> None:
    from grindcheck.finish.trace import sampled

    shape, length = (400, 700), 200.0
    clean = TEXTURES["satin"](np.random.default_rng([5, 1]), shape)
    path = arc((350, 200), np.deg2rad(angle_deg), length)
    drawn = clean.copy()
    add_scratch(drawn, path, 1.0)
    textures = [texture_of(grey, np.ones(shape, bool), block=(64, 256)) for grey in (clean, drawn)]
    normal = np.broadcast_to([-np.sin(np.deg2rad(angle_deg)), np.cos(np.deg2rad(angle_deg))], path.shape)
    sums = [sampled(one.evidence, path, normal, np.zeros(1), smooth=True).sum() for one in textures]
    told = line_sum(textures[0].power, np.deg2rad(angle_deg), length, length)
    # the filter's kernel is tapered, values lie between pixels and the level is measured locally
    assert sums[1] - sums[0] == pytest.approx(told, rel=0.35)


def test_half_the_noise_finds_shorter_ones() -> None:
    grey = white(3, (512, 512))
    scan = find_lines(grey, np.ones(grey.shape, bool), lay_rad=None, false_finds=1.0)
    limit = findable(scan)
    # white noise: 2 sigmas over n px stand out by 2 · 0.847 / 0.63 · √n; the shortest line has 32 px
    assert limit.length_px == pytest.approx(32 / 2 / 0.75)
    assert limit.along_contrast < CONTRAST


def test_nine_in_ten_of_that_contrast_are_found_along_a_satin_lay() -> None:
    shape = (700, 900)
    clean = TEXTURES["satin"](np.random.default_rng([6, 2]), shape)
    told = findable(find_lines(clean, np.ones(shape, bool), lay_rad=0.0, false_finds=1.0)).along_contrast
    found = 0
    for number in range(8):
        rng = np.random.default_rng([6, 3, number])
        grey = TEXTURES["satin"](rng, shape)
        path = arc((450, 350), np.deg2rad(rng.uniform(-9.5, 9.5)), ALONG_PX)
        add_scratch(grey, path, 2.0 * told)
        lines = find_lines(grey, np.ones(shape, bool), lay_rad=0.0, false_finds=1.0).lines
        found += any(np.hypot(*(line.path.points_px.mean(axis=0) - [450, 350])) < 110 for line in lines)
    # at twice what is told nearly all must be found; the limit itself is known to within that factor
    assert found >= 7
