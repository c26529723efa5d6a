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
    distances = _distances(frames)
    known = distances.dropna()
    scatter = SCATTERS * mad_scale(known) + known.median() if len(known) >= FEWEST_OF_A_STYLE else 0.0
    limit = max(tolerance, min(scatter, LARGEST_NORMAL * tolerance))
    for sku, group in frames.groupby("sku", sort=True):
        for frame, others, distance in _odd_ones(group, limit):
            views = " and ".join(dict.fromkeys(view_words(view) for view in others["view"]))
            note = (
                f"the product's colour in the {called(frame)} differs from its {views} by CIEDE2000 {distance:.1f} "
                f"at equal lightness (tolerance {tolerance:g}): match the views of {plain(sku)} to the sample"
            )
            yield finding(
                "product_colour", sentence(note), frame, value=distance, expected=0.0, tolerance=tolerance
            )


def _comparable(frames):
    """Frames with a product colour, the view's usual difference from the product's middle taken off."""
    frames = frames[frames["product_a"].notna() & frames["product_b"].notna() & frames["sku"].notna()]
    frames = frames.assign(L=frames["product_L"], a=frames["product_a"], b=frames["product_b"])
    views_of = frames.groupby("sku")["view"].transform("count")
    frames = frames[views_of > 1]
    for name in ("a", "b"):
        off = frames[name] - frames.groupby("sku")[name].transform("median")
        usual = off.groupby(frames["view"]).transform("median")
        enough = frames.groupby("view")["sku"].transform("nunique") >= FEWEST_OF_A_STYLE
        frames = frames.assign(**{name: frames[name] - usual.where(enough, 0.0)})
    return frames


def _distances(frames):
    """Of each frame from the median of its product's other frames, CIEDE2000 at equal lightness."""
    result = frames["a"] * np.nan
    for _, group in frames.groupby("sku"):
        result.loc[group.index] = _from_the_others(group)
    return result


def _from_the_others(group):
    lab = group[["L", "a", "b"]].to_numpy(dtype=float)
    lightness = float(np.median(lab[:, 0]))
    distances = np.empty(len(lab))
    for i in range(len(lab)):
        others = np.median(np.delete(lab, i, axis=0), axis=0)
        distances[i] = ciede2000((lightness, *lab[i, 1:]), (lightness, *others[1:]))
    return distances


def _odd_ones(group, limit):
    """Frames furthest from the others, one after the other, as long as they exceed the limit."""
    while len(group) > 1:
        distances = _from_the_others(group)
        # Of two equally far apart, neither is known to be the right one: the later view is named.
        worst = int(len(distances) - 1 - np.argmax(distances[::-1]))
        if not distances[worst] > limit:
            return
        others = group.drop(group.index[worst])
        yield group.iloc[worst].to_dict(), others, float(distances[worst])
        group = others
