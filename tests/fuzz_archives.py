"""Archives for fuzzing: a record that lies there already, sound archives, and changes that hurt."""

import io
import json
import sqlite3
import stat
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import closing
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

from fixtures_record import done, filled, jpeg, knife, pair

from grindcheck.record import checks, knives, listing
from grindcheck.record.archive import DATA_FILE, export_record
from grindcheck.record.entries import KnifeFacts
from grindcheck.record.opening import Place, Record, open_record
from grindcheck.record.taking_in import import_record

VALUES: tuple[Any, ...] = (
    None, True, 0, -1, 2**31, 2**63, 10**400, 1e308, float("nan"), float("inf"),
    "", "a", "\x00", "\ud800", "../x", "/etc/x", "C:\\x", "..\\x", "\u202e", "=1+1", "0" * 32, "f" * 64,
    ".png", "done", "symmetry", "face", "x" * 20_001, [], {}, [[]], {"": None}, [1, "a"],
    "0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59", "2026-03-01T10:00:00",
    "2026-03-01T10:00:00+00:00", {"differences": [{"quantity": 1}]}, {"differences": 3},
    {"readings": [{"value_mm": "a"}]}, {"readings": [{"value_mm": 1e400, "at_mm": 2}]},
)  # fmt: skip
"""What a field may be put to."""

NAMES = (
    "../evil", "/evil", "C:/evil", "C:evil", "..\\evil", "\\\\host\\evil", "a/../../evil",
    "photos/../../evil", "./evil", "a//evil", "CON", "photos/CON.jpg", "a/b/c/evil", "evil\x00.jpg", "~/evil",
    "evil ", "photos/", "record.json", "photos/" + "a" * 64 + ".jpg", "Record.JSON", "\u2025/evil", "x" * 300,
    "d/" * 200 + "evil",
)  # fmt: skip
"""Names of members that no export writes, and some that it does."""

_DEEP = 20_000


@cache
def _made() -> tuple[dict[str, bytes], tuple[bytes, ...]]:
    """Return a record's files, and archives: of the same, of it grown elsewhere, of another one."""
    with tempfile.TemporaryDirectory(prefix="grindcheck_seed_") as name:
        folder = Path(name)
        with open_record(Place.in_folder(folder / "home")) as record:
            there = filled(record)
            export_record(record, folder / "same.zip")
        with open_record(Place.in_folder(folder / "other")) as record:
            import_record(record, folder / "same.zip")
            knives.add_stage(record, there.id, "finished", "by hand")
            knives.add_note(
                record, there.id, "micrometer", {"readings": [{"value_mm": 4.0, "at_mm": 30.0}] * 3}
            )
            knives.correct_knife(record, there.id, KnifeFacts(name="petty 7", thickness_mm=4.1))
            checks.add_outcome(record, pair(record, knife(record, "new"), 7).id, done("match", 0.02))
            export_record(record, folder / "grown.zip")
        files = {
            path.relative_to(folder / "home").as_posix(): path.read_bytes()
            for path in sorted((folder / "home").rglob("*"))
            if path.is_file()
        }
        return files, tuple((folder / f"{one}.zip").read_bytes() for one in ("same", "grown"))


def put_record(home: Path) -> None:
    """Write the record that lies there before an archive comes."""
    for name, data in _made()[0].items():
        (home / name).parent.mkdir(parents=True, exist_ok=True)
        (home / name).write_bytes(data)


def contents(home: Path) -> set[tuple[str, ...]]:
    """Return all rows of a record's tables and all its photos, as a set to compare."""
    out: set[tuple[str, ...]] = set()
    with closing(sqlite3.connect(home / "record.sqlite")) as database:
        for (table,) in database.execute("select name from sqlite_master where type = 'table'").fetchall():
            rows = database.execute(f'select * from "{table}"')
            out |= {(table, *map(repr, row)) for row in rows}
    photos = (path for path in (home / "photos").rglob("*") if path.is_file())
    return out | {("photo", path.name, path.read_bytes().hex()) for path in photos}


def tell_all(record: Record, folder: Path) -> None:
    """Tell all of a record as the commands and the page do; only errors with advice may come of it."""
    from fuzz_targets import told

    from grindcheck.page.notes import readings_of
    from grindcheck.record.pictures import result_pictures
    from grindcheck.record.sheet import sheet_of
    from grindcheck.record.telling import knife_text, list_text
    from grindcheck.record.trends import trend_of
    from grindcheck.report.trend_text import trend_text

    rows = listing.knives(record)
    assert list_text(rows)
    for row in rows:
        page = knives.knife(record, row.knife.id)
        assert knife_text(page)
        readings_of(page.notes)
        with told():
            sheet_of(record, page, made_on=date(2026, 3, 1), notes=True)
        with told():
            list(result_pictures(record, page.checks))
    with told():
        trend = trend_of("plunge.mid", checks.series(record, "plunge.mid"))
        assert trend is None or trend_text(trend)
    path = folder / "again.zip"
    export_record(record, path)
    path.unlink()


