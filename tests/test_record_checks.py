"""Checks: asked for, waiting, measured once or again, and a difference's series over knives."""

import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from fixtures_record import done, failed, knife, pair, photo
from fixtures_results import comparison, face, mismatch

from grindcheck import pipeline
from grindcheck.errors import BladeError, InputError, NotInRecordError, about
from grindcheck.record import binning, checks, knives, option_words
from grindcheck.record.asked import NAMES, finish_request, symmetry_request
from grindcheck.record.entries import CheckKind, CheckPhoto
from grindcheck.record.measuring import measure_check, steps_of_check
from grindcheck.record.opening import Record, open_record
from grindcheck.record.trends import trend_of
from grindcheck.record.vault import photo_path, stored

SAMPLES = Path(__file__).parent.parent / "sample_images"


def test_a_check_waits_until_it_has_an_outcome(record: Record, home: Path) -> None:
    made = knife(record)
    first, second = pair(record, made, 0), pair(record, made, 2)
    checks.add_check(record, made.id, "photos", photos=[(photo(record).sha256, "a.jpg", "face")])
    assert [one.id for one in checks.waiting(record)] == [first.id, second.id]
    with open_record(home) as again:  # as after a restart
        assert checks.waiting(again) == [first, second]
    outcome = done()
    told = checks.add_outcome(record, first.id, outcome)
    assert told.outcome == outcome
    assert checks.check(record, first.id) == told
    assert [one.id for one in checks.waiting(record)] == [second.id]
    binning.throw_away(record, "check", second.id)
    assert checks.waiting(record) == []


def test_a_check_keeps_what_was_asked_and_shown(record: Record) -> None:
    made = knife(record)
    stage = knives.add_stage(record, made.id, "bevels ground")
    kept = photo(record)
    asked = {"thickness_mm": 4.0, "hand_lines": {"plunge-left": [1.5, 2, 3, 4]}, "faces": ["left", "right"]}
    one = checks.add_check(
        record, made.id, "symmetry", asked=asked, stage_id=stage.id,
        photos=[(kept.sha256, "C:\\bench\\left.jpg", "face"), (kept.sha256, "../../a\nb.jpg", "face")],
    )  # fmt: skip
    assert one.asked == asked
    assert one.stage_id == stage.id
    assert one.photos == (
        CheckPhoto(photo=kept, name="left.jpg", role="face"),
        CheckPhoto(photo=kept, name="a b.jpg", role="face"),
    )
    again = checks.add_check(
        record, made.id, "symmetry", asked=asked, again_of=one.id,
        photos=[(kept.sha256, "l.jpg", "face"), (kept.sha256, "r.jpg", "face")],
    )  # fmt: skip
    assert again.again_of == one.id
    assert [one.id for one in knives.knife(record, made.id).checks] == [one.id, again.id]


def test_a_second_outcome_stays_beside_the_first(record: Record) -> None:
    one = pair(record, knife(record))
    checks.add_outcome(record, one.id, failed())
    time.sleep(0.002)  # the newer one counts, and a clock may be coarse
    assert checks.add_outcome(record, one.id, done()).outcome == checks.check(record, one.id).outcome
    told = checks.check(record, one.id).outcome
    assert told is not None
    assert told.verdict == "match"


