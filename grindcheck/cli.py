"""The command line: it reads options, calls the pipeline and prints. Heavy imports wait for the command."""

import math
import os
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from grindcheck import __version__, settings
from grindcheck.errors import GrindcheckError, InputError, OutputError

if TYPE_CHECKING:
    from grindcheck.pipeline import Request
    from grindcheck.results import Comparison
    from grindcheck.verdict import Verdict

EXIT_CODES = {"match": 0, "mismatch": 1, "cannot tell": 3}
EXIT_ERROR = 2

Paper = Literal["a4", "letter", "a3", "tabloid"]
Grind = Literal["sabre", "scandi", "full-flat", "hollow", "convex"]
Units = Literal["mm", "in", "both"]

_HAND = "x1,y1,x2,y2,... in pixels of the upright photo"

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Compare the two faces of a ground blade from two phone photos on a printed mat.",
    epilog="Exit codes: 0 match, 1 mismatch, 2 error, 3 cannot tell.",
)


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
        typer.Argument(metavar="PHOTO PHOTO", show_default=False, help="One of each face, in any order."),
    ],
    thickness: Annotated[
        str | None, typer.Option(help="Stock thickness, as 4mm, 3/16in or 0.187in.", show_default=False)
    ] = None,
    flat_height: Annotated[
        str | None,
        typer.Option(
            help="Height of the upper flat above the paper: stock plus one scale.", show_default="thickness"
        ),
    ] = None,
    edge_thickness: Annotated[
        str, typer.Option(help="Edge thickness before sharpening.")
    ] = f"{settings.EDGE_MM:g}mm",
    tolerance: Annotated[
        str, typer.Option(help="Allowed difference of plunge and bevel height.")
    ] = f"{settings.PLUNGE_TOLERANCE_MM:g}mm",
    angle_tolerance: Annotated[
        str, typer.Option(help="Allowed difference of the plunge angle.")
    ] = f"{math.degrees(settings.ANGLE_TOLERANCE_RAD):g}deg",
    grind: Annotated[
        Grind | None, typer.Option(help="The grind, if it isn't found by itself.", show_default=False)
    ] = None,
    paper: Annotated[
        Paper | None, typer.Option(help="The mat that must be seen.", show_default="as seen")
    ] = None,
    bar_x: Annotated[
        str | None, typer.Option(help="Calliper reading of the mat's long bar, or of its 140 mm piece.")
    ] = None,
    bar_y: Annotated[
        str | None, typer.Option(help="Calliper reading of the mat's short bar, or of its 140 mm piece.")
    ] = None,
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
    json_file: Annotated[
        str | None,
        typer.Option("--json", metavar="FILE", help="Write the result as JSON; - for standard output."),
    ] = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a picture of the result: .png, .jpg or .pdf.")
    ] = None,
) -> None:
    """Measure both faces of a blade and say whether they match.

    Exit codes: 0 match, 1 mismatch, 2 error, 3 cannot tell.
    """
    with _told(context):
        from grindcheck import options
        from grindcheck.pipeline import Request, check_pair
        from grindcheck.verdict import judge

        if len(photos) != 2:
            raise InputError(
                f"Two photos are needed, one of each face; {len(photos)} came.",
                advice="Name two photo files: grindcheck check left.jpg right.jpg --thickness 4mm.",
            )
        thickness_mm = options.read_thickness(thickness)
        request = Request(
            photos=(photos[0], photos[1]),
            thickness_mm=thickness_mm,
            height_mm=options.read_height(flat_height, thickness_mm),
            edge_mm=options.read_edge(edge_thickness, thickness_mm),
            paper=paper,
            bar_x_mm=options.read_bar(bar_x, "x"),
            bar_y_mm=options.read_bar(bar_y, "y"),
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
        _check_outputs(request, json_file, picture)
        comparison = check_pair(request)
        verdict = judge(comparison, tolerances)
        raise typer.Exit(_tell(comparison, verdict, units=units, json_file=json_file, picture=picture))


@app.command()
def mat(
    context: typer.Context,
    paper: Annotated[Paper, typer.Option(help="Paper size.", show_default=False)],
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The PDF to write.", show_default="mat_PAPER.pdf")
    ] = None,
    bar_x: Annotated[
        str | None, typer.Option(help="Keep this calliper reading of the long bar; nothing is drawn.")
    ] = None,
    bar_y: Annotated[
        str | None, typer.Option(help="Keep this calliper reading of the short bar; nothing is drawn.")
    ] = None,
) -> None:
    """Write the mat to print as a PDF, or keep what a calliper reads on its bars."""
    with _told(context):
        if (bar_x is None and bar_y is None) or out is not None:
            from grindcheck.mat.drawing import draw_mat
            from grindcheck.mat.spec import mat_spec

            target = out or Path(f"mat_{paper}.pdf")
            draw_mat(mat_spec(paper), target)
            typer.echo(f"{target} is written: print it at 100 % / actual size, then measure its two bars.")
        if bar_x is not None or bar_y is not None:
            from grindcheck import options
            from grindcheck.printscale import save_print_scale

            kept = save_print_scale(paper, options.read_bar(bar_x, "x"), options.read_bar(bar_y, "y"))
            typer.echo(f"Kept for {paper}: {kept.x:.2%} along x, {kept.y:.2%} along y of the true size.")
            if not kept.measured:
                typer.echo("One bar isn't measured yet; give the other one too.")


