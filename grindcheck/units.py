"""Reading lengths and angles as a shop writes them, and printing them back.

Inside the program everything is millimetres and radians; only this module knows inches, thousandths and
degrees. The inch is exactly 25.4 mm (international yard and pound agreement, 1959; also ISO 31).
"""

import math
import re
from fractions import Fraction
from functools import cache
from typing import Any

from grindcheck.errors import InputError

_MIXED = re.compile(r"^\s*(?:(?P<whole>\d+)[\s-]+)?(?P<num>\d+)\s*/\s*(?P<den>\d+)\s*(?P<unit>[^\d]*)$")
_PLAIN = re.compile(r"^\s*(?P<number>[-+]?(?:\d+[.,]?\d*|[.,]\d+))\s*(?P<unit>.*?)\s*$")
_INCH_MARKS = {"": "", '"': "inch", "”": "inch", "″": "inch", "in.": "inch", "thou": "thou"}


@cache
def _registry() -> Any:
    from pint import UnitRegistry

    return UnitRegistry(cache_folder=None)


def length_mm(text: str, *, what: str = "length") -> float:
    """Read a length such as ``4.8mm``, ``3/16 in``, ``3/16"``, ``0.187in`` or ``20 thou``.

    Parameters
    ----------
    text : str
        A number or fraction with its unit. A bare fraction is inches, as the trade writes it; a bare
        decimal number has no unit and is refused, because 0.187 and 4.8 are both common.
    what : str
        The name that an error uses.

    Returns
    -------
    float
        Millimetres.

    Raises
    ------
    InputError
        If there is no number, no unit, or a unit that is no length.

    Examples
    --------
    >>> round(length_mm("3/16 in"), 9)
    4.7625
    >>> round(length_mm("1 1/4"), 9)
    31.75
    >>> length_mm("4,8 mm")
    4.8
    """
    fraction = _MIXED.match(text)
    if fraction:
        try:
            part = Fraction(int(fraction["num"]), int(fraction["den"]))
            number = float(int(fraction["whole"] or 0) + part)
        except (ArithmeticError, ValueError):  # nothing in the denominator, or hundreds of digits
            raise _unreadable(text, what) from None
        return _in_mm(number, fraction["unit"].strip() or "inch", text, what)
    plain = _PLAIN.match(text)
    if plain is None:
        raise _unreadable(text, what)
    if not plain["unit"]:
        raise InputError(
            f"The {what} {text!r} has no unit.",
            advice=f'Write it with one, as in {what} "4.8mm", "3/16in" or "0.187in".',
        )
    return _in_mm(float(plain["number"].replace(",", ".")), plain["unit"], text, what)


def angle_rad(text: str, *, what: str = "angle") -> float:
    """Read an angle such as ``1deg``, ``1°`` or ``0.02rad``; a bare number is degrees.

    Raises
    ------
    InputError
        If it is no angle.

    Examples
    --------
    >>> round(angle_rad("180"), 6)
    3.141593
    """
    plain = _PLAIN.match(text)
    if plain is None:
        raise _unreadable(text, what)
    unit = plain["unit"].replace("°", "degree") or "degree"
    return _convert(float(plain["number"].replace(",", ".")), unit, "radian", text, what)


def thou(value_mm: float) -> float:
    """Thousandths of an inch of a length in mm.

    Examples
    --------
    >>> round(thou(25.4), 9)
    1000.0
    """
    return value_mm / 25.4 * 1000.0


def degrees(value_rad: float) -> float:
    """Degrees of an angle in radians."""
    return math.degrees(value_rad)


def _in_mm(number: float, unit: str, text: str, what: str) -> float:
    return _convert(number, _INCH_MARKS.get(unit, unit), "millimeter", text, what)


def _convert(number: float, unit: str, target: str, text: str, what: str) -> float:
    import pint

    if not unit.isalpha():  # one plain name; pint would work out whole expressions
        raise _unreadable(text, what)
    registry = _registry()
    try:
        quantity = registry.Quantity(number, unit)
        value = float(quantity.to(target).magnitude)
    except (pint.errors.PintError, AttributeError, ValueError, TypeError, AssertionError) as problem:
        raise _unreadable(text, what) from problem
    if not math.isfinite(value):
        raise _unreadable(text, what)
    return value


def _unreadable(text: str, what: str) -> InputError:
    return InputError(
        f"The {what} {text!r} can't be read.",
        advice='Write a number and its unit, as in "4.8mm", "3/16in", "0.187in" or "20thou".',
    )
