"""
Roll: the product's rotation in the picture plane.

Three witnesses, each with its standard uncertainty: the base it stands on, the
axis of its mirror symmetry, and its sides (the mean of the left and the right
one: keystone and taper lean them oppositely, a roll leans them alike). In a
three-quarter view the base slopes by perspective and the outline has no mirror
axis: there only the sides count.
"""

import math

import numpy as np

from .framing import body_mask
from .records import CONFIDENCE_LIMIT

PIXEL_SD = 0.15  # working pixels; what the half-coverage edge scatters on noisy pictures
HONEST_FLOOR_DEG = 0.03  # no outline of a sewn thing is straighter than this
BEND = 0.5  # of the disagreement of an edge's two halves that counts as its standard uncertainty
BASE_FLOOR_DEG = 0.17  # a product one or two degrees off square slopes its base by this, seen from 7 degrees above
SYMMETRY_FLOOR_DEG = 0.25  # sewn bags are no more symmetric than this: measured on made bags of seven styles
SIDES_FLOOR_DEG = 0.2  # the same of their two sides
MOST_POINTS = 160  # of an edge that a line is fitted to
AGREE = 3.0  # combined deviations beyond which two witnesses contradict each other


def roll_facts(picture, outline):
    """
    In-plane rotation of the product.

    Parameters
    ----------
    picture : Picture
        Not used by the outline's witnesses; part of the common signature.
    outline : Outline

    Returns
    -------
    dict
        ``roll_deg`` (+ clockwise as seen) and ``roll_sd_deg`` from all witnesses;
        ``witnesses``: name -> (degree, standard uncertainty), for `roll_for_view`;
        ``sides``: (n, 3) float32 for the sketch, y and the body's left and right
        edge there, fractions of the frame; ``reasons``.
    """
    if outline.box is None or outline.confidence < CONFIDENCE_LIMIT:
        return {"reasons": ("roll not measured: no certain outline",)}
    sides = body_sides(outline)
    witnesses = roll_witnesses(sides)
    facts = {"witnesses": witnesses} | _facts(combined(witnesses))
    if sides is not None:
        facts["sides"] = side_profile(sides, outline.mask.shape)
    return facts


def roll_for_view(facts, view_kind, straight_on):
    """
    Roll from the witnesses that hold in a view.

    Parameters
    ----------
    facts : dict
        As `roll_facts` gives it.
    view_kind : str
        Only 'upright' has a roll.
    straight_on : bool
        False for three-quarter views, whose base slopes and whose outline has no mirror axis.

    Returns
    -------
    dict
        ``roll_deg``, ``roll_sd_deg``, ``reasons``.
    """
    if view_kind != "upright":
        return {"reasons": ("roll has no meaning in this kind of view",)}
    witnesses = facts.get("witnesses", {})
    if not straight_on:
        witnesses = {name: value for name, value in witnesses.items() if name == "sides"}
    return _facts(combined(witnesses))


def _facts(roll):
    if roll is None:
        return {"reasons": ("roll not measured: neither base, sides nor symmetry tell an axis",)}
    return {"roll_deg": round(roll[0], 3), "roll_sd_deg": round(roll[1], 3), "reasons": ()}


def roll_witnesses(sides):
    """The witnesses of `roll_facts` from `body_sides`: name -> (degree, standard uncertainty)."""
    found = {} if sides is None else {"base": _base(sides), "symmetry": _symmetry(sides), "sides": _sides(sides)}
    return {name: (float(value[0]), float(value[1])) for name, value in found.items() if value is not None}


def side_profile(sides, shape, count=64):
    """Body's left and right edge at evenly spaced heights: (n, 3) float32, y, left, right, fractions of the frame."""
    y, left, right = _paired(sides)
    if len(y) < count:
        return np.zeros((0, 3), np.float32)
    edges = np.linspace(0, len(y), count + 1).astype(int)
    rows = [(np.median(y[a:b]), np.median(left[a:b]), np.median(right[a:b])) for a, b in zip(edges[:-1], edges[1:])]
    height, width = shape[:2]
    return (np.array(rows) / (height, width, width)).astype(np.float32)


