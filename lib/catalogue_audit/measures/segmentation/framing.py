"""Framing: where the product stands in the frame and how much of it it fills."""

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import quantile
from catalogue_audit.measures.records import CONFIDENCE_LIMIT

DIGITS = 5


def framing_facts(outline, shape):
    """
    Box, fill, centre and base line of the product.

    Parameters
    ----------
    outline : Outline
    shape : (height, width, ...)
        Of the working picture.

    Returns
    -------
    dict
        ``left``, ``top``, ``right``, ``bottom`` (fractions of the frame; right and
        bottom exclusive), ``fill_height``, ``fill_width``, ``fill_area``,
        ``centre_dx``, ``centre_dy`` (+ right, + down), ``baseline`` (fraction from
        the top; where the body stands, hanging straps and tags left out),
        ``touches``, ``outline_confidence``, ``outline_source``, ``reasons``.
    """
    facts = {"outline_confidence": round(outline.confidence, 3), "outline_source": outline.source}
    if outline.box is None or outline.confidence < CONFIDENCE_LIMIT:
        reason = outline.reason or "the outline is not certain"
        return {**facts, "touches": None, "reasons": (f"framing not measured: {reason}",)}
    left, top, right, bottom = outline.box
    facts |= {
        "touches": " ".join(outline.touches),
        "left": left,
        "top": top,
        "right": right,
        "bottom": bottom,
        "fill_height": bottom - top,
        "fill_width": right - left,
        "fill_area": cv2.countNonZero(outline.mask.view(np.uint8)) / outline.mask.size,
        "centre_dx": (left + right) / 2 - 0.5,
        "centre_dy": (top + bottom) / 2 - 0.5,
        "baseline": baseline(outline),
    }
    reasons = (outline.reason,) if outline.reason else ()
    return {k: round(v, DIGITS) if isinstance(v, float) else v for k, v in facts.items()} | {"reasons": reasons}


def baseline(outline):
    """
    Where the product stands, fraction of the frame's height from the top.

    The lowest part of the body; to sub-pixel, the level that a twentieth of the
    points along its lower edge pass.
    """
    height = outline.mask.shape[0]
    body, scale = outline.body.mask, outline.body.scale
    columns = np.flatnonzero(body.any(axis=0))
    if not len(columns):
        return None
    lowest = np.flatnonzero(body.any(axis=1))[-1]
    points = np.concatenate(outline.contours)
    column = np.clip((points[:, 0] / scale).astype(int), 0, body.shape[1] - 1)
    row = np.clip((points[:, 1] / scale).astype(int), 0, body.shape[0] - 1)
    near = body.any(axis=0)[column] & (row >= lowest - 2) & (row <= lowest + 2)
    if near.sum() < 5:
        return (lowest + 1) * scale / height
    return quantile(points[near, 1], 0.95) / height
