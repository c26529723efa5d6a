"""
Turn of the product about the vertical, and the camera's pitch.

In a three-quarter view the product stands on two edges that meet at the corner
nearest to the camera. On the ground these edges are square to each other; in
the picture each has a slope. One camera pitch makes the two slopes belong to a
right angle, and with it each slope gives the turn (pinhole camera; Hartley and
Zisserman, Multiple View Geometry, 2nd ed., ch. 8: vanishing points of
orthogonal directions). Soft and rounded bases bend the slopes alike within one
style, so deviations are judged within a style in pass two, where the split of
the base by its corner joins in.
"""

import math

import numpy as np

from .records import CONFIDENCE_LIMIT
from .roll import body_sides, robust_line, roll_witnesses

DEFAULT_FOCAL_35MM = 85.0  # mm; common practice for product work, no source; used where Exif is silent
EDGE_SHARE = 0.08  # of the base's width; shorter edges have no slope worth naming
CORNER_PX = 0.04  # of the base's width left out on either side of the corner, for it is rounded
ROUND = 0.6  # roundness from which there is no corner; made totes, satchels and bowlers have 0.1 to 0.35, hobos 0.9
STEEP_PITCH_DEG = 9.0  # common practice puts the camera 5 to 10 degrees above a bag, no source
ROUNDED_SHARE = 0.7  # degree of turn a degree of apparent pitch beyond; measured on made barrel bags
TRIPOD_SD_DEG = 0.5  # degree; how level a product camera stands: common practice, no source
FOOT_REACH = 0.06  # of the body's height; what lies farther from the base's end is a strap beside it
SHAPE_SD_DEG = 1.5  # what rounding and bulge of sewn bases do to the turn, between styles


def turn_facts(picture, outline, focal_length_35mm=None):
    """
    Turn and camera pitch from the two lower edges.

    Parameters
    ----------
    picture : Picture
    outline : Outline
    focal_length_35mm : float, optional
        36 x 24 mm equivalent; 85 mm is assumed, with more uncertainty, where unknown.

    Returns
    -------
    dict
        ``yaw_deg`` (+ front towards the camera's right), ``yaw_sd_deg``,
        ``camera_pitch_deg`` (+ looking down), ``camera_pitch_sd_deg``, the base's
        ``corner`` as an array for the sketch: left end, corner, right end (fractions
        of the frame), the two slopes and their standard uncertainties; ``reasons``.
    """
    if outline.box is None or outline.confidence < CONFIDENCE_LIMIT:
        return {"reasons": ("turn not measured: no certain outline",)}
    sides = body_sides(outline)
    base = None if sides is None else base_corner(sides)
    if base is None or base["roundness"] > ROUND:
        return {"reasons": ("turn not measured: the base is round or soft and shows no corner of two straight edges",)}
    height, width = outline.mask.shape
    roll, roll_sd = _likely_roll(roll_witnesses(sides).get("sides"))
    focal = focal_length_35mm or DEFAULT_FOCAL_35MM
    focal_px = focal * math.hypot(width, height) / math.hypot(36, 24)
    found = solve_turn(base, roll, focal_px, (width / 2, height / 2))
    corner = np.array([*base["left"], *base["corner"], *base["right"], base["slopes"][0], base["slopes"][1],
                       base["slope_sds"][0], base["slope_sds"][1]], np.float32)  # fmt: skip
    corner[0:6] /= np.array([width, height] * 3, np.float32)
    if found is None:
        return {"corner": corner, "reasons": ("turn not measured: the slopes of the base belong to no turned product",)}
    yaw, pitch = found
    steps = [(0, s) for s in base["slope_sds"]]
    yaws, pitches = [], []
    for index, (_, sd) in enumerate(steps):
        moved = list(base["slopes"])
        moved[index] += max(sd, 1e-4)
        other = solve_turn({**base, "slopes": moved}, roll, focal_px, (width / 2, height / 2))
        if other is not None:
            yaws.append(other[0] - yaw)
            pitches.append(other[1] - pitch)
    other = solve_turn(base, roll + roll_sd, focal_px, (width / 2, height / 2))
    if other is not None:
        yaws.append(other[0] - yaw)
        pitches.append(other[1] - pitch)
    focal_sd = 0.02 if focal_length_35mm else 0.25
    other = solve_turn(base, roll, focal_px * (1 + focal_sd), (width / 2, height / 2))
    if other is not None:
        yaws.append(other[0] - yaw)
        pitches.append(other[1] - pitch)
    # A camera hardly ever looks down on a product more than this: beyond, it is the base that is rounded.
    shape_sd = SHAPE_SD_DEG + ROUNDED_SHARE * max(0.0, pitch - STEEP_PITCH_DEG)
    yaw_sd = math.sqrt(sum(d * d for d in yaws) + shape_sd**2)
    pitch_sd = math.sqrt(sum(d * d for d in pitches) + 0.5**2)
    if yaw_sd > 8:
        return {"corner": corner, "reasons": ("turn not measured: the edges of the base are too short or too round",)}
    return {
        "corner": corner,
        "yaw_deg": round(yaw, 2),
        "yaw_sd_deg": round(yaw_sd, 2),
        "camera_pitch_deg": round(pitch, 2),
        "camera_pitch_sd_deg": round(pitch_sd, 2),
        "reasons": (),
    }


