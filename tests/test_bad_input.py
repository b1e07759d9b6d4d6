"""Bad input through the whole chain: each slip has its own words, and costs nothing that was there before."""

import json
import struct
import zlib
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import reduced
from PIL import Image
from synthetic import camera_truth, mat_photo
from typer.testing import CliRunner

from grindcheck import cli, outline, pipeline
from grindcheck.errors import PairError
from grindcheck.lensstore import lens_name
from grindcheck.mat.spec import mat_spec
from grindcheck.pipeline import Seen, check_pair, see, stance_of

NAME = "field_knife_a"
GOOD = ["--thickness", "5/32in"]


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    return reduced.halved(NAME, tmp_path_factory.mktemp("half"))


@pytest.fixture(scope="module")
def first(photos: tuple[Path, Path]) -> Seen:
    """Return the first photo up to its outline; its stored pixels are upright."""
    with Image.open(photos[0]) as picture:
        assert picture.getexif().get(0x0112, 1) == 1
    request = reduced.request(NAME, photos)
    return see(photos[0], request, stance_of(request.thickness_mm, request.height_mm, request.edge_mm))


def check(photos, *options, thickness=GOOD):
    return CliRunner().invoke(cli.app, ["check", *map(str, photos), *thickness, *options])


def refused(run, *words):
    assert run.exit_code == 2, run.output
    assert run.stdout == ""
    for word in words:
        assert word in run.stderr
    assert "What to do: " in run.stderr
    assert "unforeseen" not in run.stderr


def on_blade(seen: Seen, height_mm: float):
    """Mask of the photo's pixels that show the blade."""
    outline = seen.outline
    at = outline.face.plane.mat_from_grid(outline.points_mm)
    px = seen.camera.px_from_mm(np.column_stack([at, np.full(len(at), height_mm)]))
    mask = np.zeros(seen.photo.bgr.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.rint(px).astype(np.int32)], 1)
    return mask > 0


def on_mat(seen: Seen, low, high):
    """Mask of the photo's pixels that show a rectangle of the paper."""
    corners = np.array([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]])
    px = seen.camera.px_from_mm(np.column_stack([corners, np.zeros(4)]))
    mask = np.zeros(seen.photo.bgr.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.rint(px).astype(np.int32), 1)
    return mask > 0


def painted(mask, colour):
    def paint(pixels):
        noise = np.random.default_rng(1).normal(0.0, 2.0, (int(mask.sum()), 3))
        pixels[mask] = np.clip(np.asarray(colour) + noise, 0, 255)
        return pixels

    return paint


# the file


def test_not_an_image(photos, tmp_path):
    wrong = tmp_path / "notes.jpg"
    wrong.write_text("plunge 104 mm", encoding="utf-8")
    refused(check((photos[0], wrong)), "notes.jpg is no JPEG, PNG or HEIC picture")


