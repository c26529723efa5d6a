"""
A smear seen in the picture's spectrum, where no single edge tells it.

A uniform smear of length L multiplies every spectrum by a sinc: it takes out the frequencies k / L along it, whatever
the picture shows, edges, lines narrower than the smear and texture alike. In the cepstrum, the transform of the
spectrum's logarithm, that is a dip at the length and direction of the smear, with lesser ones at its multiples. A
pattern that repeats leaves dips too, but takes nothing of the fine structure along one direction. A smear does. What is
smooth, or shown by few long edges, has little structure to lose: there the zeros themselves tell, dark stripes that run
through the whole spectrum across the smear, where a pattern has bright points.
"""

import math
from functools import cache
from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median
from catalogue_audit.measures.records import of_size
from catalogue_audit.pixels.profiles import SRGB_CURVE

TILE, LARGE_TILE = 128, 256  # full-resolution px
LARGE = 1000  # px; products at least so large, on their shorter side, are looked at in large tiles
MOST_PIXELS = 16 * TILE**2  # looked at: more adds little
THINNED = 3  # px of the reduced picture from one that tells where there is structure to the next
FROM_OUTLINE = 8  # px that count for nothing beside the outline: a mask may have cut it after the smear
FEWEST_TILES = 4  # fewer show what is shown rather than how
FILLED = 0.5  # of a tile, at least, is product
ANGLES = 90  # of the polar maps, over 180 degrees
STEP = 0.5  # px from one radius of the cepstrum to the next
SHORTEST, LONGEST = 3.0, 0.25  # px; of the tile's side
SMOOTH = 0.7  # px; of the cepstrum: a smear ends between pixels
FLOOR = 1e-3  # of a tile's mean power, added: what is below is noise
BESIDE = 25.0  # degrees; half the sectors along and across a smear whose power is compared ...
BANDS = (0.7, 2.2), (1.0, 3.0)  # cycles a smear's length; ... where it takes most, and just beyond, ...
FINEST = 0.2, 0.35  # cycles a pixel; ... from the first at most, up to the second, as compression leaves little beyond
MOST_DIPS = 4  # looked at
HALVED = 1.2  # times as deep a dip at half the length says that the other is its double
# Of a smear, at least (measured): in photographs smeared by 9 to 30 px a dip has a depth of 5 to 49, a height of 0.015 to 0.1, and
# loses 1.5 to 4.5; in sharp pictures and such out of focus one in a hundred that is as deep and high loses as much, ...
DEPTH, HEIGHT, LOST = 4.5, 0.009, (2.0, 1.5)
REPEATS = 0.5  # dips of photographs and drawn pictures that are smeared have -4 to 0 at half their length
BORNE_OUT = 3.6  # ... and a dip may be less deep where the edges that it crosses are wide
EVERYWHERE, SHARE = 0.57, 0.25  # ... and of all tiles this share at most loses less: of smeared pictures this share lost 0.8 to 3.6 at most (measured)
OVER_NOISE = 1.5  # of the logarithm of power, beyond the least of all tiles: noise came after the smear, and is alike in all directions
# Dark stripes of a smear's zeros, at least (measured): by how much the logarithm of the power is less than half-way to the next, more than across, and at what
# share of the places along the stripes; ...
STRIPED, STRIPED_SHARE, STRIPED_LOST = 0.5, 0.85, 0.4  # ... with them a smear may have taken less
STRIPES, ASIDE, HIGHEST = 3, 0.25, 0.42  # zeros looked at; cycles a pixel, how far along them and up to where
BLOCK, AS_LONG, AS_STRAIGHT = 8, 0.5, 4.0  # px; blocks of a JPEG picture (ITU-T T.81), which leave dips at their multiples, px, along rows and columns, degrees
SIDES_OF_A_CROP = 2  # of the frame that the product meets: what is taken for background may be the product's own material
TAKEN = 0.8  # lost beyond, at least, of a long smear that the edges alone tell; a lens out of focus leaves up to 0.7 (measured)
CROSSED, SHARP = 40.0, 1.0  # degrees from a smear's direction, and px: a smear of 5 px widens edges so near to more than 1.1 px
MUCH, LITTLE, BEYOND_DOUBT = 0.75, 0.1, 10.0  # clear edges that a smear has to have widened; fewer where the dip is not beyond doubt
BURNT_OUT = 250  # code value of all channels: compression leaves a spot at the top of the scale a little below it
GLINT, BESIDE_EDGE = 28, 3  # full-resolution px; as far a glint ends again, as a light field does not, and as near to an edge it begins
ENOUGH = 10  # edges within a product that its mask has not cut: with fewer nothing speaks against what a weave looks like
_LIGHT = (255 * SRGB_CURVE).astype(np.float32)  # linear light of code values


