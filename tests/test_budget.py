"""Propagation of uncertainty: against Monte Carlo, closed forms and the GUM's own example."""

import math
from dataclasses import replace

import exact_scene as exact
import numpy as np
import pytest
from scipy import stats
from uncertainties import ufloat

from grindcheck.budget import Scene, propagate, read_pair
from grindcheck.compare import _figure
from grindcheck.figures import Pair, common_frame
from grindcheck.geometry import frozen

SHOULDER, EDGE, ANGLE = (("plunge.shoulder", None), ("plunge.edge", None), ("plunge.angle", None))
AT_60 = ("bevel_height", 60.0)


def _std(numbers, key, side="left"):
    return numbers[side][key].std_dev


def _difference(numbers, key):
    return (numbers["left"][key] - numbers["right"][key]).std_dev


def test_a_face_that_stays_is_placed_once():
    scene = exact.scene()
    moved = {"left": exact.estimated("left", 0.02, np.random.default_rng(3))}
    again = replace(scene, cameras={**scene.cameras, **moved})
    seen = scene.placed().seen_by(moved)
    assert set(seen.held) == {"right"}
    assert seen.read() == again.read() != scene.read()
    higher = replace(scene.stance, height_mm=scene.stance.height_mm + 0.3)
    assert scene.placed().standing(higher).read() == replace(scene, stance=higher).read()


def _registered(scene):
    """Give the scene a registration that isn't exact: 0.02 mm across and along, 0.2 mrad."""
    covariance = np.diag([2e-4, 0.03, 0.02]) ** 2
    covariance[0, 2] = covariance[2, 0] = 0.5 * 2e-4 * 0.02
    return replace(scene, registration=replace(scene.registration, covariance=frozen(covariance)))


def _drawn(scene: Scene, knowns, rng):
    """Draw every input from its distribution and read all figures again (JCGM 101, 7.2 to 7.4)."""
    stance = scene.stance
    dt = knowns.thickness_std_mm * rng.normal()
    common_scale = 1 + np.mean(knowns.print_std * rng.normal(size=2))  # two independent axes; what they share
    stance = replace(
        stance,
        thickness_mm=stance.thickness_mm + dt,
        height_mm=stance.height_mm + dt,
        edge_mm=stance.edge_mm + knowns.edge_std_mm * rng.normal(),
        print_scale=(common_scale, common_scale),
    )
    prior = rng.normal(size=2)
    if knowns.focal_shared:
        prior[1] = prior[0]
    cameras = {
        side: exact.estimated(side, std * share, rng)
        for side, share, std in zip(("left", "right"), prior, knowns.focal_std, strict=True)
    }
    lifted = {
        side: replace(
            scene, cameras=cameras,
            stance=replace(stance, height_mm=stance.height_mm + knowns.height_std_mm * rng.normal()),
        ).pair()
        for side in ("left", "right")
    }  # fmt: skip
    pair = Pair(
        left=lifted["left"].left, right=lifted["right"].right, is_edge_left=lifted["left"].is_edge_left,
        is_edge_right=lifted["right"].is_edge_right, tip_left=lifted["left"].tip_left,
        tip_right=lifted["right"].tip_right,
    )  # fmt: skip
    common = common_frame(pair, scene.layout)
    plunge, shoulder = dict(common.plunge_mm), dict(common.shoulder_mm)
    for side in ("left", "right"):
        middle = plunge[side].mean(axis=0)
        # a small turn shears a line that stands nearly across
        turn = knowns.plunge_turn_rad[side] * rng.normal()
        along = knowns.plunge_shift_mm[side] * rng.normal() + turn * (plunge[side][:, 1] - middle[1])
        plunge[side] = plunge[side] + np.column_stack([along, np.zeros(len(along))])
        shoulder[side] = shoulder[side] + [0.0, knowns.shoulder_shift_mm[side] * rng.normal()]
    pivot = common.blade_from_left(scene.registration.pivot_mm[None])[0]
    angle, *shift = rng.multivariate_normal(np.zeros(3), scene.registration.covariance)
    cos, sin = math.cos(angle), math.sin(angle)
    for lines in (plunge, shoulder):
        lines["right"] = (lines["right"] - pivot) @ np.array([[cos, sin], [-sin, cos]]) + pivot + shift
    tip = np.array([knowns.tip_mm * rng.normal(), 0.0])
    lower = np.where(common.is_edge[:, None], [0.0, knowns.rim_shift_mm * rng.normal()], 0.0)
    moved = replace(
        common,
        outline_mm=common.outline_mm + tip + lower,
        plunge_mm={side: line + tip for side, line in plunge.items()},
        shoulder_mm={side: line + tip for side, line in shoulder.items()},
    )
    found = read_pair(moved, scene.layout, stance)
    for side, figures in found.items():
        for key in figures:
            if key[0] == "bevel_height":
                figures[key] += float(knowns.shoulder_local_mm[side]) * rng.normal()
                figures[key] += knowns.rim_local_mm * rng.normal()
    return found


