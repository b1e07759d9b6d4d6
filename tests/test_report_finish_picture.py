"""The picture of a finish: size for a phone, marks beside scratches, details pixel by pixel."""

import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from fixtures_finish import earlier, face, finish, leftover, scratch, sheath
from PIL import Image

from grindcheck.errors import InputError, OutputError
from grindcheck.finish.acceptance import judge_finish, read_limits
from grindcheck.finish.results import Finish
from grindcheck.report.finish_marks import NUMBERED, STYLES, crop_of, ring_px, spread
from grindcheck.report.finish_picture import draw_finish, write_finish_picture

MIXED = finish(
    face(*leftover(), *sheath(13), scratch(16, (-60.0, 8.0), degrees=-30.0, name="bevel"), drawn=True)
)
CHANGED = finish(
    face(
        scratch(1, change="new"),
        scratch(2, (-40.0, 18.0), change="unchanged"),
        scratch(3, (-120.0, 8.0), name="bevel", change="cannot tell"),
        drawn=True,
        earlier=earlier(),
    ),
    face(side="right", drawn=True),
)
BARE = finish(face(scratch(1), scaled=False, side="", drawn=True))
CLEAN = finish(face(drawn=True))


def drawn(result: Finish, limits: str = "none"):
    return draw_finish(result, judge_finish(result, read_limits(limits)))


def words(figure) -> list[str]:
    from matplotlib.text import Text

    return [text.get_text() for text in figure.findobj(Text) if text.get_text()]


def write(result: Finish, path: Path) -> np.ndarray:
    write_finish_picture(result, judge_finish(result), path)
    return np.asarray(Image.open(path).convert("RGB"))


def strip(figure):
    """Return the axes of the first face."""
    return next(axes for axes in figure.axes if axes.images)


@pytest.mark.parametrize(
    ("name", "start"), [("a.png", b"\x89PNG"), ("a.jpg", b"\xff\xd8\xff"), ("a.PDF", b"%PDF")]
)
def test_formats_by_suffix(tmp_path: Path, name: str, start: bytes) -> None:
    write_finish_picture(CHANGED, judge_finish(CHANGED), tmp_path / name)
    assert (tmp_path / name).read_bytes().startswith(start)


def test_three_times_a_phones_width_and_not_blank(tmp_path: Path) -> None:
    picture = write(MIXED, tmp_path / "a.png")
    assert picture.shape[1] == 3 * 390
    assert picture.mean(axis=2).std() > 40  # ink and paper, in grey


def test_the_smallest_words_are_read_on_a_phone() -> None:
    # 14 pt at 150 dpi are 29 px of 1170, so 9.7 px of 390
    from matplotlib.text import Text

    sizes = [text.get_fontsize() for text in drawn(MIXED).findobj(Text) if text.get_text()]
    assert min(sizes) / 72 * 150 / 3 > 9.5


@pytest.mark.parametrize("result", [MIXED, CHANGED, BARE, CLEAN])
def test_all_words_stay_inside_and_none_lies_on_another(result: Finish) -> None:
    from matplotlib.text import Text

    figure = drawn(result)
    figure.canvas.draw()
    box = figure.get_tightbbox()
    page = figure.get_size_inches()
    assert min(box.x0, box.y0) > -1e-6
    assert (box.max <= page + 1e-6).all()
    boxes = [text.get_window_extent() for text in figure.findobj(Text) if text.get_text()]
    for i, one in enumerate(boxes):
        for other in boxes[:i]:
            wide = min(one.x1, other.x1) - max(one.x0, other.x0)
            tall = min(one.y1, other.y1) - max(one.y0, other.y0)
            # the boxes of letters hold the room above and below them too: a quarter of the smallest is 7 px
            assert wide <= 1 or tall <= 7


