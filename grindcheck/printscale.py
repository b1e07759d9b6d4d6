"""The printed size of a user's mat, from calliper readings of its two bars, kept for later checks.

Readings live in ``print_scale.json`` in the user's data folder (``GRINDCHECK_HOME`` names another). Each
paper has a history; a new entry is added at its end and the last one counts, so no earlier reading is lost.
"""

import json
import math
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from grindcheck.errors import InputError, OutputError
from grindcheck.home import home_folder
from grindcheck.keptfile import read_history, replace_text
from grindcheck.mat.spec import CALLIPER_MARK_MM, mat_spec
from grindcheck.mat.strips import SHEET_BAR_MM, STRIP, strip_spec

CALLIPER_MPE_MM = 0.03  # largest permitted error of a calliper up to 300 mm, DIN 862
UNMEASURED_STD = 0.005 / math.sqrt(3)  # printers are 0.1 to 0.5 % off (from memory); ±0.5 % rectangular
FURTHEST = (
    0.08  # "fit to page" shrinks by 3 to 6 % (from memory); a reading further off is another bar or unit
)

_FILE = "print_scale.json"
_BARS = ("bar_x_mm", "bar_y_mm")
_LONGEST_MM = 10_000.0  # of any bar


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintScale:
    """How large a mat came out of the printer.

    Parameters
    ----------
    x, y : float
        True printed length / nominal length along each axis of the mat.
    std : float
        Relative standard uncertainty of each. Measured: the calliper's largest permitted error, rectangular,
        over the measured length. Unmeasured: `UNMEASURED_STD`. The larger of both axes.
    measured : bool
        Whether both bars were measured.
    """

    x: float
    y: float
    std: float
    measured: bool


def print_scale(paper: str, bar_x_mm: float | None = None, bar_y_mm: float | None = None) -> PrintScale:
    """Work out the print scale from the user's readings.

    Parameters
    ----------
    paper : str
        Name of the mat, or ``strip``.
    bar_x_mm, bar_y_mm : float or None
        Reading of the whole bar or of its 140 mm piece, whichever nominal length is nearer. An axis without a
        reading keeps scale 1, and the result the uncertainty of an unmeasured print: printers differ between
        the axes, so that one bar says nothing of the other. On a strip an axis without a reading takes the
        other's scale, since what shrinks a sheet by several per cent shrinks both and the bar along y stays
        behind on the sheet; its uncertainty is that of an unmeasured print all the same.

    Raises
    ------
    InputError
        If a reading fits neither the bar nor its 140 mm piece within 8 %.

    Examples
    --------
    >>> print_scale("a4", bar_x_mm=275.586).x
    0.9985
    """
    if paper == STRIP:
        x, x_std = _axis("x", bar_x_mm, (strip_spec().frame_mm[0],))
        y, y_std = _axis("y", bar_y_mm, (SHEET_BAR_MM,))
        x, y = (y if bar_x_mm is None else x), (x if bar_y_mm is None else y)
    else:
        width, height = mat_spec(paper).frame_mm
        x, x_std = _axis("x", bar_x_mm, (width, CALLIPER_MARK_MM))
        y, y_std = _axis("y", bar_y_mm, (height, CALLIPER_MARK_MM))
    return PrintScale(x=x, y=y, std=max(x_std, y_std), measured=None not in (bar_x_mm, bar_y_mm))


def save_print_scale(paper: str, bar_x_mm: float | None = None, bar_y_mm: float | None = None) -> PrintScale:
    """Keep readings for later checks and return the print scale that now holds.

    A bar that isn't given keeps its reading of before, because a second calliper reading of the same print
    completes the first.

    Raises
    ------
    InputError
        If a reading fits no bar, or none is given.
    OutputError
        If the readings can't be kept, or the file with the earlier ones can't be read.
    """
    if bar_x_mm is None and bar_y_mm is None:
        raise InputError(
            "No bar is given.", advice="Give one or both, as in --bar-x 275.6mm --bar-y 179.8mm."
        )
    print_scale(paper, bar_x_mm, bar_y_mm)
    paper = _name(paper)
    history = _read()
    entry = {
        "time": datetime.now(UTC).isoformat(timespec="seconds"),
        "bar_x_mm": bar_x_mm,
        "bar_y_mm": bar_y_mm,
    }
    history.setdefault(paper, []).append(entry)
    _write(history)
    return _latest(paper, history)


def load_print_scale(paper: str) -> PrintScale:
    """Return the print scale by the readings kept last, or that of an unmeasured print.

    Raises
    ------
    InputError
        If there is no such mat.
    OutputError
        If the file with the readings is there but can't be read.
    """
    return _latest(_name(paper), _read())


def readings_file() -> Path:
    """Return where the readings are kept."""
    return home_folder() / _FILE


def _name(paper: str) -> str:
    return STRIP if paper == STRIP else mat_spec(paper).paper


def _axis(axis: str, reading_mm: float | None, lengths_mm: tuple[float, ...]) -> tuple[float, float]:
    """Scale and its relative standard uncertainty along one axis; the whole bar is the first length."""
    if reading_mm is None:
        return 1.0, UNMEASURED_STD
    nominal_mm = min(lengths_mm, key=lambda length: abs(reading_mm - length))
    scale = reading_mm / nominal_mm
    if not abs(scale - 1) <= FURTHEST:
        piece = f", its first piece {CALLIPER_MARK_MM:g} mm" if len(lengths_mm) > 1 else ""
        raise InputError(
            f"The bar along {axis} reads {reading_mm:g} mm; by design it is {lengths_mm[0]:g} mm "
            f"long{piece}.",
            advice="Check the bar, the paper's name and the unit of the reading.",
        )
    return scale, CALLIPER_MPE_MM / math.sqrt(3) / reading_mm


def _latest(paper: str, history: dict[str, list[dict[str, Any]]]) -> PrintScale:
    last: dict[str, float | None] = {"bar_x_mm": None, "bar_y_mm": None}
    for entry in history.get(paper, []):
        for bar in last:
            if entry.get(bar) is not None:
                last[bar] = float(entry[bar])
    return print_scale(paper, last["bar_x_mm"], last["bar_y_mm"])


def _read() -> dict[str, list[dict[str, Any]]]:
    path = readings_file()
    try:
        return read_history(path, _sound)
    except ValueError as problem:
        raise OutputError(
            f"The kept readings in {path} can't be read ({problem}).",
            advice="Mend or rename that file, then measure the bars again.",
        ) from problem


def _sound(entry: dict[str, Any]) -> bool:
    readings = [entry[bar] for bar in _BARS if entry.get(bar) is not None]
    return all(
        isinstance(one, float | int) and not isinstance(one, bool) and 0 < one < _LONGEST_MM
        for one in readings
    )


def _write(history: dict[str, list[dict[str, Any]]]) -> None:
    path = readings_file()
    try:
        replace_text(path, json.dumps(history, indent=1) + "\n")
    except OSError as problem:
        raise OutputError(
            f"The readings can't be kept in {path} ({problem}).",
            advice="Let GRINDCHECK_HOME name a folder that you may write to.",
        ) from problem
