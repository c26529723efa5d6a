"""
The product's outline: everything that is not background, shadow or reflection.

A shadow and a sweep's gradient have soft edges and the backdrop's chromaticity;
a product has a sharp edge, a chromaticity of its own, or both (`evidence`). The
background is grown from the frame's border as far as it goes (`growing`). The
edge between the two is then placed at half coverage, in linear light, at the
working resolution (`contours`). The growing happens on half of that resolution, the placing in a
narrow band, and all of it in the part of the frame where something differs from
the backdrop.
"""

import cv2
import numpy as np

from catalogue_audit.measures.evidence import find_evidence, halved
from catalogue_audit.measures.records import CONFIDENCE_LIMIT, Outline
from catalogue_audit.measures.segmentation.body import find_body
from catalogue_audit.measures.segmentation.contact import doubled, settle_base
from catalogue_audit.measures.segmentation.contours import closed_contours, coverage_in_band, ragged_share
from catalogue_audit.measures.segmentation.detached import down_to_contact
from catalogue_audit.measures.segmentation.foot import smaller_without, without_soft_foot
from catalogue_audit.measures.segmentation.gaps import GAP_LIGHT
from catalogue_audit.measures.segmentation.growing import grow, without_crumbs, without_scraps
from catalogue_audit.measures.segmentation.horizon import ERASED_PX, TILT, above_front, below_line, erased
from catalogue_audit.measures.segmentation.pools import without_shadow_beside
from catalogue_audit.measures.segmentation.reflection import without_reflection
from catalogue_audit.measures.segmentation.rests import without_rests
from catalogue_audit.measures.segmentation.tinted import add_tinted
from catalogue_audit.pixels.profiles import SRGB_CURVE
from catalogue_audit.pixels.working import lab_of, lightness_of, reduced

SOLID_ALPHA = 250  # of 255; softer coverage away from a solid edge is a shadow kept in the alpha channel
SCOUT = 4  # half-size pixels a pixel of the picture that finds the part worth looking at
SMALLEST_SIDE_PX = 8
MARGIN = 12  # half-size pixels around that part
CUT_OUT_GAP_LIGHT = 2.0  # CIELAB L*; on pure white, gaps are pure white, too
SIDE_MET = 0.05  # share of a side of the frame
TANGLED = 14.0  # length of all edges over the root of the area: 4 for a square, about 8 for a bag with handles
UNEVEN_L = 1.0  # CIELAB L*; a studio's backdrop scatters by noise alone
FAINT = 2.0  # CIELAB; a step over an edge that just shows, in the mean of some pixels
MOST_DOUBT, DOUBTED = 0.006, 0.6  # of the frame's long side, which a box is measured to; and the confidence beyond that: all but size and place holds
FAINT_COST = 1.6  # an edge of which six tenths cannot be seen says nothing
PALE, PALE_SHARE = 6.0, 0.15  # CIELAB; and the share of an edge as faint from which it is asked whether it is ragged
MOST_RAGGED, RAGGED_WORTH = 0.22, 0.4  # share of an edge; and what such an outline is worth: most have lost a part
WEAK, WEAK_COST = 4.0, 0.1  # CIELAB; by that share of an edge as weak, though not too faint to see, less of it needs be ragged
COLOURED, OWN_TINT, LIGHTEST = 10.0, 0.3, 1.2  # CIELAB chroma of a table whose grain and shadows are known by it; how far they are off its chromaticity; and of its L* + 16
SMALL, THIN = 0.01, 0.02  # of the frame's area, and of its long side: what covers less, and is nowhere as wide, is the line of a shadow, or some trim
LEDGE = 0.5  # of the height of what was found, at both sides of the frame
KERNEL5 = np.ones((5, 5), np.uint8)


