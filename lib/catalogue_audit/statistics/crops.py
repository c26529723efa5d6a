"""
Where a detail crop fits into pictures of the whole product, by laying it over them.

The details of one set are taken at much the same scale. That scale is learnt
from the set first; a crop that fits best at quite another one has met an edge
or a plain area, and says nothing.

References
----------
.. [1] J. P. Lewis, "Fast Template Matching", Vision Interface 95 (1995) 120-123
   (normalised cross-correlation).
"""

import math

import cv2
import numpy as np

WHOLE_PX = 320  # long side of the whole picture in which a crop is looked for
ZOOMS = np.geomspace(1.8, 8.0, 16)  # crop's scale over the whole picture's
NEAR_ZOOM = 1.25  # factor around the set's usual zoom
STEPS = 11
LEAST_TEMPLATE_PX = 12
FOUND = 0.6  # correlation from which a crop's zoom is worth learning from
ONE_SCALE = 0.2  # robust scatter of ln(zoom) up to which a set's crops have one scale


def best_fit(crop, whole, zooms=ZOOMS):
    """
    Best place of a crop in a whole picture.

    Parameters
    ----------
    crop, whole : dict of ndarray
        Sketches with ``preview``; the whole picture's ``mask`` bounds the search.
    zooms : (n,) array_like of float
        Increasing; tried one by one.

    Returns
    -------
    correlation : float
        -1 to 1, over L*, a*, b*; NaN where it cannot be looked for.
    zoom : float
        At which it was found; NaN at either end of ``zooms``, where nothing was at its best.
    """
    nothing = math.nan, math.nan
    template, picture = _lab(crop), _lab(whole)
    if template is None or picture is None:
        return nothing
    picture = _within_box(_scaled(picture, WHOLE_PX / max(picture.shape[:2])), whole.get("mask"))
    scores = np.full(len(zooms), -1.0)
    for number, zoom in enumerate(zooms):
        small = _scaled(template, WHOLE_PX / max(template.shape[:2]) / zoom)
        fits = small.shape[0] < picture.shape[0] and small.shape[1] < picture.shape[1]
        if fits and min(small.shape[:2]) >= LEAST_TEMPLATE_PX:
            scores[number] = float(cv2.matchTemplate(picture, small, cv2.TM_CCOEFF_NORMED).max())
    best = int(np.argmax(scores))
    if scores[best] <= -1:
        return nothing
    inside = 0 < best < len(zooms) - 1
    return float(min(scores[best], 1.0)), float(zooms[best]) if inside else math.nan


def usual_zooms(fits):
    """
    Zooms at which a set's crops are to be looked for.

    Parameters
    ----------
    fits : sequence of (float, float)
        Correlation and zoom of each crop's best fit.

    Returns
    -------
    (n,) ndarray of float
        Empty where the set's crops have no one scale.
    """
    zooms = np.log([zoom for correlation, zoom in fits if correlation >= FOUND and math.isfinite(zoom)])
    if zooms.size < 4:
        return np.empty(0)
    middle = float(np.median(zooms))
    if 1.4826 * float(np.median(np.abs(zooms - middle))) > ONE_SCALE:
        return np.empty(0)
    return np.geomspace(math.exp(middle) / NEAR_ZOOM, math.exp(middle) * NEAR_ZOOM, STEPS)


def _lab(sketch):
    preview = sketch.get("preview")
    if preview is None or not preview.size:
        return None
    image = cv2.imdecode(np.ascontiguousarray(preview), cv2.IMREAD_COLOR_RGB)
    return None if image is None else cv2.cvtColor(image.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)


def _scaled(picture, factor):
    size = (max(round(picture.shape[1] * factor), 1), max(round(picture.shape[0] * factor), 1))
    return cv2.resize(picture, size, interpolation=cv2.INTER_AREA)


def _within_box(picture, mask):
    if mask is None or not mask.any():
        return picture
    down, across = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    y, x = picture.shape[0] / mask.shape[0], picture.shape[1] / mask.shape[1]
    box = picture[int(down[0] * y) : int((down[-1] + 1) * y), int(across[0] * x) : int((across[-1] + 1) * x)]
    return box if box.size else picture
