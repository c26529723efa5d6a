"""
The light's colour in a detail that shows no backdrop: by the product's own surfaces, as its whole views show them.

Under light of another colour all chromaticities of a surface move by one step on a logarithmic scale, so the step at which
detail and whole view overlap best is the difference of their lights. A surface that mirrors more of the lamps in one of
the two moves as well, but only towards neutral: the step is uncertain that way, and not across. What remains open is
weighed against how likely it is that the light was as in the product's frames taken just before and after.
"""

import functools
from typing import NamedTuple

import numpy as np

from catalogue_audit.statistics.photometry.product_colour import shows_inside
from catalogue_audit.statistics.photometry.surfaces import DECODED, product_pixels
from catalogue_audit.statistics.spread import spread

CELL, SIDE, REACH = 0.03, 64, 8  # ln of a cell, cells a side (the scale repeats itself after 1.9), cells sought to either side
HIGHEST, LOWEST = 250, 3  # code values; at the ends of the scale the ratio of channels is lost
FEWEST, ENOUGH = 200, 2000  # pixels of a thumbnail
AT_HAND = 32  # pictures; 34 kB each
MOST_VIEWS = 8  # of a product with which a detail is compared
RIVAL, APART = 0.9, 3  # of the best overlap, and cells off it: which surface a detail shows is open then
MOST_ALIKE = 0.5  # of the whole views have to show a detail's surfaces beyond doubt: one of four that does is laid over wrongly
LIKE = 0.7  # overlap of detail and whole view, from which they show the same surfaces
SURFACE_SD = 0.008  # ln; scatter of details of rendered bags across the way to neutral
MIRRORED_SD = 0.04  # of the way to neutral; what a surface mirrors in a detail differs by about as much from a whole view
ROUNDING = 0.8  # code values; by which dark surfaces err, as 8 bits and compression leave them
UNSURE_SD = 0.03  # ln; a light known no better is not known
CALM_SD = 0.006  # ln; steady light from frame to frame
CUT_OUT_SD = 0.01  # ln; whole views cut out, which were retouched to one white
TOUCHED, TOUCHED_SD = 0.06, 0.08  # share of details whose light's colour is their own (common practice, no source), and by how much, ln
LOGS = np.log(np.maximum(DECODED, DECODED[1]))


class Chromaticities(NamedTuple):
    """
    Chromaticities of a product's surfaces in one picture.

    Attributes
    ----------
    spectrum : (SIDE, SIDE // 2 + 1) ndarray of complex
        Fourier transform of the root of their histogram over ln(R/G), ln(B/G).
    middle : (2,) ndarray
        Their mean.
    rounding_sd : float
        ln; standard uncertainty of a ratio by the steps of 8 bits.
    """

    spectrum: np.ndarray
    middle: np.ndarray
    rounding_sd: float


