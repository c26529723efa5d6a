"""
Whether two pictures are one photograph: compact signatures, and verification on the sketches.

A hash only nominates. Products on white share their coarse structure, and
colourways of one photograph share their hash, so every pair is laid over one
another and its differences are measured before anything is said.
"""

import hashlib
from typing import NamedTuple

import cv2
import numpy as np

GRID = 12  # cells a side of a signature
LONG_SIDE = 256  # px at which two pictures are compared; noise and JPEG blocks average out, edges remain
BLUR = 1.0  # px, against sub-pixel differences of two resamplings
SAME_RMS, SAME_PEAK = 2.5, 9.0  # 8-bit levels of luma, one frame re-encoded or resized (JPEG quality 40: 1.5 and 6)
MOVED_RMS, MOVED_PEAK = 4.0, 20.0  # the same after laying a re-crop over, whose edges were resampled twice
EXACT_RMS, EXACT_PEAK = 1.5, 4.0  # with different capture times: only what differs in nothing (two takes: 6 and 35)
SAME_STRUCTURE = 0.97  # correlation of lightness over the product: the same photograph in another tone or colour
SAME_COLOUR = 4.0  # CIELAB; robust centre over the product; colourways differ by more
FEATURELESS = 6.0  # 8-bit levels of standard deviation: nothing to compare
LARGEST_ZOOM = 1.5  # more is a detail of the picture, not a re-crop of it
FEWEST_POINTS = 12  # key points that must agree on one movement
MOST_TURN = 0.004  # radian or fraction of turn, shear and unequal scale that a re-crop may show


GAINS = 0.7, 1.4  # of lightness as encoded, between two exports of one photograph: half a stop either way
MOST_STOPS = 0.5  # the same in linear light
ROUGH_RMS, ROUGH_STRUCTURE = 6.0, 0.9  # on thumbnails: beyond, no closer look is worth its time
ROUGH_BLUR = 1.3  # px, against what resampling a thumbnail costs its texture
ROUGH_TURN = 0.02  # as MOST_TURN, on thumbnails
ROUGH_STEPS, EXACT_STEPS = 25, 20  # of enhanced correlation, on thumbnails and on the pictures


class Signature(NamedTuple):
    """
    What is kept of every picture while all are compared (about 1.5 kB).

    ``frame`` and ``box`` are zero-mean unit-norm lightness grids of the frame and
    of the product's box (None where that is unknown), ``aspect`` the box's width
    over height; ``colour`` the median CIELAB of the thumbnail's product or, where
    there is none, of the thumbnail; ``pixels`` is equal for equal pixels.
    """

    frame: np.ndarray
    box: np.ndarray | None
    aspect: float
    colour: tuple
    pixels: bytes


class Likeness(NamedTuple):
    """
    How two pictures relate: ``kind`` 'same_pixels', 're_export', 're_cropped', 'mirrored',
    'recoloured' or ''; ``rms`` and ``peak`` of the luma difference, 8-bit levels; ``colour``
    difference of the product in CIELAB units; ``tint`` the same once both frames were given one exposure.
    """

    kind: str
    rms: float
    peak: float
    colour: float
    tint: float


DIFFERENT = Likeness("", np.inf, np.inf, np.inf, np.inf)


def signature(sketch, box):
    """
    Signature of a picture.

    Parameters
    ----------
    sketch : dict of ndarray
        Needs ``thumb``; see `measures.sketch`.
    box : (4,) array_like of float or None
        Product's left, top, right, bottom, fractions of the frame; NaN where unknown.

    Returns
    -------
    Signature or None
        None where there is nothing to compare: no thumbnail, or a flat one.
    """
    thumb = sketch.get("thumb")
    if thumb is None or thumb.size == 0 or float(thumb.std()) < FEATURELESS:
        return None
    grey = cv2.cvtColor(np.ascontiguousarray(thumb), cv2.COLOR_RGB2GRAY).astype(np.float32)
    has_box = box is not None and bool(np.all(np.isfinite(box))) and box[2] - box[0] > 0.05 and box[3] - box[1] > 0.05
    height, width = grey.shape
    aspect = (box[2] - box[0]) * width / ((box[3] - box[1]) * height) if has_box else float("nan")
    content = sketch["preview"] if "preview" in sketch else thumb
    pixels = hashlib.blake2b(content.tobytes() + thumb.tobytes(), digest_size=16).digest()
    return Signature(
        frame=_grid(grey),
        box=_grid(_cut(grey, box)) if has_box else None,
        aspect=float(aspect),
        colour=_median_colour(thumb, _mask(sketch, thumb.shape)),
        pixels=pixels,
    )


