"""
The product's outline: everything that is not background, shadow or reflection.

A shadow and a sweep's gradient have soft edges and the backdrop's chromaticity;
a product has a sharp edge, a chromaticity of its own, or both. In CIELAB a change
of the light's strength scales (L* + 16, a*, b*) by one factor (CIE 15:2004,
above the linear toe), which is what "the backdrop, only darker" means here.

The background is grown from the frame's border over pixels that are backdrop, or
backdrop in shadow, and across which no sharp edge runs. What it cannot reach is
product. The edge between the two is then placed at half coverage, in linear
light, at the working resolution.
"""

import cv2
import numpy as np

from .contours import closed_contours, coverage_in_band
from .records import Outline

MASK_PX = 750  # long side of the picture the mask is grown on
SOLID_ALPHA = 250  # of 255; softer coverage away from a solid edge is a shadow kept in the alpha channel
SHADOW_REACH_PX = 45  # mask pixels; a contact shadow too steep to be grown over is no wider than this
NOISE_REACH_PX = 9  # mask pixels; how far from an edge the noise of a JPEG block may stop the growing background
SMALLEST_GAP_PX = 12  # mask pixels
GAP_LIGHT, GAP_CHROMA = 12.0, 5.0  # CIELAB; how far a gap may lie from the fitted backdrop; half that from its surroundings
LONE_SHADOW_RATIO = 0.6  # of the backdrop's L* + 16; a shadow lying by itself, away from contact, is not darker
KERNEL3 = np.ones((3, 3), np.uint8)
KERNEL5 = np.ones((5, 5), np.uint8)
KERNEL7 = np.ones((7, 7), np.uint8)


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
    small, background = _mask_scale(picture.lab, backdrop.lab)
    evidence = _evidence(small, background, backdrop)
    ground, product = _grow(evidence, backdrop)
    product = _without_crumbs(product, evidence)
    height, width = picture.lab.shape[:2]
    if not product.any():
        return _nothing(height, width, "no product could be told apart from the background")
    coverage, mask, contrast = coverage_in_band(picture, small, ground, product)
    shadow = _shadow(evidence, product, (width, height)) & ~mask
    return _finish(mask, coverage, shadow, "background", *_confidence(mask, contrast, backdrop))


