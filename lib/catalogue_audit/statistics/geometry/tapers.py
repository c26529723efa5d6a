"""Outlines of one shape laid over each other, for how much larger a body is at its top."""

import numpy as np

from catalogue_audit.measures.geometry.mirror import TERMS, edges, laid_over
from catalogue_audit.measures.segmentation.body import body_mask


def laid_in_turn(sketches, pictures):
    """
    The bodies of one shape's pictures, each laid over the first one that shows its body.

    Parameters
    ----------
    sketches : mapping of str to dict
        Uses ``outline`` and ``mask``.
    pictures : sequence of (str, bool)
        File, and whether it is laid mirrored.

    Returns
    -------
    first : (str, bool) or None
    laid : list of (float, float) or None
        Of each picture the taper and the scatter; None where it shows no body or does not fit.
    """
    first, beginning, found = None, None, []
    for file, mirrored in pictures:
        edge = body_of(sketches.get(file) or {}, mirrored)
        if edge is None:
            found.append(None)
            continue
        if first is None:
            first, beginning = (file, mirrored), edge
        laid = laid_over(edge, beginning)
        found.append(None if laid is None else (laid.values[TERMS.index("taper")], laid.scatter))
    return first, found


def body_of(sketch, mirrored=False):
    """The body's `Edge` from a picture's sketch; None where it shows none."""
    if sketch.get("outline") is None or sketch.get("mask") is None or not sketch["mask"].any():
        return None
    mask = np.ascontiguousarray(sketch["mask"])
    body, scale = body_mask(mask)
    edge, _ = edges(sketch["outline"] * np.array(mask.shape[::-1], float), body, scale)
    return edge.mirrored() if mirrored and edge is not None else edge
