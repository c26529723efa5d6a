"""
Straps beside how the set's other products show theirs: which of a product's two pictures of the face is the odd one.

A house shows each strap alike in both pictures of the face, or one way in one view and another way in the other. Which of the two it does, and how
often each state is meant, its other products tell; a picture may show another state by a slip. So every product whose two pictures
of the face do not lie as the set's do is asked by Bayes' rule whether it is meant so, or which of the two slipped.
"""

import numpy as np

from catalogue_audit.measures.applicability import shows_a_turn
from catalogue_audit.schema import STRAP_STATES as STATES
from catalogue_audit.statistics.geometry.strap_states import CHANGES_OUTLINE, SURE_OUTLINE

ALIKE = 0.8  # share of houses that show a strap alike in front and three-quarter view, beforehand: of some 30 drawn deliveries with straps all but three do
SLIPS = 0.05  # of pictures of straps; any other state is as likely
OF_ITS_OWN = 0.02  # of products, that lie as no other of the set
UNSEEN = 0.05  # pictures that each state counts for beforehand: a house keeps to few
COLOURWAYS = 0.9  # of them are meant to lie as each other
FEWEST_ALIKE = 2  # other products that lie as one is held to be meant
SURELY = 0.8  # probability


def slips(frames):
    """
    Pictures whose strap lies otherwise than the set's habit and the product's other picture of the face say.

    Only where a strap lies outside the body in one of the two, which a sure outline shows plainly, and where two other products, or a colourway,
    lie just as this one is held to be meant.

    Parameters
    ----------
    frames : DataFrame
        Whole products with a strap, with ``file``, ``sku``, ``style`` (alike for colourways), ``view``, ``strap_state``, ``outline_confidence``.

    Returns
    -------
    dict of str to str
        File -> state that is meant there.
    """
    shown = {}
    for row in frames[["file", "sku", "style", "view", "strap_state", "outline_confidence"]].to_dict("records"):
        if row["view"] == "front" or shows_a_turn(row["view"]):
            shown.setdefault(row["sku"], ([], []))[row["view"] != "front"].append(row)
    told = {sku: both for sku, both in shown.items() if all(len({row["strap_state"] for row in rows}) == 1 for rows in both)}
    pairs = {sku: (both[0][0]["style"], both[0][0]["strap_state"], both[1][0]["strap_state"]) for sku, both in told.items()}
    found = {}
    for sku, (style, *states) in pairs.items():
        sure = all(row["outline_confidence"] >= SURE_OUTLINE for rows in told[sku] for row in rows)
        if states[0] == states[1] or not sure or not set(states) & set(CHANGES_OUTLINE):
            continue
        others = [(own == style, front, turned) for other, (own, front, turned) in pairs.items() if other != sku]
        side, meant, probability = odd_one(tuple(states), others)
        if side is not None and probability > SURELY:
            whole = (meant, states[1]) if side == 0 else (states[0], meant)
            alike = [colourway for colourway, *seen in others if tuple(seen) == whole]
            if any(alike) or len(alike) >= FEWEST_ALIKE:
                found |= {row["file"]: meant for row in told[sku][side]}
    return found


def odd_one(pair, others):
    """
    Which of a product's two pictures slipped, if any.

    Parameters
    ----------
    pair : (str, str)
        States that its front and its turned view show.
    others : list of (bool, str, str)
        Of the set's other products: whether it is a colourway, and the same.

    Returns
    -------
    side, meant, probability
        0 the front, 1 the turned view, None neither; the state meant there, and how sure that is.

    Examples
    --------
    >>> odd_one(("none", "held_up"), [(False, "held_up", "held_up")] * 4)[:2]
    (0, 'held_up')
    >>> odd_one(("front", "held_up"), [(False, "front", "held_up")] * 4)[0] is None
    True
    """
    meant = _meant(others)
    a, b = (STATES.index(state) for state in pair)
    slip = SLIPS / (len(STATES) - 1)
    ways = {(None, pair[0]): meant[a, b]}
    ways |= {(0, state): meant[place, b] * slip for place, state in enumerate(STATES) if place != a}
    ways |= {(1, state): meant[a, place] * slip for place, state in enumerate(STATES) if place != b}
    total = sum(ways.values())
    sides = {side: sum(share for (other, _), share in ways.items() if other == side) for side in (None, 0, 1)}
    side = max(sides, key=sides.get)
    state = max((way for way in ways if way[0] == side), key=ways.get)[1]
    return side, state, sides[side] / total


def _meant(others):
    """(states, states) probability that front and turned view are meant to show each, by the set's other products: of colourways most, of the others by their habit."""
    count = len(STATES)
    seen = np.array([[STATES.index(front), STATES.index(turned)] for _, front, turned in others], int).reshape(-1, 2)
    evidence, after = _habits(seen)
    pairs = evidence[0] * np.diag(after[0]) + evidence[1] * np.outer(after[1], after[2])
    pairs = (1 - OF_ITS_OWN) * pairs + OF_ITS_OWN / count**2
    kin = [place for place, (colourway, _, _) in enumerate(others) if colourway]
    if kin:
        alike = np.zeros((count, count))
        for front, turned in seen[kin]:
            alike[front, turned] += 1 / len(kin)
        pairs = COLOURWAYS * alike + (1 - COLOURWAYS) * pairs
    return pairs


def _habits(seen):
    """
    How likely each of two habits is by (n, 2) states that other products show, alike in both views and by view, and how often each state is then meant.

    Each product is foretold by those before it (Dirichlet shares of states); one that shows two states slipped in one of them where both are meant alike.
    """
    count = len(STATES)
    slip = SLIPS / (count - 1)
    alike, front, turned = (np.full(count, UNSEEN) for _ in range(3))
    log = np.log([ALIKE, 1 - ALIKE])
    for a, b in seen:
        by_product, by_view = alike / alike.sum(), (front / front.sum(), turned / turned.sum())
        if a == b:
            log[0] += np.log(by_product[a])
            alike[a] += 1
        else:
            either = by_product[[a, b]]
            log[0] += np.log(slip * either.sum())
            alike[[a, b]] += either / either.sum()
        log[1] += np.log(by_view[0][a] * by_view[1][b])
        front[a] += 1
        turned[b] += 1
    weight = np.exp(log - log.max())
    return weight / weight.sum(), [shares / shares.sum() for shares in (alike, front, turned)]
