"""Lens and pose: formulas against closed forms and numbers, recovery from crossings of known cameras."""

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from synthetic import camera_truth

from grindcheck import lens
from grindcheck.camera import Camera, solve_camera
from grindcheck.errors import CameraError
from grindcheck.geometry import Array, project
from grindcheck.mat.spec import mat_spec
from grindcheck.oneprint import of_one_print
from grindcheck.posefit import STRETCH, Problem, fit_homography, moved

CROSSINGS = mat_spec("a4").crossings_mm()
ON_PAPER = np.column_stack([CROSSINGS, np.zeros(len(CROSSINGS))])
BENT = (0.1, -0.05, 1e-3, -2e-3)


@dataclass
class Corners:
    """As much of a `MatView` as the camera looks at."""

    corner_mm: Array
    corner_px: Array
    corner_std_px: float = 0.02


@dataclass
class Picture:
    """As much of a `Photo` as the camera looks at."""

    focal_px: float | None
    focal_rel_std: float | None
    size_px: tuple[int, int] = (4000, 3000)

    @property
    def bgr(self) -> "np.ndarray[tuple[int, ...], np.dtype[np.uint8]]":
        return np.broadcast_to(np.uint8(0), (self.size_px[1], self.size_px[0], 3))


MEASURED = 1e-4  # relative std of a print's scale by a calliper, 0.03 mm of 276 mm


def solved(
    truth: Camera,
    noise_px: float,
    rng: np.random.Generator,
    picture: Picture,
    stretch: float = 0.0,
    scale_std: float = MEASURED,
) -> Camera:
    printed = np.column_stack([CROSSINGS * np.exp([stretch / 2, -stretch / 2]), np.zeros(len(CROSSINGS))])
    corner_px = truth.px_from_mm(printed) + rng.normal(0.0, noise_px, CROSSINGS.shape)
    view = Corners(CROSSINGS, corner_px, max(noise_px, 0.01))
    return solve_camera(view, picture, scale_std=scale_std)  # type: ignore[arg-type]


def from_prior(rng: np.random.Generator) -> Camera:
    """Draw a camera as the priors have it (`solve_camera`'s notes), hand-held over the mat."""
    tilt, azimuth, spin = rng.uniform(0.0, 0.35), rng.uniform(0, 2 * np.pi), rng.uniform(0, 2 * np.pi)
    return camera_truth(
        diagonals=rng.uniform(0.7, 1.5), tilt_rad=tilt, azimuth_rad=azimuth, spin_rad=spin,
        width_mm=rng.uniform(330, 420), middle_mm=tuple(rng.normal(0.0, 5.0, 2)),
        shift_px=tuple(rng.normal(0.0, 50.0, 2)),
        distortion=(*rng.normal(0.0, 0.15, 2), *rng.normal(0.0, 0.001, 2)),
    )  # fmt: skip


def length_error(camera: Camera, truth: Camera, height_mm: float) -> tuple[float, float]:
    """Return the error of a length of 146 mm at a height, and its std by first-order propagation."""
    ends_mm = np.array([[-72.0, 10.0, height_mm], [72.0, -12.0, height_mm]])
    ends_px = truth.px_from_mm(ends_mm)

    def length(parameters: Array) -> float:
        found = camera.with_parameters(parameters).mm_from_px(ends_px, height_mm)
        return float(np.linalg.norm(found[1] - found[0]))

    gradient = [
        (length(camera.parameters + step) - length(camera.parameters - step)) / (2 * step.sum())
        for step in np.diag(1e-3 * np.sqrt(np.diag(camera.covariance)))
    ]
    std = np.sqrt(gradient @ camera.covariance @ gradient)
    return length(camera.parameters) - float(np.hypot(144.0, 22.0)), float(std)


# ---- formulas


