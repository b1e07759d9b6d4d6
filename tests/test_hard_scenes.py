"""The hard scenes of the accuracy study: all that is asked is drawn, and tags and truth follow from it."""

import json
import math
import subprocess
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from matplotlib.path import Path as Polygon

HERE = Path(__file__).parent
ACCURACY = HERE / "accuracy"
sys.path[:0] = [str(HERE.parent / "sample_images"), str(ACCURACY)]

import blade as blades  # noqa: E402
import bodies  # noqa: E402
import hard_bench  # noqa: E402
import hard_camera  # noqa: E402
import hard_scenes  # noqa: E402
import hard_tags  # noqa: E402
import scenes  # noqa: E402
import surface  # noqa: E402

SEED = 5
ASKED = {  # stratum by hand, so that none is lost
    "tilt 15-20", "tilt 20-25", "from 20 to 25 cm", "from 25 to 40 cm", "from 40 to 60 cm",
    "from 60 to 80 cm", "5 MP", "48 MP", "moustache lens", "focus blur", "motion blur", "dim and noisy",
    "blown highlights", "mixed light", "window light", "one hard lamp", "shadow on the edge",
    "phone mirrored, polished", "phone mirrored, satin", "finger on the tang", "magnet on the tang",
    "tape on the edge", "dirty mat", "mat creased", "mat bent", "mat half hidden", "mat printed grey",
    "printed at 96 %, measured", "printed at 96 %, not measured", "oil film", "layout fluid",
    "temper colours", "black oxide", "dark etched", "mirror polish", "tumbled", "satin, one lay",
    "tall chef's blade", "50 mm blade", "curved spine", "clipped point", "recurved edge", "swaged point",
    "tapered tang",
}  # fmt: skip


def _described(folder, *options):
    """Return what the command writes."""
    out = folder / "pairs.json"
    command = [sys.executable, str(ACCURACY / "hard_scenes.py"), "--seed", str(SEED), "--out", str(out)]
    subprocess.run([*command, *options], check=True, timeout=120)
    return json.loads(out.read_text(encoding="utf-8"))["pairs"]


@pytest.fixture(scope="module")
def pairs(tmp_path_factory):
    """Return the set that the command describes by default."""
    return _described(tmp_path_factory.mktemp("hard"))


@pytest.fixture
def of_stratum(pairs):
    def chosen(*names):
        found = [
            (pair, photo) for pair in pairs if pair["tags"]["stratum"] in names for photo in pair["photos"]
        ]
        assert len(found) >= 10 * len(names)
        return found

    return chosen


def test_every_stratum_has_five_pairs(pairs):
    count = Counter(pair["tags"]["stratum"] for pair in pairs)
    assert set(count) == ASKED
    assert min(count.values()) >= 5
    assert len({photo["file"] for pair in pairs for photo in pair["photos"]}) == 2 * len(pairs)


def test_scenes_follow_from_the_seed_alone(pairs):
    """Another process draws the same; a shorter set is the beginning of a longer; another seed differs."""
    again = hard_scenes.hard_scenes(np.random.default_rng(SEED), 50)
    assert json.loads(json.dumps(again)) == pairs[:50]
    other = hard_scenes.hard_scenes(np.random.default_rng(SEED + 1), 1)
    assert other[0]["blade"] != pairs[0]["blade"]


def test_tags_are_those_of_the_plain_study_where_both_tell_them():
    for pair in scenes.study_scenes(np.random.default_rng(3), 24):
        told = hard_tags.tags_of(pair)
        assert {key: told[key] for key in pair["tags"]} == pair["tags"]


