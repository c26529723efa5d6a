"""
Whose picture it is, as a logarithm of a likelihood ratio: by how far its colour lies from two products, and how well its outline mirrors their other faces.

How far pictures of one product lie apart is learned from the set. Some products differ from view to view by their nature, in colour or by a
strap that one face shows, so a picture that lies far off is rare, not impossible: both distances are held to follow the Cauchy distribution [1]_,
whose scale is the set's median distance. Then all explanations of one picture are weighed in one unit, the nat.

References
----------
.. [1] K. L. Lange, R. J. A. Little, J. M. G. Taylor, "Robust statistical modeling using the t distribution", Journal of the
   American Statistical Association 84 (1989) 881-896: a heavy-tailed likelihood for what outliers are part of.
"""

import math
from typing import NamedTuple

import numpy as np

from catalogue_audit.statistics.matching.looks import FEWEST_PRODUCTS, INSIDE_VIEWS, OWN_COLOUR, colour_distances, outline_match, views_of

OTHER_FACE = {"front": "back", "back": "front"}
LEAST_COLOUR = OWN_COLOUR / 2  # CIELAB; steadier sets are held to scatter so much
LEAST_OUTLINE = 0.03  # intersection over union; the same
OTHER_HALF_NEEDS = 2.0  # nats; about half of the pictures under another product's name were exchanged
CANDIDATES = 24  # products nearest in colour that are compared


class Belonging(NamedTuple):
    """Looks by row, rows of each product's whole views, its faces (view → row), its middle colour, and the set's usual distances within a product."""

    looks: dict
    products: dict
    faces: dict
    centres: dict
    usual_colour: float
    usual_outline: float


def belonging(frames, looks, products):
    """
    What the set shows of how far the pictures of one product lie apart; None of too small a set.

    Parameters
    ----------
    frames : DataFrame
    looks : dict of int to Look
    products : dict of str to list of int
        Rows of each product's whole views.
    """
    faces = {sku: {view: row for view, row in views_of(frames, rows).items() if view in OTHER_FACE} for sku, rows in products.items()}
    centres = {sku: np.median([looks[row].colour for row in rows], axis=0) for sku, rows in products.items() if rows}
    apart = [colour_distances(centres[sku][None], looks[row].colour)[0] for sku, rows in products.items() if len(rows) > 1 for row in rows]
    unlike = [1 - outline_match(looks[both["front"]], looks[both["back"]], True) for both in faces.values() if len(both) == 2]
    if len(unlike) < FEWEST_PRODUCTS:
        return None
    usual = max(LEAST_COLOUR, float(np.median(apart))), max(LEAST_OUTLINE, float(np.median(unlike)))
    return Belonging(looks, products, faces, centres, *usual)


def nats_for(known, row, sku, other, view, without=()):
    """
    Log likelihood ratio that a picture is of another product than it is filed under, by colour and, of a face, by outline.

    Parameters
    ----------
    known : Belonging
    row : int
    sku, other : str
        The product it is filed under, and the other one.
    view : str
        As which it is filed.
    without : collection of int
        Rows that say nothing of the product they are filed under.

    Returns
    -------
    float
        In nats, positive for the other product; 0 where nothing tells.
    """
    nats = colour_nats(known, row, sku, other, without)
    faces = [known.faces[name].get(OTHER_FACE.get(view)) for name in (sku, other)]
    if None in faces or set(faces) & set(without):
        return nats
    unlike = [1 - outline_match(known.looks[row], known.looks[face], True) for face in faces]
    return nats + _less_likely(unlike[0], known.usual_outline) - _less_likely(unlike[1], known.usual_outline)


def colour_nats(known, row, sku, other, without=()):
    """`nats_for` by colour alone."""
    others = ([one for one in known.products[name] if one != row and one not in without] for name in (sku, other))
    colours = [_colour_distance(known.looks, row, rows) for rows in others]
    return 0.0 if None in colours else _less_likely(colours[0], known.usual_colour) - _less_likely(colours[1], known.usual_colour)


def likeliest_owner(known, row, sku, view, without=()):
    """
    The other product that a picture is most likely of.

    Returns
    -------
    name : str or None
    nats : float
        Of `nats_for`; -inf where there is no other product.
    """
    skus = [name for name in known.centres if name != sku]
    distances = colour_distances(np.stack([known.centres[name] for name in skus]), known.looks[row].colour) if skus else ()
    near = [skus[place] for place in np.argsort(distances, kind="stable")[:CANDIDATES]]
    nats = {name: nats_for(known, row, sku, name, view, without) for name in near}
    best = max(nats, key=nats.get, default=None)
    return best, nats.get(best, -math.inf)


def other_halves(frames, looks, products, found):
    """
    Yield (row, finding) of pictures whose names were exchanged with those that are found to be another product's.

    A picture of another product often means that this one's is filed under the other's name, so less is needed to tell it.

    Parameters
    ----------
    frames : DataFrame
    looks : dict of int to Look
    products : dict of str to list of int
        Rows of each product's whole views.
    found : dict of int to tuple
        Row → (likely product, kind, score, evidence) of what is found.
    """
    known = belonging(frames, looks, products)
    if known is None:
        return
    filed = {}
    for row in looks:
        filed.setdefault((frames["sku"][row], frames["view"][row]), []).append(row)
    for row, (owner, kind, *_) in list(found.items()):
        sku, view = frames["sku"][row], frames["view"][row]
        both = filed.get((sku, view), ()), filed.get((owner, view), ())
        if kind not in ("wrong_product", "wrong_detail") or view in INSIDE_VIEWS or list(map(len, both)) != [1, 1]:
            continue
        other = both[1][0]
        if other in found or owner not in known.products or sku not in known.products:
            continue
        nats = nats_for(known, other, owner, sku, view, found)
        if nats >= OTHER_HALF_NEEDS:
            evidence = f"the {view.replace('_', ' ')} of {owner} is filed under {sku}, and by colour and outline this is {sku}'s rather than {owner}'s by {nats:.1f} nats"
            yield other, (sku, kind, nats / OTHER_HALF_NEEDS, evidence)


def _colour_distance(looks, row, rows):
    """Median colour distance of a picture to some others; None for none."""
    return float(np.median(colour_distances(np.stack([looks[one].colour for one in rows]), looks[row].colour))) if rows else None


def _less_likely(distance, usual):
    """By how many nats a distance is less likely than none, where half of all reach the usual one."""
    return math.log1p((distance / usual) ** 2)
