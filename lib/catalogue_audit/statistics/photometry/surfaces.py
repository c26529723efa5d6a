"""
How much brighter a product is in one view than in another, by the surfaces that both show.

Two views show different shares of leather, lining and hardware, so that means and medians differ under
the same light. Each view's pixels are therefore sorted into cells of equal chromaticity, which light does not
change, and each cell's luminances into a histogram on a log scale, on which light is a shift. The shift at which
the histograms of all cells that both views have overlap best is the difference of light; what only one of
them shows overlaps with nothing and does not count. Burnt-out pixels are of no cell: their share is compared with the share of the darker
view that would burn out under as much light.
"""

from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit.pixels.colour import LINEAR_TO_XYZ, lab_function, srgb_decode

FEWEST, ENOUGH = 200, 3000  # pixels of a thumbnail
DECODED = srgb_decode(np.arange(256) / 255.0)
WHITE = LINEAR_TO_XYZ.sum(axis=1)
DARKEST = 2e-4  # linear light; below, 8 bits hold no more
MIDDLE = float(lab_function(((50 + 16) / 116) ** 3))  # f(Y) at L* 50, to which chromaticities are scaled
CELL, SIDE = 5.0, 64  # CIELAB a*, b* at L* 50 of a cell, and cells a side: a* and b* within 160
LEAST = 0.003  # of the pixels; a cell with less is noise
STEP, LOWEST, STEPS = 0.05, -12.5, 256  # EV
SMOOTH = np.exp(-0.5 * (np.arange(-4, 5) / 1.5) ** 2, dtype=np.float32)
FURTHEST = 1.75  # EV to either side
USUAL_STRAIGHT_WIDTH = 0.1  # EV; the same of two views that stand alike, whose difference is the surer the narrower the overlap
USUAL_WIDTH = 0.22  # EV, of the top of the overlap (`TOP`) for a smooth matt product; lacquer and metal have more
TOP = 0.97
RIVAL_APART, RIVAL_SD = 0.3, 0.05  # EV from the best shift on, another one is a rival; by so much the overlap of the same surfaces differs by nature (0.83 to 0.98)
AT_TOP = 250  # code value from which a pixel is burnt out, a margin for JPEG left: it may be of any luminance above, and any chromaticity
HALF_A_STOP, A_STOP = 218, 188  # sRGB code values so far below the top of the scale


class Surfaces(NamedTuple):
    """
    Luminances by chromaticity.

    Attributes
    ----------
    cells : (k,) ndarray of int
        Occupied cells, ascending.
    spectra : (k, STEPS + 1) ndarray of complex
        Fourier transforms of the roots of their histograms.
    level : float
        Median of log2 luminance.
    burnt : (FURTHEST / STEP + 1,) ndarray
        Share of the pixels at the top of the scale under so many steps more light.
    """

    cells: np.ndarray
    spectra: np.ndarray
    level: float
    burnt: np.ndarray


