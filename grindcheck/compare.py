"""Both faces of a blade in one frame: what each measures, what differs, and how surely."""

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from grindcheck.budget import Figures, Knowns, Scene, propagate
from grindcheck.camera import Camera
from grindcheck.errors import PairError, about
from grindcheck.figures import STATION_MM, Common, Key, Layout, meets_plunge
from grindcheck.geometry import Array, Rigid, frozen, turn
from grindcheck.grindlines import GrindLines
from grindcheck.lensstore import lens_name
from grindcheck.mat.finding import MatView
from grindcheck.oneprint import of_one_print
from grindcheck.outline import Outline, require_rim, straight_part
from grindcheck.photo import Photo
from grindcheck.placing import Shape, Sighting, Stance, common_errors, place, sight, thinned
from grindcheck.plunge import Line
from grindcheck.printscale import PrintScale
from grindcheck.rectify import picture_of, plane_over
from grindcheck.registration import FEWEST_POINTS, Known, Match, Registration, register
from grindcheck.results import Comparison, FaceFigures, Figure, Unit
from grindcheck.shown import Shown, shown
from grindcheck.silhouette import Side

SIDES: tuple[Side, Side] = ("left", "right")
_RICASSO_MM = 6.0  # of the rim behind the plunge that takes part in the registration
_UNLIKE_MM = 0.5  # rms beyond which two outlines aren't one blade's
_DOUBTFUL_MM = 0.12
_LEAST_FIT = 0.5  # share of the rim that must fit: tape, burr and fingers may hide the rest
_LEAST_FIT_GREY = 0.75  # where no tint tells blade from shadow, only the other face's outline does
_FITS_MM = 0.05  # misfit below which there is no reason to ask whether other corners were seen
_CORNER_GAIN = 0.6  # share of the misfit that other corners must leave to be believed
_REJECTED_MM = 0.1  # what a point that was left out counts when corners are chosen
_STRETCH_SIGMAS = 4.0
_PICTURE_STEP_MM = 0.08
_BEFORE_PLUNGE_MM = 4.0  # where the bevel has its full height, clear of the belt's edge
_BELLY_MM = 0.2  # of the edge off its straight part, where the belly starts


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """One photo and all that was found in it."""

    photo: Photo
    mat: MatView
    camera: Camera
    outline: Outline
    lines: GrindLines


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertain:
    """Standard uncertainties of what the user tells and of how well lines are placed.

    Parameters
    ----------
    thickness_mm, height_mm, edge_mm : float
        Calliper on stock; blade not quite flat on the paper; edge before sharpening.
    line_px : float
        Bias of a traced line that its own scatter doesn't show, in pixels: halo, tone curve and blend.
    rim_mm : float
        Of the common edge beside a station.
    tip_mm : float
        Of the tip along the blade.
    """

    thickness_mm: float = 0.03
    height_mm: float = 0.1
    edge_mm: float = 0.05
    line_px: float = 0.2
    rim_mm: float = 0.015
    tip_mm: float = 0.08


@dataclass(frozen=True, slots=True, kw_only=True)
class InPhoto:
    """What was found, in the photo of one face.

    Parameters
    ----------
    size_px : (int, int)
        Width and height of the upright photo.
    plunge_px, shoulder_px : ndarray, shape (N, 2)
        Empty where there is none.
    picture : Shown
        How the face's picture in the blade frame follows from the photo.
    """

    size_px: tuple[int, int]
    plunge_px: Array
    shoulder_px: Array
    picture: Shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """What a picture of the comparison needs.

    Parameters
    ----------
    faces : dict of side to ndarray of uint8, shape (rows, columns, 3)
        BGR pictures in the blade frame, both on the same grid: tip right, edge down.
    x_mm, y_mm : (float, float)
        Extent of the grid, centres of the first and last pixel.
    step_mm : float
    outline_mm, plunge_mm, shoulder_mm : dict of side to ndarray, shape (N, 2)
        Blade frame.
    views : dict of side to InPhoto
    """

    faces: dict[Side, NDArray[np.uint8]]
    x_mm: tuple[float, float]
    y_mm: tuple[float, float]
    step_mm: float
    outline_mm: dict[Side, Array]
    plunge_mm: dict[Side, Array]
    shoulder_mm: dict[Side, Array]
    views: dict[Side, InPhoto] = field(default_factory=dict)


