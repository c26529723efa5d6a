"""
Noise of the flat background, in 8-bit sRGB units a channel.

Noise is everywhere alike: of the tiles looked at, those count that vary as little as the calmest do. Where the
product meets the frame, as in crops, its own calmest parts are looked at too, and what varies there
has to be as strong at every size, as noise is and no material. There only tones from a middle grey up count: the
same noise of the sensor is several times as many code values in a dark leather as on a light backdrop, which a
set is judged by.

JPEG rounds the block transform's coefficients, the high ones to nothing, so the
second differences of a JPEG say little about the noise that was there. Its low
coefficients keep it, with a rounding that is known from the file's quantisation
tables and undone here.
"""

import math
from functools import lru_cache

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median, quantile

TILE = 128  # full-resolution px, whole blocks of luma and of halved chroma
TILES = 8
DARKEST, LIGHTEST = 12, 247  # code values; beyond, the ends of the scale cut the noise off
LUMA_SHARE = 0.299**2 + 0.587**2 + 0.114**2  # variance of luma over that of independent equal R, G, B noise
CHROMA_SHARE = (0.168736**2 + 0.331264**2 + 0.5**2 + 0.418688**2 + 0.5**2 + 0.081312**2) / 2  # the same of Cb, Cr
ROUNDING = 1 / 12  # variance of rounding to whole code values
DECODED = 2 / 12 * 0.75  # variance that decoding adds to luma: Y rounded, then R, G, B rounded (LUMA_SHARE of it)
COARSE = 1.43  # deviation of coarse detail over that of finer; cameras' noise has 1.0 to 1.4, materials 1.5 to 2.3 (measured)
COARSE_IN_CROPS = 1.25  # the same where the product meets the frame, and what seems to be backdrop may be its own material
TELLING = 1.3  # code values of noise from which JPEG leaves some finer detail of it, too
# Code value of 18 % in sRGB (IEC 61966-2-1); additive noise is there twice as many code values as at 200, and ever more below.
MIDDLE_GREY = 118
WHITE = 1.12  # the same, below which it is noise even where the tiles show a material
EVEN = 1.5  # times the variance of the second calmest tile; noise alone stays within it, seams and grain do not
MOSTLY_ROUNDED = 0.08  # of the squared step; below, few coefficients are more than nothing, and chance decides how many
AT_MOST = 1.25  # times what may be hidden: near the limit the little that is left scatters by a tenth
SURE_RATIO = 0.4  # deviation over step from which rounding keeps about what there was

DARK = "what is flat in it is too dark to compare its noise with that of a backdrop"
MATERIAL = "what seems to be background has the grain of a material, so its noise cannot be measured"

_RATIO = np.geomspace(0.12, 12, 120)  # standard deviation over quantisation step


def _rounded_variance(ratio):
    """Variance, in steps squared, of a normal deviate of `ratio` steps rounded to whole steps."""
    k = np.arange(1, 80)[:, None]
    root = np.vectorize(math.erf)  # SciPy's would cost each worker 30 MB
    share = root((k + 0.5) / (ratio * math.sqrt(2))) - root((k - 0.5) / (ratio * math.sqrt(2)))
    return (k**2 * share).sum(axis=0)


_ROUNDED = _rounded_variance(_RATIO)


def noise_facts(picture, backdrop, outline, tables=None):
    """
    Standard deviation of the noise in flat background.

    Parameters
    ----------
    picture : Picture
    backdrop : Backdrop
    outline : Outline
    tables : mapping of int to 64 int, optional
        The JPEG's quantisation tables by number, 0 for luma, row by row;
        empty or None for a picture that was not a JPEG.

    Returns
    -------
    dict
        ``noise``: of one channel, 8-bit code values. Where JPEG has left
        nothing of the chroma noise, the channels are taken to be independent,
        as a sensor's photosites are. ``noise_below``: what it stays under where
        JPEG has left nothing to measure. ``reasons`` says why it is missing.
    """
    places, reason = _flat_tiles(picture, outline)
    if not tables:
        if reason:
            return {"reasons": (reason,)}
        return {"noise": math.sqrt(np.median([_channel_variance(tile) for tile in _tiles_at(picture, places)]))}
    ordered = [np.asarray(tables[number], float) for number in sorted(tables)]
    beside, chosen = places, places
    if outline.touches:
        beside, chosen = _of_noise_alone(picture, places, ordered[0])
        beside, light = (_light(picture, some) for some in (beside, chosen))
        if chosen and not light:
            return {"reasons": (DARK,)}
        chosen = light
    if not chosen:
        return {"reasons": (MATERIAL if places else reason,)}
    tiles = np.concatenate(_tiles_at(picture, chosen))
    coarseness = _coarseness(tiles, ordered[0])
    limit = WHITE if not beside else COARSE_IN_CROPS if outline.touches else COARSE
    if coarseness > limit or (coarseness == 0 and not beside):
        return {"reasons": (MATERIAL if places else reason,)}
    variance = _variance_before_jpeg(tiles, ordered[0], ordered[min(1, len(ordered) - 1)])
    if variance is None:
        below = _hidden_deviation(tiles, ordered[0])
        return {"noise_below": below, "reasons": ("the compression has left too little of the noise to measure it",)}
    if outline.touches and coarseness == 0 and variance > TELLING**2:
        return {"reasons": (MATERIAL,)}
    return {"noise": math.sqrt(variance)}


