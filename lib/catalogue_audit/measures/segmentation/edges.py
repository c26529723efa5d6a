"""
Edge profiles: the clearest edges of a picture, sampled across at full resolution.

Candidates come from the reduced picture, where gradients are cheap; only their
profiles are read from the full-resolution pixels. A lens spreads light and not code
values, so profiles are taken in linear light (the sRGB curve): of code values, the
edge of a black product on white looks 15 % wider than a faint seam on it.
"""

from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import quantile
from catalogue_audit.pixels.profiles import SRGB_CURVE

BLOCK = 8  # working px; at most one candidate in each block
HALF_LENGTH = 14  # full-resolution px on either side of the edge: enough for a sigma of WIDE
WIDE = 2.2  # px; wider edges are sampled again, twice as far
HALF_LENGTHS = (14, 28, 56)  # full-resolution px, where edges of all widths lie side by side ...
RESOLVED = 0.2  # ... and the widest sigma that is taken from one of them, over it
LINES = np.array([-3.0, -1.5, 0.0, 1.5, 3.0])  # full-resolution px along the edge: averaged against noise
SECTORS = 12  # of direction, over 180 degrees, from which candidates are taken in turn
ROUNDS = 6  # of the moment iteration; a Gaussian edge converges in three
NARROWEST_WEIGHT = 1.0  # px; below, samples a pixel apart no longer resolve the weight
LEAST_STEP = 12.0  # code values at the edge's own level
WIDER = 2.0  # times the matched weight's variance: a Gaussian is as wide under it, what has a flat top less wide
DOUBTS = {"misfit": 0.05, "noise": 0.1, "neighbour": 0.05, "bulge": 0.05}  # of the peak; with one of them an edge counts half
USUAL_BULGE = 0.1  # of the peak: what a Gaussian itself has 2.2 sigma out
_LIGHT = 255 * SRGB_CURVE  # linear light of code values


class Edges(NamedTuple):
    """
    Measured edges, one entry each.

    Attributes
    ----------
    x, y : (n,) float64
        Place, full-resolution pixels.
    sigma : (n,) float64
        Gaussian-equivalent standard deviation across the edge, pixels.
    direction : (n,) float64
        Direction of the normal, radians, 0 along x, + towards y.
    contrast : (n,) float64
        Step height, linear light, 255 for white.
    spread : (n, k) float32
        Line spreads of code values, a sample a pixel, each of mass 1.
    centre : (n,) float64
        Place of each edge among the samples of `spread`.
    weight : (n,) float64
        What it counts: 1 for a lone Gaussian edge without noise, less the more it differs from one.
    flatness : (n,) float64
        Its width under a weight twice as wide over `sigma`: 1 for a Gaussian, less for the flat top of a disc.
    """

    x: np.ndarray
    y: np.ndarray
    sigma: np.ndarray
    direction: np.ndarray
    contrast: np.ndarray
    spread: np.ndarray
    centre: np.ndarray
    weight: np.ndarray
    flatness: np.ndarray