class Dip(NamedTuple):
    """
    A dip of the cepstrum.

    Attributes
    ----------
    length : float
        Full-resolution pixels.
    angle : float
        Degrees, 0 horizontal, + clockwise as seen, in [0, 180).
    depth : float
        In robust standard deviations of the cepstrum as far from its middle.
    lost : tuple of float
        Logarithm of the power across its direction over that along it, in each of `BANDS`: what a smear took.
    """

    length: float
    angle: float
    depth: float
    lost: tuple


def find_smear(picture, outline, edges):
    """
    The smear that the spectrum shows.

    Parameters
    ----------
    picture : Picture
    outline : Outline
        The whole frame is looked at where it has no product.
    edges : Edges
        Those that a lens drew.

    Returns
    -------
    Dip or None

    References
    ----------
    .. [1] M. Cannon, "Blind deconvolution of spatially invariant image blurs with phase", IEEE Transactions on
       Acoustics, Speech, and Signal Processing 24:58-63, 1976 (power cepstrum of sections of a picture; cited from memory).
    """
    edges = without_glints(picture.encoded, edges)
    if all(spares_edges(edges, angle, MUCH) for angle in range(0, 180, 15)):
        return None
    spectrum = _log_spectrum(picture, outline)
    dips = (dip for dip in _dips(spectrum) if _is_smear(dip, *_crossed(edges, dip.angle)) or _is_striped_smear(dip, spectrum, edges))
    found = next((dip for dip in dips if _is_everywhere(picture, outline, dip)), None)
    if found is not None or not (spectrum is None or len(outline.touches) >= SIDES_OF_A_CROP) or outline.box is None:
        return found
    frame = outline._replace(box=None)
    spectrum = _log_spectrum(picture, frame)
    return next((dip for dip in _dips(spectrum) if _is_striped_smear(dip, spectrum, edges) and _is_everywhere(picture, frame, dip)), None)


def takes_structure(picture, outline, length, angle):
    """Whether fine structure is less along an angle (degrees) than across it, as a smear so long (pixels) leaves it; True where nothing tells."""
    spectrum = _log_spectrum(picture, outline)
    if spectrum is None:
        return True
    return _lost(_by_direction(spectrum), round(angle * ANGLES / 180) % ANGLES, *(bound / length for bound in BANDS[1])) > TAKEN


def spares_edges(edges, angle, least):
    """Whether edges that count more than `least` are sharp, which a smear along an angle (degrees) would have widened."""
    return _is_spared(*_crossed(edges, angle), least)


def without_glints(encoded, edges):
    """
    Edges without those of small spots that are burnt out.

    A lamp in polished metal is many times as bright as white. A smear draws its light out into a ramp, of which the top of the
    scale leaves the lowest part: the spot's edge looks as sharp as ever.
    """
    if not len(edges.x):
        return edges
    height, width = encoded.shape[:2]
    along = np.arange(-GLINT, GLINT + 1)
    x, y = (
        np.clip(np.rint(place[:, None] + along * turned(edges.direction)[:, None]).astype(int), 0, side - 1)
        for place, turned, side in ((edges.x, np.cos, width), (edges.y, np.sin, height))
    )
    white = encoded[y, x].min(axis=2) >= BURNT_OUT
    near = white & (np.abs(along) <= BESIDE_EDGE)
    ends = ((~white & side).any(axis=1) for side in (along < -BESIDE_EDGE, along > BESIDE_EDGE))
    spared = ~(near.any(axis=1) & np.logical_and(*ends))
    return edges._replace(**{name: values[spared] for name, values in edges._asdict().items()})


def _crossed(edges, angle):
    """What the edges count that a smear along an angle (degrees) crosses, and those of them that are sharp."""
    off = np.abs((np.degrees(edges.direction) - angle + 90) % 180 - 90)
    crossed = off < CROSSED
    return edges.weight[crossed].sum(), edges.weight[crossed & (edges.sigma < SHARP)].sum()