def test_tags_of_the_phone_agree_with_its_camera(pairs):
    for pair in pairs:
        tags = pair["tags"]
        for photo in pair["photos"]:
            camera = hard_bench.camera_of(pair, photo)
            assert _within(camera.as_data()["tilt_deg"], tags["tilt"])
            aim = [*photo["view"]["off_mm"], 0.0]
            assert _within(np.linalg.norm(camera.place_mm - aim) / 10, tags["distance"].removesuffix(" cm"))
            assert f"{camera.width_px * camera.height_px / 1e6:.1f}" in tags["megapixels"].split("/")
            mm35 = photo["view"]["f35_mm"]
            assert photo["phone"]["f35_mm"] == mm35  # what the file will tell
            known = {"26 at 2x": (52, 52), "52": (52, 52), "77": (77, 77), "to 35 mm": (0, 35),
                     "35-60 mm": (35, 60), "60 mm on": (60, 200)}  # fmt: skip
            low, high = known[tags["lens"]]
            assert low <= mm35 <= high


def _within(value, steps):
    """Tell whether a value lies in one of the steps, as in 5-10/10-15."""
    return any(
        float(low) - 1e-6 <= value <= float(high) for low, high in (s.split("-") for s in steps.split("/"))
    )


def test_tags_of_bench_and_blade_agree_with_them(pairs):
    for pair in pairs:
        tags, finish = pair["tags"], pair["finish"]
        assert tags["grind"] == pair["blade"]["grind"]
        assert scenes.THICKNESSES_MM[tags["thickness"]] == pair["blade"]["thickness_mm"]
        assert tags["paper"] == pair["paper"]
        if "flat" in finish:
            alike = finish["flat"]["angle_deg"] == finish["bevel"]["angle_deg"]
            assert tags["lay"] in (("hand finished", "none") if alike else ("as ground", "none"))
        for photo in pair["photos"]:
            light = photo["light"]
            assert light["kind"] == tags["light"]
            small = [lamp for lamp in light["lamps"] if max(lamp["size_mm"]) < 100]
            assert (tags["light"] == "hard lamp") == (len(small) == len(light["lamps"]) == 1)
            assert tags["blurred"] or photo["blur"]["sigma_px"] <= 0.8
    dark = [pair for pair in pairs if pair["tags"]["stratum"] in ("one hard lamp", "shadow on the edge")]
    assert {pair["tags"]["light"] for pair in dark} == {"hard lamp"}


def test_tilt_strata_are_tilted(of_stratum):
    for low in (15, 20):
        for pair, _ in of_stratum(f"tilt {low}-{low + 5}"):
            assert pair["tags"]["tilt"] == f"{low}-{low + 5}"


def test_working_distances_go_over_20_to_80_cm(of_stratum):
    every = []
    for low, high in ((20, 25), (25, 40), (40, 60), (60, 80)):
        found = [hard_bench.distance_mm(*shot) / 10 for shot in of_stratum(f"from {low} to {high} cm")]
        assert low <= min(found) and max(found) <= high
        every += found
    steps = np.histogram(every, bins=np.arange(20, 81, 10))[0]
    assert np.all(steps > 0)


def test_lenses_bend_no_more_than_phones_do(pairs):
    """Five sigmas of what is drawn: 0.04 (0.42)² + 0.2 (0.42)⁴ in the corner of a 52 mm lens, 1.3 %."""
    for pair in pairs:
        for photo in pair["photos"]:
            corner = hard_camera.corner_radius(photo["view"]["f35_mm"])
            assert abs(hard_camera.radial_error(photo["view"]["distortion"], corner)) < 0.065


def test_48_mp_stays_48_mp(of_stratum):
    assert {tuple(photo["view"]["size_px"]) for _, photo in of_stratum("48 MP")} == {(8064, 6048)}
    assert {pair["tags"]["megapixels"] for pair, _ in of_stratum("48 MP")} == {"48.8"}


