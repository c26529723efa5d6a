"""
The line where a product meets the ground it stands on.

A contact shadow darkens without an end until the product begins: the line of
contact is its darkest place, and the product above it, lit by the room, is
lighter again. Neither a threshold nor the strongest edge finds that line; the
minimum of lightness going up each column does.
"""

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median

UP_PX, DOWN_PX = 80, 6  # working pixels looked at above and below the edge as it was found
DARKENED = 0.95  # of the backdrop's L* + 16: a shadow lies just below the line of contact
TOUCHED = 0.995  # of the same: the ground below the edge lies in shadow, if faintly
BRIDGED = 0.985  # of the same, where the edge itself shows no line of contact
JUMP = 2.0  # CIELAB L*; where lightness rises by as much, the product has begun
RAMP = 0.3  # CIELAB L* a pixel; a shadow falls at least as steeply towards its contact, a product's shading seldom does
REBOUND = 2.5  # CIELAB L*; how much lighter than the line of contact the product is within `WITHIN_PX`
WITHIN_PX = 10
LONG_RAMP_PX = 4  # a ramp of this length is a shadow even where a black product hides the rebound
FAINT_SHADOW = 0.6  # of the same; a strip below the line drawn between neighbours is shadow if it is not darker
VIVID = 15.0  # CIELAB chroma from which a product's colour alone tells it from its shadow
BESIDE_PX = 4  # where a shadow fades out beside its line, that much moves without its signs
LOW_PX = 2  # an edge in shadow that lies as far below the line of its neighbours is drawn up to it
WEDGE_PX = 24  # half-size pixels; a wedge of shadow beside a corner is no higher
SOFT_TOP = 2.5  # CIELAB L* over three half-size pixels; a product's upper edge is steeper
TINT = 0.3  # share of the product's chroma that a shadow beside it may take on
TINTED, OWN = 5.0, 0.6  # CIELAB chroma from which a product is no grey; and the share of it that it has just above its base
UNLIT = 1.02  # of the backdrop's L* + 16; a shadow is nowhere lighter than its ground
FAINT_END, SOFT_END = 0.5, 0.5  # of the step at the line of contact: where a shadow's strip ends on lit ground, it does so by less; or of its own, over two pixels
SOFT_SHARE, PLATEAU_PX = 0.2, 8  # of the step between a wedge and the shadow that far above it, a working pixel: a lens draws edges by a third


def settle_base(evidence, lightness, ground, product):
    """
    Move the product's lower edge up to the line of contact, where it stands in a shadow.

    Parameters
    ----------
    evidence : Evidence
    lightness : (h, w) float32
        CIELAB L* of the picture at working size.
    ground, product : (m, n) bool
        At half of it; wedges of shadow beside a corner are given back to the ground in place.

    Returns
    -------
    ground, product : (h, w) bool
        At working size.
    settled : (h, w) bool
        The neighbourhood of that line; the edge there is final.
    """
    size = lightness.shape
    lowest = len(product) - 1 - product[::-1].argmax(axis=0)
    columns = np.flatnonzero(product.any(axis=0))
    if _clear_wedges(evidence, ground, product, lowest[columns], columns):
        lowest = len(product) - 1 - product[::-1].argmax(axis=0)
        columns = np.flatnonzero(product.any(axis=0))
    last = 2 * lowest[columns] + 1
    ground, product = (doubled(mask, size) for mask in (ground, product))
    settled = np.zeros(size, bool)
    free = (last < size[0] - DOWN_PX - 4) & (2 * columns + 1 < size[1])
    columns, last = columns[free], last[free]
    if len(columns) < 4:
        return ground, product, settled
    line, found, shadow, lit = _lines(evidence, lightness, columns, last)
    found = cv2.blur(found.astype(np.float32)[None], (5, 1))[0] > 0.5
    if not found.any():
        return ground, product, settled
    line, found = _bridged(columns, last, line, found, shadow, lit)
    beside = cv2.dilate(found.view(np.uint8)[None], np.ones((1, 9), np.uint8))[0] > 0
    found |= beside & (np.abs(line - last) <= BESIDE_PX)
    line = cv2.medianBlur(line.astype(np.float32)[None], 3)[0].astype(int)
    columns, last, line = columns[found], last[found], line[found]
    top, end = max(line.min() - 5, 0), min(max(line.max(), last.max()) + DOWN_PX, size[0])
    rows, columns, last, line = np.arange(top, end, dtype=np.int32)[:, None], *_every_column(columns, last, line, size[0])
    below = (rows > line) & (rows <= last + DOWN_PX)
    above = (rows <= line) & (rows > last - 2)  # where the edge moves down, up to it
    place = slice(top, end), columns
    product[place] = (product[place] & ~below) | above
    ground[place] = (ground[place] | below) & ~above
    settled[place] = (rows > line - 5) & (rows < np.maximum(line, last) + 5)
    return ground, product, settled