def test_jacobian_equals_numeric_derivative() -> None:
    truth = camera_truth(tilt_rad=0.3, azimuth_rad=0.7, spin_rad=0.4, shift_px=(20.0, -30.0), distortion=BENT)
    points_mm = np.column_stack([CROSSINGS, np.linspace(-3.0, 9.0, len(CROSSINGS))])
    seen, jacobian = lens.projection_jacobian(truth.parameters, points_mm)
    np.testing.assert_array_equal(seen, truth.px_from_mm(points_mm))
    for index, value in enumerate(truth.parameters):
        step = np.zeros(13)
        step[index] = 1e-6 * max(abs(value), 1e-2)
        ahead = lens.project_points(truth.parameters + step, points_mm)
        behind = lens.project_points(truth.parameters - step, points_mm)
        numeric = (ahead - behind) / (2 * step[index])
        # coordinates of 4000 px carry 5e-13 px of rounding, the difference a little more: the numeric side's
        # own error is that over the step
        np.testing.assert_allclose(jacobian[:, :, index], numeric, rtol=2e-6, atol=2e-12 / step[index] + 1e-6)


def test_derivative_by_the_stretch_equals_numeric() -> None:
    truth = camera_truth(tilt_rad=0.3, azimuth_rad=0.7, spin_rad=0.4, distortion=BENT)
    problem = Problem(CROSSINGS, np.zeros_like(CROSSINGS), 1.0, np.zeros(14), np.zeros(14))
    unknowns = np.append(truth.parameters, 0.01)
    step = np.zeros(14)
    step[STRETCH] = 1e-5
    numeric = (problem.misfit(unknowns + step) - problem.misfit(unknowns - step)) / 2e-5
    # rounding of 1e-12 px over the step
    np.testing.assert_allclose(problem.linear(unknowns)[1][:, :, STRETCH], numeric, rtol=1e-6, atol=1e-6)


def test_projection_equals_opencv() -> None:
    import cv2

    truth = camera_truth(tilt_rad=0.3, azimuth_rad=2.0, spin_rad=1.0, shift_px=(20.0, -30.0), distortion=BENT)
    points_mm = np.column_stack([CROSSINGS, np.linspace(-3.0, 9.0, len(CROSSINGS))])
    matrix = np.diag([truth.focal_px, truth.focal_px, 1.0])
    matrix[:2, 2] = truth.centre_px
    theirs, _ = cv2.projectPoints(
        points_mm, truth.parameters[7:10], truth.translation, matrix, truth.distortion
    )  # fmt: skip
    # the same formulas in float64: rounding only
    np.testing.assert_allclose(truth.px_from_mm(points_mm), theirs.reshape(-1, 2), atol=1e-8)


@pytest.mark.parametrize("angle", [0.0, 1e-9, 1e-4, 1.0, 3.0, np.pi - 1e-9])
def test_rotation_vector_round_trip(angle: float) -> None:
    for axis in ([1.0, 0.0, 0.0], [0.0, 0.6, -0.8], [-0.48, 0.6, 0.64]):
        matrix = lens.rotation_matrix(angle * np.array(axis))
        np.testing.assert_allclose(matrix @ matrix.T, np.eye(3), atol=1e-14)
        np.testing.assert_allclose(lens.rotation_matrix(lens.rotation_vector(matrix)), matrix, atol=1e-12)


def test_lens_is_undone_exactly() -> None:
    rng = np.random.default_rng(1)
    normal = rng.uniform(-0.45, 0.45, (500, 2))
    for distortion in ((0.2, -0.1, 1e-3, -1e-3), (-0.3, 0.1, 0.0, 2e-3)):
        back = lens.undistorted(lens.distorted(normal, distortion), distortion)
        np.testing.assert_allclose(back, normal, atol=1e-9)  # what `undistorted` promises


def test_lens_that_folds_is_refused() -> None:
    # x (1 - 0.5 x²) is largest at x = sqrt(2/3), 0.544: nothing is seen at 0.7 (worked by hand)
    with pytest.raises(CameraError, match="folds over"):
        lens.undistorted([[0.7, 0.0]], (-0.5, 0.0, 0.0, 0.0))


