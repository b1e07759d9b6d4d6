"""The path tracer and the two things that every part of the scene is made of: grids and textures."""

import ctypes.util
import os
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def renderer() -> Any:
    """Return mitsuba with the graphics card's variant, or the processor's where there is none."""
    import mitsuba as mi

    if "DRJIT_LIBLLVM_PATH" not in os.environ:
        places = [f"/usr/lib/x86_64-linux-gnu/libLLVM-{n}.so" for n in range(21, 11, -1)]
        found = [place for place in places if Path(place).exists()] + [ctypes.util.find_library("LLVM") or ""]
        if found[0]:
            os.environ["DRJIT_LIBLLVM_PATH"] = found[0]
    if mi.variant() is None:
        mi.set_variant("cuda_ad_rgb", "llvm_ad_rgb")  # the first that works here
    return mi


def texture(mi: Any, picture: NDArray[np.float32], *, repeat: bool = True) -> dict[str, Any]:
    """Return raw values as a texture; the picture's first row lies at v = 0."""
    values = picture[..., None] if picture.ndim == 2 else picture
    return {
        "type": "bitmap", "bitmap": mi.Bitmap(np.ascontiguousarray(values, np.float32)), "raw": True,
        "filter_type": "bilinear", "wrap_mode": "repeat" if repeat else "clamp",
    }  # fmt: skip


def grid(mi: Any, name: str, points: Array, uv: Array, bsdf: Any) -> Any:
    """Return a grid of points, shape (rows, columns, 3), as a mesh with smooth normals."""
    rows, columns = points.shape[:2]
    index = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    faces = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    normal = np.cross(np.gradient(points, axis=1), np.gradient(points, axis=0))
    length = np.linalg.norm(normal, axis=-1, keepdims=True)
    bad = length[..., 0] < 1e-12
    normal = np.where(bad[..., None], [0, 0, 1.0], normal / np.maximum(length, 1e-12))
    if not name.startswith("wall"):
        normal = np.where(normal[..., 2:] < 0, -normal, normal)
    holder = mi.Properties()
    holder["bsdf"] = mi.load_dict(bsdf) if isinstance(bsdf, dict) else bsdf
    mesh = mi.Mesh(
        name, rows * columns, len(faces), props=holder, has_vertex_normals=True, has_vertex_texcoords=True
    )
    values = mi.traverse(mesh)
    values["vertex_positions"] = mi.Float(points.reshape(-1).astype(np.float32))
    values["vertex_normals"] = mi.Float(normal.reshape(-1).astype(np.float32))
    values["vertex_texcoords"] = mi.Float(uv.reshape(-1).astype(np.float32))
    values["faces"] = mi.UInt32(faces.reshape(-1).astype(np.uint32))
    values.update()
    return mesh


def sheet(
    mi: Any,
    name: str,
    size: tuple[float, float],
    z: float,
    bsdf: dict[str, Any],
    tile: float | None,
    curl: dict[str, float] | None = None,
) -> Any:
    """Return a rectangle in the middle of the mat; the top left corner has u = v = 0.

    It lies level, or with ``curl`` lifted: ``ends_mm`` at x = ± 140 mm, rising with the fourth power from
    the middle; ``crease_mm``, a fold across at ``crease_at_mm``, 8 mm wide.
    """
    curl = curl or {}
    count = 120 if curl else 2
    x, y = np.linspace(-0.5, 0.5, count) * size[0], np.array([0.5, -0.5]) * size[1]
    gx, gy = np.meshgrid(x, y)
    lift = curl.get("ends_mm", 0.0) * (gx / 140.0) ** 4
    lift += curl.get("crease_mm", 0.0) * np.clip(
        1 - np.abs(gx - curl.get("crease_at_mm", 0.0)) / 4.0, 0, None
    )
    points = np.stack([gx, gy, z + lift], axis=-1)
    u, v = (1.0, 1.0) if tile is None else (size[0] / tile, size[1] / tile)
    uv = np.stack(np.meshgrid(np.linspace(0.0, u, count), [0.0, v]), axis=-1)
    return grid(mi, name, points, uv, bsdf)
