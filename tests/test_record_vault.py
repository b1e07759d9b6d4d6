"""Photos are kept once, byte by byte, and nothing half-written is ever listed."""

import errno
import hashlib
import io
import os
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

import piexif
import pytest
from fixtures_record import jpeg, pair, photo
from fixtures_record import knife as new_knife
from PIL import Image

from grindcheck.errors import NotInRecordError, PhotoError, RecordError
from grindcheck.record import listing, vault
from grindcheck.record.opening import Record, open_record
from grindcheck.record.verifying import verify

SAMPLE = Path(__file__).parent.parent / "sample_images" / "petty_a_1.jpg"


def files(record: Record) -> list[Path]:
    return sorted(path for path in record.place.photos.rglob("*") if path.is_file())


def test_a_photo_is_kept_once_under_its_hash(record: Record) -> None:
    data = jpeg()
    first = vault.add_photo(record, io.BytesIO(data), name="left.jpg")
    assert vault.add_photo(record, io.BytesIO(data), name="again.jpg") == first
    name = hashlib.sha256(data).hexdigest()
    assert first.sha256 == name
    assert (first.suffix, first.size_bytes, first.width, first.height) == (".jpg", len(data), 40, 30)
    path = vault.photo_path(record, name)
    assert path == record.place.photos / name[:2] / f"{name}.jpg"
    assert path.read_bytes() == data
    assert files(record) == [path]


def test_a_file_may_be_named(record: Record) -> None:
    kept = vault.add_photo(record, SAMPLE)
    assert vault.photo_path(record, kept.sha256).read_bytes() == SAMPLE.read_bytes()
    with Image.open(SAMPLE) as picture:
        assert (kept.width, kept.height) == picture.size


def test_what_the_phone_wrote_stays_in_the_original(record: Record) -> None:
    place = {piexif.GPSIFD.GPSLatitudeRef: b"N", piexif.GPSIFD.GPSLatitude: ((47, 1), (1, 1), (2, 1))}
    exif = piexif.dump({"0th": {piexif.ImageIFD.Orientation: 6}, "GPS": place})
    data = jpeg(exif=exif)
    kept = vault.add_photo(record, io.BytesIO(data), name="turned.jpg")
    assert vault.photo_path(record, kept.sha256).read_bytes() == data
    assert (kept.width, kept.height) == (30, 40)  # upright


@pytest.mark.parametrize("kind", ["png", "heic"])
def test_other_formats_by_their_first_bytes(record: Record, kind: str) -> None:
    out = io.BytesIO()
    if kind == "heic":
        import pillow_heif

        pillow_heif.from_pillow(Image.new("RGB", (64, 48))).save(out)
    else:
        Image.new("RGB", (64, 48)).save(out, "PNG")
    kept = vault.add_photo(record, io.BytesIO(out.getvalue()), name="picture.jpg")
    assert (kept.suffix, kept.width, kept.height) == (f".{kind}", 64, 48)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "left.jpg is empty"),
        (b"GIF89a" + bytes(100), "left.jpg is no JPEG, PNG or HEIC picture"),
        (b"<svg onload='alert(1)'/>", "left.jpg is no JPEG, PNG or HEIC picture"),
        (jpeg()[:-40], "left.jpg is truncated"),
    ],
)
def test_what_is_no_photo_is_refused(record: Record, data: bytes, said: str) -> None:
    with pytest.raises(PhotoError, match=said) as caught:
        vault.add_photo(record, io.BytesIO(data), name="left.jpg")
    assert caught.value.advice
    assert files(record) == []


def test_too_large_a_file_is_refused_while_it_comes(record: Record) -> None:
    class Endless(io.RawIOBase):
        given = 0

        def read(self, size: int = -1) -> bytes:
            self.given += size
            return b"\xff\xd8\xff" + bytes(size - 3)

    source = Endless()
    with pytest.raises(PhotoError, match=r"long.jpg has more than 5 MB"):
        vault.add_photo(record, source, name="long.jpg", limit_bytes=5_000_000)  # type: ignore[arg-type]
    assert source.given < 7_000_000
    assert files(record) == []


def test_a_stream_that_breaks_off(record: Record) -> None:
    class Broken(io.RawIOBase):
        def read(self, size: int = -1) -> bytes:
            raise ConnectionResetError(errno.ECONNRESET, "Connection reset by peer")

    with pytest.raises(PhotoError, match=r"left.jpg can't be read to its end \(Connection reset"):
        vault.add_photo(record, Broken(), name="left.jpg")  # type: ignore[arg-type]
    assert files(record) == []


