"""Close-ups: a strip or a corner of the mat is found, the blade is rectified, the print is cut out."""

from functools import cache

import cv2
import numpy as np
import pytest
from close_scene import STEEL, mat_photo_close, strip_photo
from numpy.typing import NDArray
from synthetic import camera_truth, encoded, photo_of
from tag_reader import read_tags

from grindcheck.camera import Camera
from grindcheck.errors import InputError, MatError, NoMatError, PhotoError
from grindcheck.finish.closeup import Closeup, closeup
from grindcheck.flags import FLAGS
from grindcheck.geometry import Array
from grindcheck.mat.finding import MatView, find_mat
from grindcheck.mat.spec import mat_spec
from grindcheck.mat.strips import strip_spec
from grindcheck.photo import Photo
from grindcheck.pixelscale import scale_at
from grindcheck.printscale import PrintScale, print_scale

SIZE = (1200, 901)  # odd, and not square
BLADE = (-50.0, -58.0, 52.0, -18.0)  # beside the strip; lines at x = -45, -35 ... 45
MEASURED = print_scale("strip", 115.0, 140.0)
GREY = (0.10, 0.10, 0.10)


@cache
def truth(
    spin_rad: float = 0.2, width_mm: float = 130.0, middle_mm: tuple[float, float] = (4.0, -26.0)
) -> Camera:
    return camera_truth(
        SIZE, diagonals=0.65, tilt_rad=0.15, azimuth_rad=0.7, spin_rad=spin_rad, width_mm=width_mm,
        middle_mm=middle_mm, shift_px=(12.0, -7.0), distortion=(0.05, -0.03, 3e-4, -2e-4),
    )  # fmt: skip


def told(camera: Camera) -> tuple[float, float]:
    """Focal length as a phone's metadata has it: 3 % off by focusing near by."""
    return camera.focal_px / 1.03, 0.035


@cache
def ordinary(spin_rad: float = 0.2) -> Photo:
    return strip_photo(truth(spin_rad), BLADE, focal=told(truth(spin_rad)))


@cache
def ordinary_closeup() -> Closeup:
    return closeup(ordinary(), thickness_mm=3.0, scale=MEASURED)


def grey_of(photo: Photo) -> NDArray[np.uint8]:
    return np.asarray(cv2.cvtColor(photo.bgr, cv2.COLOR_BGR2GRAY), dtype=np.uint8)


def crossing_error(view: MatView, camera: Camera) -> Array:
    return view.corner_px - camera.px_from_mm(
        np.column_stack([view.corner_mm, np.zeros(len(view.corner_mm))])
    )


def length_mm(found: Closeup, camera: Camera, thickness_mm: float = 3.0) -> tuple[float, float]:
    """Return a length of 90 mm on the blade as the close-up has it, and the std that it states."""
    ends = np.array([[-45.0, -38.0, thickness_mm], [45.0, -38.0, thickness_mm]])
    index = found.index_from_px(camera.px_from_mm(ends))
    assert found.mm_per_px is not None and found.mm_per_px_std is not None
    length = float(np.linalg.norm(index[1] - index[0])) * found.mm_per_px
    assert np.linalg.norm(np.subtract(*found.mm_from_index(index))) == pytest.approx(length, rel=1e-9)
    return length, 90.0 * found.mm_per_px_std / found.mm_per_px


def shown(camera: Camera, found: Closeup, box_mm: tuple[float, ...], height_mm: float) -> NDArray[np.bool_]:
    """Return a mask of the close-up's picture: a rectangle of true mm at a height."""
    left, low, right, high = box_mm
    corners = np.array([[left, low], [right, low], [right, high], [left, high]])
    around = np.concatenate(
        [np.linspace(a, b, 20) for a, b in zip(corners, np.roll(corners, -1, 0), strict=True)]
    )
    px = camera.px_from_mm(np.column_stack([around, np.full(len(around), height_mm)]))
    mask = np.zeros(found.steel.shape, dtype=np.uint8)
    cv2.fillPoly(mask, [np.rint(found.index_from_px(px)).astype(np.int32)], 1)
    return mask > 0


# ---- finding


