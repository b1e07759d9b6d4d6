"""Brightness and lay of a face, pixel by pixel: what tells a flat from a bevel."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grindcheck.rectify import Face

_DARKEST = 0.004  # linear; the logarithm is kept from the sensor's noise


@dataclass(frozen=True, slots=True, kw_only=True)
class Lay:
    """Maps over a face's grid.

    Parameters
    ----------
    brightness : ndarray, shape (rows, columns), float32
        Natural logarithm of the mean linear channel.
    energy_x, energy_y : ndarray, shape (rows, columns), float32
        Squared derivative of the brightness along x (large where lines run across the blade) and y, averaged.
    """

    brightness: NDArray[np.float32]
    energy_x: NDArray[np.float32]
    energy_y: NDArray[np.float32]

    @property
    def across(self) -> NDArray[np.float32]:
        """−1 where all lines run along the blade, +1 where all run across, 0 without lay."""
        total = self.energy_x + self.energy_y
        np.maximum(total, 1e-9, out=total)
        apart = self.energy_x - self.energy_y
        return np.asarray(np.divide(apart, total, out=apart))

    def upside_down(self) -> "Lay":
        """Return the maps with y reversed."""
        return Lay(
            **{
                name: np.ascontiguousarray(getattr(self, name)[::-1])
                for name in ("brightness", "energy_x", "energy_y")
            }
        )


def lay_of(face: Face, *, derivative_mm: float = 0.12, average_mm: float = 0.6) -> Lay:
    """Compute brightness and lay.

    Parameters
    ----------
    face : Face
        In the face frame: x along the blade.
    derivative_mm, average_mm : float
        Gaussian sizes (one sigma) at which lines are seen and averaged.

    Returns
    -------
    Lay

    Notes
    -----
    The diagonal of the structure tensor (Bigün and Granlund 1987) in the blade's axes: a lay runs along or
    across a blade, so the mixed term is left out.
    """
    import cv2

    mean = cv2.transform(face.linear, np.full((1, 3), 1 / 3, dtype=np.float32))
    brightness = np.log(np.maximum(mean, _DARKEST, out=mean), out=mean)
    sigma = max(derivative_mm / face.plane.step_mm, 0.8)
    smooth = cv2.GaussianBlur(brightness, (0, 0), sigma)
    slopes = (cv2.Sobel(smooth, cv2.CV_32F, *axes, ksize=3, scale=0.125) for axes in ((1, 0), (0, 1)))
    energy_x, energy_y = (
        _averaged(np.multiply(slope, slope, out=slope), average_mm / face.plane.step_mm) for slope in slopes
    )
    return Lay(brightness=brightness, energy_x=energy_x, energy_y=energy_y)


def _averaged(picture: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    """Gaussian average over many pixels, worked out at half the size: what is lost is finer than it shows."""
    import cv2

    rows, columns = picture.shape
    if sigma < 4.0:
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma), dtype=np.float32)
    half = cv2.resize(picture, ((columns + 1) // 2, (rows + 1) // 2), interpolation=cv2.INTER_AREA)
    half = cv2.GaussianBlur(half, (0, 0), sigma / 2)
    return np.asarray(cv2.resize(half, (columns, rows), interpolation=cv2.INTER_LINEAR), dtype=np.float32)
