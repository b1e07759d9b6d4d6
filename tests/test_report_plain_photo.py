"""A photo to hand over: nothing of the file but its pixels, the tint gone, the knife level and whole."""

from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw

from grindcheck.errors import PhotoError
from grindcheck.mat.spec import TINT_SRGB
from grindcheck.report.plain_photo import LONGEST_PX, plain_photos

SAMPLES = Path(__file__).parent.parent / "sample_images"
STEEL, WOOD = (150, 152, 155), (120, 78, 48)


def scene(folder: Path, *, turn: float = 0.0, tint=TINT_SRGB, handle: bool = False) -> Path:
    """Draw a magenta field in a dark frame with a steel bar, 600 by 60 of 1200 by 900, turned left."""
    picture = Image.new("RGB", (1200, 900), (40, 40, 40))
    draw = ImageDraw.Draw(picture)
    draw.rectangle((100, 100, 1100, 800), fill=tuple(tint))
    bar = Image.new("RGBA", (1200, 900))
    ImageDraw.Draw(bar).rectangle((300, 420, 899, 479), fill=(*STEEL, 255))
    if handle:  # over the frame
        ImageDraw.Draw(bar).rectangle((30, 410, 400, 489), fill=(*WOOD, 255))
    bar = bar.rotate(turn, Image.Resampling.BICUBIC)
    picture.paste(bar, (0, 0), bar)
    path = folder / "scene.png"
    picture.save(path)
    return path


def opened(jpeg: bytes):
    return np.asarray(Image.open(BytesIO(jpeg)).convert("RGB")).astype(float)


def test_the_tint_is_gone_and_the_steel_stays(tmp_path: Path) -> None:
    (jpeg,) = plain_photos([scene(tmp_path)])
    pixels = opened(jpeg)
    assert np.ptp(pixels, axis=2).max() < 30  # no colour left; JPEG adds some at edges
    middle = pixels[pixels.shape[0] // 2, pixels.shape[1] // 2]
    assert middle == pytest.approx(STEEL, abs=3)
    assert pixels[5, pixels.shape[1] // 2].min() > 230  # paper


def test_the_knife_is_cut_out_whole_and_level(tmp_path: Path) -> None:
    for turn in (0.0, 7.0, -7.0, 90.0):
        (jpeg,) = plain_photos([scene(tmp_path, turn=turn)])
        dark = opened(jpeg).mean(axis=2) < 200
        rows, columns = np.nonzero(dark)
        high, wide = dark.shape
        # the bar is ten times as long as high; turned by half a degree too much it would be 0.17 bars higher
        assert np.ptp(columns) / np.ptp(rows) > 8.4
        assert rows.min() > 0.05 * high
        assert columns.min() > 0.01 * wide
        assert rows.max() < 0.95 * high
        assert columns.max() < 0.99 * wide


def test_a_handle_over_the_frame_stays_whole(tmp_path: Path) -> None:
    (jpeg,) = plain_photos([scene(tmp_path, handle=True)])
    pixels = opened(jpeg)
    row = pixels[pixels.shape[0] // 2]
    brown = row[:, 0] - row[:, 2] > 40  # wood, 72 apart, keeps its colour
    assert not brown[0]  # it ends inside the picture
    length = brown.sum() / (np.abs(row - STEEL).max(axis=1) < 20).sum()
    assert length == pytest.approx(371 / 499, rel=0.03)  # of handle and of the steel beyond it


def test_a_photo_without_mat_is_all_there(tmp_path: Path) -> None:
    path = scene(tmp_path, tint=(120, 130, 90))
    (jpeg,) = plain_photos([path])
    assert Image.open(BytesIO(jpeg)).size == (1200, 900)
    assert np.abs(opened(jpeg) - opened(path.read_bytes())).mean() < 1.0


def test_photos_of_one_knife_have_one_shape() -> None:
    sizes = [
        Image.open(BytesIO(jpeg)).size
        for jpeg in plain_photos([SAMPLES / "petty_b_1.jpg", SAMPLES / "petty_b_2.jpg"])
    ]
    shapes = [wide / high for wide, high in sizes]
    assert shapes[0] == pytest.approx(shapes[1], rel=0.01)
    assert max(sizes[0]) <= LONGEST_PX


def test_no_word_of_the_file_comes_along(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[0x010F] = "MAKERWORD"
    exif[0x0110] = "MODELWORD"
    exif.get_ifd(0x8769)[0xA431] = "SERIAL12345"
    exif.get_ifd(0x8825)[0x001D] = "2026:11:25"
    exif.get_ifd(0x8825)[0x0001] = "N"
    exif.get_ifd(0x8825)[0x0002] = (48.0, 13.0, 37.5)
    path = tmp_path / "told.jpg"
    Image.open(scene(tmp_path)).save(
        path, exif=exif, comment=b"COMMENTWORD", icc_profile=b"PROFILEWORD" * 20, dpi=(72, 72)
    )
    words = (b"MAKERWORD", b"SERIAL12345", b"COMMENTWORD", b"PROFILEWORD", b"Exif")
    assert all(word in path.read_bytes() for word in words)
    (jpeg,) = plain_photos([path])
    assert not any(word in jpeg for word in words)
    found = Image.open(BytesIO(jpeg))
    assert not dict(found.getexif())
    assert set(found.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}


def test_a_turned_photo_is_upright(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[0x0112] = 6
    path = tmp_path / "turned.jpg"
    Image.open(scene(tmp_path, tint=(120, 130, 90))).save(path, exif=exif)
    (jpeg,) = plain_photos([path])
    assert Image.open(BytesIO(jpeg)).size == (900, 1200)


def test_no_photo_is_told(tmp_path: Path) -> None:
    path = tmp_path / "no.jpg"
    path.write_bytes(b"nothing")
    with pytest.raises(PhotoError, match="no JPEG"):
        plain_photos([path])
