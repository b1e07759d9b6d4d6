"""A lens from many photos: known ones come back within their covariance, none is believed against a photo."""

import json
import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from synthetic import camera_truth
from test_camera import CROSSINGS, Corners, Picture, opencv_doc  # noqa: F401
from typer.testing import CliRunner

from grindcheck.camera import Camera, solve_camera
from grindcheck.cli import app
from grindcheck.errors import OutputError
from grindcheck.geometry import Array
from grindcheck.lenscalibration import MODELS, Lens, Sight, calibrate
from grindcheck.lensguide import Stand, held_as_stored, seen_from, still_missing
from grindcheck.lensstore import KnownLens, find_lens, keep_lens, known_lens, lens_name, lenses_file

SIZE = (4000, 3000)
MIDDLE = (np.array(SIZE) - 1) / 2
BENT = (0.08, -0.12, 6e-4, -4e-4)
PRINTED = np.column_stack([CROSSINGS, np.zeros(len(CROSSINGS))])


def stands(distortion: tuple[float, float, float, float] = BENT, diagonals: float = 0.75) -> list[Camera]:
    """Ten photos as the guide asks for them."""
    return [
        camera_truth(
            diagonals=diagonals, tilt_rad=tilt, azimuth_rad=azimuth, spin_rad=spin, width_mm=width,
            shift_px=(18.0, -11.0), distortion=distortion,
        )
        for tilt, azimuth, spin, width in (
            (0.0, 0.0, 0.0, 320.0), (0.3, 0.0, 0.0, 330.0), (0.3, np.pi / 2, 0.0, 330.0),
            (0.3, np.pi, 0.0, 330.0), (0.3, -np.pi / 2, 0.0, 330.0), (0.05, 0.0, np.pi / 2, 420.0),
            (0.3, 0.7, np.pi / 2, 420.0), (0.25, 2.3, np.pi / 2, 430.0), (0.2, 3.9, 0.1, 410.0),
            (0.0, 0.0, 0.2, 420.0),
        )
    ]  # fmt: skip


def sights(cameras: list[Camera], rng: np.random.Generator, noise_px: float = 0.05) -> list[Sight]:
    out = []
    for camera in cameras:
        corner_px = camera.px_from_mm(PRINTED) + rng.normal(0.0, noise_px, CROSSINGS.shape)
        start = camera.parameters[:13].copy()
        start[0] += 0.02
        start[1:7] = [*MIDDLE, 0, 0, 0, 0]
        out.append(Sight(corner_mm=CROSSINGS, corner_px=corner_px, std_px=noise_px, start=start))
    return out


def with_k3(camera: Camera, k3: float) -> Camera:
    return camera.with_parameters(np.append(camera.parameters, k3))


@cache
def fitted(seed: int, *, k3: float = 0.0, **changes: object) -> tuple[Lens, Array]:
    cameras = [with_k3(camera, k3) for camera in stands(**changes)]  # type: ignore[arg-type]
    found = calibrate(sights(cameras, np.random.default_rng(seed)), stretch_std=1e-4, centre_px=MIDDLE)
    return found, np.append(cameras[0].parameters[:7], k3)


def test_a_known_lens_comes_back_within_its_covariance() -> None:
    """Normalised errors of five calibrations: chi-square of 7 unknowns each, limits at 0.1 % and 99.9 %."""
    from scipy import stats

    total = 0.0
    for seed in range(5):
        lens, true = fitted(seed)
        assert lens.model == MODELS[-2][0]
        assert not lens.covariance[7].any()
        away = (lens.values - true)[:7]
        total += float(away @ np.linalg.solve(lens.covariance[:7, :7], away))
    low, high = stats.chi2.ppf([0.001, 0.999], 5 * 7)
    assert low < total < high