def compare(
    views: dict[Side, View],
    stance: Stance,
    scale: PrintScale,
    *,
    uncertain: Uncertain | None = None,
    flags: tuple[str, ...] = (),
) -> Comparison:
    """Compare the two faces.

    Parameters
    ----------
    views : dict of side to View
    stance : Stance
    scale : PrintScale
        As used in the cameras.
    uncertain : Uncertain, optional
    flags : tuple of str
        Reservations about the pair found earlier.

    Returns
    -------
    Comparison

    Raises
    ------
    PairError
        If the two outlines aren't those of one blade.
    """
    uncertain = uncertain or Uncertain()
    shared = _one_print(views)
    scene = _scene(views, stance, shared or {side: view.camera for side, view in views.items()})
    found = list(flags)
    tinted = not any("grey_print" in view.lines.flags for view in views.values())
    _check_outlines(scene.registration, found, tinted=tinted)
    knowns = _knowns(views, scene, scale, uncertain, one_print=shared is not None)
    figures = propagate(scene, knowns)
    common = scene.common()
    faces = {side: _face(views[side], figures, common, side, scene.layout.labels) for side in SIDES}
    if not scale.measured:
        found.append("print_scale_unmeasured")
    if not scene.layout.spine.any():
        found.append("curved_spine")
    return Comparison(
        left=faces["left"],
        right=faces["right"],
        differences=_differences(figures, scene.layout, side_unsure="edge_side_unsure" in flags),
        thickness_mm=stance.thickness_mm,
        height_mm=stance.height_mm,
        edge_mm=stance.edge_mm,
        outline_rms_mm=scene.registration.rms_mm,
        print_scale={"x": scale.x, "y": scale.y, "std": scale.std, "measured": scale.measured},
        flags=tuple(dict.fromkeys(found)),
        drawing=_drawing(views, common, scene),
    )


def outlines_agree(one: Outline, other: Outline) -> float:
    """Rms distance in mm of two outlines laid onto each other in their face frames, where they overlap.

    Large when edge and spine of one are exchanged, or when they are of two blades.

    Raises
    ------
    BladeError
        If hardly anything of an outline is seen there.
    """
    reach = max(float(one.points_mm[:, 0].min()), float(other.points_mm[:, 0].min()), -120.0)
    parts = [outline.points_mm[outline.points_mm[:, 0] > 0.7 * reach] for outline in (one, other)]
    for part in parts:
        require_rim(len(part[::2]), FEWEST_POINTS)
    start = Rigid(angle_rad=0.0, shift=frozen(one.tip_mm - other.tip_mm))
    found, _ = register(parts[1][::2], parts[0][::2], start=start)
    return found.rms_mm + 2.0 * max(0.7 - found.used, 0.0)


def _one_print(views: dict[Side, View]) -> dict[Side, Camera] | None:
    """Both cameras, each knowing what the other's photo tells of the sheet; None if of two sheets."""
    left, right = (views[side] for side in SIDES)
    if left.mat.spec.paper != right.mat.spec.paper:
        return None
    found = of_one_print(left.camera, right.camera)
    return None if found is None else dict(zip(SIDES, found, strict=True))


