"""
Roll: the product's rotation in the picture plane.

Four witnesses, each with its standard uncertainty: the base it stands on, its upper
edge, the axis of its mirror symmetry, and its sides (the mean of the left and the right
one: keystone and taper lean them oppositely, a roll leans them alike). In a
three-quarter view the base slopes by perspective and the outline has no mirror
axis: there only the sides count. In a straight-on view the four also tell how far
the product is turned off square (`straight_on`).
"""

import math

import numpy as np

from catalogue_audit.measures.geometry.handles import legs_apart
from catalogue_audit.measures.geometry.inner_mirror import inner_axis
from catalogue_audit.measures.geometry.lines import edge_along, longest_line, straight_edges
from catalogue_audit.measures.geometry.mirror import mirror_pose
from catalogue_audit.measures.geometry.straight_on import for_the_sketch, turn_and_roll
from catalogue_audit.measures.quantiles import median
from catalogue_audit.measures.records import CONFIDENCE_LIMIT, DEFAULT_FOCAL_35MM

HONEST_FLOOR_DEG = 0.03  # no outline of a sewn thing is straighter than this
BEND = 0.5  # of the disagreement of an edge's two halves that counts as its standard uncertainty
BASE_FLOOR_DEG = 0.06  # a clear base; a tenth of a degree on rendered bags at the 95th percentile
SQUARE_SD_DEG = 0.17  # what a product one or two degrees off square slopes its base by, seen from 7 degrees above
DULL_BASE_FLOOR_DEG = 0.4  # the same where only the outline tells the base: it may follow a contact shadow
SYMMETRY_FLOOR_DEG = 0.3  # sewn bags are no more symmetric than this: measured on made bags of seven styles
CURVED_FLOOR_DEG = 0.6  # the same of bags without straight sides
CURVED_SIDES_DEG = 4.0  # standard uncertainty of the sides' direction from which they are not straight
SIDES_FLOOR_DEG = 0.25  # the same of their two sides
TURNED_FLOOR_DEG = 0.8  # of the sides in a three-quarter view: taper in depth leans both the same way
TURNED_LIMIT_DEG = 0.6  # before that floor; made bags with more were off by one to two degrees
TOP_SHARE, TOP_SPAN = 0.2, 0.35  # of the body's width that lies on its upper edge, and that it spans, for handles may interrupt it
TOP_FLOOR_DEG = 0.15  # of an upper edge; 0.02 degree on rendered bags with a hard one, 0.2 to 0.4 with a hem
TOP_BEND = 0.4  # of the disagreement of its halves
TOP_INNER = 0.06  # of the body's width left out at either end
TAPER_SHARE = 0.05  # of the sides' taper that they may differ by
END_SHARE = 0.12  # of an edge left out at either end, for corners are rounded
CLEAR_EDGE = 0.8  # clearness of the base's edge in the picture from which it is believed before the outline
UNSURE_DEG, UNSURE_TURN_DEG = 1.5, 8.0  # a roll, and a turn, known no better says nothing
LAID_DEG = 15.0  # a product tilted by more was laid so: no base that a turn would slope, and no slip of a camera
SURE_INNER = 0.1  # share of wrong axes of fronts up to which one tells the turn of a product whose base shows no direction
AGREE = 3.0  # combined deviations beyond which two witnesses contradict each other


