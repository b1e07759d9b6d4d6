"""Registration of outlines: known motions, honest covariance, burrs, stretch."""

import math
from dataclasses import replace

import exact_scene as exact
import numpy as np
import pytest
from scipy import stats
from scipy.ndimage import gaussian_filter1d

from grindcheck.geometry import Rigid, frozen
from grindcheck.registration import Known, integral_length, register, resolve

TRIALS = 60


def _outline(offset=0.0):
    """Even along the rim, 0.3 mm apart; ``offset`` shifts the points along it."""
    points = np.vstack(exact.rims())
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.arange(offset, length[-1], 0.3)
    return np.column_stack([np.interp(at, length, points[:, axis]) for axis in (0, 1)])


def _normals(points):
    tangent = np.gradient(points, axis=0)
    tangent /= np.hypot(*tangent.T)[:, None]
    return np.column_stack([tangent[:, 1], -tangent[:, 0]])


def _moved_by(motion, points):
    return motion.inverse()(points)


MOTION = Rigid(angle_rad=0.03, shift=frozen([0.8, -0.6]))


def test_known_motion_is_recovered():
    """Points lie between each other's: chords of 0.3 mm differ by c²/8R < 0.3 µm, and the pointed tip is cut.

    Along the blade only belly and drop hold the outline, so that their cut tips weigh more there.
    """
    fixed, moving = _outline(), _moved_by(MOTION, _outline(0.11))
    found, match = register(moving, fixed)
    assert found.fixed_from_moving.angle_rad == pytest.approx(0.03, abs=2e-6)
    np.testing.assert_allclose(found.fixed_from_moving.shift, MOTION.shift, atol=5e-4)
    assert found.rms_mm < 1e-3
    assert found.used > 0.98
    again = resolve(moving, fixed, match, found.fixed_from_moving)
    np.testing.assert_allclose(again.shift, found.fixed_from_moving.shift, atol=1e-5)


def test_resolve_follows_a_small_change():
    """The match is kept, and a further turn of 1 mrad and shift of 0.05 mm is followed to 1 %."""
    fixed, moving = _outline(), _moved_by(MOTION, _outline(0.11))
    found, match = register(moving, fixed)
    more = Rigid(angle_rad=0.001, shift=frozen([0.05, -0.03]))
    again = resolve(more.inverse()(moving), fixed, match, found.fixed_from_moving)
    wanted = found.fixed_from_moving.angle_rad + 0.001
    assert again.angle_rad == pytest.approx(wanted, abs=1e-5)


@pytest.mark.parametrize("correlation_mm", [0.0, 1.5])
def test_covariance_is_honest(correlation_mm):
    """Error/std over 60 trials; the sum of squares is chi-square with as many freedoms.

    The three components of one trial are nearly independent about the pivot, so 180 freedoms. The covariance
    of each trial is itself estimated from its residuals, to about 10 % of std for white noise (one residual
    each 0.3 mm) and 20 % where neighbours err alike: the two-sided 99.9 % limits are widened by that.
    """
    rng = np.random.default_rng(7)
    clean_fixed, clean_moving = _outline(), _outline(0.11)
    z, errors = [], []
    for _ in range(TRIALS):
        noisy = []
        for points in (clean_fixed, clean_moving):
            noise = rng.normal(size=len(points))
            if correlation_mm:
                noise = gaussian_filter1d(noise, correlation_mm / 0.3, mode="wrap")
                noise *= 0.02 / noise.std()
            else:
                noise *= 0.02
            noisy.append(points + noise[:, None] * _normals(points))
        found, _ = register(_moved_by(MOTION, noisy[1]), noisy[0])
        # what is left of the motion once the true one is undone, at the pivot
        pivot = found.pivot_mm[None]
        at = found.fixed_from_moving(MOTION.inverse()(pivot))[0] - pivot[0]
        error = np.array([found.fixed_from_moving.angle_rad - MOTION.angle_rad, *at])
        errors.append(error)
        z.append(error / np.sqrt(np.diag(found.covariance)))
    z = np.array(z)
    low, high = (math.sqrt(stats.chi2.ppf(p, z.size) / z.size) for p in (0.0005, 0.9995))
    slack = 1.2 if correlation_mm else 1.1
    rms = float(np.sqrt(np.mean(z**2)))
    assert low / slack < rms < high * slack
    # at the pointed tip noise acts one-sided; along the blade that may cost half the 0.02 mm of the noise
    assert np.abs(np.mean(errors, axis=0)).max() < 0.01


