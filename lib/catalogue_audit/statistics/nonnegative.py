"""Least squares in which no coefficient may be negative."""

import numpy as np


def nonnegative_fit(matrix, values):
    """
    The ``x``, none of it below 0, that makes the squares of ``matrix @ x - values`` least.

    Coefficients join the fit one at a time, steepest first; those that would turn negative leave it again.

    Parameters
    ----------
    matrix : (m, n) ndarray of float
    values : (m,) ndarray of float

    Returns
    -------
    (n,) ndarray of float

    References
    ----------
    .. [1] C. L. Lawson, R. J. Hanson, *Solving Least Squares Problems* (1974), chapter 23, NNLS.

    Examples
    --------
    >>> nonnegative_fit(np.eye(2), np.array([3.0, -1.0])).tolist()
    [3.0, 0.0]
    """
    found, free = np.zeros(matrix.shape[1]), np.zeros(matrix.shape[1], bool)
    least = 10 * max(matrix.shape) * np.finfo(float).eps * np.abs(matrix).sum(axis=0).max(initial=0.0) * np.abs(values).max(initial=0.0)
    for _ in range(3 * len(found)):
        slope = np.where(free, -np.inf, matrix.T @ (values - matrix @ found))
        if free.all() or slope.max() <= least:
            break
        free[np.argmax(slope)] = True
        while free.any():
            trial = np.zeros(len(found))
            trial[free] = np.linalg.lstsq(matrix[:, free], values, rcond=None)[0]
            negative = free & (trial <= 0)
            if not negative.any():
                found = trial
                break
            step = np.min(found[negative] / np.maximum(found[negative] - trial[negative], np.finfo(float).tiny))
            found = found + step * (trial - found)
            free &= ~(negative & (found <= np.abs(found).max(initial=0.0) * 1e-12))
            found[~free] = 0
    return found
