"""The product's body: the product without handles, straps and tags, and the edges of that."""

import cv2
import numpy as np

from catalogue_audit.measures.records import Body
from catalogue_audit.measures.segmentation.parts import window_of

THIN = 0.06  # of the product's smaller side; what is thinner hangs or stands out and carries nothing
SMALL_PX = 250  # long side of the mask that is opened


def find_body(mask, contours):
    """
    Body of a product.

    Parameters
    ----------
    mask : (h, w) bool
        Not empty.
    contours : tuple of (n, 2) float32
        As in `Outline`.

    Returns
    -------
    Body
    """
    small, scale = _small(mask, SMALL_PX)
    body = _without_thin(small)
    return Body(body, scale, body_sides(body, scale, contours[0]), small > 0)


def body_mask(mask, size_px=SMALL_PX):
    """
    The product without what is thin: handles, straps, tags.

    Parameters
    ----------
    mask : (h, w) bool
    size_px : int

    Returns
    -------
    body : (m, n) bool
        Long side about ``size_px``.
    scale : float
        Working pixels a body pixel.
    """
    small, scale = _small(mask, size_px)
    return _without_thin(small), scale


def _small(mask, size_px):
    """A mask as uint8 with a long side of about ``size_px``, and the pixels a pixel of it."""
    mask = mask.view(np.uint8)
    height, width = mask.shape
    scale = max(1, round(max(height, width) / size_px))
    whole = mask[: max(height // scale, 1) * scale, : max(width // scale, 1) * scale]  # whole blocks: many times faster
    return cv2.resize(whole, (max(width // scale, 1), max(height // scale, 1)), interpolation=cv2.INTER_AREA), float(scale)


def _without_thin(small):
    """The large parts of a mask (uint8) opened by a disc."""
    box = cv2.boundingRect(small)
    reach = max(3, int(round(THIN * min(box[2], box[3]))) | 1)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    place, body = window_of(small, 1), np.zeros_like(small)
    body[place] = cv2.morphologyEx(small[place], cv2.MORPH_OPEN, kernel)
    count, labels = cv2.connectedComponents(body, connectivity=8)
    if count <= 1:
        return small > 0
    if count == 2:  # mostly so
        return labels > 0
    area = np.bincount(labels.ravel())
    area[0] = 0
    return np.take(area > 0.3 * area.max(), labels)


def body_sides(body, scale, points):
    """
    The body's left, right and lower edge, sub-pixel.

    Parameters
    ----------
    body : (m, n) bool
    scale : float
        Working pixels a body pixel.
    points : (k, 2) float
        The product's outer contour, working pixels.

    Returns
    -------
    dict or None
        ``left``, ``right``: (n, 2) points one a row, x then y, working pixels;
        ``base``: (m, 2) points one a column; ``width``, ``height`` of the body;
        ``size``: height and width of the frame, all working pixels. None for a tiny body.
    """
    rows = np.flatnonzero(body.any(axis=1))
    columns = np.flatnonzero(body.any(axis=0))
    if len(rows) < 12 or len(columns) < 12:
        return None
    size = (np.array(body.shape) * scale).astype(int)
    left, right = _extremes(points, body, scale, axis=1)
    _, base = _extremes(points, body, scale, axis=0)
    return {
        "left": left,
        "right": right,
        "base": base,
        "width": float((columns[-1] - columns[0] + 1) * scale),
        "height": float((rows[-1] - rows[0] + 1) * scale),
        "size": size,
    }


def _extremes(points, body, scale, axis):
    """First and last contour point of each working row (axis 1) or column (axis 0), where the body reaches that far."""
    along = points[:, 1] if axis == 1 else points[:, 0]
    across = points[:, 0] if axis == 1 else points[:, 1]
    line = np.maximum(np.floor(along).astype(int), 0)
    count = int(line.max()) + 1
    low = np.full(count, np.inf)
    high = np.full(count, -np.inf)
    order = np.argsort(line, kind="stable")
    line, across = line[order], across[order]
    starts = np.concatenate([[0], 1 + np.flatnonzero(line[1:] != line[:-1])])
    low[line[starts]] = np.minimum.reduceat(across, starts)
    high[line[starts]] = np.maximum.reduceat(across, starts)
    thick = body if axis == 1 else body.T
    present = thick.any(axis=1)
    first = thick.argmax(axis=1) * scale
    last = (thick.shape[1] - thick[:, ::-1].argmax(axis=1)) * scale
    at = np.minimum((np.arange(count) / scale).astype(int), len(present) - 1)
    good = present[at] & np.isfinite(low)
    reach = 2.5 * scale
    near_low = good & (np.abs(low - first[at]) < reach)
    near_high = good & (np.abs(high - last[at]) < reach)
    middle = np.arange(count) + 0.5
    def pack(values, keep):
        pair = np.stack([values[keep], middle[keep]], axis=1)
        return pair if axis == 1 else pair[:, ::-1]
    return pack(low, near_low), pack(high, near_high)