def test_a_third_radial_term_is_taken_where_photos_left_out_ask_for_it() -> None:
    """Chi-square of 8 unknowns, two calibrations, limits at 0.1 % and 99.9 %."""
    from scipy import stats

    total = 0.0
    for seed in range(2):
        lens, true = fitted(seed, k3=0.4)
        assert lens.model == MODELS[-1][0]
        assert lens.held_out_px[lens.model] < 0.9 * lens.held_out_px[MODELS[-2][0]]
        away = lens.values - true
        total += float(away @ np.linalg.solve(lens.covariance, away))
    low, high = stats.chi2.ppf([0.001, 0.999], 2 * 8)
    assert low < total < high


def test_each_photo_is_left_out_once_and_what_is_left_tells_the_lens() -> None:
    lens, true = fitted(2)
    assert sorted(photo for fold in lens.folds for photo in fold.photos) == list(range(10))
    for fold in lens.folds:
        std = np.sqrt(np.diag(fold.covariance)[:7])
        assert (std >= np.sqrt(np.diag(lens.covariance)[:7])).all()  # fewer photos never tell more
        assert (np.abs(fold.values - true)[:7] < 4.5 * std).all()  # 28 normal errors: one in 5,000 chances


def test_no_more_terms_than_the_photos_carry() -> None:
    lens, _ = fitted(3, distortion=(0.0, 0.0, 0.0, 0.0))
    assert lens.model in ("focal length and centre", "one radial term")
    # 0.05 px in each coordinate: rms of the distances √2 times as much
    assert lens.rms_px == pytest.approx(0.05 * math.sqrt(2), rel=0.05)
    assert lens.held_out_px[lens.model] == pytest.approx(0.05 * math.sqrt(2), rel=0.1)


@pytest.mark.parametrize("k3", [False, True])
def test_the_same_minimum_as_opencv(k3: bool) -> None:
    """`cv2.calibrateCamera` with square pixels, on the same crossings."""
    import cv2

    photos = sights(stands(), np.random.default_rng(8))
    models = MODELS[-1:] if k3 else MODELS[-2:-1]
    ours = calibrate(photos, stretch_std=1e-6, centre_px=MIDDLE, models=models)
    matrix = np.array([[3700.0, 0, MIDDLE[0]], [0, 3700.0, MIDDLE[1]], [0, 0, 1]])
    rms, matrix, distortion, *_ = cv2.calibrateCamera(
        [PRINTED.astype(np.float32)] * len(photos), [p.corner_px.astype(np.float32) for p in photos], SIZE,
        matrix, np.zeros(5),
        flags=cv2.CALIB_FIX_ASPECT_RATIO | (0 if k3 else cv2.CALIB_FIX_K3) | cv2.CALIB_USE_INTRINSIC_GUESS,
    )  # fmt: skip
    assert ours.rms_px == pytest.approx(rms, rel=2e-3)
    std = np.maximum(np.sqrt(np.diag(ours.covariance)), 1e-12)  # without k3 both have 0 there
    theirs = np.array([np.log(matrix[0, 0]), matrix[0, 2], matrix[1, 2], *distortion.ravel()[:5]])
    assert (np.abs(ours.values - theirs) < 0.3 * std).all()


BOARD = np.array([[25.0 * i, 25.0 * j] for j in range(6) for i in range(9)])
PUBLISHED_PX = 0.392591  # rms of OpenCV's sample photos, avg_reprojection_error in left_intrinsics.yml


def chessboards(folder: Path, half_px: int) -> list[Sight]:
    """Crossings of OpenCV's sample photos, found in windows of half that side."""
    import cv2

    photos = []
    for path in sorted(folder.glob("left[0-9][0-9].jpg")):
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        found, corners = cv2.findChessboardCorners(grey, (9, 6))
        if not found:
            continue
        until = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 30, 0.1)
        corner_px = (
            cv2.cornerSubPix(grey, corners, (half_px, half_px), (-1, -1), until).reshape(-1, 2).astype(float)
        )
        _, turn, move = cv2.solvePnP(
            np.column_stack([BOARD, np.zeros(54)]), corner_px,
            np.array([[530.0, 0, 319.5], [0, 530.0, 239.5], [0, 0, 1]]), None,
        )  # fmt: skip
        start = np.concatenate([[np.log(530.0), 319.5, 239.5, 0, 0, 0, 0], turn.ravel(), move.ravel()])
        photos.append(Sight(corner_mm=BOARD, corner_px=corner_px, std_px=0.25, start=start))
    return photos


