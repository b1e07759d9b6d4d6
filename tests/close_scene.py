"""Exact close-ups for tests, by inverse mapping: strip or mat on a table, blade beside it, a thickness up.

`synthetic.render` draws a table of reflectances with squares of 12 mm. A strip's squares have 5 mm, so its
world is drawn 2.4 times as large, by a camera 2.4 times as far away: the same picture. The blade's upper face
is a second plane, which the same camera sees as if it stood lower by the blade's thickness.
"""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
from synthetic import INK, PAPER, STEP_MM, encoded, photo_of, reflectance, render

from grindcheck.camera import Camera
from grindcheck.geometry import Array, frozen
from grindcheck.mat.spec import SQUARE_MM, MatSpec
from grindcheck.mat.strips import CUT_MM, strip_spec
from grindcheck.photo import Photo

STEEL = 0.30
WOOD = (0.06, 0.16, 0.34)  # linear blue, green, red


def strip_photo(
    camera: Camera,
    blade_mm: tuple[float, float, float, float],
    *,
    thickness_mm: float = 3.0,
    printed: tuple[float, float] = (1.0, 1.0),
    blur_px: float = 0.8,
    noise: float = 1.5,
    seed: int = 0,
    ground: tuple[float, float, float] = WOOD,
    covered_mm: tuple[float, float, float, float] | None = None,
    focal: tuple[float, float] | None = None,
) -> Photo:
    """Return a photo of a strip and a rectangular blade with lines across it, 10 mm apart.

    Parameters
    ----------
    camera : Camera
        Of the strip's frame.
    blade_mm : tuple of float
        x_min, y_min, x_max, y_max of the blade's upper face.
    printed : tuple of float
        Printed by nominal size along x and y; `camera` and `blade_mm` stay in true millimetres.
    covered_mm : tuple of float, optional
        A part of the strip (nominal mm) that paper without print covers.
    focal : (float, float), optional
        Focal length in px as the metadata has it, and its relative standard uncertainty.
    """
    wide, high = 320.0, 260.0
    sheet = _strip_table(wide, high, ground, covered_mm)
    # the print's own size: the table's x and y grow by it, seen by a camera in true millimetres
    light = _seen(camera, sheet, wide, high, 0.0, printed)
    left, low, right, top = blade_mm
    steel = np.zeros((round(high / _step()) + 2, round(wide / _step()) + 2, 3))
    rows = slice(round((high / 2 - top) / _step()) + 1, round((high / 2 - low) / _step()) + 1)
    columns = slice(round((left + wide / 2) / _step()) + 1, round((right + wide / 2) / _step()) + 1)
    steel[rows, columns] = 1.0
    cover = _seen(camera, steel, wide, high, thickness_mm, (1.0, 1.0))[..., :1]
    shade = np.where(steel > 0, STEEL, 0.0)
    for x in np.arange(left + 5.0, right - 1.0, 10.0):
        column = round((x + wide / 2) / _step()) + 1
        shade[rows, column - 1 : column + 1] = 0.5 * STEEL
    face = _seen(camera, shade, wide, high, thickness_mm, (1.0, 1.0))
    return _developed(light * (1 - cover) + face, blur_px, noise, seed, focal)


def mat_photo_close(
    camera: Camera,
    spec: MatSpec,
    *,
    blur_px: float = 0.8,
    noise: float = 1.5,
    seed: int = 0,
    steel_px: tuple[slice, slice] | None = None,
    focal: tuple[float, float] | None = None,
) -> Photo:
    """Return a photo of a part of a mat, with a rectangle of the picture that is steel."""
    light = render(camera, reflectance(spec), spec, points=8)
    if steel_px is not None:
        light[steel_px] = STEEL
    return _developed(light, blur_px, noise, seed, focal)


def _step() -> float:
    return STEP_MM * strip_spec().square_mm / SQUARE_MM


def _strip_table(
    wide: float, high: float, ground: tuple[float, float, float], covered: tuple[float, ...] | None
) -> Array:
    spec = strip_spec()
    table = np.tile(np.array(ground), (round(high / _step()) + 2, round(wide / _step()) + 2, 1))

    def place(box: tuple[float, ...]) -> tuple[slice, slice]:
        return (
            slice(round((high / 2 - box[3]) / _step()) + 1, round((high / 2 - box[1]) / _step()) + 1),
            slice(round((box[0] + wide / 2) / _step()) + 1, round((box[2] + wide / 2) / _step()) + 1),
        )

    table[place(CUT_MM)] = PAPER
    board = reflectance(replace(spec, square_mm=SQUARE_MM))[1:-1, 1:-1]
    width, height = spec.frame_mm
    table[place((-width / 2, -height / 2, width / 2, height / 2))] = board
    table[place(spec.bars_mm()["x"])] = INK
    if covered is not None:
        table[place(covered)] = PAPER
    return table


def _seen(
    camera: Camera, table: Array, wide: float, high: float, height_mm: float, printed: tuple[float, float]
) -> "np.ndarray[Any, Any]":
    """Draw a table that covers wide × high mm round the origin, at a height."""
    if printed[0] != printed[1]:
        raise ValueError("drawn prints are as large along x as along y")
    larger = SQUARE_MM / strip_spec().square_mm / printed[0]
    parameters = np.array(camera.parameters)
    raised = parameters[10:13] + camera.rotation @ [0.0, 0.0, height_mm]
    parameters[10:13] = raised * larger
    world = SimpleNamespace(frame_mm=(wide * SQUARE_MM / 5.0, high * SQUARE_MM / 5.0))
    return render(camera.with_parameters(frozen(parameters)), table, world, points=8)  # type: ignore[arg-type]


def _developed(
    light: "np.ndarray[Any, Any]", blur_px: float, noise: float, seed: int, focal: tuple[float, float] | None
) -> Photo:
    if blur_px > 0:
        light = cv2.GaussianBlur(light, (0, 0), blur_px)
    levels = encoded(light) * 255.0 + np.random.default_rng(seed).normal(0.0, noise, light.shape)
    bgr = np.clip(np.rint(levels), 0, 255).astype(np.uint8)
    bgr.setflags(write=False)
    return photo_of(bgr, focal_px=focal and focal[0], focal_rel_std=focal and focal[1])
