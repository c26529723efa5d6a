"""
What a view of a product is brighter by than its other views, and by how much that differs from product to product.

A front faces the lamps, a three-quarter view turns from them: what most products of a delivery show is the view's effect,
and taken off before their light is compared. How much it scatters follows from the scatter of all pairs of views.
"""

import numpy as np

from catalogue_audit.measures.quantiles import median
from catalogue_audit.statistics.series.trend import theil_sen

ROUNDS = 6  # of the median polish
LARGE_STYLE = 60  # frames of a style's view, from which one product counts for nothing
VIEW_SD, WORTH_PRODUCTS = 0.04, 20  # EV by which a view differs from product to product, taken for what as many products show
FEWEST_PAIRS = 6  # from which the scatter of two views bounds that of each
LEARNED_WORTH = 6  # products that the usual scatter counts for, where it is learned
ODD_WORTH, ODD_SD_WORTH, KIN_WORTH = 6, 2, 2  # products for which what is usual of odd views counts; what all products tell, beside a style's
LEAST_VIEW_SD = 0.015  # EV; no view scatters less
OUTER = 0.85, 1.4395  # share within which views scatter as shapes do, and its Phi^-1((1 + share) / 2)
TOUCHED_PAIRS, TOUCHED_SD, EM_ROUNDS = 0.15, 0.5, 30  # share of pairs in which a light was touched, by so much (EV; common practice, no source)
FEWEST_FOR_SLOPE = 6  # products from which a view's effect may depend on how light the product is
SLOPE_SD, SLOPE_SURE = 0.4, 0.6827  # EV for all that is mirrored, as slopes are by nature; confidence of one standard deviation
LEAST_RANGE, MOST_FOR_SLOPE = 0.1, 300  # of the mirrored share, and frames, between which a slope is sought
HUBS = 4  # pictures of a product with which its others are paired
MOST_EXTRA_SD = 0.1  # EV; frames that share less with the others say nothing of their view


def members_of(sku):
    """Places of the frames of each product, a list of (k,) ndarray."""
    names, label = np.unique(sku, return_inverse=True)
    by_name = np.split(np.argsort(label, kind="stable"), np.cumsum(np.bincount(label, minlength=len(names)))[:-1])
    return [places for name, places in zip(names, by_name, strict=False) if name]


def group_effects(residual, sku, views, group, worth):
    """
    What a view has more in other products of its style, or shape, beyond all products': (n,), the less the fewer they are.

    A product says nothing of itself: its own light would pass for the style's. ``worth`` is how many products of a group say
    as much of its views as all products do.
    """
    residual = residual - _medians(residual, members_of(sku))
    groups = np.where(group != "", np.char.add(np.char.add(views, "\t"), group), "")
    effect = np.zeros(len(residual))
    for places in members_of(groups):
        known = places[np.isfinite(residual[places])]
        if len(known) > LARGE_STYLE:
            effect[places] = np.median(residual[known])
            continue
        for place in places:
            others = residual[known[sku[known] != sku[place]]]
            if len(others):
                effect[place] = np.median(others) * len(others) / (len(others) + worth)
    return effect


def view_effects(level, sku, groups, mirrored):
    """
    What a view has more than a product's other views, in most products: (n,).

    A dark surface shows mostly what it mirrors, a light one what it scatters, and the two
    change differently with the angle; so the effect may grow with the share that is mirrored.
    """
    products, views = members_of(sku), members_of(groups)
    effect = np.zeros(len(level))
    for _ in range(ROUNDS):
        effect = _medians(level - _medians(level - effect, products), views)
    for _ in range(2):
        effect = _lines(level - _medians(level - effect, products), views, mirrored)
    return effect


def _medians(values, members):
    """Median of each group, given to its members; NaN where nothing is known: (n,)."""
    result = np.full(len(values), np.nan)
    for places in members:
        known = values[places]
        known = known[np.isfinite(known)]
        if len(known):
            result[places] = median(known)
    return result


