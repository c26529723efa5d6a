"""
The product's outline: everything that is not background, shadow or reflection.

A shadow and a sweep's gradient have soft edges and the backdrop's chromaticity;
a product has a sharp edge, a chromaticity of its own, or both (`evidence`). The
background is grown from the frame's border as far as it goes (`growing`). The
edge between the two is then placed at half coverage, in linear light, at the
working resolution (`contours`). All of it happens in the part of the frame where
something differs from the backdrop.
"""

import cv2
import numpy as np

from .body import find_body
from .contact import settle_base
from .contours import closed_contours, coverage_in_band
from .evidence import find_evidence, planes_of
from .growing import GAP_LIGHT, grow, without_crumbs
from .records import CONFIDENCE_LIMIT, Outline

MASK_PX = 750  # long side of the picture the mask is grown on
SOLID_ALPHA = 250  # of 255; softer coverage away from a solid edge is a shadow kept in the alpha channel
SCOUT = 4  # mask pixels a pixel of the picture that finds the part worth looking at
SMALLEST_SIDE_PX = 8
MARGIN = 24  # mask pixels around that part
CUT_OUT_GAP_LIGHT = 2.0  # CIELAB L*; on pure white, gaps are pure white, too
SIDE_MET = 0.05  # share of a side of the frame
TANGLED = 14.0  # length of all edges over the root of the area: 4 for a square, about 8 for a bag with handles
UNEVEN_L = 1.0  # CIELAB L*; a studio's backdrop scatters by noise alone
FAINT_COST = 1.6  # an edge of which six tenths cannot be seen says nothing
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
    height, width = picture.lab.shape[:2]
    if min(height, width) < SMALLEST_SIDE_PX:
        return _nothing(height, width, NOTHING_FOUND)
    small, background = _mask_scale(picture.lab, backdrop.lab)
    part = _part_of_interest(small, background, backdrop.scatter)
    if part is None:
        return _nothing(height, width, NOTHING_FOUND)
    planes = planes_of(small[part])
    evidence = find_evidence(planes, [plane[part] for plane in background])
    gap_light = CUT_OUT_GAP_LIGHT if backdrop.kind == "cut_out" else GAP_LIGHT
    ground, product = grow(evidence, backdrop.scatter, gap_light)
    least = 2 if background is not backdrop.lab else 0  # mask pixels; a step of one is too coarse where they are larger
    ground, product, settled = settle_base(evidence, planes[0], ground, product, least)
    product = without_crumbs(product, evidence)
    if not product.any():
        return _nothing(height, width, NOTHING_FOUND)
    frame = _at_working_size(part, small.shape, (height, width))
    mask, coverage = np.zeros((height, width), bool), np.zeros((height, width), np.float32)
    coverage[frame], mask[frame], contrast = coverage_in_band(
        picture.linear[frame], planes, ground, product, settled
    )
    shadow = np.zeros((height, width), bool)
    shadow[frame] = _shadow(evidence, product, mask[frame])
    return _finish(mask, coverage, shadow, "background", *_confidence(mask, contrast, backdrop))


NOTHING_FOUND = "no product could be told apart from the background"


