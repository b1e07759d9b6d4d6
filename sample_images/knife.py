"""The knife on the mat: ground steel, handle, pins, maker's mark."""

from typing import Any

import numpy as np
from blade import Blade
from facemap import REGIONS, normals, textured
from finishes import gloss
from mesh import grid, texture
from numpy.typing import NDArray
from steel import TILE_MM
from surface import patches, walls

Array = NDArray[np.float64]

_ROUGH = {
    120: 0.26,
    220: 0.24,
    320: 0.22,
    400: 0.2,
    600: 0.18,
}  # across the lines, below what the picture shows


def world(blade: Blade, photo: dict[str, Any], points_mm: Array) -> Array:
    """Return points of the mat's frame, shape (..., 3), of points x, y, height over the mid plane.

    The face that is photographed lies up. ``place`` says where the blade's middle lies and where its tip
    points. With the right face up the blade's frame is only turned; with the left face up it is mirrored.
    """
    place = photo["place"]
    left = photo["face"] == "left"
    x = np.asarray(points_mm, float)[..., 0] + blade.heel_mm / 2
    y = points_mm[..., 1] - blade.width_mm / 2
    angle = np.radians(place["tip_deg"] + (180 if left else 0))
    x = -x if left else x
    cos, sin = np.cos(angle), np.sin(angle)
    z = points_mm[..., 2] + blade.thickness_mm / 2 + blade.scale_mm
    return np.stack([cos * x - sin * y + place["x_mm"], sin * x + cos * y + place["y_mm"], z], axis=-1)


def steel_body(mi: Any, pair: dict[str, Any], photo: dict[str, Any], made: dict[str, Any]) -> dict[str, Any]:
    """Return the blade itself: the face that lies up, the one that lies down, and the walls between."""
    blade = Blade.from_data(pair["blade"])
    side, other = photo["face"], {"left": "right", "right": "left"}[photo["face"]]
    finish = pair["finish"]
    flat = _steel(mi, finish.get("flat_grit", 220), made["flat"], made["flat_film"])
    if textured(pair):
        out = _textured(mi, blade, photo, made, tang=flat)
    else:
        out = {}
        bevel = _steel(mi, finish["bevel_grit"], made["bevel"], made["bevel_film"])
        for number, patch in enumerate(patches(blade, side)):
            x, y = patch.points_mm[..., 0], patch.points_mm[..., 1]
            across = patch.part in REGIONS["bevel"] and not finish["hand_finished"]
            uv = np.stack([y, x] if across else [x, y], axis=-1) / TILE_MM
            steel = bevel if patch.part in REGIONS["bevel"] else flat
            name = f"{patch.part}{number}"
            out[name] = grid(mi, name, world(blade, photo, patch.points_mm), uv, steel)
    for number, patch in enumerate(patches(blade, other, step_mm=1.0)):  # the underside, for its shadow
        points = patch.points_mm * [1, 1, -1]
        uv = patch.points_mm[..., :2] / TILE_MM
        out[f"under{number}"] = grid(mi, f"under{number}", world(blade, photo, points), uv, flat)
    rim = walls(blade, side, other)
    run = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(rim[0], axis=0), axis=1))])
    uv = np.stack([np.stack([run, rim[i, :, 2]], axis=-1) for i in (0, 1)]) / TILE_MM
    rim = np.stack([rim[0] * (1 - s) + rim[1] * s for s in (0.0, 1.0)])
    out["wall"] = grid(mi, "wall", world(blade, photo, rim), uv, flat)
    return out


def _textured(
    mi: Any, blade: Blade, photo: dict[str, Any], made: dict[str, Any], *, tang: Any
) -> dict[str, Any]:
    """Return the face that lies up with its own picture of finish and scratches on each region."""
    steels = {}
    for region, maps in made["maps"].items():
        along, across, _ = gloss(maps["finish"])
        lines = normals(maps["slopes"], mirrored=photo["face"] == "left")
        steels[region] = _rough(mi, along, across, lines, maps["back"])
    of_part = {part: region for region, parts in REGIONS.items() for part in parts}
    out = {}
    for number, patch in enumerate(patches(blade, photo["face"])):
        xy = patch.points_mm[..., :2]
        region = of_part.get(patch.part)
        uv = made["maps"][region]["box"].uv(xy) if region else xy / TILE_MM
        name = f"{patch.part}{number}"
        steel = steels[region] if region else tang
        out[name] = grid(mi, name, world(blade, photo, patch.points_mm), uv, steel)
    return out