@pytest.mark.parametrize("spin_rad", [0.2, np.pi, -1.4])
def test_crossings_of_a_strip_at_any_turn(spin_rad: float) -> None:
    """Upside down too: the ids say which way round it lies."""
    view = find_mat(ordinary(spin_rad), close_up=True)
    assert view.spec == strip_spec()
    assert len(view.corner_px) >= 20
    error = crossing_error(view, truth(spin_rad))
    assert np.abs(error.mean(axis=0)).max() < 0.01
    assert error.std() < 0.03  # px; 0.004 to 0.007 measured, with noise of 1.5 levels
    places = {tuple(place) for place in strip_spec().crossings_mm()}
    assert {tuple(place) for place in view.corner_mm} <= places


def test_an_independent_reader_sees_the_same_markers() -> None:
    view = find_mat(ordinary(), close_up=True)
    seen = read_tags(grey_of(ordinary()))
    known = strip_spec().marker_corners_mm()
    ids = {tag.tag_id for tag in seen}
    assert ids <= set(known) and abs(len(ids) - view.markers_seen) <= 3  # those cut by the picture's border
    for tag in seen:
        middle_mm = np.append(known[tag.tag_id].mean(axis=0), 0.0)
        # that library's origin is the outer corner of the first pixel; its corners are within half a pixel
        found = tag.corners.mean(axis=0) - 0.5
        assert np.linalg.norm(found - truth().px_from_mm([middle_mm])[0]) < 0.5


@pytest.mark.parametrize(("width_mm", "blur_px"), [(70.0, 0.8), (130.0, 1.5), (70.0, 4.0), (170.0, 0.8)])
def test_large_blurred_and_small_strips(width_mm: float, blur_px: float) -> None:
    camera = truth(0.1, width_mm, (5.0, -0.15 * width_mm))
    view = find_mat(strip_photo(camera, (-60.0, -80.0, 60.0, -20.0), blur_px=blur_px), close_up=True)
    assert len(view.corner_px) >= 10
    assert crossing_error(view, camera).std() < 0.05
    assert ("blurred" in view.flags) == (blur_px >= 2.5)  # the pixel's own square adds to it


def test_a_corner_of_the_mat() -> None:
    spec = mat_spec("a4")
    camera = truth(0.3, 110.0, (-95.0, 50.0))
    steel = np.s_[450:750, 675:1125]
    photo = mat_photo_close(camera, spec, steel_px=steel, focal=told(camera))
    view = find_mat(photo, close_up=True)
    assert view.spec == spec and 6 <= len(view.corner_px) < 24
    assert crossing_error(view, camera).std() < 0.03
    found = closeup(photo, thickness_mm=0.0, scale=PrintScale(x=1.0, y=1.0, std=1e-4, measured=True))
    assert found.frame == "mat" and "close_up" in found.flags
    ends = camera.mm_from_px([[710.0, 490.0], [1090.0, 710.0]], 0.0)
    error = found.mm_from_index(found.index_from_px([[710.0, 490.0], [1090.0, 710.0]])) - ends
    length = float(np.linalg.norm(ends[1] - ends[0]))
    assert found.camera is not None
    # by what lens and pose leave open alone: the drawn paper is flat
    here = scale_at(found.camera, [900.0, 600.0], 0.0)
    allowed = 3 * length * here.std / here.mm_per_px
    assert abs(np.linalg.norm(ends[1] - ends[0] + error[1] - error[0]) - length) < allowed < 0.01 * length
    # the frame's crossings are cut out, what is steel stays
    at = np.rint(found.index_from_px(view.corner_px)).astype(int)
    at = at[
        np.all((at >= 0) & (at < found.steel.shape[::-1]), axis=1)
    ]  # the picture goes round what may be steel
    assert len(at) >= 3
    assert not found.steel[at[:, 1], at[:, 0]].any()
    x, y = np.meshgrid(np.arange(705, 1095, 10), np.arange(480, 720, 10))
    at = np.rint(found.index_from_px(np.column_stack([x.ravel(), y.ravel()]))).astype(int)
    assert found.steel[at[:, 1], at[:, 0]].all()


