"""
Who stands apart: robust centres, two modes, and the three conditions of a finding.

A deviation is a finding when it is larger than people accept (the tolerance),
larger than the measure could err (three standard uncertainties) and larger
than its neighbours' own scatter (three robust standard deviations). With only
the first, a restless set gives a list nobody reads; with only the last, a very
steady set is blamed for what nobody can see.
"""

import math
from collections import Counter
from typing import NamedTuple

import numpy as np

from catalogue_audit.statistics.robust import MEDIAN_EFFICIENCY, mad_scale

UNCERTAINTIES = 3.0  # a finding needs this many standard uncertainties of its own measure
RATHER_BEYOND = 0.43  # as many beyond the tolerance, and it is beyond by two to one: asked where a measure is hardly finer than the tolerance
SCATTERS = 3.0  # and this many robust standard deviations of its group
FEWEST_FOR_REFERENCE = 3  # the middle one of three is the fewest that can outvote one
FEWEST_OF_A_STYLE = 5  # below, neither a style's centre nor its scatter is worth more than the view's
WORTH_OF_THE_GROUP = 12  # frames: the MAD of a dozen is itself uncertain by a quarter
CLEARLY = 1.4  # tolerances: in a steady group, what is further off is a finding even if the group scatters
FEWEST_FOR_MODES = 8
SMALLER_MODE = 0.3  # of the frames: what is fewer is a handful of faults, not a second way of working
NEARLY_HALF = 0.4  # the same of deviations from the whole set, whose majority says what is right
MODES_APART = 4.0  # distance of two modes over the scatter within them; 4 sd leave a visible gap between normals
OF_BOTH = 0.2  # of a style's frames in the smaller mode: then the style was photographed in both ways
FEWEST_RESTLESS = 3
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
    centre : (n,) ndarray
        The reference each value was judged by: the group's, its style's, or
        the nearer of two modes; NaN where there is none.
    outlying : (n,) ndarray of bool
        True for a finding.
    modes : Modes or None
        Two modes further apart than the tolerance.
    restless : (n,) ndarray of bool
        Values outside the tolerance in a group so scattered that none of them
        stands apart; all False where the group is steady.
    """

    centre: np.ndarray
    outlying: np.ndarray
    modes: Modes | None
    restless: np.ndarray


def two_modes(values, tolerance, smaller=SMALLER_MODE):
    """
    Two ways of working, where a group of values shows them.

    The best split of the sorted values into two (least squares within) is taken
    for two modes when each holds at least ``smaller`` of the frames, their
    centres are further apart than the tolerance, and by `MODES_APART` times the
    larger scatter within.

    Parameters
    ----------
    values : array_like of float
        NaN is left out.
    tolerance : float
        In the unit of the values.
    smaller : float
        Least share of the frames in the smaller mode.

    Returns
    -------
    Modes or None
    """
    values = np.sort(np.asarray(values, dtype=float))
    values = values[np.isfinite(values)]
    n = values.size
    fewest = max(3, math.ceil(smaller * n))
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
    scatter = max(mad_scale(low), mad_scale(high))
    if distance <= tolerance or distance <= MODES_APART * scatter:
        return None
    border = float((low[-1] + high[0]) / 2)
    return Modes(border, float(np.median(low)), float(np.median(high)), low.size, high.size)


def least_finding(tolerance, uncertainty, margin=0.0):
    """
    From which deviation on a finding may be told, by the tolerance and the standard uncertainty, (n,) float each.

    Examples
    --------
    >>> least_finding(np.array([2.0, 2.0, 2.0]), np.array([0.0, 0.5, 1.0]), RATHER_BEYOND).round(2).tolist()
    [2.0, 2.22, 3.0]
    """
    return np.maximum(tolerance + margin * uncertainty, UNCERTAINTIES * uncertainty)


def judge_values(values, tolerance, uncertainty=0.0, styles=None, centre=None, reference=None, margin=0.0):
    """
    Judge one group of values by its own robust centre, or by a given one.

    Parameters
    ----------
    values : (n,) array_like of float
        NaN where unknown; never a finding.
    tolerance : float or (n,) array_like
    uncertainty : float or (n,) array_like
        Standard uncertainty of each value; NaN is read as 0.
    styles : (n,) array_like of hashable, optional
        Styles that steadily differ from the group get a centre and a scatter of their own.
    centre : float, optional
        The set's own centre, where it was taken off before (0 for
        deviations); by default the median of the group.
    reference : float, optional
        What the brief names: whoever is off it by more than the tolerance is
        a finding, whatever the others do.
    margin : float
        Standard uncertainties by which a finding has to lie beyond the tolerance.

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
    if reference is not None:
        centres = np.full(values.shape, float(reference))
        beyond = known & (np.abs(values - centres) > least_finding(tolerance, uncertainty, margin))
        return Judgement(centres, beyond, None, nothing)
    if known.sum() < (FEWEST_FOR_REFERENCE if centre is None else 1):
        return Judgement(np.full(values.shape, math.nan), nothing, None, nothing)
    styles = np.zeros(values.shape) if styles is None else np.asarray(styles, dtype=object)
    modes = two_modes(values, float(np.median(tolerance[known])), SMALLER_MODE if centre is None else NEARLY_HALF)
    if modes is not None and not _modes_are_styles(values, styles, modes):
        centres = np.where(values > modes.border, modes.high, modes.low)
    else:
        modes = None
        centres = _centres(values, styles, known, centre)
    deviation = values - centres
    beyond = known & (np.abs(deviation) > least_finding(tolerance, uncertainty, margin))
    steady = beyond.sum() < max(RESTLESS * known.sum(), FEWEST_RESTLESS)
    apart = SCATTERS * _scatters(deviation, styles, known)
    if steady:
        apart = np.minimum(apart, CLEARLY * tolerance)
    outlying = beyond & (np.abs(deviation) > apart)
    restless = nothing if steady or outlying.any() else beyond
    return Judgement(centres, outlying, modes, restless)


