"""Kind of shadow under a product: none, contact, cast, or a mirror reflection."""

import math

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median, quantile
from catalogue_audit.measures.segmentation.horizon import below_line
from catalogue_audit.pixels.working import lightness_of

LONG_SIDE = 400  # px on which shadows are looked at
NONE, SOME = 0.003, 0.008  # of the product's area: less shadow is none, more is one; between, it is not clear
REFLECTED = 0.75  # correlation of what lies under the base with the product mirrored in it
AWAY = 0.12  # of the product's height or width: how far from it a shadow counts as thrown
FAINT_L = 2.0  # CIELAB; darkening that the fall-off of a soft lamp beside a product reaches as well
CONTACT, CAST_BESIDE, CAST_BELOW = 0.15, 0.5, 0.3  # of the darkening lies away from the product
FOOT = 0.35  # of the product's height: a shadow on the ground begins below this
DEPTH = 0.18  # of the product's height: how far under the base a reflection is looked for


def shadow_kind(picture, backdrop, outline, rim_px=0.0):
    """
    What darkens the ground around the product.

    Parameters
    ----------
    picture : Picture
    backdrop : Backdrop
    outline : Outline
    rim_px : float
        Full-resolution px; a strip of the old background that wide lies around a
        cut-out, and is no shadow.

    Returns
    -------
    str or None
        'none', 'contact', 'cast' or 'reflection'; None where there is no
        product, it leaves the frame at the bottom, or the kind is not clear: a
        soft lamp throws a little of the same shadow further from a tall
        product than from a wide one.
    """
    if outline.box is None or "bottom" in outline.touches:
        return None
    step = -(-max(outline.mask.shape) // LONG_SIDE)
    mask = np.ascontiguousarray(outline.mask[::step, ::step])
    if not mask.any():
        return None
    light = picture.linear_at((slice(None, None, step),) * 2)
    light, here = cv2.extractChannel(light, 1), lightness_of(light)
    ground = backdrop.at(mask.shape)[0]
    covered = _grown(mask, 1 + math.ceil(rim_px / (picture.reduction * step)))
    dark = (outline.shadow[::step, ::step] | (ground - here > 1.5)) & ~covered
    if backdrop.front:
        dark &= below_line(backdrop.front, dark.shape) == 0
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    height, width = rows[-1] + 1 - rows[0], columns[-1] + 1 - columns[0]
    if _mirrored(light, mask, height) > REFLECTED:
        return "reflection"
    near = _reachable(dark, covered)
    near[: max(int(rows[-1] - FOOT * height), 0)] = False  # higher up it is seen through a handle, or part of a light product
    area = np.count_nonzero(mask)
    share = np.count_nonzero(near) / area
    if share < SOME:
        return "none" if share < NONE else None
    if _on_the_ground(near, rows, columns) < NONE * area:
        return "none" if backdrop.kind == "cut_out" else None  # a light part of the product that the outline left out
    y, x = np.divmod(np.flatnonzero(near), near.shape[1])
    weight = np.maximum(ground - here - FAINT_L, 0)[y, x]
    if weight.sum() <= 0:
        return None
    weight = weight / weight.sum()
    below = weight[y - rows[-1] > AWAY * height].sum()
    beside = weight[np.maximum(columns[0] - x, x - columns[-1]) > AWAY * width].sum()
    if beside > CAST_BESIDE or below > CAST_BELOW:
        return "cast"
    return "contact" if beside + below < CONTACT else None


def _on_the_ground(dark, rows, columns):
    """How much of what is dark lies below or beside the product's box: beneath, or thrown to a side, never on its front."""
    inside = dark[: rows[-1] + 1, columns[0] : columns[-1] + 1]
    return np.count_nonzero(dark) - np.count_nonzero(inside)


def _grown(mask, by=1):
    return cv2.dilate(mask.view(np.uint8), np.ones((2 * by + 1,) * 2, np.uint8)) > 0


def _reachable(dark, covered):
    """Dark parts that begin at the product, not a corner of the frame that fell off."""
    touching = _grown(covered)
    count, labels = cv2.connectedComponents(dark.view(np.uint8))
    keep = np.zeros(count, bool)
    keep[labels[dark & touching]] = True
    keep[0] = False
    return np.take(keep, labels)


def _mirrored(light, mask, height):
    """
    Correlation between the strip under each column's lowest product pixel and the strip above it, mirrored.

    The smooth fall-off of a shadow correlates with nothing; so both strips lose
    their means over rows and over columns first, and what is left is the product's pattern.
    """
    depth = max(6, int(DEPTH * height))
    bottom = mask.shape[0] - 1 - np.argmax(mask[::-1], axis=0)
    base = int(quantile(bottom[mask.any(axis=0)], 0.9))
    columns = np.flatnonzero(mask.any(axis=0) & (bottom > base - 0.08 * height) & (bottom + 2 < mask.shape[0]))
    if len(columns) < 20:
        return 0.0
    offset = np.arange(2, depth)
    above = np.clip(bottom[columns] - offset[:, None], 0, None)
    below = bottom[columns] + offset[:, None]
    inside = (below < mask.shape[0]).all(axis=1) & mask[above, columns].mean(axis=1).__gt__(0.8)
    if inside.sum() < 4:
        return 0.0
    mirror = np.log(np.maximum(light[above[inside], columns], 1e-3))
    ground = np.log(np.maximum(light[below[inside], columns], 1e-3))
    ground = ground - median(ground.ravel())
    if ground.std() < 0.004:
        return 0.0
    mirror = mirror - mirror.mean(axis=1, keepdims=True) - mirror.mean(axis=0) + mirror.mean()
    ground = ground - ground.mean(axis=1, keepdims=True) - ground.mean(axis=0) + ground.mean()
    scale = np.sqrt((mirror**2).sum() * (ground**2).sum())
    return float((mirror * ground).sum() / scale) if scale > 1e-6 else 0.0
