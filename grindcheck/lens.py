"""A camera with Brown's lens as formulas: projection, its derivatives, and the way back.

With normalised coordinates ``x = X/Z``, ``y = Y/Z`` and ``r2 = x² + y²`` the lens is, with OpenCV's names::

    x_d = x (1 + k1 r2 + k2 r2² + k3 r2³) + 2 p1 x y + p2 (r2 + 2 x²)
    y_d = y (1 + k1 r2 + k2 r2² + k3 r2³) + p1 (r2 + 2 y²) + 2 p2 x y
    px  = centre_px + focal_px (x_d, y_d)

Pixels are square. Lens and pose are one vector of 13 parameters, in this order: log of the focal length (px),
cx, cy (px), k1, k2, p1, p2, rotation vector of ``cam_from_mat`` (rad), translation (mm). A 14th may follow:
k3, which a single photo can't tell; it is 0 where it isn't there.
"""

import math

import numpy as np
from numpy.typing import ArrayLike

from grindcheck.errors import CameraError
from grindcheck.geometry import Array

PARAMETERS = 13
K3 = PARAMETERS  # index of k3, if it is there

_UNIT = np.eye(3)


def rotation_matrix(vector: ArrayLike) -> Array:
    """Return the (3, 3) rotation of a rotation vector (Rodrigues)."""
    vector = np.asarray(vector, dtype=np.float64)
    angle = math.sqrt(vector.dot(vector))
    cross = _cross(vector)
    if angle < 1e-8:
        return np.asarray(_UNIT + cross)
    return np.asarray(
        _UNIT + np.sin(angle) / angle * cross + (1 - np.cos(angle)) / angle**2 * (cross @ cross)
    )


def rotation_vector(matrix: ArrayLike) -> Array:
    """Return the rotation vector of a (3, 3) rotation, its angle within 0..π.

    Examples
    --------
    >>> rotation_vector(np.diag([1.0, -1.0, -1.0])).round(6) + 0.0
    array([3.141593, 0.      , 0.      ])
    """
    matrix = np.asarray(matrix, dtype=np.float64)
    # the quaternion's squares and products; its largest component is divided by, so no case is singular
    trace = np.trace(matrix)
    table = np.empty((4, 4))
    table[0, 0] = trace
    table[0, 1:] = table[1:, 0] = (
        matrix[2, 1] - matrix[1, 2], matrix[0, 2] - matrix[2, 0], matrix[1, 0] - matrix[0, 1],
    )  # fmt: skip
    table[1:, 1:] = matrix + matrix.T - trace * np.eye(3)
    row = table + np.eye(4)
    quaternion = row[np.argmax(np.diag(row))]
    quaternion = quaternion / np.linalg.norm(quaternion)
    if quaternion[0] < 0:
        quaternion = -quaternion
    sine = np.linalg.norm(quaternion[1:])
    if sine < 1e-12:
        return np.asarray(2.0 * quaternion[1:])
    return np.asarray(2.0 * np.arctan2(sine, quaternion[0]) * quaternion[1:] / sine)


def distorted(normal: ArrayLike, distortion: ArrayLike) -> Array:
    """Apply the lens, k1, k2, p1, p2 and perhaps k3, to normalised coordinates of shape (N, 2)."""
    x, y = np.ascontiguousarray(np.asarray(normal, dtype=np.float64).T)
    return _bent(x, y, _five(distortion)).T


def undistorted(seen: ArrayLike, distortion: ArrayLike) -> Array:
    """Undo the lens by Newton's method, to 1e-9 in normalised coordinates.

    Raises
    ------
    CameraError
        If the lens folds the picture over there, so that no point is seen at these coordinates.
    """
    seen = np.ascontiguousarray(np.asarray(seen, dtype=np.float64).T)
    five = _five(distortion)
    normal = seen.copy()
    for step in range(21):
        misfit = _bent(normal[0], normal[1], five) - seen
        largest = float(np.abs(misfit).max(initial=0.0))  # NaN, too, where one is
        if step == 20 or largest < 1e-12 or not math.isfinite(largest):
            break
        (a, b), (c, d) = _lens_slopes(normal[0], normal[1], five)
        det = a * d - b * c
        normal[0] -= (d * misfit[0] - b * misfit[1]) / det
        normal[1] -= (a * misfit[1] - c * misfit[0]) / det
    if not largest < 1e-9:
        raise CameraError(
            "The lens found for this photo folds over at the picture's border.",
            advice="Keep the blade nearer to the mat's middle, or step back and zoom.",
        )
    return normal.T


def distortion_of(parameters: Array) -> Array:
    """Return k1, k2, p1, p2 and, if it is there, k3 of a parameter vector."""
    return np.concatenate([parameters[3:7], parameters[K3:]])


def project_points(parameters: ArrayLike, points_mm: ArrayLike) -> Array:
    """Project points (N, 3) of the mat's frame with a parameter vector; returns (N, 2) px."""
    parameters = np.asarray(parameters, dtype=np.float64)
    x, y, _ = _normalised(parameters, rotation_matrix(parameters[7:10]), points_mm)
    seen = _bent(x, y, _five(distortion_of(parameters)))
    return np.asarray((parameters[1:3, None] + np.exp(parameters[0]) * seen).T)


