"""
How far a product in a straight-on view is turned off square.

A base that is not square to the camera slopes in the picture, for the camera looks
down on it: an edge on the ground meets the horizon where its direction does (Hartley
and Zisserman, Multiple View Geometry, 2nd ed., ch. 8). For a small turn the slope is
the turn times the angle at which the base lies below the horizon. A roll of the camera
slopes the base as well, but turns the sides and the mirror axis along, and the upper
edge, which lies near the horizon and is hardly sloped by a turn. What is sewn on the front moves sideways
against the outline by a turn alone. So all of them together tell the two apart.
"""

import itertools
import math

import numpy as np

USUAL_PITCH_DEG, USUAL_PITCH_SD_DEG = 6.0, 2.5  # straight-on views are taken from a little above: common practice, no source
PITCHES_SD = np.array([-1.5, -0.75, 0.0, 0.75, 1.5])  # standard deviations of the pitch that are tried
TURNS = np.arange(-25.0, 25.01, 0.5)  # degrees that are tried
USUAL_TURN_DEG = 1.0  # how square products are set by eye, and whether beside a mark on the table: common practice, no source; 0.5 in deliveries of seven makes
FAULT, FAULT_TURN_DEG = 0.08, 9.0  # share and size of those that are not; 33 of four makes, turned by 4.5 to 16 degrees
USUAL_ROLL_DEG, ROLL_FAULT_DEG = 0.25, 2.5  # the same of the camera's roll: a tripod with a spirit level, 0.1 in deliveries of seven makes
ROLL_FAULT = 0.1
BENT_BY_TURN = 0.08  # degree a degree of turn: what a turned body's sides and axis tilt, by its depth
BENT_EDGE = 0.025  # the same of its lower and upper edge, by the rounding of their ends
CROWN_RISES, CROWN_BENT = 0.05, 0.06  # degree a degree of turn: handles' crowns lie above the horizon and slope against the base; how that varies
LEGS_LEVER, LEGS_LEVER_SD = 0.44, 0.27  # distance of the two handles over the body's width, on made bags, and how it varies, relative
LEGS_SD, LEGS_OFF = 0.012, 0.035  # of the body's width; likelihood of four legs that no turn has moved apart: none of 190 square pictures shows them
MIRROR_FLOOR_DEG, MIRROR_SHARE = 0.1, 1.5  # sewn bags are no more symmetric than this; and what their outlines' scatter says, times this
NEARER_END, NEARER_END_SD = 0.55, 0.3  # share of a turn that shows as a nearer, larger end, for a side that shows is farther away; made bags of seven styles
BULGE, BULGE_SD, BULGE_FLOOR = 0.001, 0.0008, 0.002  # of the body's width a degree of turn: bulge of the shoulder on the side that comes into view
# Depth over the width, by which a turn moves fronts, and its natural logarithm's spread; the same of a supplied depth: 0.9 to 1.5 of it in nine styles.
DEPTH, DEPTH_SD, KNOWN_DEPTH_SD = 0.36, 0.5, 0.3
# Share of oval ones among bases that are seen in the outline alone, by that depth: what is as deep as wide and shows no edge is round. Standard deviations of
# their depth that are tried, how likely each is, and the spread about it.
OVAL_DEPTHS, OVAL = (0.5, 0.8), (0.5, 0.9)
OVALS_SD, OVAL_SHARES, OVAL_SD = np.array([-1.2, 0.0, 1.2]), np.array([0.3, 0.4, 0.3]), 0.6
INNER_CLEAR, INNER_SDS = (0.003, 0.035, 0.08, 0.17, 0.3), (0.35, 0.55, 0.8, 1.0, 1.5)  # degrees: how well fronts are sewn in the middle, by share of wrong ones
INNER_FLAT = 0.12  # share of fronts that do not move against their outline: those of boxes, as far as perspective hides their sides
INNER_WRONG_DEG = 7.0  # by which wrong axes of fronts are off
UNLIKE_END, UNLIKE_SIDE, UNLIKE_BOTH = 0.06, 0.06, 0.05  # shares of products that are not symmetric, so that they seem turned, bulge, or both
UNLIKE_DEG, UNLIKE_BULGE = 6.0, 0.01  # and by how much
UNSEEN_DEG = 1000.0  # standard uncertainty of a base that is not seen
CROOKED, CROOKED_DEG = 0.08, 6.0  # share of sides and axes that show no axis, for the product is not symmetric, and by how much they are off
CROOKED_SHARES = {"top": 0.12, "handles": 0.12}  # the same of upper edges, for hems sag; of handles, which hang askew
# From this uncertainty a base is seen in the outline alone, and may be a bulging cushion's. It is stated for the worst of them: 89 firm ones (up to
# `BULGING_BASE_DEG`) of square pictures scatter by 0.19 of it, none is off by 0.7 degree; 215 round ones scatter by 0.3, nine are off by more than one.
# So that share of it counts, beside those that slant by themselves: how many, by how much, and with what part of the stated uncertainty.
DULL_BASE_DEG, BULGING_BASE_DEG = 0.35, 0.45
DULL_SHARE, DULL_FLOOR_DEG = 0.4, 0.06
CROOKED_FIRM, CROOKED_FIRM_DEG, CROOKED_BASE, CROOKED_BASE_DEG, CROOKED_PART = 0.04, 0.6, 0.08, 1.0, 0.5
HANDLES_FLOOR_DEG = 0.5  # how level handles hang; 0.2 to 0.8 on made bags
KEPT, KEPT_OF_MIRROR = ("base", "sides", "symmetry", "top"), ("roll", "handles", "turn", "side", "inner")  # in a sketch, in this order


