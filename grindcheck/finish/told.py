"""Scratches and regions of a searched photo in the words of the result."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from grindcheck.finish.closeup import Closeup
from grindcheck.finish.findable import CONTRAST, findable
from grindcheck.finish.grits import grit_of
from grindcheck.finish.line import Line, joined_across
from grindcheck.finish.regions import blade_direction, blade_from_px, blade_std_mm, tip_and_edge_mm
from grindcheck.finish.results import RegionFinish, Scratch
from grindcheck.finish.searched import Searched
from grindcheck.geometry import frozen


def scratches_of(searched: Searched) -> list[Scratch]:
    """List the scratches of one photo; one that crosses from flat to bevel is one, and where it is surest."""
    return [scratch_of(searched, line) for line in lines_of(searched)]


def lines_of(searched: Searched) -> list[Line]:
    """Return the lines of a photo, each once where it crosses from one region into another."""
    return joined_across(
        [
            replace(line, region=name)
            for name, parts in searched.scans.items()
            for scan in parts
            for line in scan.lines
        ]
    )


def scratch_of(searched: Searched, line: Line) -> Scratch:
    """One scratch in the words of the result; numbers are given later."""
    regions, points = searched.regions, line.path.points_px
    step = regions.mm_per_px
    chord = points[-1] - points[0]
    angle = _folded(float(np.arctan2(-chord[1], chord[0])))
    if regions.frame is not None:
        angle = blade_direction(regions, angle, points.mean(axis=0))
    lay = searched.lays[line.region].direction_rad
    path_mm = ends = ends_std = None
    length_mm = None if step is None else line.path.length_px * step
    if regions.frame is not None:
        path_mm = frozen(blade_from_px(regions, points))
        ends = frozen(tip_and_edge_mm(regions, points[[0, -1]]))
        along = chord / max(float(np.hypot(*chord)), 1e-9)
        std = blade_std_mm(regions, points[[0, -1]])
        # both ends share the tip's and the plane's error: their length has the ends' own
        ends_std = float(
            np.hypot(line.path.ends_std_px * float(step or 0), np.max(np.abs(std @ np.abs(along))))
        )
        legs = np.diff(path_mm, axis=0)
        length_mm = float(np.hypot(*legs.T).sum())
    elif step is not None and isinstance(searched.looked, Closeup):
        path_mm = frozen(searched.looked.mm_from_index(points))
        scale = float(searched.looked.mm_per_px_std or 0.0) * line.path.length_px
        ends_std = float(np.hypot(line.path.ends_std_px * step, scale))
    resolved = step is not None and line.profile.width_px > 1.0
    width_mm = line.profile.width_px * float(step) if resolved and step is not None else None
    return Scratch(
        number=1,
        path_px=points,
        path_mm=path_mm,
        length_px=line.path.length_px,
        length_mm=length_mm,
        ends_std_mm=ends_std,
        width_mm=width_mm,
        width_px=line.profile.width_px,
        contrast=line.profile.contrast,
        tone=line.tone,
        angle_rad=angle,
        lay_angle_rad=None if lay is None else abs(_folded(angle - lay)),
        along_lay=line.near_lay,
        region=line.region,
        log_nfa=line.log_nfa,
        certainty=float(1.0 / (1.0 + 10.0 ** min(line.log_nfa, 300.0))),
        grit=None if width_mm is None or step is None else grit_of(width_mm, 0.5 * step),
        ends_mm=ends,
    )


def region_of(searched: Searched, name: str, scratches: Sequence[Scratch]) -> RegionFinish:
    """Tell one region: its lay, how much of it is scratched, and how small a scratch it would show."""
    parts, step = searched.scans[name], searched.regions.mm_per_px
    here = [one for one in scratches if one.region == name]
    area_px = sum(scan.texture.area_px for scan in parts)
    # the worst of the parts: what is told holds everywhere
    limits = [findable(scan) for scan in parts]
    length_px = max(limit.length_px for limit in limits)
    along = max(limit.along_contrast for limit in limits)
    covered = sum(one.length_px * max(one.width_px, 1.0) for one in here)
    area_mm2 = None if step is None else area_px * step**2
    length_mm = None if step is None else float(sum(one.length_mm or 0.0 for one in here))
    return RegionFinish(
        name=name,
        area_mm2=area_mm2,
        area_px=area_px,
        lay=searched.lays[name],
        scratch_length_mm=length_mm,
        per_cm2_mm=None if area_mm2 is None or length_mm is None else length_mm / (area_mm2 / 100.0),
        share=min(covered / area_px, 1.0),
        findable_px=length_px,
        findable_mm=None if step is None else length_px * step,
        findable_contrast=CONTRAST,
        along_contrast=along,
    )


def _folded(angle_rad: float) -> float:
    """Into −π/2 < a ≤ π/2."""
    return float(np.pi / 2 - (np.pi / 2 - angle_rad) % np.pi)