def test_no_points_are_seen_nowhere() -> None:
    parameters = camera_truth().parameters
    assert lens.project_points(parameters, np.empty((0, 3))).shape == (0, 2)
    assert lens.undistorted(np.empty((0, 2)), (0.1, 0.0, 0.0, 0.0)).shape == (0, 2)
    with pytest.raises(CameraError, match="folds over"):
        lens.undistorted([[0.1, 0.1], [np.nan, 0.0]], (0.1, 0.0, 0.0, 0.0))


def test_flat_lens_is_a_homography() -> None:
    truth = camera_truth(tilt_rad=0.3, azimuth_rad=2.0, spin_rad=1.0, shift_px=(20.0, -30.0))
    # closed form: K [r1 r2 t]
    matrix = np.diag([truth.focal_px, truth.focal_px, 1.0])
    matrix[:2, 2] = truth.centre_px
    expected = matrix @ np.column_stack([truth.rotation[:, :2], truth.translation])
    seen = truth.px_from_mm(ON_PAPER)
    np.testing.assert_allclose(seen, project(expected, CROSSINGS), atol=1e-9)
    fitted = fit_homography(CROSSINGS, seen)
    np.testing.assert_allclose(fitted / fitted[2, 2], expected / expected[2, 2], rtol=1e-7, atol=1e-12)


@pytest.mark.parametrize("height_mm", [-2.0, 0.0, 4.0, 25.0])
def test_rays_meet_their_plane(height_mm: float) -> None:
    truth = camera_truth(tilt_rad=0.3, azimuth_rad=2.0, spin_rad=1.0, distortion=BENT)
    points_mm = np.column_stack([CROSSINGS, np.full(len(CROSSINGS), height_mm)])
    back = truth.mm_from_px(truth.px_from_mm(points_mm), height_mm)
    np.testing.assert_allclose(back, CROSSINGS, atol=1e-6)  # 1e-9 of a distance of 430 mm, twice over


def test_heights_of_single_points() -> None:
    truth = camera_truth(tilt_rad=0.3, distortion=BENT)
    height_mm = np.linspace(0.0, 9.0, len(CROSSINGS))
    back = truth.mm_from_px(truth.px_from_mm(np.column_stack([CROSSINGS, height_mm])), height_mm)
    np.testing.assert_allclose(back, CROSSINGS, atol=1e-6)


def test_paper_plane_makes_everything_too_long() -> None:
    """Similar triangles: from H above the paper, a length at height h looks H / (H - h) as long on it."""
    truth = camera_truth(width_mm=430.0 * 4000 / (5000 * 1.0), diagonals=1.0)
    np.testing.assert_allclose(truth.distance_mm, 430.0, rtol=1e-12)
    ends = truth.mm_from_px(truth.px_from_mm([[-72.0, 10.0, 4.0], [72.0, 10.0, 4.0]]), 0.0)
    excess = np.linalg.norm(ends[1] - ends[0]) - 144.0
    np.testing.assert_allclose(excess, 144.0 * 4.0 / (430.0 - 4.0), rtol=1e-9)  # 1.352 mm


def test_position_and_tilt() -> None:
    straight = camera_truth(width_mm=344.0, spin_rad=0.5)
    np.testing.assert_allclose(straight.centre_mm, [0.0, 0.0, 430.0], atol=1e-9)
    np.testing.assert_allclose(straight.tilt_rad, 0.0, atol=1e-7)
    np.testing.assert_allclose(camera_truth(tilt_rad=0.3, azimuth_rad=1.0).tilt_rad, 0.3, rtol=1e-9)


# ---- recovery


def test_exact_corners_give_the_camera_back() -> None:
    rng = np.random.default_rng(3)
    truth = camera_truth(
        tilt_rad=0.3,
        azimuth_rad=2.0,
        spin_rad=1.0,
        shift_px=(15.0, -9.0),
        distortion=(0.05, -0.02, 2e-4, 1e-4),
    )
    camera = solved(truth, 0.0, rng, Picture(truth.focal_px, 0.02))
    # the priors pull: principal point by 17 of 50 px, k1 by 0.05 of 0.15; their pull is small
    pull = (camera.parameters[:7] - truth.parameters[:7]) / np.sqrt(np.diag(camera.covariance)[:7])
    assert np.abs(pull).max() < 0.5
    assert camera.rms_px < 0.005
    assert camera.flags == ()


