"""The outline against polygons drawn with a known blur."""

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest
from drawn_blade import (
    BLUR_PX,
    CORNERS_MM,
    HEIGHT_MM,
    SPEC,
    blade,
    blade_photo,
    dense,
    ground,
    out_of,
    placed,
    scene_camera,
)

from grindcheck.geometry import Array
from grindcheck.outline import Outline, straight_part, trace_outline, turned_over
from grindcheck.photo import Photo
from grindcheck.silhouette import find_blade

PLACES: list[dict[str, Any]] = [
    {},
    {"left": True, "turn_rad": 0.15, "at_mm": (10.0, -6.0)},
    {"turn_rad": math.pi + 0.1, "at_mm": (10.0, 3.0)},
]


def traced(photo: Photo) -> Outline:
    camera = scene_camera()
    rough = find_blade(photo, camera, SPEC, height_mm=HEIGHT_MM)
    view: Any = SimpleNamespace(blur_px=BLUR_PX)  # all that is asked of the mat here
    return trace_outline(photo, view, camera, rough)


def errors(outline: Outline, place: dict[str, Any]) -> tuple[Array, Array]:
    """Distance of the traced points from the drawn outline, outwards, and which of them are the edge's.

    Corners are left out: within 2 mm a straight normal doesn't see one side alone.
    """
    mat = outline.face.plane.mat_from_grid(outline.points_mm)
    drawn = dense(placed(blade(), **place), 0.02)
    if place.get("left"):
        drawn = drawn[::-1]  # mirrored, it is walked the other way
    corners = placed(CORNERS_MM, **place)
    away = np.hypot(*(mat[:, None] - corners[None]).transpose(2, 0, 1)).min(axis=1)
    return out_of(drawn, mat)[away > 2.0], outline.is_edge[away > 2.0]


@pytest.mark.parametrize("place", PLACES, ids=["tip right", "left face", "tip left"])
def test_rims_lie_where_they_were_drawn(place: dict[str, Any]) -> None:
    outline = traced(blade_photo(placed(blade(), **place), bevel=ground(**place)))
    off, is_edge = errors(outline, place)
    assert len(off) > 900  # 300 mm of rim, every 0.3 mm, less the corners and the tang's end
    # 0.13 mm a pixel, one grey level of noise over a step of about 60: σ√σ/step gives 0.003 mm a point;
    # 0.02 mm is the limit that the outline has to keep, on either rim and on both alike
    for part in (off[is_edge], off[~is_edge]):
        assert abs(np.median(part)) < 0.01
        assert np.quantile(np.abs(part), 0.95) < 0.02
    assert outline.side == ("left" if place.get("left") else "right")
    tip = outline.face.plane.mat_from_grid(outline.tip_mm[None])[0]
    # parabolas of 4 mm carried on over the blunt half millimetre
    assert np.hypot(*(tip - placed(CORNERS_MM[:1], **place)[0])) < 0.1


@pytest.mark.parametrize("place", PLACES, ids=["tip right", "left face", "tip left"])
@pytest.mark.parametrize("shadow", [0.0, 0.6])
def test_hue_stored_for_blocks_of_pixels(place: dict[str, Any], shadow: float) -> None:
    """The same as a phone's JPEG, 4:2:0: the coder's blur of the hue moves no rim by a sixth of a pixel."""
    exact = blade_photo(
        placed(blade(), **place),
        bevel=ground(**place),
        shade=lambda mm, off: 1 - shadow * np.exp(-off / 1.5),
    )
    stored = cv2.imencode(".jpg", exact.bgr, [cv2.IMWRITE_JPEG_QUALITY, 85])[1]
    photo = replace(exact, bgr=cv2.imdecode(stored, cv2.IMREAD_COLOR), coarse_hue=True)
    off, is_edge = errors(traced(photo), place)
    for part in (off[is_edge], off[~is_edge]):
        assert abs(np.median(part)) < 0.13 / 6
        assert np.quantile(np.abs(part), 0.95) < 0.06


@pytest.mark.parametrize(
    ("tip_of_it_mm", "aslant_deg"), [((-116, 14), -25), ((-116, 8), 25), ((-122, 14), 40)]
)
def test_a_finger_on_the_tang_turns_no_frame(tip_of_it_mm: tuple[float, float], aslant_deg: float) -> None:
    """A finger 18 mm wide holds the tang from the sheet's border on, longer than the spine is straight.

    The frame keeps to the blade within half a degree; it had turned by as much as the finger lies aslant.
    """
    photo = blade_photo(placed(blade()), bevel=ground())
    slant = math.radians(aslant_deg)
    at_mm = placed(np.array([tip_of_it_mm], dtype=float))[0]
    away_mm = at_mm - 120.0 * np.array([math.cos(slant), math.sin(slant)])
    ends = scene_camera().px_from_mm(np.array([[*at_mm, HEIGHT_MM], [*away_mm, HEIGHT_MM]]))
    first, last = (tuple(int(v) for v in np.rint(end)) for end in ends)
    shown = cv2.line(photo.bgr.copy(), first, last, (90, 115, 150), round(18.0 / 0.13))
    along = traced(replace(photo, bgr=shown)).face.plane.axes[:, 0]
    assert abs(math.degrees(math.atan2(along[1], along[0]))) < 0.5


