"""
A product's own marks, told from dust: stitches and studs, lamps mirrored in fittings, the dots of a print.

Dust falls anywhere, once, and has no colour of the product's. What stands in a row, what is found again on the
next stud, and what is a smaller piece of the product's own second colour is the product's.
"""

from math import comb

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median

REACH = 45  # reduced px; how far neighbours in a row or pattern are looked for
ALIKE = 2.0  # times as much contrast at most, of the same sign
STEP_OFF = 0.27  # of the distance to a neighbour, by which the opposite one may stand off its place
PATCH = 8  # reduced px; half of what is looked for again along a row: a gap between stitches is seen with their ends
AGAIN, AS_STRONG = 0.6, 0.5  # correlation and share of the contrast, of what is taken for the same again
AWAY = 4  # reduced px around a mark, as its ground
ELSEWHERE = 3.0  # reduced px; nearer, it is the mark itself
OFF_ROW = 2.0  # reduced px by which members of a row of three stand off their places
MOST_PAIRS = 600  # of marks near each other; more are a texture, where any pair has its like
SAME_STEP, SAME_STRENGTH = 2.5, 1.3  # reduced px, and times the contrast, within which two pairs of lamps are the same
LINE, OFF_LINE = 5, (1.2, 4.0)  # alike marks, and reduced px from the line through them: so many of `FEW` that fell anywhere
# lie so near one time in a hundred at most, of fewer as rarely further off it, as scales and rows of studs on a round body do
FEW = 24
BODY, RING = 5, 12  # reduced px; a mark, and as far as its ground is looked at
PIECE = 0.8  # of the mark's own difference from the ground, from which on a pixel is of its colour, or of what it is mixed with
BETWEEN = (0.3, 0.7)  # the same of what is neither; where it is as frequent, they are grain or shading, not two colours
TWO_COLOURS = 2.0  # times as many of the colour as between
ONE_LINE = 0.15  # of a difference, by which it may miss the line from the ground through the mark's colour, about 9 degrees
LEAST_PIECES = 0.05  # of the product within `REACH`
FEW_OF_ITS_HUE = 0.02  # the same of pieces of the mark's own hue, whatever lies between, as thin rims of a print do (of 531 specks of dust 11 have more; measured)
LUMA = np.array([0.299, 0.587, 0.114], np.float32)  # ITU-R BT.601, as JPEG's
DILUTED = (0.4, 1.0)  # of its hue that a small mark may keep: JPEG spreads the rest over the ground
SAME_HUE = 0.07  # of a mark's difference from its ground, across grey, by which it may miss the hue of a print ...
HUE = SAME_HUE / DILUTED[0]  # ... which has one, if a grey mark would miss it
FINE, FINE_SHARE = 3.0, 0.25  # times a mark's size, and the share of a print that is as fine; one of large dots or stripes alone has no small ones
FEWEST_PIXELS = 50  # of those looked at, to know a share of a twentieth


def stand_alone(picture, places, contrast, sure):
    """
    False for members of rows and patterns, and for lamps mirrored in fittings.

    Parameters
    ----------
    picture : (H, W) uint8
        Reduced luma.
    places : (n, 2) float
        x, y, reduced px.
    contrast : (n,) float
        Code values, + lighter than around.
    sure : (n,) bool
        Those that look like specks; the others can be their neighbours in a row only.

    Returns
    -------
    (n,) bool
    """
    alone = _without_neighbours(places, contrast)
    alone[sure] &= ~_paired_alike(places[sure], contrast[sure]) & ~_in_one_line(places[sure], contrast[sure])
    for k in np.flatnonzero(alone & sure):
        alone[k] = not _recurs_in_row(picture, places[k])
    return alone


def _without_neighbours(places, contrast):
    """
    False for those that others make up a row or pattern with.

    A member has two neighbours of the same sign on opposite sides, as far away;
    the ends of a row and the corners of a pattern have a member for neighbour.
    """
    alone = np.ones(len(places), bool)
    x, y = places.T
    square = (x - x[:, None]) ** 2 + (y - y[:, None]) ** 2
    ratio = contrast / contrast[:, None]
    near = (square > 0) & (square < REACH**2) & (ratio > 1 / ALIKE) & (ratio < ALIKE)
    one, other = near.nonzero()
    off = (2 * x[one] - x[other] - x[:, None]) ** 2 + (2 * y[one] - y[other] - y[:, None]) ** 2
    alone[one[(near[:, one] & (off < STEP_OFF**2 * square[one, other])).any(axis=0)]] = False
    return alone & ~near[:, ~alone].any(axis=1)