@pytest.mark.parametrize(
    ("kind", "faces", "asked", "said"),
    [
        ("symmetry", 2, {}, "stock thickness is missing"),
        ("symmetry", 1, {"thickness_mm": 4}, "needs two photos, one of each face; 1 came"),
        ("symmetry", 3, {"thickness_mm": 4}, "needs two photos, one of each face; 3 came"),
        ("symmetry", 4, {"thickness_mm": 4, "faces": ["left", "right"]}, "belong to two photos"),
        ("symmetry", 4, {"thickness_mm": 4, "hand_lines": {"plunge-left": [1, 2, 3, 4]}}, "belong to two"),
        ("symmetry", 2, {"thickness_mm": 40}, "knife stock has 0.8 to 13 mm"),
        ("symmetry", 2, {"thickness_mm": "4mm"}, "option thickness_mm can't be '4mm'"),
        ("symmetry", 2, {"thickness_mm": True}, "option thickness_mm can't be True"),
        ("symmetry", 2, {"thickness_mm": 4, "kept_lens": 0}, "option kept_lens can't be 0"),
        ("finish", 1, {"kept_lens": "no"}, "option kept_lens can't be 'no'"),
        ("symmetry", 2, {"thickness_mm": 4, "smell": 1}, "no option 'smell'"),
        ("symmetry", 2, {"thickness_mm": 4, "accept": "none"}, "no option 'accept'"),
        ("symmetry", 2, {"thickness_mm": 4, "height_mm": 3}, "is less than the thickness"),
        ("symmetry", 2, {"thickness_mm": 4, "edge_mm": 5}, "edge thickness .* must be"),
        ("symmetry", 2, {"thickness_mm": 4, "tolerance_mm": 0}, "tolerance .* must be"),
        ("symmetry", 2, {"thickness_mm": 4, "angle_tolerance_deg": 90}, "must be between 0° and 45°"),
        ("symmetry", 2, {"thickness_mm": 4, "grind": "wavy"}, "no grind 'wavy'"),
        ("symmetry", 2, {"thickness_mm": 4, "paper": "napkin"}, "no mat for 'napkin'"),
        ("symmetry", 2, {"thickness_mm": 4, "bar_x_mm": -1}, "bar along x .* must be greater than 0"),
        ("symmetry", 2, {"thickness_mm": 4, "faces": ["left", "left"]}, "faces 'left,left' can't be read"),
        ("symmetry", 2, {"thickness_mm": 4, "hand_lines": {"spine": [1, 2, 3, 4]}}, "no line 'spine'"),
        (
            "symmetry",
            2,
            {"thickness_mm": 4, "hand_lines": {"plunge-left": [1, 2, 3]}},
            "plunge-left .* can't be",
        ),
        ("symmetry", 2, {"thickness_mm": 4, "hand_lines": {"plunge-left": 7}}, "plunge-left .* can't be"),
        ("finish", 0, {}, "No photo is given"),
        ("finish", 1, {"height_mm": 9}, "flat's height is given, but not the stock"),
        ("finish", 1, {"masks": ["1,2"]}, "mask '1,2' can't be read"),
        ("finish", 1, {"masks": [3]}, "mask '3' can't be read"),
        ("finish", 1, {"false_finds": 0}, "must be above 0"),
        ("finish", 1, {"accept": "shiny"}, "shiny"),
        ("finish", 2, {"faces": ["left"]}, "can't be read for 2 photos"),
        ("photos", 0, {}, "No photo is given"),
        ("photos", 1, {"thickness_mm": 4}, "no option 'thickness_mm'"),
    ],
)
def test_what_cant_be_carried_out_is_refused_before_it_is_kept(
    record: Record, kind: Any, faces: int, asked: dict[str, Any], said: str
) -> None:
    made = knife(record)
    photos: Any = [(photo(record).sha256, "a.jpg", "face")] * faces
    with pytest.raises(InputError, match=said) as caught:
        checks.add_check(record, made.id, kind, photos=photos, asked=asked)
    assert caught.value.advice
    assert knives.knife(record, made.id).checks == ()


def test_what_a_check_names_must_be_there(record: Record) -> None:
    made, other = knife(record), knife(record, "other")
    one = pair(record, other)
    photos: Any = [(photo(record).sha256, "a.jpg", "face")]
    with pytest.raises(NotInRecordError, match="There is no photo 000000000000"):
        checks.add_check(record, made.id, "photos", photos=[("0" * 64, "a.jpg", "face")])
    with pytest.raises(NotInRecordError, match="There is no knife"):
        checks.add_check(record, "0" * 32, "photos", photos=photos)
    with pytest.raises(NotInRecordError, match="has no stage"):
        checks.add_check(record, made.id, "photos", photos=photos, stage_id="0" * 32)
    with pytest.raises(InputError, match="another knife's"):
        checks.add_check(record, made.id, "photos", photos=photos, again_of=one.id)
    with pytest.raises(NotInRecordError, match="There is no check"):
        checks.add_outcome(record, "0" * 32, done())
    with pytest.raises(ValueError, match="kind must be one of"):
        checks.add_check(record, made.id, "smell", photos=photos)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="role must be one of"):
        checks.add_check(record, made.id, "photos", photos=[*photos, (photos[0][0], "a", "back")])  # type: ignore[list-item]
    binning.throw_away(record, "knife", made.id)
    with pytest.raises(NotInRecordError, match="lies in the bin") as caught:
        checks.add_check(record, made.id, "photos", photos=photos)
    assert "--restore" in caught.value.advice
    assert knives.knife(record, made.id).checks == ()


