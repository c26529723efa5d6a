"""The light on the product, its dominant colour, and what of it is clipped."""

import math
from functools import cache

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median
from catalogue_audit.pixels.colour import LINEAR_TO_XYZ

SAMPLES = 8_000  # working pixels of the product looked at
FEWEST = 200
EDGE = 0.006  # of the frame's long side: what lies closer to the outline is mixed with background
LUMINANCE = LINEAR_TO_XYZ[1]  # Y under D50
DARKEST = 2e-4  # linear light; below, 8 bits hold no more
TONES = np.linspace(0.05, 0.95, 19)  # quantiles of luminance kept in the sketch
CLUSTER = np.array([16.0, 8.0, 8.0])  # CIELAB half-widths of one colour: shading moves L* more than a*, b*
COLOURS = 4
COUNTED = 250_000  # full-resolution pixels looked at for clipping, in whole rows
HIGH, LOW = 254, 2  # code values: one channel at or above, all channels at or below


def product_light_facts(picture, outline):
    """
    Exposure, colour and clipping of the product.

    Parameters
    ----------
    picture : Picture
    outline : Outline

    Returns
    -------
    dict
        ``product_ev`` (log2 of the mid-mean of luminance, 0 = white),
        ``product_L``, ``_a``, ``_b`` of the dominant colour, ``clipped_high``
        (one channel at the top), ``clipped_low`` (all channels at the bottom);
        for the sketch ``tones``, (19,) float32, quantiles 5 % to 95 % of log2
        luminance, and ``palette``, (k, 4) float32, CIELAB and share of the
        product's colours, largest first; ``reasons`` for what is missing.
    """
    inner = _inner(outline.mask)
    count = cv2.countNonZero(inner)
    step = max(1, int(math.sqrt(count / SAMPLES)))
    thin = np.ascontiguousarray(inner[::step, ::step])
    rows, columns = np.divmod(np.flatnonzero(thin.view(bool)), thin.shape[1])
    place = (rows * inner.shape[1] + columns) * step
    if len(place) < FEWEST:
        return {"reasons": ("the product is too small to measure its light and colour",)}
    linear, lab = picture.colours(place)
    luminance = np.sort(np.log2(np.maximum(linear @ LUMINANCE.astype(np.float32), DARKEST)))
    quarter = len(luminance) // 4
    colours = palette(lab)
    high, low = _clipped_shares(picture, inner)
    return {
        "product_ev": luminance[quarter:-quarter].mean(dtype=float),
        "product_L": colours[0, 0],
        "product_a": colours[0, 1],
        "product_b": colours[0, 2],
        "clipped_high": high,
        "clipped_low": low,
        "tones": np.interp(TONES, np.linspace(0, 1, len(luminance)), luminance).astype(np.float32),
        "palette": colours,
    }


def palette(lab):
    """
    The colours of a product, largest first.

    The fullest cell of a coarse histogram starts a mean shift; what lies within
    `CLUSTER` of where it ends is one colour and is taken out; and so on.

    Parameters
    ----------
    lab : (n, 3) array
        CIELAB.

    Returns
    -------
    (k, 4) float32
        L*, a*, b*, share of the pixels; at most `COLOURS` rows, each of at
        least 4 %.

    References
    ----------
    .. [1] D. Comaniciu, P. Meer, "Mean Shift: A Robust Approach Toward Feature Space Analysis",
       IEEE Trans. Pattern Analysis and Machine Intelligence 24(5):603-619, 2002.

    Examples
    --------
    >>> palette(np.array([[50.0, 20, 10]] * 70 + [[90.0, 0, 0]] * 30)).astype(float).round(2).tolist()
    [[50.0, 20.0, 10.0, 0.7], [90.0, 0.0, 0.0, 0.3]]
    """
    rest = np.ascontiguousarray(np.asarray(lab, np.float32).T)
    total, found = rest.shape[1], []
    while len(found) < COLOURS and rest.shape[1] >= 0.04 * total:
        centre = _fullest_cell(rest)
        for _ in range(4):
            near = _within(rest, centre, CLUSTER)
            count = np.count_nonzero(near)
            centre = rest @ near.astype(np.float32) / count if count else centre
        near = _within(rest, centre, CLUSTER)
        count = np.count_nonzero(near)
        if count < 0.04 * total:
            break
        members = np.take(rest, np.flatnonzero(near), axis=1)
        core = _within(members, median(members), 0.6 * CLUSTER)
        found.append((*np.take(members, np.flatnonzero(core), axis=1).mean(axis=1, dtype=float), count / total))
        rest = np.take(rest, np.flatnonzero(~near), axis=1)
    if not found:
        found.append((*np.median(np.asarray(lab), axis=0), 1.0))
    found.sort(key=lambda row: -row[3])
    return np.array(found, np.float32)


