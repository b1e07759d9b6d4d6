"""Where the uncertainty of a figure comes from: every input moved by its own, and the figures read again.

JCGM 100 with numeric sensitivities: a source is one independent error of size one (a standard uncertainty),
the change of all figures that it makes is its column, and each figure is its value plus the sum of its
changes times one ``uncertainties`` variable per source. What both faces share (print scale, focal prior,
thickness) is one variable, so it cancels in a difference by itself.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from grindcheck.camera import Camera
from grindcheck.figures import Common, Key, Layout, Pair, common_frame, local_y, read_face
from grindcheck.geometry import Array, Rigid
from grindcheck.placing import Shape, Sighting, Stance, place
from grindcheck.registration import Registration
from grindcheck.silhouette import Side

_SIDES: tuple[Side, Side] = ("left", "right")

_UNSEEN_TOP_MM = 0.8  # of the height of a shoulder that isn't seen; faces differ by as much, common practice

Figures = dict[Side, dict[Key, Any]]  # key to an `uncertainties` number


@dataclass(frozen=True, slots=True, kw_only=True)
class Knowns:
    """How well the inputs are known: one standard uncertainty each.

    Parameters
    ----------
    thickness_std_mm : float
        Of the stock thickness (calliper).
    height_std_mm : float
        Of the flat's height over the paper beyond the thickness: paper not flat, burr, grit under the blade.
    edge_std_mm : float
        Of the edge thickness.
    print_std : float
        Relative, of each axis of the print.
    one_print : bool
        Both photos show one sheet, so that the error of its stretch is common.
    focal_shared : bool
        Both photos come from one lens, so that the error of the focal prior is common.
    focal_std : (float, float)
        Relative standard uncertainty of the focal prior of each photo.
    lens_shared : bool
        Both photos were solved with one calibrated lens, so that its calibration's error is common.
    plunge_shift_mm, plunge_turn_rad : dict of side to float
        Of a plunge line's place and direction.
    shoulder_shift_mm : dict of side to float
        Common to a whole shoulder line (the model's bias).
    shoulder_local_mm : dict of side to ndarray, shape (K,) or ()
        Of each point of a shoulder, independent from station to station.
    rim_local_mm : float
        Of a local fit of the common edge.
    rim_shift_mm : float
        Of the whole common edge: where on a wall that shows its rim was traced.
    tip_mm : float
        Of the common tip along the blade.
    """

    thickness_std_mm: float
    height_std_mm: float
    edge_std_mm: float
    print_std: float
    one_print: bool
    focal_shared: bool
    focal_std: tuple[float, float]
    plunge_shift_mm: Mapping[Side, float]
    plunge_turn_rad: Mapping[Side, float]
    shoulder_shift_mm: Mapping[Side, float]
    shoulder_local_mm: Mapping[Side, Array]
    rim_local_mm: float
    rim_shift_mm: float
    tip_mm: float
    lens_shared: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """Everything that the figures are read from; `held`: shape and tip of faces placed already."""

    sightings: dict[Side, Sighting]
    tips_px: dict[Side, Array]
    stance: Stance
    cameras: dict[Side, Camera]
    registration: Registration
    layout: Layout
    held: Mapping[Side, tuple[Shape, Array]] = field(default_factory=dict)

    def placed(self) -> "Scene":
        """Place both faces once, for all scenes that only differ in the other face's camera."""
        return replace(self, held={side: self._placed(side) for side in self.sightings})

    def seen_by(self, cameras: Mapping[Side, Camera]) -> "Scene":
        """Return the scene with other cameras of these sides; what the others see stays in its place."""
        held = {side: placed for side, placed in self.held.items() if side not in cameras}
        return replace(self, cameras={**self.cameras, **cameras}, held=held)

    def standing(self, stance: Stance) -> "Scene":
        """Return the scene with the blade lying otherwise."""
        return replace(self, stance=stance, held={})

    def read(self) -> dict[Side, dict[Key, float]]:
        """Read all figures of both faces."""
        return read_pair(self.common(), self.layout, self.stance)

    def common(self) -> Common:
        """Both faces in the blade frame."""
        return common_frame(self.pair(), self.layout)

    def pair(self) -> Pair:
        """Both faces placed at their heights, each in its own frame."""
        (left, tip_left), (right, tip_right) = (self.held.get(side) or self._placed(side) for side in _SIDES)
        return Pair(
            left=left,
            right=right,
            is_edge_left=self.sightings["left"].is_edge,
            is_edge_right=self.sightings["right"].is_edge,
            tip_left=tip_left,
            tip_right=tip_right,
        )

    def _placed(self, side: Side) -> tuple[Shape, Array]:
        return place(self.sightings[side], self.stance, camera=self.cameras[side]), self._tip(side)

    def _tip(self, side: Side) -> Array:
        middle = self.stance.height_mm - self.stance.thickness_mm / 2
        mat = self.cameras[side].mm_from_px(self.tips_px[side][None], middle) * self.stance.print_scale
        sighting = self.sightings[side]
        return np.asarray(((mat - sighting.origin_mm) @ np.linalg.inv(sighting.axes).T)[0], dtype=np.float64)


def read_pair(common: Common, layout: Layout, stance: Stance) -> dict[Side, dict[Key, float]]:
    """Read the figures of both faces from the common frame."""
    rise = (stance.thickness_mm - stance.edge_mm) / 2
    edge = common.outline_mm[common.is_edge]
    edge_y = local_y(edge, -layout.stations_mm)
    return {
        side: read_face(common, layout, side, rise_mm=rise, edge_mm=edge, edge_y_mm=edge_y) for side in _SIDES
    }


def propagate(scene: Scene, knowns: Knowns) -> Figures:
    """Read the figures with all their uncertainty components.

    Parameters
    ----------
    scene : Scene
    knowns : Knowns

    Returns
    -------
    dict
        Side to key to an ``uncertainties`` number whose variables are tagged with the component's name.
    """
    from uncertainties import ufloat
    from uncertainties.core import AffineScalarFunc, LinearCombination

    scene = scene.placed()
    common = scene.common()
    base = read_pair(common, scene.layout, scene.stance)
    # all changes of a figure in one mapping from source to change: adding number to number is slow
    changes: dict[Side, dict[Key, dict[Any, float]]] = {
        side: {key: {} for key in found} for side, found in base.items()
    }
    for name, changed in _sources(scene, common, base, knowns):
        moved = changed()
        source = ufloat(0.0, 1.0, tag=name)
        for side, found in base.items():
            for key, value in found.items():
                change = moved[side].get(key, value) - value
                if abs(change) > 1e-9:
                    changes[side][key][source] = change
    for side, found in base.items():
        for key, sources in changes[side].items():
            if key[0] in ("bevel_height", "bevel_angle"):
                local = _local(knowns, common, side, key)
                factor = 1.0 if key[0] == "bevel_height" else _angle_slope(found, key)
                sources[ufloat(0.0, 1.0, tag="line")] = factor * local
                sources[ufloat(0.0, 1.0, tag="outline")] = factor * knowns.rim_local_mm
    return {
        side: {
            key: AffineScalarFunc(value, LinearCombination(changes[side][key]))
            for key, value in found.items()
        }
        for side, found in base.items()
    }


def _local(knowns: Knowns, common: Common, side: Side, key: Key) -> float:
    """Return the standard uncertainty of a shoulder beside a station."""
    std, line = knowns.shoulder_local_mm.get(side), common.shoulder_mm[side]
    if std is None or not len(line) or key[1] is None:
        return 0.0
    order = np.argsort(line[:, 0])
    return float(np.interp(-key[1], line[order, 0], np.broadcast_to(std, len(line))[order]))


def _angle_slope(found: dict[Key, float], key: Key) -> float:
    return float(np.tan(found[key])) / found[("bevel_height", key[1])]


def _sources(
    scene: Scene, common: Common, base: dict[Side, dict[Key, float]], knowns: Knowns
) -> list[tuple[str, Callable[[], dict[Side, dict[Key, float]]]]]:
    """Each independent error: its component's name, and the figures when it is one standard uncertainty."""
    stance = scene.stance
    out: list[tuple[str, Callable[[], dict[Side, dict[Key, float]]]]] = []

    def add_stance(name: str, other: Stance) -> None:
        out.append((name, lambda: scene.standing(other).read()))

    def add_cameras(name: str, changes: dict[Side, Array]) -> None:
        out.append(
            (name, lambda: _half_way(base, *(_moved_cameras(scene, changes, sign) for sign in (1, -1))))
        )

    up = knowns.thickness_std_mm
    add_stance(
        "thickness", replace(stance, thickness_mm=stance.thickness_mm + up, height_mm=stance.height_mm + up)
    )
    add_stance("edge thickness", replace(stance, edge_mm=stance.edge_mm + knowns.edge_std_mm))
    # the two axes' difference is an unknown of the camera; what is left is their common scale
    both = 1 + knowns.print_std / np.sqrt(2)
    add_stance("print scale", replace(stance, print_scale=(both, both)))
    gains: dict[Side, Array] = {}
    lens: dict[Side, Array] = {}
    for side, std in zip(_SIDES, knowns.focal_std, strict=True):
        camera = scene.cameras[side]
        gains[side], rest = camera.prior_gain * std, camera.covariance
        lens[side] = np.zeros((len(rest), 0)) if camera.lens_gain is None else camera.lens_gain
        if knowns.one_print:  # what the focal prior does by way of the print is the print's
            weight = camera.focal_prior_share / max(float(camera.covariance[0, 0]), 1e-30)
            gains[side] = gains[side] - camera.print_gain * camera.print_gain[0] * weight * std
            rest = rest - np.outer(camera.print_gain, camera.print_gain)
        rest = rest - np.outer(gains[side], gains[side]) - lens[side] @ lens[side].T
        for column in _columns(rest):
            add_cameras("pose", {side: column})
        out.append(("height", _lifted(scene, side, knowns.height_std_mm)))
    if knowns.one_print:
        add_cameras("print scale", {side: camera.print_gain for side, camera in scene.cameras.items()})
    if knowns.focal_shared:
        add_cameras("focal length", gains)
    else:
        for side, gain in gains.items():
            add_cameras("focal length", {side: gain})
    for error in range(max(found.shape[1] for found in lens.values())):
        errors = {side: found[:, error] for side, found in lens.items() if error < found.shape[1]}
        for each in [errors] if knowns.lens_shared else [{side: change} for side, change in errors.items()]:
            add_cameras("lens", each)
    for side in scene.sightings:
        if knowns.plunge_shift_mm.get(side):
            out.append(("line", _moved_line(scene, common, side, shift=knowns.plunge_shift_mm[side])))
            out.append(("line", _moved_line(scene, common, side, turn_rad=knowns.plunge_turn_rad[side])))
        if knowns.shoulder_shift_mm.get(side):
            out.append(("line", _moved_line(scene, common, side, lift=knowns.shoulder_shift_mm[side])))
    out += [("line", raised) for raised in _unseen_tops(scene, common)]
    for column in _columns(scene.registration.covariance):
        out.append(("registration", _re_registered(scene, common, column)))
    out.append(("outline", _moved_edge(scene, common, knowns.rim_shift_mm)))
    out.append(("tip", _moved_tip(scene, common, knowns.tip_mm)))
    return out


def _moved_cameras(scene: Scene, changes: dict[Side, Array], sign: float) -> dict[Side, dict[Key, float]]:
    moved = {}
    for side, change in changes.items():
        camera = scene.cameras[side]
        moved[side] = camera.with_parameters(camera.parameters + sign * change)
    return scene.seen_by(moved).read()


def _half_way(
    base: dict[Side, dict[Key, float]], up: dict[Side, dict[Key, float]], down: dict[Side, dict[Key, float]]
) -> dict[Side, dict[Key, float]]:
    """Return the figures moved by half of what a step up and one down differ.

    Focal length and distance are known together far better than apart, along a curve: one whole step of both
    leaves it, and the bend would be taken for a slope.
    """
    return {
        side: {
            key: value + (up[side].get(key, value) - down[side].get(key, value)) / 2
            for key, value in found.items()
        }
        for side, found in base.items()
    }


def _columns(covariance: Array) -> list[Array]:
    """Independent errors that make up a covariance, the negligible ones left out."""
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-30))
    values, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    return [
        vectors[:, i] * np.sqrt(values[i]) * scale
        for i in range(len(values))
        if values[i] > 1e-9 * max(values.max(), 1e-30)
    ]


