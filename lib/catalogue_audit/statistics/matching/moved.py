"""
Whether anything has moved between two pictures that lie over one another.

A product that was put down again lies otherwise by some tenths of a millimetre at least, and not by as much everywhere;
a photograph that was sharpened, blurred, lit, toned or cropped anew has everything in its place. So the places of the fine structure
are compared, tile by tile, whatever their contrast. A blur is alike to both sides, and moves nothing.

Of a flat face that was photographed twice all parts may keep their place to a tenth of a pixel but for this: turned in space by the least, it is seen
in another perspective, its one side larger and its other smaller, and shortened the one way. Cropping, straightening and exporting anew scale and turn all parts alike.

References
----------
.. [1] B. D. Lucas and T. Kanade, "An Iterative Image Registration Technique with an Application to Stereo Vision", IJCAI 1981.
.. [2] H. White, "A Heteroskedasticity-Consistent Covariance Matrix Estimator and a Direct Test for Heteroskedasticity", Econometrica 48 (1980) 817-838.
"""

import math

import cv2
import numpy as np

from catalogue_audit.statistics.matching.laying import refined, resized_matrix, warped

LONG_SIDE = 512  # px; small enough that noise, JPEG blocks and most of a blur average out
FINE_PX, COARSE_PX = 2.0, 8.0  # sigma: structure between these sizes is compared
DARKEST = 8.0  # 8-bit levels added before the logarithm, as noise is no structure
WHITE, LEAST_WHITE = 245.0, 0.002  # levels above which a picture may be clipped, and the share of it from which that counts
TILE_PX = 32
FEWEST_TILES = 12  # with structure both ways
LEAST_STRUCTURE = 0.004  # rms of the natural logarithm: four times what noise leaves
LEAST_SLOPE = 2e-6  # the same a px, squared, in a tile's less structured direction
STEPS, MOST_DISTORTED = 30, 0.004  # of the last laying over, as in `likeness`
SHORTENED = 0.02  # a product turned by 11 degrees: more of it is hidden or comes into sight
MOST_MOVED_PX = 0.5  # a thousandth of the frame: 0.4 mm of a bag that fills two thirds of it
LEAST_ALIKE = 0.97  # correlation of the fine structure
# Displacement by another perspective, px at the frame's edge, and in its own uncertainties. Second takes of details: 0.17 and 0.27, ten times their uncertainty;
# of 15 details and faces exported anew, scaled and turned a little, none is beyond 0.14, or 5.4 times (measured).
LEAST_PERSPECTIVE_PX, SURE = 0.15, 8.0
# Larger ones need less: what exports leave at most, and three uncertainties beyond it. Of fourteen copies exported or cropped anew none reaches it, and twelve lie three
# uncertainties below that limit; of nine second takes seven reach it, and none lies below (measured).
FAR_PX, BEYOND = 0.15, 3.0
REWEIGHTED, HUBER = 8, 1.0  # times; in scatters
INSIDE = 0.06  # of the root of the product's area: nearer to its outline are edges and seams of any face
GRAIN_PX = 1.0, 3.0  # sigma: what is as fine is the material's grain and the photograph's noise, and no shading
QUIET = 4.0  # times the median: beyond it is plain structure, of handles and fittings
LEAST_GRAIN, ENOUGH_GRAIN = 0.1, 0.2  # levels rms: less is what coding left; of as much it leaves a part
# Correlations of what is left. 34 faces exported anew (quality 30 to 92, 1 to 0.35 of the size, cropped, turned by half a degree, mirrored, brightened): the finest 0.14 to 0.99,
# 0.23 and more where there is enough of it, the coarser 0.67 and more. Front and back of sixteen bags, laid over one another: 0.23 and 0.59 at most, of plain ones 0.09 (measured).
SAME_GRAIN, OTHER_GRAIN = 0.2, 0.4
FEWEST_INSIDE = 2000  # px
UNSEEN = None, None, None, None


