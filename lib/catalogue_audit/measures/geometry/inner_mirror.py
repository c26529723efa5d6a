"""
How far what is sewn on a product's front is turned off the middle of its outline.

Seams, pockets, stitches, handles and closures of a front are made symmetric, as its outline is. Seen square, both have one
mirror axis. The front lies nearer to the camera than the outline's ends do, so a turned product moves it sideways against them
(parallax; Hartley and Zisserman, Multiple View Geometry, 2nd ed., ch. 6). The front is laid out by the angle about the upright axis at which its columns
would lie on a drum as wide as the outline: across an oval body the angle whose sine goes with the place is the ellipse's own parameter,
and turning the body adds the same to it everywhere. The tangent of that is the turn's times the depth over the width, for an orthographic view of
an elliptic cylinder, and so it is, nearly, for boxes, whose front stands half their depth before their axis. This knows neither the camera's
height, which the slope of a base needs, nor its roll. The outline itself stays out of it, also where it crosses the face, as the rim of a
crescent does or a rounded shoulder: it lies about its own middle however the product is turned.
"""

import math

import cv2
import numpy as np

ROWS, COLUMNS = 48, 140  # of the body, as it is looked at: a column is a degree
MOST_DEG = 70.0  # from the middle of the front to its last column: 3 % of the half width are left out
UPPER, LOWER = 0.04, 0.06  # of the body's height left out: hems, and feet or the shadow at the foot
INNER = 0.9  # of the columns: beyond lie the body's ends, which turn away
RIM_COLUMNS, RIM_ROWS = 4, 1  # on either side of the outline, where the edges are the outline's own
REACH = 44  # columns, 22 degrees of a drum: more than a straight-on view is turned by
ALIKE = 4  # columns beside the best place that tell the same
LEAST_INSIDE = 0.4  # of the face; a thin crescent has none
DARKEST = 8.0  # code values; what is darker is noise
STRONGEST, WEAKER = 0.25, 0.7  # edges count up to this ratio, and weak ones, as seams are, nearly as much as strong ones
LEAST_CLEAR = 0.03  # correlation above the next best, below which no axis is told
LEAST_SURE = 0.035  # the same of the mean of it and of that without the part that tells most
BAND = 4  # rows, a twelfth of the body: a label, a clasp or a zip's end fills one or two
# Share of axes that are wrong, off by more than 2.2 degrees, by the mean of how clear they are and how clear without the part of the body that tells
# most: patterns repeat, straps hang askew, and labels are stuck beside the middle, one a face. 540 square pictures of four makes, some of vessels.
CLEAR, WRONG = (0.035, 0.08, 0.125, 0.175, 0.25, 0.35), (0.35, 0.2, 0.09, 0.035, 0.005, 0.002)


def inner_axis(picture, sides, mask, roll_deg=0.0):
    """
    Angle of a front's own mirror axis about the upright one, as if on a drum, beside the middle of the body's outline.

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
    (angle, wrong) or None
        Degrees, + to the right; and the share of such angles that are wrong. None where nothing repeats itself mirrored.
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
    clear = _clear(alike, best)
    if not clear > LEAST_CLEAR:
        return None
    rest = np.delete(edges, _telling_most(edges, best - REACH), axis=0)
    sure = 0.5 * (clear + _clear(_alike(rest[:, ::-1], rest), best))
    if not sure > LEAST_SURE:
        return None
    before, here, after = alike[best - 1 : best + 2].tolist()
    moved = best - REACH + 0.5 * (before - after) / (before - 2 * here + after)  # vertex of the parabola through three values
    return 0.5 * moved * 2 * MOST_DEG / COLUMNS, float(np.interp(sure, CLEAR, WRONG))


def _clear(alike, best):
    """By how much more alike a face is about one place than anywhere else."""
    near = np.abs(np.arange(len(alike)) - best) <= ALIKE
    return float(alike[near].max() - alike[~near].max())


def _telling_most(edges, moved):
    """Rows of the band, and of those beside it, that a face repeats best mirrored and moved by some columns."""
    start = round(0.5 * (1 - INNER) * edges.shape[1])
    low, high = max(start, start - moved), min(edges.shape[1] - start, edges.shape[1] - start - moved)
    shared = (edges[:, ::-1][:, low:high] * edges[:, low + moved : high + moved]).sum(axis=1)
    most = BAND * int(shared.reshape(-1, BAND).sum(axis=1).argmax())
    return slice(max(most - BAND, 0), most + 2 * BAND)


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
    edges = cv2.blur(edges * inside, (3, 2))
    return (edges - (edges * inside).sum(axis=1, keepdims=True) / np.maximum(inside.sum(axis=1, keepdims=True), 1)) * inside


def _alike(first, second):
    """Correlation of one face with another, by how many columns further right the other lies: (2 `REACH` + 1,), of what lies within `INNER` in both."""
    start = round(0.5 * (1 - INNER) * first.shape[1])
    here, there = (face[:, start : face.shape[1] - start].astype(float) for face in (first, second))
    columns, moved = here.shape[1], np.arange(-REACH, REACH + 1)
    product = np.fft.irfft((np.fft.rfft(here, 2 * columns).conj() * np.fft.rfft(there, 2 * columns)).sum(axis=0), 2 * columns)[moved]
    count = len(here) * (columns - np.abs(moved))
    low, high = np.maximum(0, -moved), np.minimum(columns, columns - moved)  # of the first face; the other's lie ``moved`` further right
    sums = [[np.concatenate([[0.0], np.cumsum(power.sum(axis=0))]) for power in (face, face**2)] for face in (here, there)]
    (one, one_square), (other, other_square) = ([total[high + by] - total[low + by] for total in face] for face, by in zip(sums, (0, moved), strict=True))
    spread = (one_square - one**2 / count) * (other_square - other**2 / count)
    return (product - one * other / count) / np.maximum(np.sqrt(np.maximum(spread, 0.0)), 1e-9)


def straightened(picture, sides, mask, roll_deg):
    """
    The body's luma, its mirror axis upright in the middle, by the angle at which its columns lie on a drum as wide as each row, and where the product is in it.

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
    first, last = (np.interp(rows, side[:, 1], side[:, 0]) for side in (left, right))
    around = np.radians(((np.arange(COLUMNS) + 0.5) / COLUMNS - 0.5) * 2 * MOST_DEG)
    size = picture.grey.shape[0] / picture.working.shape[0]
    across = 0.5 * (first + last)[:, None] + 0.5 * (last - first)[:, None] * np.sin(around)
    x, y = across * cosine - rows[:, None] * sine, across * sine + rows[:, None] * cosine
    inside = cv2.remap(np.ascontiguousarray(mask).view(np.uint8), *((at - 0.5).astype(np.float32) for at in (x, y)), cv2.INTER_NEAREST).astype(bool)
    x, y = x * size, y * size
    fine = max(1, int(size * sides["width"] * math.radians(MOST_DEG) / COLUMNS))  # as many pixels are one, as the middle columns stand apart
    first, above = max(0, int(x.min())), max(0, int(y.min()))
    part = picture.grey[above : int(y.max()) + 2 * fine, first : int(x.max()) + 2 * fine]
    if min(part.shape) < 2 * fine:
        return None
    small = cv2.resize(part[: len(part) // fine * fine, : part.shape[1] // fine * fine], None, fx=1 / fine, fy=1 / fine, interpolation=cv2.INTER_AREA)
    x, y = (((at - start) / fine - 0.5).astype(np.float32) for at, start in ((x, first), (y, above)))
    return cv2.remap(small, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(np.float32), inside
