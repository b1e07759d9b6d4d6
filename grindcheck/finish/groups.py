"""Which scratches likely have one origin, what that is, and what to do about it at the bench."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from grindcheck.finish.results import Group, RegionFinish, Scratch
from grindcheck.geometry import Array

Origin = Literal["coarser grit", "draw direction", "handling"]

CLUSTERS_BY_CHANCE = 0.5
"""Bound on the expected number of clusters in scratches of random directions. In fact chance makes one in 1
to 2 of 100 such sets, because windows overlap (``tests/test_finish_groups.py``)."""

CHANCE = 0.05
"""Probability below which lines along the blade are more than chance."""

MANY = 8
"""Belt or paper leaves at least so many lines, grit in a sheath fewer; common practice, no source."""

_ALONG_RAD = np.deg2rad(15.0)  # a knife is drawn along its blade, within this; common practice, no source
_LONG_MM = 10.0  # a draw leaves lines at least so long; common practice, no source
_FINEST_RAD = np.deg2rad(2.0)  # directions of short scratches aren't known better
_FEWEST = 4  # lines, to be called a grit's
_WIDEST_RAD = np.deg2rad(30.0)  # what spreads wider isn't called parallel
_CORE = 3.0  # standard deviations of a cluster's core that still belong to it

_ADVICE: dict[Origin, str] = {
    "coarser grit": "Go back one grit and work this region again until the old lines are gone; change the "
    "direction of the strokes, so that you see when they are. Keep the edge taped, and look closely only "
    "with the machine stopped.",
    "draw direction": "Wash or re-open the sheath before the knife goes in again, and clean the blade of "
    "tape and what lay under it; then rub the lines out with the last grit, along the lay. Keep the edge "
    "taped while you rub.",
    "handling": "Rub it out with the last grit, along the lay; tape the blade while the handle is worked, "
    "and lay it on a clean cloth. Keep the edge taped while you rub.",
}


def group_scratches(
    scratches: Sequence[Scratch], regions: Sequence[RegionFinish], *, blade_axis: bool
) -> tuple[tuple[Group, ...], tuple[Scratch, ...]]:
    """Group the scratches of a face by their likely origin.

    Parameters
    ----------
    scratches : sequence of Scratch
    regions : sequence of RegionFinish
    blade_axis : bool
        Whether angles are those to the blade's axis; without it no draw direction is told.

    Returns
    -------
    groups : tuple of Group
        The one with most scratches first, handling last.
    scratches : tuple of Scratch
        The same, in the same order, with `group` set.

    Notes
    -----
    Parallel scratches are those in a window of directions that holds more of a region's scratches than
    directions at random would: with n scratches there are n(n − 1) windows from one's direction to another's,
    and the expected number of such windows with so many others in them (binomial) must be below
    `CLUSTERS_BY_CHANCE`.
    That is the number of false alarms that decides on scratches, too. For the draw direction the window is
    known beforehand, so that two long scratches along the blade may suffice.
    """
    lays = {region.name: region.lay for region in regions}
    free = list(range(len(scratches)))
    angle = np.array([one.angle_rad for one in scratches], dtype=np.float64)
    length = np.array([one.length_mm or 0.0 for one in scratches])
    lengthwise = np.abs(_folded(angle)) <= _ALONG_RAD
    drawn: list[int] = []
    found: list[tuple[Origin, list[int]]] = []
    for name in dict.fromkeys(one.region for one in scratches):
        lay = lays[name].direction_rad if name in lays else None
        lay_along = lay is not None and abs(_folded(np.array([lay]))[0]) <= _ALONG_RAD
        while True:
            members = _cluster([i for i in free if scratches[i].region == name], angle)
            if not members:
                break
            free = [i for i in free if i not in members]
            if (
                blade_axis
                and float(np.median(length[members])) >= _LONG_MM
                and np.mean(lengthwise[members]) > 0.5
                and not (lay_along and len(members) >= MANY)
            ):
                drawn += members
            else:
                found.append(("coarser grit", members))
    if blade_axis:
        loose = [i for i in free if length[i] >= _LONG_MM]
        along = [i for i in loose if lengthwise[i]]
        if drawn or _more_than_chance(len(along), len(loose)):
            drawn += along
            free = [i for i in free if i not in along]
    if drawn:
        found.append(("draw direction", sorted(drawn)))
    found.sort(key=lambda one: (-len(one[1]), one[1]))
    if free:
        found.append(("handling", free))
    groups = tuple(
        _group(origin, [scratches[i] for i in members], regions, blade_axis=blade_axis)
        for origin, members in found
    )
    owner = {i: number for number, (_, members) in enumerate(found) for i in members}
    return groups, tuple(replace(one, group=owner[i]) for i, one in enumerate(scratches))


def _cluster(members: list[int], angle: Array) -> list[int]:
    """Return the most surprising set of parallel ones; empty if chance explains all."""
    from scipy.special import bdtrc

    count = len(members)
    if count < _FEWEST:
        return []
    at = angle[members]
    reach = (at[None, :] - at[:, None]) % np.pi  # from a window's begin to its end
    within = np.array([np.searchsorted(np.sort(row), row + 1e-12, side="right") for row in reach])
    share = np.maximum(reach, _FINEST_RAD) / np.pi
    chance = count * (count - 1) * bdtrc(within - 3, count - 2, share)  # within − 2 others or more
    chance[(reach > _WIDEST_RAD) | (within < _FEWEST)] = np.inf
    begin, end = np.unravel_index(np.argmin(chance), chance.shape)
    if chance[begin, end] > CLUSTERS_BY_CHANCE:
        return []
    core = at[reach[begin] <= reach[begin, end] + 1e-12]
    mean, spread = axial_mean(core)
    near = np.abs(_folded(at - mean)) <= _CORE * max(spread, _FINEST_RAD / 2)
    return [one for one, so in zip(members, near, strict=True) if so]


def _more_than_chance(along: int, count: int) -> bool:
    from scipy.special import bdtrc

    return along >= 2 and float(bdtrc(along - 1, count, 2 * _ALONG_RAD / np.pi)) <= CHANCE


def axial_mean(angle_rad: Array | Iterable[float]) -> tuple[float, float]:
    """Mean of directions without a sense, and how far they spread about it.

    Returns
    -------
    mean_rad : float
        −π/2 < mean ≤ π/2.
    spread_rad : float
        Root of the mean square of the deviations.

    Examples
    --------
    >>> mean, spread = axial_mean(np.deg2rad([88.0, -88.0]))
    >>> round(abs(float(np.rad2deg(mean))), 6), round(float(np.rad2deg(spread)), 6)
    (90.0, 2.0)
    """
    angles = np.asarray(list(angle_rad), dtype=np.float64)
    mean = float(np.angle(np.exp(2j * angles).mean())) / 2
    spread = float(np.sqrt(np.mean(_folded(angles - mean) ** 2)))
    return mean, spread


def _folded(angle_rad: Array) -> Array:
    """Directions brought to −π/2 … π/2."""
    return np.asarray((angle_rad + np.pi / 2) % np.pi - np.pi / 2)


def _group(
    origin: Origin, members: Sequence[Scratch], regions: Sequence[RegionFinish], *, blade_axis: bool
) -> Group:
    mean, spread = axial_mean(one.angle_rad for one in members)
    return Group(
        origin=origin,
        numbers=tuple(one.number for one in members),
        angle_rad=mean,
        spread_rad=spread,
        reading=_reading(origin, members, regions, mean, blade_axis=blade_axis),
        advice=_ADVICE[origin],
    )


def _reading(
    origin: Origin,
    members: Sequence[Scratch],
    regions: Sequence[RegionFinish],
    mean: float,
    *,
    blade_axis: bool,
) -> str:
    count = len(members)
    where = " and ".join(dict.fromkeys(one.region for one in members))
    if origin == "draw direction":
        few = f"{count} long lines along the blade" if count > 1 else "a long line along the blade"
        said = f"Likely from the draw direction, as grit in a sheath or under tape leaves: {few}, {where}"
        if all(one.change == "new" for one in members):
            said += ", none of them in the earlier photo"
        return f"{said}."
    if origin == "coarser grit":
        said = f"Likely left from a coarser grit: {count} parallel lines on the {where}, "
        lay_angle = [one.lay_angle_rad for one in members if one.lay_angle_rad is not None]
        if lay_angle and sum(one.along_lay for one in members) > count / 2:
            said += "along the lay but deeper"
        elif lay_angle:
            said += f"{np.rad2deg(np.median(lay_angle)):.0f}° off the lay"
        elif blade_axis:
            said += f"{abs(np.rad2deg(mean)):.0f}° to the blade"
        else:
            said += "on a surface without a lay"
        grits = [one.grit for one in members if one.grit is not None]
        if grits:
            common = max(dict.fromkeys(grits), key=grits.count)
            said += f"; as wide as the grains of {common}, and a scratch is narrower than its grain"
        return f"{said}."
    if count == 1:
        return f"Likely from handling: a single line on the {where}."
    if count < MANY:
        return f"Likely from handling, each by itself: {count} lines without a common direction, {where}."
    return (
        f"Likely from handling or from loose grit on bench or cloth: {count} lines without a common "
        f"direction, {where}."
    )