def nothing_moved(first, second, matrix, shapes, mirrored=False):
    """
    Whether all parts of two pictures have their place, and their structure.

    Parameters
    ----------
    first, second : dict of ndarray
        Sketches with ``preview``.
    matrix : (2, 3) ndarray of float32
        From the first picture's pixels to the second's.
    shapes : ((int, int), (int, int))
        Heights and widths, px, of the pictures that the matrix is for.
    mirrored : bool
        The second picture is to be mirrored first.

    Returns
    -------
    bool or None
        None where too little structure is seen to tell.
    """
    one, laid, covered, structure = _laid_over(first, second, matrix, shapes, mirrored)
    if one is None:
        return False if not mirrored and shortened(first, second, matrix, shapes) else None
    moved, alike, slope = displacements(structure, _fine_structure(laid), covered)
    if moved.size < FEWEST_TILES:
        return None
    clear = slope >= np.median(slope)
    within = float(np.percentile(moved[clear], 90)) <= MOST_MOVED_PX
    return within and float(np.average(alike, weights=slope)) >= LEAST_ALIKE


def perspective(first, second, matrix, shapes):
    """
    How much of another perspective one picture shows after it was laid over another.

    Parameters
    ----------
    first, second, matrix, shapes
        As of `nothing_moved`.

    Returns
    -------
    moved, uncertainty : float
        Displacement at the middle of the longer frame edges that a projective movement adds to an affine one, px of
        `LONG_SIDE`, and its standard uncertainty; NaN where too little structure is seen.
    """
    one, laid, covered, structure = _laid_over(first, second, matrix, shapes, False)
    if one is None:
        return math.nan, math.nan
    slopes, place, *_ = _tile_slopes(structure, _fine_structure(laid), covered)
    place = place / (LONG_SIDE / 2) - 1
    if len(place) < FEWEST_TILES:
        return math.nan, math.nan
    return _projective(slopes, place)


def seen_in_another_perspective(first, second, matrix, shapes):
    """
    Whether the camera, or the product, was turned between two pictures: then they are two photographs.

    By `perspective` beyond what chance and resampling leave, or where one picture shows all shortened the one way (a product turned by
    6 degrees is as much as `MOST_DISTORTED` narrower, which no crop or export makes of a photograph).

    Returns
    -------
    bool or None
        None where neither is sure: it is not seen, but may be there.
    """
    moved, uncertainty = perspective(first, second, matrix, shapes)
    if moved >= max(LEAST_PERSPECTIVE_PX, SURE * uncertainty) or moved >= FAR_PX + BEYOND * uncertainty:
        return True
    if shortened(first, second, matrix, shapes):
        return True
    return False if moved + BEYOND * uncertainty < FAR_PX else None


def shortened(first, second, matrix, shapes):
    """Whether the second picture lies over the first only when it is sheared or scaled unequally by more than a retouch does, and then well."""
    one, laid, covered, structure = _laid_over(first, second, matrix, shapes, False, SHORTENED)
    if one is None or _laid_over(first, second, matrix, shapes, False)[0] is not None:
        return False
    moved, alike, slope = displacements(structure, _fine_structure(laid), covered)
    return moved.size >= FEWEST_TILES and float(np.average(alike, weights=slope)) >= LEAST_ALIKE


def _projective(slopes, place):
    """
    Size and uncertainty of the two projective coefficients of the displacement of tiles, (n, 2) places from the middle of the frame.

    By least squares over their pixels, in which a tile that does not follow, as of a retouched mark, counts less (Huber's weights).
    The uncertainty is that of White's sandwich: from how far the tiles themselves are from following [2]_.
    """
    xx, xy, yy, xc, yc = slopes
    x, y = place.T
    still = np.zeros_like(x)
    across = np.array([still + 1, x, y, still, still, still, x * x, x * y])
    down = np.array([still, still, still, still + 1, x, y, x * y, y * y])
    weight = np.ones_like(x)
    for _ in range(REWEIGHTED):
        mixed = (across * weight * xy) @ down.T
        normal = (across * weight * xx) @ across.T + (down * weight * yy) @ down.T + mixed + mixed.T
        found = np.linalg.lstsq(normal, -(across @ (weight * xc) + down @ (weight * yc)), rcond=None)[0]
        u, v = found @ across, found @ down
        left = np.array([xx * u + xy * v + xc, xy * u + yy * v + yc])
        size = np.hypot(*left) / np.sqrt(xx + yy)
        weight = np.minimum(1.0, HUBER * 1.4826 * np.median(size) / np.maximum(size, 1e-12))
    pulls = weight * (across * left[0] + down * left[1])
    inverse = np.linalg.pinv(normal)
    spread = inverse @ (pulls @ pulls.T) @ inverse
    return float(np.hypot(*found[6:])), float(np.sqrt(spread[6, 6] + spread[7, 7]))


