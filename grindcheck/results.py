"""What a check of two photos says: figures with their uncertainty, per face and between the faces."""

from dataclasses import dataclass
from typing import Any, Literal

from grindcheck.silhouette import Side

Unit = Literal["mm", "rad"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One measured quantity.

    Parameters
    ----------
    quantity : str
        ``plunge.shoulder``, ``plunge.mid``, ``plunge.edge`` (distance from the tip along the blade),
        ``plunge.angle``, ``plunge.transition`` (width of the radius behind the plunge line), ``bevel_height``
        (along the ground surface), ``bevel_angle``, ``shoulder.waviness``.
    station_mm : float or None
        Distance from the tip at which it is read.
    value, std : float
        Value and standard uncertainty (one sigma), in `unit`.
    unit : {"mm", "rad"}
    components : dict of str to float
        Standard uncertainty by source; their squares add up to that of `std`.
    label : str
        A word for a station that has one: "plunge", "middle", "belly"; else empty.
    """

    quantity: str
    station_mm: float | None
    value: float
    std: float
    unit: Unit
    components: dict[str, float]
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FaceFigures:
    """All figures of one face.

    Parameters
    ----------
    side : {"left", "right"}
    photo_name, photo_sha256 : str
    grind : str
        ``sabre``, ``scandi``, ``full flat``, ``hollow``, ``convex`` as found or as given, ``""`` when it
        can't be told.
    full_flat : bool
        The bevel reaches the spine, so there is no shoulder.
    plunge : dict of str to Figure
        ``shoulder``, ``mid``, ``edge``, ``angle`` and ``transition``; empty when no plunge is seen.
    bevel_height, bevel_angle : tuple of Figure
        By station.
    waviness : Figure or None
        Rms of the shoulder about its fitted curve.
    confidence : dict of str to float
        ``plunge`` and ``shoulder``: 0 to 1; a line given by hand has 1.
    by_hand : tuple of str
        Lines that the user placed.
    camera : dict of str to float
        ``focal_px``, ``tilt_rad``, ``distance_mm``, ``rms_px``, ``largest_px``, ``markers_seen``,
        ``markers_expected``, ``crossings``, ``blur_px``, ``halo``, ``clipped``, ``mm_per_px``.
    paper : str
    flags : tuple of str
        Names from `grindcheck.flags.FLAGS`.
    """

    side: Side
    photo_name: str
    photo_sha256: str
    grind: str
    full_flat: bool
    plunge: dict[str, Figure]
    bevel_height: tuple[Figure, ...]
    bevel_angle: tuple[Figure, ...]
    waviness: Figure | None
    confidence: dict[str, float]
    by_hand: tuple[str, ...]
    camera: dict[str, float]
    paper: str
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Both faces and what differs.

    Parameters
    ----------
    left, right : FaceFigures
    differences : tuple of Figure
        Left minus right; same names as the faces' figures.
    thickness_mm, height_mm, edge_mm : float
        As used.
    outline_rms_mm : float
        Residual of laying one outline onto the other.
    print_scale : dict of str to float or bool
        ``x``, ``y``, ``std`` and ``measured``.
    flags : tuple of str
        Reservations about the pair.
    drawing : Any
        What the picture needs: see `grindcheck.compare.Drawing`.
    """

    left: FaceFigures
    right: FaceFigures
    differences: tuple[Figure, ...]
    thickness_mm: float
    height_mm: float
    edge_mm: float
    outline_rms_mm: float
    print_scale: dict[str, float | bool]
    flags: tuple[str, ...]
    drawing: Any = None
