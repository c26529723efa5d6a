"""Pictures of the whole product that show another product than they are filed under."""

import numpy as np

from catalogue_audit.statistics.matching.belonging import belonging, colour_nats, nats_for
from catalogue_audit.statistics.matching.crops import ZOOMS
from catalogue_audit.statistics.matching.looks import (
    CLEARLY_NEARER,
    FEWEST_PRODUCTS,
    FOREIGN_COLOUR,
    INSIDE_VIEWS,
    OWN_COLOUR,
    colour_distance,
    distances_from,
    outline_match,
    usual_least,
    usual_most,
    views_of,
)
from catalogue_audit.statistics.matching.own_colours import is_gusset_of_its_own, is_like_its_own
from catalogue_audit.statistics.matching.verifying import PERHAPS_AGAIN, PHOTOGRAPHED_AGAIN
from catalogue_audit.statistics.matching.wrong_details import DETAIL_FOUND, MUCH_CLEARER_FIT, fisher_z

SURELY_NEARER = 0.25  # then the likely product may itself scatter as far as the set's limit
MIRRORS, MUCH_LESS = 0.9, 0.15  # overlap of front and mirrored back of one bag, and how far below it others lie; a strap in one view takes less
OTHER_SIDE = {"front": "back", "back": "front"}
CANDIDATES = 24  # products nearest in colour that are compared
EXCHANGE_NEEDS = 2.0  # nats of both pictures of an exchange together, of outlines that the set calls unusual already
ANOTHER_COLOUR = -1.0  # nats of colour alone: less of either picture refutes that the two have one colour
SAME_PHOTOGRAPH = ("same_bytes", "same_pixels", "re_export", "resized", "re_cropped", "taken_again")
SAME_BAG = (*SAME_PHOTOGRAPH, PERHAPS_AGAIN, PHOTOGRAPHED_AGAIN)  # whose colour and structure are alike, in whatever number of photographs


def wrong_products(frames, sketches, looks, products, order, pairs=None):
    """
    Whole-product pictures whose colour or outline is another product's.

    What `pairs` say is another's photograph too has no vote; a side of a colour that other views of the product show in part is its own.
    """
    twice = claimed_twice(frames, looks, pairs)
    several = {sku: rows for sku, rows in products.items() if len(rows) > 1}
    if len(several) < FEWEST_PRODUCTS:
        return
    own = {sku: _own_distances(looks, rows, twice) for sku, rows in several.items()}
    limit = usual_most([distance for distances in own.values() for distance in distances.values()], FOREIGN_COLOUR)
    names = list(products)
    centres = np.stack([np.median([looks[row].colour for row in products[name]], axis=0) for name in names])
    details = {}
    for row in looks:
        if frames["view_kind"][row] == "crop" and row not in twice:
            details.setdefault(frames["sku"][row], []).append(row)
    odd = {sku: _odd_ones(looks, several[sku], own[sku], limit, twice, details.get(sku, ())) for sku in several}
    odd_rows = {row for rows in odd.values() for row in rows}
    for sku, rows in odd.items():
        for row in rows:
            likely = _best_product(frames, looks, row, sku, products, odd_rows | twice, names, centres)
            if likely is None:
                continue
            name, distance = likely
            distance_own = own[sku][row]
            near = distance <= max(OWN_COLOUR, limit / 2) and distance <= CLEARLY_NEARER * distance_own
            if not (near or (distance <= limit and distance <= SURELY_NEARER * distance_own)):
                continue
            others = [other for other in several[sku] if other not in odd_rows | twice | {row}]
            members = [other for other in products[name] if other not in odd_rows | twice]
            if is_gusset_of_its_own(frames, sketches, row, others) or is_like_its_own(frames, sketches, looks, row, others, members):
                continue
            evidence = (
                f"its colour lies {distance_own:.0f} CIELAB units from the other views of {sku}, "
                f"but {distance:.0f} from those of {name}"
            )
            if order.get(row) == name:
                evidence += "; it was captured between two pictures of that product"
            yield row, (name, "wrong_product", distance_own / limit, evidence)


def claimed_twice(frames, looks, pairs):
    """Rows of photographs that are filed under two products: at one of them each is not at home."""
    if pairs is None or not len(pairs):
        return set()
    place = {frames["file"][row]: row for row in looks}
    both = [
        (place.get(one), place.get(other))
        for one, other, kind in zip(pairs["file_a"], pairs["file_b"], pairs["kind"], strict=True)
        if kind in SAME_BAG
    ]
    return {row for rows in both if None not in rows and frames["sku"][rows[0]] != frames["sku"][rows[1]] for row in rows}


