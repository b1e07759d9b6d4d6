"""The least squares behind `grindcheck.camera`: misfit and derivatives, minimum, posterior, and starts.

The unknowns are the 13 parameters of `grindcheck.lens` and then the print's stretch: the logarithm of its
scale along x over that along y. Where a calibrated lens has k3, it comes last, as the 15th.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from grindcheck.geometry import Array
from grindcheck.lens import (
    PARAMETERS,
    project_points,
    projection_jacobian,
    rotation_matrix,
    rotation_vector,
)

STRETCH = PARAMETERS  # index of the print's stretch
UNKNOWNS = PARAMETERS + 1  # without k3

_NEIGHBOURS_MM = 42.0  # three and a half squares: corners nearer than that may err alike


@dataclass(frozen=True, slots=True)
class Problem:
    """Squared misfit over variance plus prior, as a function of the unknowns.

    Parameters
    ----------
    corner_mm, corner_px : ndarray, shape (N, 2)
        Crossings on the mat and in the photo.
    std : float
        Of each coordinate of a corner, px.
    prior, precision : ndarray, shape (14,) or (15,)
        Prior means of the unknowns and one over their variances.
    known, information : ndarray, shape (14,) and (14, 14) or (15,) and (15, 15), optional
        A second prior, whose unknowns may be correlated: means and inverse covariance.
    """

    corner_mm: Array
    corner_px: Array
    std: float
    prior: Array
    precision: Array
    known: Array | None = None
    information: Array | None = None

    def _pull(self, parameters: Array) -> tuple[Array, Array]:
        """Return the priors' information matrix, and how they pull at the parameters."""
        matrix = np.diag(self.precision)
        slope = self.precision * (parameters - self.prior)
        if self.known is None or self.information is None:
            return matrix, slope
        return matrix + self.information, slope + self.information @ (parameters - self.known)

    def _points(self, parameters: Array) -> Array:
        half = parameters[STRETCH] / 2
        flat = self.corner_mm * np.exp([half, -half])
        return np.column_stack([flat, np.zeros(len(flat))])

    def misfit(self, parameters: Array) -> Array:
        """Return where the model sees the corners less where the photo has them, shape (N, 2), px."""
        seen = project_points(camera_of(parameters), self._points(parameters))
        return np.asarray(seen - self.corner_px)

    def linear(self, parameters: Array) -> tuple[Array, Array]:
        """Return the misfit and its derivatives, shape (N, 2, 14) or (N, 2, 15)."""
        points_mm = self._points(parameters)
        seen, by_camera = projection_jacobian(camera_of(parameters), points_mm)
        # moving a point by d moves it in the camera's frame by R d, as a translation would
        by_place = by_camera[:, :, 10:13] @ rotation_matrix(parameters[7:10])[:, :2]
        by_stretch = by_place @ (points_mm[:, :2] * [0.5, -0.5])[:, :, None]
        parts = [by_camera[:, :, :STRETCH], by_stretch, by_camera[:, :, STRETCH:]]
        return seen - self.corner_px, np.concatenate(parts, axis=2)

    def cost(self, parameters: Array, *, robust: bool = False) -> float:
        """Return the sum; with ``robust``, Cauchy's function of each corner instead of the square."""
        squares = np.sum(self.misfit(parameters) ** 2, axis=1) / self.std**2
        data = np.log1p(squares).sum() if robust else squares.sum()
        total = float(data + np.sum(self.precision * (parameters - self.prior) ** 2))
        if self.known is not None and self.information is not None:
            away = parameters - self.known
            total += float(away @ self.information @ away)
        return total

    def minimum(self, start: Array, *, robust: bool = False) -> tuple[Array, float]:
        """Minimise by Levenberg-Marquardt; return parameters and the minimum.

        It ends where a full Gauss-Newton step would gain next to nothing. What a damped step gains doesn't
        tell that: in the valley of focal length, distance and tilt it is small far from the minimum.
        """
        parameters, cost, damping = start, self.cost(start, robust=robust), 1e-3
        for _ in range(300):
            misfit, jacobian = self.linear(parameters)
            misfit = misfit / self.std
            weight = 1.0 / (1.0 + np.sum(misfit**2, axis=1)) if robust else np.ones(len(misfit))
            rows = (jacobian / self.std * np.sqrt(weight)[:, None, None]).reshape(-1, len(parameters))
            information, pull = self._pull(parameters)
            matrix = rows.T @ rows + information
            slope = rows.T @ (misfit * np.sqrt(weight)[:, None]).ravel() + pull
            # the robust minimum is but a start
            if slope @ np.linalg.solve(matrix, slope) <= (1e-3 * (1.0 + cost) if robust else 1e-4):
                break
            while damping < 1e8:
                step = np.linalg.solve(matrix + damping * np.diag(np.diag(matrix)), -slope)
                candidate = moved(parameters, step)
                new = self.cost(candidate, robust=robust)
                if new <= cost:
                    parameters, cost, damping = candidate, new, max(damping / 10, 1e-12)
                    break
                damping *= 10
            else:
                break
        return parameters, cost

    def posterior(self, parameters: Array) -> tuple[Array, float, float, float]:
        """Return covariance, the factor on the corners' std (at least 1), rms and largest misfit in px."""
        left, jacobian = self.linear(parameters)
        rows = jacobian.reshape(-1, len(parameters))
        normal = rows.T @ rows
        square = float(np.sum(left**2))
        away = np.linalg.norm(self.corner_mm[:, None] - self.corner_mm, axis=2)
        # neighbours that err alike count for less than as many corners (Conley's sum over near pairs)
        alike = max(1.0, float(np.sum((left @ left.T)[away < _NEIGHBOURS_MM])) / max(square, 1e-30))
        information, _ = self._pull(parameters)
        ratio = 1.0
        for _ in range(3):  # the equations spent depend on the priors' weight, which depends on the ratio
            covariance = np.linalg.inv(normal / (ratio * self.std) ** 2 + information)
            spent = np.trace(covariance @ normal) / (ratio * self.std) ** 2
            birge = max(1.0, np.sqrt(square / max(2 * len(left) - spent, 1.0)) / self.std)
            ratio = float(birge * np.sqrt(alike))
        covariance = np.linalg.inv(normal / (ratio * self.std) ** 2 + information)
        largest = float(np.linalg.norm(left, axis=1).max())
        rms = float(np.sqrt(square / len(left)))
        return np.asarray(covariance, dtype=np.float64), ratio, rms, largest


