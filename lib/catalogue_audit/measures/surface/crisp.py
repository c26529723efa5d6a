"""
Edges that are crisp at full resolution, wherever in the product they are.

The clearest edges of a picture are mostly long: outlines and seams. In a crop or a view of a deep product these may lie
behind the plane of focus, rightly soft, while a plate, a stitch or the rim of a patch lies in it. So the places are sought
here where the light rises steepest for the step that it makes. A lens out of focus leaves no such place anywhere, and a
smear none that it crosses: it moves all of a picture alike.
"""

import cv2
import numpy as np

from catalogue_audit.measures.segmentation.edges import block_peaks, measure_edges
from catalogue_audit.measures.surface.motion import smeared_widths
from catalogue_audit.measures.surface.smear import without_glints

CELL = 32  # full-resolution px
MOST_CELLS = 600  # with most structure; a picture's clear edges lie in fewer
MOST_EDGES = 200  # measured
PER_CELL = 3  # edges of one cell, at most: small hardware counts for more than one
APART = 9  # full-resolution px between them, at least
AROUND = 8  # full-resolution px around a cell, for the filters
AT_ONCE = 16  # cells: so many patches stay in the processor's cache
STEP = 13  # full-resolution px across which a step's height is taken
SMOOTH = 0.6  # px; of the light, against noise
WEAK = 12.0  # code values added to a step: steepness that rests on fewer is noise
WEAK_SHORT = 4.0  # the same at places that were found by their rise
LEAST_SLOPE = 4.0  # code values a pixel
LEAST_STRUCTURE = 2  # code values of the reduced picture
WITHIN = 60.0  # degrees of a smear's direction, for the edges that it crosses
FEWEST = 6  # crisp edges
LEAST_SPARED, LEAST_IN_FOCUS = 0.75, 0.25  # their weight; bits of grain and highlights in blurred photographs have up to 0.24 and 0.06 (measured)
SHARP = 0.6  # px; width of a sharp edge
TELLING = 1.3  # px; edges that a smear would have widened to more than this tell of it
CRISP = 1.2  # px; bits of a fine texture that was smeared are wider, though narrower than the smear
SPARED = 0.55, 0.85  # a smear did not widen edges narrower by this than it would leave them; of all that tell at least this share,
# by number and by weight: of smeared pictures up to 0.7 by number, as it cuts stitches short along it (measured)
FEWEST_PLACES, NEAR_PLACE = 40, 4  # places where light changes, with fewer a picture shows too little; and full-resolution px around each
LEAST_RISE = 2.0  # code values a pixel
OWN_WIDTH = 0.8  # px; of an edge without width, as steepness tells it
# Of the width that a smear leaves anywhere along it, or a lens out of focus anywhere: the steepest places of smeared pictures have
# 0.35 at least, of such out of focus 0.42 (measured).
TOO_STEEP = 0.3
# The same of a smear longer than `STEP`, by the height of steps as long as the smear itself, up to `LONG_STEP` (px): true ones have 0.27 at least (measured).
LONG_STEP, MUCH_TOO_STEEP = 41, 0.2
# Of what rises most steeply across a smear, it leaves nothing along it that is nearly as steep: the widths that steepness allows were
# 1.4 to 4.4 times as large along smears of 5 to 10 px as across them, where edges told them (measured), 0.8 to 1.7 times in sharp pictures.
AS_STEEP = 1.1
CRISPER = 0.5  # of the width of a picture's clear edges, at most, are those in the plane of focus; ...
IN_FOCUS = 0.2, 0.03  # ... of the steepest at least so many, by number and by weight; out of focus at most 0.13 and 0.01 (measured)


def crisp_edges(picture, region, angle=None):
    """
    The steepest edges of a picture for their height, measured.

    Parameters
    ----------
    picture : Picture
    region : (h2, w2) uint8
        1 where edges count in ``picture.grey``, else 0.
    angle : float, optional
        Degrees; only edges that a smear along it crosses.

    Returns
    -------
    Edges
    """
    left, top, side = _cells(picture, region)
    height, width = picture.encoded.shape[:2]
    reach = side + 2 * AROUND
    if not len(left) or min(height, width) < reach:
        return measure_edges(picture.encoded, *np.empty((3, 0)))
    found = []
    for first in range(0, len(left), AT_ONCE):
        cells = np.stack([left, top], axis=1)[first : first + AT_ONCE]
        corners = np.clip(cells - AROUND, 0, (width - reach, height - reach))
        patches = np.concatenate([picture.encoded[y : y + reach, x : x + reach] for x, y in corners.tolist()])
        found.append(_steepest(cv2.cvtColor(patches, cv2.COLOR_RGB2GRAY).astype(np.float32), corners, cells, side, (height, width), angle))
    x, y, direction, steepness = np.concatenate(found).T
    best = np.argsort(-steepness, kind="stable")[:MOST_EDGES]
    return measure_edges(picture.encoded, x[best], y[best], direction[best])