def _own_distances(looks, members, twice):
    """Median colour distance of each member to the product's others that no other product claims, or to all others."""
    sure = [row for row in members if row not in twice]
    distances = {}
    for row in members:
        others = [other for other in sure if other != row] or [other for other in members if other != row]
        distances[row] = float(np.median(distances_from(looks, row, others)))
    return distances


def _odd_ones(looks, rows, distances, limit, twice, details):
    """The members that disagree while the others agree; both of two that disagree, but for the one that looks as the details do."""
    far = [row for row in rows if distances[row] > limit]
    if not far:
        return far
    if len(rows) == 2:
        return _unlike_details(looks, far, limit, details)
    rest = [row for row in rows if row not in far]
    if len(rest) >= 2:
        return far
    sure = [row for row in rows if row not in twice]
    agreeing = [
        (a, b) for n, a in enumerate(sure) for b in sure[n + 1 :] if colour_distance(looks[a], looks[b]) <= limit
    ]
    members = {row for pair in agreeing for row in pair}
    return [row for row in rows if row not in members] if members else _unlike_details(looks, far, limit, details)


def _unlike_details(looks, far, limit, details):
    """Of pictures that all disagree, those whose colour is not their product's details'; all of them where that parts none."""
    if not len(details):
        return far
    distance = {row: float(np.median([colour_distance(looks[row], looks[detail]) for detail in details])) for row in far}
    return [row for row in far if distance[row] > limit] if min(distance.values()) <= limit else far


def _best_product(frames, looks, row, sku, products, unsure, names, centres):
    """The product whose pictures, but for the `unsure`, lie nearest in colour, its outline no worse than the claimed one's."""
    rough = np.abs(centres - looks[row].colour).reshape(len(names), -1, 3).sum(axis=2).mean(axis=1)
    best = None
    for place in np.argsort(rough, kind="stable")[: CANDIDATES]:
        name = names[place]
        members = [other for other in products[name] if other not in unsure]
        if name == sku or not members:
            continue
        distance = float(np.median([colour_distance(looks[row], looks[other]) for other in members]))
        shape = max(outline_match(looks[row], looks[other], flip) for other in members for flip in (False, True))
        rank = distance + 20 * (1 - shape)
        if best is None or rank < best[0]:
            best = rank, name, distance, shape
    if best is None:
        return None
    rest = [other for other in products[sku] if other != row and other not in unsure]
    shapes = [outline_match(looks[row], looks[other], flip) for other in rest for flip in (False, True)]
    return (best[1], best[2]) if best[3] >= max(shapes, default=0.0) - 0.1 else None


def one_photograph_twice(frames, looks, products, crops, pairs, fits):
    """
    Of one photograph under two products, the file whose product looks otherwise, where the other's looks alike.

    By colour; a front or back also by its outline, a detail by where its structure is found.
    """
    if pairs is None or not len(pairs):
        return
    place = {frames["file"][row]: row for row in looks}
    for one, other, kind in zip(pairs["file_a"], pairs["file_b"], pairs["kind"], strict=True):
        rows = place.get(one), place.get(other)
        if None in rows or kind not in SAME_BAG or frames["sku"][rows[0]] == frames["sku"][rows[1]]:
            continue
        if frames["view"][rows[0]] != frames["view"][rows[1]] or frames["view"][rows[0]] in INSIDE_VIEWS:
            continue
        told = _at_home_by_colour(frames, looks, products, rows, crops)
        if told is None and set(rows) <= crops:
            told = _at_home_by_structure(frames, products, rows, fits)
        elif told is None and not set(rows) & crops:
            told = _at_home_by_outline(frames, looks, products, rows)
        if told is None:
            continue
        right, score, reason = told
        wrong = rows[0] if right == rows[1] else rows[1]
        same = "is the same photograph" if kind in SAME_PHOTOGRAPH else "shows as good as the same"
        evidence = f"it {same} as {frames['file'][right]}, and {reason}"
        yield wrong, (frames["sku"][right], "wrong_detail" if wrong in crops else "wrong_product", score, evidence)


def _at_home_by_colour(frames, looks, products, rows, crops):
    """(the row whose product has its colour, score, reason); None where that tells nothing."""
    distances = {row: _from_own_product(frames, looks, products, row, crops) for row in rows}
    if None in distances.values():
        return None
    right, wrong = sorted(rows, key=distances.get)
    if distances[wrong] < FOREIGN_COLOUR or distances[right] > CLEARLY_NEARER * distances[wrong]:
        return None
    reason = (
        f"lies {distances[wrong]:.0f} CIELAB units from the other pictures of {frames['sku'][wrong]}, "
        f"but {distances[right]:.0f} from those of {frames['sku'][right]}"
    )
    return right, distances[wrong] / FOREIGN_COLOUR, reason