def test_truncated(photos, tmp_path):
    wrong = tmp_path / "half_sent.jpg"
    data = photos[1].read_bytes()
    wrong.write_bytes(data[: len(data) // 2])
    refused(check((photos[0], wrong)), "half_sent.jpg is truncated")


def test_too_large(photos, tmp_path):
    """A bomb: a few bytes that promise 900 megapixels are refused before they are decoded."""

    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", 30_000, 30_000, 8, 2, 0, 0, 0)
    wrong = tmp_path / "bomb.png"
    parts = [(b"IHDR", header), (b"IDAT", zlib.compress(b"")), (b"IEND", b"")]
    wrong.write_bytes(b"\x89PNG\r\n\x1a\n" + b"".join(chunk(*part) for part in parts))
    refused(check((photos[0], wrong)), "900 megapixels; up to 120 can be read")


# the mat


def test_no_mat(photos, tmp_path):
    noise = np.random.default_rng(3).normal(120.0, 20.0, (1500, 2000, 3))
    Image.fromarray(np.clip(noise, 0, 255).astype(np.uint8)).save(tmp_path / "bench.png")
    refused(check((photos[0], tmp_path / "bench.png")), "No mat is seen")


def test_half_a_mat_is_enough(photos, first, tmp_path):
    """Half of the frame is covered by bench: the differences stay within both U of those with all of it."""
    half = np.array(first.mat.spec.frame_mm) / 2 + 8.0
    field = np.array(first.mat.spec.field_mm) / 2
    hidden = np.zeros(first.photo.bgr.shape[:2], dtype=bool)
    for low, high in (
        ((-half[0], -half[1]), (half[0], -field[1])),
        ((-half[0], -half[1]), (-field[0], half[1])),
    ):
        hidden |= on_mat(first, low, high)
    hidden &= ~cv2.dilate(on_blade(first, 4.0).astype(np.uint8), np.ones((25, 25))).astype(bool)
    part = reduced.changed(photos[0], tmp_path / "covered.jpg", painted(hidden, (120, 90, 60)))
    whole = check_pair(reduced.request(NAME, photos))
    some = check_pair(reduced.request(NAME, (part, photos[1])))
    by_name = {face.photo_name: face for face in (some.left, some.right)}
    seen = by_name["covered.jpg"].camera
    assert seen["markers_seen"] < 0.65 * seen["markers_expected"]
    compared = 0
    for one, other in zip(whole.differences, some.differences, strict=False):
        if one.quantity.startswith("plunge") and one.quantity == other.quantity:
            assert abs(one.value - other.value) < 2 * np.hypot(one.std, other.std)
            compared += 1
    assert compared == 4


def test_two_mats(photos, tmp_path):
    pictures = [np.array(Image.open(photo).convert("RGB")) for photo in photos]
    Image.fromarray(np.hstack(pictures)).save(tmp_path / "two.jpg", quality=92)
    refused(check((tmp_path / "two.jpg", photos[1])), "Two mats are seen: a4 (", "Leave only one mat")


def test_wrong_paper(photos):
    refused(check(photos, "--paper", "a3"), "The mat in the photo is for a4 paper, not a3")


def test_mirrored_photo(photos, tmp_path):
    wrong = reduced.changed(photos[0], tmp_path / "selfie.jpg", lambda pixels: pixels[:, ::-1])
    refused(check((wrong, photos[1])), "The photo is mirrored")


def test_grey_print_is_told(photos, tmp_path):
    def grey(pixels):
        level = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
        return np.repeat(level[:, :, None], 3, axis=2)

    grey_photo = reduced.changed(photos[0], tmp_path / "grey.jpg", grey)
    request = reduced.request(NAME, photos)
    assert (
        "grey_print"
        in see(grey_photo, request, stance_of(request.thickness_mm, request.height_mm, request.edge_mm)).flags
    )


def test_colour_print_isn_t_called_grey(first):
    assert not {"grey_print", "dark"} & set(first.flags)


def test_damaged_lenses_stop_no_check(photos, first, tmp_path, monkeypatch):
    """A calibration only makes U smaller: without it the figures are those of a phone that has none."""
    assert lens_name(first.photo) and "lenses_unreadable" not in first.flags
    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path))
    (tmp_path / "lenses.json").write_text('{"phone": [', encoding="utf-8")
    request = replace(reduced.request(NAME, photos), kept_lens=True)
    seen = see(photos[0], request, stance_of(request.thickness_mm, request.height_mm, request.edge_mm))
    assert seen.flags == ("lenses_unreadable", *first.flags)
    np.testing.assert_array_equal(seen.camera.parameters, first.camera.parameters)
    run = check(photos, "--json", tmp_path / "r.json")
    assert run.exit_code in (0, 1, 3), run.output
    assert "lenses.json in the data folder can't be read" in " ".join(run.output.split())
    assert "grindcheck calibrate" in " ".join(run.output.split())
    told = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))
    assert "lenses_unreadable" in json.dumps(told)


# the pair


def test_same_photo_twice(photos):
    refused(check((photos[0], photos[0])), f"{NAME}_1.jpg and {NAME}_1.jpg are the same photo")


def test_same_face_twice(photos, tmp_path):
    again = reduced.changed(photos[0], tmp_path / "again.jpg", lambda pixels: pixels[::-1, ::-1])
    refused(
        check((photos[0], again)),
        f"{NAME}_1.jpg and again.jpg both show the right face",
        "--faces left,right",
    )


def test_same_face_twice_isn_t_made_two_by_saying_so(photos, tmp_path):
    """They fit each other only as they were told: with edge and spine of one exchanged they don't."""
    again = reduced.changed(photos[0], tmp_path / "again.jpg", lambda pixels: pixels[::-1, ::-1])
    with pytest.raises(PairError, match=r"_1\.jpg and again\.jpg show one face"):
        check_pair(reduced.request(NAME, (photos[0], again), faces=("right", "left")))


def test_two_different_knives(photos, tmp_path):
    sides = {photo["face"]: photo["file"] for photo in reduced.truth("scandi_a")["photos"]}
    shown = reduced.truth(NAME)["photos"][0]["face"]
    reduced.halved("scandi_a", tmp_path)
    other = tmp_path / sides["left" if shown == "right" else "right"]
    refused(check((photos[0], other)), "outlines", "Give two photos of the two faces of one blade")


# the thickness


@pytest.mark.parametrize(
    ("thickness", "words"),
    [
        ([], "The stock thickness is missing"),
        (["--thickness", "0mm"], "0.00 mm; knife stock has 0.8 to 13 mm"),
        (["--thickness", "3/16mm"], "3/16 in is 4.76 mm"),
        (["--thickness", "4"], "has no unit"),
    ],
)
def test_thickness_slips_stop_before_the_photos(photos, thickness, words):
    refused(check(("nowhere_1.jpg", "nowhere_2.jpg"), thickness=thickness), words)


# the blade


