"""
Turn of each picture against the set.

Three-quarter views are told together with roll and pitch, see `stances`. Straight-on views are compared with the
middle one of their view; how far the base of one slopes for a degree of turn goes with the camera's height, which the delivery's
three-quarter views tell, and how far its front moves with its depth, which the products file may. What fronts of other products have as far
beside the middle is how they are made, and no turn.
"""

import math

import numpy as np
import pandas as pd

from catalogue_audit.measures.applicability import STRAIGHT_ON, shows_a_turn
from catalogue_audit.measures.geometry.straight_on import USUAL_PITCH_DEG, USUAL_PITCH_SD_DEG, of_the_sketch, turn_and_roll
from catalogue_audit.statistics.geometry.camera_aim import aimed_otherwise
from catalogue_audit.statistics.robust import MEDIAN_EFFICIENCY
from catalogue_audit.statistics.styles import shapes_of

ENOUGH = 5  # pictures of a view from which it has a middle one; two faults in three would make one
REFERENCE_SD_DEG = 1.5  # what shapes do to a turn read from one picture, compared with the brief's
CROP_SD_DEG = 1.6  # a crop of a tenth of the frame at 85 mm looks like this much turn
FEWEST_LOOKS = 3  # three-quarter views from which there is a usual look down
ALIKE_DEG = 1.5  # within which fronts of two products lie alike, beside the middle or in it
TELLING = 0.2  # share of wrong axes of fronts up to which one is compared with
BETWEEN_VIEWS_DEG = 1.2  # by how much the camera looks down otherwise on straight-on views; 0 in nine set-ups of two makes, 2 in six


def yaw_deviations(frames, stood, brief, sketches, products=None):
    """
    Turn of three-quarter and straight-on views against the reference of the view.

    Parameters
    ----------
    frames : DataFrame
        With ``file``, ``view``, ``view_kind``, ``origin``, ``backdrop``, ``baseline``, ``yaw_deg``, ``camera_pitch_deg`` and their uncertainties.
    stood : DataFrame
        As `stances.stances` gives it.
    brief : Brief
    sketches : mapping of str to dict
        Uses ``straight_on``.
    products : DataFrame, optional
        With ``sku``, ``width_cm``, ``depth_cm``.

    Returns
    -------
    DataFrame
        ``yaw_dev_deg``, ``yaw_dev_sd_deg``.
    """
    dev, sd = stood["turn"].to_numpy().copy(), stood["turn_sd"].to_numpy().copy()
    views = frames["view"].fillna("").to_numpy()
    usable = frames["view_kind"].fillna("").to_numpy() == "upright"
    square = straight_on_turns(frames, sketches, products)
    for view in STRAIGHT_ON:
        rows = np.flatnonzero((views == view) & usable)
        dev[rows], sd[rows] = _off_square(*square[rows].T, _brief_reference(brief, view, "yaw_deg"))
    for view in sorted(set(views[np.isfinite(dev)]) - set(STRAIGHT_ON)):
        wanted, rows = _brief_reference(brief, view, "yaw_deg"), np.flatnonzero((views == view) & np.isfinite(dev))
        if wanted is not None:
            middle = np.nanmedian(_number(frames, "yaw_deg")[rows] - dev[rows])
            dev[rows], sd[rows] = dev[rows] + middle - wanted, np.hypot(sd[rows], REFERENCE_SD_DEG)
    derived = frames["origin"].fillna("").to_numpy() == "derived"
    sd = np.where(derived, np.hypot(sd, CROP_SD_DEG), sd)
    return pd.DataFrame({"yaw_dev_deg": dev, "yaw_dev_sd_deg": sd}, index=frames.index)


