"""Motion told from defocus: how an edge's width depends on its direction."""

import math

import numpy as np

from catalogue_audit.measures.quantiles import median

BINS = 12  # of 15 degrees each, over 180
FEWEST_IN_BIN = 3  # edges
FEWEST_DIRECTIONS = 4  # occupied bins, for three unknowns
SHARPEST = 0.25  # quantile within a bin: the product's soft edges are not the camera's doing
CLEAR_RATIO = 1.5  # widest direction over the sharpest; below, depth and shading explain it
CLEAR_SHARE = 0.75  # of the variance between directions that the model has to explain
WITHIN_DEGREES = 30.0  # of the motion's direction, and of the one across, edges have to be seen ...
EXTRAPOLATED_DEGREES = 75.0  # ... or of one of them, and of the other within this, where the edges differ beyond doubt:
# a long smear runs the edges that it crosses into one another, and only those along it stay clear
BEYOND_DOUBT = 0.9, 1.35, 16  # the share explained, the ratio of widths seen, and the edges that count
# Edges that count, at least: crossed by the motion (within 60 degrees of it), and along it (beyond 45). Of smears by 2.5 to 12 px
# over bags and photographs 95 % have them; what is taken for one in an unmoved picture mostly rests on less than one clear edge.
CROSSED, ALONG = (60.0, 1.0), (45.0, 1.5)
# A motion widens the sharpest of the edges it crosses too. Of those within so many degrees of it, this quantile of their widths
# over the one that the motion gives is 0.8 or more in moved pictures; where a print's soft stripes or a fringe look like one,
# the label's or the hardware's edges are at 0.15 to 0.5 of it (measured).
WELL_CROSSED, FEW, SHARP_AS_WELL = 40.0, 0.05, 0.6
# A uniform smear has a flat top, as far as it is longer than the lens is wide: `Edges.flatness` falls by up to this below 1,
# half of what it mostly does; shading on bumps, soft prints and a lens out of focus leave it nearer to 1 (measured). Beyond `BEYOND_DOUBT`
# less is asked, in proportion to what the model leaves unexplained, nothing where that is nothing.
FLATTENED = 0.05
ROUNDS = 5  # of re-weighting
FLAT_TOP = 1.53  # matched variance of a long uniform spread over its true variance, L^2 / 12
# (solves 2 a phi(a) = (2 Phi(a) - 1) / 2 for a = L / (2 s), so s = L / 2.8)


def motion_of(sigma, direction, weight=None, flatness=None):
    """
    Length and direction of a straight motion, from edge widths.

    A motion of length L along theta adds L^2/12 cos^2(phi - theta) to the
    variance across an edge whose normal has direction phi, so that variance =
    c0 + c1 cos 2 phi + c2 sin 2 phi; defocus adds the same to all.

    Parameters
    ----------
    sigma : (n,) float
        Edge widths, pixels.
    direction : (n,) float
        Of the edges' normals, radians, 0 along x, + towards y.
    weight : (n,) float, optional
        What each counts, 0 to 1.
    flatness : (n,) float, optional
        As in `measures.segmentation.edges.Edges`; where it is known, the
        smear has to have a flat top, the flatter the less else is beyond doubt.

    Returns
    -------
    length : float
        Pixels; 0 where none is seen; NaN where the edges run in too few directions to tell.
    angle : float
        Degrees, 0 horizontal, + clockwise as seen, in [0, 180); NaN without motion.
    sharp : float
        Width in the sharpest direction, pixels; NaN without motion.
    """
    counts = np.ones(len(sigma)) if weight is None else weight
    place, variance, weight = _by_direction(sigma, direction, np.sqrt(counts))
    if len(place) < FEWEST_DIRECTIONS:
        return math.nan, math.nan, math.nan
    terms = np.stack([np.ones_like(place), np.cos(2 * place), np.sin(2 * place)], axis=1)
    (constant, c, s), fitted = _fit(terms, variance, weight)
    swing = math.hypot(c, s)  # half of the variance that motion adds in its own direction
    floor = max(constant - swing, 0.15)
    explained = _explained(terms @ np.array([constant, c, s]), variance, fitted)
    if math.sqrt((constant + swing) / floor) < CLEAR_RATIO or explained < CLEAR_SHARE:
        return 0.0, math.nan, math.nan
    angle = math.degrees(0.5 * math.atan2(s, c)) % 180
    evidence = explained, math.sqrt(variance.max() / variance.min()), weight.sum()
    if not _is_seen(place, angle, evidence):
        return math.nan, math.nan, math.nan
    if not all(_borne_out(direction, counts, angle)):
        return math.nan, math.nan, math.nan
    if _sharp_ones_are_crossed(sigma, direction, counts, (2 * swing, floor, angle)):
        return 0.0, math.nan, math.nan
    doubt = min((1 - explained) / (1 - BEYOND_DOUBT[0]), 1.0)
    if flatness is not None and not _is_flat(sigma, direction, counts, flatness, (2 * swing, floor, angle), doubt):
        return 0.0, math.nan, math.nan
    return _length(2 * swing, floor), angle, math.sqrt(floor)


