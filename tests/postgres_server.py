"""A PostgreSQL server of the tests' own, where its programs are installed."""

import os
import secrets
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

_SECONDS = 60


def programs() -> Path | None:
    """Return the folder of initdb and postgres; Debian keeps them off the path."""
    found = shutil.which("initdb")
    folders = [Path(found).resolve().parent] if found else []
    folders += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    return next((one for one in folders if shutil.which("postgres", path=str(one))), None)


def other_user() -> dict[str, Any]:
    """Return how to start a program as who may run a server: anybody but the superuser."""
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        return {}
    import pwd

    for name in ("postgres", "nobody"):
        try:
            who = pwd.getpwnam(name)
        except KeyError:
            continue
        return {"user": who.pw_uid, "group": who.pw_gid, "extra_groups": []}
    raise LookupError("there is no user for a server")


@contextmanager
def running() -> Iterator[str]:
    """Run a server; give the address of its first database."""
    folder = programs()
    if folder is None:
        raise LookupError("initdb and postgres aren't installed")
    who = other_user()
    with tempfile.TemporaryDirectory(prefix="grindcheck-postgres-", ignore_cleanup_errors=True) as name:
        home = Path(name)
        if who:
            os.chown(home, who["user"], who["group"])
        data, log = home / "data", home / "log"
        quiet: dict[str, Any] = {
            "cwd": home,
            "stdout": subprocess.DEVNULL,
            "stderr": subprocess.DEVNULL,
            **who,
        }
        subprocess.run(
            [folder / "initdb", "-D", data, "-U", "bench", "-A", "trust", "-E", "UTF8", "--locale=C", "-N"],
            check=True, timeout=_SECONDS, **quiet,
        )  # fmt: skip
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        options = ["-h", "127.0.0.1", "-p", str(port), "-k", str(home), "-c", f"log_directory={log}"]
        server = subprocess.Popen([folder / "postgres", "-D", data, *options], **quiet)
        try:
            _wait(port, server)
            yield f"postgresql+psycopg://bench@127.0.0.1:{port}/postgres"
        finally:
            server.terminate()
            try:
                server.wait(timeout=_SECONDS / 4)
            except subprocess.TimeoutExpired:  # it waits for connections that a failed test left open
                server.kill()
                server.wait(timeout=_SECONDS)


def _wait(port: int, server: "subprocess.Popen[bytes]") -> None:
    import psycopg

    end = time.monotonic() + _SECONDS
    while True:
        if server.poll() is not None:
            raise RuntimeError(f"the server ended with {server.returncode}")
        try:
            psycopg.connect(host="127.0.0.1", port=port, user="bench", dbname="postgres").close()
            return
        except psycopg.OperationalError:
            if time.monotonic() > end:
                raise
            time.sleep(0.1)


def new_database(url: str) -> str:
    """Make an empty database on a server; return its address."""
    from sqlalchemy import create_engine, make_url

    name = f"knives_{secrets.token_hex(4)}"
    engine = create_engine(url, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.exec_driver_sql(f"create database {name} encoding 'UTF8' template template0")
    engine.dispose()
    return make_url(url).set(database=name).render_as_string(hide_password=False)