@pytest.mark.parametrize("shared", [True, False])
def test_propagation_against_monte_carlo(shared):
    """First order against 800 draws of every input at once, the cameras estimated anew each time.

    A std from N draws is known to 1/√(2N) = 2.5 %; with 33 quantities the largest of as many normal errors
    is 3 sigma, taken as 4 (10 %). What bends the model, second order, is below 1 % of these inputs.
    """
    draws = 800
    scene = _registered(exact.scene(left_mm=100.6))
    knowns = exact.knowns(focal_shared=shared)
    first_order = propagate(scene, knowns)
    rng = np.random.default_rng(101)
    drawn = [_drawn(scene, knowns, rng) for _ in range(draws)]
    limit = 4 / math.sqrt(2 * draws) + 0.01
    checked = 0
    for key in first_order["left"]:
        if key[0] == "bevel_angle":
            continue
        values = {side: np.array([one[side][key] for one in drawn]) for side in ("left", "right")}
        for std, sample in (
            (_std(first_order, key), values["left"]),
            (_std(first_order, key, "right"), values["right"]),
            (_difference(first_order, key), values["left"] - values["right"]),
        ):
            assert std == pytest.approx(sample.std(ddof=1), rel=limit), key
            checked += 1
    assert checked == 3 * (4 + 7)  # four of the plunge, heights at 30, 40 … 90 mm


def test_print_scale_cancels_in_a_difference():
    """Closed form: both axes share s/√2, of the 100 mm from the tip and of the 0.6 mm of difference."""
    found = propagate(exact.scene(left_mm=100.6, known=True), exact.no_doubt(print_std=0.003))
    assert _std(found, EDGE, "right") == pytest.approx(100.0 * 0.003 / math.sqrt(2), rel=1e-3)
    assert _difference(found, EDGE) == pytest.approx(0.6 * 0.003 / math.sqrt(2), rel=1e-3)
    assert _difference(found, ANGLE) == pytest.approx(0.0, abs=1e-9)


def test_what_the_print_does_to_both_cameras_is_common():
    """Closed form: both cameras stand a thousandth too far off, so that lengths are off by as much."""
    scene = exact.scene(left_mm=103.0, known=True)
    cameras = {}
    for side, camera in scene.cameras.items():
        gain = np.zeros(13)
        # the flat's distance is what lengths on it go by
        gain[10:13] = 1e-3 * (camera.translation + camera.rotation[:, 2] * scene.stance.height_mm)
        cameras[side] = replace(camera, covariance=frozen(np.outer(gain, gain)), print_gain=frozen(gain))
    scene = replace(scene, cameras=cameras)
    common = propagate(scene, exact.no_doubt(one_print=True))
    apart = propagate(scene, exact.no_doubt(one_print=False))
    for side, distance in (("left", 103.0), ("right", 100.0)):
        assert _std(common, EDGE, side) == pytest.approx(1e-3 * distance, rel=0.05)
    assert _difference(common, EDGE) == pytest.approx(1e-3 * 3.0, rel=0.15)
    assert _difference(apart, EDGE) == pytest.approx(1e-3 * math.hypot(103.0, 100.0), rel=0.05)


