"""Photos: every format and turn gives the same upright picture; what can't be read says so."""

import hashlib
import math
import os
import struct
import sys
import time
import zlib
from functools import cache
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import ExifTags, Image, ImageOps

from grindcheck import photo
from grindcheck.errors import PhotoError
from grindcheck.photo import PHOTO_FLAGS, Photo, read_photo

Picture = NDArray[np.uint8]


def scene(height: int = 40, width: int = 60) -> Picture:
    """Return a grey BGR picture, not square, with a block in each corner.

    Blue top left, green top right, red bottom left, white bottom right.
    """
    bgr = np.full((height, width, 3), 90, np.uint8)
    bgr[:16, :16] = (250, 10, 10)
    bgr[:16, -16:] = (10, 250, 10)
    bgr[-16:, :16] = (10, 10, 250)
    bgr[-16:, -16:] = (250, 250, 250)
    return bgr


def exif(orientation: int = 1, **inner: object) -> bytes:
    """Return an Exif block; `inner` are fields of the inner directory by their names in CIPA DC-008."""
    block = Image.Exif()
    block[ExifTags.Base.Orientation] = orientation
    block[ExifTags.Base.Make] = "Workshop"
    block[ExifTags.Base.Model] = "Phone One"
    block.get_ifd(ExifTags.IFD.Exif).update({ExifTags.Base[name]: value for name, value in inner.items()})
    return bytes(block.tobytes())


def saved(path: Path, bgr: Picture, **options: object) -> Path:
    rgb = np.ascontiguousarray(bgr[..., ::-1])
    Image.fromarray(rgb).save(path, **options)  # type: ignore[arg-type]
    return path


def jpeg_bytes(bgr: Picture | None = None, **options: object) -> bytes:
    buffer = BytesIO()
    rgb = np.ascontiguousarray((scene() if bgr is None else bgr)[..., ::-1])
    Image.fromarray(rgb).save(buffer, "JPEG", quality=95, subsampling=0, **options)  # type: ignore[arg-type]
    return buffer.getvalue()


def png_bytes(bgr: Picture | None = None) -> bytes:
    return bytes(cv2.imencode(".png", scene() if bgr is None else bgr)[1])


def heic_bytes(bgr: Picture | None = None, exif_block: bytes = b"") -> bytes:
    buffer = BytesIO()
    rgb = np.ascontiguousarray((scene() if bgr is None else bgr)[..., ::-1])
    file = pillow_heif.from_bytes("RGB", (rgb.shape[1], rgb.shape[0]), rgb.tobytes())
    file.save(buffer, quality=95, chroma=444, **({"exif": exif_block} if exif_block else {}))
    return buffer.getvalue()


def read_bytes(folder: Path, data: bytes, name: str = "a.jpg") -> Photo:
    path = folder / name
    path.write_bytes(data)
    return read_photo(path)


def assert_like_scene(bgr: Picture, expected: Picture | None = None) -> None:
    expected = scene() if expected is None else expected
    assert bgr.shape == expected.shape
    assert bgr.dtype == np.uint8
    # Within the blocks, away from where lossy formats ring, a quality of 95 loses little (measured: 1).
    for y, x in ((6, 6), (6, -7), (-7, 6), (-7, -7), (20, 30)):
        assert np.abs(bgr[y, x].astype(int) - expected[y, x]).max() <= 3, (y, x)


# Formats


def test_png_is_read_exactly_and_hashed(tmp_path: Path) -> None:
    data = png_bytes()
    found = read_bytes(tmp_path, data, "left face.png")
    np.testing.assert_array_equal(found.bgr, scene())
    assert found.name == "left face.png"
    assert found.sha256 == hashlib.sha256(data).hexdigest()


def test_picture_is_read_only(tmp_path: Path) -> None:
    found = read_bytes(tmp_path, png_bytes())
    with pytest.raises(ValueError, match="read-only"):
        found.bgr[0, 0] = 0


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"restart_marker_blocks": 1}], ids=str)
def test_jpeg(tmp_path: Path, options: dict[str, object]) -> None:
    assert_like_scene(read_bytes(tmp_path, jpeg_bytes(**options)).bgr)


