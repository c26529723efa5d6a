"""
Turn of the product about the vertical, and the camera's pitch.

In a three-quarter view the product stands on two edges that meet at the corner
nearest to the camera. On the ground these edges are square to each other; in
the picture each has a slope that turn and pitch fix together (pinhole camera;
Hartley and Zisserman, Multiple View Geometry, 2nd ed., ch. 8: vanishing points
of orthogonal directions). The front's edge is long and straight on nearly every
bag; the side's is short and often rounded. So the front's slope is taken as it
is, and the side's only weighs which pitch it may have been. What a shape still
bends drops out in pass two, where pictures are compared at one pitch.
"""

import math

import numpy as np

from catalogue_audit.measures.geometry.corner import base_corner, round_base
from catalogue_audit.measures.geometry.roll import base_line, side_roll
from catalogue_audit.measures.records import CONFIDENCE_LIMIT, DEFAULT_FOCAL_35MM

ROUND = 0.6  # roundness from which there is no corner; made totes, satchels and bowlers have 0.1 to 0.35, hobos 0.9
SIDE_EDGE_SD = 0.03  # slope; what rounding does to the short edge of made bags with a clear corner
SURE_SLOPE = 0.006  # standard uncertainty of a slope up to which the edge beside the corner is taken
UNSURE_SLOPE = 0.03  # and the one of a whole base from which it has no direction
USUAL_PITCH_DEG, USUAL_PITCH_SD_DEG = 8.0, 3.0  # cameras look down on a bag by 5 to 11 degrees: common practice, no source
CLEAR_PITCH_DEG = 2.0  # with more, the pitch is only what is usual
LEAST_TURN_DEG = 12.0  # a product turned less shows no side whose edge could tell the pitch
UNSURE_DEG = 8.0  # a turn known no better says nothing
TRIPOD_SD_DEG = 0.5  # degree; how level a product camera stands: common practice, no source
ROUNDING_SD_DEG = 0.5  # what the rounding of a sewn base does to the pitch, from bag to bag
NO_FOCAL_SD_DEG = 2.0  # the same where the focal length is not known
SHAPE_SD_DEG = 1.5  # what rounding and bulge of sewn bases do to the turn, between styles


def turn_facts(picture, outline, focal_length_35mm=None):
    """
    Turn and camera pitch from the two lower edges.

    The front's long lower edge fixes the turn for every pitch; the short edge of the
    side says which pitch, as far as it is straight, and what product cameras usually
    have says the rest. What is reported is the mean over all pitches by their weight.

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
        ``camera_pitch_deg`` (+ looking down) and ``camera_pitch_sd_deg`` where the side's edge
        tells it. For the sketch: ``front_edge``, a point of the front's lower edge (x, y,
        fractions of the frame), its slope and standard uncertainty, and +1 where the front
        is right of the nearest corner, -1 left of it; ``corner``, where the base has one:
        left end, corner, right end (fractions of the frame), the two slopes and their
        standard uncertainties; ``round_base``, where it has no edge with a direction: its middle, its
        tilt and standard uncertainty; ``reasons``.
    """
    if outline.box is None or outline.confidence < CONFIDENCE_LIMIT:
        return {"reasons": ("turn not measured: no certain outline",)}
    if "bottom" in outline.touches:
        return {"reasons": ("turn not measured: the frame cuts the base",)}
    sides = outline.body.sides
    if sides is None:
        return {"reasons": ("turn not measured: no body found",)}
    base = base_corner(sides, picture.working)
    front = front_edge(sides, base, picture)
    height, width = outline.mask.shape
    if front is None:
        reasons = ("turn not measured: the base is round or soft and shows no edge with a direction",)
        tilt = round_base(sides)
        if tilt is None:
            return {"reasons": reasons}
        return {"round_base": np.array([tilt[0] / width, tilt[1] / height, *tilt[2:]], np.float32), "reasons": reasons}
    found = {"front_edge": np.array([front[0] / width, front[1] / height, *front[2:]], np.float32)}
    side = None
    k = 0 if front[4] > 0 else 1
    if base is not None and base["slopes"][1 - k] == front[2] and base["slope_sds"][k] < UNSURE_SLOPE:
        side = base["slopes"][k], math.hypot(2 * base["slope_sds"][k], SIDE_EDGE_SD * (1 + 2 * base["roundness"])), base["clear"]
    if base is not None and base["roundness"] <= ROUND:
        corner = [*base["left"], *base["corner"], *base["right"], *base["slopes"], *base["slope_sds"]]
        found["corner"] = np.array(corner, np.float32)
        found["corner"][0:6] /= np.array([width, height] * 3, np.float32)
    roll, roll_sd = _likely_roll(side_roll(sides))
    focal_px = (focal_length_35mm or DEFAULT_FOCAL_35MM) * math.hypot(width, height) / math.hypot(36, 24)
    place = _in_focal_lengths(front[:2], outline.mask.shape, focal_px)
    if side is not None:
        side = *side, _in_focal_lengths(base["corner"], outline.mask.shape, focal_px)
    yaw, yaw_sd, pitch, pitch_sd = weigh_pitches(front[2:], side, place, math.radians(roll), math.radians(roll_sd))
    yaw_sd = math.hypot(yaw_sd, SHAPE_SD_DEG if focal_length_35mm else 1.5 * SHAPE_SD_DEG)
    if not yaw_sd < UNSURE_DEG:
        return found | {"reasons": ("turn not measured: the edges of the base are too short, too round or too level",)}
    if side is not None and pitch_sd < CLEAR_PITCH_DEG and abs(yaw) > LEAST_TURN_DEG:
        found |= {"camera_pitch_deg": round(pitch, 2), "camera_pitch_sd_deg": round(math.hypot(pitch_sd, ROUNDING_SD_DEG if focal_length_35mm else NO_FOCAL_SD_DEG), 2)}
    reasons = () if "camera_pitch_deg" in found else ("camera height not measured: no corner of the base shows two edges",)
    return found | {"yaw_deg": round(yaw, 2), "yaw_sd_deg": round(yaw_sd, 2), "reasons": reasons}


