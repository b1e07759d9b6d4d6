"""Things on the bench of truth pictures: dirt on the mat, round bodies; figures by hand."""

import sys
from pathlib import Path

import numpy as np
import pytest

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent / "sample_images")]

import bodies  # noqa: E402
import dirt  # noqa: E402

SHAPE = (130 * dirt.PER_MM // 2, 100 * dirt.PER_MM)  # 65 by 100 mm
CLEAN = {"seed": 4, "dust_per_cm2": 0.0, "haze": 0.0, "smears": 0, "prints": 0}


def test_a_clean_mat_stays_as_printed():
    oil, dust = dirt.soil(SHAPE, CLEAN)
    level = np.full(SHAPE, 0.78, np.float32)
    np.testing.assert_array_equal(dirt.soiled(level, oil, dust), level)


def test_dirt_by_hand():
    """A quarter under dust of 0.08, the rest at 0.8 of its light; the field's three channels each so."""
    oil, dust = np.full((1, 1), 0.8, np.float32), np.full((1, 1), 0.25, np.float32)
    grey = dirt.soiled(np.full((1, 1), 0.78, np.float32), oil, dust)
    assert grey[0, 0] == pytest.approx(0.78 * 0.8 * 0.75 + 0.08 * 0.25)
    field = dirt.soiled(np.array([[[0.7, 0.1, 0.4]]], np.float32), oil, dust)
    assert field[0, 0] == pytest.approx(
        np.array([0.7, 0.1, 0.4]) * 0.6 + np.array([0.085, 0.08, 0.075]) * 0.25
    )


def test_dust_covers_what_its_grains_are_wide():
    """The density of grains times the area of each as drawn, 3 π s² with s = diameter / 2.5.

    Poisson: 65 grains a kind at least give 12 % of scatter; what runs off at 0.95 takes a little away.
    """
    _, dust = dirt.soil(SHAPE, CLEAN | {"dust_per_cm2": 40.0})
    area = {0.1: 0.72, 0.2: 0.2, 0.4: 0.08}
    told = 40 / 100 * sum(share * 3 * np.pi * (wide / 2.5) ** 2 for wide, share in area.items())
    assert 0.5 * told < dust.mean() < 1.15 * told
    assert dust.max() <= 0.95


def test_haze_is_the_share_on_average():
    """Without grains: clouds about 1, of which the rare ones above 3 are cut."""
    _, dust = dirt.soil(SHAPE, CLEAN | {"haze": 0.1})
    assert dust.mean() == pytest.approx(0.1, rel=0.1)
    assert dust.std() > 0.02


def test_prints_have_ridges_half_a_millimetre_apart():
    """The strongest wave of a print's darkening, all directions together, lies at 1 / 0.48 mm."""
    shape = (100 * dirt.PER_MM, 100 * dirt.PER_MM)
    oil, _ = dirt.soil(shape, CLEAN | {"prints": 12})
    one, _ = dirt.soil(shape, CLEAN | {"prints": 1})
    assert 0.55 <= one.min() <= 0.8 and one.max() == 1  # it takes at most 0.2 to 0.45
    power = np.abs(np.fft.rfft2(1 - oil)) ** 2
    fy, fx = np.fft.fftfreq(shape[0], 1 / dirt.PER_MM)[:, None], np.fft.rfftfreq(shape[1], 1 / dirt.PER_MM)
    waves = np.hypot(fy, fx)
    bins = np.arange(1.0, 5.0, 0.1)
    by_wave = [power[(waves >= low) & (waves < low + 0.1)].sum() for low in bins]
    assert bins[int(np.argmax(by_wave))] == pytest.approx(1 / 0.48, abs=0.6)  # bent and squeezed aside


def test_smears_darken_and_dirt_is_the_same_each_time():
    marks = CLEAN | {"smears": 1}
    oil, _ = dirt.soil(SHAPE, marks)
    assert 1 - 0.3 * 1.4 <= oil.min() < 0.9  # the deepest stripe of the strongest smear
    assert 0.02 < np.mean(oil < 0.97) < 0.9
    np.testing.assert_array_equal(dirt.soil(SHAPE, marks)[0], oil)
    assert np.any(dirt.soil(SHAPE, marks | {"seed": 5})[0] != oil)


def test_middle_of_a_sheet():
    sheet = np.arange(24 * 36).reshape(24, 36)
    np.testing.assert_array_equal(dirt.middle(sheet, (1.0, 0.5)), sheet[9:15, 12:24])


def test_magnet_is_an_upright_cylinder():
    magnet = {"kind": "magnet", "x_mm": 10.0, "y_mm": -5.0, "z_mm": 4.0, "radius_mm": 8.0, "height_mm": 6.0}
    side, edge, lid = bodies.shell(magnet)
    away = np.hypot(side[..., 0] - 10, side[..., 1] + 5)
    np.testing.assert_allclose(away, 8)
    assert (side[..., 2].min(), lid[..., 2].max()) == (4, 10)
    np.testing.assert_array_equal(side[1], edge[0])
    np.testing.assert_array_equal(edge[1], lid[0])
    np.testing.assert_allclose(lid[1], np.tile([10, -5, 10], (len(lid[1]), 1)))


def test_finger_lies_on_its_pad_and_rises_to_the_hand():
    """Towards +y, level: an ellipsoid 1.25 radii long, then a cylinder, 0.85 as high as wide."""
    finger = {"kind": "finger", "x_mm": 0.0, "y_mm": 0.0, "z_mm": 4.0, "radius_mm": 8.0, "length_mm": 100.0,
              "angle_deg": 90.0, "rise_deg": 0.0}  # fmt: skip
    (points,) = bodies.shell(finger)
    x, y, z = points.reshape(-1, 3).T
    assert y.min() == pytest.approx(-10) and y.max() == pytest.approx(100)
    round_end = y < 0
    level = z[y > 99].mean()
    size = (x / 8) ** 2 + (y / 10) ** 2 + ((z - level) / (0.85 * 8)) ** 2
    np.testing.assert_allclose(size[round_end], 1, atol=0.01)
    assert z.min() == pytest.approx(4 - 0.3)
    (raised,) = bodies.shell(finger | {"rise_deg": 30.0})
    assert raised[-1, :, 2].mean() - raised[23, :, 2].mean() == pytest.approx(100 * 0.5, abs=0.1)
    assert raised[..., 2].min() == pytest.approx(4 - 0.3)
