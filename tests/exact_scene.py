"""A blade of exact shape as two exact cameras see it: no photo, so every figure is known beforehand.

The blade: 4 mm stock, edge 0.5 mm, straight edge at y = 0 from the heel to the belly, straight spine at
y = 26, plunge 100 mm from the tip leaning by 5°, shoulder 15 mm above the edge. Frame: blade, tip at x = 0.
"""

import math
from dataclasses import replace
from functools import cache

import numpy as np
from synthetic import camera_truth

from grindcheck.budget import Knowns, Scene
from grindcheck.camera import Camera
from grindcheck.figures import Layout
from grindcheck.geometry import Array, Rigid, frozen, turn
from grindcheck.grindlines import GrindLines
from grindcheck.placing import Sighting, Stance, place
from grindcheck.registration import register
from grindcheck.silhouette import Side

THICKNESS, EDGE, WIDTH, HEIGHT = 4.0, 0.5, 26.0, 15.0
PLUNGE, LEAN_RAD = 100.0, math.radians(5.0)
STANCE = Stance(thickness_mm=THICKNESS, height_mm=THICKNESS, edge_mm=EDGE)
NO_LINES = GrindLines(plunge=None, shoulder=None, full_flat=False, grind="sabre", flags=())


def edge_y(x: Array) -> Array:
    """Edge: straight, then a belly of the last 40 mm that rises to 13 mm."""
    return 13.0 * np.clip((x + 40.0) / 40.0, 0.0, None) ** 2


def spine_y(x: Array) -> Array:
    """Spine: straight, then a drop of the last 45 mm down to the tip at 13 mm."""
    return WIDTH - 13.0 * np.clip((x + 45.0) / 45.0, 0.0, None) ** 2


def rims(*, stretch: float = 1.0) -> tuple[Array, Array]:
    """Edge towards the tip and spine back, points 0.3 mm apart along x."""
    x = np.arange(-106.0, -0.2, 0.3)
    edge = np.column_stack([x, edge_y(x)])
    spine = np.column_stack([x, spine_y(x)])[::-1]
    return edge * stretch, spine * stretch


def plunge_line(at_mm: float = PLUNGE, lean_rad: float = LEAN_RAD) -> Array:
    """Points of the plunge line; ``at_mm``: distance from the tip at the edge."""
    y = np.linspace(0.5, HEIGHT - 0.5, 60)
    return np.column_stack([-at_mm + math.tan(lean_rad) * y, y])


def shoulder_line(height_mm: float = HEIGHT) -> Array:
    """Points of the shoulder, from the plunge to where it would leave the blade."""
    x = np.arange(-98.0, -25.0, 0.4)
    return np.column_stack([x, edge_y(x) + height_mm])


def sighting(
    side: Side,
    camera: Camera,
    *,
    plunge_mm: float = PLUNGE,
    height_mm: float = HEIGHT,
    angle_rad: float = 0.1,
    origin_mm: tuple[float, float] = (60.0, -8.0),
) -> Sighting:
    """See one face: every part projected from its own height.

    Parameters
    ----------
    angle_rad, origin_mm
        How the blade lies: direction from heel to tip and place of the tip on the mat.
    """
    mirror = np.diag([1.0, 1.0 if side == "right" else -1.0])
    axes = turn(angle_rad) @ mirror
    edge, spine = rims()
    outline = np.vstack([edge, spine])
    is_edge = np.arange(len(outline)) < len(edge)
    tangent = np.gradient(outline, axis=0)
    normals = np.column_stack([tangent[:, 1], -tangent[:, 0]]) / np.hypot(*tangent.T)[:, None]
    # the wedge: edge thickness at the edge, the stock's at the shoulder, the stock's behind the plunge
    above = np.where(is_edge, 0.0, outline[:, 1] - edge_y(outline[:, 0]))
    fullness = np.clip(above / height_mm, 0.0, 1.0)
    half = EDGE / 2 + fullness * (THICKNESS - EDGE) / 2
    rim_z = STANCE.height_mm - THICKNESS / 2 + half

    def px(points: Array, z: Array | float) -> Array:
        at = points @ axes.T + np.asarray(origin_mm)
        return frozen(camera.px_from_mm(np.column_stack([at, np.broadcast_to(z, len(at))])))

    return Sighting(
        side=side, camera=camera, origin_mm=frozen(origin_mm), axes=frozen(axes),
        outline_px=px(outline, rim_z), outline_std_mm=frozen(np.full(len(outline), 0.02)),
        point_std_mm=frozen(np.full(len(outline), 0.02)), halo_mm=frozen(np.zeros(len(outline))),
        normals=frozen(normals), is_edge=is_edge,
        fullness=frozen(fullness), shows_wall=np.zeros(len(outline), dtype=bool),
        plunge_px=px(plunge_line(plunge_mm), STANCE.height_mm),
        shoulder_px=px(shoulder_line(height_mm), STANCE.height_mm), lines=NO_LINES,
    )  # fmt: skip


