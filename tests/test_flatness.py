"""Micrometer readings: spread, mean, taper, against worked examples, scipy and NIST's certified line."""

import re
from math import sqrt
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from grindcheck.errors import InputError
from grindcheck.flatness import EVEN_MM, READING_STD_MM, Reading, flatness

NORRIS = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_linregress" / "Norris.dat"


def readings(values, places=None) -> list[Reading]:
    if places is None:
        return [Reading(value_mm=float(v)) for v in values]
    return [Reading(value_mm=float(v), at_mm=float(x)) for v, x in zip(values, places, strict=True)]


def test_worked_by_hand() -> None:
    found = flatness(readings([4.00, 4.03, 4.02], [0, 50, 100]), reading_std_mm=0.0)
    assert found.mean_mm == pytest.approx(4.05 - 0.1 / 3)  # 12.05 / 3
    assert found.spread_mm == pytest.approx(0.03)
    # x − x̄ = −50, 0, 50: slope (−50 · 4.00 + 50 · 4.02) / 5000 = 0.0002
    # residuals −1/150, 2/150, −1/150, so their squares add up to 6/150², over one degree of freedom
    assert found.taper.slope == pytest.approx(0.0002)
    assert found.taper.rms_mm == pytest.approx(sqrt(6) / 150)
    assert found.taper.slope_std == pytest.approx(sqrt(6) / 150 / sqrt(5000))


def test_the_line_is_scipys() -> None:
    random = np.random.default_rng(3)
    x = random.uniform(0, 150, 9)
    y = 4 - 0.0003 * x + random.normal(0, 0.01, 9)
    found = flatness(readings(y, x), reading_std_mm=0.0).taper
    told = scipy.stats.linregress(x, y)
    assert found.slope == pytest.approx(told.slope, rel=1e-9)
    assert found.at_tip_mm == pytest.approx(told.intercept, rel=1e-9)
    assert found.slope_std == pytest.approx(told.stderr, rel=1e-9)


@pytest.mark.skipif(not NORRIS.exists(), reason="scipy is installed without its tests' data")
def test_the_line_of_nists_norris_data() -> None:
    # NIST StRD Norris, certified values; y by 100, so that it is a thickness
    text = NORRIS.read_text(encoding="ascii")
    data = np.loadtxt(text.splitlines()[60:])
    offset = re.findall(r"B0 +(-?\d\S+) ", text)[0]
    slope, slope_std = re.findall(r"B1 +(\d\S+) +(\S+)", text)[0]
    (rms,) = re.findall(r"Standard Deviation   (\S+)", text)
    found = flatness(readings(data[:, 0] / 100, data[:, 1]), reading_std_mm=0.0).taper
    assert found.slope == pytest.approx(float(slope) / 100, rel=1e-11)
    assert found.at_tip_mm == pytest.approx(float(offset) / 100, rel=1e-9)
    assert found.rms_mm == pytest.approx(float(rms) / 100, rel=1e-11)
    assert found.slope_std == pytest.approx(float(slope_std) / 100, rel=1e-11)


def test_the_slopes_uncertainty_against_repeated_readings() -> None:
    # 4000 blades read at four places: the scatter of the slopes is u/√Sxx, sure to 1/√8000 = 1.1 %;
    # tolerance 4 of these
    random = np.random.default_rng(4)
    x = np.array([10.0, 45.0, 80.0, 115.0])
    slopes = [
        flatness(readings(3 + 0.0005 * x + random.normal(0, READING_STD_MM, 4), x)).taper.slope
        for _ in range(4000)
    ]
    closed = READING_STD_MM / sqrt(((x - x.mean()) ** 2).sum())
    assert np.std(slopes) == pytest.approx(closed, rel=0.045)
    assert np.mean(slopes) == pytest.approx(0.0005, abs=4 * closed / sqrt(4000))


def test_readings_on_a_line_are_no_surer_than_the_micrometer() -> None:
    found = flatness(readings([4.0, 4.0, 4.0], [0, 50, 100])).taper
    assert found.rms_mm == pytest.approx(0, abs=1e-12)
    assert found.slope_std == pytest.approx(READING_STD_MM / sqrt(5000))


@pytest.mark.parametrize(
    ("spread_mm", "decision"),
    # U of the spread is 2 · √2 · 0.004/√3 = 0.00653 mm; the limit 0.0254 mm, a thousandth of an inch
    [(0.0, "even"), (0.018, "even"), (0.020, "cannot tell"), (0.031, "cannot tell"), (0.033, "uneven")],
)
def test_decisions(spread_mm: float, decision: str) -> None:
    found = flatness(readings([4.0, 4.0 + spread_mm, 4.0 + spread_mm / 2]))
    assert found.decision == decision
    assert found.taper is None


def test_a_thousandth_of_an_inch() -> None:
    assert EVEN_MM == 25.4 / 1000


@given(
    st.lists(st.floats(0.5, 12), min_size=3, max_size=8),
    st.floats(-0.4, 0.4),
)
def test_a_zero_error_moves_the_mean_alone(values: list[float], zero: float) -> None:
    places = [20.0 * i for i in range(len(values))]
    true, off = (flatness(readings(np.array(values) + add, places)) for add in (0.0, zero))
    assert off.mean_mm == pytest.approx(true.mean_mm + zero)
    assert off.spread_mm == pytest.approx(true.spread_mm, abs=1e-9)
    assert off.taper.slope == pytest.approx(true.taper.slope, abs=1e-9)


def test_unusable_readings_are_told() -> None:
    for given_, words in (
        (readings([4.0, 4.0]), "2 micrometer readings are too few"),
        (readings([4.0]), "1 micrometer reading is too few"),
        (readings([4.0, 4.0, 40.0]), "40 mm is none of a blade"),
        (readings([4.0, 4.0, float("nan")]), "none of a blade"),
        (readings([4.0, 4.0, 4.0], [10, 10, 10]), "at one place"),
        (readings([4.0, 4.0, 4.0], [10, 20, float("inf")]), "none on a blade"),
    ):
        with pytest.raises(InputError, match=words):
            flatness(given_)


def test_slips_of_the_programmer() -> None:
    with pytest.raises(ValueError, match="reading_std_mm"):
        flatness(readings([4, 4, 4]), reading_std_mm=-1)
    with pytest.raises(ValueError, match="even_mm"):
        flatness(readings([4, 4, 4]), even_mm=0)
