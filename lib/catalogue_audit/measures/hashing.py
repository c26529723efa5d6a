"""The perceptual hash: 64 bits that stay put when a picture is scaled or saved again."""

from functools import lru_cache

import cv2
import numpy as np
from PIL import Image

from catalogue_audit.measures.quantiles import median

LEAST_PX = 750  # long side; from less than that, some bits move
FLAT_LIMIT = 1.0  # standard deviation of the 32 x 32 grey picture, 8-bit; below it the bits are noise


def phash64(picture):
    """
    DCT hash of 64 bits, as `imagehash.phash` computes it.

    Parameters
    ----------
    picture : (h, w, 3) or (h, w) uint8
        Upright, on white; for bits equal to those of the full-size file the
        long side should be 750 px or more.

    Returns
    -------
    int or None
        Most significant bit first, row by row. None where the picture is
        nearly flat: its bits would be noise.

    References
    ----------
    C. Zauner, *Implementation and Benchmarking of Perceptual Image Hash
    Functions*, 2010; grey by ITU-R 601 as Pillow does, Lanczos to 32 x 32,
    DCT-II, the 8 x 8 lowest frequencies above their median.
    """
    while max(picture.shape[:2]) >= 2 * LEAST_PX:
        height, width = picture.shape[0] // 2, picture.shape[1] // 2
        picture = cv2.resize(picture[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA)
    grey = np.asarray(Image.fromarray(picture).convert("L")) if picture.ndim == 3 else picture
    height, width = grey.shape
    across = np.hstack([grey[:, columns].astype(np.float32) @ weights for columns, weights in _bands(width)])
    across = np.clip(np.rint(across), 0, 255)
    pixels = np.clip(np.rint(_lanczos(height) @ across), 0, 255).astype(float)
    if pixels.std() < FLAT_LIMIT:
        return None
    low = (_COSINES @ pixels @ _COSINES.T)
    bits = low > median(low.ravel())
    return int.from_bytes(np.packbits(bits).tobytes(), "big")


@lru_cache(maxsize=8)
def _lanczos(count):
    """Weights (32, count), float32, of Lanczos' kernel with three lobes, as Pillow resizes to 32 samples."""
    scale = max(count / 32, 1.0)
    centre = (np.arange(32) + 0.5) * count / 32
    at = (np.arange(count) + 0.5 - centre[:, None]) / scale
    weights = np.where(np.abs(at) < 3, np.sinc(at) * np.sinc(at / 3), 0)
    return (weights / weights.sum(axis=1, keepdims=True)).astype(np.float32)


@lru_cache(maxsize=8)
def _bands(count, bands=4):
    """`_lanczos` in bands of samples, without the pixels that none of a band's samples looks at: slice and weights (pixels, samples)."""
    parts = []
    for weights in np.split(_lanczos(count), bands):
        used = np.flatnonzero(weights.any(axis=0))
        span = slice(int(used[0]), int(used[-1]) + 1)
        parts.append((span, np.ascontiguousarray(weights[:, span].T)))
    return parts


def _cosines():
    k, n = np.ogrid[:8, :32]
    return 2 * np.cos(np.pi * k * (2 * n + 1) / 64)


_COSINES = _cosines()


def hash_text(value):
    """
    16 hex digits, as imagehash prints them; '' for None.

    Examples
    --------
    >>> hash_text(255)
    '00000000000000ff'
    """
    return "" if value is None else f"{value:016x}"


def hash_distance(first, second):
    """
    Number of bits in which two hashes differ; None where either is None.

    Examples
    --------
    >>> hash_distance(0b1011, 0b0001)
    2
    """
    if first is None or second is None:
        return None
    return (int(first) ^ int(second)).bit_count()
