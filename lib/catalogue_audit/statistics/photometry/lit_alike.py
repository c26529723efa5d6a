"""
Which frame of a product is lit otherwise than its others: every explanation weighed by how likely it is.

Nothing tells the light on a product but its other frames, and of frames that differ any may be the odd one.
So each way of sharing out the difference between steady and touched light is taken, the estimate is the mean over
all of them, and its standard deviation says how far they disagree: where two frames differ and no third
one decides, it is as large as the difference, and no finding rests on it.
"""

from functools import lru_cache
from itertools import combinations, product

import numpy as np

TOUCHED_SD = 0.35  # EV; a light that was touched
TOUCHED = 0.002  # share of the frames whose product got other light than its steady background tells (common practice, no source)
UNSEEN_TOUCHED = 0.08  # the same where no background tells: details, and finals, which are retouched one by one
TOUCHED_TOO = 0.01  # the same where the background is off: somebody was at the lamps, and moved those of the product by another amount
BETWEEN = 0.3  # the same where no background tells, and those of the product's other frames differ
ALONE = 0.5  # share of the backgrounds off that are off alone, by their own lamp or in retouching: how many is not known, so the product decides
ALONE_TOGETHER, ALIKE = 0.03, 0.1  # the same where another frame's background is off by as much (EV): the light of both moved
ODD_VIEW, ODD_SD = 0.07, 0.12  # share of slanting views and details that look otherwise, by so much (EV): matt cloth turned from the lamps
ODD_STRAIGHT, ODD_STRAIGHT_SD = 0.002, 0.2  # the same of views that face camera and lamps, as front and back do: a pattern, or a panel of another stuff
MOST_ODD = 2  # of one product's frames
STRANGE, STRANGE_SD = 0.003, 0.7  # share of slanting views and details that cannot be compared, and nothing says so: a wrong outline, another thing seen
STEADY, ALONE_SINCE, ALONE_UNTIL, PRODUCT, UNLIKE_OTHERS, NOT_COMPARED = range(6)  # the background alone left the level before it, or after it


def own_light(residual, residual_sd, steady_sd, background, lamps_moved, beside=(0.0, 0.0), straight=False, odd_sd=ODD_SD):
    """
    What each frame of one product got more than its background tells.

    Parameters
    ----------
    residual : (n,) ndarray
        EV of the product, less its view's usual effect and the light expected, up to a constant common to all.
    residual_sd : (n,) ndarray
        By which views of one product differ under one light.
    steady_sd : (n,) ndarray
        By which a steady light differs from the expected.
    background : (n,) ndarray
        EV of the background against the set's; NaN where unknown.
    lamps_moved : (n,) ndarray of bool
        The background shows that the light was touched.
    beside : pair of (n,) ndarray, or of float
        EV of the backgrounds photographed before and after it, one of which a background that moved alone has left.
    straight : (n,) ndarray of bool, or bool
        The view faces camera and lamps, as a front or a back.
    odd_sd : (n,) ndarray, or float
        EV by which a view differs that looks otherwise.

    Returns
    -------
    ev, sd : (n,) ndarray
        Mean and standard deviation over all explanations.

    References
    ----------
    .. [1] J. A. Hoeting, D. Madigan, A. E. Raftery, C. T. Volinsky, "Bayesian Model Averaging: A Tutorial",
       Statistical Science 14(4):382-417, 1999.

    Examples
    --------
    >>> sd, dark, calm = np.full(3, 0.03), np.full(3, np.nan), np.zeros(3, bool)
    >>> ev, error = own_light(np.array([0.5, 0.0, 0.0]), sd, sd, dark, calm, straight=True)
    >>> [round(value, 1) + 0.0 for value in ev.tolist()], bool((error < 0.06).all())
    ([0.5, 0.0, 0.0], True)
    >>> ev, error = own_light(np.array([0.5, 0.0]), sd[:2], sd[:2], dark[:2], calm[:2])
    >>> ev.round(2).tolist(), error.round(2).tolist()
    ([0.24, -0.24], [0.25, 0.25])
    """
    return explained(residual, residual_sd, steady_sd, background, lamps_moved, beside, odd_share(straight), odd_sd)[:2]


