"""Tables that a user writes as CSV, read row by row: comma or semicolon, units in cells or headings."""

import csv
from collections.abc import Mapping
from pathlib import Path

from grindcheck.errors import InputError

_MOST_ROWS = 10_000
_LARGEST = 5_000_000  # bytes


def csv_rows(path: Path) -> list[dict[str, str]]:
    """Read a table.

    Parameters
    ----------
    path : Path
        CSV in UTF-8 with a heading, comma or semicolon.

    Returns
    -------
    list of dict
        The rows below the heading. Cells by the columns' names in small letters; each has the unit that its
        heading may have: ``4.1`` below ``thickness (mm)`` is ``4.1 mm`` of ``thickness``.

    Raises
    ------
    InputError
        If there is no such file, it is too large, or it is no such table.
    """
    try:
        if path.stat().st_size > _LARGEST:
            raise InputError(f"{path.name} is too large for a table.", advice="Give a smaller CSV.")
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError(f"There is no file {path}.", advice="Check the name and the folder.") from None
    except OSError as problem:
        raise InputError(
            f"{path} can't be read: {problem.strerror}.",
            advice="Check that it is a file and you may read it.",
        ) from None
    except UnicodeDecodeError:
        raise InputError(
            f"{path.name} isn't text in UTF-8.", advice="Save the table as CSV UTF-8 in the spreadsheet."
        ) from None
    heading = text.split("\n", 1)[0]
    try:
        lines = list(csv.DictReader(text.splitlines(), delimiter=";" if ";" in heading else ",", strict=True))
    except csv.Error as problem:
        raise InputError(
            f"{path.name} can't be read as a table: {problem}.", advice="Save it as CSV again."
        ) from None
    if len(lines) > _MOST_ROWS:
        raise InputError(f"{path.name} has {len(lines)} rows.", advice=f"Give {_MOST_ROWS} at most.")
    return [_named(line) for line in lines]


def _named(line: Mapping[str, str]) -> dict[str, str]:
    """Return a row by plain column names, each length with the unit that its heading may have."""
    out: dict[str, str] = {}
    for heading, cell in line.items():
        if not isinstance(heading, str) or not isinstance(cell, str):
            continue  # more cells than headings, or fewer
        name, _, unit = heading.strip().lower().partition(" (")
        value = cell.strip()
        out[name.strip()] = f"{value} {unit.rstrip(')')}".strip() if value else ""
    return out
