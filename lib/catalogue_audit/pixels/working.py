"""The reduced picture, in one known space: sRGB codes; and CIELAB of linear light."""

import cv2
import numpy as np

from catalogue_audit.pixels.colour import LINEAR_TO_XYZ, D50_WHITE, lab_function, srgb_encode
from catalogue_audit.pixels.profiles import model_for, through_table

LONGEST = 1200  # px; at half of it the outline is as good as at twice, at 500 px thin parts begin to suffer
LONGEST_GREY = 1500  # px; below half of it the perceptual hash moves by some bits, and specks of 3 px are lost

# XYZ over white is looked up with 16 bits, the top kept for colours lighter than white in one channel.
_STEPS = 60_000
_LAB_TABLE = lab_function(np.arange(65536) / _STEPS).astype(np.float32)
_LIGHTNESS_TABLE = 116 * _LAB_TABLE - 16
_TO_STEPS = np.hstack([_STEPS * LINEAR_TO_XYZ / D50_WHITE[:, None], np.full((3, 1), 0.5)]).astype(np.float32)
_TO_LAB = np.array([[0, 116, 0, -16], [500, -500, 0, 0], [0, 200, -200, 0]], np.float32)
_ENCODE_TABLE = np.rint(255 * srgb_encode(np.arange(65536) / 65535)).astype(np.uint8)
_BLOCK = 32  # rows at a time, so that what lies between stays in the processor's cache ...
_BLOCK_PIXELS = 20_000  # ... or pixels


def reduce_and_convert(codes, fine, grey_reduction, profile):
    """
    Working picture of code values.

    Parameters
    ----------
    codes : (H, W, 3) or (H, W) uint8
        As the file holds them.
    fine : array of the same kind, uint8
        The same, reduced by `grey_reduction` to at most `LONGEST_GREY`.
    grey_reduction : int
    profile : (bytes or None, str)
        The embedded profile, and what the codes are: 'RGB' or 'GRAY'.

    Returns
    -------
    working : (h, w, 3) uint8
        sRGB.
    light : (h, w, 3) float32 or None
        Linear sRGB light, also outside 0 to 1; None where it is that of `working`.
    reduction : int
    grey : (h2, w2) uint8
        Luma of ``fine``.
    note : str
        What was wrong with the profile, or empty.
    """
    grey = cv2.cvtColor(fine, cv2.COLOR_RGB2GRAY) if fine.ndim == 3 else fine
    small, reduction = reduced(fine, LONGEST)
    reduction *= grey_reduction
    if reduction == 1:
        small = codes.copy()  # the caller's memory may be used again
    model = model_for(*profile)
    if model.table is not None:
        plain = profile[1] == "GRAY" and small.ndim == 3
        small = through_table(model, np.ascontiguousarray(small[..., 0]) if plain else small)
    if small.ndim == 2:
        small = cv2.cvtColor(small, cv2.COLOR_GRAY2RGB)
    if model.identity or model.table is not None:
        return small, None, reduction, grey, model.note
    light = cv2.transform(cv2.LUT(small, model.curves[None]), model.matrix.astype(np.float32))
    return srgb_codes(np.clip(light, 0, 1)), light, reduction, grey, model.note


def reduced(codes, longest):
    """
    Means of 2 x 2 pixels, repeated until the long side is at most ``longest``.

    Rows and columns beyond a multiple of the reduction are left out, at the
    bottom and right, so that a working pixel is always ``reduction`` pixels.

    Returns
    -------
    array of the kind of ``codes``, int
    """
    halvings, size = 0, codes.shape[:2]
    while max(size) > longest and min(size) > 1:
        halvings, size = halvings + 1, (size[0] // 2, size[1] // 2)
    if not halvings:
        return codes, 1
    reduction, (height, width) = 2**halvings, size
    small = np.empty((height, width, *codes.shape[2:]), np.uint8)
    for top in range(0, height, _BLOCK):
        rows = codes[top * reduction : min(top + _BLOCK, height) * reduction, : width * reduction]
        for _ in range(halvings):
            rows = cv2.resize(rows, (rows.shape[1] // 2, rows.shape[0] // 2), interpolation=cv2.INTER_AREA)
        small[top : top + _BLOCK] = rows
    return small, reduction


def lab_of(linear, in_range=True):
    """
    CIELAB (D50) of linear sRGB light, quickly.

    Parameters
    ----------
    linear : (..., 3) float32
        Contiguous.
    in_range : bool
        Whether all of it lies in 0 to 1.

    Returns
    -------
    (..., 3) float32
        Within 0.01 of `colour.lab_from_linear` in L*, 0.07 in a* and b* (the step of the table, near black).
    """
    lab = np.empty_like(linear)
    pixels, found = linear.reshape(-1, 1, 3), lab.reshape(-1, 1, 3)
    for first in range(0, len(pixels), _BLOCK_PIXELS):
        steps = cv2.transform(pixels[first : first + _BLOCK_PIXELS], _TO_STEPS)
        if not in_range:
            np.clip(steps, 0, 65535, out=steps)
        roots = cv2.LUT(steps.astype(np.uint16), _LAB_TABLE)
        cv2.transform(roots, _TO_LAB, dst=found[first : first + _BLOCK_PIXELS])
    return lab


def lightness_of(linear):
    """CIELAB L* of linear sRGB light (h, w, 3), float32, 0 to 1: as `lab_of` gives it, for a third of its time."""
    steps = cv2.transform(linear, _TO_STEPS[1:2])
    return cv2.LUT(steps.astype(np.uint16), _LIGHTNESS_TABLE)


def srgb_codes(linear):
    """sRGB codes (uint8) of linear light (float32, 0 to 1)."""
    return cv2.LUT(cv2.multiply(linear, 65535, dtype=cv2.CV_16U), _ENCODE_TABLE)
