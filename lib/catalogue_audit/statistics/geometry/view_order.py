"""
The order in which a product's views were taken, as evidence of which is which.

Photographers work to a list: three-quarter, front, detail, back, or whatever the
house's order is. Where two names were exchanged afterwards, the capture times
still tell the order in which the pictures were taken, and exchanging the names
back brings the product into line with all the others.
"""

import numpy as np
import pandas as pd

from catalogue_audit.statistics.series.clock import capture_order

FEWEST_OTHERS = 4  # products that show what is usual, beside the one judged
STRICT = 0.9  # share of them that take two views in one order
ACROSS_ANOTHER = 2.0  # evidence of an exchange that another view between the two confirms; 1 is enough by itself
OF_NEIGHBOURS = 0.6  # of two views taken one after the other: a photographer may well have turned to the back first
AS_USUAL = 0.5  # for the names as they are; more than one kind of likeness alone can outweigh


def order_votes(frames, one="front", two="back"):
    """
    Whether each product's two views were captured in the house's usual place of one another.

    Parameters
    ----------
    frames : DataFrame
    one, two : str
        Views.

    Returns
    -------
    dict of str to float
        Product → evidence that the two names stand for what they say (positive), or were exchanged (negative, 1
        being enough by itself). Only products that tell: with capture times of both, in a house with a strict order.
    """
    places = _places(frames)
    before = {}
    for sku, views in places.items():
        for early, late in _in_order(views):
            before.setdefault((early, late), set()).add(sku)
    votes = {}
    for sku, views in places.items():
        if one not in views or two not in views:
            continue
        conflicts = _conflicts(views, sku, before)
        exchanged = {**views, one: views[two], two: views[one]}
        if not conflicts and _tells(one, two, sku, before):
            votes[sku] = AS_USUAL
        elif conflicts and not _conflicts(exchanged, sku, before):
            votes[sku] = -(ACROSS_ANOTHER if len(conflicts) > 1 else OF_NEIGHBOURS)
    return votes


def _places(frames):
    """sku → view → (camera, seconds) of its first picture, where the time is known."""
    order = capture_order(frames)
    seconds, camera = order["seconds"].to_numpy(dtype=float), order["camera"].to_numpy()
    places = {}
    for row, (sku, view, position) in enumerate(zip(frames["sku"], frames["view"], frames["position"], strict=True)):
        first = pd.isna(position) or position == 1
        if first and isinstance(sku, str) and isinstance(view, str) and np.isfinite(seconds[row]):
            places.setdefault(sku, {}).setdefault(view, []).append((camera[row], seconds[row]))
    return {sku: {view: found[0] for view, found in views.items() if len(found) == 1} for sku, views in places.items()}


def _in_order(views):
    """Pairs of views of which the first was taken earlier, by one camera."""
    for early, (camera, at) in views.items():
        for late, (other, then) in views.items():
            if at < then and camera == other:
                yield early, late


def _tells(early, late, sku, before):
    """How the other products take two views: 1 in this order, -1 in the other, 0 where they follow no rule."""
    as_here, reverse = (len(before.get(pair, set()) - {sku}) for pair in ((early, late), (late, early)))
    if as_here + reverse < FEWEST_OTHERS or max(as_here, reverse) < STRICT * (as_here + reverse):
        return 0
    return 1 if as_here > reverse else -1


def _conflicts(views, sku, before):
    """Pairs of views in another order than the other products'."""
    return [pair for pair in _in_order(views) if _tells(*pair, sku, before) < 0]
