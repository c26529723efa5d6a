"""
The rhythm of an enlargement: interpolated pixels are smoother between the small picture's own than on them.

The size of differences along rows and columns therefore goes up and down with the pixels
of the small picture, all over the picture. No lens and no movement leaves such a rhythm.
It is carried by detail near the finest that the small picture held, so the differences
are taken over a few pixels: noise, which came later, is at home in finer ones.
"""

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median

MOST_SAMPLES = 400_000  # pixels looked at along each axis; rows or columns are left out for it
DIFFERENCE = np.array([[-1, 0, 3, 0, -3, 0, 1]], np.float32)  # third difference over every second pixel: strongest at 1/4
SCALE = 0.7  # brings its gain of 8 near 6, and what is counted into 8 bits
STRONGEST = 80  # code values of the difference; an edge beyond would outweigh the texture
FAINT = 6  # code values, about the noise: fainter ones all count alike
GROUP, FAR_GROUP, FAR = 4, 16, 32  # neighbouring columns are read together, more of them where they are so many apart: each place costs as much as ten pixels
STRIPS = 8  # each brought to one scale, so that a striking part does not speak for the picture
SMOOTH, AROUND = 17, 129  # px; slower changes are the product's, and so is a change of their size
BLOCK = 8  # px, of JPEG's luma: multiples of 1 / 8 are left out ...
SKIRT = 4  # ... within this over the picture's length: the compression's rhythm comes and goes with what is shown
SMALLEST = 200  # px a side; too few periods below

_SIZE = np.log(FAINT + np.minimum(np.arange(256), STRONGEST)).astype(np.float32)


def rhythm(encoded):
    """
    How strongly a picture's differences repeat at each frequency.

    Parameters
    ----------
    encoded : (H, W, 3) uint8
        At least `SMALLEST` px a side, else nothing is found.

    Returns
    -------
    frequency : (n,) ndarray
        Cycles a pixel, 0 to 0.5. An enlargement repeats at the linear size of the small picture over
        this one's, or, where that is above 0.5, at 1 less that.
    strength : (n,) ndarray
        Amplitude over the median around it, geometric mean of both axes: by chance
        2.3 at the strongest, in one picture of thirty 2.8 (measured).

    References
    ----------
    .. [1] A. C. Gallagher, "Detection of Linear and Cubic Interpolation in JPEG Compressed Images", Proc. 2nd
       Canadian Conf. on Computer and Robot Vision, 65-72, 2005.
    """
    height, width = encoded.shape[:2]
    if min(height, width) < SMALLEST:
        return np.empty(0), np.empty(0)
    step = -(-height * width // MOST_SAMPLES)
    group = FAR_GROUP if step >= FAR else GROUP
    step = min(step, width // group)
    length = 1 << (2 * max(height, width) - 1).bit_length()
    groups = width // (group * step)
    along_rows = _sizes(encoded[step // 2 :: step], DIFFERENCE)
    columns = encoded[:, : groups * group * step].reshape(height, groups, group * step, 3)[:, :, :group]
    along_columns = _sizes(columns.reshape(height, groups * group, 3), DIFFERENCE.T)
    rows = _strips(len(along_rows)) @ along_rows
    columns = (along_columns @ _strips(along_columns.shape[1]).T).T
    strength = np.sqrt(_spectrum(rows, length) * _spectrum(columns, length))
    frequency = np.arange(len(strength)) / length
    for harmonic in range(BLOCK // 2 + 1):
        strength[np.abs(frequency - harmonic / BLOCK) < SKIRT / min(height, width)] = 0
    return frequency, strength


def _sizes(part, kernel):
    """Logarithm of the size of differences of luma, float32."""
    grey = cv2.cvtColor(np.ascontiguousarray(part), cv2.COLOR_RGB2GRAY)
    return cv2.LUT(cv2.convertScaleAbs(cv2.filter2D(grey, cv2.CV_16S, kernel), alpha=SCALE), _SIZE)


def _strips(count):
    """Matrix that takes the mean of each of `STRIPS` equal parts of so many rows."""
    part = np.arange(count) * STRIPS // count == np.arange(STRIPS)[:, None]
    return (part / np.maximum(part.sum(axis=1, keepdims=True), 1)).astype(np.float32)


def _spectrum(traces, length):
    """Amplitude spectrum of the sum of traces (rows), each of even strength, over the median of the frequencies around."""
    fast = traces - cv2.blur(traces, (SMOOTH, 1))
    strength = np.sqrt(np.maximum(cv2.blur(fast**2, (AROUND, 1)), 0))
    floor = 0.25 * np.sqrt((fast**2).mean(axis=1, keepdims=True)) + 1e-6
    trace = (fast / (strength + floor)).sum(axis=0)
    amplitude = np.abs(np.fft.rfft(trace * np.hanning(len(trace)), length))[: length // 2]
    around = median(amplitude.reshape(32, -1))
    middle = (np.arange(32) + 0.5) * len(amplitude) / 32
    return amplitude / np.maximum(np.interp(np.arange(len(amplitude)), middle, around), 1e-9)