@pytest.mark.parametrize(
    ("rel_std", "scale_std", "count"), [(0.03, MEASURED, 90), (0.03, 0.003, 60), (None, MEASURED, 40)]
)
def test_stated_uncertainty_is_true(rel_std: float | None, scale_std: float, count: int) -> None:
    """Cameras drawn from the priors: (found - true) / std has rms 1, focal and lengths."""
    scores = []
    for seed in range(count):
        rng = np.random.default_rng(seed)
        truth = from_prior(rng)
        picture = Picture(None, None)
        if rel_std is not None:
            picture = Picture(float(truth.focal_px * np.exp(rng.normal(0.0, rel_std))), rel_std)
        stretch = np.sqrt(2) * rng.normal(0.0, scale_std)
        camera = solved(truth, 0.05, rng, picture, stretch, scale_std)
        assert camera.flags in ((), ("corners_dropped",)), camera.flags
        scored = [(camera.parameters[0] - truth.parameters[0]) / np.sqrt(camera.covariance[0, 0])]
        for height_mm in (0.0, 4.0):
            error, std = length_error(camera, truth, height_mm)
            scored.append(error / std)
            # what the focal prior does at height h is L h/H times its share (similar triangles), H at least
            # 289 mm: 0.06 mm for 3 %, 1.0 mm for the wide prior; the corners' noise adds to it. A print's
            # stretch of 0.42 % that the photo didn't show at all would add half of that to one axis, 0.3 mm.
            limit = 1.05 if rel_std is None else 0.08 if scale_std == MEASURED else 0.32
            assert std < limit, (seed, height_mm, std)
        scores.append(scored)
    rms = np.sqrt(np.mean(np.square(scores), axis=0))
    # the rms of n standard normal scores scatters by 1 / sqrt(2 n); three sigmas, two-sided. The factor on
    # the corners' std is never below 1, which makes it cautious by up to 0.08 on average (own arithmetic).
    slack = 3 / np.sqrt(2 * count)
    if rel_std is None:  # the truth is drawn within 0.7 to 1.5 diagonals, not from the prior of 0.5
        slack += 0.1
    assert np.all(rms < 1 + slack), rms
    assert np.all(rms > 1 - slack - 0.08), rms


def test_focal_prior_gain_is_the_derivative() -> None:
    rng = np.random.default_rng(5)
    truth = camera_truth(tilt_rad=0.15, azimuth_rad=0.4)
    corners = truth.px_from_mm(ON_PAPER) + rng.normal(0.0, 0.05, CROSSINGS.shape)
    view = Corners(CROSSINGS, corners, 0.05)
    lower, middle, upper = (
        solve_camera(  # type: ignore[arg-type]
            view, Picture(float(truth.focal_px * np.exp(move)), 0.03), scale_std=MEASURED
        )
        for move in (-0.005, 0.0, 0.005)
    )
    numeric = (upper.parameters - lower.parameters) / 0.01
    np.testing.assert_allclose(middle.prior_gain[0], middle.focal_prior_share, rtol=1e-12)
    # Gauss-Newton leaves out second derivatives: a few per cent of the largest entries
    np.testing.assert_allclose(numeric[[0, 12]], middle.prior_gain[[0, 12]], rtol=0.05)


def _pair_of_one_print(seed: int) -> tuple[list[Camera], float]:
    """Two photos of one unmeasured print: cameras as found, and the print's true stretch."""
    rng = np.random.default_rng(seed)
    stretch = float(rng.normal(0.0, np.sqrt(2) * 0.003))
    truths = [from_prior(rng) for _ in range(2)]
    found = [
        solved(truth, 0.05, rng, Picture(truth.focal_px * np.exp(rng.normal(0, 0.03)), 0.03), stretch, 0.003)
        for truth in truths
    ]
    return found, stretch