def test_blade_off_the_field(photos, tmp_path):
    """An empty mat, exact but for the noise of a phone."""
    spec = mat_spec("a4")
    empty = mat_photo(camera_truth((2000, 1500), tilt_rad=0.05), spec, points=8, noise=1.5)
    Image.fromarray(np.ascontiguousarray(empty.bgr[:, :, ::-1])).save(tmp_path / "empty.png")
    refused(check((tmp_path / "empty.png", photos[1])), "No blade is seen on the mat's field")


def test_tip_off_the_field(photos, first, tmp_path):
    """Steel from border to border has no tip."""
    field = np.array(first.mat.spec.field_mm) / 2
    across = on_mat(first, (-field[0] - 30.0, -15.0), (field[0] + 30.0, 15.0))
    wrong = reduced.changed(photos[0], tmp_path / "across.jpg", painted(across, (150, 150, 150)))
    refused(check((wrong, photos[1])), "runs off the field at both ends", "Move the tip onto the field")


@pytest.mark.parametrize(("level", "flag"), [(18, "dark"), (254, "blown_out")])
def test_blade_too_dark_or_blown_out(photos, first, tmp_path, level, flag):
    """Level 18 of 255 is 0.006 in linear light (IEC 61966-2-1), 254 is clipped; no line is left."""
    blade = on_blade(first, 4.0)
    wrong = reduced.changed(photos[0], tmp_path / f"{flag}.jpg", painted(blade, (level,) * 3))
    request = reduced.request(NAME, photos)
    assert (
        flag in see(wrong, request, stance_of(request.thickness_mm, request.height_mm, request.edge_mm)).flags
    )
    run = check((wrong, photos[1]))
    assert run.exit_code in (2, 3), run.output  # no verdict without lines
    assert "What to do: " in run.stderr or "CANNOT TELL" in run.stdout


def test_kitchen_blade_whose_bevel_runs_out_at_the_heel():
    """There is no plunge: measured without, and said so."""
    found = check_pair(reduced.request("petty_b"))
    for face in (found.left, found.right):
        assert "no_plunge" in face.flags
        assert face.plunge == {}
        assert face.full_flat
    assert not [figure for figure in found.differences if figure.quantity.startswith("plunge")]


@pytest.mark.parametrize("odds", [-1.4, 1.4])
def test_a_grind_that_may_be_another_tells_no_height_and_an_unsure_plunge(odds, monkeypatch):
    """Log odds of both faces together within 95 %; a grind that the user names is believed."""
    monkeypatch.setattr(pipeline, "reaches_spine", lambda *of: odds)
    found = check_pair(reduced.request("field_knife_a"))
    assert "grind_unsure" in found.flags
    assert not [figure for figure in found.differences if figure.quantity == "bevel_height"]
    plunges = [one for one in found.differences if one.quantity in ("plunge.mid", "plunge.edge")]
    assert len(plunges) == 2
    assert all(one.std >= 0.5 for one in plunges)
    told = check_pair(reduced.request("field_knife_a", grind="sabre"))
    assert "grind_unsure" not in told.flags
    assert [figure for figure in told.differences if figure.quantity == "bevel_height"]


def test_odds_beyond_95_percent_tell_the_grind(monkeypatch):
    monkeypatch.setattr(pipeline, "reaches_spine", lambda *of: -1.5)
    assert "grind_unsure" not in check_pair(reduced.request("field_knife_a")).flags


@pytest.mark.parametrize("by_mm", [-1e-6, 1e-6])
def test_no_last_bit_decides_where_a_contour_is_cut(by_mm, monkeypatch):
    """Pixels of the rough mask lie whole quarters of a millimetre from the border, where none is cut."""
    before = check_pair(reduced.request("field_knife_a"))
    measured = outline.from_border
    monkeypatch.setattr(outline, "from_border", lambda face, points: measured(face, points) + by_mm)
    after = check_pair(reduced.request("field_knife_a"))
    assert [figure.value for figure in after.differences] == [figure.value for figure in before.differences]
    assert before.differences


# the output


def test_unwritable_output_costs_nothing_else(photos, tmp_path):
    kept, nowhere = tmp_path / "result.json", tmp_path / "nowhere" / "result.png"
    run = check(photos, "--json", str(kept), "--picture", str(nowhere))
    assert run.exit_code == 2
    assert str(nowhere) in run.stderr
    assert run.stdout.startswith(("MATCH", "MISMATCH", "CANNOT TELL"))
    assert json.loads(kept.read_text(encoding="utf-8"))["differences"]


def test_an_error_costs_no_earlier_result(photos, tmp_path):
    kept = tmp_path / "result.json"
    kept.write_text('{"verdict": "match"}', encoding="utf-8")
    run = check((photos[0], photos[0]), "--json", str(kept))
    assert run.exit_code == 2
    assert kept.read_text(encoding="utf-8") == '{"verdict": "match"}'
    assert [file.name for file in tmp_path.iterdir()] == ["result.json"]
