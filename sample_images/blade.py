"""A ground blade of known shape: its description, its surface, and the figures that a check should find.

Frame ``blade``: millimetres, origin below the tip on the straight edge's line, x from heel to tip (so the tip
lies at x = 0 and the distance from the tip is -x), y from edge to spine, along the perpendicular of the
straight part of the spine. The half thickness is measured from the blade's mid plane. Only numpy is needed.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from swage import Swage

Array = NDArray[np.float64]

GRINDS = ("sabre", "full_flat", "scandi", "hollow", "convex")


@dataclass(frozen=True, kw_only=True)
class Face:
    """One ground face.

    Parameters
    ----------
    plunge_mm : float
        Distance from the tip of the plunge's crease on the edge's line.
    angle_deg : float
        Of the crease against the perpendicular of the axis; positive when its shoulder end is nearer the tip.
    height_mm : float
        Bevel height, edge to shoulder perpendicular to the edge (not used on a full flat grind).
    radius_mm : float
        Of the belt's edge, left as a fillet between crease and bevel.
    bow_mm : float
        How far the crease bows off its chord in the middle, towards the tip.
    taper_mm : float
        How much higher the bevel is at the plunge than at the tip.
    wave_mm, wave_period_mm, wave_phase : float
        Waviness of the shoulder.
    """

    plunge_mm: float
    angle_deg: float
    height_mm: float
    radius_mm: float = 2.0
    bow_mm: float = 0.0
    taper_mm: float = 0.0
    wave_mm: float = 0.0
    wave_period_mm: float = 35.0
    wave_phase: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Blade:
    """A blade with two faces.

    Parameters
    ----------
    grind : str
        One of `GRINDS`.
    width_mm, thickness_mm, edge_thickness_mm : float
        Blade height at the heel, stock thickness, thickness left at the edge.
    belly_mm, belly_power, tip_mm : float
        Length of the belly before the tip, its exponent, height of the tip above the straight edge.
    drop_mm, drop_power : float
        Length of the spine's fall to the tip, its exponent (1 is a straight clip).
    heel_mm : float
        Distance of the heel's end from the tip: what lies between it and the plunge is the ricasso.
    choil_mm : float
        Radius of the choil's notch, 0 for none.
    tang_mm, tang_low_mm, tang_high_mm : float
        Length of the tang behind the heel and its lower and upper border (y).
    scale_mm : float
        Thickness of one handle scale, 0 for a bare tang.
    pins_mm : tuple of float
        Places of the pins behind the heel.
    wheel_mm : float
        Radius of the contact wheel of a hollow grind.
    plunge : bool
        False where the bevel runs out at the heel: there is no ricasso then, and nothing to be seen of
        ``plunge_mm``, ``angle_deg`` and ``radius_mm``.
    recurve_mm : float
        How far the edge sways up into the blade, 0 for none.
    recurve_from_mm, recurve_to_mm : float
        Distances from the tip between which it does so, the greater one first.
    swage : Swage or None
        A second bevel at the spine before the tip; a full flat grind leaves no room for one.
    tang_end_mm : float or None
        Thickness of the tang at its far end, where it tapers from the heel on; None if it doesn't.
    left, right : Face
        The two faces.
    """

    grind: str
    width_mm: float
    thickness_mm: float
    edge_thickness_mm: float
    belly_mm: float
    belly_power: float
    tip_mm: float
    drop_mm: float
    drop_power: float
    heel_mm: float
    choil_mm: float
    tang_mm: float
    tang_low_mm: float
    tang_high_mm: float
    left: Face
    right: Face
    scale_mm: float = 0.0
    pins_mm: tuple[float, ...] = ()
    wheel_mm: float = 127.0
    plunge: bool = True
    recurve_mm: float = 0.0
    recurve_from_mm: float = 1.0
    recurve_to_mm: float = 0.0
    swage: Swage | None = None
    tang_end_mm: float | None = None

    def __post_init__(self) -> None:
        if self.swage is not None and self.grind == "full_flat":
            raise ValueError("swage must be None on a full flat grind, which leaves no flat at the spine")
        begin, end = self.recurve_from_mm, self.recurve_to_mm
        if not begin > end:
            raise ValueError(f"recurve_from_mm must exceed recurve_to_mm, got {begin} and {end}")

    @classmethod
    def from_data(cls, data: dict[str, Any]) -> "Blade":
        """Read what ``dataclasses.asdict`` wrote."""
        given = dict(data)
        given["left"], given["right"] = Face(**given["left"]), Face(**given["right"])
        given["pins_mm"] = tuple(given.get("pins_mm", ()))
        given["swage"] = Swage(**given["swage"]) if given.get("swage") else None
        return cls(**given)

    @property
    def flat_height_mm(self) -> float:
        """Height of the upper flat above the mat: stock and, with a handle, one scale."""
        return self.thickness_mm + self.scale_mm

    @property
    def cheek_mm(self) -> float:
        """Metal between edge and flat on one side: (t - e) / 2."""
        return (self.thickness_mm - self.edge_thickness_mm) / 2

    def face(self, side: str) -> Face:
        """Return the face ``left`` or ``right``."""
        return {"left": self.left, "right": self.right}[side]

    def edge(self, x: ArrayLike) -> Array:
        """Height of the edge's line at x."""
        along = np.clip((np.asarray(x, float) + self.belly_mm) / self.belly_mm, 0, 1)
        return self.tip_mm * along**self.belly_power + self.recurve_mm * np.sin(np.pi * self._sway(x)) ** 2

    def edge_slope(self, x: ArrayLike) -> Array:
        """Slope dy/dx of the edge's line at x."""
        along = np.clip((np.asarray(x, float) + self.belly_mm) / self.belly_mm, 0, 1)
        belly = self.tip_mm * self.belly_power * along ** (self.belly_power - 1) / self.belly_mm
        run = self.recurve_from_mm - self.recurve_to_mm
        return belly + self.recurve_mm * np.pi / run * np.sin(2 * np.pi * self._sway(x))

    def _sway(self, x: ArrayLike) -> Array:
        """Share of the recurve's length that lies behind x."""
        run = self.recurve_from_mm - self.recurve_to_mm
        return np.clip((np.asarray(x, float) + self.recurve_from_mm) / run, 0, 1)

    def spine(self, x: ArrayLike) -> Array:
        """Height of the spine at x."""
        along = np.clip((np.asarray(x, float) + self.drop_mm) / self.drop_mm, 0, 1)
        return self.width_mm - (self.width_mm - self.tip_mm) * along**self.drop_power

    def bevel_height(self, face: Face, x: ArrayLike) -> Array:
        """Height of the shoulder over the edge at x, measured along y, whether or not the spine cuts it."""
        x = np.asarray(x, float)
        slope = self.edge_slope(x)
        if self.grind == "full_flat":
            return self.width_mm * np.sqrt(1 + slope**2)
        wave = face.wave_mm * np.sin(2 * np.pi * x / face.wave_period_mm + face.wave_phase)
        return (face.height_mm - face.taper_mm * (1 + x / face.plunge_mm) + wave) * np.sqrt(1 + slope**2)

    def top(self, face: Face, x: ArrayLike) -> Array:
        """Upper end of the bevel at x: the shoulder, or the spine or the swage where that is lower."""
        upper = np.minimum(self.edge(x) + self.bevel_height(face, x), self.spine(x))
        if self.swage is None:
            return upper
        low, high = self.edge(x), upper
        for _ in range(50):  # the bevel thickens upwards, the swage thins: they meet once
            middle = (low + high) / 2
            met = self.floor(face, x, middle) > self.ceiling(x, middle)
            low, high = np.where(met, low, middle), np.where(met, middle, high)
        return np.where(self.floor(face, x, upper) > self.ceiling(x, upper) + 1e-9, high, upper)

    def flat_top(self, x: ArrayLike) -> Array:
        """Upper border of the flat at x: the spine, or the swage's lower line."""
        return self.spine(x) if self.swage is None else self.swage.low(x, self.spine(x))

    def ceiling(self, x: ArrayLike, y: ArrayLike) -> Array:
        """Half thickness at (x, y) that stock, swage and tapered tang allow, whatever the bevel does."""
        x, y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
        flat = self.thickness_mm / 2
        out = np.full(x.shape, flat) if self.swage is None else self.swage.half(flat, x, y, self.spine(x))
        if self.tang_end_mm is not None:
            out = out - np.clip((-x - self.heel_mm) / self.tang_mm, 0, 1) * (flat - self.tang_end_mm / 2)
        return out

    def crease(self, face: Face, y: ArrayLike) -> Array:
        """Return the x of the plunge's crease at height y; straight on beyond shoulder and edge."""
        y = np.asarray(y, float)
        height = self.width_mm if self.grind == "full_flat" else face.height_mm
        along = np.clip(y / height, 0, 1)
        return (
            -face.plunge_mm
            + math.tan(math.radians(face.angle_deg)) * y
            + 4 * face.bow_mm * along * (1 - along)
        )

    def floor(self, face: Face, x: ArrayLike, y: ArrayLike) -> Array:
        """Half thickness of the bevel at (x, y), as if there were neither plunge nor flat."""
        share = (np.asarray(y, float) - self.edge(x)) / self.bevel_height(face, x)
        if self.grind == "hollow":
            sag = face.height_mm**2 / (8 * self.wheel_mm)
            share = share - min(4 * sag / self.cheek_mm, 0.8) * share * (1 - share)
        elif self.grind == "convex":
            share = share + 0.45 * share * (1 - share)
        return self.edge_thickness_mm / 2 + self.cheek_mm * share

    def fillet_width(self, face: Face, y: ArrayLike) -> Array:
        """Distance along x from the crease to where the fillet meets the bevel, at height y."""
        depth = self._depth(face, y)
        radius = face.radius_mm
        across = np.where(depth < radius, np.sqrt(np.maximum(2 * radius * depth - depth**2, 0)), radius)
        return across / math.cos(math.radians(face.angle_deg))

    def half(self, face: Face, x: ArrayLike, y: ArrayLike) -> Array:
        """Half thickness of the blade at (x, y): flat, plunge, bevel, swage or tang."""
        x, y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
        if not self.plunge:
            return np.minimum(self.floor(face, x, y), self.ceiling(x, y))
        flat = self.thickness_mm / 2
        lean = math.cos(math.radians(face.angle_deg))
        past = (x - self.crease(face, y)) * lean
        left = np.clip(self.fillet_width(face, y) * lean - past, 0, face.radius_mm)
        rise = face.radius_mm - np.sqrt(np.maximum(face.radius_mm**2 - left**2, 0))
        ground = np.minimum(self.floor(face, x, y) + rise, flat)
        return np.minimum(np.where(past <= 0, flat, ground), self.ceiling(x, y))

    def _depth(self, face: Face, y: ArrayLike) -> Array:
        y = np.asarray(y, float)
        return np.maximum(self.thickness_mm / 2 - self.floor(face, self.crease(face, y), y), 0)


