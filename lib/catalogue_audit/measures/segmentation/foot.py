"""
Shadow and mirror image that are left at the product's foot: faint beside the product, and nowhere ending as a product ends.

On a burnt-out or glossy ground the backdrop's front stops at noise or at a patch of the mirror image, and a piece of ground stays
with the product. It differs from the backdrop less than the product does; its rim towards the ground is many times softer than
the product's own edges, while a pale part of a product ends as sharply as the lens draws it.

All lengths are pixels of half the working size.
"""

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median, quantile
from catalogue_audit.measures.segmentation.parts import parts_of, window_of

FAINTEST, FAINT = 32.0, 0.6  # CIELAB; and of the product's own difference from the backdrop: pieces are less unlike it
MOST_CHROMA, TINT = (6.0, 8.0), (0.1, 0.15)  # of ground, and of what may be ground: CIELAB; and of the product's own difference, which is thrown on the ground, or mirrored in it
SOFT = 0.08, 0.12  # the same, of the product's own difference, a working pixel: its sharp edges fall by a third of that, those out of focus by a fifth
PENUMBRA = 0.22, 0.3  # the same, of a piece's own step, a working pixel: the same of its rim
FAINT_EDGE = 2.0  # CIELAB a working pixel; a product's part that ends as faintly is as light as the ground within 6
STEPPED = 0.65  # share of the rim that is steeper than its surroundings
BESIDE_GROUND = 0.5, 0.35  # the same, share of a piece's rim
SMALLEST_PX, MOST, RIM_PX = 25, 12, 3  # of a piece; pieces looked at, the largest first; and the rim around one
LOW, LARGEST = 0.5, 0.25  # of the product's height, counted from above, at which the foot begins; and of its area
KERNEL3, KERNEL5, RIM = np.ones((3, 3), np.uint8), np.ones((5, 5), np.uint8), np.ones((2 * RIM_PX + 1,) * 2, np.uint8)


def without_soft_foot(evidence, ground, product):
    """
    Give faint pieces that end softly at the product's foot back to the ground.

    Parameters
    ----------
    evidence : Evidence
    ground, product : (h, w) bool

    Returns
    -------
    ground, product : (h, w) bool
        The same arrays where there is none.
    doubtful : (h, w) bool or None
        Pieces that may be ground as well.
    """
    x, y, width, height = cv2.boundingRect(product.view(np.uint8))
    place = slice(y + int(LOW * height), min(y + height + RIM_PX, len(product))), slice(max(x - RIM_PX, 0), x + width + RIM_PX)
    light, chroma, edge, step = (plane[place] for plane in (evidence.light, evidence.chroma, evidence.edge, evidence.step))
    inside, around = product[place], ground[place]
    unlike = np.abs(light) + chroma
    of_product = unlike[inside]
    if not len(of_product):
        return ground, product, None
    own = float(median(of_product))
    faint = inside & (unlike < min(FAINTEST, FAINT * own))
    pieces = cv2.morphologyEx(faint.view(np.uint8), cv2.MORPH_OPEN, KERNEL3)
    if cv2.countNonZero(pieces) < SMALLEST_PX:
        return ground, product, None
    labels, area = parts_of(pieces.view(bool), 4)
    wanted = (area >= SMALLEST_PX) & (area < LARGEST * len(of_product))
    wanted[labels[0]] = False  # what goes on above is no foot
    wanted = np.flatnonzero(wanted)
    given, doubtful = np.zeros_like(inside), np.zeros_like(inside)
    for label in wanted[np.argsort(-area[wanted], kind="stable")][:MOST]:
        window = window_of(labels == label, 8)
        piece = labels[window] == label
        told = _is_ground(piece, around[window], *(plane[window] for plane in (unlike, chroma, edge, step)), own)
        if told is not False:
            (given if told else doubtful)[window] |= piece
    if given.any():
        given = _with_rests(given, faint, inside)
        ground, product = ground.copy(), product.copy()
        ground[place] |= given
        product[place] &= ~given
    if not doubtful.any():
        return ground, product, None
    pieces = np.zeros_like(product)
    pieces[place] = doubtful
    return ground, product, pieces


def smaller_without(product, pieces):
    """
    By how much a product's box would be smaller without some pieces, of which some are gone already: pixels, the most of any side.

    Parameters
    ----------
    product : (h, w) bool
    pieces : (h, w) bool
    """
    left = pieces & product
    return _smaller_by(np.ascontiguousarray(product), left) if left.any() else 0


def _is_ground(piece, ground, unlike, chroma, edge, step, own):
    """
    Whether one piece lies open to the ground, with no chroma, and no edge towards it as a product of that difference from the backdrop has.

    None where it lies mostly open, and the edge is fainter than the product's, but not as soft as a shadow's.
    """
    rim = (cv2.dilate(piece.view(np.uint8), RIM) > 0) & ~piece
    open_ = rim & (cv2.dilate(ground.view(np.uint8), KERNEL3) > 0)
    apart, tint = np.count_nonzero(open_) / np.count_nonzero(rim), median(chroma[piece])
    if apart <= BESIDE_GROUND[1] or tint >= max(MOST_CHROMA[1], TINT[1] * own):
        return False
    steepest = quantile(edge[open_], 0.9)
    line = piece & (cv2.dilate(open_.view(np.uint8), KERNEL3) > 0)
    if steepest >= SOFT[1] * own or not line.any():
        return False
    beside = open_ & ground
    fall = median(unlike[line]) - median(unlike[beside]) if beside.any() else 0.0
    crest, near = cv2.dilate(edge, KERNEL5)[line], (cv2.dilate(unlike, RIM) - cv2.erode(unlike, RIM))[line]
    slope = median(crest) / max(median(near), 1e-6)
    soft = steepest < max(PENUMBRA[0] * fall, FAINT_EDGE) or slope < PENUMBRA[0]
    clear = apart > BESIDE_GROUND[0] and tint < max(MOST_CHROMA[0], TINT[0] * own) and steepest < SOFT[0] * own and step[open_].mean() < STEPPED
    return True if soft and clear else None if slope < PENUMBRA[1] else False


def _smaller_by(product, doubtful):
    """Pixels by which the largest difference between the product's sides with and without some pieces is, whatever is then too thin left out."""
    rest = product & (cv2.dilate(doubtful.view(np.uint8), RIM) == 0)
    boxes = [cv2.boundingRect(mask) for mask in (product.view(np.uint8), cv2.morphologyEx(rest.view(np.uint8), cv2.MORPH_OPEN, KERNEL3))]
    (left, top, width, height), (left_of, top_of, narrow, low) = boxes
    return max(left_of - left, left + width - left_of - narrow, top + height - top_of - low)


def _with_rests(given, faint, inside):
    """Pieces with what is faint around them, and with what is then too thin to be product."""
    near = cv2.dilate(given.view(np.uint8), RIM) > 0
    given = given | (near & faint)
    rest = inside & ~given
    return given | (near & rest & (cv2.morphologyEx(rest.view(np.uint8), cv2.MORPH_OPEN, KERNEL3) == 0))
