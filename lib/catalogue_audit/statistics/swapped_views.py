"""Views of one product filed under one another's names."""

import numpy as np

from catalogue_audit.statistics.crops import ZOOMS, usual_zooms
from catalogue_audit.statistics.looks import CROP_CONTACT, FEWEST_PRODUCTS, INSIDE_VIEWS, outline_match, usual_least, views_of
from catalogue_audit.statistics.wrong_details import DETAIL_FOUND, fisher_z, some_of

CLEARER_FIT = 0.1  # difference of Fisher's z of two correlations: a detail fits one picture better than another
USUALLY, FEWEST_TELLING = 0.75, 3  # share and number of the telling details that fit the front, before another is blamed
MUCH_CLEARER = 5.0  # times that, where the set's details have no one scale to look for them at


def wrong_kind_of_view(frames, looks, crops):
    """A crop filed as a whole view and a whole product filed as a detail, where the set keeps them apart."""
    contacts = {False: [], True: []}
    for row, look in looks.items():
        contacts[row in crops].append(look.contact)
    if min(len(values) for values in contacts.values()) < FEWEST_PRODUCTS:
        return
    if np.quantile(contacts[False], 0.75) > CROP_CONTACT / 5 or np.quantile(contacts[True], 0.25) < CROP_CONTACT:
        return
    odd = {}
    for row, look in looks.items():
        wrong = look.contact <= CROP_CONTACT / 5 if row in crops else look.contact >= 2 * CROP_CONTACT
        if wrong:
            odd.setdefault(frames["sku"][row], []).append(row)
    for sku, rows in odd.items():
        exchanged = len({row in crops for row in rows}) == 2
        for row in rows:
            evidence = "it shows the whole product" if row in crops else "it shows a part of a product only"
            evidence += f", unlike the other pictures named {frames['view'][row]}"
            yield row, (sku, "swapped_views" if exchanged else "wrong_view", 1.0, evidence)


def odd_turn(frames, looks, products):
    """The three-quarter view exchanged with front or back: then those two are no longer mirror images."""
    margins, triples = [], []
    for rows in products.values():
        views = views_of(frames, rows)
        if {"front", "back", "three_quarter"} <= set(views):
            one, two, turned = (looks[views[view]] for view in ("front", "back", "three_quarter"))
            match = {
                "three_quarter": outline_match(one, two, True),
                "front": outline_match(turned, two, True),
                "back": outline_match(one, turned, True),
            }  # by the view left out
            margins.append(match["three_quarter"] - max(match["front"], match["back"]))
            triples.append((views, match))
    if len(margins) < FEWEST_PRODUCTS or np.median(margins) < 0.04:
        return
    needed = float(np.median(margins)) / 2
    usual = [match["three_quarter"] for _, match in triples]
    good = usual_least(usual, 0.03)
    for (views, match), margin in zip(triples, margins, strict=True):
        if margin > -needed:
            continue
        odd = max(("front", "back"), key=match.get)
        if match[odd] < good:  # no two of the three belong together: not a matter of views
            continue
        sku = frames["sku"][views[odd]]
        evidence = f"the other two views of {sku} mirror one another once the {odd} picture is taken as the turned one"
        for view in (odd, "three_quarter"):
            yield views[view], (sku, "swapped_views", -margin / needed, evidence)


def swapped_front_and_back(frames, looks, products, crops, fits):
    """Front and back exchanged, by the style's other products and by where the detail is found."""
    pairs = {}
    for sku, rows in products.items():
        views = views_of(frames, rows)
        if {"front", "back"} <= set(views):
            pairs[sku] = views["front"], views["back"]
    if len(pairs) < FEWEST_PRODUCTS:
        return
    siblings = _sibling_votes(frames, looks, pairs)
    details = _detail_votes(frames, pairs, crops, fits)
    for sku, rows in pairs.items():
        by_style, by_detail = siblings.get(sku, 0.0), details.get(sku, 0.0)
        if min(by_style, by_detail) > -1 or max(by_style, by_detail) >= 1:
            continue
        reasons = []
        if by_style <= -1:
            reasons.append("its front looks like the backs of the same style, its back like their fronts")
        if by_detail <= -1:
            reasons.append("its detail fits the back picture better, while the others' fit the front")
        for row in rows:
            yield row, (sku, "swapped_views", -min(by_style, by_detail), "; ".join(reasons))


def _sibling_votes(frames, looks, pairs):
    """
    How clearly each product's front and back agree with its style's others.

    1 and more: as named; -1 and less: exchanged, and all siblings that tell agree.
    """
    styles = {}
    for sku in pairs:
        styles.setdefault(_style_of(frames, pairs[sku][0], sku), []).append(sku)
    votes = {}
    for members in styles.values():
        if len(members) < 3:
            continue
        for sku in members:
            agreement = np.array([_agreement(looks, pairs[sku], pairs[other]) for other in members if other != sku])
            telling = agreement[np.abs(agreement) > 0.2]
            if telling.size >= 2 and abs(np.sign(telling).sum()) > telling.size / 3:
                votes[sku] = float(np.median(telling) / 0.2)
        if sum(vote < 0 for sku, vote in votes.items() if sku in members) > len(members) / 2:
            for sku in members:
                votes.pop(sku, None)  # no majority to go by
    return votes


def _agreement(looks, one, other):
    """Structure shared as named, less that shared once exchanged."""
    front, back = (looks[row].structure for row in one)
    their_front, their_back = (looks[row].structure for row in other)
    return float((front * their_front).sum() + (back * their_back).sum()
                 - (front * their_back).sum() - (back * their_front).sum())  # fmt: skip


def _style_of(frames, row, sku):
    """Style by the products file, else the SKU without its last part."""
    style = frames["style"][row]
    if isinstance(style, str) and style:
        return style
    for mark in "-_. ":
        if mark in sku:
            return sku.rpartition(mark)[0]
    return sku


def _detail_votes(frames, pairs, crops, fits):
    """
    Whether each product's details fit its front (positive) or its back (negative), where the set mostly says front.

    Units: 1 is `CLEARER_FIT`. Where the set's details have no one scale, a detail is looked for at all of them, and
    speaks against its front only from `MUCH_CLEARER` on.
    """
    details = _by_product(frames, crops)
    sure = {sku: rows for sku, rows in pairs.items() if sku in details}
    learnt = some_of((row, whole) for sku, rows in sure.items() for row in details[sku] for whole in rows)
    zooms = usual_zooms(fits(row, whole) for row, whole in learnt)
    votes, least = {}, 1.0 if len(zooms) else MUCH_CLEARER
    for sku, rows in sure.items():
        for row in details[sku]:
            (front, _, _), (back, zoom, _) = (fits(row, whole, zooms if len(zooms) else ZOOMS) for whole in rows)
            if not max(front, back) >= DETAIL_FOUND or (back > front and not np.isfinite(zoom)):
                continue
            vote = (fisher_z(front) - fisher_z(back)) / CLEARER_FIT
            votes[sku] = max(votes.get(sku, vote), vote, key=abs)
    telling = [vote for vote in votes.values() if abs(vote) >= 1]
    in_front = sum(vote > 0 for vote in telling)
    if in_front < max(USUALLY * len(telling), FEWEST_TELLING):
        return {}
    return {sku: vote for sku, vote in votes.items() if vote > -1 or vote <= -least}


def _by_product(frames, rows):
    grouped = {}
    for row in sorted(rows):
        if frames["view"][row] not in INSIDE_VIEWS:
            grouped.setdefault(frames["sku"][row], []).append(row)
    return grouped
