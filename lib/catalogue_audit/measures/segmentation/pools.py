"""
Cast shadows of a small lamp: level inside, and of an edge too steep for the background to grow over.

The penumbra of such a shadow still is several pixels wide where it lies away from the product, while the product's own
outline is as sharp as the lens draws it: the same picture has sharp edges at the product and none between shadow and ground.
Where the lamp is small the penumbra is told by its width along its crest, beside that of the product's own edges.

All lengths are pixels of half the working size.
"""

import cv2
import numpy as np

from catalogue_audit.measures.evidence import CHROMA_WEIGHT
from catalogue_audit.measures.quantiles import median, quantile

SMALLEST, MOST = 0.001, 8  # of the part looked at, and shadows, the largest first
COLOURED, OWN_TINT = 5.0, 0.25  # CIELAB chroma of a ground by which its shadows are known; and how far off its chromaticity nine tenths of one are at most
SHADE = (0.5, 0.985)  # of the backdrop's L* + 16; some light reaches every shadow
LIT, TINTED, LEAST_OWN = 1.05, 4.0, 2  # of the backdrop's L* + 16, as the lit table scatters; CIELAB chroma; pixels of a column that are neither: noise, or a rim
MOST_BESIDE = 0.5  # share of the whole that lies beside the columns of the product's own: more is a product of that tone
STEEPEST = 3.0  # CIELAB a working pixel, within a shadow or its penumbra
RIM_PX = 6  # around a shadow, in which it ends
BESIDE_GROUND = 0.4  # share of a shadow's rim that ends on the ground
SOFT, SHARP = 0.1, 0.05  # share of sharp edges between shadow and ground at most; and towards the product at least
NARROWEST_PX = 8  # working pixels; a rim that nowhere falls within fewer is a penumbra
EDGE_PX, BLURRED = 4.2, 1.2  # working pixels from which an edge is softer than a lens draws a product's; and times as wide as the product's own
CREST, LEAST_STEP, FEWEST = 0.8, 2.0, 10  # of the steepest nearby; CIELAB; pixels on a crest, by which its width is told
AWAY = 0.2  # share of the rim beside the ground that is judged alone where it lies away from the product
LEAST, LEAST_OF_MOST = 0.06, 0.2  # of a column, and of the most in any, of edges and of what is unlike a shadow
KERNEL3, RIM = np.ones((3, 3), np.uint8), np.ones((2 * RIM_PX + 1,) * 2, np.uint8)


def shadow_pools(ground, evidence, shadow_like, thinnest, tint, table=None):
    """
    Ground in shadow that the background could not reach.

    Parameters
    ----------
    ground : (h, w) uint8
        1 where the background has grown.
    evidence : Evidence
    shadow_like : (h, w) bool
        No more chroma than a shadow has.
    thinnest : int
        Area over length, and reach beside everything else, px. What is thinner is a contact shadow, which the background's front
        divides from the product; what lies under it may be a pale band of its own.
    tint : float
        CIELAB chroma of the backdrop. What is darker and of just its chromaticity is its shadow, however hard, where that is no grey.
    table : float, optional
        Row below which there is a table in front of a wall, whose edge is seen. What lies on it alone and runs out of the frame at the side is
        a shadow also where the lens draws it nearly as narrow as its sharpest edges: a product that stands there rises above the table's edge.

    Returns
    -------
    (h, w) uint8
        1 where the ground is shaded.
    """
    ratio, edge, step = evidence.ratio, evidence.edge, evidence.step
    rest = ground == 0
    dim = rest & shadow_like & (ratio > SHADE[0])
    unlike = (rest & (step | ~dim)).sum(axis=0)
    product = np.flatnonzero(unlike > max(LEAST * len(dim), LEAST_OF_MOST * unlike.max()))
    dim &= (ratio < SHADE[1]) & (edge < STEEPEST) & ~step
    if not len(product):
        return np.zeros_like(ground)
    dim = cv2.morphologyEx(dim.view(np.uint8), cv2.MORPH_OPEN, KERNEL3)
    pools = np.zeros_like(ground)
    if cv2.countNonZero(dim) < SMALLEST * dim.size:
        return pools
    count, labels = cv2.connectedComponents(dim, connectivity=4)
    area = np.bincount(np.take(labels, np.flatnonzero(dim.view(bool))), minlength=count)
    for label in 1 + np.argsort(-area[1:], kind="stable")[:MOST]:
        if area[label] < SMALLEST * labels.size:
            break
        x, y, width, height = cv2.boundingRect((labels == label).view(np.uint8))
        aside = max(product[0] - x, x + width - 1 - product[-1])
        if area[label] < thinnest * max(width, height) or aside < thinnest:
            continue
        window = slice(max(y - 2 * RIM_PX, 0), y + height + 2 * RIM_PX), slice(max(x - 2 * RIM_PX, 0), x + width + 2 * RIM_PX)
        inside = labels[window] == label
        if tint > COLOURED and quantile(evidence.chroma[window][inside], 0.9) < OWN_TINT * tint:
            pools[window] |= inside.view(np.uint8)
            continue
        between = _rim_of_a_pool(inside, ground[window] > 0, *(plane[window] for plane in (ratio, step, shadow_like)))
        if between is None:
            continue
        runs_out = table is not None and y > table and (x == 0 or x + width == labels.shape[1])
        if _soft(inside, between, *(plane[window] for plane in (evidence.light, edge, step))) or _softer(evidence, window, between, rest, runs_out):
            pools[window] |= inside.view(np.uint8)
    return pools


