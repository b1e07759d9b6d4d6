"""One way to look at a region: its texture taken out, as it lies or turned so that the lay runs along x."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grindcheck.finish.directions import Directions
from grindcheck.finish.span import follow_span, stretched
from grindcheck.finish.tail import Law
from grindcheck.finish.texture import BLOCK, Texture, texture_of
from grindcheck.finish.trace import Path, follow
from grindcheck.geometry import Array, Rigid

_STRAIGHT_RAD = np.deg2rad(1.0)  # a lay so near to x stays as it is
_LONG_BLOCK = 4 * BLOCK  # pixels along the lay, where a texture hardly changes
_BLOCKS = 2  # at least, that long, in the region along the lay


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What is searched in one set of directions.

    Parameters
    ----------
    texture : Texture
        In the look's own pixels.
    directions : Directions
        In the look's own pixels.
    own_from_px : Rigid
        From the region's pixels to the look's.
    laws : tuple of Law
        What a line must reach, by length; empty before the search.
    """

    texture: Texture
    directions: Directions
    own_from_px: Rigid
    laws: tuple[Law, ...] = ()

    @property
    def near_lay(self) -> bool:
        """Whether it is for what runs along the lay."""
        return self.directions.near

    @property
    def ends_px(self) -> float:
        """What both ends of a line add to the variance of sums along it, as so many pixels of length.

        Along a lay a texture is strongly correlated. Taking that out leaves sums of which the variance grows
        slowly with length, and most of what tells of a line lies near its ends. A straight line through the
        variances of the shortest and the longest sums has both.
        """
        if len(self.laws) < 2:
            return 0.0
        short, long = self.laws[0], self.laws[-1]
        variance = [law.unit_std**2 * law.length_px for law in (short, long)]
        by_px = (variance[1] - variance[0]) / (long.length_px - short.length_px)
        return max(variance[0] / by_px - short.length_px, 0.0) if by_px > 0 else 0.0

    def law(self, length_px: float) -> Law:
        """Return what holds for lines of a length: that of the next shorter ones, or of the shortest."""
        return next((law for law in self.laws[::-1] if law.length_px <= length_px), self.laws[0])

    def follow(
        self, start_px: Array, end_px: Array, *, sign: float, pair: bool, unit_std: float
    ) -> Path | None:
        """Follow a scratch from a piece of it; see `grindcheck.finish.trace.follow`. In the look's pixels."""
        if not self.near_lay:
            return follow(self.texture, start_px, end_px, sign=sign, pair=pair, unit_std=unit_std)
        length_px = float(np.hypot(*(end_px - start_px))) + 1.0
        path = follow_span(
            self.texture,
            start_px,
            end_px,
            sign=sign,
            pair=pair,
            unit_std=unit_std * float(np.sqrt(length_px / (length_px + self.ends_px))),
            ends_px=self.ends_px,
        )
        return path if path is None or pair else stretched(self.texture, path, sign=sign)


def looks_at(grey: NDArray[np.float32], mask: NDArray[np.bool_], lay_rad: float | None) -> tuple[Look, ...]:
    """Return the ways to look at a region: as it lies, and with a lay along it.

    Parameters
    ----------
    grey : ndarray, shape (rows, columns), float32
    mask : ndarray of bool, shape (rows, columns)
    lay_rad : float or None
        From +x towards +y (down).

    Notes
    -----
    What tells a line from a lay that runs the same way lies in frequencies next to those of the lay. So
    along the lay the spectrum is taken in blocks four times as long, in a picture turned to it.
    """
    still = Rigid(angle_rad=0.0, shift=np.zeros(2))
    plain = Look(texture=texture_of(grey, mask), directions=Directions(lay_rad=lay_rad), own_from_px=still)
    if lay_rad is None:
        return (plain,)
    turned, inside, own_from_px = _turned(grey, mask, lay_rad)
    if not inside.any():
        return (plain,)
    runs = inside.sum(axis=1)
    long = BLOCK
    while long < _LONG_BLOCK and 2 * _BLOCKS * long <= np.median(runs[runs > 0]):
        long *= 2
    along = Look(
        texture=texture_of(turned, inside, block=(BLOCK, long)),
        directions=Directions(lay_rad=0.0, near=True),
        own_from_px=own_from_px,
    )
    return plain, along


def _turned(
    grey: NDArray[np.float32], mask: NDArray[np.bool_], lay_rad: float
) -> tuple[NDArray[np.float32], NDArray[np.bool_], Rigid]:
    """Turn a picture so that the lay runs along x; what isn't wholly seen is outside the mask."""
    import cv2

    folded = (lay_rad + np.pi / 2) % np.pi - np.pi / 2
    if abs(folded) < _STRAIGHT_RAD:
        return grey, mask, Rigid(angle_rad=0.0, shift=np.zeros(2))
    rows, columns = np.nonzero(mask)
    box = np.array([[x, y] for x in (columns.min(), columns.max()) for y in (rows.min(), rows.max())])
    corners = Rigid(angle_rad=-folded, shift=np.zeros(2))(box)
    own_from_px = Rigid(angle_rad=-folded, shift=-np.floor(corners.min(axis=0)))
    size = np.ceil(own_from_px(box).max(axis=0)).astype(int) + 1
    back = own_from_px.inverse()
    matrix = np.column_stack([_columns(back), back.shift])
    shape = int(size[0]), int(size[1])
    turned = cv2.warpAffine(
        grey,
        matrix,
        shape,
        flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    inside = cv2.warpAffine(
        mask.astype(np.float32), matrix, shape, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
    return np.asarray(turned, dtype=np.float32), np.asarray(inside > 0.999), own_from_px


def _columns(motion: Rigid) -> Array:
    """Return the (2, 2) matrix of a rigid motion's turn."""
    return (motion(np.eye(2)) - motion.shift).T
