"""
Gaps: backdrop seen through the product, which the background grown from the frame's border cannot reach.

A gap has the tone of the background around the product, and a step to something else all around. What has that tone and
fades into the product is a highlight, or a panel of its own.

All lengths are pixels of half the working size.
"""

from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median, quantile

SMALLEST_GAP_PX = 4
FEWEST_NEAR = 6  # pixels of background around a gap; with fewer the fitted backdrop stands for them
MOST_GAPS = 40  # parts looked at, the largest first: a texture has hundreds
GAP_LIGHT, GAP_CHROMA = 12.0, 5.0  # CIELAB; how far a gap may lie from the fitted backdrop; at most half that from its surroundings
BESIDE_GAP = 0.5  # of a gap's pixels have ground beside them in their own rows
MOST_FRAMED = 2.4  # CIELAB L*; between handles of a dark product, twice the most that was seen
GAP_STEPPED, PURE_GAP_STEPPED = 0.88, 0.72  # share of a gap's rim that is an edge; of one whose tone is the backdrop's own
WIDE_GAP = 0.02  # of the part of the frame that is looked at; few burnt-out highlights are as large, and those are ragged
RAGGED, SOLID, FADING = 1.15, 0.93, 10.0  # length of a gap's rim over that of its convex hull; area over the hull's; and CIELAB a working pixel, less than which a quarter of a rim is no sharp edge
GLOW = 0.15  # of the difference from white within four pixels, a working pixel: the lens draws a gap's edge by a fifth of it and more
AS_STEEP = 0.85  # as the product's outline is: three quarters of a gap's rim; a highlight's in a sharp picture half as steep
BAND, BANDED = 0.5, 0.45  # width of a band around a gap, over the root of the gap's area; and the share of a gap's rim that lies along it
SAME_TONE = 0.25  # CIELAB; pure white is the same everywhere, a photographed backdrop is not
SHADED_GAP = 1.5  # times as uneven as without a shadow that is seen through it
UNSTEPPED = 0.15  # share of such a rim that noise makes
CLEAR_EDGE = 3.0  # CIELAB a working pixel; steeper than a shadow lying by itself ends, or a burnt-out highlight
MANY = 2000  # pixels of which every fourth gives the same median
KERNEL3, KERNEL5, KERNEL9 = (np.ones((n, n), np.uint8) for n in (3, 5, 9))


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


def gaps(labels, evidence, outside, scatter, gap_light):
    """
    Labels of components of backdrop seen through the product, such as a handle's gap.

    The same tone as the background around the product, and a step to something
    else all around: a highlight or a smooth panel has neither.

    Parameters
    ----------
    labels : (h, w) int32
        Components of what the background could grow over; 0 elsewhere.
    evidence : Evidence
    outside : (n,) bool
        For each label, whether it was reached from the frame's border.
    scatter : (3,) float
        Of the backdrop.
    gap_light : float
        CIELAB L*; how far a gap may lie from the backdrop.

    Returns
    -------
    list of int
    """
    count = len(outside)
    inside = ~outside
    inside[0] = False
    place = np.flatnonzero(np.take(inside, labels))
    own = np.take(labels, place)
    area = np.bincount(own, minlength=count)
    alike = (np.abs(np.take(evidence.light, place)) < gap_light) & (np.take(evidence.chroma, place) < GAP_CHROMA + 2)
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
    parts = np.split(place, np.flatnonzero(np.diff(own)) + 1)
    found, refused = _told_apart(parts, labels, evidence, outside, limits)
    refused = [part for part in refused if len(part) > WIDE_GAP / 2 * labels.size]
    if found and refused:  # between two gaps lies ground that the background around the product does not reach
        beside = outside.copy()
        beside[found] = True
        found += _told_apart(refused, labels, evidence, beside, limits)[0]
    return found


