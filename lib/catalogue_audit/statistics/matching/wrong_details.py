"""Details that show another bag than they are filed under."""

import numpy as np

from catalogue_audit.statistics.matching.crops import NOT_FOUND, ZOOMS, LayersAtHand, fitted, fitted_in_frame, usual_zooms
from catalogue_audit.statistics.matching.looks import (
    CLEARLY_NEARER,
    FEWEST_PRODUCTS,
    FOREIGN_COLOUR,
    INSIDE_VIEWS,
    OWN_COLOUR,
    colour_distance,
    colour_distances,
    usual_most,
)
from catalogue_audit.statistics.spread import spread

DETAIL_FOUND = 0.6  # correlation of a detail with the picture it was taken from
SURELY_FOUND = 0.75  # and so much, in its colour: whatever the bag's colour as a whole, it was taken there
MUCH_CLEARER_FIT = 0.5  # difference of Fisher's z of two correlations: a detail was taken from one product, not the other
NO_WORSE_FIT = 0.1  # the same: it fits two colourways of one style alike
CANDIDATES = 8  # products nearest in colour that are searched for a detail
MOST_WHOLES = 16  # of a product, fronts first, that are searched for its own details: more are copies of these, or a burst
LEARNT_FROM = 32  # pairs of a detail and a whole picture that tell the set's usual zoom


class Fits:
    """How well crops fit into whole pictures, by their rows; each is looked for once, many at once where workers can."""

    def __init__(self, frames, sketches):
        self._files = frames["file"]
        self._sketches = sketches
        self._known, self._in_frames = {}, {}
        self._usual = np.empty(0)
        self._layers = LayersAtHand(sketches)

    def __call__(self, crop, whole, zooms=ZOOMS):
        self.look_for([(crop, whole)], zooms)
        return self._known[self._key(crop, whole, zooms)]

    def look_for(self, pairs, zooms=ZOOMS):
        """Look for crops in whole pictures, pairs of rows, that will be asked for."""
        new = {self._key(crop, whole, zooms): (self._files[crop], self._files[whole], zooms) for crop, whole in pairs}
        new = {key: asked for key, asked in new.items() if key not in self._known}
        self._known.update(zip(new, spread(fitted, new.values(), self._sketches, self._layers), strict=True))

    @staticmethod
    def _key(crop, whole, zooms):
        return crop, whole, len(zooms), float(zooms[0])

    def best(self, crop, wholes, zooms):
        """The best fit into one of several pictures at a zoom where it is at its best; `NOT_FOUND` for none."""
        self.look_for([(crop, whole) for whole in wholes], zooms)
        fits = (self(crop, whole, zooms) for whole in wholes)
        return max((fit for fit in fits if np.isfinite(fit.zoom)), key=lambda fit: fit.correlation, default=NOT_FOUND)

    def anywhere(self, crop, wholes):
        """The best fit into one of several pictures at whatever zoom."""
        return self.best(crop, wholes, ZOOMS)

    def in_frames(self, crop, wholes):
        """The best fit into several pictures with what surrounds their product: a detail at its edge shows some of it."""
        new = {(crop, whole): (self._files[crop], self._files[whole]) for whole in wholes if (crop, whole) not in self._in_frames}
        self._in_frames.update(zip(new, spread(fitted_in_frame, new.values(), self._sketches, self._layers), strict=True))
        fits = (self._in_frames[crop, whole] for whole in wholes)
        return max((fit for fit in fits if np.isfinite(fit.zoom)), key=lambda fit: fit.correlation, default=NOT_FOUND)

    def best_of_each(self, crop, wholes, zooms):
        """The best fit into each of several products' pictures; ``wholes`` is a dict of lists of rows."""
        self.look_for([(crop, whole) for rows in wholes.values() for whole in rows], zooms)
        return {name: self.best(crop, rows, zooms) for name, rows in wholes.items()}

    def zooms_learnt(self, pairs):
        """The set's usual zooms (`crops.usual_zooms`), from some of the pairs of a crop and a whole picture; learnt once, empty where there are none."""
        if not len(self._usual):
            pairs = some_of(pairs)
            self.look_for(pairs)
            self._usual = usual_zooms(self(crop, whole) for crop, whole in pairs)
        return self._usual


def some_of(rows, most=LEARNT_FROM):
    """At most so many of the rows, evenly spread."""
    rows = list(rows)
    return [rows[int(place)] for place in np.unique(np.linspace(0, len(rows) - 1, min(most, len(rows))).round())]