def test_two_photos_of_one_print_tell_of_it_together() -> None:
    """The stretch comes out the same in both, surer than in each, and within what it says of itself."""
    off, apart, together = [], [], []
    for seed in range(60):
        found, stretch = _pair_of_one_print(seed)
        shared = of_one_print(*found)
        assert shared is not None, seed
        told = [float(camera.fit.unknowns[STRETCH]) for camera in shared if camera.fit]
        # both minima rest on straight models of what is slightly bent
        assert told[0] == pytest.approx(told[1], abs=0.35 * shared[0].stretch_std), seed
        assert shared[0].stretch_std < 1.001 * min(camera.stretch_std for camera in found), seed
        off.append((np.mean(told) - stretch) / shared[0].stretch_std)
        apart += [float(camera.fit.unknowns[STRETCH]) - stretch for camera in found if camera.fit]
        together.append(np.mean(told) - stretch)
    # rms of 60 standard normal scores: 1 ± 0.09 (1/sqrt(2 n)), three sigmas
    assert np.sqrt(np.mean(np.square(off))) == pytest.approx(1.0, abs=0.28)
    # two alike would leave 0.71, one far surer than the other next to nothing
    assert np.sqrt(np.mean(np.square(together))) < 0.8 * np.sqrt(np.mean(np.square(apart)))


def test_photos_of_two_prints_are_left_apart() -> None:
    rng = np.random.default_rng(3)
    truth = camera_truth(tilt_rad=0.3, azimuth_rad=0.7, width_mm=380)
    found = [solved(truth, 0.02, rng, Picture(truth.focal_px, 0.01), s, 0.01) for s in (0.012, -0.012)]
    assert of_one_print(*found) is None


def test_the_minimum_is_reached_along_the_valley() -> None:
    """Against `scipy.optimize.least_squares`, from a start far off along focal length and distance."""
    from scipy.optimize import least_squares

    rng = np.random.default_rng(12)
    truth = camera_truth(tilt_rad=0.1, azimuth_rad=0.4, width_mm=400)
    camera = solved(truth, 0.05, rng, Picture(truth.focal_px, 0.03), 0.003, 0.003)
    assert camera.fit is not None
    problem = camera.fit.problem
    start = camera.fit.unknowns + 3 * np.sqrt(camera.covariance[0, 0]) * np.append(
        camera.covariance[:, 0] / camera.covariance[0, 0], 0.0
    )

    def residuals(unknowns: Array) -> Array:
        prior = np.sqrt(problem.precision) * (unknowns - problem.prior)
        return np.concatenate([problem.misfit(unknowns).ravel() / problem.std, prior])

    theirs = least_squares(residuals, start, method="lm", x_scale="jac", xtol=1e-14, ftol=1e-14, gtol=1e-14)
    ours, cost = problem.minimum(start)
    assert cost == pytest.approx(2 * theirs.cost, abs=1e-3)
    np.testing.assert_allclose(ours[0], theirs.x[0], atol=0.03 * np.sqrt(camera.covariance[0, 0]))


def test_a_step_along_the_valley_leaves_the_picture() -> None:
    """Focal length and distance a tenth longer: only a straight step changes the scale."""
    truth = camera_truth(tilt_rad=0.0, azimuth_rad=0.0, width_mm=400)
    fit = solved(truth, 0.05, np.random.default_rng(5), Picture(truth.focal_px, 0.03)).fit
    assert fit is not None
    step = np.zeros_like(fit.unknowns)
    step[0], step[10:13] = 0.1, [0.0, 0.0, 0.1 * fit.unknowns[12]]
    place = fit.unknowns.copy()
    place[7:9] = 0.0  # square-on, where the valley is level
    before = fit.problem.misfit(place)
    size = float(np.abs(fit.problem.corner_px - place[1:3]).max())
    straight = np.abs(fit.problem.misfit(place + step) - before).max() / size
    assert straight > 0.004
    assert np.abs(fit.problem.misfit(moved(place, step)) - before).max() / size < 0.1 * straight
    # to first order both are the same step
    small = 1e-5 * step
    np.testing.assert_allclose(moved(place, small) - place, small, atol=1e-9 * abs(place[12]))


