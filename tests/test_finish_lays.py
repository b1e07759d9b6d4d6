"""The lay of a region: known directions, other ways to measure them, no influence from outside the region."""

import cv2
import numpy as np
import pytest

from grindcheck.errors import InputError
from grindcheck.finish.lays import region_lay

SHAPE = (160, 412)


def lines(deg, rng, *, shape=SHAPE, long_px=40.0, wide_px=0.8):
    """Noise drawn out along a direction (degrees, y up) by a Gaussian of known shape, unit variance."""
    pad = 64
    fx = np.fft.fftfreq(shape[1] + 2 * pad)[None, :]
    fy = np.fft.fftfreq(shape[0] + 2 * pad)[:, None]
    lean = np.deg2rad(-deg)
    along, aside = fx * np.cos(lean) + fy * np.sin(lean), fy * np.cos(lean) - fx * np.sin(lean)
    gain = np.exp(-2 * np.pi**2 * ((long_px * along) ** 2 + (wide_px * aside) ** 2))
    white = rng.normal(size=(shape[0] + 2 * pad, shape[1] + 2 * pad))
    drawn = np.fft.ifft2(np.fft.fft2(white) * gain).real[pad:-pad, pad:-pad]
    return (drawn / drawn.std()).astype(np.float32)


def grains(rng, *, shape=SHAPE, size_px=1.2):
    """Return a surface without lay."""
    smooth = cv2.GaussianBlur(rng.normal(size=shape), (0, 0), size_px)
    return (smooth / smooth.std()).astype(np.float32)


def lit(deg, rng, *, size_px=1.5):
    """Return the same in raking light from a direction: brightness goes with the slope towards the lamp."""
    down, across = np.gradient(grains(rng, size_px=size_px))
    slope = across * np.cos(np.deg2rad(deg)) + down * np.sin(np.deg2rad(deg))
    return (slope / slope.std()).astype(np.float32)


def short_lines(rng):
    """Lines of 6 to 24 px in all directions, as tumbling leaves."""
    out = np.zeros(SHAPE)
    for _ in range(1200):
        start, turn, length = rng.uniform((0, 0), SHAPE), rng.uniform(0, np.pi), rng.uniform(6, 24)
        at = np.arange(0, length, 0.5)[:, None] * np.array([np.sin(turn), np.cos(turn)]) + start
        row, column = np.clip(at.astype(int), 0, np.array(SHAPE) - 1).T
        out[row, column] += rng.normal()
    return grains_of(out)


def grains_of(picture):
    smooth = cv2.GaussianBlur(picture, (0, 0), 0.8)
    return (smooth / smooth.std()).astype(np.float32)


