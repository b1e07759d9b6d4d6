"""The trend in words, as text and as a picture: directions, units, size for a phone, all inside the page."""

import math
from datetime import UTC, datetime, timedelta
from io import BytesIO

import numpy as np
import pytest
from PIL import Image

from grindcheck.report.trend_picture import draw_trend, trend_picture
from grindcheck.report.trend_text import habit_sentence, notes, short, signal_sentences, trend_text
from grindcheck.trend import Trend, TrendPoint, trend

# A batch of kitchen petties: nine right plunges run long by 0.31 mm in the mean, one is short.
HABIT = (-0.38, -0.32, -0.35, -0.40, -0.33, -0.36, -0.34, -0.37, -0.35, 0.10)


def of(values, *, quantity: str = "plunge.mid", std: float = 0.03, name: str = "Petty {:02}") -> Trend:
    unit = "rad" if quantity in ("plunge.angle", "bevel_angle") else "mm"
    start = datetime(2026, 3, 2, tzinfo=UTC)
    return trend(
        quantity,
        [
            TrendPoint(label=name.format(i + 1), at=start + timedelta(days=i), value=float(v), std=std)
            for i, v in enumerate(values)
        ],
        unit=unit,
    )


def words(figure) -> list[str]:
    from matplotlib.text import Text

    return [text.get_text() for text in figure.findobj(Text) if text.get_text()]


def test_the_habit_in_one_sentence_in_mm_and_thousandths() -> None:
    found = of(HABIT)
    assert found.mean == pytest.approx(-0.31)
    assert habit_sentence(found, "mm") == (
        "Your right plunge runs 0.31 mm longer than the left, on 9 of 10 knives."
    )
    assert habit_sentence(found, "both") == (  # 0.31 / 0.0254 = 12.2
        "Your right plunge runs 0.31 mm (12 thou) longer than the left, on 9 of 10 knives."
    )
    assert habit_sentence(found, "in") == (  # 0.31 / 25.4
        "Your right plunge runs 0.0122 in longer than the left, on 9 of 10 knives."
    )


@pytest.mark.parametrize(
    ("quantity", "sign", "said"),
    # Left minus right: of a distance from the tip, so that a positive one is a longer left side; of an angle
    # that is positive with the upper end nearer to the tip; of a height.
    [
        ("plunge.mid", 1, "Your left plunge runs 0.31 mm longer than the right, on"),
        ("plunge.mid", -1, "Your right plunge runs 0.31 mm longer than the left, on"),
        ("plunge.shoulder", 1, "Your left plunge runs 0.31 mm longer than the right at its upper end, on"),
        ("plunge.edge", -1, "Your right plunge runs 0.31 mm longer than the left at the edge, on"),
        ("bevel_height", 1, "Your left bevel is 0.31 mm higher than the right, on"),
        ("bevel_height", -1, "Your right bevel is 0.31 mm higher than the left, on"),
        ("plunge.angle", 1, "Your left plunge leans 0.31° more towards the tip than the right, on"),
        ("plunge.angle", -1, "Your right plunge leans 0.31° more towards the tip than the left, on"),
        ("bevel_angle", -1, "Your right bevel is 0.31° steeper than the left, on"),
    ],
)
def test_both_directions(quantity: str, sign: int, said: str) -> None:
    scale = math.pi / 180 if "angle" in quantity else 1.0
    values = sign * scale * np.array([0.30, 0.32, 0.31, 0.29, 0.33, 0.31])
    assert habit_sentence(of(values, quantity=quantity, std=0.03 * scale), "mm").startswith(said)


def test_a_station_is_named() -> None:
    start = datetime(2026, 3, 2, tzinfo=UTC)
    points = [
        TrendPoint(label=str(i), at=start + timedelta(days=i), value=0.2 + 0.01 * i, std=0.03)
        for i in range(6)
    ]
    found = trend("bevel_height", points, station_mm=50.0)
    assert habit_sentence(found, "mm") == (  # mean of 0.20 to 0.25
        "Your left bevel is 0.23 mm higher than the right, 50 mm from the tip, on 6 of 6 knives."
    )
    assert "Bevel height at 50 mm, left minus right:" in trend_text(found, units="mm")
    assert "Bevel height at 1.97 in, left minus right:" in trend_text(found, units="in")  # 50 / 25.4


def test_words_and_picture_name_the_same_side() -> None:
    assert "↓ right longer" in words(draw_trend(of(HABIT)))


def test_too_few_knives_are_told() -> None:
    assert habit_sentence(of([-0.3] * 3)) == "3 knives are too few to tell a habit; from 6 on it can be told."
    assert habit_sentence(of([-0.3])).startswith("1 knife is too few")


def test_no_habit_is_told_with_what_is_sure() -> None:
    found = of([0.1, -0.1] * 5 + [0.02], std=0.05)
    assert habit_sentence(found, "mm") == (
        "No habit shows on 11 knives: the mean difference is 0.00 mm, sure only to "
        f"± {found.expanded:.2f} mm."
    )
    mixed = of([0.35, 0.35, -0.05] * 8)
    assert habit_sentence(mixed, "mm") == (
        "No habit shows on 24 knives: the mean difference is 0.22 mm, but only 16 of them lie on that side, "
        "and 75% are asked for."
    )


