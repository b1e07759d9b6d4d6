"""Lens and position of the camera from the mat's crossings in one single photo.

`grindcheck.lens` has the formulas and the order of the parameters.
"""

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from grindcheck.errors import CameraError
from grindcheck.geometry import Array, frozen
from grindcheck.lens import PARAMETERS, distortion_of, project_points, rotation_matrix, undistorted
from grindcheck.lensstore import KnownLens
from grindcheck.posefit import STRETCH, UNKNOWNS, Fit, Problem, camera_of, level_poses, planar_poses

if TYPE_CHECKING:
    from grindcheck.mat.finding import MatView
    from grindcheck.photo import Photo

# Priors, one standard deviation. Phone lenses; "common practice, no source" unless a reason is given.
_WIDE_FOCAL_DIAGONALS = 1.0  # 26 to 80 mm equivalents are 0.60 to 1.85 diagonals
_WIDE_FOCAL_STD = 0.5  # of log focal: covers that range at one sigma
_CENTRE_STD_DIAGONALS = 0.01
_K_STD = 0.15
_P_STD = 0.001
_PRINTER_STD = 0.003  # of each axis of an unmeasured print: printers are 0.1 to 0.5 % off (from memory)
_SURE = 1e-6  # the least std of the print's stretch, so that its weight stays finite
_STARTS_DIAGONALS = (0.55, 0.8, 1.2, 1.9)  # starts without EXIF

_STD_FLOOR_PX = 0.01  # no corner is known better, whatever its noise says
_START_RATIO = 3.0  # starts whose misfit is this many times the best one's aren't followed
_OUTLIER = 6.0  # robust sigmas beyond which a corner doesn't belong to the mat
_MISFIT = 4.0  # sigmas at which the photo's corners overrule EXIF
_LENS_LEVEL = 0.999  # of chi-square, beyond which a known lens isn't this photo's
_RMS_LIMIT_DIAGONALS = 4e-4  # 2 px at 12 MP (diagonal 5000 px): beyond, the mat isn't flat or isn't a mat
_FEWEST = 8  # corners: 16 equations for 13 parameters
# In a close-up the priors must carry more, and a millimetre is six times as many pixels, so that paper which
# isn't quite flat misses by more of them: 0.2 mm at 25 px/mm are 5 px of 5000.
_CLOSE_FEWEST = 6
_CLOSE_TILT_RAD = 0.3  # of more starts
_CLOSE_FOCAL_STD = 0.05  # a lens of 6 mm, focused on 10 to 20 cm, stands 3 to 6 % farther out: f / (d - f)
_CLOSE_RMS_LIMIT_DIAGONALS = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """Lens and pose of one photo.

    Parameters
    ----------
    size_px : tuple of int
        Width and height of the picture.
    parameters : ndarray, shape (13,) or (14,)
        See `grindcheck.lens`.
    covariance : ndarray, shape (13, 13) or (14, 14)
        Posterior covariance of the parameters, priors included.
    focal_prior_share : float, 0..1
        Weight of the focal prior in the focal length found: its error, times this, is in the result.
    prior_gain : ndarray, shape (13,) or (14,)
        Change of each parameter per unit of relative error of the focal prior, so that two photos with one
        phone can share that error.
    lens_gain : ndarray, shape (13 or 14, K), or None
        Change of each parameter per standard uncertainty of each independent error of the calibration, so
        that two photos with one calibrated lens can share them; None where no lens was known or believed.
    rms_px, largest_px : float
        Distances from the corners used to where the model puts them.
    print_gain : ndarray, shape (13,) or (14,)
        Change of each parameter per standard uncertainty of the print's stretch, which all photos of one
        sheet have in common.
    scale : tuple of float
        Size of the print along x and y that goes with the parameters: as given, times the stretch found.
    stretch_std : float
        Relative standard uncertainty of the ratio of the two. Its error is in `covariance`; an error that
        both axes share isn't, because no photo could show it.
    corners : int
        Corners used.
    dropped : int
        Corners that didn't fit and were left out.
    flags : tuple of str
        ``focal_contradicts_exif``, ``lens_residual``, ``corners_dropped``, ``lens_contradicted``.
    fit : Fit, optional
        The least squares that it comes from, to be continued when another photo tells more.
    """

    size_px: tuple[int, int]
    parameters: Array
    covariance: Array
    focal_prior_share: float = 0.0
    prior_gain: Array
    print_gain: Array = field(default_factory=lambda: frozen(np.zeros(PARAMETERS)))
    lens_gain: Array | None = None
    rms_px: float = 0.0
    largest_px: float = 0.0
    scale: tuple[float, float] = (1.0, 1.0)
    stretch_std: float = 0.0
    corners: int = 0
    dropped: int = 0
    flags: tuple[str, ...] = ()
    fit: Fit | None = None

    @property
    def focal_px(self) -> float:
        """Focal length in pixels."""
        return float(np.exp(self.parameters[0]))

    @property
    def centre_px(self) -> Array:
        """Principal point, shape (2,)."""
        return self.parameters[1:3]

    @property
    def distortion(self) -> Array:
        """Coefficients (k1, k2, p1, p2) and, if the calibrated lens has it, k3."""
        return distortion_of(self.parameters)

    @property
    def rotation(self) -> Array:
        """Rotation ``cam_from_mat``, shape (3, 3)."""
        return rotation_matrix(self.parameters[7:10])

    @property
    def translation(self) -> Array:
        """Translation ``cam_from_mat`` in mm, shape (3,)."""
        return self.parameters[10:13]

    @property
    def centre_mm(self) -> Array:
        """Where the camera stands in the mat's frame, shape (3,)."""
        return np.asarray(-self.rotation.T @ self.translation)

    @property
    def tilt_rad(self) -> float:
        """Angle between the camera's axis and the mat's normal."""
        return float(np.arccos(np.clip(-self.rotation[2, 2], -1.0, 1.0)))

    @property
    def distance_mm(self) -> float:
        """Height of the camera above the paper."""
        return float(self.centre_mm[2])

    def with_parameters(self, parameters: ArrayLike) -> "Camera":
        """Return the same camera with other parameters, for propagation."""
        return replace(self, parameters=frozen(parameters))

    def px_from_mm(self, points_mm: ArrayLike) -> Array:
        """Project points of the mat's frame, shape (N, 3), into the photo, shape (N, 2)."""
        return project_points(self.parameters, points_mm)

    def mm_from_px(self, points_px: ArrayLike, height_mm: ArrayLike) -> Array:
        """Intersect the viewing rays of pixels with the planes z = height.

        Parameters
        ----------
        points_px : array_like, shape (N, 2)
        height_mm : float or array_like, shape (N,)
            Height above the paper.

        Returns
        -------
        ndarray, shape (N, 2)
            x and y in the mat's frame, mm.
        """
        points_px = np.asarray(points_px, dtype=np.float64)
        normal = undistorted((points_px - self.centre_px) / self.focal_px, self.distortion)
        rays = np.column_stack([normal, np.ones(len(normal))]) @ self.rotation
        eye = self.centre_mm
        along = (np.asarray(height_mm, dtype=np.float64) - eye[2]) / rays[:, 2]
        return np.asarray(eye[:2] + along[:, None] * rays[:, :2])


