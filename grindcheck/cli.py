"""The command line: it reads options, calls the pipeline and prints. Heavy imports wait for the command."""

import math
import os
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Annotated, Any

import typer

from grindcheck import (
    __version__,
    cli_batch,
    cli_calibrate,
    cli_gauge,
    cli_records_check,
    cli_records_sheet,
    cli_records_upkeep,
    cli_selftest,
    settings,
)
from grindcheck.cli_records import records
from grindcheck.console import (
    EXIT_CODES,
    EXIT_ERROR,
    BarX,
    BarY,
    FlatHeight,
    GrindGiven,
    JsonFile,
    NoLens,
    Paper,
    PaperSeen,
    PictureFile,
    Units,
)
from grindcheck.console import complain as _complain
from grindcheck.console import told as _told
from grindcheck.errors import InputError, OutputError

_HAND = "x1,y1,x2,y2,... in pixels of the upright photo"

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Compare the two faces of a ground blade, or find the scratches in its finish, from phone photos on "
    "a printed mat.",
    epilog="Exit codes: 0 match or clean, 1 mismatch or scratched, 2 error, 3 cannot tell.",
)
records.command("check")(cli_records_check.check)
records.command("bin")(cli_records_upkeep.throw_away)
records.command("export")(cli_records_upkeep.export)
records.command("import")(cli_records_upkeep.take_in)
records.command("verify")(cli_records_upkeep.verify)
records.command("trend")(cli_records_upkeep.trend)
records.command("sheet")(cli_records_sheet.sheet)
app.add_typer(records)