def find_outline(picture, backdrop):
    """
    Product mask, shadow mask and sub-pixel contours of one picture.

    Parameters
    ----------
    picture : Picture
    backdrop : Backdrop
        As `fit_backdrop` gives it for the same picture.

    Returns
    -------
    Outline
        ``box`` is None, and the confidence 0, where no product was found.
    """
    if picture.alpha is not None and _alpha_is_a_mask(picture.alpha):
        return _outline_from_alpha(picture)
    height, width = picture.working.shape[:2]
    if min(height, width) < SMALLEST_SIDE_PX:
        return _nothing(height, width, NOTHING_FOUND)
    part = _part_of_interest(picture.working, backdrop)
    if part is None:
        return _nothing(height, width, NOTHING_FOUND)
    frame = tuple(slice(2 * span.start, min(2 * span.stop, length)) for span, length in zip(part, (height, width), strict=True))
    linear, lightness, planes = _tones(picture, frame)
    half = (height + 1) // 2, (width + 1) // 2
    background = [plane[part] for plane in backdrop.at(half)]
    if backdrop.horizon is None and backdrop.front is None:
        evidence = find_evidence(lightness, planes, background)
    else:
        _, level, planes = _tones(picture, (slice(0, height), slice(0, width)))
        if backdrop.front:
            (level,) = above_front([level], backdrop.at(level.shape)[:1], backdrop.front, ERASED_PX)
            planes = above_front(planes, backdrop.at(half), backdrop.front, (ERASED_PX + 1) // 2)
        if backdrop.horizon:
            level, planes = _without_horizon(level, planes, backdrop)
        planes = [plane[part] for plane in planes]
        evidence = find_evidence(level[frame], planes, background)
        if backdrop.horizon:
            _without_grain(evidence, np.hypot(*background[1:]))
    gap_light = CUT_OUT_GAP_LIGHT if backdrop.kind == "cut_out" else GAP_LIGHT
    tint = float(np.hypot(*(cv2.mean(plane)[0] for plane in background[1:])))
    table = None if backdrop.horizon is None else max(backdrop.horizon) * half[0] - part[0].start
    ground, product = grow(evidence, backdrop.scatter, max(half), tint, gap_light, table)
    if table is not None:
        ground, product = without_shadow_beside(evidence, ground, product, table)
    ground, product = add_tinted(evidence, ground, product)
    product = without_crumbs(product, evidence, max(half))
    if not product.any():
        return _nothing(height, width, NOTHING_FOUND)
    whole = product
    ground, product = without_reflection(evidence, ground, product)
    ground, product, doubtful = without_soft_foot(evidence, ground, product)
    if product is not whole:
        ground, product = without_scraps(evidence, ground, product)
    ground, product, unseen = down_to_contact(evidence, ground, product)
    dark = _dark(evidence, product)
    ground, product, settled = settle_base(evidence, lightness, ground, product)
    without_rests(evidence, ground, product, max(half))
    doubt = 0 if doubtful is None else smaller_without(product[::2, ::2], doubtful) / max(half)
    mask, coverage = np.zeros((height, width), bool), np.zeros((height, width), np.float32)
    place, near, contrast = coverage_in_band(linear, planes, ground, product, settled)
    mask[frame][place], coverage[frame][place] = near > 0.5, near
    shadow = np.zeros((height, width), bool)
    shadow[frame] = doubled(dark, mask[frame].shape) & ~mask[frame]
    contours = closed_contours(mask, coverage)
    confidence, reason = _confidence(mask, contrast, backdrop, doubt)
    if confidence >= CONFIDENCE_LIMIT and np.mean(contrast < PALE) > PALE_SHARE:
        if ragged_share(contours, evidence.edge, frame) > MOST_RAGGED - WEAK_COST * np.mean((contrast >= FAINT) & (contrast < WEAK)):
            # On pure white what is lost has burnt out to it, and what is left is product: its colours hold.
            confidence = min(confidence, DOUBTED) if backdrop.kind == "cut_out" else RAGGED_WORTH * confidence
            reason = "much of the product's edge is faint and ragged: the background may have run into the product"
    if unseen and confidence > DOUBTED * (1 - unseen):
        confidence, reason = DOUBTED * (1 - unseen / 2), "the product's lower part is as light as the ground: its contact shadow shows where it ends, but its sides are not seen"
    return _finish(mask, contours, shadow, "background", confidence, reason)


def _tones(picture, frame):
    """Linear light (h, w, 3) and lightness (h, w) of a part of a picture; and CIELAB at half of its size, three planes: a* and b* of the mean light."""
    linear = picture.linear_at(frame)
    lightness = lightness_of(linear)
    lab = lab_of(halved(linear))
    return linear, lightness, [halved(lightness), cv2.extractChannel(lab, 1), cv2.extractChannel(lab, 2)]


def _without_horizon(lightness, half, backdrop):
    """
    A picture whose backdrop below a line is brought to the one above it, so that the line is no edge.

    Lightness (h, w) at working size with the step taken out; and CIELAB at half of it, three planes, in which only the
    blur of the line is gone, for they are compared with a backdrop that has the step.
    """
    ground = backdrop.at(lightness.shape)[0]
    (level,) = erased([lightness], [ground], backdrop.horizon, ERASED_PX)
    level -= backdrop.step(lightness.shape)[0]
    return level, erased(half, backdrop.at(half[0].shape), backdrop.horizon, (ERASED_PX + 1) // 2)


def _without_grain(evidence, chroma):
    """Take out the edges, in place, of what has the chromaticity of a coloured table, (h, w) CIELAB chroma: its grain and its shadows, however hard."""
    table = (chroma > COLOURED) & (evidence.ratio < LIGHTEST) & (evidence.chroma < OWN_TINT * chroma * evidence.ratio)
    for plane in (evidence.edge, evidence.step, evidence.tint):
        plane[table] = 0


NOTHING_FOUND = "no product could be told apart from the background"


def _part_of_interest(working, backdrop):
    """
    Slices of the rows and columns of half of (h, w, 3) sRGB codes where anything differs from the backdrop, with a margin, or None.
    """
    height, width = ((side + 1) // 2 for side in working.shape[:2])
    scout, reduction = reduced(working, max(working.shape[:2]) // (2 * SCOUT))
    expected = cv2.merge(backdrop.at(scout.shape[:2]))
    limit = 1.0 + 1.5 * np.asarray(backdrop.scatter, float)
    unlike = cv2.inRange(lab_of(cv2.LUT(scout, SRGB_CURVE)) - expected, -limit, limit) == 0
    if backdrop.front:
        unlike &= below_line(backdrop.front, unlike.shape) == 0
    spans = []
    for axis, length in ((1, height), (0, width)):
        found = np.flatnonzero(unlike.any(axis=axis))
        if not len(found):
            return None
        start, stop = found[0] * reduction // 2 - MARGIN, (found[-1] + 1) * reduction // 2 + MARGIN
        spans.append(slice(max(start, 0), min(stop, length)))
    return tuple(spans)


def _dark(evidence, product):
    """Backdrop, only darker, away from the product."""
    return (evidence.ratio < 0.98) & (evidence.light < -1.5) & (evidence.chroma < 12) & ~product


def _confidence(mask, contrast, backdrop, doubt):
    """Confidence 0 to 1 and the reason why it is not higher; ``doubt`` is by how much of the frame the box may be too large."""
    if backdrop.confidence < 0.35:
        return 0.3 * backdrop.confidence, "the border shows no even background"
    area = cv2.countNonZero(mask.view(np.uint8)) / mask.size
    if area > 0.93:
        return 0.2, "the product fills the frame"
    if area < 0.002 or (area < SMALL and _is_thin(mask)):
        return 0.3, "what was found is too small to be the product"
    sides = sum(np.count_nonzero(side) > SIDE_MET * len(side) for side in (mask[0], mask[-1], mask[:, 0], mask[:, -1]))
    if sides == 4 or (sides and _edge_length(mask) > TANGLED * np.sqrt(area * mask.size)) or (sides == 3 and backdrop.scatter[0] > UNEVEN_L):
        return 0.2, "this is a close crop or a scene, not a product in front of a plain background"
    if _is_ledge(mask):
        return 0.2, "what was found reaches from side to side at one height: it may hold a table's front edge or a shelf"
    if doubt > MOST_DOUBT and backdrop.kind != "cut_out":  # pure white holds no rest of a ground
        return DOUBTED, "a faint part at the product's foot may be its shadow or mirror image"
    faint = float(np.mean(contrast < FAINT)) if len(contrast) else 1.0
    value = min(backdrop.confidence, 1.0) * max(1 - FAINT_COST * faint, 0.1)
    return value, "" if value >= 0.5 else "much of the product's edge is as light as the background"


def _is_ledge(mask):
    """Whether a mask, (h, w) bool, meets the frame's left and right side at one height, and by less of its own height than a product that is cut off there."""
    sides = [np.flatnonzero(mask[:, column]) for column in (0, -1)]
    if min(map(len, sides)) < 3:
        return False
    rows = np.flatnonzero(mask.any(axis=1))
    apart = min(abs(int(sides[0][end]) - int(sides[1][end])) for end in (0, -1))
    return apart <= TILT * mask.shape[1] and max(side[-1] - side[0] for side in sides) < LEDGE * (rows[-1] - rows[0])


def _is_thin(mask):
    """Whether a mask, (h, w) bool, is nowhere as wide as `THIN` of the frame."""
    side = round(THIN * max(mask.shape))
    return not cv2.erode(mask.view(np.uint8), np.ones((side, side), np.uint8), borderValue=0).any()


def _edge_length(mask):
    """Number of steps between product and background along rows and columns."""
    return sum(np.count_nonzero(first != second) for first, second in ((mask[:, 1:], mask[:, :-1]), (mask[1:], mask[:-1])))


def _finish(mask, contours, shadow, source, confidence, reason):
    """The record, with box and the sides the product meets."""
    height, width = mask.shape
    sides = {"left": mask[:, 0], "top": mask[0], "right": mask[:, -1], "bottom": mask[-1]}
    touches = tuple(side for side, pixels in sides.items() if np.count_nonzero(pixels) >= 3)
    if not contours:
        return _nothing(height, width, NOTHING_FOUND)
    x, y = np.concatenate(contours).T  # each by itself: many times faster
    box = tuple(float(np.clip(v, 0, 1)) for v in (x.min() / width, y.min() / height, x.max() / width, y.max() / height))
    confidence = float(round(confidence, 3))
    body = find_body(mask, contours) if confidence >= CONFIDENCE_LIMIT else None
    return Outline(mask, shadow, contours, box, touches, source, confidence, reason, body)


def _nothing(height, width, reason):
    empty = np.zeros((height, width), bool)
    return Outline(empty, empty.copy(), (), None, (), "background", 0.0, reason)


def _alpha_is_a_mask(alpha):
    """Whether transparency tells product from background: some of both, and mostly one or the other."""
    thin = alpha[::4, ::4]
    clear, solid = float(np.mean(thin < 5)), float(np.mean(thin >= SOLID_ALPHA))
    return clear > 0.02 and solid > 0.002


def _outline_from_alpha(picture):
    """Mask from the alpha channel; soft coverage away from solid product is a shadow kept in it."""
    height, width = picture.working.shape[:2]
    alpha = picture.alpha
    if alpha.shape != (height, width):
        alpha = cv2.resize(alpha, (width, height), interpolation=cv2.INTER_AREA)
    solid = (alpha >= SOLID_ALPHA).astype(np.uint8)
    near = cv2.dilate(solid, KERNEL5) > 0
    coverage = np.where(near, alpha, 0).astype(np.float32) / 255
    mask = coverage > 0.5
    shadow = (alpha > 8) & ~mask & ~near
    if not mask.any():
        return _nothing(height, width, "the transparency leaves no product")
    return _finish(mask, closed_contours(mask, coverage), shadow, "alpha", 1.0, "")
