"""
Painted test pictures with known truth: a backdrop, a shadow, a product, a camera.

Light is added up in linear sRGB at four times the size and averaged down, as a
lens and a sensor would; the truth mask is the product's coverage, averaged the
same way.
"""

import cv2
import numpy as np

from catalogue_audit.pixels.picture import Picture
from catalogue_audit.pixels.working import LONGEST, LONGEST_GREY, reduced

_SUPER = 4  # samples across a pixel


def encode(linear):
    """Linear light, 0 to 1, as 8-bit sRGB (IEC 61966-2-1)."""
    linear = np.clip(linear, 0, 1)
    code = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.rint(code * 255).astype(np.uint8)


def picture_of(rgb, alpha=None):
    """The `Picture` that decoding an sRGB file with these pixels gives."""
    shown = rgb
    if alpha is not None:
        cover = alpha[..., None].astype(np.float32) / 255
        shown = np.rint(rgb * cover + 255 * (1 - cover)).astype(np.uint8)
    working, reduction = reduced(shown, LONGEST)
    grey, grey_reduction = reduced(shown, LONGEST_GREY)
    grey = cv2.cvtColor(grey, cv2.COLOR_RGB2GRAY)
    return Picture(rgb, alpha, working, None, reduction, grey, grey_reduction)


def sweep(height, width, level=0.85, tint=(1, 1, 1), falloff=0.15, vignette=0.1, floor=0.0):
    """A studio backdrop in linear light: level, colour, fall-off downwards, dark corners, a floor tone."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    u, v = (x + 0.5) / width - 0.5, (y + 0.5) / height - 0.5
    light = level * (1 - falloff * (v + 0.5)) * (1 - vignette * (u**2 + v**2) * 2)
    light = light * (1 - floor / (1 + np.exp(-(v - 0.12) * 25)))
    return light[..., None] * np.asarray(tint, np.float32)


def photograph(linear, noise=0.004, blur=0.7, seed=0):
    """What the camera keeps of a scene in linear light: lens blur, shot noise, 8-bit sRGB."""
    seen = cv2.GaussianBlur(linear.astype(np.float32), (0, 0), blur) if blur else linear
    grain = np.random.default_rng(seed).normal(size=seen.shape) * noise * np.sqrt(np.maximum(seen, 0) + 0.02)
    return encode(seen + grain)


def cover(shape, *polygons):
    """Coverage (h, w) of polygons ((n, 2) points, x right, y down, pixel centres at + 0.5), area-sampled."""
    canvas = np.zeros((shape[0] * _SUPER, shape[1] * _SUPER), np.uint8)
    for points in polygons:
        fine = (np.asarray(points, float) * _SUPER - 0.5) * 256
        cv2.fillPoly(canvas, [np.rint(fine).astype(np.int32)], 255, lineType=cv2.LINE_8, shift=8)
    return cv2.resize(canvas, shape[::-1], interpolation=cv2.INTER_AREA).astype(np.float32) / 255


def strip(path, width):
    """Polygon of a band of constant width along a path (n, 2): a strap, a handle."""
    path = np.asarray(path, float)
    along = np.gradient(path, axis=0)
    normal = np.stack([-along[:, 1], along[:, 0]], 1) / np.linalg.norm(along, axis=1, keepdims=True)
    return np.concatenate([path + normal * width / 2, (path - normal * width / 2)[::-1]])


def arch(centre_x, base_y, half_width, height, points=60):
    """Path of a handle: half an ellipse that stands on ``base_y``."""
    angle = np.linspace(np.pi, 0, points)
    return np.stack([centre_x + half_width * np.cos(angle), base_y - height * np.sin(angle)], 1)


def turned(points, degrees, centre):
    """Points turned clockwise as seen (y down) about a centre."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    offset = np.asarray(points, float) - centre
    return offset @ np.array([[c, s], [-s, c]]) + centre


def soft_shadow(mask, strength=0.5, sigma=12, down=8):
    """Transmission (h, w) of a shadow: the product's foot, moved down and blurred."""
    h = mask.shape[0]
    rows = np.flatnonzero(mask.max(axis=1) > 0.5)
    foot = mask.copy()
    foot[: int(rows[-1] - 0.12 * (rows[-1] - rows[0]))] = 0
    moved = np.zeros_like(foot)
    moved[down:] = foot[: h - down]
    return 1 - strength * np.clip(cv2.GaussianBlur(moved, (0, 0), sigma) * 1.5, 0, 1)


def put(background, mask, colour, shadow=None):
    """Product of one colour, or its own pixels (h, w, 3), on a background, with a shadow's transmission."""
    lit = background if shadow is None else background * shadow[..., None]
    return lit * (1 - mask[..., None]) + np.asarray(colour, np.float32) * mask[..., None]