def shoulder_end(blade: Blade, face: Face) -> float:
    """Return the x where the shoulder runs out into spine or swage (full flat: the plunge itself)."""
    x = np.linspace(-face.plunge_mm if blade.plunge else -blade.heel_mm, 0, 20001)
    inside = blade.edge(x) + blade.bevel_height(face, x) < blade.flat_top(x)
    if blade.grind == "full_flat":
        return float(-face.plunge_mm)
    return float(x[np.nonzero(inside)[0][-1]])


def shoulder_point(blade: Blade, face: Face) -> tuple[float, float]:
    """Return where crease and shoulder meet: on the spine if full flat, at the heel without a plunge."""
    if not blade.plunge:
        return -blade.heel_mm, float(blade.top(face, -blade.heel_mm))
    y = float(face.height_mm if blade.grind != "full_flat" else blade.width_mm)
    for _ in range(30):
        y = float(blade.top(face, blade.crease(face, y)))
    return float(blade.crease(face, y)), y


def figures(blade: Blade, face: Face, *, step_mm: float = 10.0) -> dict[str, Any]:
    """Return the true figures of one face, as a check reports them.

    Returns
    -------
    dict
        ``plunge``: shoulder, mid and edge (distance from the tip along the axis, mm) and angle (degrees, of
        the chord), None where there is no plunge; ``bevel_height``: per station the height ``dy_mm`` along y,
        ``value`` along the ground surface (on a full flat grind equal to dy, the blade's height) and the
        bevel's angle per side. Stations lie between tip and crease, and only where there is a shoulder.
    """
    x_top, y_top = shoulder_point(blade, face)
    x_low = float(blade.crease(face, 0.0)) if blade.plunge else x_top
    x_mid = float(blade.crease(face, y_top / 2))
    full = blade.grind == "full_flat"
    heights = []
    for station in np.arange(step_mm, min(-x_top, -x_low), step_mm):
        dy = float(blade.top(face, -station) - blade.edge(-station))
        if not full and float(blade.bevel_height(face, -station)) > dy + 1e-9:
            continue
        half_rim = float(blade.floor(face, -station, blade.top(face, -station)))
        cheek = half_rim - blade.edge_thickness_mm / 2
        heights.append({
            "station": float(station),
            "value": dy if full else math.hypot(dy, cheek),
            "dy_mm": dy,
            "bevel_angle_deg": math.degrees(math.atan2(cheek, dy)),
        })  # fmt: skip
    angle = math.degrees(math.atan2(x_top - x_low, y_top))
    return {
        "plunge": {"shoulder": -x_top, "mid": -x_mid, "edge": -x_low, "angle": angle}
        if blade.plunge
        else None,
        "bevel_height": heights,
        "full_flat": full,
    }