def about(kind, centre, rng):
    """Lines around a centre, or away from it."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]] - np.array(centre)[::-1, None, None]
    at = np.hypot(x, y) if kind == "C" else np.arctan2(y, x) % (2 * np.pi) * 1200 / (2 * np.pi)
    rough = np.convolve(rng.normal(size=2010), np.ones(3) / 3, "same")
    return (np.interp(at, np.arange(2010), rough) + 0.1 * rng.normal(size=SHAPE)).astype(np.float32)


def off_deg(found, deg):
    return (np.rad2deg(found) - deg + 90) % 180 - 90


def everywhere(picture):
    return np.ones(picture.shape, dtype=bool)


@pytest.mark.parametrize("deg", [0, 3, 17, 45, 88, -30])
def test_direction_of_strong_lays(deg) -> None:
    # 0.4°: five times the std of 0.07° that such a field is told with
    found = region_lay(lines(deg, np.random.default_rng(deg + 50)), np.ones(SHAPE, bool))
    assert abs(off_deg(found.direction_rad, deg)) < 0.4
    assert found.strength > 0.98 and np.rad2deg(found.direction_std) < 0.2


def test_std_is_honest() -> None:
    # rms of 60 normal z lies within 1 ± 0.27 in 99.7 % of cases; another 0.1 for the std's own error
    z = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        deg = rng.uniform(-80, 80)
        long_px, noise = ((40.0, 0.3), (15.0, 0.5), (25.0, 0.0))[seed % 3]
        picture = lines(deg, rng, long_px=long_px) + noise * rng.normal(size=SHAPE).astype(np.float32)
        found = region_lay(picture, everywhere(picture))
        z.append(off_deg(found.direction_rad, deg) / np.rad2deg(found.direction_std))
    assert 0.63 < np.sqrt(np.mean(np.square(z))) < 1.37


@pytest.mark.parametrize("deg", [12, 75, -40])
def test_against_scikit_image(deg) -> None:
    # another implementation of the tensor, summed over the same picture without weights or noise floor
    feature = pytest.importorskip("skimage.feature")
    # smooth, since only then Sobel's slopes are alike in all directions: wrong by ω²/24 = 0.4° at ω = 0.4
    picture = cv2.GaussianBlur(lines(deg, np.random.default_rng(7)), (0, 0), 2.5)
    rows, mixed, columns = feature.structure_tensor(picture, sigma=4.0, order="rc")
    rows, mixed, columns = (part[10:-10, 10:-10].sum() for part in (rows, mixed, columns))
    gradient = 0.5 * np.arctan2(2 * mixed, columns - rows)
    expected = -np.rad2deg(gradient) - 90.0
    assert abs(off_deg(region_lay(picture, everywhere(picture)).direction_rad, expected)) < 0.4


@pytest.mark.parametrize("deg", [12, 75, -40])
def test_against_the_spectrum(deg) -> None:
    # the power's own principal axis lies square to the lines
    picture = lines(deg, np.random.default_rng(8), shape=(256, 256))
    window = np.outer(np.hanning(256), np.hanning(256))
    power = np.abs(np.fft.fft2(picture * window)) ** 2
    f = np.fft.fftfreq(256)
    fx, fy = np.meshgrid(f, f)
    power[np.hypot(fx, fy) > 0.4] = 0
    second = np.array([[(power * a * b).sum() for a in (fx, fy)] for b in (fx, fy)])
    axis = np.linalg.eigh(second)[1][:, 1]
    expected = -np.rad2deg(np.arctan2(axis[1], axis[0])) - 90.0
    # each is known to about 0.1°
    assert abs(off_deg(region_lay(picture, everywhere(picture)).direction_rad, expected)) < 0.5


def test_nothing_from_outside_counts() -> None:
    rng = np.random.default_rng(3)
    picture = lines(10, rng)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    mask = np.abs(y - 80 - 20 * np.sin(x / 60)) < 45
    spoilt = [np.where(mask, picture, other).astype(np.float32) for other in (0.0, 1e4, np.nan)]
    spoilt.append(np.where(mask, picture, 50 * lines(80, rng)).astype(np.float32))
    found = [region_lay(each, mask) for each in (picture, *spoilt)]
    assert all(each == found[0] for each in found)
    assert abs(off_deg(found[0].direction_rad, 10)) < 0.5


def test_noise_does_not_bias_the_strength() -> None:
    # white noise of the lines' own variance: without its floor taken out the strength would be near 0.9
    rng = np.random.default_rng(4)
    picture = lines(20, rng, wide_px=1.5)
    noisy = picture + rng.normal(size=SHAPE).astype(np.float32)
    clean, found = region_lay(picture, everywhere(picture)), region_lay(noisy, everywhere(noisy))
    assert abs(found.strength - clean.strength) < 0.05


def test_noise_that_grows_with_the_light() -> None:
    # half the region is dim and without contrast: the bright half's noise must not be charged to it
    rng = np.random.default_rng(9)
    light = np.where(np.arange(SHAPE[1]) < 230, 0.05, 1.0) * np.ones(SHAPE)
    picture = light * (1 + 0.1 * lines(7, rng)) + 0.1 * light**0.5 * rng.normal(size=SHAPE)
    mask = np.ones(SHAPE, bool)
    mask[:, 226:234] = False  # the step itself is no texture
    found = region_lay(picture.astype(np.float32), mask)
    assert found.symbol == "=" and abs(off_deg(found.direction_rad, 7)) < 0.6
    assert found.strength > 0.9


def test_spread_of_known_directions() -> None:
    # many layers, each strictly parallel but for its ends: directions of their own, whose scatter is known
    rng = np.random.default_rng(5)
    leans = np.linspace(-9, 9, 13)
    picture = sum(lines(30 + lean, rng, long_px=60) for lean in leans)
    found = region_lay(picture, everywhere(picture))
    # 13 layers of finite strength: each its own power within about 5 %; ends of lines add 1°
    assert abs(np.rad2deg(found.spread_rad) - leans.std()) < 1.2


CASES = {
    "=": [lambda rng: lines(4, rng), lambda rng: lines(-20, rng) + 0.5 * rng.normal(size=SHAPE)],
    "⊥": [lambda rng: lines(86, rng), lambda rng: lines(-70, rng)],
    "X": [
        lambda rng: lines(30, rng) + lines(-30, rng),
        lambda rng: lines(45, rng) + 0.6 * lines(-45, rng) + 0.3 * rng.normal(size=SHAPE),
    ],
    "M": [
        lambda rng: lines(0, rng) + lines(60, rng) + lines(-60, rng),
        lambda rng: sum(lines(deg, rng) for deg in (0, 45, 90, -45)),
    ],
    "C": [lambda rng: about("C", (200, 80), rng), lambda rng: about("C", (90, 260), rng)],
    "R": [lambda rng: about("R", (210, 80), rng), lambda rng: about("R", (210, 200), rng)],
    "P": [
        grains,
        lambda rng: grains(rng, size_px=0.6),
        lambda rng: rng.normal(size=SHAPE),
        short_lines,
        lambda rng: lit(0, rng),  # the tensor alone says a strength of 0.5
        lambda rng: lit(35, rng) + 0.2 * rng.normal(size=SHAPE),
    ],
}


@pytest.mark.parametrize(("symbol", "made"), [(symbol, made) for symbol in CASES for made in CASES[symbol]])
def test_symbols(symbol, made) -> None:
    for seed in range(3):
        found = region_lay(np.asarray(made(np.random.default_rng(seed)), np.float32), np.ones(SHAPE, bool))
        assert found.symbol == symbol
        assert (found.direction_rad is None) == (symbol in "MCRP")
        assert 0 <= found.strength <= 1 and found.spread_rad >= 0


def test_of_crossed_lines_the_stronger_are_told() -> None:
    rng = np.random.default_rng(2)
    found = region_lay(lines(40, rng) + 0.7 * lines(-35, rng), np.ones(SHAPE, bool))
    assert abs(off_deg(found.direction_rad, 40)) < 3 * np.rad2deg(found.direction_std) < 1.5


def test_leftover_lines_and_light_do_not_turn_the_direction() -> None:
    rng = np.random.default_rng(6)
    left = region_lay(lines(2, rng) + 0.3 * lines(80, rng), np.ones(SHAPE, bool))
    etched = region_lay(lines(60, rng) + lit(0, rng), np.ones(SHAPE, bool))
    # the tensor alone is turned by 1.1° and 12°
    assert left.symbol == "=" and abs(off_deg(left.direction_rad, 2)) < 0.6
    assert etched.symbol == "⊥" and abs(off_deg(etched.direction_rad, 60)) < 0.6


def test_a_blank_picture_has_no_lay() -> None:
    found = region_lay(np.full(SHAPE, 0.7, np.float32), np.ones(SHAPE, bool))
    assert found.symbol == "P" and found.strength == 0


def test_a_sliver_is_refused() -> None:
    mask = np.zeros(SHAPE, bool)
    mask[50:60] = True
    with pytest.raises(InputError, match="nowhere 16 pixels wide"):
        region_lay(np.zeros(SHAPE, np.float32), mask)
    with pytest.raises(ValueError, match="mask: shape"):
        region_lay(np.zeros(SHAPE, np.float32), mask[1:])
