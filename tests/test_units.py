"""Lengths and angles as a shop writes them.

The inch is exactly 25.4 mm: international yard and pound agreement of 1959. So 1/8 in = 3.175 mm by hand,
and so on.
"""

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grindcheck.errors import InputError
from grindcheck.units import angle_rad, degrees, length_mm, thou


@pytest.mark.parametrize(
    ("text", "expected_mm"),
    [
        ("4.8mm", 4.8),
        ("4,8 mm", 4.8),
        ("  4.8  mm  ", 4.8),
        ("0.48cm", 4.8),
        (".5mm", 0.5),
        ("5.mm", 5.0),
        ("+5mm", 5.0),
        ("-0.3mm", -0.3),
        ("300 µm", 0.3),
        ("300 um", 0.3),
        ("0.25 millimeters", 0.25),
        ("1in", 25.4),
        ('1"', 25.4),
        ("1 inch", 25.4),
        ("2 inches", 50.8),
        ("2 in.", 50.8),
        ("1”", 25.4),
        ("1″", 25.4),
        ("0.187in", 4.7498),  # 0.187 × 25.4
        ("1/8", 3.175),  # a bare fraction is inches
        ("1/8in", 3.175),
        ('1/8"', 3.175),
        ("3/16 in", 4.7625),
        ("3 / 16 in", 4.7625),
        ("1/4 inch", 6.35),
        ("5/32", 3.96875),
        ("1/64 in", 0.396875),
        ("1 1/4", 31.75),
        ("1-1/4 in", 31.75),
        ('10 7/8"', 276.225),  # 10.875 × 25.4
        ("20 thou", 0.508),  # 0.020 × 25.4
        ("1 thou", 0.0254),
        ("1/2 mm", 0.5),
    ],
)
def test_lengths(text: str, expected_mm: float) -> None:
    assert length_mm(text) == pytest.approx(expected_mm, rel=1e-12)


@given(
    whole=st.integers(0, 20),
    exponent=st.integers(1, 7),
    part=st.integers(1, 127),
    unit=st.sampled_from(["", " in", "in", '"', " inch"]),
)
def test_inch_fractions_are_exact(whole: int, exponent: int, part: int, unit: str) -> None:
    """Against rational arithmetic: (whole + part / 2^exponent) × 254 / 10."""
    text = f"{f'{whole} ' if whole else ''}{part}/{2**exponent}{unit}"
    exact = (whole + Fraction(part, 2**exponent)) * Fraction(254, 10)
    assert length_mm(text) == pytest.approx(float(exact), rel=1e-14)


@given(st.floats(0.001, 1000))
def test_millimetres_and_inches_agree(value: float) -> None:
    assert length_mm(f"{value:.9f}in") == pytest.approx(25.4 * length_mm(f"{value:.9f}mm"), rel=1e-12)
    assert thou(length_mm(f"{value:.9f}in")) == pytest.approx(1000 * float(f"{value:.9f}"), rel=1e-12)


@pytest.mark.parametrize("text", ["4.8", "3", "0.187", " 12 ", "4,8"])
def test_a_number_without_unit_is_refused(text: str) -> None:
    with pytest.raises(InputError, match=r"The thickness .* has no unit\. .*4\.8mm"):
        length_mm(text, what="thickness")


@pytest.mark.parametrize(
    "text",
    [
        "", " ", "mm", "thick", "1/0", "3//16", "1/2/3 in", "4.8 kg", "4.8 deg", "4.8 mm mm", "4.8 mm^2",
        "nan mm", "inf mm", "1e400 mm", "4.8.1 mm", "4.8 furlongs of", "4.8 __import__('os')", "4.8 mm; 3",
        f"{10**400}/2 in", f"1 1/{'9' * 5000}", f"{'9' * 5000}/3",
        "4.8 mm*0", "3/16 in in", "0x10 mm", "4.8 (", "--3mm", "4.8 if", "4.8 lambda", "4.8 )",
    ],
)  # fmt: skip
def test_unreadable_lengths(text: str) -> None:
    with pytest.raises(InputError, match="The bar") as caught:
        length_mm(text, what="bar")
    assert '"4.8mm"' in caught.value.advice


@given(
    st.text(max_size=12) | st.from_regex(r"[0-9]{1,3}[./ ]?[0-9]{0,3} ?[a-z\"^*()µ°-]{0,6}", fullmatch=True)
)
def test_any_text_gives_a_length_or_an_input_error(text: str) -> None:
    try:
        value = length_mm(text)
    except InputError:
        return
    assert math.isfinite(value)


@pytest.mark.parametrize(
    ("text", "expected_rad"),
    [
        ("180", math.pi),
        ("1deg", math.pi / 180),
        ("1°", math.pi / 180),
        ("1 degree", math.pi / 180),
        ("0,5 °", math.pi / 360),
        ("0.02rad", 0.02),
        ("-90", -math.pi / 2),
        ("30 arcmin", math.pi / 360),
    ],
)
def test_angles(text: str, expected_rad: float) -> None:
    assert angle_rad(text) == pytest.approx(expected_rad, rel=1e-12)


@pytest.mark.parametrize("text", ["", "steep", "3mm", "1 deg deg", "1/2"])
def test_unreadable_angles(text: str) -> None:
    with pytest.raises(InputError, match="The angle"):
        angle_rad(text)


def test_printing_back() -> None:
    assert thou(0.254) == pytest.approx(10.0, rel=1e-12)
    assert thou(-0.0254) == pytest.approx(-1.0, rel=1e-12)
    assert degrees(math.pi / 6) == pytest.approx(30.0, rel=1e-12)