def solve_camera(
    view: "MatView",
    photo: "Photo",
    *,
    scale: tuple[float, float] = (1.0, 1.0),
    scale_std: float = _PRINTER_STD,
    close_up: bool = False,
    lens: KnownLens | None = None,
) -> Camera:
    """Find lens and pose from the mat's crossings in one photo.

    Parameters
    ----------
    view : MatView
        Crossings in mm and px.
    photo : Photo
        For its size and its focal prior.
    scale : tuple of float
        True over nominal size of the print along x and y.
    scale_std : float
        Relative standard uncertainty of each. The default is that of an unmeasured print.
    close_up : bool
        Whether a strip or a corner of the mat will do: six crossings, more of a misfit in pixels, and a focal
        length that focusing near by has moved.
    lens : KnownLens, optional
        The lens as it was calibrated. It is a prior, and dropped where the photo's own corners speak against
        it.

    Returns
    -------
    Camera

    Raises
    ------
    CameraError
        If there are too few crossings, or they fit no camera over a flat mat.

    Notes
    -----
    Maximum a posteriori by Levenberg-Marquardt with an analytic Jacobian. Priors: log focal from EXIF, else
    1.0 ± 0.5 diagonals; principal point at the picture's middle ± 1 % of the diagonal; k1, k2 0 ± 0.15;
    p1, p2 0 ± 0.001. The print's stretch, the ratio of its two scales, is estimated along with them: 0.4 % of
    it, unknown, would otherwise be taken for tilt and for a focal length wrong by a factor of two. Corners
    beyond six robust sigmas are left out. The covariance is the inverse of the posterior's Gauss-Newton
    matrix, with the corners' std raised until the residuals have their expected size (Birge's ratio, never
    lowered), and raised further where neighbouring residuals go the same way (Conley's sum), as they do under
    a moustache-shaped lens or on a sheet that isn't flat.

    It is wrong where the model is: an even bend of the sheet looks like lens distortion and focal length to a
    single photo, leaves little residual, and is not in the covariance. What does remain shows in
    `largest_px` and the flag ``lens_residual``.

    References
    ----------
    D. C. Brown, Close-range camera calibration, Photogrammetric Engineering 37 (1971), for the lens.
    R. T. Birge, The calculation of errors by the method of least squares, Phys. Rev. 40 (1932).
    T. G. Conley, GMM estimation with cross sectional dependence, J. Econometrics 92 (1999); here the sum over
    near pairs scales the whole covariance, where his matrix weighs each direction by itself.
    """
    height, width = photo.bgr.shape[:2]
    corner_mm = np.asarray(view.corner_mm) * np.asarray(scale)
    corner_px = np.asarray(view.corner_px)
    fewest = _CLOSE_FEWEST if close_up else _FEWEST
    if len(corner_px) < fewest:
        raise CameraError(
            f"Only {len(corner_px)} crossings of the mat's frame are seen, {fewest} at least are needed.",
            advice="Photograph the mat so that more of its frame is in the picture and uncovered.",
        )
    focal_std = photo.focal_rel_std
    if close_up and focal_std is not None:
        focal_std = float(np.hypot(focal_std, _CLOSE_FOCAL_STD))
    prior, precision = _prior(width, height, photo.focal_px, focal_std, scale_std)
    std = max(view.corner_std_px, _STD_FLOOR_PX)
    flags: list[str] = []
    best, used = _estimate(corner_mm, corner_px, std, prior, precision, photo.focal_px is not None, close_up)
    if photo.focal_px is not None:
        covariance, *_ = Problem(corner_mm[used], corner_px[used], std, prior, precision).posterior(best)
        slack = 1.0 / precision[0] - covariance[0, 0]
        if abs(best[0] - prior[0]) > _MISFIT * np.sqrt(max(slack, 1e-12)):
            flags.append("focal_contradicts_exif")
            prior, precision = _prior(width, height, None, None, scale_std)
            best, used = _estimate(corner_mm, corner_px, std, prior, precision, False, close_up)
    problem = Problem(corner_mm[used], corner_px[used], std, prior, precision)
    _, ratio, _, _ = problem.posterior(best)
    # the priors weigh against the corners as the residuals show them to be
    problem = replace(problem, std=ratio * std)
    best, _ = problem.minimum(best)
    lens_pull = None
    if lens is not None:
        better = _with_lens(problem, best, lens, (width, height))
        if better is None:
            flags.append("lens_contradicted")
        else:
            problem, best, lens_pull = better
    covariance, more, rms, largest = problem.posterior(best)
    ratio *= more
    diagonal = float(np.hypot(width, height))
    dropped = int(np.sum(~used))
    rms_limit = (_CLOSE_RMS_LIMIT_DIAGONALS if close_up else _RMS_LIMIT_DIAGONALS) * diagonal
    if rms > rms_limit or dropped > 0.3 * len(used):
        raise CameraError(
            f"The mat's crossings miss every camera over a flat sheet by {rms:.2f} px rms "
            f"(limit {rms_limit:.2f} px), {dropped} of {len(used)} left out.",
            advice="Lay the mat flat (tape or glue a curled or creased sheet to a board), use the sheet as "
            "printed, and keep the camera still.",
        )
    if dropped:
        flags.append("corners_dropped")
    if ratio > 3.0 and largest > 1e-4 * diagonal:
        flags.append("lens_residual")
    fit = Fit(problem=problem, unknowns=best, covariance=covariance, lens_pull=lens_pull)
    camera = Camera(
        **told(fit, scale=scale),
        size_px=(width, height),
        rms_px=rms,
        largest_px=largest,
        corners=int(np.sum(used)),
        dropped=dropped,
        flags=tuple(flags),
    )
    if camera.distance_mm <= 0:
        raise CameraError(
            "The camera comes out below the paper.", advice="Photograph the printed side from above."
        )
    return camera


