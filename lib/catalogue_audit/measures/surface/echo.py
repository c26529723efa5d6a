"""
A smear's length from its echo: every line and dot of a smeared picture ends a smear's length from where it begins.

The slope of a uniform smear of any structure, taken along it, is that structure less itself a length
further. Against itself the picture's fine structure then runs the other way at just that
distance, of edges, of lines narrower than the smear and of texture alike, where no single edge stands clear any more.
"""

import math

import cv2
import numpy as np

from catalogue_audit.pixels.profiles import SRGB_CURVE

WINDOW = 3000  # px, greatest side of what is looked at: more adds nothing
RANGE = 0.6, 1.5  # times the length that the edges give: where the echo is looked for
SMOOTHED = 0.1, 0.7  # times the length, and at least px: along the smear, against noise
ACROSS = 1.0  # px; smoothing across the smear
CLEAR = -0.2  # autocorrelation; a smear alone has -0.5, noise and curved edges leave smeared pictures -0.24 to -0.48 (measured)
_LIGHT = (255 * SRGB_CURVE).astype(np.float32)  # linear light of code values


def echo_length(picture, outline, length, angle):
    """
    Length of a smear, from the autocorrelation of the second difference along it.

    Parameters
    ----------
    picture : Picture
    outline : Outline
        The whole frame is looked at where it has no product.
    length : float
        As the edges' widths give it, full-resolution pixels.
    angle : float
        Degrees, 0 horizontal, + clockwise as seen.

    Returns
    -------
    float
        Full-resolution pixels; NaN where there is no echo.

    References
    ----------
    .. [1] Y. Yitzhaky, N. S. Kopeika, "Identification of blur parameters from motion blurred images",
       Graphical Models and Image Processing 59:310-320, 1997 (the autocorrelation of the derivative along the
       motion has its minimum at the extent of the blur; cited from memory).
    """
    light, inside = _turned(picture, outline, length, angle)
    light = cv2.GaussianBlur(light, (0, 0), sigmaX=max(SMOOTHED[0] * length, SMOOTHED[1]), sigmaY=ACROSS)
    curve = cv2.filter2D(light, -1, np.array([[1, -2, 1]], np.float32)) * inside
    power = float(np.vdot(curve, curve))
    lags = np.arange(math.ceil(RANGE[0] * length), int(RANGE[1] * length) + 1)
    lags = lags[lags < curve.shape[1] // 2]
    if power <= 0 or not len(lags):
        return math.nan
    alike = [float((curve[:, :-lag] * curve[:, lag:]).sum()) / power for lag in lags.tolist()]
    lowest = int(np.argmin(alike))
    return float(lags[lowest]) if alike[lowest] < CLEAR else math.nan


def _turned(picture, outline, length, angle):
    """Linear light around the product with the smear along the rows, and where it counts; both (n, n) float32."""
    height, width = picture.encoded.shape[:2]
    mask = outline.mask.view(np.uint8) if outline.box is not None else np.ones(picture.working.shape[:2], np.uint8)
    reduction = width / mask.shape[1]
    reach = 2 * math.ceil(length / 2 / reduction) + 1
    mask = cv2.dilate(mask, np.ones((reach, reach), np.uint8))
    left, top, wide, high = cv2.boundingRect(mask)
    side = min(math.ceil(math.hypot(wide, high) * reduction), WINDOW)
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    turn = np.array([[c, -s], [s, c]])
    centre = np.array([left + wide / 2, top + high / 2]) * reduction
    place = np.column_stack([turn, centre - turn @ [side / 2, side / 2]])
    flags = cv2.WARP_INVERSE_MAP
    grey = cv2.warpAffine(picture.encoded, place, (side, side), flags=flags | cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    light = cv2.LUT(cv2.cvtColor(grey, cv2.COLOR_RGB2GRAY), _LIGHT)
    inside = cv2.warpAffine(mask, place / reduction, (side, side), flags=flags | cv2.INTER_NEAREST)
    return light, inside.astype(np.float32)
