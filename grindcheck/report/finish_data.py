"""The finish as data that describes itself, for other programs and for the record."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from grindcheck import __version__
from grindcheck.finish.acceptance import is_sure, length_std
from grindcheck.finish.grits import next_grit
from grindcheck.report.data import write_data
from grindcheck.settings import COVERAGE_FACTOR
from grindcheck.units import degrees

if TYPE_CHECKING:
    from grindcheck.finish.acceptance import FinishVerdict
    from grindcheck.finish.results import (
        Earlier,
        Excluded,
        Finish,
        FinishFace,
        Gone,
        Group,
        RegionFinish,
        Scratch,
    )
    from grindcheck.geometry import Array

FORMAT = 1
_DECIMALS = 6


def finish_data(finish: "Finish", verdict: "FinishVerdict") -> dict[str, Any]:
    """Return the result as plain data.

    Parameters
    ----------
    finish : Finish
    verdict : FinishVerdict

    Returns
    -------
    dict
        The fields are described in the README. Lengths are in mm, angles in degrees, `..._px` in pixels of
        the searched picture, `..._std` are one sigma.
    """
    return {
        "format": FORMAT,
        "kind": "finish",
        "program": {"name": "grindcheck", "version": __version__},
        "verdict": verdict.decision,
        "reasons": list(verdict.reasons),
        "notes": list(verdict.notes),
        "limits": [
            {
                "side": one.side or None,
                "limit": str(one.limit),
                "decision": one.decision,
                "reason": one.reason or None,
                "scratches": list(one.numbers),
            }
            for one in verdict.judged
        ],
        "coverage_factor": COVERAGE_FACTOR,
        "faces": [_face(face) for face in finish.faces],
        "flags": list(finish.flags),
    }


def write_finish_json(finish: "Finish", verdict: "FinishVerdict", path: Path) -> None:
    """Write the result as JSON.

    Raises
    ------
    OutputError
        If the file can't be written.
    """
    write_data(finish_data(finish, verdict), path)


def _face(face: "FinishFace") -> dict[str, Any]:
    return {
        "side": face.side or None,
        "frame": face.frame,
        "photos": [{"name": photo["name"], "sha256": photo["sha256"]} for photo in face.photos],
        "mm_per_px": _number(face.mm_per_px),
        "false_finds": _number(face.false_finds),
        "flags": list(face.flags),
        "next_grit": list(next_grit(face)),
        "regions": [_region(region) for region in face.regions],
        "excluded": [_excluded(one) for one in face.excluded],
        "scratches": [_scratch(one) for one in face.scratches],
        "groups": [_group(one) for one in face.groups],
        "earlier": None if face.earlier is None else _earlier(face.earlier),
    }


def _region(one: "RegionFinish") -> dict[str, Any]:
    return {
        "region": one.name,
        "area_mm2": _number(one.area_mm2),
        "area_px": int(one.area_px),
        "lay": {
            "symbol": one.lay.symbol,
            "direction_deg": _angle(one.lay.direction_rad),
            "direction_std_deg": _angle(one.lay.direction_std),
            "spread_deg": _angle(one.lay.spread_rad),
            "strength": _number(one.lay.strength),
        },
        "scratch_length_mm": _number(one.scratch_length_mm),
        "per_cm2_mm": _number(one.per_cm2_mm),
        "share": _number(one.share),
        "findable": {
            "length_px": _number(one.findable_px),
            "length_mm": _number(one.findable_mm),
            "contrast": _number(one.findable_contrast),
            "along_lay_contrast": _number(one.along_contrast),
        },
    }


def _excluded(one: "Excluded") -> dict[str, Any]:
    return {"name": one.name, "area_mm2": _number(one.area_mm2), "polygon_px": _points(one.polygon_px)}


def _scratch(one: "Scratch") -> dict[str, Any]:
    return {
        "number": one.number,
        "region": one.region,
        "ends_mm": _points(one.ends_mm),
        "ends_std_mm": _number(one.ends_std_mm),
        "path_mm": _points(one.path_mm),
        "path_px": _points(one.path_px),
        "length_mm": _number(one.length_mm),
        "length_std_mm": None if one.ends_std_mm is None else _number(length_std(one)),
        "length_px": _number(one.length_px),
        "width_mm": _number(one.width_mm),
        "width_px": _number(one.width_px),
        "contrast": _number(one.contrast),
        "tone": one.tone,
        "angle_deg": _angle(one.angle_rad),
        "lay_angle_deg": _angle(one.lay_angle_rad),
        "along_lay": bool(one.along_lay),
        "log_nfa": _number(one.log_nfa),
        "certainty": _number(one.certainty),
        "sure": is_sure(one),
        "group": one.group,
        "change": one.change,
        "change_certainty": _number(one.change_certainty),
        "grit": one.grit,
    }


def _group(one: "Group") -> dict[str, Any]:
    return {
        "origin": one.origin,
        "scratches": list(one.numbers),
        "angle_deg": _angle(one.angle_rad),
        "spread_deg": _angle(one.spread_rad),
        "reading": one.reading,
        "advice": one.advice,
    }


def _earlier(one: "Earlier") -> dict[str, Any]:
    return {
        "photo": {"name": one.photo_name, "sha256": one.photo_sha256},
        "outline_rms_mm": _number(one.outline_rms_mm),
        "coverage": [
            {"region": name, "per_cm2_mm": _number(one.per_cm2_mm.get(name)), "share": _number(share)}
            for name, share in sorted(one.share.items())
        ],
        "gone": [_gone(scratch) for scratch in one.gone],
    }


def _gone(one: "Gone") -> dict[str, Any]:
    return {
        "change": one.change,
        "change_certainty": _number(one.certainty),
        "region": one.region,
        "length_mm": _number(one.length_mm),
        "path_mm": _points(one.path_mm),
        "path_px": _points(one.path_px),
    }


def _number(value: float | None) -> float | None:
    return None if value is None else round(float(value), _DECIMALS) + 0.0


def _angle(value_rad: float | None) -> float | None:
    return None if value_rad is None else _number(degrees(value_rad))


def _points(points: "Array | None") -> list[list[float]] | None:
    return None if points is None else [[round(float(v), 4) + 0.0 for v in point] for point in points]
