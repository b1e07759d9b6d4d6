"""How many millimetres a pixel covers at a place of the photo, and how surely that is known."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from grindcheck.camera import Camera
from grindcheck.geometry import Array

_STEP_SIGMAS = 1e-3  # of the numeric derivatives


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelScale:
    """The scale at one place.

    Parameters
    ----------
    mm_per_px : float
        Mean of both directions: the square root of the area that a pixel covers.
    std : float
        Standard uncertainty of it, in mm per pixel.
    components : dict of str to float
        Standard uncertainty by source: ``camera`` (lens and pose, as far as the corners and the priors leave
        them open), ``height`` (of the plane), ``print`` (an error of the print that both axes share).
    """

    mm_per_px: float
    std: float
    components: dict[str, float]


def scale_at(
    camera: Camera, at_px: ArrayLike, height_mm: float, *, height_std_mm: float = 0.0, print_std: float = 0.0
) -> PixelScale:
    """Tell the scale at a place of the photo, in a plane parallel to the paper.

    Parameters
    ----------
    camera : Camera
    at_px : array_like, shape (2,)
        The place, in pixels of the photo.
    height_mm, height_std_mm : float
        Height of the plane over the paper and its standard uncertainty: a blade's upper flat lies one stock
        thickness above the mat or the strip beside it.
    print_std : float
        Relative standard uncertainty of the print's scale, common to both of its axes.

    Returns
    -------
    PixelScale

    Notes
    -----
    First order in the camera's covariance, which grows by itself with the distance from the strip. The scale
    falls by one over the camera's distance for each millimetre of height.
    """
    around = np.asarray(at_px, dtype=np.float64) + np.array(
        [[-0.5, 0.0], [0.5, 0.0], [0.0, -0.5], [0.0, 0.5]]
    )

    def step_mm(parameters: Array, height: float) -> float:
        mm = camera.with_parameters(parameters).mm_from_px(around, height)
        return float(np.sqrt(np.abs(np.linalg.det([mm[1] - mm[0], mm[3] - mm[2]]))))

    here = camera.parameters
    stds = np.sqrt(np.clip(np.diag(camera.covariance), 0.0, None))
    gradient = np.zeros(len(here))
    for index in np.flatnonzero(stds > 0):
        move = np.zeros(len(here))
        move[index] = _STEP_SIGMAS * stds[index]
        ahead, behind = step_mm(here + move, height_mm), step_mm(here - move, height_mm)
        gradient[index] = (ahead - behind) / (2 * move[index])
    value = step_mm(here, height_mm)
    by_height = step_mm(here, height_mm + 0.5) - step_mm(here, height_mm - 0.5)
    components = {
        "camera": float(np.sqrt(np.clip(gradient @ camera.covariance @ gradient, 0.0, None))),
        "height": abs(by_height) * height_std_mm,
        "print": value * print_std,
    }
    return PixelScale(
        mm_per_px=value, std=float(np.sqrt(sum(one**2 for one in components.values()))), components=components
    )
