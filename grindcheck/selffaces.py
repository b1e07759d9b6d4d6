"""The finish check against sample faces whose scratches are known."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from grindcheck.errors import GrindcheckError
from grindcheck.finish.acceptance import judge_finish
from grindcheck.finish.check import check_finish
from grindcheck.finish.request import FinishRequest
from grindcheck.finish.results import Finish, FinishFace, Scratch
from grindcheck.geometry import Array
from grindcheck.keptfile import read_json

NEAR_MM = 0.5  # what the tip's place and half a millimetre of height on a bevel leave of a point on the blade
_MOSTLY = 0.5  # share of a found scratch's points that lie on a true one
_HALF = 0.5  # of a face's scratches that are found: in the samples a third are fainter than the texture
# false finds of a scratched face, any finish and tumbled: of random faces, not of the samples (RESULTS.md)
_FALSE, _FALSE_TUMBLED = 0.86, 3.25
_RARELY = 0.001  # probability by chance below which there are too many
_STEPS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class FaceChecked:
    """One sample face beside what was rendered into it.

    Parameters
    ----------
    name : str
    true : tuple of str
        Its scratches.
    found : tuple of str
        Those of them that were found.
    false : int
        Finds that are none of them.
    false_expected : float
        How many are usual on such a face.
    decision : str
        Of a check that accepts no scratch.
    """

    name: str
    true: tuple[str, ...]
    found: tuple[str, ...]
    false: int
    false_expected: float
    decision: str

    @property
    def faults(self) -> tuple[str, ...]:
        """What isn't as it should be, in words; empty if all is."""
        from scipy import stats

        wanted = "scratched" if self.true else "clean"
        said = []
        if len(self.found) < _HALF * len(self.true):
            said.append(f"{len(self.found)} of {len(self.true)} scratches were found, half are to be")
        if self.false and stats.poisson.sf(self.false - 1, self.false_expected) < _RARELY:
            said.append(f"{self.false} false finds, where {self.false_expected:g} are usual")
        if self.decision != wanted:
            said.append(f"it is {wanted}, not {self.decision}")
        return tuple(said)


def sample_faces(folder: Path) -> tuple[str, ...]:
    """Return the names of the sample faces."""
    listed = read_json(folder / "faces.json")["pairs"]
    return tuple(str(face["name"]) for face in listed)


def check_faces(
    folder: Path,
    names: tuple[str, ...],
    *,
    truth_of: Callable[[Path, str], dict[str, Any]],
    progress: Callable[[str], None],
    search: Callable[[FinishRequest], Finish] = check_finish,
) -> tuple[tuple[FaceChecked, ...], tuple[tuple[str, str], ...]]:
    """Search sample faces and set what is found beside the truth.

    Parameters
    ----------
    folder : Path
    names : tuple of str
    truth_of : callable
        Reads the truth of a name.
    progress : callable
        Is told each name.
    search : callable

    Returns
    -------
    tuple of FaceChecked
    tuple of (str, str)
        Faces that couldn't be searched, and why.
    """
    checked: list[FaceChecked] = []
    failed: list[tuple[str, str]] = []
    for name in names:
        progress(name)
        truth = truth_of(folder, name)
        paths = [folder / photo["file"] for photo in truth["photos"]]
        try:
            finish = search(
                FinishRequest(
                    photos=(paths[-1],), before=tuple(paths[:-1]), thickness_mm=truth["thickness_mm"],
                    kept_lens=False,
                )
            )  # fmt: skip
        except GrindcheckError as problem:
            failed.append((name, problem.message))
            continue
        checked.append(_beside(name, truth, finish))
    return tuple(checked), tuple(failed)


def true_paths_mm(truth: dict[str, Any]) -> dict[str, Array]:
    """Return each true scratch of the last photo in a check's blade frame, (N, 2) mm.

    The truth has y = 0 at the edge, a check has it at the tip.
    """
    outline = np.array(truth["outline_mm"])
    tip_y = outline[np.argmax(outline[:, 0]), 1]
    return {
        str(one["id"]): np.array(one["path_mm"]) - np.array([0.0, tip_y])
        for one in truth["photos"][-1]["scratches"]
    }


def share_on(scratch: Scratch, path_mm: Array) -> float:
    """Return the share, 0 to 1, of a found scratch's points that lie on a true one."""
    if scratch.path_mm is None:
        return 0.0
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path_mm, axis=0).T))])
    steps = np.linspace(0.0, at[-1], _STEPS)
    line = np.column_stack([np.interp(steps, at, path_mm[:, axis]) for axis in (0, 1)])
    return float(np.mean([np.hypot(*(line - point).T).min() < NEAR_MM for point in scratch.path_mm]))


def found_on(face: FinishFace, truth: dict[str, Any]) -> dict[str, list[Scratch]]:
    """Return what was found of each true scratch."""
    return {
        name: [one for one in face.scratches if share_on(one, path) > _MOSTLY]
        for name, path in true_paths_mm(truth).items()
    }


def _beside(name: str, truth: dict[str, Any], finish: Finish) -> FaceChecked:
    face = finish.faces[0]
    found = found_on(face, truth)
    known = {one.number for each in found.values() for one in each}
    kinds = {region["kind"] for region in truth["photos"][-1]["finish"].values()}
    return FaceChecked(
        name=name,
        true=tuple(found),
        found=tuple(key for key, each in found.items() if each),
        false=sum(one.number not in known for one in face.scratches),
        false_expected=_FALSE_TUMBLED if "tumbled" in kinds else _FALSE,
        decision=judge_finish(finish).decision,
    )
