"""
Stretches of a delivery whose background has another level than the set's by lamps of its own.

Background and product have lamps of their own. Where all pictures of a product lie within such a stretch, nothing tells whether
its light changed as well. A product in the midst of which the background changed tells it, by its own level before and after, and
what it tells holds for the whole stretch.
"""

import numpy as np

from catalogue_audit.statistics.photometry.lit_alike import ODD_SD, ODD_STRAIGHT, ODD_STRAIGHT_SD, ODD_VIEW
from catalogue_audit.statistics.photometry.view_effects import VIEW_SD
from catalogue_audit.statistics.series.segments import find_transitions

VISIBLE, FLOOR = 0.1, 0.01  # EV; steps of the background that are asked about, and the least noise of one background
ONE_LEVEL = 0.05  # EV; stretches nearer than this have one level
ALONE = 0.05  # share of the stretches in which the background's lamps were changed and no others (common practice, no source)


def by_its_own_lamps(frames, background, level, extra_sd, sku, whole, straight):
    """
    What lamps of its own add to each frame's background, and its standard uncertainty.

    Parameters
    ----------
    frames : DataFrame
        ``captured_at`` and ``file`` give the order; a frame without a time is in no stretch.
    background : (n,) ndarray
        EV against the set's; NaN where unknown.
    level, extra_sd : (n,) ndarray
        EV of the products, up to a constant of each and less what is usual of the view; and what is unsure of it beyond the usual.
    sku : (n,) ndarray of str
    whole, straight : (n,) ndarray of bool
        Frames that show a whole product; views that face camera and lamps.

    Returns
    -------
    ev, sd : (n,) ndarray
        0 where no product tells. In a stretch that is so with some probability that share of its level, and by how much the two
        explanations differ.
    """
    ev, sd = np.zeros(len(background)), np.zeros(len(background))
    times, files = frames["captured_at"].fillna("").to_numpy(str), frames["file"].to_numpy(str)
    known = np.flatnonzero((times != "") & (sku != "") & whole & np.isfinite(background))
    known = known[np.lexsort((files[known], times[known]))]
    if not len(known) or not _any_product_split(background[known], sku[known]):
        return ev, sd
    units = np.cumsum(np.r_[False, sku[known][1:] != sku[known][:-1]])
    steps = [change.first_after for change in find_transitions(background[known], units, VISIBLE, FLOOR) if change.kind == "step"]
    stretches = np.split(known, steps)
    levels = np.array([np.median(background[stretch]) for stretch in stretches])
    off = levels - levels[np.argmin(np.abs(levels))]
    for place, stretch in enumerate(stretches):
        beside = [k for k in (place - 1, place + 1) if 0 <= k < len(stretches) and abs(off[k]) < ONE_LEVEL <= abs(off[place])]
        odds = [_odds_alone(stretch, stretches[k], off[place] - off[k], level, extra_sd, sku, straight) for k in beside]
        odds = [one for one in odds if one is not None]
        if odds:
            alone = 1 / (1 + (1 - ALONE) / ALONE * np.exp(-sum(odds)))
            ev[stretch], sd[stretch] = alone * off[place], np.sqrt(alone * (1 - alone)) * abs(off[place])
    return ev, sd


def _any_product_split(background, sku):
    """Whether the backgrounds of a product differ by a step: seldom, and what finds steps is large."""
    same = sku[1:] == sku[:-1]
    return bool((np.abs(np.diff(background))[same] > VISIBLE).any())


def _odds_alone(inside, outside, step, level, extra_sd, sku, straight):
    """ln of the likelihood that the background changed alone by a step (EV) over that of all lamps, by the products it splits; None without one."""
    odds = None
    for name in np.intersect1d(sku[inside], sku[outside]):
        pair = [_surest(side[sku[side] == name], level, extra_sd, straight) for side in (inside, outside)]
        if None in pair:
            continue
        moved = level[pair[0]] - level[pair[1]]
        spread = np.sqrt(2 * VIEW_SD**2 + np.square(extra_sd[pair]).sum())
        alone, together = (_likelihood(moved - expected, spread, straight[pair]) for expected in (0.0, step))
        odds = (odds or 0.0) + float(np.log(alone / together))
    return odds


def _surest(places, level, extra_sd, straight):
    """Of a product's frames the one that is compared with its others most surely; None where none is."""
    places = places[np.isfinite(level[places]) & np.isfinite(extra_sd[places])]
    return min(places.tolist(), key=lambda k: (not straight[k], extra_sd[k], k), default=None)


def _likelihood(off, spread, straight):
    """Of a difference of two views (EV), either of which may look otherwise than usual."""
    result, plain = 0.0, 1.0
    for faces in straight:
        odd, odd_sd = (ODD_STRAIGHT, ODD_STRAIGHT_SD) if faces else (ODD_VIEW, ODD_SD)
        wide = np.hypot(spread, odd_sd)
        result += odd * np.exp(-0.5 * np.square(off / wide)) / wide
        plain -= odd
    return result + plain * np.exp(-0.5 * np.square(off / spread)) / spread
