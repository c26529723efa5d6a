"""
Which pictures of one shape are tilted, by their keystones beside each other.

Two pictures tell by how much their tilts differ, and not which of them is tilted. Of three and more the odd one is. All ways are weighed in
which none, one or another of the others, or both pictures of one product, are tilted.
"""

import itertools

import numpy as np

FAR_OFF, FAR_SD = 0.005, 0.25  # share of pairs that something else makes differ, and by how much: sine
SCALES = (0.5, 1.0)  # times what keystones state, that a shape's pieces repeat: its own pairs say which, each as likely
TINY = 1e-300  # what has no weight has at least a logarithm
UPRIGHT_DEG = 1.5  # a smaller tilt is none


def told_by_others(tilts_deg, pairs, feet, own, products, upright_sd_deg):
    """
    What the keystones of one shape's pictures tell of each picture's tilt.

    Parameters
    ----------
    tilts_deg : (m,) float
        Evenly spaced, with 0.
    pairs : dict of (int, int) to (float, float)
        Of two pictures the sine of one's tilt less that of the other, and its standard uncertainty.
    feet : dict of (int, int) to (m, m) float
        Likelihood of both tilts by all else that is compared.
    own : list of (m,) float
        Weight of each picture's tilts by all else.
    products : list
        Whose picture each is.
    upright_sd_deg : float
        How upright those are that stand upright.

    Returns
    -------
    list of (m,) float
        Likelihood of each picture's tilts, its own weight left out. Each picture enters several pairs: together they count as independent comparisons as there are.
    """
    scales = [_told(tilts_deg, {two: (sine, scale * sd) for two, (sine, sd) in pairs.items()}, feet, own, products, upright_sd_deg) for scale in SCALES]
    weights = np.logaddexp.reduce(scales, axis=0)
    return list(np.exp(weights - weights.max(axis=1, keepdims=True)))


def _told(tilts_deg, pairs, feet, own, products, upright_sd_deg):
    """(n, m) log likelihood of each picture's tilts, for one scatter of the shape."""
    count, upright = len(own), np.abs(tilts_deg) <= UPRIGHT_DEG
    likely = _likelihoods(np.sin(np.radians(tilts_deg)), pairs, feet, count, np.sin(np.radians(upright_sd_deg)))
    stands = [np.log(weights[upright].sum() + TINY) for weights in own]
    leans = [np.log(np.where(upright, 0.0, weights) + TINY) for weights in own]
    found = []
    for place in range(count):
        others = [other for other in range(count) if other != place]
        ways = [_all_upright(likely, place, others, stands)]
        ways += [_with_one(likely, place, other, others, stands, leans) for other in others]
        for two in itertools.combinations(others, 2):
            if products[two[0]] == products[two[1]]:
                ways.append(_with_two(likely, place, two, others, stands, leans))
        found.append(np.logaddexp.reduce(ways, axis=0))
    return np.array(found)


def _likelihoods(sines, pairs, feet, count, upright_sd):
    """(count, count) of (m, m): log likelihood of both tilts, or None; and the row of upright ones."""
    table = {}
    for (one, other), (sine, sd) in pairs.items():
        off, sd = sine - (sines[:, None] - sines), np.hypot(sd, upright_sd)
        like = (1 - FAR_OFF) * np.exp(-0.5 * (off / sd) ** 2) / sd + FAR_OFF * np.exp(-0.5 * (sine / FAR_SD) ** 2) / FAR_SD
        table[one, other] = min(1.0, (count - 1) / len(pairs)) * np.log(like)
    for two, like in feet.items():
        table[two] = table.get(two, 0.0) + min(1.0, (count - 1) / len(feet)) * np.log(like + TINY)
    table |= {(other, one): like.T for (one, other), like in table.items()}
    flat = np.zeros((len(sines), len(sines)))
    return lambda one, other: table.get((one, other), flat)


def _beside_upright(likely, place, others):
    """(m,) log likelihood of one picture's tilts where all others stand upright."""
    zero = likely(place, place).shape[0] // 2
    return sum((likely(place, other)[:, zero] for other in others), np.zeros(2 * zero + 1))


def _rest(likely, others):
    """Log likelihood of upright pictures beside each other."""
    zero = likely(0, 0).shape[0] // 2
    return sum(likely(*two)[zero, zero] for two in itertools.combinations(others, 2))


def _all_upright(likely, place, others, stands):
    return _beside_upright(likely, place, others) + _rest(likely, others) + sum(stands[other] for other in others)


def _with_one(likely, place, tilted, others, stands, leans):
    """(m,) log weight of one picture's tilts where one of the others is tilted."""
    rest = [other for other in others if other != tilted]
    its = leans[tilted] + _beside_upright(likely, tilted, rest)
    both = np.logaddexp.reduce(likely(place, tilted) + its, axis=1)
    return both + _beside_upright(likely, place, rest) + _rest(likely, rest) + sum(stands[other] for other in rest)


def _with_two(likely, place, two, others, stands, leans):
    """The same where two of the others are."""
    rest = [other for other in others if other not in two]
    first, second = (leans[each] + _beside_upright(likely, each, rest) for each in two)
    pair = likely(*two) + first[:, None] + second
    peak = pair.max()
    weights = np.exp(likely(place, two[0])) @ np.exp(pair - peak)
    both = np.log((weights * np.exp(likely(place, two[1]))).sum(axis=1) + TINY) + peak
    return both + _beside_upright(likely, place, rest) + _rest(likely, rest) + sum(stands[other] for other in rest)
