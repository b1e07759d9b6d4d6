"""Sample photos at half their size, and photos spoilt on purpose."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from grindcheck.pipeline import Request
from grindcheck.selfcheck import sample_request

SAMPLES = Path(__file__).parent.parent / "sample_images"
PAIRS = [pair["name"] for pair in json.loads((SAMPLES / "pairs.json").read_text(encoding="utf-8"))["pairs"]]


def truth(name: str) -> dict[str, Any]:
    """Return what is known of a sample pair."""
    found: dict[str, Any] = json.loads((SAMPLES / f"{name}.json").read_text(encoding="utf-8"))
    return found


def request(name: str, photos: tuple[Path, Path] | None = None, **changes: Any) -> Request:
    """Ask as a user would: thickness as marked, bar readings only where the truth says that they are known.

    Parameters
    ----------
    photos : (Path, Path), optional
        Other files than the sample's own.
    """
    usual = sample_request(SAMPLES, truth(name))
    return replace(usual, **({"photos": photos} if photos else {}), **changes)


def halved(name: str, folder: Path) -> tuple[Path, Path]:
    """Write both photos of a sample pair at half their size, with their Exif block."""
    made = []
    for photo in truth(name)["photos"]:
        with Image.open(SAMPLES / photo["file"]) as picture:
            half = picture.resize((picture.width // 2, picture.height // 2), Image.Resampling.BOX)
            half.save(folder / photo["file"], quality=92, exif=picture.getexif().tobytes())
        made.append(folder / photo["file"])
    return made[0], made[1]


def changed(
    source: Path, target: Path, change: Callable[[np.ndarray[Any, Any]], np.ndarray[Any, Any]]
) -> Path:
    """Write a photo with its stored pixels changed, RGB, and its Exif block kept."""
    with Image.open(source) as picture:
        pixels = np.array(picture.convert("RGB"))
        Image.fromarray(np.ascontiguousarray(change(pixels))).save(
            target, quality=92, exif=picture.getexif().tobytes()
        )
    return target
