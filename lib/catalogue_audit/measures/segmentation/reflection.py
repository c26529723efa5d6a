"""
A mirror image of the product in a glossy ground, which an outline grown from the border may take for product.

A ground reflects a small share of the light, so the image is as unlike the backdrop as a fraction of the
product above it; it begins at the base, where it is darkest, and repeats the product's pattern upside down. On a ground
burnt out to white only pieces of it are left, beside which the base itself is seen. Where the product is as dark as
its ground at the base, the image lies apart from it.

All lengths are pixels of half the working size.
"""

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median, quantile
from catalogue_audit.measures.segmentation.dark_ground import without_image

FAINTEST = 32.0  # CIELAB; a reflection is not more unlike the backdrop
DISTINCT = 25.0  # CIELAB; a product less unlike the backdrop than that has parts as faint as a reflection
SHORTEST_PX = 3
CROPPED_PX = 4  # of the left, right and upper side that a product meets in a close view, which shows parts of any tone
BAND_PX, FALL = 4, 2.0  # from product to reflection: means over so many pixels, one pixel apart, differ by so many times
PART_PX = 20  # over which the product above is distinct, too: no strap or chain across a pale one
JOINED_PX = 3  # between the base beside a piece of reflection and the line above it
FEWEST, LEAST_SHARE = 12, 0.15  # columns with a sign of their own, and their share of the product's width
LEAST_AREA = 0.005  # of the product's, of what lies apart below it
LOWEST = 0.02  # of the product's height; what is lower is a contact shadow, which `contact` settles
MIRRORED = 0.6  # correlation with the product above, mirrored
MIRRORED_APART, SMOOTH_PX = 0.4, 9  # the same of faint parts that lie apart below a product, in means: the camera sees more of the image's underside
DIM, PLAIN = 0.4, 6.0  # of the product's difference from the backdrop, and CIELAB chroma, of a part below all of it and apart from it: products hang together
FADED, FADING = 0.5, 0.6  # of its tone at the base is left at a reflection's lower end; in so many of the columns
NARROW = 8  # columns without a sign of their own between others
ALONG = 0.85  # cosine between the colours of reflection and product, both against the backdrop
STANDING = 0.9  # quantile of the rows of a base, at which it meets the ground
SIDES_PX, SIDES = 3, 0.5  # between a side of the product and that of its image, as far from the base; in so many rows of either side
SMALLEST_PATTERN = 0.4  # CIELAB L*; less is noise
DEEPEST = 0.5  # of the height of the product and its image


def without_reflection(evidence, ground, product):
    """
    Give the product's mirror image in a glossy ground back to the ground.

    Parameters
    ----------
    evidence : Evidence
    ground, product : (h, w) bool

    Returns
    -------
    ground, product : (h, w) bool
        The same arrays where there is none.
    """
    ground, product = _without_detached(evidence, ground, product)
    rows = np.flatnonzero(product.any(axis=1))
    columns = np.flatnonzero(product.any(axis=0))
    if len(columns) < FEWEST or product[:, [0, -1]].sum() > CROPPED_PX or product[0].sum() > CROPPED_PX:
        return ground, product
    rest = without_image(evidence, ground, product)
    if rest[1] is not product:
        return rest
    deepest = int(DEEPEST * (rows[-1] + 1 - rows[0]))
    if deepest < 2 * BAND_PX:
        return ground, product
    unlike = np.take(np.abs(evidence.light) + evidence.chroma, columns, axis=1)
    inside = np.take(product, columns, axis=1)
    last = len(inside) - 1 - inside[::-1].argmax(axis=0)
    line, fades = _lines(unlike, last, deepest)
    line = np.where(last > rows[-1] - deepest, line, last)  # higher up hang straps
    told = np.zeros(len(columns), bool)
    for piece in _pieces(line < last):
        beside = slice(columns[piece.start], columns[piece.stop - 1] + 1)
        told[piece] = (
            fades[piece].mean() > FADING
            or _mirrors(evidence.light[:, columns[piece]], line[piece], last[piece])
            or _stands_on_its_head(evidence, product, line[piece], last[piece], beside)
        )
    base = _bases(line, last, told, LOWEST * deepest / DEEPEST)
    if not (base < last).any():
        return ground, product
    base = _with_loose_parts(base, last, _tops(unlike, inside, last, deepest))
    given = np.zeros_like(product)
    given[:, columns] = np.arange(len(product))[:, None] > base
    given &= product
    return ground | given, product & ~given


