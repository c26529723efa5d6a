"""
Background grown from the frame's border, and what it cannot reach divided from it.

The background is grown over pixels that are backdrop, or backdrop in shadow, and
across which no edge runs. What it cannot reach is product, or a shadow too
steep to be grown over; a watershed divides the two along the strongest edge.

All lengths are pixels of half the working size.
"""

from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit.measures.evidence import tones
from catalogue_audit.measures.quantiles import median, quantile
from catalogue_audit.measures.segmentation.pools import shadow_pools

SHADOW_REACH = 0.05  # of the frame's long side; a contact shadow too steep to be grown over is no wider than this
NOISE_REACH_PX = 5  # how far from an edge the noise of a JPEG block may stop the growing background
SMALLEST_GAP_PX = 4
FEWEST_NEAR = 6  # pixels of background around a gap; with fewer the fitted backdrop stands for them
MOST_GAPS = 40  # parts looked at, the largest first: a texture has hundreds
GAP_LIGHT, GAP_CHROMA = 12.0, 5.0  # CIELAB; how far a gap may lie from the fitted backdrop; at most half that from its surroundings
BESIDE_GAP = 0.5  # of a gap's pixels have ground beside them in their own rows
MOST_FRAMED = 2.4  # CIELAB L*; between handles of a dark product, twice the most that was seen
GAP_STEPPED, PURE_GAP_STEPPED = 0.88, 0.72  # share of a gap's rim that is an edge; of one whose tone is the backdrop's own
WIDE_GAP = 0.02  # of the part of the frame that is looked at; no burnt-out highlight is as large
SAME_TONE = 0.25  # CIELAB; pure white is the same everywhere, a photographed backdrop is not
UNSTEPPED = 0.15  # share of such a rim that noise makes
SHARP = 0.45  # CIELAB a working pixel
FAINT_TINT = 0.12  # the same, of chroma over some pixels: about twice what the steps between a JPEG's blocks make
TINT_CREST = 0.4  # share of the steepest tint nearby
CLEAR_EDGE = 3.0  # CIELAB a working pixel; steeper than a shadow lying by itself ends, or a burnt-out highlight
LONE_UNLIKE = 20.0  # CIELAB from which what is thin is no noise; less where the product is less unlike the backdrop
SHADED = 0.992  # of the backdrop's L* + 16, at the outermost rim of a shadow
SUDDEN = 0.3  # of the backdrop's L* + 16; no shadow falls by as much within `NOISE_REACH_PX`
LONE_SHADOW_RATIO = 0.6  # of the backdrop's L* + 16; a shadow lying by itself, away from contact, is not darker
LEAST_PART, FAINT_PART = 0.0005, 4.0  # of the area of the largest part; and CIELAB from the backdrop, of a part that is no noise
FOOT = 0.25  # of the product's height, counted from below
SMALLEST_PART_PX, PART_REACH = 5, 0.04  # pixels, and of the frame's long side: of a small part that hangs on a large one
BLEED = 0.2  # share of a product's chroma that a JPEG carries over its edge
MANY = 2000  # pixels of which every fourth gives the same median
KERNEL2, KERNEL3, KERNEL5, KERNEL9 = (np.ones((n, n), np.uint8) for n in (2, 3, 5, 9))


class GapLimits(NamedTuple):
    """
    How far a gap may be from what the background around the product is.

    Attributes
    ----------
    shaded, framed : float
        CIELAB L* from the background around it: of ground that a shadow keeps apart; of a gap framed by edges.
    uneven : float
        CIELAB L*; nine tenths of a framed gap lie within that of its median.
    chroma : float
        CIELAB a*, b* from the background around it.
    unstepped : float
        Share of a rim that has edges by chance.
    clear : float
        Edge that most of a gap's rim has at least, CIELAB a working pixel.
    """

    shaded: float
    framed: float
    uneven: float
    chroma: float
    unstepped: float
    clear: float


def grow(evidence, scatter, long_side, tint, gap_light=GAP_LIGHT):
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
    keep[_gaps(labels, evidence, keep, scatter, gap_light)] = True
    ground = cv2.dilate(np.take(keep, labels).view(np.uint8), KERNEL2, anchor=(1, 1)) & passable
    ground |= shadow_pools(ground, evidence, chroma < allowed, round(SHADOW_REACH / 2 * long_side), tint)
    allowed += 12 * darkening  # close to a vivid product its colour fills the shadow
    shadow_like = (chroma < allowed) & (ratio < 1.02) & (ratio > 0.1)
    return _divide(evidence, ground > 0, shadow_like, long_side)