def _whole_rims(moving, fixed, stds):
    """Known outlines of which each rim errs as a whole, by its own std: edge and spine of each."""
    common = [np.zeros((4, len(points), 2)) for points in (moving, fixed)]
    for which, (points, each) in enumerate(zip((moving, fixed), stds, strict=True)):
        edge = _normals(points)[:, 1] < 0
        for rim, (mask, std) in enumerate(zip((edge, ~edge), each, strict=True)):
            common[which][2 * which + rim] = std * _normals(points) * mask[:, None]
    std = tuple(np.full(len(points), 0.01) for points in (moving, fixed))
    return Known(std=std, common=tuple(common))


def _smooth(rng, count):
    """0.01 mm of noise that about five neighbours have in common."""
    noise = gaussian_filter1d(rng.normal(size=count), 1.5, mode="wrap")
    return 0.01 * noise / noise.std()


def test_what_a_whole_rim_errs_by_is_in_the_covariance():
    """Each rim of each outline is drawn off as a whole: what is found spreads as stated, within chi-square.

    A rim's own std differs: 0.03 and 0.02 mm of the moving outline, 0.05 and 0.01 mm of the fixed one. Each
    point has 0.01 mm of its own, alike within half a millimetre.
    """
    rng = np.random.default_rng(5)
    fixed, moving = _outline(), _outline(0.11)
    known = _whole_rims(moving, fixed, ((0.03, 0.02), (0.05, 0.01)))
    errors = []
    for _ in range(TRIALS):
        size = rng.normal(size=4)
        drawn = [
            points + np.tensordot(size, each, 1) + _smooth(rng, len(points))[:, None] * _normals(points)
            for points, each in zip((moving, fixed), known.common, strict=True)
        ]
        found, _ = register(drawn[0], drawn[1], known=known)
        at_pivot = found.fixed_from_moving(found.pivot_mm[None])[0] - found.pivot_mm
        errors.append([found.fixed_from_moving.angle_rad, *at_pivot])
    stated, _ = register(moving, fixed, known=known)
    whitened = np.sum(np.square(errors) / np.diag(stated.covariance), axis=0)
    low, high = stats.chi2.ppf([0.0005, 0.9995], TRIALS)
    assert ((whitened > low) & (whitened < high)).all()


def test_a_common_error_is_solved_for():
    """A spine that lies off by 0.3 mm where it drops hardly shows in residuals, and yet moves what is found.

    Told of the error, a third of a standard uncertainty large, the registration takes it out again.
    """
    fixed, moving = _outline(), _outline(0.11)
    drop = ((_normals(moving)[:, 1] > 0) & (moving[:, 0] > -30.0))[:, None] * _normals(moving)
    known = Known(
        std=(np.full(len(moving), 0.015), np.full(len(fixed), 0.015)),
        common=(0.9 * drop[None], np.zeros((1, len(fixed), 2))),
    )
    off = moving + 0.3 * drop
    alone, _ = register(off, fixed, known=replace(known, common=tuple(each[:0] for each in known.common)))
    told, _ = register(off, fixed, known=known)
    errors = [float(np.hypot(*found.fixed_from_moving.shift)) for found in (alone, told)]
    assert errors[0] > 0.02
    assert errors[1] < errors[0] / 5


@pytest.mark.parametrize("along_mm", [-0.6, -0.25, 0.25, 0.6])
def test_belly_and_drop_are_not_taken_for_strays(along_mm):
    """From a start that is off along the blade: edge and spine fit all the same, only their ends don't.

    Where the blade lies along itself is told by a fifth of the outline, which a robust scale of all residuals
    would leave out at once.
    """
    rng = np.random.default_rng(3)
    moving, fixed = _outline(0.11), _outline()
    moving = moving + 0.003 * rng.normal(size=len(moving))[:, None] * _normals(moving)
    start = Rigid(angle_rad=0.0, shift=frozen([along_mm, 0.0]))
    found, _ = register(moving, fixed, start=start)
    assert abs(found.fixed_from_moving.shift[0]) < 3 * np.sqrt(found.covariance[1, 1]) + 1e-3
    assert found.used > 0.95