def test_heic(tmp_path: Path) -> None:
    assert_like_scene(read_bytes(tmp_path, heic_bytes(), "a.heic").bgr)


@pytest.mark.parametrize(("subsampling", "coarse"), [(0, False), (1, True), (2, True)])
def test_how_coarsely_a_jpeg_stores_hue(tmp_path: Path, subsampling: int, coarse: bool) -> None:
    """Pillow's 0, 1 and 2 are 4:4:4, 4:2:2 and 4:2:0; grey has no hue, and phones' HEIC are 4:2:0."""
    buffer = BytesIO()
    Image.fromarray(scene()).save(buffer, "JPEG", subsampling=subsampling)
    assert read_bytes(tmp_path, buffer.getvalue()).coarse_hue is coarse


def test_how_coarsely_other_files_store_hue(tmp_path: Path) -> None:
    buffer = BytesIO()
    Image.fromarray(scene()[..., 0]).save(buffer, "JPEG")
    assert not read_bytes(tmp_path, buffer.getvalue()).coarse_hue  # grey: there is none
    assert not read_bytes(tmp_path, heic_bytes()).coarse_hue  # made as 4:4:4
    file = pillow_heif.from_bytes("RGB", scene().shape[1::-1], scene().tobytes())
    buffer = BytesIO()
    file.save(buffer, chroma=420)
    assert read_bytes(tmp_path, buffer.getvalue()).coarse_hue
    assert read_bytes(tmp_path, png_bytes()).coarse_hue  # who knows of which JPEG it was made


def test_first_bytes_decide_not_the_suffix(tmp_path: Path) -> None:
    assert_like_scene(read_bytes(tmp_path, heic_bytes(), "a.jpg").bgr)
    assert_like_scene(read_bytes(tmp_path, png_bytes(), "a.heic").bgr)
    assert_like_scene(read_bytes(tmp_path, jpeg_bytes(), "a").bgr)


def test_path_may_be_text(tmp_path: Path) -> None:
    assert_like_scene(read_photo(str(saved(tmp_path / "a.png", scene()))).bgr)


def test_16_bit_png_keeps_the_high_byte(tmp_path: Path) -> None:
    deep = scene().astype(np.uint16) * 257  # 255 * 257 = 65535
    found = read_bytes(tmp_path, bytes(cv2.imencode(".png", deep)[1]))
    np.testing.assert_array_equal(found.bgr, scene())


def test_png_with_alpha(tmp_path: Path) -> None:
    with_alpha = np.dstack([scene(), np.full(scene().shape[:2], 255, np.uint8)])
    np.testing.assert_array_equal(
        read_bytes(tmp_path, bytes(cv2.imencode(".png", with_alpha)[1])).bgr, scene()
    )


def test_png_with_palette(tmp_path: Path) -> None:
    # Five colours fit a palette without loss.
    Image.fromarray(scene()[..., ::-1].copy()).quantize(16).save(tmp_path / "a.png")
    np.testing.assert_array_equal(read_photo(tmp_path / "a.png").bgr, scene())


@pytest.mark.parametrize("name", ["a.png", "a.jpg"])
def test_grey(tmp_path: Path, name: str) -> None:
    grey = np.repeat(scene()[..., 1:2], 3, axis=2)
    Image.fromarray(grey[..., 0]).save(tmp_path / name)
    found = read_photo(tmp_path / name).bgr
    assert_like_scene(found, grey)
    assert (found[..., 0] == found[..., 2]).all()


def test_grey_heic(tmp_path: Path) -> None:
    grey = np.ascontiguousarray(scene()[..., 1])
    pillow_heif.from_bytes("L", (60, 40), grey.tobytes()).save(tmp_path / "a.heic", quality=95)
    assert_like_scene(read_photo(tmp_path / "a.heic").bgr, np.repeat(grey[..., None], 3, axis=2))


