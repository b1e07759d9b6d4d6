"""What may come from outside, as functions of bytes: only errors with advice may come out of them.

`tests/fuzz_run.py` drives them guided by coverage, `test_fuzz` for a short while and with the inputs that
once failed. What a target writes is gone when it returns.
"""

import io
import json
import os
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from functools import cache
from pathlib import Path
from typing import Any
from unittest import mock

import fuzz_archives
import numpy as np
from PIL import Image

from grindcheck.errors import GrindcheckError

FAILED = Path(__file__).parent / "saved" / "fuzz"
LONGEST_S = 10.0
MOST_BYTES = 1_500_000_000  # what one input may add to the most memory that was ever used

_WITH_ARUCO = 253  # first byte from which the slow second detector is asked too: half a second each time

Picture = np.ndarray[Any, Any]


@contextmanager
def told() -> Iterator[None]:
    """Let errors pass that say what is wrong and what to do."""
    try:
        yield
    except GrindcheckError as problem:
        assert problem.message and problem.advice


def run(target: str, data: bytes) -> None:
    """Give an input to a target, and see that time and memory are bounded and temporary files go."""
    begun, most = time.monotonic(), _most_memory()
    memory = Path("/dev/shm")  # where there is one: syncing to a disk takes most of the time
    place = memory if memory.is_dir() else None
    with tempfile.TemporaryDirectory(prefix="grindcheck_fuzz_", dir=place) as folder:
        (Path(folder) / "tmp").mkdir()
        with _as_if_home(Path(folder)):
            TARGETS[target](data, Path(folder))
        assert not list((Path(folder) / "tmp").iterdir()), "temporary files are left"
    assert time.monotonic() - begun < LONGEST_S, f"{time.monotonic() - begun:.1f} s"
    assert _most_memory() - most < MOST_BYTES, f"{(_most_memory() - most) / 1e6:.0f} MB"


@contextmanager
def _as_if_home(folder: Path) -> Iterator[None]:
    """Have the data folder and the folder for temporary files in a folder of our own."""
    before, temporary = os.environ.get("GRINDCHECK_HOME"), tempfile.tempdir
    os.environ["GRINDCHECK_HOME"], tempfile.tempdir = str(folder), str(folder / "tmp")
    try:
        yield
    finally:
        tempfile.tempdir = temporary
        os.environ.pop("GRINDCHECK_HOME")
        if before is not None:
            os.environ["GRINDCHECK_HOME"] = before


def _most_memory() -> int:
    """Return the most memory that this process ever had, in bytes; 0 where the system doesn't say."""
    try:
        import resource
    except ImportError:
        return 0
    import sys

    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most if sys.platform == "darwin" else most * 1024


def photo(data: bytes, folder: Path) -> None:
    """Read bytes as a photo of any kind."""
    from grindcheck.photo import look_over, read_photo

    path = folder / "photo.jpg"
    path.write_bytes(data)
    looked = None
    with told():
        looked = look_over(path, name="photo.jpg")
    with told():
        found = read_photo(path)
        assert found.bgr.ndim == 3 and found.bgr.dtype == np.uint8
        assert found.focal_px is None or np.isfinite(found.focal_px)
        assert looked is not None and found.bgr.shape[:2] == (looked.height, looked.width)


def mat(data: bytes, folder: Path) -> None:
    """Look for mat or strip, and then for the camera, in a small drawing that the bytes have cut and spoilt.

    The first byte chooses the drawing, whether the camera is looked for, which takes a fifth of a second, and
    whether the slow second detector is asked; each eight after it are a change: kind, place, size, level.
    """
    from synthetic import photo_of

    from grindcheck.camera import solve_camera
    from grindcheck.mat import markers
    from grindcheck.mat.finding import find_mat

    drawn = pictures()
    picture = drawn[data[0] % len(drawn)].copy() if data else drawn[0]
    for at in range(1, min(len(data), 1 + 8 * 12) - 7, 8):
        picture = _spoilt(picture, data[at : at + 8])
    with_camera = bool(data) and data[0] // len(drawn) % 4 == 1
    seldom = bool(data) and data[0] >= _WITH_ARUCO
    for close_up in (False, True):
        with (
            told(),
            nullcontext() if seldom else mock.patch.object(markers, "_markers_by_aruco", return_value=[]),
        ):
            photo = photo_of(np.ascontiguousarray(picture))
            view = find_mat(photo, close_up=close_up)
            assert np.isfinite(view.corner_px).all() and np.isfinite(view.mat_from_px).all()
            assert view.blur_px > 0 and view.corner_std_px >= 0
            if not with_camera:
                continue
            camera = solve_camera(view, photo, close_up=close_up)
            assert np.isfinite(camera.parameters).all() and np.isfinite(camera.covariance).all()
            assert (np.diag(camera.covariance) >= 0).all()