def test_the_minimum_takes_few_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    """From three standard deviations off along the valley; by straight steps it takes ten times as many."""
    rng = np.random.default_rng(12)
    truth = camera_truth(tilt_rad=0.1, azimuth_rad=0.4, width_mm=400)
    camera = solved(truth, 0.05, rng, Picture(truth.focal_px, 0.03), 0.003, 0.003)
    assert camera.fit is not None
    start = camera.fit.unknowns + 3 * np.sqrt(camera.covariance[0, 0]) * np.append(
        camera.covariance[:, 0] / camera.covariance[0, 0], 0.0
    )
    counted = []
    linear = Problem.linear

    def counting(self: Problem, parameters: Array) -> tuple[Array, Array]:
        counted.append(parameters)
        return linear(self, parameters)

    monkeypatch.setattr(Problem, "linear", counting)
    camera.fit.problem.minimum(start)
    assert len(counted) <= 15


def test_square_on_the_prior_decides_and_tilted_the_mat() -> None:
    rng = np.random.default_rng(6)
    shares = []
    for tilt in (0.0, 0.5):
        truth = camera_truth(tilt_rad=tilt, azimuth_rad=0.4, width_mm=380)
        shares.append(solved(truth, 0.05, rng, Picture(truth.focal_px, 0.1)).focal_prior_share)
    assert shares[0] > 0.9  # a plane seen square-on says nothing of the focal length (geometry)
    assert shares[1] < 0.2


@pytest.mark.parametrize("factor", [0.6, 1.5])
def test_wrong_exif_is_overruled(factor: float) -> None:
    rng = np.random.default_rng(7)
    truth = camera_truth(tilt_rad=0.4, azimuth_rad=0.4, width_mm=380)
    camera = solved(truth, 0.03, rng, Picture(truth.focal_px * factor, 0.03))
    assert "focal_contradicts_exif" in camera.flags
    off = (camera.parameters[0] - truth.parameters[0]) / np.sqrt(camera.covariance[0, 0])
    assert abs(off) < 3.5  # sigmas
    assert abs(camera.focal_px / truth.focal_px - 1) < 0.05


@pytest.mark.parametrize("diagonals", [0.6, 1.0, 1.85])
def test_without_exif(diagonals: float) -> None:
    rng = np.random.default_rng(8)
    truth = camera_truth(tilt_rad=0.3, azimuth_rad=-2.0, diagonals=diagonals)
    camera = solved(truth, 0.03, rng, Picture(None, None))
    assert abs(camera.parameters[0] - truth.parameters[0]) < 3.5 * np.sqrt(camera.covariance[0, 0])
    assert camera.focal_prior_share < 0.2


def test_mirror_pose_is_not_taken() -> None:
    """From afar a tilt and its mirror look alike; the right one fits better."""
    rng = np.random.default_rng(9)
    for azimuth in np.linspace(0, 2 * np.pi, 8, endpoint=False):
        truth = camera_truth(tilt_rad=0.35, azimuth_rad=azimuth, diagonals=3.0, width_mm=600)
        camera = solved(truth, 0.1, rng, Picture(truth.focal_px, 0.02))
        assert np.arccos(camera.rotation[:, 2] @ truth.rotation[:, 2]) < 0.05  # the mirror is 0.7 rad off


def test_wrong_corners_are_left_out() -> None:
    rng = np.random.default_rng(10)
    truth = camera_truth(tilt_rad=0.3, azimuth_rad=0.4, distortion=(0.05, 0.0, 0.0, 0.0))
    corner_px = truth.px_from_mm(ON_PAPER) + rng.normal(0.0, 0.03, CROSSINGS.shape)
    wrong = rng.choice(len(corner_px), 6, replace=False)
    corner_px[wrong] += rng.normal([2.0, 3.0], 1.0, (6, 2))
    view, picture = Corners(CROSSINGS, corner_px, 0.03), Picture(truth.focal_px, 0.03)
    camera = solve_camera(view, picture, scale_std=MEASURED)  # type: ignore[arg-type]
    assert camera.dropped == 6
    assert camera.flags == ("corners_dropped",)
    assert camera.rms_px < 0.03 * np.sqrt(2) * 1.2  # two coordinates; 68 corners scatter by a tenth