def on_chessboards(photos: list[Sight], **how: object) -> Lens:
    middle = np.array([319.5, 239.5])
    return calibrate(photos, stretch_std=0.01, centre_px=middle, **how)  # type: ignore[arg-type]


def test_published_chessboard_photos_are_met(opencv_doc: Path) -> None:  # noqa: F811
    """In windows of 23 px as the published figure has them, every one of the 702 crossings used.

    With k3 0.39247 px was measured, without 0.39273; OpenCV's own calibration with k3 and two focal lengths
    gives 0.39286 on the crossings that it finds today. Photos left out are foretold to 0.39806 px with k3 and
    to 0.39828 px without, so k3 wins, by less than the photos' scatter: the rule still takes a simpler model.
    """
    import cv2

    photos = chessboards(opencv_doc, 11)
    theirs, *_ = cv2.calibrateCamera(
        [np.column_stack([BOARD, np.zeros(54)]).astype(np.float32)] * len(photos),
        [photo.corner_px.astype(np.float32) for photo in photos], (640, 480), None, None,
    )  # fmt: skip
    every = on_chessboards(photos, models=MODELS[-1:], drop=False)
    assert every.corners == 13 * 54
    assert every.rms_px <= theirs
    assert every.rms_px <= PUBLISHED_PX
    assert abs(every.values[7] - 0.23839) < np.sqrt(every.covariance[7, 7])  # the published k3
    held_out = on_chessboards(photos, drop=False).held_out_px
    assert min(held_out, key=lambda model: held_out[model]) == MODELS[-1][0]
    chosen = on_chessboards(photos)
    assert chosen.dropped <= 5
    assert chosen.rms_px < PUBLISHED_PX


def test_crossings_found_within_their_squares_miss_by_half_of_the_published_figure(opencv_doc: Path) -> None:  # noqa: F811
    """Windows of 11 px instead of 23, of squares that are 22 px and more: 702 crossings, none left out.

    0.1966 px was measured: the windows decide, not the model. In the published file one photo has 1.18 px.
    """
    every = on_chessboards(chessboards(opencv_doc, 5), drop=False)
    assert every.corners == 13 * 54
    assert every.rms_px < 0.51 * PUBLISHED_PX
    # photos that took no part are foretold nearly as well as those that did
    assert every.held_out_px[every.model] < 1.2 * every.rms_px


# ---- as a prior


def kept_lens(k3: float = 0.0) -> tuple[KnownLens, Camera]:
    lens, _ = fitted(1, k3=k3)
    return known_lens(lens.values, lens.covariance, SIZE), with_k3(stands()[0], k3)


def test_a_known_lens_tells_a_photo_from_above_its_focal_length() -> None:
    known, truth = kept_lens()
    rng = np.random.default_rng(4)
    view = Corners(CROSSINGS, truth.px_from_mm(PRINTED) + rng.normal(0, 0.05, CROSSINGS.shape), 0.05)
    picture = Picture(truth.focal_px * 1.02, 0.03)
    plain = solve_camera(view, picture)  # type: ignore[arg-type]
    told = solve_camera(view, picture, lens=known)  # type: ignore[arg-type]
    assert told.flags == plain.flags == ()
    assert told.covariance[0, 0] < 0.2 * plain.covariance[0, 0]
    assert abs(told.parameters[0] - truth.parameters[0]) < 3 * np.sqrt(told.covariance[0, 0])


