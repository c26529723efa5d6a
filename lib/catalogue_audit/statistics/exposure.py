"""
EV of the light on the product against the set's.

A product's own colour is unknown, but it is the same in all of its views: what
one view has more than the others, beyond what that view has more in all
products, is light. The background tells the same where both moved together, and
more exactly; where only the background moved, it says nothing about the product.
"""

import numpy as np

ROUNDS = 6  # of the median polish
STYLE_SIZE = 5  # products of a style from which its views have effects of their own
AGREE = 2.2  # standard uncertainties within which product and background moved together
QUARTILE = 0.31864  # lower quartile of the size of a standard normal deviate: Phi^-1(5/8)
MOST_SD = 0.12  # EV; rendered bags of eight shapes scattered by 0.09 from view to view
LEAST_SD = 0.03  # EV; a product turned in the same light differs by at least as much
BACKGROUND_ONLY_SD = 0.12  # EV; lamps of their own: the background alone is weak evidence
UNSEEN_SD = 0.3  # EV; by which frames of unknown light may be off themselves
DISAGREE = 0.4  # EV; views of one product in one light seldom lie further apart
DIFFER = 0.2  # EV; backgrounds of one product's pictures further apart than this were not all lit alike
TOGETHER_SD = 0.015  # EV; natural difference between background and product lamps from frame to frame


def exposure_deviations(frames, sketches, whole, background, background_sd):
    """
    Deviation of the product's light, and its standard uncertainty.

    Parameters
    ----------
    frames : DataFrame
        ``product_ev``, ``sku``, ``view``, ``style``.
    sketches : mapping of str to dict
        ``tones`` is read.
    whole : (n,) ndarray of bool
        Frames that show a whole product.
    background, background_sd : (n,) ndarray
        EV of the background against the set's; NaN where unknown.

    Returns
    -------
    ev, sd : (n,) ndarray
        NaN where nothing is known.

    References
    ----------
    .. [1] J. W. Tukey, *Exploratory Data Analysis*, 1977, chapter 11 (median polish).
    """
    level = np.where(whole, product_levels(frames, sketches), np.nan)
    sku = frames["sku"].fillna("").to_numpy(str)
    usable = np.isfinite(level) & (sku != "")
    level = np.where(usable, level, np.nan)
    level = level - _view_effects(level, sku, _view_groups(frames, usable))
    ev, sd = np.full(len(level), np.nan), np.full(len(level), np.nan)
    own, own_sd, common = _against_other_views(level, sku, background)
    for k in (whole & frames["product_ev"].notna().to_numpy(bool)).nonzero()[0]:
        ev[k], sd[k] = _combined(own[k], own_sd[k], common[k], background[k], background_sd[k])
    return ev, sd


def product_levels(frames, sketches):
    """
    log2 luminance of each product, as steady from view to view as it can be had: (n,).

    The mean over the quantiles from 5 % to 95 % moved by 0.09 EV between views
    of rendered bags under one light, the mid-mean by 0.11 and, where a pattern
    has a light and a dark half, by 0.5; so the latter is the second choice.
    """
    level = frames["product_ev"].to_numpy(float).copy()
    for place in np.isfinite(level).nonzero()[0]:
        try:
            tones = sketches[frames["file"].iloc[place]].get("tones")
        except KeyError:
            tones = None
        if tones is not None and len(tones):
            level[place] = float(np.mean(tones, dtype=float))
    return level


def _view_groups(frames, usable):
    """A label for each frame: its view, and its style where that has enough products."""
    view = frames["view"].fillna("").to_numpy(str)
    style = frames["style"].fillna("").to_numpy(str)
    sku = frames["sku"].fillna("").to_numpy(str)
    labels = view.astype(object)
    for name in np.unique(style[(style != "") & usable]):
        members = (style == name) & usable
        if len(np.unique(sku[members])) >= STYLE_SIZE:
            labels[members] = [f"{one}\t{name}" for one in view[members]]
    return labels.astype(str)