def _of_noise_alone(picture, places, luma_table):
    """
    Of flat places those without seams or grain; and these, or the calm parts of the product that show nothing but noise.

    Its dark parts are no measure for a light backdrop: the tone curve makes other code values of the same noise there, fewer at its toe.
    """
    calm = _calm_tiles(picture)
    light = _light(picture, calm)
    looked_at = places + [place for place in light if place not in places]
    even = _even([_luma_blocks(tile) for tile in _tiles_at(picture, looked_at)], luma_table)
    beside = [looked_at[k] for k in even if k < len(places)]
    calm = light or calm
    return beside, beside or [calm[k] for k in _white([_luma_blocks(tile) for tile in _tiles_at(picture, calm)])]


def _light(picture, places):
    """Those of the tiles that are no darker than a middle grey."""
    side = TILE // picture.grey_reduction
    corners = [(y // picture.grey_reduction, x // picture.grey_reduction) for y, x in places]
    levels = [picture.grey[y : y + side, x : x + side].mean() for y, x in corners]
    return [place for place, level in zip(places, levels, strict=True) if level >= MIDDLE_GREY]


def _even(tiles, luma_table):
    """Numbers of those of the tiles that vary no more than the second calmest does, or little more."""
    if not tiles:
        return []
    found = [_coefficient_variance(tile, luma_table, 2, 4) for tile in tiles]
    variance = np.array([variance.mean() for variance, _ in found])
    floor = MOSTLY_ROUNDED * (found[0][1] ** 2).mean()
    return np.flatnonzero(variance <= EVEN * max(np.sort(variance)[:2].max(), floor))


def _white(tiles):
    """Numbers of those of the tiles that vary about as little as the calmest does, and as much at every size."""
    coarse, fine = (
        np.array([(_BASIS[:, _of_orders(*orders)].T @ tile).var() for tile in tiles]) for orders in ((1, 2), (4, 5))
    )
    return np.flatnonzero((coarse <= EVEN * coarse.min(initial=np.inf)) & (coarse < EVEN * fine))


def _luma_blocks(tile):
    """Every fourth row of blocks of a (TILE, TILE, 3) tile, (64, n): enough to tell grain from noise."""
    rows = tile.reshape(TILE // 32, 32, TILE, 3)[:, :8].reshape(TILE // 4, TILE, 3)
    return _blocks(cv2.cvtColor(rows, cv2.COLOR_RGB2GRAY).astype(np.float32)[..., None])


def _tiles_at(picture, places):
    return [picture.encoded[y : y + TILE, x : x + TILE] for y, x in places]


def immerkaer(channel):
    """
    Standard deviation of white noise, from a difference that planes do not pass.

    Parameters
    ----------
    channel : (h, w) array

    Returns
    -------
    float

    References
    ----------
    .. [1] J. Immerkaer, "Fast Noise Variance Estimation", Computer Vision and Image Understanding
       64(2):300-302, 1996.

    Examples
    --------
    >>> immerkaer(np.arange(100.0).reshape(10, 10))
    0.0
    """
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    response = cv2.filter2D(np.asarray(channel, np.float32), cv2.CV_32F, kernel)[1:-1, 1:-1]
    return float(math.sqrt(math.pi / 2) * np.abs(response).mean() / 6)


def _channel_variance(tile):
    """Mean noise variance of the three channels, rounding taken off."""
    measured = np.mean([immerkaer(tile[..., k]) ** 2 for k in range(3)])
    return max(float(measured) - ROUNDING, 0.0)


def _flat_tiles(picture, outline):
    """Corners (y, x) of flat, unclipped tiles of background on the block grid, spread over the frame; or the reason."""
    height, width = picture.encoded.shape[:2]
    rows, columns, side = height // TILE, width // TILE, TILE // picture.grey_reduction
    nothing = "no flat background is large enough to measure noise"
    if rows == 0 or columns == 0 or side == 0:
        return [], nothing
    cut = rows * TILE // picture.reduction, columns * TILE // picture.reduction
    size = columns, rows
    coarse = columns * 8, rows * 8
    taken = cv2.max(outline.mask.view(np.uint8), outline.shadow.view(np.uint8))[: cut[0], : cut[1]]
    taken = cv2.dilate(cv2.resize(taken * 255, coarse, interpolation=cv2.INTER_AREA), np.ones((3, 3), np.uint8))
    free = cv2.resize(taken, size, interpolation=cv2.INTER_AREA) == 0
    if not free.any():
        return [], nothing
    gray = picture.grey[: rows * side, : columns * side]
    while gray.shape[1] >= 2 * coarse[0]:  # means of 2 x 2 have a fast way of their own
        gray = cv2.resize(gray, (gray.shape[1] // 2, gray.shape[0] // 2), interpolation=cv2.INTER_AREA)
    if gray.shape[1] != coarse[0]:
        gray = cv2.resize(gray, coarse, interpolation=cv2.INTER_AREA)
    level = cv2.resize(gray, size, interpolation=cv2.INTER_AREA)
    gradient = cv2.absdiff(gray, cv2.blur(gray, (5, 5)))
    unrest = cv2.resize(gradient.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    usable = free & (level > DARKEST) & (level < LIGHTEST)
    if not usable.any():
        return [], "the background is clipped, so its noise cannot be measured"
    calm = usable & (unrest <= quantile(unrest[usable], 0.3) + 1)
    places = np.argwhere(calm)
    step = max(len(places) / TILES, 1.0)
    chosen = places[(np.arange(min(len(places), TILES)) * step).astype(int)]
    return [(int(y) * TILE, int(x) * TILE) for y, x in chosen], ""


def _variance_before_jpeg(tiles, luma_table, chroma_table):
    """Noise variance of a channel before JPEG's rounding, from (n * TILE, TILE, 3) tiles; None if too little is left."""
    light = tiles.astype(np.float32)
    variance, steps = _coefficient_variance(_blocks(cv2.cvtColor(light, cv2.COLOR_RGB2GRAY)[..., None]), luma_table, 2, 6)
    luma_variance = _undo_rounding(np.maximum(variance - DECODED, 0), steps)
    if luma_variance is None:
        return None
    luma_variance = max(luma_variance - ROUNDING * (1 + LUMA_SHARE), 0.0)  # of R, G, B before, of Y in the encoder
    independent = luma_variance / LUMA_SHARE
    expected = independent * CHROMA_SHARE / 4  # halving averages four
    steps = chroma_table[_finest(chroma_table, 1, 2)]
    ratio = math.sqrt(expected) / steps
    sure = ratio > SURE_RATIO
    if not sure.any():
        return independent
    halved = cv2.resize(light, (TILE // 2, len(light) // 2), interpolation=cv2.INTER_LINEAR)  # at half the size the mean of four
    chroma = cv2.cvtColor(halved, cv2.COLOR_RGB2YCrCb)[..., 1:]
    variance, _ = _coefficient_variance(_blocks(chroma), chroma_table, 1, 2)
    kept = np.interp(ratio[sure], _RATIO, _ROUNDED) * steps[sure] ** 2
    share = np.maximum(variance[sure] - DECODED / 2, 0).sum() / kept.sum()
    share = float(np.clip((share - 0.15) / 0.5, 0, 1))  # the decoder's smoothing of chroma takes part of it away
    return luma_variance + share * (independent - luma_variance)


def _calm_tiles(picture):
    """Corners (y, x) of the calmest unclipped tiles of a picture, whatever they show."""
    rows, columns = (side // TILE for side in picture.encoded.shape[:2])
    side = TILE // picture.grey_reduction
    if rows == 0 or columns == 0 or side == 0:
        return []
    grey = picture.grey[: rows * side, : columns * side]
    unrest, level = (
        cv2.resize(plane.astype(np.float32), (columns, rows), interpolation=cv2.INTER_AREA) for plane in (cv2.absdiff(grey, cv2.blur(grey, (3, 3))), grey)
    )
    unrest[(level <= DARKEST) | (level >= LIGHTEST)] = np.inf
    order = np.argsort(unrest, axis=None, kind="stable")[:TILES]
    return [(int(k // columns) * TILE, int(k % columns) * TILE) for k in order if np.isfinite(unrest.flat[k])]


def _coarseness(tiles, luma_table):
    """Deviation of coarse over that of finer detail in (n * TILE, TILE, 3) tiles: 1 for noise; 0 where JPEG has left neither."""
    blocks = _blocks(cv2.cvtColor(tiles, cv2.COLOR_RGB2GRAY).astype(np.float32)[..., None])
    coarse, fine = (
        _undo_rounding(np.maximum(variance - DECODED, 0), steps)
        for variance, steps in (_coefficient_variance(blocks, luma_table, *orders) for orders in ((2, 3), (4, 4)))
    )
    return math.sqrt(coarse / fine) if coarse and fine else 0.0


def _blocks(planes):
    """Blocks of 8 x 8, (64, n), of (h, w, c) planes of whole blocks."""
    height, width, channels = planes.shape
    return planes.reshape(height // 8, 8, width // 8, 8, channels).transpose(0, 2, 4, 1, 3).reshape(-1, 64).T


@lru_cache(maxsize=8)
def _of_orders(lowest, highest):
    """Numbers of the coefficients by the sum of their two frequency indices."""
    order = np.add.outer(np.arange(8), np.arange(8)).ravel()
    return np.flatnonzero((order >= lowest) & (order <= highest))


def _coefficient_variance(blocks, table, lowest, highest):
    """
    Variance of the block transform's low coefficients, and their steps.

    Parameters
    ----------
    blocks : (64, n) float32
    table : (64,) array
    lowest, highest : int
        Range of the sum of the two frequency indices.

    Returns
    -------
    variance, steps : (k,) ndarray
        By increasing step.
    """
    chosen = _finest(table, lowest, highest)
    coefficients = _BASIS[:, chosen].T @ blocks  # many columns: reductions along them are quick
    size = np.abs(coefficients).max(axis=0)
    steps = table[chosen]
    calm = size <= 3 * median(size) + 1.5 * steps.max()  # the rest hold dust, or an edge; one step of rounding is neither
    return np.take(coefficients, np.flatnonzero(calm), axis=1).var(axis=1), steps


def _finest(table, lowest, highest):
    """Numbers of the ten coefficients of some orders with the finest steps, by increasing step."""
    chosen = _of_orders(lowest, highest)
    return chosen[np.argsort(table[chosen], kind="stable")][:10]


def _undo_rounding(variance, steps):
    """Variance before rounding, from the coefficients whose steps are small enough to keep it; None if none is."""
    deviation = steps * np.interp(variance / steps**2, _ROUNDED, _RATIO, left=0)
    first = deviation[0]
    usable = deviation > 0
    usable &= steps < 3.2 * first
    if not usable.any():
        return None
    return float(np.median(deviation[usable]) ** 2)


def _hidden_deviation(tiles, luma_table):
    """What a channel's noise stays under where JPEG has left too little: as if all that is left in the finest steps were noise."""
    luma = cv2.cvtColor(tiles, cv2.COLOR_RGB2GRAY).astype(np.float32)
    variance, steps = _coefficient_variance(_blocks(luma[..., None]), luma_table, 2, 6)
    most = variance[steps == steps[0]].max()
    return float(AT_MOST * steps[0] * np.interp(most / steps[0] ** 2, _ROUNDED, _RATIO) / math.sqrt(LUMA_SHARE))


def _block_basis():
    """Orthonormal 8 x 8 DCT-II (ITU-T T.81, A.3.3): pixels in rows, coefficients in columns."""
    k, x = np.arange(8)[:, None], np.arange(8)[None, :]
    one = np.cos((2 * x + 1) * k * np.pi / 16) * np.where(k == 0, math.sqrt(1 / 8), 0.5)
    return np.einsum("ux,vy->xyuv", one, one).reshape(64, 64).astype(np.float32)


_BASIS = _block_basis()
