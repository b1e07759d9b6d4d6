"""The record's command for what goes with a knife: its sheet."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from grindcheck.cli_records import KnifeNamed
from grindcheck.console import Units, told

SheetPaper = Literal["a4", "letter"]


def sheet(
    context: typer.Context,
    knife: KnifeNamed,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="The PDF to write.", show_default="the knife's name.pdf"),
    ] = None,
    maker: Annotated[str, typer.Option(help="Who made it, as the sheet shall say.")] = "",
    notes: Annotated[bool, typer.Option("--notes", help="Put the knife's remarks on it, too.")] = False,
    paper: Annotated[SheetPaper, typer.Option(help="Paper size.")] = "a4",
    units: Annotated[Units, typer.Option(help="Millimetres, inches, or both.")] = "mm",
) -> None:
    """Write a knife's sheet for its buyer or the drawer as a PDF, without what is private."""
    with told(context):
        from datetime import datetime

        from grindcheck.errors import InputError
        from grindcheck.record import knives
        from grindcheck.record.opening import open_record
        from grindcheck.record.sheet import sheet_of
        from grindcheck.report.data import write_whole
        from grindcheck.report.knife_sheet import knife_sheet

        if out is not None and out.suffix.lower() != ".pdf":
            raise InputError(f"{out} is no PDF.", advice="Give the file a name that ends in .pdf.")
        with open_record() as record:
            page = knives.knife(record, knife)
            today = datetime.now().astimezone().date()
            said = sheet_of(record, page, made_on=today, maker=maker, notes=notes, units=units)
            target = out or Path(f"{_plain(said.name)}.pdf")
            pdf = knife_sheet(said, units=units, paper=paper)
            write_whole(target, lambda beside: beside.write_bytes(pdf))
        typer.echo(f"{target} is written.")


def _plain(name: str) -> str:
    """Make a file name of a knife's name: its letters and digits, joined."""
    words = "".join(sign if sign.isalnum() else " " for sign in name).split()
    return "_".join(words)[:60] or "knife"
