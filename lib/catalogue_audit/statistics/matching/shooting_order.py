"""
The order of pictures as evidence of where they belong.

A photographer works through one product after the other. A picture captured
among another product's is perhaps that product's, and names that were given in
order, with one too many or too few, are wrong from there on.
"""

from collections import Counter

import numpy as np

from catalogue_audit.statistics.matching.looks import (
    CLEARLY_NEARER,
    CROP_CONTACT,
    FEWEST_PRODUCTS,
    FOREIGN_COLOUR,
    OWN_COLOUR,
    colour_distance,
)
from catalogue_audit.statistics.series.clock import capture_order

ONE_RUN = 0.8  # of the products are captured in one go: then the order says something by itself
SHIFTED_PRODUCTS = 3  # in a row, whose names all slipped the same way: one cause
USUALLY_FIRST = 0.6  # of the products begin with one view, by names in their order, which a slip leaves as it is
MOST_AGREE = 0.75  # of the borders between products within the slipped stretch; products of one colour show none


def neighbouring_skus(frames):
    """
    Pictures captured inside another product's run.

    Returns
    -------
    dict of int to str
        Row → the product captured both just before and just after it, where times are known.
    """
    inside = {}
    for rows in _timed_rows(frames):
        skus = frames["sku"].to_numpy()[rows]
        for place in range(1, len(rows) - 1):
            before, own, after = skus[place - 1 : place + 2]
            if isinstance(before, str) and before == after != own:
                inside[int(rows[place])] = before
    return inside


def _timed_rows(frames):
    """Rows with a capture time in its order, a camera at a time."""
    order = capture_order(frames)
    timed = np.isfinite(order["seconds"].to_numpy())
    for camera in dict.fromkeys(order["camera"]):
        rows = np.flatnonzero(timed & (order["camera"] == camera).to_numpy(dtype=bool))
        yield rows[np.argsort(order["order"].to_numpy(dtype=np.int64)[rows], kind="stable")]


def exchanged_in_order(frames, looks, products, inside):
    """
    One view of two products, each captured inside the other's run, where products are otherwise captured in one go.

    Looks have a veto only: two sizes of one bag look alike, and the order alone tells them apart.
    """
    skus, views = frames["sku"], frames["view"]
    if not inside or _share_in_one_run(frames, inside) < ONE_RUN:
        return
    by_claim = {}
    for row in inside:
        if isinstance(skus[row], str) and isinstance(views[row], str):
            by_claim.setdefault((skus[row], inside[row], views[row]), []).append(row)
    for (sku, name, view), rows in sorted(by_claim.items()):
        partners = by_claim.get((name, sku, view), ())
        if len(rows) != 1 or len(partners) != 1 or rows[0] not in looks:
            continue
        at_home, there = (_distance(looks, products, rows[0], product) for product in (sku, name))
        if there is None or (at_home is not None and there > at_home + OWN_COLOUR):
            continue
        evidence = f"it was captured among the pictures of {name}, and the {view.replace('_', ' ')} of {name} among those of {sku}"
        kind = "wrong_detail" if frames["view_kind"][rows[0]] == "crop" else "wrong_product"
        yield rows[0], (name, kind, 1.0, evidence)


def _share_in_one_run(frames, inside):
    """Share of the products with two pictures and more that were captured in one go, but for single pictures inside another's run."""
    runs = {}
    for rows in _timed_rows(frames):
        last = None
        for row in rows.tolist():
            sku = frames["sku"][row]
            if row in inside or not isinstance(sku, str):
                continue
            runs.setdefault(sku, []).append(sku != last)
            last = sku
    several = [sum(begins) == 1 for begins in runs.values() if len(begins) > 1]
    return sum(several) / len(several) if len(several) >= FEWEST_PRODUCTS else 0.0


def _distance(looks, products, row, sku):
    """Median colour distance of a picture to a product's others; None where there is none."""
    others = [other for other in products.get(sku, ()) if other != row]
    return float(np.median([colour_distance(looks[row], looks[other]) for other in others])) if others else None


def names_shifted(frames, looks, products):
    """
    Names that slipped by one picture from some picture on.

    The names are taken in the order of capture (of the files, where times are
    missing). Where they slipped, each picture shows what the name before it, or
    the name after it, says; at the borders between two products of different
    colour that is a picture of the neighbouring product.

    Parameters
    ----------
    frames : DataFrame
    looks : dict of int to Look
    products : dict of str to list of int
        Rows of each product's whole views, by their names.

    Yields
    ------
    row, (likely product, 'shifted', score, evidence, likely view)
    """
    for rows in _named_in_order(frames):
        for way in (-1, 1):
            yield from _slipped(frames, rows, way, looks, products)


def _named_in_order(frames):
    named = (frames["sku"].notna() & frames["view"].notna()).to_numpy(dtype=bool)
    timed = [[row for row in rows.tolist() if named[row]] for rows in _timed_rows(frames)]
    if sum(map(len, timed)) >= 0.9 * named.sum():
        return timed
    return [np.flatnonzero(named).tolist()]


