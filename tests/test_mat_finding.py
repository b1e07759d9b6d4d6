"""Finding the mat: exact synthetic photos, an independent marker reader, covered and wrong mats."""

from functools import cache
from typing import Any

import cv2
import numpy as np
import pytest
import synthetic
from synthetic import camera_truth, linear, mat_photo, photo_of, reflectance, render
from tag_reader import read_tags

from grindcheck.camera import Camera, solve_camera
from grindcheck.errors import MatError, NoMatError
from grindcheck.geometry import Array
from grindcheck.mat import markers
from grindcheck.mat.finding import MAT_FLAGS, MatView, find_mat
from grindcheck.mat.spec import PAPERS, SQUARE_MM, mat_spec
from grindcheck.photo import Photo

A4 = mat_spec("a4")
SIDE = round(
    SQUARE_MM / synthetic.STEP_MM
)  # steps of the reflectance table per square; its border is one step
SIZE = (1803, 1351)  # odd, and not a multiple of the reduction


@cache
def truth(size_px: tuple[int, int] = SIZE, spin_rad: float = 0.3, paper: str = "a4") -> Camera:
    width_mm = {"a4": 355.0, "letter": 355.0, "a3": 545.0, "tabloid": 545.0}[paper]
    return camera_truth(
        size_px, tilt_rad=0.2, azimuth_rad=0.7, spin_rad=spin_rad, width_mm=width_mm, diagonals=0.95,
        shift_px=(12.0, -7.0), distortion=(0.05, -0.03, 3e-4, -2e-4),
    )  # fmt: skip


@cache
def light_of(camera_key: tuple[tuple[int, int], float, str]) -> "np.ndarray[Any, Any]":
    size, spin, paper = camera_key
    spec = mat_spec(paper)
    return render(truth(size, spin, paper), reflectance(spec), spec)