def surfaces(sketch, crop, gains=(1.0, 1.0), blank=False):
    """
    Surfaces of a picture.

    Parameters
    ----------
    sketch : mapping of str to ndarray
        ``thumb``, and for whole products ``mask``.
    crop : bool
        The product fills the frame, so the whole of it counts: a piece of sweep matches no view of the product.
    gains : (2,) sequence of float
        Gains of red and blue that take the picture's white balance off.
    blank : bool
        Pure white counts as what is behind the product, and not as burnt out.

    Returns
    -------
    Surfaces or None
        None where too little is seen.
    """
    pixels = product_pixels(sketch, crop)
    if blank and pixels is not None:
        pixels = pixels[pixels.min(axis=1) < AT_TOP]
    if pixels is None or len(pixels) < FEWEST:
        return None
    pixels = pixels[:: max(1, len(pixels) // ENOUGH)]
    xyz = (DECODED[pixels] * (gains[0], 1.0, gains[1])) @ LINEAR_TO_XYZ.T / WHITE
    luminance = np.maximum(xyz[:, 1], DARKEST)
    a = 500 * MIDDLE * (np.cbrt(xyz[:, 0] / luminance) - 1)
    b = 200 * MIDDLE * (1 - np.cbrt(xyz[:, 2] / luminance))
    light, shown = np.log2(luminance), pixels.max(axis=1) < AT_TOP
    cells, histograms = _histograms((a / CELL + SIDE / 2)[shown], (b / CELL + SIDE / 2)[shown], (light[shown] - LOWEST) / STEP, len(light))
    roots = np.sqrt(np.maximum(histograms, 0))
    return Surfaces(cells, np.fft.rfft(roots, 2 * STEPS, axis=1), float(np.median(light)), _burnt_under_more(pixels))


def _burnt_under_more(pixels):
    """Share of pixels (n, 3) that reach the top of the scale under 0, 1, 2 ... steps more light: (FURTHEST / STEP + 1,)."""
    room = np.log2(DECODED[AT_TOP]) - np.log2(np.maximum(DECODED[pixels.max(axis=1)], DARKEST))
    steps = np.arange(round(FURTHEST / STEP) + 1) * STEP
    return np.searchsorted(np.sort(room), steps, side="right") / len(room)


def brighter(first, second):
    """
    By how much one view's surfaces are brighter than the same surfaces in another view.

    Parameters
    ----------
    first, second : Surfaces

    Returns
    -------
    ev : float
        NaN where they share nothing.
    likeness : float
        Overlap of the two, 0 to 1 (Bhattacharyya coefficient).
    width : float
        EV over which the overlap stays above `TOP` of its best.
    doubt : float
        EV, standard deviation between the best shift and its strongest rival: a back without the front's panel may be laid over that
        panel's surfaces about as well as over its own.

    References
    ----------
    .. [1] A. Bhattacharyya, "On a measure of divergence between two statistical populations defined by their
       probability distributions", Bull. Calcutta Math. Soc. 35:99-109, 1943.
    """
    _, own, other = np.intersect1d(first.cells, second.cells, assume_unique=True, return_indices=True)
    if not len(own):
        return np.nan, 0.0, np.nan, np.nan
    product = np.einsum("ij,ij->j", first.spectra[own], second.spectra[other].conj())
    overlap = np.fft.irfft(product, 2 * STEPS)
    reach = round(FURTHEST / STEP)
    overlap = np.concatenate([overlap[-reach:], overlap[: reach + 1]])
    overlap[reach:] += np.sqrt(first.burnt[0] * second.burnt)  # what would burn out in the darker picture under the brighter one's light
    overlap[: reach + 1] += np.sqrt(first.burnt[::-1] * second.burnt[0])
    overlap[reach] -= np.sqrt(first.burnt[0] * second.burnt[0])
    best = int(np.argmax(overlap))
    if best in (0, 2 * reach) or overlap[best] <= 0:
        return np.nan, 0.0, np.nan, np.nan
    left, middle, right = overlap[best - 1 : best + 2]
    bend = left - 2 * middle + right
    place = best + (0.5 * (left - right) / bend if bend < 0 else 0.0)  # vertex of the parabola through the three
    width = _falls(overlap[best:], TOP * middle) + _falls(overlap[best::-1], TOP * middle)
    return float((place - reach) * STEP), float(middle), width * STEP, _doubt(overlap, best)


def _doubt(overlap, best):
    """EV by which the shift is unsure between the best and the next summit of the overlap, `RIVAL_APART` off; the likelier the less they differ."""
    summits = 1 + np.flatnonzero((overlap[1:-1] > overlap[:-2]) & (overlap[1:-1] >= overlap[2:]))
    rivals = summits[np.abs(summits - best) * STEP > RIVAL_APART]
    if not len(rivals):
        return 0.0
    rival = rivals[np.argmax(overlap[rivals])]
    share = 1 / (1 + np.exp(float(overlap[best] - overlap[rival]) / RIVAL_SD))
    return float(abs(rival - best) * STEP * np.sqrt(share * (1 - share)))


def _falls(values, level):
    """After how many steps values fall to a level, between two by a straight line; all of them where they never do."""
    below = np.flatnonzero(values <= level)
    if not len(below):
        return float(len(values) - 1)
    last = int(below[0]) - 1
    return last + float((values[last] - level) / (values[last] - values[last + 1]))


def product_pixels(sketch, crop):
    """sRGB values of the product in the thumbnail without its edge, (n, 3) uint8; None where it is not known."""
    thumb, mask = sketch.get("thumb"), sketch.get("mask")
    if thumb is None or crop:
        return None if thumb is None else thumb.reshape(-1, 3)
    if mask is None:
        return None
    height, width = thumb.shape[:2]
    full = cv2.resize(np.ascontiguousarray(mask).view(np.uint8) * 255, (width, height), interpolation=cv2.INTER_AREA)
    inside = (full == 255).astype(np.uint8)
    inner = cv2.erode(inside, np.ones((3, 3), np.uint8), borderValue=1)
    return thumb[(inner if inner.sum() >= 0.3 * inside.sum() else inside) > 0]


def near_top_share(sketch, near=HALF_A_STOP, white=False):
    """Share of a whole product one channel of which (all of them if ``white``) is at least as ``near`` the top of the scale; NaN where it is not known."""
    pixels = product_pixels(sketch, False)
    if pixels is None or not len(pixels):
        return np.nan
    return float(((pixels.min(axis=1) if white else pixels.max(axis=1)) >= near).mean())


def _histograms(a, b, light, count):
    """
    Histograms of light by cell, each pixel shared out among the four cells nearest to it.

    Parameters
    ----------
    a, b, light : (n,) ndarray
        In cells, cells and steps.
    count : int
        Pixels of the whole product, those at the top of the scale included.

    Returns
    -------
    cells : (k,) ndarray of int
    histograms : (k, STEPS) ndarray of float32
        Smoothed; together they sum to about the share that is counted. None
        of a product that reaches the top of the scale throughout.
    """
    column, row = np.clip(np.floor(a), 0, SIDE - 2), np.clip(np.floor(b), 0, SIDE - 2)
    right, down = np.clip(a - column, 0, 1), np.clip(b - row, 0, 1)
    cell = (column * SIDE + row).astype(np.int64)
    near = np.concatenate([cell, cell + 1, cell + SIDE, cell + SIDE + 1])
    share = np.concatenate([(1 - right) * (1 - down), (1 - right) * down, right * (1 - down), right * down])
    cells = np.flatnonzero(np.bincount(near, share, SIDE * SIDE) > LEAST * count)
    number = np.full(SIDE * SIDE, -1)
    number[cells] = np.arange(len(cells))
    step = np.tile(np.clip(light, 0, STEPS - 1).astype(np.int64), 4)
    place, counted = number[near] * STEPS + step, number[near] >= 0
    counts = np.bincount(place[counted], share[counted], len(cells) * STEPS).reshape(-1, STEPS)
    kernel = SMOOTH / SMOOTH.sum()
    flat = (counts / count).astype(np.float32)
    if not len(cells):  # OpenCV refuses an array of nothing
        return cells, flat
    return cells, cv2.sepFilter2D(flat, -1, kernel, np.ones(1, np.float32), borderType=cv2.BORDER_CONSTANT)