def _slipped(frames, rows, way, looks, products):
    """The longest stretch of names in order that slipped this way: its pictures with what they show."""
    sku, view = frames["sku"], frames["view"]
    shown = _whole_if_slipped(frames, rows, way, looks)
    borders, agree = [], []
    for place in range(max(0, -way), len(rows) - max(0, way)):
        row, neighbour = rows[place], sku[rows[place + way]]
        told = _neighbours_picture(looks, products, shown, row, sku[row], neighbour) if neighbour != sku[row] else None
        if told is not None:
            borders.append(place)
            agree.append(told)
    first, last = _longest(agree)
    if sum(agree[first : last + 1]) < SHIFTED_PRODUCTS:
        return
    begin, end = _first_of_its_product(frames, rows, borders[first], way, looks), borders[last]
    if last == len(borders) - 1:  # to the end: what follows the last border has none to tell
        end = len(rows) - 1 - max(0, way)
    yield from _of_the_name_left_out(frames, rows, begin - 1, way)
    for place in range(begin, end + 1):
        slot = rows[place + way]
        evidence = f"it shows what the name {'before' if way < 0 else 'after'} it says, as its neighbours do"
        yield rows[place], (sku[slot], "shifted", 1.0, evidence, view[slot])


def _of_the_name_left_out(frames, rows, last, way):
    """
    What a product shows up to its ``last`` picture before a surely told slip, where its names lack the view that nearly all products begin with.

    Then that name was left out, which is why the others slipped: its first picture shows the view that no name says.
    """
    sku, view = frames["sku"], frames["view"]
    if way > 0 or last < 1:
        return
    first = last
    while first > 0 and sku[rows[first - 1]] == sku[rows[last]]:
        first -= 1
    begins = [row for before, row in zip(rows, rows[1:], strict=False) if sku[row] != sku[before]]
    usual, many = Counter(view[row] for row in begins).most_common(1)[0]
    second = Counter(view[after] for row, after in zip(rows, rows[1:], strict=False) if view[row] == usual and sku[row] == sku[after]).most_common(1)
    own = {view[row] for row in rows if sku[row] == sku[rows[last]]}
    if many < USUALLY_FIRST * len(begins) or usual in own or not second or second[0][0] != view[rows[first]]:
        return
    evidence = f"the name of its {usual.replace('_', ' ')} was left out, as its neighbours show what the name before theirs says"
    for place in range(first, last + 1):
        yield rows[place], (sku[rows[place]], "shifted", 1.0, evidence, usual if place == first else view[rows[place - 1]])


def _first_of_its_product(frames, rows, border, way, looks):
    """The slip may begin before its first border: where a part of the product stands for all of it, or the other way round."""
    kind = frames["view_kind"]
    begin = border
    for place in range(border - 1, max(0, -way) - 1, -1):
        row, slot = rows[place], rows[place + way]
        if frames["sku"][row] != frames["sku"][slot]:
            break
        look = looks.get(row)
        if look is None or (kind[row] == "crop") == (kind[slot] == "crop"):
            continue
        whole, part = look.contact <= CROP_CONTACT / 5, look.contact >= CROP_CONTACT
        if part if kind[slot] == "crop" else whole:
            begin = place
        elif whole or part:
            break
    return begin


def _whole_if_slipped(frames, rows, way, looks):
    """Rows of each product's whole views, were all names to have slipped this way."""
    shown = {}
    for place in range(max(0, -way), len(rows) - max(0, way)):
        slot = rows[place + way]
        if rows[place] in looks and frames["view_kind"][slot] != "crop":
            shown.setdefault(frames["sku"][slot], []).append(rows[place])
    return shown


def _neighbours_picture(looks, products, shown, row, own, neighbour):
    """
    Whether a picture's colour is the neighbouring product's and not its own; None where the two are too alike to tell.

    Each is asked on its own terms: its product by the names as they are, the neighbour by the names as they would have slipped.
    Of four views of a product whose names slipped, one is another product's, and what its name calls a whole view is the detail.
    """
    if row not in looks:
        return None
    at_home, there = _distance(looks, products, row, own), _distance(looks, shown, row, neighbour)
    if at_home is None or there is None or max(at_home, there) < FOREIGN_COLOUR:
        return None
    return at_home > FOREIGN_COLOUR and there <= CLEARLY_NEARER * at_home


def _longest(agree):
    """First and last of the longest stretch that begins and ends with agreement and agrees for the most part."""
    best = 0, -1
    hits = [place for place, one in enumerate(agree) if one]
    start = 0
    for place, hit in enumerate(hits):
        while start < place and (place - start + 1) < MOST_AGREE * (hit - hits[start] + 1):
            start += 1
        if hit - hits[start] > best[1] - best[0]:
            best = hits[start], hit
    return best