def _spoilt(picture: Picture, change: bytes) -> Picture:
    kind, x, y, w, h, level, more, _ = (int(one) for one in change)
    height, width = picture.shape[:2]
    left, top = x * width // 256, y * height // 256
    box = (slice(top, top + 1 + h * height // 256), slice(left, left + 1 + w * width // 256))
    part = picture[box]
    match kind % 12:
        case 0:
            part[:] = level
        case 1:
            part[:] = part[::-1].copy() if level % 2 else part[:, ::-1].copy()
        case 2:
            part[:] = 255 - part
        case 3:
            part[:] = np.roll(part, level, axis=level % 2)
        case 4:  # noise in some bits of each pixel
            rng = np.random.default_rng([level, more])
            part[:] ^= rng.integers(0, 256, part.shape, dtype=np.uint8) & np.uint8(more)
        case 5:
            return part
        case 6:  # to the tiniest and the longest shapes
            return picture[: 1 + level % 4, :] if more % 2 else picture[:, : 1 + level % 4]
        case 7:
            return np.repeat(picture, 1 + level % 3, axis=more % 2)
        case 8:
            return picture[:: 1 + level % 3, :: 1 + more % 3]
        case 9:
            return np.rot90(picture, level % 4)
        case 10:  # a copy of one part over another
            there = picture[height - part.shape[0] :, width - part.shape[1] :]
            there[:] = part.copy()
        case 11:
            part[:] = (part.astype(np.uint16) * level // 255).astype(np.uint8)
    return picture


def archive(data: bytes, folder: Path) -> None:
    """Take bytes in as an exported record; what is recorded stays, and nothing of a refused one is there.

    Bytes that begin as a zip file are one; others are changes of a sound one (`fuzz_archives.edited`).
    """
    from grindcheck.record.opening import Place, open_record
    from grindcheck.record.taking_in import import_record
    from grindcheck.record.verifying import verify

    home, path = folder / "record", folder / "in.zip"
    fuzz_archives.put_record(home)
    path.write_bytes(data if data[:2] == b"PK" else fuzz_archives.edited(data))
    before = fuzz_archives.contents(home)
    taken = None
    with open_record(Place.in_folder(home)) as record:
        with told():
            taken = import_record(record, path)
        found = verify(record)
        assert not found.damages and not found.leftovers
        if taken is not None:
            fuzz_archives.tell_all(record, folder / "tmp")
    after = fuzz_archives.contents(home)
    if taken is None:
        assert after == before, "something of a refused archive was taken in"
    assert before <= after, "something that was recorded is lost or changed"
    assert {each.name for each in folder.iterdir()} == {"record", "in.zip", "tmp"}, "a file lies elsewhere"


def table(data: bytes, folder: Path) -> None:
    """Read bytes as a table of takes, of calliper readings, of pairs, of a batch that stopped."""
    from grindcheck.batch import Job, Table
    from grindcheck.batch_pairing import jobs_in
    from grindcheck.gaugetable import read_calliper, read_takes

    def go_on(path: Path) -> None:
        state = Table(path)
        job = Job(knife="a", photos=(folder / "1.jpg", folder / "2.jpg"), thickness_mm=4.0)
        if not state.has(job):
            state.add(job, {"error": "none"})
            assert b",none," in path.read_bytes().splitlines()[-1]
        assert Table(path).done == state.done

    def pairs(path: Path) -> None:
        for job in jobs_in(path.parent, 2.0)[0]:
            assert np.isfinite(job.thickness_mm)
            Table(folder / "fresh.csv").has(job)

    readers: tuple[tuple[str, Callable[[Path], Any]], ...] = (
        ("takes.csv", read_takes),
        ("calliper.csv", read_calliper),
        ("pairs.csv", pairs),
        ("state.csv", go_on),
    )
    for name, read in readers:
        (folder / name).write_bytes(data)
        with told():
            read(folder / name)


def kept(data: bytes, folder: Path) -> None:
    """Read bytes as kept lenses, kept readings of bars, paired phones; keep something beside them."""
    from datetime import UTC, datetime

    from grindcheck.lensstore import find_lens, keep_lens
    from grindcheck.page.pairing import Pairings
    from grindcheck.printscale import load_print_scale, save_print_scale

    def lenses() -> None:
        lens = find_lens("a")
        if lens is not None:
            mean, information = lens.prior(4000, 3000)
            assert np.isfinite(mean).all() and np.isfinite(information).all()
            keep_lens("a", lens)

    def bars() -> None:
        scale = load_print_scale("a4")
        assert abs(scale.x - 1) < 0.1 and abs(scale.y - 1) < 0.1 and 0 < scale.std < 0.01
        save_print_scale("a4", bar_x_mm=275.0)

    def phones() -> None:
        found = Pairings(folder, now=lambda: datetime(2026, 3, 1, tzinfo=UTC))
        assert found.phone("nobody's cookie") is None
        cookie = found.exchange(found.new_link(), "mine")
        assert cookie is not None
        mine = found.phone(cookie)
        assert mine is not None and mine in found.phones()

    for name, read in (("lenses.json", lenses), ("print_scale.json", bars), ("paired_phones.json", phones)):
        (folder / name).write_bytes(data)
        with told():
            read()


def truth(data: bytes, folder: Path) -> None:
    """Read bytes as the list of sample pairs, and as the truth of one."""
    from grindcheck.results import Comparison
    from grindcheck.selfcheck import check_samples, sample_pairs

    def measured(request: object) -> Comparison:
        raise GrindcheckError("Nothing is measured here.", advice="Look at the truth.")

    (folder / "pairs.json").write_bytes(data)
    with told():
        assert all(isinstance(name, str) for name in sample_pairs(folder))
    (folder / "one.json").write_bytes(data)
    with told():
        check_samples(folder, ("one",), progress=str, measure=measured)


def words(data: bytes, folder: Path) -> None:
    """Read lines of text as what a user writes: options, forms, notes, masks, limits, a file of limits."""
    from grindcheck import options
    from grindcheck.finish.acceptance import read_limits
    from grindcheck.page.given import asked_as_given, asked_of, facts_of, lines_of
    from grindcheck.page.notes import note_fields
    from grindcheck.record.asked import check_asked
    from grindcheck.record.entries import FACT_NAMES
    from grindcheck.record.given import clean_facts, clean_note, lines, one_line, plain
    from grindcheck.record.note_words import read_fields, readings_sentence
    from grindcheck.units import angle_rad, length_mm

    given = data.decode("utf-8", errors="surrogateescape").split("\n")[:40]
    fields = {
        name: given[at % len(given)]
        for at, name in enumerate(
            (
                "thickness", "flat_height", "edge_thickness", "tolerance", "angle_tolerance", "grind",
                "accept", "plunge-left", "shoulder-right", "name", "notes", "steel", "reading1", "reading2",
                "place1", "no_lens",
            )
        )
    }  # fmt: skip
    for text in given:
        for read in (length_mm, angle_rad, options.read_thickness, read_limits, options.read_accept):
            with told():
                read(text)
        with told():
            clean_facts(facts_of({"name": text, "thickness": text, "notes": text}, FACT_NAMES[:1]))
        with told():
            options.read_mask(text, 2)
        with told():
            options.read_line("plunge-left", text)
        with told():
            lines(text, "note")
            one_line(text, "stage", needed=True)
    for kind in ("symmetry", "finish", "photos"):
        with told():
            asked = asked_of(kind, fields) | ({"hand_lines": lines_of(fields)} if kind == "symmetry" else {})
            check_asked(kind, asked, faces=2, before=0)
            asked_as_given(plain(asked, "options"))
    for kind in ("micrometer", "free"):
        with told():
            clean_note(kind, note_fields(kind, fields))
    with told():
        noted = clean_note("free", read_fields(given[:2], given[2:]))[1]
        if "readings" in noted:
            readings_sentence(noted)
    (folder / "limits.txt").write_bytes(data)
    with told():
        options.read_accept(str(folder / "limits.txt"))
    try:
        told_as_json = json.loads(data)
    except (ValueError, RecursionError):
        return
    if not isinstance(told_as_json, dict):
        return
    for kind in ("symmetry", "finish", "photos"):
        with told():
            check_asked(kind, plain(told_as_json, "options"), faces=2, before=0)


TARGETS: dict[str, Callable[[bytes, Path], None]] = {
    "photo": photo, "mat": mat, "archive": archive, "table": table, "kept": kept, "truth": truth,
    "words": words,
}  # fmt: skip


@cache
def seeds(target: str) -> tuple[bytes, ...]:
    """Return sound inputs to start from."""
    return {
        "photo": _photos, "mat": _paints, "archive": fuzz_archives.sound, "table": _tables, "kept": _kept,
        "truth": _truths, "words": _words,
    }[target]()  # fmt: skip


@cache
def pictures() -> tuple[Picture, ...]:
    """Draw a corner of the mat large and small, its middle, and all of it, as small as it can be read."""
    import synthetic

    from grindcheck.mat.spec import mat_spec

    spec = mat_spec("a4")
    corner = (-spec.frame_mm[0] / 2 + 30, spec.frame_mm[1] / 2 - 22)
    cameras = (
        synthetic.camera_truth((240, 180), width_mm=75.0, middle_mm=corner, tilt_rad=0.1),
        synthetic.camera_truth((216, 160), width_mm=85.0, middle_mm=corner, spin_rad=0.3),
        synthetic.camera_truth((800, 540), width_mm=290.0),
    )
    return tuple(
        np.ascontiguousarray(getattr(drawn, "bgr", drawn))
        for drawn in (synthetic.mat_photo(camera, spec) for camera in cameras)
    )


def _photos() -> tuple[bytes, ...]:
    out = []
    image = Image.fromarray(np.random.default_rng(1).integers(0, 255, (24, 32, 3), dtype=np.uint8))
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Workshop", "Phone 2", 6
    exif.get_ifd(0x8769).update({0xA405: 26, 0x9003: "2026:03:01 10:00:00", 0xA404: 2.0, 0x920A: 6.8})
    for kind, more in (("JPEG", {}), ("PNG", {}), ("JPEG", {"progressive": True})):
        stream = io.BytesIO()
        image.save(stream, kind, exif=exif, **more)
        out.append(stream.getvalue())
    import pillow_heif

    stream = io.BytesIO()
    pillow_heif.from_pillow(image).save(stream, quality=50)
    out.append(stream.getvalue())
    return tuple(out)


def _paints() -> tuple[bytes, ...]:
    block = b"\x00\x40\x40\x20\x20\xff\x00\x00"
    noise = b"\x04\x00\x00\xff\xff\x07\x1f\x00"
    tiny = b"\x06\x00\x00\x00\x00\x01\x00\x00"
    return (*(bytes([n]) + more for n in range(6) for more in (b"", block + noise)), b"\x02" + tiny)


def _tables() -> tuple[bytes, ...]:
    from grindcheck.batch import COLUMNS

    return (
        b"knife,person,value (mm)\na,x,0.1\na,x,-0.2\n",
        b"knife;photo 1;photo 2;thickness\na;1.jpg;2.jpg;5/32in\n",
        b"knife,photo 1,photo 2,thickness (mm)\na,1.jpg,2.jpg,4.1\n",
        (",".join(COLUMNS) + "\na" + "," * (len(COLUMNS) - 1) + "\n").encode(),
    )


def _kept() -> tuple[bytes, ...]:
    lens = {"focal_diagonals": 0.75, "k1": 0.1, "k2": 0.0, "centre_std": 0.01, "decentring_std": 0.001}
    lens["covariance"] = [[1e-5, 0, 0], [0, 1e-5, 0], [0, 0, 1e-5]]  # type: ignore[assignment]
    phone = {"id": "1", "name": "p", "token_sha256": "ab", "paired_at": "2026-02-01T00:00:00+00:00"}
    phone |= {"expires_at": "2026-05-01T00:00:00+00:00", "seen_at": "2026-02-01T00:00:00+00:00"}
    return (
        json.dumps({"a": [lens]}).encode(),
        json.dumps({"a4": [{"bar_x_mm": 275.0, "bar_y_mm": None}]}).encode(),
        json.dumps([phone]).encode(),
    )


def _truths() -> tuple[bytes, ...]:
    samples = Path(__file__).parent.parent / "sample_images"
    whole = json.loads((samples / "petty_a.json").read_text(encoding="utf-8"))
    names = ("paper", "bars_known", "photos", "thickness_mm", "flat_height_mm", "edge_thickness_mm",
             "print_scale", "differences")  # fmt: skip
    return (
        json.dumps({name: whole[name] for name in names}).encode(),
        json.dumps({"pairs": [{"name": "petty_a"}]}).encode(),
    )


def _words() -> tuple[bytes, ...]:
    return (
        b'4mm\n5/32in\n0.5 mm\n0.25mm\n1deg\nflat\nlongest 3 mm, count 2, bevel none\n1,2,3,4\n5,6,7,8\n'
        b"petty\nmade\n14C28N\n4.01mm\n4.02mm\n30mm\n",
        b"quench=oil\nsoak=10 min\n4.02mm@30mm\n4.03mm@ricasso\n",
        b"2: 820,640,990,640,990,720\nflat coverage 0.5 mm/cm2 # good\n1 1/4\n",
        json.dumps({"thickness_mm": 4.0, "faces": ["left", "right"],
                    "hand_lines": {"plunge-left": [1, 2, 3, 4]}}).encode(),
        json.dumps({"masks": ["1,2,3,4,5,6"], "accept": "count 2", "false_finds": 1}).encode(),
    )  # fmt: skip