def _without_detached(evidence, ground, product):
    """Ground and product without parts that lie below the product, apart from it: dim ones, and faint ones that repeat it upside down."""
    x, y, width, height = cv2.boundingRect(product.view(np.uint8))
    count, _ = cv2.connectedComponents(product[y : y + height, x : x + width].view(np.uint8), connectivity=8)
    if count <= 2:  # mostly so, and told in a fraction of the time that boxes take
        return ground, product
    _, labels, boxes, _ = cv2.connectedComponentsWithStats(product.view(np.uint8), connectivity=8)
    main = 1 + int(boxes[1:, cv2.CC_STAT_AREA].argmax())
    left, top, width, height = boxes[main, :4]
    own = labels[:, left : left + width] == main
    base = len(own) - 1 - own[::-1].argmax(axis=0)
    below = boxes[:, cv2.CC_STAT_TOP] > top + (1 - LOWEST) * height - 1
    below[[0, main]] = False
    if not below.any():
        return ground, product
    unlike = np.abs(evidence.light) + evidence.chroma
    of_product = median(unlike[:, left : left + width][own])
    limits = ((unlike, min(FAINTEST / 2, DIM * of_product)), (evidence.chroma, PLAIN))
    dim = np.logical_and.reduce([np.bincount(labels.ravel(), weights=plane.ravel(), minlength=count) < most * boxes[:, cv2.CC_STAT_AREA] for plane, most in limits])
    if (dim & below).any():
        given = np.take(dim & below, labels)
        ground, product = ground | given, product & ~given
        below &= ~dim
    parts = np.take(below, labels)
    beneath = parts[:, left : left + width]
    wide = beneath.any(axis=0) & (base > top + (1 - DEEPEST) * height)
    if np.count_nonzero(wide) < FEWEST or np.count_nonzero(beneath) < LEAST_AREA * boxes[main, cv2.CC_STAT_AREA]:
        return ground, product
    faint = median(unlike[parts]) < min(FAINTEST, FADED * of_product)
    end = len(parts) - 1 - parts.any(axis=1)[::-1].argmax()
    line = np.full(np.count_nonzero(wide), base[wide].max())
    light = cv2.blur(evidence.light[:, left : left + width], (SMOOTH_PX, SMOOTH_PX))[:, wide]
    if not (faint and _mirrors(light, line, np.minimum(2 * line - top, end), MIRRORED_APART, SMALLEST_PATTERN / SMOOTH_PX)):
        return ground, product
    return ground | parts, product & ~parts


def _bases(line, last, told, lowest):
    """Row of the product's base in each column: ``line`` where what is below it is ``told`` to be a reflection, otherwise ``last``."""
    base = np.where(told, line, last)
    pieces = list(_pieces(line < last))
    height = (last - base)[base < last]
    if len(height) < max(FEWEST, LEAST_SHARE * len(last)) or median(height) < lowest:
        return last
    for piece in (*pieces, *reversed(pieces)):
        if _joins(base, line, piece):
            base[piece] = line[piece]
    for first, stop in ((gap.start, gap.stop) for gap in _pieces(base == last)):
        if 0 < first and stop < len(base) and stop - first <= NARROW:
            drawn = np.interp(np.arange(first, stop), [first - 1, stop], base[[first - 1, stop]]).astype(int)
            base[first:stop] = np.minimum(base[first:stop], drawn) if (base < last)[[first - 1, stop]].all() else base[first:stop]
    return base


def _lines(unlike, last, deepest):
    """Lowest row of the product itself in each column, above what is much fainter, and whether that fades away downwards; or the last row."""
    steps = np.arange(deepest + PART_PX + 2)[:, None]
    going = np.take(unlike, np.maximum(last - steps, 0) * len(last) + np.arange(len(last)))  # upwards
    band = cv2.blur(going, (1, BAND_PX), anchor=(0, 0), borderType=cv2.BORDER_REPLICATE)  # each and those above it
    height = np.arange(SHORTEST_PX, deepest)[:, None]
    under = band[np.maximum(height - BAND_PX, 0)[:, 0]]
    product = band[height[:, 0] + 1]
    part = cv2.blur(going, (1, PART_PX), anchor=(0, 0), borderType=cv2.BORDER_REPLICATE)[height[:, 0] + 1]
    times = product / np.maximum(under, 1.0)
    falls = (times > FALL) & (cv2.min(product, part) > DISTINCT) & (going[height[:, 0] - 1] < FAINTEST)
    told = falls.any(axis=0)
    first = falls.argmax(axis=0)
    beside = np.arange(2 * BAND_PX)[:, None]
    steepest = np.take_along_axis(times, np.minimum(first + beside, len(times) - 1), axis=0)
    height = SHORTEST_PX + first + steepest.argmax(axis=0)
    faded = median(going[:SHORTEST_PX], axis=0) < FADED * going[height - 1, np.arange(len(last))]
    return np.where(told, last - height, last), told & faded