def _is_spared(crossed, sharp, least):
    """Whether edges stayed sharp that a smear would have widened."""
    return sharp > least and sharp > crossed / 2


def _is_smear(dip, crossed, sharp):
    clear = dip.depth > (DEPTH if crossed < MUCH or sharp > crossed / 10 else BORNE_OUT)
    lost = all(here > least for here, least in zip(dip.lost, LOST, strict=True))
    return clear and lost and not _is_spared(crossed, sharp, MUCH if dip.depth > BEYOND_DOUBT else LITTLE)


def _is_striped_smear(dip, spectrum, edges):
    """Whether a dip that may have taken little is a smear's by the stripes of its zeros, and no edge that it crosses is sharp."""
    if dip.lost[1] <= STRIPED_LOST or _is_of_blocks(dip) or _is_spared(*_crossed(edges, dip.angle), LITTLE):
        return False
    contrast, share = zeros(spectrum, dip.length, dip.angle)
    return contrast > STRIPED and share > STRIPED_SHARE


def _is_of_blocks(dip):
    """Whether compression in blocks may have left a dip."""
    return abs((dip.length + BLOCK / 2) % BLOCK - BLOCK / 2) <= AS_LONG and abs((dip.angle + 45) % 90 - 45) <= AS_STRAIGHT


def zeros(spectrum, length, angle):
    """
    How dark the stripes are that a smear's zeros leave in a spectrum.

    Parameters
    ----------
    spectrum : (T, T // 2 + 1) float
        Mean logarithm of power, as `_log_spectrum` gives it.
    length, angle : float
        Pixels, degrees; the best within a step of a dip's place counts.

    Returns
    -------
    contrast : float
        Median along the stripes of the logarithm half-way between them less that on them; less the same across, where it is more than nothing.
    share : float
        Of the places along the stripes that are darker than half-way between.
    """
    whole = _whole(spectrum)
    response = 2 - 2 * np.cos(2 * np.pi * (np.arange(len(whole)) / len(whole) - 0.5))
    whole = cv2.GaussianBlur((whole - 2 * np.log(np.add.outer(response, response) + FLOOR)).astype(np.float32), (0, 0), SMOOTH)  # without the Laplacian's
    turns = np.arange(-1, 2) * 180.0 / ANGLES
    places = [(longer, angle + turn) for longer in length + np.arange(-1, 2) * STEP for turn in turns]
    contrast, place = max((float(median(_stripes(whole, *place))), place) for place in places)
    across = float(median(_stripes(whole, place[0], place[1] + 90)))
    return contrast - max(across, 0.0), float((_stripes(whole, *place) > 0).mean())


def _stripes(whole, length, angle):
    """By how much a whole spectrum is darker on a smear's zeros than half-way to the next ones, at each place along them."""
    side, count = len(whole), int(np.clip(HIGHEST * length - 0.5, 1, STRIPES))
    along = np.add.outer([-0.5, 0.0, 0.5], np.arange(1, count + 1)).ravel()[:, None] / length
    aside = np.arange(-ASIDE, ASIDE, 1 / side)
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    x, y = (side * (0.5 + part) for part in (along * c - aside * s, along * s + aside * c))
    before, on, after = cv2.remap(whole, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR).reshape(3, count, -1)
    return ((before + after) / 2 - on).mean(axis=0)


def _is_everywhere(picture, outline, dip):
    """
    Whether a smear took structure from nearly all of the product, as it moves all of a picture alike.

    The tiles with most structure may all lie on one bright bar or one row of stripes, which leaves little along it by nature. Where the
    product goes on beyond both sides, as in a detail, an outline may hold one of its materials only, and the whole frame is asked.
    """
    outline = outline._replace(box=None) if {"left", "right"} <= set(outline.touches) else outline
    bounds = [bound / dip.length for bound in BANDS[1]]
    row = round(dip.angle * ANGLES / 180) % ANGLES
    along, across = np.array([_along_and_across(_by_direction(spectrum), row, *bounds) for spectrum in _log_spectra(picture, outline, None)]).T
    most = np.maximum(along, across)
    tells = most > most.min() + OVER_NOISE
    return bool(tells.sum() < FEWEST_TILES or np.quantile((across - along)[tells], SHARE) > EVERYWHERE)


