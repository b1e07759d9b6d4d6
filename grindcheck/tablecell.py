"""Cells of tables that a spreadsheet opens."""

from typing import Any

_STARTS_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def cell(value: Any) -> str | int | float:
    """Write a cell; a text that a spreadsheet would take for a formula gets an apostrophe before it.

    Examples
    --------
    >>> cell("=1+1"), cell("petty"), cell(0.5), cell(None)
    ("'=1+1", 'petty', 0.5, '')
    """
    if value is None:
        return ""
    if isinstance(value, int | float):
        return value
    text = str(value)
    return f"'{text}" if text.startswith(_STARTS_FORMULA) else text
