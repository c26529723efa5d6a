"""
Whether a place that is dark in frame after frame is one of many: a mark of a backdrop that stands still, no dust.

On a tripod before one wall, the wall's own soft marks recur at their places as dust does. But a
wall is blotchy all over, lighter as often as darker, and dust is alone: the shadow of a
mote, darker than an even ground [1]_. So all around a place it is asked how far other discs of its
size are from their own surroundings in what the frames have in common. What differs from frame to
frame, grain and the products, is no pattern: the two halves of the frames tell how much of it is left.

References
----------
.. [1] That dust on the glass before a sensor shows as dark marks at one place of every frame: common practice, no source.
"""

import functools
from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit.statistics.spread import spread

ASKED = 16  # frames, at most, of those that show a place
FEWEST_FRAMES = 4  # two in each half
REACH = 20  # grid steps of one radius on each side: what lies around
APART = 4  # radii: what lies nearer to the middle is the spot itself, and the ring around it
FEWEST_AROUND = 100  # grid places
OF_NORMAL = 1.4826  # standard deviation of a normal distribution, of its median absolute deviation; half the places may be a table's edge
STANDS_OUT = 6.0  # standard deviations of the pattern; the darkest of a thousand discs of a wall is 3 to 4 below their mean
LEAST_RADIUS = 1.5  # preview px


class Spot(NamedTuple):
    """
    One place in the frames that show it.

    Attributes
    ----------
    files : list of str
        Frames that lie the same way round on the sensor.
    x, y : sequence of float
        There, fractions of the upright picture.
    share : float
        Across, of the picture's width.
    """

    files: list
    x: tuple
    y: tuple
    share: float


def of_pattern(spots, sketches):
    """
    Which places are no darker than the backdrop's own pattern makes some.

    Parameters
    ----------
    spots : list of Spot
    sketches : mapping of str to dict
        ``preview`` and ``mask`` are read.

    Returns
    -------
    list of bool
        False also where too few frames or too little of the backdrop can be asked.
    """
    wanted = {}
    for number, spot in enumerate(spots):
        for at in np.unique(np.linspace(0, len(spot.files) - 1, ASKED).round().astype(int)):
            wanted.setdefault(spot.files[at], []).append((number, (spot.x[at], spot.y[at], spot.share)))
    asked = [(file, [place for _, place in here]) for file, here in sorted(wanted.items())]
    seen = [[] for _ in spots]
    for (file, _), found in zip(asked, spread(_around_places, asked, sketches), strict=True):
        for (number, _), grid in zip(wanted[file], found or (), strict=found is not None):
            seen[number].append(grid)
    return [len(grids) >= FEWEST_FRAMES and not _is_alone(np.stack(grids)) for grids in seen]


def _around_places(sketches, asked):
    """`discs_around` the places (x, y as fractions of the picture, width as a share of its width) of a file; None without a preview."""
    file, places = asked
    sketch = sketches.get(file) or {}
    preview, mask = sketch.get("preview"), sketch.get("mask")
    if preview is None or not preview.size:
        return None
    grey = cv2.imdecode(np.ascontiguousarray(preview), cv2.IMREAD_GRAYSCALE)
    height, width = grey.shape
    product = np.zeros_like(grey)
    if mask is not None and mask.size:
        product = cv2.resize((mask > 0).view(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST)
    return [discs_around(grey, product, x * width, y * height, share * width / 2) for x, y, share in places]


def discs_around(grey, product, x, y, radius):
    """
    How much lighter discs all around a place are than the rings around them.

    Parameters
    ----------
    grey, product : (h, w) uint8
        Picture, and where the product is.
    x, y, radius : float
        Of the disc in the middle, px.

    Returns
    -------
    (2 REACH + 1, 2 REACH + 1) float64
        Share of the ring's level, discs one radius apart; negative is darker.
        NaN where a ring meets the product or the picture's border.

    Examples
    --------
    >>> flat = np.full((200, 200), 100, np.uint8)
    >>> float(np.ptp(discs_around(flat, np.zeros_like(flat), 100.0, 100.0, 2.0)))
    0.0
    """
    radius = max(radius, LEAST_RADIUS)
    half, disc, ring = _disc_and_ring(radius)
    reach = REACH * radius + half + 1
    left, top = max(int(x - reach), 0), max(int(y - reach), 0)
    inside = np.s_[top : int(y + reach) + 1, left : int(x + reach) + 1]
    near = grey[inside].astype(np.float32)
    level = cv2.filter2D(near, -1, ring)
    lighter = cv2.filter2D(near, -1, disc) / np.maximum(level, 1.0) - 1
    hidden = cv2.dilate(product[inside], np.ones((2 * half + 1, 2 * half + 1), np.uint8))
    steps = np.arange(-REACH, REACH + 1) * radius
    column, row = np.meshgrid((x - 0.5 + steps - left).astype(np.float32), (y - 0.5 + steps - top).astype(np.float32))
    values = cv2.remap(lighter, column, row, cv2.INTER_LINEAR).astype(float)
    within = (column + left >= half) & (column + left < grey.shape[1] - half)
    within &= (row + top >= half) & (row + top < grey.shape[0] - half)
    hides = cv2.remap(hidden, column, row, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=1) > 0
    values[~within | hides] = np.nan
    values[REACH, REACH] = lighter[np.clip(int(y) - top, 0, len(near) - 1), np.clip(int(x) - left, 0, near.shape[1] - 1)]
    return values


def _is_alone(grids):
    """Whether the middle of (n, m, m) discs is far darker than any pattern that the n frames share would make it."""
    halves = np.ma.median(np.ma.masked_invalid(grids[0::2]), axis=0), np.ma.median(np.ma.masked_invalid(grids[1::2]), axis=0)
    shared, differing = (halves[0] + halves[1]) / 2, (halves[0] - halves[1]) / 2
    steps = np.arange(-REACH, REACH + 1)
    around = ~np.ma.getmaskarray(shared) & (np.hypot(steps[:, None], steps) >= APART)
    if around.sum() < FEWEST_AROUND:
        return True
    seen, noise = (OF_NORMAL * np.median(np.abs(values.data[around])) for values in (shared, differing))
    pattern = np.sqrt(max(seen**2 - noise**2, 0.0))
    return bool(-shared.data[REACH, REACH] > STANDS_OUT * pattern)


@functools.lru_cache(maxsize=256)
def _disc_and_ring(radius):
    """(half the side of a kernel, that of a disc's mean, that of the mean of a ring around it)."""
    half = int(np.ceil(3 * radius + 1))
    offset = np.arange(-half, half + 1)
    away = np.hypot(offset[:, None], offset[None, :])
    disc, ring = away <= radius, (away > 1.7 * radius + 1) & (away <= 3 * radius + 1)
    return half, *(np.float32(kernel / kernel.sum()) for kernel in (disc, ring))