def test_a_side_of_the_mat_without_its_corner_says_why_not() -> None:
    """A frame two squares deep has but one line of crossings along a side, which pins no tilt."""
    camera = truth(0.0, 110.0, (0.0, 60.0))
    with pytest.raises(MatError, match=r"Too little of the mat is seen: .*crossings all in one line"):
        find_mat(mat_photo_close(camera, mat_spec("a4")), close_up=True)


def test_the_symmetry_check_takes_no_strip() -> None:
    with pytest.raises(NoMatError, match="No mat is seen"):
        find_mat(ordinary())


def test_a_whole_mat_is_found_as_ever() -> None:
    camera = truth(0.3, 340.0, (0.0, 0.0))
    photo = mat_photo_close(camera, mat_spec("a4"))
    one, other = find_mat(photo), find_mat(photo, close_up=True)
    assert np.array_equal(one.corner_px, other.corner_px) and len(one.corner_px) > 60


# ---- bad input


def test_one_marker_is_too_little() -> None:
    """All but the last 8 mm of the strip are covered: one marker of it is whole."""
    photo = strip_photo(truth(), BLADE, covered_mm=(-60.0, -12.0, 31.0, 9.0), focal=told(truth()))
    seen = {tag.tag_id for tag in read_tags(grey_of(photo))}
    few = photo.bgr.copy()
    known = strip_spec().marker_corners_mm()
    for marker in sorted(seen)[1:]:
        corners = np.column_stack([known[marker], np.zeros(4)])
        cv2.fillPoly(few, [np.rint(truth().px_from_mm(corners)).astype(np.int32)], (230, 230, 230))
    with pytest.raises(MatError, match=r"Too little of the strip is seen: 1 of 34 markers\. Show more"):
        closeup(photo_of(few))


def test_mirrored() -> None:
    with pytest.raises(MatError, match="mirrored"):
        closeup(photo_of(np.ascontiguousarray(ordinary().bgr[:, ::-1])))


def test_two_strips() -> None:
    bgr = ordinary().bgr
    with pytest.raises(MatError, match=r"Two mats are seen: strip .* and strip"):
        closeup(photo_of(np.concatenate([bgr, bgr], axis=0)))


def test_too_small_a_photo() -> None:
    small = cv2.resize(ordinary().bgr, (300, 225), interpolation=cv2.INTER_AREA)
    with pytest.raises(PhotoError, match="300 × 225 pixels; 256 along its shorter side"):
        closeup(photo_of(small))


