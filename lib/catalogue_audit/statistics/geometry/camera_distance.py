"""
A set photographed from one distance, where nothing but the products' own sizes says how large each is in the frame.

Then no rule of framing holds, and a clutch among totes is small and no fault. What is left to compare a picture with are
the others of the same shape: the colourways of its style, and a front with its back. That the pictures of one shape are of
one size holds under any rule, so this one is believed only where the shapes scatter as no other rule explains: each shape's
size is free, and costs as much evidence as a free parameter does.

Of a front and a back that differ, the product's turned view says which is off: a camera that looks down shows it higher than the straight-on
ones by what it sees of the depth, much alike for all products of a set.

References
----------
.. [1] D. J. C. MacKay, "Bayesian Interpolation", Neural Computation 4 (1992) 415-447 (the Occam factor of a free parameter).
"""

import math

import numpy as np
import pandas as pd

from catalogue_audit.measures.applicability import STRAIGHT_ON, shows_a_turn
from catalogue_audit.statistics.geometry.style_places import shared_offset
from catalogue_audit.statistics.robust import MAD_TO_SIGMA, MEDIAN_EFFICIENCY, mad_scale, medians_of_others
from catalogue_audit.statistics.styles import likely_stems

ONE_SHAPE = 0.06  # of ln(width over height): products of one SKU stem that differ by more are no colourways of one shape
ONE_OUTLINE = 0.02  # of ln(width over height): as two pictures of one outline may differ
SIZES_SD = 0.25  # of ln(size) of bags: the smallest handbags are half as large as travelling bags; common practice, no source
ONE_OF_TWO = 0.06  # of two pictures that differ, nothing says which is off; so much they may differ by that
LEAST_SD = 0.015  # of ln(height) by the turned view: the depths of a few products may be alike by chance
FEWEST = 4  # products that tell how much higher a turned view shows them
TRIED = np.arange(-0.5, 0.5, 0.002)  # of ln(size), about a pair's own middle


def free_sizes(frames, views, sd):
    """
    Sizes against the other pictures of the same shape, view by view.

    Parameters
    ----------
    frames : DataFrame
        With ``sku``, ``view``, ``fill_width``, ``fill_height``.
    views : list of (n,) ndarray of int
        Positions of each view's pictures.
    sd : float
        Natural scatter of ln(size) within a shape.

    Returns
    -------
    list of (deviations, uncertainties, cost)
        For each view (n,) deviations of ln(size), 0 where nothing is there to compare with; (n,) their standard uncertainties;
        and how much log likelihood the free sizes cost this view.
    """
    width, height = (frames[name].to_numpy(dtype=float, na_value=math.nan) for name in ("fill_width", "fill_height"))
    size = 0.5 * np.log(width * height)
    groups = _shapes(frames, np.concatenate(views) if views else [], np.log(width / height))
    turned = _heights_by_the_turned_view(frames, height)
    off, unsure = np.zeros(len(frames)), np.full(len(frames), SIZES_SD)
    costs = np.zeros(len(frames))
    for rows in groups.values():
        rows = np.array(rows)
        costs[rows] = math.log(SIZES_SD / sd) / len(rows)
        if len(rows) == 2:
            off[rows], unsure[rows] = _of_a_pair(size[rows], turned[:, rows] + [size[rows] - np.log(height[rows]), np.zeros(2)], sd)
        elif len(rows) > 2:
            off[rows] = size[rows] - np.median(size[rows])
            unsure[rows] = sd / math.sqrt(len(rows))
    return [(off[rows], unsure[rows], float(costs[rows].sum())) for rows in views]


def _of_a_pair(sizes, witness, sd):
    """Deviations of two ln(size) and their uncertainties, by (2, 2) what the turned view makes of each of them and how surely; NaN where it does not."""
    apart = float(np.ptp(sizes))
    told, told_sd = witness.mean(axis=1)
    if apart <= ONE_OF_TWO / 2 or not np.isfinite(told):
        return np.zeros(2), max(ONE_OF_TWO, apart)
    middle = sizes.mean()
    values, sds = np.array([*sizes, told]) - middle, np.array([sd, sd, told_sd])
    _, shared, shared_sd = shared_offset(values, sds, TRIED, np.ones(len(TRIED)))
    return sizes - middle - shared, math.hypot(sd, shared_sd)


