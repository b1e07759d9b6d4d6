"""What all hard scenes share: both photos changed alike, places of the blade on the mat, the camera."""

import functools
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent.parent / "sample_images"))

from blade import Blade  # noqa: E402
from finishes import LAYLESS as LAYLESS  # noqa: E402
from knife import world  # noqa: E402
from lens import Camera, aimed  # noqa: E402

Rng = np.random.Generator
Pair = dict[str, Any]
Change = Callable[[Rng, Pair], Pair]
Drawn = float | tuple[float, float]  # a value, or the range that it is drawn from

_MATS = HERE.parent.parent / "calibration" / "mats.json"


def each(made: Pair, change: Callable[[dict[str, Any]], None]) -> Pair:
    """Change every photo of a pair, and return the pair."""
    for photo in made["photos"]:
        change(photo)
    return made


def drawn(rng: Rng, values: dict[str, Any]) -> dict[str, Any]:
    """Return the values, a pair of numbers standing for a draw between them."""
    return {key: float(rng.uniform(*v)) if isinstance(v, tuple) else v for key, v in values.items()}


def camera_of(made: Pair, photo: dict[str, Any]) -> Camera:
    """Return the camera that a photo of the pair is rendered with."""
    mat = _mats()[made["paper"]]
    return aimed(photo["view"], (mat["columns"] * mat["square_mm"], mat["rows"] * mat["square_mm"]))


def distance_mm(made: Pair, photo: dict[str, Any]) -> float:
    """Return the working distance: from the lens to the point of the mat that it is aimed at."""
    return float(np.linalg.norm(camera_of(made, photo).place_mm - [*photo["view"]["off_mm"], 0.0]))


def on_mat(made: Pair, photo: dict[str, Any], x_mm: float, y_mm: float) -> tuple[float, float]:
    """Return x and y on the mat of a place told in the blade's frame."""
    point = world(Blade.from_data(made["blade"]), photo, np.array([x_mm, y_mm, 0.0]))
    return float(point[0]), float(point[1])


def turn_deg(made: Pair, photo: dict[str, Any], angle_deg: float) -> float:
    """Return the direction on the mat of a direction told in the blade's frame, both in degrees."""
    angle = np.radians(angle_deg)
    begin, end = on_mat(made, photo, 0, 0), on_mat(made, photo, float(np.cos(angle)), float(np.sin(angle)))
    return float(np.degrees(np.arctan2(end[1] - begin[1], end[0] - begin[0])))


@functools.cache
def _mats() -> Any:
    return json.loads(_MATS.read_text(encoding="utf-8"))
