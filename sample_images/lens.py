"""The phone's camera: pinhole, lens distortion and pose.

Pixel centres lie at whole numbers, the origin is the centre of the top-left pixel, x right, y down; the
picture is the one a viewer shows, after the EXIF turn. Frame ``cam``: x right, y down, z forward, mm.
Distortion is Brown's, as OpenCV writes it: ``(k1, k2, p1, p2, k3)``.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)


@dataclass(frozen=True, kw_only=True)
class Camera:
    """One photo's camera.

    Parameters
    ----------
    width_px, height_px : int
        Size of the picture.
    focal_px : float
        True focal length.
    centre_px : tuple of float
        Principal point.
    distortion : tuple of float
        ``(k1, k2, p1, p2, k3)``.
    cam_from_mat : ndarray, shape (3, 3)
        Rotation.
    shift_mm : ndarray, shape (3,)
        Translation: ``p_cam = cam_from_mat @ p_mat + shift_mm``.
    """

    width_px: int
    height_px: int
    focal_px: float
    centre_px: tuple[float, float]
    distortion: tuple[float, float, float, float, float]
    cam_from_mat: Array
    shift_mm: Array

    @property
    def place_mm(self) -> Array:
        """Centre of the lens in the mat's frame, shape (3,)."""
        return -self.cam_from_mat.T @ self.shift_mm

    def project(self, points_mm: ArrayLike) -> Array:
        """Return the pixels, shape (N, 2), of points of the mat's frame, shape (N, 3)."""
        p = np.asarray(points_mm, float) @ self.cam_from_mat.T + self.shift_mm
        x, y = p[:, 0] / p[:, 2], p[:, 1] / p[:, 2]
        k1, k2, p1, p2, k3 = self.distortion
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
        yd = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
        return np.column_stack(
            [self.focal_px * xd + self.centre_px[0], self.focal_px * yd + self.centre_px[1]]
        )

    def as_data(self) -> dict[str, Any]:
        """Return the truth about the camera as plain data."""
        return {
            "size_px": [self.width_px, self.height_px],
            "matrix_px": [
                [self.focal_px, 0, self.centre_px[0]],
                [0, self.focal_px, self.centre_px[1]],
                [0, 0, 1],
            ],
            "distortion": list(self.distortion),
            "cam_from_mat": self.cam_from_mat.tolist(),
            "shift_mm": self.shift_mm.tolist(),
            "place_mm": self.place_mm.tolist(),
            "tilt_deg": math.degrees(math.acos(-self.cam_from_mat[2, 2])),
        }


def aimed(view: dict[str, Any], frame_mm: tuple[float, float]) -> Camera:
    """Place a camera over the mat so that the mat's frame just fits into the picture.

    Parameters
    ----------
    view : dict
        ``size_px``; ``f35_mm``, the 35 mm equivalent with zoom, by the diagonal; ``focal_error``, the share
        by which the focal length differs from it; ``centre_off_px``; ``distortion``; ``tilt_deg``;
        ``azimuth_deg``, where the camera leans to; ``roll_deg``; ``margin``, the share of the picture left
        free on each side; ``off_mm``, the point aimed at.
    frame_mm : tuple of float
        Width and height of the mat's frame.
    """
    width, height = view["size_px"]
    focal = view["f35_mm"] / FULL_FRAME_DIAGONAL_MM * math.hypot(width, height) * (1 + view["focal_error"])
    tilt, azimuth, roll = (math.radians(view[key]) for key in ("tilt_deg", "azimuth_deg", "roll_deg"))
    towards = np.array([
        math.sin(tilt) * math.cos(azimuth), math.sin(tilt) * math.sin(azimuth), math.cos(tilt),
    ])  # fmt: skip
    down = -towards  # viewing direction
    right = np.cross([math.sin(roll), math.cos(roll), 0.0], towards)
    right /= np.linalg.norm(right)
    rotation = np.vstack([right, np.cross(down, right), down])
    corners = np.array([[i * frame_mm[0] / 2, j * frame_mm[1] / 2, 0] for i in (-1, 1) for j in (-1, 1)])
    target = np.array([*view["off_mm"], 0.0])
    off = view["centre_off_px"]

    def at(distance: float) -> Camera:
        return Camera(
            width_px=width, height_px=height, focal_px=focal,
            centre_px=((width - 1) / 2 + off[0], (height - 1) / 2 + off[1]),
            distortion=tuple(view["distortion"]), cam_from_mat=rotation,
            shift_mm=-rotation @ (target + towards * distance),
        )  # fmt: skip

    near, far = 100.0, 4000.0
    for _ in range(60):
        middle = (near + far) / 2
        pixels = at(middle).project(corners)
        border = view["margin"] * np.array([width, height])
        fits = np.all(pixels > border) and np.all(pixels < [width, height] - border)
        near, far = (near, middle) if fits else (middle, far)
    return at(far)
