"""
Pose of each picture against the set: turn, lean, size, place, strap.

What the shape of a style does to a measure is the same in all its colourways.
So everything here is compared within a style where there are enough pictures,
and what a style has in common (the depth of its base, the taper of its sides)
drops out.
"""

import math

import numpy as np
import pandas as pd

from catalogue_audit.measures.applicability import STRAIGHT_ON, shows_a_turn
from catalogue_audit.measures.turn import USUAL_PITCH_DEG, front_turn
from catalogue_audit.statistics.framing_rules import framing_rule, size_and_place
from catalogue_audit.statistics.strap_states import strap_states

DEFAULT_FOCAL_35MM = 85.0  # mm; assumed where Exif is silent
FEWEST = 3  # pictures of a style; with two, nothing tells which of them is off
ENOUGH = 5  # pictures of a style from which it has a reference of its own; two faults in three would make one
STYLE_SD_DEG = 0.8  # what the shapes of made styles do to a turn read from the front's lower edge
SPLIT_SD = 0.006  # of the base's width; how well the corner is found on made bags
SHAPE_SPREAD_DEG = 0.5  # what folds and filling change between pieces of one style
STAND_SD_DEG = 0.4  # how steadily a camera on its stand keeps its pitch from product to product
LEVEL_SD_DEG = 0.3  # and how level product and camera stand
LEAN_SCATTER_DEG = 0.6  # the same for the lean, from the sides' profiles of made bags
UNSURE_LEAN_DEG = 3.0  # a lean known no better says nothing
CROP_SD_DEG = 1.6  # a crop of a tenth of the frame at 85 mm looks like this much turn


def pose_deviations(frames, sketches, brief, products=None):
    """
    Set columns of the pose.

    Parameters
    ----------
    frames : DataFrame
        Frame columns, one row a file.
    sketches : mapping of str to dict
        Uses ``corner`` and ``sides``.
    brief : Brief
    products : DataFrame, optional
        With ``sku``, ``width_cm``, ``height_cm``: for true scale; ``strap``.

    Returns
    -------
    DataFrame
        Index as `frames`; ``yaw_dev_deg``, ``yaw_dev_sd_deg``, ``lean_deg``,
        ``lean_sd_deg``, ``strap_state``, ``scale_dev``, ``centre_dev_x``,
        ``centre_dev_y``, ``px_per_cm``. Empty where nothing can be known.
    """
    result = pd.DataFrame(index=frames.index)
    result = result.join(yaw_deviations(frames, sketches, brief))
    result = result.join(leans(frames, sketches))
    result = result.join(size_and_place(frames, sketches, brief, products))
    result["strap_state"] = strap_states(frames, sketches, products)
    return result


def style_groups(frames, rows):
    """
    Positions of comparable pictures: by style where the products file names one, else all together.

    Yields
    ------
    (style, positions) : (str, ndarray)
        Style '' stands for pictures without one.
    """
    styles = frames["style"].fillna("").to_numpy()[rows]
    for style in sorted(set(styles)):
        yield style, rows[styles == style]


def _number(frames, column):
    return pd.to_numeric(frames[column], errors="coerce").to_numpy(dtype=float)


def _file_sketch(frames, sketches, position):
    return sketches.get(frames["file"].iloc[position]) or {}


def yaw_deviations(frames, sketches, brief):
    """
    Turn of three-quarter views against the reference of the view.

    Two estimates a picture: from the slopes of the lower edges (`yaw_deg`), and
    from where the corner splits the base's width. The second needs the depth of
    the base over its width; a style's pictures share one, and it is chosen so
    that both estimates have the same centre.

    Returns
    -------
    DataFrame
        ``yaw_dev_deg``, ``yaw_dev_sd_deg``.
    """
    dev = np.full(len(frames), np.nan)
    sd = np.full(len(frames), np.nan)
    views = frames["view"].fillna("").to_numpy()
    usable = frames["view_kind"].fillna("").to_numpy() == "upright"
    derived = frames["origin"].fillna("").to_numpy() == "derived"
    for view in sorted({v for v in views if shows_a_turn(v)}):
        rows = np.flatnonzero((views == view) & usable)
        wanted = _brief_reference(brief, view, "yaw_deg")
        yaw, spread = np.full(len(frames), np.nan), np.full(len(frames), np.nan)
        for _, group in style_groups(frames, rows):
            values, uncertain = _style_turns(frames, sketches, group)
            yaw[group], spread[group] = values, uncertain
            known = group[np.isfinite(values)]
            if wanted is not None:
                dev[known] = yaw[known] - wanted
                sd[known] = np.hypot(spread[known], 1.5)
            elif len(known) >= ENOUGH:
                centre = float(np.median(yaw[known]))
                dev[known] = yaw[known] - centre
                sd[known] = np.hypot(spread[known], 1.25 * np.median(spread[known]) / math.sqrt(len(known)))
        if wanted is None:
            _against_all(yaw, spread, rows, dev, sd)
        sd[rows] = np.where(derived[rows], np.hypot(sd[rows], CROP_SD_DEG), sd[rows])
    return pd.DataFrame({"yaw_dev_deg": dev, "yaw_dev_sd_deg": sd}, index=frames.index)


