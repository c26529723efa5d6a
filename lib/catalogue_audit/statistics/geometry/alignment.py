"""
One photograph in two versions, laid over one another: rotation, scale and crop of the one in the other.

The product's fine structure is compared, where both versions show it: light, tone curve and colour are
broader, and the background may be another one.

References
----------
.. [1] B. D. Lucas and T. Kanade, "An Iterative Image Registration Technique with an
   Application to Stereo Vision", IJCAI 1981.
"""

import math
from typing import NamedTuple

import cv2
import numpy as np

LONG_SIDE = 400  # px of the final, at which two pictures are laid over one another
MOST_PX = 640  # of the original
MOST_TURN_DEG, MOST_SCALE = 15.0, 4.0  # of a straightened picture; more is another thing seen by chance
MOST_BITS = 64  # of 256, between descriptors of one point
NEAR_PX = 4.0  # at LONG_SIDE: key points that agree with a movement
FEWEST_POINTS = 8
DETAIL_PX = 5.0  # Gaussian sigma: tone curves and light are broader, seams and grain are finer
EDGE_PX = 7  # width of the square that the product is eroded by: retouching, and the frame, end at its edge
FEWEST_PX = 400  # of product
SHARED = 0.95  # of the smaller of two products laid over one another; another product has another outline
PROMISING = 0.4  # of that correlation in the first round; true pairs reach more
FLOOR_PX = 0.05  # at LONG_SIDE; what resampling leaves of any alignment
ROUNDS = (5, 1)  # of alignment, from every fifth pixel, then all: the first one tells what of the product both pictures show
STEPS, ENOUGH_PX = 25, 0.002  # of the alignment, at LONG_SIDE
BLOCK_PX = 40  # at LONG_SIDE: what is wrong with a tone or an outline is wrong alike over so much


class Placed(NamedTuple):
    """
    A final in its original.

    ``correlation`` of fine structure; ``rotation_deg`` applied to the original, + clockwise; ``scale``,
    final pixels an original pixel; ``crop`` (left, top, right, bottom): the final's frame, turned
    back about its own middle, in fractions of the original; each with its standard uncertainty (that
    of the crop in fractions of the original's width).
    """

    correlation: float
    rotation_deg: float
    rotation_sd_deg: float
    scale: float
    scale_sd: float
    crop: tuple
    crop_sd: float


def common_movement(sketch, other, size, other_size):
    """
    Movement from a final's pixels to an original's on which key points agree, or else their outlines.

    Returns
    -------
    movement : (3, 3) ndarray of float or None
        Rotation, one scale and shift; None where there is none within `MOST_TURN_DEG` and `MOST_SCALE`.
    points : int
        Key points that agree; 0 for one by the outlines.
    """
    points, others = sketch.get("keypoints"), other.get("keypoints")
    if points is not None and others is not None:
        matches = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(sketch["descriptors"], other["descriptors"])
        matches = [match for match in matches if match.distance <= MOST_BITS]
        if len(matches) >= FEWEST_POINTS:
            a = points[[match.queryIdx for match in matches], :2] * np.float32(size)
            b = others[[match.trainIdx for match in matches], :2] * np.float32(other_size)
            near = NEAR_PX * max(other_size) / LONG_SIDE
            movement, agree = cv2.estimateAffinePartial2D(a, b, method=cv2.RANSAC, ransacReprojThreshold=near, maxIters=1000)
            if movement is not None and agree.sum() >= FEWEST_POINTS and _is_plausible(movement, size, other_size):
                return np.vstack([movement, [0, 0, 1]]), int(agree.sum())
    if sketch.get("outline") is None or other.get("outline") is None:
        return None, 0
    (centre, area), (other_centre, other_area) = (
        _centre_and_area(one["outline"] * np.float32(whole)) for one, whole in ((sketch, size), (other, other_size))
    )
    if not area or not other_area:
        return None, 0
    scale = math.sqrt(other_area / area)
    shift = other_centre[0] - scale * centre[0], other_centre[1] - scale * centre[1]
    movement = np.array([[scale, 0, shift[0]], [0, scale, shift[1]], [0, 0, 1]])
    return (movement, 0) if _is_plausible(movement, size, other_size) else (None, 0)