def test_a_file_that_isnt_there(record: Record, tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match=r"nowhere.jpg can't be read"):
        vault.add_photo(record, tmp_path / "nowhere.jpg")


@pytest.mark.parametrize("where", ["write", "fsync", "replace"])
def test_a_full_disk_leaves_all_readable(record: Record, where: str, monkeypatch: pytest.MonkeyPatch) -> None:
    made = new_knife(record)
    kept = photo(record, 1)

    def full(*_: Any, **__: Any) -> Any:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patched:
        if where == "write":

            class Full(io.BytesIO):
                def write(self, data: Any) -> int:
                    return full()

            def opened(handle: int, mode: str) -> Full:
                os.close(handle)
                return Full()

            patched.setattr(vault.os, "fdopen", opened)
        elif where == "fsync":
            patched.setattr(vault.os, "fsync", full)
        else:
            patched.setattr(Path, "replace", full)
        with pytest.raises(RecordError, match="No space left") as caught:
            photo(record, 2)
    assert "Free some room" in caught.value.advice
    assert [path.stem for path in files(record)] == [kept.sha256]
    found = verify(record)
    assert (found.photos, found.damages, found.leftovers) == (1, (), ())
    assert listing.knives(record)[0].knife == made
    photo(record, 2)  # room again


def test_a_really_full_disk_leaves_all_readable() -> None:
    if shutil.which("mount") is None or not hasattr(os, "geteuid") or os.geteuid() != 0:
        pytest.skip("only the superuser can mount a small disk")
    with tempfile.TemporaryDirectory() as folder:
        mounted = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", folder], capture_output=True, check=False
        )
        if mounted.returncode != 0:
            pytest.skip("a small disk can't be mounted here")
        try:
            kept, names = [], []
            with open_record(Path(folder)) as record:
                with pytest.raises(RecordError) as caught:
                    for number in range(1000):
                        names.append(new_knife(record, f"petty {number}", notes="n" * 10_000).facts.name)
                        data = jpeg(number, size=(200, 150))
                        kept.append(vault.add_photo(record, io.BytesIO(data), name="a.jpg").sha256)
                assert "Free some room" in caught.value.advice
            with open_record(Path(folder)) as record:
                found = verify(record)
                assert (found.damages, found.photos) == ((), len(kept))
                told = {row.knife.facts.name for row in listing.knives(record)}
                assert set(names) <= told
                assert len(kept) > 3
        finally:
            subprocess.run(["umount", folder], check=True)


def test_a_damaged_photo_is_mended_when_it_is_given_again(record: Record) -> None:
    kept = photo(record)
    path = vault.photo_path(record, kept.sha256)
    path.write_bytes(b"x" * kept.size_bytes)
    assert [one.kind for one in verify(record).damages] == ["damaged"]
    assert photo(record) == kept
    assert path.read_bytes() == jpeg()


def test_no_path_follows_from_anything_but_a_hash(record: Record) -> None:
    for sha256, suffix in (
        ("../" * 21 + "a", ".jpg"),
        ("a" * 64, "/../x"),
        ("A" * 64, ".jpg"),
        ("a" * 64, ".exe"),
    ):
        with pytest.raises(ValueError, match="aren't a hash and the suffix"):
            vault.path_of(record, sha256, suffix)
    with pytest.raises(NotInRecordError, match="There is no photo"):
        vault.photo_path(record, "../../etc/passwd")


def test_leftovers_are_told_and_new_arrivals_are_none(record: Record) -> None:
    kept = photo(record)
    pair(record, new_knife(record))
    folder = record.place.photos
    (folder / "ab").mkdir(exist_ok=True)
    stray = folder / "ab" / ("ab" * 32 + ".jpg")
    stray.write_bytes(b"stray")
    old, new = folder / "arriving-old.part", folder / "arriving-new.part"
    for path in (old, new):
        path.write_bytes(b"half")
    two_days_ago = time.time() - 2 * 86400
    os.utime(old, (two_days_ago, two_days_ago))
    (folder / "readme.txt").write_text("the user's own", encoding="utf-8")
    found = verify(record)
    assert set(found.leftovers) == {stray, old}
    assert found.damages == ()
    assert vault.photo_path(record, kept.sha256).exists()