def combined(witnesses):
    """
    Weighted mean of the witnesses that agree with the most certain one.

    Returns (degree, standard uncertainty), the uncertainty covering their scatter,
    or None where nothing is known to better than 1.5 degrees.
    """
    if not witnesses:
        return None
    best = min(witnesses.values(), key=lambda w: w[1])
    chosen = [w for w in witnesses.values() if abs(w[0] - best[0]) <= AGREE * math.hypot(w[1], best[1])]
    weights = np.array([1 / sd**2 for _, sd in chosen])
    values = np.array([value for value, _ in chosen])
    roll = float(np.sum(weights * values) / weights.sum())
    sd = float(weights.sum() ** -0.5)
    if len(chosen) > 1:  # Birge ratio: where they scatter more than they claim, believe the scatter
        sd *= max(1.0, math.sqrt(float(np.sum(weights * (values - roll) ** 2)) / (len(chosen) - 1)))
    if len(chosen) < len(witnesses):
        sd *= 1.5
    sd = max(sd, HONEST_FLOOR_DEG)
    return (roll, sd) if sd < 1.5 else None


def body_sides(outline):
    """
    The body's left, right and lower edge, sub-pixel.

    Returns
    -------
    dict or None
        ``left``, ``right``: (n, 2) points one a row, x then y, working pixels;
        ``base``: (m, 2) points one a column; ``width``, ``height`` of the body.
    """
    body, scale = body_mask(outline)
    rows = np.flatnonzero(body.any(axis=1))
    columns = np.flatnonzero(body.any(axis=0))
    if len(rows) < 12 or len(columns) < 12:
        return None
    points = outline.contours[0]
    size = (np.array(body.shape) * scale).astype(int)
    left, right = _extremes(points, body, scale, axis=1)
    _, base = _extremes(points, body, scale, axis=0)
    return {
        "left": left,
        "right": right,
        "base": base,
        "width": float((columns[-1] - columns[0] + 1) * scale),
        "height": float((rows[-1] - rows[0] + 1) * scale),
        "size": size,
    }


def _extremes(points, body, scale, axis):
    """First and last contour point of each working row (axis 1) or column (axis 0), where the body reaches that far."""
    along = points[:, 1] if axis == 1 else points[:, 0]
    across = points[:, 0] if axis == 1 else points[:, 1]
    line = np.floor(along).astype(int)
    count = int(line.max()) + 1
    low = np.full(count, np.inf)
    high = np.full(count, -np.inf)
    np.minimum.at(low, line, across)
    np.maximum.at(high, line, across)
    thick = body if axis == 1 else body.T
    present = thick.any(axis=1)
    first = thick.argmax(axis=1) * scale
    last = (thick.shape[1] - thick[:, ::-1].argmax(axis=1)) * scale
    at = np.minimum((np.arange(count) / scale).astype(int), len(present) - 1)
    good = present[at] & np.isfinite(low)
    reach = 2.5 * scale
    near_low = good & (np.abs(low - first[at]) < reach)
    near_high = good & (np.abs(high - last[at]) < reach)
    middle = np.arange(count) + 0.5
    def pack(values, keep):
        pair = np.stack([values[keep], middle[keep]], axis=1)
        return pair if axis == 1 else pair[:, ::-1]
    return pack(low, near_low), pack(high, near_high)