def _every_column(columns, last, line, height):
    """Columns at twice the size from the first to the last, as a slice, and their edges and lines: below the frame where there is none."""
    first, count = columns[0], columns[-1] + 1 - columns[0]
    edges = np.full((2, count), 2 * height, np.int32)
    edges[:, columns - first] = last, line
    return slice(2 * first, 2 * (first + count)), *edges.repeat(2, axis=1)


def doubled(mask, size):
    """A mask (bool) at twice its size, cut to a size."""
    wide = (mask.view(np.uint8) * np.uint16(0x0101)).view(bool)  # each byte twice
    return np.ascontiguousarray(wide.repeat(2, axis=0)[: size[0], : size[1]])


def _lines(evidence, lightness, columns, last):
    """Row of the darkest place under each column's product; whether it is a line of contact; whether the edge is shadow; and whether most lines lie above strips of shadow on lit ground."""
    steps = np.arange(DOWN_PX + UP_PX)[:, None]
    rows = np.clip(last + DOWN_PX - steps, 0, None)
    place = rows * lightness.shape[1] + 2 * columns
    light = 0.5 * (np.take(lightness, place) + np.take(lightness, place + 1))
    place = rows // 2 * evidence.chroma.shape[1] + columns
    chroma, ratio = (np.take(plane, place) for plane in (evidence.chroma, evidence.ratio))
    own = median(chroma[-UP_PX // 4 :], axis=0)  # the product's chroma, well above the base
    vivid = (own > VIVID) & (chroma < TINT * own)
    shadow_like = (chroma < _most_chroma(ratio)) | vivid
    ramp = np.zeros(light.shape, bool)
    ramp[:-4] = light[:-4] - light[4:] > 4 * RAMP
    going = shadow_like & (ramp | vivid)
    going[: DOWN_PX - 1] = True
    end = 4 + np.where(going.all(axis=0), len(steps), np.argmin(going, axis=0))  # the ramp looks four pixels ahead
    floor = np.minimum.accumulate(np.where(steps >= DOWN_PX - 1, light, np.inf), axis=0) + JUMP
    jumps = light > floor
    end = np.where(jumps.any(axis=0), np.minimum(end, np.argmax(jumps, axis=0)), end)
    reached = np.where((steps >= DOWN_PX - 1) & (steps <= end), light, np.inf)
    darkest = np.argmax(reached <= reached.min(axis=0) + 1.0, axis=0)
    after = np.where((steps > darkest) & (steps <= darkest + WITHIN_PX), light, -np.inf).max(axis=0)
    each = np.arange(len(columns))
    rebound = after - light[darkest, each] > REBOUND
    below = median(ratio[: DOWN_PX - 2], axis=0)
    shaded = (ratio[darkest - 4, each] < DARKENED) & (below < TOUCHED)
    strip = _ends_on_lit_ground(light, chroma, ratio, own, darkest, np.flatnonzero(~shaded & (own > TINTED) & (darkest >= DOWN_PX + LONG_RAMP_PX)))
    contact = (shaded | strip) & (rebound | (darkest - DOWN_PX >= LONG_RAMP_PX))
    lit = 2 * np.count_nonzero(strip & contact) > np.count_nonzero(contact)
    at_edge = ratio[DOWN_PX + 2]
    shadow = shadow_like[DOWN_PX + 2] & (at_edge < 1) & (at_edge > FAINT_SHADOW) & ((below < BRIDGED) | lit)
    return last + DOWN_PX - darkest, contact, shadow, lit


def _ends_on_lit_ground(light, chroma, ratio, own, darkest, columns):
    """
    Whether a strip below the line of contact is shadow, though the ground below it is lit: grey below a coloured product, and its end fainter than its top, or soft.

    Under a large lamp the front of a product throws a strip of shadow with an end of its own. (rows, n) each, upwards, and (n,); only some columns are looked at.
    """
    told = np.zeros(len(own), bool)
    if not len(columns):
        return told
    light, chroma, ratio = (np.take(plane, columns, axis=1) for plane in (light, chroma, ratio))
    own, darkest = own[columns], darkest[columns]
    step, each, far = np.arange(len(light))[:, None], np.arange(len(columns)), DOWN_PX + LONG_RAMP_PX
    strip = (step >= DOWN_PX) & (step <= darkest - 2)
    grey = np.where(strip, chroma, 0).max(axis=0) < TINT * own
    shaded = (ratio[darkest - 4, each] < DARKENED) & (np.where(strip, ratio, 0).max(axis=0) < UNLIT)
    above = np.where((step > darkest + 2) & (step <= darkest + WITHIN_PX), chroma, 0).max(axis=0)
    end, top = light[0] - light[far], light[far] - light[darkest, each]
    steepest = (light[: far - 2] - light[2:far]).max(axis=0)
    told[columns] = grey & shaded & (above > OWN * own) & ((end < FAINT_END * top) | (steepest < SOFT_END * end))
    return told


def _clear_wedges(evidence, ground, product, lowest, columns):
    """
    Give back to the ground, in place, what lies low, thin and shadow-like with nothing but more shadow above it; how many columns.

    Beside a corner a contact shadow is as steep as an edge, from below, and so dark that it passes for product.
    """
    rows = np.clip(lowest - np.arange(WEDGE_PX + 3)[:, None], 0, None)  # upwards
    inside = product[rows, columns]
    height = inside.argmin(axis=0)  # 0 where the product goes on
    thin = np.flatnonzero((height > 0) & (height <= WEDGE_PX))
    if not len(thin):
        return 0
    rows, columns, height = rows[:, thin], columns[thin], height[thin]
    light, ratio, chroma = (plane[rows, columns] for plane in (evidence.light, evidence.ratio, evidence.chroma))
    step, each = np.arange(len(rows))[:, None], np.arange(len(thin))
    shadow_like = (chroma < _most_chroma(ratio)) & (ratio > FAINT_SHADOW) & (ratio < DARKENED)
    fall = np.abs(light[np.maximum(height - 1, 0), each] - light[height + 1, each])
    beyond = np.maximum(rows[height, each] - PLATEAU_PX, 0), columns
    steepest = np.max([evidence.edge[rows[np.maximum(height + by, 0), each], columns] for by in (-1, 0, 1)], axis=0)
    soft = steepest < SOFT_SHARE * np.abs(evidence.light[beyond] - light[np.maximum(height - 3, 0), each])
    fading = (fall < SOFT_TOP) | (soft & (evidence.ratio[beyond] < DARKENED))
    under = evidence.ratio[np.minimum(rows[0] + 3, len(product) - 1), columns]
    wedge = fading & (under < BRIDGED) & (shadow_like | (step > height + 1)).all(axis=0) & ~product[rows[height + 1, each], columns]
    given = (step < height) & wedge
    at = rows[given], np.broadcast_to(columns, rows.shape)[given]
    product[at], ground[at] = False, True
    return np.count_nonzero(wedge)


def _most_chroma(ratio):
    """CIELAB chroma that a shadow of some darkness may have: light from the product tints it."""
    return 4.5 + 18 * np.clip(1 - ratio, 0, 1)


def _bridged(columns, last, line, found, shadow, lit):
    """Lines of columns in shadow between others, and beside them, that were not found: drawn from their neighbours."""
    drawn = np.interp(columns, columns[found], line[found])
    first, final = columns[found][[0, -1]]
    beside = (columns >= first - UP_PX // 2) & (columns <= final + UP_PX // 2)
    if found.sum() < 0.75 * np.count_nonzero((columns >= first) & (columns <= final)):
        return line, found
    low = ~found & beside & shadow & (last - drawn > LOW_PX) & (last - drawn < UP_PX // 2)
    if lit:  # a strip's end that goes on as beside a column is the same strip's
        edge = np.interp(columns, columns[found], last[found])
        low |= ~found & (columns >= first) & (columns <= final) & (np.abs(last - edge) <= BESIDE_PX)
    return np.where(low, drawn, line), found | low
