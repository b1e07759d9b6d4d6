"""What a user writes as options, read and checked: each slip gets its own words before a photo is opened."""

import math
import re
from pathlib import Path
from typing import TYPE_CHECKING

from grindcheck import settings
from grindcheck.errors import InputError
from grindcheck.finish.acceptance import NO_SCRATCH, Limit, read_limits
from grindcheck.units import angle_rad, length_mm
from grindcheck.verdict import Tolerances

if TYPE_CHECKING:
    from grindcheck.finish.request import Mask
    from grindcheck.silhouette import Side

_LARGEST_FILE = 65536  # bytes; a file of limits has a few lines


def read_thickness(text: str | None) -> float:
    """Read the stock thickness and refuse what no stock has.

    Returns
    -------
    float
        Millimetres.

    Raises
    ------
    InputError
        If it is missing, not positive, or outside what knife stock has; a likely slip of the unit is named.
    """
    if text is None:
        raise InputError(
            "The stock thickness is missing.",
            advice="Measure the blade at the ricasso with a calliper and give it, as in --thickness 4mm.",
        )
    value = length_mm(text, what="thickness")
    low, high = settings.THINNEST_STOCK_MM, settings.THICKEST_STOCK_MM
    if low <= value <= high:
        return value
    number = re.sub(r"\s*[^\d\s/.,].*$", "", text.strip())
    if low <= value * 25.4 <= high:
        advice = f"{number} in is {value * 25.4:.2f} mm: if inches are meant, write {number}in."
    elif low <= value / 25.4 <= high:
        advice = f"If millimetres are meant, write {number}mm."
    else:
        advice = "Measure the blade at the ricasso with a calliper and give the unit."
    raise InputError(
        f"The thickness {text!r} is {value:.2f} mm; knife stock has {low:g} to {high:g} mm.",
        advice=advice,
    )


def read_bar(text: str | None, axis: str) -> float | None:
    """Read a calliper reading of a bar, in mm; None if there is none."""
    if text is None:
        return None
    return _length(text, f"bar along {axis}", 0.0, 1000.0, "Measure the bar with a calliper, as in 275.6mm.")


def read_height(text: str | None, thickness_mm: float) -> float | None:
    """Read the flat's height over the paper, in mm; None if there is none."""
    if text is None:
        return None
    hint = "Give the stock plus one handle scale, as the blade lies on the mat."
    value = _length(text, "flat's height", 0.0, settings.TALLEST_FLAT_MM, hint)
    if value < thickness_mm:
        raise InputError(
            f"The flat's height {value:.2f} mm is less than the thickness {thickness_mm:.2f} mm.", advice=hint
        )
    return value


def read_edge(text: str, thickness_mm: float) -> float:
    """Read the edge thickness before sharpening, in mm."""
    hint = "Measure the edge before sharpening with a calliper, as in --edge-thickness 0.5mm."
    value = _length(text, "edge thickness", 0.0, settings.THICKEST_EDGE_MM, hint)
    if value >= thickness_mm:
        raise InputError(
            f"The edge thickness {value:.2f} mm isn't less than the stock's {thickness_mm:.2f} mm.",
            advice=hint,
        )
    return value


def read_tolerances(length: str, angle: str) -> Tolerances:
    """Read the tolerances: one length for plunge and bevel height, and the angle."""
    length_hint = "Give a length such as --tolerance 0.25mm."
    tolerance_mm = _length(length, "tolerance", 0.0, settings.WIDEST_TOLERANCE_MM, length_hint)
    turn = angle_rad(angle, what="angle tolerance")
    if not 0 < turn < math.pi / 4:
        raise InputError(
            f"The angle tolerance {angle!r} is {math.degrees(turn):.2f}°; it must be between 0° and 45°.",
            advice="Give an angle such as --angle-tolerance 1deg.",
        )
    return Tolerances(plunge_mm=tolerance_mm, height_mm=tolerance_mm, angle_rad=turn)


def read_faces(text: str | None) -> "tuple[Side, Side] | None":
    """Read which face each photo shows; None if the user doesn't say.

    Raises
    ------
    InputError
        If it isn't left and right, each once.

    Examples
    --------
    >>> read_faces("Right, left")
    ('right', 'left')
    """
    if text is None:
        return None
    sides = _sides(text)
    if sides is not None and len(sides) == 2 and sides[0] != sides[1]:
        return sides
    raise InputError(
        f"The faces {text!r} can't be read.",
        advice="Say what the photos show in their order: --faces left,right or --faces right,left.",
    )


def read_line(name: str, text: str) -> tuple[float, ...]:
    """Read a line given by hand, x1,y1,x2,y2 and on.

    Raises
    ------
    InputError
        If these aren't pairs of numbers, two points at least.
    """
    numbers = _coordinates(text, points=2)
    if not numbers:
        raise InputError(
            f"The line --{name} {text!r} can't be read.",
            advice="Give two or more points in pixels of the upright photo, as in 1203,1410,1188,1745.",
        )
    return numbers