def _true_camera(side: Side) -> Camera:
    sign = 1.0 if side == "left" else -1.0
    return camera_truth(
        tilt_rad=0.08, azimuth_rad=0.7 * sign, spin_rad=0.05 * sign, middle_mm=(5.0, 3.0 * sign)
    )


NOISE_PX = 0.05
PRIOR_STD = np.array([0.03, 50.0, 50.0, 0.15, 0.15, 0.001, 0.001])


def _frame() -> Array:
    """Crossings of a frame of chessboard round the field, (N, 3) mm."""
    x, y = np.meshgrid(np.linspace(-132.0, 132.0, 23), np.linspace(-84.0, 84.0, 15))
    grid = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    return np.asarray(grid[(np.abs(grid[:, 0]) > 118.0) | (np.abs(grid[:, 1]) > 70.0)])


@cache
def _solver(side: Side) -> tuple[Array, Array, Array]:
    """Jacobian of the frame's pixels by the parameters, precision of the priors, covariance."""
    made, frame = _true_camera(side), _frame()
    steps = np.array([1e-5, 1e-2, 1e-2, *[1e-5] * 4, *[1e-6] * 3, *[1e-3] * 3])
    jacobian = np.column_stack(
        [
            (
                made.with_parameters(made.parameters + step * unit).px_from_mm(frame)
                - made.with_parameters(made.parameters - step * unit).px_from_mm(frame)
            ).ravel()
            / (2 * step)
            for step, unit in zip(steps, np.eye(13), strict=True)
        ]
    )
    precision = np.concatenate([PRIOR_STD**-2.0, np.zeros(6)])
    covariance = np.linalg.inv(jacobian.T @ jacobian / NOISE_PX**2 + np.diag(precision))
    return jacobian, precision, (covariance + covariance.T) / 2


def camera(side: Side, *, known: bool = False) -> Camera:
    """Return a camera with the covariance of an estimate from the frame, 0.05 px, and a focal prior of 3 %.

    Parameters
    ----------
    known : bool
        Without any uncertainty.
    """
    made = _true_camera(side)
    if known:
        return made
    _, precision, covariance = _solver(side)
    return replace(made, covariance=frozen(covariance), prior_gain=frozen(covariance[:, 0] * precision[0]))


def estimated(side: Side, prior_error: float, rng: np.random.Generator) -> Camera:
    """Estimate the camera anew from noisy crossings and erring priors.

    Parameters
    ----------
    prior_error : float
        Relative, of the focal prior.
    """
    made, frame = _true_camera(side), _frame()
    jacobian, precision, covariance = _solver(side)
    seen = made.px_from_mm(frame).ravel() + NOISE_PX * rng.normal(size=2 * len(frame))
    prior = made.parameters + np.concatenate([[prior_error], PRIOR_STD[1:] * rng.normal(size=6), np.zeros(6)])
    found = made
    for _ in range(8):  # with the Jacobian of the truth each step leaves a few per cent
        rest = seen - found.px_from_mm(frame).ravel()
        pull = jacobian.T @ rest / NOISE_PX**2 + precision * (prior - found.parameters)
        found = found.with_parameters(found.parameters + covariance @ pull)
    return found