def turn_and_roll(witnesses, below_deg, top_below_deg=0.0, legs_apart=None, mirror=(), pitch=(USUAL_PITCH_DEG, USUAL_PITCH_SD_DEG), depth=None):
    """
    Turn off square and roll of a product in a straight-on view.

    Parameters
    ----------
    witnesses : dict
        As `roll.roll_witnesses` gives it: name -> (degree, standard uncertainty); needs one of
        'sides', 'symmetry' and 'top', or `mirror`. Without 'base' the turn stays what is usual.
    below_deg, top_below_deg : float
        Angles of the base and of the upper edge below the optical axis.
    legs_apart : float, optional
        As `handles.legs_apart` gives it: so far a turn has moved the rear handle from behind the front one.
    mirror : dict, optional
        As `mirror.mirror_pose` gives it; then 'sides' and 'symmetry', which are of the same outline, are left out. Under 'inner' as
        `inner_mirror.inner_axis` gives it.
    pitch : (float, float)
        How far the camera looks down, and the standard uncertainty of that, degrees.
    depth : float, optional
        Of the product over its width, where it is supplied.

    Returns
    -------
    (yaw_deg, yaw_sd_deg, roll_deg, roll_sd_deg) or None
        Means and standard deviations over all turns and pitches by their weight; + the front turns towards the
        camera's right, + clockwise. None where no axis can be seen. Each standard deviation
        covers the other explanation as far as the witnesses leave it open.

    Examples
    --------
    A base that slopes by 2 degrees below upright sides and axis, 11 degrees below the horizon:

    >>> yaw, yaw_sd, roll, roll_sd = turn_and_roll({"base": (-2.0, 0.1), "sides": (0.0, 0.3), "symmetry": (0.1, 0.3)}, 5.0)
    >>> 8 < yaw < 12, yaw_sd < 3, abs(roll) < 0.3
    (True, True, True)
    """
    if "roll" in mirror:
        value, sd = mirror["roll"]
        axis = {"mirror": (value, math.hypot(MIRROR_FLOOR_DEG, MIRROR_SHARE * sd))}
        witnesses = {name: told for name, told in witnesses.items() if name not in ("sides", "symmetry")} | axis
    others = [name for name in ("sides", "symmetry", "mirror", "top") if name in witnesses]
    if not others:
        return None
    if "handles" in mirror:
        value, sd = mirror["handles"]
        witnesses, others = witnesses | {"handles": (value, math.hypot(HANDLES_FLOOR_DEG, MIRROR_SHARE * sd))}, [*others, "handles"]
    base, base_sd = witnesses.get("base", (0.0, UNSEEN_DEG))
    depths = (DEPTH, DEPTH_SD) if depth is None else (depth, KNOWN_DEPTH_SD)
    shapes = _shapes(base_sd, *depths)
    pitches, bodies, turns = (grid.ravel() for grid in np.meshgrid(pitch[0] + pitch[1] * PITCHES_SD, np.arange(len(shapes)), TURNS, indexing="ij"))
    shares, edged, deep, deep_sd = shapes[bodies].T
    gains = {"base": edged * np.sin(np.radians(np.maximum(pitches + below_deg, 1.0))), "top": np.sin(np.radians(pitches + top_below_deg))}
    gains["handles"] = -CROWN_RISES
    values = np.stack([base + gains["base"] * turns, *(witnesses[name][0] + gains.get(name, 0.0) * turns for name in others)])
    bent = {"sides": BENT_BY_TURN, "symmetry": BENT_BY_TURN, "mirror": BENT_BY_TURN, "handles": CROWN_BENT, "top": BENT_EDGE}
    base_sd, base_off, base_off_deg = _base_as_seen(base_sd)
    ends = edged * turns  # a drum looks alike from all sides but for what is sewn on it
    sds = [np.hypot(base_sd, BENT_EDGE * ends), *(np.hypot(witnesses[name][1], bent[name] * (turns if name == "handles" else ends)) for name in others)]
    usual = (1 - FAULT) * _normal(turns, USUAL_TURN_DEG) + FAULT * _normal(turns, FAULT_TURN_DEG)
    usual = usual * _normal((pitches - pitch[0]) / pitch[1], 1.0) * shares
    if legs_apart is not None:
        seen = LEGS_LEVER * np.sin(np.radians(np.abs(turns)))
        usual = usual * ((1 - LEGS_OFF) * _normal(legs_apart - seen, np.hypot(LEGS_SD, LEGS_LEVER_SD * seen)) + LEGS_OFF)
    if "turn" in mirror:
        usual = usual * _by_mirror(mirror, ends)
    if "inner" in mirror:
        usual = usual * _by_front(*mirror["inner"], turns, deep, deep_sd)
    share_off = [base_off, *(CROOKED_SHARES.get(name, CROOKED) for name in others)]
    crooked_deg = [base_off_deg, *(CROOKED_DEG for _ in others)]
    total, mean, square = (usual * part for part in _over_all_ways(values, np.stack(sds), share_off, crooked_deg))
    whole = total.sum()
    yaw, roll = float((total * turns).sum() / whole), float(mean.sum() / whole)
    yaw_sd = math.sqrt(float((total * (turns - yaw) ** 2).sum() / whole))
    return yaw, yaw_sd, roll, math.sqrt(max(float(square.sum() / whole) - roll**2, 0.0))


