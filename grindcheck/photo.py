"""One file becomes one upright picture with what its metadata says about the lens.

The first bytes decide what a file is, not its name. Size and completeness are read from the container before
anything is decoded, so that a truncated file or one that claims a monstrous size costs nothing.
"""

import hashlib
import math
import re
import struct
import warnings
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from grindcheck.errors import PhotoError, about

MAX_PIXELS = 120_000_000  # the largest phone sensors have 108 million; about 360 MB once decoded
MAX_FILE_BYTES = 400_000_000  # 108 million pixels of noise as PNG stay below this
MOST_PARTS = 200_000  # of a file; 400 MB of PNG in pieces of 8 kB have 50,000, other files some hundred
MOST_SCANS = 60  # of a JPEG; progressive ones have about ten, and each costs a pass over the whole picture
SMALL_PIXELS = 3_000_000  # messengers shrink to 1 to 2 million
FILM_DIAGONAL_MM = 43.27  # of the 36 mm × 24 mm frame; CIPA DC-008 counts the equivalent by the diagonal
FOCAL_SHARE_STD = 0.03  # of the focal length: refocusing, stabiliser crop, maker's rounding; own estimate
NATIVE_ASPECTS = (4 / 3, 3 / 2)  # of sensors; any other aspect is cut out of one of these
FOCAL_35_MM = (5.0, 2000.0)  # an equivalent outside is no lens but a slip

PHOTO_FLAGS = ("no_exif_focal", "small_photo", "mirrored_undone", "digital_zoom", "cropped")

