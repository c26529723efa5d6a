"""
Levels of one product's pictures from the differences of its pairs, every explanation of contradictions weighed.

Two views are compared by the surfaces that both show (`surfaces`). Where they show other surfaces, the shift that fits best may be
a wrong one, and the differences of three pictures do not add up. Any pair may be the wrong one, so each way of leaving out at most
two is weighed by how likely it is: where the other pairs bear one another out, they decide; where none does, the level is unsure.
"""

from functools import lru_cache
from itertools import combinations
from typing import NamedTuple

import numpy as np

from catalogue_audit.statistics.photometry.surfaces import USUAL_STRAIGHT_WIDTH, USUAL_WIDTH, brighter, surfaces

PAIR_SD = 0.015  # EV; by which the difference of two views that show the same surfaces is found
WRONG, WRONG_SD = 0.05, 0.7  # share of pairs laid over each other wrongly, by about so much (EV)
LIKE, UNLIKE = 0.97, 0.35  # overlap of two views' surfaces: from which it is whole, and below which they are not the same
STRANGE, STRANGE_SD = 0.02, 0.5  # overlap of views without a surface in common, as of another product, or one that mirrors other things; by so much (EV)
UNLIKE_SD = 0.25  # EV; between views that show other surfaces
PARTLY_SD = 0.31  # EV; added at the least overlap that is taken: differences of 2,616 pairs scatter by half an EV times what the overlap lacks
WIDE_SD, WIDE_STRAIGHT_SD = 0.4, 0.2  # EV for an EV of width beyond the usual: lacquer and metal mirror the lamps, alike in views that stand alike
BURNT_SD = 0.15  # EV for all of a product burnt out, as the root of the share: how bright it would be there, nobody knows
HUBS = 4  # pictures of a whole product with which all of its others are compared
MOST_PICTURES = 40  # of a product that are compared; more are no views of one product
MOST_WRONG, MANY_PAIRS = 2, 40  # pairs taken for wrong at once; pairs from which one at a time


def levels_of_views(seen, plain, slanting, straight):
    """
    Levels of one product's frames from the differences of its pairs.

    Parameters
    ----------
    seen : list of Surfaces or None
    plain : (n,) ndarray
        EV of each whole product as one number; NaN of details.
    slanting, straight : (n,) ndarray of bool
        Whole products that do not face the camera, and that do.

    Returns
    -------
    level, extra_sd : (2, n) ndarray
        EV up to a constant, NaN of frames that share nothing with another; and what is to be added to the scatter of their views.
        First with all pairs told by their surfaces, then with slanting views told by one number.
    """
    count = len(seen)
    order = sorted(range(count), key=lambda k: (np.isnan(plain[k]), k))[:MOST_PICTURES]  # whole products first
    hubs = min(HUBS, int(np.isfinite(plain).sum()) or HUBS)
    rows, values, spreads, turned = [], [], [], []
    strange, compared = np.zeros((count, count), bool), np.zeros((count, count), bool)
    for rank, one in enumerate(order[:hubs]):
        for other in order[rank + 1 :]:
            value, spread = _difference(seen[one], seen[other], plain[one], plain[other], straight[one] and straight[other])
            compared[one, other] = compared[other, one] = True
            strange[one, other] = strange[other, one] = np.isnan(spread)
            if np.isfinite(value):
                row = np.zeros(count)
                row[one], row[other] = 1, -1
                rows.append(row)
                values.append(value)
                spreads.append(spread)
                turned.append(slanting[one] != slanting[other] and np.isfinite(plain[[one, other]]).all())
    if not rows:
        return np.full((2, count), np.nan), np.full((2, count), np.inf)
    rows, values, spreads, turned = np.array(rows), np.array(values), np.array(spreads), np.array(turned)
    by_one_number = np.where(turned, rows @ np.nan_to_num(plain), values), np.where(turned, 0.0, spreads)
    strange = STRANGE_SD * _strange_shares(strange, compared)
    both = [_solved(rows, values, spreads, strange), _solved(rows, *by_one_number, strange)]
    return np.array([level for level, _ in both]), np.array([extra for _, extra in both])


def _strange_shares(strange, compared):
    """
    Share of its comparisons in which each frame has no surface in common with the other, (n,).

    A picture of another product is strange to all of this one's, and these are not to each other: what the strangest frame
    explains is not held against the rest.

    Parameters
    ----------
    strange, compared : (n, n) ndarray of bool
        Symmetric.

    Examples
    --------
    >>> pairs = ~np.eye(4, dtype=bool)
    >>> strange = np.zeros((4, 4), bool)
    >>> strange[3, :3] = strange[:3, 3] = True
    >>> _strange_shares(strange, pairs).tolist()
    [0.0, 0.0, 0.0, 1.0]
    """
    strange, shares = strange.copy(), np.zeros(len(strange))
    joins = np.maximum(compared.sum(axis=1), 1)
    while strange.any():
        share = strange.sum(axis=1) / joins
        worst = share == share.max()
        shares[worst] = share[worst]
        strange[worst] = strange[:, worst] = False
    return shares


def _solved(rows, values, spreads, strange):
    """Level and extra scatter of each frame from the differences of pairs, (n,) each."""
    extra = np.where(rows != 0, spreads[:, None], np.inf).min(axis=0)
    linked = _linked(rows)
    within = np.abs(rows) @ linked > 0
    level, unsure = levels_of_pairs(rows[within], values[within], spreads[within])
    return np.where(linked, level, np.nan), np.hypot(extra, np.hypot(unsure, strange))


