"""
Stretches of a delivery whose products were lit otherwise, before a background as ever.

Products differ in reflectance by more than lamps do, so that a product photographed whole within such a stretch tells nothing of it. One
in the midst of which the lamps changed does: its pictures before are of one level, those after of another. Where one product tells
that the light changed and a later one that it changed back, all between were under the other light. Of a change whose end no product
tells nothing is said, as nobody knows where it ended.
"""

from typing import NamedTuple

import numpy as np

from catalogue_audit.statistics.photometry.background_lamps import ONE_LEVEL
from catalogue_audit.statistics.photometry.view_effects import members_of

LEAST_STEP, SIGMAS = 0.1, 5.0  # EV, and times what frames of a product, and of its own two sides, scatter by: a split product's step is at least as large
WITHIN = 3.0  # times that scatter, by which frames of one side differ at most, and two ends of a stretch
LEAST_SD = 0.02  # EV; by which views of a product differ at least under one light
FEWEST = 6  # products that tell how much views scatter


class Split(NamedTuple):
    """A product in the midst of which its level changed: places (in capture order) of its last frame before and its first after, EV, and whether two frames at least lie to either side."""

    before: int
    after: int
    step: float
    sure: bool


def by_lamps_of_the_product(frames, background, level, extra_sd, sku, straight):
    """
    What lamps that lit the products alone add to each frame's product over a stretch of capture time, and its standard uncertainty.

    A single picture may look otherwise, or be lit otherwise, on its own: of the two ends of a stretch one has to leave two pictures to either
    side, and the other a view that faces camera and lamps; both have to leave two, if the delivery has steps that are no end of a stretch.

    Parameters
    ----------
    frames : DataFrame
        ``captured_at`` and ``file`` give the order; a frame without a time is in no stretch.
    background : (n,) ndarray
        EV against the set's; NaN where unknown. Where it moved with the product, it tells more than this.
    level, extra_sd : (n,) ndarray
        EV of the products, up to a constant of each and less what is usual of the view; and what is unsure of it beyond the usual. NaN
        where nothing is comparable.
    sku : (n,) ndarray of str
    straight : (n,) ndarray of bool
        Views that face camera and lamps.

    Returns
    -------
    ev, sd : (n,) ndarray
        0 where no stretch is told.
    """
    ev, sd = np.zeros(len(level)), np.zeros(len(level))
    times, files = frames["captured_at"].fillna("").to_numpy(str), frames["file"].to_numpy(str)
    timed = np.flatnonzero(times != "")
    order = timed[np.lexsort((files[timed], times[timed]))]
    place = np.full(len(level), -1)
    place[order] = np.arange(len(order))
    products = [k[np.argsort(place[k])] for k in members_of(np.where((place >= 0) & np.isfinite(level), sku, ""))]
    products = [k for k in products if len(k) > 1]
    if len(products) < FEWEST:
        return ev, sd
    apart = np.concatenate([level[k] - np.median(level[k]) for k in products])
    scatter = max(1.4826 * float(np.median(np.abs(apart))), LEAST_SD)
    found = [_split(k, place, level, extra_sd, background, straight, scatter) for k in products]
    for first, last in _stretches(sorted(one for one in found if one), scatter):
        inside = order[first.after : last.before + 1]
        ev[inside], sd[order] = (first.step - last.step) / 2, np.hypot(sd[order], scatter / np.sqrt(2))
        if len(inside) > len(order) / 2:  # the longer part is the set's light
            ev[order] -= (first.step - last.step) / 2
    return ev, np.where(ev == 0, 0.0, sd)


def _split(frames, place, level, extra_sd, background, straight, scatter):
    """`Split` of a product's frames, in order of capture, at the place that leaves the least scatter to either side; None where there is no step of its own."""
    values, best = level[frames], None
    for count in range(1, len(frames)):
        sides = values[:count], values[count:]
        within = max(float(np.abs(side - np.median(side)).max()) for side in sides)
        if best is None or within < best[0]:
            best = within, count
    within, count = best
    step = float(np.median(values[count:]) - np.median(values[:count]))
    sides = frames[:count], frames[count:]
    unsure = np.hypot(scatter, np.hypot(*(np.min(np.nan_to_num(extra_sd[side])) for side in sides)))
    if abs(step) < max(LEAST_STEP, SIGMAS * max(unsure, within)) or within > WITHIN * scatter or not all(straight[side].any() or len(side) > 1 for side in sides):
        return None
    behind = [side[np.isfinite(side)] for side in (background[sides[0]], background[sides[1]])]
    if all(map(len, behind)) and abs(np.median(behind[1]) - np.median(behind[0])) > ONE_LEVEL:
        return None
    return Split(int(place[sides[0][-1]]), int(place[sides[1][0]]), step, min(map(len, sides)) > 1)


def _stretches(splits, scatter):
    """Pairs of a step and the next, which takes it back: a list of (Split, Split)."""
    pairs, k = [], 0
    while k + 1 < len(splits):
        first, last = splits[k], splits[k + 1]
        back = abs(first.step + last.step) < WITHIN * scatter * np.sqrt(2) and first.after <= last.before
        pairs += [(first, last)] if back else []
        k += 2 if back else 1
    unpaired = len(splits) > 2 * len(pairs)
    return [(first, last) for first, last in pairs if (first.sure and last.sure) or (not unpaired and (first.sure or last.sure))]
