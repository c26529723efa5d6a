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

from catalogue_audit.measures.records import of_size
from catalogue_audit.measures.spots import soft_spots

LEAST_WORKING = 4.0  # code values of a candidate in the working picture, where a 3 px speck is thinned to a part of it
LEAST_OVER_GRAIN = 3.0  # times the local mean difference, for a candidate
LEAST_CONTRAST = 10.0  # code values at full resolution; fainter specks are not seen at 100 %
MOST_CANDIDATES = 120
LOCAL = 33  # working px; neighbourhood over which a material's grain is averaged
HALF = 16  # full-resolution px; half of the patch in which a candidate is looked at
BODY = 7.0  # full-resolution px; a speck's own reach, beyond which its surroundings begin
AROUND = 13.0  # full-resolution px; where its surroundings end
STANDS_OUT = 1.6  # times the strongest of its surroundings
OVER_ROUGHNESS = 6.0  # times the deviation of its surroundings
ROUGH = 8  # near-specks on the product from which its surface glints by itself (grained, hammered, metallic)
ROUGH_STANDS_OUT, ROUGH_OVER = 3.0, 10.0  # what a speck has to reach there
LONGEST = 3.0  # length over width; longer is a stitch, a thread or a scratch
REACH = 45.0  # working px; how far neighbours in a row or pattern are looked for


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
    gray = picture.grey
    mask, shadow = of_size(outline.mask, gray.shape), of_size(outline.shadow, gray.shape)
    inner = _inner(mask)
    x, y = _candidates(gray)
    found = _distinct(_looked_at(picture, x, y, inner[y, x] > 0))
    height, width = gray.shape
    scale = picture.grey_reduction
    column = np.clip((found[:, 0] / scale).astype(int), 0, width - 1)
    row = np.clip((found[:, 1] / scale).astype(int), 0, height - 1)
    alone = _alone(found[:, :2] / scale, found[:, 3])
    counted = (inner[row, column] > 0) & (found[:, 4] > 0) & alone
    kind = np.where(counted, 1.0, np.where(mask[row, column], -1.0, 0.0))
    small = np.column_stack([found[:, :4], kind])[alone]
    soft = soft_spots(gray, mask)
    soft[:, :3] *= scale
    spots = np.concatenate([small, soft[_apart(soft, small)]]) if len(soft) else small
    spots[:, 0] /= picture.encoded.shape[1]
    spots[:, 1] /= picture.encoded.shape[0]
    facts = {"sketch": {"spots": spots[np.lexsort((spots[:, 0], spots[:, 1]))].astype(np.float32)}}
    if outline.box is not None:
        facts["specks"] = int(counted.sum())
    return facts


def _candidates(gray):
    """Places (x, y; working px) that stand out from their neighbourhood and are not part of a line or an edge."""
    difference = cv2.absdiff(gray, cv2.medianBlur(gray, 5))
    crest = cv2.compare(difference, cv2.dilate(difference, np.ones((3, 3), np.uint8)), cv2.CMP_GE)
    strong = cv2.threshold(difference, LEAST_WORKING - 1, 255, cv2.THRESH_BINARY)[1]
    y, x = np.divmod(np.flatnonzero(cv2.bitwise_and(crest, strong) > 0), gray.shape[1])
    relative = difference[y, x] / np.maximum(_local_mean(difference, x, y), 0.6)
    apart = np.flatnonzero(relative > LEAST_OVER_GRAIN)
    order = apart[np.argsort(-relative[apart], kind="stable")[:MOST_CANDIDATES]]
    return x[order], y[order]