def test_options_make_the_same_request_as_the_command() -> None:
    asked = option_words.read_asked(
        {
            "thickness_mm": "5/32in", "height_mm": "10mm", "edge_mm": "0.4mm", "tolerance_mm": "0.2mm",
            "angle_tolerance_deg": "0.5deg", "grind": "full-flat", "paper": "a4", "bar_x_mm": "276.44mm",
            "bar_y_mm": "179.8mm", "faces": "Left, right", "hand_lines": {"plunge-left": "1,2,3,4"},
            "kept_lens": False,
        }
    )  # fmt: skip
    assert set(asked) == set(NAMES["symmetry"])
    request, tolerances = symmetry_request(asked, [Path("a.jpg"), Path("b.jpg")])
    assert request.thickness_mm == pytest.approx(5 / 32 * 25.4)
    assert (request.height_mm, request.edge_mm, request.grind, request.paper) == (10, 0.4, "full flat", "a4")
    assert (request.bar_x_mm, request.bar_y_mm, request.faces) == (276.44, 179.8, ("left", "right"))
    assert request.hand_lines == {"plunge-left": (1, 2, 3, 4)}
    assert not request.kept_lens
    assert tolerances.plunge_mm == tolerances.height_mm == 0.2
    assert tolerances.angle_rad == pytest.approx(0.5 / 180 * 3.141592653589793)
    asked = option_words.read_asked(
        {
            "thickness_mm": "2.2mm", "masks": ["1,2,3,4,5,6"], "accept": "longest 3 mm, count 2",
            "false_finds": 0.01, "kept_lens": False, "grind": None, "hand_lines": {},
        }
    )  # fmt: skip
    assert asked["accept"] == "longest 3 mm, count 2"
    finish, limits = finish_request(asked, [Path("a.jpg")], [Path("b.jpg")])
    assert (finish.thickness_mm, finish.false_finds, finish.before) == (2.2, 0.01, (Path("b.jpg"),))
    assert not finish.kept_lens
    assert finish_request({}, [Path("a.jpg")], [])[0].kept_lens  # as the commands have it
    assert finish.masks[0].polygon_px.tolist() == [[1, 2], [3, 4], [5, 6]]
    assert [str(one) for one in limits] == ["longest 3 mm", "count 2"]


def test_a_check_is_measured(record: Record, monkeypatch: pytest.MonkeyPatch) -> None:
    one = pair(record, knife(record))
    asked = []

    def measured(request: pipeline.Request, *, progress: Any) -> Any:
        asked.append(request)
        progress("Comparing the faces")
        return mismatch()

    monkeypatch.setattr(pipeline, "check_pair", measured)
    steps: list[str] = []
    outcome = measure_check(record, one, progress=steps.append)
    assert steps == ["Comparing the faces"]
    assert asked[0].photos == tuple(photo_path(record, each.photo.sha256) for each in one.photos)
    assert (outcome.state, outcome.verdict) == ("done", "mismatch")
    assert outcome.headline.startswith("The right plunge lies")
    assert outcome.result["verdict"] == "mismatch"
    assert outcome.result["differences"][0]["quantity"] == "plunge.shoulder"
    checks.add_outcome(record, one.id, outcome)
    assert checks.waiting(record) == []


