"""A check's options as a user writes them, brought into the record's terms (`grindcheck.record.asked`)."""

from collections.abc import Mapping
from typing import Any

from grindcheck import options
from grindcheck.units import angle_rad, degrees, length_mm

_LENGTHS = {"edge_mm": "edge thickness", "tolerance_mm": "tolerance", "height_mm": "flat's height"}


def read_asked(given: Mapping[str, Any]) -> dict[str, Any]:
    """Read options; those that are None or empty are left out.

    Parameters
    ----------
    given : mapping
        Texts under the record's names; ``hand_lines`` by line, ``masks`` a list of texts.

    Raises
    ------
    InputError
        If one can't be read. Whether they can be carried out is asked when the check is added.

    Examples
    --------
    >>> read_asked({"thickness_mm": "4mm", "faces": "left,right", "masks": None})
    {'thickness_mm': 4.0, 'faces': ['left', 'right']}
    """
    asked: dict[str, Any] = {}
    for name, value in given.items():
        if value is None or value == {} or value == []:
            continue
        if name == "thickness_mm":
            asked[name] = options.read_thickness(value)
        elif name in _LENGTHS:
            asked[name] = length_mm(value, what=_LENGTHS[name])
        elif name == "angle_tolerance_deg":
            asked[name] = degrees(angle_rad(value, what="angle tolerance"))
        elif name in ("bar_x_mm", "bar_y_mm"):
            asked[name] = options.read_bar(value, name[4])
        elif name == "faces":
            asked[name] = [side.strip().lower() for side in value.split(",")]
        elif name == "hand_lines":
            asked[name] = {line: list(options.read_line(line, text)) for line, text in value.items()}
        elif name == "accept":
            asked[name] = ", ".join(map(str, options.read_accept(value)))
        else:
            asked[name] = value
    return asked