def handle(mi: Any, pair: dict[str, Any], photo: dict[str, Any], made: dict[str, Any]) -> dict[str, Any]:
    """Return scales, pins and the maker's mark."""
    blade = Blade.from_data(pair["blade"])
    out: dict[str, Any] = {}
    front = -blade.heel_mm - 1.0
    back = -blade.heel_mm - blade.tang_mm - 1.5
    low, high = blade.tang_low_mm - 1.0, blade.tang_high_mm + 1.0
    rise = 0.0
    if blade.scale_mm > 0:
        u, v = np.linspace(-1, 1, 160), np.linspace(-1, 1, 80)
        gx, gy = np.meshgrid(np.sign(u) * np.abs(u) ** 0.7, np.sign(v) * np.abs(v) ** 0.5)
        x = (front + back) / 2 + gx * (front - back) / 2
        belly = 1.2 * np.cos(gx * np.pi * 1.5)
        y = (low + high) / 2 + gy * ((high - low) / 2 + belly * 0.5)
        near = np.minimum((high - low) / 2 * (1 - np.abs(gy)), (front - back) / 2 * (1 - np.abs(gx)) * 1.5)
        round_ = blade.scale_mm * 0.85
        dome = np.sqrt(np.clip(1 - (1 - np.clip(near / round_, 0, 1)) ** 2, 0, 1))
        z = blade.thickness_mm / 2 + blade.scale_mm * (0.15 + 0.85 * dome)
        wood = {"type": "roughplastic", "alpha": 0.22, "diffuse_reflectance": texture(mi, made["scale"])}
        bsdf = {"type": "twosided", "bsdf": wood}
        points = np.stack([x, y, z], axis=-1)
        uv = np.stack([x, y], axis=-1) / 90.0
        out["scale"] = grid(mi, "scale", world(blade, photo, points), uv, bsdf)
        border = np.concatenate([points[0], points[:, -1], points[-1, ::-1], points[::-1, 0]])
        foot = border * [1, 1, 0] + [0, 0, -blade.thickness_mm / 2 - blade.scale_mm * 0.15]
        skirt = np.stack([border, foot])
        out["wallscale"] = grid(mi, "wallscale", world(blade, photo, skirt), skirt[..., :2] / 90.0, bsdf)
        under = points * [1, 1, -1]
        out["underscale"] = grid(mi, "underscale", world(blade, photo, under), uv, bsdf)
        rise = blade.scale_mm
    brass = {"type": "twosided", "bsdf": {
        "type": "roughconductor", "material": "none", "alpha": 0.25,
        "specular_reflectance": {"type": "rgb", "value": [0.75, 0.55, 0.28]}}}  # fmt: skip
    for number, behind in enumerate(blade.pins_mm):
        angle, radius = np.meshgrid(np.linspace(0, 2 * np.pi, 60), [0.0, 2.5])
        x = -blade.heel_mm - behind + radius * np.cos(angle)
        y = (blade.tang_low_mm + blade.tang_high_mm) / 2 + radius * np.sin(angle)
        points = np.stack([x, y, np.full(x.shape, blade.thickness_mm / 2 + rise + 0.03)], axis=-1)
        out[f"pin{number}"] = grid(
            mi, f"pin{number}", world(blade, photo, points), points[..., :2] / 90, brass
        )
    if pair.get("mark"):
        out |= _mark(mi, blade, photo, pair["mark"])
    return out


def _mark(mi: Any, blade: Blade, photo: dict[str, Any], mark: dict[str, Any]) -> dict[str, Any]:
    """Etch a sign on the ricasso of one face: rings and bars, nobody's mark."""
    if photo["face"] != mark["face"]:
        return {}
    x0, y0, size = mark["x_mm"], mark["y_mm"], mark["size_mm"]
    z = blade.thickness_mm / 2 + 0.004
    dull = {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.05}}}
    angle, radius = np.meshgrid(np.linspace(0, 2 * np.pi, 80), np.array([0.42, 0.5]) * size)
    shapes = [np.stack([x0 + radius * np.cos(angle), y0 + radius * np.sin(angle)], axis=-1)]
    for begin, end in (((-0.3, -0.2), (0.3, -0.2)), ((-0.2, -0.2), (0.0, 0.3)), ((0.2, -0.2), (0.0, 0.3))):
        a, b = np.array(begin) * size + [x0, y0], np.array(end) * size + [x0, y0]
        side = np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a) * 0.035 * size
        shapes.append(np.array([[a - side, b - side], [a + side, b + side]]))
    return {
        f"mark{n}": grid(
            mi, f"mark{n}", world(blade, photo, np.dstack([s, np.full(s.shape[:2], z)])), s / 50, dull
        )
        for n, s in enumerate(shapes)
    }


def _steel(mi: Any, grit: int, lines: NDArray[np.float32], back: NDArray[np.float32]) -> Any:
    across = _ROUGH[grit]
    return _rough(mi, across * 0.42, across, lines, back)


def _rough(
    mi: Any, along: float, across: float, lines: NDArray[np.float32], back: NDArray[np.float32]
) -> Any:
    return mi.load_dict({
        "type": "twosided",
        "bsdf": {
            "type": "normalmap",
            "normalmap": texture(mi, lines),
            "bsdf": {
                "type": "roughconductor", "material": "none", "distribution": "ggx",
                "alpha_u": along, "alpha_v": across,
                "specular_reflectance": texture(mi, back),
            },
        },
    })  # fmt: skip
