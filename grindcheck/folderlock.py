"""One process at a time in a folder: a lock that the system takes back when its holder ends, however."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from grindcheck.errors import InputError

_BYTE = 1 << 20  # far behind what the file says, so that others can read that


@contextmanager
def only_one(path: Path, *, what: str) -> Iterator[None]:
    """Hold a lock while the block runs.

    Parameters
    ----------
    path : Path
        The lock's file; it stays behind, empty or with the holder's process id, and means nothing by itself.
        Where it can't be made, in a folder that can't be written, there is no lock.
    what : str
        What is already going on if somebody else holds it, to begin a sentence with.

    Raises
    ------
    InputError
        If another process holds it.
    """
    try:
        stream = path.open("a+b")
    except OSError:
        yield
        return
    with stream:
        if not _taken(stream.fileno()):
            stream.seek(0)
            holder = stream.read(20).decode("ascii", "replace").strip()
            raise InputError(
                f"{what} (process {holder or 'unknown'}).",
                advice="Wait until it is done, or stop it and start this again.",
            )
        stream.truncate(0)
        stream.write(str(os.getpid()).encode("ascii"))
        stream.flush()
        try:
            yield
        finally:
            stream.truncate(0)
            _give_back(stream.fileno())


def _taken(number: int) -> bool:
    """Whether this process could lock the file with that descriptor."""
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(number, _BYTE, os.SEEK_SET)
            msvcrt.locking(number, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    except OSError:
        return True  # a file system without locks
    return True


def _give_back(number: int) -> None:
    if sys.platform == "win32":
        import msvcrt

        with suppress(OSError):
            os.lseek(number, _BYTE, os.SEEK_SET)
            msvcrt.locking(number, msvcrt.LK_UNLCK, 1)
