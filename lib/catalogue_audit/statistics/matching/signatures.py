"""
What is kept of every picture while all are compared with all: a small grid of its frame and its product, its colour, its pixels' hash.
"""

import hashlib
from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median

GRID = 12  # cells a side
FEATURELESS = 6.0  # 8-bit levels of standard deviation: nothing to compare


class Signature(NamedTuple):
    """
    What is kept of every picture while all are compared (about 1.5 kB).

    ``frame`` and ``box`` are zero-mean unit-norm lightness grids of the frame and
    of the product's box (None where that is unknown), ``aspect`` the box's width
    over height; ``colour`` the median CIELAB of the thumbnail's product or, where
    there is none, of the thumbnail; ``pixels`` is equal for equal pixels.
    """

    frame: np.ndarray
    box: np.ndarray | None
    aspect: float
    colour: tuple
    pixels: bytes


def signature(sketch, box):
    """
    Signature of a picture.

    Parameters
    ----------
    sketch : dict of ndarray
        Needs ``thumb``; see `measures.sketch`.
    box : (4,) array_like of float or None
        Product's left, top, right, bottom, fractions of the frame; NaN where unknown.

    Returns
    -------
    Signature or None
        None where there is nothing to compare: no thumbnail, or a flat one.
    """
    thumb = sketch.get("thumb")
    if thumb is None or thumb.size == 0 or float(thumb.std()) < FEATURELESS:
        return None
    grey = cv2.cvtColor(np.ascontiguousarray(thumb), cv2.COLOR_RGB2GRAY).astype(np.float32)
    has_box = box is not None and bool(np.all(np.isfinite(box))) and box[2] - box[0] > 0.05 and box[3] - box[1] > 0.05
    height, width = grey.shape
    aspect = (box[2] - box[0]) * width / ((box[3] - box[1]) * height) if has_box else float("nan")
    content = sketch["preview"] if "preview" in sketch else thumb
    pixels = hashlib.blake2b(content.tobytes() + thumb.tobytes(), digest_size=16).digest()
    return Signature(
        frame=_grid(grey),
        box=_grid(_cut(grey, box)) if has_box else None,
        aspect=float(aspect),
        colour=median_colour(thumb, product_mask(sketch, thumb.shape)),
        pixels=pixels,
    )


def signed(sketches, asked):
    """`signature` of a picture asked for by its file and its product's box."""
    file, box = asked
    return signature(sketches.get(file) or {}, box)


def median_colour(picture, area):
    """Median CIELAB of a picture's area, or of all of it where there is none."""
    pixels = np.ascontiguousarray(picture)
    pixels = pixels.reshape(-1, 3) if area is None or not area.any() else pixels[area]
    lab = cv2.cvtColor(pixels.reshape(1, -1, 3).astype(np.float32) / 255, cv2.COLOR_RGB2LAB)[0]
    return tuple(float(median(np.ascontiguousarray(lab[:, channel]))) for channel in range(3))


def product_mask(sketch, shape):
    """Product mask at the picture's size, or None."""
    mask = sketch.get("mask")
    if mask is None or not mask.any():
        return None
    return cv2.resize(mask.astype(np.uint8), (shape[1], shape[0]), interpolation=cv2.INTER_NEAREST).astype(bool)


def _cut(grey, box):
    """The product's box, resampled."""
    height, width = grey.shape
    left, top, right, bottom = np.asarray(box, float) * [width, height, width, height]
    scale = np.array([(right - left) / 64, (bottom - top) / 64])
    matrix = np.array([[scale[0], 0, left], [0, scale[1], top]], np.float32)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(grey, matrix, (64, 64), flags=flags, borderMode=cv2.BORDER_REPLICATE)


def _grid(grey):
    """Lightness grid with zero mean and unit norm."""
    cells = cv2.resize(np.ascontiguousarray(grey), (GRID, GRID), interpolation=cv2.INTER_AREA).ravel()
    cells = cells - cells.mean()
    return (cells / max(float(np.linalg.norm(cells)), 1e-6)).astype(np.float32)
