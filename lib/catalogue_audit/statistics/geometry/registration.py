"""
Turn, tilt and roll of each picture by laying it over the pictures of its own kind.

Two colours of one style, seen in one view, have one shape: what it does to an edge is alike in both pictures and drops
out of their difference, which is left to how the product stood and the camera looked (`registration_match`). Pictures of one
style and view are compared in a ring, each with the next, so that the work grows as their number. Which of two that
differ is the wrong one, the difference does not say: that tells what is known of each picture alone. All is weighed
together by belief propagation over a grid of angles (Pearl, Probabilistic Reasoning in Intelligent Systems, 1988; exact for two
pictures), and any witness may be wrong.

Only views that show a turn are compared. A straight-on picture tells its turn by its own symmetry, and its tilt by front and back
(`lean`): laying those over each other added nothing to either, measured on rendered bags.
"""

import math

import numpy as np
import pandas as pd

from catalogue_audit.measures.applicability import shows_a_turn
from catalogue_audit.measures.geometry.handles import DEPTH
from catalogue_audit.measures.geometry.turn import LEAST_TURN_DEG, USUAL_PITCH_DEG
from catalogue_audit.measures.records import DEFAULT_FOCAL_35MM
from catalogue_audit.statistics.geometry.registration_match import motions_around
from catalogue_audit.statistics.geometry.stances import USUAL_TURN_DEG
from catalogue_audit.statistics.spread import spread
from catalogue_audit.statistics.styles import shapes_of

ANGLES = ("yaw", "pitch", "roll")
TOLD = ["yaw", "yaw_sd", "pitch", "pitch_sd", "roll", "roll_sd"]  # columns, degrees
GRID_DEG = {"yaw": np.arange(-24.0, 24.01, 0.25), "pitch": np.arange(-14.0, 14.01, 0.15), "roll": np.arange(-8.0, 8.01, 0.08)}
LOOKS_ALIKE = 0.38  # mean correlation below which two pictures show different things: of 726 pairs of other kinds of bags none reaches 0.45
# Share of wrong explanations by mean correlation, and what remains of right ones: measured on pairs of rendered bags of seven styles, and lately on 489
# of four makes, of which 23 lie between 0.35 and 0.45, 9 of them turned against each other by 5 degrees and more; one of these is wrong.
SCORES, WRONG = (0.35, 0.42, 0.5, 0.6), (0.3, 0.12, 0.07, 0.04)
SPREAD = 1.5  # of least squares' own uncertainty: patches of one seam are wrong together
FLOOR_DEG = {"yaw": 0.7, "pitch": 0.5, "roll": 0.12}
# Robust weights trust the front, which all patches of it move with, more than the few that move against it: what is found falls short of the truth.
GAIN = {"yaw": 1.1, "pitch": 1.25, "roll": 1.0}
GAIN_SD = {"yaw": 0.15, "pitch": 0.2, "roll": 0.05}
CROPPED_DEG = {"yaw": 1.2, "pitch": 1.2, "roll": 0.1}  # what another place of the optical centre adds
# What the cloth of a soft bag, which falls anew for each picture, adds; and how many times as many explanations are wrong: 29 pairs of three makes.
SOFT_DEG, SOFT_WRONG = {"yaw": 2.0, "pitch": 1.0, "roll": 0.2}, 2.0
OF_TURN = {"yaw": 0.0, "pitch": 0.15, "roll": 0.07}  # of a turn passes for tilt and roll where the solid is not the bag
PREFERS = 40.0  # log odds a unit of mean correlation, between explanations of one pair
# What careful hands do, how often something is wrong, and by how much: common practice, no source.
STEADY_DEG = {"yaw": 1.3, "pitch": 0.5, "roll": 0.3}
FAULTY, FAULT_DEG = 0.1, {"yaw": 8.0, "pitch": 4.5, "roll": 2.5}
ALONE_WRONG = 0.12  # share of what single pictures tell that is wrong
LOOPS_DEG = {"yaw": 0.35, "pitch": 0.3, "roll": 0.05}  # what belief propagation overlooks where links close a loop
ENOUGH = 3  # pictures that say by themselves which was taken from another height
SWEEPS = 6
MOST_UNSURE = 0.5  # of the grid's half: nothing is known then


