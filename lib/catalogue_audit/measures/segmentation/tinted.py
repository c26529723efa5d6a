"""
Product that is exactly as light as the backdrop beside it, told by its own faint chroma.

A white bag on white has places where neither lightness nor an edge divides it from the sweep.
Paint, leather and paper are seldom of quite the same white: over some pixels the mean of a chroma
of one or two units stands clear of the backdrop's own scatter. A JPEG keeps chroma in steps of about a
unit, a block at a time, so where the scatter is that of a strong compression the mean is taken over more pixels.

All lengths are pixels of half the working size.
"""

import math

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median, quantile
from catalogue_audit.measures.segmentation.growing import rim_of

FEWEST = 50  # samples of the product, every fourth pixel along rows and columns
LEAST_CHROMA, MOST_CHROMA = 0.6, 8.0  # CIELAB; with less there is nothing to tell, with more the outline is found without
PALE = 20.0  # CIELAB L*; a product less like the backdrop throws its own tint on it
WINDOWS_PX = (5, 9, 15)  # over which chroma is averaged: the first over which the product's stands clear of the backdrop's
VIVID, LEAST_PLAIN = 3.0, 0.25  # times the product's chroma, from which a print or a seam is none of it; and share of a window that is not vivid
OWN_SHARE = 0.55  # of the product's chroma; half-way and a little more
CLEAR, ABOVE = 1.3, 2.0  # times what the backdrop away from the product reaches: a place's chroma, and the product's own
FEWEST_RIM = 100  # pixels of backdrop at the rim of the part that is looked at
LIT = -1.5  # CIELAB L*; backdrop that no shadow reaches
SHADED = -4.0  # CIELAB L*; what is darker may be a shadow that the product tints. One of a tenth of the light takes no more than a fifth of its chroma
SMALLEST_PX = 30
KERNEL3, KERNEL5, KERNEL7 = (np.ones((n, n), np.uint8) for n in (3, 5, 7))


def add_tinted(evidence, ground, product):
    """
    Add to the product what touches it, is hardly darker than the backdrop, and has the product's chroma.

    Parameters
    ----------
    evidence : Evidence
    ground, product : (h, w) bool
        As `growing.grow` gives them.

    Returns
    -------
    ground, product : (h, w) bool
        The same arrays where the product is not pale, or too neutral to be told by chroma.
    """
    sample = np.flatnonzero(product[::4, ::4])
    if len(sample) < FEWEST:
        return ground, product
    light, a, b = (float(median(plane[::4, ::4].ravel()[sample])) for plane in (evidence.light, evidence.a, evidence.b))
    own = math.hypot(a, b)
    if abs(light) > PALE or not LEAST_CHROMA < own < MOST_CHROMA:
        return ground, product
    along, reached = _chroma_along(evidence, a / own, b / own, own, rim_of(ground & (evidence.light > LIT)))
    if along is None:
        return ground, product
    solid = product.view(np.uint8)
    like = ground & (evidence.light > SHADED) & (along > max(OWN_SHARE * own, CLEAR * reached))
    like = cv2.morphologyEx(like.view(np.uint8), cv2.MORPH_OPEN, KERNEL3)
    count, labels = cv2.connectedComponents(like, connectivity=8)
    beside = np.bincount(labels[cv2.dilate(solid, KERNEL5) > 0], minlength=count) > 0
    wanted = beside & (np.bincount(labels.ravel(), minlength=count) >= SMALLEST_PX)
    wanted[0] = False
    if not wanted.any():
        return ground, product
    added = np.take(wanted, labels).view(np.uint8)
    closed = cv2.morphologyEx(solid | added, cv2.MORPH_CLOSE, KERNEL5) & cv2.dilate(added, KERNEL7)
    product = (solid | closed) > 0
    return ground & ~product, product


def _chroma_along(evidence, a, b, own, beside):
    """
    Mean chroma, (h, w), in the direction (a, b) of the product's, whose length is ``own``, and the most that the backdrop reaches of it.

    ``beside``: (n,) bool, where the rim is lit backdrop. None and 0 where the product's chroma does not stand clear of that.
    """
    if np.count_nonzero(beside) < FEWEST_RIM:
        return None, 0.0
    plain = (evidence.chroma < VIVID * own).astype(np.float32)
    chroma = cv2.addWeighted(evidence.a, a, evidence.b, b, 0) * plain
    for side in WINDOWS_PX:
        along = cv2.blur(chroma, (side, side)) / cv2.max(cv2.blur(plain, (side, side)), LEAST_PLAIN)
        reached = quantile(rim_of(along)[beside], 0.98)
        if own >= ABOVE * max(reached, 0.2):
            return along, reached
    return None, 0.0