def test_nothing_but_the_strip() -> None:
    camera = truth(0.0, 60.0, (0.0, 0.0))
    crop = strip_photo(camera, BLADE).bgr[360:540]
    large = cv2.resize(crop, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    with pytest.raises(MatError, match=r"shows little but print: \d\.\d% of it may be steel"):
        closeup(photo_of(large))


# ---- lengths


def test_a_length_on_the_blade() -> None:
    found = ordinary_closeup()
    length, std = length_mm(found, truth())
    assert found.frame == "strip"
    assert std < 0.4  # mm of 90 mm, nearly all of it by how flat paper lies: 0.3 mm of 103 mm
    assert abs(length - 90.0) < 0.15  # the drawn paper is flat; three times what the camera leaves open
    assert found.flags == ("close_up",)
    assert all(name in FLAGS for name in found.flags)
    # as fine as the photo, so that no detail is lost
    here = truth().mm_from_px([[600.0, 450.0], [601.0, 450.0]], 3.0)
    assert found.mm_per_px == pytest.approx(float(np.linalg.norm(here[1] - here[0])), rel=0.1)


def test_the_lines_stand_upright_10_mm_apart() -> None:
    """Read in the picture itself: dark lines at x = -45, -35 ... 45 of the strip's frame."""
    found = ordinary_closeup()
    assert found.mm_per_px is not None
    x = np.arange(-48.0, 48.0, 0.02)
    mm = np.column_stack([x, np.full(len(x), -38.0)])
    assert found.plane is not None
    index = found.plane.index_from_grid(found.plane.grid_from_mat(mm)).astype(np.float32)
    level = cv2.remap(found.picture, index[:, None], None, cv2.INTER_LINEAR)[:, 0]  # type: ignore[call-overload]
    dark = np.flatnonzero(level < 0.8 * STEEL)
    groups = np.split(x[dark], np.flatnonzero(np.diff(dark) > 50) + 1)
    at = np.array([group.mean() for group in groups])
    assert len(at) == 10
    # drawn on a table of 0.156 mm steps, so each is up to half a step off
    np.testing.assert_allclose(np.diff(at), 10.0, atol=0.2)
    np.testing.assert_allclose(at, np.arange(-45.0, 46.0, 10.0), atol=0.25)


def test_thickness_matters_and_its_lack_is_told() -> None:
    """130 mm across 1200 px and 0.65 diagonals put the camera at 106 mm: 3 mm are 2.8 % of it.

    Without the thickness 3.5 ± 1.5 mm is taken: 1.5 / 103 = 1.5 %.
    """
    known, _ = length_mm(ordinary_closeup(), truth())
    wrong, _ = length_mm(closeup(ordinary(), thickness_mm=1e-6, scale=MEASURED), truth())
    assert wrong / known == pytest.approx(1.028, abs=0.003)
    found = closeup(ordinary(), scale=MEASURED)
    length, std = length_mm(found, truth())
    assert "thickness_unknown" in found.flags
    assert 0.012 < std / 90.0 < 0.018
    assert abs(length - 90.0) < 2 * std
    scales_on, _ = length_mm(closeup(ordinary(), thickness_mm=1.0, height_mm=3.0, scale=MEASURED), truth())
    assert scales_on == pytest.approx(known, rel=1e-6)


def test_a_print_of_96_per_cent_needs_its_bar() -> None:
    photo = strip_photo(truth(), BLADE, printed=(0.96, 0.96), focal=told(truth()))
    read = closeup(photo, thickness_mm=3.0, scale=print_scale("strip", 110.4, 134.4))  # 0.96 of 115 and 140
    length, std = length_mm(read, truth())
    assert abs(length - 90.0) < 0.15  # what the camera's own uncertainty allows, three times 0.05 mm
    assert std < 0.4
    one_bar = closeup(photo, thickness_mm=3.0, scale=print_scale("strip", 110.4))
    length, std = length_mm(one_bar, truth())
    assert abs(length - 90.0) < 3 * std
    assert "print_scale_unmeasured" in one_bar.flags and 0.26 < std < 0.5  # 0.29 % of 90 mm are 0.26
    # no photo can show it: unread, all is 4 % too long, and the flag says that nobody looked
    given = closeup(photo, thickness_mm=3.0, bar_x_mm=110.4, bar_y_mm=134.4)
    assert given.mm_per_px == read.mm_per_px and given.flags == read.flags
    with pytest.raises(InputError, match="along x reads 276 mm; by design it is 115 mm"):
        closeup(photo, thickness_mm=3.0, bar_x_mm=276.0)  # the mat's
    blind = closeup(photo, thickness_mm=3.0, scale=print_scale("strip"))
    assert "print_scale_unmeasured" in blind.flags
    # of the strip's plane 4 %; the height in true mm counts for a little less of the larger distance
    assert length_mm(blind, truth())[0] == pytest.approx(90.0 / 0.96, rel=0.003)


def test_kept_readings_hold(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:  # type: ignore[no-untyped-def]
    from grindcheck.printscale import save_print_scale

    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path))
    assert "print_scale_unmeasured" in closeup(ordinary(), thickness_mm=3.0).flags
    save_print_scale("strip", 115.0, 140.0)
    found = closeup(ordinary(), thickness_mm=3.0)
    assert (found.mm_per_px, found.flags) == (ordinary_closeup().mm_per_px, ("close_up",))


# ---- what is searched


