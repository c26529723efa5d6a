"""
Blur of finished pictures from the structure inside the product, as a mask cut their outlines.

Fine structure over coarse (`measures.surface.structure`) depends on the blur and on what is shown. What it
is without blur is seen in other pictures: of the product, of its style in that view, of all products in
that view. The least fine of these is taken, and its spectrum described by one power of the frequency.
"""

from functools import cache

import numpy as np

FREQUENCIES = np.geomspace(0.004, 0.5, 200)  # cycles a pixel
SCALES = (0.7, 1.4, 2.8)  # px, of `measures.surface.structure`
SIGMAS = np.geomspace(0.2, 8.0, 120)  # px
SLOPES = np.linspace(-1.0, 2.5, 71)  # power spectra fall with the frequency to these powers: 0 for points and grain, 2 for edges
EDGES = 2.0  # plain edges, the coarsest structure that is sharp
FEWEST = 3  # pictures of a view whose middle says what is usual


def inner_blur(frames, sharp):
    """
    Blur inside the products of cut-out pictures.

    What the other pictures show may be finer than what this one shows, so the blur lies between what their
    structure would need to look as this one does, and what plain edges would need: the geometric mean.

    Parameters
    ----------
    frames : DataFrame
        ``fine_detail``, ``sku``, ``style``, ``view``, ``view_kind``.
    sharp : Series of float
        Blur of sharp pictures like each, pixels.

    Returns
    -------
    ndarray
        Gaussian-equivalent sigma, pixels, at least `SIGMAS[0]`; NaN where unknown.
    """
    detail = frames["fine_detail"].to_numpy(float)
    result = np.full(len(frames), np.nan)
    if not np.isfinite(detail).any():
        return result
    crop = frames["view_kind"] == "crop"
    groups = (([frames["sku"], crop], 1), ([frames["style"], frames["view"]], 1), ([frames["view"]], FEWEST))
    others = [_middle_of_others(frames["fine_detail"].groupby(keys), detail, fewest) for keys, fewest in groups]
    usual = np.fmin.reduce(others)
    for i in np.flatnonzero(np.isfinite(usual) & np.isfinite(detail) & np.isfinite(sharp)):
        result[i] = np.sqrt(_sigma(detail[i], _slope(usual[i], sharp.iloc[i])) * _sigma(detail[i], EDGES))
    return result


def _middle_of_others(groups, values, fewest):
    """Median of the others of each one's group, as far as there are so many; else NaN."""
    result = np.full(len(values), np.nan)
    for places in groups.indices.values():
        known = places[np.isfinite(values[places])]
        if len(known) <= fewest:
            continue
        ordered = np.sort(values[known])
        rank = np.searchsorted(ordered, values[known])
        half, odd = divmod(len(ordered) - 1, 2)  # of the others
        above = ordered[half + (rank <= half)]
        result[known] = above if odd else 0.5 * (above + ordered[half - 1 + (rank <= half - 1)])
    return result


@cache
def _ratios():
    """Fine over coarse structure by blur (rows, `SIGMAS`) and power (columns, `SLOPES`)."""
    gains = np.exp(-2 * np.pi**2 * np.square(SCALES)[:, None] * FREQUENCIES**2)
    bands = np.diff(gains, axis=0) ** 2 * np.gradient(FREQUENCIES)
    lens = np.exp(-4 * np.pi**2 * SIGMAS[:, None] ** 2 * FREQUENCIES**2)
    content = FREQUENCIES ** -SLOPES[:, None]
    fine, coarse = np.einsum("sf,pf,bf->bsp", lens, content, bands)
    return np.sqrt(fine / coarse)


def _slope(ratio, sigma):
    """The power at which structure seen with a blur has a ratio of fine over coarse."""
    row = [np.interp(sigma, SIGMAS, column) for column in _ratios().T]
    return float(np.interp(-ratio, np.negative(row), SLOPES))


def _sigma(ratio, slope):
    """The blur at which structure of a power has a ratio of fine over coarse."""
    column = [np.interp(slope, SLOPES, row) for row in _ratios()]
    return float(np.interp(-ratio, np.negative(column), SIGMAS))