def test_a_third_radial_term_goes_into_a_photo() -> None:
    """0.4 r⁷ bends the corners by 20 px; without it what the lens leaves is far above the noise."""
    known, truth = kept_lens(0.4)
    rng = np.random.default_rng(4)
    view = Corners(CROSSINGS, truth.px_from_mm(PRINTED) + rng.normal(0, 0.05, CROSSINGS.shape), 0.05)
    told = solve_camera(view, Picture(truth.focal_px, 0.03), lens=known)  # type: ignore[arg-type]
    assert told.flags == ()
    assert told.parameters.shape == (14,)
    assert told.covariance.shape == (14, 14)
    assert told.rms_px == pytest.approx(0.05 * math.sqrt(2), rel=0.15)
    away = (told.parameters - truth.parameters)[[0, 3, 4, 13]]
    assert (np.abs(away) < 4 * np.sqrt(np.diag(told.covariance)[[0, 3, 4, 13]])).all()
    far = np.array([[0.02, 0.03], [0.98, 0.97]]) * SIZE
    np.testing.assert_allclose(told.mm_from_px(far, 0.0), truth.mm_from_px(far, 0.0), atol=0.2)


@pytest.mark.parametrize("k3", [0.0, 0.4])
def test_the_gain_of_a_lens_is_the_derivative_by_its_errors(k3: float) -> None:
    """A lens whose calibration errs moves the photo's camera by that much."""
    known, truth = kept_lens(k3)
    rng = np.random.default_rng(4)
    view = Corners(CROSSINGS, truth.px_from_mm(PRINTED) + rng.normal(0, 0.05, CROSSINGS.shape), 0.05)
    picture = Picture(truth.focal_px, 0.03)

    def solved(error: Array) -> Camera:
        told = [*error[[0, 3, 4]], *([error[14]] if k3 else [])]
        off = replace(
            known,
            focal_diagonals=known.focal_diagonals * math.exp(told[0]),
            k1=known.k1 + told[1],
            k2=known.k2 + told[2],
            k3=None if known.k3 is None else known.k3 + told[3],
        )
        return solve_camera(view, picture, lens=off)  # type: ignore[arg-type]

    gain, errors = solved(np.zeros(15)).lens_gain, known.shared_errors()
    assert gain is not None
    assert gain.shape == ((14, 4) if k3 else (13, 3))
    for column, error in zip(gain.T, errors.T, strict=True):
        moved = (solved(error).parameters - solved(-error).parameters) / 2
        std = np.sqrt(np.diag(solved(np.zeros(15)).covariance))
        np.testing.assert_allclose(moved / std, column / std, atol=0.02)


def test_what_the_photos_share_is_the_calibration_without_what_is_each_ones_own() -> None:
    """Focusing, 1.4 % over √12, and 1e-4 of terms left out are each photo's own; the rest is common."""
    lens, _ = fitted(1)
    errors = known_lens(lens.values, lens.covariance, SIZE).shared_errors()[[0, 3, 4]]
    told = lens.covariance[np.ix_([0, 3, 4], [0, 3, 4])]
    np.testing.assert_allclose(errors @ errors.T, told, rtol=1e-6, atol=1e-12)


def test_a_photo_that_contradicts_the_lens_is_believed() -> None:
    known, _ = kept_lens()
    other = stands(diagonals=0.95)[1]
    rng = np.random.default_rng(5)
    view = Corners(CROSSINGS, other.px_from_mm(PRINTED) + rng.normal(0, 0.05, CROSSINGS.shape), 0.05)
    picture = Picture(other.focal_px, 0.03)
    plain = solve_camera(view, picture)  # type: ignore[arg-type]
    told = solve_camera(view, picture, lens=known)  # type: ignore[arg-type]
    assert "lens_contradicted" in told.flags
    np.testing.assert_array_equal(told.parameters, plain.parameters)