@pytest.mark.parametrize("ground", [None, GREY], ids=["wood", "grey"])
def test_the_strip_is_cut_out_and_the_blade_stays(ground: tuple[float, float, float] | None) -> None:
    if ground is None:
        found = ordinary_closeup()
    else:
        found = closeup(strip_photo(truth(), BLADE, ground=ground), thickness_mm=3.0, scale=MEASURED)
    left, low, right, high = BLADE
    # within 1.5 mm of its rim a coloured ground's own mask decides (it works at a fifth of the pixels)
    blade = shown(truth(), found, (left + 1.5, low + 1.5, right - 1.5, high - 1.5), 3.0)
    assert blade.sum() > 0.2 * blade.size
    assert found.steel[blade].mean() > (0.999 if ground is None else 1 - 1e-9)  # its corners are rounded off
    strip = shown(truth(), found, (-60.0, -12.0, 60.0, 9.0), 0.0)
    assert not found.steel[strip].any()
    if ground is not None:  # nothing is cut away for mere doubt: a grey table might be steel
        away = shown(truth(), found, (-63.0, -14.5, 63.0, 11.5), 0.0)
        # but for the outermost pixels, which the photo covers in part
        inside = cv2.erode((found.stored.max(axis=2) > 0).astype(np.uint8), np.ones((5, 5))) > 0
        assert found.steel[inside & ~away].mean() > 0.999
    else:
        assert found.steel.mean() < blade.mean() * 1.15


def test_a_blade_over_the_strip_keeps_its_pixels() -> None:
    """It covers half of the strip's width and a third of its length."""
    over = (-20.0, -60.0, 20.0, 0.0)
    found = closeup(strip_photo(truth(), over, ground=GREY), thickness_mm=3.0, scale=MEASURED)
    blade = shown(truth(), found, (-19.0, -59.0, 19.0, -1.0), 3.0)
    assert found.steel[blade].mean() > 0.995
    for part in ((-40.0, -11.0, -22.0, 8.0), (22.0, -11.0, 45.0, 8.0)):
        assert found.steel[shown(truth(), found, part, 0.0)].mean() < 0.02


def test_light_that_falls_off_along_the_strip() -> None:
    """Half as bright at one end of the picture as at the other."""
    photo = ordinary()
    fall = np.linspace(1.0, 0.5, SIZE[0])[None, :, None]
    light = ((photo.bgr / 255.0) ** 2.2 * fall) ** (1 / 2.2) * 255.0
    dimmed = photo_of(
        np.rint(light).astype(np.uint8), focal_px=photo.focal_px, focal_rel_std=photo.focal_rel_std
    )
    found = closeup(dimmed, thickness_mm=3.0, scale=MEASURED)
    strip = shown(truth(), found, (-55.0, -11.0, 55.0, 8.0), 0.0)
    assert found.steel[strip].mean() < 0.02


# ---- without a mat


def test_a_photo_without_a_mat_is_taken_as_it_is() -> None:
    rng = np.random.default_rng(3)
    bgr = rng.integers(60, 200, (401, 633, 1), dtype=np.uint8) + np.arange(3, dtype=np.uint8)
    found = closeup(photo_of(bgr))
    assert np.array_equal(found.stored, bgr)
    assert found.picture.shape == (401, 633) and found.picture.dtype == np.float32
    # IEC 61966-2-1 by the formula, the channels' mean
    level = bgr.astype(float) / 255
    expected = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4).mean(axis=2)
    np.testing.assert_allclose(found.picture, expected, atol=1e-6)
    assert (found.frame, found.mm_per_px, found.mm_per_px_std, found.plane) == ("picture", None, None, None)
    assert found.flags == ("no_scale",)
    assert found.steel.all()
    assert np.array_equal(found.index_from_px([[3.0, 4.5]]), [[3.0, 4.5]])
    with pytest.raises(ValueError, match="no millimetres"):
        found.mm_from_index([[1.0, 1.0]])
    assert not (found.stored.flags.writeable or found.picture.flags.writeable or found.steel.flags.writeable)


def test_a_strip_face_down_is_no_strip() -> None:
    """Blank paper tells nothing, so there is no scale; it isn't cut out either."""
    photo = strip_photo(truth(), BLADE, covered_mm=(-60.0, -12.0, 60.0, 9.0))
    found = closeup(photo)
    assert found.flags == ("no_scale",) and found.picture.shape == SIZE[::-1]
    assert encoded(STEEL) > 0.5
