"""What retouching does: cutting out, cropping to a rule, recolouring, a tone curve, made shadows."""

import cv2
import numpy as np

from .camera import FILL_HEIGHT, FILL_WIDTH
from .canvas import frame_matrix, product_box, to_frame


def recrop(cover, facts, size, finish, roll_deg):
    """Zoom and shift that centre the product and fill the frame by the rule, after rotation."""
    small = (size[0] // 2, size[1] // 2)
    zoom, shift = 1.0, np.zeros(2)
    for _ in range(4):
        matrix = frame_matrix(facts, small, roll_deg, zoom, tuple(shift))
        left, top, right, bottom = product_box(to_frame(cover, matrix, small))
        step = finish.fill_rule / max((right - left) / FILL_WIDTH, (bottom - top) / FILL_HEIGHT)
        centre = np.array([(left + right) / 2 - 0.5, (top + bottom) / 2 - 0.5])
        shift = (shift - centre) * step
        zoom *= step
    return zoom * finish.zoom, tuple((shift + finish.shift).tolist())


def recolour(image, cover, factors):
    """Another colourway from one photograph: leather of the main hue is turned, metal is left."""
    inner = cover > 0.98
    main = np.median(image[inner], axis=0)
    main = main / main.sum() - 1 / 3
    tint = image / np.maximum(image.sum(axis=2, keepdims=True), 1e-5) - 1 / 3
    along = (tint @ main) / (main @ main)           # 1 where as coloured as the leather, 0 in neutral highlights
    aside = np.linalg.norm(tint - along[:, :, None] * main, axis=2)
    weight = (cover * np.clip(along, 0, 1) * np.exp(-(aside**2) / (2 * 0.06**2)))[:, :, None]
    return image * (1 + weight * (np.asarray(factors, np.float32) - 1))


def _dropped_shadow(cover, height):
    """A made shadow: the foot of the outline, pressed flat and softened."""
    rows = np.nonzero(cover.max(axis=1) > 0.5)[0]
    foot = rows[-1]
    band = cover[max(foot - int(0.06 * height), 0):foot + 1].max(axis=0)
    shadow = np.zeros_like(cover)
    thick = max(int(0.012 * height), 2)
    shadow[max(foot - thick, 0):foot + thick] = band
    return cv2.GaussianBlur(shadow, (0, 0), 0.012 * height) * 0.55


def _mirror(image, cover):
    """The product upside down under itself, fading."""
    rows = np.nonzero(cover.max(axis=1) > 0.5)[0]
    foot, height = rows[-1], cover.shape[0]
    flipped, mask = np.zeros_like(image), np.zeros_like(cover)
    count = min(height - foot - 1, foot)
    flipped[foot + 1:foot + 1 + count] = image[foot:foot - count:-1]
    mask[foot + 1:foot + 1 + count] = cover[foot:foot - count:-1] * (0.30 * np.exp(-np.arange(count) / (0.06 * height)))[:, None]
    return flipped, mask


def cut_out(image, cover, finish):
    """The product on a level background; a halo leaves a rim of the old one."""
    height = cover.shape[0]
    shape = cover
    if finish.halo_px > 0:
        reach = int(np.ceil(finish.halo_px))
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
        shape = cv2.GaussianBlur(cv2.dilate(cover, kernel), (0, 0), 0.6)
    shape = shape[:, :, None]
    ground = np.full_like(image, finish.background_level)
    if finish.shadow == "dropped":
        ground *= (1 - _dropped_shadow(cover, height))[:, :, None]
    if finish.shadow == "mirror":
        flipped, mask = _mirror(image, cover)
        ground = ground * (1 - mask[:, :, None]) + flipped * mask[:, :, None]
    if finish.halo_px > 0:
        return image * shape + ground * (1 - shape)
    # Edge pixels hold old background: take it out before the new one goes in.
    old = cv2.GaussianBlur(image, (0, 0), 12)
    outside = cv2.GaussianBlur(image * (1 - shape), (0, 0), 6) / np.maximum(cv2.GaussianBlur(1 - cover, (0, 0), 6)[:, :, None], 1e-3)
    outside = np.where(outside > 0, outside, old)
    own = np.clip((image - outside * (1 - shape)) / np.maximum(shape, 0.25), 0, None)
    return own * shape + ground * (1 - shape)


def tone_curve(values, strength):
    """S-shaped curve on encoded values, black and white kept."""
    return np.clip(values + strength * np.sin(2 * np.pi * values) / -(2 * np.pi), 0, 1)


def keep_white(values, clean, cover, finish):
    """No grain outside a cut-out."""
    margin = int(np.ceil(finish.halo_px)) + 2 + int(np.ceil(3 * finish.blur_px))
    reach = cv2.dilate(cover, np.ones((3, 3), np.uint8), iterations=margin)
    return np.where((reach < 0.001)[:, :, None], clean, values)
