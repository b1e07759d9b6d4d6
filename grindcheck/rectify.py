"""A picture of one plane above the mat on a regular millimetre grid, in linear light."""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from grindcheck.camera import Camera
from grindcheck.geometry import Array, frozen
from grindcheck.photo import Photo

_NODE = 11  # grid points between nodes of the exact mapping, odd: see `_map_px`


@dataclass(frozen=True, slots=True, kw_only=True)
class Plane:
    """Where a grid lies in the mat frame.

    Parameters
    ----------
    origin_mm : ndarray, shape (2,)
        Mat coordinates of the grid frame's origin.
    axes : ndarray, shape (2, 2)
        Columns: directions of the grid frame's x and y in the mat frame; a reflection for a turned face.
    x_min_mm, y_max_mm : float
        Grid frame coordinates of the first pixel's centre: columns run along +x, rows along −y.
    step_mm : float
        Distance of pixel centres.
    shape : (int, int)
        Rows and columns.
    height_mm : float
        Height of the plane above the paper.
    """

    origin_mm: Array
    axes: Array
    x_min_mm: float
    y_max_mm: float
    step_mm: float
    shape: tuple[int, int]
    height_mm: float

    def mat_from_grid(self, points_mm: Array) -> Array:
        """Mat coordinates of points in the grid frame, (N, 2) mm."""
        return np.asarray(points_mm, dtype=np.float64) @ self.axes.T + self.origin_mm

    def grid_from_mat(self, points_mm: Array) -> Array:
        """Grid frame coordinates of points in the mat frame, (N, 2) mm."""
        return (np.asarray(points_mm, dtype=np.float64) - self.origin_mm) @ np.linalg.inv(self.axes).T

    def index_from_grid(self, points_mm: Array) -> Array:
        """Pixel coordinates (column, row) of points in the grid frame."""
        points = np.asarray(points_mm, dtype=np.float64)
        index = np.empty((len(points), 2))
        np.divide(points[:, 0] - self.x_min_mm, self.step_mm, out=index[:, 0])
        np.divide(self.y_max_mm - points[:, 1], self.step_mm, out=index[:, 1])
        return index

    def pixels(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
        """Columns and rows of places of the grid frame, each in the shape of its coordinate."""
        return (x_mm - self.x_min_mm) / self.step_mm, (self.y_max_mm - y_mm) / self.step_mm

    def grid_from_index(self, index: Array) -> Array:
        """Grid frame coordinates of pixel coordinates (column, row)."""
        index = np.asarray(index, dtype=np.float64)
        points = np.empty((len(index), 2))
        np.add(self.x_min_mm, index[:, 0] * self.step_mm, out=points[:, 0])
        np.subtract(self.y_max_mm, index[:, 1] * self.step_mm, out=points[:, 1])
        return points


@dataclass(frozen=True, slots=True, kw_only=True)
class Face:
    """The picture of a plane.

    Parameters
    ----------
    plane : Plane
        Where the pixels lie.
    linear : ndarray, shape (rows, columns, 3), float32
        Linear blue, green, red, 0 to 1; 0 outside the photo.
    inside : ndarray of bool, shape (rows, columns)
        Whether the photo shows the pixel.
    """

    plane: Plane
    linear: NDArray[np.float32]
    inside: NDArray[np.bool_]


def rectify(photo: Photo, camera: Camera, plane: Plane) -> Face:
    """Resample a photo onto a plane.

    Parameters
    ----------
    photo : Photo
    camera : Camera
        Lens and pose of this photo.
    plane : Plane

    Returns
    -------
    Face

    Notes
    -----
    Cubic interpolation of the stored values, then the sRGB curve (IEC 61966-2-1) is undone: phones add a
    tone curve of their own, so the values are linear only roughly; edges are placed by models that
    fit the levels on both sides, which a smooth curve moves by little.
    """
    import cv2

    map_px = _map_px(camera, plane)
    stored, inside = _resampled(photo, map_px)
    linear = np.asarray(cv2.LUT(stored, linear_light()), dtype=np.float32)
    linear.setflags(write=False)
    inside.setflags(write=False)
    return Face(plane=plane, linear=linear, inside=inside)


def picture_of(photo: Photo, camera: Camera, plane: Plane) -> NDArray[np.uint8]:
    """Resample a photo onto a plane as it is stored, for looking at.

    Parameters
    ----------
    photo : Photo
    camera : Camera
    plane : Plane

    Returns
    -------
    ndarray of uint8, shape (rows, columns, 3)
        Blue, green, red; 0 outside the photo.
    """
    return _resampled(photo, _map_px(camera, plane))[0]


def local_step_mm(camera: Camera, at_mm: Array, height_mm: float) -> float:
    """Millimetres per photo pixel at a place of a plane, mean of both directions."""
    around = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]) + np.asarray(at_mm, dtype=np.float64)
    px = camera.px_from_mm(np.column_stack([around, np.full(3, height_mm)]))
    return float(1.0 / np.sqrt(abs(np.linalg.det(px[1:] - px[0]))))