def _told_apart(parts, labels, evidence, outside, limits):
    """Labels of the parts, flat indices each, that are gaps; and the other parts."""
    found, refused = [], []
    for part in parts:
        rows, columns = np.divmod(part, labels.shape[1])
        box = columns.min(), rows.min(), np.ptp(columns) + 1, np.ptp(rows) + 1
        label = labels.ravel()[part[0]]
        if _is_gap(label, box, part, labels, evidence, outside, limits):
            found.append(label)
        else:
            refused.append(part)
    return found, refused


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
    light, a, b = (_middle(plane, place) for plane in (evidence.light, evidence.a, evidence.b))
    if abs(light) > GAP_LIGHT or np.hypot(a, b) > GAP_CHROMA:
        return False
    rows, columns = (slice(span.start, span.stop, 2) for span in _window(x, y, w, h, 30))
    near = np.flatnonzero(np.take(outside, labels[rows, columns]))
    known = len(near) >= FEWEST_NEAR
    around, apart = 0.0, np.take(evidence.light, place)
    if known:
        row, column = np.divmod(near, len(range(*columns.indices(labels.shape[1]))))
        beside = (rows.start + 2 * row) * labels.shape[1] + columns.start + 2 * column
        around = _middle(evidence.light, beside)
        apart = _apart_by_rows(evidence.light, place, beside, around)
    off = float(median(apart))
    if abs(off) > limits.shaded:
        return False
    a_off, b_off = (here - (_middle(plane, beside) if known else 0.0) for here, plane in ((a, evidence.a), (b, evidence.b)))
    if np.hypot(a_off, b_off) > limits.chroma:
        return False
    window = _window(x, y, w, h, 12)
    inside = labels[window] == label
    alike = (np.abs(evidence.light[window] - light) < 3.0) & (evidence.chroma[window] < 3.0 + np.hypot(a, b))
    region = cv2.dilate(inside.view(np.uint8), KERNEL9) & alike.view(np.uint8)  # up to its edges, and no further where one is faint
    ring = (cv2.dilate(region, KERNEL3) > 0) & (region == 0)
    if not ring.any():
        return False
    if median(evidence.edge[window][ring]) < limits.clear and len(place) < WIDE_GAP * labels.size:
        return False
    blurred = False
    if limits.clear and _is_burnt_out(region, *(plane[window] for plane in (evidence.light, evidence.chroma, evidence.edge)), ring):
        rim = cv2.dilate(evidence.edge[window], KERNEL9)[ring]
        blurred = len(place) > WIDE_GAP * labels.size and quantile(rim, 0.25) > AS_STEEP * _steepness_outside(np.take(outside, labels), evidence.edge)
        if not blurred:
            return abs(off) < limits.framed and _in_a_band(label, box, labels, outside, evidence.edge)
    steps = cv2.dilate(evidence.step[window].view(np.uint8), KERNEL5)
    share = np.count_nonzero(steps[ring]) / np.count_nonzero(ring)
    uneven = quantile(np.abs(apart - off), 0.9)
    light_off = off if uneven < SAME_TONE else light - around  # level in its own rows, or all over the picture
    same = max(abs(light_off), abs(a_off), abs(b_off)) < SAME_TONE
    if blurred or share > (PURE_GAP_STEPPED if same else GAP_STEPPED):
        level = uneven < limits.uneven or (same and len(place) > WIDE_GAP * labels.size and _is_shaded(apart - off, limits.uneven))
        return abs(off) < limits.framed and level
    if limits.clear:
        banded = _in_a_band(label, box, labels, outside, evidence.edge) or _in_a_band(label, box, labels, outside, evidence.edge, evidence)
        return abs(off) < limits.framed and banded
    return known and share < limits.unstepped and abs(light) < limits.shaded  # background that only a faint tint kept apart


