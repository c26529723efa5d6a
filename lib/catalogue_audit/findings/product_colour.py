"""Colour of one product across its views: corrected in the front picture and not in the back."""

import numpy as np

from catalogue_audit.findings import brief_terms
from catalogue_audit.findings.evidence import FEWEST_OF_A_STYLE
from catalogue_audit.findings.outliers import SCATTERS
from catalogue_audit.findings.rows import called, finding, plain, sentence, view_words
from catalogue_audit.pixels.colour import ciede2000
from catalogue_audit.statistics.robust import mad_scale

LARGEST_NORMAL = 2.0  # multiple of the tolerance to which the set's own scatter may raise the limit


def product_colour(evidence):
    """
    Pictures whose product has another colour than in the same product's other views.

    Shading moves lightness and, a little, chroma from view to view, for all
    products alike. So views are compared at equal lightness, and what a view
    differs by in most products is taken off first.
    """
    frames = _comparable(evidence.whole_product)
    if frames.empty:
        return
    tolerance = brief_terms.tolerance(evidence.brief, "product_colour")
    lab = frames[["L", "a", "b"]].to_numpy(dtype=float)
    products = list(frames.groupby("sku", sort=True).indices.items())
    distances = np.concatenate([_from_the_others(lab[places]) for _, places in products])
    scatter = SCATTERS * mad_scale(distances) + np.median(distances) if len(distances) >= FEWEST_OF_A_STYLE else 0.0
    limit = max(tolerance, min(scatter, LARGEST_NORMAL * tolerance))
    rows = evidence.records(frames)
    for sku, places in products:
        for place, others, distance in _odd_ones(lab, places, limit):
            views = " and ".join(dict.fromkeys(view_words(rows[other]["view"]) for other in others))
            note = (
                f"the product's colour in the {called(rows[place])} differs from its {views} by CIEDE2000 "
                f"{distance:.1f} at equal lightness (tolerance {tolerance:g}): match the views of {plain(sku)} to the sample"
            )
            yield finding(
                "product_colour", sentence(note), rows[place], value=distance, expected=0.0, tolerance=tolerance
            )


def _comparable(frames):
    """Frames with a product colour, the view's usual difference from the product's middle taken off."""
    known = frames["product_a"].notna() & frames["product_b"].notna() & frames["sku"].notna()
    frames = frames.loc[known, ["sku", "view", "product_L", "product_a", "product_b"]]
    frames = frames.rename(columns={"product_L": "L", "product_a": "a", "product_b": "b"})
    frames = frames[frames.groupby("sku")["view"].transform("count") > 1]
    enough = frames.groupby("view")["sku"].transform("nunique") >= FEWEST_OF_A_STYLE
    for name in ("a", "b"):
        off = frames[name] - frames.groupby("sku")[name].transform("median")
        frames = frames.assign(**{name: frames[name] - off.groupby(frames["view"]).transform("median").where(enough, 0.0)})
    return frames


def _from_the_others(lab):
    """Of each of a product's frames (n, 3) from the median of the others, CIEDE2000 at equal lightness."""
    colours = lab.copy()
    colours[:, 0] = np.median(lab[:, 0])
    others = [np.median(np.delete(colours, i, axis=0), axis=0) for i in range(len(colours))]
    return ciede2000(colours, np.array(others))


def _odd_ones(lab, places, limit):
    """Frames furthest from the others, one after the other, as long as they exceed the limit."""
    while len(places) > 1:
        distances = _from_the_others(lab[places])
        # Of two equally far apart, neither is known to be the right one: the later view is named.
        worst = int(len(distances) - 1 - np.argmax(distances[::-1]))
        if not distances[worst] > limit:
            return
        others = np.delete(places, worst)
        yield places[worst], others, float(distances[worst])
        places = others
