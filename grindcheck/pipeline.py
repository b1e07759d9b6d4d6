"""The order of the steps: photo, mat, camera, blade, outline, lines, comparison."""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol, TypeVar

import numpy as np

from grindcheck.camera import Camera, solve_camera
from grindcheck.compare import Uncertain, View, compare, outlines_agree
from grindcheck.errors import InputError, OutputError, PairError, about
from grindcheck.geometry import Array
from grindcheck.grindlines import (
    SEEN,
    SURE_ODDS,
    check_grind,
    choose_plunges,
    compare_plunges,
    doubted,
    not_told,
    reaches_spine,
    require_lines,
    rival_plunges,
    runs_out,
    survey,
    trace_lines,
    trace_plunge_of,
    trace_shoulder_of,
    unlike_shoulders,
    with_flags,
)
from grindcheck.lensstore import KnownLens, find_lens, lens_name
from grindcheck.mat.finding import MatView, find_mat
from grindcheck.outline import Outline, trace_outline, turned_over
from grindcheck.photo import Photo, read_photo
from grindcheck.placing import Stance
from grindcheck.printscale import PrintScale, load_print_scale, print_scale
from grindcheck.results import Comparison
from grindcheck.silhouette import Side, Silhouette, find_blade
from grindcheck.threads import small_matrices

_AGREE_MM = 0.45  # rms of two outlines of one blade before each part is put at its own height
_CLOSE_MM = 0.15  # below, there is no reason to try whether edge and spine of one are exchanged
_TURN_GAIN = 0.5  # share of the rms that turning one over must leave to be believed
_UNSURE_ODDS = 0.7
_BLADE_SHARE = 0.4  # of what is seen from the tip that is surely blade, not handle
_CEILING = 0.95  # linear; clipped, but for noise and compression
_BLOWN_SHARE = 0.25  # of the blade at the ceiling: lines in there are lost
_DARK = 0.02  # median linear level, stored value 39 of 255, below which noise and compression hide lines
_STEEP_RAD = np.deg2rad(15.0)

STEPS = (
    "Finding mat and blade",
    "Telling left from right",
    "Tracing plunge and shoulder",
    "Comparing the faces",
)
"""Of `check_pair`, in their order."""

_Of = TypeVar("_Of")
_Done = TypeVar("_Done")

Progress = Callable[[str], None]
"""Is told each step as it begins."""


class Sheet(Protocol):
    """What a request says of sheet and lens: the paper that must be seen, what its bars read, a kept lens."""

    @property
    def paper(self) -> str | None:
        """The mat that must be seen."""

    @property
    def bar_x_mm(self) -> float | None:
        """Calliper reading of the long bar."""

    @property
    def bar_y_mm(self) -> float | None:
        """Calliper reading of the short bar."""

    @property
    def kept_lens(self) -> bool:
        """Whether a calibrated lens is used, if one is kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What the user asks for.

    Parameters
    ----------
    photos : (Path, Path)
        One of each face, in any order.
    thickness_mm : float
        Stock thickness.
    height_mm : float, optional
        Height of the upper flat above the paper; default: the thickness.
    edge_mm : float
        Edge thickness before sharpening.
    paper : str, optional
        The mat that must be seen.
    bar_x_mm, bar_y_mm : float, optional
        Calliper readings of the mat's bars for this run.
    grind : str, optional
    faces : (side, side), optional
        What each photo shows, when the user says so; default: told from tip and edge.
    hand_lines : mapping of str to sequence of float
        ``plunge-left``, ``plunge-right``, ``shoulder-left``, ``shoulder-right``: x1, y1, x2, y2 … in pixels
        of the upright photo.
    kept_lens : bool
        Use the phone's lens as it was calibrated, if one is kept.
    """

    photos: tuple[Path, Path]
    thickness_mm: float
    height_mm: float | None = None
    edge_mm: float = 0.5
    paper: str | None = None
    bar_x_mm: float | None = None
    bar_y_mm: float | None = None
    grind: str | None = None
    faces: tuple[Side, Side] | None = None
    hand_lines: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    uncertain: Uncertain = field(default_factory=Uncertain)
    kept_lens: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One photo up to its outline, and the reservations so far."""

    photo: Photo
    mat: MatView
    camera: Camera
    outline: Outline
    scale: PrintScale
    flags: tuple[str, ...]


def untold(step: str) -> None:
    """Tell nobody: the `Progress` of who doesn't ask."""