def _brief_reference(brief, view, name):
    reference = getattr(brief, "reference", None)
    entry = getattr(reference, "views", {}).get(view) if reference is not None else None
    return getattr(entry, name, None)


def _against_all(yaw, spread, rows, dev, sd):
    """Styles too small for a reference of their own are compared with the view as a whole, less surely."""
    known = rows[np.isfinite(yaw[rows])]
    lonely = known[~np.isfinite(dev[known])]
    if len(known) < FEWEST or not len(lonely):
        return
    centre = float(np.median(yaw[known]))
    dev[lonely] = yaw[lonely] - centre
    sd[lonely] = np.hypot(spread[lonely], STYLE_SD_DEG)


def _style_turns(frames, sketches, rows):
    """Turn and standard uncertainty of one style's pictures, both estimates combined."""
    slope, slope_sd = _turns_at_one_pitch(frames, sketches, rows)
    splits = np.array([_split(_file_sketch(frames, sketches, row)) for row in rows])
    ratio, known = splits[:, 0], np.isfinite(splits[:, 0])
    both = known & np.isfinite(slope) & (np.abs(slope) > 5)
    if both.sum() < ENOUGH:  # from few, the depth is no more than their own slopes again
        return slope, slope_sd
    depth = float(np.median(ratio[both] / np.abs(np.tan(np.radians(slope[both])))))
    side = np.sign(np.where(np.isfinite(slope), slope, np.nanmedian(slope)))
    split = np.degrees(np.arctan(ratio / depth)) * side
    share = ratio / (1 + ratio)
    gain = np.degrees(1 / (depth / np.cos(np.radians(split)) ** 2)) * (1 + ratio) ** 2  # degree a unit of share
    split_sd = np.hypot(gain * np.hypot(SPLIT_SD, splits[:, 1]), SHAPE_SPREAD_DEG)
    plausible = known & (share > 0.05) & (share < 0.95)
    weight_slope = np.where(np.isfinite(slope), 1 / slope_sd**2, 0.0)
    weight_split = np.where(plausible, 1 / split_sd**2, 0.0)
    total = weight_slope + weight_split
    with np.errstate(invalid="ignore", divide="ignore"):
        yaw = (np.nan_to_num(slope) * weight_slope + np.nan_to_num(split) * weight_split) / total
        sd = total**-0.5
        apart = np.abs(slope - split) / np.hypot(slope_sd, split_sd)
    sd = np.where(apart > 2, sd * np.nan_to_num(apart, nan=2.0) / 2, sd)
    return np.where(total > 0, yaw, np.nan), np.where(total > 0, sd, np.nan)


def _turns_at_one_pitch(frames, sketches, rows):
    """
    Turn of each picture from the slope of its front's lower edge, were all taken at the pitch of most.

    A camera on its stand keeps its pitch, and what is wrong with it is wrong alike in all. A picture
    whose own pitch is another keeps its own turn; so does one without a front edge.
    """
    yaw = _number(frames, "yaw_deg")[rows]
    sd = _number(frames, "yaw_sd_deg")[rows]
    every = _number(frames, "camera_pitch_deg")[_turned(frames)]
    own, own_sd = _number(frames, "camera_pitch_deg")[rows], _number(frames, "camera_pitch_sd_deg")[rows]
    pitch = float(np.nanmedian(every)) if np.isfinite(every).sum() >= FEWEST else USUAL_PITCH_DEG
    focal, width, height = (_number(frames, name)[rows] for name in ("focal_length_35mm", "width_px", "height_px"))
    for k, row in enumerate(rows):
        edge = _file_sketch(frames, sketches, row).get("front_edge")
        if edge is None or len(edge) != 5 or abs(own[k] - pitch) > 3 * own_sd[k]:
            continue
        diagonal = math.hypot(36, 24) / (focal[k] if np.isfinite(focal[k]) else DEFAULT_FOCAL_35MM)
        unit = diagonal / math.hypot(width[k], height[k])
        place = (edge[0] - 0.5) * width[k] * unit, (edge[1] - 0.5) * height[k] * unit
        slopes = edge[2] + np.array([0.0, math.hypot(edge[3], math.radians(LEVEL_SD_DEG)), 0.0])
        turns = front_turn(slopes.astype(float), np.radians(pitch + np.array([0.0, 0.0, STAND_SD_DEG])), place)
        yaw[k] = turns[0]
        sd[k] = math.hypot(*(turns[1:] - turns[0]), SHAPE_SPREAD_DEG)
    return yaw, sd


def _turned(frames):
    """Positions of the upright three-quarter views."""
    upright = (frames["view_kind"].fillna("") == "upright").to_numpy()
    return np.flatnonzero(upright & np.array([shows_a_turn(view) for view in frames["view"].fillna("")], bool))


