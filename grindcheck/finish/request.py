"""What the user asks of a finish check."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from grindcheck.errors import InputError
from grindcheck.geometry import Array
from grindcheck.settings import EDGE_MM, FALSE_FINDS

if TYPE_CHECKING:
    from grindcheck.silhouette import Side


@dataclass(frozen=True, slots=True, kw_only=True)
class Mask:
    """A part of a photo that is not to be searched.

    Parameters
    ----------
    photo : int
        Index into `FinishRequest.photos`.
    polygon_px : ndarray, shape (N, 2)
        Its border in pixels of the upright photo, N ≥ 3.
    """

    photo: int
    polygon_px: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishRequest:
    """What the user asks for.

    Parameters
    ----------
    photos : tuple of Path
        One at least: of one face or of both, under one light or several.
    thickness_mm : float, optional
        Stock thickness; needed for photos on a mat (`needed_thickness`).
    height_mm : float, optional
        Height of the upper flat above the paper; default: the thickness.
    edge_mm : float
        Edge thickness before sharpening.
    paper : str, optional
        The mat that must be seen.
    bar_x_mm, bar_y_mm : float, optional
        Calliper readings of the mat's bars for this run.
    grind : str, optional
    faces : tuple of side, optional
        What each photo shows, in their order, when the user says so; default: told from tip and edge.
    masks : tuple of Mask
    before : tuple of Path
        Earlier photos, each of a face that is also among `photos`.
    false_finds : float
        Expected number of false finds on each face.
    kept_lens : bool
        Use the phone's lens as it was calibrated, if one is kept.
    """

    photos: tuple[Path, ...]
    thickness_mm: float | None = None
    height_mm: float | None = None
    edge_mm: float = EDGE_MM
    paper: str | None = None
    bar_x_mm: float | None = None
    bar_y_mm: float | None = None
    grind: str | None = None
    faces: "tuple[Side, ...] | None" = None
    masks: tuple[Mask, ...] = ()
    before: tuple[Path, ...] = ()
    false_finds: float = FALSE_FINDS
    kept_lens: bool = True

    def needed_thickness(self, photo_name: str) -> float:
        """Return the thickness, for a photo whose scale follows from a mat below the blade.

        Raises
        ------
        InputError
            If it wasn't given: lengths would be too large by the height's share of the camera's distance.
        """
        if self.thickness_mm is None:
            raise InputError(
                f"{photo_name} shows the mat, and the stock thickness is missing: 4 mm at 40 cm make every "
                "length 1 % too long.",
                advice="Measure the blade at the ricasso with a calliper and give it, as in --thickness 4mm.",
            )
        return self.thickness_mm