def _at_home_by_outline(frames, looks, products, rows):
    """The same for a front or back, by the product whose other side mirrors it."""
    other_side = OTHER_SIDE.get(frames["view"][rows[0]])
    sides = {row: views_of(frames, products.get(frames["sku"][row], ())).get(other_side) for row in rows}
    if None in sides.values():
        return None
    match = {row: outline_match(looks[row], looks[sides[row]], True) for row in rows}
    wrong, right = sorted(rows, key=match.get)
    if match[right] < MIRRORS or match[wrong] > MIRRORS - MUCH_LESS:
        return None
    reason = (
        f"its outline mirrors the other side of {frames['sku'][right]} ({match[right]:.2f}), not of {frames['sku'][wrong]} ({match[wrong]:.2f})"
    )
    return right, (match[right] - match[wrong]) / MUCH_LESS, reason


def _at_home_by_structure(frames, products, rows, fits):
    """The same for a detail, by the product in whose pictures it is found."""
    found = {row: max(np.nan_to_num(fits.best(row, products.get(frames["sku"][row], ()), ZOOMS).correlation), 0.0) for row in rows}
    wrong, right = sorted(rows, key=found.get)
    clearer = fisher_z(found[right]) - fisher_z(found[wrong])
    if found[right] < DETAIL_FOUND or clearer < MUCH_CLEARER_FIT:
        return None
    reason = (
        f"is found in a picture of {frames['sku'][right]} (correlation {found[right]:.2f}), "
        f"not of {frames['sku'][wrong]} ({found[wrong]:.2f})"
    )
    return right, clearer / MUCH_CLEARER_FIT, reason


def _from_own_product(frames, looks, products, row, crops):
    """Colour distance to the other whole views of the product it is filed under, else to its details; None where there are none."""
    sku = frames["sku"][row]
    others = [other for other in products.get(sku, ()) if other != row]
    others = others or [other for other in sorted(crops) if other != row and frames["sku"][other] == sku and frames["view"][other] not in INSIDE_VIEWS]
    if not others:
        return None
    return float(np.median([colour_distance(looks[row], looks[other]) for other in others]))


def wrong_outlines(frames, looks, products, found):
    """
    Fronts or backs of two products of one colour exchanged: neither mirrors its own other side, each the other's.

    Faces of one style may differ by their nature, and mirror a colourway's where one of the two has its own exchanged. So their colours are
    weighed with the outlines, and products of which two views are `found` to be exchanged explain no further exchange.
    """
    explained = {frames["sku"][row] for row, finding in found.items() if finding[1] == "swapped_views"}
    pairs = {}
    for sku, rows in products.items():
        views = views_of(frames, rows)
        if {"front", "back"} <= set(views):
            pairs[sku] = views
    if len(pairs) < FEWEST_PRODUCTS:
        return
    known = belonging(frames, looks, products)
    own = {sku: outline_match(looks[views["front"]], looks[views["back"]], True) for sku, views in pairs.items()}
    usual = list(own.values())
    good = usual_least(usual, 0.03)
    odd = [sku for sku in pairs if own[sku] < good - 0.03 and sku not in explained]
    for number, sku in enumerate(odd):
        for other in odd[number + 1 :]:
            crossed = [
                outline_match(looks[pairs[a]["front"]], looks[pairs[b]["back"]], True)
                for a, b in ((sku, other), (other, sku))
            ]
            if min(crossed) < good:
                continue
            view = _exchanged_view(looks, pairs[sku], pairs[other])
            both = pairs[sku][view], pairs[other][view]
            ways = ((both[0], sku, other), (both[1], other, sku))
            nats = sum(nats_for(known, *way, view, both) for way in ways)
            if nats < EXCHANGE_NEEDS or min(colour_nats(known, *way, both) for way in ways) < ANOTHER_COLOUR:
                continue
            for one, two in ((sku, other), (other, sku)):
                evidence = f"its outline mirrors the other side of {two} ({max(crossed):.2f}), not of {one} ({own[one]:.2f})"
                yield pairs[one][view], (two, "wrong_product", nats / EXCHANGE_NEEDS, evidence)


def _exchanged_view(looks, one, other):
    """Whether two products' fronts or their backs were exchanged, by which front fits the three-quarter view."""
    if "three_quarter" not in one or "three_quarter" not in other:
        return "front"
    turned = looks[one["three_quarter"]], looks[other["three_quarter"]]
    fronts = looks[one["front"]], looks[other["front"]]
    kept = outline_match(turned[0], fronts[0]) + outline_match(turned[1], fronts[1])
    crossed = outline_match(turned[0], fronts[1]) + outline_match(turned[1], fronts[0])
    return "front" if crossed > kept else "back"