def test_verdict_what_to_do_and_limits_are_written() -> None:
    told = words(drawn(MIXED))
    assert "SCRATCHED" in told
    assert "Likely left from a coarser grit: go back one grit." in told
    assert "Likely from the sheath: wash or re-open it first." in told
    assert "Left face, mirrored: 16 scratches" in told
    assert any("left flat 3.0 mm" in text for text in told)
    assert any(text.startswith("Next grit? Flat: not yet.") for text in told)
    assert {str(number) for number in range(1, 17)} <= set(told)
    clean = words(drawn(CLEAN))
    assert "CLEAN" in clean
    assert any(text.startswith("No scratch is found; one of 3.0 mm") for text in clean)


def test_marks_keep_off_the_scratches() -> None:
    # each line drawn over the face keeps away from every point of the scratch that it tells of
    one = scratch(1, (-80.0, 12.0))
    axes = strip(drawn(finish(face(one, drawn=True))))
    steps = np.linspace(0, 1, 100)[:, None]
    points = one.path_px[0] * (1 - steps) + one.path_px[1] * steps
    lines = [line.get_xydata() for line in axes.lines]
    assert len(lines) == 2  # ring and leader
    # the ring is 5 pt away, the leader ends at the ring; 1094 px for 1650 of the picture at 150 dpi
    radius = 5 / 72 * 150 * 1650 / 1094
    for line in lines:
        dense = np.vstack([a + steps * (b - a) for a, b in pairwise(line)])
        apart = np.hypot(*(dense[:, None] - points[None]).transpose(2, 0, 1)).min()
        assert apart == pytest.approx(radius, rel=0.02)


def test_a_ring_lies_at_its_distance() -> None:
    bent = np.column_stack([np.linspace(0, 100, 40), 0.002 * np.linspace(0, 100, 40) ** 2])
    ring = ring_px(bent, 8.0)
    fine = np.column_stack([np.linspace(0, 100, 2000), 0.002 * np.linspace(0, 100, 2000) ** 2])
    apart = np.hypot(*(ring[:, None] - fine[None]).transpose(2, 0, 1)).min(axis=1)
    assert apart.min() > 7.9
    assert apart.max() < 8.1
    assert np.allclose(ring[0], ring[-1])


def test_what_changed_is_told_by_line_style_and_word() -> None:
    figure = drawn(CHANGED)
    told = words(figure)
    assert {"new", "unchanged", "cannot tell", "gone"} <= set(told)
    styles = [STYLES[word] for word in ("new", "unchanged", "cannot tell", "gone")]
    assert all(one != other for i, one in enumerate(styles) for other in styles[:i])
    drawn_styles = {line.get_linestyle() for line in strip(figure).lines}
    assert {"-", "--"} <= drawn_styles
    assert sum("Left 2: 8.0 mm, unchanged" in text for text in told) == 1


def test_what_was_not_searched_is_hatched_and_named() -> None:
    figure = drawn(CLEAN)
    hatches = [patch.get_hatch() for patch in strip(figure).patches]
    assert len(set(hatches)) == 2  # mark and edge strip
    assert None not in hatches
    assert {"mark: not searched", "edge strip: not searched"} <= set(words(figure))


def test_details_are_the_pictures_own_pixels(tmp_path: Path) -> None:
    one = scratch(1, length_mm=4.0)
    result = finish(face(one, drawn=True))
    page = write(result, tmp_path / "a.png")
    picture = result.faces[0].drawing.picture
    rows, columns, times = crop_of(one, picture.shape, (537, 270))
    part = picture[rows, columns, ::-1].repeat(times, axis=0).repeat(times, axis=1)
    axes = draw_finish(result, judge_finish(result)).axes
    detail = [each for each in axes if each.images][1]
    box = detail.get_position()
    left, top = round(box.x0 * page.shape[1]), round((1 - box.y1) * page.shape[0])
    shown = page[top : top + part.shape[0], left : left + part.shape[1]]
    assert times == 4
    differs = (shown != part).any(axis=2)
    # the two ticks: 20 × 8 px each with their rims, 2 · (20 + 4) · (8 + 4) at most
    assert 0 < differs.sum() < 800
    y, x = np.nonzero(differs)
    inside = one.path_px - [columns.start, rows.start]
    at = np.column_stack([x, y]) / times
    way = (one.path_px[1] - one.path_px[0]) / one.length_px
    along = (at - inside[0]) @ way
    assert ((along < 0) | (along > one.length_px)).all()  # nothing is drawn between the ends


