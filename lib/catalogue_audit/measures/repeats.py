"""
The period of an enlargement: interpolated pixels are smoother between the small picture's own than on them.

The size of the second difference along rows and columns therefore goes up and down with the
pixels of the small picture. No lens and no movement leaves such a rhythm.
"""

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median

MOST_SAMPLES = 400_000  # pixels looked at along each axis; rows or columns are left out for it
STRONGEST = 40  # code values of a second difference, above which an edge would outweigh the texture
SMOOTH = 17  # px; slower changes are the product's
LOWEST = 0.2  # cycles a pixel; below, enlargements are folded from shares that are no fault
BLOCK = 8  # of JPEG and of its halved chroma: multiples of 1 / 16 are left out
CLEAR = 3.5  # times the spectrum around it, geometric mean of both axes; 2 to 3 by chance (measured)
SMALLEST = 200  # px a side; too few periods below

_SIZE = np.log1p(np.minimum(np.arange(256), STRONGEST)).astype(np.float32)


def repeats(encoded):
    """
    Frequency at which the second difference of a picture repeats.

    Parameters
    ----------
    encoded : (H, W, 3) uint8

    Returns
    -------
    float
        Cycles a pixel, `LOWEST` to 0.5: the linear size of the small picture over this one's,
        or 1 less that; NaN where no rhythm is seen.

    References
    ----------
    .. [1] A. C. Gallagher, "Detection of Linear and Cubic Interpolation in JPEG Compressed Images", Proc. 2nd
       Canadian Conf. on Computer and Robot Vision, 65-72, 2005.
    """
    height, width = encoded.shape[:2]
    if min(height, width) < SMALLEST:
        return np.nan
    step = -(-height * width // MOST_SAMPLES)
    length = 1 << (2 * max(height, width) - 1).bit_length()
    pixels = encoded.view("V3")[..., 0]  # copied whole, which takes a third of the time of three bytes each
    rows, columns = (_grey(part) for part in (pixels[step // 2 :: step], pixels[:, step // 2 :: step]))
    strength = np.sqrt(_spectrum(rows, length) * _spectrum(cv2.transpose(columns), length))
    frequency = np.arange(len(strength)) / length
    strength[frequency < LOWEST] = 0
    for harmonic in range(1, 2 * BLOCK + 1):
        strength[np.abs(frequency - harmonic / (2 * BLOCK)) < 4 / min(height, width)] = 0
    peak = int(np.argmax(strength))
    return float(frequency[peak]) if strength[peak] > CLEAR else np.nan


def _grey(pixels):
    """Luma of (h, w) pixels of three bytes."""
    return cv2.cvtColor(np.ascontiguousarray(pixels).view(np.uint8).reshape(*pixels.shape, 3), cv2.COLOR_RGB2GRAY)


def _spectrum(grey, length):
    """Amplitude spectrum of the mean second difference along rows, over the median of the frequencies around."""
    second = cv2.convertScaleAbs(cv2.filter2D(grey, cv2.CV_16S, np.array([[1, -2, 1]], np.float32)))
    trace = cv2.reduce(cv2.LUT(second, _SIZE), 0, cv2.REDUCE_AVG)
    trace = (trace - cv2.blur(trace, (SMOOTH, 1)))[0]
    amplitude = np.abs(np.fft.rfft(trace * np.hanning(len(trace)), length))[: length // 2]
    around = median(amplitude.reshape(32, -1))
    middle = (np.arange(32) + 0.5) * len(amplitude) / 32
    return amplitude / np.maximum(np.interp(np.arange(len(amplitude)), middle, around), 1e-9)