def test_a_burr_and_tape_are_left_out():
    """A third of the edge stands off by 0.4 mm: the motion stays within 3 sigma of 0.01 mm noise's."""
    rng = np.random.default_rng(11)
    fixed, moving = _outline(), _outline(0.11)
    burr = (moving[:, 0] > -90.0) & (moving[:, 0] < -60.0) & (moving[:, 1] < 5.0)
    noise = 0.01 * rng.normal(size=len(moving)) + np.where(burr, -0.4, 0.0)
    found, match = register(_moved_by(MOTION, moving + noise[:, None] * -_normals(moving)), fixed)
    pivot = found.pivot_mm[None]
    at = found.fixed_from_moving(MOTION.inverse()(pivot))[0] - pivot[0]
    assert np.all(np.abs(at) < 3 * np.sqrt(np.diag(found.covariance))[1:] + 1e-3)
    assert found.rms_mm < 0.02
    weights = np.zeros(len(moving))
    weights[match.moving] = match.weight
    assert weights[burr].max() < 0.1
    assert found.used == pytest.approx(1 - burr.mean(), abs=0.03)
    # the third that was left out may be right and the rest wrong: what is found is known less well by it
    clean = 0.01 * rng.normal(size=len(moving))
    without, _ = register(_moved_by(MOTION, moving + clean[:, None] * -_normals(moving)), fixed)
    assert np.all(np.diag(found.covariance) > 2 * np.diag(without.covariance))


@pytest.mark.parametrize("stretch", [-0.004, 0.004])
def test_stretch_is_detected(stretch):
    rng = np.random.default_rng(5)
    fixed = _outline()
    moving = _outline(0.11) * (1 + stretch) + 0.01 * rng.normal(size=(len(_outline(0.11)), 2))
    found, _ = register(moving, fixed)
    assert abs(found.stretch) > 4 * found.stretch_std
    # the size is met within the robust weights' loss: what strays most, the ends, counts least
    assert found.stretch == pytest.approx(stretch, rel=0.25)


def test_no_stretch_is_found_where_there_is_none():
    rng = np.random.default_rng(6)
    z = []
    for _ in range(20):
        moving = _outline(0.11)
        moving = moving + 0.02 * rng.normal(size=len(moving))[:, None] * _normals(moving)
        found, _ = register(moving, _outline())
        z.append(found.stretch / found.stretch_std)
    # chi-square with 20 freedoms, 99.9 %, widened by a tenth for the estimated std
    low, high = (math.sqrt(stats.chi2.ppf(p, 20) / 20) for p in (0.0005, 0.9995))
    assert low / 1.1 < float(np.sqrt(np.mean(np.square(z)))) < high * 1.1


def test_outlines_that_lie_nowhere_on_each_other():
    """50 mm apart: every distance counts, and no figure is made up."""
    x = np.arange(-100.0, 0.0, 0.3)
    line = np.column_stack([x, np.zeros_like(x)])
    found, _ = register(line, line + np.array([0.0, 50.0]))
    assert found.rms_mm == pytest.approx(50.0)
    assert found.used == 0.0


def test_too_few_points_are_the_programmers_mistake():
    with pytest.raises(ValueError, match="12 points, 20 at least"):
        register(np.zeros((12, 2)), _outline())


def test_integral_length_of_a_moving_average():
    """Mean of n white values: autocorrelation falls linearly to 0 at n, so 1 + 2 Σ (1 − k/n) = n."""
    rng = np.random.default_rng(2)
    white = rng.normal(size=20_000)
    averaged = np.convolve(white, np.ones(8) / 8, mode="valid")
    # summed up to where it falls to 0.05; a run of 20 000 / 8 leaves 4 %
    assert integral_length(averaged) == pytest.approx(8.0, rel=0.12)