@pytest.mark.parametrize(
    ("length_mm", "times"),
    # at 40°, 10 px per mm: width 0.766 L and height 0.643 L and 24 px of margin, in 537 × 270 px
    [(4.0, 4), (8.0, 3), (16.0, 2), (25.0, 1), (60.0, 1)],
)
def test_details_are_enlarged_by_whole_numbers(length_mm: float, times: int) -> None:
    one = scratch(1, (-100.0, 2.0), length_mm=length_mm)
    rows, columns, found = crop_of(one, (340, 1650, 3), (537, 270))
    assert found == times
    assert (rows.stop - rows.start) * times <= 270
    assert (columns.stop - columns.start) * times <= 537
    assert 0 <= rows.start < rows.stop <= 340
    assert 0 <= columns.start < columns.stop <= 1650


def test_a_detail_at_the_border_and_of_a_small_picture() -> None:
    rows, columns, _ = crop_of(scratch(1, (-160.0, 29.0), degrees=-20.0), (340, 1650, 3), (537, 270))
    assert (rows.start, columns.start) == (0, 0)
    rows, columns, times = crop_of(
        scratch(1, (-160.0, 29.0), length_mm=3.0, degrees=-20.0), (30, 40, 3), (537, 270)
    )
    assert (rows, columns, times) == (slice(0, 30), slice(0, 40), 4)


def test_at_most_eight_details_and_the_surest() -> None:
    many = [scratch(i + 1, (-140.0 + i, 15.0), log_nfa=-30.0 + i) for i in range(30)]
    figure = drawn(finish(face(*many, drawn=True)))
    told = words(figure)
    assert sum(len(axes.images) for axes in figure.axes) == 1 + 8
    assert [f"{i}: 8.0 mm, sure, x3" in told for i in (1, 8, 9)] == [True, True, False]
    assert f"The {NUMBERED} surest are numbered; 10 more have ticks at their ends." in told
    assert "and 18 more" in told  # 30 − 12 rows


def test_boxes_are_spread_without_overlap() -> None:
    rng = np.random.default_rng(4)
    at = sorted(rng.uniform(0, 100, 12))
    places = spread(list(at), [8.0] * 12, 0.0, 100.0)
    assert np.diff(places).min() >= 8.0 - 1e-9
    assert places[0] >= 4.0 - 1e-9
    assert places[-1] <= 96.0 + 1e-9


def test_the_same_result_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a.pdf", "b.pdf", "a.png", "b.png"):
        write_finish_picture(CHANGED, judge_finish(CHANGED), tmp_path / name)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


def test_a_tall_picture_stays_on_a_screen() -> None:
    tall = face(scratch(1), scaled=False, side="", drawn=True)
    tall.drawing.picture = np.full((1650, 340, 3), 120, np.uint8)
    axes = strip(drawn(finish(tall)))
    box = axes.get_window_extent()
    assert box.height <= 901
    assert box.height / box.width == pytest.approx(1650 / 340, rel=0.01)


def test_odd_results_do_not_fail() -> None:
    assert "CANNOT TELL" in words(drawn(Finish(faces=())))
    still = replace(scratch(1), path_px=np.array([[50.0, 50.0], [50.0, 50.0]]))
    assert "SCRATCHED" in words(drawn(finish(face(still, drawn=True))))
    nothing = face(drawn=True, regions=(), excluded=())
    assert "CANNOT TELL" in words(drawn(finish(nothing)))


def test_pyplot_stays_out() -> None:
    drawn(CLEAN)
    assert "matplotlib.pyplot" not in sys.modules or not sys.modules["matplotlib.pyplot"].get_fignums()


def test_an_unknown_kind_and_a_missing_folder_are_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"can't be written as 'a\.bmp'"):
        write(CLEAN, tmp_path / "a.bmp")
    with pytest.raises(OutputError, match="can't be written"):
        write(CLEAN, tmp_path / "nowhere" / "a.png")
