"""A second bevel ground at the spine before the tip: where it begins, and how much of the blade it leaves."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

_RUN_IN = 0.3  # share of its length over which a swage comes down from the spine


@dataclass(frozen=True, kw_only=True)
class Swage:
    """A swage, the same on both faces; a plane slope from its lower line up to the spine.

    Parameters
    ----------
    length_mm : float
        From the tip back to where it begins on the spine.
    height_mm : float
        From its lower line up to the spine once it has its full width.
    rest_mm : float
        Thickness left at the spine where it has its full width.
    """

    length_mm: float
    height_mm: float
    rest_mm: float

    def low(self, x: ArrayLike, spine_mm: ArrayLike) -> Array:
        """Height of its lower line at x, below a spine of that height; the spine itself before its begin."""
        share = np.clip((np.asarray(x, float) + self.length_mm) / (_RUN_IN * self.length_mm), 0, 1)
        return np.asarray(spine_mm, float) - self.height_mm * (1 - (1 - share) ** 2)

    def half(self, flat_mm: float, x: ArrayLike, y: ArrayLike, spine_mm: ArrayLike) -> Array:
        """Half thickness that it leaves at (x, y) of a flat of half thickness ``flat_mm``."""
        fall = (flat_mm - self.rest_mm / 2) / self.height_mm
        return flat_mm - fall * np.maximum(np.asarray(y, float) - self.low(x, spine_mm), 0)