def _check_outputs(request: "Request", json_file: str | None, picture: Path | None) -> None:
    """Refuse before the work what can only be a slip: an unknown kind of picture, or a photo written over."""
    if picture is not None:
        from grindcheck.report.picture import check_suffix

        check_suffix(picture)
    outputs = [path for path in (picture, _json_path(json_file)) if path is not None]
    taken = [photo.resolve() for photo in request.photos]
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
    comparison: "Comparison", verdict: "Verdict", *, units: Units, json_file: str | None, picture: Path | None
) -> int:
    """Print first, then write each file, so that one that can't be written costs nothing else."""
    from grindcheck.report.data import json_text, report_data, write_json
    from grindcheck.report.text import text_report

    to_stdout = json_file == "-"
    _print_text(text_report(comparison, verdict, units=units), verdict.decision, err=to_stdout)
    writers: list[Callable[[], None]] = []
    path = _json_path(json_file)
    if to_stdout:
        typer.echo(json_text(report_data(comparison, verdict)), nl=False)
    elif path is not None:
        writers.append(lambda: write_json(comparison, verdict, path))
    if picture is not None:
        from grindcheck.report.picture import write_picture

        writers.append(lambda: write_picture(comparison, verdict, picture, units=units))
    code = EXIT_CODES[verdict.decision]
    for write in writers:
        try:
            write()
        except OutputError as problem:
            _complain(problem.message, problem.advice)
            code = EXIT_ERROR
    return code


def _print_text(text: str, decision: str, *, err: bool) -> None:
    """Print a report, its first word in bold and colour where a terminal shows them."""
    colours = {"match": typer.colors.GREEN, "mismatch": typer.colors.RED}
    word, rest = text[: len(decision)], text[len(decision) :]
    typer.secho(word, nl=False, bold=True, fg=colours.get(decision, typer.colors.YELLOW), err=err)
    typer.echo(rest, nl=False, err=err)


def _complain(message: str, advice: str) -> None:
    typer.echo(f"Error: {message}", err=True)
    typer.echo(f"What to do: {advice}", err=True)


@contextmanager
def _told(context: typer.Context) -> Iterator[None]:
    """Turn what goes wrong into two lines on standard error and exit code 2."""
    try:
        yield
    except typer.Exit:
        raise
    except GrindcheckError as problem:
        _complain(problem.message, problem.advice)
        _trace(context)
    except KeyboardInterrupt:
        _complain("Stopped before the result.", "Run it again when you want to.")
    except MemoryError:
        _complain("The memory isn't enough.", "Close other programs, or take the photo at 12 megapixels.")
        _trace(context)
    except Exception as problem:
        _complain(
            f"Something unforeseen went wrong ({type(problem).__name__}: {problem}).",
            "Run it again with grindcheck --debug check ... and report what it prints.",
        )
        _trace(context)
    else:
        return
    raise typer.Exit(EXIT_ERROR)


def _trace(context: typer.Context) -> None:
    if context.obj:
        traceback.print_exc()