@small_matrices()
def check_pair(request: Request, *, progress: Progress = untold) -> Comparison:
    """Measure both faces and compare them.

    Parameters
    ----------
    request : Request
    progress : callable, optional

    Returns
    -------
    Comparison

    Raises
    ------
    GrindcheckError
        If a photo can't be used or the two don't belong together.
    """
    grind = check_grind(request.grind)
    stance = stance_of(request.thickness_mm, request.height_mm, request.edge_mm)
    progress(STEPS[0])
    seen = _both(lambda path: see(path, request, stance), request.photos)
    progress(STEPS[1])
    faces, flags = tell_faces(seen[0], seen[1], given=request.faces)
    progress(STEPS[2])
    surveys = _each_side(lambda side: survey(faces[side].outline))
    left, right = choose_plunges(surveys["left"], surveys["right"])
    chosen = {"left": left, "right": right}
    # so many small steps that two threads would only wait for each other
    plunges = {side: trace_plunge_of(surveys[side], chosen[side]) for side in surveys}
    plunges = {
        "left": compare_plunges(surveys["left"], plunges["left"], surveys["right"], plunges["right"]),
        "right": compare_plunges(surveys["right"], plunges["right"], surveys["left"], plunges["left"]),
    }
    shoulders = _each_side(lambda side: trace_shoulder_of(surveys[side], plunges[side]))
    odds = sum(reaches_spine(surveys[side], chosen[side], plunges[side], shoulders[side]) for side in surveys)
    full_flat = grind == "full flat" if grind else odds > 0
    doubtful = not grind and abs(odds) < SURE_ODDS
    unseen = full_flat or not any(line and line.confidence >= SEEN for line in shoulders.values())
    # how high a plunge runs, and what its shoulder is, hang on the grind
    if doubtful or (unseen and rival_plunges(surveys["left"], surveys["right"], (left, right))):
        plunges = {side: doubted(line) for side, line in plunges.items()}
    if full_flat and runs_out(plunges.values()):
        chosen, plunges = {"left": None, "right": None}, {"left": None, "right": None}
    if doubtful or unlike_shoulders(surveys["left"], shoulders["left"], surveys["right"], shoulders["right"]):
        shoulders = {side: not_told(line) for side, line in shoulders.items()}
    if doubtful:
        flags = (*flags, "grind_unsure")
    views: dict[Side, View] = {}
    for side, face in faces.items():
        hand = _by_hand(request, face, side)
        lines = trace_lines(
            surveys[side],
            chosen[side],
            plunges[side],
            shoulder_line=shoulders[side],
            full_flat=full_flat,
            grind=grind,
            by_hand=hand,
        )
        with about(face.photo.name):
            require_lines(lines)
        lines = with_flags(lines, face.flags)
        views[side] = View(
            photo=face.photo, mat=face.mat, camera=face.camera, outline=face.outline, lines=lines
        )
    progress(STEPS[3])
    return compare(views, stance, faces["left"].scale, uncertain=request.uncertain, flags=flags)


def _both(work: Callable[[_Of], _Done], each: Sequence[_Of]) -> list[_Done]:
    """Do the same for two things at once, in their order."""
    with ThreadPoolExecutor(max_workers=2) as pool:
        return list(pool.map(work, each))


