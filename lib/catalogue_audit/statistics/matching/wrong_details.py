"""Details that show another bag than they are filed under."""

from collections import OrderedDict

import numpy as np

from catalogue_audit.statistics.matching.crops import NOT_FOUND, ZOOMS, best_fit, crop_layers, usual_zooms, whole_layers
from catalogue_audit.statistics.matching.looks import (
    CLEARLY_NEARER,
    FEWEST_PRODUCTS,
    FOREIGN_COLOUR,
    INSIDE_VIEWS,
    OWN_COLOUR,
    usual_most,
)

DETAIL_FOUND = 0.6  # correlation of a detail with the picture it was taken from
SURELY_FOUND = 0.75  # and so much, in its colour: whatever the bag's colour as a whole, it was taken there
MUCH_CLEARER_FIT = 0.5  # difference of Fisher's z of two correlations: a detail was taken from one product, not the other
NO_WORSE_FIT = 0.1  # the same: it fits two colourways of one style alike
CANDIDATES = 8  # products nearest in colour that are searched for a detail
LEARNT_FROM = 32  # pairs of a detail and a whole picture that tell the set's usual zoom
LAYERS_AT_HAND = 32  # 1 MB each


class Fits:
    """How well crops fit into whole pictures, by their rows; each is looked for once, the layers used last are kept."""

    def __init__(self, frames, sketches):
        self._files = frames["file"]
        self._sketches = sketches
        self._known = {}
        self._usual = np.empty(0)
        self._layers = OrderedDict()

    def __call__(self, crop, whole, zooms=ZOOMS):
        key = crop, whole, len(zooms), float(zooms[0])
        if key not in self._known:
            self._known[key] = best_fit(self._of(crop, crop_layers), self._of(whole, whole_layers), zooms)
        return self._known[key]

    def best(self, crop, wholes, zooms):
        """The best fit into one of several pictures at a zoom where it is at its best; `NOT_FOUND` for none."""
        fits = (self(crop, whole, zooms) for whole in wholes)
        return max((fit for fit in fits if np.isfinite(fit.zoom)), key=lambda fit: fit.correlation, default=NOT_FOUND)

    def zooms_learnt(self, pairs):
        """The set's usual zooms (`crops.usual_zooms`), from some of the pairs of a crop and a whole picture; learnt once, empty where there are none."""
        if not len(self._usual):
            self._usual = usual_zooms(self(crop, whole) for crop, whole in some_of(pairs))
        return self._usual

    def _of(self, row, make):
        if (row, make) not in self._layers:
            self._layers[row, make] = make(self._sketches.get(self._files[row]) or {})
            if len(self._layers) > LAYERS_AT_HAND:
                self._layers.popitem(last=False)
        self._layers.move_to_end((row, make))
        return self._layers[row, make]


def some_of(rows, most=LEARNT_FROM):
    """At most so many of the rows, evenly spread."""
    rows = list(rows)
    return [rows[int(place)] for place in np.unique(np.linspace(0, len(rows) - 1, min(most, len(rows))).round())]


