"""The commands of the record that say something of a knife: they read options, call the record and print."""

from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from grindcheck.console import told

Sort = Literal["newest", "name", "verdict"]
Verdict = Literal["match", "mismatch", "cannot tell", "clean", "scratched"]
NoteKind = Literal["heat treatment", "abrasive step", "micrometer", "free"]

KnifeNamed = Annotated[
    str, typer.Argument(metavar="KNIFE", show_default=False, help="Its name, its id, or how the id begins.")
]
Pattern = Annotated[str | None, typer.Option(help="What kind of knife it is.", show_default=False)]
Steel = Annotated[str | None, typer.Option(help="Its steel.", show_default=False)]
Stock = Annotated[str | None, typer.Option(help="Stock thickness, as 4mm or 3/16in.", show_default=False)]
Aim = Annotated[str | None, typer.Option(help="The grind that it shall have.", show_default=False)]
Remarks = Annotated[str | None, typer.Option(help="Anything else.", show_default=False)]
Buyer = Annotated[str | None, typer.Option(help="The buyer's reference.", show_default=False)]
Private = Annotated[
    str | None,
    typer.Option(metavar="FIELD,...", help="What a sheet for the buyer leaves out.", show_default=False),
]
AtStage = Annotated[
    str | None, typer.Option(metavar="ID", help="The stage that it belongs to.", show_default=False)
]

records = typer.Typer(
    name="records",
    no_args_is_help=True,
    help="Keep what is known, photographed and measured of each knife.",
    epilog="The record lies in the user's data folder; GRINDCHECK_HOME names another.",
)


@records.command("list")
def list_knives(
    context: typer.Context,
    search: Annotated[str, typer.Argument(metavar="[WORDS]", help="Words that must all be found.")] = "",
    sort: Annotated[Sort, typer.Option(help="The order; verdict: the worst first.")] = "newest",
    verdict: Annotated[Verdict | None, typer.Option(help="Only with this verdict.")] = None,
    limit: Annotated[int, typer.Option(min=1, help="How many at most.")] = 100,
) -> None:
    """List the knives."""
    with told(context):
        from grindcheck.record.listing import count_knives, knives
        from grindcheck.record.opening import open_record
        from grindcheck.record.telling import list_text

        with open_record() as record:
            rows = knives(record, search, sort, verdict, limit=limit)
            typer.echo(list_text(rows), nl=False)
            if len(rows) == limit:
                typer.echo(f"{limit} of {count_knives(record, search, verdict)} are shown.")


@records.command()
def show(context: typer.Context, knife: KnifeNamed) -> None:
    """Tell all of a knife."""
    with told(context):
        from grindcheck.record import knives
        from grindcheck.record.opening import open_record
        from grindcheck.record.telling import knife_text

        with open_record() as record:
            typer.echo(knife_text(knives.knife(record, knife)), nl=False)


@records.command()
def add(
    context: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", show_default=False, help="Its name or number.")],
    pattern: Pattern = None,
    steel: Steel = None,
    thickness: Stock = None,
    grind: Aim = None,
    notes: Remarks = None,
    buyer: Buyer = None,
    private: Private = None,
) -> None:
    """Add a knife."""
    with told(context):
        from grindcheck.record import knives
        from grindcheck.record.entries import KnifeFacts
        from grindcheck.record.opening import open_record

        given = _facts(name, pattern, steel, thickness, grind, notes, buyer, private)
        with open_record() as record:
            made = knives.add_knife(record, KnifeFacts(**given))
        typer.echo(f"{made.facts.name} is added: {made.id}")


@records.command()
def correct(
    context: typer.Context,
    knife: KnifeNamed,
    name: Annotated[str | None, typer.Option(help="Its name or number.", show_default=False)] = None,
    pattern: Pattern = None,
    steel: Steel = None,
    thickness: Stock = None,
    grind: Aim = None,
    notes: Remarks = None,
    buyer: Buyer = None,
    private: Private = None,
) -> None:
    """Correct what is said of a knife; what was said before stays in its history."""
    with told(context):
        from dataclasses import replace

        from grindcheck.errors import InputError
        from grindcheck.record import knives
        from grindcheck.record.opening import open_record

        given = _facts(name, pattern, steel, thickness, grind, notes, buyer, private)
        if not given:
            raise InputError("Nothing is corrected.", advice="Give an option, as in --steel 14C28N.")
        with open_record() as record:
            now = knives.knife(record, knife).knife
            made = knives.correct_knife(record, now.id, replace(now.facts, **given))
        typer.echo(f"{made.facts.name} is corrected.")