def _within(planes, centre, reach):
    """Which of (3, n) lie within a reach of a centre in all three."""
    near = np.abs(planes - np.asarray(centre, np.float32)[:, None]) <= np.asarray(reach, np.float32)[:, None]
    return near[0] & near[1] & near[2]


def _fullest_cell(planes):
    """Centre of the cell of a coarse CIELAB histogram, smoothed over its neighbours, that holds most."""
    size = np.array([10, 26, 26])
    lowest = np.array([0, -130, -130], np.float32)
    cells = np.clip((planes - lowest[:, None]) * np.float32(0.1), 0, (size - 1).astype(np.float32)[:, None]).astype(np.int32)
    index = (cells[0] * size[1] + cells[1]) * size[2] + cells[2]
    counts = np.bincount(index, minlength=int(size.prod())).reshape(size).astype(np.float32)
    counts = (_with_neighbours(10) @ counts.reshape(10, -1)).reshape(size)
    counts = _with_neighbours(26) @ counts @ _with_neighbours(26)
    cell = np.array(np.unravel_index(np.argmax(counts), counts.shape))
    return ((cell + 0.5) * 10 + lowest).astype(np.float32)


@cache
def _with_neighbours(count):
    """Matrix (count, count) that adds half of each of its neighbours to a cell."""
    return np.eye(count, dtype=np.float32) + 0.5 * (np.eye(count, k=1, dtype=np.float32) + np.eye(count, k=-1, dtype=np.float32))


def _inner(mask):
    """The product without its edge, uint8; without less of it where it is thin."""
    plain = mask.view(np.uint8)
    width = max(3, 2 * round(EDGE * max(mask.shape)) + 1)
    inner = cv2.erode(plain, np.ones((width, width), np.uint8), borderValue=0)
    if cv2.countNonZero(inner) < 0.3 * cv2.countNonZero(plain):
        inner = cv2.erode(plain, np.ones((3, 3), np.uint8), borderValue=0)
    return inner


def _clipped_shares(picture, inner):
    """Shares of the product's full-resolution pixels at the top and at the bottom of the scale."""
    left, top, width, height = cv2.boundingRect(inner)
    bottom, right = top + height, left + width
    scale = picture.reduction
    step = max(1, height * width * scale**2 // COUNTED | 1)
    codes = picture.encoded[top * scale : bottom * scale : step, left * scale : right * scale]
    here = cv2.resize(inner[top:bottom, left:right], codes.shape[1::-1], interpolation=cv2.INTER_NEAREST)
    count = cv2.countNonZero(here)
    lightest, green, blue = cv2.split(codes)  # planes are compared in half the time of pixels
    cv2.max(cv2.max(lightest, green, dst=lightest), blue, dst=lightest)
    high = cv2.countNonZero(cv2.bitwise_and(cv2.compare(lightest, HIGH, cv2.CMP_GE), here))
    low = cv2.countNonZero(cv2.bitwise_and(cv2.compare(lightest, LOW, cv2.CMP_LE), here))
    return high / count, low / count
