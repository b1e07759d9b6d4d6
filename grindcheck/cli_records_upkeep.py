"""The record's commands for all of it: bin, export, import, verify, trend."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Literal

import typer

from grindcheck.console import EXIT_ERROR, Units, complain, told

Quantity = Literal["plunge.mid", "plunge.shoulder", "plunge.edge", "plunge.angle", "bevel_height"]


def throw_away(
    context: typer.Context,
    thing: Annotated[
        str | None,
        typer.Argument(
            metavar="[ID]", show_default=False, help="A knife, stage, note or check; a knife by its name too."
        ),
    ] = None,
    restore: Annotated[
        str | None, typer.Option(metavar="ID", help="Take this out of the bin.", show_default=False)
    ] = None,
    empty: Annotated[bool, typer.Option("--empty", help="Remove for good what lies in the bin.")] = False,
) -> None:
    """Throw something away, take it out again, empty the bin, or list what lies in it."""
    with told(context):
        from grindcheck.errors import InputError
        from grindcheck.record import binning
        from grindcheck.record.finding import find_entity, find_knife_or_entity
        from grindcheck.record.opening import open_record
        from grindcheck.record.telling import bin_text, counted

        if sum((thing is not None, restore is not None, empty)) > 1:
            raise InputError("That is too much at once.", advice="Give an id, or --restore, or --empty.")
        with open_record() as record:
            if thing is not None:
                entity, whole = find_knife_or_entity(record, thing)
                binning.throw_away(record, entity, whole)
                typer.echo(f"The {entity} {whole[:8]} lies in the bin.")
            elif restore is not None:
                entity, whole = find_entity(record, restore)
                binning.restore(record, entity, whole)
                typer.echo(f"The {entity} {whole[:8]} is back.")
            elif empty:
                gone = binning.empty_bin(record)
                typer.echo(f"Gone: {counted(gone.things, 'thing')}, {counted(gone.photos, 'photo')}.")
            else:
                typer.echo(bin_text(binning.in_the_bin(record)), nl=False)


def export(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", show_default=False, help="The zip file to write.")],
    knives: Annotated[
        list[str] | None,
        typer.Argument(metavar="[KNIFE...]", show_default=False, help="All knives where none is named."),
    ] = None,
    pictures: Annotated[
        bool, typer.Option("--pictures", help="Draw the results too; takes half a second each.")
    ] = False,
) -> None:
    """Write knives with their photos into one zip file."""
    with told(context):
        from grindcheck.record import knives as known
        from grindcheck.record.archive import export_record
        from grindcheck.record.opening import open_record
        from grindcheck.record.telling import counted

        with open_record() as record, _counted("photos written") as progress:
            ids = [known.knife(record, one).knife.id for one in knives or ()] or None
            done = export_record(record, file, ids, pictures=pictures, progress=progress)
        typer.echo(
            f"{file} is written: {counted(done.knives, 'knife', 'knives')}, {counted(done.photos, 'photo')}."
        )


def take_in(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", show_default=False, help="From export.")],
) -> None:
    """Take the knives of a zip file in; what is there already is left as it is."""
    with told(context):
        from grindcheck.record.opening import open_record
        from grindcheck.record.taking_in import import_record
        from grindcheck.record.telling import counted

        with open_record() as record, _counted("photos read") as progress:
            done = import_record(record, file, progress=progress)
        typer.echo(
            f"{counted(done.knives, 'knife', 'knives')} and {counted(done.photos, 'photo')} taken in; new: "
            f"{counted(done.new_knives, 'knife', 'knives')}, {counted(done.new_photos, 'photo')}."
        )
        if done.binned:
            typer.echo(f"In the bin here: {', '.join(done.binned)}.")


def verify(context: typer.Context) -> None:
    """Hash every photo again and check the database; exit code 2 if something isn't as it was kept."""
    with told(context):
        from grindcheck.record.opening import open_record
        from grindcheck.record.telling import verified_text
        from grindcheck.record.verifying import verify

        with open_record() as record, _counted("photos checked") as progress:
            found = verify(record, progress=progress)
        typer.echo(verified_text(found), nl=False)
        if found.damages:
            complain(
                "The record is damaged.",
                "Import the newest export to mend photos; for the database go back to a backup copy.",
            )
            raise typer.Exit(EXIT_ERROR)


def trend(
    context: typer.Context,
    quantity: Annotated[Quantity, typer.Option(help="The difference, left minus right.")] = "plunge.mid",
    station: Annotated[
        str | None,
        typer.Option(
            metavar="LENGTH",
            help="For bevel_height: how far from the tip, a full 10 mm.",
            show_default="50mm",
        ),
    ] = None,
    units: Annotated[Units, typer.Option(help="Millimetres, inches, or both.")] = "both",
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the chart as a picture: .png or .svg.")
    ] = None,
) -> None:
    """Tell how a difference goes from knife to knife, and whether there is a habit."""
    with told(context):
        from grindcheck.errors import InputError, NotInRecordError
        from grindcheck.record.checks import series
        from grindcheck.record.opening import open_record
        from grindcheck.record.trends import trend_of
        from grindcheck.report.trend_text import trend_text

        if picture is not None and picture.suffix.lower() not in (".png", ".svg"):
            raise InputError(
                f"{picture} is no kind of picture that can be written.", advice="Name a .png or .svg."
            )
        where = _station(quantity, station)
        with open_record() as record:
            found = trend_of(quantity, series(record, quantity, where), where)
        if found is None:
            raise NotInRecordError(
                "No knife has this difference measured.",
                advice="Measure some with grindcheck records check; stations lie 10 mm apart.",
            )
        typer.echo(trend_text(found, units=units), nl=False)
        if picture is not None:
            from grindcheck.report.data import write_whole
            from grindcheck.report.trend_picture import trend_picture

            kind: Literal["png", "svg"] = "svg" if picture.suffix.lower() == ".svg" else "png"
            drawn = trend_picture(found, units=units, kind=kind)
            write_whole(picture, lambda beside: beside.write_bytes(drawn))


def _station(quantity: Quantity, text: str | None) -> float | None:
    """Read the place of a bevel's height; nothing else has one."""
    from grindcheck.errors import InputError
    from grindcheck.units import length_mm

    if quantity == "bevel_height":
        return 50.0 if text is None else length_mm(text, what="station")
    if text is not None:
        raise InputError(
            f"There are no stations for {quantity}.",
            advice="Give --station with --quantity bevel_height only.",
        )
    return None


@contextmanager
def _counted(what: str) -> Iterator[Callable[[int, int], None]]:
    """Count on standard error where somebody watches."""
    watched = sys.stderr.isatty()

    def progress(done: int, of: int) -> None:
        if watched and (done % 20 == 0 or done == of):
            typer.echo(f"\r{done} of {of} {what}", nl=done == of, err=True)

    yield progress
