"""
Steps and ramps in one ordered series.

A series is first reduced to units (the frames of one product taken together,
or blocks of a very long series), single strange units are replaced by their
neighbours' median, and PELT with a squared-error cost finds the levels. Levels
that climb one after another are then compared with one straight ramp. Last,
each step is placed between two single values by the least absolute error.

The penalty of one more level is ``3 sigma^2 ln(n)``, sigma from the
differences between neighbours, so that a slow drift does not widen it.

References
----------
.. [1] R. Killick, P. Fearnhead and I. A. Eckley, "Optimal Detection of
   Changepoints with a Linear Computational Cost", J. Amer. Statist. Assoc. 107
   (2012) 1590-1598.
"""

import math
from typing import NamedTuple

import numpy as np

from catalogue_audit.measures.quantiles import median
from catalogue_audit.statistics.robust import MAD_TO_SIGMA, finite, hampel
from catalogue_audit.statistics.series.ramps import best_ramp, fit_ramp, ramp_levels
from catalogue_audit.statistics.series.trend import mann_kendall

FEWEST_UNITS = 3  # on either side of a change: two strange products in a row are not a change of set-up
MOST_UNITS = 1000  # longer series are judged by medians of blocks first
PENALTY_FACTOR = 3.0
RAMP_PENALTY = 0.5  # a ramp has one more place to choose than a step
SHORTEST_RAMP = 4  # units; anything shorter is a step
TREND_P = 1e-3  # Mann-Kendall, two-sided
NOISE_SIGMAS = 3.0  # a change must exceed so many sigma of one unit where it rests on few units
NOISE_SIGMAS_LONG = 2.0  # and so many where both sides are long
LONG_SIDE = 8  # units
STANDARD_ERRORS = 4.0  # of the difference between the levels
LEAST_ALTERNATIONS = 4  # so many steps between the same two levels are two modes, not steps
HARDLY = 0.5  # of the visible size: what single values show less of is no step
MOST_STAIRS = 8  # steps of one direction in a row of which some may be a ramp and others not; of more, only all
RAMP_REACH = 2  # units around each end in which its single value is looked for
RAMP_PLACES = 40  # single values tried there


class Transition(NamedTuple):
    """
    One change: ``last_before`` and ``first_after`` are places in the series.

    ``kind`` is 'step' or 'trend'; ``before`` and ``after`` are the levels;
    ``last`` is the last place that the change still holds for.
    """

    kind: str
    last_before: int
    first_after: int
    before: float
    after: float
    last: int


def difference_noise(values):
    """
    Standard deviation of one value, from the median absolute difference of neighbours.

    Examples
    --------
    >>> difference_noise([1.0, 1.0, 1.0])
    0.0
    """
    differences = np.abs(np.diff(finite(values)))
    return float(MAD_TO_SIGMA * np.median(differences) / math.sqrt(2)) if differences.size else math.nan


def level_starts(values, noise, fewest=FEWEST_UNITS):
    """
    First places of the levels after the first (PELT, squared error).

    Parameters
    ----------
    values : (n,) ndarray of float
        In order; no missing value.
    noise : float
        Standard deviation of one value; the penalty is ``3 noise^2 ln(n)``.
    fewest : int
        Values a level must have.

    Returns
    -------
    list of int
        Counted from 0: a change after the 28th value is 28.

    Examples
    --------
    >>> level_starts(np.repeat([0.0, 1.0], 5), noise=0.1)
    [5]
    """
    if values.size < 2 * fewest:
        return []
    import ruptures  # with scipy.stats 40 MB, which a delivery without a series does without

    search = ruptures.KernelCPD(kernel="linear", min_size=fewest).fit(values.reshape(-1, 1))
    places = search.predict(pen=PENALTY_FACTOR * noise**2 * math.log(values.size))
    return [int(place) for place in places[:-1]]


def find_transitions(values, units, visible, floor, fewest=FEWEST_UNITS):
    """
    Steps and trends of a series that exceed both its noise and a visible size.

    Parameters
    ----------
    values : (n,) ndarray of float
        In order; no missing value.
    units : (n,) ndarray of int
        Not decreasing; equal for values that belong together.
    visible : float
        Smallest change of interest, in the values' unit.
    floor : float
        Smallest credible noise of one value (rounding), same unit.
    fewest : int
        Units on either side of a change; one less is taken for strange and is no change.

    Returns
    -------
    list of Transition
        In order.
    """
    bounds = _unit_bounds(units)
    if bounds.size - 1 < 2 * fewest:
        return []
    medians = np.array([median(values[a:b]) for a, b in zip(bounds, bounds[1:], strict=False)])
    smooth, outside = hampel(medians, half_window=fewest - 1)
    clean = np.where(outside, smooth, medians)
    noise = max(difference_noise(medians), floor)
    starts = level_starts(clean, noise, fewest)
    if not starts:
        changes = _whole_trend(clean, noise)
    else:
        changes = _steps_and_ramps(clean, starts, noise)
    changes = _strong(clean, changes, noise, visible)
    if _two_modes(clean, changes, noise):
        return []
    placed = _placed(values, bounds, clean, changes)
    while (weak := _hardly_a_step(placed, visible)) is not None:
        changes = [change for place, change in enumerate(changes) if place != weak]
        placed = _placed(values, bounds, clean, changes)
    return placed


