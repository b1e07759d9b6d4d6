"""The drawn mat, read back by other means: the PDF's own operators, a PDF renderer, a marker reader."""

import re
import shutil
import subprocess
import zlib
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from tag_reader import read_tags

from grindcheck.errors import OutputError
from grindcheck.mat.drawing import (
    CAUTION,
    PRINT_NOTE,
    bar_pieces_mm,
    dark_rectangles_mm,
    draw_mat,
    mat_raster,
)
from grindcheck.mat.spec import PAPERS, TINT_SRGB, MatSpec, mat_spec
from grindcheck.printscale import print_scale
from grindcheck.units import length_mm

CALIBRATION = Path(__file__).parent.parent / "calibration"
PDFTOPPM = shutil.which("pdftoppm")

papers = pytest.mark.parametrize("paper", PAPERS)
needs_renderer = pytest.mark.skipif(PDFTOPPM is None, reason="pdftoppm (poppler) isn't installed")


@cache
def pdf(paper: str, folder: Path) -> Path:
    path = folder / f"{paper}.pdf"
    draw_mat(mat_spec(paper), path)
    return path


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("mats")


@cache
def render(path: Path, dpi: int, window_px: tuple[int, int, int, int] | None = None) -> NDArray[np.uint8]:
    """Render the page, or a window (left, top, width, height) of it, as RGB by poppler."""
    assert PDFTOPPM is not None
    out = path.with_name(f"{path.stem}-{dpi}")
    command = [PDFTOPPM, "-r", str(dpi), "-png", "-singlefile"]
    for key, value in zip(("-x", "-y", "-W", "-H"), window_px or (), strict=window_px is not None):
        command += [key, str(value)]
    command += [str(path), str(out)]
    subprocess.run(command, check=True)
    bgr = cv2.imdecode(np.fromfile(out.with_suffix(".png"), np.uint8), cv2.IMREAD_COLOR)
    assert bgr is not None
    return np.ascontiguousarray(bgr[..., ::-1])


def page_content(path: Path) -> str:
    """Return the page's drawing operators."""
    packed = re.compile(rb"/FlateDecode.*?stream\r?\n(.*?)\r?\nendstream", re.DOTALL)
    streams = [zlib.decompress(stream) for stream in packed.findall(path.read_bytes())]
    pages = [stream for stream in streams if b" re\n" in stream or (b" m\n" in stream and b" rg" in stream)]
    return pages[0].decode("latin-1")


def filled_rectangles_mm(path: Path, spec: MatSpec) -> dict[tuple[float, ...], NDArray[np.float64]]:
    """Fill colour to the boxes (x_min, y_min, x_max, y_max) of its closed outlines, from the PDF itself."""
    found: dict[tuple[float, ...], list[list[float]]] = {}
    colour: tuple[float, ...] = ()
    points: list[tuple[float, float]] = []
    boxes: list[list[float]] = []
    for line in page_content(path).splitlines():
        words = line.split()
        for at, word in enumerate(words):
            if word == "rg":
                colour = tuple(map(float, words[at - 3 : at]))
            elif word == "g":
                colour = (float(words[at - 1]),) * 3
            elif word in ("m", "l"):
                points.append((float(words[at - 2]), float(words[at - 1])))
            elif word == "h":
                x, y = zip(*points, strict=True)
                boxes.append([min(x), min(y), max(x), max(y)])
                points = []
            elif word in ("f", "f*", "B"):
                found.setdefault(colour, []).extend(boxes)
                boxes = []
            elif word == "n":
                boxes, points = [], []
    origin_mm = np.tile([spec.width_mm / 2, spec.height_mm / 2], 2)
    return {key: np.array(value) * 25.4 / 72 - origin_mm for key, value in found.items()}


# The PDF


@papers
def test_page_has_the_paper_size(paper: str, folder: Path) -> None:
    found = re.search(rb"/MediaBox \[ ?([\d. ]+) ?\]", pdf(paper, folder).read_bytes())
    assert found is not None
    box_mm = [float(number) * 25.4 / 72 for number in found[1].split()]
    spec = mat_spec(paper)
    assert box_mm == pytest.approx([0, 0, spec.width_mm, spec.height_mm], abs=0.01)


@papers
def test_pdf_is_vectors_with_embedded_fonts(paper: str, folder: Path) -> None:
    data = pdf(paper, folder).read_bytes()
    assert b"/Subtype /Image" not in data
    assert b"/FontFile2" in data
    assert data.count(b"/Type /Page\n") + data.count(b"/Type /Page ") == 1


