"""
Rests of shadow that hang at a product's foot: narrow, and no different from the ground beside them.

The line of contact is found column by column, and where a few columns show none, a piece of the shadow stays with the product. A part
of a product differs from the ground on both sides of it; such a piece goes on as ground on at least one side, at the same tone, and is
more like the ground that it ends on than like the product that it hangs on.

All lengths are pixels of half the working size.
"""

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median
from catalogue_audit.measures.segmentation.parts import parts_of

LOW = 0.25  # of the product's height, counted from below, in which its foot lies
NARROW = 0.03  # of the frame's long side; a wider piece has an outline of its own
TIP = 0.8  # of that; the tip of a corner that points down widens until it is as wide
SMALLEST_PX, MOST = 4, 12  # of a piece; and pieces looked at, the largest first
BESIDE_PX = 2  # from a piece, where the ground is compared: past the pixels that both share
SAME_LIGHT, SAME_CHROMA = 3.0, 2.0  # CIELAB; a shadow's tone over so few pixels
SAME = 30.0  # CIELAB; of a product less unlike the backdrop than that its share, for its parts are as little unlike
FEWEST, LEAST = 2, 0.6  # rows or columns that have ground beside them, and their share
KERNEL3 = np.ones((3, 3), np.uint8)


def without_rests(evidence, ground, product, long_side):
    """
    Give narrow pieces of shadow at the product's foot back to the ground.

    Parameters
    ----------
    evidence : Evidence
    ground, product : (2h, 2w) bool
        At working size; changed in place.
    long_side : int
        Of the whole frame.
    """
    whole = product[::2, ::2]
    x, y, width, height = cv2.boundingRect(np.ascontiguousarray(whole).view(np.uint8))
    place = slice(y + int((1 - LOW) * height), y + height), slice(x, x + width)
    side = max(round(NARROW * long_side), 3)
    inside = np.ascontiguousarray(whole[place])
    if not inside.any():
        return
    planes = [plane[place] for plane in (evidence.lightness, evidence.a, evidence.b)]
    own = (np.abs(evidence.light[place]) + evidence.chroma[place])[::2, ::2][inside[::2, ::2]]
    same = min(float(median(own)) / SAME, 1.0) if len(own) else 1.0
    for turned in (False, True):
        for piece, free in _narrow_pieces(inside, side, turned):
            if _goes_on(planes, inside, *piece, turned, free, same):
                inside[piece] = False
                rows, columns = 2 * (piece[0] + place[0].start), 2 * (piece[1] + place[1].start)
                for down, right in ((0, 0), (0, 1), (1, 0), (1, 1)):
                    at = np.minimum(rows + down, product.shape[0] - 1), np.minimum(columns + right, product.shape[1] - 1)
                    product[at], ground[at] = False, True


def _narrow_pieces(inside, side, turned):
    """Rows and columns of each piece that is narrower than a side along its rows, or ``turned`` along its columns; and whether it touches no other product."""
    mask = inside.view(np.uint8)
    narrow = mask - cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((side, 1) if turned else (1, side), np.uint8))
    if not narrow.any():
        return []
    labels, area = parts_of(narrow.view(bool))
    pieces = []
    for label in 1 + np.argsort(-area[1:], kind="stable")[:MOST]:
        if area[label] < SMALLEST_PX:
            break
        own = labels == label
        left, top, wide, high = cv2.boundingRect(own.view(np.uint8))
        window = slice(max(top - 1, 0), top + high + 1), slice(max(left - 1, 0), left + wide + 1)
        own = own[window]
        free = not (inside[window] & ~own & (cv2.dilate(own.view(np.uint8), KERNEL3) > 0)).any()
        if free or (high if turned else wide) < TIP * side:
            rows, columns = np.nonzero(own)
            pieces.append(((rows + window[0].start, columns + window[1].start), free))
    return pieces


def _goes_on(planes, inside, rows, columns, turned, free, same):
    """
    Whether one piece is as the ground on one side of it, in most of its lines that tell.

    A piece that is attached has to be more like the ground that it ends on than like the product that it hangs on. Where it hangs ``free``, it is
    enough that its tone lies between those of the ground on both sides: a shadow's rim. ``same``: share of the limits within which tones are the same.
    """
    sides = _beside(planes, inside, rows, columns, turned)
    if free and len(sides[0][0]) >= FEWEST:
        (before, _, one), (after, _, other) = sides
        if np.mean((before * after < 0) & one & other) > LEAST:
            return True
    if not any(np.count_nonzero(open_) >= max(FEWEST, LEAST * len(open_)) and median(apart[open_]) < same for _, apart, open_ in sides):
        return False
    if free:
        return True
    ends = _beside(planes, inside, rows, columns, not turned)
    apart, open_ = (np.concatenate([end[part] for end in ends]) for part in (1, 2))
    return open_.any() and not open_.all() and median(apart[open_]) < median(apart[~open_])


def _beside(planes, inside, rows, columns, turned):
    """
    What lies on either side of a piece, line by line: rows, or ``turned`` columns.

    For each side the lightness of its middle less that beside it, the difference of tone in units of what is the same, and where ground lies there.
    """
    lines, across = (columns, rows) if turned else (rows, columns)
    order = np.lexsort((across, lines))
    line, first = np.unique(lines[order], return_index=True)
    low, high = across[order][first], across[order][np.append(first[1:], len(order)) - 1]
    most = inside.shape[0 if turned else 1] - 1
    found = []
    for beside in (low - BESIDE_PX, high + BESIDE_PX):
        there = np.clip(beside, 0, most)
        at, to = ((place, line) if turned else (line, place) for place in ((low + high) // 2, there))
        light, a, b = (plane[at] - plane[to] for plane in planes)
        found.append((light, np.maximum(np.abs(light) / SAME_LIGHT, np.hypot(a, b) / SAME_CHROMA), ((there == beside) & ~inside[to]) | (there != beside)))
    return found