def main() -> None:
    """Run the command line."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a console that lacks a sign shows a stand-in instead of failing
            stream.reconfigure(errors="replace")
    # many small solves: a second thread in each costs more than it brings
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    app()


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"grindcheck {__version__}")
        raise typer.Exit


@app.callback()
def _whole(
    context: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show where an error comes from.")] = False,
) -> None:
    context.obj = debug


@app.command()
def check(
    context: typer.Context,
    photos: Annotated[
        list[Path],
        typer.Argument(
            metavar="PHOTO PHOTO",
            show_default=False,
            help="One of each face, in any order; more pairs of the same blade after them.",
        ),
    ],
    thickness: Annotated[
        str | None, typer.Option(help="Stock thickness, as 4mm, 3/16in or 0.187in.", show_default=False)
    ] = None,
    flat_height: FlatHeight = None,
    edge_thickness: Annotated[
        str, typer.Option(help="Edge thickness before sharpening.")
    ] = f"{settings.EDGE_MM:g}mm",
    tolerance: Annotated[
        str, typer.Option(help="Allowed difference of plunge and bevel height.")
    ] = f"{settings.PLUNGE_TOLERANCE_MM:g}mm",
    angle_tolerance: Annotated[
        str, typer.Option(help="Allowed difference of the plunge angle.")
    ] = f"{math.degrees(settings.ANGLE_TOLERANCE_RAD):g}deg",
    grind: GrindGiven = None,
    paper: PaperSeen = None,
    bar_x: BarX = None,
    bar_y: BarY = None,
    no_lens: NoLens = False,
    faces: Annotated[
        str | None,
        typer.Option(
            metavar="SIDE,SIDE",
            help="Which face each photo shows, as left,right.",
            show_default="told from tip and edge",
        ),
    ] = None,
    plunge_left: Annotated[str | None, typer.Option(help=f"Left plunge line by hand: {_HAND}.")] = None,
    plunge_right: Annotated[str | None, typer.Option(help="Right plunge line by hand.")] = None,
    shoulder_left: Annotated[str | None, typer.Option(help="Left shoulder line by hand.")] = None,
    shoulder_right: Annotated[str | None, typer.Option(help="Right shoulder line by hand.")] = None,
    units: Annotated[Units, typer.Option(help="Millimetres, inches, or both.")] = "both",
    json_file: JsonFile = None,
    picture: PictureFile = None,
) -> None:
    """Measure both faces of a blade and say whether they match.

    Exit codes: 0 match, 1 mismatch, 2 error, 3 cannot tell.
    """
    with _told(context):
        from grindcheck import options
        from grindcheck.pairs import check_pairs, require_pairs
        from grindcheck.pipeline import Request
        from grindcheck.verdict import judge

        lines = (plunge_left, plunge_right, shoulder_left, shoulder_right)
        require_pairs(len(photos), bound=any((faces, *lines)))
        thickness_mm = options.read_thickness(thickness)
        request = Request(
            photos=(photos[0], photos[1]),
            thickness_mm=thickness_mm,
            height_mm=options.read_height(flat_height, thickness_mm),
            edge_mm=options.read_edge(edge_thickness, thickness_mm),
            paper=paper,
            bar_x_mm=options.read_bar(bar_x, "x"),
            bar_y_mm=options.read_bar(bar_y, "y"),
            kept_lens=not no_lens,
            grind=None if grind is None else grind.replace("-", " "),
            faces=options.read_faces(faces),
            hand_lines={
                name: options.read_line(name, text)
                for name, text in (
                    ("plunge-left", plunge_left),
                    ("plunge-right", plunge_right),
                    ("shoulder-left", shoulder_left),
                    ("shoulder-right", shoulder_right),
                )
                if text is not None
            },
        )
        tolerances = options.read_tolerances(tolerance, angle_tolerance)
        _check_outputs(photos, json_file, picture)
        found = check_pairs(request, photos)
        comparison = found.comparison
        verdict = judge(comparison, tolerances)

        from grindcheck.report.data import report_data, write_json
        from grindcheck.report.text import text_report
        from grindcheck.report.words import left_out

        for sentence in left_out(found.left_out, [path.name for path in photos]):
            typer.echo(sentence, err=True)

        def write_picture(path: Path) -> None:
            from grindcheck.report.picture import write_picture

            write_picture(comparison, verdict, path, units=units)

        code = _tell(
            text_report(comparison, verdict, units=units),
            verdict.decision,
            data=lambda: report_data(comparison, verdict),
            write_json=lambda path: write_json(comparison, verdict, path),
            write_picture=write_picture,
            json_file=json_file,
            picture=picture,
        )
        raise typer.Exit(code)


@app.command()
def finish(
    context: typer.Context,
    photos: Annotated[
        list[Path],
        typer.Argument(
            metavar="PHOTO...",
            show_default=False,
            help="Of one face or both; several of one face, each lit from another side, are combined.",
        ),
    ],
    thickness: Annotated[
        str | None,
        typer.Option(
            help="Stock thickness, as 4mm or 3/16in; needed if the blade lies on the mat.", show_default=False
        ),
    ] = None,
    flat_height: FlatHeight = None,
    grind: GrindGiven = None,
    paper: PaperSeen = None,
    bar_x: BarX = None,
    bar_y: BarY = None,
    no_lens: NoLens = False,
    faces: Annotated[
        str | None,
        typer.Option(
            metavar="SIDE,...",
            help="Which face each photo shows, as left,left,right.",
            show_default="told from tip and edge",
        ),
    ] = None,
    mask: Annotated[
        list[str] | None,
        typer.Option(
            help="A part not to search: x1,y1,x2,y2,x3,y3,... in pixels of the upright photo; 2: before it "
            "for the second photo. May be repeated.",
            show_default=False,
        ),
    ] = None,
    before: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="EARLIER",
            help="An earlier photo of a face: tells what is new, gone, unchanged. May be repeated.",
            show_default=False,
        ),
    ] = None,
    accept: Annotated[
        str | None,
        typer.Option(
            help='Accepted on each face, as "longest 3 mm, count 2, bevel none", or a text file with that.',
            show_default="no scratch",
        ),
    ] = None,
    false_finds: Annotated[
        float, typer.Option(help="How often texture alone may pass for a scratch, per face.")
    ] = settings.FALSE_FINDS,
    units: Annotated[Units, typer.Option(help="Millimetres or inches; both is mm here.")] = "both",
    json_file: JsonFile = None,
    picture: PictureFile = None,
) -> None:
    """Find the scratches in a finish and say whether they are accepted.

    Exit codes: 0 clean, 1 scratched, 2 error, 3 cannot tell.
    """
    with _told(context):
        from grindcheck import options
        from grindcheck.finish.acceptance import judge_finish
        from grindcheck.finish.request import FinishRequest

        thickness_mm = None if thickness is None else options.read_thickness(thickness)
        if thickness_mm is None and flat_height is not None:
            raise InputError(
                "The flat's height is given, but not the stock thickness.",
                advice="Give both, as in --thickness 4mm --flat-height 10mm.",
            )
        request = FinishRequest(
            photos=tuple(photos),
            thickness_mm=thickness_mm,
            height_mm=None if thickness_mm is None else options.read_height(flat_height, thickness_mm),
            paper=paper,
            bar_x_mm=options.read_bar(bar_x, "x"),
            bar_y_mm=options.read_bar(bar_y, "y"),
            kept_lens=not no_lens,
            grind=None if grind is None else grind.replace("-", " "),
            faces=options.read_sides(faces, len(photos)),
            masks=tuple(options.read_mask(text, len(photos)) for text in mask or ()),
            before=tuple(before or ()),
            false_finds=options.read_false_finds(false_finds),
        )
        limits = options.read_accept(accept)
        _check_outputs((*request.photos, *request.before), json_file, picture)

        from grindcheck.finish.check import check_finish

        found = check_finish(request)
        verdict = judge_finish(found, limits)

        from grindcheck.report.finish_data import finish_data, write_finish_json
        from grindcheck.report.finish_text import finish_text

        def write_picture(path: Path) -> None:
            from grindcheck.report.finish_picture import write_finish_picture

            write_finish_picture(found, verdict, path, units=units)

        code = _tell(
            finish_text(found, verdict, units=units),
            verdict.decision,
            data=lambda: finish_data(found, verdict),
            write_json=lambda path: write_finish_json(found, verdict, path),
            write_picture=write_picture,
            json_file=json_file,
            picture=picture,
        )
        raise typer.Exit(code)


@app.command()
def mat(
    context: typer.Context,
    paper: Annotated[Paper, typer.Option(help="Paper size.", show_default=False)],
    strip: Annotated[
        bool, typer.Option("--strip", help="Strips to lay beside a blade in a close-up, instead of the mat.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="The PDF to write.", show_default="mat_PAPER.pdf or strip_PAPER.pdf"
        ),
    ] = None,
    bar_x: Annotated[
        str | None, typer.Option(help="Keep this calliper reading of the long bar; nothing is drawn.")
    ] = None,
    bar_y: Annotated[
        str | None, typer.Option(help="Keep this calliper reading of the short bar; nothing is drawn.")
    ] = None,
) -> None:
    """Write the mat or a sheet of strips to print as a PDF, or keep what a calliper reads on its bars."""
    with _told(context):
        if (bar_x is None and bar_y is None) or out is not None:
            target = out or Path(f"{'strip' if strip else 'mat'}_{paper}.pdf")
            if strip:
                from grindcheck.mat.strip_sheet import draw_strips
                from grindcheck.mat.strips import strip_sheet

                draw_strips(strip_sheet(paper), target)
            else:
                from grindcheck.mat.drawing import draw_mat
                from grindcheck.mat.spec import mat_spec

                draw_mat(mat_spec(paper), target)
            typer.echo(f"{target} is written: print it at 100 % / actual size, then measure its two bars.")
        if bar_x is not None or bar_y is not None:
            from grindcheck import options
            from grindcheck.printscale import save_print_scale

            name = "strip" if strip else paper
            kept = save_print_scale(name, options.read_bar(bar_x, "x"), options.read_bar(bar_y, "y"))
            typer.echo(f"Kept for {name}: {kept.x:.2%} along x, {kept.y:.2%} along y of the true size.")
            if not kept.measured:
                typer.echo("One bar isn't measured yet; give the other one too.")


@app.command()
def serve(
    context: typer.Context,
    network: Annotated[
        bool, typer.Option("--network", help="Let paired phones of the shop's network in.")
    ] = False,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port to listen on; 0 for any.")] = 8765,
    sample: Annotated[
        bool, typer.Option("--sample", help="Show sample knives; your own record isn't touched.")
    ] = False,
    workers: Annotated[
        int | None,
        typer.Option(min=1, max=64, help="Processes that measure.", show_default="one fewer than cores"),
    ] = None,
) -> None:
    """Open the page on this computer: knives, checks and photos, for a phone at the bench too."""
    with _told(context):
        from grindcheck.page.serving import serve as open_page

        open_page(port=port, network=network, sample=sample, workers=workers, say=typer.echo)


app.command()(cli_batch.batch)
app.command()(cli_calibrate.calibrate)
app.command()(cli_gauge.gauge)
app.command()(cli_selftest.selftest)


def _check_outputs(photos: Iterable[Path], json_file: str | None, picture: Path | None) -> None:
    """Refuse before the work what can only be a slip: an unknown kind of picture, or a photo written over."""
    if picture is not None:
        from grindcheck.report.picture import check_suffix

        check_suffix(picture)
    outputs = [path for path in (picture, _json_path(json_file)) if path is not None]
    taken = [photo.resolve() for photo in photos]
    for path in outputs:
        if path.resolve() in taken:
            raise InputError(
                f"{path} would be written over, but it was already named.",
                advice="Give each output a file name of its own.",
            )
        taken.append(path.resolve())


def _json_path(json_file: str | None) -> Path | None:
    return None if json_file in (None, "-") else Path(str(json_file))


def _tell(
    text: str,
    decision: str,
    *,
    data: Callable[[], dict[str, Any]],
    write_json: Callable[[Path], None],
    write_picture: Callable[[Path], None],
    json_file: str | None,
    picture: Path | None,
) -> int:
    """Print first, then write each file, so that one that can't be written costs nothing else."""
    from grindcheck.report.data import json_text

    to_stdout = json_file == "-"
    _print_text(text, decision, err=to_stdout)
    writers: list[tuple[Callable[[Path], None], Path]] = []
    path = _json_path(json_file)
    if to_stdout:
        typer.echo(json_text(data()), nl=False)
    elif path is not None:
        writers.append((write_json, path))
    if picture is not None:
        writers.append((write_picture, picture))
    code = EXIT_CODES[decision]
    for write, target in writers:
        try:
            write(target)
        except OutputError as problem:
            _complain(problem.message, problem.advice)
            code = EXIT_ERROR
    return code


def _print_text(text: str, decision: str, *, err: bool) -> None:
    """Print a report, its first word in bold and colour where a terminal shows them."""
    colours = {0: typer.colors.GREEN, 1: typer.colors.RED}
    word, rest = text[: len(decision)], text[len(decision) :]
    typer.secho(word, nl=False, bold=True, fg=colours.get(EXIT_CODES[decision], typer.colors.YELLOW), err=err)
    typer.echo(rest, nl=False, err=err)
