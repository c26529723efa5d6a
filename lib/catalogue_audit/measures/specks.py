"""
Specks on the product, and spots anywhere that may be dust on the sensor.

A speck is small, alone, and stands out from what surrounds it by more than the
material's own grain does. Stitches stand in rows, studs in patterns, grain is
everywhere; none of them is alone.

Candidates are found in the working picture and looked at in the full-resolution
pixels.
"""

import math

import cv2
import numpy as np

from catalogue_audit.measures.spots import soft_spots

LEAST_WORKING = 4.0  # code values of a candidate in the working picture, where a 3 px speck is thinned to a part of it
LEAST_CONTRAST = 10.0  # code values at full resolution; fainter specks are not seen at 100 %
MOST_CANDIDATES = 400
LOCAL = 33  # working px; neighbourhood over which a material's grain is averaged
HALF = 14  # full-resolution px; half of the patch in which a candidate is looked at
LONGEST = 3.0  # length over width; longer is a stitch, a thread or a scratch
REACH = 45.0  # working px; how far neighbours in a row or pattern are looked for
KEPT = 150  # spots of each kind in the sketch


def speck_facts(picture, outline):
    """
    Count of specks on the product; places of specks and spots for the sketch.

    Parameters
    ----------
    picture : Picture
    outline : Outline

    Returns
    -------
    dict
        ``specks``; under ``sketch``: ``spots``, (n, 5) float32, as in `measures.sketch`.
    """
    gray = cv2.cvtColor(picture.working, cv2.COLOR_RGB2GRAY)
    x, y, strength = _candidates(gray)
    found = _looked_at(picture, x, y) if len(x) else np.empty((0, 6))
    height, width = gray.shape
    scale = picture.reduction
    column = np.clip((found[:, 0] / scale).astype(int), 0, width - 1)
    row = np.clip((found[:, 1] / scale).astype(int), 0, height - 1)
    on_product = _inner(outline.mask)[row, column] > 0
    sure = found[:, 4] > 0
    alone = _alone(found[:, :2] / scale, found[:, 3])
    counted = on_product & sure & alone
    kind = np.where(counted, 1.0, np.where(outline.mask[row, column], -1.0, 0.0))
    kept = counted | (alone & ~on_product) | (on_product & alone)
    small = np.column_stack([found[:, 0], found[:, 1], found[:, 2], found[:, 3], kind])[kept]
    soft = soft_spots(gray, outline.mask, outline.shadow)
    soft[:, :3] *= scale
    spots = np.concatenate([small, soft[_apart(soft, small)]]) if len(soft) else small
    spots[:, 0] /= picture.encoded.shape[1]
    spots[:, 1] /= picture.encoded.shape[0]
    facts = {"sketch": {"spots": spots[np.lexsort((spots[:, 0], spots[:, 1]))].astype(np.float32)}}
    if outline.mask.any():
        facts["specks"] = int(counted.sum())
    return facts


def _candidates(gray):
    """Places (x, y; working px) that stand out from their neighbourhood, strongest first, and by how much."""
    difference = cv2.subtract(gray, cv2.medianBlur(gray, 5), dtype=cv2.CV_16S)
    size = cv2.convertScaleAbs(difference)
    grain = _local_mean(size)
    floor = cv2.max(grain, 0.6)
    relative = cv2.divide(size.astype(np.float32), floor)
    peak = (size >= LEAST_WORKING) & (relative > 3) & (size == cv2.dilate(size, np.ones((3, 3), np.uint8)))
    y, x = peak.nonzero()
    ratio = relative[y, x]
    strong = ratio > _tail_limit(ratio)
    x, y, ratio = x[strong], y[strong], ratio[strong]
    many = (size > 0.5 * LEAST_WORKING) & (relative > 2.5)
    crowd = cv2.boxFilter(many.view(np.uint8), cv2.CV_16U, (11, 11), normalize=False)
    core = cv2.boxFilter(many.view(np.uint8), cv2.CV_16U, (5, 5), normalize=False)
    free = (crowd.astype(np.int16) - core)[y, x] <= 3
    x, y, ratio = x[free], y[free], ratio[free]
    order = np.argsort(-ratio, kind="stable")[:MOST_CANDIDATES]
    return x[order], y[order], ratio[order]


