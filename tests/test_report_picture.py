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
    assert len(drawn(mismatch(drawn=True)).axes) == 5
    bare = comparison(face("left", plunge_mm=None), face("right", plunge_mm=None), drawn=True)
    assert len(drawn(bare).axes) == 4
    flat = comparison(face("left", full_flat=True), face("right", full_flat=True), drawn=True)
    assert len(drawn(flat).axes) == 4
    nothing = comparison(
        face("left", plunge_mm=None, full_flat=True),
        face("right", plunge_mm=None, full_flat=True),
        drawn=True,
    )
    assert len(drawn(nothing).axes) == 2
    assert "Where the uncertainty comes from" not in words(drawn(nothing))


def told_by(components: dict[str, float], unit_std: float = 0.05) -> Comparison:
    """Return a pair that a bevel height with the longest of names decides, with these components."""
    result = comparison(face("left", height_mm=14.4), drawn=True)
    size = float(np.sqrt(sum(part**2 for part in components.values())))
    share = {name: unit_std * part / size for name, part in components.items()}
    last = replace(result.differences[-1], std=unit_std, components=share, label="plunge", station_mm=110.0)
    return replace(result, differences=(*result.differences[:-1], last))


def test_the_bars_are_the_shares_of_the_deciding_difference() -> None:
    # 6² + 3² + 2² = 7²; the tip's 0.1² is less than 2 % and has no bar
    result = told_by({"line": 6.0, "thickness": 3.0, "registration": 2.0, "tip": 0.1})
    axes = drawn(result).axes[-1]
    whole, part = axes.patches[0::2], axes.patches[1::2]
    assert len({bar.get_width() for bar in whole}) == 1
    shares = [bar.get_width() / whole[0].get_width() for bar in part]
    assert shares == pytest.approx([36 / 49.01, 9 / 49.01, 4 / 49.01])
    told = [text.get_text() for text in axes.texts]
    for text in ("seeing the lines", "73%", "stock thickness", "18%", "the blade's outline", "8%"):
        assert text in told
    assert "the tip" not in told
    assert "bevel height at 110 mm (plunge), U = 0.10 mm (3.9 thou)" in told
    assert any(text.startswith("To make the first smaller: use softer light") for text in told)


def test_bars_and_their_words_lie_clear_of_each_other() -> None:
    every = ("line", "pose", "print scale", "thickness", "edge thickness", "height", "registration", "tip")
    for result in (told_by(dict.fromkeys(every, 1.0)), told_by({"print scale": 1.0}), mismatch(drawn=True)):
        figure = drawn(result)
        figure.canvas.draw()
        axes = figure.axes[-1]
        boxes = [text.get_window_extent() for text in axes.texts]
        boxes += [bar.get_window_extent() for bar in axes.patches[0::2]]
        above = min(other.get_tightbbox().y0 for other in figure.axes[:-1])
        page = figure.bbox
        for number, box in enumerate(boxes):
            assert not any(box.overlaps(other) for other in boxes[number + 1 :])
            assert page.x0 < box.x0
            assert box.x1 < page.x1
            assert page.y0 < box.y0
            assert box.y1 < above


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