def _scene(views: dict[Side, View], stance: Stance, cameras: dict[Side, Camera]) -> Scene:
    sightings: dict[Side, Sighting] = {}
    for side, view in views.items():
        # traced through the camera as the photo alone told it, seen through the better one
        whole = replace(sight(view.outline, view.lines, view.camera, stance), camera=cameras[side])
        keep = view.outline.points_mm[:, 0] > _from(view)
        keep &= np.arange(len(keep)) % 2 == 0
        with about(view.photo.name):
            require_rim(int(keep.sum()), FEWEST_POINTS)
        sightings[side] = thinned(whole, keep)
    start = Rigid(angle_rad=0.0, shift=frozen(views["left"].outline.tip_mm - views["right"].outline.tip_mm))
    sightings, registration, match = _registered(sightings, stance, start)
    shapes = {side: place(seen, stance) for side, seen in sightings.items()}
    right_outline = registration.fixed_from_moving(shapes["right"].outline_mm)
    spine = _spine(shapes["left"].outline_mm, sightings["left"])
    spine_right = _spine(right_outline, sightings["right"])
    if not (spine.any() and spine_right.any()):
        spine, spine_right = np.zeros_like(spine), np.zeros_like(spine_right)
    reach = -min(float(shape.outline_mm[:, 0].min()) for shape in shapes.values())
    labels = _named_stations(views["left"])
    stations = np.unique(np.concatenate([np.arange(STATION_MM, reach, STATION_MM), list(labels)]))
    layout = Layout(
        match=match,
        right_to_left=registration.fixed_from_moving,
        spine=spine,
        spine_right=spine_right,
        stations_mm=stations,
        labels=labels,
        has_plunge=_both(lambda side: views[side].lines.plunge is not None),
        has_shoulder=_both(lambda side: views[side].lines.shoulder is not None),
        meets=_both(lambda side: meets_plunge(shapes[side].shoulder_mm, shapes[side].plunge_mm)),
        full_flat=all(view.lines.full_flat for view in views.values()),
    )
    return Scene(
        sightings=sightings, tips_px={side: _tip_px(view) for side, view in views.items()}, stance=stance,
        registration=registration, layout=layout, cameras=cameras,
    )  # fmt: skip


def _named_stations(view: View) -> dict[float, str]:
    """Stations a maker would choose: before the plunge, half-way to the tip, where the belly starts."""
    if view.lines.plunge is None:
        return {}
    tip = float(view.outline.tip_mm[0])
    plunge = tip - float(view.lines.plunge.points_mm[:, 0].max())
    edge = view.outline.points_mm[view.outline.is_edge]
    edge = edge[edge[:, 0] > tip - plunge]
    straight = straight_part(edge, within_mm=_BELLY_MM) if len(edge) > 20 else np.zeros(0, dtype=np.bool_)
    places = {plunge - _BEFORE_PLUNGE_MM: "plunge", plunge / 2: "middle"}
    if straight.any():
        places[tip - float(edge[straight, 0].max())] = "belly"
    return {round(place, 1): name for place, name in places.items() if 5.0 < place < plunge - 2.0}


def _registered(
    sightings: dict[Side, Sighting], stance: Stance, start: Rigid
) -> tuple[dict[Side, Sighting], Registration, Match]:
    """Register the outlines; where walls are seen, with the corners that make them fit each other best."""
    best = _try_corners(sightings, stance, start, (False, False))
    for lower in ((True, False), (False, True), (True, True)):
        if _misfit(best[1]) < _FITS_MM:
            break
        other = _try_corners(sightings, stance, start, lower)
        if _misfit(other[1]) < _CORNER_GAIN * _misfit(best[1]):
            best = other
    return best


def _misfit(registration: Registration) -> float:
    """Rms that counts what was left out, which may be a whole rim put at the wrong corner."""
    return float(
        np.sqrt(registration.used * registration.rms_mm**2 + (1 - registration.used) * _REJECTED_MM**2)
    )


