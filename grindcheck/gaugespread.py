"""Standard deviations with the interval that so few values allow."""

from dataclasses import dataclass

import numpy as np

_LEVEL = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """A standard deviation and the interval that holds the true one in 95 of 100 studies.

    Parameters
    ----------
    std : float
    low, high : float
        ``high`` may be infinite: the study is too small to bound it.
    """

    std: float
    low: float
    high: float


def summed(squares: list[tuple[float, float]]) -> Spread:
    """Return the root of a sum of independent mean squares, with its interval.

    Parameters
    ----------
    squares : list of (float, float)
        Each share of a mean square, and its degrees of freedom.

    Returns
    -------
    Spread

    Notes
    -----
    Modified large sample limits (Graybill and Wang 1980; Burdick and Larsen 1997 for gauge studies), which
    hold although two or three people have next to no degrees of freedom; Satterthwaite's don't.
    """
    from scipy import stats

    tail = (1 - _LEVEL) / 2
    total = sum(square for square, _ in squares)
    above = below = 0.0
    for square, freedom in squares:
        if square <= 0 or freedom <= 0:
            continue
        low, high = stats.chi2.ppf([tail, 1 - tail], freedom)
        above += (square * (freedom / low - 1)) ** 2
        below += (square * (1 - freedom / high)) ** 2
    return Spread(
        std=float(np.sqrt(total)),
        low=float(np.sqrt(max(total - np.sqrt(below), 0.0))),
        high=float(np.sqrt(total + np.sqrt(above))),
    )


def spread(variance: float, freedom: float) -> Spread:
    """Return the root of one mean square, with the interval of its chi-square distribution.

    Parameters
    ----------
    variance, freedom : float
        Mean square and its degrees of freedom.
    """
    from scipy import stats

    tail = (1 - _LEVEL) / 2
    low, high = stats.chi2.ppf([1 - tail, tail], freedom)
    return Spread(
        std=float(np.sqrt(variance)),
        low=float(np.sqrt(variance * freedom / low)),
        high=float(np.sqrt(variance * freedom / high)) if high > 0 else float("inf"),
    )