def _mask_scale(lab, background):
    """CIELAB of picture (h, w, 3) and backdrop (3, h, w) averaged down by a whole factor, the long side near `MASK_PX`."""
    height, width = lab.shape[:2]
    factor = max(1, round(max(height, width) / MASK_PX))
    if factor == 1:
        return lab, background
    size = max(width // factor, 1), max(height // factor, 1)
    small = cv2.resize(lab[: size[1] * factor, : size[0] * factor], size, interpolation=cv2.INTER_AREA)
    middle = factor // 2
    return small, background[:, middle::factor, middle::factor][:, : size[1], : size[0]]


def _part_of_interest(lab, background, scatter):
    """
    Slices of the rows and columns where anything differs from the backdrop, with a margin; None where nothing does.
    """
    height, width = lab.shape[:2]
    size = max(width // SCOUT, 1), max(height // SCOUT, 1)
    scout = lab[: size[1] * SCOUT, : size[0] * SCOUT]
    for _ in range(SCOUT.bit_length() - 1):
        scout = cv2.resize(scout, (scout.shape[1] // 2, scout.shape[0] // 2), interpolation=cv2.INTER_AREA)
    expected = np.moveaxis(background[:, SCOUT // 2 :: SCOUT, SCOUT // 2 :: SCOUT], 0, -1)[: size[1], : size[0]]
    if expected.shape != scout.shape:
        return slice(0, height), slice(0, width)
    limit = 1.0 + 1.5 * np.asarray(scatter, float)
    unlike = cv2.inRange(scout - expected, -limit, limit) == 0
    spans = []
    for axis, length in ((1, height), (0, width)):
        found = np.flatnonzero(unlike.any(axis=axis))
        if not len(found):
            return None
        start, stop = found[0] * SCOUT - MARGIN, (found[-1] + 1) * SCOUT + MARGIN
        # Whole cells of two, so that halving the part keeps to the frame's own grid; the last cell ends with the frame.
        spans.append(slice(max(start, 0), length if stop > length - MARGIN else stop))
    return tuple(spans)


def _at_working_size(part, mask_shape, shape):
    """The same slices in working pixels; a part that ends with the frame does so there, too."""
    factor = max(1, round(max(shape) / MASK_PX))
    return tuple(
        slice(span.start * factor, length if span.stop == small else span.stop * factor)
        for span, small, length in zip(part, mask_shape[:2], shape, strict=True)
    )


def _shadow(evidence, product, mask):
    """Backdrop, only darker, away from the product; at working size."""
    dark = (evidence.ratio < 0.98) & (evidence.light < -1.5) & (evidence.chroma < 12) & ~product
    height, width = mask.shape
    if dark.shape != mask.shape:
        dark = cv2.resize(dark.view(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST) > 0
    return dark & ~mask


def _confidence(mask, contrast, backdrop):
    """Confidence 0 to 1 and the reason why it is not higher."""
    if backdrop.confidence < 0.35:
        return 0.3 * backdrop.confidence, "the border shows no even background"
    area = cv2.countNonZero(mask.view(np.uint8)) / mask.size
    if area > 0.93:
        return 0.2, "the product fills the frame"
    if area < 0.002:
        return 0.3, "what was found is too small to be the product"
    sides = sum(float(side.mean()) > SIDE_MET for side in (mask[0], mask[-1], mask[:, 0], mask[:, -1]))
    tangled = _edge_length(mask) > TANGLED * np.sqrt(area * mask.size)
    if sides == 4 or (sides and tangled) or (sides == 3 and backdrop.scatter[0] > UNEVEN_L):
        return 0.2, "this is a close crop or a scene, not a product in front of a plain background"
    faint = float(np.mean(contrast < 3.0)) if len(contrast) else 1.0  # CIELAB; about what can be seen at an edge
    value = min(backdrop.confidence, 1.0) * max(1 - FAINT_COST * faint, 0.1)
    return value, "" if value >= 0.5 else "much of the product's edge is as light as the background"


def _edge_length(mask):
    """Number of steps between product and background along rows and columns."""
    return sum(np.count_nonzero(first != second) for first, second in ((mask[:, 1:], mask[:, :-1]), (mask[1:], mask[:-1])))


def _finish(mask, coverage, shadow, source, confidence, reason):
    """The record, with contours, box and the sides the product meets."""
    contours = closed_contours(mask, coverage)
    height, width = mask.shape
    sides = {"left": mask[:, 0], "top": mask[0], "right": mask[:, -1], "bottom": mask[-1]}
    touches = tuple(side for side, pixels in sides.items() if pixels.sum() >= 3)
    if not contours:
        return _nothing(height, width, NOTHING_FOUND)
    points = np.concatenate(contours)
    left, top = points.min(axis=0)
    right, bottom = points.max(axis=0)
    box = tuple(float(np.clip(v, 0, 1)) for v in (left / width, top / height, right / width, bottom / height))
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
    height, width = picture.lab.shape[:2]
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
    return _finish(mask, coverage, shadow, "alpha", 1.0, "")