def _each_side(work: Callable[[Side], _Done]) -> dict[Side, _Done]:
    """Do the same for both faces at once."""
    sides: tuple[Side, Side] = ("left", "right")
    return dict(zip(sides, _both(work, sides), strict=True))


def see(path: Path, request: Request, stance: Stance) -> Seen:
    """Take one photo from its file up to its outline."""
    return look_at(read_photo(path), request, stance)


def look_at(photo: Photo, sheet: Sheet, stance: Stance, *, mat: MatView | None = None) -> Seen:
    """Take one photo up to its outline; `mat` if it is found already."""
    with about(photo.name):
        if mat is None:
            mat = find_mat(photo, paper=sheet.paper)
        scale = _scale(mat.spec.paper, sheet)
        lens, doubts = _calibrated(photo) if sheet.kept_lens else (None, ())
        camera = solve_camera(mat, photo, scale=(scale.x, scale.y), scale_std=scale.std, lens=lens)
        rough = find_blade(photo, camera, mat.spec, height_mm=stance.height_mm)
        outline = trace_outline(photo, mat, camera, rough)
    flags = (*doubts, *_doubts(camera, rough))
    return Seen(photo=photo, mat=mat, camera=camera, outline=outline, scale=scale, flags=flags)


def _calibrated(photo: Photo) -> tuple[KnownLens | None, tuple[str, ...]]:
    """Return the photo's lens as it was calibrated, and a reservation where that can't be read.

    A calibration only makes U smaller, so a damaged file of them stops no check.
    """
    try:
        return find_lens(lens_name(photo)), ()
    except OutputError:
        return None, ("lenses_unreadable",)


def tell_faces(
    one: Seen, other: Seen, *, given: tuple[Side, Side] | None = None
) -> tuple[dict[Side, Seen], tuple[str, ...]]:
    """Tell left from right, and check that it is one blade's two faces.

    Parameters
    ----------
    one, other : Seen
    given : (side, side), optional
        What the user says that they show.

    Returns
    -------
    dict of side to Seen
        Left first, whatever the order of the photos.
    tuple of str
        Reservations about the pair.

    Raises
    ------
    PairError
        If it is one face twice, or two blades.

    Notes
    -----
    In the face frame both outlines look alike. If they do only with edge and spine of one exchanged, the
    less sure one was told wrongly, and its log odds count against the other's. Who says which face is which
    is believed; only if neither outline agrees with that, a slip of the order is likely enough for a
    reservation.
    """
    names = f"{one.photo.name} and {other.photo.name}"
    if one.photo.sha256 == other.photo.sha256:
        raise PairError(
            f"{names} are the same photo.",
            advice="Give one photo of each face: turn the blade over about its long axis for the second.",
        )
    flags: list[str] = []
    if given is not None:
        if given[0] != one.outline.side and given[1] != other.outline.side:
            flags.append("edge_side_unsure")
        one, other = (showing(seen, side) for seen, side in zip((one, other), given, strict=True))
    # an order of their own, so that the user's order of the photos changes no digit
    one, other = sorted((one, other), key=lambda seen: seen.photo.sha256)
    apart = outlines_agree(one.outline, other.outline)
    if apart > _CLOSE_MM or one.outline.side == other.outline.side:
        tried = _less_sure_turned(one, other)
        turned = outlines_agree(tried[0].outline, tried[1].outline)
        if turned < _TURN_GAIN * apart and given is not None:
            raise PairError(
                f"{names} show one face: their outlines fit only with edge and spine of one exchanged "
                f"({turned:.2f} mm rms against {apart:.2f} mm).",
                advice="Turn the blade over and photograph the other face, or correct --faces.",
            )
        if turned < _TURN_GAIN * apart:
            one, other = tried
            apart = turned
    if apart > 2 * _AGREE_MM:
        raise PairError(
            f"The outlines of {names} differ by {apart:.1f} mm: two blades, or one doesn't lie flat.",
            advice="Give two photos of the two faces of one blade, and check the thickness.",
        )
    if one.outline.side == other.outline.side:
        raise PairError(
            f"{names} both show the {one.outline.side} face.",
            advice="Turn the blade over about its long axis and photograph the other face; if it is told "
            "wrongly, say which photo shows which, as in --faces left,right.",
        )
    if given is None and one.outline.edge_odds + other.outline.edge_odds < 2 * _UNSURE_ODDS:
        flags.append("edge_side_unsure")
    tips = [seen.outline.face.plane.axes[:, 0] for seen in (one, other)]
    if float(tips[0] @ tips[1]) < 0:
        flags.append("turned_end_for_end")
    left, right = (one, other) if one.outline.side == "left" else (other, one)
    return {"left": left, "right": right}, tuple(dict.fromkeys(flags))


