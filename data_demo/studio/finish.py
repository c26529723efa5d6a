"""From a base render to the delivered pixels: geometry, light, lens, dirt, noise. Linear light."""

import json
import math
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from . import finals
from .canvas import frame_matrix, product_box, to_frame

STUDIO_EXPOSURE = 0.90      # render units to linear 0..1, so that the sweep stays below white


@dataclass(frozen=True)
class Finish:
    """
    What happens to one picture after its base was rendered; the defaults do nothing.

    Gains and EV act in linear light. ``exposure_ev`` is the light on the product,
    ``background_ev`` that on the sweep. Pixels are those of the delivered picture. ``noise`` is
    the standard deviation in 8-bit units that is added in the flat background, before JPEG.
    """

    gain_r: float = 1.0
    gain_b: float = 1.0
    exposure_ev: float = 0.0
    background_ev: float = 0.0
    background_ramp_ev: float = 0.0      # left to right over the frame, background only
    product_gain_r: float = 1.0          # on the product alone: a colour correction gone astray
    product_gain_b: float = 1.0
    roll_deg: float = 0.0                # in addition to the camera's
    zoom: float = 1.0
    shift: tuple = (0.0, 0.0)            # fractions of the frame, + right, + down
    blur_px: float = 0.0
    motion_px: float = 0.0
    motion_angle_deg: float = 0.0
    noise: float = 0.7
    specks: int = 0
    spots: tuple = ()                    # ((x, y, radius_px at 1600, depth), …)
    shadow: str = ""                     # "", "none", "dropped", "mirror"
    white: bool = False                  # cut out to pure white
    background_level: float = 1.0        # linear level of a cut-out's background
    halo_px: float = 0.0                 # rim of the old background left round the cut-out
    tone: float = 0.0                    # strength of an S-shaped tone curve
    recolour: tuple = ()                 # linear RGB factors of the leather
    fill_rule: float = 0.0               # finals: re-crop so the tighter side fills this much; 0 keeps the crop
    resolved: float = 1.0                # < 1: made small and enlarged again
    seed: int = 0


