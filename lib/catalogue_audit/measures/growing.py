"""
Background grown from the frame's border, and what it cannot reach divided from it.

The background is grown over pixels that are backdrop, or backdrop in shadow, and
across which no sharp edge runs. What it cannot reach is product, or a shadow too
steep to be grown over; a watershed divides the two along the strongest edge.
"""

import cv2
import numpy as np

from .evidence import tones

SHADOW_REACH_PX = 45  # mask pixels; a contact shadow too steep to be grown over is no wider than this
NOISE_REACH_PX = 9  # mask pixels; how far from an edge the noise of a JPEG block may stop the growing background
SMALLEST_GAP_PX = 12  # mask pixels
GAP_LIGHT, GAP_CHROMA = 12.0, 5.0  # CIELAB; how far a gap may lie from the fitted backdrop; half that from its surroundings
GAP_STEPPED, PURE_GAP_STEPPED = 0.88, 0.72  # share of a gap's rim that is an edge; of one whose tone is the backdrop's own
SAME_TONE = 0.25  # CIELAB; pure white is the same everywhere, a photographed backdrop is not
CLEAR_EDGE = 3.0  # CIELAB a pixel; steeper than a shadow lying by itself ends
LONE_SHADOW_RATIO = 0.6  # of the backdrop's L* + 16; a shadow lying by itself, away from contact, is not darker
SMALLEST_PART_PX, PART_REACH_PX = 20, 24  # mask pixels; of a small part that hangs on a large one
MANY = 2000  # pixels of which every fourth gives the same median
KERNEL3 = np.ones((3, 3), np.uint8)
KERNEL5 = np.ones((5, 5), np.uint8)
KERNEL7 = np.ones((7, 7), np.uint8)


def grow(evidence, scatter, gap_light=GAP_LIGHT):
    """
    Grow the background from the border.

    Parameters
    ----------
    evidence : Evidence
    scatter : (3,) float
        Of the backdrop.
    gap_light : float
        CIELAB L*; how far what is seen through a handle may lie from the backdrop.

    Returns
    -------
    ground, product : (h, w) bool
        Between the two lies a band of a few pixels that their edge divides.
    """
    ratio, chroma, edge = evidence.ratio, evidence.chroma, evidence.edge
    rim_edge = rim_of(edge)
    sharp = max(0.45, 4.0 * float(np.median(rim_edge)))  # CIELAB a pixel
    tolerance = float(3 * np.hypot(scatter[1], scatter[2]))
    darkening = np.subtract(1, ratio)
    np.clip(darkening, 0, 1, out=darkening)
    allowed = 6 * darkening  # bounced light tints a shadow
    allowed += np.float32(3.0 + tolerance)
    passable = (edge < sharp) & (chroma < allowed)
    passable &= (ratio < 1.05) & (ratio > 0.3)
    plain = np.abs(rim_of(evidence.light)) < 2.0 + 3 * scatter[0]
    plain &= (rim_of(chroma) < 2.5 + tolerance) & (rim_edge < sharp)

    inner = cv2.erode(passable.view(np.uint8), KERNEL3, borderType=cv2.BORDER_REPLICATE)
    count, labels = cv2.connectedComponents(inner, connectivity=4)
    keep = np.zeros(count, bool)
    keep[rim_of(labels)[plain]] = True
    keep[0] = False
    keep[_gaps(labels, evidence, keep, gap_light)] = True
    ground = cv2.dilate(np.take(keep, labels).view(np.uint8), KERNEL3) & passable.view(np.uint8)
    darkening *= 12
    allowed += darkening  # close to a vivid product its colour fills the shadow
    shadow_like = (chroma < allowed) & (ratio < 1.02) & (ratio > 0.1)
    return _divide(evidence, ground > 0, shadow_like)


def rim_of(plane):
    """Values of the two outermost rows and columns, (n,)."""
    return np.concatenate([side.ravel() for side in (plane[:2], plane[-2:], plane[2:-2, :2], plane[2:-2, -2:])])


