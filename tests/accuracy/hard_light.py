"""Troubles of the light: one small lamp, a shadow on the edge, the phone mirrored where the shoulder lies."""

import math
from typing import Any

import numpy as np
from hard_bench import Blade, Change, Pair, Rng, camera_of, each, on_mat, world
from hard_blades import with_flat

PHONE_MM = (78.0, 37.0)  # half the phone's body along the picture's long and its short side
_BEHIND_MM = 2.0  # of the body behind the lens
_INSIDE_MM = 8.0  # a lens lies so far within its body
_TRIES = 500


def hard_lamp(rng: Rng, made: Pair) -> Pair:
    """Leave one small lamp, and hardly any room light."""
    turn, at = rng.uniform(0, 2 * math.pi), rng.uniform(250, 450)
    place = [at * math.cos(turn), at * math.sin(turn), float(rng.uniform(350, 600))]
    away = float(np.linalg.norm(place))
    radiance = [2.6 * away**2 / 40.0**2 * c for c in (1.0, 0.85, 0.62)]

    def change(photo: dict[str, Any]) -> None:
        light = photo["light"]
        light["kind"] = "hard lamp"
        light["lamps"] = [{"place_mm": place, "aim_mm": [0, 0, 0], "size_mm": [40, 40], "radiance": radiance}]
        light["room"] = [0.12, 0.12, 0.11]

    return each(made, change)


def shadow(rng: Rng, made: Pair) -> Pair:
    """Let a rod between lamp and blade throw its shadow across the edge."""
    hard_lamp(rng, made)
    x = -rng.uniform(0.3, 0.7) * made["blade"]["left"]["plunge_mm"]
    lamp = np.array(made["photos"][0]["light"]["lamps"][0]["place_mm"])

    def change(photo: dict[str, Any]) -> None:
        at = np.array([*on_mat(made, photo, x, 0.0), 0.0])
        rod = at + (lamp - at) * 0.45
        photo["cards"] = [
            {"x_mm": float(rod[0]), "y_mm": float(rod[1]), "z_mm": float(rod[2]), "size_mm": [8, 60],
             "angle_deg": float(rng.uniform(0, 180)), "tone": [0.1, 0.1, 0.1]}
        ]  # fmt: skip

    return each(made, change)


def phone_mirrored(kind: str, grit: int) -> Change:
    """Let the dark phone mirror itself in the flat over the middle of the shoulder, of a shiny finish.

    Half of the photos have the shoulder well within the mirror image, half beside its long border, which then
    runs along the shoulder 0.5 to 2 mm off. A photo's ``tags`` tell which, and the place on the shoulder.
    """
    flat, bevel = ({"kind": kind, "grit": grit, "angle_deg": angle} for angle in (0.0, 90.0))

    def applied(rng: Rng, made: Pair) -> Pair:
        made = with_flat(rng, made) | {"finish": {"flat": flat, "bevel": bevel}}
        for photo in made["photos"]:
            _mirror(rng, made, photo, "border" if rng.random() < 0.5 else "over")
        return made

    return applied


def _mirror(rng: Rng, made: Pair, photo: dict[str, Any], how: str) -> None:
    """Tilt the phone, and choose where on its body the lens is, until the shoulder mirrors it."""
    shoulder = shoulder_on_mat(made, photo, float(rng.uniform(0.35, 0.65)))
    long_first = photo["view"]["size_px"][0] >= photo["view"]["size_px"][1]
    half = np.array(PHONE_MM if long_first else PHONE_MM[::-1])
    short = 1 if long_first else 0
    for _ in range(_TRIES):
        photo["view"].update(tilt_deg=float(rng.uniform(1, 5)), azimuth_deg=float(rng.uniform(0, 360)))
        seen = mirrored_at(made, photo, shoulder)
        low = np.maximum(seen, 0) - half + _INSIDE_MM  # of the body's middle, so that both lie within it
        high = np.minimum(seen, 0) + half - _INSIDE_MM
        if np.any(low >= high):
            continue
        middle = rng.uniform(low, high)
        if how == "border":
            side = np.sign(seen[short])
            middle[short] = seen[short] + side * (rng.uniform(1.0, 4.0) - half[short])
            if abs(middle[short]) > half[short] - _INSIDE_MM:
                continue
        photo["body_off_mm"] = [float(v) for v in middle]
        photo["tags"] = {"mirrored": how, "shoulder_mm": [float(v) for v in shoulder]}
        return
    raise RuntimeError(f"no tilt lets the shoulder of {photo['file']} mirror the phone")


def shoulder_on_mat(made: Pair, photo: dict[str, Any], share: float) -> np.ndarray:
    """Return a point of the shoulder in the mat's frame, at a share of the way from tip to plunge."""
    blade = Blade.from_data(made["blade"])
    face = blade.face(photo["face"])
    x = -share * face.plunge_mm
    return world(blade, photo, np.array([x, float(blade.top(face, x)), blade.thickness_mm / 2]))


def mirrored_at(made: Pair, photo: dict[str, Any], point_mm: np.ndarray) -> np.ndarray:
    """Return where a ray from the lens, mirrored by a level face at a point, meets the phone's own plane.

    Parameters
    ----------
    made, photo : dict
        The pair and its photo; the camera follows from them.
    point_mm : ndarray, shape (3,)
        In the mat's frame.

    Returns
    -------
    ndarray, shape (2,)
        x and y in the camera's frame, mm, as ``body_off_mm`` has them.
    """
    camera = camera_of(made, photo)
    way = (point_mm - camera.place_mm) * [1, 1, -1]
    start = camera.cam_from_mat @ point_mm + camera.shift_mm
    way = camera.cam_from_mat @ way
    return (start - way * (start[2] + _BEHIND_MM) / way[2])[:2]
