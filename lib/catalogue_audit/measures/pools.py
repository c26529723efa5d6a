"""
Cast shadows of a small lamp: level inside, and of an edge too steep for the background to grow over.

The penumbra of such a shadow still is several pixels wide where it lies away from the product, while the product's own
outline is as sharp as the lens draws it: the same picture has sharp edges at the product and none between shadow and ground.

All lengths are pixels of half the working size.
"""

import cv2
import numpy as np

from .quantiles import median, quantile

SMALLEST, MOST = 0.001, 8  # of the part looked at, and shadows, the largest first
SHADE = (0.5, 0.985)  # of the backdrop's L* + 16; some light reaches every shadow
RIM_PX = 10  # a penumbra's width at most
BESIDE_GROUND = 0.25  # share of a shadow's rim that ends on the ground
SOFT, SHARP = 0.1, 0.05  # share of sharp edges between shadow and ground at most; and towards the product at least
NARROWEST_PX = 8  # working pixels; a penumbra that falls within fewer is an edge
KERNEL = np.ones((2 * RIM_PX + 1,) * 2, np.uint8)


def shadow_pools(labels, outside, evidence, shadow_like):
    """
    Components of level ground in shadow that the background could not reach.

    Parameters
    ----------
    labels : (h, w) int32
        Components without an edge; 0 is none.
    outside : (n,) bool
        Components that are background already.
    evidence : Evidence
    shadow_like : (h, w) bool
        No more chroma than a shadow has.

    Returns
    -------
    list of int
    """
    grid = (slice(None, None, 2),) * 2
    coarse = labels[grid]
    dim = (evidence.ratio[grid] > SHADE[0]) & (evidence.ratio[grid] < SHADE[1]) & ~np.take(outside, coarse)
    area = np.bincount(coarse[dim], minlength=len(outside))
    area[0] = 0
    found = []
    for label in np.argsort(-area, kind="stable")[:MOST]:
        if area[label] < max(SMALLEST * coarse.size, 1):
            break
        rows, columns = (np.flatnonzero((coarse == label).any(axis=axis)) for axis in (1, 0))
        window = tuple(slice(max(2 * span[0] - 2 * RIM_PX, 0), 2 * span[-1] + 2 + 2 * RIM_PX) for span in (rows, columns))
        if _is_pool(label, labels[window], outside, [plane[window] for plane in (evidence.ratio, evidence.step, evidence.edge, evidence.light)], shadow_like[window]):
            found.append(label)
    return found


def _is_pool(label, labels, outside, planes, shadow_like):
    """Whether one component is ground in shadow."""
    ratio, step, edge, light = planes
    inside = labels == label
    if not SHADE[0] < median(ratio[inside]) < SHADE[1]:
        return False
    rim = (cv2.dilate(inside.view(np.uint8), KERNEL) > 0) & ~inside
    ground = cv2.dilate(np.take(outside, labels).view(np.uint8), KERNEL) > 0
    between = rim & ground & shadow_like & (ratio < 1.02)
    towards = rim & ~(ground & shadow_like)
    if np.count_nonzero(between) < BESIDE_GROUND * np.count_nonzero(rim) or not towards.any():
        return False
    if quantile(edge[between], 0.95) > abs(median(light[inside])) / NARROWEST_PX:
        return False
    return bool(step[between].mean() < SOFT and step[towards].mean() > SHARP)