def test_cmyk_jpeg(tmp_path: Path) -> None:
    Image.fromarray(scene()[..., ::-1].copy()).convert("CMYK").save(tmp_path / "a.jpg", quality=95)
    assert_like_scene(read_photo(tmp_path / "a.jpg").bgr)


def test_a_second_picture_behind_the_first_is_left_alone(tmp_path: Path) -> None:
    # Phones append gain maps, previews and videos.
    other = np.zeros((300, 200, 3), np.uint8)
    assert_like_scene(read_bytes(tmp_path, jpeg_bytes() + jpeg_bytes(other) + b"\x00" * 50).bgr)


# Orientation

# How each Exif orientation's stored pixels come from the upright picture, from the table in CIPA DC-008
# (tag 274): the place in the scene that row 0 and column 0 of the stored picture show.
STORED = {
    1: lambda a: a,  # top, left
    2: lambda a: a[:, ::-1],  # top, right
    3: lambda a: a[::-1, ::-1],  # bottom, right
    4: lambda a: a[::-1],  # bottom, left
    5: lambda a: a.transpose(1, 0, 2),  # left, top
    6: lambda a: a[:, ::-1].transpose(1, 0, 2),  # right, top
    7: lambda a: a[::-1, ::-1].transpose(1, 0, 2),  # right, bottom
    8: lambda a: a[::-1].transpose(1, 0, 2),  # left, bottom
}


@pytest.mark.parametrize("orientation", STORED)
def test_orientation_is_undone_once(tmp_path: Path, orientation: int) -> None:
    stored = np.ascontiguousarray(STORED[orientation](scene()))
    found = read_bytes(tmp_path, jpeg_bytes(stored, exif=exif(orientation)))
    assert_like_scene(found.bgr)
    assert ("mirrored_undone" in found.flags) == (orientation in (2, 4, 5, 7))


@pytest.mark.parametrize("orientation", STORED)
def test_orientation_as_pillow_has_it(tmp_path: Path, orientation: int) -> None:
    """An independent reader, Pillow's ``exif_transpose``, turns the same way."""
    data = jpeg_bytes(exif=exif(orientation))
    turned = np.asarray(ImageOps.exif_transpose(Image.open(BytesIO(data))))[..., ::-1]
    assert_like_scene(read_bytes(tmp_path, data).bgr, turned)


def test_png_orientation(tmp_path: Path) -> None:
    path = saved(tmp_path / "a.png", np.ascontiguousarray(STORED[6](scene())), exif=exif(6))
    np.testing.assert_array_equal(read_photo(path).bgr, scene())


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_orientation_out_of_range_turns_nothing(tmp_path: Path, orientation: int) -> None:
    assert_like_scene(read_bytes(tmp_path, jpeg_bytes(exif=exif(orientation))).bgr)


@pytest.mark.parametrize("orientation", STORED)
def test_heic_is_not_turned_twice(tmp_path: Path, orientation: int) -> None:
    """A phone's HEIC: the container turns the picture, and the Exif block says the same for information."""
    data = heic_bytes(np.ascontiguousarray(STORED[orientation](scene())), exif(orientation))
    # The container does turn it: the property `irot` holds the angle in quarter turns, `imir` the mirror.
    turned = b"irot" in data and data[data.index(b"irot") + 4] in (1, 2, 3)
    assert (turned or b"imir" in data) == (orientation != 1)
    found = read_bytes(tmp_path, data, "a.heic")
    assert_like_scene(found.bgr)
    assert ("mirrored_undone" in found.flags) == (orientation in (2, 4, 5, 7))


# Lens


