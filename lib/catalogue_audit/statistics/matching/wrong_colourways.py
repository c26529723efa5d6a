"""
Pictures that show a colourway near in colour to the one they are filed under, in a set whose colours scatter.

A patterned product's views differ, and such products widen what a set calls
usual (`wrong_products`). Here two products are judged by their own scatter
alone. Another light could bring one colour near the other, too; but it falls
on the backdrop as well, so the backdrop has to be seen, and unchanged.
"""

import numpy as np

from catalogue_audit.statistics.matching.looks import (
    CHANNEL_WEIGHTS,
    CLEARLY_NEARER,
    FEWEST_PRODUCTS,
    FOREIGN_COLOUR,
    OWN_COLOUR,
    colour_distances,
    distances_from,
    outline_match,
)
from catalogue_audit.statistics.matching.own_colours import is_gusset_of_its_own, is_like_its_own

LEAST_VIEWS = 2  # besides the picture, of either product: one tells nothing about its scatter
BURNT_L = 97.0  # CIELAB; a backdrop as light does not show a change of light
SAME_LIGHT = 2.0  # CIELAB, L* counting half: 0.2 EV on a light grey backdrop
NO_WORSE_OUTLINE = 0.1  # intersection over union


def wrong_colourways(frames, sketches, looks, products):
    """
    Yield (row, finding) of pictures that lie apart from all views of their product and among all views of another.

    Parameters
    ----------
    frames : DataFrame
    sketches : mapping of str to dict of ndarray
    looks : dict of int to Look
    products : dict of str to list of int
        Rows of each product's whole views.
    """
    several = {name: members for name, members in products.items() if len(members) >= LEAST_VIEWS}
    colours = np.stack([looks[row].colour for members in several.values() for row in members]) if several else None
    for sku, rows in products.items():
        for row in rows:
            rest = [other for other in rows if other != row]
            if len(rest) < LEAST_VIEWS:
                continue
            away = distances_from(looks, row, rest)
            if np.median(away) < FOREIGN_COLOUR or min(away) <= scatter_of(looks, rest):
                continue
            near = _near(colours, several, looks[row].colour, min(OWN_COLOUR, CLEARLY_NEARER * min(away)))
            likely, distance = _among(looks, row, rest, {name: near[name] for name in near if name != sku})
            if likely is None or not _backdrop_unchanged(frames, row):
                continue
            if is_gusset_of_its_own(frames, sketches, row, rest) or is_like_its_own(frames, sketches, looks, row, rest, products[likely]):
                continue
            evidence = (
                f"its colour lies {np.median(away):.0f} CIELAB units from the other views of {sku}, "
                f"but {distance:.0f} from those of {likely}, and its backdrop is as usual"
            )
            yield row, (likely, "wrong_product", float(np.median(away)) / FOREIGN_COLOUR, evidence)


def scatter_of(looks, rows):
    """The largest colour distance between two of some pictures."""
    return max(distance for place, row in enumerate(rows[1:], 1) for distance in distances_from(looks, row, rows[:place]))


def _near(colours, products, colour, limit):
    """Products all of whose views, stacked in `colours`, lie within a limit of one colour."""
    distances = colour_distances(colours, colour)
    starts = np.cumsum([0, *(len(members) for members in products.values())])[:-1]
    farthest = np.maximum.reduceat(distances, starts)
    return {name: members for (name, members), far in zip(products.items(), farthest, strict=True) if far <= limit}


def _among(looks, row, rest, products):
    """Of products near in colour the nearest one whose outline is no worse, and its distance; (None, inf) for none."""
    shape = _best_outline(looks, row, rest)
    likely = None, np.inf
    for name, members in products.items():
        distance = float(np.median(distances_from(looks, row, members)))
        if distance < likely[1] and _best_outline(looks, row, members) >= shape - NO_WORSE_OUTLINE:
            likely = name, distance
    return likely


def _best_outline(looks, row, others):
    return max(outline_match(looks[row], looks[other], flip) for other in others for flip in (False, True))


def _backdrop_unchanged(frames, row):
    """Whether a picture's backdrop is seen, and is that of the set's same views."""
    seen = (frames["background_L"] < BURNT_L) & (frames["backdrop"] != "cut_out") & (frames["view"] == frames["view"][row])
    if not seen[row] or seen.sum() <= FEWEST_PRODUCTS:
        return False
    colours = frames.loc[seen, ["background_L", "background_a", "background_b"]].astype(float)
    moved = np.abs(colours.loc[row] - colours.drop(index=row).median()).to_numpy() * CHANNEL_WEIGHTS
    return bool(moved.sum() <= SAME_LIGHT)
