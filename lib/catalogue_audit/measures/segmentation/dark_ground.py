"""
A mirror image of the product in a dark glossy ground.

A dark ground throws back little light of its own, so that the image stands out over its whole depth: it has the product's colour,
only many times fainter, and it begins along the product's base. A product that stands on a ground is seen to bulge
downwards there, or to be straight, so its base runs along the lower side of the convex hull of all that is distinct.
That line holds where the base itself is in shade, and where the image neither fades nor shows a pattern.

All lengths are pixels of half the working size.
"""

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median

DARK = 50.0  # CIELAB L*; of a lighter ground shadows are as distinct as images
DISTINCT = 25.0  # CIELAB; of the product's difference from the backdrop in rows of its own
FAINTEST, DIM = 16.0, 0.4  # CIELAB; and of the product's difference above: an image is less unlike the backdrop
ALONG = 0.6  # cosine between the colours of image and product, both against the backdrop; a part near the base has a colour of its own
ALIKE, SMOOTH_PX = 0.1, 9  # correlation with the product above, mirrored, in means; a lamp's fall-off along the columns is taken out, for it lies on both
WIDE = 0.5  # share of the product's width below which the image lies
SIDES_APART, SIDES, SIDES_FROM_PX, WAIST = 0.02, 0.5, 2, 0.9  # of the width, between a side and that of its image, in so many rows of both, from so far off the base; and the width there
TALLEST = 1.2  # of what it shows, an image; what stands farther back reaches lower in it
BAND_PX, JOINED_PX, FEWEST = 4, 6, 12
EVEN_PX, EVEN = 2, 0.67  # between lower ends and the hull of all; and the share of columns in which a base lies as near
LOWEST, HIGH = 0.02, 0.5  # of the product's height: what is lower is a contact shadow; and the part of it in which a base lies


def without_image(evidence, ground, product):
    """
    Give the mirror image in a dark glossy ground back to the ground.

    Parameters
    ----------
    evidence : Evidence
    ground, product : (h, w) bool

    Returns
    -------
    ground, product : (h, w) bool
        The same arrays where there is none.
    """
    x, y, width, height = cv2.boundingRect(product.view(np.uint8))
    columns = slice(x, x + width)
    inside, planes = product[:, columns], [plane[:, columns] for plane in (evidence.light, evidence.a, evidence.b)]
    if float(median((evidence.lightness - evidence.light)[:, columns][inside])) > DARK:
        return ground, product
    unlike = np.abs(planes[0]) + evidence.chroma[:, columns]
    found = _hull(_lowest(unlike, inside))
    if found is None:
        return ground, product
    line, own = found
    if not _is_image(planes, unlike, inside, line, y):
        return ground, product
    base = np.where(line - own <= JOINED_PX, own, line)
    base[line <= y + HIGH * (line.max() - y)] = line.max()  # higher up hang straps
    given = np.zeros_like(product)
    given[:, columns] = inside & (np.arange(len(inside))[:, None] > base)
    return ground | given, product & ~given


def _lowest(unlike, inside):
    """Lowest row of what is distinct in each column, where it falls off most; -1 where nothing is."""
    rows = len(unlike)
    own = np.where(inside, unlike, 0).astype(np.float32)
    distinct = cv2.blur(own, (1, BAND_PX), anchor=(0, BAND_PX - 1), borderType=cv2.BORDER_CONSTANT) > DISTINCT
    low = rows - 1 - distinct[::-1].argmax(axis=0)
    near = np.clip(low + np.arange(-BAND_PX, BAND_PX + 1)[:, None], 0, rows - 1)
    fall = np.take_along_axis(unlike, np.maximum(near - 1, 0), axis=0) + np.take_along_axis(unlike, near, axis=0)
    fall -= np.take_along_axis(unlike, np.minimum(near + 1, rows - 1), axis=0) + np.take_along_axis(unlike, np.minimum(near + 2, rows - 1), axis=0)
    low = np.take_along_axis(near, fall.argmax(axis=0)[None], axis=0)[0]
    return np.where(distinct.any(axis=0), low, -1)


def _hull(low):
    """Rows of the lower side of the convex hull in each column, and of what is distinct; or None."""
    columns = np.flatnonzero(low >= 0)
    if len(columns) < FEWEST:
        return None
    hull = cv2.convexHull(np.column_stack([columns, low[columns]]).astype(np.int32))[:, 0]
    line = np.full(len(low), -1.0)
    for (left, first), (right, second) in zip(hull, np.roll(hull, -1, axis=0), strict=True):
        span = np.arange(min(left, right), max(left, right) + 1)
        if left != right:
            line[span] = np.maximum(line[span], first + (second - first) * (span - left) / (right - left))
    return np.ceil(line).astype(int), low


def _ends_as_a_base(last):
    """Whether most lower ends lie on the lower side of their convex hull; images end raggedly, where they grow too faint, or leave the frame."""
    line, own = _hull(last)
    return np.mean((line - own)[own >= 0] <= EVEN_PX) > EVEN


def _waisted(inside, base, end):
    """Whether the outline is narrowest at a row, and its sides below are those above, upside down: no product goes on so below its base."""
    depth = np.arange(SIDES_FROM_PX, min((end - base) // 2, base))  # higher up straps stand off, whose image is too faint
    if len(depth) < FEWEST:
        return False
    above, below = inside[base - depth], inside[base + depth]
    sides = [np.stack([part.argmax(axis=1), part.shape[1] - part[:, ::-1].argmax(axis=1)]) for part in (above, below)]
    alike = np.mean(np.abs(sides[0] - sides[1]) <= SIDES_APART * inside.shape[1], axis=1) >= SIDES
    width = np.minimum(*(right - left for left, right in sides))
    return bool(alike.all()) and np.count_nonzero(inside[base - 1 : base + 2].any(axis=0)) < WAIST * median(width)


def _is_image(planes, unlike, inside, line, top):
    """Whether what lies below a line is dim, nearly as wide as the product, and of the product's colour and light, upside down."""
    rows = np.arange(len(inside))[:, None]
    last = len(inside) - 1 - inside[::-1].argmax(axis=0)
    held = line > top + HIGH * (line.max() - top)
    end = int(last.max())
    deep = held & (last - line > LOWEST * (line.max() - top))
    if deep.mean() < WIDE or end - line.max() > TALLEST * (line.max() - top):
        return False
    waisted = _waisted(inside, int(median(line[held])), end)
    if not waisted and end < len(inside) - BAND_PX and _ends_as_a_base(np.where(deep, last, -1)):
        return False
    below, above = inside & held & (rows > line + 2), inside & held & (rows < line) & (rows > 2 * line - end)
    if median(unlike[below]) > min(FAINTEST, DIM * median(unlike[above])):
        return False
    image, product = ([float(median(plane[part])) for plane in planes] for part in (below, above))
    if np.dot(image, product) < ALONG * np.linalg.norm(image) * np.linalg.norm(product):
        return False
    if waisted:  # lamps fall off along the product and its image, and hide how light lies on them
        return True
    light = cv2.blur(planes[0], (SMOOTH_PX, SMOOTH_PX))[:, held]
    offset = np.arange(2, max(int(median((last - line)[held])), 4))[:, None]
    strips = [np.take_along_axis(light, np.clip(line[held] + sign * offset, 0, len(light) - 1), axis=0) for sign in (-1, 1)]
    above, below = (strip - strip.mean(axis=0) for strip in strips)
    return float((above * below).sum()) > ALIKE * float(np.sqrt((above**2).sum() * (below**2).sum()))