def test_focal_length_by_the_diagonal(tmp_path: Path) -> None:
    """By hand: 400 × 300 has the diagonal 500; 26 mm / 43.27 mm × 500 = 300.439.

    43.27 mm is the diagonal of 36 mm × 24 mm film, √(1296 + 576) = 43.267, as CIPA DC-008 rounds it.
    """
    found = read_bytes(tmp_path, jpeg_bytes(scene(300, 400), exif=exif(FocalLengthIn35mmFilm=26)))
    assert found.focal_px == pytest.approx(300.439, abs=0.001)
    # By hand: rounding 0.5 / 26 / √3 = 0.011103, with 0.03 in quadrature 0.031989
    assert found.focal_rel_std == pytest.approx(0.031989, abs=1e-6)
    assert "no_exif_focal" not in found.flags and "cropped" not in found.flags


@pytest.mark.parametrize("told", [13, 17, 21, 24, 25])
def test_the_focal_prior_covers_rounding_to_whole_millimetres(tmp_path: Path, told: int) -> None:
    """Anything from half a millimetre below to half above is as likely.

    A rectangular distribution of width 1 mm has the standard deviation 1 / √12 = 0.28868 mm, beside the
    0.03 for all else; the camera takes the whole of it as the prior of the focal length's logarithm.
    """
    from grindcheck.camera import _prior

    found = read_bytes(tmp_path, jpeg_bytes(scene(300, 400), exif=exif(FocalLengthIn35mmFilm=told)))
    assert found.focal_px is not None and found.focal_rel_std is not None
    rounding_mm = told * np.sqrt(found.focal_rel_std**2 - 0.03**2)
    assert rounding_mm == pytest.approx(0.28868, abs=1e-5)
    mean, precision = _prior(400, 300, found.focal_px, found.focal_rel_std, 0.002)
    assert mean[0] == pytest.approx(np.log(told / 43.27 * 500))
    assert precision[0] ** -0.5 == pytest.approx(found.focal_rel_std)
    for true_mm in np.linspace(told - 0.5, told + 0.5, 5):  # at most √3 of its own share, by its width
        assert abs(np.log(true_mm / 43.27 * 500) - mean[0]) < 1.8 * rounding_mm / told


def test_focal_length_is_that_of_the_turned_photo(tmp_path: Path) -> None:
    block = exif(6, FocalLengthIn35mmFilm=52)
    found = read_bytes(tmp_path, jpeg_bytes(scene(300, 400), exif=block))
    assert found.bgr.shape == (400, 300, 3)
    assert found.focal_px == pytest.approx(52 / 43.27 * 500)


def test_focal_length_from_heic(tmp_path: Path) -> None:
    block = exif(FocalLengthIn35mmFilm=52)
    found = read_bytes(tmp_path, heic_bytes(scene(300, 400), block))
    assert found.focal_px == pytest.approx(52 / 43.27 * 500)
    assert (found.make, found.model) == ("Workshop", "Phone One")


@pytest.mark.parametrize(
    "inner",
    [{}, {"FocalLengthIn35mmFilm": 0}, {"FocalLengthIn35mmFilm": 3}, {"FocalLengthIn35mmFilm": 60000}],
    ids=str,
)
def test_no_usable_focal_length(tmp_path: Path, inner: dict[str, object]) -> None:
    """0 stands for unknown (CIPA DC-008, tag 41989)."""
    found = read_bytes(tmp_path, jpeg_bytes(exif=exif(**inner)))
    assert found.focal_px is None and found.focal_rel_std is None and found.lens_key == ""
    assert "no_exif_focal" in found.flags


def test_a_wide_cut_widens_the_focal_prior(tmp_path: Path) -> None:
    """By hand, as the sides 16 and 9 have it.

    The diagonal is √(256 + 81) = 18.3576, that of the 4:3 sensor of width 16 is 20: 1 − 0.91788 = 0.08212,
    rectangular 0.08212 / √3 = 0.047412; with rounding 0.011103 and 0.03 in quadrature 0.057195.
    """
    found = read_bytes(tmp_path, jpeg_bytes(scene(270, 480), exif=exif(FocalLengthIn35mmFilm=26)))
    assert found.focal_rel_std == pytest.approx(0.057195, abs=2e-6)
    assert "cropped" in found.flags