def wrong_details(frames, looks, products, crops, order, fits, misfiled):
    """
    Details whose material is another product's, found there or exchanged with its own.

    A detail is at home where its structure is found in one of its product's
    pictures, in its colour. Where the structure is there in another colour, the
    product that has both is the likely one: another colourway of the style. Pictures that are known to be ``misfiled``
    show another product's material, and so say nothing of their own.
    """
    products = {sku: [row for row in rows if misfiled.get(row, ("", ""))[1] != "wrong_product"] for sku, rows in products.items()}
    products = {sku: rows for sku, rows in products.items() if rows}
    rows = [row for row in sorted(crops) if frames["sku"][row] in products]
    rows = [row for row in rows if frames["view"][row] not in INSIDE_VIEWS]
    if len(products) < FEWEST_PRODUCTS or len(rows) < FEWEST_PRODUCTS:
        return
    colours = Colours(looks, products, rows)
    own = {row: colours.distance(row, frames["sku"][row]) for row in rows}
    limit = usual_most(list(own.values()), FOREIGN_COLOUR + 2)
    zooms = fits.zooms_learnt((row, other) for row in rows for other in products[frames["sku"][row]])
    zooms = zooms if len(zooms) else ZOOMS
    at_own = _at_own(frames, products, rows, fits, zooms)
    there = {row: max(np.nan_to_num(at_own[row].correlation), 0.0) for row in rows}
    usually = float(np.median(list(there.values())))
    colour_limit = usual_most([fit.colour for fit in at_own.values() if fit.correlation >= DETAIL_FOUND], FOREIGN_COLOUR)
    foreign = {row for row in rows if own[row] > limit}
    for row in rows:
        sku, at = frames["sku"][row], at_own[row]
        if there[row] >= DETAIL_FOUND and at.colour > colour_limit:
            likely, reason = _same_in_this_colour(products, row, at, colours.nearest(row, sku), fits, zooms)
            if likely is not None and not _surely_somewhere(fits.in_frames(row, products[sku][:MOST_WHOLES]), colour_limit):
                yield row, (likely, "wrong_detail", at.colour / colour_limit, reason)
            continue
        lost = usually >= DETAIL_FOUND and fisher_z(usually) - fisher_z(there[row]) >= MUCH_CLEARER_FIT
        if there[row] >= SURELY_FOUND or not (lost or row in foreign):
            continue
        if any(_surely_somewhere(fit(row, products[sku][:MOST_WHOLES]), colour_limit) for fit in (fits.anywhere, fits.in_frames)):
            continue
        reach = CLEARLY_NEARER * own[row] if row in foreign else own[row] + OWN_COLOUR
        near = [name for name in colours.nearest(row, sku) if colours.distance(row, name) <= reach]
        likely, reason = _place_of_detail(products, row, there[row], near, order, fits, zooms)
        if likely is None and row in foreign:
            nearest = [name for name in near if colours.distance(row, name) <= limit / 2]
            likely, reason = _fitting_product(frames, nearest, row, foreign, own, colours, order)
        if likely is None and row in foreign:
            likely, reason = colours.of_one_detail(frames, rows, row, near)
        if likely is None and row in foreign:
            likely, reason = colours.without_a_detail(frames, rows, row)
        if likely is not None:
            evidence = f"its colour lies {own[row]:.0f} CIELAB units from {sku}, {colours.distance(row, likely):.0f} from {likely}"
            yield row, (likely, "wrong_detail", max(own[row] / limit, 1.0), f"{evidence}; {reason}")


def _at_own(frames, products, rows, fits, zooms):
    """Row → the best fit of each detail into its own product's pictures; the first that leaves no doubt, most often the front's."""
    wholes = {row: sorted(products[frames["sku"][row]], key=lambda whole: frames["view"][whole] != "front")[:MOST_WHOLES] for row in rows}
    best, left = dict.fromkeys(rows, NOT_FOUND), rows
    for turn in range(max(map(len, wholes.values()))):
        left = [row for row in left if turn < len(wholes[row])]
        fits.look_for([(row, wholes[row][turn]) for row in left], zooms)
        doubtful = []
        for row in left:
            fit = fits(row, wholes[row][turn], zooms)
            if np.isfinite(fit.zoom) and _surely_somewhere(fit, FOREIGN_COLOUR):
                best[row] = fit
                continue
            doubtful.append(row)
            if np.isfinite(fit.zoom) and (best[row] is NOT_FOUND or fit.correlation > best[row].correlation):
                best[row] = fit
        left = doubtful
    return best


