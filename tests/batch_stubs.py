"""Stand-ins for the measuring, importable by the worker processes."""

import os
import time
from pathlib import Path
from typing import Any


def told(job: dict[str, Any]) -> dict[str, Any]:
    """Tell the knife back; some names crash, hang or fail."""
    name = job["knife"]
    if "crash" in name:
        os._exit(77)
    if "hang" in name:
        time.sleep(60)
    if "raise" in name:
        raise ValueError("no")
    sizes = [Path(path).stat().st_size for path in job["photos"]]
    return {"verdict": "match", "plunge half-way (mm)": float(sum(sizes)), "reservations": f"={name}"}