class Views(NamedTuple):
    """
    The pictures of one product whose light is to be compared.

    ``files``; ``crop``: shows a part; ``fills``: of such a part without a mask all counts as product, and of the others where it is True;
    ``blank``: in such a part pure white may be the backdrop; ``gains`` (n, 2) of the white balance; ``plain``, ``slanting`` and ``straight`` as `levels_of_views` takes them.
    """

    files: list
    crop: np.ndarray
    fills: np.ndarray
    blank: np.ndarray
    gains: np.ndarray
    plain: np.ndarray
    slanting: np.ndarray
    straight: np.ndarray


def compared_views(sketches, views):
    """
    Levels of one product's pictures.

    Parameters
    ----------
    sketches : mapping of str to dict
    views : Views

    Returns
    -------
    lightness : float
        log2 luminance of the product, about.
    level, extra_sd
        As `levels_of_views` gives them.
    """
    seen = []
    for file, crop, fills, blank, gains in zip(views.files, views.crop, views.fills, views.blank, views.gains, strict=True):
        sketch = sketches.get(file) or {}
        whole = bool(crop and (fills or sketch.get("mask") is None))
        seen.append(surfaces(sketch, whole, gains, whole and blank))
    shown = [one.level for one, crop in zip(seen, views.crop, strict=True) if one is not None and not crop]
    measured = views.plain[np.isfinite(views.plain)]
    lightness = float(np.median(shown or measured)) if shown or len(measured) else 0.0
    return lightness, *levels_of_views(seen, views.plain, views.slanting, views.straight)


def _linked(rows):
    """Frames of the largest group that pairs join, (n,) of bool: what no chain of pairs joins cannot be compared."""
    joined = np.flatnonzero(rows.any(axis=0))  # of a product of hundreds of pictures few are compared
    each = np.abs(rows[:, joined])
    reach = each.T @ each > 0
    for _ in range(int(np.ceil(np.log2(max(len(reach), 2))))):
        reach = reach @ reach
    linked = np.zeros(rows.shape[1], bool)
    linked[joined] = reach[np.argmax(reach.sum(axis=1))]
    return linked


def _difference(one, other, plain_one, plain_other, straight):
    """EV between two frames of a product, and the standard deviation that the pair adds to its views'."""
    if one is None or other is None:
        return plain_one - plain_other, 0.0
    value, likeness, width, doubt = brighter(one, other)
    if likeness < STRANGE:
        return np.nan, np.nan
    if likeness < UNLIKE:
        return plain_one - plain_other, UNLIKE_SD
    partly = PARTLY_SD * max(0.0, LIKE - likeness) / (LIKE - UNLIKE)
    wide = WIDE_STRAIGHT_SD * max(0.0, width - USUAL_STRAIGHT_WIDTH) if straight else WIDE_SD * max(0.0, width - USUAL_WIDTH)
    burnt = BURNT_SD**2 * max(one.burnt[0], other.burnt[0])
    return value, float(np.sqrt(partly**2 + wide**2 + burnt + doubt**2))


def levels_of_pairs(rows, values, spreads):
    """
    Levels that explain the differences of pairs.

    Parameters
    ----------
    rows : (p, n) ndarray
        1 and -1 at the two frames of each pair.
    values : (p,) ndarray
        EV of the first against the second.
    spreads : (p,) ndarray
        EV; standard deviation of each, `PAIR_SD` not counted.

    Returns
    -------
    level, sd : (n,) ndarray
        EV, their mean 0, and by how much the explanations disagree. Frames of no pair have 0.

    References
    ----------
    .. [1] J. A. Hoeting, D. Madigan, A. E. Raftery, C. T. Volinsky, "Bayesian Model Averaging: A Tutorial",
       Statistical Science 14(4):382-417, 1999.

    Examples
    --------
    >>> pairs = np.array([[1, -1, 0, 0], [1, 0, -1, 0], [1, 0, 0, -1], [0, 1, -1, 0], [0, 1, 0, -1], [0, 0, 1, -1]])
    >>> level, sd = levels_of_pairs(pairs, np.array([0.5, 0.5, -0.9, 0.0, 0.0, 0.0]), np.zeros(6))
    >>> ((level - level[3]).round(2) + 0.0).tolist(), bool((sd < 0.02).all())
    ([0.5, 0.0, 0.0, 0.0], True)
    """
    wrong = _explanations(len(values))
    variance = PAIR_SD**2 + np.square(spreads) + np.where(wrong, WRONG_SD**2, 0.0)
    joined = np.abs(rows).any(axis=0)
    a = rows[:, joined].astype(float)
    precision = (a.T * (1 / variance)[:, None, :]) @ a + 1.0  # the ones hold their mean at 0
    covariance = np.linalg.inv(precision)
    each = np.einsum("sij,pj,sp->si", covariance, a, values / variance)
    left = values - each @ a.T
    fit = wrong.sum(axis=1) * np.log(WRONG / (1 - WRONG)) - 0.5 * (np.log(variance) + left**2 / variance).sum(axis=1)
    fit -= 0.5 * np.linalg.slogdet(precision)[1]
    share = np.exp(fit - fit.max())
    share /= share.sum()
    level, sd = np.zeros(rows.shape[1]), np.zeros(rows.shape[1])
    level[joined] = share @ each
    sd[joined] = np.sqrt(share @ (each - level[joined]) ** 2)
    return level, sd


@lru_cache(maxsize=64)
def _explanations(count):
    """(k, count) of bool: every choice of at most `MOST_WRONG` wrong pairs, fewer than all."""
    most = min(MOST_WRONG if count <= MANY_PAIRS else 1, count - 1)
    chosen = [place for size in range(most + 1) for place in combinations(range(count), size)]
    wrong = np.zeros((len(chosen), count), bool)
    for row, places in enumerate(chosen):
        wrong[row, list(places)] = True
    return wrong