def _foot(side, lowest, height, otherwise):
    """Where a side of the body comes down to the base: its place in the lowest quarter, hardware left out."""
    near = side[side[:, 1] > lowest - 0.25 * height]
    if len(near) < 0.08 * height:
        return otherwise
    foot = float(np.median(near[:, 0]))
    return foot if abs(foot - otherwise) < FOOT_REACH * height else otherwise


def _likely_roll(witness):
    """Roll of the sides, drawn to level by what a tripod with a spirit level allows."""
    if witness is None:
        return 0.0, TRIPOD_SD_DEG
    weight = TRIPOD_SD_DEG**2 / (TRIPOD_SD_DEG**2 + witness[1] ** 2)
    return weight * witness[0], math.sqrt(weight) * witness[1]


def base_corner(sides):
    """
    The lower edge as two straight lines that meet at a corner.

    Parameters
    ----------
    sides : dict
        As `roll.body_sides` gives it.

    Returns
    -------
    dict or None
        ``left``, ``corner``, ``right``: points (x, y), working pixels; ``slopes`` and
        ``slope_sds`` of the left and the right edge (dy/dx, y down); ``roundness``:
        0 where two lines explain the base far better than a smooth curve, 1 where not.
    """
    base = sides["base"]
    order = np.argsort(base[:, 0])
    x, y = base[order, 0], base[order, 1]
    width = sides["width"]
    if len(x) < 40 or x[-1] - x[0] < 0.5 * width:
        return None
    start, end = x[0], x[-1]
    inner = (x > start + 0.03 * width) & (x < end - 0.03 * width)
    x, y = x[inner], y[inner]
    best = None
    margin = CORNER_PX * width
    for at in np.linspace(start + EDGE_SHARE * width, end - EDGE_SHARE * width, 36):
        cost, lines = 0.0, []
        for part in (x < at - margin, x > at + margin):
            if part.sum() < max(8, 0.05 * width):
                break
            slope, level = np.polyfit(x[part], y[part], 1)
            residual = np.abs(y[part] - level - slope * x[part])
            cost += float(np.sum(np.minimum(residual, 0.03 * width)))
            lines.append((level, slope))
        if len(lines) < 2:
            continue
        near = np.abs(x - at) <= margin
        roof = np.minimum(*(level + slope * x[near] for level, slope in lines))
        cost += float(np.sum(np.minimum(np.abs(y[near] - roof), 0.03 * width)))
        if best is None or cost < best[0]:
            best = (cost, at)
    if best is None:
        return None
    at = best[1]
    fits = []
    for _ in range(3):
        fits = [robust_line(x[part], y[part]) for part in (x < at - margin, x > at + margin) if part.sum() >= 8]
        if len(fits) < 2 or any(fit is None for fit in fits):
            return None
        (left_level, left_slope, *_), (right_level, right_slope, *_) = fits
        if abs(left_slope - right_slope) < 0.02:
            return None
        meet = (right_level - left_level) / (left_slope - right_slope)
        if not start < meet < end:
            return None
        at = 0.5 * (at + meet)
    if left_slope - right_slope <= 0:  # the corner must be the lowest point (y down: rises to it, falls after)
        return None
    corner = (meet, left_level + left_slope * meet)
    start, end = (
        _foot(sides[side], corner[1], sides["height"], end) for side, end in (("left", start), ("right", end))
    )
    return {
        "left": (start, left_level + left_slope * start),
        "corner": corner,
        "right": (end, right_level + right_slope * end),
        "slopes": (left_slope, right_slope),
        "slope_sds": (fits[0][2], fits[1][2]),
        "roundness": _roundness(x, y, corner, (left_slope, right_slope)),
    }