def _lines(values, members, mirrored):
    """Each group's line over the mirrored share, as steep as is sure; its median where it has few: (n,)."""
    result = _medians(values, members)
    for group in members:
        places = group[np.isfinite(values[group])]
        if len(places) < FEWEST_FOR_SLOPE or np.ptp(mirrored[places]) < LEAST_RANGE:
            continue
        sample = places[np.argsort(mirrored[places], kind="stable")]
        sample = sample[:: -(-len(sample) // MOST_FOR_SLOPE)]
        slope, _, low, high = theil_sen(values[sample], mirrored[sample], SLOPE_SURE)
        if not np.isfinite(high - low):
            continue  # nearly all values are one
        slope *= SLOPE_SD**2 / (SLOPE_SD**2 + ((high - low) / 2) ** 2)
        flat = np.median(values[places] - slope * mirrored[places])
        result[group] = flat + slope * mirrored[group]
    return result


def _core_variance(off):
    """
    Variance of the differences of two views about their middle, pictures whose light was touched left out.

    The likeliest of a normal distribution contaminated by a wide one (Tukey, "A survey of sampling from contaminated distributions",
    1960), by expectation and maximisation. A quantile would take a fifth of the pictures, lit otherwise, for scatter.
    """
    middle = np.median(off)
    variance = max((1.4826 * np.median(np.abs(off - middle))) ** 2, 2 * LEAST_VIEW_SD**2)
    for _ in range(EM_ROUNDS):
        square = (off - middle) ** 2
        narrow = (1 - TOUCHED_PAIRS) * np.exp(-0.5 * square / variance) / np.sqrt(variance)
        wide = TOUCHED_PAIRS * np.exp(-0.5 * square / (variance + TOUCHED_SD**2)) / np.sqrt(variance + TOUCHED_SD**2)
        steady = narrow / (narrow + wide)
        middle = (steady * off).sum() / steady.sum()
        variance = max((steady * (off - middle) ** 2).sum() / steady.sum(), 2 * LEAST_VIEW_SD**2)
    return variance * len(off) / max(len(off) - 1, 1)


def _outer_variance(off):
    """The same of views that differ from shape to shape, some by far: none of these may pass for light."""
    return (np.quantile(np.abs(off - np.median(off)), OUTER[0]) / OUTER[1]) ** 2


def view_scatter(residual, sku, groups, extra_sd, steady_sd, even=()):
    """
    By how much each view differs from product to product, from the scatter of every pair of views: (n,).

    Parameters
    ----------
    residual : (n,) ndarray
        EV of each frame beyond its view's effect, up to a constant of the product.
    sku, groups : (n,) ndarray of str
        Products and views.
    extra_sd, steady_sd : (n,) ndarray
        What a frame's own surfaces add, and by how much a steady light varies.
    even : sequence of str
        Views that face the lamps: shapes and stuffs look alike in them, and what differs by far was lit otherwise.
    """
    pairs = _differences(residual, sku, groups, extra_sd, steady_sd)
    if not pairs:
        return np.full(len(residual), VIEW_SD)
    names = np.unique(groups)
    number = {name: place for place, name in enumerate(names)}
    count = len(names)
    rows, variances, degrees = np.zeros((len(pairs) + count, count)), np.zeros(len(pairs) + count), np.zeros(len(pairs) + count)
    bound = np.full(count, np.inf)
    for row, ((one, other), values) in enumerate(sorted(pairs.items())):
        rows[row, number[one]] += 1
        rows[row, number[other]] += 1
        off, steady = np.array(values).T
        both_even = one in even and other in even
        variance = _core_variance(off) if both_even else _outer_variance(off)
        variances[row], degrees[row] = max(variance - steady.mean(), 2 * LEAST_VIEW_SD**2), len(values)
        if both_even and len(values) >= FEWEST_PAIRS:  # neither differs by more than both together
            bound[[number[one], number[other]]] = np.minimum(bound[[number[one], number[other]]], variances[row])
    rows[len(pairs) :], variances[len(pairs) :], degrees[len(pairs) :] = np.eye(count), VIEW_SD**2, WORTH_PRODUCTS
    from scipy.optimize import nnls  # only where views are compared

    found = np.full(count, VIEW_SD**2)
    for _ in range(2 * ROUNDS):
        weights = np.sqrt(degrees) / (rows @ found)  # a variance is known to a share of itself
        found = np.sqrt(found * np.maximum(nnls(rows * weights[:, None], variances * weights)[0], LEAST_VIEW_SD**2))
    return np.sqrt(np.minimum(found, bound))[[number[label] for label in groups]]


def _differences(residual, sku, groups, extra_sd, steady_sd):
    """Differences of the views of each product, and the variance of steady light in them, by pair of views."""
    pairs = {}
    for places in members_of(sku):
        places = places[np.isfinite(residual[places]) & (extra_sd[places] <= MOST_EXTRA_SD)]
        for rank, one in enumerate(places[:HUBS]):
            for other in places[rank + 1 :]:
                first, second = (one, other) if groups[one] <= groups[other] else (other, one)
                value = residual[first] - residual[second], steady_sd[one] ** 2 + steady_sd[other] ** 2
                pairs.setdefault((groups[first], groups[second]), []).append(value)
    return pairs


def learned_odds(share, sd, odd, square, sku, groups, styles):
    """
    How likely each frame's view looks otherwise than usual, and by how much: (n,) each, learned from the other products' views.

    One step of expectation and maximisation, as of `learned_scatter`. A product says nothing of itself: its own light would pass for its looks.

    Parameters
    ----------
    share, sd : (n,) ndarray
        Beforehand: how likely, and EV.
    odd, square : (n,) ndarray
        Of `lit_alike.explained`; NaN where unknown.
    sku, groups, styles : (n,) ndarray of str
        A view of one style looks alike in all of its products, so these count for more.
    """
    known = np.isfinite(odd)
    values = np.where(known, [np.ones(len(odd)), odd, square], 0.0)
    (count, many, squares), (kin, kin_many, _) = (_of_others(values, sku, names) for names in (groups, np.char.add(groups, styles)))
    learned = (ODD_WORTH * share + many) / (ODD_WORTH + count)
    learned = (KIN_WORTH * learned + kin_many) / (KIN_WORTH + kin)
    return learned, np.sqrt((ODD_SD_WORTH * sd**2 + squares) / (ODD_SD_WORTH + many))


def _of_others(values, sku, groups):
    """Sums of values (m, n) over a group's frames of other products, given to each of its frames: (m, n)."""
    result = np.zeros(values.shape)
    for places in members_of(groups):
        _, product = np.unique(sku[places], return_inverse=True)
        own = np.array([np.bincount(product, row[places]) for row in values])
        result[:, places] = own.sum(axis=1, keepdims=True) - own[:, product]
    return result


def learned_scatter(view_sd, natural_sd, alike, square, groups):
    """
    By how much each view differs from product to product, from the frames that are lit and look alike: (n,).

    One step of expectation and maximisation; what was lit otherwise counts as little as it is likely to be steady.

    Parameters
    ----------
    view_sd, natural_sd : (n,) ndarray
        The scatter so far, and what a frame's own surfaces add to it.
    alike, square : (n,) ndarray
        Of `lit_alike.explained`.
    groups : (n,) ndarray of str
    """
    own = view_sd**2 / (view_sd**2 + natural_sd**2)
    squares = own**2 * square + alike * view_sd**2 * (1 - own)
    told = np.isfinite(squares) & (natural_sd <= MOST_EXTRA_SD)
    learned = view_sd.copy()
    for places in members_of(groups):
        k = places[told[places]]
        variance = (LEARNED_WORTH * VIEW_SD**2 + squares[k].sum()) / (LEARNED_WORTH + alike[k].sum())
        learned[places] = max(np.sqrt(variance), LEAST_VIEW_SD)
    return learned