def _local_mean(size, x, y):
    """Mean of a uint8 picture over `LOCAL` at some places, float32."""
    height, width = size.shape
    across, down = max(width // 4, 1), max(height // 4, 1)
    small = cv2.resize(size[: 4 * down, : 4 * across], (across, down), interpolation=cv2.INTER_AREA)  # whole cells: faster
    smooth = cv2.blur(small.astype(np.float32), (LOCAL // 4 | 1, LOCAL // 4 | 1))
    return cv2.resize(smooth, (width, height), interpolation=cv2.INTER_LINEAR)[y, x]


def _looked_at(picture, x, y, on_product):
    """
    Candidates measured at full resolution.

    Returns
    -------
    (n, 5) float64
        x, y (full-resolution px), size (px across), contrast (code values, +
        bright), and 1 where it is a speck without doubt, else 0; strongest first.
    """
    scale = picture.grey_reduction
    height, width = picture.encoded.shape[:2]
    if min(height, width) <= 2 * HALF + 1 or not len(x):
        return np.empty((0, 5))
    cx = np.clip(((x + 0.5) * scale).astype(int), HALF, width - 1 - HALF)
    cy = np.clip(((y + 0.5) * scale).astype(int), HALF, height - 1 - HALF)
    off, smooth = _patches(picture.encoded, cx, cy)
    column, row = (values.ravel().astype(np.float32) for values in np.meshgrid(_OFFSET, _OFFSET))
    search = np.flatnonzero(np.hypot(column, row) <= scale + 1.5)
    place = search[np.argmax(np.abs(smooth[:, search]), axis=1)]
    peak = smooth[np.arange(len(cx)), place]
    seen = np.flatnonzero(np.abs(peak) >= 0.5 * LEAST_CONTRAST)
    cx, cy, off, smooth, place, peak, on_product = (v[seen] for v in (cx, cy, off, smooth, place, peak, on_product))
    away = np.hypot(column - column[place][:, None], row - row[place][:, None])
    level = np.abs(peak)
    body = (off * np.sign(peak)[:, None] > 0.5 * level[:, None]) & (away <= BODY)
    area = np.maximum(body.sum(axis=1), 1)
    mean_x, mean_y, length = _shape(body, area, column, row)
    ring = (away > BODY + 1) & (away <= AROUND)
    beside = np.where(ring, np.abs(smooth), 0)
    stands_out = level / np.maximum(beside.max(axis=1), 1e-3)
    roughness = np.sqrt((beside**2).sum(axis=1) / np.maximum(ring.sum(axis=1), 1))
    over = level / np.maximum(roughness, 0.3)
    likely = (stands_out > 1.1) & (length < LONGEST)
    sure = likely & (level >= LEAST_CONTRAST) & (area >= 3)
    rough = (likely & on_product & (over < ROUGH_OVER)).sum() >= ROUGH
    sure &= stands_out > (ROUGH_STANDS_OUT if rough else _tail_limit(stands_out[likely]))
    sure &= over > (ROUGH_OVER if rough else OVER_ROUGHNESS)
    contrast = np.sign(peak) * np.where(body, np.abs(off), 0).max(axis=1)
    result = np.column_stack([cx + mean_x + 0.5, cy + mean_y + 0.5, 2 * np.sqrt(area / np.pi), contrast, sure])[likely]
    return result[np.argsort(-np.abs(result[:, 3]), kind="stable")]


_OFFSET = np.arange(-HALF, HALF + 1)


def _patches(encoded, cx, cy):
    """Luma around each place less its surroundings' median, and the same smoothed over 3 x 3; (n, pixels)."""
    side = 2 * HALF + 1
    patches = np.stack([encoded[y : y + side, x : x + side] for y, x in zip(cy - HALF, cx - HALF, strict=True)])
    gray = cv2.cvtColor(patches.reshape(-1, len(_OFFSET), 3), cv2.COLOR_RGB2GRAY).reshape(len(cx), len(_OFFSET), -1)
    level = np.median(gray[:, ::3, ::3].reshape(len(cx), -1), axis=1)  # a speck covers too little to move it
    off = gray.astype(np.float32) - level[:, None, None]
    smooth = _blurred(off)
    return off.reshape(len(cx), -1), smooth.reshape(len(cx), -1)


def _blurred(patches):
    """Each of (n, side, side) smoothed over 3 x 3, its border repeated; one pass over all, then their outer rows again."""
    side = patches.shape[1]
    smooth = cv2.blur(patches.reshape(-1, side), (3, 3), borderType=cv2.BORDER_REPLICATE).reshape(patches.shape)
    for edge, beside in ((0, 1), (-1, -2)):
        row = (2 * patches[:, edge] + patches[:, beside]) / 3
        smooth[:, edge] = cv2.blur(row, (3, 1), borderType=cv2.BORDER_REPLICATE)
    return smooth


def _shape(body, area, column, row):
    """Centre of each speck's pixels, and their length over width."""
    weight = body.astype(np.float32)
    terms = np.column_stack([column, row, column**2, row**2, column * row])
    mean_x, mean_y, xx, yy, xy = (weight @ terms / area[:, None]).T
    xx, yy, xy = xx - mean_x**2 + 1 / 12, yy - mean_y**2 + 1 / 12, xy - mean_x * mean_y
    spread = np.hypot(xx - yy, 2 * xy)
    return mean_x, mean_y, np.sqrt((xx + yy + spread) / np.maximum(xx + yy - spread, 1e-3))


def _tail_limit(stands_out):
    """
    How far a speck has to stand out, given how often the material's own grain nearly does.

    Peaks of grain become exponentially rarer the further they stand out; where
    they are many, the limit is moved to where half a one is expected.
    """
    low = 1.25
    below, above = int((stands_out > low).sum()), int((stands_out > STANDS_OUT).sum())
    if above == 0 or below < 3 * above:
        return STANDS_OUT
    fall = (STANDS_OUT - low) / math.log(below / above)
    return STANDS_OUT + fall * math.log(2 * above)


def _distinct(found):
    """Without those that a stronger one (earlier) overlaps."""
    if len(found) < 2:
        return found
    apart = np.hypot(*(found[:, None, :2] - found[None, :, :2]).transpose(2, 0, 1))
    overlapped = np.tril(apart < np.maximum(found[:, 2], 5.0)[None], -1).any(axis=1)
    return found[~overlapped]


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
    return cv2.erode(mask, np.ones((width, width), np.uint8), borderValue=0)


def _apart(soft, small):
    """True for soft spots that are not one of the small ones found as well."""
    if not len(small):
        return np.ones(len(soft), bool)
    distance = np.hypot(soft[:, :1] - small[:, 0], soft[:, 1:2] - small[:, 1])
    return distance.min(axis=1) > np.maximum(soft[:, 2], 6.0)
