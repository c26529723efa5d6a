"""
How far a product is turned in a three-quarter view, by how much narrower its front is seen there than in the front view.

A plane that is turned by an angle from square is seen narrower by the cosine of it, and its level lines slope by what the camera looks
down on it (pinhole camera; Hartley and Zisserman, Multiple View Geometry, 2nd ed., ch. 6). The front view shows what is on the front:
seams, hardware, prints, handles and the front's own edges. It is laid over the three-quarter view, from several supposed turns, and
patches of its edges, searched for there, say where it really is: robust least squares (weights after Cauchy) over turn, look down, roll, size,
place, how far the front leans back and how far it bulges.
"""

import math
from typing import NamedTuple

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from catalogue_audit.measures.geometry.handles import DEPTH
from catalogue_audit.statistics.geometry.registration_pictures import points_of, sight

LOOK_DEG = 10.0  # down on the front of a front view: common practice, no source
SUPPOSED_DEG = np.arange(12.0, 58.0, 5.0)  # turns that are supposed
SIZES = -0.05, 0.0, 0.05  # logarithms, about how high the bodies, and the products, are in the two pictures
BOXES_APART = 0.06  # logarithm, from which body and product tell two sizes
HANDLES = 0.75  # of the product's height, in which the body is where the two sizes differ
ROOM = 0.07  # of the body's width and height, in which the front is searched for about its far edge on the far outline
BEGINNINGS, FURTHER, APART_DEG = 4, 2, 7.0  # that are looked at with every second point, and of these with all
PATCH_PX, REACHES_PX = 11, (6, 4, 3, 3)
CELL_PX, MOST_POINTS = 7, 160  # one point is taken of each square; the edgiest
LEAST_CORRELATION, SURE_CORRELATION = 0.35, 0.75
FLAT = 1e-3, 0.02  # of correlation a px squared: what is flatter says nothing, and moves no patch
CAUCHY, LEAST_SPREAD = 0.8, 0.05
STEPS = 4
MEANS = np.tile(np.eye(2, dtype=np.float32), (PATCH_PX**2, 1)) / PATCH_PX**2  # of either channel of a patch
NOTHING = 1e-6  # product of two patches' sums of squares
FEWEST_POINTS, FEWEST_FOUND = 15, 12
TURN, LOOK, ROLL, SIZE, BACK, BULGE, SHIFT_X, SHIFT_Y = range(8)
# What is usual: radians; logarithm; half widths of the body; px. Common practice of product photographs, and how sewn fronts are shaped; no source.
USUAL = np.array([math.radians(32), math.radians(13), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
USUAL_SD = np.array([math.radians(14), math.radians(5), math.radians(2.5), 0.2, math.radians(5), 0.12, 1e3, 1e3])
USUAL_NORMAL = np.diag(USUAL_SD**-2.0)
LEAST_TURN, MOST_TURN = math.radians(3), math.radians(75)
STEP = np.array([1e-3] * 6 + [1.0, 1.0])  # for slopes
STEPPED = np.vstack([np.zeros(len(STEP)), np.diag(STEP)])


class Laid(NamedTuple):
    """
    A front view laid over a three-quarter view.

    Attributes
    ----------
    turn_deg, turn_sd_deg : float
        From square, and least squares' own uncertainty.
    level_deg, level_sd_deg : float
        Slope of the front's level lines in its middle, + clockwise.
    upright_deg, upright_sd_deg : float
        Slant of the front's upright lines there, + clockwise: of roll and of how the front leans back.
    middle : (x, y)
        Of the front, fractions of the frame.
    score : float
        Mean correlation of all patches by their weights, 0 to 1.
    """

    turn_deg: float
    turn_sd_deg: float
    level_deg: float
    level_sd_deg: float
    upright_deg: float
    upright_sd_deg: float
    middle: tuple
    score: float


class _Pair(NamedTuple):
    """The two `Sight`s, points of the front (n, 2) px and on the body (n, 2), the front's middle of the base, half its width, its height, and which way it turns."""

    front: object
    turned: object
    points: np.ndarray
    on_body: np.ndarray
    base: np.ndarray
    half: float
    height: float
    way: float
    usual_size: float
    norms: np.ndarray


def front_laid(sketches, item):
    """
    `laid` of two pictures by their sketches.

    Parameters
    ----------
    sketches : mapping of str to dict
        Uses ``preview``, ``mask`` and ``sides``.
    item : ((file, focal length), (file, focal length), way)
        Of the front view and the three-quarter view, 36 x 24 mm equivalent; as `laid` takes it.
    """
    *pictures, way = item
    front, turned = (sight(sketches.get(file) or {}, focal, DEPTH, 0.0, 0.0) for file, focal in pictures)
    return None if front is None or turned is None else laid(front, turned, way)


def laid(front, turned, way):
    """
    Lay a front view over a three-quarter view of the same product.

    Parameters
    ----------
    front, turned : Sight
    way : float
        +1 where the front faces the camera's right (its right end is the farther one), -1 its left.

    Returns
    -------
    Laid or None
        None where too little of the front is found again.
    """
    points = points_of(front, CELL_PX, MOST_POINTS)
    points = points[points[:, 1] < front.solid.base + PATCH_PX]
    if len(points) < FEWEST_POINTS:
        return None
    base = np.array([front.solid.middle[0], front.solid.base])
    on_body = (points - base) * (1.0, -1.0 / math.cos(math.radians(LOOK_DEG)))
    height = front.solid.base - front.solid.top
    pair = _Pair(front, turned, points, on_body, base, front.solid.half_width, height, way, (turned.solid.base - turned.solid.top) / height, _norms(turned.edges))
    few = pair._replace(points=points[::2], on_body=on_body[::2])
    tried = [_settled(few, begun, REACHES_PX[:1]) for begun in _beginnings(pair)]
    likely = sorted((one for one in tried if one is not None), key=lambda one: -one[-1])[:FURTHER]
    found = [_settled(pair, parameters, REACHES_PX[1:]) for parameters, *_ in likely]
    best = max((one for one in found if one is not None), key=lambda one: one[-1], default=None)
    return None if best is None else _told(pair, *best)


def _seen(pair, on_body, parameters):
    """Places (n, 2) in the three-quarter view, px, of points of the front: across, up; (m, n, 2) for many sets of parameters (m, 8)."""
    given = parameters.T[..., None]
    size, back, bulge, shift_x, shift_y = given[SIZE:]
    (cos_turn, cos_look, cos_roll), (sin_turn, sin_look, sin_roll) = np.cos(given[:SIZE]), np.sin(given[:SIZE])
    x, y = on_body.T
    out = bulge * (pair.half - x * x / pair.half) - np.tan(back) * y
    sideways = pair.way * x
    across = x * cos_turn + out * (pair.way * sin_turn)
    nearer = out * cos_turn - sideways * sin_turn
    up, nearer = y * cos_look - nearer * sin_look, y * sin_look + nearer * cos_look
    focal = pair.turned.solid.focal
    share = focal / (focal / (pair.usual_size * np.exp(size)) - nearer)
    u, v = across * share, up * share
    places = np.empty(u.shape + (2,))
    places[..., 0], places[..., 1] = u * cos_roll + v * sin_roll + shift_x, u * sin_roll - v * cos_roll + shift_y
    return places


def _beginnings(pair):
    """Parameters of the likeliest few of the supposed turns and sizes: where half-size edges of the front correlate best."""
    here, there = (cv2.resize(one.edges, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA) for one in (pair.front, pair.turned))
    boxes = math.log((pair.turned.box[3] - pair.turned.box[1]) / (pair.front.box[3] - pair.front.box[1]) / pair.usual_size)
    sizes, height = list(SIZES), pair.height
    if abs(boxes) > BOXES_APART:
        sizes, height = sizes + [boxes + size for size in SIZES], min(height, HANDLES * (pair.front.box[3] - pair.front.box[1]))
    supposed = np.tile(USUAL, (len(SUPPOSED_DEG) * len(sizes), 1))
    supposed[:, TURN], supposed[:, SIZE] = np.repeat(np.radians(SUPPOSED_DEG), len(sizes)), np.tile(sizes, len(SUPPOSED_DEG))
    marks = _seen(pair, np.array([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (pair.way * pair.half, 0.0)]), supposed)
    tried = [_tried(pair, here, there, *one, height) for one in zip(supposed, marks, strict=True)]
    taken = []
    for score, parameters in sorted((one for one in tried if one is not None), key=lambda one: -one[0]):
        if all(abs(parameters[TURN] - other[TURN]) > math.radians(APART_DEG) for other in taken):
            taken.append(parameters)
        if len(taken) == BEGINNINGS:
            break
    return taken


def _tried(pair, here, there, parameters, marks, height):
    """Correlation of the front as a supposed turn and size show it, and the parameters with the place where that is highest."""
    solid = pair.turned.solid
    corner, across, up, far = marks
    (a, c), (b, d) = across - corner, corner - up
    wide, tall = int(pair.half * abs(a)), int(0.52 * height * d)  # half size
    if wide < 8 or tall < 8:
        return None
    begins = np.array([wide / 2, 0.98 * tall])
    back = np.array([(d, -b), (-c, a)]) / (a * d - b * c)
    template = cv2.warpAffine(here, np.column_stack([back, pair.base / 2 - back @ begins]), (wide, tall), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    outline = solid.middle[0] + pair.way * solid.half_width
    place = np.array([outline - far[0], solid.base - 0.03 * (solid.base - solid.top)]) / 2 + corner / 2 - begins
    room = int(ROOM * solid.half_width) + 1, int(ROOM * (solid.base - solid.top) / 2) + 1
    x, y = (max(round(middle) - most, 0) for middle, most in zip(place.tolist(), room, strict=True))
    window = there[y : y + tall + 2 * room[1], x : x + wide + 2 * room[0]]
    if window.shape[0] < tall or window.shape[1] < wide:
        return None
    found = cv2.matchTemplate(window, template, cv2.TM_CCOEFF_NORMED)
    row, column = divmod(int(found.argmax()), found.shape[1])
    parameters[SHIFT_X:] = 2 * (np.array([x + column, y + row]) + begins) - corner
    return float(found[row, column]), parameters


def _settled(pair, parameters, reaches):
    """Parameters, their covariance and the score that least squares reach from a beginning; None where too few patches are found."""
    for reach in reaches:
        which, at, shapes, sure, value = _found(pair, parameters, reach)
        if len(which) < FEWEST_FOUND:
            return None
        on_body = pair.on_body[which]
        for _ in range(STEPS):
            seen = _seen(pair, on_body, parameters + STEPPED)
            slopes = _along(shapes, (seen[1:] - seen[0]) / STEP[:, None, None])
            left = _along(shapes, at - seen[0])
            far = np.hypot(*np.split(left, 2))
            spread = max(1.4826 * _median(far), LEAST_SPREAD)
            weights = sure / (1 + (far / (CAUCHY * spread)) ** 2)
            weighted = slopes * np.tile(weights / spread**2, 2)
            normal = weighted @ slopes.T + USUAL_NORMAL
            parameters = parameters + np.linalg.solve(normal, weighted @ left - USUAL_NORMAL @ (parameters - USUAL))
            parameters[TURN] = min(max(parameters[TURN], LEAST_TURN), MOST_TURN)
    return parameters, np.linalg.inv(normal), float((value * weights / sure).sum() / len(pair.points))


def _along(shapes, moves):
    """Moves (..., n, 2) by the roots of curvature (n, 2, 2): (..., 2 n), first along one axis of every patch, then along the other."""
    x, y = moves[..., 0], moves[..., 1]
    return np.concatenate([shapes[:, k, 0] * x + shapes[:, k, 1] * y for k in (0, 1)], axis=-1)


def _median(values):
    ordered = np.sort(values)
    return 0.5 * float(ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2])


def _told(pair, parameters, covariance, score):
    middle = np.array([0.0, pair.height / 2])

    here, right, up = np.moveaxis(_seen(pair, middle + np.array([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)]), parameters + STEPPED), 1, 0)
    (across, down), (aside, below) = (right - here).T, (up - here).T
    lines = np.degrees([np.arctan2(down, across), np.arctan2(aside, -below)])
    level, rise = lines[:, 0], (lines[:, 1:] - lines[:, :1]) / STEP
    sds = np.sqrt(np.einsum("ki,ij,kj->k", rise, covariance, rise))
    place = here[0] / np.array(pair.turned.solid.size)
    turn, turn_sd = math.degrees(parameters[TURN]), math.degrees(math.sqrt(covariance[TURN, TURN]))
    return Laid(turn, turn_sd, float(level[0]), float(sds[0]), float(level[1]), float(sds[1]), tuple(place.tolist()), score)


def _found(pair, parameters, reach):
    """
    Where patches of the front are found near where they are expected.

    Returns
    -------
    which : (n,) int
        Places among the points.
    at : (n, 2) float
        px.
    shapes : (n, 2, 2) float
        Roots of the correlation's curvature: an edge says nothing of its own direction.
    sure, value : (n,) float
        0 to 1; correlation.
    """
    width, height = pair.turned.solid.size
    corners = np.array([(-pair.half, pair.height), (pair.half, pair.height), (pair.half, 0.0), (-pair.half, 0.0)])
    before = pair.base + corners * (1.0, -math.cos(math.radians(LOOK_DEG)))
    warp = cv2.getPerspectiveTransform(before.astype(np.float32), _seen(pair, corners, parameters).astype(np.float32))
    centre = cv2.perspectiveTransform(pair.points[None].astype(np.float64), warp)[0]
    expected = _seen(pair, pair.on_body, parameters)
    cell = np.rint(centre).astype(int)
    moved = np.rint(expected - centre).astype(int)
    half = PATCH_PX // 2
    low, high = np.minimum(cell, cell + moved - reach), np.maximum(cell, cell + moved + reach) + half
    which = np.flatnonzero((low >= half).all(axis=1) & (high < (width, height)).all(axis=1))
    if not len(which):
        return which, np.empty((0, 2)), np.empty((0, 2, 2)), np.empty(0), np.empty(0)
    begins = cell[which].min(axis=0) - half
    size = cell[which].max(axis=0) + half + 1 - begins
    shown = cv2.warpPerspective(pair.front.edges, np.array([(1, 0, -begins[0]), (0, 1, -begins[1]), (0, 0, 1)]) @ warp, size.tolist())
    maps = _correlations(shown, cell[which] - begins, pair.turned.edges, pair.norms, (cell + moved)[which], reach)
    span = 2 * reach + 1
    row, column = np.divmod(maps.reshape(len(which), -1).argmax(axis=1), span)
    value = maps[np.arange(len(which)), row, column]
    good = (row > 0) & (row < span - 1) & (column > 0) & (column < span - 1) & (value > LEAST_CORRELATION)
    which, maps, row, column, value = which[good], maps[good], row[good], column[good], value[good]
    finer, shapes = _peaks(maps, row, column)
    at = centre[which] + moved[which] + np.column_stack([column, row]) - reach + finer
    sure = np.clip((value - LEAST_CORRELATION) / (SURE_CORRELATION - LEAST_CORRELATION), 1e-3, 1)
    return which, at, shapes, sure, value


def _correlations(shown, cells, edges, norms, expected, reach):
    """
    Correlation of patches with all places near where they are expected.

    Rows of a patch are multiplied with rows of the picture, as matrices, and the products summed along the diagonals.

    Parameters
    ----------
    shown, edges : (h, w, 2) float32
    cells, expected : (n, 2) int
        Middles of the patches in `shown`, and of where they are searched for in `edges`, px.
    norms : (h, w) float
        `_norms` of `edges`.
    reach : int

    Returns
    -------
    (n, 2 reach + 1, 2 reach + 1) float32
        -1 to 1; 0 where there is nothing.
    """
    half, span = PATCH_PX // 2, 2 * reach + 1
    patches = _windows(shown, cells, half).reshape(len(cells), -1)
    patches -= np.tile(patches @ MEANS, PATCH_PX**2)
    strength = np.einsum("ni,ni->n", patches, patches)
    rows = sliding_window_view(_windows(edges, expected, half + reach), 2 * PATCH_PX, axis=2)[:, :, ::2]
    products = patches.reshape(-1, PATCH_PX, 2 * PATCH_PX) @ rows.transpose(2, 0, 3, 1)
    sums = sum(products[:, :, k, k : k + span] for k in range(PATCH_PX)).transpose(1, 2, 0)
    there = _windows(norms, expected, reach)
    return np.clip(sums / np.sqrt(np.maximum(there * strength[:, None, None], NOTHING)), -1, 1)


def _windows(picture, middles, half):
    """Windows (n, 2 half + 1, ...) of a picture (h, w) or (h, w, 2) about middles (n, 2), its channels side by side in the columns."""
    channels = picture.shape[2] if picture.ndim == 3 else 1
    flat, size = picture.reshape(len(picture), -1), 2 * half + 1
    return sliding_window_view(flat, (size, size * channels))[middles[:, 1] - half, (middles[:, 0] - half) * channels]


def _norms(edges):
    """Sum (h, w) of squared differences from the mean, of a patch about every pixel, all channels together."""
    size = (PATCH_PX, PATCH_PX)
    mean, squares = cv2.boxFilter(edges, -1, size), cv2.boxFilter(edges * edges, -1, size)
    spread = squares - mean * mean
    return PATCH_PX**2 * (spread[..., 0] + spread[..., 1])


def _peaks(maps, row, column):
    """Where the peaks lie between whole pixels (n, 2), and roots of their curvature (n, 2, 2)."""
    rows = np.arange(len(maps))
    nine = maps[rows[:, None, None], row[:, None, None] + np.arange(-1, 2)[:, None], column[:, None, None] + np.arange(-1, 2)]
    value = nine[:, 1, 1]
    rise = np.column_stack([nine[:, 1, 2] - nine[:, 1, 0], nine[:, 2, 1] - nine[:, 0, 1]]) / 2
    bend = np.empty((len(maps), 2, 2))
    bend[:, 0, 0], bend[:, 1, 1] = 2 * value - nine[:, 1, 2] - nine[:, 1, 0], 2 * value - nine[:, 2, 1] - nine[:, 0, 1]
    bend[:, 0, 1] = bend[:, 1, 0] = -(nine[:, 2, 2] + nine[:, 0, 0] - nine[:, 0, 2] - nine[:, 2, 0]) / 4
    size, axes = np.linalg.eigh(bend)
    along = np.einsum("nji,nj->ni", axes, rise) / np.maximum(size, FLAT[1])
    finer = np.einsum("nij,nj->ni", axes, np.clip(along, -0.7, 0.7))
    return finer, (axes * np.sqrt(np.maximum(size, FLAT[0]))[:, None, :]).transpose(0, 2, 1)