def compare(first, second, first_box, second_box, ways=("frame", "mirrored_frame", "box", "mirrored_box", "detail")):
    """
    Lay two pictures over one another and say what they have in common.

    Parameters
    ----------
    first, second : dict of ndarray
        Sketches. What is decoded of them is kept in them, under keys of this module.
    first_box, second_box : (4,) array_like of float
        Product boxes in fractions of the frame; NaN where unknown.
    ways : iterable of str
        How they may lie over one another; see `nominating.nominations`.

    Returns
    -------
    Likeness
        ``kind`` is '' where they are two photographs.
    """
    small = _small_grey(first), _small_grey(second)
    if small[0] is None or small[1] is None:
        return DIFFERENT
    same_shape = _same_shape(*small)
    found = DIFFERENT
    for way in ("frame", "mirrored_frame"):
        wanted = way in ways or (way == "frame" and "detail" in ways)
        if wanted and same_shape and _roughly_alike(*small, first, second, flip=way != "frame"):
            likeness = _compare_as_is(first, second, flip=way != "frame")
            if likeness.kind and not (likeness.kind == "re_export" and likeness.rms > EXACT_RMS):
                return likeness
            found = likeness if likeness.kind else found
    for flip in (False, True):
        for matrix in _starts(first, second, first_box, second_box, ways, flip, same_shape):
            likeness = _compare_moved(first, second, small, matrix, flip)
            if likeness.kind and likeness.rms < found.rms:  # lies better so: it was shifted a little, too
                return likeness
    return found


def _small_grey(sketch):
    """The thumbnail's lightness, float32; None where there is none."""
    if "small_grey" not in sketch:
        thumb = sketch.get("thumb")
        known = thumb is not None and thumb.size > 0
        sketch["small_grey"] = cv2.cvtColor(np.ascontiguousarray(thumb), cv2.COLOR_RGB2GRAY).astype(np.float32) if known else None
    return sketch["small_grey"]


def _roughly_alike(one, other, first, second, flip):
    """Whether two thumbnails leave it open that the pictures are one: little difference, or one structure in another tone."""
    other = cv2.resize(other[:, ::-1] if flip else other, one.shape[::-1], interpolation=cv2.INTER_AREA)
    difference = _difference(one.ravel(), other.ravel())
    if float(np.sqrt(np.mean(difference**2))) <= ROUGH_RMS:
        return True
    masks = _mask(first, one.shape), _mask(second, one.shape)
    both = None if flip else _both(*masks, one.shape[::-1])
    if both is None or both.sum() < 200:
        return not flip and both is None
    tones = one[both], other[both]
    return bool(min(tone.std() for tone in tones) > 0 and np.corrcoef(*tones)[0, 1] >= ROUGH_STRUCTURE)


def _compare_as_is(first, second, flip):
    """Two pictures of one shape, the second perhaps mirrored, laid over one another as they are."""
    one, other = picture_of(first), picture_of(second)
    size = (one.shape[1], one.shape[0])
    fitted = cv2.resize(other, size, interpolation=cv2.INTER_AREA)
    masks = _mask(first, one.shape), _mask(second, other.shape)
    if flip:
        return _judge(one, fitted[:, ::-1], _both(masks[0], _mirrored(masks[1]), size), "mirrored", SAME_RMS, SAME_PEAK)
    return _judge(one, fitted, _both(*masks, size), "re_export", SAME_RMS, SAME_PEAK)


def _starts(first, second, first_box, second_box, ways, flip, same_shape):
    """Matrices, in fractions of the frames, with which a search for a movement begins."""
    boxes = np.asarray(first_box, float), np.asarray(second_box, float)
    shapes = _small_grey(first).shape, _small_grey(second).shape
    if ("mirrored_box" if flip else "box") in ways:
        matrix = _box_transform(*shapes, boxes[0], _mirror_box(boxes[1]) if flip else boxes[1])
        if matrix is not None:
            yield matrix
    if flip:
        return
    if "frame" in ways and same_shape:  # a few pixels of shift
        factor = shapes[1][1] / shapes[0][1]
        yield np.array([[factor, 0, 0], [0, factor, 0]], np.float32)
    if "detail" in ways and not np.all(np.isfinite(np.append(*boxes))):
        matrix = _point_transform(*shapes, first, second)
        if matrix is not None:
            yield matrix


