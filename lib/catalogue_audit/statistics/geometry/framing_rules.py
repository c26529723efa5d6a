"""
The rule a set is framed by, and each picture's size and place against it.

Few products leave open which rule they follow: where all but one are as wide as one another, the one
may be too small, or the frame's height may have been its limit. So each picture's deviation is the mean
over all rules by their weight, and its uncertainty tells how far the rules that may hold disagree
about it (a mixture of hypotheses; natural scatter is small, faults are rare and may be of any size).
"""

import math

import numpy as np
import pandas as pd

from catalogue_audit.statistics.geometry.camera_distance import free_sizes
from catalogue_audit.statistics.geometry.front_distance import FRAMED, scatters, sizes_by_the_front
from catalogue_audit.statistics.geometry.moved_camera import ORDERED_BY, gains_by_zoom, moved_with_time
from catalogue_audit.statistics.geometry.style_places import body_axes, style_places
from catalogue_audit.statistics.geometry.style_sizes import own_sizes
from catalogue_audit.statistics.geometry.turned_places import turned_place_sd
from catalogue_audit.statistics.geometry.working_scale import pixels_per_cm
from catalogue_audit.statistics.robust import MAD_TO_SIGMA, MEDIAN_EFFICIENCY
from catalogue_audit.statistics.series.clock import capture_order
from catalogue_audit.statistics.styles import shapes_of, styles_or_shapes

RULES = ("equal_height", "equal_width", "first_limit", "equal_area", "true_scale")  # what fixes the size
FEWEST = 3
AS_STEADY = 1.3  # 'first_limit' can imitate equal height and width; it must be this much steadier to be believed
LARGEST_STEP = 0.1  # relative; a product farther off is off by any rule, and counts no more than this
RATIOS = np.exp(np.linspace(-0.7, 0.7, 113))  # of the limit of the width to that of the height
SIZE_SD, PLACE_SD = 0.012, 0.006  # relative, and of the frame: how steadily products are framed by eye; common practice, no source
FAULT, FAULT_SD = 0.06, 0.1  # share of pictures framed wrongly, and by how much
WHOLE = 0.98  # of the frame; a rule by which a product would have to be wider or taller than that is not the one it follows
FRONT_ALONE = 0.1  # sets framed by the front alone for each that keeps a rule in all views; common practice, no source
OWN_RULE = 1e-3  # share of views that are framed by another rule than the others
BY_FRONT = slice(-1 - len(RATIOS), -1)  # of the rows of `_all_sizes`
FIXED_DISTANCE = "fixed_distance"  # no rule of framing at all; see `camera_distance`
FRONT_DISTANCE = "front_distance"  # the front's first limit, and the other views from where it was taken; see `front_distance`


def framing_rule(frames, brief, products=None):
    """
    The rule by which the set's products are sized in the frame.

    Parameters
    ----------
    frames : DataFrame
    brief : Brief
        ``framing.rule`` names it, or 'auto' leaves it to be found.
    products : DataFrame, optional
        For 'true_scale'.

    Returns
    -------
    rule : str
        One of `RULES`, or `FIXED_DISTANCE`, or `FRONT_DISTANCE`; '' where there is nothing to tell it from.
    """
    named = getattr(getattr(brief, "framing", None), "rule", "auto")
    if named in RULES:
        return named
    distance = _distance_kept(frames, products)
    if distance:
        return distance
    spreads = rule_spreads(frames, products)
    if not len(spreads):
        return ""
    plain = spreads.drop("first_limit", errors="ignore")
    first = spreads.get("first_limit", math.inf)
    if len(plain) and plain.min() <= AS_STEADY * first:
        return str(plain.idxmin())
    return "first_limit"


def rule_spreads(frames, products=None):
    """
    How steadily the set follows each rule: mean relative deviation, capped, of what the rule keeps equal.

    Returns
    -------
    Series
        Rule name to spread (fraction); smaller is steadier.
    """
    spreads = {}
    for rule in RULES:
        values = []
        for _, rows in _views(frames):
            sizes = _sizes(frames, rows, rule, products)
            sizes = sizes[np.isfinite(sizes) & (sizes > 0)]
            if len(sizes) >= FEWEST:
                values.append(np.log(sizes) - np.median(np.log(sizes)))
        if values:
            spreads[rule] = float(np.mean(np.minimum(np.abs(np.concatenate(values)), LARGEST_STEP)))
    return pd.Series(spreads, dtype=float)