def _gaps(labels, evidence, outside, gap_light):
    """
    Components of backdrop seen through the product, such as a handle's gap.

    The same tone as the background around the product, and a step to something
    else all around: a highlight or a smooth panel has neither.
    """
    enclosed = ~outside
    enclosed[0] = False
    thin = labels[::2, ::2]  # a quarter of the pixels tells size and place
    places = np.flatnonzero(np.take(enclosed, thin))
    width, thin = thin.shape[1], thin.ravel()[places]
    alike = (np.abs(evidence.light[::2, ::2]) < gap_light) & (evidence.chroma[::2, ::2] < GAP_CHROMA + 2)
    area = 4 * np.bincount(thin, minlength=len(outside))
    share = 4 * np.bincount(thin, weights=alike.ravel()[places], minlength=len(outside))
    chosen = np.flatnonzero(((area > SMALLEST_GAP_PX) & (share > 0.4 * area))[thin])
    chosen = chosen[np.argsort(thin[chosen], kind="stable")]
    places, thin = places[chosen], thin[chosen]
    found = []
    for part in np.split(np.arange(len(places)), np.flatnonzero(np.diff(thin)) + 1):
        if not len(part):
            continue
        rows, columns = np.divmod(places[part], width)
        box = 2 * columns.min() - 1, 2 * rows.min() - 1, 2 * np.ptp(columns) + 4, 2 * np.ptp(rows) + 4
        if _is_gap(thin[part[0]], box, labels, evidence, outside):
            found.append(thin[part[0]])
    return found


def _is_gap(label, box, labels, evidence, outside):
    """Whether one component shows the backdrop."""
    x, y, w, h = box
    window = _window(x, y, w, h, 24)
    inside = labels[window] == label
    tone = _tone(evidence, window, inside)
    if abs(tone[0]) > GAP_LIGHT or np.hypot(tone[1], tone[2]) > GAP_CHROMA:
        return False
    wide = _window(x, y, w, h, 60)
    wide = tuple(slice(span.start, span.stop, 3) for span in wide)
    near = outside[labels[wide]]
    ground = _tone(evidence, wide, near) if near.sum() >= 6 else [0.0, 0.0, 0.0]  # deep inside, the backdrop as fitted
    if abs(tone[0] - ground[0]) > GAP_LIGHT / 2 or np.hypot(tone[1] - ground[1], tone[2] - ground[2]) > GAP_CHROMA / 2:
        return False
    alike = (np.abs(evidence.light[window] - tone[0]) < 3.0) & (evidence.chroma[window] < 3.0 + np.hypot(*tone[1:]))
    _, parts = cv2.connectedComponents(alike.view(np.uint8), connectivity=4)
    own = np.bincount(parts[inside & alike], minlength=2)
    own[0] = 0
    region = (parts == own.argmax()).view(np.uint8)
    ring = (cv2.dilate(region, KERNEL3) > 0) & (region == 0)
    steps = cv2.dilate(evidence.step[window].view(np.uint8), KERNEL7)
    same = max(abs(here - around) for here, around in zip(tone, ground, strict=True)) < SAME_TONE
    stepped = PURE_GAP_STEPPED if same else GAP_STEPPED
    return bool(ring.any() and not rim_of(region).any() and np.mean(steps[ring] > 0) > stepped)


