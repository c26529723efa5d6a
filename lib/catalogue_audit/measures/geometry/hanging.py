"""
Strap: what hangs across the body, looked for along a family of hanging curves.

Two traces of it: edges that follow a curve all the way, and a ribbon of one colour along it.
"""

from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median

CURVE_PX = 320  # long side of the picture in which hanging curves are looked for


def hanging_curve(picture, box):
    """
    How clearly a curve hangs across the body from its sides.

    Contrast square to the curve, in the weaker half of its length, for a family of
    hanging curves: a flap's or a pocket's edge follows one for a part of its way only.
    The same curves turned upside down say what the body's own pattern gives by chance.

    Returns
    -------
    ratio, contrast : float
        Best of the hanging curves over the best of those upside down, 1 where nothing hangs; the former, 0 to 1.
    """
    part = _part(picture, box)
    if part is None:
        return 1.0, 0.0
    body = picture.codes_at(part)
    grey = cv2.GaussianBlur(cv2.cvtColor(body, cv2.COLOR_RGB2GRAY), (3, 3), 0)
    grey = LOG[grey]
    slopes = cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)
    gradient = cv2.merge(slopes)
    limit = 3 * (float(median(sum(np.abs(slope[::2, ::2]) for slope in slopes).ravel())) / 1.2 + 0.02)  # seams and hardware must not decide by their strength
    down, up = _contrast_along(gradient, limit).max(axis=1).tolist()
    return down / max(up, LEAST_CONTRAST), down