def _try_corners(
    sightings: dict[Side, Sighting], stance: Stance, start: Rigid, lower: tuple[bool, bool]
) -> tuple[dict[Side, Sighting], Registration, Match]:
    tried = {side: replace(sightings[side], lower_rim=rim) for side, rim in zip(SIDES, lower, strict=True)}
    shapes = {side: place(seen, stance) for side, seen in tried.items()}
    found, match = register(
        shapes["right"].outline_mm,
        shapes["left"].outline_mm,
        start=start,
        known=_known(tried, shapes, stance),
    )
    return tried, found, match


def _known(sightings: dict[Side, Sighting], shapes: dict[Side, Shape], stance: Stance) -> Known:
    """How well the right outline, which moves, and the left one are known."""
    right, left = sightings["right"], sightings["left"]
    (own_right, blade_right), (own_left, blade_left) = (
        common_errors(sightings[side], shapes[side], stance) for side in ("right", "left")
    )
    return Known(
        std=(right.point_std_mm, left.point_std_mm),
        common=(
            np.concatenate([own_right, np.zeros((len(own_left), *own_right.shape[1:])), blade_right]),
            np.concatenate([np.zeros((len(own_right), *own_left.shape[1:])), own_left, blade_left]),
        ),
    )


def _both(test: Any) -> tuple[bool, bool]:
    return bool(test("left")), bool(test("right"))


def _from(view: View) -> float:
    """Face x from which the outline takes part: a little of the ricasso, or the whole blade."""
    if view.lines.plunge is not None:
        return float(view.lines.plunge.points_mm[:, 0].min()) - _RICASSO_MM
    return 0.6 * float(view.outline.points_mm[:, 0].min())


def _tip_px(view: View) -> Array:
    plane = view.outline.face.plane
    at = plane.mat_from_grid(view.outline.tip_mm[None])
    return frozen(view.camera.px_from_mm(np.column_stack([at, [[plane.height_mm]]]))[0])


def _spine(outline: Array, sighting: Sighting) -> NDArray[np.bool_]:
    chosen = np.zeros(len(outline), dtype=np.bool_)
    spine = ~sighting.is_edge
    chosen[spine] = straight_part(outline[spine], within_mm=0.06)
    return chosen


def _check_outlines(registration: Registration, flags: list[str], *, tinted: bool = True) -> None:
    fits = _LEAST_FIT if tinted else _LEAST_FIT_GREY
    if registration.rms_mm > _UNLIKE_MM or registration.used < fits:
        raise PairError(
            f"The two outlines don't lie on each other: {registration.rms_mm:.2f} mm rms, "
            f"{registration.used:.0%} of the rim fits.",
            advice="Give two photos of the two faces of one blade; check that it isn't bent and lies flat."
            if tinted
            else "Print the mat in colour: on grey, blade and shadow look alike.",
        )
    if registration.rms_mm > _DOUBTFUL_MM:
        flags.append("outlines_differ")
    if abs(registration.stretch) > max(_STRETCH_SIGMAS * registration.stretch_std, 0.002):
        flags.append("outlines_scale")


def _knowns(
    views: dict[Side, View], scene: Scene, scale: PrintScale, uncertain: Uncertain, *, one_print: bool
) -> Knowns:
    keys = {view.photo.lens_key for view in views.values()}
    lenses = {lens_name(view.photo) for view in views.values()}
    bias = {side: uncertain.line_px * views[side].outline.face.plane.step_mm for side in SIDES}

    def line(side: Side, name: str) -> Any:
        return getattr(views[side].lines, name)

    return Knowns(
        thickness_std_mm=uncertain.thickness_mm,
        height_std_mm=uncertain.height_mm,
        edge_std_mm=uncertain.edge_mm,
        print_std=scale.std,
        one_print=one_print,
        focal_shared=len(keys) == 1 and "" not in keys,
        focal_std=(_focal_std(views["left"].photo), _focal_std(views["right"].photo)),
        lens_shared=len(lenses) == 1 and "" not in lenses,
        plunge_shift_mm={
            side: float(np.hypot(line(side, "plunge").shift_std_mm, bias[side]))
            for side in SIDES
            if line(side, "plunge")
        },
        plunge_turn_rad={
            side: _turn_std(line(side, "plunge"), bias[side]) for side in SIDES if line(side, "plunge")
        },
        shoulder_shift_mm={side: bias[side] for side in SIDES if line(side, "shoulder")},
        shoulder_local_mm={
            side: _point_std(line(side, "shoulder")) for side in SIDES if line(side, "shoulder")
        },
        rim_local_mm=uncertain.rim_mm,
        rim_shift_mm=_edge_std(scene.sightings),
        tip_mm=uncertain.tip_mm,
    )