def _tone(evidence, window, where):
    """Median difference from the backdrop over some pixels of a window; of many, over every fourth."""
    place = np.flatnonzero(where)
    place = place[:: 4 if len(place) > MANY else 1]
    values = [plane[window].ravel()[place] for plane in (evidence.light, evidence.a, evidence.b)]
    return [float(np.partition(value, len(place) // 2)[len(place) // 2]) for value in values]


def _window(x, y, width, height, margin):
    """Slices of a box widened by a margin."""
    return slice(max(y - margin, 0), y + height + margin), slice(max(x - margin, 0), x + width + margin)


def _divide(evidence, ground, shadow_like):
    """
    Divide what the background did not reach between background and product.

    A steep shadow lies within `SHADOW_REACH_PX` of the background; deeper, or
    unlike any shadow, is product.
    """
    rest = (~ground).view(np.uint8)
    deep = cv2.erode(rest, KERNEL5, borderType=cv2.BORDER_REPLICATE) > 0
    front = (cv2.dilate(ground.view(np.uint8), KERNEL3) > 0) & ~ground
    soft_front = front & (cv2.dilate(evidence.step.view(np.uint8), KERNEL5) == 0) & (evidence.ratio < 0.98)
    beside_shadow = _widened(soft_front, SHADOW_REACH_PX)
    weak = (np.abs(evidence.light) < 5.0) & (evidence.chroma < 9.0)  # as a JPEG's chroma bleeds over an edge
    beside_ground = cv2.dilate(front.view(np.uint8), np.ones((2 * NOISE_REACH_PX + 1,) * 2, np.uint8)) > 0
    sure = deep & ~(shadow_like & beside_shadow) & ~(weak & beside_ground)
    count, labels = cv2.connectedComponents(rest, connectivity=8)
    sure = _without_lone_shadows(sure, deep, labels, count, evidence, shadow_like)
    markers = ground.view(np.uint8) + 2 * sure.view(np.uint8)
    open_ = cv2.dilate((markers == 0).view(np.uint8), KERNEL3) > 0
    markers = markers.astype(np.int32)
    cv2.watershed(tones(evidence, open_), markers)
    for edge, beside in ((0, 1), (-1, -2)):  # the watershed leaves the frame's outermost pixels undecided
        markers[edge], markers[:, edge] = markers[beside], markers[:, beside]
    return tuple(
        cv2.erode((markers == marker).view(np.uint8), KERNEL3, borderType=cv2.BORDER_REPLICATE) > 0 for marker in (1, 2)
    )


def _widened(where, reach):
    """Pixels within a reach (a square's half side) of some; on a grid of four."""
    height, width = where.shape
    thin = cv2.dilate(where.view(np.uint8), KERNEL5)[::4, ::4]
    side = 2 * (reach // 4) + 1
    thin = cv2.dilate(thin, np.ones((side, side), np.uint8))
    return cv2.resize(thin, (width, height), interpolation=cv2.INTER_NEAREST) > 0


def _without_lone_shadows(sure, deep, labels, count, evidence, shadow_like):
    """Sure product, without parts that are shadows lying by themselves: no chromaticity and no sharp edge of their own."""
    grid = (slice(1, None, 3),) * 2  # shares need no more
    there = labels[grid]
    kind = deep[grid] + 2 * shadow_like[grid] + 4 * (evidence.step[grid] & (evidence.edge[grid] > CLEAR_EDGE))
    tally = np.bincount((8 * there + kind).ravel(), minlength=8 * count).reshape(count, 2, 2, 2)  # step, shadow, deep
    pixels, own, rim, sharp = tally.sum(axis=(1, 2, 3)), tally[:, :, 0, 1].sum(axis=1), tally[..., 0].sum(axis=(1, 2)), tally[:, 1].sum(axis=(1, 2))
    is_shadow = (own < 0.02 * pixels) & (sharp < 0.1 * rim)
    is_shadow[0] = False
    if is_shadow.any():
        darkness = np.bincount(there.ravel(), weights=evidence.ratio[grid].ravel(), minlength=count) / np.maximum(pixels, 1)
        is_shadow &= darkness > LONE_SHADOW_RATIO
    thin = labels[::2, ::2]
    without = np.bincount(thin[sure[::2, ::2]], minlength=count) == 0
    without[0] = False
    if without.any():
        sure = sure | (np.take(without, labels) & deep)
    return sure & ~np.take(is_shadow, labels) if is_shadow.any() else sure


def without_crumbs(product, evidence):
    """Parts large enough, and unlike enough, to be product: specks and noise on the backdrop are not."""
    count, labels = cv2.connectedComponents(product.view(np.uint8), connectivity=8)
    if count <= 1:
        return product
    grid = (slice(None, None, 2),) * 2
    thin = labels[grid].ravel()
    inside = np.flatnonzero(thin)
    own_labels = thin[inside]
    area = 4 * np.bincount(own_labels, minlength=count)
    unlike = np.abs(evidence.light[grid]).ravel()[inside] + evidence.chroma[grid].ravel()[inside]
    weight = 4 * np.bincount(own_labels, weights=unlike, minlength=count)
    large = (weight > 0.002 * weight.max()) & (area > 0.0005 * area.max()) & (weight > 4.0 * area)
    small = ~large & (area > SMALLEST_PART_PX) & (weight > 20.0 * area)
    large[0] = small[0] = False
    if small.any():  # a ring or a tag's end that hangs on a thread too thin to see; far away it is dirt
        near = _widened(np.take(large, labels), PART_REACH_PX)
        large |= small & (np.bincount(own_labels, weights=near[grid].ravel()[inside], minlength=count) > 0)
    return product if large[1:].all() else np.take(large, labels)