def test_print_scale_stretches_the_mat() -> None:
    truth = camera_truth(tilt_rad=0.3, azimuth_rad=0.4)
    printed = CROSSINGS * [1.004, 0.997]
    corner_px = truth.px_from_mm(np.column_stack([printed, np.zeros(len(printed))]))
    view, picture = Corners(CROSSINGS, corner_px), Picture(truth.focal_px, 0.02)
    camera = solve_camera(view, picture, scale=(1.004, 0.997))  # type: ignore[arg-type]
    np.testing.assert_allclose(camera.mm_from_px(corner_px, 0.0), printed, atol=2e-3)


@pytest.mark.parametrize("tilt_rad", [0.03, 0.1, 0.25])
def test_unmeasured_stretch_is_no_focal_length(tilt_rad: float) -> None:
    """A print 0.4 % longer than wide, seen nearly square-on, once looked like a lens of twice the length."""
    rng = np.random.default_rng(12)
    truth = camera_truth(tilt_rad=tilt_rad, azimuth_rad=0.4)
    camera = solved(truth, 0.03, rng, Picture(truth.focal_px * 1.02, 0.03), stretch=0.004, scale_std=0.003)
    assert camera.flags == ()
    assert abs(camera.parameters[0] - truth.parameters[0]) < 3 * np.sqrt(camera.covariance[0, 0])
    found = np.log(camera.scale[0] / camera.scale[1])
    assert abs(found - 0.004) < 3 * camera.stretch_std
    assert camera.stretch_std < 0.003  # what the photo adds to the 0.0042 it began with
    assert camera.scale[0] * camera.scale[1] == pytest.approx(1.0, rel=1e-12)


def test_moustache_shows() -> None:
    """A term that the model lacks leaves a residual, which is told; lengths near the middle stay usable."""
    truth = camera_truth(tilt_rad=0.2, azimuth_rad=0.4, width_mm=320)
    exact = truth.px_from_mm(ON_PAPER)
    radius = (exact - truth.centre_px) / 2500.0
    away = np.sum(radius**2, axis=1, keepdims=True)
    bent = exact + 72.0 * radius * (away**3 - 1.5 * away**2 * np.cos(6 * away))
    camera = solve_camera(Corners(CROSSINGS, bent), Picture(truth.focal_px, 0.02), scale_std=MEASURED)  # type: ignore[arg-type]
    assert "lens_residual" in camera.flags
    assert 0.5 < camera.largest_px < 1.0  # 0.54 px where it was written; the bend itself is 32 px at most


@pytest.mark.parametrize(("width_mm", "x_mm"), [(25.0, 60.0), (10.0, -138.0)])
def test_fold_or_lifted_end_is_left_out(width_mm: float, x_mm: float) -> None:
    """A fold 12 mm high, across the sheet or at its end, spoils the corners on it and no others."""
    truth = camera_truth(tilt_rad=0.3, azimuth_rad=0.4)
    risen = ON_PAPER.copy()
    risen[:, 2] = 12.0 * np.exp(-(((CROSSINGS[:, 0] - x_mm) / width_mm) ** 2))
    view = Corners(CROSSINGS, truth.px_from_mm(risen))
    camera = solve_camera(view, Picture(truth.focal_px, 0.02), scale_std=MEASURED)  # type: ignore[arg-type]
    assert "corners_dropped" in camera.flags
    error, _ = length_error(camera, truth, 4.0)
    assert abs(error) < 0.005  # mm on 146 mm; exact corners, so only what is left on the fold's foot


def test_wavy_mat_is_refused() -> None:
    truth = camera_truth(tilt_rad=0.3, azimuth_rad=0.4)
    risen = ON_PAPER.copy()
    risen[:, 2] = 3.0 * np.sin(CROSSINGS[:, 0] / 30.0)
    view = Corners(CROSSINGS, truth.px_from_mm(risen))
    with pytest.raises(CameraError, match=r"px rms.*Lay the mat flat"):
        solve_camera(view, Picture(truth.focal_px, 0.02), scale_std=MEASURED)  # type: ignore[arg-type]