def told(fit: Fit, *, scale: tuple[float, float]) -> dict[str, Any]:
    """Return the fields of `Camera` that follow from a fit.

    Parameters
    ----------
    fit : Fit
    scale : tuple of float
        Size of the print along x and y, before its stretch.
    """
    best, covariance, precision = fit.unknowns, fit.covariance, float(fit.problem.precision[0])
    stretch = float(np.exp(best[STRETCH] / 2))
    print_gain = covariance[:, STRETCH] / np.sqrt(covariance[STRETCH, STRETCH])
    lens_gain = None
    if fit.lens_pull is not None:  # what a lens does by way of the print's stretch is the print's
        apart = covariance - np.outer(print_gain, print_gain)
        lens_gain = frozen(np.delete(apart @ fit.lens_pull, STRETCH, axis=0))
    return {
        "parameters": frozen(camera_of(best)),
        "covariance": frozen(camera_of(covariance)),
        "focal_prior_share": float(covariance[0, 0] * precision),
        "prior_gain": frozen(camera_of(covariance[:, 0]) * precision),
        "print_gain": frozen(camera_of(print_gain)),
        "lens_gain": lens_gain,
        "scale": (scale[0] * stretch, scale[1] / stretch),
        "stretch_std": float(np.sqrt(covariance[STRETCH, STRETCH])),
        "fit": fit,
    }