def read_base(folder, key):
    """Canvas (H, W, 3) in linear light, coverage (H, W), facts."""
    path = Path(folder) / f"{key}.npz"
    facts = json.loads(path.with_suffix(".json").read_text())
    with np.load(path) as stored:
        image, alpha = stored["image"].astype(np.float32), stored["alpha"].astype(np.float32) / 255
        backdrop = stored["backdrop"].astype(np.float32)
    width, height = facts["canvas_px"]
    left, top, right, bottom = facts["region_px"]
    cover = np.zeros((height, width), np.float32)
    cover[top:bottom, left:right] = alpha
    canvas = cv2.resize(empty_sweep(backdrop, cover), (width, height), interpolation=cv2.INTER_CUBIC)
    feather = max(8, width // 28)
    rows, columns = image.shape[:2]
    inside = np.minimum.outer(_ramp(rows, feather, top > 0, bottom < height), _ramp(columns, feather, left > 0, right < width))
    image = calm_sweep(image, alpha)
    patch = canvas[top:bottom, left:right]
    patch += (image - patch) * np.maximum(inside, alpha)[:, :, None]
    return canvas * STUDIO_EXPOSURE, cover, facts


def empty_sweep(backdrop, cover, edge=6):
    """The small picture of the sweep, smoothed; the product does not bleed into it."""
    backdrop = np.pad(backdrop[edge:-edge, edge:-edge], ((edge, edge), (edge, edge), (0, 0)), mode="edge")
    rows, columns = backdrop.shape[:2]
    taken = cv2.dilate(cv2.resize(cover, (columns, rows), interpolation=cv2.INTER_AREA), np.ones((3, 3), np.uint8)) > 0.01
    free = np.where(taken, 1e-4, 1.0).astype(np.float32)[:, :, None]
    share = cv2.GaussianBlur(free, (0, 0), 1.5)[:, :, None]
    return cv2.GaussianBlur(backdrop * free, (0, 0), 1.5) / share


def calm_sweep(image, alpha, sigma=7.0):
    """Take what is left of the render's noise out of the sweep, more so away from the product."""
    free = (alpha < 0.002).astype(np.float32)
    away = cv2.distanceTransform(free.astype(np.uint8), cv2.DIST_L2, 5)
    weight = np.clip((away - 4) / 24, 0, 1)[:, :, None]
    share = cv2.GaussianBlur(free, (0, 0), sigma)[:, :, None]
    smooth = cv2.GaussianBlur(image * free[:, :, None], (0, 0), sigma) / np.maximum(share, 1e-3)
    return image + weight * (smooth - image)


def _ramp(count, feather, at_start, at_end):
    """0 at the edges that need blending, 1 inside."""
    place = np.arange(count) + 0.5
    ramp = np.ones(count)
    if at_start:
        ramp = np.minimum(ramp, place / feather)
    if at_end:
        ramp = np.minimum(ramp, (count - place) / feather)
    ramp = np.clip(ramp, 0, 1)
    return ramp * ramp * (3 - 2 * ramp)


def light(image, cover, finish):
    """Gains and EV, product and background apart, exact in linear light."""
    product = 2.0**finish.exposure_ev
    ramp = 2.0 ** (finish.background_ramp_ev * (np.linspace(-0.5, 0.5, image.shape[1]))[None, :])
    level = cover * product + (1 - cover) * 2.0**finish.background_ev * ramp
    gains = np.array([finish.gain_r, 1.0, finish.gain_b], np.float32)
    own = np.array([finish.product_gain_r, 1.0, finish.product_gain_b], np.float32)
    image = image * level[:, :, None].astype(np.float32) * gains
    if (own != 1).any():
        image = image * (1 + cover[:, :, None] * (own - 1))
    return image.astype(np.float32)


def place_specks(cover, count, seed, scale):
    """Dust on the product: x, y, radius px, factor; away from the outline."""
    random = np.random.default_rng([seed, 11])
    inner = cv2.erode((cover > 0.98).astype(np.uint8), np.ones((3, 3), np.uint8), iterations=max(4, int(14 * scale)))
    rows, columns = np.nonzero(inner)
    found = []
    for _ in range(count * 40):
        if len(found) == count or not len(rows):
            break
        k = random.integers(len(rows))
        x, y = float(columns[k]), float(rows[k])
        if all(math.hypot(x - f[0], y - f[1]) > 22 * scale for f in found):
            found.append((x, y, random.uniform(1.3, 2.6) * max(scale, 0.75), random.choice([0.35, 2.6, 3.2])))
    return found


def _dab(image, x, y, radius, factor, add=0.0):
    """A soft-edged disc, multiplied in (and ``add`` added) at x, y."""
    reach = int(radius * 2.5) + 3
    left, top = max(int(x) - reach, 0), max(int(y) - reach, 0)
    area = image[top:int(y) + reach + 1, left:int(x) + reach + 1]
    if not area.size:
        return
    rows, columns = np.mgrid[top:top + area.shape[0], left:left + area.shape[1]]
    weight = 1 / (1 + np.exp((np.hypot(columns - x, rows - y) - radius) / (0.16 * radius + 0.12)))
    area *= (1 + weight * (factor - 1))[:, :, None].astype(np.float32)
    area += (weight * add)[:, :, None].astype(np.float32)


def motion_kernel(length_px, angle_deg):
    """A line of light of the given length."""
    size = int(math.ceil(length_px)) * 2 + 3
    kernel = np.zeros((size, size))
    for t in np.linspace(-length_px / 2, length_px / 2, 201):
        x = size // 2 + t * math.cos(math.radians(angle_deg))
        y = size // 2 + t * math.sin(math.radians(angle_deg))
        x0, y0 = int(math.floor(x)), int(math.floor(y))
        for dy, wy in ((0, y0 + 1 - y), (1, y - y0)):
            for dx, wx in ((0, x0 + 1 - x), (1, x - x0)):
                kernel[y0 + dy, x0 + dx] += wx * wy
    return (kernel / kernel.sum()).astype(np.float32)


def lens(image, finish):
    """Defocus and motion."""
    if finish.blur_px > 0:
        image = cv2.GaussianBlur(image, (0, 0), finish.blur_px, borderType=cv2.BORDER_REPLICATE)
    if finish.motion_px > 0:
        image = cv2.filter2D(image, -1, motion_kernel(finish.motion_px, finish.motion_angle_deg), borderType=cv2.BORDER_REPLICATE)
    return image


def encode(image):
    """Linear 0..1 to sRGB 0..1, IEC 61966-2-1."""
    image = np.clip(image, 0, 1)
    return np.where(image <= 0.0031308, image * 12.92, 1.055 * np.maximum(image, 1e-9) ** (1 / 2.4) - 0.055)


def decode(values):
    """sRGB 0..1 to linear."""
    return np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)


