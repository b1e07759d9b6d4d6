"""Markers as another reader sees them: pupil-apriltags, written apart from OpenCV, in a process of its own.

Taking its detector down corrupts memory in version 1.0.4 (a crash when the test process ended), so the
process that used it leaves without taking anything down.
"""

import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Tag:
    """One marker: its id, bits that had to be corrected, and its corners as the reader has them, (4, 2)."""

    tag_id: int
    hamming: int
    corners: NDArray[np.float64]


def read_tags(grey: NDArray[np.uint8]) -> list[Tag]:
    """Read the markers of the family 36h11 in a grey picture."""
    with tempfile.TemporaryDirectory() as folder:
        picture = Path(folder) / "grey.npy"
        np.save(picture, grey)
        done = subprocess.run(
            [sys.executable, __file__, str(picture)], check=True, capture_output=True, encoding="utf-8"
        )
    return [Tag(one["id"], one["hamming"], np.array(one["corners"])) for one in json.loads(done.stdout)]


def _main() -> None:
    import pupil_apriltags

    grey = np.ascontiguousarray(np.load(sys.argv[1]))
    reader = pupil_apriltags.Detector(families="tag36h11", nthreads=1, quad_decimate=1.0)
    seen = [
        {"id": int(one.tag_id), "hamming": int(one.hamming), "corners": np.asarray(one.corners).tolist()}
        for one in reader.detect(grey)
    ]
    print(json.dumps(seen), flush=True)
    os._exit(0)


if __name__ == "__main__":
    _main()