def spares_crisp_edges(picture, region, length, angle):
    """Whether nearly all of the steepest edges are narrower than a smear (pixels, degrees) leaves any that it crosses."""
    edges = crisp_edges(picture, region, angle)
    smeared = smeared_widths(edges.direction, length, angle, SHARP)
    tells = smeared > TELLING
    spared = tells & (edges.sigma < np.minimum(SPARED[0] * smeared, CRISP))
    shares = (spared.sum(), tells.sum()), (edges.weight[spared].sum(), edges.weight[tells].sum())
    enough = spared.sum() >= FEWEST and shares[1][0] > LEAST_SPARED
    return bool(enough and all(part > SPARED[1] * whole for part, whole in shares))


def in_focus(picture, region, width):
    """The edges that lie in the plane of focus of a picture whose clear edges have a width (pixels); None where there are too few."""
    edges = without_glints(picture.encoded, crisp_edges(picture, region))
    crisp = edges.sigma < CRISPER * width
    shares = crisp.sum() / max(len(crisp), 1), edges.weight[crisp].sum() / max(edges.weight.sum(), 1e-9)
    enough = crisp.sum() >= FEWEST and edges.weight[crisp].sum() > LEAST_IN_FOCUS
    if not enough or any(share < least for share, least in zip(shares, IN_FOCUS, strict=True)):
        return None
    return edges._replace(**{name: values[crisp] for name, values in edges._asdict().items()})


def may_hold_crisp_edges(resolved, sigma, width):
    """
    Whether a picture whose clear edges (n,) have a width (pixels) may hold crisp ones, so that it is worth a search at full resolution.

    One of the clear edges at least is crisp then. An enlarged picture holds none: that a share of the finest detail is left
    widens its sharpest edges by the inverse.

    Examples
    --------
    >>> some, none = np.array([0.6, 2.0, 2.4]), np.array([1.9, 2.0, 2.4])
    >>> may_hold_crisp_edges(1.0, some, 2.1), may_hold_crisp_edges(1.0, none, 2.1), may_hold_crisp_edges(0.3, some, 2.1)
    (True, False, False)
    """
    return bool(sigma.min(initial=np.inf) < CRISPER * width) and (resolved is None or SHARP / resolved <= CRISPER * width)


def steepest_width(encoded, x, y, angle=None, step=STEP):
    """
    Blur that the steepest of some places allow, where edges are too short, too curved or too close to be measured singly.

    No light rises more steeply for the step that it makes than a blur lets it: a step seen through a Gaussian of deviation s
    rises by its height / (s sqrt(2 pi)) a pixel.

    Parameters
    ----------
    encoded : (H, W, 3) uint8
    x, y : (n,) float
        Places where light changes, full-resolution pixels.
    angle : float, optional
        Degrees; only what rises along it counts, and more against noise, as that rises along any.
    step : int
        Full-resolution pixels across which a step's height is taken, odd.

    Returns
    -------
    float or None
        Gaussian-equivalent sigma, pixels, 0.7 to 1.05 of what it is up to 3 px (measured); None for fewer than `FEWEST_PLACES`.
    """
    half = NEAR_PLACE + step // 2 + 4  # for the filters
    height, width = encoded.shape[:2]
    x, y = np.rint(x).astype(int), np.rint(y).astype(int)
    within = (x >= half) & (y >= half) & (x < width - half) & (y < height - half)
    if within.sum() < FEWEST_PLACES:
        return None
    patches = [encoded[b - half : b + half + 1, a - half : a + half + 1] for a, b in zip(x[within], y[within], strict=True)]
    smooth, gx, gy = _rises(cv2.cvtColor(np.concatenate(patches), cv2.COLOR_RGB2GRAY).astype(np.float32))
    slope = cv2.magnitude(gx, gy) if angle is None else np.abs(gx * np.cos(np.radians(angle)) + gy * np.sin(np.radians(angle)))
    steepness = slope / _height_around(smooth, WEAK_SHORT if angle is None else WEAK, step)
    steepness[slope < LEAST_RISE] = 0
    near = slice(half - NEAR_PLACE, half + NEAR_PLACE + 1)
    steepest = np.sort(steepness.reshape(len(patches), 2 * half + 1, -1)[:, near, near].max(axis=(1, 2)))[-FEWEST]
    if steepest <= 0:
        return None
    return float(np.sqrt(max(1 / (2 * np.pi * steepest**2) - OWN_WIDTH**2, 0.0)))


