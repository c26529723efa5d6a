"""The base a product stands on: two edges that meet at its nearest corner, or a round one's tilt."""

import math

import numpy as np

from catalogue_audit.measures.geometry.lines import edge_along, robust_lines, thinned
from catalogue_audit.measures.geometry.roll import CLEAR_EDGE
from catalogue_audit.measures.quantiles import median

EDGE_SHARE = 0.08  # of the base's width; shorter edges have no slope worth naming
CORNER_PX = 0.04  # of the base's width left out on either side of the corner, for it is rounded
CANDIDATES = 28  # places along the base at which a corner is tried
ROUND_REACH = 0.6  # of half the width, on either side of the middle, on which a round base's tilt is read
ROUND_CURVE = 0.16  # least bend of a round base: change of its slope from the middle to a foot; made buckets have 0.2 to 0.4, hobos 0.1
ROUND_SLOPE_SD = 0.007  # what folds do to it, on made buckets
EDGE_END_PX = 0.3  # working pixels; how far an edge's end may be off
EDGE_SLOPE_SD = 0.002  # what a clear edge of a sewn base still waves
CLEAR_ROUNDNESS = 0.3  # of made bags whose two lower edges are clear
FOOT_REACH = 0.06  # of the body's height; what lies farther from the base's end is a strap beside it


def base_corner(sides, working=None):
    """
    The lower edge as two straight lines that meet at a corner.

    Parameters
    ----------
    sides : dict
        As `body.body_sides` gives it.
    working : (h, w, 3) uint8, optional
        The picture, in which each edge is looked at itself where it is clear.

    Returns
    -------
    dict or None
        ``left``, ``corner``, ``right``: points (x, y), working pixels; ``slopes`` and
        ``slope_sds`` of the left and the right edge (dy/dx, y down); ``roundness``:
        0 where two lines explain the base far better than a smooth curve, 1 where not;
        ``clear``: whether the picture itself shows both edges.
    """
    base = sides["base"]
    order = np.argsort(base[:, 0])
    x, y = base[order, 0], base[order, 1]
    width = sides["width"]
    if len(x) < 40 or x[-1] - x[0] < 0.5 * width:
        return None
    start, end = x[0], x[-1]
    inner = (x > start + 0.03 * width) & (x < end - 0.03 * width)
    x, y, step = thinned(x[inner], y[inner])
    margin = CORNER_PX * width
    at = _corner_place(x, y, np.linspace(start + EDGE_SHARE * width, end - EDGE_SHARE * width, CANDIDATES), margin, 0.03 * width)
    if at is None:
        return None
    places, values = np.stack([x, x]), np.stack([y, y])
    for _ in range(3):
        lines = robust_lines(places, values, np.stack([x < at - margin, x > at + margin]), step)
        (left_level, left_slope), (right_level, right_slope) = lines[:, :2]
        # y runs down: the corner is the lowest point, so the edge comes down to it and rises after
        if np.isnan(lines).any() or left_slope - right_slope < 0.02:
            return None
        meet = (right_level - left_level) / (left_slope - right_slope)
        if not start < meet < end:
            return None
        at = 0.5 * (at + meet)
    slopes, slope_sds = [float(left_slope), float(right_slope)], [float(sd) for sd in lines[:, 2]]
    levels = [float(left_level), float(right_level)]
    clear = 0
    roundness = _roundness(x, y, (float(meet), levels[0] + slopes[0] * float(meet)), slopes)
    if working is not None:
        for k, (low, high) in enumerate(((start + 0.06 * width, meet - margin), (meet + margin, end - 0.06 * width))):
            seen = edge_along(working, low, high, levels[k], slopes[k])
            if seen is not None and seen[1] > CLEAR_EDGE:
                levels[k] += (slopes[k] - seen[0]) * 0.5 * (low + high) + seen[3]
                slopes[k] = seen[0]
                slope_sds[k] = max(0.25 * seen[2], EDGE_SLOPE_SD, EDGE_END_PX / (high - low))
                clear += 1
        if clear == 2:  # two edges that the picture shows themselves, whatever shadow the outline follows
            roundness = min(roundness, CLEAR_ROUNDNESS)
        if slopes[0] - slopes[1] < 0.02:
            return None
        meet = (levels[1] - levels[0]) / (slopes[0] - slopes[1])
        if not start < meet < end:
            return None
    corner = (float(meet), levels[0] + slopes[0] * float(meet))
    start, end = (
        _foot(sides[side], corner[1], sides["height"], end) for side, end in (("left", start), ("right", end))
    )
    return {
        "left": (start, levels[0] + slopes[0] * start),
        "corner": corner,
        "right": (end, levels[1] + slopes[1] * end),
        "slopes": tuple(slopes),
        "slope_sds": tuple(slope_sds),
        "roundness": roundness,
        "clear": clear == 2,
    }


