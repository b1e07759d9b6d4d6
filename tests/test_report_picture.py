"""The picture: formats, size for a phone, what is drawn where, nothing left behind."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fixtures_results import comparison, face, mismatch
from PIL import Image

from grindcheck.errors import InputError, OutputError
from grindcheck.report.picture import draw, write_picture
from grindcheck.results import Comparison
from grindcheck.verdict import Tolerances, judge


def drawn(result: Comparison):
    return draw(result, judge(result, Tolerances()))


def words(figure) -> list[str]:
    from matplotlib.text import Text

    return [text.get_text() for text in figure.findobj(Text) if text.get_text()]


def write(result: Comparison, path: Path) -> None:
    write_picture(result, judge(result, Tolerances()), path)


@pytest.mark.parametrize(
    ("name", "start"), [("a.png", b"\x89PNG"), ("a.jpg", b"\xff\xd8\xff"), ("a.PDF", b"%PDF")]
)
def test_formats_by_suffix(tmp_path: Path, name: str, start: bytes) -> None:
    write(mismatch(drawn=True), tmp_path / name)
    assert (tmp_path / name).read_bytes().startswith(start)


def test_three_times_a_phones_width_and_not_blank(tmp_path: Path) -> None:
    write(mismatch(drawn=True), tmp_path / "a.png")
    picture = np.asarray(Image.open(tmp_path / "a.png").convert("L"))
    assert picture.shape[1] == 3 * 390
    assert picture.std() > 40  # ink and paper, in grey


def test_the_smallest_words_are_read_on_a_phone() -> None:
    # 14 pt at 150 dpi are 29 px of 1170, so 9.7 px of 390
    from matplotlib.text import Text

    figure = drawn(mismatch(drawn=True))
    sizes = [text.get_fontsize() for text in figure.findobj(Text) if text.get_text()]
    assert min(sizes) / 72 * 150 / 3 > 9.5


def test_verdict_side_and_amount_are_written() -> None:
    told = words(drawn(mismatch(drawn=True)))
    assert "MISMATCH" in told
    assert any(text.startswith("The right plunge lies 0.62 mm") for text in told)
    assert "Right face: grind this one" in told
    assert "Left face, mirrored" in told
    assert "0.62 mm\n± 0.04 mm" in told
    assert "20 mm" in told  # the scale bar


def test_lines_are_drawn_where_they_lie() -> None:
    result = mismatch(drawn=True)
    strips = drawn(result).axes[:2]
    for axes, at in zip(strips, (-120.0, -119.38), strict=True):
        drawn_x = [line.get_xdata() for line in axes.lines]
        assert any(len(x) == 20 and np.allclose(x, at) for x in drawn_x)
        # pixel centres at the ends of the extent
        left, right, bottom, top = axes.images[0].get_extent()
        half = result.drawing.step_mm / 2
        assert (left, right) == pytest.approx((result.drawing.x_mm[0] - half, result.drawing.x_mm[1] + half))
        assert (bottom, top) == pytest.approx((result.drawing.y_mm[0] - half, result.drawing.y_mm[1] + half))


def test_faces_keep_their_shape() -> None:
    figure = drawn(mismatch(drawn=True))
    box = figure.axes[0].get_position()
    wide, tall = box.width * figure.get_figwidth(), box.height * figure.get_figheight()
    assert wide / tall == pytest.approx((5 + 190) / (34 + 4), rel=0.01)  # the drawing's extent in mm


def test_all_words_stay_inside() -> None:
    for result in (
        mismatch(drawn=True),
        comparison(drawn=True),
        comparison(face("left", height_mm=14.4), face("right", lean_mm=1.0), drawn=True),
        comparison(face("left", plunge_mm=120.24), drawn=True),
    ):
        figure = drawn(result)
        figure.canvas.draw()
        box = figure.get_tightbbox()  # of all that is drawn, in inches
        page = figure.get_size_inches()
        rounding = 1e-6
        assert min(box.x0, box.y0) > -rounding
        assert (box.max <= page + rounding).all()


def test_lines_differ_in_grey() -> None:
    axes = drawn(mismatch(drawn=True)).axes
    detail = [line.get_linestyle() for line in axes[2].lines[:2]]
    assert detail == ["-", "--"]
    strip = {line.get_linestyle() for line in axes[0].lines}
    assert {"-", "--"} <= strip


def test_without_plunge_or_heights_their_panels_are_left_out() -> None:
    assert len(drawn(mismatch(drawn=True)).axes) == 4
    bare = comparison(face("left", plunge_mm=None), face("right", plunge_mm=None), drawn=True)
    assert len(drawn(bare).axes) == 3
    flat = comparison(face("left", full_flat=True), face("right", full_flat=True), drawn=True)
    assert len(drawn(flat).axes) == 3


def test_the_same_result_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a.pdf", "b.pdf", "a.png", "b.png"):
        write(comparison(drawn=True), tmp_path / name)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


def test_pyplot_stays_out() -> None:
    drawn(comparison(drawn=True))
    assert "matplotlib.pyplot" not in sys.modules or not sys.modules["matplotlib.pyplot"].get_fignums()


def test_an_unknown_kind_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"can't be written as 'a\.bmp'"):
        write(comparison(drawn=True), tmp_path / "a.bmp")


def test_a_missing_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="can't be written"):
        write(comparison(drawn=True), tmp_path / "nowhere" / "a.png")


def test_an_odd_drawing_does_not_fail() -> None:
    result = mismatch(drawn=True)
    empty = {"left": np.empty((0, 2)), "right": np.empty((0, 2))}
    assert drawn(replace(result, drawing=replace(result.drawing, shoulder_mm=empty, outline_mm=empty)))
