"""What all commands share: options of the same meaning, exit codes, and how an error is told."""

import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Literal

import typer

from grindcheck.errors import GrindcheckError

EXIT_CODES = {"match": 0, "clean": 0, "mismatch": 1, "scratched": 1, "cannot tell": 3}
EXIT_ERROR = 2

Paper = Literal["a4", "letter", "a3", "tabloid"]
Grind = Literal["sabre", "scandi", "full-flat", "hollow", "convex"]
Units = Literal["mm", "in", "both"]

FlatHeight = Annotated[
    str | None,
    typer.Option(
        help="Height of the upper flat above the paper: stock plus one scale.", show_default="thickness"
    ),
]
GrindGiven = Annotated[
    Grind | None, typer.Option(help="The grind, if it isn't found by itself.", show_default=False)
]
PaperSeen = Annotated[Paper | None, typer.Option(help="The mat that must be seen.", show_default="as seen")]
BarX = Annotated[
    str | None, typer.Option(help="Calliper reading of the mat's long bar, or of its 140 mm piece.")
]
BarY = Annotated[
    str | None, typer.Option(help="Calliper reading of the mat's short bar, or of its 140 mm piece.")
]
NoLens = Annotated[
    bool,
    typer.Option("--no-lens", help="Leave out the phone's lens as calibrated; each photo tells its own."),
]
JsonFile = Annotated[
    str | None,
    typer.Option("--json", metavar="FILE", help="Write the result as JSON; - for standard output."),
]
PictureFile = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Write a picture of the result: .png, .jpg or .pdf.")
]


def complain(message: str, advice: str) -> None:
    """Tell what is wrong and what to do, on standard error."""
    typer.echo(f"Error: {message}", err=True)
    typer.echo(f"What to do: {advice}", err=True)


@contextmanager
def told(context: typer.Context) -> Iterator[None]:
    """Turn what goes wrong into two lines on standard error and exit code 2."""
    try:
        yield
    except typer.Exit:
        raise
    except GrindcheckError as problem:
        complain(problem.message, problem.advice)
        _trace(context)
    except KeyboardInterrupt:
        complain("Stopped before the result.", "Run it again when you want to.")
    except MemoryError:
        complain("The memory isn't enough.", "Close other programs, or take the photo at 12 megapixels.")
        _trace(context)
    except Exception as problem:
        command = context.command_path.split()[1:]
        complain(
            f"Something unforeseen went wrong ({type(problem).__name__}: {problem}).",
            f"Run it again with grindcheck --debug {' '.join(command)} ... and report what it prints.",
        )
        _trace(context)
    else:
        return
    raise typer.Exit(EXIT_ERROR)


def _trace(context: typer.Context) -> None:
    if context.obj:
        traceback.print_exc()