def _is_plausible(movement, size, other_size):
    zoom = math.hypot(movement[0, 0], movement[1, 0]) * max(size) / max(other_size)
    turn = math.degrees(math.atan2(movement[1, 0], movement[0, 0]))
    return abs(turn) <= MOST_TURN_DEG and 1 / MOST_SCALE <= zoom <= MOST_SCALE


def _centre_and_area(polygon):
    moments = cv2.moments(polygon.astype(np.float32))
    if not moments["m00"]:
        return (0.0, 0.0), 0.0
    return (moments["m10"] / moments["m00"], moments["m01"] / moments["m00"]), abs(moments["m00"])


def place(sketch, other, size, other_size, movement):
    """
    Lay an original over a final, as exactly as their previews allow.

    Parameters
    ----------
    sketch, other : dict of ndarray
        Of the final and of the original.
    size, other_size : (float, float)
        Width and height, px.
    movement : (3, 3) ndarray of float
        First guess, from the final's pixels to the original's.

    Returns
    -------
    Placed or None
        None where they do not go over one another.
    """
    zoom = math.hypot(movement[0, 0], movement[1, 0]) * max(size) / max(other_size)
    grey, other_grey = _grey(sketch, LONG_SIDE), _grey(other, min(MOST_PX, round(LONG_SIDE / min(zoom, 1.0))))
    down, up = _resizing(size, grey.shape[::-1]), _resizing(other_size, other_grey.shape[::-1])
    movement = up @ movement @ np.linalg.inv(down)
    own, others = _product(sketch, grey.shape), _product(other, other_grey.shape)
    for every in ROUNDS:
        laid = _laid(others, movement, grey.shape)
        product = own * laid
        mask = cv2.erode(product, np.ones((EDGE_PX, EDGE_PX), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0) > 0.5
        if mask.sum() < FEWEST_PX:
            return None
        # each by its own outline: one that moved along with the movement would hold it where it is
        detail = _detail(grey, own if _is_known(sketch) else product)
        other_detail = _detail(other_grey, others if _is_known(other) else _laid(product, np.linalg.inv(movement), other_grey.shape))
        movement, sds, correlation = _aligned(detail, other_detail, mask, movement, every)
        if not correlation >= PROMISING or not np.isfinite(movement).all() or abs(np.linalg.det(movement)) < 1e-6:
            return None
    movement = np.linalg.inv(up) @ movement @ down
    if product.sum() < SHARED * min(own.sum(), laid.sum()) or not _is_plausible(movement, size, other_size):
        return None
    pitch = math.hypot(movement[0, 0], movement[1, 0])
    middle = movement[:2, :2] @ ((np.array(size) - 1) / 2) + movement[:2, 2] + 0.5
    half = pitch * np.array(size) / 2
    crop = (*((middle - half) / other_size), *((middle + half) / other_size))
    turn_sd, pitch_sd, shift_sd = sds
    return Placed(
        correlation=correlation,
        rotation_deg=-math.degrees(math.atan2(movement[1, 0], movement[0, 0])),
        rotation_sd_deg=math.degrees(turn_sd),
        scale=1 / pitch,
        scale_sd=pitch_sd / pitch,
        crop=tuple(float(value) for value in crop),
        crop_sd=math.hypot(shift_sd * down[0, 0] ** -1 * pitch, pitch_sd * half[0]) / other_size[0],
    )


def _aligned(detail, other, mask, movement, every=1):
    """
    Movement with the least squares of what is left of the final's detail, by Gauss-Newton [1]_, from one pixel in `every`.

    Returns
    -------
    movement : (3, 3) ndarray of float
        From the final's pixels to the original's: rotation, one scale, shift.
    sds : (float, float, float)
        Standard uncertainties of rotation (radian), scale (relative) and shift (px of the final).
    correlation : float
        NaN where the detail is flat.
    """
    down, across = (place[::every] for place in np.nonzero(mask))
    wanted, about = detail[down, across], np.array([across.mean(), down.mean()])
    x, y = across - about[0], down - about[1]
    slopes = cv2.Sobel(other, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(other, cv2.CV_32F, 0, 1, scale=1 / 8)
    movement = np.array(movement, float)
    for _ in range(STEPS):
        seen, along_x, along_y = (_laid(layer, movement, detail.shape)[down, across] for layer in (other, *slopes))
        jacobian = np.column_stack([along_x * x + along_y * y, along_y * x - along_x * y, along_x, along_y, wanted])
        normal = (jacobian.T @ jacobian).astype(float)
        step = np.linalg.lstsq(normal, (jacobian.T @ seen).astype(float), rcond=None)[0]
        change = np.array([[step[0], -step[1]], [step[1], step[0]]])
        movement[:2, :2] -= change
        movement[:2, 2] -= step[2:4] - change @ about
        if np.abs(step[:2]).max() * math.hypot(x.std(), y.std()) + np.abs(step[2:4]).max() < ENOUGH_PX:
            break
    correlation = float(np.corrcoef(seen, wanted)[0, 1]) if seen.std() > 0 and wanted.std() > 0 else math.nan
    pitch = math.hypot(movement[0, 0], movement[1, 0])
    left = seen - float(seen @ wanted) / max(float(wanted @ wanted), 1e-9) * wanted
    spread = _spread(jacobian, left, normal, (down // BLOCK_PX) * mask.shape[1] + across // BLOCK_PX) / pitch
    extent = math.sqrt(mask.sum())
    sds = (math.hypot(spread[1], FLOOR_PX / extent), math.hypot(spread[0], FLOOR_PX / extent), math.hypot(spread[2:4].max(), FLOOR_PX))
    return movement, sds, correlation


def _spread(jacobian, left, normal, blocks):
    """Standard uncertainties of least squares whose errors go together within blocks (cluster-robust covariance)."""
    _, block = np.unique(blocks, return_inverse=True)
    pull = np.column_stack([np.bincount(block, column * left) for column in jacobian.T])
    inverse = np.linalg.pinv(normal)
    return np.sqrt(np.maximum(np.diag(inverse @ (pull.T @ pull) @ inverse), 0))


def _laid(layer, movement, shape):
    return cv2.warpAffine(layer, movement[:2], shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)


def _resizing(size, small):
    """Matrix from pixels of a picture to those of the same at another size (centres of pixels at whole numbers)."""
    across, down = small[0] / size[0], small[1] / size[1]
    return np.array([[across, 0, (across - 1) / 2], [0, down, (down - 1) / 2], [0, 0, 1.0]])


def _grey(sketch, long_side):
    """Lightness of a picture at that size, float32."""
    grey = cv2.imdecode(np.ascontiguousarray(sketch["preview"]), cv2.IMREAD_GRAYSCALE)
    factor = long_side / max(grey.shape)
    size = max(round(grey.shape[1] * factor), 8), max(round(grey.shape[0] * factor), 8)
    return cv2.resize(grey, size, interpolation=cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR).astype(np.float32)


def _is_known(sketch):
    return sketch.get("mask") is not None and bool(sketch["mask"].any())


def _product(sketch, shape):
    """Where the product is, 1 or 0, float32; 1 everywhere where that is not known."""
    if not _is_known(sketch):
        return np.ones(shape, np.float32)
    return (cv2.resize(sketch["mask"].astype(np.float32), shape[::-1], interpolation=cv2.INTER_LINEAR) > 0.5).astype(np.float32)


def _detail(grey, product):
    """Fine structure of the product's lightness, without what lies around it."""
    share = np.maximum(cv2.GaussianBlur(product, (0, 0), DETAIL_PX), 1e-3)
    return (grey - cv2.GaussianBlur(grey * product, (0, 0), DETAIL_PX) / share) * product