class Colours:
    """Colour distances of details to products."""

    def __init__(self, looks, products, rows):
        self._looks = looks
        self._names = list(products)
        self._centres = np.stack([np.median([looks[row].colour for row in products[name]], axis=0) for name in self._names])
        self._place = {name: number for number, name in enumerate(self._names)}

    def distance(self, row, name):
        return float(colour_distances(self._centres[self._place[name]][None], self._looks[row].colour)[0])

    def of_one_detail(self, frames, rows, row, candidates):
        """The one candidate whose own detail shows a detail's colours, while no other product's comes near; (None, '') for none."""
        least = {}
        for other in rows:
            name = frames["sku"][other]
            if name != frames["sku"][row]:
                distance = colour_distance(self._looks[row], self._looks[other])
                least[name] = min(distance, least.get(name, np.inf))
        best, second, *_ = (*sorted(least, key=least.get), None, None)
        if second is None or best not in candidates or least[best] > min(OWN_COLOUR, CLEARLY_NEARER * least[second]):
            return None, ""
        return best, f"that product's own detail has its colours, to {least[best]:.1f}, and {second}'s, the next, only to {least[second]:.0f}"

    def without_a_detail(self, frames, rows, row):
        """The one product that has a detail's colours, and no detail of its own in the set; (None, '') for none."""
        first, second = (*self.nearest(row, frames["sku"][row])[:2], None, None)[:2]
        if second is None or first in {frames["sku"][other] for other in rows}:
            return None, ""
        distance = self.distance(row, first)
        if distance > min(OWN_COLOUR, CLEARLY_NEARER * self.distance(row, second)):
            return None, ""
        return first, "that product, and no other, has its colours, and its own detail is not there"

    def nearest(self, row, but):
        """The products nearest in colour, but for one."""
        order = np.argsort(colour_distances(self._centres, self._looks[row].colour), kind="stable")[: CANDIDATES + 1]
        return [self._names[place] for place in order if self._names[place] != but][:CANDIDATES]



def _surely_somewhere(fit, colour_limit):
    return fit.correlation >= SURELY_FOUND and fit.colour <= colour_limit


def _same_in_this_colour(products, row, at, candidates, fits, zooms):
    """The product that has the detail's structure in the detail's colour, where its own has it in another; (None, '') for none."""
    found = fits.best_of_each(row, {name: products[name] for name in candidates}, zooms)
    best = max(found, key=lambda name: np.nan_to_num(found[name].correlation, nan=-1.0), default=None)
    if best is None or not found[best].correlation >= DETAIL_FOUND or found[best].colour > CLEARLY_NEARER * at.colour:
        return None, ""
    if fisher_z(found[best].correlation) < fisher_z(at.correlation) - NO_WORSE_FIT:
        return None, ""
    return best, (
        f"the same place of its own product has another colour, by {at.colour:.0f} CIELAB units, "
        f"and that of {best} this one, to {found[best].colour:.0f}"
    )


def fisher_z(correlation):
    """Correlation on the scale where differences are alike everywhere (R. A. Fisher 1915)."""
    return float(np.arctanh(min(max(correlation, 0.0), 0.999)))


def _place_of_detail(products, row, in_own, candidates, order, fits, zooms):
    """The product in whose pictures, rather than in its own, a detail is found; (None, '') for none."""
    if order.get(row) in products and order[row] not in candidates:
        candidates = [*candidates, order[row]]
    fits_of = fits.best_of_each(row, {name: products[name] for name in candidates}, zooms)
    found = {name: max(np.nan_to_num(fit.correlation), 0.0) for name, fit in fits_of.items()}
    best = max(candidates, key=found.get, default=None)
    if best is None or found[best] < DETAIL_FOUND or fisher_z(found[best]) - fisher_z(in_own) < MUCH_CLEARER_FIT:
        return None, ""
    return best, f"it is found in a picture of {best} (correlation {found[best]:.2f}), not in its own ({in_own:.2f})"


def _fitting_product(frames, candidates, row, foreign, own, colours, order):
    """Of the products that a detail's colour fits, the one that something else speaks for; (None, '') for none."""
    sku = frames["sku"][row]
    if order.get(row) in candidates:
        return order[row], "it was captured between two pictures of that product"
    for name in candidates:
        exchanged = [other for other in foreign if frames["sku"][other] == name]
        if any(colours.distance(other, sku) <= CLEARLY_NEARER * own[other] for other in exchanged):
            return name, "that product's detail shows this one's colour"
    return None, ""