def test_too_few_crossings() -> None:
    truth = camera_truth()
    view = Corners(CROSSINGS[:7], truth.px_from_mm(ON_PAPER[:7]))
    with pytest.raises(CameraError, match="Only 7 crossings"):
        solve_camera(view, Picture(truth.focal_px, 0.02), scale_std=MEASURED)  # type: ignore[arg-type]


# ---- published photos


@pytest.fixture(scope="module")
def opencv_doc() -> Path:
    """Folder of the example photos in Debian's package opencv-doc."""
    places = [Path(os.environ.get("GRINDCHECK_OPENCV_DOC", "")), Path("/usr/share/doc/opencv-doc")]
    for place in places:
        if str(place) != "." and place.is_dir():
            found = sorted(place.rglob("left_intrinsics.yml"))
            if found and (found[0].parent / "left01.jpg").exists():
                return found[0].parent
    pytest.skip("Debian's opencv-doc isn't here; set GRINDCHECK_OPENCV_DOC to its folder")


def test_published_chessboard_photos(opencv_doc: Path) -> None:
    """Calibrate over all views with our projection and derivatives: published f, centre and rms come back."""
    import cv2
    from scipy.optimize import least_squares

    storage = cv2.FileStorage(str(opencv_doc / "left_intrinsics.yml"), cv2.FILE_STORAGE_READ)
    published = storage.getNode("camera_matrix").mat()
    published_rms = storage.getNode("avg_reprojection_error").real()
    columns, rows = 9, 6
    board_mm = np.array([[25.0 * i, 25.0 * j, 0.0] for j in range(rows) for i in range(columns)])
    views = []
    for path in sorted(opencv_doc.glob("left[0-9][0-9].jpg")):
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        found, corners = cv2.findChessboardCorners(grey, (columns, rows))
        if found:
            # windows as in OpenCV's calibration sample, with which the published figures were made
            window, none = (11, 11), (-1, -1)
            until = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 30, 0.1)
            views.append(cv2.cornerSubPix(grey, corners, window, none, until).reshape(-1, 2).astype(float))
    assert len(views) == storage.getNode("nframes").real()

    middle = np.array([319.5, 239.5])
    poses = []
    for corner_px in views:
        _, turn, move = cv2.solvePnP(
            board_mm, corner_px, np.array([[500.0, 0, 319.5], [0, 500.0, 239.5], [0, 0, 1]]), None
        )
        poses.append(np.concatenate([turn.ravel(), move.ravel()]))
    start = np.concatenate([[np.log(500.0), *middle, 0, 0, 0, 0], *poses])

    def each(vector: Array) -> list[tuple[Array, Array]]:
        return [
            lens.projection_jacobian(np.concatenate([vector[:7], pose]), board_mm)
            for pose in vector[7:].reshape(-1, 6)
        ]

    def misfit(vector: Array) -> Array:
        return np.concatenate(
            [(seen - corner_px).ravel() for (seen, _), corner_px in zip(each(vector), views, strict=True)]
        )

    def slopes(vector: Array) -> Array:
        out = np.zeros((len(views), 2 * len(board_mm), len(vector)))
        for index, (_, jacobian) in enumerate(each(vector)):
            flat = jacobian.reshape(-1, 13)
            out[index, :, :7] = flat[:, :7]
            out[index, :, 7 + 6 * index : 13 + 6 * index] = flat[:, 7:]
        return out.reshape(-1, len(vector))

    fit = least_squares(misfit, start, jac=slopes, x_scale="jac", method="trf")
    rms = np.sqrt(2 * fit.cost / (len(views) * len(board_mm)))
    assert fit.success
    # ours is a lens without k3 (published 0.238), which moves f by 0.37 px of 536 and hardly anything else
    np.testing.assert_allclose(np.exp(fit.x[0]), published[0, 0], atol=0.5)
    np.testing.assert_allclose(fit.x[1:3], published[:2, 2], atol=0.05)
    np.testing.assert_allclose(rms, published_rms, atol=0.001)
