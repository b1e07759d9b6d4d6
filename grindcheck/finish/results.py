"""What a finish check says: lay of each region, each scratch, groups of them, what changed since earlier."""

from dataclasses import dataclass
from typing import Any, Literal

from grindcheck.geometry import Array

Symbol = Literal["=", "⊥", "X", "M", "C", "R", "P"]
Tone = Literal["bright", "dark", "bright and dark"]
Change = Literal["new", "gone", "unchanged", "cannot tell"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionLay:
    """The lay of a region.

    Parameters
    ----------
    symbol : {"=", "⊥", "X", "M", "C", "R", "P"}
        ISO 21920-1: along the blade, square to it, crossed, multidirectional, circular, radial, particulate
        (no direction: blasted, tumbled, etched).
    direction_rad : float or None
        Direction of the lines to the blade's axis (tip right, edge down), −π/2 < d ≤ π/2, positive turning
        from the tip towards the spine; None without a direction.
    direction_std : float
        Its standard uncertainty, radians; 0 without a direction.
    spread_rad : float
        How far the lines' directions scatter about it (one sigma).
    strength : float
        0 without any direction to 1 with strictly parallel lines (coherence of the structure tensor).
    """

    symbol: Symbol
    direction_rad: float | None
    direction_std: float
    spread_rad: float
    strength: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionFinish:
    """One region of a face.

    Parameters
    ----------
    name : str
        ``flat``, ``bevel``, or ``picture`` for a photo without a blade's outline.
    area_mm2 : float or None
        What was searched of it; None without a scale.
    area_px : int
    lay : RegionLay
    scratch_length_mm : float or None
        All scratches' length in it.
    per_cm2_mm : float or None
        Length of scratches in mm per cm² of the region.
    share : float
        Share of the region's area that scratches cover, 0 to 1, each as wide as it is seen, a pixel at least.
    findable_px : float
        Length of the shortest scratch off the lay, two pixels wide and of the contrast `findable_contrast`,
        that is found in nine of ten cases in this very photo.
    findable_mm : float or None
    findable_contrast : float
        In sigmas of the texture.
    along_contrast : float
        Contrast that a scratch 200 px long along the lay needs to be found in nine of ten cases.
    """

    name: str
    area_mm2: float | None
    area_px: int
    lay: RegionLay
    scratch_length_mm: float | None
    per_cm2_mm: float | None
    share: float
    findable_px: float
    findable_mm: float | None
    findable_contrast: float
    along_contrast: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Excluded:
    """A part of the face that isn't searched.

    Parameters
    ----------
    name : str
        ``edge strip``, ``plunge radius``, ``mark``, ``hole``, ``pin``, ``handle``, ``tape``, ``rim``,
        ``glare`` (overexposed), ``by hand`` (given with --mask).
    polygon_px : ndarray, shape (N, 2)
        Its border in pixels (column, row) of the searched picture.
    area_mm2 : float or None
    """

    name: str
    polygon_px: Array
    area_mm2: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Scratch:
    """One scratch.

    Parameters
    ----------
    number : int
        From 1, the surest first; the number in the picture.
    path_px : ndarray, shape (N, 2)
        Its line from end to end in pixels (column, row) of the searched picture, N ≥ 2.
    path_mm : ndarray, shape (N, 2), or None
        The same in the blade frame (tip at the origin, x ≤ 0, y from edge to spine), or in the frame of the
        strip or mat where no tip is seen; None without a scale.
    length_px : float
    length_mm : float or None
    ends_std_mm : float or None
        Standard uncertainty of each end along the scratch.
    width_mm : float or None
        None where it isn't wider than the photo's pixel, or without a scale.
    width_px : float
        1 or less: not wider than the pixel.
    contrast : float
        Height over its surroundings in sigmas of the region's texture; positive is brighter.
    tone : {"bright", "dark", "bright and dark"}
    angle_rad : float
        To the blade's axis, as `RegionLay.direction_rad`.
    lay_angle_rad : float or None
        Smallest angle to the region's lay, 0 to π/2; None without a lay.
    along_lay : bool
        Found by the test for scratches along the lay.
    region : str
    log_nfa : float
        Decimal logarithm of the expected number of false finds as striking as this one on such a face.
    certainty : float
        0 to 1, that it isn't the surface's own texture.
    group : int or None
        Index into `FinishFace.groups`.
    change : {"new", "unchanged", "cannot tell"} or None
        Against the earlier photo; None if there is none.
    change_certainty : float or None
    grit : str or None
        The FEPA grits whose grains are that wide, as "P120 to P180", where the width is resolved.
    ends_mm : ndarray, shape (2, 2), or None
        Of both ends, the distance from the tip along the blade and the height over the edge there; None where
        no blade's outline is seen.
    """

    number: int
    path_px: Array
    path_mm: Array | None
    length_px: float
    length_mm: float | None
    ends_std_mm: float | None
    width_mm: float | None
    width_px: float
    contrast: float
    tone: Tone
    angle_rad: float
    lay_angle_rad: float | None
    along_lay: bool
    region: str
    log_nfa: float
    certainty: float
    group: int | None = None
    change: Change | None = None
    change_certainty: float | None = None
    grit: str | None = None
    ends_mm: Array | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Scratches that likely have one origin.

    Parameters
    ----------
    origin : {"coarser grit", "draw direction", "handling"}
        Left from a coarser grit; along the way into the sheath, as grit in a sheath or under tape leaves;
        a single one from handling.
    numbers : tuple of int
        The scratches' numbers.
    angle_rad, spread_rad : float
        Mean direction and its spread (one sigma).
    reading : str
        One sentence with "likely".
    advice : str
        What to do at the bench.
    """

    origin: Literal["coarser grit", "draw direction", "handling"]
    numbers: tuple[int, ...]
    angle_rad: float
    spread_rad: float
    reading: str
    advice: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Gone:
    """A scratch of the earlier photo that isn't there now.

    Parameters
    ----------
    path_px : ndarray, shape (N, 2)
        Where it was, in pixels of the picture searched now.
    path_mm : ndarray, shape (N, 2), or None
    length_mm : float or None
    change : {"gone", "cannot tell"}
        "cannot tell" if it couldn't have been found now.
    certainty : float
    region : str
    """

    path_px: Array
    path_mm: Array | None
    length_mm: float | None
    change: Change
    certainty: float
    region: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Earlier:
    """The comparison with an earlier photo of the same face.

    Parameters
    ----------
    photo_name, photo_sha256 : str
    gone : tuple of Gone
    outline_rms_mm : float or None
        Residual of laying the earlier outline onto this one.
    per_cm2_mm : dict of str to float
        Scratch length per cm² by region then.
    share : dict of str to float
        Share of the area by region then.
    """

    photo_name: str
    photo_sha256: str
    gone: tuple[Gone, ...]
    outline_rms_mm: float | None
    per_cm2_mm: dict[str, float]
    share: dict[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishFace:
    """The finish of one face.

    Parameters
    ----------
    side : str
        ``left``, ``right``, or ``""`` where no blade's outline tells.
    frame : {"blade", "mat", "strip", "picture"}
        What `path_mm` refers to; "picture" has none.
    photos : tuple of dict of str to str
        ``name`` and ``sha256`` of each photo that was combined, the one that is shown first.
    mm_per_px : float or None
    regions : tuple of RegionFinish
    excluded : tuple of Excluded
    scratches : tuple of Scratch
        The surest first.
    groups : tuple of Group
    earlier : Earlier or None
    false_finds : float
        The setting: expected number of false finds on this face.
    flags : tuple of str
        Names from `grindcheck.flags.FLAGS`.
    drawing : Any
        What the picture needs: ``picture`` (uint8 BGR, the searched picture as the photo stores it).
    """

    side: str
    frame: Literal["blade", "mat", "strip", "picture"]
    photos: tuple[dict[str, str], ...]
    mm_per_px: float | None
    regions: tuple[RegionFinish, ...]
    excluded: tuple[Excluded, ...]
    scratches: tuple[Scratch, ...]
    groups: tuple[Group, ...]
    earlier: Earlier | None
    false_finds: float
    flags: tuple[str, ...]
    drawing: Any = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finish:
    """All faces of one finish check.

    Parameters
    ----------
    faces : tuple of FinishFace
    flags : tuple of str
        Reservations about the check as a whole.
    """

    faces: tuple[FinishFace, ...]
    flags: tuple[str, ...] = ()
