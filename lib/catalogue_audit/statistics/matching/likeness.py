"""
Whether two pictures are one photograph, by laying one over the other.

A hash only nominates. Products on white share their coarse structure, and
colourways of one photograph share their hash, so every pair is laid over one
another and its differences are measured before anything is said.
"""

from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median
from catalogue_audit.pixels.colour import srgb_decode, srgb_encode
from catalogue_audit.statistics.matching.laying import (
    halved,
    picture_of,
    refined,
    resized_matrix,
    same_shape,
    small_grey,
    starts,
    warped,
)
from catalogue_audit.statistics.matching.signatures import median_colour, product_mask

BLUR = 1.0  # px, against sub-pixel differences of two resamplings
SAME_RMS, SAME_PEAK = 2.5, 9.0  # 8-bit levels of luma, one frame re-encoded or resized (JPEG quality 40: 1.5 and 6)
MOVED_RMS, MOVED_PEAK = 4.0, 20.0  # the same after laying a re-crop over, whose edges were resampled twice
EXACT_RMS, EXACT_PEAK = 1.5, 4.0  # with different capture times: only what differs in nothing (two takes: 6 and 35)
SAME_STRUCTURE = 0.97  # correlation of lightness over the product: the same photograph in another tone or colour
SAME_COLOUR = 4.0  # CIELAB; robust centre over the product; colourways differ by more
OTHER_COLOUR = 12.0  # CIELAB a* and b*: three times that, where light that leaves the centre the same moves a strong colour by 10 at most
PART = 0.05  # of the product: a strap, a flap, a pair of handles; what is less may be a mark or a print's slip
# Luma beyond a shift of 1 px, and the share of the product in one connected place (JPEG quality 20, blur, sharpening, 14 specks: to 0.3 %; a pocket's line: 2.8 %).
PLACE_LEVELS, PLACE_SHARE = 8.0, 0.006
TONE_STEP, COMMON_TONE = 8.0, 0.01  # levels of one tone; share of the pixels that a tone must have to tell the curve
MOST_DISTORTED = 0.004  # shear and unequal scale that a re-crop may show
GAINS = 0.7, 1.4  # of lightness as encoded, between two exports of one photograph: half a stop either way
MOST_STOPS, MOST_BALANCE = 0.7, 0.4  # the same in linear light, and of red and blue against green: a lamp or a white balance set otherwise
DARKEST = 0.002  # of linear light, added: what noise and flare leave in black
# One light over all of a frame: levels by which it changes what is not the product's main colour, the part of that which may stay unexplained, the least
# share of the frame that tells, levels that noise and flare leave in black, and above which white tells nothing.
LEAST_CHANGE, LEFT_OVER, LEAST_REST, DARK_LEVELS, WHITE_LEVELS = 6.0, 1 / 3, 0.02, 5.0, 250.0
AROUND_PX = 9  # about the product, at the size of comparison: its edge and its shadow are no background
ROUGH_RMS, ROUGH_STRUCTURE = 6.0, 0.9  # on thumbnails: beyond, no closer look is worth its time
LEAST_SHARED = 0.02  # of the frame that two pictures must have in common
# Refining by enhanced correlation: steps, MOST_DISTORTED, lightness left, blur in px against what resampling costs texture.
HALVED_STAGE = 3, 0.04, 8.0, 0.8
ROUGH_STAGE = 3, 0.012, ROUGH_RMS, 1.3
FIRST_STAGE = 2, 0.012, 1.5 * MOVED_RMS, BLUR
EXACT_STEPS = 20


class Likeness(NamedTuple):
    """
    How two pictures relate: ``kind`` 'same_pixels', 're_export', 're_cropped', 'mirrored',
    'recoloured' or ''; ``rms`` and ``peak`` of the luma difference, 8-bit levels; ``colour``
    difference of the product in CIELAB units; ``one_colour``: light alone may explain it;
    ``matrix`` (2, 3) that lays the second's picture (`laying.picture_of`), perhaps ``flipped`` from side to side, over the first's;
    ``one_light``: of what is 'recoloured', the rest of the frame changed as the product did, so that the picture was exposed or balanced otherwise.
    """

    kind: str
    rms: float
    peak: float
    colour: float
    one_colour: bool
    matrix: np.ndarray | None = None
    flipped: bool = False
    one_light: bool = False


DIFFERENT = Likeness("", np.inf, np.inf, np.inf, False)