def _split(sketch):
    """Base's width beyond the corner on the short side over the long side, and the share's uncertainty."""
    corner = sketch.get("corner")
    if corner is None or len(corner) < 10:
        return math.nan, math.nan
    left, at, right = float(corner[0]), float(corner[2]), float(corner[4])
    if not left < at < right:
        return math.nan, math.nan
    short, long = (at - left, right - at) if corner[6] > -corner[7] else (right - at, at - left)
    height_per_width = abs(corner[6] - corner[7])
    # where two lines cross is as sure as their slopes over the angle between them
    sd = 0.25 * math.hypot(corner[8], corner[9]) / max(height_per_width, 1e-3)
    return short / long, sd


def leans(frames, sketches):
    """
    Lean to and from the camera in straight-on views.

    Where the top comes nearer, the body's sides spread towards it. Comparing the
    logarithm of the width along the height with other pictures of the same style
    (backs are mirrored: widths do not care) leaves lean alone, for taper and camera
    height are the same in all. How much the others differ among themselves counts as
    uncertainty: fronts and backs of many bags are not each other's mirror image to the
    hundredth of their width that four degrees of lean make. A width's relative change a pixel, times the focal
    length in pixels, is the sine of the lean (pinhole camera, object upright).

    Returns
    -------
    DataFrame
        ``lean_deg`` (+ top towards the camera), ``lean_sd_deg``.
    """
    lean = np.full(len(frames), np.nan)
    sd = np.full(len(frames), np.nan)
    views = frames["view"].fillna("").to_numpy()
    rows = np.flatnonzero(np.isin(views, STRAIGHT_ON) & (frames["view_kind"].fillna("").to_numpy() == "upright"))
    rows = rows[frames["origin"].fillna("").to_numpy()[rows] != "derived"]
    focal = _number(frames, "focal_length_35mm")
    width, height = _number(frames, "width_px"), _number(frames, "height_px")
    for style, group in style_groups(frames, rows):
        profiles = {row: _file_sketch(frames, sketches, row).get("sides") for row in group}
        group = np.array([row for row in group if profiles[row] is not None and len(profiles[row]) >= 32], int)
        if len(group) < 2 or not style:
            continue
        angles = {}
        for i in group:
            scale = (focal[i] if np.isfinite(focal[i]) else DEFAULT_FOCAL_35MM) / math.hypot(36, 24)
            focal_heights = scale * math.hypot(width[i], height[i]) / height[i]
            for j in group:
                if i != j:
                    angles[i, j] = _lean_between(profiles[i], profiles[j], focal_heights)
        for i in group:
            values = [angles[i, j] for j in group if j != i and angles[i, j] is not None]
            if len(values) < FEWEST:
                continue  # of two or three pictures, any may be the one that leans
            differences, uncertain = np.array(values).T
            lean[i] = float(np.median([*differences, 0.0]))
            scatter = 1.4826 * float(np.median(np.abs(differences - np.median(differences))))
            sd[i] = math.hypot(float(np.median(uncertain)), max(scatter, LEAN_SCATTER_DEG))
    unsure = ~(sd <= UNSURE_LEAN_DEG)
    lean[unsure] = sd[unsure] = np.nan
    return pd.DataFrame({"lean_deg": lean, "lean_sd_deg": sd}, index=frames.index)


def _lean_between(profile, other, focal_heights):
    """Lean of one picture less that of another of the same style: degree and standard uncertainty, or None."""
    y, widths = _widths(profile)
    y_other, widths_other = _widths(other)
    at = np.linspace(0.08, 0.92, 40)
    ratio = np.log(np.interp(at, y, widths) / np.interp(at, y_other, widths_other))
    slope, level = np.polyfit(at, ratio, 1)
    residual = ratio - level - slope * at
    keep = np.abs(residual) < 3 * max(1.4826 * float(np.median(np.abs(residual))), 1e-3)
    if keep.sum() < 20:
        return None
    slope, level = np.polyfit(at[keep], ratio[keep], 1)
    residual = ratio[keep] - level - slope * at[keep]
    body = float(profile[-1, 0] - profile[0, 0])
    gain = focal_heights / body  # from relative change over the body's height to the sine of the angle
    slope_sd = float(np.std(residual)) / math.sqrt(keep.sum() / 5 * np.var(at[keep]))
    sine = float(np.clip(-slope * gain, -0.7, 0.7))  # y runs down: wider towards the top is a negative slope
    return math.degrees(math.asin(sine)), math.degrees(slope_sd * gain)


def _widths(profile):
    """Height along the body, 0 top to 1 bottom, and its width there."""
    y = profile[:, 0].astype(float)
    widths = np.maximum(profile[:, 2] - profile[:, 1], 1e-4).astype(float)
    return (y - y[0]) / max(y[-1] - y[0], 1e-6), widths


__all__ = ["framing_rule", "leans", "pose_deviations", "strap_states", "style_groups", "yaw_deviations"]