def test_three_to_two_is_a_sensor_of_its_own(tmp_path: Path) -> None:
    found = read_bytes(tmp_path, jpeg_bytes(scene(200, 300), exif=exif(FocalLengthIn35mmFilm=26)))
    assert found.focal_rel_std == pytest.approx(0.031989, abs=1e-6)


def test_a_photo_cut_later_has_no_focal_prior(tmp_path: Path) -> None:
    block = exif(FocalLengthIn35mmFilm=26, ExifImageWidth=400, ExifImageHeight=300)
    found = read_bytes(tmp_path, jpeg_bytes(scene(200, 300), exif=block))
    assert found.focal_px is None
    assert {"no_exif_focal", "cropped"} <= set(found.flags)
    shrunk = read_bytes(tmp_path, jpeg_bytes(scene(75, 100), exif=block))
    assert shrunk.focal_px == pytest.approx(26 / 43.27 * 125)  # 100 × 75 has the diagonal 125


def test_lens_key_tells_lenses_apart(tmp_path: Path) -> None:
    blocks = [
        exif(FocalLengthIn35mmFilm=26, LensModel="back camera 5.7mm"),
        exif(FocalLengthIn35mmFilm=52, LensModel="back camera 5.7mm"),
        exif(FocalLengthIn35mmFilm=26, FocalLength=5.7),
        exif(FocalLengthIn35mmFilm=26, FocalLength=1.5),
    ]
    keys = [read_bytes(tmp_path, jpeg_bytes(exif=block)).lens_key for block in blocks]
    assert keys == [
        "Workshop|Phone One|back camera 5.7mm|26",
        "Workshop|Phone One|back camera 5.7mm|52",
        "Workshop|Phone One|5.7|26",
        "Workshop|Phone One|1.5|26",
    ]


def test_time_with_and_without_zone(tmp_path: Path) -> None:
    block = exif(DateTimeOriginal="2024:05:06 07:08:09", OffsetTimeOriginal="+02:00")
    assert read_bytes(tmp_path, jpeg_bytes(exif=block)).taken == "2024-05-06T07:08:09+02:00"
    block = exif(DateTimeOriginal="2024:05:06 07:08:09")
    assert read_bytes(tmp_path, jpeg_bytes(exif=block)).taken == "2024-05-06T07:08:09"
    assert read_bytes(tmp_path, jpeg_bytes(exif=exif(DateTimeOriginal="    :  :   "))).taken == ""


def test_digital_zoom_is_told(tmp_path: Path) -> None:
    zoomed = exif(FocalLengthIn35mmFilm=52, DigitalZoomRatio=2.0)
    assert "digital_zoom" in read_bytes(tmp_path, jpeg_bytes(exif=zoomed)).flags
    for ratio in (1.0, 0.0, float("nan")):  # 0 stands for unused (CIPA DC-008, tag 41988)
        block = exif(FocalLengthIn35mmFilm=26, DigitalZoomRatio=ratio)
        assert "digital_zoom" not in read_bytes(tmp_path, jpeg_bytes(exif=block)).flags


def test_small_photo_is_told(tmp_path: Path) -> None:
    """A messenger's 1600 × 1200 is 1.92 million pixels; 4000 × 3000 is 12 million."""
    small = np.full((1200, 1600, 3), 90, np.uint8)
    assert "small_photo" in read_bytes(tmp_path, jpeg_bytes(small)).flags
    large = np.full((3000, 4000, 3), 90, np.uint8)
    assert "small_photo" not in read_bytes(tmp_path, jpeg_bytes(large)).flags


def test_flags_are_named_in_one_table(tmp_path: Path) -> None:
    # By hand, because saved records hold the names.
    assert list(PHOTO_FLAGS) == ["no_exif_focal", "small_photo", "mirrored_undone", "digital_zoom", "cropped"]
    assert read_bytes(tmp_path, png_bytes()).flags == ("no_exif_focal", "small_photo")