def compare(first, second, first_box, second_box, ways=("frame", "mirrored_frame", "box", "mirrored_box", "detail"), one_colour=True):
    """
    Lay two pictures over one another and say what they have in common.

    Parameters
    ----------
    first, second : dict of ndarray
        Sketches. What is decoded of them is kept in them, see `laying`.
    first_box, second_box : (4,) array_like of float
        Product boxes in fractions of the frame; NaN where unknown.
    ways : iterable of str
        How they may lie over one another; see `nominating.nominations`.
    one_colour : bool
        False where their products' colours differ plainly: then they are one photograph only if they lie over one another as they are.

    Returns
    -------
    Likeness
        ``kind`` is '' where they are two photographs.
    """
    small = small_grey(first), small_grey(second)
    if small[0] is None or small[1] is None:
        return DIFFERENT
    one_shape = same_shape(*small)
    found = DIFFERENT
    for way in ("frame", "mirrored_frame"):
        wanted = way in ways or (way == "frame" and "detail" in ways)
        if wanted and one_shape and _roughly_alike(*small, first, second, flip=way != "frame"):
            likeness = _compare_as_is(first, second, flip=way != "frame")
            if likeness.kind and not (likeness.kind == "re_export" and likeness.rms > EXACT_RMS):
                return likeness
            found = likeness if likeness.kind else found
    for flip in (False, True) if one_colour else ():
        for matrix in starts(first, second, first_box, second_box, ways, flip, one_shape):
            likeness = _compare_moved(first, second, small, matrix, flip)
            if likeness.kind and likeness.rms < found.rms:  # lies better so: it was shifted a little, too
                return likeness
    return found


def _roughly_alike(one, other, first, second, flip):
    """Whether two thumbnails leave it open that the pictures are one: little difference, or one structure in another tone."""
    other = cv2.resize(other[:, ::-1] if flip else other, one.shape[::-1], interpolation=cv2.INTER_AREA)
    difference = _difference(one.ravel(), other.ravel())
    if float(np.sqrt(np.mean(difference**2))) <= ROUGH_RMS:
        return True
    masks = product_mask(first, one.shape), product_mask(second, one.shape)
    both = None if flip else _both(*masks, one.shape[::-1])
    if both is None or both.sum() < 200:
        return not flip and both is None
    tones = one[both], other[both]
    return bool(min(tone.std() for tone in tones) > 0 and np.corrcoef(*tones)[0, 1] >= ROUGH_STRUCTURE)


def _compare_as_is(first, second, flip):
    """Two pictures of one shape, the second perhaps mirrored, laid over one another as they are."""
    one, other = picture_of(first), picture_of(second)
    size = (one.shape[1], one.shape[0])
    fitted = cv2.resize(other, size, interpolation=cv2.INTER_AREA)
    masks = product_mask(first, one.shape), product_mask(second, other.shape)
    matrix = np.array([[other.shape[1] / size[0], 0, 0], [0, other.shape[0] / size[1], 0]], np.float32)
    if flip:
        found = _judge(one, fitted[:, ::-1], _both(masks[0], _mirrored(masks[1]), size), "mirrored", SAME_RMS, SAME_PEAK)
    else:
        found = _judge(one, fitted, _both(*masks, size), "re_export", SAME_RMS, SAME_PEAK)
    return found._replace(matrix=matrix, flipped=flip)


def _compare_moved(first, second, small, matrix, flip):
    """
    A re-crop, upright or mirrored, by the movement that lays the pictures over one another best.

    It is sought on halved thumbnails, thumbnails and pictures in turn, and given up where too much difference remains:
    one photograph has all but arrived after three steps, and most pairs are two.
    """
    other_thumb = np.ascontiguousarray(small[1][:, ::-1]) if flip else small[1]
    thumbs, halves = (small[0], other_thumb), (halved(small[0]), halved(other_thumb))
    matrix = _nearer(halves, resized_matrix(matrix, thumbs, halves), first, *HALVED_STAGE)
    matrix = None if matrix is None else _nearer(thumbs, resized_matrix(matrix, halves, thumbs), first, *ROUGH_STAGE)
    if matrix is None:
        return DIFFERENT
    one, other = picture_of(first), picture_of(second)
    other = np.ascontiguousarray(other[:, ::-1]) if flip else other
    grey = [cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float32) for picture in (one, other)]
    matrix = _nearer(grey, resized_matrix(matrix, thumbs, grey), first, *FIRST_STAGE)
    matrix = None if matrix is None else refined(*grey, matrix, EXACT_STEPS, MOST_DISTORTED)
    if matrix is None:
        return DIFFERENT
    laid, covered = warped(other, matrix, one.shape)
    product = _shared_region(product_mask(first, one.shape), covered)
    found = _judge(one, laid, product, "mirrored" if flip else "re_cropped", MOVED_RMS, MOVED_PEAK, only=product)
    return found._replace(matrix=matrix, flipped=flip)


