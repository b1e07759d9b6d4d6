"""Small files of the user's data folder, replaced in one step."""

import os
import tempfile
from contextlib import suppress
from pathlib import Path


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