@pytest.mark.parametrize(
    "block",
    [
        b"Exif\x00\x00",
        b"Exif\x00\x00II*\x00",
        b"Exif\x00\x00MM\x00*\xff\xff\xff\xff",
        b"Exif\x00\x00nonsense that is no TIFF header",
        exif(FocalLengthIn35mmFilm=26)[:60],
        exif(FocalLengthIn35mmFilm=26).replace(b"Workshop", b"\xff\xfe\x00\x80\x81\x82\x83\x84"),
    ],
    ids=range(6),
)
def test_malformed_exif_costs_the_focal_length_only(tmp_path: Path, block: bytes) -> None:
    assert_like_scene(read_bytes(tmp_path, jpeg_bytes(exif=block)).bgr)


# What can't be read


def test_108_megapixels_are_read(tmp_path: Path) -> None:
    grey = np.full((9000, 12000), 128, np.uint8)
    (tmp_path / "a.jpg").write_bytes(bytes(cv2.imencode(".jpg", grey)[1]))
    del grey
    assert read_photo(tmp_path / "a.jpg").bgr.shape == (9000, 12000, 3)


def png_that_claims(width: int, height: int) -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    rows = chunk(b"IDAT", zlib.compress(bytes(1000)))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + rows + chunk(b"IEND", b"")


def jpeg_that_claims(width: int, height: int) -> bytes:
    data = bytearray(jpeg_bytes())
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", height, width)
    return bytes(data)


@pytest.mark.parametrize(
    ("data", "size"),
    [
        (png_that_claims(13000, 10000), "13000 × 10000 = 130 megapixels"),
        (png_that_claims(2**31 - 1, 2**31 - 1), "megapixels"),
        (jpeg_that_claims(13000, 10000), "13000 × 10000 = 130 megapixels"),
        (jpeg_that_claims(65500, 65500), "= 4290 megapixels"),
    ],
    ids=["130 MP PNG", "PNG bomb", "130 MP JPEG", "JPEG bomb"],
)
def test_too_many_pixels_are_refused_before_decoding(
    tmp_path: Path, data: bytes, size: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise AssertionError("decoded")

    monkeypatch.setattr(cv2, "imdecode", fail)
    with pytest.raises(PhotoError, match=f"{size}.*12 megapixels are enough"):
        read_bytes(tmp_path, data)


def test_heic_whose_coded_picture_has_another_size(tmp_path: Path) -> None:
    """The container says 32 × 24 pixels, and 64 × 32 are coded in it: no figure of it would be right."""
    data = (Path(__file__).parent / "saved" / "fuzz" / "photo_heif_of_another_size").read_bytes()
    with pytest.raises(PhotoError, match="is damaged"):
        read_bytes(tmp_path, data)


def test_too_many_pixels_heic(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photo, "MAX_PIXELS", 2000)
    with pytest.raises(PhotoError, match="60 × 40"):
        read_bytes(tmp_path, heic_bytes())


def test_png_bomb_that_claims_little_enough_is_damaged(tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match=r"damaged.*Copy the original"):
        read_bytes(tmp_path, png_that_claims(4000, 3000))


@pytest.mark.parametrize("make", [jpeg_bytes, png_bytes, heic_bytes])
@pytest.mark.parametrize("share", [0.3, 0.6, 0.9, 0.999])
def test_truncated(tmp_path: Path, make: object, share: float) -> None:
    noise = np.random.default_rng(1).integers(0, 255, (80, 120, 3), dtype=np.uint8)
    data = make(noise)  # type: ignore[operator]
    with pytest.raises(PhotoError, match=r"truncated.*Copy the original"):
        read_bytes(tmp_path, data[: int(share * len(data))])


def test_truncated_jpeg_whose_rest_is_zeros(tmp_path: Path) -> None:
    # What a copy broken off leaves on some cards.
    data = jpeg_bytes(np.random.default_rng(1).integers(0, 255, (80, 120, 3), dtype=np.uint8))
    half = len(data) // 2
    with pytest.raises(PhotoError, match="truncated"):
        read_bytes(tmp_path, data[:half] + bytes(len(data) - half))


def test_truncated_jpeg_with_a_whole_thumbnail(tmp_path: Path) -> None:
    # The thumbnail's own end isn't the picture's.
    block = exif() + jpeg_bytes()
    data = jpeg_bytes(np.random.default_rng(1).integers(0, 255, (80, 120, 3), dtype=np.uint8), exif=block)
    with pytest.raises(PhotoError, match="truncated"):
        read_bytes(tmp_path, data[:-200])


def test_progressive_jpeg_broken_off_between_scans(tmp_path: Path) -> None:
    data = jpeg_bytes(progressive=True)
    last_scan = data.rindex(b"\xff\xda")
    with pytest.raises(PhotoError, match="truncated"):
        read_bytes(tmp_path, data[:last_scan])


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "is empty"),
        (b"GIF89a" + bytes(100), "is no JPEG, PNG or HEIC picture"),
        (b"%PDF-1.4 not a photo", "is no JPEG, PNG or HEIC picture"),
        (b"RIFF\x00\x00\x00\x00WEBPVP8 ", "is no JPEG, PNG or HEIC picture"),
        (b"\x00\x00\x00\x18ftypmp42" + bytes(100), "is no JPEG, PNG or HEIC picture"),
        (b"\xff", "is no JPEG, PNG or HEIC picture"),
        (b"\xff\xd8\xff", "truncated"),
        (b"\xff\xd8\xff\xd9", "damaged"),
        (b"\xff\xd8\xff\xe0\x00\x01" + bytes(9), "truncated"),
        (b"\x89PNG\r\n\x1a\n", "truncated"),
        (b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic", "damaged"),
        (b"\x00\x00\x00\x02ftypheic\x00\x00\x00\x00mif1heic", "damaged"),
    ],
    ids=range(12),
)
def test_no_photo(tmp_path: Path, data: bytes, message: str) -> None:
    with pytest.raises(PhotoError, match=message) as caught:
        read_bytes(tmp_path, data)
    assert caught.value.advice.endswith(".")