def test_lenses_are_kept_and_none_is_lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path))
    known, _ = kept_lens()
    assert find_lens("Phone|1||26") is None
    keep_lens("Phone|1||26", known, photos=10)
    keep_lens("Phone|1||26", known, photos=12)
    found = find_lens("Phone|1||26")
    assert found is not None
    np.testing.assert_allclose(found.covariance, known.covariance)
    stored = json.loads(lenses_file().read_text(encoding="utf-8"))
    assert [entry["photos"] for entry in stored["lenses"]["Phone|1||26"]] == [10, 12]
    assert find_lens("") is None


SOUND = {
    "focal_diagonals": 0.75, "k1": 0.1, "k2": 0.0, "centre_std": 0.01, "decentring_std": 0.001,
    "covariance": [[1e-5, 0, 0], [0, 1e-4, 0], [0, 0, 1e-3]],
}  # fmt: skip


@pytest.mark.parametrize(
    ("content", "why"),
    [
        ("", "Expecting value"),
        ("[" * 100_000, "nested too deeply"),
        ("3", "no list of entries"),
        ('{"a": 3}', "no list of entries"),
        ('{"a": {}}', "no list of entries"),  # an empty one let reading pass and keeping fail
        ('{"a": [3]}', "entry 1 of 'a'"),
        ('{"a": [{"k1": "x"}]}', "entry 1 of 'a'"),
        *(
            (json.dumps({"a": [SOUND, SOUND | changed]}), "entry 2 of 'a'")
            for changed in (
                {"focal_diagonals": 10**400},  # more than a float holds
                {"focal_diagonals": 1e308},  # which times a diagonal is infinite
                {"centre_std": 1e-300},  # whose inverse square is infinite
                {"k2": math.nan},
                {"covariance": [[1e-5, 0], [0, 1e-5]]},
                {"covariance": [[1e-5, 0, 0], [0, -1e-5, 0], [0, 0, 1e-5]]},
                {"covariance": [[1e-5, 9, 0], [0, 1e-5, 0], [0, 0, 1e-5]]},
                {"covariance": [[1e-320, 0, 0], [0, 1e-5, 0], [0, 0, 1e-5]]},
            )
        ),
    ],
)
def test_a_damaged_file_of_lenses_is_told_and_not_overwritten(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, content: str, why: str
) -> None:
    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path))
    lenses_file().write_text(content, encoding="utf-8")
    with pytest.raises(OutputError, match=f"lenses.json, can't be read: .*{why}.*move it away"):
        find_lens("a")
    with pytest.raises(OutputError, match="can't be read"):
        keep_lens("a", kept_lens()[0])
    assert lenses_file().read_text(encoding="utf-8") == content
    lenses_file().write_text(json.dumps({"a": [SOUND]}), encoding="utf-8")
    found = find_lens("a")
    assert found is not None and found.focal_diagonals == 0.75


def test_a_file_of_the_first_format_is_read_and_carried_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path))
    known, _ = kept_lens()
    keep_lens("Phone|1||26", known)
    stored = json.loads(lenses_file().read_text(encoding="utf-8"))
    assert stored["format"] == 2
    del stored["lenses"]["Phone|1||26"][0]["k3"]  # which it didn't have
    lenses_file().write_text(json.dumps(stored["lenses"]), encoding="utf-8")
    found = find_lens("Phone|1||26")
    assert found is not None
    assert found.k3 is None
    np.testing.assert_allclose(found.covariance, known.covariance)
    bent, _ = kept_lens(0.4)
    keep_lens("Phone|1||26", bent)
    found = find_lens("Phone|1||26")
    assert found is not None
    assert found.k3 == pytest.approx(0.4, abs=0.05)
    assert found.covariance.shape == (4, 4)
    assert len(json.loads(lenses_file().read_text(encoding="utf-8"))["lenses"]["Phone|1||26"]) == 2