def _roundness(x, y, corner, slopes):
    """How little better two lines explain the base than one smooth cubic: 0 a sharp corner, about 1 none."""
    lines = corner[1] + np.minimum(slopes[0] * (x - corner[0]), slopes[1] * (x - corner[0]))
    along = (x - x.mean()) / max(float(np.ptp(x)), 1.0)
    smooth = np.polyval(np.polyfit(along, y, 3), along)
    return float(np.mean(np.abs(y - lines)) / max(float(np.mean(np.abs(y - smooth))), 0.1))


def solve_turn(base, roll_deg, focal_px, centre):
    """
    Turn and pitch of a camera that sees the two lower edges as square to each other.

    Parameters
    ----------
    base : dict
        ``corner`` and ``slopes`` as `base_corner` gives them.
    roll_deg : float
        Roll of the product in the picture, taken out first.
    focal_px : float
    centre : (x, y)
        Principal point, working pixels.

    Returns
    -------
    (yaw_deg, pitch_deg) or None
    """
    turn = math.radians(roll_deg)
    cosine, sine = math.cos(turn), math.sin(turn)
    dx, dy = base["corner"][0] - centre[0], base["corner"][1] - centre[1]
    corner = np.array([dx * cosine + dy * sine, -dx * sine + dy * cosine]) / focal_px
    slopes = []
    for slope in base["slopes"]:
        x, y = cosine + slope * sine, -sine + slope * cosine
        slopes.append(y / x)
    if slopes[0] <= 0 or slopes[1] >= 0:
        return None

    def azimuths(pitch):
        """Ground directions of the two edges: angle from the camera's right, counter-clockwise from above."""
        horizon = -math.tan(pitch)
        angles = []
        for slope in slopes:
            x = corner[0] + (horizon - corner[1]) / slope  # where the edge meets the horizon
            angles.append(math.atan2(1.0, x * math.cos(pitch)))
        return angles

    def square(pitch):
        left, right = azimuths(pitch)
        return left - right - math.pi / 2

    pitches = np.radians(np.linspace(0.3, 45, 150))
    values = np.array([square(p) for p in pitches])
    crossing = np.flatnonzero(np.sign(values[:-1]) != np.sign(values[1:]))
    if not len(crossing):
        return None
    low, high = pitches[crossing[0]], pitches[crossing[0] + 1]
    for _ in range(40):
        middle = 0.5 * (low + high)
        if np.sign(square(middle)) == np.sign(square(low)):
            low = middle
        else:
            high = middle
    left, right = azimuths(low)
    yaw = math.degrees(right)  # the front's lower edge recedes to the right when its normal turns to the right
    if yaw > 45:
        yaw -= 90
    return yaw, math.degrees(low)