def test_moustache_bends_one_way_and_then_the_other(of_stratum):
    """Along the diagonal, by the renderer's own camera: a share falls, turns, and ends beyond zero."""
    for pair, photo in of_stratum("moustache lens"):
        k1, k2, _, _, k3 = photo["view"]["distortion"]
        assert np.sign(k1) == -np.sign(k2) == -np.sign(k3)
        corner = hard_camera.corner_radius(photo["view"]["f35_mm"])
        share = hard_camera.radial_error(photo["view"]["distortion"], corner * np.linspace(0.01, 1, 200))
        turns = np.count_nonzero(np.diff(np.sign(np.diff(share))))
        assert turns == 1 and share[-1] * np.abs(share).max() * np.sign(k1) < 0
        camera = hard_bench.camera_of(pair, photo)
        way = np.array([0.8, 0.6]) * corner
        on_axis = np.column_stack([np.outer(np.linspace(0, 1, 50), way), np.ones(50)])
        level = type(camera)(
            width_px=camera.width_px, height_px=camera.height_px, focal_px=camera.focal_px,
            centre_px=camera.centre_px, distortion=camera.distortion, cam_from_mat=np.eye(3),
            shift_mm=np.zeros(3),
        )  # fmt: skip
        off = level.project(on_axis) - (on_axis[:, :2] * camera.focal_px + camera.centre_px)
        out = off @ way / corner
        assert np.sign(out[35]) == np.sign(k1)  # 0.7 of the way: s = 0.49
        assert np.sign(out[-1]) == -np.sign(k1)
        assert abs(out[35]) > 15  # pixels, well to be seen


def test_phone_is_mirrored_over_the_shoulder(of_stratum):
    """Independent of the ray that placed it: the camera sees the phone's mirror image below the face."""
    how = Counter()
    for pair, photo in of_stratum("phone mirrored, polished", "phone mirrored, satin"):
        camera = hard_bench.camera_of(pair, photo)
        point = np.array(photo["tags"]["shoulder_mm"])
        blade = hard_bench.Blade.from_data(pair["blade"])
        assert point[2] == pytest.approx(blade.thickness_mm)  # the flat's height over the mat
        line = hard_bench.world(blade, photo, blades.lines(blade, blade.face(photo["face"]))["shoulder"])
        assert np.linalg.norm(line - point, axis=1).min() < 0.5  # its points lie as far apart
        wide, high = (78.0, 37.0) if camera.width_px >= camera.height_px else (37.0, 78.0)
        x, y = photo["body_off_mm"]
        assert abs(x) <= wide - 7.9 and abs(y) <= high - 7.9  # the lens is in the phone
        body = np.array([[x + i * wide, y + j * high, -2] for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))])
        corners = body @ camera.cam_from_mat + camera.place_mm
        image = corners * [1, 1, -1] + [0, 0, 2 * blade.thickness_mm]
        seen = camera.project(np.vstack([image, point[None]]))
        outline, shoulder = seen[:4], seen[4]
        assert Polygon(outline).contains_point(shoulder)
        begin, end = outline, np.roll(outline, -1, axis=0)
        run = (end - begin) / np.linalg.norm(end - begin, axis=1, keepdims=True)
        away = np.abs(run[:, 0] * (shoulder - begin)[:, 1] - run[:, 1] * (shoulder - begin)[:, 0])
        off_mm = away.min() * (camera.place_mm[2] - point[2]) / camera.focal_px
        how[photo["tags"]["mirrored"]] += 1
        if photo["tags"]["mirrored"] == "border":
            assert 0.4 < off_mm < 2.2  # half of 1 to 4 mm at the phone, 10 % for tilt
        else:
            assert off_mm > 3.5  # half of 8 mm
    assert min(how["over"], how["border"]) >= 4


def test_finger_and_magnet_are_round_and_stay_behind_the_heel(of_stratum):
    for pair, photo in of_stratum("finger on the tang", "magnet on the tang"):
        assert not photo.get("cards")
        (body,) = photo["bodies"]
        assert body["kind"] in pair["tags"]["stratum"]
        blade = pair["blade"]
        points = np.concatenate([grid.reshape(-1, 3) for grid in bodies.shell(body)])
        origin = np.array(hard_bench.on_mat(pair, photo, 0, 0))
        ahead, up = (np.array(hard_bench.on_mat(pair, photo, *at)) - origin for at in ((1, 0), (0, 1)))
        x, y = (points[:, :2] - origin) @ ahead, (points[:, :2] - origin) @ up
        assert x.max() < -blade["heel_mm"]
        assert points[:, 2].min() == pytest.approx(blade["thickness_mm"], abs=0.31)  # flesh gives way
        over = (y > blade["tang_low_mm"]) & (y < blade["tang_high_mm"])
        assert np.count_nonzero(over & (x > -blade["heel_mm"] - blade["tang_mm"])) > 50
        rims = bodies.shell(body)[0]
        middle = rims[:, :-1].mean(axis=1, keepdims=True)
        size = np.linalg.norm(rims[:, :-1] - middle, axis=-1)
        ring = size[-1] if body["kind"] == "finger" else size[0]
        low = 0.85 * 0.99 if body["kind"] == "finger" else 0.999  # a finger is a little flat
        assert ring.min() > low * ring.max()


