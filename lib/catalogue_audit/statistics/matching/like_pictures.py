"""
Pictures that lie over another product's picture, and are unlike their own product's.

Where colours scatter in a set, no limit of the set tells that a picture is foreign (`wrong_products`). But a picture whose
outline, structure and colour are all those of one of another product's pictures is of that product, or that one is of this:
the one that lies apart from all of its own product's pictures, as these do not from one another, is not at home.
"""

import numpy as np

from catalogue_audit.statistics.matching.looks import (
    CLEARLY_NEARER,
    FEWEST_PRODUCTS,
    FOREIGN_COLOUR,
    OWN_COLOUR,
    colour_distance,
    colour_distances,
    distances_from,
)
from catalogue_audit.statistics.matching.own_colours import lies_over, shows_own_colours
from catalogue_audit.statistics.matching.wrong_colourways import LEAST_VIEWS, scatter_of

SAME_STRUCTURE = 0.8  # correlation of lightness within the outline of two pictures of one view


def like_another_products(frames, sketches, looks, products, misfiled):
    """
    Yield (row, finding) of whole views that lie over another product's view and apart from all of their own's.

    Parameters
    ----------
    frames : DataFrame
    sketches : mapping of str to dict of ndarray
    looks : dict of int to Look
    products : dict of str to list of int
        Rows of each product's whole views.
    misfiled : collection of int
        Rows that are known to be: no picture of the product they are filed under.
    """
    products = {sku: [row for row in members if row not in misfiled] for sku, members in products.items()}
    if len(products) < FEWEST_PRODUCTS:
        return
    rows = np.array([row for members in products.values() for row in members])
    colours = np.stack([looks[row].colour for row in rows])
    for sku, members in products.items():
        for row in members:
            rest = [other for other in members if other != row]
            away = _apart(looks, row, rest)
            if not away or shows_own_colours(frames, sketches, row, rest):
                continue
            distances = colour_distances(colours, looks[row].colour)
            of_colour = set(frames["sku"][rows[distances <= OWN_COLOUR]]) - {sku}  # by any of their views: another may have a cast
            near = [int(other) for other in rows[distances <= CLEARLY_NEARER * away] if frames["sku"][other] in of_colour]
            like = [other for other in near if lies_over(looks[row], looks[other], SAME_STRUCTURE)]
            like = [other for other in like if _is_at_home(looks, other, products[frames["sku"][other]], away)]
            if not like:
                continue
            nearest = min(like, key=lambda other: colour_distance(looks[row], looks[other]))
            name = frames["sku"][nearest]
            evidence = f"it lies {away:.0f} CIELAB units from the other views of {sku}, and over {frames['file'][nearest]} in colour, outline and structure"
            yield row, (name, "wrong_product", away / FOREIGN_COLOUR, evidence)


def _apart(looks, row, rest):
    """Median colour distance of a picture that lies apart from all others of its product, farther than these from one another; 0 for others."""
    if len(rest) < LEAST_VIEWS:
        return 0.0
    away = distances_from(looks, row, rest)
    apart = np.median(away) >= FOREIGN_COLOUR and min(away) > scatter_of(looks, rest)
    return float(np.median(away)) if apart else 0.0


def _is_at_home(looks, row, members, away):
    """Whether a picture is as its product's others are, or at least much more so than one that lies so far `away`."""
    rest = [other for other in members if other != row]
    if len(rest) < LEAST_VIEWS:
        return False
    own = distances_from(looks, row, rest)
    return min(own) <= scatter_of(looks, rest) or np.median(own) <= CLEARLY_NEARER * away
