"""A texture taken out: nothing from outside the mask, and what white and drawn-out noise become."""

import numpy as np
import pytest
from drawn_scratches import brushed, scratch, straight, white
from scipy import fft

from grindcheck.finish.texture import PROFILE_PX, _mirrored, texture_of

WIDE = (512, 640)
EVERYWHERE = np.ones(WIDE, bool)


def test_nothing_outside_the_mask_counts():
    grey = white(1)
    y, x = np.mgrid[: grey.shape[0], : grey.shape[1]]
    mask = np.hypot((x - 200) / 170, (y - 140) / 110) < 1
    one = texture_of(grey, mask)
    other = texture_of(np.where(mask, grey, np.float32(3e4)).astype(np.float32), mask)
    np.testing.assert_array_equal(one.evidence, other.evidence)
    np.testing.assert_array_equal(one.power, other.power)
    assert not one.evidence[~mask].any() and not one.level[~mask].any()
    assert one.area_px == mask.sum()


@pytest.mark.parametrize(("factor", "shift"), [(40.0, 120.0), (0.003, -0.07)])
def test_unit_and_zero_of_brightness_are_of_no_account(factor, shift):
    grey = white(2)
    one = texture_of(grey, np.ones(grey.shape, bool))
    other = texture_of(np.float32(factor) * grey + np.float32(shift), np.ones(grey.shape, bool))
    # single precision carries 120 ± 40 and 0.07 ± 0.003 to 1e-5 of their scatter
    np.testing.assert_allclose(one.evidence, other.evidence, atol=1e-3)


def test_shading_is_light():
    grey = white(2)
    y, x = np.mgrid[: grey.shape[0], : grey.shape[1]]
    lit = grey * (1 + x / 400).astype(np.float32) + (30 * np.cos(y / 150)).astype(np.float32)
    mask = np.ones(grey.shape, bool)
    inner = np.s_[80:-80, 80:-80]  # the mean reaches over the border by three times 24 px
    one, other = (texture_of(picture, mask).evidence[inner].ravel() for picture in (grey, lit))
    # slope of the light inside a mean over 24 px: 10 % of brightness to and fro, and so 0.995 of correlation
    assert np.corrcoef(one, other)[0, 1] > 0.98


def test_white_noise_stays_white():
    found = texture_of(white(3, WIDE), EVERYWHERE)
    # mean over some 300 windows and nine frequencies: 4 % of scatter; shading below 24 px is taken out
    frequency = np.abs(np.fft.fftfreq(64))
    apart = np.hypot(frequency[:, None], frequency[None, :]) > 3 / 64
    assert abs(found.power[apart].mean() - 1) < 0.03
    assert found.power[apart].std() < 0.08
    # so the evidence is the noise seen through the thin line's profile alone, whose correlation at a distance
    # k is exp(−k² / 4σ²), and whose variance is 1 / (4 π σ²)
    inner = found.evidence[20:-20, 20:-20].astype(float)
    variance = np.mean(inner**2)
    assert variance == pytest.approx(1 / (4 * np.pi * PROFILE_PX**2), rel=0.04)
    for lag in (1, 2, 3, 5, 8):
        expected = np.exp(-(lag**2) / (4 * PROFILE_PX**2))
        for a, b in ((inner[:, lag:], inner[:, :-lag]), (inner[lag:], inner[:-lag])):
            assert np.mean(a * b) / variance == pytest.approx(expected, abs=0.02)  # 3e5 / 6 values, and 4 %


def test_a_known_texture_is_weighed_by_its_own_spectrum():
    # a circular texture of known power: the matched filter for a thin line is profile / power
    fy, fx = np.fft.fftfreq(WIDE[0])[:, None], np.fft.fftfreq(WIDE[1])[None, :]
    power = 0.3 + 6.0 * np.exp(-((fx / 0.08) ** 2) - (fy / 0.3) ** 2)
    noise = fft.fft2(white(4, WIDE))
    grey = fft.ifft2(noise * np.sqrt(power)).real
    ideal = fft.ifft2(noise * np.exp(-2 * (np.pi * PROFILE_PX) ** 2 * (fx**2 + fy**2)) / np.sqrt(power)).real
    found = texture_of(grey.astype(np.float32), EVERYWHERE)
    inner = np.s_[64:-64, 64:-64]
    # 4 % of scatter of the spectrum, its 1/64 of resolution, and the bound at 3.5 sigmas
    assert np.corrcoef(found.evidence[inner].ravel(), ideal[inner].ravel())[0, 1] > 0.97


def test_a_glint_counts_as_one_odd_pixel():
    for height in (30.0, 300.0):
        grey = white(5, WIDE)
        grey[250, 300] += height
        found = texture_of(grey, EVERYWHERE)
        # 3.5 sigmas of one pixel through a profile whose middle is 1 / (2 π σ²), and five sigmas of the noise
        most = 3.5 / (2 * np.pi * PROFILE_PX**2) + 5 / np.sqrt(4 * np.pi) / PROFILE_PX
        assert np.abs(found.evidence).max() < most


def test_scratches_don_t_pass_for_texture():
    grey = brushed(6, WIDE)
    clean = texture_of(grey, EVERYWHERE).power
    for angle in (35, 80, 120):
        grey = grey + scratch(straight((320, 100), angle, 280), 4.0, shape=WIDE)
    ratio = texture_of(grey, EVERYWHERE).power / clean
    # a line crosses about ten of 300 windows, which moves a median of exponential values by some 5 %; three
    # of them by 15 % where they share a frequency; the rest is the scatter of nine values
    assert np.quantile(ratio, 0.99) < 1.3
    assert np.median(ratio) == pytest.approx(1, abs=0.05)


def test_arrays_can_t_be_written():
    found = texture_of(white(7), np.ones((300, 420), bool))
    for array in (found.level, found.evidence, found.mask, found.power):
        assert not array.flags.writeable


def test_a_narrow_region_has_a_texture_too():
    mask = np.zeros((200, 300), bool)
    mask[90:104] = True
    found = texture_of(white(8, (200, 300)), mask)
    assert np.isfinite(found.evidence).all() and found.evidence[mask].std() > 0


def test_rows_go_on_as_their_mirror_image():
    mask = np.zeros((2, 12), bool)
    mask[0, 4:8] = True
    mask[1, [3, 4, 5, 9]] = True
    picture = np.array([[0, 0, 3, 4, 5, 6, 0, 0], [0, 2, 3, 4, 0, 0, 0, 8]], np.float32)
    # worked by hand: beside 3 4 5 6 in row 0, two columns are mirrored about the first and the last of them;
    # in row 1 there are 2 3 4 and, after a gap of three, 8, which has nothing behind it to mirror
    expected = [[0, 0, 5, 4, 3, 4, 5, 6, 5, 4, 0, 0], [0, 4, 3, 2, 3, 4, 3, 2, 0, 8, 0, 0]]
    np.testing.assert_array_equal(_mirrored(picture, mask, 2), expected)
