"""Sub-pixel edges: coverage of the pixels between product and background, and contours at half coverage."""

import cv2
import numpy as np

from catalogue_audit.measures.evidence import halved
from catalogue_audit.measures.segmentation.parts import window_of

# XYZ over the D50 white to linear sRGB (inverse of the ICC.1 / IEC 61966-2-1 matrix, Bradford-adapted).
_LINEAR_FROM_D50 = np.array(
    [
        [3.1338561 * 0.96422, -1.6168667, -0.4906146 * 0.82521],
        [-0.9787684 * 0.96422, 1.9161415, 0.0334540 * 0.82521],
        [0.0719453 * 0.96422, -0.2289914, 1.4052427 * 0.82521],
    ],
    np.float32,
)
AROUND_PX = 16  # working px around the product; the tones on both sides are of no more
BAND_PX = 5  # side of the square that makes the band in which the edge is sought: the rough one may be off by a pixel
KERNEL3 = np.ones((3, 3), np.uint8)
IN_PART = 0.01  # weight of a cell of which only a part is chosen
CELL_WEIGHT = np.zeros(256, np.float32)  # by how many of a cell's four pixels are chosen
CELL_WEIGHT[:5] = 0, 0.25 * IN_PART, 0.5 * IN_PART, 0.75 * IN_PART, 1
SMALLEST_PART_PX, FOOT = 8, 0.25  # area; what is smaller, in the lowest share of the height, is the noise of a shadow's edge
ROOM_PX = 4  # working pixels around a mask within which its contours move
SOFT_EDGE = 8.0  # CIELAB a working pixel; a cut, or a lens, draws most edges steeper
RAGGED, ALONG = 1.35, 20  # length of an edge over that of its chord: near 1 on a smooth side, 1.4 at a corner; and points to either side
SMOOTH = 9  # points; noise moves a faint edge by a pixel or two, and bays are larger
MOST_ROWS = 30_000  # of one call of OpenCV's remap, which counts rows in 16 bits


def linear_of_lab(lab):
    """Linear sRGB (n, 3) of CIELAB D50 (n, 3); unclipped."""
    fy = (lab[:, 0] + 16) / 116
    f = np.stack([fy + lab[:, 1] / 500, fy, fy - lab[:, 2] / 200], axis=1)
    xyz = np.where(f > 6 / 29, f * f * f, (116 * f - 16) * (27 / 24389))
    return xyz @ _LINEAR_FROM_D50.T


def _local_tones(planes, where, cells):
    """
    Mean of the chosen pixels about some cells of two by two pixels.

    Cells that are chosen in part, and so hold something of the other side, count only where no whole one is near.

    Parameters
    ----------
    planes : three (m, n) float32
        At half the size.
    where : (h, w) bool
    cells : (k,) int
        Flat indices at half the size.

    Returns
    -------
    tone : (k, 3) float32
    share : (k,) float32
        0 where nothing is chosen nearby.
    """
    weight = cv2.LUT(halved(4 * where.view(np.uint8)), CELL_WEIGHT)
    share = np.take(cv2.blur(weight, (5, 5)), cells)
    totals = [np.take(cv2.blur(plane * weight, (5, 5)), cells) for plane in planes]
    return np.stack(totals, axis=1) / np.maximum(share, 1e-6)[:, None], share


