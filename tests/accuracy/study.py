"""How right the figures are: photos of known truth, quantity by quantity, stratum by stratum.

    python tests/accuracy/study.py FOLDER [--csv FILE] [--jobs 2] [--json FILE]

FOLDER holds ``NAME.json`` (truth, as `sample_images/render.py` writes it) beside the two photos it names. For
each pair the check is run as a user would: thickness as marked on the stock, bar readings only where the
truth says that they are known. Printed: error median, 95 %, largest; share of true values inside the stated
95 % interval, in all and per stratum; stated U; wrong verdicts; refusals.

With ``--together`` all pairs of one knife are given to one check, as the pairs of ``scenes.py --twice``.
"""

import argparse
import csv
import json
import math
import multiprocessing
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

LENGTHS = ("plunge.shoulder", "plunge.mid", "plunge.edge", "bevel_height")
COVERED = 1.96  # standard uncertainties on either side that hold 95 % of a normal error
STRATA = ("stratum", "grind", "light", "lens", "thickness", "tilt", "paper", "lay", "tip", "bars")


def measure(truth_files: Sequence[Path]) -> dict[str, Any]:
    """Run the check on the pairs of one knife and set its figures beside the truth."""
    from grindcheck.errors import GrindcheckError
    from grindcheck.pairs import check_pairs
    from grindcheck.selfcheck import sample_request
    from grindcheck.verdict import Tolerances, judge

    truths = [json.loads(file.read_text(encoding="utf-8")) for file in truth_files]
    requests = [sample_request(file.parent, truth) for file, truth in zip(truth_files, truths, strict=True)]
    truth, photos = truths[0], [photo for truth in truths for photo in truth["photos"]]
    tags = {**truth["tags"], "bars": "measured" if truth["bars_known"] else "not measured"}
    row: dict[str, Any] = {"name": truth_files[0].stem, "tags": tags, "figures": [], "refused": ""}
    try:
        files = [file for request in requests for file in request.photos]
        comparison = check_pairs(requests[0], files).comparison
    except GrindcheckError as error:
        row["refused"] = f"{type(error).__name__}: {error.message}"
        return row
    except Exception as error:  # a crash is a result of the study, and must not end it
        row["refused"] = f"CRASH {error!r}"
        return row
    row["flags"] = sorted({*comparison.flags, *comparison.left.flags, *comparison.right.flags})
    row["verdict"] = judge(comparison, Tolerances()).decision
    row["right_verdict"] = _right_verdict(truth, Tolerances())
    row["full_flat_right"] = comparison.left.full_flat == truth["faces"]["left"]["full_flat"]
    told = {comparison.left.photo_name: "left", comparison.right.photo_name: "right"}
    row["faces_right"] = all(told.get(photo["file"], photo["face"]) == photo["face"] for photo in photos)
    wanted = _wanted(truth)
    for group, figures in (
        ("difference", comparison.differences),
        ("left", _face_figures(comparison.left)),
        ("right", _face_figures(comparison.right)),
    ):
        for figure in figures:
            true = wanted.get((group, figure.quantity, figure.station_mm))
            if true is None:
                continue
            row["figures"].append(
                {
                    "group": "difference" if group == "difference" else "face",
                    "quantity": figure.quantity,
                    "station": figure.station_mm,
                    "true": true,
                    "value": figure.value,
                    "std": figure.std,
                    "components": figure.components,
                }
            )
    return row


def knives(files: Sequence[Path], *, together: bool) -> list[list[Path]]:
    """Return the truth files of what is checked at once: a pair, or together all pairs of a knife."""
    out: dict[str, list[Path]] = {}
    for file in files:
        first = json.loads(file.read_text(encoding="utf-8"))["tags"].get("again") if together else None
        out.setdefault(first or file.stem, []).append(file)
    return list(out.values())


def _face_figures(face: Any) -> Iterable[Any]:
    return [*face.plunge.values(), *face.bevel_height]


def _wanted(truth: dict[str, Any]) -> dict[tuple[str, str, float | None], float]:
    """Return true values by group, quantity and station; angles in radians."""
    out: dict[tuple[str, str, float | None], float] = {}
    groups = {"difference": truth["differences"], **truth["faces"]}
    for group, figures in groups.items():
        for name, value in (figures.get("plunge") or {}).items():
            out[group, f"plunge.{name}", None] = math.radians(value) if name == "angle" else value
        for station in figures["bevel_height"]:
            out[group, "bevel_height", float(station["station"])] = station["value"]
    return out


def _right_verdict(truth: dict[str, Any], tolerances: Any) -> str:
    """Verdict that exact figures would give."""
    wanted = [(key, value) for key, value in _wanted(truth).items() if key[0] == "difference"]
    if truth["faces"]["left"]["full_flat"]:
        wanted = [item for item in wanted if item[0][1] != "bevel_height"]
    limits = {"plunge.angle": tolerances.angle_rad, "bevel_height": tolerances.height_mm}
    wrong = any(abs(value) > limits.get(key[1], tolerances.plunge_mm) for key, value in wanted)
    return "mismatch" if wrong else "match"