def robust_line(at, value, scale=1.0):
    """
    Straight line value = a + b at, by iteratively reweighted least squares (Tukey's biweight).

    Returns
    -------
    intercept, slope, slope_sd, residual_sd, share : float
        ``share`` of the points that the line explains; the uncertainty counts
        neighbouring points as one every few pixels, for outlines wave.
    """
    step = max(1, len(at) // MOST_POINTS)  # neighbours say the same
    at, value, scale = at[::step], value[::step], scale / step
    weights = np.ones(len(at))
    spread = max(1.4826 * float(np.median(np.abs(value - np.median(value)))), 1e-3)
    intercept = slope = 0.0
    for _ in range(8):
        total = weights.sum()
        if total < 5:
            return None
        middle = np.sum(weights * at) / total
        mean = np.sum(weights * value) / total
        moment = np.sum(weights * (at - middle) ** 2)
        if moment <= 0:
            return None
        slope = np.sum(weights * (at - middle) * (value - mean)) / moment
        intercept = mean - slope * middle
        residual = value - intercept - slope * at
        spread = max(1.4826 * float(np.median(np.abs(residual[weights > 0.1]))), PIXEL_SD)
        weights = np.clip(1 - (residual / (4.5 * spread)) ** 2, 0, None) ** 2
    independent = max(np.sum(weights > 0.1) / (6 * scale), 2.0)
    variance = moment / max(weights.sum(), 1e-9)
    slope_sd = spread / math.sqrt(independent * variance)
    return float(intercept), float(slope), float(slope_sd), float(spread), float(np.mean(weights > 0.1))


def straightness(at, value, scale=1.0, may_curve=False):
    """
    A line and how far its two halves disagree with it.

    Returns
    -------
    slope, slope_sd, spread, share : float
        ``slope_sd`` covers the bend: a curved edge has no single direction, and its
        halves tell by how much. An edge that ``may_curve`` evenly (a rounded base)
        keeps its direction as long as its halves bend alike. None where there is no line.
    """
    line = robust_line(at, value, scale)
    if line is None or line[4] < 0.5:
        return None
    _, slope, sd, spread, share = line
    middle = 0.5 * (at.min() + at.max())
    halves = [robust_line(at[half], value[half], scale) for half in (at < middle, at >= middle) if half.sum() >= 10]
    bend = 0.0
    if len(halves) == 2 and all(halves):
        bend = max(abs(half[1] - slope) for half in halves)
        if may_curve:
            bend = abs(0.5 * (halves[0][1] + halves[1][1]) - slope) + 0.1 * bend
    return slope, math.hypot(sd / share**2, BEND * bend), spread, share


def _base(sides):
    """Roll from the edge it stands on: a straight line under most of the body's width."""
    base = sides["base"]
    if len(base) < 0.4 * sides["width"]:
        return None
    x, y = base[:, 0], base[:, 1]
    start, end = x.min(), x.max()
    middle = (x > start + 0.12 * (end - start)) & (x < end - 0.12 * (end - start))
    line = straightness(x[middle], y[middle], may_curve=True)
    if line is None or line[2] > 0.02 * sides["width"]:
        return None
    return math.degrees(math.atan(line[0])), max(math.degrees(line[1]), BASE_FLOOR_DEG)


def _paired(sides):
    """Rows on which both sides are known: y, left x, right x."""
    left, right = sides["left"], sides["right"]
    y, i, j = np.intersect1d(left[:, 1], right[:, 1], return_indices=True)
    return y, left[i, 0], right[j, 0]


def _symmetry(sides):
    """Roll from the mirror axis: the line through the middles of the chords square to it, found by turning the chords."""
    y, left, right = _paired(sides)
    if len(y) < 0.4 * sides["height"]:
        return None
    low, high = y.min(), y.max()
    inner = (y > low + 0.08 * (high - low)) & (y < high - 0.08 * (high - low))
    y, left, right = y[inner], left[inner], right[inner]
    slope = 0.0
    line = None
    for _ in range(3):  # chords tilt with the axis: compare left and right at rows turned by it
        half = (right - left) / 2
        left_there = np.interp(y + slope * half, y, left)
        right_there = np.interp(y - slope * half, y, right)
        line = robust_line(y, (left_there + right_there) / 2)
        if line is None:
            return None
        slope = line[1]
    ends = straightness(y, (left_there + right_there) / 2)
    if ends is None or ends[2] > 0.03 * sides["width"]:
        return None
    slope, sd = ends[:2]
    return -math.degrees(math.atan(slope)), max(math.degrees(sd), SYMMETRY_FLOOR_DEG)


def _sides(sides):
    """Roll from the two sides: the mean of their directions."""
    lines = []
    for side in ("left", "right"):
        x, y = sides[side][:, 0], sides[side][:, 1]
        if len(y) < 0.35 * sides["height"]:
            return None
        low, high = y.min(), y.max()
        inner = (y > low + 0.12 * (high - low)) & (y < high - 0.12 * (high - low))
        if inner.sum() < 20:
            return None
        line = straightness(y[inner], x[inner])
        if line is None or line[2] > 0.03 * sides["width"]:
            return None
        lines.append(line)
    degrees = [-math.degrees(math.atan(line[0])) for line in lines]
    sd = math.degrees(math.hypot(lines[0][1], lines[1][1])) / 2
    taper = abs(degrees[0] - degrees[1]) / 2
    return sum(degrees) / 2, max(math.hypot(sd, 0.05 * taper), SIDES_FLOOR_DEG)
