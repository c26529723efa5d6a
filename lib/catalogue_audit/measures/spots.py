"""Soft dark spots: the shadows that dust on a sensor throws, out of focus."""

import cv2
import numpy as np

LEAST_DARK = 1.6  # code values; fainter than can be seen, but a place that recurs counts
LEAST_OVER_GRAIN = 5.0  # times the local mean of the response
DIRECTIONS = np.arange(8) * np.pi / 4
KEPT = 80


def soft_spots(gray, mask):
    """
    Dark spots a few pixels across, on background and smooth product.

    Parameters
    ----------
    gray : (h, w) uint8
        Reduced picture.
    mask : (h, w) uint8
        Product.

    Returns
    -------
    (n, 5) float64
        x, y, size (pixels of ``gray``), contrast (code values, negative), and 0 on
        the background, -1 on the product; strongest first, `KEPT` at most.
    """
    height, width = gray.shape[0] // 2, gray.shape[1] // 2
    if min(height, width) < 40:
        return np.empty((0, 5))
    small = cv2.resize(gray[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA)
    found = [_at_scale(small.astype(np.float32), radius) for radius in (2.0, 4.0)]
    x, y, size, contrast = np.concatenate(found).T
    order = np.argsort(contrast, kind="stable")
    order = order[_distinct(x[order], y[order], size[order])][:KEPT]
    x, y, size, contrast = x[order], y[order], size[order], contrast[order]
    row = np.clip((2 * y).astype(int), 0, mask.shape[0] - 1)
    column = np.clip((2 * x).astype(int), 0, mask.shape[1] - 1)
    kind = np.where(mask[row, column], -1.0, 0.0)
    return np.column_stack([2 * x, 2 * y, 2 * size, contrast, kind])


def _at_scale(picture, radius):
    """Spots of about this radius: (n, 4), x, y, size, contrast; half-size pixels."""
    inner = int(radius) | 1
    outer = 4 * int(radius) + 1
    centre = cv2.blur(picture, (inner, inner))
    response = cv2.blur(picture, (outer, outer))
    response -= centre
    edge = outer // 2 + 1
    inside = (slice(edge, -edge),) * 2
    candidate = response[inside] > 0.5 * LEAST_DARK
    candidate &= response[inside] == cv2.dilate(response, np.ones((5, 5), np.uint8))[inside]
    y, x = np.divmod(np.flatnonzero(candidate), candidate.shape[1])
    y, x = y + edge, x + edge
    grain = _grain(response, x, y)
    strong = response[y, x] > 0.5 * LEAST_OVER_GRAIN * grain
    x, y, grain = x[strong], y[strong], grain[strong]
    if len(x) > 400:
        strongest = np.sort(np.argsort(-response[y, x], kind="stable")[:400])
        x, y, grain = x[strongest], y[strongest], grain[strongest]
    reach = 2.5 * radius
    around_x = np.clip(np.rint(x[:, None] + reach * np.cos(DIRECTIONS)).astype(int), 0, picture.shape[1] - 1)
    around_y = np.clip(np.rint(y[:, None] + reach * np.sin(DIRECTIONS)).astype(int), 0, picture.shape[0] - 1)
    ring = centre[around_y, around_x]
    level = np.median(ring, axis=1)
    contrast = centre[y, x] - level
    even = ring.max(axis=1) - ring.min(axis=1) < 0.6 * np.abs(contrast) + 1.0
    kept = even & (contrast < -LEAST_DARK) & (-contrast > LEAST_OVER_GRAIN * grain)
    size = np.full(kept.sum(), 2 * radius)
    return np.column_stack([x[kept] + 0.5, y[kept] + 0.5, size, contrast[kept]])


def _grain(response, x, y):
    """Mean size of the response within 32 px of some places, found at half the size."""
    half = response.shape[1] // 2, response.shape[0] // 2
    size = cv2.resize(np.abs(response)[: 2 * half[1], : 2 * half[0]], half, interpolation=cv2.INTER_AREA)
    return cv2.blur(size, (33, 33))[np.minimum(y // 2, half[1] - 1), np.minimum(x // 2, half[0] - 1)]


def _distinct(x, y, size):
    """Indices of spots that no stronger one (earlier in order) overlaps."""
    free, kept = np.ones(len(x), bool), []
    while len(kept) < KEPT and free.any():
        k = int(np.argmax(free))
        kept.append(k)
        free &= (x - x[k]) ** 2 + (y - y[k]) ** 2 > np.maximum(size, size[k]) ** 2
    return np.array(kept, int)
