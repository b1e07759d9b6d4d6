"""The command for a gauge study: how well the tool repeats itself, and how it agrees with a calliper."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from grindcheck.console import JsonFile, Units, told

if TYPE_CHECKING:
    from grindcheck.gaugetable import Take

Studied = Literal["plunge", "edge", "shoulder", "height"]


def gauge(
    context: typer.Context,
    table: Annotated[
        Path,
        typer.Argument(
            metavar="TABLE",
            help="CSV with the columns knife, person, photo 1, photo 2, thickness (mm), one row a take; or "
            "knife, person, value (mm) for values already measured. Leave person out if one person did all.",
        ),
    ],
    figure: Annotated[
        Studied,
        typer.Option(
            help="Which difference is studied: the plunge half-way up, at the edge, at the shoulder, or the "
            "bevel's height in the middle of the blade."
        ),
    ] = "plunge",
    tolerance: Annotated[
        str | None,
        typer.Option(help="Difference that is still a match, either way.", show_default="as check has it"),
    ] = None,
    calliper: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="CSV with the columns knife and value (mm): what a calliper says of them."
        ),
    ] = None,
    calliper_u: Annotated[str, typer.Option(help="The calliper's own uncertainty (k = 2).")] = "0.03 mm",
    json_file: JsonFile = None,
    picture: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Write the differences from the calliper as a picture: .png or .pdf."
        ),
    ] = None,
    units: Annotated[Units, typer.Option(help="Millimetres, inches, or both.")] = "both",
) -> None:
    """Study how well the measuring repeats: a few knives, each photographed several times.

    Lay each knife down anew for every take, five to ten knives, two or three takes. Tape or sheath the edge
    before a blade goes from hand to hand.
    """
    with told(context):
        from grindcheck.agreement import agreement
        from grindcheck.errors import InputError
        from grindcheck.gaugestudy import analysis_of_variance, average_and_range, table_of
        from grindcheck.gaugetable import evenly, measured_takes, read_calliper, read_takes
        from grindcheck.report.agreement_picture import agreement_picture
        from grindcheck.report.data import json_text, write_data
        from grindcheck.report.gauge_text import agreement_text, gauge_data, gauge_text
        from grindcheck.units import length_mm
        from grindcheck.verdict import Tolerances

        if picture is not None and calliper is None:
            raise InputError(
                "The picture shows differences from a calliper, and none is given.",
                advice="Add --calliper FILE.",
            )
        if picture is not None and picture.suffix.lower() not in (".png", ".pdf"):
            raise InputError(
                f"{picture} is no picture.", advice="Give the file a name that ends in .png or .pdf."
            )
        usual = Tolerances().height_mm if figure == "height" else Tolerances().plunge_mm
        width = 2 * (length_mm(tolerance, what="tolerance") if tolerance else usual)
        takes = read_takes(table)
        known = read_calliper(calliper) if calliper else {}
        done, failed = measured_takes(
            takes, lambda take: _measured(take, figure), progress=lambda step: typer.echo(step, err=True)
        )
        for take, why in failed:
            typer.echo(f"Left out row {take.row}, {take.knife}: {why}", err=True)
        done, dropped = evenly(done)
        for sentence in dropped:
            typer.echo(sentence, err=True)
        studied = table_of((one.take.knife, one.take.person, one.value_mm) for one in done)
        studies = (average_and_range(studied), analysis_of_variance(studied))
        found, names = None, tuple(knife for knife in studied.knives if knife in known)
        if known:
            own = {knife: [one for one in done if one.take.knife == knife] for knife in names}
            expanded = [[one.expanded_mm for one in own[knife]] for knife in names]
            found = agreement(
                [sum(one.value_mm for one in own[knife]) / len(own[knife]) for knife in names],
                [known[knife] for knife in names],
                tool_expanded=[sum(u for u in each if u is not None) / len(each) for each in expanded]
                if all(u is not None for each in expanded for u in each)
                else None,
                calliper_expanded=length_mm(calliper_u, what="the calliper's uncertainty"),
            )
        data = gauge_data(studies, studied, width, found) | {
            "figure": figure,
            "left_out": [{"row": take.row, "knife": take.knife, "why": why} for take, why in failed],
        }
        if json_file == "-":
            typer.echo(json_text(data), nl=False)
            return
        typer.echo(gauge_text(studies, studied, width, units))
        if found is not None:
            typer.echo("\n" + agreement_text(found, units))
        if json_file:
            write_data(data, Path(json_file))
        if picture is not None and found is not None:
            agreement_picture(found, picture, names)


def _measured(take: "Take", figure: Studied) -> tuple[float, float]:
    from grindcheck.errors import InputError
    from grindcheck.gaugetable import figure_of
    from grindcheck.pipeline import Request, check_pair
    from grindcheck.settings import COVERAGE_FACTOR

    if take.thickness_mm is None:
        raise InputError(f"Row {take.row} has no thickness.", advice="Add the column thickness.")
    one, other = take.photos
    found = figure_of(check_pair(Request(photos=(one, other), thickness_mm=take.thickness_mm)), figure)
    return found.value, COVERAGE_FACTOR * found.std
