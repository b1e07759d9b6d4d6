"""The command that measures a folder of pairs."""

from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from grindcheck.console import NoLens, told

EXIT_SOME_FAILED = 1


def batch(
    context: typer.Context,
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER",
            help="Photos whose names end in _1 and _2, _a and _b, or _left and _right, or that were taken "
            "two and two; or a pairs.csv of the columns knife, photo 1, photo 2, thickness.",
        ),
    ],
    csv_file: Annotated[
        Path, typer.Option("--csv", metavar="FILE", help="The table to write, one row a pair; it grows.")
    ],
    thickness: Annotated[
        str | None, typer.Option(help="Stock thickness of all pairs.", show_default="as pairs.csv has it")
    ] = None,
    no_lens: NoLens = False,
    workers: Annotated[
        int | None,
        typer.Option(min=1, help="Processes that measure, at most.", show_default="as many as cores"),
    ] = None,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Measure on a Dask cluster, as tcp://10.0.0.5:8786.")
    ] = None,
    results: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Write each pair's result there, as JSON and as a picture."),
    ] = None,
    only_list: Annotated[
        bool, typer.Option("--list", help="Say which photos make a pair, and measure nothing.")
    ] = False,
) -> None:
    """Measure all pairs of a folder with all cores; run it again to go on where it stopped.

    Exit codes: 0 all measured, 1 some pairs couldn't be, 2 error.
    """
    with told(context):
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        from grindcheck import options
        from grindcheck.batch import Table, seen
        from grindcheck.batch_measuring import has_files, keep_files
        from grindcheck.batch_pairing import jobs_in
        from grindcheck.batch_workers import measured_here, measured_on_cluster, workers_for
        from grindcheck.folderlock import only_one

        jobs, alone = jobs_in(
            folder, options.read_thickness(thickness) if thickness else None, kept_lens=not no_lens
        )
        for path in alone:
            typer.echo(f"{path.name} pairs with no other photo and is left out.", err=True)
        for job in jobs:
            one, other = (path.name for path in job.photos)
            how = ", paired by time" if job.by_time else ""
            typer.echo(f"{job.knife}: {one}, {other}, {job.thickness_mm:.2f} mm{how}", err=not only_list)
        if only_list:
            return
        stack = context.with_resource(ExitStack())
        for lock in (folder / ".grindcheck.lock", csv_file.parent / f".{csv_file.name}.lock"):
            stack.enter_context(only_one(lock, what=f"Another batch runs in {folder} or writes {csv_file}"))
        table = Table(csv_file)
        jobs = tuple(map(seen, jobs))
        done = {job for job in jobs if table.has(job)}
        bare = set() if results is None else {job for job in done if not has_files(results, job)}
        left = [replace(job, files=results is not None) for job in jobs if job not in done or job in bare]
        if done:
            typer.echo(f"{len(done)} of {len(jobs)} pairs are done already.", err=True)
        if bare:
            typer.echo(f"{len(bare)} of these have no result in {results}: measured again.", err=True)
        failed = 0
        each = (
            measured_on_cluster(left, cluster) if cluster else measured_here(left, workers_for(left, workers))
        )
        bar = Progress(
            TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(),
            console=Console(stderr=True),
        )  # fmt: skip
        with bar:
            task = bar.add_task("pairs", total=len(left))
            for job, cells in each:
                if results is not None and "files" in cells:
                    keep_files(results, job, cells["files"])  # before the row, which says that all is done
                table.add(job, cells)
                if cells.get("error"):
                    failed += 1
                    bar.console.print(f"{job.knife}: {cells['error']}", markup=False, highlight=False)
                bar.advance(task)
        typer.echo(f"{csv_file}: {len(left) - failed} pairs measured, {failed} not.")
        if failed:
            raise typer.Exit(EXIT_SOME_FAILED)
