"""
Finest detail that a picture carries, against the finest its pixels could hold.

A lens out of focus lets detail fade slowly with frequency, and leaves full resolution to what
is in focus. An enlarged picture is told by the rhythm that interpolation leaves
(`measures.surface.repeats`), where its edges are as wide as such an enlargement makes them.
Where a product is too smooth for a rhythm, or the blocks of JPEG hide it (at a quarter, three eighths and a half
of the size), its edges may tell: they hold full detail up to the limit of the small picture, and
nothing above but an echo, so their transfer function falls as off a cliff. Cameras sharpen, and
a sharpened picture out of focus falls steeply too; only a cliff steeper than that, or one with
an echo that no lens leaves, and no rise before it, is taken for proof.
"""

import numpy as np

from catalogue_audit.measures.quantiles import median, quantile
from catalogue_audit.measures.surface.motion import weighted_quantile
from catalogue_audit.measures.surface.repeats import rhythm

FREQUENCIES = np.linspace(0.04, 0.5, 47)  # cycles a pixel; 0.5 is the finest
# Frequency of 10 % over that of 50 %: a Gaussian has 1.82, sharpened it has 1.41 to 1.6, cubic enlargement has 1.47 to 1.55,
# Lanczos enlargement 1.33 to 1.4 (measured). Below the first no interpolation leaves a transfer: noise.
NO_TRANSFER, LANCZOS, CUBIC = 1.2, 1.4, 1.55
ECHO, CUBIC_ECHO = 0.008, 0.03  # least median transfer beyond the cliff; lenses leave 0.002 to 0.005, sharpened ones up to 0.03 (measured)
BEYOND = (1.2, 1.7)  # times the frequency of 10 %: where the echo is looked for
LIMIT = {"Lanczos": 1.29, "cubic": 1.4}  # frequency of 10 % over the small picture's own limit (measured)
RISEN = 1.06  # greatest transfer; above, it was sharpened
LIMITS = (0.23, 0.6)  # shares told by a cliff; above, it is the lens's or the camera's own filter
TYPICAL = 0.25  # quantile of the edges' widths that stands for the picture's
SHARPEST = 0.5  # quantile of the edges that are averaged
FEWEST = 30  # of those edges; the mean of fewer has an echo of noise
SHARP = 0.65  # px; edges at least so fine are no enlargement from half of the size or less
FEWEST_INSIDE = 8  # edges within an outline that was cut sharp by a mask; they tell where the outline's own do not
HALF = 0.5  # the share from which on only those are asked: grain and soft seams are nearly as soft as a slighter enlargement
WIDTH = 0.43  # px of the small picture: width of an edge of a sharp picture enlarged (median; linear, cubic and Lanczos, measured) ...
WIDTHS = 0.31, 0.75  # ... and within what it stays, with a soft small picture or a sharpened one
# Of the least of those widths, what the narrowest tenth of the edges (by weight) may have: no pixel of an enlargement is sharper than it,
# while a print's or relief's own soft edges leave crisp ones beside them (31 true ones have 1.0 at least, the false one 0.55; measured).
NARROWEST, LEAST_OF_IT = 0.1, 0.8
SHARES = 0.2, 0.8  # sought; below, the rhythm is the product's own, above, it hardly is an enlargement
CLEAR = 3.5  # strength of a rhythm at one of those shares; by chance in one picture of some hundreds (measured)
SURE = 5.0  # the same that no picture has by chance; asked where a mask cut the outline, so that few edges tell


def resolved_fraction(edges, encoded, moved=False, within=None):
    """
    Share of the pixels' resolution that the picture's detail fills.

    Parameters
    ----------
    edges : Edges
        At least one.
    encoded : (H, W, 3) uint8
    moved : bool
        Whether the edges show motion, which cuts detail off as steeply as an enlargement.
    within : (m,) array, optional
        Widths of edges well within the product, pixels, where a mask may have cut its
        outline: one that did so after the enlargement left these as they were.

    Returns
    -------
    float
        1 where no enlargement is seen; else the linear size of the small picture
        over this one's.

    References
    ----------
    .. [1] ISO 12233, edge-based spatial frequency response: transform of the line spread, frequencies
       at 50 % and 10 %.
    """
    width = quantile(edges.sigma, TYPICAL)
    inner = quantile(within, TYPICAL) if within is not None and len(within) >= FEWEST_INSIDE else np.nan
    sharp = edges.sigma <= quantile(edges.sigma, SHARPEST)
    response = transfer(edges.spread[sharp], edges.centre[sharp]) if width > SHARP and sharp.sum() >= FEWEST else None
    if width <= SHARP:
        share = share_by_rhythm(*rhythm(encoded), inner, SURE) if inner > WIDTH / HALF else np.nan
        share = share if share < HALF else np.nan
    else:
        share = share_by_rhythm(*rhythm(encoded), width, tenth=np.nan if response is None else _falls_below(response, 0.1))
        if weighted_quantile(edges.sigma, edges.weight, NARROWEST) < LEAST_OF_IT * WIDTHS[0] / share:
            share = np.nan
    if np.isfinite(share):
        return share
    return 1.0 if moved or response is None else _share_by_cliff(response)


def _share_by_cliff(response):
    """The share up to which a mean transfer function is whole, if it ends as an enlargement's does; else 1."""
    half, tenth = _falls_below(response, 0.5), _falls_below(response, 0.1)
    if not np.isfinite(tenth) or response.max() > RISEN or not NO_TRANSFER < tenth / half < CUBIC:
        return 1.0
    beyond = (FREQUENCIES > BEYOND[0] * tenth) & (FREQUENCIES < BEYOND[1] * tenth)
    echo = float(median(np.abs(response[beyond]))) if beyond.sum() > 2 else np.inf
    kind = "Lanczos" if tenth / half <= LANCZOS else "cubic"
    share = 2 * tenth / LIMIT[kind]
    seen = echo > (ECHO if kind == "Lanczos" else CUBIC_ECHO)
    return float(share) if seen and LIMITS[0] < share < LIMITS[1] else 1.0


def share_by_rhythm(frequency, strength, width, clear=CLEAR, tenth=np.nan):
    """
    The share at which a clear rhythm repeats, among those that leave edges so wide.

    A share above 0.5 repeats at 1 less that; of the two, the one that fits the edges better is taken: the frequency
    at which their transfer has fallen to 10 % (``tenth``, cycles a pixel), which lies at the small picture's own limit
    however sharp it was, or else their width.

    Returns
    -------
    float
        NaN where no rhythm is clear.

    Examples
    --------
    >>> at = np.linspace(0, 0.5, 501)
    >>> round(share_by_rhythm(at, np.where(abs(at - 0.4) < 0.001, 9.0, 1.0), 1.1), 3)
    0.4
    """
    if not len(frequency):
        return np.nan
    least, most = max(SHARES[0], WIDTHS[0] / width), min(SHARES[1], WIDTHS[1] / width)
    possible = ((frequency > least) & (frequency < most)) | ((1 - frequency > least) & (1 - frequency < most))
    if not possible.any():
        return np.nan
    peak = int(np.argmax(np.where(possible, strength, 0)))
    if strength[peak] < clear:
        return np.nan
    shares = [share for share in (frequency[peak], 1 - frequency[peak]) if least < share < most]
    expected = 2 * tenth / np.mean(list(LIMIT.values())) if np.isfinite(tenth) else WIDTH / width
    return float(min(shares, key=lambda share: abs(np.log(share / expected))))


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