def _with_lens(
    problem: Problem, best: Array, lens: KnownLens, size_px: tuple[int, int]
) -> tuple[Problem, Array, Array] | None:
    """Fit again with a known lens: problem, unknowns, pull of its errors; None if contradicted."""
    known, information = lens.prior(*size_px)
    if len(known) > UNKNOWNS:  # k3 too: what this photo alone tells must be asked of the same model
        problem = replace(
            problem,
            prior=np.append(problem.prior, 0.0),
            precision=np.append(problem.precision, _K_STD**-2),
        )
        best, _ = problem.minimum(np.append(best, 0.0))
    if not _agrees(best, problem.posterior(best)[0], known, information):
        return None
    problem = replace(problem, known=known, information=information)
    best, _ = problem.minimum(best)
    return problem, best, information @ lens.shared_errors()


def _agrees(best: Array, covariance: Array, known: Array, information: Array) -> bool:
    """Whether what a photo alone tells of the lens may be the lens that is known: a chi-square test."""
    from scipy import stats

    told = np.flatnonzero(np.diag(information) > 0)
    both = covariance[np.ix_(told, told)] + np.linalg.inv(information[np.ix_(told, told)])
    away = best[told] - known[told]
    square = float(away @ np.linalg.solve(both, away))
    return square <= float(stats.chi2.ppf(_LENS_LEVEL, len(told)))


def _prior(
    width: int, height: int, focal_px: float | None, rel_std: float | None, scale_std: float
) -> tuple[Array, Array]:
    """Return prior means and precisions of the 13 parameters (pose: none) and the stretch."""
    diagonal = float(np.hypot(width, height))
    focal = _WIDE_FOCAL_DIAGONALS * diagonal if focal_px is None else focal_px
    std = _WIDE_FOCAL_STD if focal_px is None or rel_std is None else rel_std
    mean = np.zeros(PARAMETERS + 1)
    mean[:3] = np.log(focal), (width - 1) / 2, (height - 1) / 2
    stds = np.array([std, *[_CENTRE_STD_DIAGONALS * diagonal] * 2, _K_STD, _K_STD, _P_STD, _P_STD])
    # the logarithm of a ratio of two independent scales
    stretch_std = max(np.sqrt(2) * scale_std, _SURE)
    return mean, np.concatenate([stds**-2, np.zeros(6), [stretch_std**-2]])


def _estimate(
    corner_mm: Array,
    corner_px: Array,
    std: float,
    prior: Array,
    precision: Array,
    focal_known: bool,
    close_up: bool,
) -> tuple[Array, "np.ndarray[tuple[int], np.dtype[np.bool_]]"]:
    """Fit from several starts, leave out what doesn't belong, fit again."""
    diagonal = np.hypot(*(2 * prior[1:3] + 1))
    factors = (1.0,) if focal_known else _STARTS_DIAGONALS
    focals = [np.exp(prior[0]) if focal_known else factor * diagonal for factor in factors]
    starts = [
        np.concatenate([[np.log(focal)], prior[1:7], pose, [0.0]])
        for focal in focals
        for pose in _poses(corner_mm, (corner_px - prior[1:3]) / focal, close_up)
    ]
    # twenty times the noise: a blunder mustn't choose the start, and the basin is wider
    problem = Problem(corner_mm, corner_px, 20 * std, prior, precision)
    costs = [problem.cost(start, robust=True) for start in starts]
    ratio = np.inf if close_up else _START_RATIO
    near = [start for cost, start in zip(costs, starts, strict=True) if cost <= ratio * min(costs)]
    fits = [problem.minimum(start, robust=True) for start in near]
    best = min(fits, key=lambda fit: fit[1])[0]
    used = np.ones(len(corner_px), dtype=np.bool_)
    for _ in range(6):
        miss = np.linalg.norm(problem.misfit(best), axis=1)
        # the median of a Rayleigh distribution is 1.1774 sigma (closed form: sqrt(2 ln 2))
        sigma = max(float(np.median(miss[used])) / np.sqrt(2 * np.log(2)), std)
        keep = miss < _OUTLIER * sigma
        if keep.sum() < (_CLOSE_FEWEST if close_up else _FEWEST):
            break
        settled, used = np.array_equal(keep, used), keep
        best, _ = Problem(corner_mm[used], corner_px[used], std, prior, precision).minimum(best)
        if settled:
            break
    return best, used


def _poses(corner_mm: Array, normal: Array, close_up: bool) -> list[Array]:
    poses = planar_poses(corner_mm, normal)
    return [*poses, *level_poses(corner_mm, normal, _CLOSE_TILT_RAD)] if close_up else poses