def size_and_place(frames, sketches, brief, products=None, distance_may_be_kept=True):
    """
    Size and place of each whole product against its view's reference.

    Where the distance may have been kept, each shape's own size is free. Over many deliveries it may not be: every delivery
    has shapes of its own, whose free sizes would take in what another lens or day makes of all of them.

    Returns
    -------
    DataFrame
        ``scale_dev`` (fraction, + larger, against the rule and the style's own), ``centre_dev_x``, ``centre_dev_y``
        (fractions of the frame, + right, + down, against `places` and the style's own), their standard uncertainties
        ``scale_dev_sd``, ``centre_dev_x_sd``, ``centre_dev_y_sd``; ``px_per_cm``.
    """
    named = getattr(getattr(brief, "framing", None), "rule", "auto")
    rules = (named,) if named in RULES else RULES
    views = [rows for _, rows in _views(frames) if len(rows) >= FEWEST]
    sizes, free, front = _all_sizes(frames, views, rules, products, distance_may_be_kept)
    zoomed = 0.0 if free is None else _gains_by_zoom(frames, views, sizes, products)
    size, size_sd = _all_frames(frames, views, weigh_rules(sizes, SIZE_SD, _shares(rules, free is not None), free, front=front, gains=zoomed))
    found = {"scale_dev": np.expm1(size - own_sizes(frames, size, SIZE_SD, products)), "scale_dev_sd": size_sd}
    for name, (off, sd, shift) in places(frames, sketches, products).items():
        found |= {name: off - shift, f"{name}_sd": sd}
    return pd.DataFrame(found | {"px_per_cm": pixels_per_cm(frames, sketches, products)}, index=frames.index)


def places(frames, sketches, products=None):
    """
    Place of each whole product beside its view's, and what its style moves it by.

    Across the frame the set may keep the outline's middle or the body's axis equal, up and down the outline's middle or the base line.
    What a stretch of capture time moves all its styles by (`moved_with_time`) is no style's own.

    Returns
    -------
    dict
        ``centre_dev_x``, ``centre_dev_y`` (+ right, + down) to three arrays of (n,) float, fractions of the frame: the deviation from what
        the set keeps equal; its standard uncertainty, with that of the shift; the part of it that is the style's own (`style_places`).
    """
    views = [rows for _, rows in _views(frames) if len(rows) >= FEWEST]
    across, down, stands = (_number(frames, name) for name in ("centre_dx", "centre_dy", "baseline"))
    found = {}
    axes, axes_sd = body_axes(frames, sketches)
    kinds, order = shapes_of(frames, products), capture_order(frames) if set(ORDERED_BY) <= set(frames) else None
    for name, middle, other, other_sd in (("centre_dev_x", across, axes, axes_sd), ("centre_dev_y", down, stands, turned_place_sd(frames))):
        kept = [np.stack([middle[rows], other[rows]]) for rows in views]
        own = [np.stack([np.zeros(len(rows)), np.nan_to_num(other_sd[rows])]) for rows in views]
        off, sd = _all_frames(frames, views, weigh_rules(kept, PLACE_SD, np.full(2, 0.5), own=own))
        moved = moved_with_time(frames, off, kinds, PLACE_SD, order=order)
        shift, shift_sd = style_places(frames, off - moved, np.hypot(PLACE_SD, sd), name == "centre_dev_x", kinds=kinds)
        found[name] = off, np.hypot(sd, shift_sd), shift
    return found


def _all_frames(frames, views, told):
    """(2, n): what is told view by view, at its frames' places; NaN elsewhere."""
    found = np.full((2, len(frames)), math.nan)
    for rows, values in zip(views, told, strict=True):
        found[:, rows] = values
    return found


def _all_sizes(frames, views, rules, products, distance_may_be_kept=True):
    """What each rule has equal, view by view, distances by the front and a fixed one last; what is free under that; which view is no front, and how unsure."""
    sizes = [_that_fit(frames, rows, np.log(_possible_sizes(frames, rows, rules, products))) for rows in views]
    if len(rules) == 1 or not distance_may_be_kept:
        return sizes, None, None
    free = free_sizes(frames, views, SIZE_SD)
    front = [sizes_by_the_front(frames, rows, RATIOS) for rows in views]
    kept = [_that_fit(frames, rows, np.log(own)) for rows, (own, _) in zip(views, front, strict=True)]
    unsure = [(bool((frames["view"].iloc[rows] != FRAMED).any()), own) for rows, (_, own) in zip(views, front, strict=True)]
    return [np.vstack([*each, off]) for *each, (off, _, _) in zip(sizes, kept, free, strict=True)], free, unsure


