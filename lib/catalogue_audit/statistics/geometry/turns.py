"""
Turn of each picture against the set.

Three-quarter views are told together with roll and pitch, see `stances`. Straight-on views are compared with the
middle one of their view.
"""

import math

import numpy as np
import pandas as pd

from catalogue_audit.measures.applicability import STRAIGHT_ON

ENOUGH = 5  # pictures of a view from which it has a middle one; two faults in three would make one
REFERENCE_SD_DEG = 1.5  # what shapes do to a turn read from one picture, compared with the brief's
CROP_SD_DEG = 1.6  # a crop of a tenth of the frame at 85 mm looks like this much turn


def yaw_deviations(frames, stood, brief):
    """
    Turn of three-quarter and straight-on views against the reference of the view.

    Parameters
    ----------
    frames : DataFrame
        With ``view``, ``view_kind``, ``origin``, ``yaw_deg`` and ``yaw_sd_deg``.
    stood : DataFrame
        As `stances.stances` gives it.
    brief : Brief

    Returns
    -------
    DataFrame
        ``yaw_dev_deg``, ``yaw_dev_sd_deg``.
    """
    dev, sd = stood["turn"].to_numpy().copy(), stood["turn_sd"].to_numpy().copy()
    views = frames["view"].fillna("").to_numpy()
    usable = frames["view_kind"].fillna("").to_numpy() == "upright"
    for view in STRAIGHT_ON:
        rows = np.flatnonzero((views == view) & usable)
        dev[rows], sd[rows] = _off_square(frames, rows, _brief_reference(brief, view, "yaw_deg"))
    for view in sorted(set(views[np.isfinite(dev)]) - set(STRAIGHT_ON)):
        wanted, rows = _brief_reference(brief, view, "yaw_deg"), np.flatnonzero((views == view) & np.isfinite(dev))
        if wanted is not None:
            middle = np.nanmedian(_number(frames, "yaw_deg")[rows] - dev[rows])
            dev[rows], sd[rows] = dev[rows] + middle - wanted, np.hypot(sd[rows], REFERENCE_SD_DEG)
    derived = frames["origin"].fillna("").to_numpy() == "derived"
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


def _number(frames, column):
    return pd.to_numeric(frames[column], errors="coerce").to_numpy(dtype=float)