def sensor(image, cover, finish):
    """Spots on the sensor, then noise that grows with the root of the light."""
    height, width = image.shape[:2]
    for x, y, radius, depth in finish.spots:
        _dab(image, x * width, y * height, radius * height / 1600, 1 - depth)
    if finish.noise > 0:
        random = np.random.default_rng([finish.seed, 3])
        away = image[cover < 0.002]
        level = float(np.median(away[::97])) if len(away) > 1000 else 0.75
        slope = 1.055 / 2.4 * max(level, 0.01) ** (1 / 2.4 - 1)
        sigma = finish.noise / 255 / slope / math.sqrt(max(level, 0.01))
        grain = random.standard_normal(image.shape, dtype=np.float32)
        image = image + grain * sigma * np.sqrt(np.clip(image, 0.0004, 4))
    return image


def finish_picture(base, finish, size):
    """
    Delivered pixels of one picture.

    Parameters
    ----------
    base : (image, cover, facts) from ``read_base``
    finish : Finish
    size : (width, height) of the delivered picture in pixels

    Returns
    -------
    picture : (H, W, 3) uint8, sRGB
    clean : (H, W, 3) float, sRGB 0..1, the same without noise
    cover : (H, W) float, the product's coverage
    truth : dict of what was done
    """
    image, cover, facts = base
    scale = size[1] / 1600
    zoom, shift, roll = finish.zoom, finish.shift, finish.roll_deg
    if finish.fill_rule:
        zoom, shift = finals.recrop(cover, facts, size, finish, roll)
    matrix = frame_matrix(facts, size, roll, zoom, shift)
    image, cover = to_frame(image, matrix, size), to_frame(cover, matrix, size)
    if finish.recolour:
        image = finals.recolour(image, cover, finish.recolour)
    image = light(image, cover, finish)
    specks = place_specks(cover, finish.specks, finish.seed, scale)
    for x, y, radius, factor in specks:
        _dab(image, x, y, radius, factor, 0.02 if factor > 1 else 0.0)
    if finish.white:
        image = finals.cut_out(image, cover, finish)
    image = lens(image, finish)
    if finish.resolved < 1:
        small = cv2.resize(image, None, fx=finish.resolved, fy=finish.resolved, interpolation=cv2.INTER_AREA)
        image = np.clip(cv2.resize(small, size, interpolation=cv2.INTER_CUBIC), 0, None)
    noisy = sensor(image.copy(), cover, finish)
    clean, values = encode(image), encode(noisy)
    if finish.tone:
        clean, values = (finals.tone_curve(v, finish.tone) for v in (clean, values))
    if finish.white:
        values = finals.keep_white(values, clean, cover, finish)
    picture = np.round(values * 255).astype(np.uint8)
    truth = {"box": product_box(cover), "specks": [(x / size[0], y / size[1], 2 * r) for x, y, r, _ in specks],
             "zoom": zoom, "shift": shift, "matrix": matrix}
    return picture, clean, cover, truth
