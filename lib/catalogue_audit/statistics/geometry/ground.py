"""
How steeply the camera looks down, by the ground that a product stands on.

Seen from a height e above the ground, what lies on it (the shadow under the product, the light's falling off, the bend of
the sweep) is shortened by sin e from front to back, and the product hardly at all: at e = 11° one degree more makes it 9 %
longer, and a bag 0.5 % taller. Two pictures of one product under one light show one ground, whose length is all that differs;
a product that leans leaves it as it is. (Orthographic foreshortening of a plane; a product is small beside its distance.)
"""

import math
from typing import NamedTuple

import cv2
import numpy as np

SIDE, UP, DOWN = 1.1, 0.45, 0.3  # reach beside, above and below the middle of the base, widths of the body
ROWS, COLUMNS = 61, 45
ACROSS, ALONG = np.meshgrid(np.linspace(-SIDE, SIDE, COLUMNS), np.linspace(-UP, DOWN, ROWS))  # of each point, widths of the body
ROW = (UP + DOWN) / (ROWS - 1)
SMOOTH = 0.012  # Gaussian sigma, widths of the body: finer is the backdrop's texture
EDGE_PX, PARTLY = 1, 0.2  # of half the preview beside the product that may show it; coverage from which a point is the product's
LOWER = 0.4  # of the product's height, in which its body is
LEAST_WIDTH_PX, FEWEST_NEAR = 16, 5  # of a body, and of rows about its base, that show a ground; points of an outline
NEAR_BASE, MIDDLE, LOWEST = 0.15, 0.3, 0.06  # widths of the body: outline beside the base; its middle; its lowest part
BLACK = 1e-3  # linear; darker is noise
FAR_OFF = 0.055  # natural log of light, of points that something else has changed
EVEN = 0.001  # the same of light that 8 bits show no finer: a bare, even ground tells no length
FEWEST = 400  # points that both show
STEPS, SMALL_STEP, LONGEST_STEP = 6, 0.004, 0.4  # Gauss-Newton, log length
FURTHEST = 1.4  # log length
DARKER = 5.0  # points' worth of belief that the shadow is as dark: light products brighten it
AT_HAND = 64  # grounds kept while neighbours are compared
ALIKE_POINTS = 40.0  # neighbours that are off alike: so many fewer say something new
LINEAR = np.where(np.arange(256) <= 10, np.arange(256) / 255 / 12.92, ((np.arange(256) / 255 + 0.055) / 1.055) ** 2.4).astype(np.float32)  # IEC 61966-2-1


class Ground(NamedTuple):
    """
    What one picture shows of the ground about the base.

    Attributes
    ----------
    light : (ROWS, COLUMNS) float32
        Natural logarithm of the luminance at `ACROSS`, `ALONG`; NaN where the product or the end of the picture is.
    base : float
        Row of the base, fraction of the frame's height.
    """

    light: np.ndarray
    base: float


def ground_of(sketch):
    """
    The ground that a picture shows.

    Parameters
    ----------
    sketch : mapping of str to ndarray
        Uses ``preview``, ``mask``, ``outline`` and ``sides``.

    Returns
    -------
    Ground or None
        None where the sketch shows no product with a base.
    """
    if any(sketch.get(name) is None for name in ("preview", "mask", "outline")):
        return None
    grey = cv2.imdecode(np.ascontiguousarray(sketch["preview"]), cv2.IMREAD_REDUCED_GRAYSCALE_2)
    if grey is None:
        return None
    tall, wide = grey.shape
    place = _base(np.asarray(sketch["outline"], float) * [wide, tall], _width(sketch) * wide)
    if place is None:
        return None
    (middle, base, unit), reach = place, place[2] * 1.1
    top, bottom = max(int(base - UP * reach), 0), min(int(base + DOWN * reach) + 1, tall)
    if bottom - top < LEAST_WIDTH_PX:
        return None
    mask = cv2.resize(np.asarray(sketch["mask"]).astype(np.float32), (wide, tall), interpolation=cv2.INTER_LINEAR)[top:bottom]
    near = cv2.dilate((mask > PARTLY).astype(np.uint8), np.ones((2 * EDGE_PX + 1,) * 2, np.uint8))
    free = 1 - near.astype(np.float32)
    smooth = lambda plane: cv2.GaussianBlur(plane, (0, 0), SMOOTH * unit)
    light = np.log(np.maximum(smooth(LINEAR[grey[top:bottom]] * free) / np.maximum(smooth(free), BLACK), BLACK))
    columns, rows = (middle + ACROSS * unit).astype(np.float32), (base - top + ALONG * unit).astype(np.float32)
    seen = cv2.remap(light, columns, rows, cv2.INTER_LINEAR, borderValue=math.nan)
    seen[cv2.remap(free, columns, rows, cv2.INTER_NEAREST, borderValue=0) < 1] = math.nan
    return Ground(seen, float(base / tall))