@papers
def test_squares_bars_and_field_lie_where_the_specification_says(paper: str, folder: Path) -> None:
    """Measured in the PDF's own numbers, to a micrometre."""
    spec = mat_spec(paper)
    filled = filled_rectangles_mm(pdf(paper, folder), spec)
    dark = filled[(0.0, 0.0, 0.0)]
    squares = dark[np.isclose(dark[:, 2] - dark[:, 0], 12) & np.isclose(dark[:, 3] - dark[:, 1], 12)]
    centres = [spec.square_centre_mm(*place) for place in spec.dark_squares()]
    np.testing.assert_allclose((squares[:, :2] + squares[:, 2:]) / 2, centres, atol=0.001)
    x, y = spec.bars_mm()["x"], spec.bars_mm()["y"]
    on_x = dark[np.isclose(dark[:, 1], x[1], atol=0.001)]
    on_y = dark[np.isclose(dark[:, 0], y[0], atol=0.001)]
    assert len(on_x) == len(on_y) == 2
    # Both pieces together are the whole bar, and the first is 140 mm.
    assert [on_x[:, 0].min(), on_x[:, 2].max()] == pytest.approx([x[0], x[2]], abs=0.001)
    assert [on_y[:, 1].min(), on_y[:, 3].max()] == pytest.approx([y[1], y[3]], abs=0.001)
    assert on_x[0, 2] - on_x[0, 0] == pytest.approx(140, abs=0.001)
    assert on_y[0, 3] - on_y[0, 1] == pytest.approx(140, abs=0.001)
    (field,) = [boxes for colour, boxes in filled.items() if colour not in ((0.0,) * 3, (1.0,) * 3)]
    width, height = spec.field_mm
    np.testing.assert_allclose(field, [[-width / 2, -height / 2, width / 2, height / 2]], atol=0.001)


@papers
def test_words_are_on_the_sheet(paper: str, folder: Path) -> None:
    assert PRINT_NOTE == "Print at 100 % / actual size. Do not fit to page."
    tool = shutil.which("pdftotext")
    if tool is None:
        pytest.skip("pdftotext (poppler) isn't installed")
    text = subprocess.run(
        [tool, str(pdf(paper, folder)), "-"], check=True, capture_output=True, text=True, encoding="utf-8"
    ).stdout
    width, height = mat_spec(paper).frame_mm
    name = {"a4": "A4", "letter": "US Letter", "a3": "A3", "tabloid": "Tabloid"}[paper]
    for words in (
        PRINT_NOTE,
        CAUTION,
        f"grindcheck mat {name}, version 1",
        "bar x: this piece 140.0 mm = 5.512 in",  # 140 / 25.4 = 5.51181
        f"bar x whole {width:.1f} mm",
        f"bar y whole {height:.1f} mm",
    ):
        assert words in text


@papers
def test_same_specification_gives_the_same_bytes(paper: str, folder: Path, tmp_path: Path) -> None:
    draw_mat(mat_spec(paper), tmp_path / "again.pdf")
    assert (tmp_path / "again.pdf").read_bytes() == pdf(paper, folder).read_bytes()


def test_the_users_own_matplotlib_settings_change_nothing(folder: Path, tmp_path: Path) -> None:
    import matplotlib

    with matplotlib.rc_context({"savefig.bbox": "tight", "font.size": 30, "pdf.fonttype": 3}):
        draw_mat(mat_spec("a4"), tmp_path / "again.pdf")
        assert matplotlib.rcParams["font.size"] == 30
    assert (tmp_path / "again.pdf").read_bytes() == pdf("a4", folder).read_bytes()


@papers
def test_stored_pdf_is_what_the_program_draws(paper: str, folder: Path) -> None:
    """Equal bytes, or, with another version of matplotlib or its font, every outline equal."""
    stored, drawn = CALIBRATION / f"mat_{paper}.pdf", pdf(paper, folder)
    if stored.read_bytes() == drawn.read_bytes():
        return
    spec = mat_spec(paper)
    old, new = filled_rectangles_mm(stored, spec), filled_rectangles_mm(drawn, spec)
    assert old.keys() == new.keys()
    for colour, boxes in old.items():
        np.testing.assert_allclose(new[colour], boxes, atol=0.001)


def test_unwritable_output(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"can't be written.*folder that exists"):
        draw_mat(mat_spec("a4"), tmp_path / "none" / "mat.pdf")
    with pytest.raises(OutputError, match="can't be written"):
        draw_mat(mat_spec("a4"), tmp_path)


# The rendered sheet


@needs_renderer
@papers
def test_printer_margin_is_free_of_ink(paper: str, folder: Path) -> None:
    page = render(pdf(paper, folder), 150)
    edge = int(6 / 25.4 * 150)  # whole pixels within 6 mm
    for strip in (page[:edge], page[-edge:], page[:, :edge], page[:, -edge:]):
        assert strip.min() == 255
    assert page.min() == 0


