"""What lies and hangs round the blade: mat, table, scraps of card, lamps, room, and the phone itself."""

import functools
import json
from typing import Any

import numpy as np
from dirt import PER_MM, middle, soil, soiled
from lens import Camera
from mesh import grid, sheet, texture
from scipy import ndimage
from steel import linear, printed

_printed = functools.lru_cache(maxsize=2)(lambda text: printed(json.loads(text)))


def mat_sheet(mi: Any, mat: dict[str, Any], pair: dict[str, Any], made: dict[str, Any]) -> dict[str, Any]:
    """Return the printed sheet, as large as the printer made it, with its tinted field."""
    sx, sy = pair["print_scale"]
    print_ = _printed(json.dumps(mat))
    size = (print_.shape[1] / 24 * sx, print_.shape[0] / 24 * sy)
    tint = (
        linear(mat["tint_srgb"])
        if not pair.get("grey_print")
        else np.full(3, linear(mat["tint_srgb"]).mean())
    )
    field, tile = tint * 0.9 * made["field"][..., None], 40.0
    inner = (mat["field_mm"][0] * sx, mat["field_mm"][1] * sy)
    if pair.get("mat_dirt"):
        print_, field = _dirty(print_, field, mat["field_mm"], pair["mat_dirt"])
        tile = None
    curl = pair.get("curl", {})
    return {
        "mat": sheet(mi, "mat", size, 0.0, {
            "type": "diffuse", "reflectance": texture(mi, print_, repeat=False)}, None, curl),
        "field": sheet(mi, "field", inner, 0.002, {
            "type": "diffuse", "reflectance": texture(mi, field.astype(np.float32))}, tile, curl),
    }  # fmt: skip


def _dirty(print_: Any, field: Any, field_mm: tuple[float, float], dirt: dict[str, Any]) -> tuple[Any, Any]:
    """Return the print, 24 texels a mm, with its dirt, and the field no longer as a tile but as a whole."""
    oil, dust = soil((print_.shape[0] // 2, print_.shape[1] // 2), dirt)
    fine = np.ones((2, 2), np.float32)
    clean = middle(oil, field_mm).shape
    rows, columns = ((np.arange(n) * len(field) / 40.0 / PER_MM).astype(int) % len(field) for n in clean)
    whole = soiled(field[np.ix_(rows, columns)], middle(oil, field_mm), middle(dust, field_mm))
    return soiled(print_, np.kron(oil, fine), np.kron(dust, fine)), whole


def table(mi: Any, pair: dict[str, Any], made: dict[str, Any]) -> dict[str, Any]:
    """Return the table's top."""
    bsdf = {"type": "diffuse", "reflectance": texture(mi, made["table"])}
    tile = {"wood": 400.0, "cloth": 120.0}[pair["table"]["kind"]]
    return {"table": sheet(mi, "table", (1600.0, 1400.0), -0.4, bsdf, tile)}


def cards(mi: Any, photo: dict[str, Any]) -> dict[str, Any]:
    """Return what lies over frame or blade, or hangs above them: scraps of card, tape, a hand's shadow."""
    out = {}
    for number, card in enumerate(photo.get("cards", [])):
        x, y = np.array([-0.5, 0.5]) * card["size_mm"][0], np.array([0.5, -0.5]) * card["size_mm"][1]
        gx, gy = np.meshgrid(x, y)
        angle = np.radians(card["angle_deg"])
        points = np.stack([
            np.cos(angle) * gx - np.sin(angle) * gy + card["x_mm"],
            np.sin(angle) * gx + np.cos(angle) * gy + card["y_mm"], np.full((2, 2), card.get("z_mm", 0.8)),
        ], axis=-1)  # fmt: skip
        bsdf = {
            "type": "twosided",
            "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": card["tone"]}},
        }
        out[f"wallcard{number}"] = grid(mi, f"wallcard{number}", points, np.zeros((2, 2, 2)), bsdf)
    return out


def lights(mi: Any, light: dict[str, Any], rng: np.random.Generator) -> dict[str, Any]:
    """Return lamps as glowing rectangles that look at the mat, and a dim room round about."""
    out: dict[str, Any] = {}
    for number, lamp in enumerate(light["lamps"]):
        to_world = mi.ScalarTransform4f().look_at(
            origin=lamp["place_mm"], target=lamp["aim_mm"], up=[0.31, 0.95, 0.05]
        )
        to_world = to_world @ mi.ScalarTransform4f().scale(
            [lamp["size_mm"][0] / 2, lamp["size_mm"][1] / 2, 1]
        )
        out[f"lamp{number}"] = {
            "type": "rectangle", "to_world": to_world,
            "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.2}},
            "emitter": {"type": "area", "radiance": {"type": "rgb", "value": lamp["radiance"]}},
        }  # fmt: skip
    rows, columns = 64, 128
    height = np.linspace(1, -1, rows)[:, None]  # of the direction over the bench
    room = np.where(height > 0, 0.55 + 0.45 * height, 0.3) + np.zeros((rows, columns))
    clutter = ndimage.gaussian_filter(rng.standard_normal((rows, columns)), (4, 7), mode="wrap")
    room = np.clip(room * (1 + 0.5 * clutter / clutter.std()), 0.03, None)
    who = (np.arange(columns) - columns * rng.random()) % columns  # the photographer, dark
    room = np.where((who[None, :] < 22) & (height < 0.55), 0.12, room)
    picture = room[..., None] * np.asarray(light["room"])
    out["room"] = {
        "type": "envmap", "bitmap": mi.Bitmap(picture.astype(np.float32)),
        "to_world": mi.ScalarTransform4f().rotate([1, 0, 0], 90),
    }  # fmt: skip
    return out


def phone_body(mi: Any, photo: dict[str, Any], camera: Camera) -> dict[str, Any]:
    """Hang the phone's dark body just behind the lens."""
    turn = camera.cam_from_mat.T
    x, y = photo["body_off_mm"]
    wide, high = (78.0, 37.0) if camera.width_px >= camera.height_px else (37.0, 78.0)
    corners = np.array(
        [
            [[x - wide, y - high, -2], [x + wide, y - high, -2]],
            [[x - wide, y + high, -2], [x + wide, y + high, -2]],
        ]
    )
    points = corners @ turn.T + camera.place_mm
    dark = {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.03}}}
    return {"wallphone": grid(mi, "wallphone", points, np.zeros((2, 2, 2)), dark)}
