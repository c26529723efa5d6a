"""
Background grown from the frame's border, and what it cannot reach divided from it.

The background is grown over pixels that are backdrop, or backdrop in shadow, and
across which no edge runs. What it cannot reach is product, or a shadow too
steep to be grown over; a watershed divides the two along the strongest edge.

All lengths are pixels of half the working size.
"""

import cv2
import numpy as np

from catalogue_audit.measures.evidence import tones
from catalogue_audit.measures.quantiles import median, quantile
from catalogue_audit.measures.segmentation.gaps import CLEAR_EDGE, GAP_LIGHT, gaps
from catalogue_audit.measures.segmentation.pools import shadow_pools

SHADOW_REACH = 0.05  # of the frame's long side; a contact shadow too steep to be grown over is no wider than this
NOISE_REACH_PX = 5  # how far from an edge the noise of a JPEG block may stop the growing background
SHARP = 0.45  # CIELAB a working pixel
FAINT_TINT = 0.12  # the same, of chroma over some pixels: about twice what the steps between a JPEG's blocks make
TINT_CREST = 0.4  # share of the steepest tint nearby
LONE_UNLIKE = 20.0  # CIELAB from which what is thin is no noise; less where the product is less unlike the backdrop
SHADED = 0.992  # of the backdrop's L* + 16, at the outermost rim of a shadow
SUDDEN = 0.3  # of the backdrop's L* + 16; no shadow falls by as much within `NOISE_REACH_PX`
LONE_SHADOW_RATIO = 0.6  # of the backdrop's L* + 16; a shadow lying by itself, away from contact, is not darker
LEAST_PART, FAINT_PART = 0.0005, 4.0  # of the area of the largest part; and CIELAB from the backdrop, of a part that is no noise
FOOT = 0.25  # of the product's height, counted from below
SMALLEST_PART_PX, PART_REACH = 5, 0.04  # pixels, and of the frame's long side: of a small part that hangs on a large one
PALE_RIM = 4.0  # CIELAB L*, by which a rim is lighter than the backdrop, and what it runs around is darker
BLEED = 0.2  # share of a product's chroma that a JPEG carries over its edge
KERNEL2, KERNEL3, KERNEL5, KERNEL9 = (np.ones((n, n), np.uint8) for n in (2, 3, 5, 9))


def grow(evidence, scatter, long_side, tint, gap_light=GAP_LIGHT, table=None):
    """
    Grow the background from the border.

    Parameters
    ----------
    evidence : Evidence
    scatter : (3,) float
        Of the backdrop.
    long_side : int
        Of the whole frame, px.
    tint : float
        CIELAB chroma of the backdrop.
    gap_light : float
        CIELAB L*; how far what is seen through a handle may lie from the backdrop.
    table : float, optional
        Row of a table's edge behind the product.

    Returns
    -------
    ground, product : (h, w) bool
        Between the two lies a line of pixels that their edge divides.
    """
    ratio, chroma, edge = evidence.ratio, evidence.chroma, evidence.edge
    rim_edge = rim_of(edge)
    sharp = max(SHARP, 3.0 * float(median(rim_edge)))
    faint = max(FAINT_TINT, 1.5 * quantile(rim_of(evidence.tint), 0.99))
    faint = cv2.max(TINT_CREST * cv2.dilate(evidence.tint, KERNEL9), faint)  # of a vivid edge its crest, not its slopes
    tolerance = float(3 * np.hypot(scatter[1], scatter[2]))
    darkening = np.clip(1 - ratio, 0, 1)
    allowed = 6 * darkening + np.float32(3.0 + tolerance)  # bounced light tints a shadow
    passable = (edge < sharp) & (chroma < allowed) & (evidence.tint < faint)
    passable &= (ratio < 1.05) & (ratio > 0.3)
    plain = np.abs(rim_of(evidence.light)) < 2.0 + 3 * scatter[0]
    plain &= (rim_of(chroma) < 2.5 + tolerance) & (rim_edge < sharp)

    passable = passable.view(np.uint8)
    inner = cv2.erode(passable, KERNEL2, anchor=(0, 0), borderType=cv2.BORDER_REPLICATE)
    count, labels = cv2.connectedComponents(inner, connectivity=4)
    keep = np.zeros(count, bool)
    keep[rim_of(labels)[plain]] = True
    keep[0] = False
    keep[gaps(labels, evidence, keep, scatter, gap_light)] = True
    ground = cv2.dilate(np.take(keep, labels).view(np.uint8), KERNEL2, anchor=(1, 1)) & passable
    ground |= shadow_pools(ground, evidence, chroma < allowed, round(SHADOW_REACH / 2 * long_side), tint, table)
    allowed += 12 * darkening  # close to a vivid product its colour fills the shadow
    shadow_like = (chroma < allowed) & (ratio < 1.02) & (ratio > 0.1)
    return _divide(evidence, ground > 0, shadow_like, long_side)