def _edge_std(sightings: dict[Side, Sighting]) -> float:
    """Of the whole edge, the mean of both photos' own: where a wall shows, a rim may lie anywhere on it."""
    left, right = (float(np.median(seen.outline_std_mm[seen.is_edge])) for seen in sightings.values())
    return float(np.hypot(left, right)) / 2


def _turn_std(line: Line, bias_mm: float) -> float:
    """Of a line's direction: its own, and a bias that isn't the same at both ends."""
    reach = max(float(np.ptp(line.points_mm[:, 1])), 1.0)
    return float(np.hypot(line.turn_std_rad, np.sqrt(2) * bias_mm / reach))


def _point_std(line: Line) -> Array:
    return np.asarray(line.std_mm if line.std_mm is not None else line.shift_std_mm)


def _focal_std(photo: Photo) -> float:
    return photo.focal_rel_std if photo.focal_rel_std is not None else 0.5


def _figure(key: Key, number: Any, labels: dict[float, str] | None = None) -> Figure:
    unit: Unit = "rad" if key[0].endswith("angle") else "mm"
    parts: dict[str, float] = {}
    for variable, size in number.error_components().items():
        if variable.tag and size > 0:
            parts[variable.tag] = float(np.hypot(parts.get(variable.tag, 0.0), size))
    return Figure(
        quantity=key[0], station_mm=key[1], value=float(number.nominal_value), std=float(number.std_dev),
        unit=unit, components=dict(sorted(parts.items())),
        label=labels.get(key[1], "") if labels and key[1] is not None else "",
    )  # fmt: skip


def _differences(figures: Figures, layout: Layout, *, side_unsure: bool = False) -> tuple[Figure, ...]:
    """Left minus right; where the two may be exchanged, U reaches as far as the opposite sign."""
    from uncertainties import ufloat

    out = []
    for key, value in figures["left"].items():
        if (
            key not in figures["right"]
            or key[0] == "bevel_angle"
            or (layout.full_flat and key[0] == "bevel_height")
        ):
            continue
        difference = value - figures["right"][key]
        if side_unsure:
            difference += abs(difference.nominal_value) * ufloat(0.0, 1.0, tag="which face")
        out.append(_figure(key, difference, layout.labels))
    return tuple(out)


def _face(view: View, figures: Figures, common: Common, side: Side, labels: dict[float, str]) -> FaceFigures:
    made = {key: _figure(key, number, labels) for key, number in figures[side].items()}
    lines = view.lines
    plunge = {key[0].split(".")[1]: figure for key, figure in made.items() if key[0].startswith("plunge.")}
    if lines.plunge is not None and lines.plunge.width_mm > 0:
        std = 0.25 * lines.plunge.width_mm + view.outline.face.plane.step_mm
        plunge["transition"] = Figure(
            quantity="plunge.transition", station_mm=None, value=lines.plunge.width_mm, std=std, unit="mm",
            components={"line": std},
        )  # fmt: skip
    return FaceFigures(
        side=side,
        photo_name=view.photo.name,
        photo_sha256=view.photo.sha256,
        grind=lines.grind,
        full_flat=lines.full_flat,
        plunge=plunge,
        bevel_height=tuple(figure for key, figure in made.items() if key[0] == "bevel_height"),
        bevel_angle=tuple(figure for key, figure in made.items() if key[0] == "bevel_angle"),
        waviness=_waviness(common.shoulder_mm[side]) if lines.shoulder else None,
        confidence={
            name: line.confidence
            for name, line in (("plunge", lines.plunge), ("shoulder", lines.shoulder))
            if line is not None
        },
        by_hand=tuple(
            name
            for name, line in (("plunge", lines.plunge), ("shoulder", lines.shoulder))
            if line and line.by_hand
        ),
        camera=_camera(view),
        paper=view.mat.spec.paper,
        flags=tuple(dict.fromkeys(view.photo.flags + view.mat.flags + view.camera.flags + lines.flags)),
    )


