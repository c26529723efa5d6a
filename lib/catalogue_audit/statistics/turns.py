"""
Turn of each picture against the set.

What the shape of a style does to a measure is the same in all its colourways.
So turns are compared within a style where there are enough pictures, and what
a style has in common (the depth of its base) drops out. Straight-on views are
compared with the middle one of their view.
"""

import math

import numpy as np
import pandas as pd

from catalogue_audit.measures.applicability import STRAIGHT_ON, shows_a_turn
from catalogue_audit.measures.records import DEFAULT_FOCAL_35MM
from catalogue_audit.measures.turn import USUAL_PITCH_DEG, front_turn

FEWEST = 3  # pictures of a style; with two, nothing tells which of them is off
ENOUGH = 5  # pictures of a style from which it has a reference of its own; two faults in three would make one
CORNER_SHARE = 0.5  # of the uncertainty of a turn by both edges of a corner: the rest is alike in all pictures of a set; 0.7 degree on rendered bags
STYLE_SD_DEG = 0.8  # what the shapes of made styles do to a turn read from the front's lower edge
SPLIT_SD = 0.006  # of the base's width; how well the corner is found on made bags
SHAPE_SPREAD_DEG = 0.5  # what folds and filling change between pieces of one style
STAND_SD_DEG = 0.4  # how steadily a camera on its stand keeps its pitch from product to product
LEVEL_SD_DEG = 0.3  # and how level product and camera stand
CROP_SD_DEG = 1.6  # a crop of a tenth of the frame at 85 mm looks like this much turn


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
    Turn of three-quarter and straight-on views against the reference of the view.

    Straight on, against the middle one of the view. Turned, two estimates a picture: from
    the slopes of the lower edges (`yaw_deg`), and from where the corner splits the base's
    width. The second needs the depth of the base over its width; a style's pictures share
    one, and it is chosen so that both estimates have the same centre.

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
    for view in STRAIGHT_ON:
        rows = np.flatnonzero((views == view) & usable)
        dev[rows], sd[rows] = _off_square(frames, rows, _brief_reference(brief, view, "yaw_deg"))
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
    sd = np.where(derived, np.hypot(sd, CROP_SD_DEG), sd)
    return pd.DataFrame({"yaw_dev_deg": dev, "yaw_dev_sd_deg": sd}, index=frames.index)


def _off_square(frames, rows, wanted):
    """Turn of straight-on pictures less the brief's or the middle one of theirs, 0 where they are few; and its uncertainty."""
    yaw, sd = _number(frames, "yaw_deg")[rows], _number(frames, "yaw_sd_deg")[rows]
    known = np.isfinite(yaw)
    if wanted is not None:
        return yaw - wanted, sd
    if known.sum() < ENOUGH:
        return yaw, sd
    return yaw - float(np.median(yaw[known])), np.hypot(sd, 1.25 * np.median(sd[known]) / math.sqrt(known.sum()))


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
    Turn of each picture by its own corner, or from the slope of its front's lower edge alone at the pitch of most.

    A corner whose two edges are seen tells turn and pitch together. Where only the front's edge
    is seen, the pitch is that of most: a camera on its stand keeps it, and what is wrong with it is wrong
    alike in all. One without a front edge keeps its own turn.
    """
    yaw = _number(frames, "yaw_deg")[rows]
    sd = _number(frames, "yaw_sd_deg")[rows]
    every = _number(frames, "camera_pitch_deg")[_turned(frames)]
    own = _number(frames, "camera_pitch_deg")[rows]
    pitch = float(np.nanmedian(every)) if np.isfinite(every).sum() >= FEWEST else USUAL_PITCH_DEG
    focal, width, height = (_number(frames, name)[rows] for name in ("focal_length_35mm", "width_px", "height_px"))
    for k, row in enumerate(rows):
        edge = _file_sketch(frames, sketches, row).get("front_edge")
        if np.isfinite(own[k]) and np.isfinite(yaw[k]):
            sd[k] *= CORNER_SHARE
            continue
        if edge is None or len(edge) != 5:
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