def _distance_kept(frames, products):
    """The distance that explains all views together better than any rule of framing each does; '' if none."""
    views = [rows for _, rows in _views(frames) if len(rows) >= FEWEST]
    if not views:
        return ""
    sizes, free, front = _all_sizes(frames, views, RULES, products)
    apart = [_from_middle(values) for values in sizes]
    fits = _fits(apart, scatters(apart, SIZE_SD, front, BY_FRONT), free).sum(axis=0) + np.log(_shares(RULES, True))
    if fits[-1] == fits.max():
        return FIXED_DISTANCE
    return FRONT_DISTANCE if fits[BY_FRONT].max() == fits.max() else ""


def _gains_by_zoom(frames, views, sizes, products):
    """`gains_by_zoom` of the rules that keep one thing equal; a limit or a distance of its own would follow any step. (views, m)."""
    plain = [_from_middle(values)[: len(RULES) - 1] for values in sizes]
    scatter = np.full((1, 1), SIZE_SD)
    gains = gains_by_zoom(frames, views, plain, styles_or_shapes(frames, products), SIZE_SD, lambda apart: float(_fit(apart[None], scatter)[0]))
    return np.pad(gains, ((0, 0), (0, (len(sizes[0]) if sizes else 0) - gains.shape[1])))


def _that_fit(frames, rows, sizes):
    """Logarithms of (m, n) sizes, without those that could only be brought to their rule's middle by cutting the product off."""
    largest = np.maximum(_number(frames, "fill_width"), _number(frames, "fill_height"))[rows]
    leaves = largest * np.exp(-_from_middle(sizes)) > np.maximum(WHOLE, largest)
    return np.where(leaves, math.nan, sizes)


def weigh_rules(views, sd, shares, free=None, own=None, front=None, gains=0.0):
    """
    Deviation of each picture from what its view keeps equal, over the rules that may hold.

    Parameters
    ----------
    views : list of (m, n) float
        For each view, what each of m rules has equal, of its n pictures; NaN where unknown.
    sd : float
        Natural scatter, at least.
    shares : (m,) float
        How likely each rule is before anything is seen; summing to 1.
    free : list of (deviations, uncertainties, cost), optional
        Of `camera_distance.free_sizes`, where the last rule leaves sizes free.
    own : list of (m, n) float, optional
        Standard uncertainties of the values themselves; 0 by default.
    front : list of (bool, (n,) float), optional
        With `free`: whether a view is no front, so that it scatters where the front alone is framed, and how unsure each picture is there.
    gains : (views, m) float
        Of log likelihood, beside what the deviations give.

    Returns
    -------
    list of (deviations, standard uncertainties)
        Each (n,) float; NaN where no rule tells.

    Examples
    --------
    >>> wide, tall = [0.7, 0.7, 0.7, 0.7, 0.5], [0.6, 0.5, 0.4, 0.6, 0.5]
    >>> ((off, unsure),) = weigh_rules([np.array([wide, tall])], 0.01, np.array([0.5, 0.5]))
    >>> [round(float(value), 2) for value in (off[0], off[4])]
    [0.0, -0.2]
    """
    apart = [_from_middle(values) for values in views]
    if not apart:
        return []
    together = np.abs(np.concatenate(apart, axis=1))
    tells = np.isfinite(together).any(axis=1)
    if tells.any():
        sd = max(sd, float(MAD_TO_SIGMA * np.nanmedian(together[tells], axis=1).min()))
    scattered = scatters(apart, sd, front, BY_FRONT)
    fits = _fits(apart, scattered, free) + gains
    told = []
    for number, (values, fit, others) in enumerate(zip(apart, fits, fits.sum(axis=0) - fits, strict=True)):
        usual = shares * np.exp(others - others.max())
        weight = (usual / usual.sum() + OWN_RULE * shares) * np.exp(fit - fit.max())
        count = np.isfinite(values).sum(axis=1)
        reference = MEDIAN_EFFICIENCY * sd / math.sqrt(max(weight @ count / weight.sum(), 1.0))
        unsure = np.zeros(values.shape) if own is None else own[number]
        if free is not None:
            unsure[-1] = free[number][1]
        unsure = np.hypot(unsure, scattered[number][1])
        told.append(_mean_and_sd(values, weight, reference, unsure))
    return told


def _fits(apart, scattered, free):
    """(views, m): logarithm of the likelihood of each view's deviations under each rule."""
    fits = np.stack([_fit(values, scatter) - cost for values, (scatter, _, cost) in zip(apart, scattered, strict=True)])
    if free is not None:
        fits[:, -1] -= [cost for _, _, cost in free]
    return fits