def test_changed_byte_in_a_png_is_found(tmp_path: Path) -> None:
    data = bytearray(png_bytes())
    data[data.index(b"IDAT") + 12] ^= 1
    with pytest.raises(PhotoError, match="damaged"):
        read_bytes(tmp_path, bytes(data))


def chunk(kind: bytes, body: bytes = b"") -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def progressive_with_scans(count: int) -> bytes:
    """Return a progressive JPEG whose last scan comes again and again: decoded, each costs a whole pass."""
    stream = BytesIO()
    Image.new("RGB", (640, 480)).save(stream, "JPEG", progressive=True)
    data = stream.getvalue()
    scans = data.count(b"\xff\xda")
    last = data[data.rfind(b"\xff\xda") : -2]
    return data[:-2] + last * (count - scans) + b"\xff\xd9"


def test_what_makes_a_small_file_costly_is_refused_at_once(tmp_path: Path) -> None:
    """Two megabytes each, which took up to minutes: the limits are far beyond what cameras write."""
    plain = b"\x89PNG\r\n\x1a\n"
    costly = {
        "scans": progressive_with_scans(photo.MOST_SCANS + 1),
        "segments": b"\xff\xd8" + b"\xff\xe0\x00\x02" * (photo.MOST_PARTS + 1),
        "chunks": plain + chunk(b"teXt") * (photo.MOST_PARTS + 1),
        "boxes": b"\0\0\0\x18ftypheic" + bytes(12) + b"\0\0\0\x08free" * (photo.MOST_PARTS + 1),
    }
    for what, data in costly.items():
        most = photo.MOST_SCANS if what == "scans" else photo.MOST_PARTS
        begun = time.monotonic()
        with pytest.raises(PhotoError, match=f"more than {most} {what}"):
            read_bytes(tmp_path, data)
        assert time.monotonic() - begun < 5.0  # 0.2 s here; unlimited it grows with the file's 400 MB
    assert read_bytes(tmp_path, progressive_with_scans(photo.MOST_SCANS)).bgr.any() == 0