def _compare_moved(first, second, small, matrix, flip):
    """
    A re-crop, upright or mirrored, by the movement that lays the pictures over one another best.

    It is sought on the thumbnails; only where little difference remains there are the pictures decoded.
    """
    thumbs = small[0], np.ascontiguousarray(small[1][:, ::-1]) if flip else small[1]
    matrix = _refined(*thumbs, matrix, ROUGH_STEPS, ROUGH_TURN)
    if matrix is None:
        return DIFFERENT
    laid, covered = _warped(thumbs[1], matrix, thumbs[0].shape)
    region = _shared_region(_mask(first, thumbs[0].shape), covered)
    smooth = [cv2.GaussianBlur(thumb, (0, 0), ROUGH_BLUR)[region] for thumb in (thumbs[0], laid)]
    if region.sum() < 0.02 * region.size or float(np.sqrt(np.mean(_difference(*smooth) ** 2))) > ROUGH_RMS:
        return DIFFERENT
    one, other = picture_of(first), picture_of(second)
    other = np.ascontiguousarray(other[:, ::-1]) if flip else other
    grey = [cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) for picture in (one, other)]
    matrix = _refined(*grey, _of_larger(matrix, [t.shape for t in thumbs], [g.shape for g in grey]), EXACT_STEPS, MOST_TURN)
    if matrix is None:
        return DIFFERENT
    laid, covered = _warped(other, matrix, one.shape)
    product = _shared_region(_mask(first, one.shape), covered)
    return _judge(one, laid, product, "mirrored" if flip else "re_cropped", MOVED_RMS, MOVED_PEAK, only=product)


def _of_larger(matrix, shapes, larger):
    """The matrix between two pictures, for larger ones of the same frames."""
    here, there = (np.array([big[1] / little[1], big[0] / little[0]]) for little, big in zip(shapes, larger, strict=True))
    linear = matrix[:, :2] * there[:, None] / here[None, :]
    return np.column_stack([linear, matrix[:, 2] * there]).astype(np.float32)