def sound() -> tuple[bytes, ...]:
    """Return archives as they were written, one with nothing packed for edits to reach, and changes."""
    whole = _made()[1]
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as plain, zipfile.ZipFile(io.BytesIO(whole[1])) as packed:
        for name in packed.namelist():
            plain.writestr(name, packed.read(name))
    return (*whole, stream.getvalue(), b"\x01", *(bytes([1, kind, 0, 40, kind, 0]) for kind in range(16)))


def edited(data: bytes) -> bytes:
    """Return a sound archive with changes: the first byte chooses it, each five after it are a change."""
    whole = _made()[1][data[0] % 2 if data else 0]
    with zipfile.ZipFile(io.BytesIO(whole)) as opened:
        files = [(zipfile.ZipInfo(name), opened.read(name)) for name in opened.namelist()]
    tree = json.loads(dict((one.filename, content) for one, content in files)[DATA_FILE])
    text: bytes | None = None
    for at in range(1, min(len(data), 1 + 5 * 12) - 4, 5):
        kind, high, low, what, more = data[at : at + 5]
        where = high * 256 + low
        if kind % 16 < 8:
            _change(tree, kind % 16, where, what)
        elif kind % 16 == 15:
            text = _text(what)
        else:
            _change_files(files, kind % 16, where, what, more)
    if text is None:
        text = json.dumps(tree).encode("utf-8", "surrogatepass")
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as made:
        for info, content in files:
            made.writestr(info, text if info.filename == DATA_FILE else content)
    return stream.getvalue()


def _slots(tree: Any) -> Iterator[tuple[Any, Any]]:
    """Give every place in a tree of lists and objects."""
    for key in list(tree) if isinstance(tree, dict) else range(len(tree)):
        yield tree, key
        if isinstance(tree[key], dict | list):
            yield from _slots(tree[key])


def _change(tree: Any, kind: int, where: int, what: int) -> None:
    slots = list(_slots(tree))
    if not slots:
        return
    holder, key = slots[where % len(slots)]
    other, other_key = slots[(where * 31 + what) % len(slots)]
    if kind <= 2:
        holder[key] = VALUES[what % len(VALUES)]
    elif kind == 3:
        del holder[key]
    elif kind == 4 and isinstance(holder, list):
        holder.append(json.loads(json.dumps(holder[key])))
    elif kind == 5 and isinstance(holder, dict):
        holder["xyz"[what % 3]] = holder[key]
    elif kind == 6:
        holder[key] = json.loads(json.dumps(other[other_key]))
    elif kind == 7 and isinstance(holder[key], str):
        text = holder[key]
        at = what % (len(text) + 1)
        holder[key] = text[:at] + chr(where % 256) + text[at + where % 2 :]


def _text(what: int) -> bytes:
    return (
        b"[" * _DEEP, b'{"a":' * _DEEP, b"\xff\xfe{}", b"", b"{}", b"null", b"\xef\xbb\xbf{}",
        b'{"kind": "grindcheck record", "format": 1' + b"0" * 5000 + b"}",
    )[what % 8]  # fmt: skip


def _change_files(
    files: list[tuple[zipfile.ZipInfo, bytes]], kind: int, where: int, what: int, more: int
) -> None:
    info, content = files[where % len(files)]
    if kind == 8:
        files.append((zipfile.ZipInfo(NAMES[what % len(NAMES)]), content))
    elif kind == 9:
        del files[where % len(files)]
        files[:0] = [] if files else [(info, content)]
    elif kind == 10:
        info.filename = NAMES[what % len(NAMES)]
    elif kind == 11:  # a link, a device, a folder
        mode = (stat.S_IFLNK, stat.S_IFCHR, stat.S_IFDIR, stat.S_IFIFO)[what % 4]
        info.external_attr = (mode | 0o777) << 16
    elif kind == 12:
        info.compress_type = (zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA)[what % 3]
    elif kind == 13:
        changed = jpeg(what) if more % 2 else content[: what * len(content) // 256]
        files[where % len(files)] = (info, changed)
    elif kind == 14:  # much out of little
        info.compress_type = zipfile.ZIP_DEFLATED
        files[where % len(files)] = (info, bytes(1_000_000 * (1 + what % 32)))
