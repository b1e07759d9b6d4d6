"""Measure all samples and keep their figures for `grindcheck selftest`: python tests/released_figures.py."""

import json
import sys

from grindcheck.errors import InputError
from grindcheck.selfcheck import SelfCheck, check_samples, sample_folder, sample_pairs, truth_of
from grindcheck.selfdrift import FILE, drifted, read_released, released_data
from grindcheck.selffaces import check_faces, sample_faces


def measured() -> SelfCheck:
    """Measure every sample pair and search every sample face."""
    folder = sample_folder()
    found = check_samples(folder, sample_pairs(folder), progress=print)
    faces, failed = check_faces(folder, sample_faces(folder), truth_of=truth_of, progress=print)
    return SelfCheck(figures=found.figures, failed=(*found.failed, *failed), faces=faces)


def main() -> int:
    """Say what has moved, and keep the figures, unless something couldn't be measured."""
    folder, found = sample_folder(), measured()
    try:
        for sentence in drifted(found, read_released(folder)):
            print(sentence)
    except InputError:
        print("There were none yet.")
    if not found.sound:
        print("Not as the truth has it, so nothing is kept:", found.failed, [f.faults for f in found.faces])
        return 1
    text = json.dumps(released_data(found), indent=1) + "\n"
    (folder / FILE).write_text(text, encoding="utf-8", newline="\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
