"""
Focus, motion and resolved detail of the product, in full-resolution pixels.

The blur of a picture is that of its sharpest edges: the product is deep, and
what lies behind the plane of focus may be soft. Defocus widens every edge
alike, motion only those that it crosses.
"""

import cv2
import numpy as np

from catalogue_audit.measures.edges import find_edges, measure_edges
from catalogue_audit.measures.motion import motion_of
from catalogue_audit.measures.records import of_size
from catalogue_audit.measures.resolved import resolved_fraction

EDGES = 200  # candidates; about half turn out clear
FEWEST = 6  # clear edges below which nothing is said
SHARPEST = ((0.8, 0.25), (3.0, 0.12))  # width in px, quantile of the edges' widths taken as the sharpest ones':
# the softer a picture, the more of its edges run into their neighbours and look wider than they are


def sharpness_facts(picture, outline):
    """
    Blur of the product's sharpest edges, motion, and the detail resolved.

    Parameters
    ----------
    picture : Picture
    outline : Outline

    Returns
    -------
    dict
        ``blur_px``, ``blur_sd_px``, ``motion_px``, ``motion_direction_deg``,
        ``resolved``; ``reasons`` for what is missing.
    """
    region = _region(outline, picture.grey.shape)
    x, y, direction = find_edges(picture.grey, region, EDGES)
    scale = picture.grey_reduction
    edges = measure_edges(picture.encoded, (x + 0.5) * scale - 0.5, (y + 0.5) * scale - 0.5, direction)
    if len(edges.sigma) < FEWEST:
        return {"reasons": ("the product shows too few clear edges to measure its sharpness",)}
    share = _sharpest_share(float(np.quantile(edges.sigma, SHARPEST[0][1])))
    blur = float(np.quantile(edges.sigma, share))
    sharp = edges.sigma[edges.sigma <= np.quantile(edges.sigma, 2 * share)]
    sd = float(1.2533 * sharp.std() / np.sqrt(len(sharp)))
    length, angle, sharpest = motion_of(edges.sigma, edges.direction)
    if length > 0:
        blur = float(np.sqrt(sharpest**2 + length**2 / 24))  # the mean over all directions
    return {
        "blur_px": blur,
        "blur_sd_px": sd,
        "motion_px": length,
        "motion_direction_deg": angle,
        "resolved": 1.0 if length > 0 else resolved_fraction(edges),
    }


def _sharpest_share(width):
    """Quantile that stands for the sharpest edges of a picture whose edges are about so wide."""
    (narrow, many), (wide, few) = SHARPEST
    return float(np.interp(np.log(width), np.log((narrow, wide)), (many, few)))


def _region(outline, shape):
    """The product and a narrow band around it; the whole frame where no product was found; uint8, 0 or 1."""
    if outline.box is None:
        return np.ones(shape, np.uint8)
    return of_size(cv2.dilate(outline.mask.view(np.uint8), np.ones((5, 5), np.uint8)), shape)