def _heights_by_the_turned_view(frames, height):
    """(2, n): ln of how high a straight-on picture of the product should be by its turned view and the others' usual rise, and how sure; NaN if unknown."""
    views, told = frames["view"].fillna(""), pd.Series(height, index=frames.index)
    slanting = told[views.map(shows_a_turn).astype(bool)].groupby(frames["sku"]).median()
    rise = (slanting - told[views.isin(STRAIGHT_ON)].groupby(frames["sku"]).median()).dropna()
    found = np.full((2, len(frames)), math.nan)
    if len(rise) <= FEWEST:
        return found
    middles = medians_of_others(rise.to_numpy())
    scales = _scales_of_others(rise.to_numpy(), middles)
    straight = np.flatnonzero(views.isin(STRAIGHT_ON).to_numpy(dtype=bool))
    of_product = pd.Series(straight).groupby(frames["sku"].to_numpy()[straight]).indices
    for sku, middle, scale in zip(rise.index, middles, scales, strict=True):
        expected = slanting[sku] - middle
        unsure = scale * math.hypot(1.0, MEDIAN_EFFICIENCY / math.sqrt(len(rise) - 1))
        if expected > 0:
            found[:, straight[of_product[sku]]] = [[math.log(expected)], [max(unsure / expected, LEAST_SD)]]
    return found


def _scales_of_others(values, middles):
    """`mad_scale` of all values but one, for each; ``middles`` are the medians of the others, of which there are two or three."""
    scales = np.empty(len(values))
    for middle in np.unique(middles):
        here = middles == middle
        scales[here] = MAD_TO_SIGMA * medians_of_others(np.abs(values - middle))[here]
    return scales


def front_over_back(frames):
    """
    How much larger each product's front is than its back, of one outline both, beside the other products'.

    A picture from elsewhere keeps the outline; a strap or a flap that one side shows does not, or makes less of a difference.

    Parameters
    ----------
    frames : DataFrame
        With ``sku``, ``view``, ``fill_width``, ``fill_height``: whole upright products.

    Returns
    -------
    DataFrame
        Index SKU; ``apart`` of ln(size), ``apart_sd``. Empty where fewer than `FEWEST` products tell.
    """
    faces = frames[frames["view"].isin(STRAIGHT_ON)]
    logs = np.log(faces[["fill_width", "fill_height"]].astype(float)).groupby([faces["sku"], faces["view"]]).median()
    front, back = (logs[logs.index.get_level_values("view") == view].droplevel("view") for view in STRAIGHT_ON)
    apart = (front - back).dropna()
    size, outline = apart.mean(axis=1), (apart["fill_width"] - apart["fill_height"]).abs()
    told = pd.DataFrame({"apart": size - size.median(), "apart_sd": max(ONE_OF_TWO / 2, mad_scale(size))})
    return told[outline <= ONE_OUTLINE] if len(apart) >= FEWEST else told[:0]


def _shapes(frames, rows, aspect):
    """(shape, view) → positions; front and back are one view, as the one is the other's mirror image."""
    sku, view = (frames[name].to_numpy(dtype=object) for name in ("sku", "view"))
    stems, families = likely_stems(frames["sku"]).to_numpy(), {}
    for row in rows:
        face = "straight_on" if view[row] in STRAIGHT_ON else view[row]
        families.setdefault((stems[row], face), []).append(row)
    groups = {}
    for (family, face), members in families.items():
        middle = float(np.median(aspect[members]))
        for row in members:
            own = family if abs(aspect[row] - middle) <= ONE_SHAPE else ("", sku[row])
            groups.setdefault((own, face), []).append(row)
    return groups