def read_sides(text: str | None, count: int) -> "tuple[Side, ...] | None":
    """Read which face each of several photos shows; None if the user doesn't say.

    Raises
    ------
    InputError
        If there isn't left or right for each photo.

    Examples
    --------
    >>> read_sides("left, left,Right", 3)
    ('left', 'left', 'right')
    """
    if text is None:
        return None
    sides = _sides(text)
    if sides is None or len(sides) != count:
        raise InputError(
            f"The faces {text!r} can't be read for {count} photo{'s' if count > 1 else ''}.",
            advice="Say for each photo, in their order, left or right, as in --faces left,left,right.",
        )
    return sides


def read_mask(text: str, count: int) -> "Mask":
    """Read a polygon that isn't to be searched: ``x1,y1,x2,y2,x3,y3...``, with ``2:`` before it for photo 2.

    Raises
    ------
    InputError
        If these aren't three points at least, or there is no such photo.
    """
    from grindcheck.finish.request import Mask
    from grindcheck.geometry import frozen

    found = re.match(r"^\s*(\d+)\s*:(.*)$", text, re.DOTALL)
    number, points = (int(found[1]), found[2]) if found else (1, text)
    numbers = _coordinates(points, points=3)
    if not numbers:
        raise InputError(
            f"The mask {text!r} can't be read.",
            advice="Give three or more points in pixels of the upright photo, as in --mask "
            "820,640,990,640,990,720; write 2: before them for the second photo.",
        )
    if not 1 <= number <= count:
        raise InputError(
            f"The mask {text!r} is for photo {number}, but {count} came.",
            advice="Count the photos from 1 in the order in which they are named.",
        )
    pairs = [numbers[i : i + 2] for i in range(0, len(numbers), 2)]
    return Mask(photo=number - 1, polygon_px=frozen(pairs))


def read_false_finds(value: float) -> float:
    """Check the expected number of false finds on a face.

    Raises
    ------
    InputError
        If it isn't above 0 and at most `settings.MOST_FALSE_FINDS`.
    """
    if not 0 < value <= settings.MOST_FALSE_FINDS:
        raise InputError(
            f"The number of false finds {value:g} must be above 0 and at most {settings.MOST_FALSE_FINDS:g}.",
            advice="1 lets texture pass once per face in the mean; 0.01 keeps only what is nearly certain.",
        )
    return value


def read_accept(text: str | None) -> tuple[Limit, ...]:
    """Read acceptance limits from the option's own words, or from the file that it names.

    Raises
    ------
    InputError
        If they can't be read.
    """
    if text is None:
        return NO_SCRATCH
    path = Path(text.strip())
    if not _is_file(path):
        if path.suffix.lower() == ".txt":
            raise InputError(
                f"The acceptance limits' file {path} isn't there.",
                advice='Name a text file with one limit per line, or write the limits, as in "longest 3 mm".',
            )
        return read_limits(text)
    try:
        with path.open("rb") as file:
            data = file.read(_LARGEST_FILE + 1)
        if len(data) > _LARGEST_FILE:
            raise ValueError(f"more than {_LARGEST_FILE} bytes")
        return read_limits(data.decode("utf-8-sig"))
    except (OSError, ValueError) as problem:
        raise InputError(
            f"{path} can't be read as acceptance limits ({problem}).",
            advice="Give a text file in UTF-8 with one limit per line, such as longest 3 mm.",
        ) from problem


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):  # too long for a name, or a zero byte in it
        return False


def _coordinates(text: str, *, points: int) -> tuple[float, ...]:
    """Read x and y of so many points or more; empty if they can't be read."""
    try:
        numbers = tuple(float(part) for part in re.split(r"[,;\s]+", text.strip()))
    except ValueError:
        return ()
    right = len(numbers) >= 2 * points and len(numbers) % 2 == 0 and all(map(math.isfinite, numbers))
    return numbers if right else ()


def _sides(text: str) -> "tuple[Side, ...] | None":
    """Read sides parted by commas; None if one is neither left nor right."""
    names: dict[str, Side] = {"left": "left", "right": "right"}
    sides = [names.get(part.strip().lower()) for part in text.split(",")]
    told = tuple(side for side in sides if side is not None)
    return told if len(told) == len(sides) else None


def _length(text: str, what: str, low_mm: float, high_mm: float, hint: str) -> float:
    """Read a length that must lie above `low_mm` and up to `high_mm`."""
    value = length_mm(text, what=what)
    if not low_mm < value <= high_mm:
        limits = "greater than 0" if low_mm == 0 and value <= 0 else f"{low_mm:g} to {high_mm:g} mm"
        raise InputError(f"The {what} {text!r} is {value:.2f} mm; it must be {limits}.", advice=hint)
    return value
