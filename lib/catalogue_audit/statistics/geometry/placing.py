"""What to place the next product by: for each view the picture nearest to the middle of the set, the frame it fills, the turn."""

import math
from typing import NamedTuple

import numpy as np
import pandas as pd

from catalogue_audit.schema import CHECKS
from catalogue_audit.statistics.robust import robust_centre

WHOLE = ("upright", "overhead")
# column, check whose tolerance makes columns comparable
NEARNESS = (("yaw_dev_deg", "angle"), ("roll_deg", "roll"), ("scale_dev", "scale"), ("centre_dev_x", "centring"), ("centre_dev_y", "centring"), ("lean_deg", "lean"))
UNKNOWN_DISTANCE = 1.0  # tolerances: a picture with an unknown value counts as a whole tolerance away
BOX = ("left", "top", "right", "bottom")


class Placing(NamedTuple):
    """
    Where a view's product belongs.

    Attributes
    ----------
    view : str
    file : str
        Picture whose outline stands for the set: nearest to the middle, in tolerances.
    box : (left, top, right, bottom)
        Medians, fractions of the frame.
    baseline : float
        Median, fraction of the frame from the top; NaN where unknown.
    yaw_deg, yaw_error_deg : float
        Median turn and its standard error; NaN where unknown.
    camera_pitch_deg : float
        Median; NaN where unknown.
    focal_length_mm : float
        Median; NaN where unknown.
    width_px, height_px : int
        The most frequent size of the view's pictures.
    pictures : int
        Pictures counted.
    """

    view: str
    file: str
    box: tuple
    baseline: float
    yaw_deg: float
    yaw_error_deg: float
    camera_pitch_deg: float
    focal_length_mm: float
    width_px: int
    height_px: int
    pictures: int


def placings(frames, usable=None):
    """
    One `Placing` a view of whole products, by name of the view.

    Parameters
    ----------
    frames : DataFrame
        A report's frames.
    usable : collection of str, optional
        Files that have an outline; all by default.

    Returns
    -------
    list of Placing
    """
    whole = frames[frames["view_kind"].isin(WHOLE) & frames["left"].notna() & frames["view"].notna()]
    if usable is not None:
        whole = whole[whole["file"].isin(usable)]
    return [_placing(view, part) for view, part in whole.groupby("view", sort=True) if view]


def _placing(view, part):
    distance = np.zeros(len(part))
    for column, check in NEARNESS:
        values = pd.to_numeric(part[column], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        if np.isfinite(values).any():
            distance += np.nan_to_num(np.abs(values - np.nanmedian(values)) / CHECKS[check].tolerance, nan=UNKNOWN_DISTANCE) ** 2
    sizes = part.groupby(["width_px", "height_px"]).size().sort_index().sort_values(ascending=False, kind="stable")
    width, height = sizes.index[0]
    same = (part["width_px"] == width).to_numpy() & (part["height_px"] == height).to_numpy()
    nearest = part["file"].iloc[int(np.argmin(np.where(same, distance, math.inf)))]
    turn = robust_centre(part["yaw_deg"])
    middle = {name: robust_centre(part[name]).centre for name in (*BOX, "baseline", "camera_pitch_deg", "focal_length_mm")}
    return Placing(
        view, nearest, tuple(middle[name] for name in BOX), middle["baseline"], turn.centre, turn.standard_error,
        middle["camera_pitch_deg"], middle["focal_length_mm"], int(width), int(height), len(part),
    )  # fmt: skip