def _lifted(scene: Scene, side: Side, lift_mm: float) -> Callable[[], dict[Side, dict[Key, float]]]:
    """One face lies a little higher: the same as its camera that much nearer."""

    def read() -> dict[Side, dict[Key, float]]:
        camera = scene.cameras[side]
        moved = camera.parameters.copy()
        moved[10:13] = moved[10:13] + camera.rotation[:, 2] * lift_mm
        return scene.seen_by({side: camera.with_parameters(moved)}).read()

    return read


def _moved_line(
    scene: Scene, common: Common, side: Side, *, shift: float = 0.0, turn_rad: float = 0.0, lift: float = 0.0
) -> Callable[[], dict[Side, dict[Key, float]]]:
    def read() -> dict[Side, dict[Key, float]]:
        plunge, shoulder = dict(common.plunge_mm), dict(common.shoulder_mm)
        line = plunge[side]
        if len(line):
            lever = line[:, 1] - line[:, 1].mean()
            plunge[side] = line + np.column_stack([shift + turn_rad * lever, np.zeros(len(line))])
        if len(shoulder[side]):
            shoulder[side] = shoulder[side] + np.array([0.0, lift])
        return read_pair(replace(common, plunge_mm=plunge, shoulder_mm=shoulder), scene.layout, scene.stance)

    return read


