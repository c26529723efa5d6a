"""Natural limits: how far a steady shoot scatters by itself, and where one picture or the running average left that."""

from typing import NamedTuple

import numpy as np

from catalogue_audit.statistics.series.control import cusum_chart, ewma_chart, individuals_chart

FEWEST = 12  # values: fewer tell no scatter worth a limit
LASTING = 5  # pictures in a row whose average is beyond its limits
SLACK = 0.5  # sigmas: half the shift that the sums look for


class Shift(NamedTuple):
    """A stretch of values whose average left its limits: first and last index, and its median less that of all other values."""

    first: int
    last: int
    size: float


class NaturalLimits(NamedTuple):
    """
    What a series does by itself.

    Attributes
    ----------
    centre, sigma : float
        Median; scatter from one value to the next. In the values' unit.
    beyond : (n,) ndarray of bool
        Values further than three sigmas from the centre.
    average, lower, upper : (n,) ndarray of float
        Exponentially weighted moving average with its limits.
    shifts : tuple of Shift
        Lasting ones, in order.
    """

    centre: float
    sigma: float
    beyond: np.ndarray
    average: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    shifts: tuple


def natural_limits(values, least):
    """
    Limits of single values (individuals chart) and of their running average (EWMA), with lasting shifts and their onset (CUSUM).

    Scatter comes from neighbours, so that a slow change does not hide itself. A value counts in the average at most as
    three sigmas: one wild picture is no shift.

    Parameters
    ----------
    values : (n,) array_like of float
        In the order of capture, none missing.
    least : float
        Smallest sigma, and a third of the smallest shift: what is finer is nothing that people see.

    Returns
    -------
    NaturalLimits or None
        None for fewer than `FEWEST` values.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 to 6.3.2.4.
    """
    array = np.array(values, dtype=float)
    if array.size < FEWEST:
        return None
    chart = individuals_chart(array, robust=True)
    centre, sigma = chart.centre, max(chart.sigma, least)
    tamed = np.clip(array, centre - 3 * sigma, centre + 3 * sigma)
    average = ewma_chart(tamed, centre, sigma)
    sums = cusum_chart(tamed, centre, SLACK * sigma, np.inf)
    shifts = tuple(shift for shift in _shifts(array, average, sums) if abs(shift.size) >= 3 * least)
    return NaturalLimits(centre, sigma, np.abs(array - centre) > 3 * sigma, *average[:3], shifts)


def _shifts(array, average, sums):
    """Stretches of the average beyond one of its limits, begun where the sum of that side left zero."""
    found = []
    for side, beyond in ((sums.high, average.ewma > average.upper), (sums.low, average.ewma < average.lower)):
        edges = np.flatnonzero(np.diff(np.concatenate([[False], beyond, [False]]).astype(int)))
        for alarm, end in edges.reshape(-1, 2):
            if end - alarm < LASTING:
                continue
            zeros = np.flatnonzero(side[:alarm] == 0)
            first = int(zeros[-1]) + 1 if zeros.size else 0
            last = int(end) - 1
            inside = np.zeros(array.size, bool)
            inside[first : last + 1] = True
            if not inside.all():
                found.append(Shift(first, last, float(np.median(array[inside]) - np.median(array[~inside]))))
    return sorted(found)