def ribbon_across(picture, mask, box, square=True):
    """
    How much what hangs across the body looks like a ribbon: of one colour along its course, and set off from what lies on both sides.

    A flap's or a pocket's edge parts two surfaces, and a pattern changes along the way; a strap passes over both. Colours
    along each curve are compared with the mean of those beside it; what counts is how far the differences point the same
    way, in the weaker half of its length. The same curves turned upside down say what the body gives by chance.

    Parameters
    ----------
    picture : Picture
    mask : (h, w) bool
        Product, working pixels.
    box : (4,) float
        Left, top, right, bottom of the body, working pixels.
    square : bool
        Whether anything has edges along the curves across a square body; where nothing has, no ribbon is looked for there.

    Returns
    -------
    ribbon, by_chance, turned, turned_by_chance : float
        0 to 1: of the best hanging curve, and of the best one upside down; the same across the face of a body that is turned, 0 of one whose base is level.
    """
    part = _part(picture, box)
    if part is None:
        return 0.0, 0.0, 0.0, 0.0
    inside = mask[part].view(np.uint8)
    families = SQUARE if square else None, _face(inside)
    if not any(families):
        return 0.0, 0.0, 0.0, 0.0
    lab = cv2.cvtColor(np.ascontiguousarray(picture.codes_at(part)).astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    lab = cv2.GaussianBlur(lab, (3, 3), 0)
    square, turned = (_ribbon(lab, inside, family) if family else (0.0, 0.0) for family in families)
    return *square, *turned


def _face(inside):
    """The one of `TURNED` across the face of a turned body, whose near corner stands lowest; None where its base is level, as straight on."""
    tall, wide = inside.shape
    base = np.where(inside.any(axis=0), tall - inside[::-1].argmax(axis=0), 0)
    ends = (median(base[slice(*(int(share * wide) for share in span))]) for span in BASE_ENDS)
    falls = float(next(ends) - next(ends))
    return TURNED[falls > 0] if abs(falls) > LEVEL_BASE * wide else None


def _ribbon(lab, inside, family):
    """Ribbon along the best of a ``family``'s curves, and along the best of those upside down."""
    half = len(family.heights) // 2
    first = _ribbons(lab, inside, RIBBONS[:1], family, np.arange(2 * half)).reshape(2, -1)
    nearest = np.argsort(-first, axis=1, kind="stable")[:, :LIKELIEST]  # the others need not be looked at more closely
    chosen = (nearest + np.array([[0], [half]])).ravel()
    closer = _ribbons(lab, inside, RIBBONS[1:], family, chosen).reshape(2, -1)
    return tuple(np.maximum(first.max(axis=1), closer.max(axis=1)).tolist())


def _ribbons(lab, inside, ribbons, family, curves):
    """Best of some ``ribbons``, as `RIBBONS` has them, along each of some ``curves`` of a family, by their numbers: 0 to 1."""
    chosen = Family(family.along, family.heights[curves], family.slopes[curves])
    x, y = _places(lab.shape, chosen)
    nx, ny = _normals(lab.shape, chosen)
    reach = {aside: (x + np.float32(aside) * nx, y + np.float32(aside) * ny) for middle, half in ribbons for aside in (middle - half, middle, middle + half)}
    seen = {aside: cv2.remap(lab, *places, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) for aside, places in reach.items()}
    best = np.zeros(len(curves), np.float32)
    for middle, half in ribbons:
        sides = middle - half, middle + half
        both = np.minimum(*(cv2.remap(inside, *reach[side], cv2.INTER_NEAREST) for side in sides))
        alike = _one_way(seen[middle], *(seen[side] for side in sides), both)
        np.maximum(best, np.sort(alike, axis=1)[:, :2].mean(axis=1), out=best)
    return best


def _one_way(middle, before, after, inside):
    """
    How far (curves, places) colours differ from the mean of both sides' the way they do on average; mean of (curves, 4 quarters), 0 to 1.

    0 along an edge: there the middle is like one of the sides, and differs from their mean by half the step between them.
    """
    differs, step = middle - 0.5 * (before + after), before - after
    way, across = (part.reshape(len(part), -1) @ OVER_PLACES for part in (differs, step))  # means as products of matrices: ten times as fast
    strength, across = (np.sqrt((part * part) @ OVER_CHANNELS) for part in (way, across))
    edge = across > EDGE * strength
    along = (differs @ (way / np.maximum(strength, 1e-6)[:, None])[..., None])[..., 0] * inside * ~edge[:, None]
    size = np.sqrt((differs * differs) @ OVER_CHANNELS + 0.25 * ((step * step) @ OVER_CHANNELS) + JUST_SEEN**2)
    return (along / size).reshape(len(size), 4, -1).mean(axis=2)


def _part(picture, box):
    """Rows and columns of the body in which curves are looked for; None for a tiny one."""
    factor = max(1, round(max(picture.working.shape[:2]) / CURVE_PX))
    left, top, right, bottom = (int(v) // factor for v in box)
    if right - left < 16 or bottom - top < 16:
        return None
    return slice(top * factor, bottom * factor, factor), slice(left * factor, right * factor, factor)


class Family(NamedTuple):
    """
    Curves to look along; the latter half of them are the former upside down.

    ``along``, (places,): across the body, -1 left to 1 right; ``heights``, (curves, places): fraction of the body from its top, and their ``slopes``, a place.
    """

    along: np.ndarray
    heights: np.ndarray
    slopes: np.ndarray


def _hanging_family(tilts, start=0.0, end=1.0):
    """`Family` of curves that hang between two fractions of the body's width, either end ``tilts`` of its height lower or higher."""
    falls = []
    for anchor in (0.08, 0.18, 0.28, 0.38):
        for low in (0.5, 0.58, 0.66, 0.74, 0.82, 0.9):
            if low - anchor < 0.25:
                continue
            for power in (2.0, 2.8):
                for tilt in tilts:
                    falls.append(low - (low - anchor) * np.abs(ALONG) ** power + tilt * ALONG)
    heights = np.array(falls, np.float32)
    heights = np.concatenate([heights, 1 - heights])
    return Family((start + end - 1 + (end - start) * ALONG).astype(np.float32), heights, np.gradient(heights, axis=1))


LOG = np.log1p(np.arange(256, dtype=np.float32))
ALONG = np.linspace(-0.88, 0.88, 44, dtype=np.float32)  # places across the body, -1 left to 1 right; four quarters of 11
OVER_CHANNELS = np.ones(3, np.float32)  # summed over by a product
OVER_PLACES = np.tile(np.eye(3, dtype=np.float32) / np.float32(len(ALONG)), (len(ALONG), 1))  # mean over places, channel by channel
LEAST_CONTRAST = 0.03  # of curves upside down; what noise gives
SQUARE = _hanging_family((-0.09, 0.0, 0.09))  # half of what one end hangs lower: a turned body tilts its strap
SIDE = 0.3  # of the width of a turned body, which its side takes: turned by 35 degrees and half as deep as wide
TURNED = {True: _hanging_family((-0.16, -0.08, 0.0), start=SIDE), False: _hanging_family((0.16, 0.08, 0.0), end=1 - SIDE)}  # by whether the side shows on the left; what is farther off stands higher
BASE_ENDS = (0.15, 0.4), (0.6, 0.85)  # of the body's width, where the base's height is taken
LEVEL_BASE = 0.02  # of the body's width; straight on, nine of ten bodies' bases stand level within 0.01, turned ones' fall by 0.04 to 0.12
RIBBONS = sorted(((middle, half) for middle in (-1.5, 0.0, 1.5) for half in (3.0, 4.5)), key=lambda ribbon: (abs(ribbon[0]), ribbon))  # px beside a curve: a ribbon's middle, and what lies clear of it on both sides
LIKELIEST = 48  # curves that are looked at more closely
EDGE = 1.7  # times the difference; at an edge both sides differ by twice of it, beside a strap by its shadow
JUST_SEEN = 1.5  # CIELAB; a difference that size counts by half


def _contrast_along(gradient, limit):
    """
    How far the gradient stands square to each curve of `SQUARE` and is strong, in two pixels' reach; mean of the two weakest quarters.

    (2, k): curves that hang, and those upside down.
    """
    x, y = _places(gradient.shape, SQUARE)
    nx, ny = _normals(gradient.shape, SQUARE)
    best = np.zeros(y.shape, np.float32)
    for offset in (-1.5, 0.0, 1.5):
        seen = cv2.remap(gradient, x + np.float32(offset) * nx, y + np.float32(offset) * ny, cv2.INTER_LINEAR)
        across = np.abs(seen[..., 0] * nx + seen[..., 1] * ny)
        along = np.abs(seen[..., 1] * nx - seen[..., 0] * ny)
        np.maximum(best, across - along, out=best)
    quarters = np.minimum(best, limit).reshape(len(y), 4, -1).mean(axis=2) / limit
    return np.sort(quarters, axis=1)[:, :2].mean(axis=1).reshape(2, -1)


def _places(shape, family):
    """Columns and rows of a family's curves on a body of that height and width, (curves, places) each."""
    return np.broadcast_to((0.5 * shape[1] * (1 + family.along)).astype(np.float32), family.heights.shape), shape[0] * family.heights


def _normals(shape, family):
    """Unit vectors square to each of a family's curves on a body of that height and width, (curves, places) each."""
    dx, dy = np.float32(0.5 * shape[1] * (family.along[1] - family.along[0])), shape[0] * family.slopes
    length = np.hypot(dx, dy)
    return -dy / length, dx / length