def test_signals_are_told_in_words() -> None:
    assert signal_sentences(of([0.1, -0.1] * 6 + [1.2])) == (
        "Petty 13 lies outside the limits.",
        "Petty 13 differs more from the knife before than a steady hand does.",
    )
    (run, *_) = signal_sentences(of([0.05, 0.15] * 4 + [0.1] + [-0.05, -0.15] * 4 + [-0.1]))
    assert run == "Petty 01 to Petty 09, 9 in a row, lie on one side of the mean."
    (drift,) = signal_sentences(of([0.2, -0.3, -0.2, -0.1, 0.0, 0.1, 0.2, -0.1]))
    assert drift == "Petty 02 to Petty 07: 6 in a row, each larger than the one before."


def test_limits_are_provisional_until_settled() -> None:
    assert any("provisional" in one for one in notes(of(HABIT)))
    assert not any("provisional" in one for one in notes(of(HABIT * 2)))
    assert not notes(of([0.1]))


def test_the_chart_as_text() -> None:
    text = trend_text(of([0.0, 0.2, 0.0, 0.2, 0.0, 0.2], std=0.05), units="mm")
    lines = text.splitlines()
    (first,) = [line for line in lines if line.startswith("Petty 01")]
    # limits 0.1 ± 0.532 over 27 characters: 0.0 at 26 · 0.432/1.064 = 10.6, the mean at 13, 0.2 at 15.4
    assert first == "Petty 01  2026-03-02     +0.00     0.10  " + ":          o |            :"
    (second,) = [line for line in lines if line.startswith("Petty 02")]
    assert second == "Petty 02  2026-03-03     +0.20     0.10  " + ":          . | o          :"
    assert "-0.00" not in text


def test_the_text_stays_in_80_columns_and_counts_what_is_left_out() -> None:
    long = of([0.1, -0.1] * 30, name="Field knife for the canteen, number {}")
    lines = trend_text(long, units="in").splitlines()
    chart = [line for line in lines if line.startswith("Field kni")]
    assert len(chart) == 40
    assert max(len(line) for line in chart) <= 80
    assert "20 earlier knives are counted but not drawn." in lines


def test_a_name_is_shortened_in_its_middle() -> None:
    assert short("Petty 01", 13) == "Petty 01"
    assert short("Field knife for the canteen, no. 14", 13) == "Field …no. 14"


@pytest.mark.parametrize("units", ["mm", "in", "both"])
def test_all_words_stay_inside(units) -> None:
    from matplotlib.text import Text

    for result in (
        of(HABIT),
        of([-0.3]),
        of([0.1, -0.1] * 6 + [1.2], name="Field knife for the canteen, no. {}"),
        of(np.radians([-0.7, -0.8, -0.75, -0.9, -0.7, -0.6]), quantity="plunge.angle", std=0.001),
    ):
        figure = draw_trend(result, units=units)
        figure.canvas.draw()
        box, page = figure.get_tightbbox(), figure.get_size_inches()
        rounding = 1e-6
        assert min(box.x0, box.y0) > -rounding
        assert (box.max <= page + rounding).all()
        # 14 pt at 150 dpi are 9.7 px of a phone's 390
        assert min(text.get_fontsize() for text in figure.findobj(Text) if text.get_text()) / 72 * 50 > 9.5


def test_three_times_a_phones_width_and_readable_in_grey() -> None:
    picture = np.asarray(Image.open(BytesIO(trend_picture(of(HABIT)))).convert("L"))
    assert picture.shape[1] == 3 * 390
    assert picture.min() < 40
    assert picture.max() == 255
    coloured = np.asarray(Image.open(BytesIO(trend_picture(of(HABIT)))).convert("RGB")).astype(int)
    assert np.ptp(coloured, axis=2).max() == 0  # nothing is told by colour


def test_limits_and_mean_differ_by_their_style() -> None:
    axes = draw_trend(of(HABIT)).axes[0]
    across = [line for line in axes.lines if len(line.get_xdata()) == 2 and line.get_linewidth() > 1.4]
    assert sorted(line.get_linestyle() for line in across) == ["-", "--", "--"]
    assert "X" in {line.get_marker() for line in draw_trend(of([0.1, -0.1] * 6 + [1.2])).axes[0].lines}


def test_points_lie_where_they_should() -> None:
    axes = draw_trend(of(HABIT), units="in").axes
    (points,) = [line for line in axes[0].lines if line.get_marker() == "o"]
    assert points.get_ydata() == pytest.approx(np.array(HABIT[:-1]) / 25.4)  # the last one is a cross
    assert axes[1].lines[0].get_ydata() == pytest.approx(np.abs(np.diff(HABIT)) / 25.4)


@pytest.mark.parametrize(("kind", "start"), [("png", b"\x89PNG"), ("svg", b"<?xml")])
def test_the_same_trend_gives_the_same_bytes(kind, start: bytes) -> None:
    first = trend_picture(of(HABIT), kind=kind)
    assert first.startswith(start)
    assert first == trend_picture(of(HABIT), kind=kind)