def straight_on_turns(frames, sketches, products=None):
    """
    Turns of straight-on pictures, and their standard uncertainties, by the height that the three-quarter views tell, supplied depths and other fronts.

    Parameters
    ----------
    frames, sketches, products
        As `yaw_deviations` takes them.

    Returns
    -------
    (n, 2) float
        Degrees; with what is usual of a height where none is known, and where the camera aims otherwise than for the others.
    """
    turns = np.column_stack([_number(frames, "yaw_deg"), _number(frames, "yaw_sd_deg")])
    asked = frames["view"].isin(STRAIGHT_ON).to_numpy() & np.isfinite(turns).all(axis=1)
    kept = {row: (sketches.get(file) or {}).get("straight_on") for row, file in enumerate(frames["file"]) if asked[row]}
    kept = {row: of_the_sketch(told) for row, told in kept.items() if told is not None}
    if not kept:
        return turns
    look, usual = usual_look(frames), (USUAL_PITCH_DEG, USUAL_PITCH_SD_DEG)
    otherwise, depths = aimed_otherwise(frames), _depths(frames, products)
    wrong = _as_others_are_made(frames.iloc[list(kept)], [told[-1].get("inner") for told in kept.values()], products)
    for (row, (*seen, mirror)), share in zip(kept.items(), wrong, strict=True):
        mirror = mirror | ({"inner": (mirror["inner"][0], share)} if "inner" in mirror else {})
        pitch = usual if look is None or otherwise[row] else look
        told = turn_and_roll(*seen, mirror, pitch=pitch, depth=depths[row] if depths[row] > 0 else None)
        turns[row] = turns[row] if told is None else told[:2]
    return turns


def _depths(frames, products):
    """Supplied depth of each product over its width; NaN where none is."""
    if products is None or not {"sku", "width_cm", "depth_cm"} <= set(products.columns):
        return np.full(len(frames), math.nan)
    width, depth = (_number(products, name) for name in ("width_cm", "depth_cm"))
    shares = dict(zip(products["sku"], np.where((width > 0) & (depth > 0), depth, math.nan) / np.where(width > 0, width, math.nan), strict=True))
    return frames["sku"].map(shares).to_numpy(dtype=float)


def _as_others_are_made(frames, axes, products):
    """
    Share of wrong axes of fronts, (n,), with those that other products have as far beside the middle: of the shape, else of the view.

    A label that all of a kind wear beside the middle is no turn; of one other product alone it is as likely either.
    """
    angle, wrong = np.array([(math.nan, 1.0) if axis is None else axis for axis in axes], float).reshape(-1, 2).T
    views, skus, shapes = (column.astype(str).to_numpy(dtype=object) for column in (frames["view"], frames["sku"], shapes_of(frames, products)))
    shares = wrong.copy()
    for row in np.flatnonzero(np.abs(angle) > ALIKE_DEG):
        others = (views == views[row]) & (skus != skus[row]) & (wrong < TELLING)
        of_shape = others & (shapes == shapes[row])
        others = of_shape if of_shape.any() else others
        alike = int((np.abs(angle[others] - angle[row]) < ALIKE_DEG).sum())
        shares[row] = max(wrong[row], alike / (int(others.sum()) + 1))
    return shares


def usual_look(frames):
    """How far the camera looks down on the set, by its three-quarter views, and the standard uncertainty of that for a straight-on one, degrees; None where they are few."""
    turned = frames["view"].fillna("").map(shows_a_turn).to_numpy(dtype=bool)
    pitch, sd = _number(frames, "camera_pitch_deg"), _number(frames, "camera_pitch_sd_deg")
    known = turned & np.isfinite(pitch) & np.isfinite(sd)
    if known.sum() < FEWEST_LOOKS:
        return None
    return float(np.median(pitch[known])), math.hypot(BETWEEN_VIEWS_DEG, MEDIAN_EFFICIENCY * float(np.median(sd[known])) / math.sqrt(known.sum()))


def _off_square(yaw, sd, wanted):
    """Turn of straight-on pictures less the brief's or the middle one of theirs, 0 where they are few; and its uncertainty."""
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


def _number(frames, column):
    return pd.to_numeric(frames[column], errors="coerce").to_numpy(dtype=float)