def _nearer(pair, matrix, first, steps, most_distorted, most_rms, blur):
    """The matrix after some steps of refining; None where it distorts or turns too much, or too much of the lightness differs on the product."""
    matrix = refined(*pair, matrix, steps, most_distorted)
    if matrix is None:
        return None
    laid, covered = warped(pair[1], matrix, pair[0].shape)
    region = _shared_region(product_mask(first, pair[0].shape), covered)
    if region.sum() < LEAST_SHARED * region.size:
        return None
    smooth = [cv2.GaussianBlur(lightness, (0, 0), blur)[region] for lightness in (pair[0], laid)]
    return matrix if float(np.sqrt(np.mean(_difference(*smooth) ** 2))) <= most_rms else None


def _difference(one, other):
    """What is left of the second lightness after the gain and shift that bring it nearest to the first; the light of two exports may differ."""
    gain = 1.0
    centred = one - one.mean()
    spread = float(centred @ centred)
    if spread > 0:
        gain = float(np.clip(centred @ (other - other.mean()) / spread, *GAINS))
    difference = other - np.float32(gain) * one
    return difference - median(difference)


def _judge(one, other, product, kind, rms_limit, peak_limit, only=None):
    """Differences of two pictures of one size, and what they make of them."""
    luma = [cv2.GaussianBlur(cv2.cvtColor(np.ascontiguousarray(p), cv2.COLOR_RGB2GRAY).astype(np.float32), (0, 0), BLUR)
            for p in (one, other)]  # fmt: skip
    region = np.ones(luma[0].shape, bool) if only is None else only
    if region.sum() < LEAST_SHARED * region.size:
        return DIFFERENT
    difference = _difference(luma[0][region], luma[1][region])
    rms = float(np.sqrt(np.mean(difference**2)))
    peak = float(np.percentile(np.abs(difference), 99.5))
    area = product if product is not None and product.sum() > 200 else region
    alike = rms <= rms_limit and peak <= peak_limit and not _differ_in_one_place(luma, region, area)
    colour, seen = max(((_apart(one, other, part), part) for part in _may_be_product(area, region)), key=lambda told: told[0])
    if alike and colour <= SAME_COLOUR:
        return Likeness("recoloured", rms, peak, colour, False) if _a_part_is_recoloured(one, other, area) else Likeness(kind, rms, peak, colour, True)
    if not (kind == "re_export" and _structure_agrees(luma, area) and _detail_agrees(luma, area)):
        return Likeness("", rms, peak, colour, False)
    if colour <= SAME_COLOUR:
        return Likeness("" if _differ_in_one_place(luma, area, area) else kind, rms, peak, colour, True)
    return Likeness("recoloured", rms, peak, colour, _lit_otherwise(one, other, seen), one_light=_one_light_over_all(one, other, area))


def _may_be_product(area, region):
    """What may be the product: its mask; where that reaches from one side of the frame to the other, as in a crop, the rest as well as it."""
    across = (area[:, 0].any() and area[:, -1].any()) or (area[0].any() and area[-1].any())
    rest = region & ~area
    return [area, rest] if across and rest.sum() > 200 else [area]


def _apart(one, other, area):
    """Difference of two pictures' median colours over an area, CIELAB."""
    colours = [np.array(median_colour(picture, area)) for picture in (one, other)]
    return float(np.linalg.norm(colours[0] - colours[1]))


