"""A recorded result is drawn again from its photos; one from elsewhere may be anything and draws nothing."""

import io
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fixtures_record import done, filled, knife
from PIL import Image

from grindcheck.record import checks
from grindcheck.record.archive import export_record
from grindcheck.record.entries import Outcome
from grindcheck.record.measuring import measure_check
from grindcheck.record.opening import Record, open_record
from grindcheck.record.taking_in import import_record
from grindcheck.record.vault import add_photo
from grindcheck.report.recorded_picture import WIDEST_PX, recorded_picture

SAMPLES = Path(__file__).parent.parent / "sample_images"
COLUMNS, ROWS = 201, 101
GREY = np.full((300, 400, 3), 100, np.uint8)


def made(shape: tuple[int, int] = (ROWS, COLUMNS)) -> dict[str, Any]:
    """How a picture is made that is the photo's upper left corner, pixel by pixel."""
    rows, columns = shape
    nodes = [[[0, 0], [columns - 1, 0]], [[0, rows - 1], [columns - 1, rows - 1]]]
    return {"photo_sha256": "ab" * 32, "shape": list(shape), "nodes_px": nodes}


def pair() -> dict[str, Any]:
    """Both faces 200 mm × 100 mm, 1 mm a pixel; plunge 50 mm from the left, shoulder 20 mm from the top."""
    view = {
        "picture": made(),
        "plunge_mm": [[-150.0, 10.0], [-150.0, 90.0]],
        "shoulder_mm": [[-140.0, 80.0], [-20.0, 80.0]],
    }
    return {"drawing": {"x_mm": [-200.0, 0.0], "y_mm": [0.0, 100.0], "sides": {"left": view, "right": view}}}


def pixels(data: bytes | None) -> np.ndarray:
    assert data is not None
    with Image.open(io.BytesIO(data)) as picture:
        return np.asarray(picture.convert("RGB")).astype(int)


def test_lines_lie_where_the_blade_frame_says() -> None:
    drawn = pixels(recorded_picture("match", "All is well.", pair(), lambda sha256: GREY))
    assert drawn.shape == (34 + 2 * (34 + ROWS), WIDEST_PX, 3)  # captions of 34 rows
    for top in (68, 68 + ROWS + 34):
        face = drawn[top : top + ROWS, :COLUMNS]
        orange = (face[..., 0] > 180) & (face[..., 2] < 90)  # a line's ends fade: colour has half the rows
        rows, columns = np.nonzero(orange)
        assert abs(columns.mean() - 50) < 1  # −150 mm is 50 mm from the left side; a line is two pixels wide
        assert (rows.min(), rows.max()) == (pytest.approx(10, abs=4), pytest.approx(90, abs=4))
        blue = (face[..., 2] > 180) & (face[..., 0] < 90)
        rows, columns = np.nonzero(blue)
        assert abs(rows.mean() - 20) < 1
        assert (columns.min(), columns.max()) == (pytest.approx(60, abs=4), pytest.approx(180, abs=4))


def budget(*shares: float, decides: bool = True) -> list[dict[str, Any]]:
    sources = [
        {"name": f"source {n}", "std": share**0.5, "share": share, "advice": "measure it" if n == 0 else ""}
        for n, share in enumerate(shares)
    ]
    other = {"quantity": "plunge.angle", "std": 1.0, "expanded": 2.0, "unit": "deg", "sources": sources[:1]}
    one = {"quantity": "plunge.mid", "std": 1.0, "expanded": 2.0, "unit": "mm", "sources": sources}
    return [{**other, "decides": False}, {**one, "decides": decides}]


def test_bars_are_as_long_as_their_shares() -> None:
    """The larger two of the deciding difference: 75 and 24 of a hundredth of 900 px; 1 % is told by none."""
    plain = pixels(recorded_picture("match", "All is well.", pair(), lambda sha256: GREY))
    told = {**pair(), "budget": budget(0.75, 0.24, 0.01)}
    drawn = pixels(recorded_picture("match", "All is well.", told, lambda sha256: GREY))
    assert len(drawn) == len(plain) + 34 + 3 * 30  # caption, two bars, what makes the first smaller
    below = drawn[len(plain) + 34 :]
    for row, share in enumerate((0.75, 0.24)):
        line = below[30 * row + 15, 280:1181].sum(axis=1)
        assert (line < 200).sum() == pytest.approx(900 * share, abs=3)  # an edge of JPEG
        assert (line > 600).sum() == pytest.approx(900 * (1 - share), abs=3)
    assert (below[30 * 2 + 2 : 30 * 3, 8:300] < 100).any()
    without = {**pair(), "budget": budget(0.75, 0.25, decides=False)}
    assert len(pixels(recorded_picture("match", "x", without, lambda sha256: GREY))) == len(plain)