def _paired_alike(places, contrast):
    """True for pairs that stand in the same way, as strong, somewhere else: two lamps in one stud as in the next."""
    steps = places[None] - places[:, None]
    square = np.square(steps).sum(axis=2)
    one, other = np.nonzero((square > 0) & (square < REACH**2))
    result = np.zeros(len(places), bool)
    if len(one) > MOST_PAIRS:
        return result
    steps = steps[one, other]
    same = np.square(steps - steps[:, None]).sum(axis=2) < SAME_STEP**2
    for ends in (one, other):
        ratio = contrast[ends] / contrast[ends][:, None]
        same &= (ratio > 1 / SAME_STRENGTH) & (ratio < SAME_STRENGTH) & (ends != ends[:, None])
    found = same.any(axis=1)
    result[one[found]] = result[other[found]] = True
    return result


def _in_one_line(places, contrast):
    """
    True for marks of one strength on one straight line, however far apart: studs along an edge.

    Examples
    --------
    >>> studs = np.array([[10.0, 50.0], [96.0, 50.5], [195.0, 50.0], [325.0, 49.5], [370.0, 50.0], [201.0, 90.0]])
    >>> _in_one_line(studs, np.full(6, 47.0)).tolist()
    [True, True, True, True, True, False]
    """
    result = np.zeros(len(places), bool)
    if not LINE <= len(places) <= FEW:
        return result
    one, other = np.triu_indices(len(places), 1)
    step = places[other] - places[one]
    away = places[None] - places[one, None]
    off = np.abs(step[:, :1] * away[..., 1] - step[:, 1:] * away[..., 0]) / np.maximum(np.hypot(*step.T), 1e-6)[:, None]
    ratio = contrast / contrast[one, None]
    lines = comb(len(places), 2) * comb(len(places) - 2, LINE - 2) / (comb(FEW, 2) * comb(FEW - 2, LINE - 2))
    reach = min(OFF_LINE[0] / lines ** (1 / (LINE - 2)), OFF_LINE[1])
    on = (off < reach) & (ratio > 1 / SAME_STRENGTH) & (ratio < SAME_STRENGTH)
    on[np.hypot(*step.T) < REACH] = False  # too short to tell a direction
    result[on[on.sum(axis=1) >= LINE].any(axis=0)] = True
    return result


def _recurs_in_row(picture, place):
    """
    Whether the picture shows a mark twice more, on opposite sides or one beyond the other.

    What surrounds it has to be alike there, and the mark itself as well: a speck among the dots of a print has them
    around it at every step of the print, but no speck.
    """
    x, y = np.rint(place).astype(int)
    far = REACH + PATCH
    around = picture[max(y - far, 0) : y + far + 1, max(x - far, 0) : x + far + 1].astype(np.float32)
    left, top = min(x, far) - PATCH, min(y, far) - PATCH
    own = around[max(top, 0) : top + 2 * PATCH + 1, max(left, 0) : left + 2 * PATCH + 1]
    if min(own.shape) <= 2 * PATCH:
        return False
    like = cv2.matchTemplate(around, own, cv2.TM_CCOEFF_NORMED)
    crest = (like >= cv2.dilate(like, np.ones((5, 5), np.uint8))) & (like > AGAIN)
    if crest.sum() < 3:
        return False
    strength = cv2.matchTemplate(around, own, cv2.TM_CCOEFF) / max(float(np.square(own - own.mean()).sum()), 1.0)
    crest &= (strength > AS_STRONG) & (strength < 1 / AS_STRONG)
    blob = cv2.blur(around, (3, 3)) - cv2.blur(around, (2 * AWAY + 1, 2 * AWAY + 1))
    blob *= np.sign(blob[top + PATCH, left + PATCH])
    as_marked = cv2.dilate(blob, np.ones((3, 3), np.uint8))[PATCH : len(crest) + PATCH, PATCH : crest.shape[1] + PATCH]
    crest &= as_marked > AS_STRONG * blob[top + PATCH, left + PATCH]
    steps = np.argwhere(crest) - (top, left)
    steps = steps[np.square(steps).sum(axis=1) > ELSEWHERE**2]
    across = np.stack([steps[:, None] + steps, 2 * steps[:, None] - steps])  # both 0 where three are in a row
    return bool((np.square(across).sum(axis=3) < OFF_ROW**2).any())