@pytest.fixture(autouse=True)
def _render_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let `mat_photo` reuse the exact light of a camera, whatever is then done to it."""
    plain = synthetic.render
    keys = {
        id(truth(*key)): key
        for key in [(SIZE, 0.3, "a4"), ((1200, 901), 0.3, "a4"), *[(SIZE, 0.3, paper) for paper in PAPERS]]
    }

    def once(camera: Camera, table: Array, spec: Any, *, points: int = 32) -> Any:
        key = keys.get(id(camera))
        if key is None or spec.paper != key[2] or not np.array_equal(table, reflectance(spec)):
            return plain(camera, table, spec, points=points)
        return light_of(key).copy()

    monkeypatch.setattr(synthetic, "render", once)


@cache
def ordinary() -> Photo:
    """Return a photo as a phone makes it: noise, sharpening, JPEG."""
    light = light_of((SIZE, 0.3, "a4"))
    levels = synthetic.encoded(cv2.GaussianBlur(light, (0, 0), 0.9)) * 255.0
    levels = levels + 0.3 * (levels - cv2.GaussianBlur(levels, (0, 0), 1.5))
    levels += np.random.default_rng(0).normal(0.0, 2.0, levels.shape)
    data = cv2.imencode(".jpg", np.clip(np.rint(levels), 0, 255).astype(np.uint8))[1]
    return photo_of(cv2.imdecode(data, cv2.IMREAD_COLOR), focal_px=truth().focal_px, focal_rel_std=0.03)


@cache
def ordinary_view() -> MatView:
    return find_mat(ordinary())


def error_px(view: MatView, camera: Camera) -> Array:
    on_paper = np.column_stack([view.corner_mm, np.zeros(len(view.corner_mm))])
    return view.corner_px - camera.px_from_mm(on_paper)


def painted(level: int, polygons_mm: list[Array], photo: Photo, camera: Camera) -> Photo:
    """Cover parts of the mat, given in mm, with an even grey."""
    bgr = photo.bgr.copy()
    for polygon in polygons_mm:
        place = camera.px_from_mm(np.column_stack([polygon, np.zeros(len(polygon))]))
        cv2.fillPoly(bgr, [np.rint(place).astype(np.int32)], (level, level, level))
    return photo_of(bgr, focal_px=photo.focal_px, focal_rel_std=photo.focal_rel_std)


# ---- crossings


@pytest.mark.parametrize(
    "kind",
    [
        {"blur_px": 0.6}, {"blur_px": 1.0}, {"blur_px": 2.0}, {"blur_px": 1.0, "noise": 4.0},
        {"blur_px": 1.0, "sharpen": 1.0}, {"blur_px": 1.0, "jpeg_quality": 85},
        {"blur_px": 1.0, "gain": 1.5}, {"blur_px": 1.0, "gain": 0.15},
    ],
    ids=str,
)  # fmt: skip
def test_crossings_lie_where_the_camera_puts_them(kind: dict[str, Any]) -> None:
    """Half a pixel anywhere would be 25 times the limit of the mean."""
    view = find_mat(mat_photo(truth(), A4, **kind))
    assert len(view.corner_px) == len(A4.crossings_mm()) == 68
    error = error_px(view, truth())
    # measured 0.002 to 0.012 px rms: what is left is the aliasing of an edge sharper than the pixel
    assert np.abs(error.mean(axis=0)).max() < 0.005
    assert error.std() < 0.02
    assert np.abs(error).max() < 0.06
    assert view.markers_seen >= 58  # all 68 unless blurred
    assert view.markers_expected == 68


def test_better_than_opencvs_corner_refinement() -> None:
    view = ordinary_view()
    grey = cv2.cvtColor(ordinary().bgr, cv2.COLOR_BGR2GRAY)
    start = view.corner_px.astype(np.float32).reshape(-1, 1, 2) + np.float32(0.3)
    until = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 60, 1e-4)
    theirs = cv2.cornerSubPix(grey, start, (5, 5), (-1, -1), until).reshape(-1, 2).astype(np.float64)
    on_paper = np.column_stack([view.corner_mm, np.zeros(len(view.corner_mm))])
    # the same crossings, truth and photo; 5 px reach as far as the white rim lets a square window
    assert error_px(view, truth()).std() < 0.6 * (theirs - truth().px_from_mm(on_paper)).std()


def test_stated_scatter_is_true_for_independent_noise() -> None:
    levels = synthetic.encoded(cv2.GaussianBlur(light_of((SIZE, 0.3, "a4")), (0, 0), 1.2)) * 255.0
    views = []
    for seed in range(8):
        noisy = levels + np.random.default_rng(seed).normal(0.0, 6.0, levels.shape).astype(np.float32)
        views.append(find_mat(photo_of(np.clip(np.rint(noisy), 0, 255).astype(np.uint8))))
    places = np.array([view.corner_px for view in views])
    scatter = np.sqrt(np.mean(places.var(axis=0, ddof=1)))
    stated = np.median([view.corner_std_px for view in views])
    # 136 coordinates, 7 degrees of freedom each: the scatter itself is known to 2 %. Stated is a median over
    # corners of different tilt, and takes in what aliasing leaves unlike
    assert 0.93 < stated / scatter < 1.15


@pytest.mark.parametrize("spin_rad", [0.0, np.pi / 2, np.pi, -0.8])
def test_any_turn_of_the_mat(spin_rad: float) -> None:
    camera = camera_truth((1500, 1501), tilt_rad=0.15, azimuth_rad=2.0, spin_rad=spin_rad, width_mm=330)
    view = find_mat(mat_photo(camera, A4))
    assert len(view.corner_px) == 68
    assert np.abs(error_px(view, camera)).max() < 0.08
    centre_mm = view.mat_from_px @ [*camera.px_from_mm([[0.0, 0.0, 0.0]])[0], 1.0]
    assert np.abs(centre_mm[:2] / centre_mm[2]).max() < 0.5  # rough: no lens in it


@pytest.mark.parametrize("paper", PAPERS)
def test_ids_say_which_paper(paper: str) -> None:
    spec = mat_spec(paper)
    view = find_mat(mat_photo(truth(paper=paper), spec))
    assert view.spec == spec
    assert view.markers_seen >= len(spec.markers()) - 2
    assert len(view.corner_px) == len(spec.crossings_mm())
    assert np.abs(error_px(view, truth(paper=paper)).mean(axis=0)).max() < 0.01


def test_small_photo() -> None:
    """One megapixel, as messengers leave: 3.5 px per mm."""
    camera = truth((1200, 901))
    view = find_mat(mat_photo(camera, A4, noise=2.0, jpeg_quality=80))
    assert len(view.corner_px) == 68
    assert error_px(view, camera).std() < 0.03


@pytest.mark.parametrize("size", [(2, 2), (2, 4000), (4000, 3), (30000, 2), (40, 5000)])
@pytest.mark.parametrize("close_up", [False, True])
def test_the_narrowest_photos_have_no_mat(size: tuple[int, int], close_up: bool) -> None:
    """Of a picture two pixels high nothing is left after halving it twice."""
    with pytest.raises(NoMatError, match="No mat is seen"):
        find_mat(photo_of(np.full((*size, 3), 90, np.uint8)), close_up=close_up)


def test_camera_from_the_photo_itself() -> None:
    camera = solve_camera(ordinary_view(), ordinary(), scale_std=1e-5)
    ends = camera.mm_from_px(truth().px_from_mm([[-72.0, 10.0, 4.0], [72.0, 10.0, 4.0]]), 4.0)
    # anchors: 0.003 mm over 144 mm with the focal length right, at 12 MP; this is 3 MP
    assert abs(np.linalg.norm(ends[1] - ends[0]) - 144.0) < 0.012
    assert camera.rms_px < 0.03
    assert camera.flags == ()


def test_black_and_white_print() -> None:
    """Without colour the field is a grey of the tint's lightness; the frame is the same."""
    table = reflectance(A4)
    table[:] = (table @ [0.0722, 0.7152, 0.2126])[:, :, None]  # luminance of linear sRGB, IEC 61966-2-1
    view = find_mat(mat_photo(truth(), A4, table=table))
    assert len(view.corner_px) == 68
    assert np.abs(error_px(view, truth())).max() < 0.06


