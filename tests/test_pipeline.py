"""The order of the steps: what is refused before a photo is opened, and how the two faces are told."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import reduced
import saved_stages

from grindcheck import pipeline
from grindcheck.errors import InputError, PairError
from grindcheck.outline import turned_over
from grindcheck.pipeline import Request, Seen, check_pair, tell_faces
from grindcheck.printscale import print_scale


@pytest.fixture(scope="module")
def seen():
    faces, _ = saved_stages.load()
    return {
        side: Seen(
            photo=one.photo,
            mat=None,
            camera=one.camera,
            outline=one.outline,
            scale=print_scale("a4"),
            flags=(),
        )
        for side, one in faces.items()
    }


def _odds(one, odds):
    return replace(one, outline=replace(one.outline, edge_odds=odds))


def _turned(one):
    return replace(one, outline=turned_over(one.outline))


@pytest.mark.parametrize("swapped", [False, True])
def test_faces_come_left_first(seen, swapped):
    order = ("right", "left") if swapped else ("left", "right")
    faces, flags = tell_faces(*(_odds(seen[side], 2.0) for side in order))
    assert list(faces) == ["left", "right"]
    assert faces["left"].photo is seen["left"].photo
    assert flags == ()


@pytest.mark.parametrize("wrong", ["left", "right"])
def test_the_less_sure_one_is_turned_over(seen, wrong):
    """One face taken edge for spine with odds of 0.2: the other, sure by 4, tells that it was wrong."""
    told = {side: _odds(seen[side], 4.0) for side in seen}
    told[wrong] = _odds(_turned(seen[wrong]), 0.2)
    faces, flags = tell_faces(told["left"], told["right"])
    assert faces[wrong].photo is seen[wrong].photo
    np.testing.assert_allclose(faces[wrong].outline.points_mm, seen[wrong].outline.points_mm)
    assert flags == ()  # 4 − 0.2 is sure enough


def test_little_odds_for_either_are_said(seen):
    told = {"left": _odds(seen["left"], 0.6), "right": _odds(_turned(seen["right"]), 0.3)}
    faces, flags = tell_faces(told["left"], told["right"])
    assert faces["right"].photo is seen["right"].photo
    assert flags == ("edge_side_unsure",)


def test_given_faces_are_believed(seen):
    """Nothing but the user tells: both odds are small, one outline is turned over."""
    told = (_odds(_turned(seen["right"]), 0.1), _odds(seen["left"], 0.1))
    faces, flags = tell_faces(*told, given=("right", "left"))
    assert faces["right"].photo is seen["right"].photo
    np.testing.assert_allclose(faces["right"].outline.points_mm, seen["right"].outline.points_mm)
    assert flags == ()


def test_given_faces_that_neither_outline_shows_are_doubted(seen):
    _, flags = tell_faces(seen["left"], seen["right"], given=("right", "left"))
    assert flags == ("edge_side_unsure",)


def test_one_face_twice(seen):
    again = replace(seen["left"], photo=replace(seen["left"].photo, sha256="0" * 64, name="again.jpg"))
    with pytest.raises(PairError, match="both show the left face"):
        tell_faces(seen["left"], again)
    with pytest.raises(PairError, match="show one face"):
        tell_faces(seen["left"], again, given=("left", "right"))


def test_one_photo_twice(seen):
    with pytest.raises(PairError, match="are the same photo"):
        tell_faces(seen["left"], seen["left"])


def test_tip_the_other_way_is_said(seen):
    outline = seen["right"].outline
    plane = replace(outline.face.plane, axes=-outline.face.plane.axes)
    other = replace(seen["right"], outline=replace(outline, face=replace(outline.face, plane=plane)))
    assert tell_faces(_odds(seen["left"], 3.0), _odds(other, 3.0))[1] == ("turned_end_for_end",)


NOWHERE = (Path("nowhere_1.jpg"), Path("nowhere_2.jpg"))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"height_mm": 2.0}, "height 2.00 mm is below the stock thickness 4.00 mm"),
        ({"edge_mm": 4.0}, "isn't between 0 and the stock's 4.00 mm"),
        ({"edge_mm": -0.1}, "isn't between 0 and the stock's"),
        ({"grind": "wavy"}, "no grind 'wavy'"),
    ],
    ids=str,
)
def test_slips_are_told_before_a_photo_is_opened(changes, words):
    with pytest.raises(InputError, match=words):
        check_pair(Request(photos=NOWHERE, thickness_mm=4.0, **changes))


@pytest.mark.parametrize("numbers", [(1.0, 2.0, 3.0), (1.0, 2.0), (1.0, 2.0, 3.0, 4.0, 5.0)])
def test_a_line_by_hand_needs_pairs(seen, numbers):
    request = Request(photos=NOWHERE, thickness_mm=4.0, hand_lines={"plunge-left": numbers})
    with pytest.raises(InputError, match=f"plunge-left has {len(numbers)} numbers"):
        pipeline._by_hand(request, seen["left"], "left")


def test_a_line_by_hand_lands_where_it_was_put(seen):
    """Two points of the face, sent into the photo by the camera and given as pixels, come back."""
    one = seen["left"]
    plane = one.outline.face.plane
    wanted = np.array([[-100.0, 2.0], [-98.5, 12.0]])
    at = plane.mat_from_grid(wanted)
    px = one.camera.px_from_mm(np.column_stack([at, np.full(2, plane.height_mm)]))
    request = Request(photos=NOWHERE, thickness_mm=4.0, hand_lines={"plunge-left": tuple(px.ravel())})
    np.testing.assert_allclose(pipeline._by_hand(request, one, "left")["plunge"], wanted, atol=1e-6)
    assert pipeline._by_hand(request, one, "right") == {}


def test_lines_by_hand_are_measured(tmp_path):
    """The true plunge lines given in pixels: the true difference comes out, within a hand's uncertainty."""
    name = "field_knife_a"
    known = reduced.truth(name)
    faces, _ = saved_stages.load()
    lines = {}
    for side, one in faces.items():
        crease = np.array(known["lines_mm"][side]["crease"])[[20, 150], :2]
        # the truth is told from the tip's x and the edge's y
        edge = one.outline.rim_mm(crease[:, 0], edge=True)
        at = one.outline.face.plane.mat_from_grid(
            np.column_stack([crease[:, 0] + one.outline.tip_mm[0], edge + crease[:, 1]])
        )
        height = one.outline.face.plane.height_mm
        lines[f"plunge-{side}"] = tuple(
            one.camera.px_from_mm(np.column_stack([at, np.full(2, height)])).ravel()
        )
    found = check_pair(reduced.request(name, hand_lines=lines))
    assert found.left.by_hand == ("plunge",)
    assert "placed_by_hand" in found.right.flags
    difference = next(one for one in found.differences if one.quantity == "plunge.mid")
    assert abs(difference.value - known["differences"]["plunge"]["mid"]) < 2 * difference.std
    assert difference.components["line"] == pytest.approx(0.1 * np.sqrt(2), rel=0.2)  # a hand's 0.1 mm, twice
