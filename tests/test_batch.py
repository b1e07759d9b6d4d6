"""Many pairs: pairing, the growing table, crashes, going on after a stop, and a real pair end to end."""

import csv
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import batch_stubs
import psutil
import pytest
import reduced
from typer.testing import CliRunner, Result

from grindcheck import batch_workers, memory
from grindcheck.batch import COLUMNS, Job, Table, as_data, seen
from grindcheck.batch_measuring import keep_files, measure
from grindcheck.batch_pairing import by_time, jobs_in
from grindcheck.batch_workers import measured_here, measured_on_cluster
from grindcheck.cli import app
from grindcheck.errors import InputError, OutputError
from grindcheck.folderlock import only_one


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["batch", *map(str, arguments)])


def photos(folder: Path, *names: str) -> None:
    for name in names:
        (folder / name).write_bytes(name.encode("utf-8"))


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_photos_pair_by_their_endings(tmp_path: Path) -> None:
    photos(
        tmp_path, "petty_1.jpg", "petty_2.JPG", "field a.heic", "field b.heic", "x-left.png", "x-right.png"
    )
    photos(tmp_path, "alone_1.jpg", "notes.txt", "odd.jpg")
    photos(tmp_path, "IMG_0011.jpg", "IMG_0012.jpg")  # a phone's running numbers are no pair
    jobs, alone = jobs_in(tmp_path, 2.2)
    assert [(job.knife, *(path.name for path in job.photos)) for job in jobs] == [
        ("field", "field a.heic", "field b.heic"),
        ("petty", "petty_1.jpg", "petty_2.JPG"),
        ("x", "x-left.png", "x-right.png"),
    ]
    assert [path.name for path in alone] == ["IMG_0011.jpg", "IMG_0012.jpg", "alone_1.jpg", "odd.jpg"]


def taken(folder: Path, **times: str) -> list[Path]:
    """Write small photos that say when they were taken, on one day."""
    from PIL import Image

    made = []
    for name, time_ in times.items():
        exif = Image.Exif()
        if time_:
            exif.get_ifd(0x8769)[0x9003] = f"2026:05:04 {time_}"  # DateTimeOriginal
        Image.new("RGB", (32, 24)).save(folder / f"{name}.jpg", exif=exif)
        made.append(folder / f"{name}.jpg")
    return made


def test_photos_that_no_name_pairs_are_paired_by_their_times(tmp_path: Path) -> None:
    """Two and two within half a minute, a minute and more from the next; names in another order."""
    made = taken(
        tmp_path,
        IMG_0049="10:00:00",
        IMG_0041="10:00:25",
        IMG_0043="10:01:30",
        IMG_0042="10:01:50",
        odd="10:30:00",
        none="",
    )
    photos(tmp_path, "petty_1.jpg", "petty_2.jpg", "broken.jpg")
    jobs, alone = jobs_in(tmp_path, 2.2)
    assert [(job.knife, *(path.stem for path in job.photos), job.by_time) for job in jobs] == [
        ("IMG_0043", "IMG_0043", "IMG_0042", True),
        ("IMG_0049", "IMG_0049", "IMG_0041", True),
        ("petty", "petty_1", "petty_2", False),
    ]
    assert [path.stem for path in alone] == ["broken", "none", "odd"]
    told = run(tmp_path, "--csv", tmp_path / "out.csv", "--thickness", "2mm", "--list")
    assert "IMG_0049: IMG_0049.jpg, IMG_0041.jpg, 2.00 mm, paired by time\n" in told.stdout
    assert by_time([made[0]]) == ([], [made[0]])


@pytest.mark.parametrize(
    "times",
    [
        {"a": "10:00:00", "b": "10:00:20", "c": "10:00:45"},  # a third take: who belongs to whom?
        {"a": "10:00:00", "b": "10:00:20", "c": "10:00:40", "d": "10:01:00"},  # evenly
        {"a": "10:00:00", "b": "10:06:00"},  # too long for one blade
        {"a": "10:00:00", "b": "10:00:00", "c": "10:00:00"},  # all at once: copied
    ],
)
def test_times_that_leave_a_doubt_make_no_pair(tmp_path: Path, times: dict[str, str]) -> None:
    made = taken(tmp_path, **times)
    assert by_time(made) == ([], made)