def _dips(spectrum):
    """
    The deepest dips of the cepstrum of a mean logarithm of power that are as deep and high as any smear's, deepest first.

    A pattern that repeats has dips at every repeat, a smear none before its length.
    """
    if spectrum is None:
        return
    side = len(spectrum)
    cepstrum = np.fft.fftshift(np.fft.irfft2(spectrum, s=(side, side))).astype(np.float32)
    radius = np.arange(SHORTEST, LONGEST * side, STEP)
    depth, height = _depths(_polar(cv2.GaussianBlur(cepstrum, (0, 0), SMOOTH), radius, side))
    for row, column in _deepest(depth):
        row, column, halved = _shortest(height, row, column, radius)
        if depth[row, column] <= BORNE_OUT or height[row, column] <= HEIGHT or halved >= REPEATS:
            continue
        power, length = _by_direction(spectrum), float(radius[column])
        lost = tuple(_lost(power, row, *(bound / length for bound in band)) for band in BANDS)
        yield Dip(length, row * 180.0 / ANGLES, float(depth[row, column]), lost)


def _log_spectrum(picture, outline):
    """Mean logarithm of the power spectra of tiles within the product, (T, T // 2 + 1); None with too few."""
    total, seen = 0.0, 0
    for spectrum in _log_spectra(picture, outline, MOST_PIXELS):
        total, seen = total + spectrum, seen + 1
    return total / seen if seen else None