def without_shadow_beside(evidence, ground, product, table):
    """
    Ground and product without what lies beside the product, on the table alone, no lighter and of its chromaticity, and runs out of the frame.

    A product that is cut off at a side stands before the wall there, too, or differs from the table by more than its light.

    Parameters
    ----------
    evidence : Evidence
    ground, product : (h, w) bool
    table : float
        Row of the table's edge behind the product.

    Returns
    -------
    ground, product : (h, w) bool
        The same arrays where nothing lies there.
    """
    sides = [side for side in (0, -1) if product[:, side].any()]
    if not sides:
        return ground, product
    shade = (evidence.ratio > SHADE[0]) & (evidence.ratio < LIT) & (evidence.chroma < TINTED)
    shade[: max(int(np.ceil(table)) + 1, 0)] = False
    own = np.flatnonzero(np.count_nonzero(product & ~shade, axis=0) > LEAST_OWN)
    if not len(own):
        return ground, product
    beside = np.zeros(product.shape[1], bool)
    for side in sides:
        beside[: own[0]] |= side == 0
        beside[own[-1] + 1 :] |= side == -1
    given = product & beside
    if not 0 < np.count_nonzero(given) < MOST_BESIDE * np.count_nonzero(product):
        return ground, product
    return ground | given, product & ~given


def _rim_of_a_pool(inside, ground, ratio, step, shadow_like):
    """Where one component's rim ends on the ground, away from the product; None where little of it does, or the rest has no sharp edge."""
    rim = (cv2.dilate(inside.view(np.uint8), RIM) > 0) & ~inside
    near = (cv2.dilate(ground.view(np.uint8), RIM) > 0) & shadow_like & (ratio < 1.02)
    between, towards = rim & near, rim & ~near
    if np.count_nonzero(between) < BESIDE_GROUND * np.count_nonzero(rim) or not towards.any() or step[towards].mean() <= SHARP:
        return None
    away = between & (cv2.dilate(towards.view(np.uint8), RIM) == 0)  # beside the product every penumbra is narrow
    return away if np.count_nonzero(away) > AWAY * np.count_nonzero(between) else between


def _soft(inside, between, light, edge, step):
    """Whether one component ends softly, by itself, wherever it ends on the ground."""
    return quantile(edge[between], 0.9) <= abs(median(light[inside])) / NARROWEST_PX and step[between].mean() < SOFT


def _softer(evidence, window, between, rest, runs_out):
    """Whether a rim (bool, of a window) is wider along its crest than a lens draws an edge (not asked of what runs out), and than the product's sharpest edges."""
    rim = _widths(evidence, window, between)
    if len(rim) < FEWEST or (penumbra := quantile(rim, 0.25)) < EDGE_PX * (not runs_out):
        return False
    everywhere = (slice(None),) * 2
    own = _widths(evidence, everywhere, rest & evidence.step)
    return len(own) >= FEWEST and penumbra > BLURRED * quantile(own, 0.1)


def _widths(evidence, window, where):
    """How wide edges are along their crests, (n,) working pixels: the step over its steepest slope, 2.5 standard deviations of a Gaussian one."""
    light, chroma, edge = (plane[window] for plane in (evidence.light, evidence.chroma, evidence.edge))
    crest = where & (edge >= CREST * cv2.dilate(edge, RIM))
    steps = [(cv2.dilate(plane, RIM) - cv2.erode(plane, RIM))[crest] for plane in (light, chroma)]
    step = np.hypot(steps[0], CHROMA_WEIGHT * steps[1])
    return (step / np.maximum(edge[crest], 1e-6))[step > LEAST_STEP]
