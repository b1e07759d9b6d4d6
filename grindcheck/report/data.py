"""The result as data that describes itself, for other programs and for the record."""

import json
import secrets
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from grindcheck import __version__
from grindcheck.advice import advise
from grindcheck.errors import OutputError
from grindcheck.report.budget_data import budget_data
from grindcheck.settings import COVERAGE_FACTOR
from grindcheck.units import degrees

if TYPE_CHECKING:
    from grindcheck.results import Comparison, FaceFigures, Figure
    from grindcheck.verdict import Verdict

FORMAT = 1
_DECIMALS = 6  # a nanometre; what lies below is rounding that differs between machines


def report_data(comparison: "Comparison", verdict: "Verdict") -> dict[str, Any]:
    """Return the result as plain data.

    Parameters
    ----------
    comparison : Comparison
    verdict : Verdict

    Returns
    -------
    dict
        The fields are described in the README. Lengths are in mm, angles in degrees; `std` and `components`
        are one sigma, `expanded` is U.
    """
    tolerances = verdict.tolerances
    judged = {(one.figure.quantity, one.figure.station_mm): one for one in verdict.judged}
    differences = []
    for figure in comparison.differences:
        data = {"quantity": figure.quantity, **_figure(figure)}
        one = judged.get((figure.quantity, figure.station_mm))
        data["expanded"] = _scaled(COVERAGE_FACTOR * figure.std, figure.unit)
        data["tolerance"] = None if one is None else _scaled(one.tolerance, figure.unit)
        data["decision"] = None if one is None else one.decision
        differences.append(data)
    return {
        "format": FORMAT,
        "program": {"name": "grindcheck", "version": __version__},
        "verdict": verdict.decision,
        "reasons": list(verdict.reasons),
        "notes": list(verdict.notes),
        "advice": list(advise(comparison, verdict, units="mm")),
        "tolerances": {
            "plunge": _quantity(tolerances.plunge_mm),
            "plunge.angle": _quantity(tolerances.angle_rad, "rad"),
            "bevel_height": _quantity(tolerances.height_mm),
        },
        "coverage_factor": COVERAGE_FACTOR,
        "faces": {"left": _face(comparison.left), "right": _face(comparison.right)},
        "differences": differences,
        "budget": budget_data(differences),
        "flags": list(comparison.flags),
        "blade": {
            "thickness": _quantity(comparison.thickness_mm),
            "flat_height": _quantity(comparison.height_mm),
            "edge_thickness": _quantity(comparison.edge_mm),
        },
        "print_scale": {
            name: value if isinstance(value, bool) else round(float(value), 8)
            for name, value in comparison.print_scale.items()
        },
        "outline_rms": _quantity(comparison.outline_rms_mm),
    }


def json_text(data: dict[str, Any]) -> str:
    """Return data as JSON text; the same data gives the same text. NaN and infinity are refused."""
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def write_whole(path: Path, write: Callable[[Path], object]) -> None:
    """Write a file whole or not at all: beside it first, then moved over it.

    Parameters
    ----------
    path : Path
    write : callable
        Gets the path to write to; it has the same suffix.

    Raises
    ------
    OutputError
        If the file can't be written; one that existed is left as it was.
    """
    try:
        beside = path.with_name(f".{path.stem}-{secrets.token_hex(4)}{path.suffix}")
        try:
            write(beside)
            beside.replace(path)
        finally:
            beside.unlink(missing_ok=True)
    except (OSError, ValueError) as problem:  # ValueError: a path without a file name, or with a zero byte
        reason = getattr(problem, "strerror", None) or problem
        raise OutputError(
            f"{path} can't be written ({reason}).",
            advice="Name a file in a folder that exists and that you may write to.",
        ) from problem


def write_json(comparison: "Comparison", verdict: "Verdict", path: Path) -> None:
    """Write the result as JSON.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    write_data(report_data(comparison, verdict), path)


def write_data(data: dict[str, Any], path: Path) -> None:
    """Write data as a JSON file, whole or not at all; an `OutputError` if that can't be done."""
    text = json_text(data)
    write_whole(path, lambda beside: beside.write_text(text, encoding="utf-8", newline="\n"))


def _face(face: "FaceFigures") -> dict[str, Any]:
    names = ("shoulder", "mid", "edge", "angle", "transition")
    return {
        "photo": {"name": face.photo_name, "sha256": face.photo_sha256},
        "grind": face.grind or None,
        "full_flat": face.full_flat,
        "flags": list(face.flags),
        "plunge": {name: _figure(face.plunge[name]) for name in names if name in face.plunge} or None,
        "bevel_height": [_figure(figure) for figure in face.bevel_height],
        "bevel_angle": [_figure(figure) for figure in face.bevel_angle],
        "waviness": None if face.waviness is None else _figure(face.waviness),
        "confidence": {name: round(value, _DECIMALS) for name, value in sorted(face.confidence.items())},
        "by_hand": list(face.by_hand),
        "paper": face.paper,
        "camera": {name: round(float(value), _DECIMALS) for name, value in sorted(face.camera.items())},
    }


def _figure(figure: "Figure") -> dict[str, Any]:
    data: dict[str, Any] = {}
    if figure.station_mm is not None:
        data["station"] = round(figure.station_mm, _DECIMALS)
    if figure.label:
        data["label"] = figure.label
    data["value"] = _scaled(figure.value, figure.unit)
    data["std"] = _scaled(figure.std, figure.unit)
    data["unit"] = "deg" if figure.unit == "rad" else figure.unit
    data["components"] = {
        name: _scaled(value, figure.unit) for name, value in sorted(figure.components.items())
    }
    return data


def _quantity(value: float, unit: str = "mm") -> dict[str, Any]:
    return {"value": _scaled(value, unit), "unit": "deg" if unit == "rad" else unit}


def _scaled(value: float, unit: str) -> float:
    return round(degrees(value) if unit == "rad" else float(value), _DECIMALS) + 0.0