def odd_share(straight):
    """How likely a view looks otherwise than usual, before anything is seen."""
    return np.where(straight, ODD_STRAIGHT, ODD_VIEW)


def explained(residual, residual_sd, steady_sd, background, lamps_moved, beside, odd, odd_sd):
    """
    `own_light`, and how far views of steady light differ: what the scatter of views is learned from.

    Parameters are those of `own_light`, but for ``odd``, (n,): how likely a view looks otherwise.

    Returns
    -------
    ev, sd : (n,) ndarray
        As of `own_light`.
    steady, odd : (n,) ndarray
        How likely each frame's light is steady and its view as usual, and how likely it looks otherwise.
    square, odd_square : (n,) ndarray
        EV squared, by which such a view differs, expected; times `steady`, and times `odd`.
    """
    states = _explanations(len(residual)).astype(np.intp)
    back = np.array(np.broadcast_arrays(*beside, background))
    back = np.nan_to_num(back[:2] - back[2])
    mean = np.where(states == ALONE_SINCE, back[0], np.where(states == ALONE_UNTIL, back[1], 0.0))
    light = steady_sd**2 + np.where(states == PRODUCT, TOUCHED_SD**2, 0.0)
    view = residual_sd**2 + np.where(states == UNLIKE_OTHERS, np.square(odd_sd), np.where(states == NOT_COMPARED, STRANGE_SD**2, 0.0))
    weight = 1 / (view + light)
    total = weight.sum(axis=1, keepdims=True)
    off = residual - mean
    off = off - (weight * off).sum(axis=1, keepdims=True) / total
    fit = 0.5 * (np.log(weight).sum(axis=1) - np.log(total[:, 0]) - (weight * off**2).sum(axis=1))
    fit += np.take_along_axis(_chances(background, lamps_moved, odd), states, axis=0).sum(axis=1)
    share = np.exp(fit - fit.max())[:, None]
    share = share / share.sum()
    gain, own = light * weight, view * weight
    square = share * (own**2 * (off**2 + 1 / total) + view * (1 - own))
    steady, unlike = states == STEADY, states == UNLIKE_OTHERS
    mean, variance = mean + gain * off, light * (1 - gain) + gain**2 / total
    ev = (share * mean).sum(axis=0)
    sd = np.sqrt((share * (variance + (mean - ev) ** 2)).sum(axis=0))
    return ev, sd, *((share * state).sum(axis=0) for state in (steady, unlike)), *((square * state).sum(axis=0) for state in (steady, unlike))


def _chances(background, lamps_moved, odd):
    """Logarithms of how likely each state is beforehand, (6, n)."""
    seen = np.isfinite(background)
    alone = np.where(lamps_moved & seen, np.where(_off_together(background), ALONE_TOGETHER, ALONE), 1e-9)
    touched = np.where(lamps_moved, np.where(seen, TOUCHED_TOO, BETWEEN), np.where(seen, TOUCHED, UNSEEN_TOUCHED))
    steady = 1 - alone - touched
    strange = np.where(odd > 2 * ODD_STRAIGHT, STRANGE, 1e-9)
    return np.log([(1 - odd) * steady, alone / 2, alone / 2, touched, odd * steady, strange * steady])


def _off_together(background):
    """Whether another frame's background is off by about as much: (n,) of bool."""
    near = np.abs(background[:, None] - background) < ALIKE
    return near.sum(axis=1) > 1


@lru_cache(maxsize=64)
def _explanations(count):
    """(k, count) of int8: every choice of states with at most `MOST_ODD` frames not steady, and less than all of them."""
    rows = []
    for size in range(min(MOST_ODD, count - 1) + 1):
        for chosen in combinations(range(count), size):
            for states in product((ALONE_SINCE, ALONE_UNTIL, PRODUCT, UNLIKE_OTHERS, NOT_COMPARED), repeat=size):
                row = np.full(count, STEADY)
                row[list(chosen)] = states
                rows.append(row)
    return np.array(rows, np.int8)
