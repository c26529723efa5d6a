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
SHORT_SLIP = 4  # witnesses of two products and a border between them: parts under names of wholes, wholes under names of parts, a neighbour's picture
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

    The names are taken in the order of capture, or of the files, where times are
    missing or show no slip. Where they slipped, each picture shows what the name before it, or
    the name after it, says; at the borders between two products of different
    colour that is a picture of the neighbouring product, and beside the name of a detail
    a whole product shows a part, and the detail's a whole.

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
    for order in _named_in_order(frames):
        slipped = [told for rows in order for way in (-1, 1) for told in _slipped(frames, rows, way, looks, products)]
        yield from slipped
        if slipped:
            return


def _named_in_order(frames):
    """Rows with a product and a view, in the order of capture, a camera at a time, where it is known; and in that of the files."""
    named = (frames["sku"].notna() & frames["view"].notna()).to_numpy(dtype=bool)
    timed = [[row for row in rows.tolist() if named[row]] for rows in _timed_rows(frames)]
    if sum(map(len, timed)) >= 0.9 * named.sum():
        yield timed
    yield [np.flatnonzero(named).tolist()]


def _slipped(frames, rows, way, looks, products):
    """The longest stretch of names in order that slipped this way: its pictures with what they show."""
    sku, view = frames["sku"], frames["view"]
    shown = _whole_if_slipped(frames, rows, way, looks)
    votes = {place: [told] for place, told in _kinds_told(frames, looks, rows, way).items()}
    borders = set()
    for place in range(max(0, -way), len(rows) - max(0, way)):
        own, neighbour = sku[rows[place]], sku[rows[place + way]]
        told = _neighbours_picture(looks, products, shown, rows[place], own, neighbour) if neighbour != own else None
        if told is not None:
            votes.setdefault(place, []).append(told)
            borders |= {place} if told else set()
    places = sorted(votes)
    agree = [all(votes[place]) for place in places]
    first, last = _longest(agree)
    crossed = [number for number in range(first, last + 1) if agree[number] and places[number] in borders]
    if not crossed:
        return
    first = max((number + 1 for number in range(first, crossed[0]) if not agree[number]), default=first)  # beyond its borders none may tell otherwise
    last = min((number - 1 for number in range(crossed[-1], last + 1) if not agree[number]), default=last)
    stretch = [places[number] for number in range(first, last + 1) if agree[number]]
    short = sum(len(votes[place]) for place in stretch) >= SHORT_SLIP and len({sku[rows[place]] for place in stretch}) > 1
    if not (short or len(crossed) >= SHIFTED_PRODUCTS):
        return
    begin, end = places[first], _last_untold(sku, rows, places, last, way)
    yield from _of_the_name_left_out(frames, rows, begin - 1, way)
    for place in range(begin, end + 1):
        slot = rows[place + way]
        evidence = f"it shows what the name {'before' if way < 0 else 'after'} it says, as its neighbours do"
        yield rows[place], (sku[slot], "shifted", 1.0, evidence, view[slot])


def _kinds_told(frames, looks, rows, way):
    """
    Where two names beside each other say a part and a whole: place → whether the picture is what the other name says, and not its own.

    What is called a whole product and shows no outline of one has no look, and is taken for a part, but not by itself. Products of which one picture
    says so and another the contrary say nothing: details of an edge may look like a whole.
    """
    kinds, told = frames["view_kind"], {}
    for place in range(max(0, -way), len(rows) - max(0, way)):
        row, slot = rows[place], rows[place + way]
        look = looks.get(row)
        if (kinds[row] == "crop") == (kinds[slot] == "crop") or (look is None and kinds[row] != "upright"):
            continue
        part, whole = (True, False) if look is None else (look.contact >= CROP_CONTACT, look.contact <= CROP_CONTACT / 5)
        if part or whole:
            told[place] = part == (kinds[slot] == "crop")
    said = {}
    for place, one in told.items():
        said.setdefault(frames["sku"][rows[place]], {})[place] = one
    consistent = [votes for votes in said.values() if len(set(votes.values())) == 1 and any(rows[place] in looks for place in votes)]
    return {place: one for votes in consistent for place, one in votes.items()}


def _last_untold(sku, rows, places, last, way):
    """The slip goes on behind its last witness to the end of that product, or of all where nothing is told behind it, unless a picture tells otherwise."""
    if last == len(places) - 1:
        return len(rows) - 1 - max(0, way)
    end = places[last]
    while end + 1 < places[last + 1] and sku[rows[end + 1]] == sku[rows[end + 1 + way]] == sku[rows[places[last]]]:
        end += 1
    return end


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