def projection_jacobian(parameters: ArrayLike, points_mm: ArrayLike) -> tuple[Array, Array]:
    """Project points and return the derivatives too.

    Returns
    -------
    points_px : ndarray, shape (N, 2)
    jacobian : ndarray, shape (N, 2, 13) or (N, 2, 14)
        Derivatives of x and y by the parameters, as many as came.
    """
    parameters = np.asarray(parameters, dtype=np.float64)
    points_mm = np.asarray(points_mm, dtype=np.float64)
    rotation = rotation_matrix(parameters[7:10])
    x, y, depth = _normalised(parameters, rotation, points_mm)
    focal = np.exp(parameters[0])
    five = _five(distortion_of(parameters))
    from_centre = focal * _bent(x, y, five)

    # a row for each parameter and coordinate, so that each is written in one piece
    rows = np.zeros((2, len(parameters), len(points_mm)))
    by_x, by_y = rows
    rows[:, 0] = from_centre
    by_x[1] = by_y[2] = 1.0
    r2 = x * x + y * y
    by_x[3], by_y[3] = focal * x * r2, focal * y * r2
    rows[:, 4] = rows[:, 3] * r2
    by_x[5] = by_y[6] = focal * 2 * x * y
    by_y[5], by_x[6] = focal * (r2 + 2 * y * y), focal * (r2 + 2 * x * x)
    if len(parameters) > K3:
        by_x[K3], by_y[K3] = focal * x * r2**3, focal * y * r2**3
    for row, (along_x, along_y) in zip(rows, _lens_slopes(x, y, five), strict=True):
        row[10] = focal * along_x / depth
        row[11] = focal * along_y / depth
        row[12] = -focal * (along_x * x + along_y * y) / depth
    jacobian = np.ascontiguousarray(rows.transpose(2, 0, 1))
    # d(R(v) p)/dv = -R [p]x Jr(v), with the right Jacobian of SO(3)
    turned = -np.einsum("ij,njk,kl->nil", rotation, _crosses(points_mm), _right_jacobian(parameters[7:10]))
    jacobian[:, :, 7:10] = np.einsum("nij,njk->nik", jacobian[:, :, 10:13], turned)
    return (parameters[1:3, None] + from_centre).T, jacobian


def _normalised(parameters: Array, rotation: Array, points_mm: ArrayLike) -> tuple[Array, Array, Array]:
    """Return X/Z, Y/Z and Z of points of the mat's frame, each of shape (N,)."""
    points_cam = np.asarray(points_mm, dtype=np.float64) @ rotation.T + parameters[10:13]
    x, y, depth = np.ascontiguousarray(points_cam.T)
    return x / depth, y / depth, depth


def _bent(x: Array, y: Array, five: list[float]) -> Array:
    """Apply the lens to normalised coordinates; x and y are rows of what comes back, shape (2, N)."""
    k1, k2, p1, p2, k3 = five
    xx, yy = x * x, y * y
    r2 = xx + yy
    radial = 1 + r2 * (k1 + r2 * (k2 + k3 * r2))
    out = np.empty((2, len(x)))
    out[0] = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * xx)
    out[1] = y * radial + p1 * (r2 + 2 * yy) + 2 * p2 * x * y
    return out


def _lens_slopes(x: Array, y: Array, five: list[float]) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
    """Return the derivatives of both coordinates by both normalised ones."""
    k1, k2, p1, p2, k3 = five
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + k3 * r2))
    slope = 2 * (k1 + r2 * (2 * k2 + 3 * k3 * r2))  # of the radial factor, by x is x times this
    cross = x * y * slope + 2 * p1 * x + 2 * p2 * y
    return (
        (radial + x * x * slope + 2 * p1 * y + 6 * p2 * x, cross),
        (cross, radial + y * y * slope + 6 * p1 * y + 2 * p2 * x),
    )


def _five(distortion: ArrayLike) -> list[float]:
    """Return k1, k2, p1, p2, k3, the last 0 if it isn't there."""
    given: list[float] = np.asarray(distortion, dtype=np.float64).tolist()
    return given if len(given) > 4 else [*given, 0.0]


def _cross(vector: Array) -> Array:
    x, y, z = vector
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])


def _crosses(points: Array) -> Array:
    out = np.zeros((len(points), 3, 3))
    out[:, 0, 1], out[:, 0, 2], out[:, 1, 2] = -points[:, 2], points[:, 1], -points[:, 0]
    out[:, 1, 0], out[:, 2, 0], out[:, 2, 1] = points[:, 2], -points[:, 1], points[:, 0]
    return out


def _right_jacobian(vector: Array) -> Array:
    angle = math.sqrt(vector.dot(vector))
    cross = _cross(vector)
    if angle < 1e-5:
        return np.asarray(_UNIT - 0.5 * cross + cross @ cross / 6)
    return np.asarray(
        _UNIT - (1 - np.cos(angle)) / angle**2 * cross + (angle - np.sin(angle)) / angle**3 * (cross @ cross)
    )
