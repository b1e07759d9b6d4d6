"""A camera with Brown's lens as formulas: projection, its derivatives, and the way back.

With normalised coordinates ``x = X/Z``, ``y = Y/Z`` and ``r2 = x² + y²`` the lens is, with OpenCV's names::

    x_d = x (1 + k1 r2 + k2 r2² + k3 r2³) + 2 p1 x y + p2 (r2 + 2 x²)
    y_d = y (1 + k1 r2 + k2 r2² + k3 r2³) + p1 (r2 + 2 y²) + 2 p2 x y
    px  = centre_px + focal_px (x_d, y_d)

Pixels are square. Lens and pose are one vector of 13 parameters, in this order: log of the focal length (px),
cx, cy (px), k1, k2, p1, p2, rotation vector of ``cam_from_mat`` (rad), translation (mm). A 14th may follow:
k3, which a single photo can't tell; it is 0 where it isn't there.
"""

import numpy as np
from numpy.typing import ArrayLike

from grindcheck.errors import CameraError
from grindcheck.geometry import Array

PARAMETERS = 13
K3 = PARAMETERS  # index of k3, if it is there


def rotation_matrix(vector: ArrayLike) -> Array:
    """Return the (3, 3) rotation of a rotation vector (Rodrigues)."""
    vector = np.asarray(vector, dtype=np.float64)
    angle = float(np.linalg.norm(vector))
    cross = _cross(vector)
    if angle < 1e-8:
        return np.asarray(np.eye(3) + cross)
    return np.asarray(
        np.eye(3) + np.sin(angle) / angle * cross + (1 - np.cos(angle)) / angle**2 * (cross @ cross)
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
    x, y = np.asarray(normal, dtype=np.float64).T
    k1, k2, p1, p2, k3 = _five(distortion)
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + k3 * r2))
    return np.column_stack(
        [
            x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
            y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y,
        ]
    )


def undistorted(seen: ArrayLike, distortion: ArrayLike) -> Array:
    """Undo the lens by Newton's method, to 1e-9 in normalised coordinates.

    Raises
    ------
    CameraError
        If the lens folds the picture over there, so that no point is seen at these coordinates.
    """
    seen = np.asarray(seen, dtype=np.float64)
    normal = seen.copy()
    for _ in range(20):
        misfit = distorted(normal, distortion) - seen
        if not np.isfinite(misfit).all() or len(misfit) == 0 or np.max(np.abs(misfit)) < 1e-12:
            break
        (a, b), (c, d) = _lens_slopes(normal[:, 0], normal[:, 1], np.asarray(distortion))
        det = a * d - b * c
        normal -= np.column_stack(
            [d * misfit[:, 0] - b * misfit[:, 1], a * misfit[:, 1] - c * misfit[:, 0]]
        ) / det[:, None]  # fmt: skip
    misfit = distorted(normal, distortion) - seen
    if len(misfit) and not np.max(np.abs(misfit)) < 1e-9:
        raise CameraError(
            "The lens found for this photo folds over at the picture's border.",
            advice="Keep the blade nearer to the mat's middle, or step back and zoom.",
        )
    return normal


def distortion_of(parameters: Array) -> Array:
    """Return k1, k2, p1, p2 and, if it is there, k3 of a parameter vector."""
    return np.concatenate([parameters[3:7], parameters[K3:]])


