"""The command that measures the sample photos and compares with their truth."""

import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from grindcheck.console import JsonFile, told

if TYPE_CHECKING:
    from grindcheck.selfcheck import Compared

_NAMES = {
    "plunge.shoulder": "plunge at the shoulder",
    "plunge.mid": "plunge half-way up",
    "plunge.edge": "plunge at the edge",
    "plunge.angle": "plunge angle",
    "bevel_height": "bevel height",
}
EXIT_UNSOUND = 1


def selftest(
    context: typer.Context,
    photos: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Folder of the sample photos.", show_default="sample_images"),
    ] = None,
    quick: Annotated[bool, typer.Option("--quick", help="Measure one pair only, and no finish.")] = False,
    json_file: JsonFile = None,
) -> None:
    """Measure the sample photos, find their scratches, and compare with the truth and with the release.

    Run it after an upgrade, or on a new computer.

    Exit codes: 0 as it should be, 1 not, 2 error.
    """
    with told(context):
        from grindcheck.report.data import json_text, write_data
        from grindcheck.selfcheck import check_samples, sample_folder, sample_pairs, truth_of
        from grindcheck.selfdrift import drifted, read_released
        from grindcheck.selffaces import check_faces, sample_faces
        from grindcheck.settings import COVERAGE_FACTOR

        folder = sample_folder(photos)
        released = read_released(folder)
        names = sample_pairs(folder)[: 1 if quick else None]
        faces = () if quick else sample_faces(folder)
        found = check_samples(
            folder,
            names,
            progress=lambda name: typer.echo(f"measuring {name} of {len(names)} pairs", err=True),
        )
        checked, unsearched = check_faces(
            folder,
            faces,
            truth_of=truth_of,
            progress=lambda name: typer.echo(f"searching {name} of {len(faces)} faces", err=True),
        )
        found = replace(found, faces=checked, failed=(*found.failed, *unsearched))
        drift = drifted(found, released)
        sound = found.sound and not drift
        verdict = (
            "As it should be" if sound else "Not as it should be: don't trust this installation's figures"
        )
        summary = (
            f"{verdict}. {len(found.figures) - found.outside} of {len(found.figures)} true values lie inside "
            "the stated 95 % intervals"
        )
        if checked:
            summary += (
                f", {sum(len(face.found) for face in checked)} of {sum(len(face.true) for face in checked)} "
                "scratches were found"
            )
        summary += f". {len(drift) or 'No'} figures or faces differ from the release, {released['program']}."
        data = {
            "sound": sound,
            "summary": summary,
            "chance": found.chance,
            "drifted": list(drift),
            "faces": [
                {
                    "face": face.name, "true": list(face.true), "found": list(face.found),
                    "false": face.false, "decision": face.decision, "faults": list(face.faults),
                }
                for face in checked
            ],
            "failed": [{"pair": name, "why": why} for name, why in found.failed],
            "figures": [
                {
                    "pair": one.pair, "quantity": one.quantity, "station_mm": one.station_mm,
                    "true": one.true, "told": one.told,
                    "U": COVERAGE_FACTOR * one.std, "unit": one.unit, "inside": one.inside,
                }
                for one in found.figures
            ],
        }  # fmt: skip
        if json_file == "-":
            typer.echo(json_text(data), nl=False)
        else:
            typer.echo(f"{'':48}{'truth':>9}{'measured':>10}{'error':>9}{'U':>8}")
            for one in found.figures:
                typer.echo(_line(one, COVERAGE_FACTOR))
            for face in checked:
                count = f"{len(face.found)} of {len(face.true)} scratches found, {face.false} false"
                typer.echo(f"{face.name}: {count}, {face.decision}")
                for fault in face.faults:
                    typer.echo(f"{face.name}: NOT RIGHT: {fault}")
            for sentence in drift:
                typer.echo(sentence)
            for name, why in found.failed:
                typer.echo(f"{name}: {why}")
            typer.echo("\n" + summary)
            if json_file:
                write_data(data, Path(json_file))
        if not sound:
            raise typer.Exit(EXIT_UNSOUND)


def _line(one: "Compared", factor: float) -> str:
    scale, unit = (math.degrees(1.0), "°") if one.unit == "rad" else (1.0, "mm")
    at = "" if one.station_mm is None else f", {one.station_mm:g} mm"
    name = f"{one.pair}: {_NAMES.get(one.quantity, one.quantity)}{at}"
    values = (one.true, one.told, one.told - one.true, factor * one.std)
    numbers = "".join(
        f"{scale * value:>{width}.3f}" for value, width in zip(values, (9, 10, 9, 8), strict=True)
    )
    return f"{name:48}{numbers} {unit} {'inside' if one.inside else 'OUTSIDE'}"
