"""
The edge of a cut-out, and the kind of shadow under a product.

A clean cut-out goes from white to the product in one step as wide as the
picture is sharp. A halo or fringe is a band of a third tone between the two.
"""

import cv2
import numpy as np

from catalogue_audit.measures.shadow import shadow_kind
from catalogue_audit.pixels.colour import ciede2000, lab_from_linear, srgb_decode

POINTS = 360  # of the outer contour that are looked at
OUTSIDE, INSIDE = 8, 22  # full-resolution px of each profile
BESIDE = (12, 18)  # px inside the edge: the product's own tone there
ANOTHER_TONE = 5.0  # CIEDE2000 from the product's tone; shading over a few pixels stays below
WHITE_DE = 3.0  # CIEDE2000 from white: where the cut-out begins
CONTRAST = 12.0  # CIEDE2000 between product and white, below which a rim cannot be told
CLEAN_STEP = 3.0  # px from the first tint to the product's tone at a clean edge of a sharp picture
WINDOW = 9  # neighbouring profiles taken together
SHARE = 0.8  # quantile over the contour: a rim along a fifth of it is seen


def cutout_facts(picture, backdrop, outline):
    """
    Rim around a cut-out, and the shadow's kind.

    Parameters
    ----------
    picture : Picture
    backdrop : Backdrop
    outline : Outline

    Returns
    -------
    dict
        ``rim_px`` (full-resolution pixels, beyond the edge's own softness; 0
        for a clean edge) and ``rim_de`` (CIEDE2000 of the rim against the
        product beside it), for cut-outs on pure white; ``shadow_kind``
        wherever the product stands free.
    """
    facts = {}
    kind = shadow_kind(picture, backdrop, outline)
    if kind is not None:
        facts["shadow_kind"] = kind
    if backdrop.kind != "cut_out" or not outline.contours:
        return facts
    profiles = _profiles(picture, outline)
    if len(profiles) < 4 * WINDOW:
        return facts | {"reasons": ("too little of the cut-out's edge is free to judge it",)}
    widths, tones = rim_widths(profiles)
    known = np.isfinite(widths)
    if known.sum() < 2 * WINDOW:
        return facts | {"reasons": ("the product is too light against white to judge the cut-out's edge",)}
    widths, tones = widths[known], tones[known]
    width = float(np.quantile(widths, SHARE))
    wide = widths >= min(width, 0.5)
    tone = float(np.median(tones[wide])) if width > 0.5 and wide.any() else 0.0
    return facts | {"rim_px": width if width > 0.5 else 0.0, "rim_de": tone}


def rim_widths(profiles):
    """
    Width and tone of the rim along a contour.

    Parameters
    ----------
    profiles : (n, OUTSIDE + INSIDE + 1, 3) array
        CIELAB across the edge, from outside in, along the contour.

    Returns
    -------
    width : (n,) ndarray
        Pixels between half-way from white to the rim's tone and half-way from
        that to the product's; 0 where one step leads from white to the
        product; NaN where white and product are alike.
    tone : (n,) ndarray
        CIEDE2000 between the rim and the product beside it.
    """
    smooth = _smoothed(profiles)
    at = np.arange(-OUTSIDE, INSIDE + 1)
    product = np.median(smooth[:, (at >= BESIDE[0]) & (at <= BESIDE[1])], axis=1)
    white = np.array([100.0, 0.0, 0.0])
    from_white = ciede2000(smooth, white)
    from_product = ciede2000(smooth, product[:, None])
    clear = ciede2000(product, white) > CONTRAST
    begins = _first(from_white > WHITE_DE)
    other = (from_product > ANOTHER_TONE) & (at < BESIDE[0])
    ends = _last(other)
    middle = np.clip(np.nan_to_num((begins + ends) / 2), 0, len(at) - 1).astype(int)
    rows = np.arange(len(middle))
    tone, tint = from_product[rows, middle], from_white[rows, middle]
    outer = _first(from_white > 0.5 * tint[:, None])
    inner = _last((from_product > 0.5 * tone[:, None]) & (at < BESIDE[0]))
    wide = ends - begins > CLEAN_STEP
    width = np.where(wide, np.maximum(inner - outer + 1, 0), 0.0)
    return np.where(clear & np.isfinite(begins), width, np.nan), tone


def _first(condition):
    """Index of the first True along each row; NaN where there is none."""
    return np.where(condition.any(axis=1), np.argmax(condition, axis=1), np.nan)


def _last(condition):
    """Index of the last True along each row; NaN where there is none."""
    count = condition.shape[1]
    return np.where(condition.any(axis=1), count - 1 - np.argmax(condition[:, ::-1], axis=1), np.nan)


def _smoothed(profiles):
    """Median over `WINDOW` neighbouring profiles, for noise and single threads."""
    wrapped = np.concatenate([profiles[-(WINDOW // 2) :], profiles, profiles[: WINDOW // 2]])
    windows = np.lib.stride_tricks.sliding_window_view(wrapped, WINDOW, axis=0)
    return np.median(windows, axis=-1)


def _profiles(picture, outline):
    """CIELAB along normals of the outer contour, where no shadow lies beside it; (n, samples, 3)."""
    contour = outline.contours[0].astype(float)
    contour = contour[np.linspace(0, len(contour) - 1, max(2 * POINTS, 2)).astype(int)]
    ahead, behind = np.roll(contour, -3, axis=0), np.roll(contour, 3, axis=0)
    tangent = ahead - behind
    length = np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-6)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) / length[:, None]
    height, width = outline.mask.shape
    inside = _lies_in(outline.mask, contour + 3 * normal)
    normal = np.where(inside[:, None], normal, -normal)
    outward = contour - 4 * normal
    free = _lies_in(outline.mask, contour + 3 * normal) & ~_lies_in(outline.shadow, outward)
    free &= ~_lies_in(outline.mask, outward)
    margin = (OUTSIDE + 2) / picture.reduction
    free &= (contour[:, 0] > margin) & (contour[:, 0] < width - margin)
    free &= (contour[:, 1] > margin) & (contour[:, 1] < height - margin)
    contour, normal = contour[free][::2], normal[free][::2]
    at = np.arange(-OUTSIDE, INSIDE + 1)
    x = (contour[:, :1] * picture.reduction - 0.5 + normal[:, :1] * at).astype(np.float32)
    y = (contour[:, 1:] * picture.reduction - 0.5 + normal[:, 1:] * at).astype(np.float32)
    if not len(x):
        return np.empty((0, len(at), 3))
    codes = cv2.remap(picture.encoded, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return lab_from_linear(srgb_decode(codes / 255.0))


def _lies_in(mask, points):
    height, width = mask.shape
    column = np.clip(points[:, 0].astype(int), 0, width - 1)
    row = np.clip(points[:, 1].astype(int), 0, height - 1)
    return mask[row, column]
