"""What registration sees of one picture: its edges without their colour, where the product is, and a solid in its place."""

import math
from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit.statistics.geometry.registration_solid import Solid

LONG_SIDE = 192  # px; a turn of ten degrees moves a bag's front by five of them against its outline
EVEN_PX = 4.2  # Gaussian sigma over which contrast is evened out: a seam counts on white leather as on black
FLOOR = 0.6  # 8-bit code values a px; weaker edges are noise
AROUND_PX = 2  # around the mask, in which the outline's own edge lies
CELL_PX = 9  # one point is taken of each square
EDGY = 0.35  # contrast of a point worth looking at
MARGIN_PX = 7
MOST_POINTS = 80
LEAST_SIDE_PX = 16  # of a product that can be compared


class Sight(NamedTuple):
    """
    One picture as registration sees it.

    Attributes
    ----------
    edges : (h, w, 2) float32
        Strength of edges across and along, evened out.
    mask : (h, w) uint8
    box : (left, top, right, bottom)
        Of the whole product, px.
    solid : Solid
    """

    edges: np.ndarray
    mask: np.ndarray
    box: tuple
    solid: Solid


def sight(sketch, focal_35mm, depth, turn, pitch):
    """
    Prepare one picture.

    Parameters
    ----------
    sketch : mapping of str to ndarray
        Uses ``preview``, ``mask`` and ``sides``.
    focal_35mm : float
        36 x 24 mm equivalent.
    depth : float
        Of the product over its width.
    turn, pitch : float
        Of the view, radians.

    Returns
    -------
    Sight or None
        None where the sketch shows no whole product.
    """
    if any(sketch.get(name) is None for name in ("preview", "mask", "sides")) or not sketch["mask"].any():
        return None
    grey = cv2.imdecode(np.ascontiguousarray(sketch["preview"]), cv2.IMREAD_REDUCED_GRAYSCALE_2)
    if grey is None:
        return None
    share = LONG_SIDE / max(grey.shape)
    size = max(round(grey.shape[1] * share), LEAST_SIDE_PX), max(round(grey.shape[0] * share), LEAST_SIDE_PX)
    grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA if share < 1 else cv2.INTER_LINEAR).astype(np.float32)
    mask = cv2.resize(np.asarray(sketch["mask"]).astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    left, top, width, height = cv2.boundingRect(mask)
    solid = _solid(np.asarray(sketch["sides"], float), size, focal_35mm, depth, turn, pitch)
    if min(width, height) < LEAST_SIDE_PX or solid is None:
        return None
    return Sight(_edges(grey, mask), mask, (left, top, left + width, top + height), solid)


def _edges(grey, mask):
    across, along = cv2.Sobel(grey, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(grey, cv2.CV_32F, 0, 1, scale=1 / 8)
    near = cv2.dilate(mask, np.ones((2 * AROUND_PX + 1,) * 2, np.uint8)).astype(np.float32)
    across, along = np.abs(across) * near, np.abs(along) * near
    usual = np.sqrt(cv2.GaussianBlur(across * across + along * along, (0, 0), EVEN_PX)) + FLOOR
    return cv2.merge([across / usual, along / usual])


def _solid(sides, size, focal_35mm, depth, turn, pitch):
    """The `Solid` of a picture by its body's sides (n, 3): y, left, right, fractions; None where they are no body."""
    if sides.ndim != 2 or len(sides) < 2 or not np.isfinite(sides).all():
        return None
    width, height = size
    widths = sides[:, 2] - sides[:, 1]
    broad = widths > 0.8 * np.median(widths)
    middle = float(np.median(sides[broad, 1:].mean(axis=1))) * width if broad.any() else math.nan
    half, top, base = float(np.quantile(widths, 0.9)) / 2 * width, float(sides[0, 0]) * height, float(sides[-1, 0]) * height
    if not (half >= LEAST_SIDE_PX / 2 and base - top >= LEAST_SIDE_PX and middle == middle):
        return None
    focal = focal_35mm / math.hypot(36, 24) * math.hypot(width, height)
    return Solid(size, focal, (middle, (top + base) / 2), half, top, base, depth, turn, pitch)


def points_of(one, cell=CELL_PX, most_points=MOST_POINTS):
    """(n, 2) x, y of the edgiest point of each cell, px; the edgiest ones where there are many."""
    strength = cv2.boxFilter(one.edges[..., 0] + one.edges[..., 1], -1, (5, 5))
    rows, columns = ((length - 2 * MARGIN_PX) // cell for length in strength.shape)
    inner = strength[MARGIN_PX : MARGIN_PX + rows * cell, MARGIN_PX : MARGIN_PX + columns * cell]
    cells = inner.reshape(rows, cell, columns, cell).transpose(0, 2, 1, 3).reshape(rows * columns, cell**2)
    edgiest = cells.argmax(axis=1)
    found = cells[np.arange(len(cells)), edgiest]
    row, column = np.divmod(np.arange(len(cells)), columns)
    points = np.column_stack([MARGIN_PX + column * cell + edgiest % cell, MARGIN_PX + row * cell + edgiest // cell])
    edgy = np.flatnonzero(found > EDGY)
    if len(edgy) > most_points:
        edgy = np.sort(edgy[np.argsort(-found[edgy], kind="stable")[:most_points]])
    return points[edgy]
