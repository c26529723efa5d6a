"""Colour of one product across its views: corrected in the front picture and not in the back."""

import numpy as np

from catalogue_audit.findings import brief_terms
from catalogue_audit.findings.outliers import FEWEST_OF_A_STYLE, SCATTERS
from catalogue_audit.findings.rows import called, finding, plain, sentence, view_words
from catalogue_audit.statistics.robust import mad_scale

LARGEST_NORMAL = 1.4  # tolerances to which the set's own scatter may raise the limit


def product_colour(evidence):
    """
    Pictures whose product has another colour than in the same product's other views.

    The deviation is measured at equal lightness, with the view's usual shift
    taken off, so that shading does not count. Where a product has two views
    only, both differ alike; the one that is neither the shop's main view nor the
    front is named (those are what a retoucher corrects first: common practice, no source),
    and the note says from which.
    """
    frames = evidence.whole_product
    frames = frames.loc[frames["product_colour_dev"].notna() & frames["sku"].notna(), ["sku", "product_colour_dev"]]
    distances = frames["product_colour_dev"].to_numpy(dtype=float)
    if not len(distances):
        return
    tolerance = brief_terms.tolerance(evidence.brief, "product_colour")
    normal = np.median(distances) + SCATTERS * mad_scale(distances) if len(distances) >= FEWEST_OF_A_STYLE else 0.0
    limit = max(tolerance, min(normal, LARGEST_NORMAL * tolerance))
    rows = evidence.records(frames)
    for sku, places in frames.groupby("sku", sort=True).indices.items():
        outside = places[distances[places] > limit]
        if len(places) == 2:
            first = (brief_terms.main_view(evidence.brief), "front")
            outside = sorted(outside, key=lambda place: rows[place]["view"] not in first)[-1:]
        for place in outside:
            others = [rows[other]["view"] for other in places if other != place]
            views = " and ".join(dict.fromkeys(view_words(view) for view in others))
            note = (
                f"the product's colour in the {called(rows[place])} differs from its {views} by CIEDE2000 "
                f"{distances[place]:.1f} at equal lightness (tolerance {tolerance:g}): "
                f"match the views of {plain(sku)} to the sample"
            )
            yield finding(
                "product_colour",
                sentence(note),
                rows[place],
                value=float(distances[place]),
                expected=0.0,
                tolerance=tolerance,
            )
