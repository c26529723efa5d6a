"""Key points and the product's silhouette, small enough to keep: what pass two recognises products by."""

import cv2
import numpy as np

from catalogue_audit.measures.records import CONFIDENCE_LIMIT, of_size
from catalogue_audit.pixels.encode import shrunk
from catalogue_audit.pixels.working import reduced

POINTS = 400  # key points kept; enough to place a crop, few enough to compare every pair of pictures
FEATURE_PX = 750  # long side of the picture they are found in
MASK_PX = 256
OUTLINE_POINTS = 512


def feature_sketch(picture, outline):
    """
    Key points, descriptors, mask and outer contour of one picture.

    Parameters
    ----------
    picture : Picture
    outline : Outline

    Returns
    -------
    dict of str to ndarray
        ``keypoints`` (n, 4) float32: x, y in fractions of the frame, size as a
        fraction of the long side, angle in degrees; ``descriptors`` (n, 32) uint8;
        ``mask`` (h, w) bool, 256 px on the long side; ``outline`` (n, 2) float32,
        fractions of the frame. Keys are left out where there is nothing to keep;
        mask and contour also where the outline is not certain, as in a close crop.
    """
    sketch = {}
    grey, _ = reduced(picture.grey, FEATURE_PX)
    size = grey.shape[::-1]
    where = None
    if outline.box is not None and outline.confidence >= CONFIDENCE_LIMIT:  # a close crop's is no product's
        where = of_size(outline.mask, size[::-1])
    if min(size) >= 64:
        points, descriptors = cv2.ORB_create(POINTS, 1.2, 6, fastThreshold=7).detectAndCompute(grey, where)
        if len(points):
            long_side = max(size)
            across, angle = [point.size for point in points], [point.angle for point in points]
            shape = np.column_stack([np.array(across) / long_side, angle]).astype(np.float32)
            sketch["keypoints"] = np.hstack([cv2.KeyPoint.convert(points) / np.array(size, np.float32), shape])
            sketch["descriptors"] = descriptors
    if where is not None:
        sketch["mask"] = shrunk(255 * outline.mask.view(np.uint8), MASK_PX) > 127
        sketch["outline"] = _even(outline.contours[0], OUTLINE_POINTS) / np.array(outline.mask.shape[::-1], np.float32)
    return sketch


def _even(contour, count):
    """A closed contour resampled to evenly spaced points."""
    closed = np.vstack([contour, contour[:1]]).astype(np.float64)
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.linspace(0, along[-1], min(count, len(contour)), endpoint=False)
    return np.stack([np.interp(at, along, closed[:, k]) for k in (0, 1)], axis=1).astype(np.float32)
