"""What a phone does to the light that fell on its sensor: noise, tone, sharpening, JPEG and EXIF."""

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

Picture = NDArray[np.float32]

_TURNED = {1: 0, 3: 2, 6: 1, 8: 3}  # EXIF orientation to quarter turns that undo it (counterclockwise)


def developed(light: Picture, phone: dict[str, Any], rng: np.random.Generator) -> NDArray[np.uint8]:
    """Turn linear light into the 8-bit picture that the phone stores.

    Parameters
    ----------
    light : ndarray, shape (height, width, 3)
        Linear RGB, exposed so that 1 is the sensor's white.
    phone : dict
        ``noise`` (share of white at mid grey), ``balance`` (gains of R, G, B), ``vignette`` (share of light
        lost in the corners), ``contrast`` (strength of the S curve), ``sharpen`` (amount), ``sharpen_px``.
    rng : numpy.random.Generator
        For the sensor's noise.
    """
    height, width = light.shape[:2]
    y, x = np.ogrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    away = ((x * width) ** 2 + (y * height) ** 2) / (width**2 + height**2)
    light = light * (1 - phone["vignette"] * away)[..., None].astype(np.float32)
    level = phone["noise"]
    noise = rng.standard_normal(light.shape, dtype=np.float32)
    for channel in range(3):  # demosaicing and the phone's own smoothing tie neighbours together
        noise[..., channel] = (
            1.9 * ndimage.gaussian_filter(noise[..., channel], 0.7) + 0.25 * noise[..., channel]
        )
    light = light + noise * level * np.sqrt(np.clip(light, 0, None) / 0.2 + 0.05).astype(np.float32)
    light = np.clip(light * np.asarray(phone["balance"], np.float32), 0, None)
    bright = 0.85  # highlights roll off instead of clipping hard
    over = np.maximum(light - bright, 0)
    light = np.minimum(light, bright) + (1 - bright) * (1 - np.exp(-over / (1 - bright)))
    tone = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055)
    tone = tone + phone["contrast"] * (tone * tone * (3 - 2 * tone) - tone)
    luma = tone @ np.array([0.299, 0.587, 0.114], np.float32)
    detail = luma - ndimage.gaussian_filter(luma, phone["sharpen_px"])
    tone = tone + phone["sharpen"] * np.clip(detail, -0.12, 0.12)[..., None]
    return np.clip(np.rint(tone * 255), 0, 255).astype(np.uint8)


def write(picture: NDArray[np.uint8], path: Path, phone: dict[str, Any]) -> None:
    """Write a JPEG with the phone's EXIF; ``picture`` is upright, the file is stored as the sensor saw it."""
    orientation = phone["orientation"]
    stored = np.rot90(picture, _TURNED[orientation])
    image = Image.fromarray(np.ascontiguousarray(stored))
    exif = Image.Exif()
    exif[0x010F] = "Workshop"  # Make
    exif[0x0110] = phone["model"]
    exif[0x0112] = orientation
    exif[0x0131] = "render.py"  # Software
    exif[0x0132] = phone["taken"]
    detail = exif.get_ifd(0x8769)
    detail[0x9003] = phone["taken"]  # DateTimeOriginal
    detail[0x829A] = phone["exposure_s"]
    detail[0x8827] = phone["iso"]
    detail[0x920A] = phone["focal_mm"]  # FocalLength
    if phone.get("f35_mm"):
        detail[0xA405] = round(phone["f35_mm"])  # FocalLengthIn35mmFilm
    if phone.get("zoom", 1) != 1:
        detail[0xA404] = phone["zoom"]  # DigitalZoomRatio
    image.save(path, quality=phone["quality"], subsampling=phone.get("subsampling", 2), exif=exif)