class Grounds:
    """The grounds of the pictures looked at last, by their files."""

    def __init__(self, sketches):
        self._sketches, self._at_hand = sketches, {}

    def __getitem__(self, file):
        if file not in self._at_hand:
            while len(self._at_hand) >= AT_HAND:
                del self._at_hand[next(iter(self._at_hand))]
            self._at_hand[file] = ground_of(self._sketches.get(file) or {})
        return self._at_hand[file]


def compared(grounds, files):
    """
    The ground of one picture beside another's.

    Parameters
    ----------
    grounds : Grounds
    files : (str, str)

    Returns
    -------
    log_length, sd, lower : float
        As `longer` gives them.
    base, its_base : float
        Rows of both bases, fractions of the frame's height. None of all five where too little is seen.
    """
    one, other = (grounds[file] for file in files)
    found = None if one is None or other is None else longer(one, other)
    return None if found is None else (*found, one.base, other.base)


def _width(sketch):
    """Width of the body, fraction of the frame's: of its sides' lower part, of the whole outline's where no body was found."""
    sides = np.asarray(sketch.get("sides", ()), float)
    if sides.ndim == 2 and len(sides) and np.isfinite(sides).all():
        return float(np.median(np.diff(sides[len(sides) // 2 :, 1:])))
    outline = np.asarray(sketch["outline"], float)
    return float(np.ptp(outline[outline[:, 1] > outline[:, 1].max() - LOWER * np.ptp(outline[:, 1]), 0]))


def _base(outline, unit):
    """Middle of the base (x, y) by an outline (n, 2) and the width of the body, which comes back too, px; None where they show too little."""
    near = outline[outline[:, 1] > outline[:, 1].max() - NEAR_BASE * unit]
    if not unit >= LEAST_WIDTH_PX or len(near) < FEWEST_NEAR:
        return None
    middle = 0.5 * float(near[:, 0].min() + near[:, 0].max())
    below = near[np.abs(near[:, 0] - middle) < MIDDLE * unit, 1]
    return (middle, float(np.median(below[below > below.max() - LOWEST * unit])), unit) if len(below) else None


def longer(one, other):
    """
    How much longer the ground of one picture is, from front to back, than another's.

    Gauss-Newton with weights (Cauchy's), both stretched towards each other by half; beside the length may differ the
    exposure, the light's slope across and along, where the base was found and how it slopes, and how dark the shadow is.

    Parameters
    ----------
    one, other : Ground

    Returns
    -------
    log_length, sd : float
        Natural logarithm of the ratio and its standard uncertainty; None where they have too little in common.
    lower : float
        How much farther below its base one's ground lies than the other's, widths of the body: under a raised edge.
    """
    length, rest = 0.0, None
    for step in range(STEPS):
        here, there = _stretched(one.light, -length / 2), _stretched(other.light, length / 2)
        slope = np.gradient(0.5 * (here + there), ROW, axis=0)
        seen = np.isfinite(slope) & np.isfinite(here - there)  # the slope at a point is its neighbours'
        if np.count_nonzero(seen) < FEWEST:
            return None
        off, slope, across, along, light = (plane[seen] for plane in (here - there, slope, ACROSS, ALONG, there))
        terms = np.stack([-along * slope, np.ones(len(off)), across, along, slope, across * slope, light - light.max()], axis=1)
        weights = 1.0 if step == 0 else 1 / (1 + (np.nan_to_num(rest[seen], nan=FAR_OFF) / FAR_OFF) ** 2)
        weighted = terms * np.reshape(weights, (-1, 1))
        normal = weighted.T @ terms + np.diag([1e-6] * 6 + [DARKER])
        found = np.linalg.solve(normal, weighted.T @ off)
        rest = np.full(seen.shape, math.nan)
        rest[seen] = off - terms @ found
        length = float(np.clip(length + np.clip(found[0], -LONGEST_STEP, LONGEST_STEP), -FURTHEST, FURTHEST))
        if step > 1 and abs(found[0]) < SMALL_STEP:
            break
    scatter = FAR_OFF**2 * np.mean(np.log1p((rest[seen] / FAR_OFF) ** 2)) + EVEN**2
    return length, math.sqrt(ALIKE_POINTS * scatter * np.linalg.inv(normal)[0, 0]), -float(found[4])


def _stretched(light, length):
    """A ground stretched about the base to e^length times its length."""
    at = (ALONG[:, 0] * math.exp(-length) + UP) / ROW
    row = np.clip(at.astype(int), 0, ROWS - 2)
    share = (at - row)[:, None]
    stretched = light[row] * (1 - share) + light[row + 1] * share
    stretched[(at < 0) | (at > ROWS - 1)] = math.nan
    return stretched