def showing(seen: Seen, side: Side) -> Seen:
    """Return what was seen as the face that it is said to be."""
    return seen if seen.outline.side == side else replace(seen, outline=turned_over(seen.outline))


def _less_sure_turned(one: Seen, other: Seen) -> tuple[Seen, Seen]:
    if one.outline.edge_odds < other.outline.edge_odds:
        return replace(one, outline=turned_over(one.outline)), other
    return one, replace(other, outline=turned_over(other.outline))


def _doubts(camera: Camera, rough: Silhouette) -> tuple[str, ...]:
    """Reservations that pose, print and light give rise to."""
    rows, columns = np.nonzero(rough.mask)
    at = rough.face.plane.grid_from_index(np.column_stack([columns, rows]))
    near = (rough.tip_mm - at) @ rough.along < _BLADE_SHARE * rough.length_mm
    steel = rough.face.linear[rows[near], columns[near]]
    found = {
        "tilted": camera.tilt_rad > _STEEP_RAD,
        "grey_print": not rough.tinted,
        "dark": float(np.median(steel.mean(axis=1))) < _DARK,
        "blown_out": float(np.mean(steel.max(axis=1) > _CEILING)) > _BLOWN_SHARE,
    }
    return tuple(name for name, so in found.items() if so)


def stance_of(thickness: float, height: float | None, edge: float) -> Stance:
    """Put together how a blade lies, from millimetres that are told; without a height the thickness is it.

    Raises
    ------
    InputError
        If they contradict each other.
    """
    height = height if height is not None else thickness
    if height < 0.9 * thickness:
        raise InputError(
            f"The flat's height {height:.2f} mm is below the stock thickness {thickness:.2f} mm.",
            advice="Give the height of the upper flat above the paper: stock plus one handle scale.",
        )
    if not 0.0 <= edge < thickness:
        raise InputError(
            f"The edge thickness {edge:.2f} mm isn't between 0 and the stock's {thickness:.2f} mm.",
            advice="Measure the edge before sharpening with a calliper; 0.5 mm is usual.",
        )
    return Stance(thickness_mm=thickness, height_mm=height, edge_mm=edge)


def _scale(paper: str, sheet: Sheet) -> PrintScale:
    if sheet.bar_x_mm is not None or sheet.bar_y_mm is not None:
        return print_scale(paper, sheet.bar_x_mm, sheet.bar_y_mm)
    return load_print_scale(paper)


def _by_hand(request: Request, seen: Seen, side: Side) -> dict[str, Array]:
    plane = seen.outline.face.plane
    out: dict[str, Array] = {}
    for name in ("plunge", "shoulder"):
        given = request.hand_lines.get(f"{name}-{side}")
        if given is None:
            continue
        if len(given) < 4 or len(given) % 2:
            raise InputError(
                f"The line {name}-{side} has {len(given)} numbers.",
                advice="Give pixel pairs of the upright photo, as in 1203,1410,1188,1745.",
            )
        px = np.asarray(given, dtype=np.float64).reshape(-1, 2)
        out[name] = plane.grid_from_mat(seen.camera.mm_from_px(px, plane.height_mm))
    return out
