"""Finish checks made by hand, so that groups, verdict and report are tested without a photo.

The knife is invented: a petty with a 150 mm blade, flat along the blade, bevel ground across.
"""

from dataclasses import replace
from math import atan2, cos, hypot, radians, sin
from types import SimpleNamespace
from typing import Any

import numpy as np

from grindcheck.finish.groups import group_scratches
from grindcheck.finish.results import (
    Earlier,
    Excluded,
    Finish,
    FinishFace,
    Gone,
    RegionFinish,
    RegionLay,
    Scratch,
)

STEP_MM = 0.1
X0_MM, Y1_MM = -160.0, 30.0  # the picture's first pixel in the blade frame


def px(points_mm: Any) -> np.ndarray:
    """Pixels of the picture from blade mm."""
    points = np.asarray(points_mm, dtype=np.float64)
    return np.column_stack([(points[:, 0] - X0_MM) / STEP_MM, (Y1_MM - points[:, 1]) / STEP_MM])


def lay(symbol: str = "=", degrees: float | None = 0.0) -> RegionLay:
    return RegionLay(
        symbol=symbol,  # type: ignore[arg-type]
        direction_rad=None if degrees is None else radians(degrees),
        direction_std=0.0 if degrees is None else radians(0.3),
        spread_rad=radians(4.0),
        strength=0.1 if degrees is None else 0.9,
    )


def region(name: str = "flat", **changes: Any) -> RegionFinish:
    """Make a region of 20 cm² in which a scratch of 3 mm is found."""
    made = RegionFinish(
        name=name,
        area_mm2=2000.0,
        area_px=200_000,
        lay=lay() if name == "flat" else lay("⊥", 90.0),
        scratch_length_mm=0.0,
        per_cm2_mm=0.0,
        share=0.0,
        findable_px=30.0,
        findable_mm=3.0,
        findable_contrast=1.0,
        along_contrast=3.0,
    )
    return replace(made, **changes)


def scratch(
    number: int,
    start_mm: tuple[float, float] = (-80.0, 20.0),
    *,
    length_mm: float = 8.0,
    degrees: float = 40.0,
    name: str = "flat",
    **changes: Any,
) -> Scratch:
    """Make a straight bright scratch; `degrees` from the tip towards the spine."""
    turn = radians(degrees)
    end = (start_mm[0] + length_mm * cos(turn), start_mm[1] + length_mm * sin(turn))
    path_mm = np.array([start_mm, end])
    to_lay = abs((degrees - (0 if name == "flat" else 90) + 90) % 180 - 90)
    points = np.array(path_mm)
    made = Scratch(
        number=number,
        path_px=px(path_mm),
        path_mm=path_mm,
        length_px=length_mm / STEP_MM,
        length_mm=length_mm,
        ends_std_mm=0.1,
        width_mm=None,
        width_px=1.0,
        contrast=2.5,
        tone="bright",
        angle_rad=turn,
        lay_angle_rad=radians(to_lay),
        along_lay=to_lay < 10,
        region=name,
        log_nfa=-8.0,
        certainty=0.999,
        ends_mm=np.column_stack([-points[:, 0], points[:, 1] - edge_mm(points[:, 0])]),
    )
    return replace(made, **changes)


def pixel_scratch(one: Scratch) -> Scratch:
    """Make the same as seen in a photo without a scale."""
    return replace(one, path_mm=None, length_mm=None, ends_std_mm=None, ends_mm=None)


def edge_mm(x_mm: np.ndarray) -> np.ndarray:
    """Tell where the edge runs: straight to 60 mm from the tip, then rising to 16 mm."""
    return np.where(x_mm < -150, 2.0, 16.0 * (np.maximum(x_mm + 60, 0) / 60) ** 2)


def picture() -> np.ndarray:
    """Draw a grey blade on a tinted field, 10 px per mm, without scratches."""
    rows, columns = int(34 / STEP_MM), int(165 / STEP_MM)
    x = X0_MM + STEP_MM * np.arange(columns)
    y = (Y1_MM - STEP_MM * np.arange(rows))[:, None]
    low = edge_mm(x)
    high = 28.0 - 12.0 * (np.maximum(x + 40, 0) / 40) ** 2
    inside = (y > low) & (y < high) & (x < 0)
    rng = np.random.default_rng(11)
    steel = 130 + rng.normal(0, 5, (rows, 1)) + rng.normal(0, 3, (rows, columns))
    steel = np.where(y < low + 14, steel + 35, steel)
    out = np.empty((rows, columns, 3), np.uint8)
    out[:] = (166, 96, 226)
    out[inside] = np.clip(steel, 0, 255).astype(np.uint8)[inside][:, None]
    return out


