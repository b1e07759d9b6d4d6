"""A photo to hand over: upright, small, the mat's tint turned to paper, and nothing in it but the picture.

The pixels are encoded anew, so that nothing of the file's metadata (place, serial number, time) comes along.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from grindcheck.geometry import Array
from grindcheck.mat.spec import TINT_SRGB
from grindcheck.photo import read_photo

LONGEST_PX = 1600
"""Across 160 mm of paper this is 250 pixels an inch, as fine as a printer shows."""

QUALITY = 85
_WORK_PX = 2200  # longest side before the cut; a blade is at least two thirds of it
_NEAR_RAD, _FAR_RAD = (
    math.radians(22),
    math.radians(45),
)  # hues this near to the tint's lose it; wood lies beyond
_LEAST_CHROMA = 30.0  # of 128: below, a hue is noise
_LEAST_SHARE = 0.06  # of the picture must be tinted, or there is no mat in it
_PAPER = 240.0  # brightness that the tint is turned to
_LOOK_PX = 400  # longest side at which the blade is looked for
_FIELD = 0.4  # of the field's tint
_LONG = 3.0  # length by width, from which a thing has a direction
_BESIDE, _AROUND = (
    0.03,
    0.06,
)  # kept at the ends, and above and below, of the length of what lies on the field
_BEYOND = 0.16  # kept where a handle leaves the field: the mat's frame is 24 mm deep
_SHAPES = (2.4, 4.0)  # width by height that photos are cut to
_Picture = NDArray[np.uint8]


def plain_photos(paths: Sequence[Path | str], *, longest_px: int = LONGEST_PX) -> list[bytes]:
    """Make JPEGs to hand over from photo files of one knife.

    Parameters
    ----------
    paths : sequence of Path or str
        JPEG, PNG or HEIC.
    longest_px : int
        Longest side of a result at most.

    Returns
    -------
    list of bytes
        JPEGs without metadata. Where a photo shows the tinted mat, the tint is turned to paper, the knife is
        levelled and the photo cut to it, all such photos to one shape; else all of the photo is there.

    Raises
    ------
    PhotoError
        If a file is no photo that can be read.

    Notes
    -----
    Of the pixels only those with the mat's hue change: their colour goes, and their brightness becomes that
    of the red channel, in which a magenta field is light. Shadows on the field, steel and handle stay as they
    were. Colours are taken for sRGB; those of a phone with wider primaries become a little paler.
    """
    seen = [_seen(path) for path in paths]
    boxes = [one.box for one in seen if one.box is not None]
    shapes = [(x1 - x0) / (y1 - y0) for x0, y0, x1, y1 in boxes]
    aspect = min(max(min(shapes), _SHAPES[0]), _SHAPES[1]) if shapes else None
    return [_jpeg(one, aspect, longest_px) for one in seen]


@dataclass(frozen=True, slots=True)
class _Seen:
    """An upright photo, levelled and without tint where it showed a field, and the box of the knife there."""

    picture: Any
    box: tuple[int, int, int, int] | None


def _seen(path: Path | str) -> _Seen:
    from PIL import Image

    picture = Image.fromarray(np.ascontiguousarray(read_photo(path).bgr[:, :, ::-1]))
    picture.thumbnail((_WORK_PX, _WORK_PX), Image.Resampling.BOX)
    rgb = np.asarray(picture)
    tinted = _tinted(rgb)
    if tinted is None:
        return _Seen(picture, None)
    step = max(1, max(tinted.shape) // _LOOK_PX)
    knife, inside = _knife(tinted[::step, ::step] > _FIELD)
    turn = _tilt(knife)
    picture = Image.fromarray(_untinted(rgb, tinted))
    if turn:
        picture = picture.rotate(turn, Image.Resampling.BICUBIC, expand=True, fillcolor=(240, 240, 240))
        knife, inside = (
            np.asarray(Image.fromarray(mask).rotate(turn, expand=True)) for mask in (knife, inside)
        )
    if not knife.any():
        return _Seen(picture, None)
    box = _box(knife, inside, picture.width / knife.shape[1])
    return _Seen(picture, (box[0], box[1], min(box[2], picture.width), min(box[3], picture.height)))


def _jpeg(seen: _Seen, aspect: float | None, longest_px: int) -> bytes:
    from PIL import Image

    picture = seen.picture
    if seen.box is not None and aspect is not None:
        x0, y0, x1, y1 = seen.box
        wide, tall = max(x1 - x0, (y1 - y0) * aspect), max(y1 - y0, (x1 - x0) / aspect)
        left = min(max(0.0, (x0 + x1 - wide) / 2), max(0.0, picture.width - wide))
        top = min(max(0.0, (y0 + y1 - tall) / 2), max(0.0, picture.height - tall))
        right, bottom = min(picture.width, round(left + wide)), min(picture.height, round(top + tall))
        picture = picture.crop((round(left), round(top), right, bottom))
    picture.thumbnail((longest_px, longest_px), Image.Resampling.LANCZOS)
    out = BytesIO()
    picture.save(out, format="JPEG", quality=QUALITY, optimize=True)
    return out.getvalue()


def _chroma(rgb: Any) -> Array:
    """Blue and red difference (ITU-R BT.601), of 128 at most; shape (..., 2)."""
    r, g, b = (np.asarray(rgb, dtype=np.float32)[..., i] for i in range(3))
    luma = 0.299 * r + 0.587 * g + 0.114 * b
    return np.stack([(b - luma) * 0.564, (r - luma) * 0.713], axis=-1)


def _tinted(rgb: _Picture) -> Array | None:
    """How much each pixel has of the mat's tint, about 1 on the field; None without a field."""
    chroma = _chroma(rgb)
    nominal = _chroma(np.array(TINT_SRGB))
    strength = np.hypot(chroma[..., 0], chroma[..., 1])
    field = (strength > _LEAST_CHROMA) & (_apart(chroma, nominal) < _NEAR_RAD)
    if field.mean() < _LEAST_SHARE:
        return None
    tint = np.median(chroma[field], axis=0)
    length = float(np.hypot(*tint))
    along = (chroma @ tint) / length**2
    gate = np.clip((_FAR_RAD - _apart(chroma, tint)) / (_FAR_RAD - _NEAR_RAD), 0.0, 1.0)
    return np.asarray(np.clip(along, 0.0, None) * gate)