def _warped(picture, matrix, shape):
    """The second picture laid over the first one's frame, and where it covers it, (h, w) of bool."""
    size = (shape[1], shape[0])
    flags = cv2.WARP_INVERSE_MAP
    laid = cv2.warpAffine(picture, matrix, size, flags=flags | cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    inside = np.ones(picture.shape[:2], np.uint8)
    return laid, cv2.warpAffine(inside, matrix, size, flags=flags | cv2.INTER_NEAREST).astype(bool)


def _difference(one, other):
    """What is left of the second lightness after the gain and shift that bring it nearest to the first; the light of two exports may differ."""
    gain = 1.0
    centred = one - one.mean()
    spread = float(centred @ centred)
    if spread > 0:
        gain = float(np.clip(centred @ (other - other.mean()) / spread, *GAINS))
    difference = other - np.float32(gain) * one
    return difference - np.median(difference)


def picture_of(sketch):
    """
    The sketch's picture as RGB, `LONG_SIDE` px on the long side; None where there is none.

    Returns
    -------
    (h, w, 3) ndarray of uint8
    """
    if "picture" in sketch:  # made here before
        return sketch["picture"]
    sketch["picture"] = _picture(sketch)
    return sketch["picture"]


def _picture(sketch):
    image = None
    if sketch.get("preview") is not None and sketch["preview"].size:
        image = cv2.imdecode(np.ascontiguousarray(sketch["preview"]), cv2.IMREAD_COLOR_RGB)
    if image is None:
        image = sketch.get("thumb")
    if image is None or image.size == 0:
        return None
    scale = LONG_SIDE / max(image.shape[:2])
    size = (max(round(image.shape[1] * scale), 1), max(round(image.shape[0] * scale), 1))
    interpolation = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    return cv2.resize(np.ascontiguousarray(image), size, interpolation=interpolation)


def _judge(one, other, product, kind, rms_limit, peak_limit, only=None):
    """Differences of two pictures of one size, and what they make of them."""
    luma = [cv2.GaussianBlur(cv2.cvtColor(np.ascontiguousarray(p), cv2.COLOR_RGB2GRAY).astype(np.float32), (0, 0), BLUR)
            for p in (one, other)]  # fmt: skip
    region = np.ones(luma[0].shape, bool) if only is None else only
    if region.sum() < 0.02 * region.size:
        return DIFFERENT
    difference = _difference(luma[0][region], luma[1][region])
    rms = float(np.sqrt(np.mean(difference**2)))
    peak = float(np.percentile(np.abs(difference), 99.5))
    area = product if product is not None and product.sum() > 200 else region
    alike = rms <= rms_limit and peak <= peak_limit
    if not alike and not (kind == "re_export" and _structure_agrees(luma, area) and _detail_agrees(luma, area)):
        return Likeness("", rms, peak, np.inf, np.inf)
    colour, tint = _colour_differences(one, other, area)
    if colour <= SAME_COLOUR:
        return Likeness(kind, rms, peak, colour, tint)
    recoloured = kind == "re_export" and _structure_agrees(luma, area) and _detail_agrees(luma, area)
    return Likeness("recoloured" if recoloured else "", rms, peak, colour, tint)


def _structure_agrees(luma, area):
    """Whether lightness rises and falls over the product alike, whatever its tone."""
    if min(np.ptp(image[area]) for image in luma) == 0:
        return False
    return bool(np.corrcoef(luma[0][area], luma[1][area])[0, 1] >= SAME_STRUCTURE)


def _detail_agrees(luma, area):
    """Whether the fine structure inside the product agrees too, not only its outline and shading."""
    inner = cv2.erode(area.astype(np.uint8), np.ones((7, 7), np.uint8)).astype(bool)
    if inner.sum() < 200:
        return False
    fine = [(image - cv2.GaussianBlur(image, (0, 0), 6.0))[inner] for image in luma]
    if min(part.std() for part in fine) < 0.3:
        return False
    return bool(np.corrcoef(*fine)[0, 1] >= SAME_STRUCTURE - 0.05)


def _colour_differences(one, other, area):
    """
    Distance of the median CIELAB colours over the area, as they are and with the frames' medians at one lightness.

    CIE 1976, D65; for telling colourways apart only. A gain g of all light takes L* + 16, a* and b* times the cube root of
    g (CIE 015, but for the darkest tones). Where there is a backdrop, it is the frame's median, and the product's lightness counts.
    """
    here, there = (np.array(_median_colour(picture, area)) for picture in (one, other))
    frames = [_median_colour(picture, None)[0] + 16 for picture in (one, other)]
    most = 2 ** (MOST_STOPS / 3)
    gain = np.clip(frames[0] / frames[1], 1 / most, most)
    lit = (there + (16, 0, 0)) * gain - (16, 0, 0)
    return float(np.linalg.norm(here - there)), float(np.linalg.norm(here - lit))


def _median_colour(picture, area):
    """Median CIELAB of a picture's area, or of all of it where there is none."""
    pixels = np.ascontiguousarray(picture)
    pixels = pixels.reshape(-1, 3) if area is None or not area.any() else pixels[area]
    lab = cv2.cvtColor(pixels.reshape(-1, 1, 3).astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    return tuple(np.median(lab.reshape(-1, 3), axis=0).tolist())


def _same_shape(one, other):
    """Whether two pictures have one aspect ratio, to the pixel that rounding costs."""
    return abs(one.shape[1] * other.shape[0] - other.shape[1] * one.shape[0]) <= 1.5 * max(one.shape[:2] + other.shape[:2])


def _mask(sketch, shape):
    """Product mask at the picture's size, or None."""
    mask = sketch.get("mask")
    if mask is None or not mask.any():
        return None
    return cv2.resize(mask.astype(np.uint8), (shape[1], shape[0]), interpolation=cv2.INTER_NEAREST).astype(bool)


def _mirrored(mask):
    return None if mask is None else mask[:, ::-1]


def _both(one, other, size):
    """Product in both pictures, or None where either has no mask."""
    if one is None or other is None:
        return None
    return one & cv2.resize(other.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST).astype(bool)


def _shared_region(mask, covered):
    """Product pixels of the first picture that the second one covers."""
    return covered if mask is None else covered & cv2.dilate(mask.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)


def _box_transform(shape, other_shape, box, other_box):
    """Matrix from the first picture's pixels to the second's that lays their product boxes over one another."""
    if not (np.all(np.isfinite(box)) and np.all(np.isfinite(other_box))):
        return None
    scale = np.array([shape[1], shape[0]] * 2, float), np.array([other_shape[1], other_shape[0]] * 2, float)
    here, there = box * scale[0], other_box * scale[1]
    sizes, other_sizes = here[2:] - here[:2], there[2:] - there[:2]
    if min(*sizes, *other_sizes) < 8:
        return None
    factors = other_sizes / sizes
    if not 1 / LARGEST_ZOOM <= factors.mean() <= LARGEST_ZOOM or abs(factors[0] / factors[1] - 1) > 0.03:
        return None
    factor = float(np.sqrt(factors.prod()))
    shift = (there[:2] + there[2:]) / 2 - factor * (here[:2] + here[2:]) / 2
    return np.array([[factor, 0, shift[0]], [0, factor, shift[1]]], np.float32)


def _point_transform(shape, other_shape, first, second):
    """The same from key points, for pictures without a product box; None where too few agree."""
    here, there = matched_points(first, second)
    if len(here) < FEWEST_POINTS:
        return None
    here, there = here * [shape[1], shape[0]], there * [other_shape[1], other_shape[0]]
    matrix, agree = cv2.estimateAffinePartial2D(here, there, method=cv2.RANSAC, ransacReprojThreshold=2.0)
    if matrix is None or agree.sum() < FEWEST_POINTS:
        return None
    factor = float(np.hypot(matrix[0, 0], matrix[0, 1]))
    return matrix.astype(np.float32) if 1 / LARGEST_ZOOM <= factor <= LARGEST_ZOOM else None


def matched_points(first, second, ratio=0.8):
    """
    Key points of two sketches whose descriptors are each other's clear best match.

    Parameters
    ----------
    first, second : dict of ndarray
        Sketches with ``keypoints`` and ``descriptors``.
    ratio : float
        Largest distance of the best match over that of the second best (Lowe 2004).

    Returns
    -------
    here, there : (n, 2) ndarray of float64
        Places in fractions of each frame; n may be 0.
    """
    none = np.zeros((0, 2)), np.zeros((0, 2))
    tables = [sketch.get("descriptors") for sketch in (first, second)]
    if any(table is None or len(table) < 2 for table in tables) or tables[0].shape[1] != tables[1].shape[1]:
        return none
    matcher = cv2.BFMatcher(cv2.NORM_HAMMING)
    ways = [matcher.knnMatch(np.ascontiguousarray(a), np.ascontiguousarray(b), k=2) for a, b in (tables, tables[::-1])]
    best = [{m.queryIdx: m.trainIdx for m, n in way if m.distance <= ratio * n.distance} for way in ways]
    pairs = [(a, b) for a, b in sorted(best[0].items()) if best[1].get(b) == a]
    if not pairs:
        return none
    a, b = np.array(pairs).T
    return first["keypoints"][a, :2].astype(float), second["keypoints"][b, :2].astype(float)


def _refined(one, other, matrix, steps, most_turn):
    """The matrix after enhanced correlation; None where it fails, turns or distorts: then it is another photograph."""
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, steps, 1e-5)
    try:
        _, refined = cv2.findTransformECC(one, other, matrix.copy(), cv2.MOTION_AFFINE, criteria, None, 5)
    except cv2.error:  # does not converge: nothing in common
        return None
    linear = refined[:, :2].astype(float)
    scale = np.sqrt(abs(np.linalg.det(linear)))
    odd = [linear[0, 0] - linear[1, 1], linear[0, 1], linear[1, 0]]
    return refined if scale > 0 and max(abs(value) / scale for value in odd) <= most_turn else None


def _mirror_box(box):
    left, top, right, bottom = np.asarray(box, float)
    return np.array([1 - right, top, 1 - left, bottom])


def _cut(grey, box):
    """The product's box, resampled."""
    height, width = grey.shape
    left, top, right, bottom = np.asarray(box, float) * [width, height, width, height]
    scale = np.array([(right - left) / 64, (bottom - top) / 64])
    matrix = np.array([[scale[0], 0, left], [0, scale[1], top]], np.float32)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(grey, matrix, (64, 64), flags=flags, borderMode=cv2.BORDER_REPLICATE)


def _grid(grey):
    """Lightness grid with zero mean and unit norm."""
    cells = cv2.resize(np.ascontiguousarray(grey), (GRID, GRID), interpolation=cv2.INTER_AREA).ravel()
    cells = cells - cells.mean()
    return (cells / max(float(np.linalg.norm(cells)), 1e-6)).astype(np.float32)