def _log_spectra(picture, outline, most):
    """Logarithms of the power spectra of tiles within the product, (T, T // 2 + 1) each: of as many pixels at ``most``, of all where that is None."""
    height, width = picture.encoded.shape[:2]
    mask = outline.mask.view(np.uint8) if outline.box is not None else np.ones(picture.working.shape[:2], np.uint8)
    mask = np.ascontiguousarray(mask[::2, ::2])
    away = 2 * math.ceil(FROM_OUTLINE * mask.shape[1] / width) + 1
    mask = cv2.erode(mask, np.ones((away, away), np.uint8), borderValue=1)
    left, top, wide, high = (int(value * width / mask.shape[1]) for value in cv2.boundingRect(mask))
    side = LARGE_TILE if min(wide, high) >= LARGE else TILE
    if min(height, width) < side + 2:
        return
    places = _tiles(picture, mask, (left, top, wide, high), side, None if most is None else most // side**2)
    if len(places) < FEWEST_TILES:
        return
    for x, y in places:
        grey = cv2.cvtColor(picture.encoded[y - 1 : y + side + 1, x - 1 : x + side + 1], cv2.COLOR_RGB2GRAY)
        fine = cv2.Laplacian(cv2.LUT(grey, _LIGHT), cv2.CV_32F, ksize=1)[1:-1, 1:-1]
        rows, columns = ((np.arange(side) + start) * of // full for start, of, full in ((y, mask.shape[0], height), (x, mask.shape[1], width)))
        inside = np.take(np.take(mask, rows, axis=0), columns, axis=1)
        power = _power(cv2.multiply(cv2.copyTo(fine, inside), _window(side)))
        floor = FLOOR * float(power.mean())
        if floor > 0:
            yield cv2.log(power + floor)


def _power(tile):
    """Power spectrum of a square tile, the half that `np.fft.rfft2` gives; from OpenCV's packed one, at a fifth of the cost."""
    transform = cv2.dft(tile)
    packed = cv2.mulSpectrums(transform, transform, 0, conjB=True)
    power = np.empty((len(tile), len(tile) // 2 + 1), np.float32)
    power[:, 1:-1] = packed[:, 1:-1:2]
    for column in (0, -1):
        half = np.concatenate([packed[:1, column], packed[1::2, column]])
        power[:, column] = np.concatenate([half, half[-2:0:-1]])
    return power


def _tiles(picture, mask, box, side, most):
    """Places (x, y; full-resolution px) of the tiles (all of them, or ``most``) with most structure, half a tile apart, most of whose pixels are product."""
    height, width = picture.encoded.shape[:2]
    grey = np.ascontiguousarray(picture.grey[::THINNED, ::THINNED])
    inner = of_size(mask, grey.shape)[1:, 1:]
    structure = cv2.absdiff(grey[1:, 1:], grey[:-1, :-1]) * inner
    small = inner.shape[::-1]
    sums = [cv2.integral(values) for values in (inner, structure)]
    x, y = np.meshgrid(_starts(box[0], box[2], side, width), _starts(box[1], box[3], side, height))
    x, y = x.ravel(), y.ravel()
    (left, right), (top, bottom) = (
        (start * count // full, (start + side) * count // full)
        for start, count, full in ((x, small[0], width), (y, small[1], height))
    )
    area, strength = (total[bottom, right] - total[top, right] - total[bottom, left] + total[top, left] for total in sums)
    good = np.flatnonzero((area >= FILLED * (right - left) * (bottom - top)) & (strength > 0))
    good = good[np.argsort(-strength[good].astype(np.int64), kind="stable")][:most]
    return list(zip(x[good].tolist(), y[good].tolist(), strict=True))


def _starts(start, length, side, full):
    """Where tiles begin along one axis, half a tile apart and within the frame by a pixel."""
    last = max(start, start + length - side)
    return np.unique(np.clip(np.arange(start, last + side // 2, side // 2), 1, full - 1 - side))


@cache
def _window(side):
    along = np.hanning(side + 2)[1:-1].astype(np.float32)
    return np.outer(along, along)


def _by_direction(spectrum):
    """A half spectrum by direction and frequency, of which each column is one step."""
    return _polar(_whole(spectrum), np.arange(len(spectrum) // 2) * 1.0, len(spectrum))


def _whole(spectrum):
    """A half spectrum as a whole one with its middle in the middle."""
    side = len(spectrum)
    rest = np.roll(spectrum[::-1, side // 2 - 1 : 0 : -1], 1, axis=0)
    return np.fft.fftshift(np.concatenate([spectrum, rest], axis=1)).astype(np.float32)


def _polar(picture, radius, side):
    """A point-symmetric picture by direction (rows, `ANGLES` over 180 degrees) and radius (columns)."""
    angle = np.arange(ANGLES)[:, None] * np.pi / ANGLES
    x, y = (side // 2 + radius * turned for turned in (np.cos(angle), np.sin(angle)))
    return cv2.remap(picture, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR)


def _depths(polar):
    """Each place below the middle of its radius, in robust standard deviations of that radius; and as it is."""
    below = median(polar.T) - polar
    spread = 1.4826 * median(np.abs(below).T)
    spread = cv2.blur(spread[None].astype(np.float32), (5, 1))[0] + 1e-6
    return below / spread, below


def _deepest(depth):
    """Rows and columns of the deepest dips."""
    turns = np.concatenate([depth[-2:], depth, depth[:2]]).astype(np.float32)  # directions go round
    crest = (turns >= cv2.dilate(turns, np.ones((5, 5), np.uint8)))[2:-2]
    crest[:, -1] = False
    place = np.flatnonzero(crest & (depth > 0))
    place = place[np.argsort(-depth.ravel()[place], kind="stable")][:MOST_DIPS]
    return np.stack(np.divmod(place, depth.shape[1]), axis=1).tolist()


def _shortest(height, row, column, radius):
    """The dip itself, or the one at half its length that it is the double of; and the height at half the length over its own."""
    half = radius[column] / 2
    if half < radius[0] + STEP:
        return row, column, 0.0
    near = round((half - radius[0]) / STEP)
    rows = np.arange(row - 2, row + 3) % len(height)
    part = height[rows, near - 1 : near + 2]
    found = int(np.argmax(part))
    ratio = float(part.flat[found] / height[row, column])
    if ratio < HALVED:
        return row, column, ratio
    return int(rows[found // part.shape[1]]), near - 1 + found % part.shape[1], 0.0


def _lost(power, row, low, high):
    """By how much the logarithm of the power is less along a direction than across it, between two frequencies (cycles a pixel)."""
    along, across = _along_and_across(power, row, low, high)
    return float(across - along)


def _along_and_across(power, row, low, high):
    """Mean logarithm of the power along a direction, and across it, between two frequencies (cycles a pixel)."""
    side = 2 * power.shape[1]
    first = max(round(side * min(low, FINEST[0])), 2)
    last = max(min(round(side * high), round(side * FINEST[1])), first + 2)
    sectors = np.arange(-round(BESIDE * ANGLES / 180), round(BESIDE * ANGLES / 180) + 1) + row
    return tuple(power[(sectors + turn) % ANGLES, first : last + 1].mean() for turn in (0, ANGLES // 2))
