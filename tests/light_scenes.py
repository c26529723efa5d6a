"""Painted pictures with known light, colour, blur, noise and dust, as the records that measures take."""

import cv2
import numpy as np

from catalogue_audit.measures.records import Backdrop, Outline
from catalogue_audit.pixels.picture import Picture
from catalogue_audit.pixels.working import LONGEST, LONGEST_GREY, reduced

# Linear sRGB (D65) to CIE XYZ relative to D50, Bradford: rows as published with the sRGB ICC profile
# (IEC 61966-2-1 primaries; W3C CSS Color 4 sample code prints the same figures).
RGB_TO_XYZ_D50 = np.array(
    [
        [0.4360747, 0.3850649, 0.1430804],
        [0.2225045, 0.7168786, 0.0606169],
        [0.0139322, 0.0971045, 0.7141733],
    ]
)
D50 = np.array([0.9642, 1.0, 0.8249])


def to_code(linear):
    """Linear light 0 to 1 as 8-bit sRGB code values, float (IEC 61966-2-1)."""
    linear = np.clip(linear, 0, 1)
    return 255 * np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def to_linear(code):
    """8-bit sRGB code values as linear light 0 to 1 (IEC 61966-2-1)."""
    value = np.asarray(code, float) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def to_lab(linear):
    """Linear sRGB as CIELAB, D50 (CIE 15:2004)."""
    linear = np.asarray(linear)
    kind = np.float32 if linear.dtype == np.float32 else np.float64
    ratio = linear.astype(kind) @ (RGB_TO_XYZ_D50 / D50[:, None]).T.astype(kind)
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(np.maximum(ratio, 0)), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)


def rounded_code(code):
    """Float code values as uint8."""
    return np.clip(np.rint(code), 0, 255).astype(np.uint8)


def through_jpeg(code, quality=92, subsampling=cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420):
    """RGB code values after JPEG compression."""
    settings = [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, subsampling]
    _, data = cv2.imencode(".jpg", np.ascontiguousarray(code[..., ::-1]), settings)
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])


def picture_of(code):
    """A `Picture` of RGB code values, uint8, read as sRGB and reduced as `pixels.decode` reduces."""
    working, reduction = reduced(code, LONGEST)
    grey, grey_reduction = reduced(code, LONGEST_GREY)
    grey = cv2.cvtColor(grey, cv2.COLOR_RGB2GRAY)
    return Picture(code, None, working, None, reduction, grey, grey_reduction)


def outline_of(mask, shadow=None, confidence=1.0, source="background"):
    """An `Outline` of a boolean working mask."""
    shadow = np.zeros_like(mask) if shadow is None else shadow
    found, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    contours = tuple(sorted((c[:, 0].astype(np.float32) + 0.5 for c in found), key=len, reverse=True))
    box = None
    if mask.any():
        rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
        height, width = mask.shape
        box = (columns[0] / width, rows[0] / height, (columns[-1] + 1) / width, (rows[-1] + 1) / height)
    return Outline(mask, shadow, contours, box, (), source, confidence, "")


def backdrop_of(picture, lab=(95.0, 0.0, 0.0), kind="white", confidence=1.0):
    """A flat `Backdrop`."""
    surface = np.broadcast_to(np.asarray(lab, np.float32), picture.lab.shape)
    return Backdrop(np.ascontiguousarray(np.moveaxis(surface, -1, 0)), np.full(3, 0.5, np.float32), kind, confidence)


def bag(size=(1200, 1600), background=240.0, body=(120.0, 70.0, 55.0), supersample=4, details=True):
    """
    A plain painted bag, sharp, pixel-integrated.

    Returns
    -------
    code : (H, W, 3) float64
        Code values, without noise or blur.
    mask : (H, W) bool
    """
    height, width = size
    big = np.full((height * supersample, width * supersample, 3), background, np.float32)
    inside = np.zeros(big.shape[:2], np.uint8)

    def polygon(target, points, colour):
        corners = np.array([(x * width * supersample, y * height * supersample) for x, y in points])
        cv2.fillPoly(target, [np.rint(corners).astype(np.int32)], colour)

    body_points = [(0.30, 0.36), (0.69, 0.345), (0.73, 0.86), (0.27, 0.88)]
    for target, colour in ((big, body), (inside, 1)):
        polygon(target, body_points, colour)
        centre = int(0.5 * width * supersample), int(0.36 * height * supersample)
        radius = int(0.22 * height * supersample)
        cv2.ellipse(target, centre, (radius, radius), 0, 180, 360, colour, int(0.03 * height * supersample))
    if details:
        polygon(big, [(0.40, 0.45), (0.60, 0.44), (0.61, 0.60), (0.39, 0.61)], tuple(0.6 * c for c in body))
        polygon(big, [(0.47, 0.50), (0.53, 0.495), (0.535, 0.56), (0.465, 0.565)], (205.0, 190.0, 150.0))
        for k in range(6):
            x, y = 0.32 + 0.06 * k, 0.72 + 0.01 * (k % 3)
            corners = [(x, y), (x + 0.03, y + 0.012), (x + 0.02, y + 0.05), (x - 0.006, y + 0.04)]
            polygon(big, corners, tuple(min(255.0, 1.7 * c) for c in body))
    code = cv2.resize(big, (width, height), interpolation=cv2.INTER_AREA).astype(np.float64)
    mask = cv2.resize(inside, (width, height), interpolation=cv2.INTER_AREA) > 0
    return code, mask


def working_mask(mask, picture):
    """Full-resolution mask at working size."""
    height, width = picture.working.shape[:2]
    return cv2.resize(mask.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST) > 0