def _sharp_ones_are_crossed(sigma, direction, counts, motion):
    """Whether some of the edges that a motion (variance it adds, of the sharp edges, degrees) crosses have stayed sharp."""
    added, floor, angle = motion
    across = np.cos(direction - math.radians(angle)) ** 2
    crossed = across > math.cos(math.radians(WELL_CROSSED)) ** 2
    if not counts[crossed].any():
        return False
    ratio = sigma[crossed] / np.sqrt(floor + added * across[crossed])
    return weighted_quantile(ratio, counts[crossed], FEW) < SHARP_AS_WELL


def _is_flat(sigma, direction, counts, flatness, motion, doubt):
    """Whether the edges that a motion crosses and widens have as much of the flat top of a uniform smear as doubt (up to 1) asks for."""
    added, floor, angle = motion
    across = np.cos(direction - math.radians(angle)) ** 2
    widened = (across > math.cos(math.radians(WELL_CROSSED)) ** 2) & (sigma**2 > added / 4)
    if not counts[widened].any():
        return doubt < 1
    needed = 1 - doubt * FLATTENED * added / (added + 4 * floor)
    return weighted_quantile(flatness[widened], counts[widened], 0.5) < needed


def _is_seen(place, angle, evidence):
    """Whether edges run near to both the widest and the sharpest direction; or near to one, and differ beyond doubt."""
    directions = np.degrees(place)
    near, far = sorted(
        np.min(np.abs((directions - wanted + 90) % 180 - 90)) for wanted in (angle, angle + 90)
    )
    if far < WITHIN_DEGREES:
        return True
    return near < WITHIN_DEGREES and far < EXTRAPOLATED_DEGREES and _is_beyond_doubt(evidence)


def _is_beyond_doubt(evidence):
    return all(here > least for here, least in zip(evidence, BEYOND_DOUBT, strict=True))


def _borne_out(direction, counts, angle):
    """Whether enough clear edges show the widening; and whether enough show the sharpness along it."""
    off = np.abs((np.degrees(direction) - angle + 90) % 180 - 90)
    return counts[off < CROSSED[0]].sum() >= CROSSED[1], counts[off > ALONG[0]].sum() >= ALONG[1]


def smeared_widths(direction, length, angle, sharp):
    """
    Matched widths (pixels) of edges that a uniform smear crosses, by the direction of their normals (radians).

    The inverse of what `motion_of` reads.
    """
    true = length**2 / 12
    added = true * (1 + (FLAT_TOP - 1) * true / (true + 4 * sharp**2))
    return np.sqrt(sharp**2 + added * np.cos(direction - math.radians(angle)) ** 2)


def _by_direction(sigma, direction, weight):
    """Mean direction, sharp variance and weight of each occupied bin."""
    folded = np.mod(direction, np.pi)
    index = np.minimum((folded / np.pi * BINS).astype(int), BINS - 1)
    rows = []
    for k in range(BINS):
        members = index == k
        if members.sum() >= FEWEST_IN_BIN:
            mine = weight[members]
            sharp = weighted_quantile(sigma[members], mine, SHARPEST)
            rows.append((mine @ folded[members] / mine.sum(), sharp**2, min(mine.sum() ** 2 / (mine @ mine), 12)))
    return np.array(rows, float).reshape(-1, 3).T


def weighted_quantile(values, weight, share):
    """
    Quantile of values that count differently.

    Examples
    --------
    >>> weighted_quantile(np.array([3.0, 1.0, 2.0]), np.array([1.0, 1.0, 1.0]), 0.5)
    2.0
    """
    order = np.argsort(values, kind="stable")
    below = np.cumsum(weight[order]) - weight[order] / 2
    return float(np.interp(share * (below[-1] + weight[order[-1]] / 2), below, values[order]))


def _fit(terms, variance, weight):
    """Weighted least squares, re-weighted against bins that stand apart (Huber): coefficients, and the bins' weights."""
    left = weight
    for _ in range(ROUNDS):
        w = np.sqrt(left)
        coefficients = np.linalg.lstsq(terms * w[:, None], variance * w, rcond=None)[0]
        residual = np.abs(variance - terms @ coefficients)
        limit = max(1.5 * float(median(residual)), 0.05)
        left = weight * np.minimum(1, limit / np.maximum(residual, 1e-9))
    return coefficients.tolist(), left


def _explained(model, variance, weight):
    mean = np.average(variance, weights=weight)
    total = np.average((variance - mean) ** 2, weights=weight)
    rest = np.average((variance - model) ** 2, weights=weight)
    return 1 - rest / total if total > 0 else 0.0


def _length(added, floor):
    """Length of a uniform spread from the matched variance it adds to a Gaussian of variance `floor`."""
    ratio = added / (added + 4 * floor)  # a long spread keeps its flat top, a short one is rounded off
    return math.sqrt(12 * added / (1 + (FLAT_TOP - 1) * ratio))
