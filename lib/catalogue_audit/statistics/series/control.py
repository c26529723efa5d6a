"""Control charts: individuals and moving range, EWMA, CUSUM."""

import math
from typing import NamedTuple

import numpy as np

from catalogue_audit.statistics.robust import finite

D2_OF_TWO = 2 / math.sqrt(math.pi)  # 1.128379: mean range of two normal values, in sigmas
D3_OF_TWO = math.sqrt(2 - 4 / math.pi)  # 0.852502: standard deviation of that range
D4_OF_TWO = 1 + 3 * D3_OF_TWO / D2_OF_TWO  # 3.266532: upper limit of the moving range over its mean
MEDIAN_RANGE_OF_TWO = 0.9538725524089398  # sqrt(2) Phi^-1(3/4): median range of two normal values


class IndividualsChart(NamedTuple):
    """
    Individuals and moving-range chart.

    ``centre``, ``sigma``, ``lower`` and ``upper`` are the individuals' line and
    limits; ``range_centre`` and ``range_upper`` the moving range's;
    ``outside`` marks the individuals beyond their limits.
    """

    centre: float
    sigma: float
    lower: float
    upper: float
    range_centre: float
    range_upper: float
    outside: np.ndarray


class EwmaChart(NamedTuple):
    """Exponentially weighted moving average ``ewma`` with its limits, one a point."""

    ewma: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    outside: np.ndarray


class CusumChart(NamedTuple):
    """One-sided cumulative sums ``high`` and ``low``, and the points where either is beyond the limit."""

    high: np.ndarray
    low: np.ndarray
    outside: np.ndarray


def individuals_chart(values, d2=D2_OF_TWO, robust=False):
    """
    Limits ``centre +/- 3 MR / d2`` from the mean (or median) moving range.

    Parameters
    ----------
    values : (n,) array_like of float
        In order. Missing values are skipped: the range spans the gap.
    d2 : float
        Mean range of two over sigma. Printed charts use 1.128.
    robust : bool
        Take the median, and sigma from the median moving range over 0.9539,
        so that a few wrong pictures do not widen the limits.

    Returns
    -------
    IndividualsChart
        NaN limits for fewer than two values.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.

    Examples
    --------
    >>> chart = individuals_chart([49.0, 51.0, 49.0, 51.0])
    >>> chart.centre, chart.range_centre
    (50.0, 2.0)
    """
    array = np.array(values, dtype=float)
    sample = finite(array)
    if sample.size < 2:
        return IndividualsChart(*[math.nan] * 6, np.zeros(array.shape, bool))
    ranges = np.abs(np.diff(sample))
    if robust:
        centre, range_centre = float(np.median(sample)), float(np.median(ranges))
        sigma = range_centre / MEDIAN_RANGE_OF_TWO
    else:
        centre, range_centre = float(sample.mean()), float(ranges.mean())
        sigma = range_centre / d2
    lower, upper = centre - 3 * sigma, centre + 3 * sigma
    outside = (array < lower) | (array > upper)
    return IndividualsChart(centre, sigma, lower, upper, range_centre, D4_OF_TWO * D2_OF_TWO * sigma, outside)


def ewma_chart(values, centre, sigma, weight=0.2, width=3.0, asymptotic=False):
    """
    ``z_t = weight x_t + (1 - weight) z_(t-1)`` with its control limits.

    Parameters
    ----------
    values : (n,) array_like of float
        In order; a missing value leaves the average where it was.
    centre, sigma : float
        Target and standard deviation of one value; ``z_0`` is ``centre``.
    weight : float
        In (0, 1]; small weights see small shifts.
    width : float
        Half width of the limits, in standard deviations of the average.
    asymptotic : bool
        Constant limits as in the NIST handbook; else the exact ones, narrower at the start.

    Returns
    -------
    EwmaChart

    Raises
    ------
    ValueError
        If ``weight`` is not in (0, 1].

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4.
    """
    if not 0 < weight <= 1:
        msg = f"weight must be in (0, 1], got {weight}"
        raise ValueError(msg)
    array = np.array(values, dtype=float)
    averages, average = np.empty(array.size), float(centre)
    for index, value in enumerate(array):
        if math.isfinite(value):
            average = weight * value + (1 - weight) * average
        averages[index] = average
    ages = np.full(array.size, math.inf) if asymptotic else np.arange(1, array.size + 1)
    spread = width * sigma * np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * ages)))
    outside = np.abs(averages - centre) > spread
    return EwmaChart(averages, centre - spread, centre + spread, outside)


def cusum_chart(values, target, slack, limit):
    """
    Tabular CUSUM: sums of what exceeds ``target +/- slack``, never below 0.

    Parameters
    ----------
    values : (n,) array_like of float
        In order; a missing value leaves both sums where they were.
    target, slack, limit : float
        In the values' unit; a point is outside where a sum is above ``limit``.

    Returns
    -------
    CusumChart

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3.

    Examples
    --------
    >>> cusum_chart([10, 12, 12], target=10, slack=0.5, limit=2.5).high.tolist()
    [0.0, 1.5, 3.0]
    """
    array = np.array(values, dtype=float)
    high, low = np.zeros(array.size), np.zeros(array.size)
    above = below = 0.0
    for index, value in enumerate(array):
        if math.isfinite(value):
            above = max(0.0, above + value - (target + slack))
            below = max(0.0, below + (target - slack) - value)
        high[index], low[index] = above, below
    return CusumChart(high, low, (high > limit) | (low > limit))
