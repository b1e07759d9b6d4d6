"""The drawn strips, read back by other means: a PDF renderer, a marker reader; the command."""

import re
import shutil
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from tag_reader import read_tags
from test_mat_drawing import render
from typer.testing import CliRunner

from grindcheck import cli
from grindcheck.mat.drawing import coverage
from grindcheck.mat.strip_sheet import HOW_TO, cut_lines_mm, draw_strips, strip_rectangles_mm
from grindcheck.mat.strips import CUT_MM, STRIP_PAPERS, strip_sheet, strip_spec
from grindcheck.units import length_mm

CALIBRATION = Path(__file__).parent.parent / "calibration"
DPI = 254  # 10 px a millimetre

papers = pytest.mark.parametrize("paper", STRIP_PAPERS)
needs_renderer = pytest.mark.skipif(
    shutil.which("pdftoppm") is None, reason="pdftoppm (poppler) isn't installed"
)


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("strips")
    for paper in STRIP_PAPERS:
        draw_strips(strip_sheet(paper), out / f"{paper}.pdf")
    return out


def sheet_picture(folder: Path, paper: str) -> NDArray[np.uint8]:
    return np.ascontiguousarray(render(folder / f"{paper}.pdf", DPI).min(axis=2))


def outlines(path: Path) -> list[bytes]:
    """Return the lines of the PDF that draw outlines, in their order."""
    packed = re.findall(rb"/FlateDecode.*?stream\r?\n(.*?)\r?\nendstream", path.read_bytes(), re.DOTALL)
    lines = [line for stream in packed for line in zlib.decompress(stream).split(b"\n")]
    found = [line for line in lines if re.fullmatch(rb"[-\d.]+ [-\d.]+ [ml]", line)]
    assert len(found) > 10_000
    return found


def box_px(paper: str, box_mm: tuple[float, ...]) -> tuple[slice, slice]:
    sheet = strip_sheet(paper)
    left, low, right, high = box_mm
    return (
        slice(round((sheet.height_mm / 2 - high) * 10), round((sheet.height_mm / 2 - low) * 10)),
        slice(round((left + sheet.width_mm / 2) * 10), round((right + sheet.width_mm / 2) * 10)),
    )


@papers
def test_page_is_vectors_of_the_papers_size_and_the_same_each_time(paper: str, folder: Path) -> None:
    data = (folder / f"{paper}.pdf").read_bytes()
    found = re.search(rb"/MediaBox \[ ?([\d. ]+) ?\]", data)
    assert found is not None
    sheet = strip_sheet(paper)
    box_mm = [float(number) * 25.4 / 72 for number in found[1].split()]
    assert box_mm == pytest.approx([0, 0, sheet.width_mm, sheet.height_mm], abs=0.01)
    assert b"/Subtype /Image" not in data and b"/FontFile2" in data
    draw_strips(sheet, folder / "again.pdf")
    assert (folder / "again.pdf").read_bytes() == data
    # what is drawn alone: another version of the library may name or pack things otherwise
    assert outlines(CALIBRATION / f"strip_{paper}.pdf") == outlines(folder / f"{paper}.pdf")


@needs_renderer
@papers
def test_rendered_strips_have_their_size(paper: str, folder: Path) -> None:
    """Ink where the specification has it, to a pixel of 0.1 mm, on every strip and outside its words."""
    grey = sheet_picture(folder, paper)
    sheet = strip_sheet(paper)
    # the renderer rounds a page up to whole pixels
    assert np.abs(np.array(grey.shape) - [sheet.height_mm * 10, sheet.width_mm * 10]).max() <= 1.0
    expected = coverage(strip_rectangles_mm(), CUT_MM, 10.0)
    bar = strip_spec().bars_mm()["x"]
    words = slice(round((CUT_MM[3] - bar[3]) * 10) + 2, round((CUT_MM[3] - bar[1]) * 10) - 2)
    inner = np.ones(expected.shape, dtype=bool)
    inner[words, 100:-100] = False
    for edge in (np.s_[:3], np.s_[-3:], np.s_[:, :3], np.s_[:, -3:]):  # cut lines
        inner[edge] = False
    # a pixel that an edge crosses may be off by the renderer's rounding of positions
    firm = cv2.erode(
        np.where(np.minimum(expected, 1 - expected) < 0.01, 1, 0).astype(np.uint8), np.ones((5, 5))
    )
    edges = cv2.Laplacian((expected > 0.5).astype(np.uint8), cv2.CV_16S) != 0
    firm = inner & (firm > 0) & (cv2.dilate(edges.astype(np.uint8), np.ones((3, 3))) == 0)
    assert firm.mean() > 0.5
    for cut in sheet.cuts_mm():
        part = grey[box_px(paper, cut)].astype(float)
        assert part.shape == expected.shape
        assert np.abs(part / 255 - (1 - expected))[firm].max() < 0.02
        # length of the bar: sum of ink along its outer ends, by area
        rows = slice(words.start - 1, words.start)  # above the words
        ink = (1 - part[rows, 10:-10] / 255).mean(axis=0).sum() / 10
        assert ink == pytest.approx(115.0, abs=0.05)
    x_min, y_min, x_max, y_max = sheet.bar_mm
    strip = grey[box_px(paper, (x_min + 0.2, y_min - 3, x_min + 0.3, y_max + 3))]
    assert (1 - strip / 255).mean(axis=1).sum() / 10 == pytest.approx(140.0, abs=0.05)
    assert x_max - x_min == 2.5