def _hardly_a_step(placed, visible):
    """Place of the smallest step that single values hardly show, or None: a unit that a step parts reads between both levels, which looks like two steps."""
    sizes = [abs(one.after - one.before) if one.kind == "step" else math.inf for one in placed]
    smallest = int(np.argmin(sizes)) if sizes else 0
    return smallest if sizes and sizes[smallest] < visible * HARDLY else None


def _unit_bounds(units):
    """First place of each unit and the end; units are joined where there would be too many."""
    starts = np.concatenate([[0], np.flatnonzero(np.diff(units)) + 1])
    if starts.size > MOST_UNITS:
        starts = np.array([part[0] for part in np.array_split(starts, MOST_UNITS)])
    return np.append(starts, len(units))


def _whole_trend(clean, noise):
    """A trend too faint for levels, by Mann-Kendall; as a list of (kind, start, end)."""
    if clean.size < 12 or mann_kendall(clean).p > TREND_P:
        return []
    start, end, *_ = fit_ramp(clean)
    return [("trend", start, end)] if end - start >= SHORTEST_RAMP else []


def _steps_and_ramps(clean, starts, noise):
    """(kind, last before, first after) of each change in units; changes of one direction that follow one another may be one ramp."""
    edges = [0, *starts, clean.size]
    signs = np.sign(np.diff([float(np.mean(clean[a:b])) for a, b in zip(edges, edges[1:], strict=False)]))
    changes, first = [], 0
    penalty = PENALTY_FACTOR * noise**2 * math.log(clean.size)
    while first < len(starts):
        last = first
        while last + 1 < len(starts) and signs[last + 1] == signs[first]:
            last += 1
        changes += _of_one_direction(clean, edges, first, last, penalty)
        first = last + 1
    return changes


def _of_one_direction(clean, edges, first, last, penalty):
    """The changes ``first`` to ``last``: those that one ramp explains better than its stairs do are that ramp, of as many as it may be, the best."""
    ways = [(a, b) for a in range(first, last + 1) for b in range(a, last + 1)] if last - first < MOST_STAIRS else [(first, last)]
    told = [(b - a, gain, a, ramp) for a, b in ways for gain, ramp in [_ramp_instead(clean, edges, a, b, penalty)] if ramp is not None]
    if not told:
        return [("step", place - 1, place) for place in edges[first + 1 : last + 2]]
    more, _, a, ramp = max(told)
    before, after = (first, a - 1), (a + more + 1, last)
    return [
        *(_of_one_direction(clean, edges, *before, penalty) if before[0] <= before[1] else ()), ramp,
        *(_of_one_direction(clean, edges, *after, penalty) if after[0] <= after[1] else ()),
    ]  # fmt: skip


def _ramp_instead(clean, edges, first, last, penalty):
    """By how much a ramp costs less than the steps ``first`` to ``last``, and the ramp; None where it does not, or nothing climbs steadily."""
    begin, stop = edges[first], edges[last + 2]
    start, end, squares = fit_ramp(clean[begin:stop])
    parts = [clean[a:b] for a, b in zip(edges[first : last + 2], edges[first + 1 : last + 3], strict=True)]
    stairs = sum(float(np.sum((part - np.mean(part)) ** 2)) for part in parts)
    gain = stairs + (last - first + 1) * penalty - squares - (1 + RAMP_PENALTY) * penalty
    if gain <= 0 or end - start < SHORTEST_RAMP or mann_kendall(clean[begin:stop]).p >= TREND_P:
        return gain, None
    return gain, ("trend", begin + start, begin + end)


def _levels_around(clean, changes):
    """Flat part before and after each change, as (first, end) places of units."""
    return [_sides(clean, changes, place) for place in range(len(changes))]


def _sides(clean, changes, place):
    """The same of one change."""
    _, start, end = changes[place]
    earlier = changes[place - 1][2] if place else 0
    later = changes[place + 1][1] if place + 1 < len(changes) else clean.size - 1
    return (min(earlier, start), start + 1), (end, max(later + 1, end + 1))