def _from_middle(values):
    """(m, n) values less the median of each row; rows without a value stay empty."""
    middle = np.full((len(values), 1), math.nan)
    some = np.isfinite(values).any(axis=1)
    middle[some] = np.nanmedian(values[some], axis=1, keepdims=True)
    return values - middle


def _fit(apart, sd):
    """Logarithm of the likelihood of (m, n) deviations under each of m rules; what a rule cannot tell is as unlikely as a fault."""
    sd = sd * math.sqrt(1 + MEDIAN_EFFICIENCY**2 / max(apart.shape[1], 1))
    off = np.nan_to_num(np.abs(apart), nan=FAULT_SD)
    usual = (1 - FAULT) / sd * np.exp(-0.5 * (off / sd) ** 2)
    fault = FAULT / FAULT_SD * np.exp(-0.5 * (np.minimum(off, FAULT_SD) / FAULT_SD) ** 2)  # a fault may be of any size
    return np.log(usual + fault).sum(axis=1)


def _mean_and_sd(values, weight, reference, own):
    """Mean of (m, n) values over the m rules that tell them, by weight, and its standard uncertainty with that of the reference and their own."""
    share = np.where(np.isfinite(values), weight[:, None], 0.0)
    total = share.sum(axis=0)
    share = np.divide(share, total, out=np.full(share.shape, math.nan), where=total > 0)
    seen = np.nan_to_num(values)
    mean = (share * seen).sum(axis=0)
    return mean, np.hypot(np.sqrt((share * ((seen - mean) ** 2 + own**2)).sum(axis=0)), reference)


def _shares(rules, distance):
    """How likely each row of `_all_sizes` is beforehand: all limits together are as likely as one rule."""
    plain = [1.0] * sum(rule != "first_limit" for rule in rules)
    limits = [1.0 / len(RATIOS)] * len(RATIOS) if "first_limit" in rules else []
    distances = ([FRONT_ALONE / len(RATIOS)] * len(RATIOS) + [1.0]) * distance
    return np.array(plain + limits + distances) / (len(rules) + (FRONT_ALONE + 1) * distance)


def _possible_sizes(frames, rows, rules, products):
    """(m, n): what each rule has equal, the limits of 'first_limit' one by one, last; NaN where unknown."""
    sizes = [_sizes(frames, rows, rule, products) for rule in rules if rule != "first_limit"]
    width, height = _number(frames, "fill_width")[rows], _number(frames, "fill_height")[rows]
    if "first_limit" in rules:
        sizes.extend(np.maximum(width, height * ratio) for ratio in RATIOS)
    sizes = np.stack(sizes)
    return np.where(sizes > 0, sizes, math.nan)


def _views(frames):
    """Positions of the measured whole products, view by view."""
    views = frames["view"].fillna("").to_numpy()
    kinds = frames["view_kind"].fillna("").to_numpy()
    sized = np.isfinite(_number(frames, "fill_height"))
    for view in sorted(set(views)):
        rows = np.flatnonzero((views == view) & sized & np.isin(kinds, ("upright", "overhead")))
        if len(rows):
            yield view, rows


def _sizes(frames, rows, rule, products):
    """What the rule keeps equal, one number a picture."""
    height = _number(frames, "fill_height")[rows]
    width = _number(frames, "fill_width")[rows]
    if rule == "equal_height":
        return height
    if rule == "equal_width":
        return width
    if rule == "equal_area":
        return np.sqrt(_number(frames, "fill_area")[rows])
    if rule == "true_scale":
        lengths = _body_heights_cm(frames, products)[rows]
        return height / lengths
    return _first_limit(width, height)


def _first_limit(width, height):
    """Larger of the two fills, each over its limit; the ratio of the limits is the one the set follows best."""
    best = None
    for ratio in np.exp(np.linspace(-0.7, 0.7, 57)):
        size = np.maximum(width, height * ratio)
        logs = np.log(size[np.isfinite(size) & (size > 0)])
        if not len(logs):
            return np.full(len(width), np.nan)
        spread = float(np.mean(np.abs(logs - np.median(logs))))
        held = float(np.mean(width >= height * ratio))
        if 0.1 <= held <= 0.9 and (best is None or spread < best[0]):
            best = (spread, size)
    return best[1] if best is not None else np.full(len(width), np.nan)


def _body_heights_cm(frames, products):
    heights = np.full(len(frames), np.nan)
    if products is None or "height_cm" not in products:
        return heights
    known = dict(zip(products["sku"], pd.to_numeric(products["height_cm"], errors="coerce")))
    return np.array([known.get(sku, np.nan) for sku in frames["sku"]], dtype=float)


def _number(frames, column):
    return pd.to_numeric(frames[column], errors="coerce").to_numpy(dtype=float)