@needs_renderer
@papers
@pytest.mark.parametrize("axis", ["x", "y"])
def test_bars_measured_on_the_rendered_sheet(paper: str, axis: str, folder: Path) -> None:
    """Counted in pixels of 1200 dpi, of which the renderer moves each of the four ends by up to a half."""
    spec = mat_spec(paper)
    pitch = 25.4 / 1200
    box = spec.bars_mm()[axis]
    # The bar with 0.9 mm of white before and behind; across, only the rim above the words.
    around_mm = 0.9 * np.array([-1, 0, 1, 0] if axis == "x" else [0, -1, 0, 1]) + box
    left, right = ((spec.width_mm / 2 + around_mm[[0, 2]]) / pitch).astype(int)
    top, bottom = ((spec.height_mm / 2 - around_mm[[3, 1]]) / pitch).astype(int)
    bar = render(pdf(paper, folder), 1200, (left, top, right - left, bottom - top))
    dark = 1 - bar.mean(axis=2) / 255
    rim = round(0.3 / pitch)
    line = dark[rim] if axis == "x" else dark[:, rim]
    length = spec.frame_mm[0 if axis == "x" else 1]
    assert line[0] == line[-1] == 0
    assert line.sum() * pitch == pytest.approx(length - 0.8, abs=4 * 0.5 * pitch)
    if axis == "y":
        line = line[::-1]
    first = np.flatnonzero(line > 0.5)[0]
    mark = first + np.flatnonzero(line[first:] < 0.5)[0]
    assert (mark - first) * pitch == pytest.approx(140, abs=2 * 0.5 * pitch)


@needs_renderer
@papers
def test_raster_agrees_with_the_rendered_pdf(paper: str, folder: Path) -> None:
    """Two ways from the specification to pixels; inside the frame's outside there are no words."""
    spec = mat_spec(paper)
    page = render(pdf(paper, folder), 127)  # 5 pixels a millimetre
    ours = mat_raster(spec, 5.0)
    # The renderer rounds the page up to whole pixels and, like ours, begins at the top; y is anchored below.
    assert abs(page.shape[0] - ours.shape[0]) <= 1 and abs(page.shape[1] - ours.shape[1]) <= 1
    y, x = (round((full - inner) / 2 * 5) for full, inner in
            ((spec.height_mm, spec.frame_mm[1]), (spec.width_mm, spec.frame_mm[0])))  # fmt: skip
    h, w = round(spec.frame_mm[1] * 5), round(spec.frame_mm[0] * 5)
    difference = np.abs(page[y : y + h, x : x + w].astype(int) - ours[y : y + h, x : x + w])
    # Mixed pixels on edges differ by the renderer's coarse coverage and a page of broken pixel height; all
    # others are the same colour.
    assert np.median(difference) == 0
    assert (difference.max(axis=2) > 130).mean() < 0.001
    assert difference.mean() < 6


# The raster


@papers
def test_another_reader_finds_every_marker_in_place(paper: str) -> None:
    """AprilTag's own library: ids, and corners to a few hundredths of a millimetre."""
    spec = mat_spec(paper)
    scale = 8.0
    grey = cv2.GaussianBlur(cv2.cvtColor(mat_raster(spec, scale), cv2.COLOR_RGB2GRAY), (0, 0), 2)
    seen = {tag.tag_id: tag for tag in read_tags(grey)}
    expected = spec.marker_corners_mm()
    assert seen.keys() == expected.keys()
    shift = np.array([spec.width_mm / 2, -spec.height_mm / 2])
    errors = []
    for marker, corners_mm in expected.items():
        # That library puts the origin at the outer corner of the first pixel, as the raster's edges have it.
        # It lists corners against the clock; OpenCV, whose drawing the mat has, and that library disagree on
        # which way up a marker stands, so its first corner is our second.
        corners_px = (corners_mm + shift) * [scale, -scale]
        found = np.array(seen[marker].corners)
        distance = np.linalg.norm(found[:, None] - corners_px[None], axis=2)
        assert distance.argmin(axis=1).tolist() == [1, 0, 3, 2]
        errors.append(distance.min(axis=1))
        assert seen[marker].hamming == 0
    # Where all edges lie between two pixels, 0.07 px were measured; elsewhere the reader, which takes grey
    # values from the nearest pixel, is up to 0.31 px off, the same for all corners of a kind.
    assert np.max(errors) < (0.1 if paper in ("a4", "a3") else 0.4)