def test_a_list_names_pairs_and_thicknesses(tmp_path: Path) -> None:
    text = "knife,photo 1,photo 2,thickness\npetty,a.jpg,b.jpg,5/32in\nfield,c.jpg,d.jpg,\n"
    (tmp_path / "pairs.csv").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="Row 3"):
        jobs_in(tmp_path, None)
    jobs, _ = jobs_in(tmp_path, 4.0)
    assert [(job.knife, job.thickness_mm) for job in jobs] == [("petty", 3.96875), ("field", 4.0)]


def test_a_list_from_a_spreadsheet_has_semicolons_and_a_unit_in_its_heading(tmp_path: Path) -> None:
    text = "\ufeffKnife;Photo 1;Photo 2;Thickness (mm)\npetty;a.jpg;b.jpg;4.1\n;c.jpg;d.jpg;\n"
    (tmp_path / "pairs.csv").write_text(text, encoding="utf-8")
    jobs, _ = jobs_in(tmp_path, 2.0)
    assert [(job.knife, job.photos[1].name, job.thickness_mm) for job in jobs] == [
        ("petty", "b.jpg", 4.1),
        ("c", "d.jpg", 2.0),
    ]


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"knife,photo 1,photo 2\n\xff\xfe,1,2\n", "pairs.csv isn't text in UTF-8"),
        (b'knife,photo 1,photo 2\n"a"b,1,2\n', "pairs.csv can't be read as a table"),
        (b"knife,photo 1,photo 2\n", "pairs.csv lists no pair"),
        (b"knife,price\na,1\n", "Row 2 of pairs.csv lacks a photo"),
        (b"knife,photo 1,photo 2\n" + b"a,1,2\n" * 10_001, "pairs.csv has 10001 rows"),
    ],
)
def test_a_list_that_cant_be_read_says_so(tmp_path: Path, data: bytes, said: str) -> None:
    (tmp_path / "pairs.csv").write_bytes(data)
    with pytest.raises(InputError, match=said) as caught:
        jobs_in(tmp_path, 2.0)
    assert caught.value.advice


def test_a_zero_byte_in_a_photos_name_costs_its_row_only(tmp_path: Path) -> None:
    (tmp_path / "pairs.csv").write_bytes(b"knife,photo 1,photo 2,thickness\na,1\x00.jpg,2.jpg,4mm\n")
    (job,), _ = jobs_in(tmp_path, None)
    table = Table(tmp_path / "out.csv")
    assert not table.has(job)
    told = measure(as_data(job))
    assert "can't be read" in told["error"]
    table.add(job, told)
    assert len((tmp_path / "out.csv").read_text(encoding="utf-8").splitlines()) == 2


def test_what_cannot_be_paired_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no folder"):
        jobs_in(tmp_path / "none", 2.0)
    photos(tmp_path, "one.jpg")
    with pytest.raises(InputError, match="pair up"):
        jobs_in(tmp_path, 2.0)
    photos(tmp_path, "p_1.jpg", "p_2.jpg")
    with pytest.raises(InputError, match="thickness"):
        jobs_in(tmp_path, None)


def test_a_crash_an_exception_and_a_hang_cost_only_themselves(tmp_path: Path) -> None:
    names = ["good_a", "crash", "good_b", "raise", "hang", "good_c"]
    jobs = [Job(knife=name, photos=(tmp_path / "1", tmp_path / "2"), thickness_mm=2.0) for name in names]
    photos(tmp_path, "1", "2")
    told = {job.knife: cells for job, cells in measured_here(jobs, 2, measure=batch_stubs.told, limit_s=6.0)}
    assert set(told) == set(names)
    assert {name for name, cells in told.items() if "error" in cells} == {"crash", "raise", "hang"}
    assert "ended without an answer" in told["crash"]["error"]
    assert "ValueError" in told["raise"]["error"]
    assert "longer than 6 s" in told["hang"]["error"]


