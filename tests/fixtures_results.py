"""Comparisons made by hand, so that verdict, advice and report are tested without a photo.

The knife is invented: 150 mm blade of 4 mm stock, edge 0.5 mm, plunge 120 mm from the tip, bevel 15 mm high.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import radians

import numpy as np

from grindcheck.results import Comparison, FaceFigures, Figure

STATIONS = tuple(float(s) for s in range(20, 120, 10))


@dataclass(frozen=True, slots=True, kw_only=True)
class HandDrawing:
    """The fields of `grindcheck.compare.Drawing`."""

    faces: dict
    x_mm: tuple
    y_mm: tuple
    step_mm: float
    outline_mm: dict
    plunge_mm: dict
    shoulder_mm: dict


def figure(
    quantity: str,
    value: float,
    std: float = 0.02,
    *,
    station_mm: float | None = None,
    components: Mapping[str, float] | None = None,
    label: str = "",
) -> Figure:
    """One figure; without `components` its uncertainty comes from the line (80 %) and the pose (60 %)."""
    return Figure(
        quantity=quantity,
        station_mm=station_mm,
        value=value,
        std=std,
        unit="rad" if quantity in ("plunge.angle", "bevel_angle") else "mm",
        components=dict(components or {"line": 0.8 * std, "pose": 0.6 * std}),  # 0.8² + 0.6² = 1
        label=label,
    )


def face(
    side: str,
    *,
    plunge_mm: float | None = 120.0,
    lean_mm: float = 0.0,
    height_mm: float | None = 15.0,
    full_flat: bool = False,
    flags: tuple[str, ...] = (),
) -> FaceFigures:
    """One face; `lean_mm`: how much farther from the tip the plunge is at the edge than at the shoulder."""
    plunge = {}
    if plunge_mm is not None:
        plunge = {
            "shoulder": figure("plunge.shoulder", plunge_mm - lean_mm / 2),
            "mid": figure("plunge.mid", plunge_mm),
            "edge": figure("plunge.edge", plunge_mm + lean_mm / 2),
            "angle": figure("plunge.angle", np.arctan2(lean_mm, 14.9), radians(0.1)),
        }
    heights: tuple[Figure, ...] = ()
    if height_mm is not None:
        heights = tuple(figure("bevel_height", height_mm, station_mm=s) for s in STATIONS)
    return FaceFigures(
        side=side,  # type: ignore[arg-type]
        photo_name=f"petty_{side}.jpg",
        photo_sha256=("ab" if side == "left" else "cd") * 32,
        grind="full flat" if full_flat else "sabre",
        full_flat=full_flat,
        plunge=plunge,
        bevel_height=heights,
        bevel_angle=tuple(
            figure("bevel_angle", float(np.arcsin(1.75 / f.value)), radians(0.05), station_mm=f.station_mm)
            for f in heights
        ),
        waviness=None if full_flat or not heights else figure("shoulder.waviness", 0.03, 0.01),
        confidence={"plunge": 0.9, "shoulder": 0.8},
        by_hand=(),
        camera={"focal_px": 3000.0, "tilt_rad": 0.05, "distance_mm": 430.0, "rms_px": 0.12},
        paper="a4",
        flags=flags,
    )


def comparison(
    left: FaceFigures | None = None,
    right: FaceFigures | None = None,
    *,
    std_mm: float = 0.02,
    flags: tuple[str, ...] = (),
    thickness_mm: float = 4.0,
    edge_mm: float = 0.5,
    drawn: bool = False,
) -> Comparison:
    """Two faces and their differences, left minus right."""
    left = left or face("left")
    right = right or face("right")
    differences = []
    for name in ("shoulder", "mid", "edge", "angle"):
        if name in left.plunge and name in right.plunge:
            std = radians(0.15) if name == "angle" else std_mm
            differences.append(
                figure(f"plunge.{name}", left.plunge[name].value - right.plunge[name].value, std)
            )
    for one, other in zip(left.bevel_height, right.bevel_height, strict=False):
        differences.append(figure("bevel_height", one.value - other.value, std_mm, station_mm=one.station_mm))
    return Comparison(
        left=left,
        right=right,
        differences=tuple(differences),
        thickness_mm=thickness_mm,
        height_mm=thickness_mm,
        edge_mm=edge_mm,
        outline_rms_mm=0.03,
        print_scale={"x": 1.0, "y": 1.0, "std": 0.0029, "measured": False},
        flags=flags,
        drawing=drawing(left, right) if drawn else None,
    )


def mismatch(**kwargs: object) -> Comparison:
    """Two faces whose right plunge lies 0.62 mm nearer to the tip, square like the left one."""
    return comparison(face("left"), face("right", plunge_mm=119.38), **kwargs)  # type: ignore[arg-type]


def drawing(left: FaceFigures, right: FaceFigures) -> HandDrawing:
    """Plain grey faces with the lines of the figures: 150 mm blade, 28 mm high, handle to −190 mm."""
    step = 0.1
    x = np.arange(-190.0, 5.0 + step / 2, step)
    y = np.arange(-4.0, 34.0 + step / 2, step)[::-1]
    grid_x, grid_y = np.meshgrid(x, y)
    edge_x = np.linspace(-150, 0, 301)
    rise = 16.0 * (np.maximum(edge_x + 60, 0) / 60) ** 2  # belly
    spine = np.full_like(edge_x, 28.0) - 12.0 * (np.maximum(edge_x + 40, 0) / 40) ** 2
    faces, plunges, shoulders, outlines = {}, {}, {}, {}
    rng = np.random.default_rng(7)
    for one in (left, right):
        low, high = np.interp(x, edge_x, rise, left=2, right=99), np.interp(x, edge_x, spine, right=-1)
        inside = (grid_y > low) & (grid_y < high)
        picture = np.empty((*grid_x.shape, 3), np.uint8)
        picture[:] = (166, 96, 226)
        steel = 150 + rng.normal(0, 6, grid_x.shape)
        if one.plunge:
            at = -one.plunge["mid"].value
            height = one.bevel_height[0].value if one.bevel_height else 15.0
            ground = (grid_x > at) & (grid_y < low + height)
            steel = np.where(ground, steel + 45, steel)
            y_line = np.linspace(0, height, 20)
            lean = one.plunge["edge"].value - one.plunge["shoulder"].value
            plunges[one.side] = np.column_stack([at + lean * (y_line / height - 0.5), y_line])
            x_line = np.linspace(at + 2, -25, 100)
            shoulders[one.side] = np.column_stack([x_line, np.interp(x_line, edge_x, rise) + height])
        else:
            plunges[one.side] = shoulders[one.side] = np.empty((0, 2))
        picture[inside] = np.clip(steel, 0, 255).astype(np.uint8)[inside][:, None]
        outline = np.vstack(
            [np.column_stack([edge_x, rise]), np.column_stack([edge_x, spine])[::-1], [[-190.0, 28.0]]]
        )
        outlines[one.side] = outline
        faces[one.side] = picture
    return HandDrawing(
        faces=faces,
        x_mm=(float(x[0]), float(x[-1])),
        y_mm=(float(y[-1]), float(y[0])),
        step_mm=step,
        outline_mm=outlines,
        plunge_mm=plunges,
        shoulder_mm=shoulders,
    )
