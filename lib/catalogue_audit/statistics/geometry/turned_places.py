"""
How much lower a turned product stands in the frame than the same product seen straight on, and how far shapes differ in it.

A camera that looks down sees the near corner of a turned base below its front edge. Of a base of half width a and half depth b, turned
by t, the nearest point comes forward by a sin t + b cos t - b where the base is a rectangle, and by sqrt((a sin t)^2 + (b cos t)^2) - b
where it is an ellipse: at 35 degrees and b from 0.3 a to 0.5 a by 0.52 a to 0.48 a and by 0.32 a to 0.20 a (plane geometry). So shapes
alone spread the drop from 0.4 to 1 of the largest, evenly, and widths spread it as sizes of bags do.
"""

import math

import numpy as np

from catalogue_audit.measures.applicability import STRAIGHT_ON, shows_a_turn
from catalogue_audit.statistics.geometry.camera_distance import SIZES_SD

FEWEST = 3
SHAPES_SD = 0.6 / math.sqrt(12) / 0.7  # relative; of a drop that lies evenly between 0.4 and 1 of the largest
DROPS_SD = math.hypot(SHAPES_SD, SIZES_SD)


def turned_place_sd(frames):
    """
    Standard uncertainty of where a turned product's base line lies, as its shape is not known.

    Parameters
    ----------
    frames : DataFrame
        With ``sku``, ``view``, ``view_kind``, ``baseline``.

    Returns
    -------
    (n,) float
        Fraction of the frame: a share of the usual drop from a product's straight-on views to this view. 0 in other views, and
        where fewer than three products tell the drop. Frames cropped to one base line show no drop, so it is about 0 there.
    """
    views = frames["view"].fillna("").to_numpy(dtype=object)
    stands = frames["baseline"].astype(float).where(frames["view_kind"] == "upright")
    straight = stands.where(np.isin(views, STRAIGHT_ON)).groupby(frames["sku"]).median()
    drops = (stands - frames["sku"].map(straight).astype(float)).to_numpy(dtype=float, na_value=math.nan)
    sd = np.zeros(len(frames))
    for view in sorted({view for view in views if shows_a_turn(view)}):
        here = views == view
        known = drops[here & np.isfinite(drops)]
        if len(known) >= FEWEST:
            sd[here] = DROPS_SD * abs(float(np.median(known)))
    return sd