def rim_of(plane):
    """Values of the two outermost rows and columns, (n,)."""
    return np.concatenate([side.ravel() for side in (plane[:2], plane[-2:], plane[2:-2, :2], plane[2:-2, -2:])])


def _divide(evidence, ground, shadow_like, long_side):
    """
    Divide what the background did not reach between background and product.

    A steep shadow lies within `SHADOW_REACH` of the background; deeper, or
    unlike any shadow, is product.
    """
    rest = (~ground).view(np.uint8)
    deep = cv2.erode(rest, KERNEL3, borderType=cv2.BORDER_REPLICATE) > 0
    sure = _sure_product(evidence, ground, deep, shadow_like, round(SHADOW_REACH * long_side))
    count, labels = cv2.connectedComponents(rest, connectivity=8)
    sure = _without_lone_shadows(sure, deep, labels, count, evidence, shadow_like)
    markers = ground.view(np.uint8) + 2 * sure.view(np.uint8)
    open_ = cv2.dilate((markers == 0).view(np.uint8), KERNEL3) > 0
    markers = markers.astype(np.int32)
    cv2.watershed(tones(evidence, open_), markers)
    for edge, beside in ((0, 1), (-1, -2)):  # the watershed leaves the frame's outermost pixels undecided
        markers[edge], markers[:, edge] = markers[beside], markers[:, beside]
    return markers == 1, markers == 2


def _sure_product(evidence, ground, deep, shadow_like, reach):
    """What is product for sure: deep behind the front of the background, or of a kind that no shadow or noise has."""
    front = (cv2.dilate(ground.view(np.uint8), KERNEL3) > 0) & ~ground
    soft = front & (cv2.dilate(evidence.step.view(np.uint8), KERNEL3) == 0) & (evidence.ratio < SHADED)
    near = np.ones((2 * NOISE_REACH_PX + 1,) * 2, np.uint8)
    sudden = cv2.dilate(evidence.ratio * ground, near) - evidence.ratio > SUDDEN
    unlike = np.abs(evidence.light)
    weak = (unlike < 5.0) & (evidence.chroma < cv2.max(BLEED * cv2.dilate(evidence.chroma, near), 9.0))  # a JPEG's bleeding
    unlike += evidence.chroma
    foot = unlike < 0.5 * cv2.dilate(unlike, KERNEL5)  # of an edge, which is steep from both sides
    foot &= ~_pale_rims(evidence.light, ground)
    beside = cv2.dilate(front.view(np.uint8), near) > 0
    sure = deep & (sudden | ~(shadow_like & _widened(soft, reach))) & ~((weak | foot) & beside)
    inside = unlike[::3, ::3][~ground[::3, ::3]]
    lone = min(LONE_UNLIKE, 0.5 * float(median(inside))) if len(inside) else LONE_UNLIKE
    return sure & ((unlike > lone) | (cv2.morphologyEx(sure.view(np.uint8), cv2.MORPH_OPEN, KERNEL3) > 0))


def _pale_rims(light, ground):
    """
    What is lighter than the backdrop around a product that is darker, (h, w) bool: no mixture of the two is, and no shadow.

    What sharpening or a JPEG draws beside an edge is thinner.
    """
    rims = cv2.morphologyEx(((light > PALE_RIM) & ~ground).view(np.uint8), cv2.MORPH_OPEN, KERNEL3).view(bool)
    return rims & (cv2.erode(light, KERNEL9) < -PALE_RIM) if rims.any() else rims