def rim_of(plane):
    """Values of the two outermost rows and columns, (n,)."""
    return np.concatenate([side.ravel() for side in (plane[:2], plane[-2:], plane[2:-2, :2], plane[2:-2, -2:])])


def _gaps(labels, evidence, outside, scatter, gap_light):
    """
    Components of backdrop seen through the product, such as a handle's gap.

    The same tone as the background around the product, and a step to something
    else all around: a highlight or a smooth panel has neither.
    """
    count = len(outside)
    inside = ~outside
    inside[0] = False
    place = np.flatnonzero(np.take(inside, labels))
    own = labels.ravel()[place]
    area = np.bincount(own, minlength=count)
    alike = (np.abs(evidence.light.ravel()[place]) < gap_light) & (evidence.chroma.ravel()[place] < GAP_CHROMA + 2)
    share = np.bincount(own, weights=alike, minlength=count)
    candidates = np.flatnonzero((area > SMALLEST_GAP_PX) & (share > 0.4 * area))
    candidates = candidates[np.argsort(-area[candidates], kind="stable")][:MOST_GAPS]
    if not len(candidates):
        return []
    wanted = np.zeros(count, bool)
    wanted[candidates] = True
    chosen = np.flatnonzero(wanted[own])
    chosen = chosen[np.argsort(own[chosen], kind="stable")]
    place, own = place[chosen], own[chosen]
    limits = _gap_limits(evidence, labels, outside, float(scatter[0]), gap_light)
    found = []
    for part in np.split(place, np.flatnonzero(np.diff(own)) + 1):
        rows, columns = np.divmod(part, labels.shape[1])
        box = columns.min(), rows.min(), np.ptp(columns) + 1, np.ptp(rows) + 1
        label = labels.ravel()[part[0]]
        if _is_gap(label, box, part, labels, evidence, outside, limits):
            found.append(label)
    return found


def _gap_limits(evidence, labels, outside, scatter, gap_light):
    """
    `GapLimits` of one picture.

    Light that the product throws into the gap grows with how unlike the product is;
    the panel of a white product on white is told by less. On pure white nothing is thrown, and
    every gap has clear edges, while a highlight burnt out to the same white fades.
    """
    grid = (slice(None, None, 3),) * 2
    inside = np.flatnonzero(~np.take(outside, labels[grid]))
    light, chroma = (float(median(plane[grid].ravel()[inside])) for plane in (evidence.light, evidence.chroma))
    unstepped, clear = (UNSTEPPED, 0.0) if gap_light >= GAP_LIGHT else (0.0, CLEAR_EDGE)
    shaded = min(max(0.3 * abs(light), 1.5), gap_light / 2)
    framed = min(max(0.15 * abs(light), 1.5), MOST_FRAMED, shaded)
    return GapLimits(shaded, framed, 1.0 + 2 * scatter, min(1.2 + 0.03 * chroma, GAP_CHROMA / 2), unstepped, clear)


