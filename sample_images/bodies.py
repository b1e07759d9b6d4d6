"""Round things that lie on the blade: a finger that holds it down, a magnet.

A body is a dict: ``kind``; ``x_mm``, ``y_mm`` on the mat and ``z_mm``, the height of what it rests on;
``radius_mm``; ``tone``, linear RGB. A ``finger`` has ``length_mm``, ``angle_deg`` (from its tip back to the
hand) and ``rise_deg`` (how steeply); its place is the middle of the round of its tip. A ``magnet`` is an
upright cylinder of ``height_mm``.
"""

from typing import Any

import numpy as np
from mesh import grid
from numpy.typing import NDArray

Array = NDArray[np.float64]

_TIP = 1.25  # length of a finger's round end, in radii
_FLAT = 0.85  # height of a finger over its width
_SQUEEZE_MM = 0.3  # how far the flesh gives way
_ROUND = np.linspace(0, 2 * np.pi, 73)


def bodies(mi: Any, photo: dict[str, Any]) -> dict[str, Any]:
    """Return what lies on the blade of a photo as meshes."""
    out = {}
    for number, body in enumerate(photo.get("bodies", [])):
        gloss = {"finger": 0.35, "magnet": 0.15}[body["kind"]]
        tone = {"type": "rgb", "value": body["tone"]}
        skin = {"type": "roughplastic", "alpha": gloss, "diffuse_reflectance": tone}
        for part, points in enumerate(shell(body)):
            name = f"wallbody{number}_{part}"
            bsdf = {"type": "twosided", "bsdf": skin}
            out[name] = grid(mi, name, points, np.zeros((*points.shape[:2], 2)), bsdf)
    return out


def shell(body: dict[str, Any]) -> list[Array]:
    """Return a body's surface as grids of points in the mat's frame, shape (rows, columns, 3) each."""
    if body["kind"] == "finger":
        return [_finger(body)]
    radius, low, high = body["radius_mm"], body["z_mm"], body["z_mm"] + body["height_mm"]
    middle = np.array([body["x_mm"], body["y_mm"]])
    rings = ((radius, low), (radius, high - 0.4)), ((radius, high - 0.4), (radius - 0.4, high)), (
        (radius - 0.4, high), (0.0, high))  # fmt: skip
    return [np.stack([_ring(middle, r, z) for r, z in pair]) for pair in rings]


def _ring(middle: Array, radius_mm: float, z_mm: float) -> Array:
    flat = middle + radius_mm * np.column_stack([np.cos(_ROUND), np.sin(_ROUND)])
    return np.column_stack([flat, np.full(len(_ROUND), z_mm)])


def _finger(body: dict[str, Any]) -> Array:
    """Return half an ellipsoid with a cylinder behind it, raised towards the hand, resting on its pad."""
    radius = body["radius_mm"]
    turn = np.linspace(0, np.pi / 2, 24)[:, None]
    behind = np.linspace(0, 1, 20)[1:, None]
    along = np.vstack([-_TIP * radius * np.cos(turn), body["length_mm"] * behind])
    size = np.vstack([radius * np.sin(turn), radius * (1 + 0.12 * behind)])
    aside, up = size * np.cos(_ROUND), _FLAT * size * np.sin(_ROUND)
    rise, angle = np.radians(body["rise_deg"]), np.radians(body["angle_deg"])
    out, z = np.cos(rise) * along - np.sin(rise) * up, np.sin(rise) * along + np.cos(rise) * up
    x = body["x_mm"] + np.cos(angle) * out - np.sin(angle) * aside
    y = body["y_mm"] + np.sin(angle) * out + np.cos(angle) * aside
    return np.stack([x, y, z - z.min() + body["z_mm"] - _SQUEEZE_MM], axis=-1)