def round_base(sides):
    """
    Tilt of a base that has no straight edge: its slope midway between its two feet, by a parabola.

    Returns
    -------
    (x, y, slope, slope_sd) or None
        Working pixels.
    """
    base, lowest, tall = sides["base"], float(sides["base"][:, 1].max(initial=0.0)), sides["height"]
    feet = []
    for edge in (sides["left"], sides["right"]):
        near = edge[(edge[:, 1] > lowest - 0.35 * tall) & (edge[:, 1] < lowest - 0.12 * tall), 0]
        feet.append(float(np.median(near)) if len(near) > 5 else math.nan)
    middle, half = 0.5 * (feet[0] + feet[1]), 0.5 * (feet[1] - feet[0])
    inside = np.abs(base[:, 0] - middle) < ROUND_REACH * half
    if not half > 0 or inside.sum() < 40:
        return None
    x, y, _ = thinned(base[inside, 0], base[inside, 1])
    along = (x - middle) / half
    curve, slope, level = np.polyfit(along, y, 2)
    off = float(np.sqrt(np.mean((y - np.polyval((curve, slope, level), along)) ** 2)))
    if -2 * curve < ROUND_CURVE * half:
        return None
    return middle, level, slope / half, math.hypot(ROUND_SLOPE_SD, off / half)


def _corner_place(x, y, candidates, margin, most):
    """
    Candidate at which two lines explain the base best: least sum of residuals, none counted beyond `most`.

    All candidates at once: (candidates, points). None where no candidate has points on both sides.
    """
    parts = np.stack([x < candidates[:, None] - margin, x > candidates[:, None] + margin])
    count = parts.sum(axis=2)
    with np.errstate(invalid="ignore", divide="ignore"):
        middle = (parts * x).sum(axis=2) / count
        mean = (parts * y).sum(axis=2) / count
        along = x - middle[..., None]
        slope = (parts * along * y).sum(axis=2) / (parts * along**2).sum(axis=2)
        lines = mean[..., None] + slope[..., None] * along
    near = ~parts.any(axis=0)
    there = np.where(near, np.minimum(*lines), np.where(parts[0], lines[0], lines[1]))
    cost = np.minimum(np.abs(y - there), most).sum(axis=1)
    cost[(count.min(axis=0) < max(4, 0.05 * len(x))) | ~np.isfinite(cost)] = np.inf
    best = int(np.argmin(cost))
    return float(candidates[best]) if np.isfinite(cost[best]) else None


def _roundness(x, y, corner, slopes):
    """How little better two lines explain the base than one smooth cubic: 0 a sharp corner, about 1 none."""
    lines = corner[1] + np.minimum(slopes[0] * (x - corner[0]), slopes[1] * (x - corner[0]))
    along = (x - x.mean()) / max(float(np.ptp(x)), 1.0)
    smooth = np.polyval(np.polyfit(along, y, 3), along)
    return float(np.mean(np.abs(y - lines)) / max(float(np.mean(np.abs(y - smooth))), 0.1))


def _foot(side, lowest, height, otherwise):
    """Where a side of the body comes down to the base: its place in the lowest quarter, hardware left out."""
    near = side[side[:, 1] > lowest - 0.25 * height]
    if len(near) < 0.08 * height:
        return otherwise
    foot = float(median(near[:, 0]))
    return foot if abs(foot - otherwise) < FOOT_REACH * height else otherwise