def roll_facts(picture, outline, focal_length_35mm=None):
    """
    In-plane rotation of the product.

    Parameters
    ----------
    picture : Picture
        The base is looked at in the picture itself, for outlines follow its shadow in places.
    outline : Outline
    focal_length_35mm : float, optional
        36 x 24 mm equivalent; 85 mm is assumed where unknown.

    Returns
    -------
    dict
        ``roll_deg`` (+ clockwise as seen) and ``roll_sd_deg`` from all witnesses, for straight-on views;
        ``witnesses``: name -> (degree, standard uncertainty), for `roll_for_view`;
        ``straight_on_turn``: turn off square and its standard uncertainty, degrees, where they can be told;
        ``straight_on``: what told them, for the sketch, as `straight_on.for_the_sketch` gives it;
        ``sides``: (n, 3) float32 for the sketch, y and the body's left and right
        edge there, fractions of the frame; ``reasons``.
    """
    if outline.box is None or outline.confidence < CONFIDENCE_LIMIT:
        return {"reasons": ("roll not measured: no certain outline",)}
    sides = outline.body.sides
    witnesses = roll_witnesses(sides, picture, outline.touches)
    facts = {"witnesses": witnesses}
    upper = upper_edge(sides, outline.contours[0]) if sides is not None and "top" not in outline.touches else None
    below = base_below_deg(sides, outline.mask.shape, focal_length_35mm)
    if upper is not None:
        witnesses["top"] = math.degrees(math.atan(upper[2])), math.degrees(upper[3])
    top_below = 0.0 if upper is None else below_axis_deg(upper[1], outline.mask.shape, focal_length_35mm)
    mirror = {} if outline.touches else mirror_pose(outline, _focal_px(outline.mask.shape, focal_length_35mm))  # what the frame cuts has no mirror image
    inner = inner_axis(picture, sides, outline.mask, mirror["roll"][0]) if "roll" in mirror else None
    if inner is not None:
        mirror["inner"] = inner
    seen = witnesses, below, top_below, legs_apart(outline), mirror
    both = turn_and_roll(*seen)
    if both is None or abs(both[2]) > LAID_DEG:
        facts |= _facts(combined(square(witnesses)))
    else:
        facts |= _facts(both[2:] if both[3] < UNSURE_DEG else None)
        if both[1] < UNSURE_TURN_DEG and ("base" in witnesses or inner is not None and inner[1] < SURE_INNER):
            facts["straight_on_turn"] = round(both[0], 2), round(both[1], 2)
            facts["straight_on"] = for_the_sketch(*seen)
    if upper is not None:
        height, width = outline.mask.shape
        facts["upper_edge"] = np.array([upper[0] / width, upper[1] / height, *upper[2:]], np.float32)
    axis = min((witnesses[name] for name in ("sides", "symmetry") if name in witnesses), key=lambda witness: witness[1] > CURVED_SIDES_DEG, default=None)
    if axis is not None:
        facts["axis"] = np.array(axis, np.float32)
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
        value, sd = witnesses.get("sides", (0.0, math.inf))
        witnesses = {"sides": (value, max(sd, TURNED_FLOOR_DEG))}
        if sd > TURNED_LIMIT_DEG:
            return {"reasons": ("roll not measured: the sides of a turned product that tapers or bulges tell no axis",)}
    return _facts(combined(witnesses))


def square(witnesses):
    """Witnesses of the roll of a product that is set square by eye: its base slopes a little by that."""
    return {name: (value, math.hypot(sd, SQUARE_SD_DEG) if name == "base" else sd) for name, (value, sd) in witnesses.items()}


def base_below_deg(sides, shape, focal_length_35mm=None):
    """Angle of the base below the optical axis, degrees, for a frame of ``shape`` (height, width); 0 where no body is known."""
    if sides is None or not len(sides["base"]):
        return 0.0
    return below_axis_deg(float(median(sides["base"][:, 1])), shape, focal_length_35mm)


def below_axis_deg(row, shape, focal_length_35mm=None):
    """Angle of a row of a frame of ``shape`` (height, width) below the optical axis, degrees."""
    return math.degrees(math.atan((row - shape[0] / 2) / _focal_px(shape, focal_length_35mm)))


def _focal_px(shape, focal_length_35mm):
    """Focal length in pixels of a frame of ``shape`` (height, width)."""
    return (focal_length_35mm or DEFAULT_FOCAL_35MM) * math.hypot(*shape[:2]) / math.hypot(36, 24)