@dataclass(frozen=True, slots=True)
class Fit:
    """A problem, its minimum, shape (14,) or (15,), and the covariance there.

    Parameters
    ----------
    problem : Problem
    unknowns : ndarray, shape (N,)
    covariance : ndarray, shape (N, N)
    lens_pull : ndarray, shape (N, K), or None
        What each independent error of a calibrated lens, of one standard uncertainty, adds to the slope of
        the problem; None without such a lens.
    """

    problem: Problem
    unknowns: Array
    covariance: Array
    lens_pull: Array | None = None


def moved(unknowns: Array, step: Array) -> Array:
    """Take a step so that what it leaves as it is to first order stays so farther on.

    Focal length and distance make the picture's scale together. A straight step along their valley would
    change the scale by the square of what it changes each; in their logarithms, and with the mat's origin
    moved straight in the picture, it doesn't.
    """
    after = unknowns + step
    place, far = unknowns[10:13], unknowns[12]
    if far <= 0:
        return np.asarray(after)
    after[12] = far * np.exp(step[12] / far)
    # the origin in the picture, in focal lengths of the start
    seen = (place[:2] + step[10:12]) / far + place[:2] / far * (step[0] - step[12] / far)
    after[10:12] = seen * after[12] * np.exp(-step[0])
    return np.asarray(after)


def camera_of(unknowns: Array) -> Array:
    """Return the unknowns without the stretch along every axis: a parameter vector, or its covariance.

    Parameters
    ----------
    unknowns : ndarray, shape (14,), (15,), (14, 14) or (15, 15)
    """
    for axis in range(unknowns.ndim):
        unknowns = np.delete(unknowns, STRETCH, axis)
    return unknowns