def project_points(parameters: ArrayLike, points_mm: ArrayLike) -> Array:
    """Project points (N, 3) of the mat's frame with a parameter vector; returns (N, 2) px."""
    parameters = np.asarray(parameters, dtype=np.float64)
    points_cam = (
        np.asarray(points_mm, dtype=np.float64) @ rotation_matrix(parameters[7:10]).T + parameters[10:13]
    )
    return np.asarray(
        parameters[1:3]
        + np.exp(parameters[0]) * distorted(points_cam[:, :2] / points_cam[:, 2:], distortion_of(parameters))
    )


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
    vector = parameters[7:10]
    rotation = rotation_matrix(vector)
    points_cam = points_mm @ rotation.T + parameters[10:13]
    depth = points_cam[:, 2]
    x, y = points_cam[:, 0] / depth, points_cam[:, 1] / depth
    focal = np.exp(parameters[0])
    distortion = distortion_of(parameters)
    seen = distorted(np.column_stack([x, y]), distortion)
    r2 = x * x + y * y

    jacobian = np.zeros((len(points_mm), 2, len(parameters)))
    jacobian[:, :, 0] = focal * seen
    jacobian[:, 0, 1] = jacobian[:, 1, 2] = 1.0
    jacobian[:, 0, 3], jacobian[:, 1, 3] = focal * x * r2, focal * y * r2
    jacobian[:, 0, 4], jacobian[:, 1, 4] = focal * x * r2 * r2, focal * y * r2 * r2
    jacobian[:, 0, 5], jacobian[:, 1, 5] = focal * 2 * x * y, focal * (r2 + 2 * y * y)
    jacobian[:, 0, 6], jacobian[:, 1, 6] = focal * (r2 + 2 * x * x), focal * 2 * x * y
    if len(parameters) > K3:
        jacobian[:, 0, K3], jacobian[:, 1, K3] = focal * x * r2**3, focal * y * r2**3
    (a, b), (c, d) = _lens_slopes(x, y, distortion)
    for row, (by_x, by_y) in enumerate(((a, b), (c, d))):
        jacobian[:, row, 10] = focal * by_x / depth
        jacobian[:, row, 11] = focal * by_y / depth
        jacobian[:, row, 12] = -focal * (by_x * x + by_y * y) / depth
    # d(R(v) p)/dv = -R [p]x Jr(v), with the right Jacobian of SO(3)
    right = _right_jacobian(vector)
    turned = -np.einsum("ij,njk,kl->nil", rotation, _crosses(points_mm), right)
    jacobian[:, :, 7:10] = np.einsum("nij,njk->nik", jacobian[:, :, 10:13], turned)
    return np.asarray(parameters[1:3] + focal * seen), jacobian


def _lens_slopes(x: Array, y: Array, distortion: Array) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
    k1, k2, p1, p2, k3 = _five(distortion)
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + k3 * r2))
    slope = 2 * (k1 + r2 * (2 * k2 + 3 * k3 * r2))  # of the radial factor, by x is x times this
    cross = x * y * slope + 2 * p1 * x + 2 * p2 * y
    return (
        (radial + x * x * slope + 2 * p1 * y + 6 * p2 * x, cross),
        (cross, radial + y * y * slope + 6 * p1 * y + 2 * p2 * x),
    )


def _five(distortion: ArrayLike) -> Array:
    """Return k1, k2, p1, p2, k3, the last 0 if it isn't there."""
    given = np.asarray(distortion, dtype=np.float64)
    return given if len(given) > 4 else np.append(given, 0.0)


def _cross(vector: Array) -> Array:
    x, y, z = vector
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])


def _crosses(points: Array) -> Array:
    out = np.zeros((len(points), 3, 3))
    out[:, 0, 1], out[:, 0, 2], out[:, 1, 2] = -points[:, 2], points[:, 1], -points[:, 0]
    out[:, 1, 0], out[:, 2, 0], out[:, 2, 1] = points[:, 2], -points[:, 1], points[:, 0]
    return out


def _right_jacobian(vector: Array) -> Array:
    angle = float(np.linalg.norm(vector))
    cross = _cross(vector)
    if angle < 1e-5:
        return np.asarray(np.eye(3) - 0.5 * cross + cross @ cross / 6)
    return np.asarray(
        np.eye(3)
        - (1 - np.cos(angle)) / angle**2 * cross
        + (angle - np.sin(angle)) / angle**3 * (cross @ cross)
    )
