"""Intervals that hold for few values and for values with outliers: Wilson, Hodges-Lehmann, Holm."""

import math

import numpy as np
from scipy import stats

from catalogue_audit.statistics.robust import finite


def wilson(count, number, confidence=0.95, design_effect=1.0):
    """
    Wilson's score interval of a proportion.

    Parameters
    ----------
    count, number : float
        `count` of `number`.
    confidence : float
    design_effect : float
        By how much the variance exceeds that of independent cases (cases that come in
        clumps): the number counts as ``number / design_effect``.

    Returns
    -------
    rate, low, high : float
        NaN where `number` is 0.

    References
    ----------
    .. [1] E. B. Wilson, "Probable Inference, the Law of Succession, and Statistical
       Inference", J. Amer. Statist. Assoc. 22 (1927) 209-212.

    Examples
    --------
    >>> [round(value, 4) for value in wilson(81, 263)]
    [0.308, 0.2553, 0.3662]
    """
    if not number:
        return (math.nan,) * 3
    rate, n = count / number, number / max(1.0, design_effect)
    z = float(stats.norm.ppf(0.5 + confidence / 2))
    middle = (rate + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(rate * (1 - rate) / n + z * z / (4 * n * n))
    return rate, max(0.0, middle - half), min(1.0, middle + half)


def clumping(counts, numbers):
    """
    Design effect of a proportion over clumps: variance between them over that of independent cases.

    Parameters
    ----------
    counts, numbers : (n,) array_like of float
        Cases and all, one clump each.

    Returns
    -------
    float
        At least 1, and no more than the mean size of a clump.

    References
    ----------
    .. [1] J. N. K. Rao and A. J. Scott, "A Simple Method for the Analysis of Clustered
       Binary Data", Biometrics 48 (1992) 577-585.

    Examples
    --------
    >>> clumping([5, 5, 5], [10, 10, 10]), clumping([10, 0, 10, 0], [10, 10, 10, 10]) > 5
    (1.0, True)
    """
    counts, numbers = np.array(counts, dtype=float), np.array(numbers, dtype=float)
    counts, numbers = counts[numbers > 0], numbers[numbers > 0]
    rate = counts.sum() / numbers.sum() if numbers.size else 0.0
    if numbers.size < 2 or rate in (0.0, 1.0):
        return 1.0
    clumps = numbers.size
    variance = clumps / (clumps - 1) * float(((counts - numbers * rate) ** 2).sum()) / numbers.sum() ** 2
    independent = rate * (1 - rate) / numbers.sum()
    return float(min(max(1.0, variance / independent), max(1.0, numbers.mean())))


def hodges_lehmann(values, confidence=0.95):
    """
    Centre of a sample, the median of all means of two, with its signed-rank interval.

    Withstands 29 % of outliers and has 96 % of the mean's efficiency for normal values.

    Parameters
    ----------
    values : array_like of float
        Missing values are left out.

    Returns
    -------
    centre, low, high : float
        NaN where unknown; low and high are NaN where the sample is too small for the confidence.

    References
    ----------
    .. [1] J. L. Hodges and E. L. Lehmann, "Estimates of Location Based on Rank Tests",
       Ann. Math. Statist. 34 (1963) 598-611.
    .. [2] M. Hollander and D. A. Wolfe, *Nonparametric Statistical Methods*, 2nd ed.
       (1999), section 3.3, large-sample form of the interval.

    Examples
    --------
    >>> hodges_lehmann([1.0, 2.0, 3.0, 4.0, 100.0])[0]
    3.0
    """
    sample = finite(values)
    n = sample.size
    if not n:
        return (math.nan,) * 3
    first, second = np.triu_indices(n)
    means = np.sort((sample[first] + sample[second]) / 2)
    z = float(stats.norm.ppf(0.5 + confidence / 2))
    rank = round(n * (n + 1) / 4 - z * math.sqrt(n * (n + 1) * (2 * n + 1) / 24))
    if n < 6 or rank < 1:  # below six values no signed-rank interval reaches 95 %
        return float(np.median(means)), math.nan, math.nan
    return float(np.median(means)), float(means[rank - 1]), float(means[-rank])


def holm(p_values):
    """
    P-values adjusted for being many, by Holm's step-down rule: the chance of one false 'yes' in all stays below the limit.

    Parameters
    ----------
    p_values : (n,) array_like of float

    Returns
    -------
    (n,) ndarray of float
        NaN where the value was missing.

    References
    ----------
    .. [1] S. Holm, "A Simple Sequentially Rejective Multiple Test Procedure", Scand. J.
       Statist. 6 (1979) 65-70.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03]).round(3).tolist()
    [0.03, 0.06, 0.06]
    """
    p = np.array(p_values, dtype=float)
    adjusted = np.full(p.shape, math.nan)
    known = np.flatnonzero(np.isfinite(p))
    order = known[np.argsort(p[known], kind="stable")]
    adjusted[order] = np.minimum(1.0, np.maximum.accumulate(p[order] * np.arange(order.size, 0, -1)))
    return adjusted
