"""
Who stands apart: robust centres, two modes, and the three conditions of a finding.

A deviation is a finding when it is larger than people accept (the tolerance),
larger than the measure could err (three standard uncertainties) and larger
than its neighbours' own scatter (three robust standard deviations). With only
the first, a restless set gives a list nobody reads; with only the last, a very
steady set is blamed for what nobody can see.
"""

import math
from typing import NamedTuple

import numpy as np

MAD_TO_SD = 1.4826  # 1 / Phi^-1(3/4): median absolute deviation to standard deviation of a normal (Hampel 1974)
UNCERTAINTIES = 3.0  # a finding needs this many standard uncertainties of its own measure
SCATTERS = 3.0  # and this many robust standard deviations of its group
FEWEST_FOR_REFERENCE = 3  # the middle one of three is the fewest that can outvote one
FEWEST_FOR_SCATTER = 5  # below, the MAD of the others says next to nothing
FEWEST_FOR_MODES = 8
SMALLER_MODE = 0.3  # of the frames: what is fewer is a handful of faults, not a second way of working
MODES_APART = 4.0  # distance of two modes over the scatter within them; 4 sd leave a visible gap between normals
RESTLESS = 0.25  # of the frames outside the tolerance without standing apart: the set has no steady value


class Modes(NamedTuple):
    """Two ways of working in one group: the border between them and the centre of each."""

    border: float
    low: float
    high: float
    low_count: int
    high_count: int


class Judgement(NamedTuple):
    """
    What became of a group of values.

    Attributes
    ----------
    centre : float
        The reference they were judged by; NaN where there is none.
    deviation : (n,) ndarray
        Value minus the reference (minus the nearer mode, where there are two).
    outlying : (n,) ndarray of bool
        True for a finding.
    modes : Modes or None
        Two modes further apart than the tolerance.
    restless : int
        Frames outside the tolerance in a group so scattered that none stands
        apart; 0 where the group is steady.
    """

    centre: float
    deviation: np.ndarray
    outlying: np.ndarray
    modes: Modes | None
    restless: int


def robust_scatter(values):
    """
    Standard deviation estimated from the median absolute deviation.

    Parameters
    ----------
    values : array_like of float
        NaN is left out.

    Returns
    -------
    float
        NaN where there are no values.

    Examples
    --------
    >>> round(robust_scatter([1.0, 2.0, 3.0, 4.0, 100.0]), 3)
    1.483
    """
    values = np.asarray(values, dtype=float)
    values = values[np.isfinite(values)]
    if values.size == 0:
        return math.nan
    return float(MAD_TO_SD * np.median(np.abs(values - np.median(values))))


def two_modes(values, tolerance):
    """
    Two ways of working, where a group of values shows them.

    The best split of the sorted values into two (least squares within) is taken
    for two modes when each holds at least `SMALLER_MODE` of the frames, their
    centres are further apart than the tolerance, and by `MODES_APART` times the
    larger scatter within.

    Parameters
    ----------
    values : array_like of float
        NaN is left out.
    tolerance : float
        In the unit of the values.

    Returns
    -------
    Modes or None
    """
    values = np.sort(np.asarray(values, dtype=float))
    values = values[np.isfinite(values)]
    n = values.size
    fewest = max(3, math.ceil(SMALLER_MODE * n))
    if n < FEWEST_FOR_MODES or n < 2 * fewest:
        return None
    sums, squares = np.cumsum(values), np.cumsum(values**2)
    cuts = np.arange(1, n)
    within = (
        squares[-1]
        - sums[cuts - 1] ** 2 / cuts
        - (sums[-1] - sums[cuts - 1]) ** 2 / (n - cuts)
    )
    cut = int(cuts[np.argmin(within)])
    low, high = values[:cut], values[cut:]
    if min(low.size, high.size) < fewest:
        return None
    distance = float(np.median(high) - np.median(low))
    scatter = max(robust_scatter(low), robust_scatter(high))
    if distance <= tolerance or distance <= MODES_APART * scatter:
        return None
    border = float((low[-1] + high[0]) / 2)
    return Modes(border, float(np.median(low)), float(np.median(high)), low.size, high.size)


def judge_values(values, tolerance, uncertainty=0.0, reference=None, centre=None):
    """
    Judge one group of values by its own robust centre, or by a given reference.

    Parameters
    ----------
    values : (n,) array_like of float
        NaN where unknown; never a finding.
    tolerance : float or (n,) array_like
    uncertainty : float or (n,) array_like
        Standard uncertainty of each value; NaN is read as 0.
    reference : float, optional
        What the brief names: whoever is off it by more than the tolerance is
        a finding, whatever the others do.
    centre : float, optional
        The set's own centre, where it was found from more frames than these
        (0 for deviations); by default the median of the group.

    Returns
    -------
    Judgement

    Examples
    --------
    >>> judge_values([0.1, -0.2, 0.0, 0.2, 5.0], tolerance=1.0).outlying.tolist()
    [False, False, False, False, True]
    """
    values = np.asarray(values, dtype=float)
    known = np.isfinite(values)
    tolerance = np.broadcast_to(np.asarray(tolerance, dtype=float), values.shape)
    uncertainty = np.nan_to_num(np.broadcast_to(np.asarray(uncertainty, dtype=float), values.shape))
    nothing = np.zeros(values.shape, dtype=bool)
    given = reference is not None
    if known.sum() < (FEWEST_FOR_REFERENCE if reference is None and centre is None else 1):
        return Judgement(math.nan, np.full(values.shape, math.nan), nothing, None, 0)
    typical_tolerance = float(np.median(tolerance[known]))
    modes = None if given else two_modes(values, typical_tolerance)
    if given or centre is not None:
        centre = float(reference if given else centre)
    else:
        centre = float(np.median(values[known]))
    deviation = values - centre
    if modes is not None:
        deviation = np.where(values > modes.border, values - modes.high, values - modes.low)
    scatter = robust_scatter(deviation) if known.sum() >= FEWEST_FOR_SCATTER and not given else 0.0
    limit = np.maximum(tolerance, UNCERTAINTIES * uncertainty)
    beyond = known & (np.abs(deviation) > limit)
    outlying = beyond & (np.abs(deviation) > SCATTERS * scatter)
    restless = int(beyond.sum())
    if outlying.any() or restless < RESTLESS * known.sum() or restless < 3:
        restless = 0
    return Judgement(centre, deviation, outlying, modes, restless)
