"""
Handles: how far the rear one stands above the front one, in straight-on views.

Behind a front handle the rear one shows as a second band along the crown: apart
from it, with background between, or touching it, and then the crown of the two
is thicker than the handle's legs. Where both are level the rear one hides
behind the front one, or nearly so: camera and handles are about equally high.
"""

import numpy as np

from .lines import runs
from .records import CONFIDENCE_LIMIT

CROWN_SHARE = 0.25  # of the handles' width, about their middle, on which the crown is looked at
LEAST_HEIGHT = 0.08  # of the product's height; lower handles lie down
BAND_LIMIT = 0.18  # of the product's height; a thicker band is no handle
STRAP_ABOVE = 0.13  # of the product's height; a band this far above the next is a strap, not a handle
THICKNESS_SD = 0.15  # of a handle's thickness; how evenly thick sewn handles are


def handles_facts(picture, outline, focal_length_35mm=None):
    """
    Gap between the tops of two handles.

    Parameters
    ----------
    picture : Picture
        Part of the common signature.
    outline : Outline
    focal_length_35mm : float, optional
        Part of the common signature.

    Returns
    -------
    dict
        ``handle_gap`` and ``handle_gap_sd`` (fraction of the product's height; rear
        above front), or the reason why there is none.
    """
    if outline.box is None or outline.confidence < CONFIDENCE_LIMIT:
        return {"reasons": ("handle gap not measured: no certain outline",)}
    found = handle_region(outline)
    if found is None:
        return {"reasons": ("handle gap not measured: no handles stand above the body",)}
    top, body_top, left, right = found
    mask = outline.mask
    height = _product_height(mask)
    middle, reach = 0.5 * (left + right), max(2, int(0.5 * CROWN_SHARE * (right - left)))
    columns = range(int(middle) - reach, int(middle) + reach + 1)
    gaps, crowns = [], []
    for column in columns:
        bands = runs(mask[top : body_top + 1, np.clip(column, 0, mask.shape[1] - 1)])
        bands = [(a, b) for a, b in bands if b - a < BAND_LIMIT * height and b < body_top - top]
        while len(bands) > 1 and bands[1][0] - bands[0][0] > STRAP_ABOVE * height:
            bands = bands[1:]
        if not bands:
            continue
        crowns.append(bands[0][1] - bands[0][0])
        if len(bands) > 1:
            gaps.append(bands[1][0] - bands[0][0])
    if len(crowns) < max(3, 0.5 * len(columns)):
        return {"reasons": ("handle gap not measured: the handles' crown is hidden or touches the body",)}
    if len(gaps) > 0.6 * len(crowns):
        gap = float(np.median(gaps))
        sd = max(1.0, 0.1 * gap)
        return {"handle_gap": gap / height, "handle_gap_sd": sd / height, "reasons": ()}
    leg = leg_thickness(mask, top, body_top, left, right)
    if leg is None:
        return {"reasons": ("handle gap not measured: the handles' legs cannot be told apart",)}
    crown = float(np.median(crowns))
    gap = max(crown - leg, 0.0)
    sd = np.hypot(THICKNESS_SD * leg, 1.0)
    return {"handle_gap": gap / height, "handle_gap_sd": float(sd) / height, "reasons": ()}


def handle_region(outline):
    """
    Where handles stand above the body.

    Returns
    -------
    (top, body_top, left, right) or None
        Working pixels: first row of the handles, first row of the body, and the
        handles' outer edges halfway up.
    """
    mask = outline.mask
    body, scale = outline.body.mask, outline.body.scale
    rows = np.flatnonzero(body.any(axis=1))
    if not len(rows):
        return None
    columns = np.flatnonzero(body.any(axis=0))
    width = (columns[-1] - columns[0] + 1) * scale
    thick = body.sum(axis=1)
    wide = np.flatnonzero(thick > 0.45 * thick.max())
    body_top = int(wide[0] * scale)
    inner = slice(int((columns[0] + 0.04 * len(columns)) * scale), int((columns[-1] - 0.04 * len(columns)) * scale))
    above = mask[:body_top, inner]
    present = np.flatnonzero(above.any(axis=1))
    if not len(present):
        return None
    top = int(present[0])
    if body_top - top < LEAST_HEIGHT * _product_height(mask):
        return None
    half = mask[(top + body_top) // 2]
    across = np.flatnonzero(half[inner]) + inner.start
    if len(across) < 2 or across[-1] - across[0] < 0.1 * width:
        return None
    return top, body_top, float(across[0]), float(across[-1] + 1)


def leg_thickness(mask, top, body_top, left, right):
    """Median thickness of the handles' legs halfway up, working pixels; None where there are not two."""
    values = []
    for share in (0.4, 0.5, 0.6, 0.7):
        row = int(top + share * (body_top - top))
        bands = [b - a for a, b in runs(mask[row]) if a >= left - 0.2 * (right - left) and b <= right + 0.2 * (right - left)]
        if len(bands) >= 2:
            values.extend((bands[0], bands[-1]))
    return float(np.median(values)) if len(values) >= 4 else None


def _product_height(mask):
    rows = np.flatnonzero(mask.any(axis=1))
    return float(rows[-1] - rows[0] + 1)
