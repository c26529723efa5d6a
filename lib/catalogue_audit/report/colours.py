"""CIELAB as the tables hold it, as a colour to paint with."""

import numpy as np

# CIE XYZ of D50, the white of the ICC profile connection space (ICC.1:2022, 6.3.4.3).
D50 = np.array([0.9642, 1.0, 0.8249])
# Linear sRGB from XYZ adapted to D50 by Bradford, as in the sRGB ICC profile; inverse of its three colorants.
XYZ_D50_TO_RGB = np.array(
    [
        [3.1338561, -1.6168667, -0.4906146],
        [-0.9787684, 1.9161415, 0.0334540],
        [0.0719453, -0.2289914, 1.4052427],
    ]
)


def lab_to_srgb8(lab):
    """
    8-bit sRGB of a CIELAB (D50) colour, clipped into the gamut.

    Parameters
    ----------
    lab : (3,) array_like
        L* in [0, 100], a*, b*.

    Returns
    -------
    tuple of int
        Red, green, blue, 0 to 255.

    References
    ----------
    CIE 15:2004, 8.2.1; IEC 61966-2-1:1999.

    Examples
    --------
    >>> lab_to_srgb8((100, 0, 0)), lab_to_srgb8((0, 0, 0))
    ((255, 255, 255), (0, 0, 0))
    """
    lightness, a, b = (float(value) for value in lab)
    fy = (lightness + 16) / 116
    f = np.array([fy + a / 500, fy, fy - b / 200])
    xyz = D50 * np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29))
    linear = np.clip(XYZ_D50_TO_RGB @ xyz, 0, 1)
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return tuple(int(value) for value in np.rint(255 * encoded))
