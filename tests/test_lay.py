"""Lay and brightness of drawn textures."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from grindcheck.geometry import Array, frozen
from grindcheck.lay import lay_of
from grindcheck.rectify import Face, Plane

STEP_MM = 0.08
SHAPE = (181, 240)  # odd by even: the average is worked out at half the size


def face_of(level: Array, step_mm: float = STEP_MM) -> Face:
    plane = Plane(
        origin_mm=frozen([0.0, 0.0]), axes=frozen(np.eye(2)), x_min_mm=0.0, y_max_mm=10.0, step_mm=step_mm,
        shape=SHAPE, height_mm=4.0,
    )  # fmt: skip
    linear = np.repeat(level[:, :, None], 3, axis=2).astype(np.float32)
    return Face(plane=plane, linear=linear, inside=np.ones(SHAPE, dtype=np.bool_))


def stripes(*, across: bool, period_px: float = 6.0) -> Array:
    y, x = np.indices(SHAPE)
    return np.asarray(0.4 * np.exp(0.1 * np.sin(2 * np.pi * (x if across else y) / period_px)))


def inner(picture: Array) -> Array:
    """Without the border, where averages are cut off: three times 0.6 mm."""
    return picture[24:-24, 24:-24]


@pytest.mark.parametrize(("across", "expected"), [(False, -1.0), (True, 1.0)])
def test_stripes_along_and_across(across: bool, expected: float) -> None:
    lay = lay_of(face_of(stripes(across=across)))
    # one derivative is zero by definition
    assert np.allclose(inner(lay.across), expected, atol=1e-4)


def test_noise_has_no_lay() -> None:
    rng = np.random.default_rng(4)
    lay = lay_of(face_of(0.4 * np.exp(0.05 * rng.normal(size=SHAPE))))
    # both derivatives alike: zero in the mean; a place's own value scatters by the few independent looks in
    # the average (0.6 mm over lines of 0.12 mm: some 4 π (0.6/0.12)² / 4 = 80, so about 1/sqrt(80) = 0.11)
    assert abs(float(inner(lay.across).mean())) < 0.05
    assert float(inner(lay.across).std()) < 0.3


def test_brightness_is_the_logarithm() -> None:
    lay = lay_of(face_of(np.full(SHAPE, 0.25)))
    assert np.allclose(lay.brightness, np.log(0.25), atol=1e-6)
    assert np.allclose(lay.across, 0.0)
    black = lay_of(face_of(np.zeros(SHAPE)))
    assert np.allclose(black.brightness, np.log(0.004), atol=1e-5)  # the floor that noise needs


def test_light_alone_is_no_lay() -> None:
    """Twice the light on the same texture: a logarithm's derivative stays."""
    one, other = (lay_of(face_of(k * stripes(across=True))) for k in (1.0, 0.5))
    assert np.allclose(inner(one.energy_x), inner(other.energy_x), rtol=1e-3)


@pytest.mark.parametrize("step_mm", [0.08, 0.2])
def test_same_as_the_plain_way(step_mm: float) -> None:
    """The diagonal of the structure tensor by SciPy, in double precision, at full size."""
    rng = np.random.default_rng(8)
    texture = gaussian_filter(rng.normal(size=SHAPE), (1.0, 4.0)) * 0.5
    lay = lay_of(face_of(0.4 * np.exp(texture), step_mm))
    sigma = max(0.12 / step_mm, 0.8)
    smooth = gaussian_filter(texture + np.log(0.4), sigma)
    # Sobel with scale 1/8 is the central difference smoothed by (1, 2, 1)/4 across
    slopes = [np.gradient(smooth, axis=axis) for axis in (1, 0)]
    weights = np.array([0.25, 0.5, 0.25])
    for axis, (slope, energy) in enumerate(zip(slopes, (lay.energy_x, lay.energy_y), strict=True)):
        smoothed = np.apply_along_axis(np.convolve, axis, slope, weights, mode="same")
        plain = gaussian_filter(smoothed**2, 0.6 / step_mm)
        # halving a picture that is then averaged over 7 pixels leaves its average within a few per cent
        assert np.allclose(inner(energy), inner(plain), rtol=0.05)


def test_upside_down() -> None:
    lay = lay_of(face_of(stripes(across=True) + np.linspace(0, 0.2, SHAPE[0])[:, None]))
    turned = lay.upside_down()
    assert np.array_equal(turned.across, lay.across[::-1])
    assert np.array_equal(turned.brightness, lay.brightness[::-1])