def _facts(roll):
    if roll is None:
        return {"reasons": ("roll not measured: neither base, sides nor symmetry tell an axis",)}
    return {"roll_deg": round(roll[0], 3), "roll_sd_deg": round(roll[1], 3), "reasons": ()}


def roll_witnesses(sides, picture, touches=()):
    """The witnesses of `roll_facts` from `body.body_sides` and the picture's own edges: name -> (degree, standard uncertainty)."""
    cut = set(touches)  # where the frame cuts the product, the cut is no edge of it
    if sides is None or {"left", "right"} <= cut or {"top", "bottom"} <= cut:
        return {}
    base = _inner(*sides["base"].T, END_SHARE)
    left, right = (_inner(sides[side][:, 1], sides[side][:, 0], END_SHARE) for side in ("left", "right"))
    y, x_left, x_right = _paired(sides)
    y_inner, x_left = _inner(y, x_left, 0.08)
    pair = y_inner, x_left, _inner(y, x_right, 0.08)[1]
    lines = straight_edges([base, left, right, (y_inner, (pair[1] + pair[2]) / 2)])
    sides["lines"] = lines[:3]  # the turn asks for the same
    both = _sides(sides, lines[1:3])
    curved = both is None or both[1] > CURVED_SIDES_DEG
    found = {
        "base": _base(sides, lines[0], picture) if "bottom" not in cut else None,
        "symmetry": _symmetry(sides, pair, lines[3], curved) if not cut & {"left", "right"} else None,
        "sides": both if not cut & {"left", "right"} else None,
    }
    return {name: (float(value[0]), float(value[1])) for name, value in found.items() if value is not None}


def side_roll(sides):
    """The witness 'sides' alone: (degree, standard uncertainty) or None."""
    lines = sides.get("lines") or [None, *straight_edges([_inner(sides[side][:, 1], sides[side][:, 0], END_SHARE) for side in ("left", "right")])]
    return _sides(sides, lines[1:])


def side_profile(sides, shape, count=64):
    """Body's left and right edge at evenly spaced heights: (n, 3) float32, y, left, right, fractions of the frame."""
    y, left, right = _paired(sides)
    if len(y) < count:
        return np.zeros((0, 3), np.float32)
    thick = len(y) // count
    start = (len(y) - thick * count) // 2
    rows = median(np.stack([y, left, right])[:, start : start + thick * count].reshape(3, count, thick)).T
    height, width = shape[:2]
    return (rows / (height, width, width)).astype(np.float32)


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
    return (roll, sd) if sd < UNSURE_DEG else None


def _inner(at, value, margin):
    """An edge without its ends, where corners are rounded."""
    if not len(at):
        return at, value
    low, high = at.min(), at.max()
    keep = (at > low + margin * (high - low)) & (at < high - margin * (high - low))
    return at[keep], value[keep]


def _base(sides, line, picture):
    """Roll from the edge it stands on: the picture's own edge where it is clear, else a line through the outline."""
    if line is None or len(sides["base"]) < 0.4 * sides["width"] or line[3] > 0.02 * sides["width"]:
        return None
    intercept, slope, sd, _, share, bend, together = line
    at, _ = _inner(*sides["base"].T, END_SHARE)
    seen = edge_along(picture.working, at.min(), at.max(), intercept, slope)
    if seen is not None and seen[1] > CLEAR_EDGE:
        return math.degrees(math.atan(seen[0])), max(math.degrees(BEND * seen[2]) / 2, BASE_FLOOR_DEG)
    sd = math.degrees(math.hypot(sd / share**2, BEND * together + 0.1 * bend))
    return math.degrees(math.atan(slope)), max(sd, DULL_BASE_FLOOR_DEG)


