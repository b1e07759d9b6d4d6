"""The record's command that measures: photos and options are kept first, then what comes out of them."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from grindcheck.cli_records import AtStage, KnifeNamed
from grindcheck.console import (
    EXIT_CODES,
    EXIT_ERROR,
    BarX,
    BarY,
    FlatHeight,
    GrindGiven,
    PaperSeen,
    complain,
    told,
)

if TYPE_CHECKING:
    from grindcheck.record.entries import Check, KnifePage
    from grindcheck.record.opening import Record

Kind = Literal["symmetry", "finish"]


def check(
    context: typer.Context,
    knife: KnifeNamed,
    photos: Annotated[
        list[Path] | None,
        typer.Argument(metavar="[PHOTO...]", show_default=False, help="As for check or finish."),
    ] = None,
    kind: Annotated[Kind, typer.Option(help="Whether both sides match, or the finish.")] = "symmetry",
    again: Annotated[
        str | None,
        typer.Option(
            metavar="ID",
            show_default=False,
            help="A check to measure again, with its photos and options; options given here replace these.",
        ),
    ] = None,
    thickness: Annotated[
        str | None, typer.Option(help="Stock thickness, as 4mm or 3/16in.", show_default="the knife's")
    ] = None,
    flat_height: FlatHeight = None,
    edge_thickness: Annotated[
        str | None, typer.Option(help="Edge thickness before sharpening.", show_default="0.5mm")
    ] = None,
    tolerance: Annotated[
        str | None,
        typer.Option(help="Allowed difference of plunge and bevel height.", show_default="0.25mm"),
    ] = None,
    angle_tolerance: Annotated[
        str | None, typer.Option(help="Allowed difference of the plunge angle.", show_default="1deg")
    ] = None,
    grind: GrindGiven = None,
    paper: PaperSeen = None,
    bar_x: BarX = None,
    bar_y: BarY = None,
    no_lens: Annotated[
        bool | None,
        typer.Option(
            "--no-lens/--lens",
            help="Leave out the phone's lens as calibrated, or with --again take it after all.",
            show_default="used where one is kept",
        ),
    ] = None,
    faces: Annotated[
        str | None,
        typer.Option(metavar="SIDE,...", help="Which face each photo shows.", show_default="found by itself"),
    ] = None,
    plunge_left: Annotated[str | None, typer.Option(help="Left plunge line by hand.")] = None,
    plunge_right: Annotated[str | None, typer.Option(help="Right plunge line by hand.")] = None,
    shoulder_left: Annotated[str | None, typer.Option(help="Left shoulder line by hand.")] = None,
    shoulder_right: Annotated[str | None, typer.Option(help="Right shoulder line by hand.")] = None,
    mask: Annotated[
        list[str] | None, typer.Option(help="A part of a finish not to search.", show_default=False)
    ] = None,
    before: Annotated[
        list[Path] | None,
        typer.Option(metavar="EARLIER", help="An earlier photo of a face, for a finish.", show_default=False),
    ] = None,
    accept: Annotated[
        str | None, typer.Option(help="What is accepted of a finish.", show_default="no scratch")
    ] = None,
    false_finds: Annotated[
        float | None, typer.Option(help="False finds per face, for a finish.", show_default="0.1")
    ] = None,
    at_stage: AtStage = None,
) -> None:
    """Measure photos of a knife and keep photos, options and result.

    Exit codes: 0 match or clean, 1 mismatch or scratched, 2 error, 3 cannot tell.
    """
    with told(context):
        from grindcheck.record import checks, knives
        from grindcheck.record.finding import find_in
        from grindcheck.record.measuring import measure_check
        from grindcheck.record.opening import open_record

        given = {
            "thickness_mm": thickness,
            "height_mm": flat_height,
            "edge_mm": edge_thickness,
            "tolerance_mm": tolerance,
            "angle_tolerance_deg": angle_tolerance,
            "grind": grind,
            "paper": paper,
            "bar_x_mm": bar_x,
            "bar_y_mm": bar_y,
            "kept_lens": None if no_lens is None else not no_lens,
            "faces": faces,
            "hand_lines": {
                name: text
                for name, text in (
                    ("plunge-left", plunge_left),
                    ("plunge-right", plunge_right),
                    ("shoulder-left", shoulder_left),
                    ("shoulder-right", shoulder_right),
                )
                if text is not None
            },
            "masks": mask,
            "accept": accept,
            "false_finds": false_finds,
        }
        with open_record() as record:
            page = knives.knife(record, knife)
            old = None if again is None else find_in(page.checks, again, "check")
            about = None if at_stage is None else find_in(page.stages, at_stage, "stage").id
            asked = _asked(given, page, old)
            made = checks.add_check(
                record,
                page.knife.id,
                kind if old is None else old.kind,
                photos=_photos(record, photos or [], before or [], old),
                asked=asked,
                stage_id=about if old is None else about or old.stage_id,
                again_of=None if old is None else old.id,
            )
            made = checks.add_outcome(record, made.id, measure_check(record, made))
        raise typer.Exit(_told(made))


def _photos(record: "Record", photos: list[Path], before: list[Path], old: "Check | None") -> list[Any]:
    """Keep the photos, or take those of the check that is measured again."""
    from grindcheck.errors import InputError
    from grindcheck.record.vault import add_photo

    if old is not None:
        if photos or before:
            raise InputError(
                "A check is measured again with its own photos.", advice="Leave out the photos, or --again."
            )
        return [(one.photo.sha256, one.name, one.role) for one in old.photos]
    return [
        (add_photo(record, path).sha256, path.name, role)
        for role, paths in (("face", photos), ("before", before))
        for path in paths
    ]


def _asked(given: dict[str, Any], page: "KnifePage", old: "Check | None") -> dict[str, Any]:
    """Bring options into the record's terms; what isn't given is the old check's, or the knife's."""
    from grindcheck.record.option_words import read_asked

    asked = {} if old is None else dict(old.asked)
    stock = page.knife.facts.thickness_mm
    if stock is not None:
        asked.setdefault("thickness_mm", stock)
    lines = {**asked.get("hand_lines", {})}
    asked |= read_asked(given)
    lines |= asked.get("hand_lines", {})
    return asked | ({"hand_lines": lines} if lines else {})


def _told(made: "Check") -> int:
    """Print what came out, and return the exit code."""
    outcome = made.outcome
    assert outcome is not None
    if outcome.state == "failed":
        complain(outcome.error, outcome.advice)
        typer.echo(f"Photos and options are kept: check {made.id[:8]}.", err=True)
        return EXIT_ERROR
    typer.echo(f"{outcome.verdict.upper()}: {outcome.headline}")
    for sentence in outcome.result.get("advice", ()):
        typer.echo(f"  - {sentence}")
    typer.echo(f"Kept as check {made.id[:8]}.")
    return EXIT_CODES[outcome.verdict]