def test_a_file_of_a_newer_format_is_told_and_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path))
    newer = '{"format": 3, "optics": []}'
    lenses_file().write_text(newer, encoding="utf-8")
    with pytest.raises(OutputError, match="has format 3; this grindcheck knows them up to 2"):
        find_lens("Phone|1||26")
    with pytest.raises(OutputError, match="format 3"):
        keep_lens("Phone|1||26", kept_lens()[0])
    assert lenses_file().read_text(encoding="utf-8") == newer
    lenses_file().write_text('{"format": 0, "lenses": {}}', encoding="utf-8")
    with pytest.raises(OutputError, match="can't be read"):
        find_lens("Phone|1||26")


def test_a_picture_of_another_shape_has_another_lens() -> None:
    """A cut of the same sensor has other diagonals: the lens of 4:3 photos isn't that of 16:9 ones."""
    from synthetic import photo_of

    tall, wide, cut = (
        replace(photo_of(np.zeros((*shape, 3), np.uint8)), lens_key="Workshop|Phone 2||26")
        for shape in ((40, 30), (30, 40), (40, 22))
    )
    assert lens_name(tall) == lens_name(wide) == "Workshop|Phone 2||26|40x30"
    assert lens_name(cut) != lens_name(tall)
    assert lens_name(replace(tall, lens_key="")) == ""


# ---- the guide


def stand(camera: Camera, orientation: int = 1) -> Stand:
    return held_as_stored(camera.px_from_mm(PRINTED), camera, orientation)[1]


def test_the_guide_asks_until_the_photos_tell_enough() -> None:
    cameras = [stand(camera) for camera in stands()]
    assert still_missing(cameras) == ()
    first = still_missing(cameras[:1])
    assert any("tilted" in wish for wish in first)
    assert any("farther" in wish for wish in first)
    assert any("quarter" in wish for wish in first)
    assert any("7 more" in wish for wish in first)
    assert not any("corners" in wish for wish in first)  # 320 mm wide: the frame reaches into all four
    far = stand(camera_truth(diagonals=0.75, width_mm=420.0))
    assert any("4 of 4 corners are empty" in wish for wish in still_missing([far]))
    # off to one side, and as EXIF's 6 tells a phone held upright: the right corners of the sensor
    aside = camera_truth(diagonals=0.75, width_mm=330.0, middle_mm=(-30.0, 0.0))
    upright, turned = stand(aside), stand(aside, 6)
    assert {right for right, _ in upright.reached} == {True}
    assert {bottom for _, bottom in turned.reached} == {False}
    assert any("2 of 4 corners are empty" in wish for wish in still_missing([upright]))
    assert {seen_from(camera) for camera in cameras[1:5]} == {"left", "right", "top", "bottom"}


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_a_turned_picture_goes_back_to_the_sensor(orientation: int) -> None:
    """Crossings and pose turned together: the same camera still sees the crossings where they are."""
    camera = stands((0.0, 0.0, 0.0, 0.0))[1].with_parameters(
        np.concatenate([[np.log(3700.0)], MIDDLE, np.zeros(4), stands()[1].parameters[7:]])
    )
    corner_px, held = held_as_stored(camera.px_from_mm(PRINTED), camera, orientation)
    again = camera.with_parameters(held.start).px_from_mm(PRINTED)
    np.testing.assert_allclose(again, corner_px, atol=1e-6)
    assert held.size_px == (SIZE if orientation < 5 else SIZE[::-1])


def test_too_few_photos_and_nameless_ones_are_refused(tmp_path: Path) -> None:
    from PIL import Image

    plain = tmp_path / "plain.png"
    Image.new("RGB", (64, 64)).save(plain)
    told = CliRunner().invoke(app, ["calibrate", str(plain)])
    assert told.exit_code == 2
    assert "What to do:" in told.stderr


