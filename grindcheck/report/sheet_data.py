"""What a knife's sheet may say, as plain values."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from grindcheck.flatness import Flatness


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetPhoto:
    """A photo of a face.

    Parameters
    ----------
    path : Path
        JPEG, PNG or HEIC; only its pixels, reduced, get into the sheet.
    caption : str
        As "left face"; may be empty.
    """

    path: Path
    caption: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetFigure:
    """One row of the table of both faces.

    Parameters
    ----------
    name : str
        As "plunge at mid-height".
    left, right : float or None
        As measured on each face, where it is.
    difference, expanded : float
        Left minus right and its expanded uncertainty.
    unit : {"mm", "rad"}
    """

    name: str
    left: float | None
    right: float | None
    difference: float
    expanded: float
    unit: Literal["mm", "rad"] = "mm"


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetBudget:
    """Where the uncertainty of one difference comes from.

    Parameters
    ----------
    name : str
        Of the difference, as "plunge at mid-height".
    expanded : float
        Its expanded uncertainty.
    shares : tuple of (str, float)
        Each source's name and its share of the variance, 0 to 1, the largest first; together 1.
    unit : {"mm", "rad"}
    """

    name: str
    expanded: float
    shares: tuple[tuple[str, float], ...]
    unit: Literal["mm", "rad"] = "mm"


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetCheck:
    """What a check of both faces or of the finish said.

    Parameters
    ----------
    decision : str
        ``match``, ``mismatch``, ``clean``, ``scratched`` or ``cannot tell``.
    sentence : str
        What decides it; may be empty.
    on : date
        When it was measured.
    figures : tuple of SheetFigure
        Of both faces; empty for a finish.
    budget : SheetBudget or None
        Of the difference that decides; None for a finish.
    """

    decision: str
    sentence: str
    on: date
    figures: tuple[SheetFigure, ...] = ()
    budget: SheetBudget | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KnifeSheet:
    """All that a sheet may say; what is empty or None is left out.

    Parameters
    ----------
    name : str
    made_on : date
        The date that the sheet bears.
    maker, pattern, steel, grind : str
    thickness_mm : float or None
        Of the stock.
    heat_treatment : tuple of (str, str)
        As ("hardened", "1060 °C, 10 min, oil").
    abrasive_steps : tuple of str
        In their order.
    notes : str
        For the buyer.
    photos : tuple of SheetPhoto
        Two at most are shown.
    symmetry, finish : SheetCheck or None
    flatness : Flatness or None
    """

    name: str
    made_on: date
    maker: str = ""
    pattern: str = ""
    steel: str = ""
    grind: str = ""
    thickness_mm: float | None = None
    heat_treatment: tuple[tuple[str, str], ...] = ()
    abrasive_steps: tuple[str, ...] = ()
    notes: str = ""
    photos: tuple[SheetPhoto, ...] = ()
    symmetry: SheetCheck | None = None
    finish: SheetCheck | None = None
    flatness: "Flatness | None" = None