def of_print(picture, places, sizes, mask):
    """
    Whether marks are small pieces of a colour that the product shows in larger ones around, or mixed with its ground.

    Parameters
    ----------
    picture : Picture
    places : (n, 2) float
        x, y, full-resolution px.
    sizes : (n,) float
        Full-resolution px across.
    mask : (h, w) array
        Product, at any size.

    Returns
    -------
    (n,) bool
    """
    result = np.zeros(len(places), bool)
    step = max(picture.grey_reduction, 2)
    for k, (x, y) in enumerate(places.astype(int)):
        half = max(int(sizes[k] / 4), 1)
        mark = picture.encoded[max(y - half, 0) : y + half + 1, max(x - half, 0) : x + half + 1].mean(axis=(0, 1))
        colours, away, known = _around(picture, x, y, mask, step)
        size = sizes[k] / picture.grey_reduction
        result[k] = _is_piece(mark, colours, away / picture.grey_reduction, known, size, step / picture.grey_reduction)
    return result


def _around(picture, x, y, mask, step):
    """Every ``step``-th pixel around a place, (m, n, 3), how far each is, full-resolution px, and whether it is of the product."""
    far = REACH * picture.grey_reduction
    rows, columns = (
        np.arange(max(middle - far, 0), min(middle + far + 1, side), step)
        for middle, side in zip((y, x), picture.encoded.shape, strict=False)
    )
    height, width = picture.encoded.shape[:2]
    of_product = mask[np.ix_(rows * mask.shape[0] // height, columns * mask.shape[1] // width)] > 0
    colours = picture.encoded[rows[0] : rows[-1] + 1 : step, columns[0] : columns[-1] + 1 : step]
    return colours.astype(np.float32), np.hypot((rows - y)[:, None], columns - x), of_product


def _is_piece(mark, colours, away, known, size, step):
    """Whether the colours beyond a mark's ground show its own in larger pieces; distances in reduced px."""
    ring, beyond = known & (away > max(size, BODY)) & (away <= RING), known & (away > RING)
    if not ring.any() or beyond.sum() < FEWEST_PIXELS:
        return False
    ground = median(colours[ring].T)
    mark, other = mark - ground, colours - ground
    along = other @ mark / max(mark @ mark, 1e-6)
    on_line = np.square(other - along[..., None] * mark).sum(axis=2) < ONE_LINE**2 * np.square(other).sum(axis=2)
    pieces = on_line & (along > PIECE) & beyond
    alike = _of_one_hue(mark, other[pieces]).sum() / beyond.sum()
    small = on_line & (along > 0.5) & beyond
    if alike > FEW_OF_ITS_HUE and _has_small_ones(small, size / step):
        return True
    between = (on_line & (along > BETWEEN[0]) & (along < BETWEEN[1]) & beyond).sum() / beyond.sum()
    if pieces.sum() / beyond.sum() <= max(LEAST_PIECES, TWO_COLOURS * between):
        return False
    return bool(alike > LEAST_PIECES) or _has_small_ones(small, size / step)


def _of_one_hue(mark, pieces):
    """Whether each piece (n, 3) is of another hue than its ground, and a mark of that hue; as differences of colour from the ground."""
    luma = pieces @ LUMA
    scaled = pieces * ((LUMA @ mark) / np.where(np.abs(luma) < 1, 1, luma))[:, None]
    hue, of_mark = scaled - (scaled @ LUMA)[:, None], mark - LUMA @ mark
    share = np.clip(hue @ of_mark / np.maximum(np.square(hue).sum(axis=1), 1e-6), *DILUTED)
    missed = np.linalg.norm(of_mark - share[:, None] * hue, axis=1)
    size = np.linalg.norm(mark)
    return (np.linalg.norm(hue, axis=1) > HUE * size) & (missed < SAME_HUE * size)


def _has_small_ones(pieces, size):
    """Whether enough of the pieces (boolean, (m, n)) is finer than some times a mark's size (px)."""
    side = 2 * round(FINE * size / 2) + 1
    opened = cv2.morphologyEx(pieces.view(np.uint8), cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)))
    return opened.sum() < (1 - FINE_SHARE) * pieces.sum()