def _widened(where, reach):
    """Pixels within a reach (a square's half side) of some; on a grid of two."""
    height, width = where.shape
    thin = cv2.dilate(where.view(np.uint8), KERNEL3)[::2, ::2]
    side = 2 * (reach // 2) + 1
    thin = cv2.dilate(thin, np.ones((side, side), np.uint8))
    return cv2.resize(thin, (width, height), interpolation=cv2.INTER_NEAREST) > 0


def _without_lone_shadows(sure, deep, labels, count, evidence, shadow_like):
    """Sure product, without parts that are shadows lying by themselves: no chromaticity and no sharp edge of their own."""
    kind = deep + 2 * shadow_like.view(np.uint8) + 4 * (evidence.step & (evidence.edge > CLEAR_EDGE)).view(np.uint8) + 8 * sure.view(np.uint8)
    place = np.flatnonzero(labels > 0)
    tally = np.bincount(16 * np.take(labels, place) + np.take(kind, place), minlength=16 * count).reshape(count, 2, 2, 2, 2)  # sure, step, shadow, deep
    without, tally = tally[:, 1].sum(axis=(1, 2, 3)) == 0, tally.sum(axis=1)
    pixels, own, rim, sharp = tally.sum(axis=(1, 2, 3)), tally[:, :, 0, 1].sum(axis=1), tally[..., 0].sum(axis=(1, 2)), tally[:, 1].sum(axis=(1, 2))
    is_shadow = (own < 0.02 * pixels) & (sharp < 0.1 * rim)
    is_shadow[0] = False
    if is_shadow.any():
        inside = place[np.take(is_shadow, np.take(labels, place))]
        darkness = np.bincount(np.take(labels, inside), weights=np.take(evidence.ratio, inside), minlength=count) / np.maximum(pixels, 1)
        is_shadow &= darkness > LONE_SHADOW_RATIO
    without[0] = False
    if without.any():
        sure = sure | (np.take(without, labels) & deep)
    return sure & ~np.take(is_shadow, labels) if is_shadow.any() else sure


def without_crumbs(product, evidence, long_side):
    """Parts large enough, and unlike enough, to be product: specks and noise on the backdrop are not."""
    count, labels = cv2.connectedComponents(product.view(np.uint8), connectivity=8)
    if count <= 1:
        return product
    inside = np.flatnonzero(product)
    unlike = np.abs(np.take(evidence.light, inside)) + np.take(evidence.chroma, inside)
    if count == 2:  # mostly so
        return product if unlike.mean(dtype=float) > FAINT_PART else np.zeros_like(product)
    own = np.take(labels, inside)
    area = np.bincount(own, minlength=count)
    weight = np.bincount(own, weights=unlike, minlength=count)
    large = (weight > 0.002 * weight.max()) & (area > LEAST_PART * area.max()) & (weight > FAINT_PART * area)
    small = ~large & (area > SMALLEST_PART_PX) & (weight > 20.0 * area)
    large[0] = small[0] = False
    if small.any():  # a ring or a tag's end that hangs on a thread too thin to see; far away it is dirt
        near = _widened(np.take(large, labels), round(PART_REACH * long_side))
        large |= small & (np.bincount(own, weights=near.ravel()[inside], minlength=count) > 0)
    return product if large[1:].all() else np.take(large, labels)


def without_scraps(evidence, ground, product):
    """Ground and product without scraps that a shadow, taken off, has left: too small to be parts at all, or faint and all at the product's foot."""
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(product.view(np.uint8), connectivity=8)
    if count <= 2:
        return ground, product
    area, top, height = (boxes[:, column].copy() for column in (cv2.CC_STAT_AREA, cv2.CC_STAT_TOP, cv2.CC_STAT_HEIGHT))
    area[0] = 0
    main = int(area.argmax())
    foot = top > top[main] + (1 - FOOT) * height[main]
    inside = np.flatnonzero(product)
    unlike = np.abs(evidence.light).ravel()[inside] + evidence.chroma.ravel()[inside]
    faint = np.bincount(labels.ravel()[inside], weights=unlike, minlength=count) < FAINT_PART * area
    large = (area > LEAST_PART * area[main]) & ~(foot & faint)
    large[0] = False
    kept = np.take(large, labels)
    return ground | (product & ~kept), kept
