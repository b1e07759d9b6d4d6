"""The user's data folder, where readings of the mat's bars and the record are kept."""

import os
from pathlib import Path


def home_folder() -> Path:
    """Return the folder that ``GRINDCHECK_HOME`` names, else the user's data folder; it may not exist yet."""
    home = os.environ.get("GRINDCHECK_HOME")
    if home:
        return Path(home)
    from platformdirs import user_data_dir

    return Path(user_data_dir("grindcheck", appauthor=False))