def by_registration(frames, sketches, alone, brief, products=None):
    """
    Angles of each picture against its set, by others of its style and view together with what it tells alone.

    Parameters
    ----------
    frames : DataFrame
        With ``file``, ``sku``, ``view``, ``view_kind``, ``style``, ``origin``, ``touches``, ``duplicate_group``,
        ``focal_length_35mm``, ``yaw_deg`` and ``camera_pitch_deg``.
    sketches : mapping of str to dict
        Uses ``preview``, ``mask`` and ``sides``.
    alone : DataFrame
        Index as `frames`: ``yaw``, ``yaw_sd``, ``pitch``, ``pitch_sd``, ``roll``, ``roll_sd``, degrees against the set; NaN where
        unknown.
    brief : Brief
        Says which styles are soft.
    products : DataFrame, optional
        With ``sku``, and any of ``name``, ``width_cm``, ``height_cm``, ``depth_cm``.

    Returns
    -------
    DataFrame
        Index and columns as `alone`; NaN where no other picture told anything.
    """
    told = {name: np.full(len(frames), math.nan) for name in alone.columns}
    row_of = {index: row for row, index in enumerate(frames.index)}
    groups = [(places, group) for places, group in _groups(frames, brief, products) if len(group) > 1]
    compared = spread(motions_around, [_pictures(group) for _, group in groups], sketches)
    for (places, group), found in zip(groups, compared, strict=True):
        links = _links(group, found)
        own = alone.loc[group.index] if links else None
        for angle in ANGLES if links else ():
            if angle == "pitch" and len(group) < ENOUGH and own["pitch"].isna().all():
                continue  # one camera takes both: neither that they are alike nor that they differ says from where
            means, sds = believed(angle, own[[angle, f"{angle}_sd"]].to_numpy(dtype=float), links)
            for index, mean, sd in zip(group.index, means, sds, strict=True):
                copies = [row_of[copy] for copy in places[index]]
                told[angle][copies], told[f"{angle}_sd"][copies] = mean, sd
    return pd.DataFrame(told, index=frames.index)


_USED = ("file", "sku", "view", "style", "origin", "duplicate_group", "focal_length_35mm", "yaw_deg", "camera_pitch_deg")  # by `_groups` and after it


def _groups(frames, brief, products):
    """
    Frames to be compared with each other, one of each photograph.

    Yields
    ------
    places : dict of list
        Index of such a frame to the indices of all copies of its photograph.
    group : DataFrame
        With ``depth``, ``turn``, ``look`` and ``soft``.
    """
    turned = frames["view"].fillna("").map(shows_a_turn).astype(bool) & (frames["view_kind"].fillna("") == "upright")
    cut = frames["touches"].fillna("").astype(str).str.contains("bottom|top|left|right")
    usable = frames[list(_USED)][turned & ~cut & frames["sku"].notna()]
    turn, look = _usual_looks(usable)
    soft = [isinstance(style, str) and brief.is_soft(style) for style in usable["style"]]
    usable = usable.assign(depth=_depths(usable, products), turn=turn, look=look, soft=np.array(soft, bool))
    numbers = usable["duplicate_group"].astype("string")
    photograph = numbers.fillna(pd.Series([f"#{index}" for index in usable.index], index=usable.index, dtype="string"))
    for _, group in usable.groupby([shapes_of(usable, products), usable["view"]], sort=True):
        taken = photograph[group.index]
        first = group[~taken.duplicated()]
        copies = {}
        for index, number in zip(group.index, taken, strict=True):
            copies.setdefault(number, []).append(index)
        yield {index: copies[taken[index]] for index in first.index}, first


def _depths(frames, products):
    """Depth of each product over its width."""
    if products is None or not {"sku", "width_cm", "depth_cm"} <= set(products.columns):
        return pd.Series(DEPTH, index=frames.index)
    width, depth = (pd.to_numeric(products[name], errors="coerce").astype(float) for name in ("width_cm", "depth_cm"))
    share = (depth / width.where(width > 0)).where(depth > 0).clip(0.05, 1.5)
    return frames["sku"].map(dict(zip(products["sku"], share, strict=True))).astype(float).fillna(DEPTH)


def _usual_looks(frames):
    """Turn and downward look of each picture's view, degrees: what most are estimated at."""
    turn, look = pd.Series(USUAL_TURN_DEG, index=frames.index), pd.Series(USUAL_PITCH_DEG, index=frames.index)
    for _, group in frames.groupby("view", sort=True):
        seen, down = (pd.to_numeric(group[name], errors="coerce").median() for name in ("yaw_deg", "camera_pitch_deg"))
        if seen == seen and abs(seen) > LEAST_TURN_DEG:
            turn[group.index] = round(seen)
        if down == down:
            look[group.index] = round(down)
    return turn, look


def _pictures(group):
    """File, focal length (35 mm equivalent), depth, turn and look (radians) of each picture of a group."""
    focals = pd.to_numeric(group["focal_length_35mm"], errors="coerce")
    focals = focals.where(focals > 0).fillna(DEFAULT_FOCAL_35MM).astype(float)
    turns, looks = (map(math.radians, group[name]) for name in ("turn", "look"))
    return list(zip(group["file"], focals, group["depth"], turns, looks, strict=True))