def _mask_scale(lab, background):
    """CIELAB of picture and backdrop averaged down by a whole factor, the long side near `MASK_PX`."""
    height, width = lab.shape[:2]
    factor = max(1, round(max(height, width) / MASK_PX))
    if factor == 1:
        return lab, background
    size = max(width // factor, 1), max(height // factor, 1)
    small = cv2.resize(lab, size, interpolation=cv2.INTER_AREA)
    return small, cv2.resize(background, size, interpolation=cv2.INTER_LINEAR)


def _evidence(lab, background, backdrop):
    """
    What each pixel says: dict of (h, w) float32 arrays.

    ``ratio`` is (L* + 16) over the backdrop's, ``chroma`` the chromatic difference
    that a change of light leaves unexplained, ``edge`` the gradient (CIELAB a pixel).
    """
    ratio = (lab[..., 0] + 16) / (background[..., 0] + 16)
    difference = lab - background * ratio[..., None]
    difference[..., 0] = lab[..., 0] - background[..., 0]
    difference = cv2.GaussianBlur(difference, (3, 3), 0)
    chroma = cv2.magnitude(np.ascontiguousarray(difference[..., 1]), np.ascontiguousarray(difference[..., 2]))
    edge = _gradient(difference)
    coarse = _gradient(cv2.GaussianBlur(difference, (0, 0), 3.0))
    return {
        "ratio": ratio,
        "light": np.ascontiguousarray(difference[..., 0]),
        "a": difference[..., 1],
        "b": difference[..., 2],
        "chroma": chroma,
        "edge": edge,
        "step": edge > 1.5 * coarse + 0.25,  # an edge is sharp, a shadow's rim is not
    }


def _gradient(channels):
    """Magnitude of the gradient over all channels, units a pixel."""
    x = cv2.Scharr(channels, cv2.CV_32F, 1, 0, scale=1 / 32)
    y = cv2.Scharr(channels, cv2.CV_32F, 0, 1, scale=1 / 32)
    weight = np.array([1.0, 0.7, 0.7], np.float32)  # chroma is the noisier and, in JPEG, the coarser
    return np.sqrt(cv2.transform(x * x + y * y, (weight**2)[None]))


def _grow(evidence, backdrop):
    """
    Grow the background from the border; returns (background, product), bool.

    Between the two lies a band of a few pixels that the edge step divides.
    """
    ratio, chroma, edge = evidence["ratio"], evidence["chroma"], evidence["edge"]
    light = evidence["light"]
    noise = float(np.median(edge[_border(edge.shape)]))
    sharp = max(0.45, 4.0 * noise)  # CIELAB a pixel
    tolerance = float(3 * np.hypot(backdrop.scatter[1], backdrop.scatter[2]))
    allowed = 3.0 + tolerance + 6.0 * np.clip(1 - ratio, 0, 1)  # bounced light tints a shadow
    passable = (edge < sharp) & (chroma < allowed) & (ratio < 1.05) & (ratio > 0.3)
    plain = (np.abs(light) < 2.0 + 3 * backdrop.scatter[0]) & (chroma < 2.5 + tolerance) & (edge < sharp)

    inner = cv2.erode(passable.astype(np.uint8), KERNEL3, borderType=cv2.BORDER_REPLICATE)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(inner, connectivity=4)
    keep = np.zeros(count, bool)
    keep[np.unique(labels[_border(labels.shape) & plain & (inner > 0)])] = True
    keep[_gaps(labels, stats, evidence, keep)] = True
    keep[0] = False
    ground = keep[labels].astype(np.uint8)
    ground = (cv2.dilate(ground, KERNEL3) > 0) & passable
    rest = (~ground).astype(np.uint8)
    tinted = allowed + 12.0 * np.clip(1 - ratio, 0, 1)  # close to a vivid product its colour fills the shadow
    shadow_like = (chroma < tinted) & (ratio < 1.02) & (ratio > 0.1)
    return _divide(evidence, ground, rest, shadow_like)


def _gaps(labels, stats, evidence, outside):
    """
    Components of backdrop seen through the product, such as a handle's gap.

    The same tone as the background around the product, and a step to something
    else all around: a highlight or a smooth panel has neither.
    """
    found = []
    for label in np.flatnonzero((stats[:, cv2.CC_STAT_AREA] > SMALLEST_GAP_PX) & ~outside):
        if label == 0:
            continue
        x, y, w, h = stats[label, :4]
        window = _window(x, y, w, h, 24)
        inside = labels[window] == label
        tone = [float(np.median(evidence[key][window][inside])) for key in ("light", "a", "b")]
        if abs(tone[0]) > GAP_LIGHT or np.hypot(tone[1], tone[2]) > GAP_CHROMA:
            continue
        wide = _window(x, y, w, h, 60)
        near = outside[labels[wide]]
        if near.sum() < 50:
            near = np.ones_like(near)
        ground = [float(np.median(evidence[key][wide][near])) for key in ("light", "a", "b")]
        if abs(tone[0] - ground[0]) > GAP_LIGHT / 2 or np.hypot(tone[1] - ground[1], tone[2] - ground[2]) > GAP_CHROMA / 2:
            continue
        alike = (np.abs(evidence["light"][window] - tone[0]) < 3.0) & (evidence["chroma"][window] < 3.0 + np.hypot(*tone[1:]))
        _, parts = cv2.connectedComponents(alike.astype(np.uint8), connectivity=4)
        own = np.bincount(parts[inside & alike], minlength=2)
        own[0] = 0
        region = (parts == own.argmax()).astype(np.uint8)
        ring = (cv2.dilate(region, KERNEL3) > 0) & (region == 0)
        steps = cv2.dilate(evidence["step"][window].astype(np.uint8), KERNEL7)
        open_side = _border(region.shape) & (region > 0)
        if ring.any() and not open_side.any() and np.mean(steps[ring] > 0) > 0.88:
            found.append(label)
    return found


def _window(x, y, width, height, margin):
    """Slices of a box widened by a margin."""
    return slice(max(y - margin, 0), y + height + margin), slice(max(x - margin, 0), x + width + margin)


def _divide(evidence, ground, rest, shadow_like):
    """
    Divide what the background did not reach between background and product.

    A steep shadow lies within `SHADOW_REACH_PX` of the background; deeper, or
    unlike any shadow, is product. The watershed between the two runs along the
    strongest edge.
    """
    deep = cv2.erode(rest, KERNEL5, borderType=cv2.BORDER_REPLICATE)
    size = 2 * SHADOW_REACH_PX + 1
    front = (cv2.dilate(ground.astype(np.uint8), KERNEL3) > 0) & ~ground
    soft_front = front & (cv2.dilate(evidence["step"].astype(np.uint8), KERNEL5) == 0) & (evidence["ratio"] < 0.98)
    beside_shadow = cv2.dilate(soft_front.astype(np.uint8), np.ones((size, size), np.uint8)) > 0
    weak = (np.abs(evidence["light"]) < 5.0) & (evidence["chroma"] < 9.0)  # as a JPEG's chroma bleeds over an edge
    beside_ground = cv2.dilate(front.astype(np.uint8), np.ones((2 * NOISE_REACH_PX + 1,) * 2, np.uint8)) > 0
    sure = (deep > 0) & ~(shadow_like & beside_shadow) & ~(weak & beside_ground)
    count, labels = cv2.connectedComponents(rest, connectivity=8)
    pixels, own, rim, sharp = (
        np.bincount(labels[part], minlength=count)
        for part in (rest > 0, (deep > 0) & ~shadow_like, (rest > 0) & (deep == 0), evidence["step"] & (deep == 0))
    )
    # A part without chromaticity of its own and without a sharp edge is a shadow lying by itself.
    mean_ratio = np.bincount(labels.ravel(), weights=evidence["ratio"].ravel(), minlength=count)
    mean_ratio /= np.maximum(np.bincount(labels.ravel(), minlength=count), 1)
    is_shadow = (own < 0.02 * pixels) & (sharp < 0.1 * rim) & (mean_ratio > LONE_SHADOW_RATIO)
    without = np.ones(count, bool)
    without[np.unique(labels[sure])] = False
    sure |= without[labels] & (deep > 0)
    is_shadow[0] = True
    sure &= ~is_shadow[labels]
    markers = np.zeros(ground.shape, np.int32)
    markers[ground] = 1
    markers[sure] = 2
    cv2.watershed(_tones(evidence), markers)
    for edge, beside in ((0, 1), (-1, -2)):  # the watershed leaves the frame's outermost pixels undecided
        markers[edge], markers[:, edge] = markers[beside], markers[:, beside]
    product = (markers == 2).astype(np.uint8)
    ground = (markers == 1).astype(np.uint8)
    product = cv2.erode(product, KERNEL3, borderType=cv2.BORDER_REPLICATE) > 0
    ground = cv2.erode(ground, KERNEL3, borderType=cv2.BORDER_REPLICATE) > 0
    return ground, product


def _tones(evidence):
    """
    Difference from the backdrop, compressed by its logarithm, as (h, w, 3) uint8.

    Light and chroma are compressed apart: a light piping between a white backdrop
    and a dark product then weighs as much as the step behind it, and a faint
    chroma, which no shadow has, as much as the shadow's own steep rise.
    """
    light = np.log1p(np.abs(evidence["light"]) / 1.5) * np.sign(evidence["light"])
    gain = np.log1p(evidence["chroma"] / 3.0) / np.maximum(evidence["chroma"], 1e-3)
    tones = np.stack([light, evidence["a"] * gain, evidence["b"] * gain], axis=-1)
    return np.clip(30 * tones + 128, 0, 255).astype(np.uint8)


def _border(shape):
    """The frame's outermost pixels."""
    border = np.zeros(shape, bool)
    border[:2] = border[-2:] = True
    border[:, :2] = border[:, -2:] = True
    return border


def _without_crumbs(product, evidence):
    """Parts large enough, and unlike enough, to be product: specks and noise on the backdrop are not."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(product.astype(np.uint8), connectivity=8)
    if count <= 1:
        return product
    area = stats[:, cv2.CC_STAT_AREA].astype(float)
    unlike = np.abs(evidence["light"]) + evidence["chroma"]
    weight = np.bincount(labels.ravel(), weights=unlike.ravel(), minlength=count)
    area[0] = weight[0] = 0
    keep = (weight > 0.002 * weight.max()) & (area > 0.0005 * area.max()) & (weight > 4.0 * area)
    keep[0] = False
    return keep[labels]


def _shadow(evidence, product, size):
    """Backdrop, only darker, away from the product; at working size."""
    dark = (evidence["ratio"] < 0.98) & (evidence["light"] < -1.5) & (evidence["chroma"] < 12) & ~product
    return cv2.resize(dark.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0


def _confidence(mask, contrast, backdrop):
    """Confidence 0 to 1 and the reason why it is not higher."""
    if backdrop.confidence < 0.35:
        return 0.3 * backdrop.confidence, "the border shows no even background"
    area = float(mask.mean())
    if area > 0.93:
        return 0.2, "the product fills the frame"
    if area < 0.002:
        return 0.3, "what was found is too small to be the product"
    faint = float(np.mean(contrast < 3.0)) if len(contrast) else 1.0  # CIELAB; about what can be seen at an edge
    value = min(backdrop.confidence, 1.0) * (1 - 0.8 * faint)
    return value, "" if value >= 0.5 else "much of the product's edge is as light as the background"


def _finish(mask, coverage, shadow, source, confidence, reason):
    """The record, with contours, box and the sides the product meets."""
    contours = closed_contours(mask, coverage)
    height, width = mask.shape
    sides = {"left": mask[:, 0], "top": mask[0], "right": mask[:, -1], "bottom": mask[-1]}
    touches = tuple(side for side, pixels in sides.items() if pixels.sum() >= 3)
    if not contours:
        return _nothing(height, width, "no product could be told apart from the background")
    points = np.concatenate(contours)
    left, top = points.min(axis=0)
    right, bottom = points.max(axis=0)
    box = tuple(float(np.clip(v, 0, 1)) for v in (left / width, top / height, right / width, bottom / height))
    return Outline(mask, shadow, contours, box, touches, source, float(round(confidence, 3)), reason)


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