def test_six_photos_are_three_pairs(record: Record, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two and two in the order in which they came; a pair unlike the others is named as the user names it."""
    photos = [(photo(record, n).sha256, f"IMG {n}.jpg", "face") for n in range(6)]
    one = checks.add_check(record, knife(record).id, "symmetry", photos=photos, asked={"thickness_mm": 4.0})
    asked: list[Any] = []

    def measured(request: pipeline.Request, *, progress: Any) -> Any:
        asked.append(request.photos)
        progress("Comparing the faces")
        found = mismatch() if len(asked) != 2 else comparison(face("left"), face("right", plunge_mm=121.0))
        sides = {
            side: replace(getattr(found, side), photo_sha256=path.stem, photo_name=path.name)
            for side, path in zip(("left", "right"), request.photos, strict=True)
        }
        return replace(found, **sides)

    monkeypatch.setattr(pipeline, "check_pair", measured)
    steps: list[str] = []
    outcome = measure_check(record, one, progress=steps.append)
    paths = [photo_path(record, sha256) for sha256, _, _ in photos]
    assert asked == list(zip(paths[::2], paths[1::2], strict=True))
    assert steps == [f"Pair {n} of 3: Comparing the faces" for n in (1, 2, 3)]
    assert set(steps) <= set(steps_of_check(one))
    assert outcome.state == "done"
    assert "pair_left_out" in outcome.result["flags"]
    [told] = [note for note in outcome.result["notes"] if note.startswith("Left out")]
    assert told.startswith("Left out: IMG 2.jpg and IMG 3.jpg, whose plunge at")
    # two pairs are left: 0.016 and 0.012 mm of line and pose are each pair's own and fall by the root of 2
    mid = next(one for one in outcome.result["budget"] if one["quantity"] == "plunge.mid")
    assert mid["std"] == pytest.approx(0.02 / 2**0.5, abs=1e-6)


def test_an_earlier_photo_is_no_face(record: Record) -> None:
    from grindcheck.finish.check import STEPS

    photos: Any = [(photo(record, n).sha256, f"{n}.jpg", role) for n, role in enumerate(("face", "before"))]
    one = checks.add_check(record, knife(record).id, "finish", photos=photos)
    assert [face.name for face in one.faces] == ["0.jpg"]
    assert steps_of_check(one) == STEPS
    both = pair(record, knife(record, "other"), 4)
    assert both.faces == both.photos
    assert len(steps_of_check(both)) == 4


def test_an_error_names_the_users_file_and_its_place(record: Record, monkeypatch: pytest.MonkeyPatch) -> None:
    one = pair(record, knife(record))

    def refused(request: pipeline.Request, **_: Any) -> Any:
        name = request.photos[1].name
        with about(name):
            raise BladeError(f"{name} shows no blade.", advice=f"Take {name} again.")

    monkeypatch.setattr(pipeline, "check_pair", refused)
    outcome = measure_check(record, one)
    assert outcome.state == "failed"
    assert outcome.error == "face 1.jpg shows no blade."
    assert outcome.advice == "Take face 1.jpg again."
    assert outcome.error_photo == 1
    told = checks.add_outcome(record, one.id, outcome)
    assert told.outcome == outcome


def test_a_finish_that_cant_be_searched_says_which_photo(record: Record) -> None:
    made = knife(record)
    before = photo(record, 1)
    one = checks.add_check(
        record, made.id, "finish", asked={"thickness_mm": 2.0},
        photos=[(photo(record, 0).sha256, "now.jpg", "face"), (before.sha256, "then.jpg", "before")],
    )  # fmt: skip
    outcome = measure_check(record, one)
    assert outcome.state == "failed"
    assert outcome.error.startswith("now.jpg has 40 × 30 pixels")
    assert outcome.error_photo == 0


def test_a_finish_is_measured(record: Record) -> None:
    from grindcheck.record.vault import add_photo

    made = knife(record)
    kept = add_photo(record, SAMPLES / "face_clean.jpg")
    one = checks.add_check(
        record, made.id, "finish", asked={"thickness_mm": 2.2, "accept": "longest 4 mm, count 2"},
        photos=[(kept.sha256, "clean.jpg", "face")],
    )  # fmt: skip
    outcome = measure_check(record, one)
    assert (outcome.state, outcome.verdict) == ("done", "clean"), outcome.error
    assert outcome.result["faces"][0]["photos"][0]["name"] == "clean.jpg"
    assert kept.sha256 + ".jpg" not in repr(outcome.result)
    assert checks.add_outcome(record, one.id, outcome).outcome == outcome


def test_the_series_has_each_knifes_newest(record: Record) -> None:
    for place, values in enumerate([(0.1, 0.3), (-0.2,), ()]):
        made = knife(record, f"petty {place}")
        for number, value in enumerate(values):
            one = pair(record, made, 10 * place + 2 * number)
            checks.add_outcome(record, one.id, done("match", value, 0.03))
    points = checks.series(record, "plunge.mid")
    assert [(one.name, one.value, one.std, one.unit) for one in points] == [
        ("petty 0", 0.3, 0.03, "mm"),
        ("petty 1", -0.2, 0.03, "mm"),
    ]
    assert checks.series(record, "plunge.angle") == []
    assert checks.series(record, "plunge.mid", station_mm=10.0) == []
    found = trend_of("plunge.mid", points)
    assert found is not None
    assert found.mean == pytest.approx(0.05)  # (0.3 − 0.2) / 2
    assert trend_of("plunge.mid", []) is None


def test_a_series_asked_again_follows_what_was_measured_since(record: Record) -> None:
    made = knife(record)
    checks.add_outcome(record, pair(record, made).id, done("match", 0.1))
    assert [one.value for one in checks.series(record, "plunge.mid")] == [0.1]
    again = pair(record, made, 2)
    checks.add_outcome(record, again.id, done("match", 0.4))
    assert [one.value for one in checks.series(record, "plunge.mid")] == [0.4]
    checks.add_outcome(record, again.id, done("match", 0.5))  # measured once more, as after a killed worker
    assert [one.value for one in checks.series(record, "plunge.mid")] == [0.5]


def test_an_angle_of_the_record_is_in_radians_in_the_trend(record: Record) -> None:
    one = pair(record, knife(record))
    figure = {"quantity": "plunge.angle", "value": 180.0, "std": 1.8, "unit": "deg"}
    checks.add_outcome(record, one.id, done(differences=[figure]))
    found = trend_of("plunge.angle", checks.series(record, "plunge.angle"))
    assert found is not None
    assert found.unit == "rad"
    assert found.points[0].value == pytest.approx(3.141592653589793)


@pytest.mark.parametrize(
    "differences", [7, [7], [{}], [{"quantity": "plunge.mid", "value": "1", "std": 1, "unit": "mm"}]]
)
def test_a_strange_result_gives_no_point(record: Record, differences: Any) -> None:
    one = pair(record, knife(record))
    checks.add_outcome(record, one.id, done(differences=differences))
    assert checks.series(record, "plunge.mid") == []


def test_a_row_is_handed_out_whole(record: Record) -> None:
    from grindcheck.record.tables import PhotoTable

    kept = photo(record)
    with record.reading() as session:
        row = session.get(PhotoTable, kept.sha256)
        assert row is not None
        assert stored(row) == kept


@pytest.mark.parametrize(
    ("kind", "asked", "said"),
    [
        ("symmetry", {"thickness_mm": 4.0, "hand_lines": 5}, "hand_lines can't be 5"),
        ("symmetry", {"thickness_mm": 4.0, "smell": 1}, "no option 'smell'"),
        ("finish", {"masks": "1,2"}, "masks can't be '1,2'"),
    ],
)
def test_a_check_from_elsewhere_that_asks_what_cant_be_done_fails_in_words(
    record: Record, kind: CheckKind, asked: dict[str, object], said: str
) -> None:
    """The record wouldn't have kept it, but an archive or an older program may have brought it."""
    kept = pair(record, knife(record))
    outcome = measure_check(record, replace(kept, kind=kind, asked=asked))
    assert outcome.state == "failed" and said in outcome.error and outcome.advice
