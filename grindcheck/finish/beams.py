"""Sums along straight lines of every direction at dyadic lengths, all at once."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

Sums = NDArray[np.float32]


def beam_sums(
    picture: Sums, *, first: int, last: int, steepest: float = 1.0
) -> Iterator[tuple[int, int, Sums]]:
    """Sum a picture along lines that run down and to the right.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns), float32
    first, last : int
        Powers of two: lines cross 2**first to 2**last rows.
    steepest : float
        Lines go aside by at most about this share of the rows they cross, 0 to 1.

    Yields
    ------
    power : int
        The lines cross 2**power rows.
    stride : int
        Rows between the starts of lines.
    sums : ndarray, shape (2**power, starts, columns), float32
        ``sums[d, i, x]``: the line from (x, i·stride) to (x + d, i·stride + 2**power − 1). Beyond the picture
        there is nothing to sum. One or two more slopes than `steepest` asks for.

    Notes
    -----
    The fast discrete Radon transform of Götz and Druckmüller (1996) and Brady (1998), kept local as in the
    multiscale line integrals of Brandt and Dym (1999): a line over 2n rows is two lines over n rows, the
    second begun where the first ends. Each level costs as many additions as twice the picture has pixels.
    Lines start at every half of their length, so that one lies within a quarter of its length of any place.
    Flipped and turned pictures give the other directions.
    """
    rows, columns = picture.shape
    height = max(-(-rows // (1 << (last - 1))) << (last - 1), 1 << last)
    whole = np.zeros((height, columns), np.float32)
    whole[:rows] = picture
    sums = whole[None]
    stride = 1
    for power in range(1, last + 1):
        half = 1 << (power - 1)
        step, off = max(half // stride, 1), half // stride
        starts = (sums.shape[1] - off - 1) // step + 1
        slopes = min(2 * half, int(steepest * 2 * half) + 2)
        longer = np.empty((slopes, starts, columns), np.float32)
        for slope in range((slopes + 1) // 2):
            upper = sums[slope, : (starts - 1) * step + 1 : step]
            lower = sums[slope, off : off + (starts - 1) * step + 1 : step]
            for more in (0, 1):
                if 2 * slope + more >= slopes:
                    break
                shift, out = slope + more, longer[2 * slope + more]
                if shift == 0:
                    np.add(upper, lower, out=out)
                elif shift < columns:
                    np.add(upper[:, :-shift], lower[:, shift:], out=out[:, :-shift])
                    out[:, -shift:] = upper[:, -shift:]
                else:
                    out[...] = upper
        sums, stride = longer, step * stride
        if power >= first:
            yield power, stride, sums
