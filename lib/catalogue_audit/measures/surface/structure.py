"""
How fine the structure inside the product is, where its outline says nothing of the lens.

A finished picture's outline was cut by a mask: it is sharp however soft the picture is. What
lies within was only ever seen through the lens. Stitching, grain, hardware and prints have
detail of every size, and a lens out of focus takes the finest from all of them.
"""

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import quantile
from catalogue_audit.measures.records import of_size
from catalogue_audit.measures.segmentation.edges import block_peaks

BLOCK = 8  # pixels of the reduced picture; at most one place in each block
PLACES, CALM = 72, 24  # with most structure, and with least: these show the noise
SIDE, MARGIN = 16, 8  # full-resolution px of a place, and around it for the filters
FROM_OUTLINE = 10  # full-resolution px that a place keeps from the outline; the widest filter reaches 8
SCALES = (0.7, 1.4, 2.8)  # px; fine structure lies between the first two of these Gaussians, coarse between the last two
SHARPEST = 0.95  # quantile of the places: parts of a deep product are out of focus, and parts of any are smooth
CLEAR, LEAST = 4.0, 1.0  # coarse structure counts from so many times the noise's variance, and squared code values
FEWEST = PLACES // 2 + PLACES // 8  # places that count; with fewer the product is smooth
FINEST_ENLARGED = 0.88  # white noise seen through an enlargement from half of the size (sigma 0.86 px): none is finer
NOISE = 0.25  # quantile of the calm places
FLAT = 0.1  # share of the frame without any noise, as where a background was replaced
PAGE = 118  # code value of 18 % in sRGB (IEC 61966-2-1): a page is lighter; compression leaves dark leather without noise, too
RUN = range(2, 17, 2)  # pixels of the reduced picture down and right within which nothing changes there


def fine_detail(picture, outline):
    """
    Fine over coarse structure at the sharpest places inside a product on a replaced background.

    Parameters
    ----------
    picture : Picture
    outline : Outline

    Returns
    -------
    float or None
        Ratio of deviations of what lies between 0.7 and 1.4 px and between 1.4 and 2.8 px, the
        noise taken off: 0.63 for plain edges at a lens's own blur of 0.5 px, more for what is finer,
        0.37 for edges blurred by 2 px. None where the background has noise all over, so that the
        outline is the lens's, or where the product is too smooth or too small.
    """
    return detail_within(picture, outline) if outline.box is not None and was_replaced(picture.grey) else None


def detail_within(picture, outline):
    """`fine_detail` of a picture whose background is known to be replaced."""
    places, calm = _places(picture, outline)
    if len(places) < FEWEST or not len(calm):
        return None
    fine, coarse = _energies(picture.encoded, np.concatenate([places, calm]))
    fine_noise, coarse_noise = (quantile(energy[len(places) :], NOISE) for energy in (fine, coarse))
    fine, coarse = fine[: len(places)] - fine_noise, coarse[: len(places)] - coarse_noise
    clear = coarse > max(CLEAR * fine_noise, LEAST)
    if clear.sum() < FEWEST:
        return None
    return float(np.sqrt(quantile(np.maximum(fine[clear], 0) / coarse[clear], SHARPEST)))


def was_replaced(grey):
    """Whether a light part of the frame has neither noise nor shading, which only clipping leaves of a photographed background."""
    height, width = (side - RUN.stop for side in grey.shape)
    if min(height, width) < RUN.stop:
        return False
    here = np.ascontiguousarray(grey[:height:4, :width:4])
    flat = here > PAGE
    for apart in RUN:
        flat &= grey[apart : apart + height : 4, apart : apart + width : 4] == here
        if np.count_nonzero(flat) <= FLAT * flat.size:  # most pictures have noise: the first look tells
            return False
    return True


def _places(picture, outline):
    """Centres (row, column; full-resolution px) of the places with most structure and of the calmest, (n, 2) and (m, 2)."""
    scale = picture.grey_reduction
    away = -(-(FROM_OUTLINE + SIDE // 2) // scale)
    inner = of_size(outline.mask.view(np.uint8), picture.grey.shape)
    left, top, width, height = cv2.boundingRect(inner)
    rows, columns = height // BLOCK, width // BLOCK
    if not rows or not columns:
        return np.empty((0, 2), int), np.empty((0, 2), int)
    part = slice(top, top + rows * BLOCK), slice(left, left + columns * BLOCK)
    inner = cv2.erode(inner, np.ones((2 * away + 1, 2 * away + 1), np.uint8), borderValue=1)[part]
    grey = picture.grey[part]
    size = cv2.absdiff(grey, cv2.blur(grey, (5, 5)))
    strength = block_peaks(size, BLOCK)
    inside = np.flatnonzero(inner[BLOCK // 2 :: BLOCK, BLOCK // 2 :: BLOCK])
    inside = inside[np.argsort(-strength.ravel()[inside].astype(int), kind="stable")]
    centre = np.stack(np.divmod(inside, columns), axis=1) * BLOCK + BLOCK // 2 + (top, left)
    centre = centre * scale + scale // 2
    return centre[: min(PLACES, len(centre) // 2)], centre[len(centre) - min(CALM, len(centre) // 4) :]


def _energies(encoded, centre):
    """Mean squares of fine and of coarse structure at each place, squared code values, two of (n,)."""
    height, width = encoded.shape[:2]
    half = SIDE // 2 + MARGIN
    if min(height, width) <= 2 * half:
        return np.zeros(len(centre)), np.zeros(len(centre))
    patches = np.empty((len(centre), 2 * half, 2 * half, 3), np.uint8)
    tops, lefts = (np.clip(centre[:, k] - half, 0, side - 2 * half).tolist() for k, side in enumerate((height, width)))
    for patch, y, x in zip(patches, tops, lefts, strict=True):
        patch[:] = encoded[y : y + 2 * half, x : x + 2 * half]
    grey = cv2.cvtColor(patches.reshape(-1, 2 * half, 3), cv2.COLOR_RGB2GRAY).astype(np.float32)
    smooth = [grey := cv2.GaussianBlur(grey, (0, 0), step) for step in _STEPS]  # patches mix in their margins only
    inside = slice(MARGIN, MARGIN + SIDE)
    parts = (cv2.subtract(less, more).reshape(patches.shape[:3])[:, inside, inside] for less, more in zip(smooth, smooth[1:]))
    return [(part * part).mean(axis=(1, 2)) for part in parts]


_STEPS = np.sqrt(np.diff(np.square((0.0, *SCALES)))).tolist()  # each Gaussian made from the one before
