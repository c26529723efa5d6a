"""
How far what is sewn on a product's front lies off the middle of its outline.

Seams, pockets, stitches, handles and closures of a front are made symmetric, as its outline is. Seen square, both have one
mirror axis. The front lies nearer to the camera than the outline's ends do, so a turned product moves it sideways against them, by its
distance from the turning axis times the sine of the turn (parallax; Hartley and Zisserman, Multiple View Geometry, 2nd ed., ch. 6). This knows neither the
camera's height, which the slope of a base needs, nor its roll. The outline itself stays out of it, also where it crosses the face, as the rim of a
crescent does or a rounded shoulder: it lies about its own middle however the product is turned.
"""

import math

import cv2
import numpy as np

ROWS, COLUMNS = 48, 176  # of the body, as it is looked at
UPPER, LOWER = 0.04, 0.06  # of the body's height left out: hems, and feet or the shadow at the foot
INNER = 0.85  # of the body's width: beyond lie its ends, which turn away
RIM_COLUMNS, RIM_ROWS = 4, 1  # 2 % of the body on either side of the outline, where the edges are the outline's own
REACH = 22  # columns, 6 % of the width: twice what the front of a box moves by, and what that of a drum does when turned by ten degrees
ALIKE = 3  # columns beside the best place that tell the same
LEAST_INSIDE = 0.4  # of the face; a thin crescent has none
DARKEST = 8.0  # code values; what is darker is noise
STRONGEST, WEAKER = 0.25, 0.7  # edges count up to this ratio, and weak ones, as seams are, nearly as much as strong ones
LEAST_CLEAR = 0.03  # correlation above the next best, below which no axis is told
# Share of axes that are wrong, off by more than a hundredth of the width, by that: patterns repeat, and straps hang askew. 700 square pictures of eight makes.
CLEAR, WRONG = (0.03, 0.06, 0.1, 0.15, 0.2, 0.3), (0.4, 0.3, 0.18, 0.1, 0.06, 0.03)


def inner_axis(picture, sides, mask, roll_deg=0.0):
    """
    Place of a front's own mirror axis beside the middle of the body's outline.

    Parameters
    ----------
    picture : Picture
        Uses ``grey``.
    sides : dict or None
        As `body.body_sides` gives it, working pixels.
    mask : (h, w) bool
        The product, working pixels.
    roll_deg : float
        Of the outline's own mirror axis, + clockwise: rows are taken square to it.

    Returns
    -------
    (place, wrong) or None
        Over the body's width, + to the right; and the share of such places that are wrong. None where nothing repeats itself mirrored.
    """
    body = None if sides is None else straightened(picture, sides, mask, roll_deg)
    if body is None:
        return None
    edges = face_edges(*body)
    if edges is None:
        return None
    alike = _alike(edges[:, ::-1], edges)
    best = int(alike.argmax())
    if not 0 < best < len(alike) - 1:
        return None
    clear = float(alike[best] - alike[np.abs(np.arange(len(alike)) - best) > ALIKE].max())
    before, here, after = alike[best - 1 : best + 2].tolist()
    if not clear > LEAST_CLEAR:
        return None
    moved = best - REACH + 0.5 * (before - after) / (before - 2 * here + after)  # vertex of the parabola through three values
    return 0.5 * moved / COLUMNS, float(np.interp(clear, CLEAR, WRONG))


def face_edges(luma, inside):
    """
    Strength of what is sewn on a face, its outline left out.

    Parameters
    ----------
    luma, inside : (rows, columns) float32, bool
        As `straightened` gives them.

    Returns
    -------
    (rows, columns - 1) float32 or None
        Of mean 0 in each row, and 0 off the face. None where too little of a face is seen.
    """
    inside = cv2.erode(inside.view(np.uint8), np.ones((2 * RIM_ROWS + 1, 2 * RIM_COLUMNS + 1), np.uint8)).astype(bool)
    inside = inside[:, 1:] & inside[:, :-1]
    if inside.mean() < LEAST_INSIDE:
        return None
    edges = np.minimum(np.abs(np.diff(np.log(luma + DARKEST), axis=1)), STRONGEST) ** WEAKER
    edges = cv2.blur(edges * inside, (1, 2))
    return (edges - (edges * inside).sum(axis=1, keepdims=True) / np.maximum(inside.sum(axis=1, keepdims=True), 1)) * inside


def _alike(first, second):
    """Correlation of one face with another, by how many columns further right the other lies: (2 `REACH` + 1,), of what lies within `INNER` in both."""
    columns = first.shape[1]
    start = round(0.5 * (1 - INNER) * columns)
    found = np.empty(2 * REACH + 1)
    for place, moved in enumerate(range(-REACH, REACH + 1)):
        low, high = max(start, start - moved), min(columns - start, columns - start - moved)
        here, there = first[:, low:high], second[:, low + moved : high + moved]
        here, there = here - here.mean(), there - there.mean()
        found[place] = np.vdot(here, there) / max(math.sqrt(np.vdot(here, here) * np.vdot(there, there)), 1e-9)
    return found


def straightened(picture, sides, mask, roll_deg):
    """
    The body's luma, its mirror axis upright in the middle, as wide as the body, and where the product is in it.

    Returns
    -------
    luma, inside : (`ROWS`, `COLUMNS`) float32, bool, or None
        None where it is hardly seen.
    """
    if min(len(sides["left"]), len(sides["right"])) < ROWS:
        return None
    cosine, sine = math.cos(math.radians(roll_deg)), math.sin(math.radians(roll_deg))
    upright = np.array([[cosine, -sine], [sine, cosine]])  # rows (x, y) times this are turned back
    left, right = (sides[name] @ upright for name in ("left", "right"))
    top, bottom = max(left[:, 1].min(), right[:, 1].min()), min(left[:, 1].max(), right[:, 1].max())
    rows = np.linspace(top + UPPER * (bottom - top), bottom - LOWER * (bottom - top), ROWS)
    middle = 0.5 * (np.interp(rows, left[:, 1], left[:, 0]) + np.interp(rows, right[:, 1], right[:, 0]))
    size = picture.grey.shape[0] / picture.working.shape[0]
    across = middle[:, None] + ((np.arange(COLUMNS) + 0.5) / COLUMNS - 0.5) * sides["width"]
    x, y = across * cosine - rows[:, None] * sine, across * sine + rows[:, None] * cosine
    inside = cv2.remap(np.ascontiguousarray(mask).view(np.uint8), *((at - 0.5).astype(np.float32) for at in (x, y)), cv2.INTER_NEAREST).astype(bool)
    x, y = x * size, y * size
    fine = max(1, int(size * sides["width"] / COLUMNS))  # as many pixels are one, as the columns stand apart
    first, above = max(0, int(x.min())), max(0, int(y.min()))
    part = picture.grey[above : int(y.max()) + 2 * fine, first : int(x.max()) + 2 * fine]
    if min(part.shape) < 2 * fine:
        return None
    small = cv2.resize(part[: len(part) // fine * fine, : part.shape[1] // fine * fine], None, fx=1 / fine, fy=1 / fine, interpolation=cv2.INTER_AREA)
    x, y = (((at - start) / fine - 0.5).astype(np.float32) for at, start in ((x, first), (y, above)))
    return cv2.remap(small, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(np.float32), inside
