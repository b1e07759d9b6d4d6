"""Factors of the range of normal values: what a mean range is divided by for a standard deviation."""

from functools import cache

import numpy as np

_MANY = 15  # ranges; beyond, the handbook takes d2 itself, which d2* comes to within 2 % then


def divisor(count: int, ranges: int = 1) -> float:
    """Return what the mean of some ranges is divided by for the standard deviation.

    Parameters
    ----------
    count : int
        Values of each range, two at least.
    ranges : int
        How many ranges the mean is of.

    Returns
    -------
    float
        d2* up to 15 ranges, with which the variance is unbiased; d2 beyond.

    References
    ----------
    A. J. Duncan, Quality Control and Industrial Statistics (1986), appendix, for d2*; AIAG, Measurement
    Systems Analysis, 4th edition (2010), appendix C and chapter III, for where it is used.
    """
    mean, std = d2_d3(count)
    return mean if ranges > _MANY else float(np.hypot(mean, std / np.sqrt(ranges)))


@cache
def d2_d3(count: int) -> tuple[float, float]:
    """Return mean and standard deviation of the range of ``count`` standard normal values.

    Parameters
    ----------
    count : int
        Two at least.

    Returns
    -------
    (float, float)

    Notes
    -----
    By numerical integration: the mean is ∫ (1 − Φⁿ − (1 − Φ)ⁿ) dx, the mean square twice the double integral
    of P(largest < y, smallest > x) (Tippett 1925).
    """
    from scipy.special import ndtr

    x = np.linspace(-8.5, 8.5, 1701)
    step = x[1] - x[0]
    phi = ndtr(x)
    mean = float((1 - phi**count - (1 - phi) ** count).sum() * step)
    upper, lower = phi[:, None], phi[None, :]
    inner = 1 - upper**count - (1 - lower) ** count + np.clip(upper - lower, 0, None) ** count
    weight = np.tril(np.ones_like(inner)) - 0.5 * np.eye(len(x))
    square = 2 * float((inner * weight).sum() * step**2)
    return mean, float(np.sqrt(square - mean**2))
