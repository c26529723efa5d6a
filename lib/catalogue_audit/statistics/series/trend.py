"""Monotone trends: Theil-Sen, Mann-Kendall."""

import math
from typing import NamedTuple

import numpy as np
from scipy import special

THEIL_SEN_POINTS = 1000  # more points are first reduced to medians of equal blocks: pairs grow with the square


class MannKendall(NamedTuple):
    """Statistic ``s``, its variance under no trend, normal score, two-sided p-value, Kendall's tau (a)."""

    s: int
    variance: float
    z: float
    p: float
    tau: float


def theil_sen(values, positions=None, confidence=0.95):
    """
    Median of the slopes between all pairs of points.

    Parameters
    ----------
    values : (n,) array_like of float
        No missing value.
    positions : (n,) array_like of float, optional
        Defaults to 0, 1, 2, ...
    confidence : float

    Returns
    -------
    slope, intercept, low, high : float
        ``intercept`` is median(y) - slope median(x); ``low`` and ``high`` limit
        the slope at the given confidence. NaN for fewer than two points; limits NaN where nearly all values are tied.

    References
    ----------
    .. [1] P. K. Sen, "Estimates of the Regression Coefficient Based on
       Kendall's Tau", J. Amer. Statist. Assoc. 63 (1968) 1379-1389.

    Examples
    --------
    >>> theil_sen([0.0, 2.0, 4.0, 6.0, 60.0])[0]
    2.0
    """
    y = np.array(values, dtype=float)
    x = np.arange(y.size, dtype=float) if positions is None else np.array(positions, dtype=float)
    if y.size < 2 or np.ptp(x) == 0:
        return (math.nan,) * 4
    if y.size > THEIL_SEN_POINTS:
        blocks = np.array_split(np.arange(y.size), THEIL_SEN_POINTS)
        x = np.array([np.median(x[block]) for block in blocks])
        y = np.array([np.median(y[block]) for block in blocks])
    from scipy import stats  # 40 MB that an audit without a series does without

    with np.errstate(invalid="ignore"):  # where nearly all values are tied the limits' variance comes out below zero
        fit = stats.theilslopes(y, x, confidence)
    return float(fit.slope), float(fit.intercept), float(fit.low_slope), float(fit.high_slope)


def mann_kendall(values):
    """
    Mann-Kendall test for a monotone trend, with the correction for ties.

    Parameters
    ----------
    values : (n,) array_like of float
        In order; no missing value.

    Returns
    -------
    MannKendall
        ``p`` is 1 where nothing can be said (fewer than three values, all equal).

    Notes
    -----
    A step is a trend to this test too: look for steps first.

    References
    ----------
    .. [1] H. B. Mann, "Nonparametric Tests Against Trend", Econometrica 13 (1945) 245-259.
    .. [2] M. G. Kendall, *Rank Correlation Methods* (1948).

    Examples
    --------
    >>> mann_kendall([1, 2, 3, 4]).s
    6
    """
    y = np.array(values, dtype=float)
    n = y.size
    pairs = n * (n - 1) / 2
    _, ties = np.unique(y, return_counts=True)
    variance = (n * (n - 1) * (2 * n + 5) - float((ties * (ties - 1.0) * (2 * ties + 5)).sum())) / 18
    if n < 3 or variance <= 0:
        return MannKendall(0, max(variance, 0.0), 0.0, 1.0, 0.0)
    s = _rising_less_falling(y)
    z = (s - np.sign(s)) / math.sqrt(variance)
    return MannKendall(s, variance, float(z), float(2 * special.ndtr(-abs(z))), s / pairs)


def _rising_less_falling(y):
    """Pairs of values that rise from the earlier to the later, less those that fall: counted bit by bit of their ranks, in n log n steps."""
    ranks = np.unique(y, return_inverse=True)[1].ravel()
    total = 0
    for bit in range(int(ranks.max()).bit_length()):
        order = np.argsort(ranks >> (bit + 1), kind="stable")  # values alike but for this bit and lower ones, in their order
        group, upper = (ranks >> (bit + 1))[order], (ranks[order] >> bit) & 1
        first = np.searchsorted(group, group)  # where each one's group begins
        ones = np.concatenate([[0], np.cumsum(upper)])
        ones_before = ones[:-1] - ones[first]
        zeros_before = np.arange(y.size) - first - ones_before
        total += int(zeros_before[upper == 1].sum()) - int(ones_before[upper == 0].sum())
    return total
