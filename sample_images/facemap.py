"""A face's finish, scratches and specks as textures over the whole face, and what is true of them.

A pair whose ``finish`` has the keys ``flat`` and ``bevel`` (see `finishes`) is drawn this way. Its
``scratches`` (see `scratches`) belong to the face that its photos show; a photo may name the ids that it
``shows``, its own ``specks`` of dirt and a ``lay_seed``, when the face was ground anew in between.
"""

from collections.abc import Callable
from typing import Any

import numpy as np
from blade import Blade, shoulder_end, shoulder_point
from finishes import gloss, lay_rad, mottle, surface_slopes
from numpy.typing import NDArray
from rim import lower_border, ricasso_columns
from scipy import ndimage
from scratches import Box, changes, clipped, grooves, thinned
from steel import film
from surface import patches

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

TEXEL_MM = 0.025
MOST_TEXELS = 10e6
_BACK_MM = 0.05  # texel of the picture of how much light the steel gives back
_FILM_MM = 160.0
_DEPTH_SHARE = 0.75  # how much of the finish's own lines a groove takes away

REGIONS = {"flat": ("flat",), "bevel": ("bevel", "plunge", "swage")}  # to parts of `surface.patches`


def textured(pair: dict[str, Any]) -> bool:
    """Tell whether the finish is of this kind, and not a grit per region."""
    return "flat" in pair["finish"]


def face_maps(pair: dict[str, Any], photo: dict[str, Any]) -> dict[str, Any]:
    """Return per region its `Box`, ``slopes`` (rows, columns, 2) and ``back`` (rows, columns, 3)."""
    blade = Blade.from_data(pair["blade"])
    found = patches(blade, photo["face"], step_mm=1.0)
    side = {"left": 1, "right": 2}[photo["face"]]
    out: dict[str, Any] = {}
    for number, (region, parts) in enumerate(REGIONS.items()):
        finish = pair["finish"][region] | photo.get("finish", {}).get(region, {})
        grids = [p.points_mm[..., :2].reshape(-1, 2) for p in found if p.part in parts]
        if not grids:  # a full flat grind that runs out at the heel leaves no flat
            continue
        points = np.vstack(grids)
        angle = lay_rad(finish)
        box = Box.round_points(points, angle_rad=angle, texel_mm=TEXEL_MM, most=MOST_TEXELS)
        seed = [photo.get("lay_seed", pair["seed"]), side, number]
        slopes = surface_slopes(finish, box, np.random.default_rng(seed))
        for one in shown(pair, photo):
            if one.get("region", region) != region:
                continue
            own = np.random.default_rng([pair["seed"], *one["id"].encode()])  # the same in every photo
            groove, cover = grooves(box, [one], own)
            slopes = slopes * (1 - _DEPTH_SHARE * cover[..., None]) + groove
        rng = np.random.default_rng([photo["seed"], side, number, 7])
        out[region] = {
            "box": box, "finish": finish, "slopes": slopes.astype(np.float16),
            "back": _tinted(_back(finish, box, photo, rng), box, pair.get("tints", []), region, blade, side),
        }  # fmt: skip
    return out