def for_the_sketch(witnesses, below_deg, top_below_deg=0.0, legs_apart=None, mirror=()):
    """
    What `turn_and_roll` was told of a picture, so that it can be asked again once the camera's height is known.

    Returns
    -------
    (21,) float32
        NaN for what the picture does not show.

    Examples
    --------
    >>> told = {"base": (-2.0, 0.125), "sides": (0.0, 0.25)}, 5.0, 0.0, None, {"inner": (0.5, 0.0625)}
    >>> turn_and_roll(*told) == turn_and_roll(*of_the_sketch(for_the_sketch(*told)))
    True
    """
    pairs = [witnesses.get(name) for name in KEPT] + [dict(mirror).get(name) for name in KEPT_OF_MIRROR]
    flat = [value for pair in pairs for value in ((math.nan, math.nan) if pair is None else pair)]
    return np.array([below_deg, top_below_deg, math.nan if legs_apart is None else legs_apart, *flat], np.float32)


def of_the_sketch(kept):
    """What `for_the_sketch` kept, as `turn_and_roll` takes it."""
    below, top_below, legs, *flat = (float(value) for value in kept)
    pairs = {name: pair for name, pair in zip(KEPT + KEPT_OF_MIRROR, zip(flat[::2], flat[1::2], strict=True), strict=True) if pair[0] == pair[0]}
    witnesses, mirror = ({name: pairs[name] for name in names if name in pairs} for names in (KEPT, KEPT_OF_MIRROR))
    return witnesses, below, top_below, legs if legs == legs else None, mirror


def _base_as_seen(sd):
    """Standard uncertainty of a base of which ``sd`` is stated, the share of such bases that slant by themselves, and by how many degrees those do."""
    if not DULL_BASE_DEG < sd < UNSEEN_DEG:
        return sd, 0.0, CROOKED_BASE_DEG
    share, off = (CROOKED_FIRM, CROOKED_FIRM_DEG) if sd <= BULGING_BASE_DEG else (CROOKED_BASE, CROOKED_BASE_DEG)
    return math.hypot(DULL_FLOOR_DEG, DULL_SHARE * sd), share, math.hypot(off, CROOKED_PART * sd)