def _modes_are_styles(values, styles, modes):
    """Whether two modes only tell styles apart: hardly a frame is in a style that shows both."""
    high = values > modes.border
    mixed = 0
    frames, of_them_high = Counter(styles.tolist()), Counter(styles[high].tolist())
    for style, size in frames.items():
        in_fewer = min(of_them_high[style], size - of_them_high[style])
        mixed += size if style == style and size > 1 and in_fewer >= OF_BOTH * size else 0  # an unknown style is none
    return mixed < SMALLER_MODE * values.size


def _centres(values, styles, known, centre):
    """Centre for each value: the group's, or the style's own where the style steadily differs."""
    group = float(np.median(values[known])) if centre is None else float(centre)
    centres = np.full(values.shape, group)
    if centre is not None:
        return centres
    of_styles = _places_of_styles(styles, known)
    middles = [float(np.median(values[here])) for here in of_styles]
    within = [values[here] - own for here, own in zip(of_styles, middles, strict=True)]
    usual = mad_scale(np.concatenate(within)) if within else 0.0
    for here, own in zip(of_styles, middles, strict=True):
        error = MEDIAN_EFFICIENCY * usual / math.sqrt(here.size)
        if abs(own - group) > UNCERTAINTIES * error:
            centres[here] = own
    return centres


def _scatters(deviation, styles, known):
    """
    Robust standard deviation for each value, of its style where that has enough frames.

    What a handful of values says of its own scatter is weighed against the
    whole group's, as a MAD of five may be anything.
    """
    if known.sum() < FEWEST_OF_A_STYLE:
        return np.zeros(deviation.shape)
    usual = mad_scale(deviation[known])
    scatters = np.full(deviation.shape, usual)
    for here in _places_of_styles(styles, known):
        weight = here.size / (here.size + WORTH_OF_THE_GROUP)
        scatters[here] = math.sqrt(weight * mad_scale(deviation[here]) ** 2 + (1 - weight) * usual**2)
    return scatters


def _places_of_styles(styles, known):
    """Places of the known values of each style that is frequent enough, in order: list of (m,) ndarray of int."""
    places = {}
    for place in np.flatnonzero(known).tolist():
        if isinstance(styles[place], str):
            places.setdefault(styles[place], []).append(place)
    return [np.array(here) for here in places.values() if len(here) >= FEWEST_OF_A_STYLE]