def _strong(clean, changes, noise, visible):
    """Changes beyond noise and visible size; the weakest is dropped first, as its neighbours then gain."""
    changes = list(changes)
    margins = [_margin(clean, change, *sides, noise, visible) for change, sides in zip(changes, _levels_around(clean, changes), strict=True)]
    while changes:
        weakest = int(np.argmin(margins))
        if margins[weakest] >= 1:
            return changes
        del changes[weakest], margins[weakest]
        for place in range(max(weakest - 1, 0), min(weakest + 1, len(changes))):  # the levels of all others are as they were
            margins[place] = _margin(clean, changes[place], *_sides(clean, changes, place), noise, visible)
    return changes


def _margin(clean, change, before, after, noise, visible):
    """Size of a change over what it must exceed."""
    kind, start, end = change
    size = abs(_height(clean, kind, start, end, before, after))
    counts = [stop - first for first, stop in (before, after)]
    if kind == "trend":
        counts = [max(count, (end - start) // 2) for count in counts]
    sigmas = NOISE_SIGMAS_LONG if min(counts) >= LONG_SIDE else NOISE_SIGMAS
    error = noise * math.sqrt(1 / counts[0] + 1 / counts[1])
    return size / max(visible, sigmas * noise, STANDARD_ERRORS * error)


def _height(clean, kind, start, end, before, after):
    """Level after minus level before."""
    if kind == "step":
        return float(np.median(clean[slice(*after)]) - np.median(clean[slice(*before)]))
    low, high = ramp_levels(clean[before[0] : after[1]], start - before[0], end - before[0])
    return high - low


def _two_modes(clean, changes, noise):
    """Whether the steps only go back and forth between the same two levels."""
    if len(changes) < LEAST_ALTERNATIONS or any(kind != "step" for kind, _, _ in changes):
        return False
    edges = [0, *[end for _, _, end in changes], clean.size]
    levels = np.array([np.median(clean[a:b]) for a, b in zip(edges, edges[1:], strict=False)])
    jump = np.median(np.abs(np.diff(levels)))
    return bool(max(np.ptp(levels[0::2]), np.ptp(levels[1::2])) < max(jump / 2, noise))


def _placed(values, bounds, clean, changes):
    """Changes in units as transitions in single values."""
    result = []
    sides = _levels_around(clean, changes)
    for number, ((kind, start, end), (before, after)) in enumerate(zip(changes, sides, strict=True)):
        following = changes[number + 1][1] if number + 1 < len(changes) else clean.size - 1
        last = int(bounds[following + 1]) - 1
        if kind == "trend":
            result.append(_placed_ramp(values, bounds, start, end, before[0], after[1], last))
            continue
        span = bounds[before[0]], bounds[after[1]]
        low = float(np.median(values[span[0] : bounds[end]]))
        high = float(np.median(values[bounds[end] : span[1]]))
        near = max(span[0], bounds[max(end - 2, 0)]), min(span[1], bounds[min(end + 2, bounds.size - 1)])
        first = step_place(values[near[0] : near[1]], low, high) + near[0]
        result.append(Transition("step", int(first) - 1, int(first), low, high, last))
    return result


def _placed_ramp(values, bounds, start, end, first, stop, last):
    """A ramp in units as a transition whose ends are single values, within two units of where the units put them."""
    begin = int(bounds[first])
    part = values[begin : bounds[stop]]
    smooth, outside = hampel(part)
    part = np.where(outside, smooth, part)
    near = []
    for unit in (start, end):
        low = max(unit - RAMP_REACH, first)
        high = min(unit + RAMP_REACH + 1, stop)
        places = np.unique(np.linspace(bounds[low], bounds[high] - 1, RAMP_PLACES).astype(int))
        near.append(places - begin)
    start, end, _ = best_ramp(part, *near)
    low, high = ramp_levels(part, start, end)
    return Transition("trend", begin + start, begin + end, low, high, last)


def step_place(values, before, after):
    """
    Place of the first value of the new level, by least absolute error; neither end is empty.

    Examples
    --------
    >>> step_place(np.array([0.0, 0.1, 5.0, 0.0, 1.1, 1.0]), 0.0, 1.0)
    4
    """
    reach = abs(after - before)
    to_before = np.minimum(np.abs(values - before), reach)
    to_after = np.minimum(np.abs(values - after), reach)
    cost = np.concatenate([[0], np.cumsum(to_before)]) + np.concatenate([np.cumsum(to_after[::-1])[::-1], [0]])
    return int(np.argmin(cost[1:-1])) + 1 if values.size > 1 else values.size