def _view_effects(level, sku, groups):
    """What a view has more than a product's other views, in most products: (n,)."""
    effect = np.zeros(len(level))
    base = np.zeros(len(level))
    for _ in range(ROUNDS):
        base = _by_group(level - effect, sku)
        effect = _by_group(level - base, groups)
        effect = effect - np.nanmedian(effect) if np.isfinite(effect).any() else effect
    return effect


def _by_group(values, labels):
    """Median of each group, given to its members."""
    result = np.full(len(values), np.nan)
    for label in np.unique(labels):
        members = labels == label
        known = values[members]
        known = known[np.isfinite(known)]
        if len(known):
            result[members] = np.median(known)
    return result


def _against_other_views(level, sku, background):
    """
    Each frame against its product's other frames.

    Against their median where they agree. Where they do not, one of them is off
    itself (its light, or it shows another product), and the frame is compared
    with the one that it is nearest to among the nearer half.

    Returns
    -------
    own : (n,) ndarray
        EV; NaN where the product has no other frame.
    own_sd : (n,) ndarray
    common : (n,) ndarray
        Deviation that those other frames share, by their background; NaN where theirs is unknown.
    """
    own, count, common = np.full(len(level), np.nan), np.zeros(len(level)), np.zeros(len(level))
    for name in np.unique(sku[np.isfinite(level)]):
        members = ((sku == name) & np.isfinite(level)).nonzero()[0]
        for k in members:
            others = members[members != k]
            if not len(others):
                continue
            own[k] = level[k] - _reference(level[k], level[others])
            count[k] = len(others) if np.ptp(level[others]) <= DISAGREE else len(others) // 2
            common[k] = _shared(background[others])
    known = np.abs(own[np.isfinite(own)])
    # The lower quartile: one picture off spoils the comparison of all of its product's views.
    scale = np.quantile(known, 0.25) / QUARTILE if len(known) else np.nan
    single = np.clip(scale / np.sqrt(1.5), LEAST_SD, MOST_SD)
    sd = single * np.sqrt(1 + 1 / np.maximum(count, 1))
    # Of two frames that differ nothing tells which is off, unless their backgrounds do.
    return own, np.where(count == 1, np.hypot(sd, UNSEEN_SD), sd), common


def _shared(background):
    """Deviation that a product's other frames share, by their backgrounds: the least where they differ; NaN if none is known."""
    known = background[np.isfinite(background)]
    if not len(known):
        return np.nan
    return float(np.median(known) if np.ptp(known) <= DIFFER else known[np.argmin(np.abs(known))])


def _reference(level, others):
    """Level of a product's other frames that one frame is compared with."""
    if np.ptp(others) <= DISAGREE:
        return float(np.median(others))
    nearest = others[np.argsort(np.abs(others - level), kind="stable")]
    return float(nearest[(len(nearest) - 1) // 2])


def _combined(own, own_sd, common, background, background_sd):
    """
    The frame's deviation from what product and background say.

    Where they disagree, and the product is as in its other views, the background has moved alone. Where the product is not,
    and its background has not moved either, views that differ by nature are the likelier cause up to `DISAGREE`.
    """
    has_own, has_background = np.isfinite(own), np.isfinite(background)
    together_sd = np.hypot(background_sd, TOGETHER_SD)
    if has_background and np.isnan(common):
        own_sd = np.hypot(own_sd, UNSEEN_SD)  # the other frames are clipped where this one is not: they may be the odd ones
    common = np.nan_to_num(common)
    if has_own and has_background:
        product = common + own
        apart = abs(product - background)
        if AGREE * own_sd < abs(own) and apart <= DISAGREE:
            own_sd = max(own_sd, apart / AGREE)  # a view that differs is likelier than a light that moved on the product alone
        if apart <= AGREE * np.hypot(own_sd, together_sd):
            weights = np.array([own_sd**-2.0, together_sd**-2.0])
            return float(weights @ (product, background) / weights.sum()), float(weights.sum() ** -0.5)
        return float(product), float(own_sd)
    if has_own:
        return float(common + own), float(own_sd)
    if has_background:
        return float(background), BACKGROUND_ONLY_SD
    return np.nan, np.nan
