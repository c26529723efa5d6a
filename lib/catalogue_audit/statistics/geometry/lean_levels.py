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
    """
    (n, m) log likelihood of each picture's tilts, for one scatter of the shape.

    Most pairs were not compared, and nothing in what they add depends on both: their sum is made once for all, so that the work grows with the pictures.
    """
    count, upright = len(own), np.abs(tilts_deg) <= UPRIGHT_DEG
    shape = _Shape(_likelihoods(np.sin(np.radians(tilts_deg)), pairs, feet, count, np.sin(np.radians(upright_sd_deg))), own, upright)
    two = _of_one_product(products)
    alone = np.array([_log_sum(shape.leans[tilted] + shape.beside[tilted]) for tilted in range(count)])
    alone_two = np.array([shape.both_tilted(*pair) for pair in two])
    left_out = np.array([shape.without(tilted) for tilted in range(count)])
    left_out_two = np.array([shape.without(*pair) for pair in two])
    found = []
    for place in range(count):
        near = {place, *shape.near[place]}
        far = np.array([tilted not in near for tilted in range(count)])
        far_two = np.array([not near.intersection(pair) for pair in two], dtype=bool)
        ways = [0.0, *(alone + left_out)[far], *(alone_two + left_out_two)[far_two]] if two else [0.0, *(alone + left_out)[far]]
        ways = [np.full(len(tilts_deg), _log_sum(np.array(ways)))]
        ways += [shape.with_one(place, tilted) + shape.without(tilted, beside=place) for tilted in shape.near[place]]
        ways += [shape.with_two(place, *pair) + shape.without(*pair, beside=place) for pair, away in zip(two, far_two, strict=True) if not away and place not in pair]
        found.append(shape.beside[place] + shape.without(place) + shape.upright + np.logaddexp.reduce(ways, axis=0))
    return np.array(found)


def _of_one_product(products):
    """Pairs of numbers of pictures of one product."""
    of_product = {}
    for number, product in enumerate(products):
        of_product.setdefault(product, []).append(number)
    return [pair for numbers in of_product.values() for pair in itertools.combinations(numbers, 2)]


def _likelihoods(sines, pairs, feet, count, upright_sd):
    """(one, other) to (m, m): log likelihood of the tilts of two pictures that were compared."""
    table = {}
    for (one, other), (sine, sd) in pairs.items():
        off, sd = sine - (sines[:, None] - sines), np.hypot(sd, upright_sd)
        like = (1 - FAR_OFF) * np.exp(-0.5 * (off / sd) ** 2) / sd + FAR_OFF * np.exp(-0.5 * (sine / FAR_SD) ** 2) / FAR_SD
        table[one, other] = min(1.0, (count - 1) / len(pairs)) * np.log(like)
    for two, like in feet.items():
        table[two] = table.get(two, 0.0) + min(1.0, (count - 1) / len(feet)) * np.log(like + TINY)
    return table | {(other, one): like.T for (one, other), like in table.items()}


def _log_sum(values):
    """Logarithm of the sum of exponentials."""
    return np.logaddexp.reduce(values)


class _Shape:
    """
    The pictures of one shape: log weights of standing upright and of each tilt, and by their comparisons.

    ``beside`` (n, m) is what all comparisons say of each picture's tilts where all others stand upright, ``upright`` what all pictures weigh upright.
    """

    def __init__(self, likely, own, upright):
        self._likely, self._flat = likely, np.zeros((upright.size, upright.size))
        self._zero = upright.size // 2
        self.near = [[] for _ in own]
        for one, other in likely:
            self.near[one].append(other)
        self.leans = [np.log(np.where(upright, 0.0, weights) + TINY) for weights in own]
        self.beside = [sum((self._beside(place, other) for other in near), np.zeros(upright.size)) for place, near in enumerate(self.near)]
        self._stands = [float(np.log(weights[upright].sum() + TINY)) for weights in own]
        self._shared = [float(beside[self._zero]) for beside in self.beside]
        self.upright = sum(self._stands) + 0.5 * sum(self._shared)

    def likely(self, one, other):
        """(m, m) log likelihood of both tilts; nothing where they were not compared."""
        return self._likely.get((one, other), self._flat)

    def _beside(self, one, other):
        """(m,) the same where the other stands upright."""
        return self.likely(one, other)[:, self._zero]

    def without(self, *places, beside=None):
        """What some pictures weigh less upright, beside another that is left out already."""
        pairs = [*itertools.combinations(places, 2), *((place, beside) for place in places if beside is not None)]
        between = sum(self.likely(*two)[self._zero, self._zero] for two in pairs)
        return float(between) - sum(self._shared[place] + self._stands[place] for place in places)

    def with_one(self, place, tilted):
        """(m,) log weight of one picture's tilts where one of the others is tilted, beside that where all are upright."""
        its = self.leans[tilted] + self.beside[tilted] - self._beside(tilted, place)
        return np.logaddexp.reduce(self.likely(place, tilted) + its, axis=1) - self._beside(place, tilted)

    def _pair(self, two, but=None):
        """(m, m) log weight of the tilts of two pictures, by their comparisons with all others but one."""
        first, second = (self.leans[one] + self.beside[one] - self._beside(one, other) for one, other in (two, two[::-1]))
        if but is not None:
            first, second = (each - self._beside(one, but) for each, one in zip((first, second), two, strict=True))
        return self.likely(*two) + first[:, None] + second

    def both_tilted(self, *two):
        """Log weight of two pictures' tilts, whatever they are."""
        return _log_sum(self._pair(two).ravel())

    def with_two(self, place, *two):
        """(m,) log weight of one picture's tilts where two of the others are tilted, beside that where all are upright."""
        pair = self._pair(two, place)
        peak = pair.max()
        weights = np.exp(self.likely(place, two[0])) @ np.exp(pair - peak)
        both = np.log((weights * np.exp(self.likely(place, two[1]))).sum(axis=1) + TINY) + peak
        return both - self._beside(place, two[0]) - self._beside(place, two[1])