def running(folder: Path) -> "subprocess.Popen[bytes]":
    """Start a batch of stand-ins in a process of its own, as a user would."""
    command = [sys.executable, "-m", "batch_stubs", "batch", str(folder), "--csv", str(folder / "out.csv")]
    home = os.environ | {
        "PYTHONPATH": os.pathsep.join([str(Path(__file__).parent.parent), str(Path(__file__).parent)])
    }
    return subprocess.Popen(
        [*command, "--thickness", "2mm", "--workers", "2"],
        env=home,
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )


def begun(folder: Path) -> list[list[str]]:
    path = folder / "begun.txt"
    return [line.split() for line in path.read_text(encoding="utf-8").splitlines()] if path.exists() else []


def until(so: Callable[[], bool]) -> None:
    ends = time.monotonic() + 60
    while not so():
        assert time.monotonic() < ends, "it took longer than a minute"
        time.sleep(0.02)


def test_killed_processes_lose_nothing_and_nothing_is_measured_twice(tmp_path: Path) -> None:
    """A worker is killed, then the batch itself, both in the middle; run again, each pair has its row.

    While the first runs a second is refused; what was killed holds no lock any more.
    """
    names = [f"k{number}" for number in range(8)]
    photos(tmp_path, *(f"{name}_{end}.jpg" for name in names for end in (1, 2)))
    table = tmp_path / "out.csv"
    first = running(tmp_path)
    try:
        until(lambda: len(begun(tmp_path)) > 0)
        psutil.Process(int(begun(tmp_path)[0][1])).kill()
        refused(tmp_path, first.pid)
        until(lambda: table.exists() and len(rows(table)) >= 4)
    finally:
        first.kill()  # no chance to tidy up
        first.communicate()
    kept = table.read_bytes()
    killed = begun(tmp_path)[0][0]
    before = [row["knife"] for row in rows(table) if not row["error"]]
    assert "ended without an answer" in next(row["error"] for row in rows(table) if row["knife"] == killed)
    assert 3 <= len(before) < len(names)
    until(lambda: not psutil.pid_exists(first.pid))
    (tmp_path / "begun.txt").write_text("", encoding="utf-8")
    second = running(tmp_path)
    said, _ = second.communicate(timeout=60)
    assert second.returncode == 0, said
    assert f"{len(names) - len(before)} pairs measured, 0 not." in said.decode("utf-8")
    assert table.read_bytes().startswith(kept[: kept.rfind(b"\n") + 1])
    assert sorted(row["knife"] for row in rows(table) if not row["error"]) == names
    assert all(row["reservations"] == row["knife"] for row in rows(table) if not row["error"])
    again = [knife for knife, _ in begun(tmp_path)]
    assert sorted(again) == sorted(set(names) - set(before))


def refused(folder: Path, holder: int) -> None:
    """Try a second batch: in the same folder, whatever its table, and elsewhere for the same table."""
    for table in ("out.csv", "other.csv"):
        told = run(folder, "--csv", folder / table, "--thickness", "2mm")
        assert told.exit_code == 2
        assert f"Another batch runs in {folder} or writes" in told.stderr
        assert f"(process {holder})" in told.stderr
    elsewhere = folder / "elsewhere"
    elsewhere.mkdir()
    photos(elsewhere, "a_1.jpg", "a_2.jpg")
    told = run(elsewhere, "--csv", folder / "out.csv", "--thickness", "2mm")
    assert told.exit_code == 2
    assert f"(process {holder})" in told.stderr
    assert not (folder / "other.csv").exists()


def test_a_folder_that_cannot_be_written_has_no_lock(tmp_path: Path) -> None:
    with (
        only_one(tmp_path / "none" / "lock", what="Another"),
        only_one(tmp_path / "none" / "lock", what="Another"),
    ):
        assert not (tmp_path / "none").exists()