def test_a_budget_that_is_none_leaves_the_faces() -> None:
    plain = pixels(recorded_picture("match", "x", pair(), lambda sha256: GREY))
    for told in (7, [7], [{"quantity": "plunge.mid"}], budget(float("nan"))):
        drawn = pixels(recorded_picture("match", "x", {**pair(), "budget": told}, lambda sha256: GREY))
        assert drawn.shape == plain.shape


def test_a_budget_without_end_is_cut() -> None:
    told = {**pair(), "budget": budget(*[0.5] * 500)}
    told["budget"][1]["sources"][0]["name"] = "x" * 10**6
    assert len(pixels(recorded_picture("match", "x", told, lambda sha256: GREY))) < 1000


def test_scratches_lie_where_they_were_found() -> None:
    scratch = {"number": 7, "path_px": [[20.0, 30.0], [120.0, 30.0]]}
    result = {
        "drawing": {"pictures": [None, made()]},
        "faces": [{"side": "left", "scratches": []}, {"side": None, "scratches": [scratch]}],
    }
    drawn = pixels(recorded_picture("scratched", "One scratch.", result, lambda sha256: GREY))
    face = drawn[68 : 68 + ROWS, :115]
    rows, columns = np.nonzero((face[..., 0] > 180) & (face[..., 2] < 110))
    assert abs(rows.mean() - 30.5) < 1
    assert columns.min() == pytest.approx(20, abs=2)


@pytest.mark.parametrize(
    "result",
    [
        {}, {"drawing": 7}, {"drawing": {}}, {"drawing": {"sides": {}}},
        {"drawing": {"sides": 7, "x_mm": [0, 1]}},
        {"drawing": {"pictures": [made()], "faces": []}}, {"drawing": {"pictures": [None]}, "faces": [{}]},
        {"drawing": {"pictures": [made((10**6, 10**6))]}, "faces": [{"side": "", "scratches": []}]},
        {"drawing": {**pair()["drawing"], "x_mm": ["a", "b"]}},
    ],
)  # fmt: skip
def test_what_cant_be_drawn_is_no_picture(result: dict[str, Any]) -> None:
    assert recorded_picture("match", "x", result, lambda sha256: GREY) is None


def test_an_export_has_the_pictures_that_are_asked_for(record: Record, tmp_path: Path) -> None:
    filled(record)  # its results have no drawing
    one = knife(record, "field 1")
    photos: Any = [
        (add_photo(record, SAMPLES / f"field_knife_a_{n}.jpg").sha256, f"{n}.jpg", "face") for n in (1, 2)
    ]
    asked = {"thickness_mm": 5 / 32 * 25.4, "bar_x_mm": 276.44, "bar_y_mm": 179.8}
    check = checks.add_check(record, one.id, "symmetry", photos=photos, asked=asked)
    checks.add_outcome(record, check.id, measure_check(record, check))
    export_record(record, tmp_path / "1.zip")
    export_record(record, tmp_path / "2.zip", pictures=True)
    with zipfile.ZipFile(tmp_path / "1.zip") as plain, zipfile.ZipFile(tmp_path / "2.zip") as with_pictures:
        more = set(with_pictures.namelist()) - set(plain.namelist())
        assert more == {f"pictures/{check.id}.jpg"}
        data = with_pictures.read(f"pictures/{check.id}.jpg")
    drawn = pixels(data)
    assert b"Exif" not in data  # nothing that the phone wrote
    orange = (drawn[..., 0] > 180) & (drawn[..., 2] < 90)
    assert orange[:, 0:1450].any(axis=0).sum() > 2  # both plunges are drawn
    with open_record(tmp_path / "other") as other:
        assert import_record(other, tmp_path / "2.zip").new_knives == 3


def test_a_result_that_names_a_lost_photo_draws_nothing(record: Record, tmp_path: Path) -> None:
    made_at = filled(record)
    check = checks.add_check(
        record, made_at.id, "photos",
        photos=[(add_photo(record, SAMPLES / "petty_a_1.jpg").sha256, "a.jpg", "face")],
    )  # fmt: skip
    outcome: Outcome = done(drawing=pair()["drawing"])  # of a photo that isn't in the record
    checks.add_outcome(record, check.id, outcome)
    export_record(record, tmp_path / "1.zip", pictures=True)
    with zipfile.ZipFile(tmp_path / "1.zip") as opened:
        assert not [name for name in opened.namelist() if name.startswith("pictures")]
