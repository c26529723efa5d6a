"""Motion told from defocus: how an edge's width depends on its direction."""

import math

import numpy as np

BINS = 12  # of 15 degrees each, over 180
FEWEST_IN_BIN = 3  # edges
FEWEST_DIRECTIONS = 4  # occupied bins, for three unknowns
SHARPEST = 0.35  # quantile within a bin: the product's soft edges are not the camera's doing
CLEAR_RATIO = 1.3  # widest direction over the sharpest; below, depth and shading explain it
CLEAR_SHARE = 0.75  # of the variance between directions that the model has to explain
WITHIN_DEGREES = 30.0  # of the motion's direction, and of the one across, edges have to be seen
FLAT_TOP = 1.53  # matched variance of a long uniform spread over its true variance, L^2 / 12
# (solves 2 a phi(a) = (2 Phi(a) - 1) / 2 for a = L / (2 s), so s = L / 2.8)


def motion_of(sigma, direction):
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

    Returns
    -------
    length : float
        Pixels; 0 where none is seen; NaN where the edges run in too few directions to tell.
    angle : float
        Degrees, 0 horizontal, + clockwise as seen, in [0, 180); NaN without motion.
    sharp : float
        Width in the sharpest direction, pixels; NaN without motion.
    """
    place, variance, weight = _by_direction(sigma, direction)
    if len(place) < FEWEST_DIRECTIONS:
        return math.nan, math.nan, math.nan
    terms = np.stack([np.ones_like(place), np.cos(2 * place), np.sin(2 * place)], axis=1)
    constant, c, s = _fit(terms, variance, weight)
    swing = math.hypot(c, s)  # half of the variance that motion adds in its own direction
    floor = max(constant - swing, 0.15)
    explained = _explained(terms @ np.array([constant, c, s]), variance, weight)
    if math.sqrt((constant + swing) / floor) < CLEAR_RATIO or explained < CLEAR_SHARE:
        return 0.0, math.nan, math.nan
    angle = math.degrees(0.5 * math.atan2(s, c)) % 180
    if not _is_seen(place, angle):
        return math.nan, math.nan, math.nan
    return _length(2 * swing, floor), angle, math.sqrt(floor)


def _is_seen(place, angle):
    """Whether edges run near to both the widest and the sharpest direction, so that neither is extrapolated."""
    directions = np.degrees(place)
    return all(
        np.min(np.abs((directions - wanted + 90) % 180 - 90)) < WITHIN_DEGREES for wanted in (angle, angle + 90)
    )


def _by_direction(sigma, direction):
    """Mean direction, sharp variance and weight of each occupied bin."""
    folded = np.mod(direction, np.pi)
    index = np.minimum((folded / np.pi * BINS).astype(int), BINS - 1)
    rows = []
    for k in range(BINS):
        members = index == k
        count = int(members.sum())
        if count >= FEWEST_IN_BIN:
            rows.append((folded[members].mean(), _quantile(sigma[members], SHARPEST) ** 2, min(count, 12)))
    return np.array(rows, float).reshape(-1, 3).T


def _quantile(values, share):
    """As `np.quantile`, many times faster over few values."""
    ordered = np.sort(values)
    return np.interp(share * (len(ordered) - 1), np.arange(len(ordered)), ordered)


def _fit(terms, variance, weight):
    """Weighted least squares, twice re-weighted against bins that stand apart (Huber)."""
    w = np.sqrt(weight)
    for _ in range(3):
        coefficients = np.linalg.lstsq(terms * w[:, None], variance * w, rcond=None)[0]
        residual = np.abs(variance - terms @ coefficients)
        limit = max(1.5 * float(np.median(residual)), 0.05)
        w = np.sqrt(weight * np.minimum(1, limit / np.maximum(residual, 1e-9)))
    return (float(value) for value in coefficients)


def _explained(model, variance, weight):
    mean = np.average(variance, weights=weight)
    total = np.average((variance - mean) ** 2, weights=weight)
    rest = np.average((variance - model) ** 2, weights=weight)
    return 1 - rest / total if total > 0 else 0.0


def _length(added, floor):
    """Length of a uniform spread from the matched variance it adds to a Gaussian of variance `floor`."""
    ratio = added / (added + 4 * floor)  # a long spread keeps its flat top, a short one is rounded off
    return math.sqrt(12 * added / (1 + (FLAT_TOP - 1) * ratio))
