"""
One picture laid over another: what of it is looked at, where it may lie, and the movement that fits best.

Pictures come from sketches. What is decoded of a sketch is kept in it, under keys of this module.
"""

import math

import cv2
import numpy as np


LONG_SIDE = 256  # px at which two pictures are compared; noise and JPEG blocks average out, edges remain
LARGEST_ZOOM = 1.5  # more is a detail of the picture, not a re-crop of it
MOST_TURN = 0.07  # radian; a picture straightened by more than 4 degrees is a rare retouch, and a start so far off finds nothing
FEWEST_POINTS = 12  # key points that must agree on one movement


def small_grey(sketch):
    """The thumbnail's lightness, float32; None where there is none."""
    if "small_grey" not in sketch:
        thumb = sketch.get("thumb")
        known = thumb is not None and thumb.size > 0
        sketch["small_grey"] = cv2.cvtColor(np.ascontiguousarray(thumb), cv2.COLOR_RGB2GRAY).astype(np.float32) if known else None
    return sketch["small_grey"]


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
        image = _decoded(np.ascontiguousarray(sketch["preview"]))
    if image is None:
        image = sketch.get("thumb")
    if image is None or image.size == 0:
        return None
    scale = LONG_SIDE / max(image.shape[:2])
    size = (max(round(image.shape[1] * scale), 1), max(round(image.shape[0] * scale), 1))
    interpolation = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    return cv2.resize(np.ascontiguousarray(image), size, interpolation=interpolation)


def _decoded(preview):
    """The preview as RGB, at half its size where that is large enough: it takes half the time."""
    image = cv2.imdecode(preview, cv2.IMREAD_REDUCED_COLOR_2)
    if image is not None and max(image.shape[:2]) < LONG_SIDE:
        image = cv2.imdecode(preview, cv2.IMREAD_COLOR)
    return None if image is None else cv2.cvtColor(image, cv2.COLOR_BGR2RGB)


def same_shape(one, other):
    """Whether two pictures have one aspect ratio, to the pixel that rounding costs."""
    return abs(one.shape[1] * other.shape[0] - other.shape[1] * one.shape[0]) <= 1.5 * max(one.shape[:2] + other.shape[:2])


def starts(first, second, first_box, second_box, ways, flip, one_shape):
    """
    Movements of the first thumbnail's pixels to the second's with which a search begins.

    Parameters
    ----------
    first, second : dict of ndarray
        Sketches.
    first_box, second_box : (4,) array_like of float
        Product boxes in fractions of the frame; NaN where unknown.
    ways : collection of str
        See `nominating.nominations`.
    flip : bool
        The second picture mirrored.
    one_shape : bool
        The frames have one aspect ratio.

    Yields
    ------
    (2, 3) ndarray of float32
    """
    boxes = np.asarray(first_box, float), np.asarray(second_box, float)
    shapes = small_grey(first).shape, small_grey(second).shape
    if ("mirrored_box" if flip else "box") in ways:
        matrix = _box_transform(*shapes, boxes[0], _mirror_box(boxes[1]) if flip else boxes[1])
        if matrix is not None:
            yield matrix
    if flip:
        return
    if "frame" in ways and one_shape:  # a few pixels of shift
        factor = shapes[1][1] / shapes[0][1]
        yield np.array([[factor, 0, 0], [0, factor, 0]], np.float32)
    if "detail" in ways and not np.all(np.isfinite(np.append(*boxes))):
        matrix = _point_transform(*shapes, first, second)
        if matrix is not None:
            yield matrix


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


def _mirror_box(box):
    left, top, right, bottom = np.asarray(box, float)
    return np.array([1 - right, top, 1 - left, bottom])


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


def refined(one, other, matrix, steps, most_distorted, most_turn=MOST_TURN):
    """The matrix after enhanced correlation; None where it fails, distorts or turns by more than a retouch would: then it is another photograph."""
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, steps, 1e-5)
    try:
        _, refined = cv2.findTransformECC(one, other, matrix.copy(), cv2.MOTION_AFFINE, criteria, None, 5)
    except cv2.error:  # does not converge: nothing in common
        return None
    linear = refined[:, :2].astype(float)
    scale = np.sqrt(abs(np.linalg.det(linear)))
    distorted = max(abs(linear[0, 0] - linear[1, 1]), abs(linear[0, 1] + linear[1, 0]))
    return refined if scale > 0 and distorted <= most_distorted * scale and turn_of(refined) <= most_turn else None


def turn_of(matrix):
    """How far a movement turns a picture, radian, either way."""
    return abs(math.atan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1]))


def resized_matrix(matrix, pair, larger):
    """The matrix between two pictures, for larger or smaller ones of the same frames."""
    here, there = (np.array([to.shape[1] / at.shape[1], to.shape[0] / at.shape[0]]) for at, to in zip(pair, larger, strict=True))
    linear = matrix[:, :2] * there[:, None] / here[None, :]
    return np.column_stack([linear, matrix[:, 2] * there]).astype(np.float32)


def halved(lightness):
    """A plane at half its size."""
    return cv2.resize(lightness, (max(lightness.shape[1] // 2, 1), max(lightness.shape[0] // 2, 1)), interpolation=cv2.INTER_AREA)


def warped(picture, matrix, shape):
    """The second picture laid over the first one's frame, and where it covers it, (h, w) of bool."""
    size = (shape[1], shape[0])
    flags = cv2.WARP_INVERSE_MAP
    laid = cv2.warpAffine(picture, matrix, size, flags=flags | cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    inside = np.ones(picture.shape[:2], np.uint8)
    return laid, cv2.warpAffine(inside, matrix, size, flags=flags | cv2.INTER_NEAREST).astype(bool)