@records.command()
def stage(
    context: typer.Context,
    knife: KnifeNamed,
    name: Annotated[
        str, typer.Argument(metavar="STAGE", show_default=False, help="As finished, or own words.")
    ],
    note: Annotated[str, typer.Option(help="Anything to say of it.")] = "",
) -> None:
    """Say that a knife reached a stage."""
    with told(context):
        from grindcheck.record import knives
        from grindcheck.record.opening import open_record

        with open_record() as record:
            page = knives.knife(record, knife)
            made = knives.add_stage(record, page.knife.id, name, note)
        typer.echo(f"{page.knife.facts.name} is {made.name}: stage {made.id[:8]}")


@records.command()
def note(
    context: typer.Context,
    knife: KnifeNamed,
    said: Annotated[
        list[str] | None,
        typer.Argument(metavar="[TEXT | FIELD=VALUE...]", show_default=False, help="A text, or fields."),
    ] = None,
    kind: Annotated[NoteKind, typer.Option(help="What it is about.")] = "free",
    reading: Annotated[
        list[str] | None,
        typer.Option(
            metavar="LENGTH[@PLACE]",
            show_default=False,
            help="A micrometer reading, as 4.02mm@30mm from the tip, or 4.02mm@ricasso. Give three or more.",
        ),
    ] = None,
    at_stage: AtStage = None,
    corrects: Annotated[
        str | None, typer.Option(metavar="ID", help="The note that it corrects.", show_default=False)
    ] = None,
) -> None:
    """Add a note to a knife, or correct one."""
    with told(context):
        from grindcheck.record import knives
        from grindcheck.record.finding import find_in
        from grindcheck.record.note_words import read_fields, readings_sentence
        from grindcheck.record.opening import open_record
        from grindcheck.record.telling import note_text

        fields = read_fields(said or (), reading or ())
        with open_record() as record:
            page = knives.knife(record, knife)
            if corrects is not None:
                old = find_in(page.notes, corrects, "note")
                made = knives.correct_note(record, old.id, fields)
            else:
                about = None if at_stage is None else find_in(page.stages, at_stage, "stage").id
                made = knives.add_note(
                    record, page.knife.id, "micrometer" if reading else kind, fields, stage_id=about
                )
        typer.echo(note_text(made))
        if "readings" in fields:
            typer.echo(readings_sentence(fields))


@records.command()
def photo(
    context: typer.Context,
    knife: KnifeNamed,
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", show_default=False)],
    at_stage: AtStage = None,
) -> None:
    """Keep photos with a knife without measuring them."""
    with told(context):
        from grindcheck.record import checks, knives
        from grindcheck.record.finding import find_in
        from grindcheck.record.opening import open_record
        from grindcheck.record.telling import counted
        from grindcheck.record.vault import add_photo

        with open_record() as record:
            page = knives.knife(record, knife)
            about = None if at_stage is None else find_in(page.stages, at_stage, "stage").id
            kept = [(add_photo(record, path).sha256, path.name, "face") for path in photos]
            made = checks.add_check(record, page.knife.id, "photos", photos=kept, stage_id=about)  # type: ignore[arg-type]
        typer.echo(f"{counted(len(kept), 'photo')} kept with {page.knife.facts.name}: {made.id[:8]}")


def _facts(
    name: str | None,
    pattern: str | None,
    steel: str | None,
    thickness: str | None,
    grind: str | None,
    notes: str | None,
    buyer: str | None,
    private: str | None,
) -> dict[str, Any]:
    """Return the facts that are given, in the record's terms."""
    from grindcheck import options

    given: dict[str, Any] = {
        "name": name,
        "pattern": pattern,
        "steel": steel,
        "thickness_mm": None if thickness is None else options.read_thickness(thickness),
        "grind": grind,
        "notes": notes,
        "buyer_reference": buyer,
        "private": None
        if private is None
        else tuple(one.strip() for one in private.split(",") if one.strip()),
    }
    return {key: value for key, value in given.items() if value is not None}
