"""
What a view of one style is brighter by than in other styles: from the style's other colourways, and how surely.

Colourways of a style have one shape and stand alike, so a view that turns from the lamps loses as much light in all of them.
How far styles differ, and how far the colourways of one do, follows from the delivery; what is left open of a style whose only
other colourway may have been lit otherwise is told as uncertainty.
"""

import numpy as np

from catalogue_audit.statistics.photometry.view_effects import members_of

TOUCHED_SD = 0.35  # EV; a light that was touched
TOUCHED = 0.08  # share of the frames that got another light than their product's others (common practice, no source)
SLOPE_SD = 0.1  # EV for all that is mirrored, by which a dark colourway differs from a light one
WITHIN_SD, WORTH_PAIRS = 0.03, 6  # EV by which colourways of a style differ, taken for what as many pairs show
LEAST_SD = 0.01  # EV; no two colourways look more alike
LARGE_STYLE = 60  # colourways that tell how far they differ
MOST_KIN = 12  # frames of other colourways that each is compared with, the nearest in lightness
EM_ROUNDS = 20
GRID = np.arange(-150, 151) * 0.01  # EV


def kin_effects(residual, sku, groups, styles, between_sd, odd, odd_sd, mirrored, extra_sd):
    """
    What each frame's view has more in the other products of its style than in all products.

    A product says nothing of itself: its own light would pass for the style's.

    Parameters
    ----------
    residual : (n,) ndarray
        EV beyond what the view has more in most products, up to a constant of each product; NaN where unknown.
    sku, groups, styles : (n,) ndarray of str
        Products, views, styles.
    between_sd : (n,) ndarray
        EV by which the view differs from product to product.
    odd, odd_sd : (n,) ndarray
        Share of the styles whose view looks otherwise by far, and by how much (EV).
    mirrored : (n,) ndarray
        Share of the product's light that its surface mirrors, where this changes with the view; 0 elsewhere.
    extra_sd : (n,) ndarray
        EV, what is unsure of a frame by itself: a picture of another product tells nothing of the style.

    Returns
    -------
    effect, sd : (n,) ndarray
        EV and its standard uncertainty; 0 and NaN where no other product of the style shows the view.
    within_sd : (n,) ndarray
        EV by which the view differs from colourway to colourway of one style.

    References
    ----------
    .. [1] B. Efron, C. Morris, "Data Analysis Using Stein's Estimator and its Generalizations",
       J. American Statistical Association 70(350):311-319, 1975 (an effect drawn to the others' as far as these are alike).
    """
    residual = _of_the_product(residual, sku)
    effect, sd, within = np.zeros(len(residual)), np.full(len(residual), np.nan), np.full(len(residual), WITHIN_SD)
    names = np.where(styles != "", np.char.add(np.char.add(groups, "\t"), styles), "")
    kin = [k for k in ((places[np.isfinite(residual[places])], places) for places in members_of(names)) if len(np.unique(sku[k[0]])) > 1]
    for view in np.unique(groups):
        own = [pair for pair in kin if groups[pair[1][0]] == view]
        spread = _within_sd([_one_each(residual, sku, known) for known, _ in own])
        for known, places in own:
            within[places] = spread
            for place in places[sku[places] != ""]:
                others = known[sku[known] != sku[place]]
                others = others[np.argsort(np.abs(mirrored[others] - mirrored[place]), kind="stable")][:MOST_KIN]
                own_sd = np.sqrt(spread**2 + extra_sd[others] ** 2 + (SLOPE_SD * (mirrored[others] - mirrored[place])) ** 2)
                effect[place], sd[place] = _posterior(residual[others], own_sd, max(between_sd[place], spread), odd[place], odd_sd[place])
    return effect, sd, within


def _of_the_product(residual, sku):
    """EV of each frame beyond the middle of its product's, (n,); NaN where it is alone."""
    residual = residual.copy()
    for places in members_of(sku):
        known = residual[places][np.isfinite(residual[places])]
        residual[places] -= np.median(known) if len(known) > 1 else np.nan
    return residual


def _one_each(residual, sku, known):
    """One value a product of some frames, of `LARGE_STYLE` products at most."""
    names = np.unique(sku[known])
    return np.array([np.median(residual[known[sku[known] == name]]) for name in names[:: -(-len(names) // LARGE_STYLE)]])


def _within_sd(values):
    """
    Scatter of colourways about their style, from groups of them, with what is usual in its place as far as they are few.

    By expectation and maximisation of a normal distribution contaminated by touched lights.
    """
    square, weight = [], []
    for group in values:
        one, other = np.triu_indices(len(group), 1)
        square.append((group[one] - group[other]) ** 2 / 2)
        weight.append(np.full(len(one), 2 / len(group)))
    if not square:
        return WITHIN_SD
    square, weight = np.concatenate(square), np.concatenate(weight)
    variance = WITHIN_SD**2
    for _ in range(EM_ROUNDS):
        narrow = (1 - 2 * TOUCHED) * np.exp(-0.5 * square / variance) / np.sqrt(variance)
        wide = 2 * TOUCHED * np.exp(-0.5 * square / (variance + TOUCHED_SD**2 / 2)) / np.sqrt(variance + TOUCHED_SD**2 / 2)
        share = weight * narrow / (narrow + wide)
        variance = (WORTH_PAIRS * WITHIN_SD**2 + (share * square).sum()) / (WORTH_PAIRS + share.sum())
    return max(float(np.sqrt(variance)), LEAST_SD)


def _posterior(values, within_sd, between_sd, odd, odd_sd):
    """Mean and standard deviation of a style's effect: any of its colourways (k,) may have been lit otherwise, and the style may be an odd one."""
    off = GRID - np.clip(values, GRID[0], GRID[-1])[:, None]
    steady, touched = _normal(off, within_sd[:, None]), _normal(off, np.hypot(within_sd, TOUCHED_SD)[:, None])
    style = (1 - odd) * _normal(GRID, between_sd) + odd * _normal(GRID, np.hypot(between_sd, odd_sd))
    share = np.log(style) + np.log((1 - TOUCHED) * steady + TOUCHED * touched).sum(axis=0)
    share = np.exp(share - share.max())
    share /= share.sum()
    mean = float(share @ GRID)
    return mean, float(np.sqrt(share @ (GRID - mean) ** 2))


def _normal(off, sd):
    """Normal density, but for its constant."""
    return np.exp(-0.5 * np.square(off / sd)) / sd