def test_fill_bytes_before_a_marker_cost_no_time(tmp_path: Path) -> None:
    stream = BytesIO()
    Image.new("RGB", (32, 24)).save(stream, "JPEG")
    data = stream.getvalue()
    begun = time.monotonic()
    filled = read_bytes(tmp_path, data[:2] + b"\xff" * 20_000_000 + data[2:])
    assert filled.bgr.shape == (24, 32, 3)
    with pytest.raises(PhotoError, match="truncated"):
        read_bytes(tmp_path, b"\xff\xd8" + b"\xff" * 20_000_000)
    assert time.monotonic() - begun < 2.0  # 0.1 s; byte by byte it took 3 s for the one


def test_a_single_row_is_no_photo(tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match="60 × 1 pixels"):
        read_bytes(tmp_path, png_bytes(scene()[:1]))


def test_missing_folder_and_bad_name(tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match=r"There is no file.*Check name and folder"):
        read_photo(tmp_path / "none.jpg")
    with pytest.raises(PhotoError, match=r"is a folder.*Name one photo file"):
        read_photo(tmp_path)
    with pytest.raises(PhotoError):
        read_photo("a\x00b.jpg")


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no mode bits that forbid reading")
@pytest.mark.skipif(getattr(os, "geteuid", lambda: 1)() == 0, reason="the superuser may read everything")
def test_file_that_may_not_be_read(tmp_path: Path) -> None:
    path = saved(tmp_path / "a.png", scene())
    path.chmod(0)
    with pytest.raises(PhotoError, match="can't be read"):
        read_photo(path)


def test_read_error_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = saved(tmp_path / "a.png", scene())

    def fail(_: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", fail)
    with pytest.raises(PhotoError, match=r"can't be read.*Permission denied"):
        read_photo(path)


def test_file_that_is_too_long(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photo, "MAX_FILE_BYTES", 100)
    with pytest.raises(PhotoError, match="more than 0 MB"):
        read_bytes(tmp_path, png_bytes())


@cache
def seeds() -> tuple[bytes, ...]:
    block = exif(6, FocalLengthIn35mmFilm=26, FocalLength=5.7, DateTimeOriginal="2024:05:06 07:08:09")
    png = BytesIO()
    Image.fromarray(scene()).save(png, "PNG", exif=block)
    return (
        jpeg_bytes(exif=block),
        jpeg_bytes(progressive=True),
        png.getvalue(),
        heic_bytes(exif_block=block),
    )


@settings(
    max_examples=300,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    which=st.integers(0, 3),
    changes=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), max_size=6),
    cut=st.floats(0.5, 1),
    whole=st.booleans(),
)
def test_mutated_files_raise_nothing_but_photo_errors(
    tmp_path: Path, which: int, changes: list[tuple[float, int]], cut: float, whole: bool
) -> None:
    data = bytearray(seeds()[which])
    for place, value in changes:
        data[int(place * (len(data) - 1))] = value
    try:
        found = read_bytes(tmp_path, bytes(data if whole else data[: int(cut * len(data))]))
    except PhotoError as problem:
        assert problem.advice
    else:
        assert found.bgr.ndim == 3
        assert found.focal_px is None or math.isfinite(found.focal_px)


@settings(
    max_examples=200,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(changes=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), min_size=1, max_size=12))
def test_mutated_exif_costs_no_picture(tmp_path: Path, changes: list[tuple[float, int]]) -> None:
    block = bytearray(exif(1, FocalLengthIn35mmFilm=26, FocalLength=5.7, LensModel="lens"))
    for place, value in changes:
        at = 6 + int(place * (len(block) - 7))  # behind "Exif\0\0"
        block[at] = value
    found = read_bytes(tmp_path, jpeg_bytes(exif=bytes(block)))
    assert sorted(found.bgr.shape) == [3, 40, 60]
    assert found.focal_px is None or found.focal_px > 0