def find_edges(gray, region, count):
    """
    Strongest gradients of the working picture, one a block, all directions alike.

    By strength alone, a moved picture would show only the edges that the
    motion left sharp.

    Parameters
    ----------
    gray : (h, w) uint8
        Reduced picture.
    region : (h, w) uint8
        1 where edges count, else 0.
    count : int
        How many to give at most.

    Returns
    -------
    x, y : (n,) float64
        Its pixels (centres at whole numbers).
    direction : (n,) float64
        Direction of the gradient, radians, 0 along x, + towards y.
    """
    left, top, width, height = cv2.boundingRect(region)
    if min(height, width) < 2 * BLOCK:
        return np.empty(0), np.empty(0), np.empty(0)
    height, width = height // BLOCK * BLOCK, width // BLOCK * BLOCK
    part = gray[top : top + height, left : left + width]
    gx, gy = cv2.Sobel(part, cv2.CV_16S, 1, 0), cv2.Sobel(part, cv2.CV_16S, 0, 1)
    strength = cv2.add(cv2.convertScaleAbs(gx, alpha=0.25), cv2.convertScaleAbs(gy, alpha=0.25))
    strength *= region[top : top + height, left : left + width]
    blocks = strength.reshape(height // BLOCK, BLOCK, width // BLOCK, BLOCK)
    peaks = block_peaks(strength, BLOCK)
    order = _spread(peaks, 4 * count)
    if not len(order):
        return np.empty(0), np.empty(0), np.empty(0)
    block_row, block_column = np.unravel_index(order, peaks.shape)
    inside = blocks[block_row, :, block_column, :].reshape(len(order), -1).argmax(axis=1)
    y, x = block_row * BLOCK + inside // BLOCK, block_column * BLOCK + inside % BLOCK
    direction = np.arctan2(gy[y, x].astype(float), gx[y, x].astype(float))
    chosen = np.argsort(_rank_within((np.mod(direction, np.pi) * SECTORS / np.pi).astype(np.uint16)), kind="stable")[:count]
    return x[chosen] + float(left), y[chosen] + float(top), direction[chosen]


def block_peaks(plane, side):
    """Largest value of each block of side x side pixels, a power of two, of a plane of whole blocks; pairs are compared in a fifth of `max`'s time along short rows."""
    height, width = plane.shape
    peaks = plane.reshape(height // side, side, width).max(axis=1)
    while peaks.shape[1] > width // side:
        peaks = np.maximum(peaks[:, ::2], peaks[:, 1::2])
    return peaks


def _spread(peaks, count):
    """
    Indices of the strongest blocks, no more than a sixteenth of them from one part of the picture.

    Without the limit a single buckle would speak for the whole product.
    """
    part = 8  # blocks
    weakest = 10  # code values a working pixel, about; below, noise and texture give the direction
    candidates = np.flatnonzero(peaks.ravel() >= weakest)
    candidates = candidates[np.argsort(255 - peaks.ravel()[candidates], kind="stable")]  # small keys are sorted in a fraction of the time
    row, column = np.unravel_index(candidates, peaks.shape)
    rank = _rank_within((row // part * 256 + column // part).astype(np.uint16))
    return candidates[rank < max(count // 64, 4)][:count]


def _rank_within(group):
    """Place of each member among those of its group, in their order: 0, 1, 2, ..."""
    by_group = np.argsort(group, kind="stable")
    ordered = group[by_group]
    rank = np.empty(len(group), int)
    rank[by_group] = np.arange(len(group)) - np.searchsorted(ordered, ordered)
    return rank


def measure_edges(encoded, x, y, direction):
    """
    Width of each edge, from its profile at full resolution.

    The profile's derivative is a line spread. Its width is found by moments
    under a Gaussian weight that is matched to it by iteration, which neighbours
    and slow shading hardly touch: for a Gaussian of variance v seen through a
    weight of variance u, the weighted variance m obeys 1/m = 1/v + 1/u.

    Parameters
    ----------
    encoded : (H, W, 3) uint8
    x, y : (n,) float
        Full-resolution pixels, a few pixels off the edge at most.
    direction : (n,) float
        Of the gradient, radians.

    Returns
    -------
    Edges
        Those that are single, straight and clear of noise.

    References
    ----------
    .. [1] G. M. Bernstein, M. Jarvis, "Shapes and shears, stars and smears", Astronomical Journal
       123:583-618, 2002 (adaptive moments).
    .. [2] ISO 12233, edge-based spatial frequency response (codes back to light by the inverse of the
       opto-electronic conversion function, profile across an edge, derivative).
    """
    edges = _measure(encoded, x, y, direction, HALF_LENGTH)
    if not len(x):
        return edges
    if len(edges.sigma) * 4 < len(x) or quantile(edges.sigma, 0.25) > WIDE:
        return _measure(encoded, x, y, direction, 2 * HALF_LENGTH)
    return edges


def measure_all_widths(encoded, x, y, direction):
    """
    `measure_edges`, each edge from a profile long enough for it; without line spreads.

    A smear leaves sharp edges beside wide ones, and a profile shows no sigma above a third of its half length.
    """
    kept = []
    for least, half_length in zip((0, *HALF_LENGTHS), HALF_LENGTHS, strict=False):
        edges = _measure(encoded, x, y, direction, half_length)
        fits = (edges.sigma > least * RESOLVED) & (edges.sigma <= half_length * RESOLVED)
        kept.append([values[fits] for values in edges._replace(spread=np.empty((len(fits), 0), np.float32))])
    return Edges(*map(np.concatenate, zip(*kept, strict=True)))


def _measure(encoded, x, y, direction, half_length):
    """`measure_edges` with profiles of one length."""
    height, width = encoded.shape[:2]
    reach = half_length + 4
    inside = (x > reach) & (y > reach) & (x < width - 1 - reach) & (y < height - 1 - reach)
    x, y, direction = x[inside], y[inside], direction[inside]
    if len(x) == 0:
        return Edges(*[np.empty(0)] * 5, np.empty((0, 1), np.float32), *[np.empty(0)] * 3)
    samples, shape = _samples(encoded, x, y, direction, half_length)
    profiles = cv2.transform(cv2.LUT(samples, _LIGHT), np.array([[0.2126, 0.7152, 0.0722]], np.float32)).reshape(shape)
    slopes = np.diff(profiles, axis=2)
    spread = slopes.mean(axis=1)
    sign = np.sign(spread.sum(axis=1) + np.float32(1e-9))
    spread *= sign[:, None]
    at = np.arange(spread.shape[1], dtype=np.float32) - (spread.shape[1] - 1) / 2
    centre, variance, mass = _matched_moments(spread, at, half_length)
    clear, weight = _clearness(spread, at, centre, variance, mass)
    clear &= mass > LEAST_STEP * _light_per_code(profiles.mean(axis=(1, 2)))
    place = clear.nonzero()[0]  # what is dearer is asked of these alone
    x, y, direction, samples, slopes, spread, sign, centre, variance, mass, weight = (
        values[place] for values in (x, y, direction, samples, slopes, spread, sign, centre, variance, mass, weight)
    )
    flatness = np.sqrt(_variance_under(spread, at - centre[:, None], WIDER * np.maximum(variance, NARROWEST_WEIGHT**2)) / variance)
    tilt = _tilt(slopes * sign[:, None, None], at, centre, variance)
    variance = variance - 1 / 12 - tilt**2 * np.mean(LINES**2)  # the difference's own box; lines not quite parallel
    place = np.flatnonzero((np.abs(tilt) < 0.35) & (variance > 0.05))
    codes, code_centre = _code_spreads(samples[place], shape, sign[place], at, centre[place], variance[place])
    return Edges(
        (x + centre * np.cos(direction))[place],
        (y + centre * np.sin(direction))[place],
        np.sqrt(variance[place].astype(np.float64)),
        direction[place],
        mass[place].astype(np.float64),
        codes,
        code_centre,
        weight[place].astype(np.float64),
        flatness[place].astype(np.float64),
    )


def _light_per_code(level):
    """Slope of the sRGB curve (IEC 61966-2-1) at a level of linear light (255 for white)."""
    return 2.4 / 1.055 * np.maximum(level / 255, 0.0031308) ** (1.4 / 2.4)


def _samples(encoded, x, y, direction, half_length):
    """Code values along the normals, (n, lines * samples, 3) uint8; and (n, lines, samples)."""
    along = np.arange(-half_length, half_length + 1, dtype=np.float32)
    across = LINES.astype(np.float32)[:, None]
    x, y, direction = (values.astype(np.float32)[:, None, None] for values in (x, y, direction))
    c, s = np.cos(direction), np.sin(direction)
    map_x = (x - s * across) + c * along
    map_y = (y + c * across) + s * along
    shape = map_x.shape
    flat = (shape[0], shape[1] * shape[2])
    return cv2.remap(encoded, map_x.reshape(flat), map_y.reshape(flat), cv2.INTER_CUBIC), shape


def _code_spreads(samples, shape, sign, at, centre, variance):
    """Line spreads of code values (luma), in which pictures are enlarged and sharpened; each of mass 1, and their centres."""
    if not len(samples):
        return np.empty((0, len(at)), np.float32), np.empty(0)
    luma = cv2.cvtColor(samples, cv2.COLOR_RGB2GRAY).reshape(-1, *shape[1:])
    spread = np.diff(luma.mean(axis=1, dtype=np.float32), axis=1) * sign[:, None]
    weight_variance = np.maximum(variance, NARROWEST_WEIGHT**2)
    for _ in range(2):
        found, offset, total = _moments(spread, at - centre[:, None], weight_variance)
        centre = centre + offset * (1 + found / weight_variance)
    mass = total * np.sqrt(1 + found / weight_variance)
    return spread / mass[:, None], centre.astype(np.float64) + (len(at) - 1) / 2


def _matched_moments(spread, at, half_length):
    """Centre, variance and mass of each line spread under a matched Gaussian weight."""
    near = np.abs(at) < 7  # the working picture's edge is a few pixels off at most
    smooth = cv2.GaussianBlur(spread, (5, 1), 1.0)
    centre = at[near][np.argmax(smooth[:, near], axis=1)]
    weight_variance = np.full(len(spread), 4.0, np.float32)
    mass = variance = weight_variance
    widest = (half_length / 3) ** 2
    for _ in range(ROUNDS):
        variance, offset, total = _moments(spread, at - centre[:, None], weight_variance)
        variance = np.minimum(variance, widest)
        mass = total * np.sqrt(1 + variance / weight_variance)
        centre = np.clip(centre + offset * (1 + variance / weight_variance), -12, 12)
        weight_variance = np.maximum(variance, NARROWEST_WEIGHT**2)
    return centre, variance, mass


def _moments(spread, distance, weight_variance):
    """Variance of the Gaussian that explains each spread as seen under a Gaussian weight; its offset and mass as seen."""
    squared = distance**2
    weighted = np.exp(-squared / (2 * weight_variance[:, None])) * spread
    total = np.maximum(weighted.sum(axis=1), 1e-6)
    offset = (weighted * distance).sum(axis=1) / total
    seen = (weighted * squared).sum(axis=1) / total - offset**2
    seen = np.clip(seen, 0.02, 0.95 * weight_variance)
    return np.maximum(1 / (1 / seen - 1 / weight_variance), 0.02), offset, total


def _variance_under(spread, distance, weight_variance):
    return _moments(spread, distance, weight_variance)[0]


def _tilt(slopes, at, centre, variance):
    """How far the edge leans away from the lines' direction: its shift per pixel along the edge."""
    window = np.exp(-((at - centre[:, None]) ** 2) / (2 * np.maximum(4 * variance, 4.0)[:, None]))
    weighted = slopes * window[:, None, :]
    total = weighted.sum(axis=2)
    place = (weighted * at).sum(axis=2) / np.where(np.abs(total) < 1, 1, total)
    return (place - place.mean(axis=1, keepdims=True)) @ LINES / np.sum(LINES**2) * 1.25


def _clearness(spread, at, centre, variance, mass):
    """Whether each is one edge, well above noise, of the shape of a single smooth step; and what it counts, 0 to 1."""
    sigma = np.sqrt(variance)
    distance = np.abs(at - centre[:, None]) / np.maximum(sigma, 0.8)[:, None]
    peak = mass / (sigma * np.sqrt(2 * np.pi))
    model = peak[:, None] * np.exp(-(distance**2) / 2)
    core = distance < 2.5
    misfit = np.sqrt((np.where(core, spread - model, 0) ** 2).sum(axis=1) / core.sum(axis=1)) / peak
    outside = distance > 4
    noise = np.sqrt((np.where(outside, spread, 0) ** 2).sum(axis=1) / np.maximum(outside.sum(axis=1), 1)) / peak
    beside = np.where((distance > 2.2) & (distance < 5.5), cv2.blur(spread, (3, 1)), 0)
    # A line has its other edge close by: the two cut one another's profile short, and both look too sharp.
    bulge, neighbour = beside.max(axis=1) / peak, -beside.min(axis=1) / peak
    clear = (noise < 0.25) & (misfit < 0.27) & (bulge < 0.35) & (neighbour < 0.2) & (np.abs(centre) < 11)
    doubts = {"misfit": misfit, "noise": noise, "neighbour": neighbour, "bulge": np.maximum(bulge - USUAL_BULGE, 0)}
    weight = np.ones(len(spread))
    for name, doubt in doubts.items():
        weight /= 1 + (doubt / DOUBTS[name]) ** 2
    return clear, weight