@cache
def linear_light() -> NDArray[np.float32]:
    """Table of 256: linear light of a stored sRGB value (IEC 61966-2-1)."""
    value = np.arange(256) / 255.0
    table = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4).astype(np.float32)
    table.setflags(write=False)
    return table


def plane_over(
    *,
    origin_mm: Array,
    axes: Array,
    x_mm: tuple[float, float],
    y_mm: tuple[float, float],
    step_mm: float,
    height_mm: float,
) -> Plane:
    """Make the plane that covers a rectangle of the grid frame."""
    columns = int(np.ceil((x_mm[1] - x_mm[0]) / step_mm)) + 1
    rows = int(np.ceil((y_mm[1] - y_mm[0]) / step_mm)) + 1
    return Plane(
        origin_mm=frozen(origin_mm),
        axes=frozen(axes),
        x_min_mm=x_mm[0],
        y_max_mm=y_mm[1],
        step_mm=step_mm,
        shape=(rows, columns),
        height_mm=height_mm,
    )


def _resampled(photo: Photo, map_px: NDArray[np.float32]) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    import cv2

    height, width = photo.bgr.shape[:2]
    stored = cv2.remap(photo.bgr, map_px, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT)  # type: ignore[call-overload]
    # between nodes, the map's border among them, that lie well inside nothing lies outside
    rows, columns = (np.append(np.arange(0, side, _NODE), side - 1) for side in map_px.shape[:2])
    nodes = map_px[np.ix_(rows, columns)]
    if ((nodes >= 1.0) & (nodes <= (width - 2.0, height - 2.0))).all():
        return stored, np.ones(map_px.shape[:2], dtype=np.bool_)
    return stored, cv2.inRange(map_px, (0.0, 0.0), (width - 1.0, height - 1.0)) > 0


def _map_px(camera: Camera, plane: Plane) -> NDArray[np.float32]:
    """Photo coordinates of each pixel of a plane, shape (rows, columns, 2).

    Exact at every `_NODE`-th pixel, between them linear: wrong by less than 0.005 px where a lens bends most.
    Enlarging by an odd number puts the nodes onto pixels, half of it in from the border.
    """
    import cv2

    rows, columns = plane.shape
    count = [(side - 1) // _NODE + 2 for side in plane.shape]
    column, row = np.meshgrid(np.arange(count[1]) * _NODE, np.arange(count[0]) * _NODE)
    at = plane.mat_from_grid(plane.grid_from_index(np.column_stack([column.ravel(), row.ravel()])))
    px = camera.px_from_mm(np.column_stack([at, np.full(len(at), plane.height_mm)]))
    nodes = px.reshape(*count, 2).astype(np.float32)
    dense = cv2.resize(nodes, None, fx=_NODE, fy=_NODE, interpolation=cv2.INTER_LINEAR)
    begin = _NODE // 2
    return np.asarray(dense[begin : begin + rows, begin : begin + columns], dtype=np.float32)