def test_the_common_tip_cancels_in_a_difference():
    found = propagate(exact.scene(left_mm=100.6, known=True), exact.no_doubt(tip_mm=0.05))
    assert _std(found, EDGE) == pytest.approx(0.05, abs=1e-9)
    assert _difference(found, EDGE) == pytest.approx(0.0, abs=1e-9)


def test_lines_of_two_faces_are_independent():
    """Closed form: the difference of two independent places has the root of the sum of squares."""
    knowns = exact.no_doubt(plunge_shift_mm={"left": 0.03, "right": 0.04})
    found = propagate(exact.scene(known=True), knowns)
    assert _std(found, EDGE) == pytest.approx(0.03, rel=1e-6)
    assert _difference(found, EDGE) == pytest.approx(0.05, rel=1e-6)  # 3, 4, 5


def test_a_turned_line_by_its_lever():
    """The plunge is traced from 0.5 to 14.5 mm; edge and shoulder lie 7.5 mm off its middle."""
    found = propagate(
        exact.scene(known=True), exact.no_doubt(plunge_turn_rad={"left": 0.002, "right": 0.0},
                                                plunge_shift_mm={"left": 1e-6, "right": 0.0})
    )  # fmt: skip
    assert _std(found, EDGE) == pytest.approx(
        7.5 * 0.002, rel=0.01
    )  # 1 %: the edge is met at tan, not at arc
    assert _std(found, SHOULDER) == pytest.approx(7.5 * 0.002, rel=0.01)
    assert _std(found, ANGLE) == pytest.approx(0.002, rel=0.02)  # cos² 5° = 0.992


def test_thickness_in_the_bevels_height_and_angle():
    """H = √(h² + r²) with r = (t − e)/2: dH/de = −r/(2H); e alone moves nothing else on an exact scene.

    The edge's own height over the paper moves with it: its rim lies e/2 over mid-thickness, seen at up to
    0.2 of slope from above, which the tolerance of 3 % of the other term doesn't hold; so the angle is taken.
    """
    found = propagate(exact.scene(known=True), exact.no_doubt(edge_std_mm=0.05))
    # angle = atan(r/h): dα/de = −(1/2) h/(h² + r²); h moves by less than 0.05/2 · 0.3, times r/(h² + r²)
    h, r = 15.0, 1.75
    wanted = 0.5 * 0.05 * h / (h * h + r * r)
    slack = 0.5 * 0.05 * 0.3 * r / (h * h + r * r)
    assert abs(_std(found, ("bevel_angle", 60.0)) - wanted) < slack


def test_a_lifted_face_by_similar_triangles():
    """Raised by δ, all seen at distance H − h grows by δ/(H − h): the eye is that much nearer.

    Only the left face is raised, but both outlines make the common frame, so half of the difference of size
    stays with each; the difference of the plunges has at least the lever from the outline's middle.
    """
    scene = exact.scene(known=True)
    found = propagate(scene, exact.no_doubt(height_std_mm=0.1))
    eye = [scene.cameras[side].distance_mm - 4.0 for side in ("left", "right")]
    longest = 106.0 * math.hypot(0.1 / eye[0], 0.1 / eye[1])
    assert 0.1 * longest < _difference(found, EDGE) < longest


def test_components_are_told_by_source_and_add_up():
    found = propagate(_registered(exact.scene(left_mm=100.6)), exact.knowns())
    figure = _figure(EDGE, found["left"][EDGE] - found["right"][EDGE])
    assert set(figure.components) >= {"line", "height", "pose", "focal length", "registration", "print scale"}
    assert math.hypot(*figure.components.values()) == pytest.approx(figure.std, rel=1e-9)
    assert figure.value == pytest.approx(0.6, abs=1e-6)


