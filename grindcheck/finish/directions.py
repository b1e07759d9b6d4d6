"""Which directions a search looks along, and which of them share one law of the texture."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grindcheck.geometry import Array

NEAR_LAY_RAD = np.deg2rad(10.0)
_BIN_RAD = np.deg2rad(10.0)
_SIDE = 9  # bins between the lay and the square to it
_MIDDLES = np.concatenate([np.arange(5.0, 90.0, 10.0), -np.arange(5.0, 90.0, 10.0)])  # of bins, degrees
_ALIKE_DEG = 25.0
_FINE_RAD = np.deg2rad(2.5)
_FINE_SIDE = 4  # bins between the lay and `NEAR_LAY_RAD`


@dataclass(frozen=True, slots=True, kw_only=True)
class Directions:
    """A search's directions, in bins of like angle to the lay.

    Parameters
    ----------
    lay_rad : float or None
        Direction of the lay in the picture, from +x towards +y (down); None without one.
    near : bool
        Only what runs within 10° of the lay; otherwise, with a lay, only what doesn't.
    """

    lay_rad: float | None
    near: bool = False

    @property
    def count(self) -> int:
        """Number of bins."""
        return 2 * (_FINE_SIDE if self.near else _SIDE)

    def bins(self, angle_rad: Array) -> NDArray[np.intp]:
        """Return the bin of each direction; −1 for one that isn't searched.

        Notes
        -----
        From the lay outwards on one side, then on the other. Without a lay from +x.
        """
        folded = (angle_rad - (self.lay_rad or 0.0) + np.pi / 2) % np.pi - np.pi / 2
        width, side = (_FINE_RAD, _FINE_SIDE) if self.near else (_BIN_RAD, _SIDE)
        step = np.minimum((np.abs(folded) / width).astype(np.intp), side - 1)
        found = step + side * (folded < 0)
        if self.lay_rad is not None:
            found = np.where((np.abs(folded) < NEAR_LAY_RAD) == self.near, found, -1)
        return np.asarray(found, dtype=np.intp)

    def alike(self, number: int) -> NDArray[np.intp]:
        """Return the bins whose texture may be expected to have the same law.

        Notes
        -----
        Several, so that their median isn't moved by scratches that run along one or two of them. Off the lay
        the same angle on either side, and the next. Without a lay only the directions beside it: one side's
        light stretches dents. Near the lay the same angle on either side: the lay's own grooves are the more
        of a texture the nearer one is to it.
        """
        if self.near:
            return np.array([number % _FINE_SIDE, number % _FINE_SIDE + _FINE_SIDE])
        if self.lay_rad is None:
            apart = np.abs((_MIDDLES - _MIDDLES[number] + 90.0) % 180.0 - 90.0)
            return np.flatnonzero(apart < _ALIKE_DEG)
        step = number % _SIDE
        steps = np.arange(max(step - 1, 1), min(step + 1, _SIDE - 1) + 1)
        return np.concatenate([steps, steps + _SIDE])
