"""The finish check on the sample photos, set beside what was rendered into them."""

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from grindcheck.finish.acceptance import judge_finish
from grindcheck.finish.check import check_finish
from grindcheck.finish.request import FinishRequest
from grindcheck.finish.results import Finish, FinishFace, Scratch
from grindcheck.selfcheck import SelfCheck
from grindcheck.selfdrift import drifted, read_released
from grindcheck.selffaces import FaceChecked, check_faces, found_on, sample_faces, share_on, true_paths_mm

SAMPLES = Path(__file__).parent.parent / "sample_images"
# two ends, each by the place of the tip (0.1 mm) and by how the scratch fades there (its taper of up to 2 mm)
ENDS_MM = 2.5


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


def found_of(name: str) -> dict[str, list[Scratch]]:
    return found_on(face_of(name), truth_of(name))


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
    [path] = true_paths_mm(truth_of("face_handling")).values()
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


# ---- the self-check's own look at them


def asked(request: FinishRequest) -> Finish:
    """Answer as `check_finish` has for this sample."""
    return finish_of(next(name for name in FACES if f"{name}." in request.photos[0].name.replace("_2.", ".")))


FACES = sample_faces(SAMPLES)


def checked(search: Any = asked, names: tuple[str, ...] = FACES) -> dict[str, FaceChecked]:
    faces, failed = check_faces(
        SAMPLES, names, truth_of=lambda _, name: truth_of(name), progress=lambda name: None, search=search
    )
    assert failed == ()
    return {face.name: face for face in faces}


def test_the_selfcheck_finds_no_fault_and_no_drift() -> None:
    found = checked()
    assert [face.faults for face in found.values()] == [()] * 6
    assert found["face_clean"].true == ()
    assert set(found["face_again"].true) >= {"new_1", "kept_2", "kept_3"}
    check = SelfCheck(figures=(), failed=(), faces=tuple(found.values()))
    assert drifted(check, read_released(SAMPLES)) == ()


def test_the_selfcheck_sees_a_search_that_finds_nothing() -> None:
    def blind(request: FinishRequest) -> Finish:
        face = asked(request).faces[0]
        return Finish(faces=(replace(face, scratches=(), groups=()),))

    found = checked(blind, ("face_clean", "face_sheath"))
    assert found["face_clean"].faults == ()
    assert "0 of 5 scratches were found" in found["face_sheath"].faults[0]
    check = SelfCheck(figures=(), failed=(), faces=tuple(found.values()))
    assert not check.sound
    [said] = drifted(check, read_released(SAMPLES))
    assert "sheath_1 isn't found any more" in said


def test_the_selfcheck_sees_a_search_that_finds_too_much() -> None:
    """Five scratches that nobody made on the clean face: 0.1 % of such faces have as many."""

    def seeing(request: FinishRequest) -> Finish:
        clean, other = asked(request).faces[0], face_of("face_leftover").scratches
        return Finish(faces=(replace(clean, scratches=(*clean.scratches, *other[:6])),))

    [face] = checked(seeing, ("face_clean",)).values()
    assert face.false == 6
    assert face.faults[0] == "6 false finds, where 0.86 are usual"
    [said] = drifted(SelfCheck(figures=(), failed=(), faces=(face,)), read_released(SAMPLES))
    assert "6 false finds instead of 0" in said


def test_half_of_a_scratch_on_a_true_one_is_told() -> None:
    """By hand: a line along x, of which the first half lies 0.2 mm off the true one and the rest 2 mm."""
    [scratch] = found_of("face_handling")["slip_1"]
    true = np.array([[-50.0, 5.0], [-40.0, 5.0]])
    points = np.array([[-50.0, 5.2], [-48.0, 5.2], [-46.0, 7.0], [-44.0, 7.0]])
    assert share_on(replace(scratch, path_mm=points), true) == 0.5
    assert share_on(replace(scratch, path_mm=None), true) == 0.0


def test_a_sample_that_cannot_be_searched_is_told(tmp_path: Path) -> None:
    found, failed = check_faces(
        tmp_path, ("face_clean",), truth_of=lambda _, name: truth_of(name), progress=lambda name: None
    )
    assert found == ()
    assert failed[0][0] == "face_clean"
    assert not SelfCheck(figures=(), failed=failed).sound