def test_no_more_workers_than_the_memory_holds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """300 MB and 16 bytes a pixel: 4 megapixels need 364 MB, and two gigabytes hold five."""
    from PIL import Image

    for end in (1, 2):
        Image.new("L", (2000, 2000)).save(tmp_path / f"a_{end}.png")
    photos(tmp_path, "b_1.jpg", "b_2.jpg")
    jobs, _ = jobs_in(tmp_path, 2.0)
    monkeypatch.setattr(batch_workers, "cores", lambda: 16)
    for left, wanted, counted in (
        (2_000_000_000, None, 2), (2_000_000_000, 1, 1), (700_000_000, None, 1), (0, 8, 1), (None, None, 2)
    ):  # fmt: skip
        monkeypatch.setattr(batch_workers, "available_bytes", lambda left=left: left)
        assert batch_workers.workers_for(jobs, wanted) == counted
    monkeypatch.setattr(batch_workers, "available_bytes", lambda: 2_000_000_000)
    assert batch_workers.workers_for(jobs * 8, None) == 5
    assert batch_workers.workers_for(jobs * 8, 12) == 5


def test_memory_left_is_what_other_programs_read_too(tmp_path: Path) -> None:
    left = memory.available_bytes()
    assert left is not None
    assert 0 < left <= psutil.virtual_memory().total
    (tmp_path / "memory.max").write_text("1000\n", encoding="ascii")
    (tmp_path / "memory.current").write_text("700\n", encoding="ascii")
    (tmp_path / "memory.stat").write_text("anon 1\ninactive_file 150\n", encoding="ascii")
    assert memory._group(tmp_path) == 450  # 1000 − 700 + 150
    (tmp_path / "memory.max").write_text("max\n", encoding="ascii")
    assert memory._group(tmp_path) is None
    (tmp_path / "info").write_text("MemTotal: 9 kB\nMemAvailable:     5 kB\n", encoding="ascii")
    assert memory._meminfo(tmp_path / "info") == 5120
    assert memory._meminfo(tmp_path / "none") is None


def test_the_table_goes_on_after_a_stop_in_the_middle_of_a_row(tmp_path: Path) -> None:
    photos(tmp_path, "a_1.jpg", "a_2.jpg", "b_1.jpg", "b_2.jpg")
    jobs, _ = jobs_in(tmp_path, 2.0)
    path = tmp_path / "out.csv"
    table = Table(path)
    table.add(jobs[0], {"verdict": "match", "reservations": "=cmd()"})
    before = path.read_bytes()
    with path.open("ab") as stream:
        stream.write(b"b,mism")  # cut off here
    again = Table(path)
    assert path.read_bytes() == before
    assert [again.has(job) for job in jobs] == [True, False]
    again.add(jobs[1], {"error": "dark"})
    found = rows(path)
    assert [row["knife"] for row in found] == ["a", "b"]
    assert found[0]["reservations"] == "'=cmd()"
    assert not Table(path).has(jobs[1])  # an error is tried again
    other = Job(knife="a", photos=jobs[0].photos, thickness_mm=3.0)
    assert not Table(path).has(other)  # another thickness, another result
    assert not Table(path).has(replace(jobs[0], kept_lens=False))  # likewise
    photos(tmp_path, "a_1.jpg")
    (tmp_path / "a_1.jpg").write_bytes(b"another photo")
    assert not Table(path).has(jobs[0])


@pytest.mark.parametrize("length", [0, 1, 20])
def test_a_stop_in_the_heading_is_no_other_table(tmp_path: Path, length: int) -> None:
    path = tmp_path / "out.csv"
    path.write_bytes(",".join(COLUMNS).encode("utf-8")[:length])
    Table(path)
    assert tuple(next(csv.reader(path.read_text(encoding="utf-8").splitlines()))) == COLUMNS


def test_two_files_of_one_name_stay_two_on_a_cluster(tmp_path: Path) -> None:
    job = {
        "knife": "p",
        "photos": ["l/p.jpg", "r/p.jpg"],
        "thickness_mm": 2.0,
        "kept_lens": True,
        "files": False,
    }
    told = batch_workers._sent(job, [b"one", b"other"])
    assert "same photo" not in told["error"]


def test_another_table_is_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "mine.csv"
    path.write_text("knife,price\npetty,1\n", encoding="utf-8")
    with pytest.raises(InputError, match="another table"):
        Table(path)
    assert path.read_text(encoding="utf-8") == "knife,price\npetty,1\n"


