"""How small a scratch this very photo would show: from its noise, its texture and what the search asks."""

from dataclasses import dataclass

import numpy as np

from grindcheck.finish.search import Scan
from grindcheck.finish.texture import PROFILE_PX
from grindcheck.geometry import Array

CONTRAST = 2.0  # sigmas; a scratch that one sees without looking for it stands out by about that
ALONG_PX = 200.0  # length at which the limit along the lay is told
_WIDTH_PX = 2.0
_SURE = 1.2816  # what nine in ten normal variables exceed, below the mean
_CAUGHT = (
    0.75  # of a scratch's length, at least, lies in one of the searched lines that begin every half length
)
_LONGEST_PX = 4096.0
_NEAR_RAD = np.deg2rad(np.arange(-9.5, 10.0, 1.0))
_FINER = 4  # steps between a spectrum's own frequencies: a line longer than its blocks asks for that


@dataclass(frozen=True, slots=True, kw_only=True)
class Findable:
    """What is found in nine of ten cases.

    Parameters
    ----------
    length_px : float
        Shortest scratch off the lay, 2 px wide, of the contrast `CONTRAST`.
    along_contrast : float
        Least contrast, in sigmas, of one that is `ALONG_PX` long and runs along the lay.
    """

    length_px: float
    along_contrast: float


def findable(scan: Scan) -> Findable:
    """Work out what a scan finds.

    Parameters
    ----------
    scan : Scan

    Returns
    -------
    Findable

    Notes
    -----
    A line of contrast c gives the evidence c·r a pixel, where r is what the texture's filter leaves of a line
    two pixels wide, the middle over all directions. The sum over n pixels has the standard deviation s·√n. It
    must exceed what the law of the texture asks, and by 1.28 more in nine of ten cases.

    Along the lay most of what tells of a line lies near its ends, so that its whole length counts:
    `line_sum`, and of the directions within 10° the one that nine in ten exceed.
    """
    plain, near = scan.look(near_lay=False), scan.look(near_lay=True)
    every = np.arange(0, np.pi, np.pi / 18)
    middle = float(np.median([line_response(plain.texture.power, angle) for angle in every]))
    lengths, along = [], []
    for law in plain.laws:
        per_px = CONTRAST * middle / law.unit_std
        length = ((law.needed(scan.limit) + _SURE) / per_px) ** 2 / _CAUGHT
        lengths.append(max(length, law.length_px / 2 / _CAUGHT))
    some = _NEAR_RAD if near.near_lay else every
    for law in near.laws:
        sums = [line_sum(near.texture.power, angle, ALONG_PX, law.length_px) for angle in some]
        stands_out = _CAUGHT * float(np.quantile(sums, 0.1)) / (law.unit_std * np.sqrt(law.length_px))
        along.append((law.needed(scan.limit) + _SURE) / stands_out)
    return Findable(
        length_px=float(min(lengths, default=_LONGEST_PX)), along_contrast=float(min(along, default=np.inf))
    )


def line_sum(power: Array, angle_rad: float, length_px: float, summed_px: float) -> float:
    """Return the sum of the evidence along a part of a line of contrast 1, two pixels wide.

    Parameters
    ----------
    power : ndarray, shape (rows, columns)
        See `grindcheck.finish.texture.Texture`.
    angle_rad : float
        From +x towards +y.
    length_px, summed_px : float
        Of the line, and of the sum, whose middle is the line's.

    Notes
    -----
    Parseval's theorem: the integral over all frequencies of the line's transform, the sum's, and the filter.
    """
    import cv2

    rows, columns = power.shape
    x, y = (np.arange(-0.5, 0.5, 1.0 / (_FINER * side)) for side in (columns, rows))
    shape = len(y), len(x)
    column = np.broadcast_to(np.mod(x * columns, columns), shape).astype(np.float32)
    row = np.broadcast_to(np.mod(y * rows, rows)[:, None], shape).astype(np.float32)
    wrapped = np.pad(power, ((0, 1), (0, 1)), mode="wrap").astype(np.float32)
    at = np.asarray(cv2.remap(wrapped, column, row, cv2.INTER_LINEAR), dtype=np.float64)
    along = x * np.cos(angle_rad) + y[:, None] * np.sin(angle_rad)
    across = y[:, None] * np.cos(angle_rad) - x * np.sin(angle_rad)
    line = _WIDTH_PX * np.sinc(_WIDTH_PX * across) * length_px * np.sinc(length_px * along)
    blur = np.exp(-2.0 * (np.pi * PROFILE_PX) ** 2 * (along**2 + across**2))
    total = np.sum(line * summed_px * np.sinc(summed_px * along) * blur / at)
    return float(total / (len(x) * len(y)))


def line_response(power: Array, angle_rad: float) -> float:
    """Return the evidence by pixel of a line of contrast 1, two pixels wide, along a direction.

    Parameters
    ----------
    power : ndarray, shape (rows, columns)
        See `grindcheck.finish.texture.Texture`.
    angle_rad : float
        From +x towards +y.

    Notes
    -----
    The integral over the frequencies square to the line (the projection slice theorem).
    """
    import cv2

    block = np.array(power.shape[::-1])
    step = 1.0 / block.max()
    frequency = np.arange(-block.max() / 2 + 1, block.max() / 2) * step
    normal = np.array([-np.sin(angle_rad), np.cos(angle_rad)])
    places = np.mod(frequency[:, None] * normal * block, block)
    wrapped = np.pad(power, ((0, 1), (0, 1)), mode="wrap").astype(np.float32)
    at = cv2.remap(  # type: ignore[call-overload]
        wrapped, places[:, None].astype(np.float32), None, cv2.INTER_LINEAR
    )[:, 0].astype(np.float64)
    blur = np.exp(-2.0 * (np.pi * PROFILE_PX * frequency) ** 2)
    return float(np.sum(np.sinc(_WIDTH_PX * frequency) * blur / at) * _WIDTH_PX * step)