def _a_part_is_recoloured(one, other, area):
    """Whether a whole part of the product has another colour while the rest keeps its own: a colourway of which only the strap was dyed anew."""
    lab = [cv2.cvtColor(cv2.GaussianBlur(np.float32(picture) / 255, (0, 0), BLUR), cv2.COLOR_RGB2LAB)[..., 1:] for picture in (one, other)]
    apart = lab[1] - lab[0]
    apart = np.hypot(*np.moveaxis(apart - np.median(apart[area], axis=0), 2, 0)) > OTHER_COLOUR
    part = cv2.morphologyEx((apart & area).astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    return float(part.sum()) > PART * area.sum()


def _differ_in_one_place(luma, region, area):
    """
    Whether one picture has something in one place that the other has not: a lock, a pocket, a label.

    Coding errors, noise and specks are many and small, a shift shows along contours only, and light changes all that has
    one lightness alike; a flat front and its back differ little in all, but in one place and beyond that.
    """
    around = np.ones((3, 3), np.uint8)
    for one, other in (luma, luma[::-1]):
        fitted = _in_the_tones_of(one, other, region)
        missing = [fitted - cv2.dilate(other, around), other - cv2.dilate(fitted, around)]
        added = [cv2.erode(other, around) - fitted, cv2.erode(fitted, around) - other]
        beyond = (np.maximum.reduce([*missing, *added]) > PLACE_LEVELS) & region
        count, _, places, _ = cv2.connectedComponentsWithStats(beyond.astype(np.uint8), connectivity=8)
        if count > 1 and places[1:, cv2.CC_STAT_AREA].max() > PLACE_SHARE * area.sum():
            return True
    return False


def _in_the_tones_of(one, other, region):
    """The first lightness through the tone curve that makes it the second's: the median of the second where the first has one tone, for all tones that are common."""
    here, there = one[region], other[region]
    tone = np.clip(here / TONE_STEP, 0, 255 / TONE_STEP).astype(int)
    places = np.argsort(tone, kind="stable")
    shares = np.bincount(tone)
    groups = np.split(places, np.cumsum(shares)[:-1])
    common = [group for group in groups if len(group) >= max(1, COMMON_TONE * tone.size)]
    if not common:
        return one
    known = [float(median(here[group])) for group in common], [float(median(there[group])) for group in common]
    shift_below, shift_above = known[1][0] - known[0][0], known[1][-1] - known[0][-1]
    fitted = np.interp(one, *known).astype(np.float32)
    fitted = np.where(one < known[0][0], one + shift_below, fitted)
    return np.where(one > known[0][-1], one + shift_above, fitted).astype(np.float32)


def _structure_agrees(luma, area):
    """Whether lightness rises and falls over the product alike, whatever its tone."""
    if min(np.ptp(image[area]) for image in luma) == 0:
        return False
    return bool(np.corrcoef(luma[0][area], luma[1][area])[0, 1] >= SAME_STRUCTURE)


def _detail_agrees(luma, area):
    """Whether the fine structure inside the product agrees too, not only its outline and shading."""
    inner = cv2.erode(area.astype(np.uint8), np.ones((7, 7), np.uint8)).astype(bool)
    if inner.sum() < 200:
        return False
    fine = [(image - cv2.GaussianBlur(image, (0, 0), 6.0))[inner] for image in luma]
    if min(part.std() for part in fine) < 0.3:
        return False
    return bool(np.corrcoef(*fine)[0, 1] >= SAME_STRUCTURE - 0.05)


def _lit_otherwise(one, other, area):
    """Whether the second picture's product has the first one's colour, for all that another exposure or white balance may do."""
    linear = [np.median(srgb_decode(picture[area] / 255), axis=0) + DARKEST for picture in (one, other)]
    stops = np.log2(linear[0] / linear[1])
    return bool(abs(stops[1]) <= MOST_STOPS and np.abs(stops - stops[1]).max() <= MOST_BALANCE)


def _one_light_over_all(one, other, area):
    """
    Whether what changed a product's colour changed the rest of its picture alike: another exposure or white balance, in light or in encoded values.

    Who gives a photograph's product another colour leaves its background and its fittings as they were. A white that stays white shows neither.
    """
    rest = _not_of_the_main_colour(one, area)
    here, there = (picture.astype(np.float64) for picture in (one, other))
    for decoded, encoded in ((lambda levels: srgb_decode(levels / 255), lambda light: 255 * srgb_encode(light)), (np.asarray, np.asarray)):
        dark, full = (decoded(np.float64(level)) for level in (DARK_LEVELS, 255))
        gain = np.median(decoded(there[area]) + dark, axis=0) / np.median(decoded(here[area]) + dark, axis=0)
        foreseen = encoded(np.minimum(decoded(here) * gain, full))
        told = rest & (np.minimum(np.minimum(here, there), foreseen).min(axis=2) < WHITE_LEVELS)
        if told.mean() < LEAST_REST:
            continue
        expected, seen = (np.median(picture[told] - here[told], axis=0) for picture in (foreseen, there))
        size = np.abs(expected).max()
        if size >= LEAST_CHANGE and np.abs(seen - expected).max() <= LEFT_OVER * size:
            return True
    return False


def _not_of_the_main_colour(picture, area):
    """Where a picture shows its background, or parts of quite another hue: what is paler or darker alone may be the same in the shade, as what a crop's mask leaves out."""
    lab = cv2.cvtColor(cv2.GaussianBlur(np.float32(picture) / 255, (0, 0), BLUR), cv2.COLOR_RGB2LAB)[..., 1:]
    other_hue = np.hypot(*np.moveaxis(lab - np.median(lab[area], axis=0), 2, 0)) > OTHER_COLOUR
    if len(_may_be_product(area, np.ones_like(area))) > 1:
        return other_hue
    return other_hue | ~cv2.dilate(area.astype(np.uint8), np.ones((AROUND_PX, AROUND_PX), np.uint8)).astype(bool)


def _mirrored(mask):
    return None if mask is None else mask[:, ::-1]


def _both(one, other, size):
    """Product in both pictures, or None where either has no mask."""
    if one is None or other is None:
        return None
    return one & cv2.resize(other.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST).astype(bool)


def _shared_region(mask, covered):
    """Product pixels of the first picture that the second one covers."""
    return covered if mask is None else covered & cv2.dilate(mask.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