def test_a_real_pair_and_a_bad_one(tmp_path: Path) -> None:
    name = "petty_a"
    one, other = reduced.halved(name, tmp_path)
    photos(tmp_path, "bad_1.jpg", "bad_2.jpg")
    out = tmp_path / "out" / "table.csv"
    out.parent.mkdir()
    thickness = f"{reduced.truth(name)['thickness_mm']}mm"
    results = tmp_path / "results"
    told = run(tmp_path, "--csv", out, "--thickness", thickness, "--workers", 2, "--results", results)
    assert told.exit_code == 1, told.output
    assert "1 pairs measured, 1 not." in told.stdout
    by_name = {row["knife"]: row for row in rows(out)}
    assert tuple(rows(out)[0]) == COLUMNS
    assert by_name["petty_a"]["verdict"] in ("match", "cannot tell")
    assert abs(float(by_name["petty_a"]["plunge half-way (mm)"])) < 0.2
    assert by_name["bad"]["error"]
    data, picture = sorted(results.iterdir())
    assert data.stem == picture.stem
    assert data.name.startswith("petty_a_")
    assert picture.read_bytes().startswith(b"\x89PNG")
    plunge = json.loads(data.read_text(encoding="utf-8"))["differences"]
    mid = next(one for one in plunge if one["quantity"] == "plunge.mid")
    assert mid["value"] == pytest.approx(float(by_name["petty_a"]["plunge half-way (mm)"]), abs=6e-4)
    shutil.copy(other, tmp_path / "bad_1.jpg")
    shutil.copy(one, tmp_path / "bad_2.jpg")
    again = run(tmp_path, "--csv", out, "--thickness", thickness)
    assert again.exit_code == 0, again.output
    assert "1 of 2 pairs are done already." in again.stderr
    assert len(rows(out)) == 3


def test_a_pair_of_the_table_without_its_files_is_measured_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    photos(tmp_path, "a_1.jpg", "a_2.jpg", "b_1.jpg", "b_2.jpg")
    measured: list[str] = []
    value = 0.1

    def stand_in(jobs: list[Job], workers: int) -> Iterator[tuple[Job, dict[str, object]]]:
        for job in jobs:
            measured.append(job.knife)
            files = {"files": {".json": b"{}", ".png": b"x"}} if job.files else {}
            yield job, {"verdict": "match", "plunge half-way (mm)": value, "reservations": "=odd", **files}

    monkeypatch.setattr(batch_workers, "measured_here", stand_in)
    asked = (tmp_path, "--csv", tmp_path / "out.csv", "--thickness", "2mm")
    results = tmp_path / "results"
    assert run(*asked).exit_code == 0
    before = (tmp_path / "out.csv").read_bytes()
    told = run(*asked, "--results", results)
    assert told.exit_code == 0, told.output
    assert told.stderr.startswith("a: a_1.jpg, a_2.jpg, 2.00 mm\nb: b_1.jpg, b_2.jpg, 2.00 mm\n")
    assert "2 of 2 pairs are done already." in told.stderr
    assert f"2 of these have no result in {results}: measured again." in told.stderr
    assert len(list(results.iterdir())) == 4
    assert (tmp_path / "out.csv").read_bytes() == before  # nothing else was told
    next(results.glob("b_*.png")).unlink()
    value = 0.2  # as another version of the program would tell
    assert run(*asked, "--results", results).exit_code == 0
    assert "no result" not in run(*asked, "--results", results).stderr
    assert measured == ["a", "b", "a", "b", "b"]
    assert [row["knife"] for row in rows(tmp_path / "out.csv")] == ["a", "b", "b"]
    assert (tmp_path / "out.csv").read_bytes().startswith(before)


