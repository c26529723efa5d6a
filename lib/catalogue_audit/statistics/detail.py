"""Where in a product's picture a detail crop was taken, by its key points."""

import cv2
import numpy as np

NEIGHBOUR_RATIO = 0.85  # best descriptor distance over the second best (D. Lowe, IJCV 60, 2004, uses 0.8 for SIFT)
REACH = 0.03  # of the long side; how near a matched point must fall
FEWEST_INLIERS = 6
LARGEST_DISTANCE = 70  # of 256 bits
SCALES = (0.9, 40.0)  # magnifications worth believing


def locate_detail(detail_sketch, front_sketch):
    """
    Find a crop in the product's front picture.

    Parameters
    ----------
    detail_sketch, front_sketch : dict
        With ``keypoints`` and ``descriptors``.

    Returns
    -------
    box : (left, top, right, bottom) or None
        Where the crop lies in the front picture, fractions of its frame; None where
        it was not found.
    magnification : float
        Crop's scale over the front picture's; NaN where not found.
    inliers : int
        Key points that agree on one similarity transform.
    score : float
        0 to 1: share of the matched points that agree, damped where they are few.
    """
    nothing = None, float("nan"), 0, 0.0
    pairs = _matches(detail_sketch, front_sketch)
    if len(pairs) < FEWEST_INLIERS:
        return nothing
    here = detail_sketch["keypoints"][pairs[:, 0]]
    there = front_sketch["keypoints"][pairs[:, 1]]
    aspect_here, aspect_there = (_aspect(sketch) for sketch in (detail_sketch, front_sketch))
    source = np.ascontiguousarray(here[:, :2] * aspect_here, np.float32)
    target = np.ascontiguousarray(there[:, :2] * aspect_there, np.float32)
    cv2.setRNGSeed(1)  # the same answer every time
    matrix, kept = cv2.estimateAffinePartial2D(
        source, target, method=cv2.RANSAC, ransacReprojThreshold=REACH, maxIters=3000, confidence=0.999
    )
    if matrix is None:
        return nothing
    inliers = int(kept.sum())
    scale = float(np.hypot(matrix[0, 0], matrix[1, 0]))
    if inliers < FEWEST_INLIERS or not 1 / SCALES[1] <= scale <= 1 / SCALES[0]:
        return nothing
    spread = np.unique(np.round(source[kept[:, 0] > 0] / 0.02), axis=0)
    if len(spread) < FEWEST_INLIERS - 1:  # many matches of one and the same spot
        return nothing
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float) * aspect_here
    placed = (corners @ matrix[:, :2].T + matrix[:, 2]) / aspect_there
    left, top = placed.min(axis=0)
    right, bottom = placed.max(axis=0)
    score = inliers / len(pairs) * min(1.0, inliers / 15)
    return (float(left), float(top), float(right), float(bottom)), 1 / scale, inliers, float(score)


def _aspect(sketch):
    """Frame's width and height over its long side, from the thumbnail; square where there is none."""
    thumb = sketch.get("thumb")
    if thumb is None:
        return np.ones(2)
    height, width = thumb.shape[:2]
    return np.array([width, height], float) / max(height, width)


def _matches(first, second):
    """Index pairs of key points that are each other's best and clearly better than the next."""
    a, b = first.get("descriptors"), second.get("descriptors")
    if a is None or b is None or len(a) < 2 or len(b) < 2:
        return np.zeros((0, 2), int)
    distance = np.bitwise_count(a[:, None, :] ^ b[None, :, :]).sum(axis=2, dtype=np.int32)
    nearest = distance.argmin(axis=1)
    rows = np.arange(len(a))
    best = distance[rows, nearest]
    second_best = np.partition(distance, 1, axis=1)[:, 1]
    mutual = distance.argmin(axis=0)[nearest] == rows
    good = mutual & (best < LARGEST_DISTANCE) & (best < NEIGHBOUR_RATIO * second_best)
    return np.stack([rows[good], nearest[good]], axis=1)


def belongs_to(detail_sketch, own_sketches, other_sketches):
    """
    Whether a detail crop belongs to its own product rather than to another.

    Parameters
    ----------
    detail_sketch : dict
    own_sketches : list of dict
        Whole-product pictures of the product it is filed under.
    other_sketches : dict of str to list of dict
        The same of every other product.

    Returns
    -------
    belongs : bool or None
        None where neither its own pictures nor another's hold it surely.
    best_other : str
        The other product it fits best; '' where none fits.
    margin : float
        Own score less the best other's, -1 to 1.
    """
    own = max((locate_detail(detail_sketch, sketch)[3] for sketch in own_sketches), default=0.0)
    scores = {
        name: max((locate_detail(detail_sketch, sketch)[3] for sketch in sketches), default=0.0)
        for name, sketches in sorted(other_sketches.items())
    }
    best = max(scores, key=scores.get, default="")
    other = scores.get(best, 0.0)
    if max(own, other) == 0:
        return None, "", 0.0
    if own >= other:
        return True, best if other > 0 else "", own - other
    return (None if own > 0.5 * other else False), best, own - other