def coverage_in_band(linear, planes, ground, product, settled):
    """
    Coverage by the product, from the tones on both sides of the edge; it is looked at around the product.

    Parameters
    ----------
    linear : (h, w, 3) float32
        Linear light at working size.
    planes : three (m, n) float32
        CIELAB at half of it.
    ground, product : (h, w) bool
        Background and product as they were grown.
    settled : (h, w) bool
        Where the edge between the two stays as it is.

    Returns
    -------
    place : two slices
        Rows and columns around the product.
    coverage : (m, n) float32
        There, 0 background, 1 product.
    contrast : (k,) float32
        CIELAB difference across the edge, at pixels of the band.
    """
    place = window_of(product, AROUND_PX, 2)
    ground, product, settled = (mask[place] for mask in (ground, product, settled))
    planes = [plane[tuple(slice(span.start // 2, (span.stop + 1) // 2) for span in place)] for plane in planes]
    ground, product = ground.view(np.uint8), product.view(np.uint8)
    level = cv2.blur(np.uint8(128) + 100 * product - 100 * ground, (5, 5))  # 128 where both sides are equally near
    rough = (level > 128).view(np.uint8)
    ring = cv2.morphologyEx(rough, cv2.MORPH_GRADIENT, np.ones((BAND_PX, BAND_PX), np.uint8))
    coverage = rough.astype(np.float32)
    band = np.flatnonzero(ring.view(bool))
    if not len(band):
        return place, coverage, np.empty(0, np.float32)
    rows, columns = np.divmod(band, ring.shape[1])
    size = planes[0].shape
    cells, at = _distinct(rows // 2 * size[1] + columns // 2, size[0] * size[1])
    sure = [cv2.erode(where, KERNEL3, borderType=cv2.BORDER_REPLICATE) for where in (product, ground)]
    (front, front_share), (back, back_share) = (_local_tones(planes, where, cells) for where in sure)
    known = ((front_share > 1e-4) & (back_share > 1e-4))[at] & ~settled[rows, columns]
    rows, columns, at = rows[known], columns[known], at[known]
    start = linear_of_lab(back)
    line = linear_of_lab(front) - start
    line_over_square = line / np.maximum(np.sum(line * line, axis=1), 1e-6)[:, None]
    # Share of product in mixed pixels: projection on the line from background to product, in linear light.
    at_once = (rows + place[0].start) * linear.shape[1] + columns + place[1].start
    seen = np.take(linear.view("V12").ravel(), at_once).view(np.float32).reshape(-1, 3)  # whole pixels: many times faster
    share = np.einsum("ij,ij->i", seen - np.take(start, at, axis=0), np.take(line_over_square, at, axis=0))
    coverage[rows, columns] = np.clip(share, 0, 1)
    apart = front - back
    return place, coverage, np.sqrt(np.einsum("ij,ij->i", apart, apart))[at]


def _distinct(values, most):
    """The distinct ones of some whole numbers below ``most``, and the place of each value among them."""
    there = np.zeros(most, bool)
    there[values] = True
    found = np.flatnonzero(there)
    place = np.empty(most, np.int32)
    place[found] = np.arange(len(found), dtype=np.int32)
    return found, place[values]


def closed_contours(mask, coverage):
    """
    Closed contours of a mask, moved to where coverage is one half.

    Parameters
    ----------
    mask : (h, w) bool
    coverage : (h, w) float32

    Returns
    -------
    tuple of (n, 2) float32
        Pixels, centres at whole numbers + 0.5; the largest outer contour first,
        gaps after the outer contours.
    """
    x, y, w, h = cv2.boundingRect(mask.view(np.uint8))
    if w == 0:
        return ()
    height, width = mask.shape
    top, left = max(y - ROOM_PX, 0), max(x - ROOM_PX, 0)
    part = slice(top, y + h + ROOM_PX), slice(left, x + w + ROOM_PX)
    found, tree = cv2.findContours(mask[part].view(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    parts = []
    for points, (_, _, _, parent) in zip(found, tree[0], strict=True):
        if len(points) >= 4:
            parts.append((parent >= 0, -abs(cv2.contourArea(points)), points.reshape(-1, 2)))
    if not parts:
        return ()
    parts.sort(key=lambda part: part[:2])
    foot = int((1 - FOOT) * np.ptp(parts[0][2][:, 1])) + parts[0][2][:, 1].min()
    parts = [part for place, part in enumerate(parts) if place == 0 or part[0] or -part[1] >= SMALLEST_PART_PX or part[2][:, 1].min() < foot]
    points = np.concatenate([part[2] for part in parts])
    moved = _moved(points, coverage[part])
    points += (left, top)
    moved += np.array((left, top), np.float32)
    for axis, limit in ((0, width), (1, height)):
        moved[:, axis] = np.where(points[:, axis] <= 0, 0, np.where(points[:, axis] >= limit - 1, limit, moved[:, axis]))
    return tuple(np.split(moved, np.cumsum([len(part[2]) for part in parts])[:-1]))


def _moved(points, coverage):
    """Contour points moved along the coverage's gradient to the half-coverage crossing, float32."""
    field = cv2.blur(coverage, (3, 3))
    x, y = points[:, 0], points[:, 1]
    gx, gy = (cv2.Sobel(field, cv2.CV_32F, *order)[y, x] for order in ((1, 0), (0, 1)))
    direction = np.stack([-gx, -gy], axis=1)  # outwards
    length = np.linalg.norm(direction, axis=1, keepdims=True)
    direction = direction / np.maximum(length, 1e-6)
    centre = points.astype(np.float32)
    reach = np.array([-1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5], np.float32)
    across, down = (start[:, None] + reach * way[:, None] for start, way in zip(centre.T, direction.T, strict=True))
    profile = np.concatenate(
        [
            cv2.remap(coverage, across[first : first + MOST_ROWS], down[first : first + MOST_ROWS], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            for first in range(0, len(centre), MOST_ROWS)
        ]
    )
    # The area under the profile is robust where the edge is soft: product from -1.5 up to the crossing.
    area = np.sum((profile[:, 1:] + profile[:, :-1]) * np.float32(0.25), axis=1)
    shift = np.where(length[:, 0] > 1e-3, np.clip(area - 1.5, -1.0, 1.0), 0.5).astype(np.float32)
    return centre + shift[:, None] * direction + np.float32(0.5)


def ragged_share(contours, edge, frame):
    """
    Share of an outline that is soft and winds about.

    Where a product is as light as its ground, the background runs into it until noise or grain stops it, and no two pixels alike.

    Parameters
    ----------
    contours : sequence of (n, 2) float32
        Pixels, as `closed_contours` gives them.
    edge : (h, w) float32
        At half the size, of a part of the picture: CIELAB a working pixel.
    frame : two slices
        That part, rows and columns at full size.
    """
    if not contours:
        return 0.0
    points = np.concatenate(contours)
    rows, columns = (np.clip((points[:, 1 - axis].astype(int) - frame[axis].start) // 2, 0, edge.shape[axis] - 1) for axis in (0, 1))
    soft = cv2.dilate(edge, np.ones((5, 5), np.uint8))[rows, columns] < SOFT_EDGE
    ragged = np.concatenate([_winding(contour) > RAGGED if len(contour) > 4 * ALONG else np.ones(len(contour), bool) for contour in contours])  # crumbs are
    return float(np.mean(soft & ragged))


def _winding(contour):
    """Length of a closed contour, (n, 2), about each of its points over that of the chord there, (n,); without what wiggles from point to point."""
    count, reach, beside = len(contour), ALONG, SMOOTH // 2
    contour = cv2.blur(np.concatenate([contour[-beside:], contour, contour[:beside]]), (1, SMOOTH))[beside : beside + count]
    ahead = np.roll(contour, -1, axis=0) - contour
    along = np.concatenate([[0], np.cumsum(np.tile(np.hypot(*ahead.T), 3))])
    middle = count + np.arange(count)
    chord = np.roll(contour, -reach, axis=0) - np.roll(contour, reach, axis=0)
    return (along[middle + reach] - along[middle - reach]) / np.maximum(np.hypot(*chord.T), 1)