def test_each_photo_is_read_once_before_it_is_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    photos(tmp_path, "a_1.jpg", "a_2.jpg", "b_1.jpg", "b_2.jpg")
    read: list[str] = []

    def reading(path: Path, plain: Callable[[Path], bytes] = Path.read_bytes) -> bytes:
        read.append(path.name)
        return plain(path)

    def stand_in(jobs: list[Job], workers: int) -> Iterator[tuple[Job, dict[str, object]]]:
        for job in jobs:
            yield job, {"verdict": "match", "files": {".json": b"{}", ".png": b"x"}}

    monkeypatch.setattr(Path, "read_bytes", reading)
    monkeypatch.setattr(batch_workers, "measured_here", stand_in)
    asked = (tmp_path, "--csv", tmp_path / "out.csv", "--thickness", "2mm", "--results", tmp_path / "out")
    for names in (["a_1.jpg", "a_2.jpg", "b_1.jpg", "b_2.jpg"], ["a_1.jpg", "a_2.jpg", "b_1.jpg", "b_2.jpg"]):
        read.clear()
        assert run(*asked).exit_code == 0
        assert [name for name in read if name.endswith(".jpg")] == names


def test_a_photo_that_is_changed_meanwhile_has_no_result(tmp_path: Path) -> None:
    """The row has the hashes of before; a result of other photos mustn't stand beside them."""
    name = "petty_a"
    one, other = reduced.halved(name, tmp_path)
    job = seen(Job(knife="p", photos=(one, other), thickness_mm=reduced.truth(name)["thickness_mm"]))
    assert job.pixels == 1500 * 2000
    assert "error" not in measure(as_data(job))
    changed = replace(job, sha256=(job.sha256[0], "0" * 64) if job.sha256 else None)
    assert measure(as_data(changed)) == {"error": "A photo was changed while the batch ran. Run it again."}


def test_files_of_a_pair_stay_in_their_folder_and_apart(tmp_path: Path) -> None:
    photos(tmp_path, "1", "2", "3")
    one = Job(knife="../x: a/b", photos=(tmp_path / "1", tmp_path / "2"), thickness_mm=2.0)
    for job in (
        one,
        replace(one, photos=(tmp_path / "1", tmp_path / "3")),
        replace(one, thickness_mm=3.0),
        one,
    ):
        keep_files(tmp_path / "results", job, {".json": b"{}"})
    made = sorted(path.name for path in (tmp_path / "results").iterdir())
    assert len(made) == 3
    assert all(name.startswith("_x_a_b_") for name in made), made
    with pytest.raises(OutputError, match="can't be made"):
        keep_files(tmp_path / "1" / "results", one, {".json": b"{}"})


def test_the_list_measures_nothing(tmp_path: Path) -> None:
    photos(tmp_path, "a_1.jpg", "a_2.jpg")
    told = run(tmp_path, "--csv", tmp_path / "out.csv", "--thickness", "2mm", "--list")
    assert told.stdout == "a: a_1.jpg, a_2.jpg, 2.00 mm\n"
    assert not (tmp_path / "out.csv").exists()


@pytest.mark.filterwarnings("ignore")
def test_the_same_on_a_cluster(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A Dask cluster in this process; photos travel as bytes, few at a time, and bad ones are told so."""
    distributed = pytest.importorskip("distributed")
    photos(tmp_path, *(f"{name}_{end}.jpg" for name in "abcdef" for end in (1, 2)))
    jobs, _ = jobs_in(tmp_path, 2.0)
    sent: list[Job] = []
    most = 0
    monkeypatch.setattr(
        batch_workers, "_bytes", lambda job, read=batch_workers._bytes: sent.append(job) or read(job)
    )
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None
    ) as cluster:
        told = {}
        for job, cells in measured_on_cluster(jobs, cluster.scheduler_address):
            told[job] = cells
            most = max(most, len(sent) - len(told))
    assert {job.knife for job in told} == set("abcdef")
    assert len(sent) == 6
    assert most <= 2  # for its one processor
    assert all("is no JPEG, PNG or HEIC picture" in cells["error"] for cells in told.values())


def test_no_cluster_is_told_plainly(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("grindcheck.batch_workers._CONNECT_S", 1)
    with pytest.raises(InputError, match="No cluster answers"):
        list(measured_on_cluster([], "tcp://127.0.0.1:9"))