def table(rows: list[dict[str, Any]]) -> str:
    """Set the results out as text."""
    lines = [f"{len(rows)} pairs, {sum(bool(row['refused']) for row in rows)} refused"]
    lines += [f"  refused {row['name']}: {row['refused']}" for row in rows if row["refused"]]
    done = [row for row in rows if not row["refused"]]
    unsure = [row for row in done if {"plunge_unsure", "shoulder_unsure"} & set(row["flags"])]
    lines.append(f"  lines unsure in {len(unsure)}: {', '.join(row['name'] for row in unsure)}")
    for what, key in (("faces told wrongly", "faces_right"), ("full flat told wrongly", "full_flat_right")):
        lines.append(f"  {what}: {', '.join(row['name'] for row in done if not row[key]) or 'none'}")
    lines.append("")
    lines.append(
        f"{'quantity':34}{'n':>5}{'median':>9}{'95 %':>9}{'largest':>9}"
        f"{'U median':>10}{'covered':>9}{'rms z':>7}"
    )
    kinds = [
        ("difference", q)
        for q in ("plunge.shoulder", "plunge.mid", "plunge.edge", "plunge.angle", "bevel_height")
    ]
    kinds += [
        ("face", q) for q in ("plunge.shoulder", "plunge.mid", "plunge.edge", "plunge.angle", "bevel_height")
    ]
    for group, quantity in kinds:
        lines.append(_line(f"{group} {quantity}", pick(done, group, (quantity,))))
    lines.append(_line("all differences in mm", pick(done, "difference", LENGTHS)))
    lines.append(_line("plunge differences in mm", pick(done, "difference", LENGTHS[:3])))
    for stratum in STRATA:
        values = sorted({str(row["tags"].get(stratum, "")) for row in done})
        for value in values:
            part = [row for row in done if str(row["tags"].get(stratum, "")) == value]
            lines.append(_line(f"{stratum} {value}", pick(part, "difference", LENGTHS)))
    lines.append("")
    pairs = [(row["right_verdict"], row["verdict"]) for row in done]
    lines.append("verdict by exact figures -> told")
    for right in ("match", "mismatch"):
        told = [said for truth, said in pairs if truth == right]
        counts = ", ".join(f"{said} {told.count(said)}" for said in ("match", "mismatch", "cannot tell"))
        lines.append(f"  {right:9}: {counts}")
    lines.append(f"  told wrongly: {', '.join(row['name'] for row in wrong(rows)) or 'none'}")
    return "\n".join(lines)


def wrong(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the pairs whose verdict exact figures contradict."""
    return [
        row
        for row in rows
        if not row["refused"] and row["verdict"] not in ("cannot tell", row["right_verdict"])
    ]


def pick(rows: list[dict[str, Any]], group: str, quantities: tuple[str, ...]) -> list[dict[str, Any]]:
    """Return the figures of some quantities of a group."""
    return [f for row in rows for f in row["figures"] if f["group"] == group and f["quantity"] in quantities]


def _line(name: str, figures: list[dict[str, Any]]) -> str:
    if not figures:
        return f"{name:34}{0:5d}"
    error = np.array([figure["value"] - figure["true"] for figure in figures])
    std = np.array([figure["std"] for figure in figures])
    z = error / std
    unit = np.degrees(1.0) if "angle" in name else 1.0
    size = np.abs(error) * unit
    return (
        f"{name:34}{len(figures):5d}{np.median(size):9.3f}{np.quantile(size, 0.95):9.3f}{size.max():9.3f}"
        f"{2 * np.median(std) * unit:10.3f}{np.mean(np.abs(z) <= COVERED):9.1%}{np.sqrt(np.mean(z**2)):7.2f}"
    )


def main(arguments: list[str] | None = None) -> int:
    """Run the study."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--csv", type=Path, help="every figure as a row")
    parser.add_argument("--json", type=Path, help="every figure, with components")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--together", action="store_true", help="all pairs of a knife in one check")
    options = parser.parse_args(arguments)
    files = [
        file
        for file in sorted(options.folder.glob("*.json"))
        if "faces" in json.loads(file.read_text(encoding="utf-8"))  # descriptions of pairs hold no truth
    ]
    if not files:
        print(f"no truth files in {options.folder}", file=sys.stderr)
        return 2
    with multiprocessing.get_context("spawn").Pool(options.jobs) as pool:
        rows = pool.map(measure, knives(files, together=options.together), chunksize=1)
    print(table(rows))
    if options.json:
        options.json.write_text(json.dumps(rows, indent=1), encoding="utf-8")
    if options.csv:
        with options.csv.open("w", newline="", encoding="utf-8") as stream:
            out = csv.writer(stream)
            out.writerow(["pair", "group", "quantity", "station", "true", "value", "std"])
            for row in rows:
                for f in row["figures"]:
                    out.writerow(
                        [
                            row["name"],
                            *(f[k] for k in ("group", "quantity", "station", "true", "value", "std")),
                        ]
                    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
