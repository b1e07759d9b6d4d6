"""What the samples gave at release, and what has moved since, by another computer or a change of the code."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from grindcheck import __version__
from grindcheck.errors import InputError
from grindcheck.keptfile import read_json
from grindcheck.selfcheck import Compared, SelfCheck
from grindcheck.selffaces import FaceChecked

FILE = "released.json"
# of the stated standard uncertainty: another decoder or library moves a figure by hundredths of it
_MOVED = 0.5
_WIDENED = 0.25  # of that uncertainty itself

Key = tuple[str, str, float | None]


def released_data(check: SelfCheck) -> dict[str, Any]:
    """Return all figures of the samples as plain data to be kept: lengths in mm, angles in radians."""
    return {
        "program": __version__,
        "figures": [
            {
                "pair": one.pair, "quantity": one.quantity, "station_mm": one.station_mm,
                "value": round(one.told, 6), "std": round(one.std, 6),
            }
            for one in check.figures
        ],
        "faces": [
            {"name": one.name, "found": list(one.found), "false": one.false, "decision": one.decision}
            for one in check.faces
        ],
    }  # fmt: skip


def read_released(folder: Path) -> dict[str, Any]:
    """Read what was kept at release.

    Raises
    ------
    InputError
        If it isn't there, or isn't what `released_data` makes.
    """
    try:
        found = read_json(folder / FILE)
        _figures(found), _faces(found)
    except (OSError, ValueError, KeyError, TypeError):
        raise InputError(
            f"The figures at release, {folder / FILE}, can't be read.",
            advice="Get the folder sample_images anew.",
        ) from None
    return dict(found)


def drifted(check: SelfCheck, released: dict[str, Any]) -> tuple[str, ...]:
    """Say what isn't as it was at release.

    Parameters
    ----------
    check : SelfCheck
        Of all samples or of some; the others aren't compared.
    released : dict
        As `read_released` has it.

    Returns
    -------
    tuple of str
        One sentence a figure or face. A figure has moved if it lies half its standard uncertainty off, or
        that uncertainty is a quarter larger or smaller; a face if another scratch is found or missed.
    """
    pairs = {one.pair for one in check.figures} | {name for name, _ in check.failed}
    before = {key: at for key, at in _figures(released).items() if key[0] in pairs}
    now = {(one.pair, one.quantity, one.station_mm): one for one in check.figures}
    said = [f"{_name(key)} was measured at release, and isn't now." for key in before if key not in now]
    for key, one in now.items():
        if key not in before:
            said.append(f"{_name(key)} wasn't measured at release, and is now.")
        elif _moved(one, *before[key]):
            value, std = before[key]
            said.append(
                f"{_name(key)} was {value:.4f} ± {std:.4f} {one.unit} at release, "
                f"and is {one.told:.4f} ± {one.std:.4f} {one.unit} now."
            )
    return (*said, *_changed_faces(check.faces, _faces(released)))


def _moved(one: Compared, value: float, std: float) -> bool:
    return abs(one.told - value) > _MOVED * std or abs(one.std - std) > _WIDENED * std


def _changed_faces(faces: Sequence[FaceChecked], before: dict[str, tuple[set[str], int, str]]) -> list[str]:
    said = []
    for face in faces:
        if face.name not in before:
            said.append(f"{face.name} wasn't searched at release.")
            continue
        found, false, decision = before[face.name]
        lost, gained = sorted(found - set(face.found)), sorted(set(face.found) - found)
        parts = [f"{name} isn't found any more" for name in lost] + [f"{name} is found" for name in gained]
        if face.false != false:
            parts.append(f"{face.false} false finds instead of {false}")
        if face.decision != decision:
            parts.append(f"{face.decision} instead of {decision}")
        if parts:
            said.append(f"{face.name} isn't as at release: {', '.join(parts)}.")
    return said


def _figures(released: dict[str, Any]) -> dict[Key, tuple[float, float]]:
    found: dict[Key, tuple[float, float]] = {}
    for one in released["figures"]:
        station = None if one["station_mm"] is None else float(one["station_mm"])
        found[str(one["pair"]), str(one["quantity"]), station] = float(one["value"]), float(one["std"])
    return found


def _faces(released: dict[str, Any]) -> dict[str, tuple[set[str], int, str]]:
    return {
        str(one["name"]): (set(map(str, one["found"])), int(one["false"]), str(one["decision"]))
        for one in released["faces"]
    }


def _name(key: Key) -> str:
    pair, quantity, station = key
    return f"{pair}: {quantity}" + ("" if station is None else f" at {station:g} mm")