def _links(group, found):
    """
    Likelihoods of a group's differences, by the `motions_around` it.

    Returns
    -------
    list of (first, second, explanations)
        Places in the group; ``explanations`` as `_explanations` gives them.
    """
    crops, soft = (group["origin"].fillna("") == "derived").to_numpy(), group["soft"].to_numpy()
    links = [(a, b, _explanations(seen, crops[a] or crops[b], soft[a])) for a, b, seen in found]
    return [link for link in links if link[2]]


def _explanations(found, cropped, soft=False):
    """
    What a comparison says, with how sure it is.

    Returns
    -------
    list of (share, Motion, {angle: standard uncertainty})
        Shares sum to that of right explanations; empty where the pictures do not look alike.
    """
    if not found or found[0].score < LOOKS_ALIKE:
        return []
    shares = np.exp(PREFERS * (np.array([one.score for one in found]) - found[0].score))
    wrong = float(np.interp(found[0].score, SCORES, WRONG)) * (SOFT_WRONG if soft else 1.0)
    shares *= (1 - wrong) / shares.sum()
    explanations = []
    for share, one in zip(shares, found, strict=True):
        crop, cloth = (added if here else dict.fromkeys(ANGLES, 0.0) for added, here in ((CROPPED_DEG, cropped), (SOFT_DEG, soft)))
        sds = {angle: math.hypot(FLOOR_DEG[angle], SPREAD * float(sd), crop[angle], cloth[angle], OF_TURN[angle] * one.yaw_deg) for angle, sd in zip(ANGLES, one.sds_deg, strict=True)}
        explanations.append((float(share), one, sds))
    return explanations


def believed(angle, own, links):
    """
    Mean and standard uncertainty of one angle of each picture of a group.

    Parameters
    ----------
    angle : str
        'yaw', 'pitch' or 'roll'.
    own : (n, 2) float
        What each tells alone and its standard uncertainty, degrees; NaN where it tells nothing.
    links : list
        As `_links` gives them.

    Returns
    -------
    means, sds : (n,) float
        NaN where nothing beside a picture's own evidence tells, or all of it leaves the angle open.
    """
    grid = GRID_DEG[angle]
    step, gain = grid[1] - grid[0], GAIN[angle]
    differences = np.arange(-len(grid) + 1, len(grid)) * step
    local = np.stack([_alone(grid, angle, value, sd) for value, sd in own])
    kernels = [_likelihood(differences, angle, found, gain) for _, _, found in links]
    messages = {(k, way): np.ones(len(grid)) for k in range(len(links)) for way in (0, 1)}
    ends = [[(k, way) for k, link in enumerate(links) for way in (0, 1) if link[way] == place] for place in range(len(own))]
    for _ in range(SWEEPS if len(links) > 1 else 1):
        sent = {}
        for k, (a, b, _) in enumerate(links):
            for way, (source, kernel) in enumerate(((b, kernels[k][::-1]), (a, kernels[k]))):
                belief = local[source] * np.prod([messages[end] for end in ends[source] if end[0] != k] or [np.ones(len(grid))], axis=0)
                arrived = np.convolve(belief / belief.sum(), kernel)[len(grid) - 1 : 2 * len(grid) - 1]
                sent[k, way] = arrived / arrived.sum()
        messages = sent or messages
    means, sds = np.full((2, len(own)), math.nan)
    for place, met in enumerate(ends):
        if met:
            belief = local[place] * np.prod([messages[end] for end in met] or [np.ones(len(grid))], axis=0)
            belief = belief / belief.sum()
            mean = float(belief @ grid)
            sd = math.sqrt(max(float(belief @ (grid - mean) ** 2), 0.0))
            if sd < MOST_UNSURE * grid[-1]:
                means[place], sds[place] = mean, math.hypot(sd, LOOPS_DEG[angle])
    return means, sds


def _alone(grid, angle, value, sd):
    """What a picture tells alone, over the grid: its own estimate or, where that is wrong or missing, what is usual."""
    usual = (1 - FAULTY) * _normal(grid, STEADY_DEG[angle]) + FAULTY * _normal(grid, FAULT_DEG[angle])
    if not (math.isfinite(value) and math.isfinite(sd) and sd > 0):
        return usual
    return (1 - ALONE_WRONG) * _normal(grid - value, sd) + ALONE_WRONG * usual


def _likelihood(differences, angle, found, gain):
    """Of what a comparison found, by the true difference (m,) in degrees."""
    total = np.full(differences.shape, (1 - sum(share for share, _, _ in found)) / (4 * FAULT_DEG[angle]))
    for share, one, sds in found:
        value = gain * getattr(one, f"{angle}_deg")
        total = total + share * _normal(differences - value, math.hypot(sds[angle], GAIN_SD[angle] * value))
    return total


def _normal(value, sd):
    return np.exp(-0.5 * (value / sd) ** 2) / (sd * math.sqrt(2 * math.pi))