def shown(pair: dict[str, Any], photo: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the scratches that a photo shows."""
    every = pair.get("scratches", [])
    return [one for one in every if "shows" not in photo or one["id"] in photo["shows"]]


def normals(slopes: NDArray[np.float16], *, mirrored: bool) -> Picture:
    """Return the normal map as (n + 1) / 2; a mirrored face has its v axis on the other side."""
    rise = slopes.astype(np.float32) * np.float32([1, -1 if mirrored else 1])
    length = np.sqrt(1 + (rise**2).sum(axis=-1, keepdims=True))
    return (0.5 + 0.5 * np.concatenate([-rise, np.ones_like(length)], axis=-1) / length).astype(np.float32)


def _back(finish: dict[str, Any], box: Box, photo: dict[str, Any], rng: np.random.Generator) -> Picture:
    share = _BACK_MM / box.texel_mm
    rows, columns = (max(2, int(np.ceil(n / share))) for n in box.shape)
    oil = film(rng, photo["dirt"])
    v, u = np.mgrid[0:rows, 0:columns].astype(np.float32) * (_BACK_MM / _FILM_MM * 512)
    start = rng.uniform(0, 512, 2)
    level = np.stack([
        ndimage.map_coordinates(oil[..., k], [v + start[0], u + start[1]], order=1, mode="grid-wrap")
        for k in range(3)
    ], axis=-1)  # fmt: skip
    level *= mottle(finish, (rows, columns), rng)[..., None] * gloss(finish)[2]
    scale = np.array([columns, rows]) / [box.shape[1], box.shape[0]]
    for speck in photo.get("specks", []):
        place = box.texels(np.array([[speck["x_mm"], speck["y_mm"]]]))[0] * scale
        radius = speck["r_mm"] / _BACK_MM
        near = int(np.ceil(2 * radius)) + 2
        y, x = np.mgrid[-near : near + 1, -near : near + 1] + np.rint(place[::-1]).astype(int)[:, None, None]
        inside = (y >= 0) & (y < rows) & (x >= 0) & (x < columns)
        turn = np.arctan2(y - place[1], x - place[0])
        edge = radius * (1 + 0.25 * np.cos(2 * turn + speck["turn"]) + 0.15 * np.cos(3 * turn))
        full = np.clip(edge - np.hypot(x - place[0], y - place[1]) + 0.5, 0, 1)[inside, None]
        here = y[inside], x[inside]
        level[here] = level[here] * (1 - full) + full * speck["level"] * np.array([1.0, 0.9, 0.75])
    return level.astype(np.float32)


def _tinted(
    level: Picture, box: Box, tints: list[dict[str, Any]], region: str, blade: Blade, side: int
) -> Picture:
    """Colour a region: ``fluid`` (layout blue), ``heat`` (temper colours from the edge up), ``oil``."""
    rows, columns = level.shape[:2]
    scale = np.array([columns, rows]) / [box.shape[1], box.shape[0]]
    origin, ex, ey = (box.texels(np.array([at], float))[0] * scale for at in ((0, 0), (1, 0), (0, 1)))
    back = np.linalg.inv(np.column_stack([ex - origin, ey - origin]))
    texel = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1) - origin
    x, y = np.moveaxis(texel @ back.T, -1, 0)
    for tint in tints:
        rng = np.random.default_rng([tint["seed"], side])
        clouds = ndimage.gaussian_filter(
            rng.standard_normal(level.shape[:2]), tint.get("cloud_mm", 2.0) / _BACK_MM
        )
        clouds /= clouds.std()
        if tint["kind"] == "fluid" and region == tint.get("region", "bevel"):
            cover = np.clip(0.85 + 0.15 * clouds, 0, 1)[..., None]
            level = level * (1 - cover) + level * cover * np.array([0.12, 0.2, 0.75])
        elif tint["kind"] == "heat":
            place = np.clip((y - lower_border(blade, x)) / tint["reach_mm"] + 0.06 * clouds, 0, 1)
            straw, purple, blue, steel = (
                (0.95, 0.75, 0.35),
                (0.55, 0.3, 0.5),
                (0.3, 0.42, 0.75),
                (1.0, 1.0, 1.0),
            )
            stops = [0.0, 0.35, 0.55, 1.0]
            order = (blue, purple, straw, steel)
            level = level * np.stack(
                [np.interp(place, stops, [one[k] for one in order]) for k in range(3)], axis=-1
            )
        elif tint["kind"] == "oil":
            level = (
                level * (1 + tint["amount"] * np.tanh(2 * clouds))[..., None] * np.array([1.0, 0.98, 0.94])
            )
    return np.clip(level, 0.005, 0.95).astype(np.float32)


def region_at(blade: Blade, side: str, points_mm: Array) -> NDArray[np.str_]:
    """Return the region of each point, shape (N,): flat, plunge, bevel, swage, or empty beyond the blade."""
    face = blade.face(side)
    x, y = points_mm.T
    past = x - blade.crease(face, y) if blade.plunge else np.full_like(x, np.inf)
    on_blade = (x >= -blade.heel_mm) & (x <= 0) & (y <= blade.spine(x))
    ricasso = on_blade & (past <= 0) & (y >= lower_border(blade, x))
    ahead = on_blade & (past > 0) & (y >= blade.edge(x))
    ground = ahead & (y <= blade.top(face, x))
    fillet = past < (blade.fillet_width(face, y) if blade.plunge else 0.0)
    swage = ahead & ~ground & (y > blade.flat_top(x))
    flat = ricasso | (ahead & ~ground & ~swage)
    return np.select([flat, ground & fillet, ground, swage], ["flat", "plunge", "bevel", "swage"], "")


def region_borders(blade: Blade, side: str) -> dict[str, Array]:
    """Return the borders of flat, bevel and plunge radius as closed polygons in the blade frame, (N, 2)."""
    face = blade.face(side)
    x_top, y_top = shoulder_point(blade, face)
    y = np.linspace(0, y_top, 80)
    crease = blade.crease(face, y) if blade.plunge else np.full_like(y, x_top)
    out: dict[str, Array] = {}
    start = crease.copy()
    if blade.plunge:
        start = crease + blade.fillet_width(face, y)
        up, down = np.column_stack([start, y]), np.column_stack([crease, y])
        out["plunge"] = np.vstack([down, up[::-1]])
    edge_x = np.linspace(start[0], 0, 300)
    top_x = np.linspace(0, start[-1], 300)
    out["bevel"] = np.vstack([
        np.column_stack([edge_x, blade.edge(edge_x)]), np.column_stack([top_x, blade.top(face, top_x)]),
        np.column_stack([start, y])[::-1],
    ])  # fmt: skip
    parts = []
    if blade.plunge:
        low = ricasso_columns(blade)
        parts += [np.column_stack([low, lower_border(blade, low)]), np.column_stack([crease, y])]
    if blade.grind != "full_flat":
        x = np.linspace(x_top, shoulder_end(blade, face), 300)
        parts.append(np.column_stack([x, blade.top(face, x)]))
        end = float(x[-1])
    else:
        end = x_top
    if blade.plunge or blade.grind != "full_flat":
        spine = np.linspace(end, -blade.heel_mm, 300)
        out["flat"] = np.vstack([*parts, np.column_stack([spine, blade.flat_top(spine)])])
    return out


def face_truth(
    pair: dict[str, Any], photo: dict[str, Any], px: Callable[[Array], list[list[float]]]
) -> dict[str, Any]:
    """Return what is true of a photo's finish; ``px`` takes points (N, 3) of x, y and half thickness.

    A scratch's line is told as far as it lies on the face (and on its region, if it has one); its length is
    that line's, gaps included.
    """
    if not textured(pair):
        return {}
    blade = Blade.from_data(pair["blade"])
    side = photo["face"]

    def lifted(points: Array) -> Array:
        return np.column_stack([points, blade.half(blade.face(side), *points.T)])

    told = []
    for one in shown(pair, photo):
        parts = REGIONS[one["region"]] if "region" in one else (*REGIONS["flat"], *REGIONS["bevel"])
        path = clipped(one["path_mm"], lambda p, parts=parts: np.isin(region_at(blade, side, p), parts))
        if len(path) < 2:
            continue
        where = region_at(blade, side, path)
        where = np.where(np.isin(where, REGIONS["bevel"]), "bevel", where)
        names, count = np.unique(where, return_counts=True)
        length = float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())
        path = thinned(path, 20)  # every millimetre
        chord = path[-1] - path[0]
        told.append({
            "id": one["id"], "kind": one["kind"], "face": side, "region": str(names[np.argmax(count)]),
            "regions": names.tolist(), "length_mm": length, "width_mm": one["width_mm"],
            "slope": one["slope"], "gaps": one.get("gaps", []), "taper_mm": one.get("taper_mm", 0.0),
            "angle_deg": float(_half_turn(np.degrees(np.arctan2(chord[1], chord[0])))),
            "path_mm": np.round(path, 3).tolist(), "path_px": px(lifted(path)),
        })  # fmt: skip
    borders = region_borders(blade, side)
    return {
        "finish": {name: pair["finish"][name] | photo.get("finish", {}).get(name, {}) for name in REGIONS},
        "scratches": told,
        "specks": [
            {"place_mm": [s["x_mm"], s["y_mm"]], "r_mm": s["r_mm"],
             "place_px": px(lifted(np.array([[s["x_mm"], s["y_mm"]]])))[0]}
            for s in photo.get("specks", [])
        ],
        "regions": {
            name: {"border_mm": np.round(line, 3).tolist(), "border_px": px(lifted(line))}
            for name, line in borders.items()
        },
    }  # fmt: skip


def pair_changes(photos: list[dict[str, Any]]) -> dict[str, list[str]]:
    """Return new, gone and unchanged scratches between the first and the last photo's truth."""
    ids = [[one["id"] for one in photo["scratches"]] for photo in (photos[0], photos[-1])]
    return changes(*ids)


def _half_turn(angle_deg: float) -> float:
    """Return a line's direction, -90 < angle <= 90."""
    return 90.0 - (90.0 - angle_deg) % 180.0
