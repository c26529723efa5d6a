"""
How far what is sewn on a product's front lies off the middle of its outline.

Seams, pockets, stitches, handles and closures of a front are made symmetric, as its outline is. Seen square, both have one
mirror axis. The front lies nearer to the camera than the outline's ends do, so a turned product moves it sideways against them, by its
distance from the turning axis times the sine of the turn (parallax; Hartley and Zisserman, Multiple View Geometry, 2nd ed., ch. 6). This knows neither the
camera's height, which the slope of a base needs, nor its roll.
"""

import math

import cv2
import numpy as np

ROWS, COLUMNS = 48, 176  # of the body, as it is looked at
UPPER, LOWER = 0.04, 0.06  # of the body's height left out: hems, and feet or the shadow at the foot
INNER = 0.85  # of the body's width: beyond lie its ends, which turn away
REACH = 14  # columns, 4 % of the width: twice what the front moves by
ALIKE = 3  # columns beside the best place that tell the same
DARKEST = 8.0  # code values; what is darker is noise
STRONGEST, WEAKER = 0.25, 0.7  # edges count up to this ratio, and weak ones, as seams are, nearly as much as strong ones
LEAST_CLEAR = 0.03  # correlation above the next best, below which no axis is told
# Share of axes that are wrong, off by more than a hundredth of the width, by that: patterns repeat, and straps hang askew. 480 square pictures of seven makes.
CLEAR, WRONG = (0.03, 0.06, 0.1, 0.15), (0.5, 0.2, 0.08, 0.04)


def inner_axis(picture, sides, roll_deg=0.0):
    """
    Place of a front's own mirror axis beside the middle of the body's outline.

    Parameters
    ----------
    picture : Picture
        Uses ``grey``.
    sides : dict or None
        As `body.body_sides` gives it, working pixels.
    roll_deg : float
        Of the outline's own mirror axis, + clockwise: rows are taken square to it.

    Returns
    -------
    (place, wrong) or None
        Over the body's width, + to the right; and the share of such places that are wrong. None where nothing repeats itself mirrored.
    """
    body = None if sides is None else straightened(picture, sides, roll_deg)
    if body is None:
        return None
    edges = np.minimum(np.abs(np.diff(np.log(body + DARKEST), axis=1)), STRONGEST) ** WEAKER
    edges = cv2.blur(edges, (1, 2))
    edges -= edges.mean(axis=1, keepdims=True)
    edge = max(REACH, round(0.5 * (1 - INNER) * edges.shape[1]))
    mirrored = np.ascontiguousarray(edges[:, ::-1])
    alike = cv2.matchTemplate(mirrored[:, edge - REACH : edges.shape[1] - edge + REACH], np.ascontiguousarray(edges[:, edge:-edge]), cv2.TM_CCOEFF_NORMED)[0]
    best = int(alike.argmax())
    if not 0 < best < len(alike) - 1:
        return None
    clear = float(alike[best] - alike[np.abs(np.arange(len(alike)) - best) > ALIKE].max())
    before, here, after = alike[best - 1 : best + 2].tolist()
    if not clear > LEAST_CLEAR:
        return None
    moved = best - REACH + 0.5 * (before - after) / (before - 2 * here + after)  # vertex of the parabola through three values
    return -0.5 * moved / COLUMNS, float(np.interp(clear, CLEAR, WRONG))


def straightened(picture, sides, roll_deg):
    """The body's luma, its mirror axis upright in the middle: (`ROWS`, `COLUMNS`) float32, as wide as the body; None where it is hardly seen."""
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
    x, y = (across * cosine - rows[:, None] * sine) * size, (across * sine + rows[:, None] * cosine) * size
    fine = max(1, int(size * sides["width"] / COLUMNS))  # as many pixels are one, as the columns stand apart
    first, above = max(0, int(x.min())), max(0, int(y.min()))
    part = picture.grey[above : int(y.max()) + 2 * fine, first : int(x.max()) + 2 * fine]
    if min(part.shape) < 2 * fine:
        return None
    small = cv2.resize(part[: len(part) // fine * fine, : part.shape[1] // fine * fine], None, fx=1 / fine, fy=1 / fine, interpolation=cv2.INTER_AREA)
    x, y = (((at - start) / fine - 0.5).astype(np.float32) for at, start in ((x, first), (y, above)))
    return cv2.remap(small, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(np.float32)