@needs_renderer
@papers
def test_an_independent_reader_reads_every_marker_of_every_strip(paper: str, folder: Path) -> None:
    large = cv2.resize(sheet_picture(folder, paper), None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    grey = np.asarray(cv2.GaussianBlur(large, (0, 0), 1.5), dtype=np.uint8)
    seen = read_tags(grey)
    ids = [tag.tag_id for tag in seen]
    assert sorted(ids) == sorted(list(strip_spec().markers()) * 12)
    sheet, corners_mm = strip_sheet(paper), strip_spec().marker_corners_mm()
    for tag in seen:
        middle = tag.corners.mean(axis=0) / 20 * [1, -1] + [-sheet.width_mm / 2, sheet.height_mm / 2]
        places = corners_mm[tag.tag_id].mean(axis=0) + np.array(sheet.origins_mm)
        # a pixel is 0.05 mm
        assert np.linalg.norm(places - middle, axis=1).min() < 0.1


@papers
def test_cut_lines_go_round_every_strip_and_touch_no_ink(paper: str) -> None:
    sheet = strip_sheet(paper)
    lines = cut_lines_mm(sheet)
    assert len(lines) == 3 + 7  # two strips across, six down
    black = np.concatenate([strip_rectangles_mm() + np.tile(o, 2) for o in sheet.origins_mm])
    common = np.minimum(lines[:, None, 2:], black[:, 2:]) - np.maximum(lines[:, None, :2], black[:, :2])
    assert (common.min(axis=2) < -1.0).all()  # a millimetre of white at least


def test_words_of_the_sheet_are_a_command_that_exists(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path))
    (line,) = [line.strip() for line in HOW_TO if "grindcheck" in line]
    words = (
        line.format(paper="letter").replace("--bar-x ...", "--bar-x 114.8mm").replace("...", "5.5in").split()
    )
    run = CliRunner().invoke(cli.app, words[1:])
    assert run.exit_code == 0, run.stderr
    # 114.8 / 115 = 0.99826, 139.7 / 140 = 0.99786
    assert run.stdout == "Kept for strip: 99.83% along x, 99.79% along y of the true size.\n"


def test_the_command_writes_the_sheet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    run = CliRunner().invoke(cli.app, ["mat", "--strip", "--paper", "a4"])
    assert run.exit_code == 0, run.stderr
    draw_strips(strip_sheet("a4"), tmp_path / "other.pdf")
    assert (tmp_path / "strip_a4.pdf").read_bytes() == (tmp_path / "other.pdf").read_bytes()
    run = CliRunner().invoke(cli.app, ["mat", "--strip", "--paper", "a3"])
    assert run.exit_code == 2 and "no sheet of strips" in run.stderr


@papers
def test_readme_of_the_calibration_folder_has_the_right_lengths(paper: str) -> None:
    text = (CALIBRATION / "README.md").read_text(encoding="utf-8")
    (row,) = [line for line in text.splitlines() if f"`strip_{paper}.pdf`" in line]
    assert f"{len(strip_sheet(paper).origins_mm)} of 120 mm × 21 mm" in row
    assert "115 mm / 140 mm" in row
    found = re.search(r"grindcheck mat --strip --paper a4 --bar-x (\S+) --bar-y (\S+)`", text)
    assert found is not None
    assert length_mm(found[1]) == pytest.approx(115, rel=0.005)
    assert length_mm(found[2]) == pytest.approx(140, rel=0.005)
