"""Flat-ramp-flat lines in one ordered series."""

import math

import numpy as np

GRID = 40  # places tried for each end of a ramp before refining


def fit_ramp(values):
    """
    Best flat-ramp-flat line: constant to ``start``, straight to ``end``, constant after (least squares).

    Returns
    -------
    start, end : int
        Places; ``end > start``.
    squares : float
        Sum of squared residuals.

    Examples
    --------
    >>> fit_ramp(np.array([0.0, 0, 0, 1, 2, 3, 3, 3]))[:2]
    (2, 5)
    """
    n = values.size
    if n < 2:
        return 0, 0, 0.0
    stride = max(1, -(-(n - 1) // GRID))
    places = np.unique(np.append(np.arange(0, n, stride), n - 1))
    best = best_ramp(values, places, places)
    while stride > 1:
        reach, stride = stride, max(1, stride // 4)
        near = [np.unique(np.clip(np.arange(p - reach, p + reach + 1, stride), 0, n - 1)) for p in best[:2]]
        best = best_ramp(values, np.append(near[0], best[0]), np.append(near[1], best[1]))
    return best


def best_ramp(values, starts, ends):
    """
    Of all pairs of ends, the ramp with the smallest sum of squares.

    Parameters
    ----------
    values : (n,) ndarray of float
    starts, ends : array_like of int
        Places tried for either end.

    Returns
    -------
    start, end, squares
        As of `fit_ramp`.
    """
    start, end = (grid.ravel() for grid in np.meshgrid(starts, ends, indexing="ij"))
    start, end = start[start < end], end[start < end]
    best = (0, values.size - 1, math.inf)
    centred = values - values.mean()
    total = float(centred @ centred)
    places = np.arange(values.size)
    for begin in range(0, start.size, 512):
        s, e = start[begin : begin + 512, None], end[begin : begin + 512, None]
        ramps = np.clip((places - s) / (e - s), 0, 1)
        ramps -= ramps.mean(axis=1, keepdims=True)
        squares = total - (ramps @ centred) ** 2 / np.maximum((ramps**2).sum(axis=1), 1e-12)
        least = int(np.argmin(squares))
        if squares[least] < best[2]:
            best = (int(s[least, 0]), int(e[least, 0]), float(squares[least]))
    return best


def ramp_levels(values, start, end):
    """Levels before and after of the least-squares ramp with these ends."""
    ramp = np.clip((np.arange(values.size) - start) / max(end - start, 1), 0, 1)
    slope, low = np.polyfit(ramp, values, 1)
    return float(low), float(low + slope)
