"""How a rectified picture follows from its photo, as plain numbers, so that it can be made again any time."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from grindcheck.camera import Camera
from grindcheck.geometry import Array, frozen
from grindcheck.photo import Photo
from grindcheck.rectify import Plane

_BETWEEN = 100  # pixels between nodes: perspective and lens bend less than 0.1 px from straight between them
_LARGEST_SIDE = 20_000  # of a picture that is made again; a record is data from outside


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """Where the pixels of a picture come from.

    Parameters
    ----------
    photo_sha256 : str
    shape : (int, int)
        Rows and columns of the picture.
    nodes_px : ndarray, shape (R, C, 2)
        Pixels (x, y) of the upright photo at R × C places that are spread evenly over the picture, the
        first and last on its first and last pixels.
    """

    photo_sha256: str
    shape: tuple[int, int]
    nodes_px: Array


def shown(photo: Photo, camera: Camera | None, plane: Plane | None) -> Shown:
    """Tell how the picture of a plane follows from a photo; without a plane the picture is the photo."""
    rows, columns = photo.bgr.shape[:2] if plane is None else plane.shape
    count = [max(2, side // _BETWEEN + 1) for side in (rows, columns)]
    column, row = np.meshgrid(np.linspace(0, columns - 1, count[1]), np.linspace(0, rows - 1, count[0]))
    px = np.column_stack([column.ravel(), row.ravel()])
    if plane is not None and camera is not None:
        at = plane.mat_from_grid(plane.grid_from_index(px))
        px = camera.px_from_mm(np.column_stack([at, np.full(len(at), plane.height_mm)]))
    return Shown(photo_sha256=photo.sha256, shape=(rows, columns), nodes_px=frozen(px.reshape(*count, 2)))


def shown_data(one: Shown) -> dict[str, Any]:
    """Return it as plain data."""
    nodes = np.round(one.nodes_px, 2)
    return {"photo_sha256": one.photo_sha256, "shape": list(one.shape), "nodes_px": nodes.tolist()}


def picture_again(bgr: NDArray[np.uint8], data: dict[str, Any], *, widest_px: int) -> NDArray[np.uint8]:
    """Make the picture again.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (H, W, 3)
        The upright photo.
    data : dict
        As `shown_data` made it.
    widest_px : int
        The picture is made smaller if it would be wider.

    Returns
    -------
    ndarray of uint8, shape (rows, columns, 3)

    Notes
    -----
    Between nodes the way is taken as straight; the picture is for looking at, nothing is measured in it.
    """
    import cv2

    nodes = np.asarray(data["nodes_px"], dtype=np.float32)
    rows, columns = (int(side) for side in data["shape"])
    if nodes.ndim != 3 or nodes.shape[2] != 2 or not 0 < max(rows, columns) <= _LARGEST_SIDE:
        raise ValueError(f"no nodes of a picture: {nodes.shape}, {rows} × {columns}")
    share = min(1.0, widest_px / columns)
    rows, columns = max(2, round(rows * share)), max(2, round(columns * share))
    down, across = (_between(count, side) for count, side in zip(nodes.shape, (rows, columns), strict=False))
    # not by cv2.remap, which knows 32 places between two nodes only
    map_px = np.stack([down @ nodes[..., axis] @ across.T for axis in (0, 1)], axis=-1)
    how = cv2.INTER_LINEAR if share > 0.7 else cv2.INTER_AREA
    if how == cv2.INTER_AREA:  # remap knows no areas: the photo is made smaller first
        small = cv2.resize(bgr, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
        bgr, map_px = np.asarray(small, dtype=np.uint8), (map_px + 0.5) * share - 0.5
    made = cv2.remap(bgr, map_px, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)  # type: ignore[call-overload]
    return np.asarray(made, dtype=np.uint8)


def photo_px(data: dict[str, Any], index: Array) -> Array:
    """Return the pixels (x, y) of the photo that pixels (column, row) of the picture come from, (N, 2)."""
    nodes = np.asarray(data["nodes_px"], dtype=np.float64)
    rows, columns = (int(side) for side in data["shape"])
    down, across = (
        np.maximum(0, 1 - np.abs(at[:, None] / (side - 1) * (count - 1) - np.arange(count)))
        for at, side, count in zip((index[:, 1], index[:, 0]), (rows, columns), nodes.shape[:2], strict=True)
    )
    return np.asarray(np.einsum("nr,rca,nc->na", down, nodes, across))


def _between(count: int, side: int) -> NDArray[np.float32]:
    """Weights of `count` nodes at each of `side` pixels, shape (side, count): straight between two."""
    at = np.linspace(0, count - 1, side, dtype=np.float32)
    away = np.abs(at[:, None] - np.arange(count, dtype=np.float32))
    return np.asarray(np.maximum(0, 1 - away), dtype=np.float32)
