"""A record's schema is made or brought up to date: all steps and the note that they ran, or none."""

import sqlite3
from collections.abc import Callable, Iterable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from alembic.operations import Operations
from alembic.runtime.migration import MigrationContext, MigrationStep
from alembic.script import ScriptDirectory
from sqlalchemy import inspect
from sqlalchemy.engine import Connection

from grindcheck import __version__
from grindcheck.errors import RecordError

STEPS = Path(__file__).parent / "migrations"


def bring_up_to_date(
    connection: Connection,
    file: Path | None,
    *,
    lock: Callable[[Connection], None] = lambda connection: None,
    steps: Path | None = None,
) -> None:
    """Run the steps that a record still lacks.

    Parameters
    ----------
    connection : Connection
        Begins for writing.
    file : Path or None
        The SQLite file, of which a backup copy is made beside it before a step changes it.
    lock : callable
        Waits until no other process brings the same record up to date.
    steps : Path, optional
        The folder of the steps.

    Raises
    ------
    RecordError
        If a newer program wrote the record, or the file is another program's.
    """
    scripts = ScriptDirectory(str(STEPS), version_locations=[str(steps or STEPS)])
    newest = scripts.get_current_head()
    with connection.begin():
        lock(connection)
        now = _revision(connection)
        if now == newest:
            return
        _refuse_foreign(connection, file, now, scripts)
        if now is not None and file is not None:
            _back_up(file, str(newest))
        _run(connection, scripts, now)


def _revision(connection: Connection) -> str | None:
    return MigrationContext.configure(connection).get_current_revision()


def _refuse_foreign(
    connection: Connection, file: Path | None, now: str | None, scripts: ScriptDirectory
) -> None:
    known = {script.revision for script in scripts.walk_revisions()}
    if now is not None and now not in known:
        raise RecordError(
            f"The record is of schema {now}; this program, grindcheck {__version__}, knows up to "
            f"{scripts.get_current_head()}, so a newer one has written it.",
            advice="Update grindcheck; the record is left as it is.",
        )
    if now is None and file is not None and inspect(connection).get_table_names():
        raise RecordError(
            f"{file} is a database, but no record of grindcheck.",
            advice="Let GRINDCHECK_HOME name another folder, or move that file away.",
        )


def _back_up(file: Path, newest: str) -> None:
    """Copy the file as it is, with what its log still holds; the backup appears whole or not at all."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%fZ")
    target = file.with_name(f"{file.stem}-before-{newest}-{stamp}{file.suffix}")
    beside = target.with_name(f".{target.name}.part")
    try:
        with closing(sqlite3.connect(file)) as source, closing(sqlite3.connect(beside)) as copy:
            source.backup(copy)
        beside.replace(target)
    finally:
        beside.unlink(missing_ok=True)


def _run(connection: Connection, scripts: ScriptDirectory, now: str | None) -> None:
    def missing(_: Any, context: MigrationContext) -> Iterable[MigrationStep]:
        found = list(scripts.iterate_revisions("head", now or "base"))
        return [MigrationStep.upgrade_from_script(scripts.revision_map, script) for script in reversed(found)]

    # SQLite rolls back changes of the schema too, which Alembic doesn't expect of it
    context = MigrationContext.configure(connection, opts={"fn": missing, "transactional_ddl": True})
    with Operations.context(context):
        context.run_migrations()