def differences(blade: Blade) -> dict[str, Any]:
    """Return left minus right of every figure that both faces have."""
    left, right = figures(blade, blade.left), figures(blade, blade.right)
    at_right = {h["station"]: h["value"] for h in right["bevel_height"]}
    return {
        "plunge": {key: left["plunge"][key] - right["plunge"][key] for key in left["plunge"] or ()} or None,
        "bevel_height": [
            {"station": h["station"], "value": h["value"] - at_right[h["station"]]}
            for h in left["bevel_height"]
            if h["station"] in at_right
        ],
    }


def lines(blade: Blade, face: Face, *, points: int = 200) -> dict[str, Array]:
    """Return the lines of a face as (N, 3) points: x, y and half thickness from the mid plane.

    ``crease`` and ``shoulder`` lie on the flat; ``edge`` lies in the mid plane; ``spine`` is the upper rim;
    ``swage``, where there is one, is its lower border.
    """
    x_top, y_top = shoulder_point(blade, face)
    y = np.linspace(0, y_top, points)
    flat = blade.thickness_mm / 2
    crease = np.column_stack([blade.crease(face, y), y, np.full(points, flat)])
    x_low = float(blade.crease(face, 0.0)) if blade.plunge else x_top
    x = np.linspace(x_low, 0, 2 * points)
    edge = np.column_stack([x, blade.edge(x), np.zeros_like(x)])
    x = np.linspace(-blade.heel_mm, 0, 2 * points)
    spine = np.column_stack([x, blade.spine(x), blade.half(face, x, blade.spine(x))])
    out = {"edge": edge, "spine": spine} | ({"crease": crease} if blade.plunge else {})
    if blade.grind != "full_flat":
        x = np.linspace(x_top, shoulder_end(blade, face), points)
        out["shoulder"] = np.column_stack([x, blade.top(face, x), np.full(points, flat)])
    if blade.swage is not None:
        x = np.linspace(-blade.swage.length_mm, 0, 20001)
        x = np.linspace(x[0], x[blade.top(face, x) < blade.spine(x)][-1], points)  # then the bevel has it all
        y = np.maximum(blade.flat_top(x), blade.top(face, x))
        out["swage"] = np.column_stack([x, y, blade.half(face, x, y)])
    return out