def planar_poses(corner_mm: Array, normal: Array) -> list[Array]:
    """Return the pose that a homography gives, and its mirror about the line of sight."""
    homography = fit_homography(corner_mm, normal)
    homography = homography / np.sqrt(np.linalg.norm(homography[:, 0]) * np.linalg.norm(homography[:, 1]))
    if homography[2, 2] < 0:
        homography = -homography
    first, second = homography[:, 0], homography[:, 1]
    left, _, right = np.linalg.svd(np.column_stack([first, second, np.cross(first, second)]))
    rotation = left @ np.diag([1, 1, np.linalg.det(left @ right)]) @ right
    translation = homography[:, 2]
    sight = translation / np.linalg.norm(translation)
    axis = rotation[:, 2]
    poses = [np.concatenate([rotation_vector(rotation), translation])]
    turn = np.cross(axis, -sight)
    # the mirror pose turns the mat's normal to the other side of the line of sight
    if np.linalg.norm(turn) > 0.02:
        turn *= 2 * np.arcsin(np.clip(np.linalg.norm(turn), 0, 1)) / np.linalg.norm(turn)
        poses.append(np.concatenate([rotation_vector(rotation_matrix(turn) @ rotation), translation]))
    return poses


def level_poses(corner_mm: Array, normal: Array, tilt_rad: float) -> list[Array]:
    """Return the pose that a similarity gives, square-on, and four tilted from it about the corners' middle.

    Few corners round one corner of the mat, bent by a lens, can give a homography far from any pose;
    hand-held cameras are tilted by less than these starts reach.
    """
    middle_mm, middle = corner_mm.mean(axis=0), normal.mean(axis=0)
    x, y = (corner_mm - middle_mm).T
    u, v = (normal - middle).T
    # u, v = a x + b y, b x - a y: seen from above, the mat's y is up and the picture's down
    a, b = np.array([u @ x - v @ y, u @ y + v @ x]) / (x @ x + y @ y)
    scale = max(float(np.hypot(a, b)), 1e-12)
    level = np.array([[a, b, 0.0], [b, -a, 0.0], [0.0, 0.0, -scale]]) / scale
    place = np.array([*middle, 1.0]) / scale
    poses = []
    for turn in np.array([[0.0, 0.0], [1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]]) * tilt_rad:
        rotation = rotation_matrix([*turn, 0.0]) @ level
        poses.append(np.concatenate([rotation_vector(rotation), place - rotation[:, :2] @ middle_mm]))
    return poses


def fit_homography(source: ArrayLike, target: ArrayLike) -> Array:
    """Return the (3, 3) homography from source to target points (N, 2), by normalised direct solution."""
    source, target = np.asarray(source, dtype=np.float64), np.asarray(target, dtype=np.float64)
    whiten_source, whiten_target = _whitening(source), _whitening(target)
    x, y = (source * whiten_source[0, 0] + whiten_source[:2, 2]).T
    u, v = (target * whiten_target[0, 0] + whiten_target[:2, 2]).T
    one, zero = np.ones_like(x), np.zeros_like(x)
    rows = np.concatenate(
        [
            np.column_stack([x, y, one, zero, zero, zero, -u * x, -u * y, -u]),
            np.column_stack([zero, zero, zero, x, y, one, -v * x, -v * y, -v]),
        ]
    )
    solution = np.linalg.eigh(rows.T @ rows)[1][:, 0].reshape(3, 3)
    return np.asarray(np.linalg.inv(whiten_target) @ solution @ whiten_source)


def _whitening(points: Array) -> Array:
    middle = points.mean(axis=0)
    factor = np.sqrt(2) / max(float(np.sqrt(np.mean(np.sum((points - middle) ** 2, axis=1)))), 1e-12)
    return np.array([[factor, 0, -factor * middle[0]], [0, factor, -factor * middle[1]], [0, 0, 1]])