def scene(
    *, left_mm: float = PLUNGE, right_mm: float = PLUNGE, left_height: float = HEIGHT, known: bool = False
) -> Scene:
    """Both faces of the blade, placed and registered."""
    cameras: dict[Side, Camera] = {"left": camera("left", known=known), "right": camera("right", known=known)}
    sightings: dict[Side, Sighting] = {
        "left": sighting("left", cameras["left"], plunge_mm=left_mm, height_mm=left_height),
        "right": sighting(
            "right", cameras["right"], plunge_mm=right_mm, angle_rad=-0.15, origin_mm=(48.0, 11.0)
        ),
    }
    shapes = {side: place(seen, STANCE) for side, seen in sightings.items()}
    found, match = register(shapes["right"].outline_mm, shapes["left"].outline_mm)
    straight = {side: ~seen.is_edge & (shape.outline_mm[:, 0] < -50.0) for (side, seen), shape in
                zip(sightings.items(), shapes.values(), strict=True)}  # fmt: skip
    layout = Layout(
        match=match, right_to_left=found.fixed_from_moving, spine=straight["left"],
        spine_right=straight["right"], stations_mm=np.arange(30.0, 100.0, 10.0), has_plunge=(True, True),
        has_shoulder=(True, True), meets=(True, True), full_flat=False,
    )  # fmt: skip
    middle = STANCE.height_mm - THICKNESS / 2
    tip = np.array([[0.0, 13.0]])
    tips = {
        side: frozen(
            cameras[side].px_from_mm(np.column_stack([tip @ seen.axes.T + seen.origin_mm, [[middle]]]))[0]
        )
        for side, seen in sightings.items()
    }
    return Scene(
        sightings=sightings, tips_px=tips, stance=STANCE, cameras=cameras, registration=found, layout=layout
    )


def knowns(**changes: object) -> Knowns:
    """Return usual uncertainties; keyword arguments replace some of them."""
    usual = Knowns(
        thickness_std_mm=0.03, height_std_mm=0.1, edge_std_mm=0.05, print_std=0.003, one_print=False,
        focal_shared=True,
        focal_std=(0.03, 0.03), plunge_shift_mm={"left": 0.02, "right": 0.03},
        plunge_turn_rad={"left": 0.002, "right": 0.003}, shoulder_shift_mm={"left": 0.015, "right": 0.02},
        shoulder_local_mm={"left": np.asarray(0.01), "right": np.asarray(0.02)}, rim_local_mm=0.015,
        rim_shift_mm=0.012, tip_mm=0.05,
    )  # fmt: skip
    return replace(usual, **changes)  # type: ignore[arg-type]


def no_doubt(**changes: object) -> Knowns:
    """Return knowns without any uncertainty but those given."""
    none = {"left": 0.0, "right": 0.0}
    nothing = {
        "thickness_std_mm": 0.0, "height_std_mm": 0.0, "edge_std_mm": 0.0, "print_std": 0.0,
        "focal_std": (0.0, 0.0), "plunge_shift_mm": none, "plunge_turn_rad": none, "shoulder_shift_mm": none,
        "shoulder_local_mm": {"left": np.asarray(0.0), "right": np.asarray(0.0)}, "rim_local_mm": 0.0,
        "rim_shift_mm": 0.0, "tip_mm": 0.0,
    }  # fmt: skip
    return knowns(**{**nothing, **changes})


def blade_motion(angle_rad: float, shift: tuple[float, float]) -> Rigid:
    """Return a rigid motion."""
    return Rigid(angle_rad=angle_rad, shift=frozen(shift))
