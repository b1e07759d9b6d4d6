"""What may come from outside, as functions of bytes: only errors with advice may come out of them.

`tests/fuzz_run.py` drives them guided by coverage, `test_fuzz` for a short while and with the inputs that
once failed.
"""

import io
import json
import os
import tempfile
import zipfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from grindcheck.errors import GrindcheckError

FAILED = Path(__file__).parent / "saved" / "fuzz"


@cache
def _folder() -> Path:
    return Path(tempfile.mkdtemp(prefix="grindcheck_fuzz_"))


def photo(data: bytes) -> None:
    """Read bytes as a photo of any kind."""
    from grindcheck.photo import read_photo

    path = _folder() / "photo.jpg"
    path.write_bytes(data)
    try:
        found = read_photo(path)
    except GrindcheckError as problem:
        assert problem.message and problem.advice
        return
    assert found.bgr.ndim == 3 and found.bgr.dtype == np.uint8
    assert found.focal_px is None or np.isfinite(found.focal_px)


def mat(data: bytes) -> None:
    """Look for a mat in a drawn photo that the bytes have painted over, or in noise made of them."""
    from synthetic import photo_of

    from grindcheck.mat.finding import find_mat

    picture = _picture().copy()
    height, width = picture.shape[:2]
    for at in range(0, len(data) - 7, 8):
        x, y, w, h, level, kind = (int(v) for v in data[at : at + 6])
        part = picture[y * height // 256 :, x * width // 256 :][
            : 1 + h * height // 256, : 1 + w * width // 256
        ]
        if kind % 4 == 0:
            part[:] = level
        elif kind % 4 == 1:
            part[:] = part[::-1].copy() if level % 2 else part[:, ::-1].copy()
        elif kind % 4 == 2:
            part[:] = 255 - part
        else:
            part[:] = np.roll(part, level, axis=level % 2)
    if data[:1] == b"\xff":  # another shape
        picture = np.ascontiguousarray(picture[: 1 + 4 * data[-1], : 1 + 3 * len(data)])
    try:
        find_mat(photo_of(picture))
    except GrindcheckError as problem:
        assert problem.message and problem.advice


def archive(data: bytes) -> None:
    """Take bytes in as an exported record; whatever happens, what is recorded stays sound."""
    from grindcheck.record.opening import Place, open_record
    from grindcheck.record.taking_in import import_record
    from grindcheck.record.verifying import verify

    home = _folder() / "record"
    path = _folder() / "in.zip"
    path.write_bytes(data)
    with open_record(Place.in_folder(home)) as record:
        try:
            import_record(record, path)
        except GrindcheckError as problem:
            assert problem.message and problem.advice
        assert not verify(record).damages
    assert not [each for each in home.parent.iterdir() if each.name not in _EXPECTED]


_EXPECTED = {"record", "in.zip", "photo.jpg", "table.csv", "pairs.csv", "lenses.json", "print_scale.json"}


def table(data: bytes) -> None:
    """Read bytes as a table of takes, of pairs, of a batch that stopped; as kept lenses, as kept readings."""
    from grindcheck.batch import Table
    from grindcheck.batch_pairing import jobs_in
    from grindcheck.gaugetable import read_calliper, read_takes
    from grindcheck.lensstore import find_lens
    from grindcheck.printscale import load_print_scale

    folder = _folder()
    before = os.environ.get("GRINDCHECK_HOME")
    os.environ["GRINDCHECK_HOME"] = str(folder)
    readers: tuple[tuple[str, Callable[[Path], Any]], ...] = (
        ("table.csv", read_takes),
        ("table.csv", read_calliper),
        ("pairs.csv", lambda path: jobs_in(path.parent, 2.0)),
        ("table.csv", Table),
        ("lenses.json", lambda path: find_lens("a")),
        ("print_scale.json", lambda path: load_print_scale("a4")),
    )
    try:
        for name, read in readers:
            (folder / name).write_bytes(data)
            try:
                read(folder / name)
            except GrindcheckError as problem:
                assert problem.message and problem.advice
    finally:
        for name in ("pairs.csv", "lenses.json", "print_scale.json"):
            (folder / name).unlink(missing_ok=True)
        if before is None:
            os.environ.pop("GRINDCHECK_HOME", None)
        else:
            os.environ["GRINDCHECK_HOME"] = before


TARGETS: dict[str, Callable[[bytes], None]] = {"photo": photo, "mat": mat, "archive": archive, "table": table}


@cache
def seeds(target: str) -> tuple[bytes, ...]:
    """Return sound inputs to start from."""
    return {"photo": _photos, "mat": _paints, "archive": _archives, "table": _tables}[target]()


@cache
def _picture() -> np.ndarray[Any, Any]:
    import synthetic

    from grindcheck.mat.spec import mat_spec

    drawn = synthetic.mat_photo(synthetic.camera_truth((640, 480), width_mm=330.0), mat_spec("a4"))
    return np.ascontiguousarray(getattr(drawn, "bgr", drawn))


def _photos() -> tuple[bytes, ...]:
    out = []
    image = Image.fromarray(np.random.default_rng(1).integers(0, 255, (24, 32, 3), dtype=np.uint8))
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Workshop", "Phone 2", 6
    exif.get_ifd(0x8769).update({0xA405: 26, 0x9003: "2026:03:01 10:00:00", 0xA404: 2.0, 0x920A: 6.8})
    for kind in ("JPEG", "PNG"):
        stream = io.BytesIO()
        image.save(stream, kind, exif=exif)
        out.append(stream.getvalue())
    import pillow_heif

    stream = io.BytesIO()
    pillow_heif.from_pillow(image).save(stream, quality=50)
    out.append(stream.getvalue())
    return tuple(out)


def _paints() -> tuple[bytes, ...]:
    return (b"", bytes(range(64)), b"\x40\x40\x20\x20\xff\x00\x00\x00" * 3)


def _archives() -> tuple[bytes, ...]:
    from fixtures_record import filled

    from grindcheck.record.archive import export_record
    from grindcheck.record.opening import Place, open_record

    folder = Path(tempfile.mkdtemp(prefix="grindcheck_seed_"))
    with open_record(Place.in_folder(folder / "home")) as record:
        filled(record)
        export_record(record, folder / "out.zip")
    whole = (folder / "out.zip").read_bytes()
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as plain, zipfile.ZipFile(io.BytesIO(whole)) as packed:
        for name in packed.namelist():  # not deflated, so that edits reach the data
            plain.writestr(name, packed.read(name))
    return whole, stream.getvalue()


def _tables() -> tuple[bytes, ...]:
    from grindcheck.batch import COLUMNS

    lens = {"focal_diagonals": 0.75, "k1": 0.1, "k2": 0.0, "centre_std": 0.01, "decentring_std": 0.001}
    lens["covariance"] = [[1e-5, 0, 0], [0, 1e-5, 0], [0, 0, 1e-5]]  # type: ignore[assignment]
    return (
        b"knife,person,value (mm)\na,x,0.1\na,x,-0.2\n",
        b"knife;photo 1;photo 2;thickness\na;1.jpg;2.jpg;5/32in\n",
        (",".join(COLUMNS) + "\na" + "," * (len(COLUMNS) - 1) + "\n").encode(),
        json.dumps({"a": [lens]}).encode(),
        json.dumps({"a4": [{"bar_x_mm": 275.0, "bar_y_mm": None}]}).encode(),
    )
