"""
A set whose camera stands off each product as its front asks, and stays there for the product's other views.

Then only the front is framed: the frame's width or height is its limit, whichever is met first. The other views are as high as the front lets
them be, but for what their own shape adds: a strap that hangs in front only, a depth that a camera from above sees rise behind. How much that
scatters from product to product is the set's own, and not how steadily it is framed. As it is not known beforehand it costs as
much evidence as a free parameter does, so that where the views are framed one by one, that explains them better.

References
----------
.. [1] G. Schwarz, "Estimating the Dimension of a Model", Annals of Statistics 6 (1978) 461-464 (the cost of a parameter).
.. [2] R. C. Geary, "The Ratio of the Mean Deviation to the Standard Deviation as a Test of Normality", Biometrika 27 (1935) 310-332.
"""

import math

import numpy as np
import pandas as pd
from scipy.stats import norm, t

from catalogue_audit.measures.applicability import STRAIGHT_ON
from catalogue_audit.statistics.robust import MEDIAN_EFFICIENCY

FRAMED = STRAIGHT_ON[0]  # the view by which the distance is set
FARTHEST = 0.1  # of ln(size); a picture farther off is a fault, and counts no more than this as scatter
BY_SHAPE = 0.06  # of ln(size): a strap, a depth scatter no view by more; common practice, no source
SURELY = norm.cdf(3.0)  # as a finding must be
OF_THE_MEAN = MEDIAN_EFFICIENCY  # sqrt(pi / 2): standard deviation over mean deviation, normal sample [2]_


def sizes_by_the_front(frames, rows, ratios):
    """
    Heights over what the product's front lets them be, by the ratio of the limit of the width to that of the height.

    Parameters
    ----------
    frames : DataFrame
        With ``sku``, ``view``, ``fill_width``, ``fill_height``, ``touches``.
    rows : (n,) ndarray of int
        Positions of one view's pictures.
    ratios : (m,) ndarray of float

    Returns
    -------
    sizes : (m, n) float
        Only the front's shape tells, not its size, so that a front that is framed wrongly makes nothing of the other views. NaN without a front.
    unsure : (n,) float
        Of their logarithms: a back of another outline than its front has its height from what is not seen in both, and so has the middle of many.
    """
    width, height = (frames[name].to_numpy(dtype=float, na_value=math.nan) for name in ("fill_width", "fill_height"))
    aspect, view = width / height, frames["view"].fillna("").to_numpy(dtype=object)
    front = frames["sku"].map(_aspects_of_fronts(frames, aspect)).to_numpy(dtype=float, na_value=math.nan)
    front = np.where(view == FRAMED, aspect, front)
    unlike = np.nan_to_num(np.where(np.isin(view, STRAIGHT_ON), np.abs(np.log(aspect / front)), 0.0)[rows])
    return height[rows] * np.maximum(front[rows], ratios[:, None]), np.hypot(unlike, np.median(unlike))


def _aspects_of_fronts(frames, aspect):
    """Width over height of each SKU's front: of its back where no front is whole."""
    found = {}
    whole = frames["touches"].fillna("").eq("").to_numpy(dtype=bool)
    for view in reversed(STRAIGHT_ON):
        here = whole & (frames["view"] == view).to_numpy(dtype=bool, na_value=False)
        found |= pd.Series(aspect[here]).groupby(frames["sku"].to_numpy(dtype=object)[here]).median().to_dict()
    return found


def scatter_by_shape(apart, unsure, sd):
    """
    How much products' own shapes scatter a view beside how steadily it is framed, and what it costs to allow for that.

    Parameters
    ----------
    apart : (m, n) float
        Deviations of ln(size) of a view that is not the front, under each of m ratios; NaN where unknown.
    unsure : (n,) float
        How unsure each is by itself.
    sd : float
        Natural scatter of what is framed.

    Returns
    -------
    scatter : (m,) float
    sureness : float
        How much larger a standard uncertainty must be to hold three times over, as the scatter is known from a few pictures only (Student's t).
    cost : float
        Of log likelihood.
    """
    seen = np.isfinite(apart).sum(axis=1)
    beyond = np.minimum(np.sqrt(np.nan_to_num(np.maximum(apart**2 - unsure**2, 0.0))), FARTHEST)
    spread = OF_THE_MEAN * beyond.sum(axis=1) / np.maximum(seen, 1)
    count = max(int(seen.max(initial=0)), 2)
    scatter = np.minimum(np.sqrt(np.maximum(spread**2 - sd**2, 0.0)), BY_SHAPE)
    return scatter, float(t.ppf(SURELY, count - 1) / norm.ppf(SURELY)), 0.5 * math.log(count)


def scatters(apart, sd, front, by_front):
    """
    The natural scatter of pictures under each rule, how unsure it leaves them, and its cost, view by view.

    More than `sd` only where a front frames another view: then the picture's own shape scatters it, and the front's size does by its own.

    Parameters
    ----------
    apart : list of (m, n) float
        Deviations of ln(size) under each of m rules.
    sd : float
        Natural scatter of what is framed.
    front : list of (bool, (n,) float), or None
        Whether a view is no front, and how unsure each of its pictures is beside it.
    by_front : slice
        The rules by which the front alone is framed.

    Returns
    -------
    list of (scatter, uncertainty, cost)
        (m, n), (m, n) and (m,) float.
    """
    told = []
    for number, values in enumerate(apart):
        scatter, unsure, cost = np.full(values.shape, sd), np.zeros(values.shape), np.zeros(len(values))
        if front is not None and front[number][0]:
            own = front[number][1]
            shapes, sureness, cost[by_front] = scatter_by_shape(values[by_front], own, sd)
            scatter[by_front] = np.hypot(np.hypot(sd, shapes[:, None]), own)
            unsure[by_front] = np.hypot(np.hypot(sd, sureness * shapes[:, None]), own)
        told.append((scatter, unsure, cost))
    return told