def test_a_blown_highlight_is_known_to_move_the_rim() -> None:
    """Twice too bright: steel is white, and how bright it was isn't known. Half a pixel, more or less."""
    place = PLACES[0]
    photo = blade_photo(placed(blade(), **place), bevel=lambda mm: np.ones(len(mm), bool))
    light = np.clip((photo.bgr / 255.0) ** 2.2 * 2.6, 0.0, 1.0)
    outline = traced(replace(photo, bgr=np.rint(255.0 * light ** (1 / 2.2)).astype(np.uint8)))
    off, _ = errors(outline, place)
    assert np.median(outline.halo_mm) == pytest.approx(0.5 * outline.face.plane.step_mm)
    assert abs(np.median(off)) < float(np.median(outline.halo_mm))


def test_contact_shadow_does_not_move_the_rim() -> None:
    """Sixty per cent of the light missing beside the steel, back after 1.5 mm: hue tells, not brightness."""
    place = PLACES[1]
    clear = traced(blade_photo(placed(blade(), **place), bevel=ground(**place)))
    dark = traced(
        blade_photo(
            placed(blade(), **place),
            bevel=ground(**place),
            shade=lambda mm, off: 1 - 0.6 * np.exp(-off / 1.5),
        )
    )
    medians = [float(np.median(errors(outline, place)[0])) for outline in (clear, dark)]
    assert abs(medians[1] - medians[0]) < 0.005  # a twenty-fifth of a pixel
    assert abs(medians[1]) < 0.01


def test_shadow_on_one_side_only() -> None:
    """A lamp from one side: the shadow lies along one rim, and both must keep their place."""
    place = PLACES[0]
    lit = blade_photo(
        placed(blade(), **place),
        bevel=ground(**place),
        shade=lambda mm, off: np.where(mm[:, 1] < 0, 1 - 0.8 * np.exp(-off / 3.0), 1.0),
    )
    off, is_edge = errors(traced(lit), place)
    assert abs(np.median(off[is_edge])) < 0.02
    assert abs(np.median(off[~is_edge])) < 0.01


def test_std_covers_the_noise() -> None:
    """Two photos that differ by noise alone: their points differ by what the stated std says."""
    place = PLACES[0]
    chains = []
    for seed in (1, 2):
        outline = traced(blade_photo(placed(blade(), **place), bevel=ground(**place), noise=4.0, seed=seed))
        x = np.linspace(-95, -30, 200)
        std = outline.std_mm[outline.is_edge]
        chains.append((outline.rim_mm(x, edge=True), float(np.median(std))))
    apart = chains[0][0] - chains[1][0]
    stated = math.hypot(chains[0][1], chains[1][1])
    z = float(np.std(apart) / stated)
    # 65 mm hold 72 independent looks (points 0.3 mm apart, three pooled): their std is known to
    # 1/sqrt(2 × 72) = 8 %, four of which make 0.67 to 1.33; reading between two points averages them, which
    # leaves sqrt(2/3) at the least
    assert 0.67 * math.sqrt(2 / 3) < z < 1.33


def test_turned_over_twice_is_the_same() -> None:
    outline = traced(blade_photo(placed(blade()), bevel=ground()))
    other = turned_over(outline)
    assert (outline.side, other.side) == ("right", "left")
    back = turned_over(other)
    assert np.array_equal(back.points_mm, outline.points_mm)
    assert np.array_equal(back.is_edge, outline.is_edge)
    assert back.face.plane.y_max_mm == pytest.approx(outline.face.plane.y_max_mm)
    assert np.array_equal(back.face.linear, outline.face.linear)
    assert np.array_equal(back.lay.across, outline.lay.across)
    # the same steel at the same place of the paper
    here = outline.face.plane.mat_from_grid(outline.points_mm[:1])
    there = other.face.plane.mat_from_grid(other.points_mm[-1:])
    assert np.allclose(here, there, atol=1e-9)


def test_straight_part_of_a_bent_rim() -> None:
    x = np.arange(-120.0, 0.0, 0.3)
    drop = np.where(x > -40.0, -0.01 * (x + 40.0) ** 2, 0.0)
    spine = np.column_stack([x, 25.0 + 0.02 * x + drop])
    chosen = straight_part(spine, within_mm=0.06)
    assert chosen[x < -43.0].all()
    # the drop leaves the line by 0.06 mm after sqrt(0.06 / 0.01) = 2.4 mm; the fit may tilt by a little
    assert not chosen[x > -36.0].any()
    assert not straight_part(np.column_stack([x, 0.002 * (x + 60.0) ** 2]), within_mm=0.001).any()
