"""The command that measures the sample photos and compares with their truth."""

import math
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
    quick: Annotated[bool, typer.Option("--quick", help="Measure one pair only.")] = False,
    json_file: JsonFile = None,
) -> None:
    """Measure the sample photos and compare each figure with the truth; run it after an upgrade.

    Exit codes: 0 as it should be, 1 not, 2 error.
    """
    with told(context):
        from grindcheck.report.data import json_text, write_data
        from grindcheck.selfcheck import check_samples, sample_folder, sample_pairs
        from grindcheck.settings import COVERAGE_FACTOR

        folder = sample_folder(photos)
        names = sample_pairs(folder)[: 1 if quick else None]
        found = check_samples(
            folder,
            names,
            progress=lambda name: typer.echo(f"measuring {name} of {len(names)} pairs", err=True),
        )
        verdict = (
            "As it should be"
            if found.sound
            else "Not as it should be: don't trust this installation's figures"
        )
        summary = (
            f"{verdict}. {len(found.figures) - found.outside} of {len(found.figures)} true values lie inside "
            "the stated 95 % intervals."
        )
        data = {
            "sound": found.sound,
            "summary": summary,
            "chance": found.chance,
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
            for name, why in found.failed:
                typer.echo(f"{name}: {why}")
            typer.echo("\n" + summary)
            if json_file:
                write_data(data, Path(json_file))
        if not found.sound:
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