def _re_registered(scene: Scene, common: Common, change: Array) -> Callable[[], dict[Side, dict[Key, float]]]:
    def read() -> dict[Side, dict[Key, float]]:
        pivot = common.blade_from_left(scene.registration.pivot_mm[None])[0]
        motion = Rigid(
            angle_rad=float(change[0]), shift=pivot + change[1:] - _turned(float(change[0]), pivot)
        )
        plunge = {**common.plunge_mm, "right": motion(common.plunge_mm["right"])}
        shoulder = {**common.shoulder_mm, "right": motion(common.shoulder_mm["right"])}
        return read_pair(replace(common, plunge_mm=plunge, shoulder_mm=shoulder), scene.layout, scene.stance)

    return read


def _turned(angle_rad: float, point: Array) -> Array:
    return np.asarray(Rigid(angle_rad=angle_rad, shift=np.zeros(2))(point[None])[0], dtype=np.float64)


def _unseen_tops(scene: Scene, common: Common) -> list[Callable[[], dict[Side, dict[Key, float]]]]:
    """For each plunge whose shoulder isn't seen beside it: it ends higher up."""

    def raised(tops: tuple[float, float]) -> Callable[[], dict[Side, dict[Key, float]]]:
        return lambda: read_pair(common, replace(scene.layout, unseen_top_mm=tops), scene.stance)

    layout = scene.layout
    each = zip(((_UNSEEN_TOP_MM, 0.0), (0.0, _UNSEEN_TOP_MM)), layout.has_plunge, layout.meets, strict=True)
    return [raised(tops) for tops, plunge, met in each if plunge and not met and not layout.full_flat]


def _moved_edge(scene: Scene, common: Common, out_mm: float) -> Callable[[], dict[Side, dict[Key, float]]]:
    def read() -> dict[Side, dict[Key, float]]:
        lower = np.where(common.is_edge[:, None], [0.0, -out_mm], 0.0)
        return read_pair(replace(common, outline_mm=common.outline_mm + lower), scene.layout, scene.stance)

    return read


def _moved_tip(scene: Scene, common: Common, along_mm: float) -> Callable[[], dict[Side, dict[Key, float]]]:
    def read() -> dict[Side, dict[Key, float]]:
        shift = np.array([along_mm, 0.0])
        moved = replace(
            common,
            outline_mm=common.outline_mm + shift,
            plunge_mm={side: line + shift for side, line in common.plunge_mm.items()},
            shoulder_mm={side: line + shift for side, line in common.shoulder_mm.items()},
        )
        return read_pair(moved, scene.layout, scene.stance)

    return read