def _tops(unlike, inside, last, deepest):
    """Row above a faint part of the mask that hangs free of the product, in each column; or the last row."""
    steps = np.arange(deepest)[:, None]
    rows = np.clip(last - steps, 0, None)
    own = np.take_along_axis(inside, rows, axis=0)
    height = own.argmin(axis=0)  # 0 where the product goes on
    faint = (np.take_along_axis(unlike, rows, axis=0) < FAINTEST) | (steps >= height)
    return np.where((height > 0) & faint.all(axis=0), last - height, last)


def _with_loose_parts(base, last, top):
    """Bases of the columns besides whose faint parts, free of the product, go on beside a reflection."""
    base = base.copy()
    for order in (range(1, len(base)), range(len(base) - 2, -1, -1)):
        step = 1 if order.step > 0 else -1
        for column in order:
            if base[column - step] < last[column - step] and base[column] == last[column] > top[column]:
                base[column] = top[column]
    return base


def _pieces(where):
    """A slice for each run of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], where, [False]]).astype(np.int8)))
    return (slice(first, stop) for first, stop in zip(edges[::2], edges[1::2], strict=True))


def _joins(base, line, piece):
    """Whether the product's base beside a piece goes on as the line above it."""
    near = [(piece.start - 1, piece.start), (piece.stop, piece.stop - 1)]
    return any(0 <= beside < len(line) and abs(int(base[beside]) - int(line[own])) <= JOINED_PX for beside, own in near)


def _mirrors(light, line, last, least=MIRRORED, pattern=SMALLEST_PATTERN):
    """Whether the strip below a line repeats the strip above it, upside down, beyond the fall-off of a shadow."""
    depth = int(median(last - line))
    if depth < 2 * SHORTEST_PX or len(line) < FEWEST:
        return False
    offset = np.arange(2, depth)[:, None]
    strips = [np.take_along_axis(light, np.clip(line + sign * offset, 0, len(light) - 1), axis=0) for sign in (-1, 1)]
    above, below = (strip - strip.mean(axis=1, keepdims=True) - strip.mean(axis=0) + strip.mean() for strip in strips)
    if below.std() < pattern:
        return False
    return float((above * below).sum() / np.sqrt((above**2).sum() * (below**2).sum())) > least


def _stands_on_its_head(evidence, product, line, last, columns):
    """Whether a plain strip goes on out of the frame, has the product's sides upside down, and its colour only fainter."""
    if len(line) < FEWEST or last.max() < len(product) - SHORTEST_PX:
        return False
    bases = {int(median(line)), int(quantile(line, STANDING))}  # a round one stands at its lowest place only
    return any(_repeats_upside_down(evidence, product, base, int(median(last)), columns) for base in bases)


def _repeats_upside_down(evidence, product, base, end, columns):
    """Whether the strip from a base to its end has the product's sides above that, mirrored, and its colour only fainter."""
    depth = min(end - base, base)
    if depth < 2 * SHORTEST_PX:
        return False
    wide = slice(max(columns.start - depth, 0), columns.stop + depth)
    offset = np.arange(2, depth)
    sides = []
    for sign in (-1, 1):
        strip = product[base + sign * offset, wide]
        sides.append((strip.argmax(axis=1), strip[:, ::-1].argmax(axis=1)))
    apart = np.abs(np.subtract(*sides))  # two sides, whose edges are ragged where the image fades
    if (np.mean(apart <= SIDES_PX, axis=1) < SIDES).any():
        return False
    tones = []
    for rows in (slice(max(base - depth, 0), base - 1), slice(base + 3, end)):
        tones.append([float(median(plane[rows, columns].ravel())) for plane in (evidence.light, evidence.a, evidence.b)])
    strength, image = np.linalg.norm(tones, axis=1)
    return image < strength and float(np.dot(*tones) / max(strength * image, 1e-6)) > ALONG  # no ground gives back more than falls on it
