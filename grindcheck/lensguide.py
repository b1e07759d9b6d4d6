"""Which photos of the mat a calibration still needs, in words a hand can follow."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from grindcheck.camera import Camera
from grindcheck.geometry import Array, frozen
from grindcheck.lens import rotation_vector

FEWEST = 8
_LEAN_RAD = np.deg2rad(8.0)  # of the phone, for a photo to count as taken from a side
_LEAST_SIDES = 3
_RATIO = 1.2  # of the farthest to the nearest
_TURN_RAD = np.deg2rad(60.0)
_OUTER = 0.6  # of half a side: beyond it in both axes is a corner; an A4 sheet that fills 4:3 reaches 0.7
_CORNERS = 4
_SIDES = ("right", "top", "left", "bottom")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """How the phone was held in one photo, in the frame of its sensor.

    Parameters
    ----------
    rotation : ndarray, shape (3, 3)
        ``cam_from_mat``.
    distance_mm : float
        Height above the paper.
    start : ndarray, shape (13,)
        Lens and pose for a fit to start from, without distortion.
    size_px : (int, int)
        Width and height of the picture as the sensor saw it.
    reached : frozenset of (bool, bool)
        Corners of that picture with a crossing in them: whether on the right, whether at the bottom.
    """

    rotation: Array
    distance_mm: float
    start: Array
    size_px: tuple[int, int]
    reached: frozenset[tuple[bool, bool]]


# EXIF orientation to what turns the upright picture's axes into the sensor's
_STORED = {
    1: ((1.0, 0.0), (0.0, 1.0)),
    3: ((-1.0, 0.0), (0.0, -1.0)),
    6: ((0.0, 1.0), (-1.0, 0.0)),
    8: ((0.0, -1.0), (1.0, 0.0)),
}


def held_as_stored(corner_px: Array, camera: Camera, orientation: int) -> tuple[Array, Stand]:
    """Turn an upright photo's crossings and pose back into the frame of the phone's sensor.

    Parameters
    ----------
    corner_px : ndarray, shape (N, 2)
    camera : Camera
        As solved from the upright picture.
    orientation : int
        EXIF's; a mirrored one is taken as upright.

    Returns
    -------
    ndarray, shape (N, 2)
        The crossings in the picture as it is stored.
    Stand
    """
    axes = np.array(_STORED.get(orientation, _STORED[1]))
    far = np.array(camera.size_px) - 1.0
    corner = axes @ far
    shift = -np.minimum(corner, 0.0)
    turn = np.eye(3)
    turn[:2, :2] = axes
    rotation = turn @ camera.rotation
    start = np.zeros(13)
    start[0] = camera.parameters[0]
    start[1:3] = np.abs(corner) / 2
    start[7:10], start[10:13] = rotation_vector(rotation), turn @ camera.translation
    width, height = (int(side) + 1 for side in np.abs(corner).round())
    stored_px = np.asarray(corner_px) @ axes.T + shift
    away = stored_px / np.maximum(np.abs(corner), 1.0) * 2 - 1
    outside = away[np.all(np.abs(away) > _OUTER, axis=1)]
    stand = Stand(
        rotation=frozen(rotation),
        distance_mm=camera.distance_mm,
        start=frozen(start),
        size_px=(width, height),
        reached=frozenset((bool(x > 0), bool(y > 0)) for x, y in outside),
    )
    return stored_px, stand


def still_missing(cameras: Sequence[Stand]) -> tuple[str, ...]:
    """Say what further photos would tell the lens, most telling first.

    Parameters
    ----------
    cameras : sequence of Stand
        One a photo.

    Returns
    -------
    tuple of str
        Empty if the photos tell enough.

    Notes
    -----
    A flat mat tells the focal length only where it is seen aslant, the principal point apart from the pose
    only aslant in several directions, and errors of the print from those of the lens if the phone is turned.
    Distortion is largest in the picture's corners, and what is known of it from the middle alone doesn't hold
    there.
    """
    sides = {side for camera in cameras if (side := seen_from(camera))}
    missing = []
    if len(sides) < _LEAST_SIDES:
        wanted = [side for side in _SIDES if side not in sides]
        missing += [
            f"from the {side} of the mat, the phone tilted by 10° to 20°"
            for side in wanted[: _LEAST_SIDES - len(sides)]
        ]
    distances = [camera.distance_mm for camera in cameras] or [1.0]
    if max(distances) < _RATIO * min(distances):
        missing.append("from a hand's breadth farther away")
    if not _turned(cameras):
        missing.append("with the phone turned by a quarter")
    empty = _CORNERS - len({corner for camera in cameras for corner in camera.reached})
    if empty:
        missing.append(
            "so near that the mat's frame reaches into the corners of the picture "
            f"({empty} of {_CORNERS} corners are empty in all photos)"
        )
    if len(cameras) < FEWEST:
        count = FEWEST - len(cameras)
        missing.append(f"{count} more, {FEWEST} in all at least")
    return tuple(missing)


def seen_from(camera: Stand) -> str:
    """Return the side of the mat that the phone leans to, or nothing if it looks straight down."""
    axis = -camera.rotation[2]  # from the mat towards the phone
    if np.arccos(np.clip(axis[2], -1.0, 1.0)) < _LEAN_RAD:
        return ""
    quarter = round(float(np.arctan2(axis[1], axis[0])) / (np.pi / 2)) % 4
    return _SIDES[quarter]


def _turned(cameras: Sequence[Stand]) -> bool:
    """Whether the phone was turned about its own axis, a half turn being none."""
    turns = [float(np.arctan2(camera.rotation[0, 1], camera.rotation[0, 0])) for camera in cameras]
    apart = [abs(np.angle(np.exp(2j * (one - other)))) / 2 for one in turns for other in turns]
    return bool(apart) and max(apart) > _TURN_RAD
