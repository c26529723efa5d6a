"""CIELAB (D50) of linear sRGB, and CIEDE2000; for stating the size of a fault."""

import math

import numpy as np

# Linear sRGB to XYZ of the ICC profile connection space (D50), rounded as in ICC sRGB profiles.
TO_XYZ_D50 = np.array([[0.4360747, 0.3850649, 0.1430804], [0.2225045, 0.7168786, 0.0606169], [0.0139322, 0.0971045, 0.7141733]])
WHITE_D50 = TO_XYZ_D50.sum(axis=1)


def linear_rgb_to_lab(rgb):
    """(…, 3) linear sRGB to CIE 1976 L*a*b*."""
    t = np.asarray(rgb) @ TO_XYZ_D50.T / WHITE_D50
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)


def ciede2000(first, second):
    """Colour difference of two L*a*b* triples; CIE 142-2001, as in ISO/CIE 11664-6."""
    (l1, a1, b1), (l2, a2, b2) = map(float, first), map(float, second)
    mean_c = (math.hypot(a1, b1) + math.hypot(a2, b2)) / 2
    g = 0.5 * (1 - math.sqrt(mean_c**7 / (mean_c**7 + 25.0**7)))
    a1, a2 = a1 * (1 + g), a2 * (1 + g)
    c1, c2 = math.hypot(a1, b1), math.hypot(a2, b2)
    h1, h2 = math.degrees(math.atan2(b1, a1)) % 360, math.degrees(math.atan2(b2, a2)) % 360
    dh = (h2 - h1 + 180) % 360 - 180 if c1 * c2 else 0.0
    dl, dc, big_h = l2 - l1, c2 - c1, 2 * math.sqrt(c1 * c2) * math.sin(math.radians(dh / 2))
    ml, mc = (l1 + l2) / 2, (c1 + c2) / 2
    mh = (h1 + h2 if not c1 * c2 else h1 + dh / 2) % 360
    t = (1 - 0.17 * math.cos(math.radians(mh - 30)) + 0.24 * math.cos(math.radians(2 * mh))
         + 0.32 * math.cos(math.radians(3 * mh + 6)) - 0.20 * math.cos(math.radians(4 * mh - 63)))
    sl = 1 + 0.015 * (ml - 50) ** 2 / math.sqrt(20 + (ml - 50) ** 2)
    sc, sh = 1 + 0.045 * mc, 1 + 0.015 * mc * t
    rt = -2 * math.sqrt(mc**7 / (mc**7 + 25.0**7)) * math.sin(math.radians(60 * math.exp(-(((mh - 275) / 25) ** 2))))
    return math.sqrt((dl / sl) ** 2 + (dc / sc) ** 2 + (big_h / sh) ** 2 + rt * (dc / sc) * (big_h / sh))