@papers
def test_black_and_white_print_is_readable(paper: str) -> None:
    """Printed in grey, on greyish paper with pale ink, all markers are still read."""
    spec = mat_spec(paper)
    grey = cv2.cvtColor(mat_raster(spec, 4.0), cv2.COLOR_RGB2GRAY)
    pale = np.rint(60 + grey * (150 / 255)).astype(np.uint8)
    assert {tag.tag_id for tag in read_tags(pale)} == set(spec.markers())
    # The field is grey then, apart from both black and white by at least a fifth of the range.
    field = int(grey[grey.shape[0] // 2, grey.shape[1] // 2])
    assert 51 < field < 204


@papers
@pytest.mark.parametrize("px_per_mm", [2.0, 3.3, 8.0])
def test_raster_keeps_the_area_of_ink(paper: str, px_per_mm: float) -> None:
    """Closed form: antialiasing by area loses no ink. Area of all dark rectangles and the tinted field."""
    spec = mat_spec(paper)
    rgb = mat_raster(spec, px_per_mm).astype(float)
    boxes = dark_rectangles_mm(spec)
    dark_mm2 = ((boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])).sum()
    field_mm2 = spec.field_mm[0] * spec.field_mm[1]
    for channel in range(3):
        expected = dark_mm2 + field_mm2 * (1 - TINT_SRGB[channel] / 255)
        ink = (1 - rgb[..., channel] / 255).sum() / px_per_mm**2
        # Mixed pixels are rounded to whole grey values.
        assert ink == pytest.approx(expected, rel=2e-4)


def test_raster_at_a_scale_without_mixed_pixels() -> None:
    """At 8 px/mm every edge of squares, markers and field on A4 lies between two pixels, so none is mixed."""
    spec = mat_spec("a4")
    rgb = mat_raster(spec, 8.0)
    assert rgb.shape == (1680, 2376, 3)
    left, top = round((297 - 276) / 2 * 8), round((210 - 180) / 2 * 8)
    frame = rgb[top : top + 1440, left : left + 2208]
    packed = frame.astype(np.int64) @ [65536, 256, 1]
    red, green, blue = TINT_SRGB
    assert set(np.unique(packed)) == {0, 0xFFFFFF, red * 65536 + green * 256 + blue}
    # The origin is the sheet's middle: the dark corner square begins at its own first pixel.
    assert rgb[top, left].max() == 0 and rgb[top - 1, left].min() == 255 and rgb[top, left - 1].min() == 255


def test_raster_shares_a_mixed_pixel() -> None:
    """By hand: at 1 px/mm the A4 frame begins at 10.5 mm, so its first pixel is half dark: 127.5."""
    rgb = mat_raster(mat_spec("a4"), 1.0)
    assert rgb[20, 10].tolist() in ([127] * 3, [128] * 3)
    assert rgb[20, 9].tolist() == [255] * 3
    assert rgb[20, 11].tolist() == [0] * 3


def test_raster_needs_a_scale() -> None:
    with pytest.raises(ValueError, match="px_per_mm must be positive"):
        mat_raster(mat_spec("a4"), 0.0)


@papers
def test_bar_pieces(paper: str) -> None:
    spec = mat_spec(paper)
    pieces = bar_pieces_mm(spec)
    for axis, along in (("x", 0), ("y", 1)):
        first, rest = pieces[axis]
        whole = spec.bars_mm()[axis]
        assert first[along + 2] - first[along] == pytest.approx(140)
        assert rest[along] - first[along + 2] == pytest.approx(0.8)
        assert (first[along], rest[along + 2]) == (whole[along], whole[along + 2])


@papers
def test_dark_rectangles_do_not_overlap(paper: str) -> None:
    boxes = dark_rectangles_mm(mat_spec(paper))
    low = np.maximum(boxes[:, None, :2], boxes[None, :, :2])
    high = np.minimum(boxes[:, None, 2:], boxes[None, :, 2:])
    common = np.prod(np.clip(high - low, 0, None), axis=2)
    np.fill_diagonal(common, 0)
    assert common.max() < 1e-9


# The words beside the PDFs


@papers
def test_readme_of_the_calibration_folder_has_the_right_lengths(paper: str) -> None:
    text = (CALIBRATION / "README.md").read_text(encoding="utf-8")
    spec = mat_spec(paper)
    (row,) = [line for line in text.splitlines() if f"`mat_{paper}.pdf`" in line]
    assert f"{spec.field_mm[0]:g} mm × {spec.field_mm[1]:g} mm" in row
    assert f"{spec.frame_mm[0]:g} mm / {spec.frame_mm[1]:g} mm" in row


def test_readme_of_the_calibration_folder_has_readings_that_are_accepted() -> None:
    text = (CALIBRATION / "README.md").read_text(encoding="utf-8")
    found = re.search(r"grindcheck mat --paper (\w+) --bar-x (\S+) --bar-y (\S+)`", text)
    assert found is not None
    scale = print_scale(found[1], length_mm(found[2]), length_mm(found[3]))
    assert scale.measured
    inches = re.search(r"--bar-x ([\d.]+in)", text)
    assert inches is not None
    assert print_scale(found[1], length_mm(inches[1])).x == pytest.approx(1, abs=0.01)
