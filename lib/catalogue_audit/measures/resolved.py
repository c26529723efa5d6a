"""
Finest detail that a picture's edges carry, against the finest its pixels could hold.

A lens out of focus lets detail fade slowly with frequency. An enlarged picture is told by
the rhythm that interpolation leaves (`measures.repeats`), where its edges are as wide as such
an enlargement makes them. Where a product is too smooth for a rhythm, its edges tell: they have
full detail up to the limit of the small picture, and nothing above but a faint echo; their
transfer function falls as off a cliff, and comes back a little beyond. Everything else counts as
resolved. A cliff alone is no proof: cameras sharpen, and a sharpened picture out of focus falls steeply too.
"""

import numpy as np

from catalogue_audit.measures.quantiles import median, quantile
from catalogue_audit.measures.repeats import repeats

FREQUENCIES = np.linspace(0.04, 0.5, 47)  # cycles a pixel; 0.5 is the finest
CLIFF = 1.61  # frequency of 10 % over that of 50 %; a Gaussian has 1.82, cubic enlargement 1.48 to 1.58
ENLARGED = 1.4  # frequency of 10 % over the small picture's own limit, for cubic and Lanczos enlargement (measured)
ECHO = 0.008  # median transfer beyond the cliff; lenses leave 0.002 to 0.005, interpolation 0.01 to 0.07 (measured)
BEYOND = (1.2, 1.7)  # times the frequency of 10 %: where the echo is looked for
LIMITS = (0.27, 0.6)  # below, it is a lens far out of focus; above, the lens or the camera's own filter
SHARPEST = 0.5  # quantile of the edges that are averaged
FEWEST = 9  # of those edges; the tail of the mean of fewer is noise
SHARP = 0.7  # px; edges at least so fine are no enlargement from half of the size or less
EDGE = 0.49  # px: width of an edge that an enlargement leaves, times its share (of cubic and Lanczos, with the lens's own; measured)
AGREES = 0.55, 1.6  # share by the edges' width over the share by the rhythm: a soft small picture, a sharpened one
STEEPEST = 1.2  # the same ratio, below which no interpolation leaves a transfer: noise again


def resolved_fraction(edges, encoded, moved=False):
    """
    Share of the pixels' resolution that the picture's detail fills.

    Parameters
    ----------
    edges : Edges
        At least one.
    encoded : (H, W, 3) uint8
    moved : bool
        Whether the edges show motion, which cuts detail off as steeply as an enlargement.

    Returns
    -------
    float
        1 where neither rhythm nor cliff is seen; else the linear size of the
        small picture over this one's, by the rhythm, or by the frequency at
        which 10 % of the contrast is left. NaN with too few edges and no rhythm.

    References
    ----------
    .. [1] ISO 12233, edge-based spatial frequency response: transform of the line spread, frequencies
       at 50 % and 10 %.
    """
    width = quantile(edges.sigma, SHARPEST / 2)
    if width > SHARP:
        share = _share_by_rhythm(repeats(encoded), EDGE / width)
        if np.isfinite(share):
            return share
    if moved:
        return 1.0
    sharp = edges.sigma <= quantile(edges.sigma, SHARPEST)
    if sharp.sum() < FEWEST:
        return np.nan
    response = transfer(edges.spread[sharp], edges.centre[sharp])
    half, tenth = _falls_below(response, 0.5), _falls_below(response, 0.1)
    share = 2 * tenth / ENLARGED
    if not np.isfinite(half + tenth) or not STEEPEST < tenth / half <= CLIFF or not LIMITS[0] < share < LIMITS[1]:
        return 1.0
    beyond = (FREQUENCIES > BEYOND[0] * tenth) & (FREQUENCIES < BEYOND[1] * tenth)
    if beyond.sum() > 2 and median(np.abs(response[beyond])) < ECHO:
        return 1.0
    return float(share)


def _share_by_rhythm(frequency, by_width):
    """The share that a rhythm, which may be folded at 0.5, and the edges' width agree on; NaN where they do not."""
    shares = np.array([frequency, 1 - frequency])
    agreeing = shares[(by_width > AGREES[0] * shares) & (by_width < AGREES[1] * shares)]
    return float(agreeing[np.argmin(np.abs(np.log(agreeing / by_width)))]) if len(agreeing) else np.nan


def transfer(spread, centre):
    """
    Mean modulation transfer of line spreads at `FREQUENCIES`.

    Parameters
    ----------
    spread : (n, k) array
        A sample a pixel, differences of neighbouring pixels.
    centre : (n,) array
        Place of the edge, samples.

    Returns
    -------
    (47,) ndarray
    """
    at = np.arange(spread.shape[1], dtype=np.float32) - np.asarray(centre, np.float32)[:, None]
    reach = spread.shape[1] / 2
    window = np.cos(np.clip(np.abs(at) / reach, 0, 1) * np.pi / 2) ** 2
    phase = at[None] * (2 * np.pi * FREQUENCIES).astype(np.float32)[:, None, None]
    wave = (np.cos(phase) * (window * spread)).sum(axis=2)
    mass = (window * spread).sum(axis=1)
    return median(wave / mass) / np.sinc(FREQUENCIES)  # the difference averages over one pixel


def _falls_below(response, level):
    """First frequency at which the response has fallen to a level; NaN where it does not."""
    below = np.flatnonzero(response < level)
    if not len(below):
        return np.nan
    k = below[0]
    if k == 0:
        return FREQUENCIES[0]
    high, low = response[k - 1], response[k]
    return FREQUENCIES[k - 1] + (high - level) / (high - low) * (FREQUENCIES[k] - FREQUENCIES[k - 1])