def _apart(chroma: Array, other: Array) -> Array:
    """Angle between hues."""
    across = chroma[..., 0] * other[1] - chroma[..., 1] * other[0]
    return np.asarray(np.abs(np.arctan2(across, chroma @ other)))


def _untinted(rgb: _Picture, tinted: Array) -> _Picture:
    picture = rgb.astype(np.float32)
    red = picture[..., 0]
    full = tinted > 0.6
    grey = np.clip(red * (_PAPER / float(np.median(red[full]))), 0, 255)
    share = np.clip(tinted / 0.6, 0.0, 1.0)[..., None]
    mixed: _Picture = np.round(picture * (1 - share) + grey[..., None] * share).astype(np.uint8)
    return mixed


def _knife(field: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Masks of what lies on the field, and of the field with it."""
    from scipy import ndimage

    field = ndimage.binary_opening(field)
    high, wide = field.shape
    rows, columns = np.arange(high)[:, None], np.arange(wide)[None, :]
    left = np.where(field.any(1), field.argmax(1), wide)[:, None]
    right = np.where(field.any(1), wide - 1 - field[:, ::-1].argmax(1), -1)[:, None]
    top = np.where(field.any(0), field.argmax(0), high)[None, :]
    bottom = np.where(field.any(0), high - 1 - field[::-1].argmax(0), -1)[None, :]
    inside = ((columns >= left) & (columns <= right)) | ((rows >= top) & (rows <= bottom))
    labels, count = ndimage.label(inside & ~field)
    if count == 0:
        return np.zeros_like(field), inside
    sizes = ndimage.sum_labels(np.ones_like(labels), labels, np.arange(1, count + 1))
    return labels == 1 + int(np.argmax(sizes)), inside


def _tilt(knife: NDArray[np.bool_]) -> float:
    """Degrees to turn the picture against the clock so that the knife lies level; 0 for nothing long.

    Level is where the knife takes up least height, which lays its spine or its edge along the picture; looked
    for near the direction of its greatest spread.
    """
    y, x = np.nonzero(knife)
    if len(x) < 3:
        return 0.0
    (low, high), axes = np.linalg.eigh(np.cov(np.stack([x, y])))
    if high < _LONG**2 * low:
        return 0.0
    spread = math.degrees(math.atan2(axes[1, 1], axes[0, 1]))
    turns = spread + np.arange(-10.0, 10.1, 0.5)
    across = np.cos(np.radians(turns))[:, None] * y - np.sin(np.radians(turns))[:, None] * x
    best = float(turns[int(np.argmin(np.ptp(across, axis=1)))])
    return (best + 90.0) % 180.0 - 90.0


def _box(knife: NDArray[np.bool_], inside: NDArray[np.bool_], scale: float) -> tuple[int, int, int, int]:
    """Box (x0, y0, x1, y1) around the knife; where it leaves the field, farther, for the rest of a handle."""
    high, wide = knife.shape
    rows, columns = np.nonzero(knife)
    x0, x1 = int(columns.min()), int(columns.max()) + 1
    y0, y1 = int(rows.min()), int(rows.max()) + 1
    beside, around, beyond = (round(share * (x1 - x0)) for share in (_BESIDE, _AROUND, _BEYOND))
    leaves_left = x0 == 0 or not inside[rows[columns == x0], max(0, x0 - 2)].all()
    leaves_right = x1 == wide or not inside[rows[columns == x1 - 1], min(wide - 1, x1 + 1)].all()
    box = (
        max(0, x0 - (beyond if leaves_left else beside)),
        max(0, y0 - around),
        min(wide, x1 + (beyond if leaves_right else beside)),
        min(high, y1 + around),
    )
    return tuple(round(value * scale) for value in box)  # type: ignore[return-value]
