"""Pictures that show the product elsewhere in the frame than its view does: a camera that was raised, lowered or knocked rarely aims as before."""

import math

import numpy as np
import pandas as pd

from catalogue_audit.statistics.robust import mad_scale

FEWEST = 5  # pictures of a view from which it has a usual base line
LEAST = 0.04  # of the frame's height; half a crop's play, less is framing
SCATTERS = 5.0  # and this many robust standard deviations of the view


def aimed_otherwise(frames):
    """
    Whether the line that each product stands on lies well off its view's usual one.

    It proves nothing, as a crop or a step on the table moves it too, but makes it far likelier that the camera stood otherwise.

    Parameters
    ----------
    frames : DataFrame
        With ``view``, ``view_kind``, ``origin``, ``backdrop`` and ``baseline``.

    Returns
    -------
    (n,) ndarray of bool
        False for pictures cropped or cut out since they were taken, and in views that are too few or lie anyhow.
    """
    return np.isfinite(aims(frames))


def aims(frames):
    """By how much of the frame's height that line lies lower than its view's usual one, (n,) float; NaN where it does not lie well off, as `aimed_otherwise` takes it."""
    off = np.full(len(frames), math.nan)
    base = pd.to_numeric(frames["baseline"], errors="coerce").to_numpy(dtype=float)
    as_taken = (frames["origin"] != "derived") & ~frames["backdrop"].isin(["cut_out", "white"])  # the others may have been placed afterwards
    usable = ((frames["view_kind"] == "upright") & as_taken).to_numpy() & np.isfinite(base)
    views = frames["view"].fillna("").to_numpy()
    for view in sorted(set(views[usable]) - {""}):
        rows = np.flatnonzero(usable & (views == view))
        if len(rows) >= FEWEST:
            apart = base[rows] - np.median(base[rows])
            off[rows] = np.where(np.abs(apart) > max(LEAST, SCATTERS * mad_scale(apart)), apart, math.nan)
    return off