def _waviness(shoulder: Array) -> Figure | None:
    """Rms of the shoulder about a cubic, the curve a steady hand grinds."""
    if len(shoulder) < 40:
        return None
    x, y = shoulder[: len(shoulder) * 3 // 4].T
    curve = np.polynomial.Polynomial.fit(x, y, 3)
    residual = y - curve(x)
    rms = float(np.sqrt(np.mean(residual**2)))
    std = rms / np.sqrt(max(len(x) / 25.0, 2.0))
    return Figure(
        quantity="shoulder.waviness", station_mm=None, value=rms, std=std, unit="mm", components={"line": std}
    )


def _camera(view: View) -> dict[str, float]:
    camera, mat = view.camera, view.mat
    return {
        "focal_px": camera.focal_px,
        "tilt_rad": camera.tilt_rad,
        "distance_mm": camera.distance_mm,
        "rms_px": camera.rms_px,
        "largest_px": camera.largest_px,
        "markers_seen": float(mat.markers_seen),
        "markers_expected": float(mat.markers_expected),
        "crossings": float(len(mat.corner_px)),
        "blur_px": mat.blur_px,
        "halo": mat.halo,
        "clipped": mat.clipped,
        "mm_per_px": view.outline.face.plane.step_mm,
    }


def _drawing(views: dict[Side, View], common: Common, scene: Scene) -> Drawing:
    x_mm = (float(common.outline_mm[:, 0].min()) - 3.0, 3.0)
    y_mm = (float(common.outline_mm[:, 1].min()) - 3.0, float(common.outline_mm[:, 1].max()) + 3.0)
    faces: dict[Side, NDArray[np.uint8]] = {}
    seen: dict[Side, InPhoto] = {}
    motions: dict[Side, Rigid] = {"left": common.blade_from_left, "right": common.blade_from_right}
    for side, motion in motions.items():
        view, face = views[side], views[side].outline.face.plane
        plane = plane_over(
            origin_mm=face.mat_from_grid(motion.inverse()(np.zeros((1, 2))))[0],
            axes=face.axes @ turn(-motion.angle_rad), x_mm=x_mm, y_mm=y_mm,
            step_mm=_PICTURE_STEP_MM, height_mm=face.height_mm,
        )  # fmt: skip
        faces[side] = picture_of(view.photo, scene.cameras[side], plane)
        height, width = view.photo.bgr.shape[:2]
        sighting = scene.sightings[side]
        seen[side] = InPhoto(
            size_px=(width, height), plunge_px=sighting.plunge_px, shoulder_px=sighting.shoulder_px,
            picture=shown(view.photo, scene.cameras[side], plane),
        )  # fmt: skip
    rows, columns = plane.shape
    return Drawing(
        faces=faces,
        x_mm=(x_mm[0], x_mm[0] + (columns - 1) * _PICTURE_STEP_MM),
        y_mm=(y_mm[1] - (rows - 1) * _PICTURE_STEP_MM, y_mm[1]),
        step_mm=_PICTURE_STEP_MM,
        outline_mm={
            "left": common.blade_from_left(views["left"].outline.points_mm),
            "right": common.blade_from_right(views["right"].outline.points_mm),
        },
        plunge_mm=dict(common.plunge_mm),
        shoulder_mm=dict(common.shoulder_mm),
        views=seen,
    )
