"""What each stage made of one sample pair, saved; each next stage is tested from there.

    python tests/saved_stages.py

writes ``tests/saved/field_knife_a.npz`` anew, after a change of a stage that is meant.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import reduced

from grindcheck.camera import Camera
from grindcheck.geometry import frozen
from grindcheck.grindlines import GrindLines
from grindcheck.lay import lay_of
from grindcheck.outline import Outline
from grindcheck.photo import Photo, read_photo
from grindcheck.plunge import Line
from grindcheck.rectify import Plane, rectify

NAME = "field_knife_a"
FILE = Path(__file__).parent / "saved" / f"{NAME}.npz"
_PLANE = ("x_min_mm", "y_max_mm", "step_mm", "height_mm")
_LINE = ("shift_std_mm", "turn_std_rad", "scatter_mm", "confidence", "width_mm", "top_mm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Saved:
    """All stages of one face, rebuilt from the file; pictures are made anew from photo and plane."""

    side: str
    photo: Photo
    corner_mm: Any
    corner_px: Any
    camera: Camera
    tip_mm: Any
    along: Any
    length_mm: float
    outline: Outline
    lines: GrindLines


def load() -> tuple[dict[str, Saved], dict[str, tuple[float, float]]]:
    """Return the stages by side, and value and std of the differences by quantity and station."""
    with np.load(FILE) as stored:
        data = {key: stored[key] for key in stored.files}
    faces = {side: _face(side, _part(data, side)) for side in ("left", "right")}
    names = [str(name) for name in data["differences.names"]]
    pairs = [(float(value), float(std)) for value, std in data["differences"]]
    return faces, dict(zip(names, pairs, strict=True))


def _part(data: dict[str, Any], side: str) -> dict[str, Any]:
    return {key.removeprefix(f"{side}."): value for key, value in data.items() if key.startswith(f"{side}.")}


def _face(side: str, data: dict[str, Any]) -> Saved:
    photo = read_photo(reduced.SAMPLES / str(data["file"]))
    camera = Camera(
        size_px=(photo.bgr.shape[1], photo.bgr.shape[0]), parameters=frozen(data["parameters"]),
        covariance=frozen(data["covariance"]), prior_gain=frozen(data["prior_gain"]),
    )  # fmt: skip
    plane = Plane(
        origin_mm=frozen(data["origin_mm"]), axes=frozen(data["axes"]),
        shape=(int(data["shape"][0]), int(data["shape"][1])),
        **{name: float(value) for name, value in zip(_PLANE, data["plane"], strict=True)},
    )  # fmt: skip
    face = rectify(photo, camera, plane)
    outline = Outline(
        side=side, face=face, lay=lay_of(face), points_mm=frozen(data["points_mm"]),  # type: ignore[arg-type]
        normals=frozen(data["normals"]), std_mm=frozen(data["std_mm"]), halo_mm=frozen(data["halo_mm"]),
        is_edge=data["is_edge"], tip_mm=frozen(data["outline_tip_mm"]), blur_mm=float(data["blur_mm"]),
        edge_odds=float(data["edge_odds"]),
    )  # fmt: skip
    lines = GrindLines(
        plunge=_line(data, "plunge"),
        shoulder=_line(data, "shoulder"),
        full_flat=False,
        grind="sabre",
        flags=(),
    )
    return Saved(
        side=side, photo=photo, corner_mm=data["corner_mm"], corner_px=data["corner_px"], camera=camera,
        tip_mm=data["tip_mm"], along=data["along"], length_mm=float(data["length_mm"]), outline=outline,
        lines=lines,
    )  # fmt: skip


def _line(data: dict[str, Any], name: str) -> Line:
    return Line(
        points_mm=frozen(data[f"{name}.points_mm"]),
        **{key: float(value) for key, value in zip(_LINE, data[f"{name}.figures"], strict=True)},
        std_mm=frozen(data[f"{name}.std_mm"]) if f"{name}.std_mm" in data else None,
    )


def save() -> None:
    """Run every stage and write what it makes."""
    from grindcheck import compare, pipeline
    from grindcheck.silhouette import find_blade

    kept: dict[str, Any] = {}
    request = reduced.request(NAME)
    stance = pipeline.stance_of(request.thickness_mm, request.height_mm, request.edge_mm)
    made: dict[str, Any] = {}
    original = pipeline.compare

    def kept_views(views: Any, *arguments: Any, **options: Any) -> Any:
        made.update(views)
        return original(views, *arguments, **options)

    pipeline.compare = kept_views  # type: ignore[assignment]
    try:
        result = pipeline.check_pair(request)
    finally:
        pipeline.compare = compare.compare
    for side, view in made.items():
        rough = find_blade(view.photo, view.camera, view.mat.spec, height_mm=stance.height_mm)
        outline, plane = view.outline, view.outline.face.plane
        kept |= {
            f"{side}.{key}": value
            for key, value in {
                "file": view.photo.name, "corner_mm": view.mat.corner_mm, "corner_px": view.mat.corner_px,
                "parameters": view.camera.parameters, "covariance": view.camera.covariance,
                "prior_gain": view.camera.prior_gain, "tip_mm": rough.tip_mm, "along": rough.along,
                "length_mm": rough.length_mm, "origin_mm": plane.origin_mm, "axes": plane.axes,
                "shape": np.array(plane.shape), "plane": np.array([getattr(plane, name) for name in _PLANE]),
                "points_mm": outline.points_mm, "normals": outline.normals.astype(np.float32),
                "std_mm": outline.std_mm.astype(np.float32),
                "halo_mm": outline.halo_mm.astype(np.float32), "is_edge": outline.is_edge,
                "outline_tip_mm": outline.tip_mm, "blur_mm": outline.blur_mm, "edge_odds": outline.edge_odds,
            }.items()
        }  # fmt: skip
        for name in ("plunge", "shoulder"):
            line = getattr(view.lines, name)
            kept[f"{side}.{name}.points_mm"] = line.points_mm
            kept[f"{side}.{name}.figures"] = np.array([getattr(line, key) for key in _LINE])
            if line.std_mm is not None:
                kept[f"{side}.{name}.std_mm"] = line.std_mm
    kept["differences.names"] = np.array(
        [f"{one.quantity} {one.station_mm or ''}".strip() for one in result.differences]
    )
    kept["differences"] = np.array([[one.value, one.std] for one in result.differences])
    FILE.parent.mkdir(exist_ok=True)
    np.savez_compressed(FILE, **kept)


if __name__ == "__main__":
    save()