def base_line(sides, picture):
    """The base as one line: (x, y) of its middle, slope, standard uncertainty; None where it has no direction."""
    at, value = _inner(*sides["base"].T, END_SHARE)
    line = sides["lines"][0] if "lines" in sides else straight_edges([(at, value)])[0]
    roll = _base(sides, line, picture)
    if roll is None:
        return None
    slope = math.tan(math.radians(roll[0]))
    sd = math.radians(max(roll[1] - SQUARE_SD_DEG, 0.1))
    if roll[1] >= DULL_BASE_FLOOR_DEG:  # seen in the outline only: rounding bends it by more than its halves disagree on
        sd = math.hypot(sd, line[5])
    return float(0.5 * (at.min() + at.max())), float(median(value)), slope, sd


def upper_edge(sides, contour):
    """
    The body's upper edge where it is straight: its longest nearly level line, handles and straps left out.

    Parameters
    ----------
    sides : dict
        As `body.body_sides` gives it.
    contour : (n, 2) float
        The product's outer contour, working pixels.

    Returns
    -------
    (x, y, slope, standard uncertainty) or None
        Its middle, working pixels. None where no line holds `TOP_SHARE` of the body's width.
    """
    if not len(sides["left"]) or not len(sides["right"]) or not len(sides["base"]):
        return None
    left, right = float(median(sides["left"][:, 0])), float(median(sides["right"][:, 0]))
    lowest = float(sides["base"][:, 1].max())
    margin = TOP_INNER * (right - left)
    x, y = contour[(contour[:, 0] > left + margin) & (contour[:, 0] < right - margin) & (contour[:, 1] < lowest - 0.5 * sides["height"])].T
    column = x.astype(int)
    order = np.argsort(column, kind="stable")
    starts = np.flatnonzero(np.diff(column[order], prepend=-1))
    if not len(starts):
        return None
    places = column[order][starts] + 0.5
    line = longest_line(places, np.minimum.reduceat(y[order], starts).astype(float))
    if line is None or line[3].sum() < TOP_SHARE * (right - left) or np.ptp(places[line[3]]) < TOP_SPAN * (right - left):
        return None
    return line[0], line[1], line[2], math.hypot(math.radians(TOP_FLOOR_DEG), TOP_BEND * line[4])


def _paired(sides):
    """Rows on which both sides are known: y, left x, right x."""
    left, right = sides["left"], sides["right"]
    y, i, j = np.intersect1d(left[:, 1], right[:, 1], assume_unique=True, return_indices=True)
    return y, left[i, 0], right[j, 0]


def _symmetry(sides, pair, raw, curved):
    """Roll from the mirror axis: the line through the middles of the chords square to it, found by turning the chords."""
    y, left, right = pair
    if raw is None or len(y) < 0.4 * sides["height"]:
        return None
    half = raw[1] * (right - left) / 2  # chords tilt with the axis: compare left and right at rows turned by it
    line = straight_edges([(y, (np.interp(y + half, y, left) + np.interp(y - half, y, right)) / 2)])[0]
    if line is None or line[3] > 0.03 * sides["width"]:
        return None
    _, slope, sd, _, share, bend, _ = line
    floor = CURVED_FLOOR_DEG if curved else SYMMETRY_FLOOR_DEG
    return -math.degrees(math.atan(slope)), max(math.degrees(math.hypot(sd / share**2, BEND * bend)) * floor / SYMMETRY_FLOOR_DEG, floor)


def _sides(sides, lines):
    """Roll from the two sides: the mean of their directions."""
    for line, side in zip(lines, ("left", "right"), strict=True):
        if line is None or line[3] > 0.03 * sides["width"] or len(sides[side]) < 0.35 * sides["height"]:
            return None
    degrees = [-math.degrees(math.atan(line[1])) for line in lines]
    each = [math.degrees(math.hypot(sd / share**2, BEND * bend)) for _, _, sd, _, share, bend, _ in lines]
    taper = abs(degrees[0] - degrees[1]) / 2
    return sum(degrees) / 2, max(math.hypot(math.hypot(*each) / 2, TAPER_SHARE * taper), SIDES_FLOOR_DEG)
