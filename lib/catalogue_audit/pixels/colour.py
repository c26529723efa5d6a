"""
Colour mathematics on plain arrays: sRGB, XYZ and CIELAB under D50, CIEDE2000, CCT and Duv.

All functions are pure and broadcast over leading axes; the last axis holds
the components. ``linear`` is linear light with Rec. 709 primaries, 1 = white.
"""

import numpy as np

D65_XY = (0.3127, 0.3290)  # IEC 61966-2-1
D50_WHITE = np.array([0.9642, 1.0, 0.8249])  # ICC.1:2010, profile connection space
REC709_XY = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))

BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])  # ICC.1 Annex E


def xyz_of_xy(xy):
    """XYZ with Y = 1 of a chromaticity (..., 2)."""
    x, y = np.moveaxis(np.asarray(xy, float), -1, 0)
    return np.stack([x / y, np.ones_like(x), (1 - x - y) / y], -1)


def adaptation(white_from, white_to):
    """Bradford matrix (3, 3) that takes XYZ under one white to XYZ under another (ICC.1 Annex E)."""
    gains = (BRADFORD @ white_to) / (BRADFORD @ white_from)
    return np.linalg.solve(BRADFORD, gains[:, None] * BRADFORD)


def primaries_matrix(primaries_xy, white_xy):
    """
    Matrix (3, 3) from linear RGB to XYZ under D50 (Bradford) for given primaries and white.

    Parameters
    ----------
    primaries_xy : (3, 2) sequence
        Chromaticities of red, green, blue.
    white_xy : (2,) sequence
    """
    white = xyz_of_xy(white_xy)
    primaries = xyz_of_xy(primaries_xy).T
    scaled = primaries * np.linalg.solve(primaries, white)
    return adaptation(white, D50_WHITE) @ scaled


LINEAR_TO_XYZ = primaries_matrix(REC709_XY, D65_XY)
LINEAR_TO_XYZ_D65 = adaptation(D50_WHITE, xyz_of_xy(D65_XY)) @ LINEAR_TO_XYZ
XYZ_TO_LINEAR = np.linalg.inv(LINEAR_TO_XYZ)


def srgb_decode(encoded):
    """
    Linear light of sRGB code fractions (IEC 61966-2-1).

    Parameters
    ----------
    encoded : array_like
        0 to 1 (code / 255).

    Returns
    -------
    ndarray, 0 to 1

    Examples
    --------
    >>> float(srgb_decode(188 / 255).round(6))
    0.502886
    """
    encoded = np.asarray(encoded, float)
    return np.where(encoded <= 0.04045, encoded / 12.92, (np.maximum(encoded, 0) + 0.055) ** 2.4 / 1.055**2.4)


def srgb_encode(linear):
    """
    sRGB code fraction of linear light, clipped to 0 to 1; inverse of `srgb_decode`.

    Examples
    --------
    >>> float((255 * srgb_encode(0.502886)).round(3))
    188.0
    """
    linear = np.clip(np.asarray(linear, float), 0, 1)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def lab_from_xyz(xyz, white=D50_WHITE):
    """
    CIELAB of XYZ (CIE 015:2018, 8.2.1).

    Parameters
    ----------
    xyz : (..., 3) array_like
        Y of white = 1.
    white : (3,) array_like

    Returns
    -------
    (..., 3) ndarray
        L* in [0, 100]; a*, b* in about [-130, 130].
    """
    ratio = np.asarray(xyz, float) / white
    root = lab_function(ratio)
    x, y, z = np.moveaxis(root, -1, 0)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], -1)


def lab_function(ratio):
    """The f(t) of CIELAB: cube root above (6/29)^3, a straight line below."""
    ratio = np.asarray(ratio, float)
    return np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)


def xyz_from_lab(lab, white=D50_WHITE):
    """XYZ of CIELAB; inverse of `lab_from_xyz`."""
    lightness, a, b = np.moveaxis(np.asarray(lab, float), -1, 0)
    y = (lightness + 16) / 116
    root = np.stack([y + a / 500, y, y - b / 200], -1)
    return np.where(root > 6 / 29, root**3, (116 * root - 16) * 27 / 24389) * white


def lab_from_linear(linear):
    """CIELAB (D50) of linear sRGB light, (..., 3); 1 = white, Bradford adaptation."""
    return lab_from_xyz(np.asarray(linear, float) @ LINEAR_TO_XYZ.T)


def linear_from_lab(lab):
    """Linear sRGB light of CIELAB (D50); outside 0 to 1 where sRGB cannot show the colour."""
    return xyz_from_lab(lab) @ XYZ_TO_LINEAR.T


def ciede2000(first, second):
    """
    CIEDE2000 colour difference, kL = kC = kH = 1.

    Parameters
    ----------
    first, second : (..., 3) array_like
        CIELAB; L* in [0, 100].

    Returns
    -------
    (...) ndarray, 0 and up

    References
    ----------
    CIE 142-2001; G. Sharma, W. Wu, E. N. Dalal, *Color Research & Application*
    30(1):21-30, 2005 (their 34 pairs are a test).

    Examples
    --------
    >>> round(float(ciede2000([50, 2.6772, -79.7751], [50, 0, -82.7485])), 4)
    2.0425
    """
    l1, a1, b1 = np.moveaxis(np.asarray(first, float), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(second, float), -1, 0)
    grey = 0.5 * (1 - _seventh((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2))
    c1, h1 = np.hypot((1 + grey) * a1, b1), np.arctan2(b1, (1 + grey) * a1)
    c2, h2 = np.hypot((1 + grey) * a2, b2), np.arctan2(b2, (1 + grey) * a2)

    coloured = c1 * c2 > 0
    turn = np.where(coloured, (h2 - h1 + np.pi) % (2 * np.pi) - np.pi, 0)
    turn = np.where(coloured & (np.abs(turn + np.pi) <= 1e-12) & (h2 > h1), np.pi, turn)
    lightness, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    hue = np.degrees(np.where(coloured, _mean_hue(h1 % (2 * np.pi), h2 % (2 * np.pi)), h1 + h2))

    t = (
        1
        - 0.17 * _cos(hue - 30)
        + 0.24 * _cos(2 * hue)
        + 0.32 * _cos(3 * hue + 6)
        - 0.20 * _cos(4 * hue - 63)
    )
    s_l = 1 + 0.015 * (lightness - 50) ** 2 / np.sqrt(20 + (lightness - 50) ** 2)
    s_c, s_h = 1 + 0.045 * chroma, 1 + 0.015 * chroma * t
    rotation = -2 * _seventh(chroma) * np.sin(np.radians(60 * np.exp(-(((hue - 275) / 25) ** 2))))
    d_l, d_c, d_h = (l2 - l1) / s_l, (c2 - c1) / s_c, 2 * np.sqrt(c1 * c2) * np.sin(turn / 2) / s_h
    return np.sqrt(np.maximum(d_l**2 + d_c**2 + d_h**2 + rotation * d_c * d_h, 0))


def _seventh(chroma):
    return np.sqrt(chroma**7 / (chroma**7 + 25.0**7))


def _cos(degrees):
    return np.cos(np.radians(degrees))


def _mean_hue(h1, h2):
    """Mean of two hues in [0, 2 pi), by the case distinction of Sharma et al., equation 14."""
    total = h1 + h2
    far = np.abs(h1 - h2) > np.pi
    return np.where(far, np.where(total < 2 * np.pi, total + 2 * np.pi, total - 2 * np.pi), total) / 2