def same_grain(first, second, matrix, shapes, mirrored=False):
    """
    Whether the middles of two products, away from the outline, show one material in one place.

    The front and the back of a plain bag have one outline, its handles and its fittings, and are lit alike: what is plain to see agrees, and so does
    the shading, however soft. Their material was cut from two places, and each photograph has its own noise. So what has plain structure is left out, and
    the rest is compared where shading has none: a copy keeps some of it, however it was exported; of two faces nothing agrees.

    Parameters
    ----------
    first, second, matrix, shapes, mirrored
        As of `nothing_moved`; the first has a ``mask``, else it is not told.

    Returns
    -------
    bool or None
        None where neither is sure: where there is too little structure, or coding left too little of it.
    """
    mask = first.get("mask")
    one, laid, covered, _ = _laid_over(first, second, matrix, shapes, mirrored) if mask is not None else UNSEEN
    if one is None:
        return None
    product = cv2.resize(mask.astype(np.uint8), one.shape[::-1], interpolation=cv2.INTER_NEAREST)
    depth = cv2.distanceTransform(np.pad(product, 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    inside = covered & (depth > INSIDE * np.sqrt(product.sum()))
    fine, coarse = (_alike_where_quiet(one, laid, inside, *sizes) for sizes in (GRAIN_PX, (FINE_PX, COARSE_PX)))
    if fine is None or coarse is None:
        return None
    (same, chance, strength), (broad, broad_chance, _) = fine, coarse
    if same >= max(SAME_GRAIN, BEYOND * chance) and broad >= OTHER_GRAIN:
        return True
    nothing_left = strength >= ENOUGH_GRAIN and same + BEYOND * chance < SAME_GRAIN
    return False if nothing_left or broad + BEYOND * broad_chance < OTHER_GRAIN else None


def _alike_where_quiet(one, laid, inside, smaller, larger):
    """
    Correlation of two lightnesses between two sizes (sigma, px), where neither has plain structure, its standard deviation by chance, and the weaker one's
    levels rms; None where little is seen.

    Noise that was filtered by a Gaussian of sigma s is one independent value in 4 pi s² px.
    """
    grains = [cv2.GaussianBlur(grey, (0, 0), smaller) - cv2.GaussianBlur(grey, (0, 0), larger) for grey in (one, laid)]
    if not inside.any():
        return None
    size = np.maximum(*np.abs(grains))
    plain = cv2.dilate((size > QUIET * np.median(size[inside])).astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    quiet = inside & ~plain
    if quiet.sum() < FEWEST_INSIDE:
        return None
    grains = [grain[quiet] for grain in grains]
    strength = min(float(grain.std()) for grain in grains)
    if strength < LEAST_GRAIN:
        return None
    return float(np.corrcoef(*grains)[0, 1]), float(np.sqrt(4 * np.pi * smaller**2 / quiet.sum())), strength


def _laid_over(first, second, matrix, shapes, mirrored, most_distorted=MOST_DISTORTED):
    """The first picture's lightness, the second's laid over it, where both are seen, and the first's fine structure; `UNSEEN` where they cannot be."""
    greys = [_grey(sketch) for sketch in (first, second)]
    if any(grey is None for grey in greys):
        return UNSEEN
    if mirrored:
        greys[1] = np.ascontiguousarray(greys[1][:, ::-1])
    planes = [_fine_structure(grey) for grey in greys]
    small = [np.empty(shape, np.uint8) for shape in shapes]
    matrix = refined(*planes, resized_matrix(matrix, small, planes), STEPS, most_distorted)
    if matrix is None:
        return UNSEEN
    laid, covered = warped(greys[1], matrix, greys[0].shape)
    one, laid = _exposed_alike(greys[0], laid, covered)
    return one, laid, covered, planes[0] if one is greys[0] else _fine_structure(one)


def _exposed_alike(one, laid, covered):
    """
    Two lightnesses, the darker one made as bright as the other, and as clipped.

    A picture made brighter loses what becomes white: soft edges against it seem to move, by as much as the product they bound is dark.
    """
    if not covered.any() or max(float(np.mean(grey[covered] >= WHITE)) for grey in (one, laid)) < LEAST_WHITE:
        return one, laid
    lit = covered & (np.maximum(one, laid) < WHITE)
    here, there = one[lit].astype(np.float64), laid[lit].astype(np.float64)
    gain = np.float32(here @ there / max(here @ here, 1.0))
    if gain > 1:
        return np.minimum(one * gain, np.float32(255)), laid
    return one, np.minimum(laid / max(gain, np.float32(0.1)), np.float32(255))


def displacements(one, other, covered):
    """
    How far the structure of each tile lies from its place.

    Parameters
    ----------
    one, other : (h, w) ndarray of float32
        Fine structure of two pictures that lie over one another.
    covered : (h, w) ndarray of bool
        Where both are seen.

    Returns
    -------
    moved : (n,) ndarray of float
        px, of the tiles that show structure both ways; n may be 0.
    alike : (n,) ndarray of float
        Correlation of the two structures in place.
    slope : (n,) ndarray of float
        Mean square slope in the tile's less structured direction: the square of how surely ``moved`` is known.
    """
    slopes, _, slope, alike = _tile_slopes(one, other, covered)
    xx, xy, yy, xc, yc = slopes
    area = xx * yy - xy * xy
    moved = np.hypot((yy * xc - xy * yc) / area, (xx * yc - xy * xc) / area)
    return moved, alike, slope


def _tile_slopes(one, other, covered):
    """
    What of each tile tells how far its structure lies from its place.

    Returns
    -------
    slopes : (5, n) ndarray of float
        Mean products of its slopes across and down (xx, xy, yy), and of each with what changes.
    place : (n, 2) ndarray of float
        Its middle, px from the left and the top.
    slope, alike : (n,) ndarray of float
        As of `displacements`.
    """
    height, width = (size // TILE_PX * TILE_PX for size in one.shape)
    one, other = one[:height, :width], other[:height, :width]
    inside = cv2.erode(covered.astype(np.uint8), np.ones((9, 9), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    strength = _tile_means(one * one), _tile_means(other * other)
    seen = (_tile_means(inside[:height, :width].astype(np.float32)) > 0.999) & (np.minimum(*strength) >= LEAST_STRUCTURE**2)
    if not seen.any():
        return np.zeros((5, 0)), np.zeros((0, 2)), np.zeros(0), np.zeros(0)
    half_gain = np.where(seen, strength[1] / np.where(seen, strength[0], 1), 1) ** 0.25  # of contrast, shared between the two
    half_gain = np.kron(half_gain, np.ones((TILE_PX, TILE_PX))).astype(np.float32)
    one, other = one * half_gain, other / half_gain
    across, down = (cv2.Sobel((one + other) / 2, cv2.CV_32F, *way, scale=1 / 8) for way in ((1, 0), (0, 1)))
    change = other - one
    products = across * across, across * down, down * down, across * change, down * change, one * other
    *slopes, both = (_tile_means(product)[seen] for product in products)
    xx, xy, yy, *_ = slopes
    slope = (xx + yy) / 2 - np.hypot((xx - yy) / 2, xy)
    told = slope >= LEAST_SLOPE
    alike = both / np.sqrt(strength[0] * strength[1])[seen]
    place = (np.argwhere(seen)[:, ::-1] + 0.5) * TILE_PX
    return np.array(slopes)[:, told], place[told], slope[told], alike[told]


def _grey(sketch):
    """The preview's lightness, `LONG_SIDE` px on the long side, float32; None where there is none."""
    preview = sketch.get("preview")
    image = cv2.imdecode(np.ascontiguousarray(preview), cv2.IMREAD_GRAYSCALE) if preview is not None and preview.size else None
    if image is None:
        return None
    scale = LONG_SIDE / max(image.shape)
    size = (max(round(image.shape[1] * scale), 1), max(round(image.shape[0] * scale), 1))
    return cv2.resize(image, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR).astype(np.float32)


def _fine_structure(grey):
    """Differences of the lightness's logarithm over some pixels: light that falls off over the picture does not count."""
    return _between(np.log(grey + np.float32(DARKEST)))


def _between(plane):
    """What of a plane is larger than `FINE_PX` and smaller than `COARSE_PX`."""
    return cv2.GaussianBlur(plane, (0, 0), FINE_PX) - cv2.GaussianBlur(plane, (0, 0), COARSE_PX)


def _tile_means(plane):
    return plane.reshape(plane.shape[0] // TILE_PX, TILE_PX, plane.shape[1] // TILE_PX, TILE_PX).mean(axis=(1, 3))