@pytest.mark.parametrize("tilt_rad", [0.5, 0.8])
def test_strong_tilt(tilt_rad: float) -> None:
    """29 and 46 degrees, far beyond what anyone would measure with."""
    camera = camera_truth((1803, 1351), tilt_rad=tilt_rad, azimuth_rad=0.9, width_mm=430)
    view = find_mat(mat_photo(camera, A4))
    assert len(view.corner_px) >= 60
    assert np.abs(error_px(view, camera)).max() < 0.15  # squares are 27 px near by and 17 px far off


# ---- markers


@pytest.mark.parametrize("factor", [1, 2, 4])
def test_reduced_pixel_lies_in_the_middle_of_its_pixels(factor: int) -> None:
    ramp = np.repeat(4 * np.arange(63, dtype=np.uint8)[None, :, None], 3, axis=2).repeat(9, axis=0)
    small = markers.reduced(ramp, factor)
    assert small.shape == (9 // factor, 63 // factor)
    columns = np.stack([np.arange(small.shape[1]), np.zeros(small.shape[1])], axis=1)
    ((_, place_px),) = markers.at_full_size([(0, columns)], factor)
    # the ramp's level is four times its column, exactly (worked by hand: (4j + 1.5) × 4 = 16 j + 6)
    np.testing.assert_array_equal(small[0] / 4.0, place_px[:, 0])


@pytest.mark.parametrize("factor", [1, 2])
def test_reduced_copies_keep_places(factor: int) -> None:
    """The corners' small errors cancel in the mean; (factor - 1) / 2 px is what a wrong rule would shift."""
    seen = markers.at_full_size(markers.markers_of(markers.reduced(ordinary().bgr, factor)), factor)
    assert len(seen) >= 60
    corners = A4.marker_corners_mm()
    error = [px - truth().px_from_mm(np.column_stack([corners[marker], np.zeros(4)])) for marker, px in seen]
    assert np.abs(np.mean(error, axis=(0, 1))).max() < 0.1


def test_markers_equal_those_of_opencv() -> None:
    grey = markers.reduced(ordinary().bgr, 2)
    ours, theirs = dict(markers.markers_of(grey)), dict(markers._markers_by_aruco(grey))
    assert ours.keys() == theirs.keys()
    for marker, corner_px in ours.items():
        # same corner first; each places corners on whole pixels, ours then half a pixel outwards
        assert np.linalg.norm(corner_px - theirs[marker], axis=1).max() < 2.0


def test_corners_agree_with_another_reader() -> None:
    """pupil-apriltags, written apart from OpenCV, fits lines to the markers' sides.

    Its pixel convention: found by this comparison, its coordinates count from the corner of the top-left
    pixel, so a pixel's centre is at one half; its corners start at another one, so the nearest is taken.
    """
    grey = np.ascontiguousarray(cv2.cvtColor(ordinary().bgr, cv2.COLOR_BGR2GRAY))
    seen = read_tags(grey)
    camera = solve_camera(ordinary_view(), ordinary(), scale_std=1e-5)
    corners = A4.marker_corners_mm()
    assert len(seen) >= 65
    assert {one.tag_id for one in seen} <= set(A4.markers())
    gaps = []
    for one in seen:
        ours = camera.px_from_mm(np.column_stack([corners[one.tag_id], np.zeros(4)]))
        theirs = np.asarray(one.corners) - 0.5
        assert np.linalg.norm(theirs[:, None] - ours, axis=2).min(axis=1).max() < 1.5
        gaps.append(theirs.mean(axis=0) - ours.mean(axis=0))
    # its sides lie half a pixel further out all round, which the mean of four corners takes out
    assert np.abs(np.mean(gaps, axis=0)).max() < 0.03
    assert np.sqrt(np.mean(np.square(gaps))) < 0.1


# ---- covered, crowded


def test_half_the_frame_hidden() -> None:
    cover = np.array([[10.0, -130.0], [190.0, -130.0], [190.0, 130.0], [10.0, 130.0]])
    view = find_mat(painted(90, [cover], ordinary(), truth()))
    assert 30 <= view.markers_seen < 40
    assert view.corner_mm[:, 0].max() < 10.0
    assert len(view.corner_px) >= 30
    assert np.abs(error_px(view, truth())).max() < 0.06


def test_handle_and_fingers_over_crossings() -> None:
    spots = [A4.crossings_mm()[i] for i in (3, 4, 20, 40)]
    shapes = [
        spot + 7.0 * np.array([[-0.5, -0.2], [0.1, -0.6], [1.0, 0.3], [-0.3, 1.0]]) * scale
        for spot, scale in zip(spots, (1.0, 0.6, 0.4, 1.5), strict=True)
    ]
    for level in (20, 120, 220):
        view = find_mat(painted(level, shapes, ordinary(), truth()))
        assert 55 <= len(view.corner_px) <= 65
        for spot in spots:
            assert np.linalg.norm(view.corner_mm - spot, axis=1).min() > 1.0
        assert np.abs(error_px(view, truth())).max() < 0.06


def test_ghost_markers_are_thrown_out() -> None:
    """Markers of this mat drawn on the field, as on a scrap of another print, and one on a wrong square."""
    table = reflectance(A4)
    clean = table.copy()
    for number, (marker_column, marker_row, column, row) in enumerate(
        [(1, 0, 6, 5), (3, 0, 8, 5), (0, 1, 12, 8), (5, 0, 15, 6), (7, 0, 9, 0)]
    ):
        source = np.s_[1 + marker_row * SIDE : 1 + (marker_row + 1) * SIDE,
                       1 + marker_column * SIDE : 1 + (marker_column + 1) * SIDE]  # fmt: skip
        target = np.s_[1 + row * SIDE : 1 + (row + 1) * SIDE, 1 + column * SIDE : 1 + (column + 1) * SIDE]
        table[target] = np.rot90(clean[source], number)
    camera = truth()
    view = find_mat(mat_photo(camera, A4, table=table))
    assert view.markers_seen == 67  # one square shows another's marker
    assert np.abs(error_px(view, camera)).max() < 0.06


def beside(first: Photo, second: Photo) -> Photo:
    return photo_of(np.hstack([first.bgr, second.bgr]))


def test_two_mats() -> None:
    with pytest.raises(MatError, match=r"Two mats are seen: a4 \(\d+ markers\) and a4"):
        find_mat(beside(ordinary(), ordinary()))
    other = mat_photo(truth(paper="letter"), mat_spec("letter"))
    with pytest.raises(MatError, match=r"Two mats are seen: a4 \(\d+ markers\) and letter"):
        find_mat(beside(ordinary(), other))


def test_wrong_paper() -> None:
    assert find_mat(ordinary(), paper="A4").spec == A4
    with pytest.raises(MatError, match="is for a4 paper, not letter"):
        find_mat(ordinary(), paper="letter")


def test_mirrored() -> None:
    with pytest.raises(MatError, match="mirrored"):
        find_mat(photo_of(np.ascontiguousarray(ordinary().bgr[:, ::-1])))


def test_no_mat() -> None:
    noise = np.random.default_rng(1).integers(0, 255, (750, 1000, 3), dtype=np.uint8)
    for picture in (noise, np.full((750, 1000, 3), 128, dtype=np.uint8), np.zeros((9, 7, 3), dtype=np.uint8)):
        with pytest.raises(MatError, match="No mat is seen"):
            find_mat(photo_of(picture))


def test_too_little_says_how_many() -> None:
    corner = truth().px_from_mm([[-138.0, 90.0, 0.0]])[0].astype(int)
    piece = np.ascontiguousarray(ordinary().bgr[: corner[1] + 160, : corner[0] + 160])
    with pytest.raises(MatError, match=r"Too little of the mat is seen: [1-5] of 68 markers"):
        find_mat(photo_of(piece))


def test_one_side_only_is_too_little() -> None:
    cover = np.array([[-200.0, -150.0], [200.0, -150.0], [200.0, 64.0], [-200.0, 64.0]])
    with pytest.raises(MatError, match=r"\d+ of 68 markers, all in one line"):
        find_mat(painted(90, [cover], ordinary(), truth()))


# ---- what black and white tell


@pytest.mark.parametrize("blur_px", [0.6, 1.0, 2.0])
def test_blur(blur_px: float) -> None:
    view = find_mat(mat_photo(truth(), A4, blur_px=blur_px, noise=2.0))
    # the pixel's own square adds its variance, 1/12 (closed form)
    assert view.blur_px == pytest.approx(np.sqrt(blur_px**2 + 1 / 12), rel=0.12)
    assert view.halo < 0.01
    # 4.4 px per mm here; the limit is a quarter of a millimetre
    assert ("blurred" in view.flags) == (blur_px == 2.0)


@pytest.mark.parametrize("sharpen", [0.5, 1.5])
def test_halo(sharpen: float) -> None:
    view = find_mat(mat_photo(truth(), A4, blur_px=1.0, sharpen=sharpen))
    # the same edge in one dimension: pixel, blur, sRGB, unsharp mask, on a fine grid
    at = np.arange(-30.0, 30.0, 0.02)

    def smooth(values: Array, sigma: float) -> Array:
        reach = np.arange(-6 * sigma, 6 * sigma + 0.01, 0.02)
        kernel = np.exp(-(reach**2) / (2 * sigma**2))
        return np.convolve(np.pad(values, len(reach), "edge"), kernel / kernel.sum(), "same")[
            len(reach) : -len(reach)
        ]

    light = synthetic.INK + (synthetic.PAPER - synthetic.INK) * np.clip(at + 0.5, 0, 1)
    level = synthetic.encoded(smooth(light, 1.0))
    sharp = level + sharpen * (level - smooth(level, 1.5))
    sharp = np.clip(sharp, 0.0, 1.0)
    above = (sharp.max() - level[-1]) / (level[-1] - level[0])
    below = (level[0] - sharp.min()) / (level[-1] - level[0])
    # plateaus are read within 1.3 mm of the edge, 6 px, where the halo hasn't quite died away
    assert view.halo == pytest.approx(max(above, below), rel=0.25)
    assert ("halo" in view.flags) == (sharpen == 1.5)  # a share of 0.05 is the limit


def test_clipping_and_light() -> None:
    view = find_mat(mat_photo(truth(), A4, gain=1.4))  # paper at 1.12 of full scale
    assert view.clipped > 0.95
    assert "clipped" in view.flags
    view = find_mat(mat_photo(truth(), A4, gain=0.5))
    assert view.clipped == 0.0
    assert len(view.white_mm) == 68
    # one of 255 levels at these greys is 0.8 % and 6 % of the value
    np.testing.assert_allclose(view.white_linear, 0.5 * synthetic.PAPER, rtol=0.01)
    np.testing.assert_allclose(view.black_linear, 0.5 * synthetic.INK, rtol=0.08)


def test_light_follows_a_gradient() -> None:
    camera = truth()
    bgr = mat_photo(camera, A4).bgr
    across = np.linspace(0.4, 1.0, bgr.shape[1])[None, :, None]
    dimmed = np.rint(synthetic.encoded(linear(bgr / 255.0) * across) * 255.0).astype(np.uint8)
    view = find_mat(photo_of(dimmed))
    place = camera.px_from_mm(np.column_stack([view.white_mm, np.zeros(len(view.white_mm))]))
    expected = synthetic.PAPER * np.interp(place[:, 0], np.arange(bgr.shape[1]), across[0, :, 0])
    np.testing.assert_allclose(view.white_linear, expected[:, None] * np.ones(3), rtol=0.02)
    assert np.abs(error_px(view, camera)).max() < 0.06


def test_flags_are_the_known_ones() -> None:
    assert set(MAT_FLAGS) == {"blurred", "halo", "clipped", "few_corners"}