def test_errors_of_one_calibrated_lens_are_common_to_both_photos():
    """Drawn: one pair of errors for both cameras; a std of 400 draws is known to 3.5 %."""
    scene = exact.scene(left_mm=100.6, known=True)
    gain = np.zeros((13, 2))
    gain[0], gain[12] = (0.004, 0.001), (-1.5, 0.5)  # focal length and distance, as a lens moves them
    gain[3] = (0.01, -0.02)
    cameras = {
        side: replace(camera, covariance=frozen(gain @ gain.T), lens_gain=frozen(gain))
        for side, camera in scene.cameras.items()
    }
    scene = replace(scene, cameras=cameras)
    rng = np.random.default_rng(5)
    drawn = []
    for _ in range(400):
        error = rng.normal(size=2)
        moved = {
            side: camera.with_parameters(camera.parameters + gain @ error) for side, camera in cameras.items()
        }
        figures = replace(scene, cameras=moved).read()
        drawn.append(figures["left"][EDGE] - figures["right"][EDGE])
    common, each = (propagate(scene, exact.no_doubt(lens_shared=shared)) for shared in (True, False))
    figure = _figure(EDGE, common["left"][EDGE] - common["right"][EDGE])
    assert figure.components["lens"] == pytest.approx(figure.std, rel=1e-6)
    # four standard errors, and 2 % for what bends
    assert figure.std == pytest.approx(np.std(drawn, ddof=1), rel=4 / math.sqrt(800) + 0.02)
    # as if each photo had a lens of its own
    assert figure.std < 0.5 * _difference(each, EDGE)


def test_gum_h1_end_gauge():
    """JCGM 100:2008, H.1: l = 50 000 838 nm, u = 32 nm, ν = 16, U99 = 93 nm."""
    standard = ufloat(50_000_623.0, 25.0, tag="standard")
    repeated, random, systematic = (
        ufloat(215.0, 5.8, tag="comparator"), ufloat(0.0, 3.9, tag="comparator"),
        ufloat(0.0, 6.7, tag="comparator"),
    )  # fmt: skip
    expansion = ufloat(11.5e-6, 1.2e-6, tag="expansion")
    expansion_difference = ufloat(0.0, 0.58e-6, tag="expansion difference")
    bench = ufloat(-0.1, 0.2, tag="bench") + ufloat(0.0, 0.35, tag="bench")
    temperature_difference = ufloat(0.0, 0.029, tag="temperature difference")
    length = (
        standard + repeated + random + systematic
        - standard * (expansion_difference * bench + expansion * temperature_difference)
    )  # fmt: skip
    figure = _figure(("plunge.edge", None), length)
    assert figure.value == pytest.approx(50_000_838.0, abs=0.5)
    assert round(figure.std) == 32
    assert figure.std == pytest.approx(31.66, abs=0.05)  # recomputed; the table's parts are rounded
    parts = figure.components
    assert parts["standard"] == pytest.approx(25.0, abs=0.05)
    assert parts["comparator"] == pytest.approx(9.7, abs=0.05)
    assert parts["expansion difference"] == pytest.approx(2.9, abs=0.05)
    assert parts["temperature difference"] == pytest.approx(16.6, abs=0.1)
    assert parts.get("expansion", 0.0) == 0.0  # times a difference of zero
    assert parts.get("bench", 0.0) == 0.0
    freedom = {"standard": 18, "comparator": 25.6, "expansion difference": 50, "temperature difference": 2}
    effective = figure.std**4 / sum(parts[name] ** 4 / nu for name, nu in freedom.items())
    assert effective == pytest.approx(16.75, abs=0.15)  # Welch and Satterthwaite; the GUM truncates to 16
    factor = float(stats.t.ppf(0.995, math.floor(effective)))
    assert round(factor * 31.66) == pytest.approx(93, abs=1)
    assert round(factor * 32) == 93


def test_shoulder_that_is_not_seen_widens_what_is_told_at_its_height():
    """By the lean of the line times how little is known of the height: 0.8 mm, see `budget`."""
    scene = _registered(exact.scene(left_mm=100.6))
    knowns = exact.no_doubt()
    unseen = replace(scene, layout=replace(scene.layout, meets=(False, True)))
    key = ("plunge.shoulder", None)
    seen = _std(propagate(scene, knowns), key)
    angle = float(propagate(unseen, knowns)["left"]["plunge.angle", None].nominal_value)
    lean = abs(math.tan(angle))
    assert lean > 0.02
    assert math.sqrt(_std(propagate(unseen, knowns), key) ** 2 - seen**2) == pytest.approx(
        0.8 * lean, rel=0.05
    )