def _local_mean(size):
    """Mean of a uint8 picture over `LOCAL`, float32 (from an eighth of the pixels)."""
    height, width = size.shape
    small = cv2.resize(size, (max(width // 4, 1), max(height // 4, 1)), interpolation=cv2.INTER_AREA)
    smooth = cv2.blur(small.astype(np.float32), (LOCAL // 4 | 1, LOCAL // 4 | 1))
    return cv2.resize(smooth, (width, height), interpolation=cv2.INTER_LINEAR)


def _tail_limit(ratio):
    """
    How far above its grain a speck has to stand, from the tail of the grain itself.

    The number of peaks above a level falls off exponentially with the level; the
    limit is where half a peak of grain is expected.
    """
    low, high = 3.0, 4.5
    below, above = int((ratio > low).sum()), int((ratio > high).sum())
    if above == 0:
        return high
    fall = (high - low) / max(math.log(max(below, 1) / above), 1.25)
    return high + fall * math.log(max(2 * above, 2))


def _looked_at(picture, x, y):
    """
    Candidates measured at full resolution.

    Returns
    -------
    (n, 6) float64
        x, y (full-resolution px), size (px across), contrast (code values, + bright), sure (0 or 1), length over width.
    """
    scale = picture.reduction
    height, width = picture.encoded.shape[:2]
    cx = np.clip(((x + 0.5) * scale).astype(int), HALF, width - 1 - HALF)
    cy = np.clip(((y + 0.5) * scale).astype(int), HALF, height - 1 - HALF)
    if min(height, width) <= 2 * HALF + 1:
        return np.empty((0, 6))
    offset = np.arange(-HALF, HALF + 1)
    patches = picture.encoded[cy[:, None, None] + offset[:, None], cx[:, None, None] + offset]
    flat = patches.reshape(len(cx), -1, 3)
    luma = cv2.transform(flat, np.array([[0.299, 0.587, 0.114]], np.float32)).astype(np.float32)
    distance = np.hypot(offset[:, None], offset).ravel()
    ring = (distance > 8) & (distance < 13)
    around = luma[:, ring]
    level = np.median(around, axis=1)
    grain = 1.4826 * np.median(np.abs(around - level[:, None]), axis=1)
    off = luma - level[:, None]
    search = distance <= scale + 1.5
    smooth = cv2.blur(off.reshape(len(cx) * (2 * HALF + 1), -1), (3, 3)).reshape(off.shape)
    place = np.flatnonzero(search)[np.argmax(np.abs(smooth[:, search]), axis=1)]
    contrast = smooth[np.arange(len(cx)), place]
    sign = np.sign(contrast)
    peak = np.abs(contrast)
    dy, dx = place // (2 * HALF + 1) - HALF, place % (2 * HALF + 1) - HALF
    column, row = np.tile(offset, 2 * HALF + 1), np.repeat(offset, 2 * HALF + 1)
    away = np.hypot(column - dx[:, None], row - dy[:, None])
    above = sign[:, None] * off > 0.5 * peak[:, None]
    body = above & (away <= 7)
    area = np.maximum(body.sum(axis=1), 1)
    mean_x, mean_y = (body * column).sum(axis=1) / area, (body * row).sum(axis=1) / area
    xx = (body * column**2).sum(axis=1) / area - mean_x**2 + 1 / 12
    yy = (body * row**2).sum(axis=1) / area - mean_y**2 + 1 / 12
    xy = (body * (column * row)).sum(axis=1) / area - mean_x * mean_y
    spread = np.hypot(xx - yy, 2 * xy)
    length = np.sqrt((xx + yy + spread) / np.maximum(xx + yy - spread, 1e-3))
    outside = (np.abs(off) > 0.5 * peak[:, None]) & (away > 8)
    clear = outside.sum(axis=1) <= 0.03 * (away > 8).sum(axis=1)
    sure = (peak >= LEAST_CONTRAST) & (peak > 3.5 * grain) & clear & (length < LONGEST) & (area >= 3)
    likely = (peak >= 0.5 * LEAST_CONTRAST) & (peak > 2.5 * grain) & (length < LONGEST)
    size = 2 * np.sqrt(area / np.pi)
    contrast = sign * np.max(np.where(body, np.abs(off), 0), axis=1)
    result = np.column_stack([cx + mean_x + 0.5, cy + mean_y + 0.5, size, contrast, sure, length])
    return result[sure | likely]


def _alone(places, contrast):
    """False for members of a row or a pattern: two neighbours of the same sign on opposite sides, as far away."""
    count = len(places)
    alone = np.ones(count, bool)
    if count < 3:
        return alone
    apart = places[None] - places[:, None]
    distance = np.hypot(apart[..., 0], apart[..., 1])
    alike = (contrast[None] * contrast[:, None] > 0) & (np.abs(np.log(np.abs(contrast[None] / contrast[:, None]))) < 0.7)
    near = (distance > 0) & (distance < REACH) & alike
    for k in near.sum(axis=1).nonzero()[0]:
        others = near[k].nonzero()[0]
        vectors, lengths = apart[k, others], distance[k, others]
        opposite = vectors @ vectors.T / np.outer(lengths, lengths) < -0.96
        equal = np.abs(np.log(lengths[:, None] / lengths[None])) < 0.25
        alone[k] = not (opposite & equal).any()
    return alone


def _inner(mask):
    """The product without its edge, uint8."""
    width = max(3, 2 * round(0.003 * max(mask.shape)) + 1)
    return cv2.erode(mask.view(np.uint8), np.ones((width, width), np.uint8), borderValue=0)


def _apart(soft, small):
    """True for soft spots that are not one of the small ones found as well."""
    if not len(small):
        return np.ones(len(soft), bool)
    distance = np.hypot(soft[:, :1] - small[:, 0], soft[:, 1:2] - small[:, 1])
    return distance.min(axis=1) > np.maximum(soft[:, 2], 6)