def white_of_details(frames, chromaticities_of, whole, ratios, sd):
    """
    Log ratios of the light's colour, those of details filled in where they are unknown.

    Parameters
    ----------
    frames : DataFrame
    chromaticities_of : callable
        Of `chromaticities`.
    whole : (n,) ndarray of bool
    ratios : (n, 2) ndarray
        ln(R/G), ln(B/G) of the light; NaN where unknown.
    sd : (n,) ndarray

    Returns
    -------
    ratios : (n, 2) ndarray
    sd : (n,) ndarray
        Along the deviation from the set's middle.

    References
    ----------
    .. [1] J. T. Barron, "Convolutional Color Constancy", ICCV 2015 (light as a shift of log-chromaticity histograms).
    .. [2] S. A. Shafer, "Using color to separate reflection components", Color Research and Application 10(4):210-218,
       1985 (what a surface mirrors has the light's colour).
    """
    ratios, sd = ratios.copy(), sd.copy()
    files, sku = frames["file"].to_numpy(str), frames["sku"].fillna("").to_numpy(str)
    times = frames["captured_at"].fillna("").to_numpy(str)
    outside = ~shows_inside(frames)
    crop = frames["view_kind"].eq("crop").to_numpy(bool) & frames["status"].ne("not_measured").to_numpy(bool) & outside
    lights = _lights_of_whole_views(frames, whole & outside, ratios)
    views, middle = {}, np.median(lights[np.isfinite(lights[:, 0])], axis=0) if np.isfinite(lights[:, 0]).any() else np.zeros(2)
    for place in np.flatnonzero(np.isfinite(lights[:, 0]) & (sku != "")):
        views.setdefault(sku[place], []).append(place)
    timed = np.flatnonzero(np.isfinite(lights[:, 0]) & (times != ""))
    timed = timed[np.lexsort((files[timed], times[timed]))]
    for place in np.flatnonzero(crop & ~np.isfinite(ratios[:, 0])):
        others = np.array(views.get(sku[place], ()), int)
        if len(others):
            compared = others[:: -(-len(others) // MOST_VIEWS)]
            step = _own_light(chromaticities_of(place), [chromaticities_of(k) for k in compared], lights[compared])
            if step is not None:
                usual = _expected(lights, others, timed, times, times[place], np.isfinite(ratios[:, 0]))
                found, found_sd = _weighed(*step, *usual, middle)
                if found_sd <= UNSURE_SD:
                    ratios[place], sd[place] = found, found_sd
    return ratios, sd


def _lights_of_whole_views(frames, whole, ratios):
    """Log ratios of whole products' light, (n, 2): of cut-outs, which show none, the set's usual; NaN where unknown."""
    lights = np.where(whole[:, None], ratios, np.nan)
    known = np.isfinite(lights[:, 0])
    cut_out = whole & frames["backdrop"].eq("cut_out").fillna(False).to_numpy(bool) & ~known
    lights[cut_out] = np.median(lights[known], axis=0) if known.any() else 0.0
    return lights


def chromaticities(frames, sketches):
    """
    Chromaticities of the products in pictures, made from each sketch once.

    Parameters
    ----------
    frames : DataFrame
    sketches : mapping of str to dict
        ``thumb``, and for whole products ``mask``.

    Returns
    -------
    callable
        Row → `Chromaticities`, or None where too little is seen. All histograms are kept, of which a few hundred cells are
        filled; transforms only of the pictures asked for last.
    """
    files = frames["file"].to_numpy(str)
    crop = frames["view_kind"].eq("crop").to_numpy(bool) & frames["status"].ne("not_measured").to_numpy(bool)
    shown = np.flatnonzero(crop | frames["view_kind"].isin(("upright", "overhead")).to_numpy(bool))
    kept = dict(zip(shown.tolist(), spread(_roots_of, [(str(files[row]), bool(crop[row])) for row in shown], sketches), strict=True))
    return functools.lru_cache(AT_HAND)(lambda row: _transformed(kept.get(int(row))))


def _transformed(kept):
    if kept is None:
        return None
    cells, roots, *others = kept
    histogram = np.zeros(SIDE * SIDE)
    histogram[cells] = roots
    return Chromaticities(np.fft.rfft2(histogram.reshape(SIDE, SIDE)), *others)


def _roots_of(sketches, picture):
    """`_roots` of one picture: its file, and whether it is a detail."""
    file, crop = picture
    return _roots(sketches.get(file, {}), crop)


def _roots(sketch, crop):
    """(filled cells, roots of their shares, mean, rounding's sd) of one picture; None where too little is seen."""
    pixels = product_pixels(sketch, crop)
    if pixels is None:
        return None
    red, green, blue = pixels[:: max(1, len(pixels) // ENOUGH)].T
    darkest = np.minimum(np.minimum(red, green), blue)
    inside = (np.maximum(np.maximum(red, green), blue) < HIGHEST) & (darkest > LOWEST)
    if np.count_nonzero(inside) < FEWEST:
        return None
    green = LOGS[green[inside]]
    red, blue = LOGS[red[inside]] - green, LOGS[blue[inside]] - green
    counts = _shared_out(red / CELL, blue / CELL)
    for axis in (0, 1):
        counts = (np.roll(counts, 1, axis) + 2 * counts + np.roll(counts, -1, axis)) / 4
    rounding = 2.2 * ROUNDING / float(np.median(darkest[inside]))  # 2.2: d ln(light) over d ln(code)
    cells = np.flatnonzero(counts)
    return cells.astype(np.uint16), np.sqrt(counts.ravel()[cells]), np.array([red.mean(), blue.mean()]), rounding


def _shared_out(row, column):
    """Histogram, (SIDE, SIDE) summing to 1, each value shared out among the four cells nearest to it."""
    top, left = np.floor(row), np.floor(column)
    down, right = row - top, column - left
    top, left = top.astype(np.int64) % SIDE, left.astype(np.int64) % SIDE
    below, beside = (top + 1) % SIDE * SIDE, (left + 1) % SIDE
    top = top * SIDE
    cells = np.concatenate([top + left, top + beside, below + left, below + beside])
    shares = np.concatenate([(1 - down) * (1 - right), (1 - down) * right, down * (1 - right), down * right])
    return np.bincount(cells, shares, SIDE * SIDE).reshape(SIDE, SIDE) / len(row)


def shifted(first, second, reach=REACH):
    """
    By how much the chromaticities of one picture are shifted against another's, and their overlap there.

    Parameters
    ----------
    first, second : Chromaticities
    reach : int
        Cells sought to either side.

    Returns
    -------
    shift : (2,) ndarray
        ln of red and blue over green; NaN where none is found, or two of different surfaces are as likely.
    overlap : float
        Bhattacharyya coefficient, 0 to 1.
    """
    overlap = np.fft.irfft2(first.spectrum * second.spectrum.conj(), (SIDE, SIDE))
    overlap = np.roll(overlap, (reach, reach), (0, 1))[: 2 * reach + 1, : 2 * reach + 1]
    row, column = np.unravel_index(np.argmax(overlap), overlap.shape)
    near = np.zeros(overlap.shape, bool)
    near[max(row - APART, 0) : row + APART + 1, max(column - APART, 0) : column + APART + 1] = True
    if {row, column} & {0, 2 * reach} or overlap[~near].max() > RIVAL * overlap[row, column]:
        return np.full(2, np.nan), 0.0
    around = overlap[row - 1 : row + 2, column], overlap[row, column - 1 : column + 2]
    vertex = [0.5 * (low - high) / (low - 2 * middle + high) for low, middle, high in around]  # of the parabola through three
    return (np.array([row, column]) + vertex - reach) * CELL, float(overlap[row, column])


def _own_light(detail, views, lights):
    """The light of a detail by its surfaces, (2,), and its covariance, (2, 2); None where no whole view is like it."""
    if detail is None:
        return None
    found = []
    for view, light in zip(views, lights, strict=True):
        shift, overlap = shifted(detail, view) if view is not None else (None, 0.0)
        if overlap >= LIKE:
            found.append((*(shift + light), *(view.middle - light)))
    if not found or len(found) < MOST_ALIKE * sum(view is not None for view in views):
        return None
    found = np.array(found)
    light, surface = np.median(found[:, :2], axis=0), np.median(found[:, 2:], axis=0)
    spread = np.square(found[:, :2] - light).sum(axis=1).mean() / 2
    along = MIRRORED_SD * surface[:, None]
    return light, (SURFACE_SD**2 + detail.rounding_sd**2 + spread) * np.eye(2) + along @ along.T


def _expected(lights, others, timed, times, time, shown):
    """
    Light that is likely at a time, (2,), and its sd: of the whole views of any product taken just before and after.

    Where the two differ, the light changed at any moment between them, so the nearer is the likelier. Without times it is
    the light of the product's other views.
    """
    after = int(np.searchsorted(times[timed], time))
    beside = timed[max(after - 1, 0) : after + 1]
    if not time or not len(beside):
        middle = np.median(lights[others], axis=0)
        between = np.abs(lights[others] - middle).max() / np.sqrt(3)  # as of any place between the two being as likely as another
        return middle, float(np.hypot(CALM_SD if shown[others].all() else CUT_OUT_SD, between))
    first, last = beside[0], beside[-1]
    since, until = (abs(_seconds(time) - _seconds(times[k])) for k in (first, last))
    later = since / (since + until) if since + until > 0 else 0.5
    change = lights[last] - lights[first]
    between = np.abs(change).max() * np.sqrt(later * (1 - later) / 3)  # a beta distribution, in the middle as flat as above
    return lights[first] + later * change, float(np.hypot(CALM_SD if shown[beside].all() else CUT_OUT_SD, between))


def _seconds(time):
    """Seconds of a time as text, as the camera's clock shows it."""
    return np.datetime64(time[:19], "s").astype(float)


def _weighed(own, covariance, usual, usual_sd, middle):
    """Mean light, (2,), over steady and touched light by how likely each is, and its sd along the way from the set's middle."""
    off, means, spreads, logs = own - usual, [], [], []
    for chance, variance in ((1 - TOUCHED, usual_sd**2), (TOUCHED, usual_sd**2 + TOUCHED_SD**2)):
        total = covariance + variance * np.eye(2)
        inverse = np.linalg.inv(total)
        means.append(variance * inverse @ off)
        spreads.append(variance * np.eye(2) - variance**2 * inverse)
        logs.append(np.log(chance) - 0.5 * (np.linalg.slogdet(total)[1] + off @ inverse @ off))
    share = np.exp(np.array(logs) - max(logs))
    share = share / share.sum()
    mean = share @ np.array(means)
    spread = sum(part * (each + np.outer(one - mean, one - mean)) for part, each, one in zip(share, spreads, means, strict=True))
    way = usual + mean - middle
    size = float(np.linalg.norm(way))
    way = way / size if size > 0 else np.array([0.0, 1.0])
    return usual + mean, float(np.sqrt(way @ spread @ way))
