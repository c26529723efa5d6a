"""Soft dark spots: the shadows that dust on a sensor throws, out of focus."""

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median

LEAST_DARK = 1.2  # code values; fainter than can be seen, but a place that recurs counts
LEAST_OVER_GRAIN = 5.0  # times the local mean of the response
RADIUS = 2.0  # px of the halved picture, and of the one halved again
KEPT = 80
MOST = 400  # looked at, of each scale

_ANGLES = np.arange(8) * np.pi / 4
_AROUND = np.rint(2.5 * RADIUS * np.array([np.sin(_ANGLES), np.cos(_ANGLES)])).astype(int)
_EDGE = 6  # px without spots: the outer box and the ring have to lie inside
_NEAR = np.array([(dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1)])
_RESPONSE = 1 / 81  # code values in a step of the response


def soft_spots(gray, mask):
    """
    Dark spots a few pixels across, on background and smooth product.

    Parameters
    ----------
    gray : (h, w) uint8
        Reduced picture.
    mask : (m, n) uint8
        Product, at the same or another size.

    Returns
    -------
    (n, 5) float64
        x, y, size (pixels of ``gray``), contrast (code values, negative), and 0 on
        the background, -1 on the product; strongest first, `KEPT` at most.
    """
    found, shape = [], gray.shape
    for factor in (2, 4):
        height, width = gray.shape[0] // 2, gray.shape[1] // 2
        if min(height, width) < 40:
            break
        gray = cv2.resize(gray[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA)
        found.append(_of_one_size(gray) * (factor, factor, factor, 1))
    if not found:
        return np.empty((0, 5))
    x, y, size, contrast = np.concatenate(found).T
    order = np.argsort(contrast, kind="stable")
    order = order[_distinct(x[order], y[order], size[order])][:KEPT]
    x, y, size, contrast = x[order], y[order], size[order], contrast[order]
    row = np.clip((y * (mask.shape[0] / shape[0])).astype(int), 0, mask.shape[0] - 1)
    column = np.clip((x * (mask.shape[1] / shape[1])).astype(int), 0, mask.shape[1] - 1)
    kind = np.where(mask[row, column], -1.0, 0.0)
    return np.column_stack([x, y, size, contrast, kind])


def _of_one_size(gray):
    """Spots of about `RADIUS` px: (n, 4), x, y, size, contrast."""
    centre = cv2.boxFilter(gray, cv2.CV_16U, (3, 3), normalize=False)
    response = cv2.boxFilter(gray, cv2.CV_16U, (9, 9), normalize=False).view(np.int16)  # 81 x 255 fits
    response -= 9 * centre.view(np.int16)
    candidate = cv2.compare(response, cv2.dilate(response, np.ones((5, 5), np.uint8)), cv2.CMP_GE)
    candidate &= cv2.compare(response, 0.5 * LEAST_DARK / _RESPONSE, cv2.CMP_GT)
    candidate[:_EDGE] = candidate[-_EDGE:] = candidate[:, :_EDGE] = candidate[:, -_EDGE:] = 0
    y, x = np.divmod(np.flatnonzero(candidate.view(bool)), gray.shape[1])
    grain = _grain(response, x, y)
    strong = np.flatnonzero(response[y, x] * _RESPONSE > 0.5 * LEAST_OVER_GRAIN * grain)
    if len(strong) > MOST:
        strong = np.sort(strong[np.argsort(-response[y[strong], x[strong]], kind="stable")[:MOST]])
    x, y, grain = x[strong], y[strong], grain[strong]
    ring = centre[y[:, None] + _AROUND[0], x[:, None] + _AROUND[1]] / 9
    contrast = centre[y, x] / 9 - median(ring)
    even = ring.max(axis=1) - ring.min(axis=1) < 0.6 * np.abs(contrast) + 1.0
    kept = even & (contrast < -LEAST_DARK) & (-contrast > LEAST_OVER_GRAIN * grain)
    x, y, contrast = x[kept], y[kept], contrast[kept]
    weight = np.maximum(response[y[:, None] + _NEAR[:, 0], x[:, None] + _NEAR[:, 1]], 0).astype(float)
    weight -= weight.min(axis=1, keepdims=True) - 1e-6
    dy, dx = weight @ _NEAR.T[0] / weight.sum(axis=1), weight @ _NEAR.T[1] / weight.sum(axis=1)
    return np.column_stack([x + dx + 0.5, y + dy + 0.5, np.full(len(x), 2 * RADIUS), contrast])


def _grain(response, x, y):
    """Mean size of the response within 32 px of some places, code values, found at half the size."""
    height, width = response.shape[0] // 2, response.shape[1] // 2
    size = cv2.convertScaleAbs(response[: 2 * height, : 2 * width], alpha=0.1)
    size = cv2.resize(size, (width, height), interpolation=cv2.INTER_AREA)
    mean = cv2.boxFilter(size, cv2.CV_32F, (33, 33))
    return mean[np.minimum(y // 2, height - 1), np.minimum(x // 2, width - 1)] * (10 * _RESPONSE)


def _distinct(x, y, size):
    """Indices of spots that no stronger one (earlier in order) overlaps."""
    free, kept = np.ones(len(x), bool), []
    while len(kept) < KEPT and free.any():
        k = int(np.argmax(free))
        kept.append(k)
        free &= (x - x[k]) ** 2 + (y - y[k]) ** 2 > np.maximum(size, size[k]) ** 2
    return np.array(kept, int)