def front_edge(sides, base, picture):
    """
    The front's lower edge: the longer of the two that meet at the corner, or the base as a whole where none shows.

    Returns
    -------
    (x, y, slope, slope_sd, side) or None
        A point in its middle, working pixels; ``side`` +1 where the edge lies right of the corner.
    """
    if base is not None:
        lengths = base["corner"][0] - base["left"][0], base["right"][0] - base["corner"][0]
        k = int(lengths[1] >= lengths[0])
        if base["slope_sds"][k] < SURE_SLOPE and lengths[k] > 0.5 * sides["width"] and 0 < (-1) ** k * base["slopes"][k] < 0.7:
            end = base["right"] if k else base["left"]
            middle = 0.5 * (base["corner"][0] + end[0]), 0.5 * (base["corner"][1] + end[1])
            return *middle, base["slopes"][k], base["slope_sds"][k], 1.0 if k else -1.0
    line = base_line(sides, picture)
    if line is None or line[3] > UNSURE_SLOPE:
        return None
    return *line, 1.0 if line[2] < 0 else -1.0


def front_turn(slope, pitch, place, roll=0.0):
    """
    Turn that gives the front's lower edge its slope.

    Parameters
    ----------
    slope : float or array
        dy/dx in the picture, y down; + where the front is left of the corner.
    pitch : float or array
        Radian, looking down.
    place : (x, y)
        Of a point of the edge, from the picture's centre, in focal lengths.
    roll : float
        Radian, of the product in the picture; taken out first.

    Returns
    -------
    float or array
        Degree, + front towards the camera's right. An edge on the ground meets the horizon
        where its direction does (Hartley and Zisserman, ch. 8).
    """
    cosine, sine = np.cos(roll), np.sin(roll)
    x, y = place[0] * cosine + place[1] * sine, -place[0] * sine + place[1] * cosine
    level = (slope * cosine - sine) / (cosine + slope * sine)
    level = np.where(np.abs(level) < 1e-6, -1e-6, level)
    meets = x + (-np.tan(pitch) - y) / level
    return np.degrees(np.arctan(1.0 / (meets * np.cos(pitch))))


def weigh_pitches(front, side, place, roll, roll_sd):
    """
    Turn and pitch, weighed over all camera pitches.

    Parameters
    ----------
    front : (slope, standard uncertainty, side)
    side : (slope, standard uncertainty, clear, (x, y)) or None
        The short edge, whether the picture shows it itself, and a point of it as in `front_turn`;
        None where there is none.
    place : (x, y)
        As in `front_turn`.
    roll, roll_sd : float
        Radian.

    Returns
    -------
    yaw_deg, yaw_sd_deg, pitch_deg, pitch_sd_deg : float
    """
    slope, slope_sd, _ = front
    pitches = np.radians(np.linspace(0.5, 30, 119))
    yaws = front_turn(slope, pitches, place, roll)
    cost = ((np.degrees(pitches) - USUAL_PITCH_DEG) / USUAL_PITCH_SD_DEG) ** 2
    if side is not None:
        other = np.radians(yaws + 90.0)
        meets = 1.0 / (np.tan(other) * np.cos(pitches))
        expected = (-np.tan(pitches) - side[3][1]) / (meets - side[3][0]) + roll
        apart = ((side[0] - expected) / side[1]) ** 2
        cost = cost + (apart if side[2] else 3.0 * np.log1p(apart / 2.0))  # a rounded edge may be far off
    weights = np.exp(-0.5 * (cost - cost.min()))
    weights /= weights.sum()
    yaw = float(np.sum(weights * yaws))
    pitch = float(np.sum(weights * np.degrees(pitches)))
    pitch_sd = math.sqrt(float(np.sum(weights * (np.degrees(pitches) - pitch) ** 2)))
    at = math.radians(pitch)
    moved = (front_turn(slope + slope_sd, at, place, roll), front_turn(slope, at, place, roll + roll_sd))
    here = front_turn(slope, at, place, roll)
    within = sum(float(value - here) ** 2 for value in moved)
    return yaw, math.sqrt(float(np.sum(weights * (yaws - yaw) ** 2)) + within), pitch, pitch_sd


def _in_focal_lengths(point, shape, focal_px):
    """A point of the picture from its centre, in focal lengths."""
    return (point[0] - shape[1] / 2) / focal_px, (point[1] - shape[0] / 2) / focal_px


def _likely_roll(witness):
    """Roll of the sides, drawn to level by what a tripod with a spirit level allows."""
    if witness is None:
        return 0.0, TRIPOD_SD_DEG
    weight = TRIPOD_SD_DEG**2 / (TRIPOD_SD_DEG**2 + witness[1] ** 2)
    return weight * witness[0], math.sqrt(weight) * witness[1]
