"""
How far a product is turned in a three-quarter view, by how much closer together the legs of its handles stand there than in the front view.

The two legs of a handle stand side by side on a line level with the front. Turned, that line is seen shorter by the cosine of the turn (pinhole camera;
Hartley and Zisserman, Multiple View Geometry, 2nd ed., ch. 6), whatever the body's shape: round and soft bodies, of which neither a base nor a front
can be laid over, tell their turn so too. One arch is equally wide at equal depths below its crown, so widths are
compared on all rows that show the legs apart, and their scatter says whether it is one arch.
"""

import math
from typing import NamedTuple

import numpy as np

FEWEST_ROWS, ROWS_SHARE = 8, 0.5  # that show the legs; least share of them at whose depth the other picture shows them too
ALIKE_LEGS, THICKEST = 2.2, 0.15  # times the thinnest, of one row; of the product's width
HIGHER, HIGHER_SD = np.linspace(-0.06, 0.06, 13)[:, None], 0.02  # of the product's height: a crown that is seen higher, or with a strap upon it
SCATTER_SD, MOST_SCATTER = 0.01, 0.03  # of widths of one arch, relative; from which it is another arch, or none
# Share of turns that are wrong by their scatter, arches laid otherwise: 5 degrees and more, of 850 pictures of four makes.
SCATTERS, TOLD_WRONG = (0.008, 0.012, 0.02), (0.025, 0.06, 0.13)
EVEN_SD = 0.012  # relative; how evenly pieces are sewn and masks cut
# By how much a turned product looks taller, as its near corner lies lower in the frame, over its width: of a rectangle and an ellipse less than half as deep
# as wide, turned by 32 degrees and seen from 8 degrees above (plane geometry), the mean and half the difference.
LOWER, LOWER_SD = 0.024, 0.009
NEARER = 0.018  # by which a front handle, that mostly hides the rear one, looks larger in the front view than the middle of both: a camera six widths away
MOST_COSINE = math.cos(math.radians(8.0))  # no three-quarter view is turned less: it is another handle


class Legs(NamedTuple):
    """Rows below the product's highest point, and the middles of legs (n, k) on them; height and width of the product; all px."""

    rows: np.ndarray
    middles: np.ndarray
    height: int
    width: int


def turn_by_handles(sketches, item):
    """
    Turn of a picture by its handles.

    Parameters
    ----------
    sketches : mapping of str to dict
        Uses ``mask``.
    item : (file, file)
        The front view and the three-quarter view.

    Returns
    -------
    (turn_deg, sd_deg, wrong) or None
        Turn without its way, and the share of such that are told wrongly; None where not just the legs of two handles, or of one, show.
    """
    front, turned = ((sketches.get(file) or {}).get("mask") for file in item)
    here = legs_of(front, (2,))
    there = None if here is None else legs_of(turned, (4, 3, 2))
    if there is None or there.middles.shape[1] == 3:
        return None
    of_front, pairs = here.middles[:, 1] - here.middles[:, 0], there.middles.shape[1] // 2
    size = there.height / here.height / (1 + LOWER * here.width / here.height)
    seen = [closer(there.rows / size, (there.middles[:, k + pairs] - there.middles[:, k]) / size, here.rows, of_front, here.height) for k in range(pairs)]
    if None in seen:
        return None
    share, scatter = np.mean(seen, axis=0).tolist()
    cosine = share * (1 + NEARER * (pairs == 2))
    if cosine > MOST_COSINE:
        return None
    turn = math.acos(cosine)
    sd = math.hypot(EVEN_SD, scatter, LOWER_SD * here.width / here.height) * cosine / math.sin(turn)
    unlike = math.hypot(scatter, (seen[0][0] / seen[-1][0] - 1) / 4)
    return math.degrees(turn), math.degrees(sd), float(np.interp(unlike, SCATTERS, TOLD_WRONG))


def legs_of(mask, counts):
    """
    Legs of handles above a body.

    Parameters
    ----------
    mask : (h, w) array or None
        Of the product.
    counts : sequence of int
        How many legs there may be; the first of which enough rows show just so many narrow bands is taken.

    Returns
    -------
    Legs or None
    """
    if mask is None or not np.any(mask):
        return None
    shown = np.asarray(mask) > 0
    tall, across = np.flatnonzero(shown.any(axis=1)), np.flatnonzero(shown.any(axis=0))
    height, width = int(tall[-1] - tall[0]) + 1, int(across[-1] - across[0]) + 1
    steps = np.diff(shown[tall[0] : tall[0] + height // 2, across[0] : across[-1] + 1].astype(np.int8), axis=1, prepend=0, append=0)
    bands = np.count_nonzero(steps > 0, axis=1)
    for count in counts:
        rows = np.flatnonzero(bands == count)
        begins, ends = (np.nonzero(steps[rows] == step)[1].reshape(-1, count) for step in (1, -1))
        thick = ends - begins
        thickest = thick.max(axis=1, initial=0)
        narrow = (thickest < THICKEST * width) & (thickest <= ALIKE_LEGS * thick.min(axis=1, initial=width) + 1)
        if np.count_nonzero(narrow) >= FEWEST_ROWS:
            return Legs(rows[narrow], (begins + ends)[narrow] / 2, height, width)
    return None


def closer(rows, widths, front_rows, front_widths, height):
    """
    How much narrower an arch is than the front's.

    Parameters
    ----------
    rows, widths : (n,) float
        Depths below the product's highest point, and widths between the legs, in pixels of the front view.
    front_rows, front_widths : (m,) float
        The same of the front view.
    height : float
        Of the product, px.

    Returns
    -------
    (share, scatter) or None
        Scatter over the rows, relative.
    """
    depths = rows + HIGHER * height
    shares = widths / np.interp(depths, front_rows, front_widths)
    both = (depths >= front_rows[0]) & (depths <= front_rows[-1])
    count = np.maximum(both.sum(axis=1), 1)
    middle = (shares * both).sum(axis=1) / count
    scatter = np.sqrt((np.square(shares - middle[:, None]) * both).sum(axis=1) / count) / np.maximum(middle, 1e-6)
    cost = (scatter / SCATTER_SD) ** 2 + np.square(HIGHER[:, 0] / HIGHER_SD)
    best = int(np.argmin(np.where(count >= max(FEWEST_ROWS, ROWS_SHARE * len(rows)), cost, np.inf)))
    told = count[best] >= max(FEWEST_ROWS, ROWS_SHARE * len(rows)) and scatter[best] < MOST_SCATTER
    return (float(middle[best]), float(scatter[best])) if told else None
