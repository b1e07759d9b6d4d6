"""Many pairs: pairing, the growing table, crashes, going on after a stop, and a real pair end to end."""

import csv
import shutil
from dataclasses import replace
from pathlib import Path

import batch_stubs
import pytest
import reduced
from typer.testing import CliRunner, Result

from grindcheck.batch import COLUMNS, Job, Table, jobs_in
from grindcheck.batch_workers import measured_here, measured_on_cluster
from grindcheck.cli import app
from grindcheck.errors import InputError


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


def test_a_list_names_pairs_and_thicknesses(tmp_path: Path) -> None:
    text = "knife,photo 1,photo 2,thickness\npetty,a.jpg,b.jpg,5/32in\nfield,c.jpg,d.jpg,\n"
    (tmp_path / "pairs.csv").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="Row 3"):
        jobs_in(tmp_path, None)
    jobs, _ = jobs_in(tmp_path, 4.0)
    assert [(job.knife, job.thickness_mm) for job in jobs] == [("petty", 3.96875), ("field", 4.0)]


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
    from grindcheck import batch_workers

    job = {"knife": "p", "photos": ["l/p.jpg", "r/p.jpg"], "thickness_mm": 2.0, "kept_lens": True}
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
    told = run(tmp_path, "--csv", out, "--thickness", thickness, "--workers", 2)
    assert told.exit_code == 1, told.output
    assert "1 pairs measured, 1 not." in told.stdout
    by_name = {row["knife"]: row for row in rows(out)}
    assert tuple(rows(out)[0]) == COLUMNS
    assert by_name["petty_a"]["verdict"] in ("match", "cannot tell")
    assert abs(float(by_name["petty_a"]["plunge half-way (mm)"])) < 0.2
    assert by_name["bad"]["error"]
    shutil.copy(other, tmp_path / "bad_1.jpg")
    shutil.copy(one, tmp_path / "bad_2.jpg")
    again = run(tmp_path, "--csv", out, "--thickness", thickness)
    assert again.exit_code == 0, again.output
    assert "1 of 2 pairs are done already." in again.stderr
    assert len(rows(out)) == 3


def test_the_list_measures_nothing(tmp_path: Path) -> None:
    photos(tmp_path, "a_1.jpg", "a_2.jpg")
    told = run(tmp_path, "--csv", tmp_path / "out.csv", "--thickness", "2mm", "--list")
    assert told.stdout == "a: a_1.jpg, a_2.jpg, 2.00 mm\n"
    assert not (tmp_path / "out.csv").exists()


@pytest.mark.filterwarnings("ignore")
def test_the_same_on_a_cluster(tmp_path: Path) -> None:
    """A Dask cluster in this process; the photos travel as bytes, and bad ones are told as such."""
    distributed = pytest.importorskip("distributed")
    photos(tmp_path, "a_1.jpg", "a_2.jpg", "b_1.jpg", "b_2.jpg")
    jobs, _ = jobs_in(tmp_path, 2.0)
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None
    ) as cluster:
        told = dict(measured_on_cluster(jobs, cluster.scheduler_address))
    assert {job.knife for job in told} == {"a", "b"}
    assert all("is no JPEG, PNG or HEIC picture" in cells["error"] for cells in told.values())


def test_no_cluster_is_told_plainly(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("grindcheck.batch_workers._CONNECT_S", 1)
    with pytest.raises(InputError, match="No cluster answers"):
        list(measured_on_cluster([], "tcp://127.0.0.1:9"))