def wrong_details(frames, looks, products, crops, order, fits):
    """
    Details whose material is another product's, found there or exchanged with its own.

    A detail is at home where its structure is found in one of its product's
    pictures, in its colour. Where the structure is there in another colour, the
    product that has both is the likely one: another colourway of the style.
    """
    rows = [row for row in sorted(crops) if frames["sku"][row] in products]
    rows = [row for row in rows if frames["view"][row] not in INSIDE_VIEWS]
    if len(products) < FEWEST_PRODUCTS or len(rows) < FEWEST_PRODUCTS:
        return
    colours = _Colours(looks, products, rows)
    own = {row: colours.distance(row, frames["sku"][row]) for row in rows}
    limit = usual_most(list(own.values()), FOREIGN_COLOUR + 2)
    zooms = fits.zooms_learnt((row, other) for row in rows for other in products[frames["sku"][row]])
    zooms = zooms if len(zooms) else ZOOMS
    at_own = {row: _at_own(frames, products[frames["sku"][row]], row, fits, zooms) for row in rows}
    there = {row: max(np.nan_to_num(at_own[row].correlation), 0.0) for row in rows}
    usually = float(np.median(list(there.values())))
    colour_limit = usual_most([fit.colour for fit in at_own.values() if fit.correlation >= DETAIL_FOUND], FOREIGN_COLOUR)
    foreign = {row for row in rows if own[row] > limit}
    for row in rows:
        sku, at = frames["sku"][row], at_own[row]
        if there[row] >= DETAIL_FOUND and at.colour > colour_limit:
            likely, reason = _same_in_this_colour(products, row, at, colours.nearest(row, sku), fits, zooms)
            if likely is not None:
                yield row, (likely, "wrong_detail", at.colour / colour_limit, reason)
            continue
        lost = usually >= DETAIL_FOUND and fisher_z(usually) - fisher_z(there[row]) >= MUCH_CLEARER_FIT
        if there[row] >= SURELY_FOUND or not (lost or row in foreign):
            continue
        if _surely_somewhere(fits.best(row, products[sku], ZOOMS), colour_limit):
            continue
        reach = CLEARLY_NEARER * own[row] if row in foreign else own[row] + OWN_COLOUR
        near = [name for name in colours.nearest(row, sku) if colours.distance(row, name) <= reach]
        likely, reason = _place_of_detail(products, row, there[row], near, order, fits, zooms)
        if likely is None and row in foreign:
            near = [name for name in near if colours.distance(row, name) <= limit / 2]
            likely, reason = _fitting_product(frames, near, row, foreign, own, colours, order)
        if likely is not None:
            evidence = f"its colour lies {own[row]:.0f} CIELAB units from {sku}, {colours.distance(row, likely):.0f} from {likely}"
            yield row, (likely, "wrong_detail", max(own[row] / limit, 1.0), f"{evidence}; {reason}")


def _at_own(frames, wholes, row, fits, zooms):
    """The best fit of a detail into its own product's pictures; the first that leaves no doubt, most often the front's."""
    best = NOT_FOUND
    for whole in sorted(wholes, key=lambda whole: frames["view"][whole] != "front"):
        fit = fits(row, whole, zooms)
        if not np.isfinite(fit.zoom):
            continue
        if _surely_somewhere(fit, FOREIGN_COLOUR):
            return fit
        best = fit if best is NOT_FOUND or fit.correlation > best.correlation else best
    return best


class _Colours:
    """Colour distances of details to products."""

    def __init__(self, looks, products, rows):
        self._looks = looks
        self._names = list(products)
        self._centres = np.stack([np.median([looks[row].colour for row in products[name]], axis=0) for name in self._names])
        self._place = {name: number for number, name in enumerate(self._names)}

    def distance(self, row, name):
        return float(self._from(self._looks[row].colour, self._centres[self._place[name]][None])[0])

    def nearest(self, row, but):
        """The products nearest in colour, but for one."""
        order = np.argsort(self._from(self._looks[row].colour, self._centres), kind="stable")[: CANDIDATES + 1]
        return [self._names[place] for place in order if self._names[place] != but][:CANDIDATES]

    @staticmethod
    def _from(colour, centres):
        return np.abs(centres - colour).reshape(len(centres), -1, 3).sum(axis=2).mean(axis=1)


def _surely_somewhere(fit, colour_limit):
    return fit.correlation >= SURELY_FOUND and fit.colour <= colour_limit


def _same_in_this_colour(products, row, at, candidates, fits, zooms):
    """The product that has the detail's structure in the detail's colour, where its own has it in another; (None, '') for none."""
    found = {name: fits.best(row, products[name], zooms) for name in candidates}
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
    found = {name: max(np.nan_to_num(fits.best(row, products[name], zooms).correlation), 0.0) for name in candidates}
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