def is_steep_along(encoded, x, y, length, angle):
    """
    Whether light rises more steeply along a smear (pixels, degrees) than the smear lets it anywhere: by a step's height over its length.

    Of a smear longer than `STEP` no more is seen than of one as long, unless steps as long as the smear are looked at, across which more lies.
    What rises about as steeply along it as across it was not smeared either: soft edges that happen to run one way, as those of a rounded plate, are no
    smear beside crisp grain.
    """
    width = steepest_width(encoded, x, y, angle)
    if width is None:
        return False
    across = steepest_width(encoded, x, y, angle + 90)
    if width < TOO_STEEP * min(length, STEP) / np.sqrt(2 * np.pi) or (across is not None and width < AS_STEEP * across):
        return True
    step = round(min(length, LONG_STEP) - 1) // 2 * 2 + 1
    width = steepest_width(encoded, x, y, angle, step) if step > STEP else None
    return width is not None and width < MUCH_TOO_STEEP * step / np.sqrt(2 * np.pi)


def _rises(grey):
    """A picture smoothed against noise, and how it rises to the right and down, code values a pixel."""
    smooth = cv2.GaussianBlur(grey, (0, 0), SMOOTH)
    return smooth, *(cv2.Sobel(smooth, cv2.CV_32F, *order, scale=1 / 8) for order in ((1, 0), (0, 1)))


def _height_around(smooth, weak, step=STEP):
    """Height of the step around each pixel, across so many pixels, and so many code values."""
    around = np.ones((step, step), np.uint8)
    return cv2.dilate(smooth, around) - cv2.erode(smooth, around) + weak


def _cells(picture, region):
    """Left and top (n,) of the cells with most structure, most first, and their side; full-resolution px."""
    scale = picture.grey_reduction
    block = max(CELL // scale, 4)
    structure = cv2.absdiff(picture.grey, cv2.blur(picture.grey, (3, 3))) * region
    rows, columns = (side // block for side in structure.shape)
    strongest = block_peaks(structure[: rows * block, : columns * block], block).ravel().astype(int)
    order = np.argsort(-strongest, kind="stable")[:MOST_CELLS]
    row, column = np.divmod(order[strongest[order] > LEAST_STRUCTURE], columns)
    side = block * scale
    return column * side, row * side, side


def _steepest(grey, corners, cells, side, shape, angle):
    """
    The steepest edges of some cells.

    Parameters
    ----------
    grey : (n * reach, reach) float32
        Patches around the cells, one below the other: the filters mix them in their margins only.
    corners, cells : (n, 2) int
        Left and top of patches and cells, full-resolution px.
    side : int
        Of the cells.
    shape : (int, int)
        Of the picture: what lies within `AROUND` of its border counts for nothing.
    angle : float or None

    Returns
    -------
    (m, 4) array
        Places (x, y; px), directions (radians) and steepness (of a step's height a pixel), cell by cell, steepest first.
    """
    smooth, gx, gy = _rises(grey)
    slope = cv2.magnitude(gx, gy)
    used = slope > LEAST_SLOPE
    if angle is not None:
        used &= np.abs(gx * np.cos(np.radians(angle)) + gy * np.sin(np.radians(angle))) > slope * np.cos(np.radians(WITHIN))
    steepness = slope / _height_around(smooth, WEAK)
    reach = grey.shape[1]
    place = np.arange(reach) + corners[..., None]  # of each column and each row of each patch
    counts = (place >= np.maximum(cells, AROUND)[..., None]) & (place < np.minimum(cells + side, np.array(shape[::-1]) - AROUND)[..., None])
    used &= (counts[:, 1, :, None] & counts[:, 0, None, :]).reshape(grey.shape)
    steepness[~used] = 0
    peak = np.flatnonzero(used & (steepness >= cv2.dilate(steepness, np.ones((APART, APART), np.uint8))))
    cell, steep = peak // reach**2, steepness.ravel()[peak]
    order = np.lexsort((-steep, cell))
    cell = cell[order]
    best = order[np.arange(len(cell)) - np.searchsorted(cell, cell) < PER_CELL]
    cell, (y, x) = peak[best] // reach**2, np.divmod(peak[best] % reach**2, reach)
    direction = np.arctan2(gy.ravel()[peak[best]], gx.ravel()[peak[best]])
    return np.stack([x + corners[cell, 0], y + corners[cell, 1], direction, steep[best]], axis=1)
