"""The finish check on the sample photos, set beside what was rendered into them."""

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from grindcheck.finish.acceptance import judge_finish
from grindcheck.finish.check import check_finish
from grindcheck.finish.request import FinishRequest
from grindcheck.finish.results import Finish, FinishFace, Scratch
from grindcheck.geometry import Array

SAMPLES = Path(__file__).parent.parent / "sample_images"
# two ends, each by the place of the tip (0.1 mm) and by how the scratch fades there (its taper of up to 2 mm)
ENDS_MM = 2.5
# what the tip's place and half a millimetre of height on a bevel leave of a point on the blade
NEAR_MM = 0.5


@cache
def finish_of(name: str) -> Finish:
    truth = truth_of(name)
    paths = [SAMPLES / photo["file"] for photo in truth["photos"]]
    return check_finish(
        FinishRequest(photos=(paths[-1],), before=tuple(paths[:-1]), thickness_mm=truth["thickness_mm"])
    )


def truth_of(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((SAMPLES / f"{name}.json").read_text(encoding="utf-8"))
    return found


def face_of(name: str) -> FinishFace:
    return finish_of(name).faces[0]


def true_mm(face: FinishFace, name: str) -> dict[str, Array]:
    """Every true scratch of the last photo, in the check's blade frame (the truth has y = 0 at the edge)."""
    truth = truth_of(name)
    outline = np.array(truth["outline_mm"])
    tip_y = outline[np.argmax(outline[:, 0]), 1]
    return {
        one["id"]: np.array(one["path_mm"]) - np.array([0.0, tip_y])
        for one in truth["photos"][-1]["scratches"]
    }


def share_on(scratch: Scratch, path: Array) -> float:
    """Share of a found scratch's points that lie on a true one."""
    assert scratch.path_mm is not None
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    steps = np.linspace(0.0, at[-1], 400)
    line = np.column_stack([np.interp(steps, at, path[:, axis]) for axis in (0, 1)])
    return float(np.mean([np.hypot(*(line - point).T).min() < NEAR_MM for point in scratch.path_mm]))


def found_of(name: str) -> dict[str, list[Scratch]]:
    face = face_of(name)
    return {
        key: [one for one in face.scratches if share_on(one, path) > 0.5]
        for key, path in true_mm(face, name).items()
    }


@pytest.mark.parametrize(
    "name", ["face_clean", "face_leftover", "face_sheath", "face_handling", "face_again"]
)
def test_brushed_and_satin_samples_have_no_false_find(name: str) -> None:
    known = [id(one) for found in found_of(name).values() for one in found]
    assert [one.number for one in face_of(name).scratches if id(one) not in known] == []


def test_the_clean_face_is_clean() -> None:
    assert judge_finish(finish_of("face_clean")).decision == "clean"


@pytest.mark.parametrize(
    "name", ["face_leftover", "face_sheath", "face_handling", "face_tumbled", "face_again"]
)
def test_the_scratched_ones_are_scratched(name: str) -> None:
    assert judge_finish(finish_of(name)).decision == "scratched"


def test_most_lines_of_the_coarser_grit_are_found_and_read_as_such() -> None:
    found = found_of("face_leftover")
    assert len(found) == 22
    # half at least: a third of them have less than one sigma in this light (tests/accuracy/contrast.py)
    assert sum(bool(one) for one in found.values()) >= len(found) / 2
    groups = face_of("face_leftover").groups
    assert [group.origin for group in groups] == ["coarser grit"]
    assert "likely" in groups[0].reading.lower()
    # the grit's lines were drawn at 63° to the blade, ± 2°
    assert np.degrees(groups[0].angle_rad) == pytest.approx(63.0, abs=2.0)


def test_the_single_scratch_is_found_from_end_to_end_across_the_shoulder() -> None:
    [found] = found_of("face_handling").values()
    [path] = true_mm(face_of("face_handling"), "face_handling").values()
    assert len(found) == 1
    assert found[0].path_mm is not None
    ends = found[0].path_mm[[0, -1]]
    true = path[[0, -1]]
    worse = min(np.hypot(*(ends - order).T).max() for order in (true, true[::-1]))
    assert worse < ENDS_MM
    assert [group.origin for group in face_of("face_handling").groups] == ["handling"]


def test_sheath_scratches_are_read_as_such() -> None:
    found = found_of("face_sheath")
    assert sum(bool(one) for one in found.values()) >= 3  # of five; two are fainter than the along-lay limit
    assert "draw direction" in [group.origin for group in face_of("face_sheath").groups]


def test_a_scratch_on_tumbled_steel_is_found() -> None:
    face = face_of("face_tumbled")
    assert {region.lay.symbol for region in face.regions} == {"P"}
    [found] = found_of("face_tumbled").values()
    assert found


def test_new_gone_and_unchanged_are_told_right() -> None:
    truth, face = truth_of("face_again"), face_of("face_again")
    said = {key: {one.change for one in found} for key, found in found_of("face_again").items()}
    assert said["new_1"] == {"new"}
    assert said["kept_2"] == said["kept_3"] == {"unchanged"}
    assert set(truth["changes"]["gone"]) == {"old_1", "old_2"}
    assert face.earlier is not None
    assert [gone.change for gone in face.earlier.gone] == ["gone", "gone"]


def test_several_photos_of_a_face_are_one_face_with_what_either_shows() -> None:
    truth = truth_of("face_again")
    paths = tuple(SAMPLES / photo["file"] for photo in truth["photos"])
    both = check_finish(FinishRequest(photos=paths, thickness_mm=truth["thickness_mm"]))
    assert len(both.faces) == 1
    assert len(both.faces[0].photos) == 2
    # what is in the second only and what is in the first only
    assert len(both.faces[0].scratches) > len(face_of("face_again").scratches)


def test_a_photo_without_a_mat_has_pixels_only(tmp_path: Path) -> None:
    from PIL import Image

    rng = np.random.default_rng(4)
    steel = rng.normal(120.0, 12.0, (700, 1100))
    steel[300:302, 200:800] += 40.0
    path = tmp_path / "close.png"
    Image.fromarray(np.clip(steel, 0, 255).astype(np.uint8)).convert("RGB").save(path)
    [face] = check_finish(FinishRequest(photos=(path,))).faces
    assert face.frame == "picture"
    assert "no_scale" in face.flags
    assert face.mm_per_px is None
    [scratch] = face.scratches
    assert scratch.length_mm is None
    # drawn 600 px long; each end is known to a few pixels at this strength
    assert scratch.length_px == pytest.approx(600, abs=6)