def test_dirty_mats_have_dust_smears_and_prints(of_stratum):
    for pair, _ in of_stratum("dirty mat"):
        dirt = pair["mat_dirt"]
        assert dirt["dust_per_cm2"] >= 15 and dirt["smears"] >= 2 and dirt["prints"] >= 4


SHAPES = ("recurved edge", "swaged point", "tapered tang", "curved spine", "50 mm blade", "tall chef's blade")


@pytest.mark.parametrize("stratum", SHAPES)
def test_true_heights_are_those_of_the_mesh(pairs, stratum):
    """Read off the bevel as it is rendered; columns of 0.15 mm follow shoulder and edge within 0.01 mm."""
    for pair in [pair for pair in pairs if pair["tags"]["stratum"] == stratum][:2]:
        blade = hard_bench.Blade.from_data(pair["blade"])
        found = {}
        for side in ("left", "right"):
            (bevel,) = (p.points_mm for p in surface.patches(blade, side) if p.part == "bevel")
            for height in blades.figures(blade, blade.face(side))["bevel_height"]:
                low = np.interp(-height["station"], bevel[0, :, 0], bevel[0, :, 1])
                top, half = (np.interp(-height["station"], bevel[-1, :, 0], bevel[-1, :, k]) for k in (1, 2))
                rise = 0.0 if blade.grind == "full_flat" else half - blade.edge_thickness_mm / 2
                found[side, height["station"]] = float(np.hypot(top - low, rise))
                assert found[side, height["station"]] == pytest.approx(height["value"], abs=0.01)
        told = blades.differences(blade)["bevel_height"]
        assert len(told) >= 2
        for difference in told:
            left, right = (found[side, difference["station"]] for side in ("left", "right"))
            assert left - right == pytest.approx(difference["value"], abs=0.02)


def test_every_blade_is_in_its_picture(pairs):
    """From plunge to tip: the truth's edge, by the renderer's camera."""
    for pair in pairs:
        blade = hard_bench.Blade.from_data(pair["blade"])
        for photo in pair["photos"]:
            camera = hard_bench.camera_of(pair, photo)
            x = np.linspace(-blade.face(photo["face"]).plunge_mm, 0, 20)
            line = np.column_stack([x, blade.edge(x), np.zeros(20)])
            edge = camera.project(hard_bench.world(blade, photo, line))
            assert np.all((edge > 0) & (edge < [camera.width_px, camera.height_px])), pair["name"]


def test_repeats_are_one_blade_laid_anew(tmp_path):
    found = _described(tmp_path, "--repeats", "4")
    assert [pair["name"] for pair in found] == [f"repeat_{n:03d}" for n in range(4)]
    for key in ("blade", "seed", "finish", "print_scale", "paper"):
        assert len({json.dumps(pair[key]) for pair in found}) == 1
    shots = [(pair, photo) for pair in found for photo in pair["photos"]]
    assert len({json.dumps(photo["light"]) for _, photo in shots}) == 1
    assert len({json.dumps(photo["place"]) for _, photo in shots}) == 8
    field = scenes.PAPERS[found[0]["paper"]]
    for pair, photo in shots:
        tip = hard_bench.on_mat(pair, photo, 0.0, pair["blade"]["tip_mm"])
        assert all(abs(at) < size / 2 for at, size in zip(tip, field, strict=True))
    assert {pair["tags"]["tilt"] for pair in found} == {hard_tags.tags_of(pair)["tilt"] for pair in found}
    assert math.prod(found[0]["photos"][0]["view"]["size_px"]) == 12_000_000