_ADVICE = "Send the original JPEG, PNG or HEIC file from the phone."
_COPY = "Copy the original from the phone again."
_HEIF_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}
_NO_FILL = re.compile(rb"[^\xff]")
_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")  # in a JPEG's scan: neither stuffing, restart nor fill
_HEIF_PROBLEMS = (EOFError, IndexError, OSError, RuntimeError, SyntaxError, ValueError, MemoryError)
_EXIF_PROBLEMS = (
    ArithmeticError, AttributeError, LookupError, OSError, RecursionError,
    SyntaxError, TypeError, ValueError, struct.error,
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """An upright picture and what is known of its lens.

    Parameters
    ----------
    name : str
        File name without folder.
    sha256 : str
        Of the file's bytes, in hexadecimal.
    bgr : ndarray of uint8, shape (H, W, 3)
        Upright, read-only.
    focal_px : float or None
        Focal length in pixels as the metadata has it: 35 mm equivalent / 43.27 mm × diagonal.
    focal_rel_std : float or None
        Relative standard uncertainty of `focal_px`: rounding of the equivalent to whole millimetres,
        refocusing and stabiliser, and a cut to an aspect that no sensor has.
    lens_key : str
        ``make|model|lens|equivalent``; empty if unknown. Photos with the same key share the error of
        `focal_px`.
    make, model, taken : str
        Maker and name of the camera and the time (ISO 8601, with the zone if the file has it); empty if
        absent.
    orientation : int
        EXIF's, which `bgr` has already been turned by.
    coarse_hue : bool
        The file stores brightness for each pixel, but hue only for blocks of two or four (4:2:0, 4:2:2), or
        was made from one that did.
    flags : tuple of str
        Of `PHOTO_FLAGS`, in its order.
    """

    name: str
    sha256: str
    bgr: NDArray[np.uint8]
    focal_px: float | None
    focal_rel_std: float | None
    lens_key: str
    make: str
    model: str
    taken: str
    flags: tuple[str, ...]
    orientation: int = 1
    coarse_hue: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoFile:
    """What a photo's file says of itself before it is decoded.

    Parameters
    ----------
    suffix : {".jpg", ".png", ".heic"}
        By its first bytes.
    width, height : int
        Of the upright picture.
    """

    suffix: str
    width: int
    height: int


def read_photo(path: Path | str) -> Photo:
    """Read a JPEG, PNG or HEIC photo.

    Parameters
    ----------
    path : Path or str
        The file.

    Returns
    -------
    Photo
        Upright: the Exif orientation is applied once.

    Raises
    ------
    PhotoError
        If the file is missing, no photo, incomplete, damaged or larger than `MAX_PIXELS`.

    Notes
    -----
    A mirrored orientation (2, 4, 5, 7) says that the stored pixels are mirrored; applying it restores the
    scene, and the flag ``mirrored_undone`` tells. Selfie cameras that really mirror the scene don't say so in
    the orientation; the mat's markers, which can't be read mirrored, show it later.

    HEIC files turn their picture by properties of the container, which the decoder applies; their Exif
    orientation repeats it for information (ISO/IEC 23008-12) and isn't applied again.

    Location and serial numbers are not read. Data broken within an otherwise complete JPEG isn't noticed.

    References
    ----------
    .. [1] CIPA DC-008-2019, Exchangeable image file format for digital still cameras: Exif 2.32.
    """
    path = Path(path)
    with about(path.name):
        data = _file_bytes(path)
        bgr, fields = _read(data, path.name)
    bgr = np.ascontiguousarray(bgr)
    bgr.setflags(write=False)
    return _photo(path.name, hashlib.sha256(data).hexdigest(), bgr, fields)


def look_over(path: Path, *, name: str) -> PhotoFile:
    """Look over a file without decoding it: whether it is a photo, whole, and of which size.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        What messages call it.

    Raises
    ------
    PhotoError
        As for `read_photo`, but for what shows only in decoding.
    """
    return look_over_bytes(_file_bytes(path, name), name=name)


def look_over_bytes(data: bytes, *, name: str) -> PhotoFile:
    """Look over a file's bytes as `look_over` does."""
    kind = _kind(data, name)
    if kind == ".heic":
        width, height = _heif_file(data, name).size
    else:
        (width, height), exif, _ = _header(data, kind, name)
        if _fields(exif)["orientation"] in (5, 6, 7, 8):
            width, height = height, width
    return PhotoFile(suffix=kind, width=width, height=height)


def time_taken(path: Path) -> str:
    """Return when a photo was taken, as its metadata says, without decoding it.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
        ISO 8601, with the zone if the file has it; empty if it doesn't say.

    Raises
    ------
    PhotoError
        As for `look_over`.
    """
    data = _file_bytes(path)
    kind = _kind(data, path.name)
    if kind == ".heic":
        exif = bytes(_heif_file(data, path.name).info.get("exif") or b"")
    else:
        _, exif, _ = _header(data, kind, path.name)
    return str(_fields(exif)["taken"])


def _read(data: bytes, name: str) -> tuple[NDArray[np.uint8], dict[str, Any]]:
    """Decode a file; return the upright picture and what its metadata says."""
    kind = _kind(data, name)
    if kind == ".heic":
        bgr, exif, coarse_hue = _heif(data, name)
        return bgr, {**_fields(exif), "coarse_hue": coarse_hue}
    size, exif, coarse_hue = _header(data, kind, name)
    bgr = _decode(data, size, name)
    fields = {**_fields(exif), "coarse_hue": coarse_hue}
    return _upright(bgr, fields["orientation"]), fields


def _kind(data: bytes, name: str) -> str:
    """Return the suffix of what the first bytes say that a file is."""
    if data.startswith(b"\xff\xd8\xff"):
        return ".jpg"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return ".png"
    if data[4:8] == b"ftyp" and data[8:12] in _HEIF_BRANDS:
        return ".heic"
    raise PhotoError(f"{name} is no JPEG, PNG or HEIC picture.", advice=_ADVICE)


def _header(data: bytes, kind: str, name: str) -> tuple[tuple[int, int], bytes, bool]:
    """Walk a JPEG or PNG to its end.

    Returns
    -------
    (int, int)
        Width and height as stored, not too large.
    bytes
        The Exif block.
    bool
        Whether hue is stored more coarsely than brightness.
    """
    # a PNG of a blade was a phone's JPEG or HEIC before
    size, exif, coarse_hue = _jpeg_header(data, name) if kind == ".jpg" else (*_png_header(data, name), True)
    _check_size(size, name)
    return size, exif, coarse_hue


def _photo(name: str, sha256: str, bgr: NDArray[np.uint8], fields: dict[str, Any]) -> Photo:
    height, width = bgr.shape[:2]
    focal_35 = fields["focal_35"]
    aspect = max(width, height) / min(width, height)
    reshaped = bool(fields["aspect"]) and abs(fields["aspect"] / aspect - 1) > 0.01
    cut_std = _cut_std(aspect)
    focal_px = focal_rel_std = None
    if focal_35 and not reshaped:
        focal_px = focal_35 / FILM_DIAGONAL_MM * math.hypot(width, height)
        rounding_std = 0.5 / focal_35 / math.sqrt(3)
        focal_rel_std = math.sqrt(rounding_std**2 + FOCAL_SHARE_STD**2 + cut_std**2)
    found = {
        "no_exif_focal": focal_px is None,
        "small_photo": width * height < SMALL_PIXELS,
        "mirrored_undone": fields["orientation"] in (2, 4, 5, 7),
        "digital_zoom": fields["zoom"] > 1.01,
        "cropped": bool(focal_35) and (reshaped or cut_std > 0),
    }
    known = focal_px is not None and (fields["make"] or fields["model"])
    key = "|".join([fields["make"], fields["model"], fields["lens"], f"{focal_35:g}"]) if known else ""
    return Photo(
        name=name,
        sha256=sha256,
        bgr=bgr,
        focal_px=focal_px,
        focal_rel_std=focal_rel_std,
        lens_key=key,
        orientation=fields["orientation"],
        coarse_hue=fields["coarse_hue"],
        make=fields["make"],
        model=fields["model"],
        taken=fields["taken"],
        flags=tuple(flag for flag in PHOTO_FLAGS if found[flag]),
    )


def _cut_std(aspect: float) -> float:
    """Relative standard uncertainty of the focal length when no sensor has the picture's aspect.

    The equivalent may count by the whole 4:3 sensor's diagonal or by the cut one; between the two anything is
    as likely (rectangular).
    """
    if any(abs(aspect / native - 1) < 0.01 for native in NATIVE_ASPECTS):
        return 0.0
    sensor_long = max(aspect, 4 / 3)  # of the smallest 4:3 sensor round a picture of height 1
    return abs(1 - math.hypot(aspect, 1) / (1.25 * sensor_long)) / math.sqrt(3)


def _file_bytes(path: Path, name: str = "") -> bytes:
    name = name or path.name
    try:
        if path.is_dir():
            raise PhotoError(f"{path} is a folder.", advice="Name one photo file.")
        if path.stat().st_size > MAX_FILE_BYTES:
            raise PhotoError(f"{name} has more than {MAX_FILE_BYTES // 10**6} MB.", advice=_ADVICE)
        data = path.read_bytes()
    except FileNotFoundError:
        raise PhotoError(f"There is no file {path}.", advice="Check name and folder.") from None
    except (OSError, ValueError) as problem:  # ValueError: a zero byte in the name
        raise PhotoError(
            f"{path} can't be read ({problem}).", advice="Check that you may read it, or copy it again."
        ) from problem
    if not data:
        raise PhotoError(f"{name} is empty.", advice=_COPY)
    return data


def _check_size(size: tuple[int, int], name: str) -> None:
    width, height = size
    if width * height > MAX_PIXELS:
        raise PhotoError(
            f"{name} has {width} × {height} = {width * height / 1e6:.0f} megapixels; "
            f"up to {MAX_PIXELS / 1e6:.0f} can be read.",
            advice="Take the photo at the camera's ordinary size, 12 megapixels are enough.",
        )
    if min(width, height) < 2:
        raise PhotoError(f"{name} is {width} × {height} pixels, which is no photo.", advice=_ADVICE)


def _truncated(name: str) -> PhotoError:
    return PhotoError(f"{name} is truncated: its picture data end too early.", advice=_COPY)


def _crowded(name: str, count: int, what: str) -> PhotoError:
    return PhotoError(f"{name} has more than {count} {what}, as no camera writes them.", advice=_ADVICE)


def _damaged(name: str) -> PhotoError:
    return PhotoError(f"{name} is damaged and can't be decoded.", advice=_COPY)


def _jpeg_header(data: bytes, name: str) -> tuple[tuple[int, int], bytes, bool]:
    """Walk a JPEG's segments to its end; return what `_header` does."""
    at, size, exif, scans, factors = 2, None, b"", 0, b""
    for _ in range(MOST_PARTS):
        if data[at : at + 2] == b"\xff\xff":  # fill bytes before a marker
            after = _NO_FILL.search(data, at)
            at = after.start() - 1 if after else len(data)
        head = data[at : at + 4]
        if len(head) >= 2 and head[0] == 0xFF and head[1] == 0xD9:
            break
        if len(head) < 4:
            raise _truncated(name)
        if head[0] != 0xFF:
            raise _damaged(name)
        marker, length = head[1], int.from_bytes(head[2:4])
        body = data[at + 4 : at + 2 + length]
        if length < 2 or len(body) < length - 2:
            raise _truncated(name)
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            if len(body) < 6:
                raise _damaged(name)
            size = (int.from_bytes(body[3:5]), int.from_bytes(body[1:3]))
            factors = body[7::3]  # samples along and across of each component, a nibble each
        elif marker == 0xE1 and body.startswith(b"Exif\x00") and not exif:
            exif = body
        at += 2 + length
        if marker == 0xDA:
            scans += 1
            if scans > MOST_SCANS:
                raise _crowded(name, MOST_SCANS, "scans")
            found = _MARKER.search(data, at)
            if found is None:
                raise _truncated(name)
            at = found.start()
    else:
        raise _crowded(name, MOST_PARTS, "segments")
    if size is None:
        raise _damaged(name)
    return size, exif, len(factors) > 2 and factors[1] < factors[0]


def _png_chunks(data: bytes, name: str) -> Iterator[tuple[bytes, bytes]]:
    at = 8
    for _ in range(MOST_PARTS):
        length, kind = int.from_bytes(data[at : at + 4]), data[at + 4 : at + 8]
        end = at + 8 + length
        if len(data) < end + 4:
            raise _truncated(name)
        body = memoryview(data)[at + 4 : end]
        if zlib.crc32(body) != int.from_bytes(data[end : end + 4]):
            raise _damaged(name)
        yield kind, data[at + 8 : end] if kind in (b"IHDR", b"eXIf") else b""
        if kind == b"IEND":
            return
        at = end + 4
    raise _crowded(name, MOST_PARTS, "chunks")


def _png_header(data: bytes, name: str) -> tuple[tuple[int, int], bytes]:
    """Check a PNG's chunks to its end; return (width, height) and the Exif block."""
    header = exif = b""
    for kind, body in _png_chunks(data, name):
        if kind == b"IHDR":
            header = body
        elif kind == b"eXIf":
            exif = body
    if len(header) != 13:
        raise _damaged(name)
    return (int.from_bytes(header[:4]), int.from_bytes(header[4:8])), exif


def _decode(data: bytes, size: tuple[int, int], name: str) -> NDArray[np.uint8]:
    import cv2

    try:
        bgr = cv2.imdecode(
            np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR_BGR | cv2.IMREAD_IGNORE_ORIENTATION
        )
    except (cv2.error, MemoryError) as problem:
        raise _damaged(name) from problem
    if bgr is None or bgr.shape != (size[1], size[0], 3):
        raise _damaged(name)
    return np.asarray(bgr, dtype=np.uint8)


def _heif_file(data: bytes, name: str) -> Any:
    """Check the container and open its primary picture, turned as it says, without decoding it."""
    at = 0
    for _ in range(MOST_PARTS):  # the outermost boxes
        if at >= len(data):
            break
        length = int.from_bytes(data[at : at + 4])
        if length == 1:
            length = int.from_bytes(data[at + 8 : at + 16])
        if length == 0:  # up to the file's end
            break
        if length < 8:
            raise _damaged(name)
        at += length
    else:
        raise _crowded(name, MOST_PARTS, "boxes")
    if at > len(data):
        raise _truncated(name)
    import pillow_heif

    try:
        file = pillow_heif.open_heif(BytesIO(data), bgr_mode=True)
        size = file.size
    except _HEIF_PROBLEMS as problem:  # among them: a container without a picture
        raise _damaged(name) from problem
    _check_size(size, name)
    return file


def _heif(data: bytes, name: str) -> tuple[NDArray[np.uint8], bytes, bool]:
    """Decode the primary picture, turned as its container says.

    Returns
    -------
    ndarray of uint8, shape (H, W, 3)
    bytes
        The Exif block.
    bool
        Whether hue is stored more coarsely than brightness.
    """
    file = _heif_file(data, name)
    width, height = file.size
    try:
        exif = bytes(file.info.get("exif") or b"")
        bgr = np.asarray(file)
    except _HEIF_PROBLEMS as problem:
        raise _damaged(name) from problem
    if bgr.shape[:2] != (height, width):  # the container says one size, what is coded in it has another
        raise _damaged(name)
    if bgr.ndim == 2 or bgr.shape[2] < 3:  # grey, perhaps with alpha
        bgr = np.repeat(bgr.reshape(*bgr.shape[:2], -1)[..., :1], 3, axis=2)
    return np.asarray(bgr[..., :3], dtype=np.uint8), exif, file.info.get("chroma") in (420, 422)


def _upright(bgr: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Turn stored pixels as the Exif orientation asks."""
    import cv2

    if orientation in (5, 7):
        bgr = np.asarray(cv2.transpose(bgr), dtype=np.uint8)
    flips = {2: 1, 3: -1, 4: 0, 7: -1}
    turns = {6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}
    if orientation in flips:
        return np.asarray(cv2.flip(bgr, flips[orientation]), dtype=np.uint8)
    if orientation in turns:
        return np.asarray(cv2.rotate(bgr, turns[orientation]), dtype=np.uint8)
    return bgr


def _fields(exif: bytes) -> dict[str, Any]:
    """Read what is needed of an Exif block; what is absent or malformed is empty."""
    from PIL import Image

    outer: dict[int, Any] = {}
    inner: dict[int, Any] = {}
    if exif:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow warns of malformed blocks; the flags tell the user
            try:
                block = Image.Exif()
                block.load(exif)
                outer = dict(block)
                inner = dict(block.get_ifd(0x8769))
            except _EXIF_PROBLEMS:
                pass
    focal_35 = _number(inner.get(0xA405))
    sides = sorted((_number(inner.get(0xA002)), _number(inner.get(0xA003))))
    orientation = int(_number(outer.get(0x0112)))
    return {
        "orientation": orientation if 1 <= orientation <= 8 else 1,
        "make": _text(outer.get(0x010F)),
        "model": _text(outer.get(0x0110)),
        "lens": _text(inner.get(0xA434)) or f"{_number(inner.get(0x920A)):g}",
        "taken": _time(_text(inner.get(0x9003)), _text(inner.get(0x9011))),
        "focal_35": focal_35 if FOCAL_35_MM[0] <= focal_35 <= FOCAL_35_MM[1] else 0.0,
        "zoom": _number(inner.get(0xA404)),
        "aspect": sides[1] / sides[0] if sides[0] > 0 else 0.0,
    }


def _number(value: Any) -> float:
    try:
        number = float(value[0] if isinstance(value, tuple) else value)
    except _EXIF_PROBLEMS:
        return 0.0
    return number if math.isfinite(number) else 0.0


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        value = value.decode("utf-8", errors="replace")
    if not isinstance(value, str):
        return ""
    return "".join(c for c in value.split("\x00")[0] if c.isprintable() and c != "|").strip()


def _time(text: str, zone: str) -> str:
    try:
        taken = datetime.strptime(text, "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return ""
    return taken.isoformat() + (zone if re.fullmatch(r"[+-]\d\d:\d\d", zone) else "")