def excluded() -> tuple[Excluded, ...]:
    mark = np.array([[-110, 20], [-98, 20], [-98, 25], [-110, 25]])
    edge = np.array([[-150, 0], [-60, 0], [-60, 1.5], [-150, 1.5]])
    return (
        Excluded(name="mark", polygon_px=px(mark), area_mm2=60.0),
        Excluded(name="edge strip", polygon_px=px(edge), area_mm2=135.0),
    )


def face(
    *scratches: Scratch,
    side: str = "left",
    regions: tuple[RegionFinish, ...] | None = None,
    scaled: bool = True,
    drawn: bool = False,
    **changes: Any,
) -> FinishFace:
    """One face, its scratches grouped and summed up."""
    found = scratches if scaled else tuple(pixel_scratch(one) for one in scratches)
    regions = (region("flat"), region("bevel")) if regions is None else regions
    if not scaled:
        regions = tuple(replace(one, area_mm2=None, findable_mm=None) for one in regions)
    groups, found = group_scratches(found, regions, blade_axis=scaled)
    made = FinishFace(
        side=side,
        frame="blade" if scaled else "picture",
        photos=({"name": f"petty_{side}.jpg", "sha256": ("ab" if side == "left" else "cd") * 32},),
        mm_per_px=STEP_MM if scaled else None,
        regions=tuple(_summed(one, found) for one in regions),
        excluded=excluded(),
        scratches=found,
        groups=groups,
        earlier=None,
        false_finds=1.0,
        flags=(),
        drawing=SimpleNamespace(picture=picture()) if drawn else None,
    )
    return replace(made, **changes)


def _summed(one: RegionFinish, scratches: tuple[Scratch, ...]) -> RegionFinish:
    there = [scratch for scratch in scratches if scratch.region == one.name]
    share = sum(scratch.length_px * scratch.width_px for scratch in there) / one.area_px
    if one.area_mm2 is None:
        return replace(one, share=share, scratch_length_mm=None, per_cm2_mm=None)
    total = sum(scratch.length_mm or 0.0 for scratch in there)
    return replace(one, share=share, scratch_length_mm=total, per_cm2_mm=total / (one.area_mm2 / 100))


def finish(*faces: FinishFace, flags: tuple[str, ...] = ()) -> Finish:
    return Finish(faces=faces or (face(),), flags=flags)


def leftover(count: int = 12, *, degrees: float = 55.0, first: int = 1) -> tuple[Scratch, ...]:
    """Parallel short lines across the flat's lay, within ± 2° of a direction."""
    rng = np.random.default_rng(3)
    return tuple(
        scratch(
            first + i,
            (-140.0 + 10.0 * i, 17.0 + rng.uniform(-1, 1)),
            length_mm=4.0 + 0.2 * (i % 4),
            degrees=degrees + rng.uniform(-2, 2),
        )
        for i in range(count)
    )


def sheath(first: int = 1) -> tuple[Scratch, ...]:
    """Three long lines along the blade."""
    return tuple(
        scratch(first + i, (-120.0 + 12 * i, 17.0 + 2.5 * i), length_mm=50.0 - 6 * i, degrees=3.0 - 2 * i)
        for i in range(3)
    )


def earlier(*, gone: tuple[Gone, ...] | None = None) -> Earlier:
    path_mm = np.array([[-70.0, 8.0], [-62.0, 11.0]])
    one = Gone(
        path_px=px(path_mm),
        path_mm=path_mm,
        length_mm=hypot(8, 3),
        change="gone",
        certainty=0.97,
        region="bevel",
    )
    return Earlier(
        photo_name="petty_before.jpg",
        photo_sha256="ef" * 32,
        gone=(one,) if gone is None else gone,
        outline_rms_mm=0.05,
        per_cm2_mm={"flat": 4.0, "bevel": 2.0},
        share={"flat": 0.004, "bevel": 0.002},
    )


def angle_of(one: Scratch) -> float:
    """Direction of a scratch's chord, for checks of the fixtures themselves."""
    assert one.path_mm is not None
    way = one.path_mm[-1] - one.path_mm[0]
    return atan2(way[1], way[0])