def _is_gap(label, box, place, labels, evidence, outside, limits):
    """Whether one component, its pixels' flat indices in order, shows the backdrop."""
    x, y, w, h = box
    tone = _tone(evidence, place)
    if abs(tone[0]) > GAP_LIGHT or np.hypot(tone[1], tone[2]) > GAP_CHROMA:
        return False
    rows, columns = (slice(span.start, span.stop, 2) for span in _window(x, y, w, h, 30))
    near = np.flatnonzero(np.take(outside, labels[rows, columns]))
    known = len(near) >= FEWEST_NEAR
    ground, apart = (0.0, 0.0, 0.0), np.take(evidence.light, place)
    if known:
        row, column = np.divmod(near, len(range(*columns.indices(labels.shape[1]))))
        beside = (rows.start + 2 * row) * labels.shape[1] + columns.start + 2 * column
        ground = _tone(evidence, beside)
        apart = _apart_by_rows(evidence.light, place, beside, ground[0])
    off = float(median(apart))
    if abs(off) > limits.shaded or np.hypot(tone[1] - ground[1], tone[2] - ground[2]) > limits.chroma:
        return False
    window = _window(x, y, w, h, 12)
    inside = labels[window] == label
    alike = (np.abs(evidence.light[window] - tone[0]) < 3.0) & (evidence.chroma[window] < 3.0 + np.hypot(*tone[1:]))
    region = cv2.dilate(inside.view(np.uint8), KERNEL9) & alike.view(np.uint8)  # up to its edges, and no further where one is faint
    ring = (cv2.dilate(region, KERNEL3) > 0) & (region == 0)
    if not ring.any():
        return False
    if median(evidence.edge[window][ring]) < limits.clear and len(place) < WIDE_GAP * labels.size:
        return False
    steps = cv2.dilate(evidence.step[window].view(np.uint8), KERNEL5)
    share = np.mean(steps[ring] > 0)
    same = max(abs(here - around) for here, around in zip(tone, ground, strict=True)) < SAME_TONE
    if share > (PURE_GAP_STEPPED if same else GAP_STEPPED):
        return abs(off) < limits.framed and quantile(np.abs(apart - off), 0.9) < limits.uneven
    return known and share < limits.unstepped and abs(tone[0]) < limits.shaded  # background that only a faint tint kept apart


def _apart_by_rows(light, place, beside, around):
    """
    How far a gap's pixels lie from the ground beside them in their own rows, CIELAB L*; or from ``around`` where most rows show none.

    A sweep changes from row to row, and where it begins to burn out no smooth surface follows it.
    """
    width = light.shape[1]
    first = place[0] // width
    rows, at = (place // width - first) // 2, (beside // width - first) // 2  # every second row is looked at beside it
    same = (0 <= at) & (at <= rows[-1])
    at, beside = at[same], beside[same]
    known = np.bincount(at, minlength=rows[-1] + 1)
    told = known[rows] > 0
    if np.mean(told) < BESIDE_GAP:
        return np.take(light, place) - around
    level = np.bincount(at, weights=np.take(light, beside), minlength=rows[-1] + 1) / np.maximum(known, 1)
    return (np.take(light, place) - level[rows])[told]


def _tone(evidence, place):
    """Median difference from the backdrop over some pixels, flat indices; of many, over every fourth."""
    place = place[:: 4 if len(place) > MANY else 1]
    values = [np.take(plane, place) for plane in (evidence.light, evidence.a, evidence.b)]
    return [float(np.partition(value, len(place) // 2)[len(place) // 2]) for value in values]


def _window(x, y, width, height, margin):
    """Slices of a box widened by a margin."""
    return slice(max(y - margin, 0), y + height + margin), slice(max(x - margin, 0), x + width + margin)


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
    beside = cv2.dilate(front.view(np.uint8), near) > 0
    sure = deep & (sudden | ~(shadow_like & _widened(soft, reach))) & ~((weak | foot) & beside)
    inside = unlike[::3, ::3][~ground[::3, ::3]]
    lone = min(LONE_UNLIKE, 0.5 * float(median(inside))) if len(inside) else LONE_UNLIKE
    return sure & ((unlike > lone) | (cv2.morphologyEx(sure.view(np.uint8), cv2.MORPH_OPEN, KERNEL3) > 0))


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
    tally = np.bincount((16 * labels + kind).ravel(), minlength=16 * count).reshape(count, 2, 2, 2, 2)  # sure, step, shadow, deep
    without, tally = tally[:, 1].sum(axis=(1, 2, 3)) == 0, tally.sum(axis=1)
    pixels, own, rim, sharp = tally.sum(axis=(1, 2, 3)), tally[:, :, 0, 1].sum(axis=1), tally[..., 0].sum(axis=(1, 2)), tally[:, 1].sum(axis=(1, 2))
    is_shadow = (own < 0.02 * pixels) & (sharp < 0.1 * rim)
    is_shadow[0] = False
    if is_shadow.any():
        place = np.flatnonzero(np.take(is_shadow, labels))
        darkness = np.bincount(labels.ravel()[place], weights=evidence.ratio.ravel()[place], minlength=count) / np.maximum(pixels, 1)
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
    own = labels.ravel()[inside]
    area = np.bincount(own, minlength=count)
    unlike = np.abs(evidence.light).ravel()[inside] + evidence.chroma.ravel()[inside]
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