def _by_mirror(mirror, turns):
    """Likelihood of the turns by what makes an outline unlike its mirror image; either trace, or both, may be the product's own."""
    (value, sd), (side, side_sd) = mirror["turn"], mirror["side"]
    near = _normal(value - NEARER_END * turns, np.hypot(MIRROR_SHARE * sd, NEARER_END_SD * turns))
    bulge = _normal(side - BULGE * turns, np.hypot(math.hypot(MIRROR_SHARE * side_sd, BULGE_FLOOR), BULGE_SD * turns))
    own_end, own_side = _normal(value, UNLIKE_DEG), _normal(side, UNLIKE_BULGE)
    alike = 1 - UNLIKE_END - UNLIKE_SIDE - UNLIKE_BOTH
    return alike * near * bulge + UNLIKE_END * own_end * bulge + UNLIKE_SIDE * near * own_side + UNLIKE_BOTH * own_end * own_side


def _shapes(base_sd, depth, depth_sd):
    """
    What a body may be: a share, how far its base and its ends are a box's, its depth over its width and the spread of that, natural logarithm: (n, 4).

    A base that is seen in the outline alone may be an oval one, of which a turn slopes the line under it less by the square of its depth over its width.
    """
    box = 1.0, 1.0, depth, depth_sd
    if base_sd <= DULL_BASE_DEG:
        return np.array([box])
    depths = depth * np.exp(depth_sd * OVALS_SD)
    ovals = OVAL_SHARES * np.interp(depths, OVAL_DEPTHS, OVAL)
    bodies = [(share, max(1 - deep**2, 0.0), deep, OVAL_SD * depth_sd) for share, deep in zip(ovals, depths, strict=True)]
    return np.array([(1 - ovals.sum(), *box[1:]), *bodies])


def _by_front(angle, wrong, turns, depth, depth_sd):
    """Likelihood of the turns by the angle of the front's own mirror axis, as `inner_mirror.inner_axis` gives it; ``depth`` as in `_shapes`."""
    sd = float(np.interp(wrong, INNER_CLEAR, INNER_SDS))
    moved = np.degrees(np.arctan(depth * np.tan(np.radians(turns))))
    told = (1 - INNER_FLAT) * _normal(angle - moved, np.hypot(sd, depth_sd * moved)) + INNER_FLAT * _normal(angle, sd)
    return (1 - wrong) * told + wrong * _normal(angle, INNER_WRONG_DEG)


def _over_all_ways(values, sds, share_off, crooked_deg):
    """
    What several measures of one unknown roll say of it, whichever of them are crooked, and however the camera was held.

    Parameters
    ----------
    values, sds : (k, n) float
        Measures and standard uncertainties at each of n turns.
    share_off, crooked_deg : (k,) sequence
        Share of measures that are crooked, and standard deviation of what those are off by.

    Returns
    -------
    likelihood, roll, square : (n,) float
        The last two times the likelihood: mean of the roll and of its square.
    """
    ways = np.array(list(itertools.product((0.0, 1.0), repeat=len(values))))
    odds = np.prod(np.where(ways > 0, share_off, 1 - np.array(share_off)), axis=1)
    precision = np.concatenate([sds**-2.0, (sds**2 + np.square(crooked_deg)[:, None]) ** -1.0])
    weighted = precision * np.concatenate([values, values])
    terms = np.stack([precision, weighted, weighted * np.concatenate([values, values]), 0.5 * np.log(precision)], axis=1)
    # Sums over the measures, for every way at once: of a Gaussian in the roll its precision, centre and height.
    sums = (np.hstack([1 - ways, ways]) @ terms.reshape(len(terms), -1)).reshape(len(ways), 4, -1).transpose(1, 0, 2)
    likelihood = mean = square = 0.0
    for share, spread in ((1 - ROLL_FAULT, USUAL_ROLL_DEG), (ROLL_FAULT, ROLL_FAULT_DEG)):
        total = sums[0] + spread**-2.0
        roll = sums[1] / total
        weight = np.exp(sums[3] - 0.5 * (sums[2] - sums[1] * roll)) / np.sqrt(total)
        weight *= (share / spread * odds)[:, None]
        likelihood, mean = likelihood + weight.sum(axis=0), mean + (weight * roll).sum(axis=0)
        square = square + (weight * (roll**2 + 1 / total)).sum(axis=0)
    return likelihood, mean, square


def _normal(value, sd):
    return np.exp(-0.5 * (value / sd) ** 2) / sd
