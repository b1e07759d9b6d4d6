"""The tool against a calliper: how far apart, whether more than either allows, whether it grows with size.

References
----------
J. M. Bland and D. G. Altman, Statistical methods for assessing agreement between two methods of clinical
measurement, Lancet 327 (1986), for the limits of agreement and the plot.
ISO 13528:2022, for the normalised error.
R. T. Birge, The calculation of errors by the method of least squares, Phys. Rev. 40 (1932), for the sum of
squares as a test of stated uncertainties.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from grindcheck.errors import InputError
from grindcheck.geometry import Array, frozen
from grindcheck.settings import COVERAGE_FACTOR

_FEWEST = 3
_LEVEL = 0.95
_SPREADS = 1.96  # limits that hold 95 % of normal differences


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """How two ways of measuring agree; all in the unit of the values.

    Parameters
    ----------
    mean, difference : ndarray, shape (N,)
        Of each pair: mean of both, and the tool less the calliper.
    bias : float
        Mean difference.
    bias_low, bias_high : float
        Interval that holds the true bias in 95 of 100 such comparisons.
    std : float
        Of the differences.
    low, high : float
        Limits of agreement: 95 % of differences lie between.
    slope : float
        Growth of the difference with the mean.
    slope_p : float
        Probability of so steep a growth by chance.
    normalised : ndarray, shape (N,), or None
        Difference over the root of both uncertainties (k = 2) squared; beyond 1 they disagree. None where no
        uncertainty was told.
    chi_square : float or None
        Sum of the squares of differences over their standard uncertainties; of as many degrees of freedom as
        there are pairs, if the uncertainties are true. None as above.
    chi_square_p : float or None
        Probability of a sum as large by chance.
    """

    mean: Array
    difference: Array
    bias: float
    bias_low: float
    bias_high: float
    std: float
    low: float
    high: float
    slope: float
    slope_p: float
    normalised: Array | None
    chi_square: float | None = None
    chi_square_p: float | None = None

    @property
    def disagree(self) -> int:
        """Count the pairs that differ by more than both uncertainties allow."""
        return 0 if self.normalised is None else int((np.abs(self.normalised) > 1).sum())


def agreement(
    tool: ArrayLike,
    calliper: ArrayLike,
    *,
    tool_expanded: ArrayLike | None = None,
    calliper_expanded: float = 0.0,
) -> Agreement:
    """Compare pairs of values of the same things.

    Parameters
    ----------
    tool, calliper : array_like, shape (N,)
        Same order, same unit.
    tool_expanded : array_like, shape (N,), optional
        Expanded uncertainty (k = 2) of each of the tool's values.
    calliper_expanded : float
        The same of the calliper's.

    Returns
    -------
    Agreement

    Raises
    ------
    InputError
        If there are fewer than three pairs.
    """
    from scipy import stats

    tool, calliper = np.asarray(tool, dtype=np.float64), np.asarray(calliper, dtype=np.float64)
    if tool.shape != calliper.shape or tool.ndim != 1:
        raise ValueError(f"shapes {tool.shape} and {calliper.shape} don't pair up")
    count = len(tool)
    if count < _FEWEST:
        raise InputError(
            f"{count} blades have a calliper value, {_FEWEST} at least are needed.",
            advice="Measure five to ten blades with the calliper; more tell the limits better.",
        )
    difference, mean = tool - calliper, (tool + calliper) / 2
    bias, std = float(difference.mean()), float(difference.std(ddof=1))
    half = float(stats.t.ppf(0.5 + _LEVEL / 2, count - 1)) * std / np.sqrt(count)
    slope, p = 0.0, 1.0
    if np.ptp(mean) > 0 and std > 0:
        line = stats.linregress(mean, difference)
        slope, p = float(line.slope), float(line.pvalue)
    normalised = square = square_p = None
    if tool_expanded is not None:
        both = np.hypot(np.asarray(tool_expanded, dtype=np.float64), calliper_expanded)
        normalised = frozen(difference / np.maximum(both, 1e-12))
        square = float(np.sum((COVERAGE_FACTOR * normalised) ** 2))
        square_p = float(stats.chi2.sf(square, count))
    return Agreement(
        mean=frozen(mean), difference=frozen(difference), bias=bias,
        bias_low=bias - half, bias_high=bias + half, std=std,
        low=bias - _SPREADS * std, high=bias + _SPREADS * std,
        slope=slope, slope_p=p, normalised=normalised, chi_square=square, chi_square_p=square_p,
    )  # fmt: skip