def _in_a_band(label, box, labels, outside, edge, shade=None):
    """
    Whether a gap, or a gap with the ``shade`` (Evidence) that lies on it, is framed by a band of product that ends as steeply towards it as towards the background beyond: a handle.

    Light burnt out on the product, however near its outline, fades where the outline is sharp; a handle's two edges are of one stuff, against one
    white, out of focus by as much, and in part behind a shadow that the retouching left there.
    """
    x, y, w, h = box
    thin = int(BAND * np.sqrt(np.count_nonzero(labels[y : y + h, x : x + w] == label)))
    window = _window(x, y, w, h, thin + 4)
    gap = (labels[window] == label).view(np.uint8)
    if shade is not None:
        gap = _with_shade(gap, *(plane[window] for plane in (shade.light, shade.chroma, shade.edge)))
    ground, edge = np.take(outside, labels[window]).view(np.uint8), cv2.dilate(edge[window], KERNEL5)
    reach = np.ones((2 * thin + 1,) * 2, np.uint8)
    rims = [(cv2.dilate(part, KERNEL3) > 0) & (part == 0) for part in (gap, ground)]
    inner, outer = (rim & (cv2.dilate(other, reach) > 0) for rim, other in zip(rims, (ground, gap), strict=True))
    if np.count_nonzero(inner) <= BANDED * np.count_nonzero(rims[0]):
        return False
    return median(edge[inner]) > AS_STEEP * median(edge[outer])


def _with_shade(gap, light, chroma, edge):
    """A gap (uint8) and the soft grey shade beside it, which a shadow that retouching gave the handle lays there, up to the first edge, tint or dark."""
    soft = (light > -GAP_LIGHT) & (chroma < GAP_CHROMA / 2) & (edge < CLEAR_EDGE)
    _, parts = cv2.connectedComponents(gap | soft.view(np.uint8), connectivity=4)
    own = np.unique(parts[gap > 0])
    return np.isin(parts, own).view(np.uint8)


def _is_shaded(apart, uneven):
    """Whether what has the backdrop's own tone is nowhere lighter, and in part a little darker: the handle's soft shadow lies on the wall behind it."""
    darker, lighter = quantile(apart, 0.1), quantile(apart, 0.9)
    return lighter < min(uneven, -darker) and -darker < SHADED_GAP * uneven


def _is_burnt_out(region, light, chroma, edge, ring):
    """
    Whether what has the tone of pure white is light burnt out on the product, where a gap is bounded by its parts.

    A highlight on a smooth face fades all around, and on a grained one it ends as the grain does: ragged, in bays and in parts fading.
    """
    steepest = cv2.dilate(edge, KERNEL3)[ring]
    if quantile(steepest, 0.25) > FADING:
        return False
    if median(steepest) < GLOW * median(cv2.dilate(np.abs(light) + chroma, KERNEL9)[ring]):
        return True
    outline = max(cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=cv2.contourArea)
    hull = cv2.convexHull(outline)
    return cv2.contourArea(outline) < SOLID * cv2.contourArea(hull) and cv2.arcLength(outline, True) > RAGGED * cv2.arcLength(hull, True)


def _steepness_outside(outside, edge):
    """How steeply the product ends towards the background around it, CIELAB a working pixel: out of focus its gaps end as softly, highlights softer."""
    ring = (cv2.dilate(outside.view(np.uint8), KERNEL3) > 0) & ~outside
    return median(cv2.dilate(edge, KERNEL9)[ring])


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
    if np.count_nonzero(told) < BESIDE_GAP * len(told):
        return np.take(light, place) - around
    level = np.bincount(at, weights=np.take(light, beside), minlength=rows[-1] + 1) / np.maximum(known, 1)
    return (np.take(light, place) - level[rows])[told]


def _middle(plane, place):
    """Median of a plane over some pixels, flat indices; of many, over every fourth."""
    values = np.take(plane, place[:: 4 if len(place) > MANY else 1])
    return float(np.partition(values, len(values) // 2)[len(values) // 2])


def _window(x, y, width, height, margin):
    """Slices of a box widened by a margin."""
    return slice(max(y - margin, 0), y + height + margin), slice(max(x - margin, 0), x + width + margin)
