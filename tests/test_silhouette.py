"""The rough shape of a drawn blade, wherever it lies, and what is no blade."""

import math
from dataclasses import replace

import numpy as np
import pytest
from drawn_blade import (
    HEIGHT_MM,
    LENGTH_MM,
    SPEC,
    blade,
    blade_photo,
    dense,
    empty_mat,
    ground,
    photo_from,
    placed,
    scene_camera,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from grindcheck import silhouette
from grindcheck.errors import BladeError
from grindcheck.geometry import Array
from grindcheck.photo import Photo
from grindcheck.silhouette import Silhouette, find_blade

TIP_MM = np.array([[0.0, 13.0]])


def found(photo: Photo) -> Silhouette:
    return find_blade(photo, scene_camera(), SPEC, height_mm=HEIGHT_MM)


def box(length_mm: float, width_mm: float) -> Array:
    """Corners of a rectangle about the mat's middle, counterclockwise."""
    half = np.array([length_mm, width_mm]) / 2
    return dense(half * [[-1, -1], [1, -1], [1, 1], [-1, 1]], 0.1)


@settings(max_examples=8, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(
    turn_deg=st.floats(-14, 14), reversed_tip=st.booleans(), left=st.booleans(), x=st.floats(-20, 20),
    y=st.floats(-20, 20),
)  # fmt: skip
def test_same_blade_wherever_it_lies(
    turn_deg: float, reversed_tip: bool, left: bool, x: float, y: float
) -> None:
    place = {
        "turn_rad": math.radians(turn_deg) + math.pi * reversed_tip, "at_mm": (x, y), "left": left
    }  # fmt: skip
    seen = found(blade_photo(placed(blade(), **place), bevel=ground(**place)))
    assert seen.side == ("left" if left else "right")  # as drawn: turned over about its long axis or not
    # opening by a disc of 5 × 0.25 mm loses a tip of 65° over (1/sin(32°) − 1) × 0.6 mm = 0.55 mm and a grid
    # step and a blur at most; the outline carries the rims on to the tip (`_LOST_MM`)
    tip = placed(TIP_MM, **place)[0]
    assert np.hypot(*(seen.tip_mm - tip)) < 1.5
    assert seen.length_mm == pytest.approx(LENGTH_MM, abs=2.0)  # as drawn, less the tip
    assert seen.width_mm == pytest.approx(25.0, abs=0.8)  # as drawn; its bounds are rounded to the grid
    assert seen.tinted


def test_grey_print_is_told_by_brightness() -> None:
    seen = found(blade_photo(placed(blade()), bevel=ground(), grey=True))
    assert not seen.tinted
    assert seen.side == "right"
    assert np.hypot(*(seen.tip_mm - placed(TIP_MM)[0])) < 1.5


@pytest.mark.parametrize("saturation", [0.0, 0.3])
def test_rows_are_compared_with_the_field_one_by_one(
    monkeypatch: pytest.MonkeyPatch, saturation: float
) -> None:
    rng = np.random.default_rng(5)
    shape = (130, 210)  # the last band of rows is a part of one
    level = np.outer(np.linspace(0.3, 0.5, shape[0]), np.linspace(1.0, 0.7, shape[1]))
    field = level[..., None] * (1 + saturation * np.array([1.0, 0.0, -1.0]))
    linear = (field * rng.normal(1.0, 0.02, (*shape, 3))).astype(np.float32)
    usable = np.ones(shape, dtype=np.bool_)
    banded, tinted = silhouette._unlikeness(linear, usable)
    monkeypatch.setattr(silhouette, "_BAND", shape[0])
    whole, _ = silhouette._unlikeness(linear, usable)
    assert tinted == (saturation > 0)  # as drawn
    np.testing.assert_array_equal(banded, whole)


def test_uneven_light_is_no_blade() -> None:
    place = {"turn_rad": 0.1, "at_mm": (5.0, 8.0)}
    falling = blade_photo(
        placed(blade(), **place), bevel=ground(**place), shade=lambda mm, off: 0.75 - mm[:, 1] / 240
    )
    even = blade_photo(placed(blade(), **place), bevel=ground(**place))
    one, other = found(falling), found(even)
    # light of 0.5 to 1 over the field moves the threshold by less than a grid step along the rim
    differing = np.count_nonzero(one.mask ^ other.mask)
    rim = 2 * (LENGTH_MM + 25.0) / one.face.plane.step_mm
    assert differing < rim


def test_turned_over_exchanges_edge_and_spine() -> None:
    seen = found(blade_photo(placed(blade()), bevel=ground()))
    other = seen.turned_over()
    assert (seen.side, other.side) == ("right", "left")
    assert np.array_equal(other.up, -seen.up)
    assert other.edge_odds == -seen.edge_odds
    assert other.turned_over().side == seen.side


def test_handle_over_the_frame() -> None:
    # the field is 225 mm long; 80 mm off the middle the tang's end lies 43 mm beyond its border
    place = {"at_mm": (-80.0, 0.0)}
    seen = found(blade_photo(placed(blade(), **place), bevel=ground(**place)))
    assert np.hypot(*(seen.tip_mm - placed(TIP_MM, **place)[0])) < 1.5
    assert seen.length_mm < LENGTH_MM - 30.0


@pytest.mark.parametrize(
    ("outline", "message"),
    [
        (None, r"No blade is seen on the mat's field"),
        (box(30.0, 8.0), r"30 mm long and not like a blade"),
        (
            dense(30 * np.array([[math.cos(t), math.sin(t)] for t in np.arange(0, 2 * math.pi, 0.05)]), 0.1),
            r"60 mm long and not like a blade",
        ),
        (box(280.0, 24.0), r"runs off the field at both ends"),
        (box(216.0, 124.0), r"of the field differs from its tint"),
    ],
    ids=["nothing", "short", "round", "off at both ends", "all covered"],
)
def test_what_is_no_blade(outline: Array | None, message: str) -> None:
    photo = photo_from(empty_mat()) if outline is None else blade_photo(outline)
    with pytest.raises(BladeError, match=message) as raised:
        found(photo)
    assert raised.value.advice


def test_a_print_at_96_percent_is_the_same_blade_in_smaller_millimetres() -> None:
    """The same photo, told that the mat came out 4 % smaller: the field ends where its print does."""
    camera = scene_camera()
    parameters = camera.parameters.copy()
    parameters[10:13] *= 0.96
    smaller = replace(camera.with_parameters(parameters), scale=(0.96, 0.96))
    photo = blade_photo(blade(), bevel=ground())
    plain = find_blade(photo, camera, SPEC, height_mm=HEIGHT_MM)
    seen = find_blade(photo, smaller, SPEC, height_mm=0.96 * HEIGHT_MM)
    assert seen.side == plain.side
    # the mask's grid of 0.25 mm falls otherwise
    assert seen.length_mm == pytest.approx(0.96 * plain.length_mm, abs=0.8)
    assert np.hypot(*(seen.tip_mm - 0.96 * plain.tip_mm)) < 0.8