def test_damaged_lenses_are_told_before_the_photos_are_looked_at(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A photo without a mat would be refused as soon as it is looked at, and with --look it is."""
    from PIL import Image

    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path))
    Image.new("RGB", (64, 64)).save(tmp_path / "plain.png")
    lenses_file().write_text("{", encoding="utf-8")
    told = CliRunner().invoke(app, ["calibrate", str(tmp_path / "plain.png")])
    assert told.exit_code == 2
    assert "lenses.json, can't be read" in told.stderr
    assert "What to do: Mend that file or move it away" in told.stderr
    told = CliRunner().invoke(app, ["calibrate", str(tmp_path / "plain.png"), "--look"])
    assert told.exit_code == 2
    assert "lenses" not in told.stderr


def test_the_command_learns_a_lens_and_a_check_finds_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Drawn photos of the mat with a known lens; the focal length comes back to a thousandth."""
    import synthetic
    from PIL import Image

    from grindcheck.mat.spec import mat_spec

    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path / "home"))
    names = []
    for number in range(9):
        small = camera_truth(
            (1200, 900), diagonals=0.75, shift_px=(5.0, -3.0), distortion=BENT, **_pose(number)
        )
        bgr = synthetic.mat_photo(small, mat_spec("a4"))
        bgr = getattr(bgr, "bgr", bgr)
        exif = Image.Exif()
        exif[0x010F], exif[0x0110] = "Workshop", "Phone 2"
        exif.get_ifd(0x8769)[0xA405] = 33  # FocalLengthIn35mmFilm: 0.763 diagonals
        names.append(tmp_path / f"mat_{number}.jpg")
        Image.fromarray(np.ascontiguousarray(bgr[..., ::-1])).save(names[-1], quality=95, exif=exif)
    too_few = CliRunner().invoke(app, ["calibrate", *map(str, names[:4])])
    assert too_few.exit_code == 2
    assert "4 more, 8 in all at least" in too_few.stderr
    told = CliRunner().invoke(app, ["calibrate", *map(str, names), "--paper", "a4"])
    assert told.exit_code == 0, told.output
    assert "Uncertainty U of 100 mm" in told.stdout
    assert "with a lens that the photo took no part in" in told.stdout
    (key,) = json.loads(lenses_file().read_text(encoding="utf-8"))["lenses"]
    found = find_lens(key)
    assert found is not None
    assert found.focal_diagonals == pytest.approx(0.75, rel=1e-3)
    assert found.k1 == pytest.approx(BENT[0], abs=2e-3)


def _pose(number: int) -> dict[str, float]:
    tilt, azimuth, spin, width = (
        (0.0, 0.0, 0.0, 312.0),
        (0.3, 0.0, 0.0, 350.0),
        (0.3, np.pi / 2, 0.0, 350.0),
        (0.3, np.pi, 0.0, 350.0),
        (0.3, -np.pi / 2, 0.0, 350.0),
        (0.05, 0.0, np.pi / 2, 440.0),
        (0.3, 0.7, np.pi / 2, 450.0),
        (0.25, 2.3, np.pi / 2, 450.0),
        (0.2, 3.9, 0.1, 430.0),
    )[number]
    return {"tilt_rad": tilt, "azimuth_rad": azimuth, "spin_rad": spin, "width_mm": width}


def test_a_check_leaves_the_kept_lens_out_where_it_is_told_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A lens of twice the focal length is contradicted by the photo; without it nobody looks at it."""
    import reduced

    from grindcheck.photo import read_photo
    from grindcheck.pipeline import look_at, stance_of

    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path / "home"))
    photo = read_photo(reduced.halved("petty_a", tmp_path)[0])
    known, _ = kept_lens()
    keep_lens(lens_name(photo), replace(known, focal_diagonals=2 * known.focal_diagonals))
    asked = reduced.request("petty_a")
    stance = stance_of(asked.thickness_mm, asked.height_mm, asked.edge_mm)
    flags = [
        "lens_contradicted" in look_at(photo, replace(asked, kept_lens=kept), stance).camera.flags
        for kept in (True, False)
    ]
    assert flags == [True, False]
