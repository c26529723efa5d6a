"""JPEG quality on the IJG scale, from the quantisation tables."""

import numpy as np

# ITU-T T.81 (09/92) Annex K, tables K.1 and K.2, natural order.
LUMINANCE = np.array([
    16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55, 14, 13, 16, 24, 40, 57, 69, 56, 14, 17, 22, 29, 51, 87, 80, 62,
    18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92, 49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98, 112, 100, 103, 99,
])  # fmt: skip
CHROMINANCE = np.array([
    17, 18, 24, 47, 99, 99, 99, 99, 18, 21, 26, 66, 99, 99, 99, 99, 24, 26, 56, 99, 99, 99, 99, 99, 47, 66, 99, 99, 99, 99, 99, 99,
] + [99] * 32)  # fmt: skip


def ijg_table(base, quality):
    """
    Annex K table scaled as the Independent JPEG Group's library does (``jcparam.c``).

    Parameters
    ----------
    base : (64,) ndarray of int
    quality : int
        1 to 100.

    Returns
    -------
    (64,) ndarray of int, 1 to 255

    Examples
    --------
    >>> ijg_table(LUMINANCE, 75)[:4].tolist()
    [8, 6, 5, 8]
    """
    scale = 5000 // quality if quality < 50 else 200 - 2 * quality
    return np.clip((base * scale + 50) // 100, 1, 255)


_LUMINANCE_TABLES = np.stack([ijg_table(LUMINANCE, quality) for quality in range(1, 101)])
_CHROMINANCE_TABLES = np.stack([ijg_table(CHROMINANCE, quality) for quality in range(1, 101)])


def ijg_quality(luminance, chrominance=None):
    """
    Quality 1 to 100 whose tables come nearest by least squares.

    Exact for files written with the IJG tables (every pair differs). Cameras
    and editors have tables of their own; the number is then the setting of
    the IJG library that quantises alike. Entries above 255 (16-bit tables of
    very low qualities) are compared as 255.

    Parameters
    ----------
    luminance : (64,) sequence of int
        Natural order, 1 to 65535.
    chrominance : (64,) sequence of int, optional
        None for grey pictures.

    Returns
    -------
    int

    Examples
    --------
    >>> ijg_quality(ijg_table(LUMINANCE, 83), ijg_table(CHROMINANCE, 83))
    83
    """
    squares = _squares(luminance, _LUMINANCE_TABLES)
    if chrominance is not None:
        squares = squares + _squares(chrominance, _CHROMINANCE_TABLES)
    return int(np.argmin(squares)) + 1


def _squares(table, tables):
    return np.sum((tables - np.minimum(np.asarray(table), 255)) ** 2, axis=1)
