"""
Levels of one ordered series, by the least squared error with a penalty a level.

The exact optimum, found by PELT: starts that can no longer win are left out. It is
written out here because the general libraries for it bring 40 MB and half a
second of imports into every audit.

References
----------
.. [1] R. Killick, P. Fearnhead and I. A. Eckley, "Optimal Detection of
   Changepoints with a Linear Computational Cost", J. Amer. Statist. Assoc. 107
   (2012) 1590-1598.
"""

import numpy as np


def level_bounds(values, penalty, fewest):
    """
    First places of the levels after the first.

    Parameters
    ----------
    values : (n,) ndarray of float
        In order; no missing value; at least ``fewest``.
    penalty : float
        What one more level costs, in squares of the values' unit.
    fewest : int
        Values a level must have, 1 or more.

    Returns
    -------
    list of int
        Of the levels that make the sum of squared residuals and penalties
        least; the earliest of equals.

    Examples
    --------
    >>> level_bounds(np.repeat([0.0, 1.0, 0.5], 4), penalty=0.1, fewest=3)
    [4, 8]
    """
    n = values.size
    centred = values - values.mean()  # sums of squares then lose no digits
    sums = np.concatenate([[0.0], np.cumsum(centred)])
    squares = np.concatenate([[0.0], np.cumsum(centred**2)])
    least = np.full(n + 1, np.inf)  # cost of the best levels up to each place, with a penalty for each but the first
    least[0] = -penalty
    previous = np.zeros(n + 1, int)
    usable_until = np.full(n + 1, n)
    for end in range(fewest, n + 1):
        last_start = end - fewest + 1
        starts = np.flatnonzero((usable_until[:last_start] >= end) & (least[:last_start] < np.inf))
        spread = squares[end] - squares[starts] - (sums[end] - sums[starts]) ** 2 / (end - starts)
        costs = least[starts] + spread
        best = int(np.argmin(costs))
        least[end], previous[end] = costs[best] + penalty, starts[best]
        # A start that costs more than a new level at this place loses to it as soon as that level is long enough.
        lost = starts[costs > least[end]]
        usable_until[lost] = np.minimum(usable_until[lost], end + fewest - 1)
    bounds, place = [], previous[n]
    while place:
        bounds.append(int(place))
        place = previous[place]
    return bounds[::-1]
