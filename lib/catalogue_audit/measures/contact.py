"""
The line where a product meets the ground it stands on.

A contact shadow darkens without an end until the product begins: the line of
contact is its darkest place, and the product above it, lit by the room, is
lighter again. Neither a threshold nor the strongest edge finds that line; the
minimum of lightness going up each column does.
"""

import cv2
import numpy as np

UP_PX, DOWN_PX = 60, 6  # mask pixels looked at above and below the edge as it was found
DARKENED = 0.97  # of the backdrop's L* + 16: below the product lies a shadow
RAMP = 0.3  # CIELAB L* a pixel; a shadow falls at least as steeply towards its contact, a product's shading seldom does
REBOUND = 2.5  # CIELAB L*; how much lighter than the line of contact the product is within `WITHIN_PX`
WITHIN_PX = 10
LONG_RAMP_PX = 4  # a ramp of this length is a shadow even where a black product hides the rebound
VIVID = 15.0  # CIELAB chroma from which a product's colour alone tells it from its shadow
TINT = 0.3  # share of the product's chroma that a shadow beside it may take on


def settle_base(evidence, lightness, ground, product):
    """
    Move the product's lower edge up to the line of contact, where it stands in a shadow.

    Parameters
    ----------
    evidence : Evidence
    lightness : (h, w) float32
        CIELAB L* of the picture.
    ground, product : (h, w) bool

    Returns
    -------
    ground, product : (h, w) bool
        Without a band between them where the line was found.
    settled : (h, w) bool
        The neighbourhood of that line; the edge there is final.
    """
    height = product.shape[0]
    columns = np.flatnonzero(product.any(axis=0))
    last = height - 1 - np.argmax(product[::-1, columns], axis=0)
    free = last < height - DOWN_PX - 4
    columns, last = columns[free], last[free]
    settled = np.zeros(product.shape, bool)
    if len(columns) < 8:
        return ground, product, settled
    line, found = _lines(evidence, cv2.blur(lightness, (3, 1)), columns, last)
    found = cv2.blur(found.astype(np.float32)[None], (9, 1))[0] > 0.5
    if not found.any():
        return ground, product, settled
    line = cv2.medianBlur(line.astype(np.float32)[None], 5)[0].astype(int)
    columns, last, line = columns[found], last[found], line[found]
    rows = np.arange(height)[:, None]
    below = (rows > line) & (rows <= last + DOWN_PX)
    above = (rows <= line) & (rows > last - 2)  # where the edge moves down, up to it
    ground, product = ground.copy(), product.copy()
    product[:, columns] = (product[:, columns] & ~below) | above
    ground[:, columns] = (ground[:, columns] | below) & ~above
    settled[:, columns] = (rows > line - 5) & (rows < np.maximum(line + 5, last + 5))
    return ground, product, settled


def _lines(evidence, lightness, columns, last):
    """Row of the darkest place under each column's product, and whether it is a line of contact."""
    steps = np.arange(DOWN_PX + UP_PX)[:, None]
    rows = np.clip(last + DOWN_PX - steps, 0, None)
    light, chroma, ratio = (plane[rows, columns] for plane in (lightness, evidence.chroma, evidence.ratio))
    own = np.median(chroma[DOWN_PX + UP_PX // 3 :], axis=0)  # the product's chroma, well above the base
    vivid = (own > VIVID) & (chroma < TINT * own)
    shadow_like = (chroma < 4.5 + 18 * np.clip(1 - ratio, 0, 1)) | vivid
    ramp = np.zeros(light.shape, bool)
    ramp[:-4] = light[:-4] - light[4:] > 4 * RAMP
    going = shadow_like & (ramp | vivid)
    going[: DOWN_PX - 1] = True
    end = np.where(going.all(axis=0), len(steps) - 1, np.argmin(going, axis=0))
    reached = np.where(steps <= end + 4, light, np.inf)
    darkest = np.argmax(reached <= reached.min(axis=0) + 1.0, axis=0)
    after = np.where((steps > darkest) & (steps <= darkest + WITHIN_PX), light, -np.inf).max(axis=0)
    rebound = after - light[darkest, np.arange(len(columns))] > REBOUND
    shaded = np.median(ratio[:DOWN_PX - 2], axis=0) < DARKENED
    moved = darkest - DOWN_PX
    return last + DOWN_PX - darkest, shaded & (rebound | (moved >= LONG_RAMP_PX))
