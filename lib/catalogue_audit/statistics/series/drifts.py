"""Drifts of single values within one sitting, and lamps set back after them."""

import numpy as np

from catalogue_audit.statistics.robust import MAD_TO_SIGMA
from catalogue_audit.statistics.series.ramps import fit_ramp, ramp_levels
from catalogue_audit.statistics.series.segments import NOISE_SIGMAS, Transition, difference_noise
from catalogue_audit.statistics.series.trend import mann_kendall

SHORTEST_DRIFT = 5  # single values; fewer are a product or two of another look
LONGEST_WITHOUT = 8  # single values that a sitting must have before it can show a drift
DRIFT_P = 0.02  # Mann-Kendall of the climb alone, two-sided
SITTING_PARTS = 2  # times that a sitting is parted at a jump to look for drifts
PART_LARGER = 2  # times as large as in a whole sitting must a drift in a part of it be
LIKE_A_RAMP = 0.5  # of the squares that the best single step leaves: what a drift may leave


def find_drift(values, visible, floor, part=False):
    """
    A drift of single values within one sitting, too short for `segments.find_transitions`.

    One quantity that climbs steadily through the last products of a day is a
    lamp, not those products: they are not each a little more coloured than the
    one before. So single values are fitted with one ramp, which has to be clearly better than a step.

    Parameters
    ----------
    values : (n,) ndarray of float
        In order; no missing value.
    visible, floor : float
        As for `segments.find_transitions`.
    part : bool
        The values are part of a sitting, chosen by what they show: the drift has to be larger.

    Returns
    -------
    Transition or None

    Examples
    --------
    >>> find_drift(np.array([0.0, 0, 0, 0, 0, 1, 2, 3, 4, 5]), visible=1.0, floor=0.1)[:3]
    ('trend', 4, 9)
    >>> find_drift(np.array([0.0, 0, 0, 0, 0, 0, 5, 5, 5, 5]), visible=1.0, floor=0.1) is None
    True
    """
    if values.size < LONGEST_WITHOUT:
        return None
    clean = _without_spikes(values)
    noise = max(difference_noise(clean), floor)
    start, end, squares = fit_ramp(clean)
    if end - start + 1 < SHORTEST_DRIFT:
        return None
    low, high = ramp_levels(clean, start, end)
    if abs(high - low) < (PART_LARGER if part else 1) * max(visible, NOISE_SIGMAS * noise):
        return None
    climbing = mann_kendall(clean[start : end + 1]).p < DRIFT_P and mann_kendall(clean).p < DRIFT_P
    if not climbing or squares > LIKE_A_RAMP * _one_step(clean):
        return None
    return Transition("trend", start, end, low, high, values.size - 1)


def find_drifts(values, visible, floor, depth=SITTING_PARTS):
    """
    Drifts of a sitting in which a light may also have been set back at once.

    Where the whole shows no drift, it is parted at its largest jump, and each part is looked at by itself: a lamp
    that warms up and is then replaced climbs, and falls in one step.

    Parameters
    ----------
    values, visible, floor
        As for `find_drift`.
    depth : int
        How often a part may be parted again.

    Returns
    -------
    list of Transition
        In order; ``last`` is the last value of the part.

    Examples
    --------
    >>> values = np.concatenate([np.zeros(8), np.arange(1, 6), np.zeros(8)])
    >>> [drift[:3] for drift in find_drifts(values, visible=1.0, floor=0.1)]
    [('trend', 7, 12)]
    """
    whole = find_drift(values, visible, floor, part=depth < SITTING_PARTS)
    if whole is not None or depth == 0 or values.size < LONGEST_WITHOUT:
        return [] if whole is None else [whole]
    clean = _without_spikes(values)
    jumps = np.abs(np.diff(clean))
    cut = int(np.argmax(jumps)) + 1
    if jumps[cut - 1] < max(visible, NOISE_SIGMAS * max(difference_noise(clean), floor)):
        return []
    later = find_drifts(values[cut:], visible, floor, depth - 1)
    shifted = [one._replace(last_before=one.last_before + cut, first_after=one.first_after + cut, last=one.last + cut) for one in later]
    return find_drifts(values[:cut], visible, floor, depth - 1) + shifted


def _without_spikes(values):
    """Values of which single ones far from both neighbours are replaced by the neighbours' mean."""
    inner = values[1:-1]
    middle = (values[:-2] + values[2:]) / 2
    far = np.abs(inner - middle) > np.maximum(np.abs(values[2:] - values[:-2]), 3 * MAD_TO_SIGMA * np.median(np.abs(inner - middle)))
    clean = values.copy()
    clean[1:-1] = np.where(far, middle, inner)
    return clean


def _one_step(values):
    """Smallest sum of squares that two levels leave."""
    return min(float(np.var(values[:k]) * k + np.var(values[k:]) * (values.size - k)) for k in range(1, values.size))
