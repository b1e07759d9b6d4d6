"""Small files of the user's data folder, replaced in one step and read with care."""

import json
import os
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

LARGEST_BYTES = 20_000_000  # a kept entry has some hundred bytes


def replace_text(path: Path, text: str) -> None:
    """Replace a file in one step, so that a crash leaves the old or the new one.

    Parameters
    ----------
    path : Path
        Its folder is made if it isn't there.
    text : str
        Written in UTF-8.

    Raises
    ------
    OSError
        If it can't be written; the old file is left as it was then.
    """
    temporary = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(
            "w", encoding="utf-8", dir=path.parent, prefix=f".{path.stem}", suffix=".tmp", delete=False
        ) as file:
            temporary = Path(file.name)
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
    except OSError:
        if temporary is not None:
            with suppress(OSError):
                temporary.unlink()
        raise


def read_json(path: Path) -> Any:
    """Read a JSON file that somebody may have damaged.

    Parameters
    ----------
    path : Path

    Raises
    ------
    FileNotFoundError
        If it isn't there.
    ValueError
        If it can't be read, is larger than `LARGEST_BYTES`, no JSON in UTF-8, or nested too deeply; the
        message says why, in a few words for a sentence of the caller's.
    """
    try:
        size = path.stat().st_size
        if size > LARGEST_BYTES:
            raise ValueError(f"it has {size / 1e6:.0f} MB")
        return json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise
    except OSError as problem:
        raise ValueError(problem.strerror or str(problem)) from problem
    except RecursionError:
        raise ValueError("it is nested too deeply") from None


def read_history(
    path: Path,
    sound: Callable[[dict[str, Any]], bool],
    *,
    unpacked: Callable[[Any], Any] = lambda stored: stored,
) -> dict[str, list[dict[str, Any]]]:
    """Read a file that keeps a list of entries under each name; empty if it isn't there.

    Parameters
    ----------
    path : Path
    sound : callable
        Tells whether an entry is one.
    unpacked : callable, optional
        Takes the history out of what the file says beside it, as its format.

    Raises
    ------
    ValueError
        If it can't be read or an entry isn't sound; the message says why.
    """
    try:
        history = unpacked(read_json(path))
    except FileNotFoundError:
        return {}
    if not isinstance(history, dict) or not all(isinstance(entries, list) for entries in history.values()):
        raise ValueError("it has no list of entries under each name")
    for name, entries in history.items():
        for number, entry in enumerate(entries, start=1):
            if not isinstance(entry, dict) or not sound(entry):
                raise ValueError(f"entry {number} of {name[:60]!r} isn't laid out as it should be")
    return history
