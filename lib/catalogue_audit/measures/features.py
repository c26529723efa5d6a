"""Key points and the product's silhouette, small enough to keep: what pass two recognises products by."""

import cv2
import numpy as np

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
        fractions of the frame. Keys are left out where there is nothing to keep.
    """
    height, width = picture.working.shape[:2]
    sketch = {}
    grey = cv2.cvtColor(picture.working, cv2.COLOR_RGB2GRAY)
    factor = -(-max(height, width) // FEATURE_PX)
    size = max(width // factor, 1), max(height // factor, 1)
    if factor > 1:
        grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    where = None
    if outline.box is not None and outline.confidence > 0:
        where = cv2.resize(outline.mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    if min(size) >= 64:
        points, descriptors = cv2.ORB_create(POINTS, 1.2, 6, fastThreshold=7).detectAndCompute(grey, where)
        if len(points):
            long_side = max(size)
            rows = [(p.pt[0] / size[0], p.pt[1] / size[1], p.size / long_side, p.angle) for p in points]
            sketch["keypoints"] = np.array(rows, np.float32)
            sketch["descriptors"] = descriptors
    if outline.box is not None:
        scale = MASK_PX / max(height, width)
        small = max(round(width * scale), 1), max(round(height * scale), 1)
        sketch["mask"] = cv2.resize(outline.mask.astype(np.uint8) * 255, small, interpolation=cv2.INTER_AREA) > 127
        sketch["outline"] = _even(outline.contours[0], OUTLINE_POINTS) / np.array([width, height], np.float32)
    return sketch


def _even(contour, count):
    """A closed contour resampled to evenly spaced points."""
    closed = np.vstack([contour, contour[:1]]).astype(np.float64)
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.linspace(0, along[-1], min(count, len(contour)), endpoint=False)
    return np.stack([np.interp(at, along, closed[:, k]) for k in (0, 1)], axis=1).astype(np.float32)
