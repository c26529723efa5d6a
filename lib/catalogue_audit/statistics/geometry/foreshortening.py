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
FEWEST_POINTS, FEWEST_FOUND = 15, 12
TURN, LOOK, ROLL, SIZE, BACK, BULGE, SHIFT_X, SHIFT_Y = range(8)
# What is usual: radians; logarithm; half widths of the body; px. Common practice of product photographs, and how sewn fronts are shaped; no source.
USUAL = np.array([math.radians(32), math.radians(13), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
USUAL_SD = np.array([math.radians(14), math.radians(5), math.radians(2.5), 0.2, math.radians(5), 0.12, 1e3, 1e3])
STEP = np.array([1e-3] * 6 + [1.0, 1.0])  # for slopes


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
    pair = _Pair(front, turned, points, on_body, base, front.solid.half_width, height, way, (turned.solid.base - turned.solid.top) / height)
    few = pair._replace(points=points[::2], on_body=on_body[::2])
    tried = [_settled(few, begun, REACHES_PX[:1]) for begun in _beginnings(pair)]
    likely = sorted((one for one in tried if one is not None), key=lambda one: -one[-1])[:FURTHER]
    found = [_settled(pair, parameters, REACHES_PX[1:]) for parameters, *_ in likely]
    best = max((one for one in found if one is not None), key=lambda one: one[-1], default=None)
    return None if best is None else _told(pair, *best)


def _seen(pair, on_body, parameters):
    """Places (n, 2) in the three-quarter view, px, of points of the front: across, up."""
    turn, look, roll, size, back, bulge, *shift = parameters
    x, y = on_body.T
    out = bulge * pair.half * (1 - (x / pair.half) ** 2) - math.tan(back) * y
    scale = pair.usual_size * math.exp(size)
    distance = pair.turned.solid.focal / scale
    across = x * math.cos(turn) + pair.way * out * math.sin(turn)
    nearer = out * math.cos(turn) - pair.way * x * math.sin(turn)
    up, nearer = y * math.cos(look) - nearer * math.sin(look), y * math.sin(look) + nearer * math.cos(look)
    share = scale * distance / (distance - nearer)
    u, v = across * share, -up * share
    return np.column_stack([u * math.cos(roll) - v * math.sin(roll), u * math.sin(roll) + v * math.cos(roll)]) + shift


def _beginnings(pair):
    """Parameters of the likeliest few of the supposed turns and sizes: where half-size edges of the front correlate best."""
    here, there = (cv2.resize(one.edges, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA) for one in (pair.front, pair.turned))
    boxes = math.log((pair.turned.box[3] - pair.turned.box[1]) / (pair.front.box[3] - pair.front.box[1]) / pair.usual_size)
    sizes, height = list(SIZES), pair.height
    if abs(boxes) > BOXES_APART:
        sizes, height = sizes + [boxes + size for size in SIZES], min(height, HANDLES * (pair.front.box[3] - pair.front.box[1]))
    tried = [_tried(pair, here, there, math.radians(turn), size, height) for turn in SUPPOSED_DEG for size in sizes]
    taken = []
    for score, parameters in sorted((one for one in tried if one is not None), key=lambda one: -one[0]):
        if all(abs(parameters[TURN] - other[TURN]) > math.radians(APART_DEG) for other in taken):
            taken.append(parameters)
        if len(taken) == BEGINNINGS:
            break
    return taken


def _tried(pair, here, there, turn, size, height):
    """Correlation of the front as a supposed turn and size show it, and the parameters with the place where that is highest."""
    solid = pair.turned.solid
    parameters = USUAL.copy()
    parameters[[TURN, SIZE]] = turn, size
    corner, across, up, far = _seen(pair, np.array([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (pair.way * pair.half, 0.0)]), parameters)
    linear = np.column_stack([across - corner, corner - up])
    wide, tall = int(pair.half * abs(linear[0, 0])), int(0.52 * height * linear[1, 1])  # half size
    if wide < 8 or tall < 8:
        return None
    begins = np.array([wide / 2, 0.98 * tall])
    back = np.linalg.inv(linear)
    template = cv2.warpAffine(here, np.column_stack([back, pair.base / 2 - back @ begins]), (wide, tall), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    outline = solid.middle[0] + pair.way * solid.half_width
    place = np.array([outline - far[0], solid.base - 0.03 * (solid.base - solid.top)]) / 2 + corner / 2 - begins
    room = np.array([ROOM * solid.half_width, ROOM * (solid.base - solid.top) / 2]).astype(int) + 1
    x, y = np.rint(place).astype(int) - room
    x, y = max(x, 0), max(y, 0)
    window = there[y : y + tall + 2 * room[1], x : x + wide + 2 * room[0]]
    if window.shape[0] < tall or window.shape[1] < wide:
        return None
    found = cv2.matchTemplate(window, template, cv2.TM_CCOEFF_NORMED)
    row, column = divmod(int(found.argmax()), found.shape[1])
    parameters[[SHIFT_X, SHIFT_Y]] = 2 * (np.array([x + column, y + row]) + begins) - corner
    return float(found[row, column]), parameters


def _settled(pair, parameters, reaches):
    """Parameters, their covariance and the score that least squares reach from a beginning; None where too few patches are found."""
    for reach in reaches:
        which, at, shapes, sure, value = _found(pair, parameters, reach)
        if len(which) < FEWEST_FOUND:
            return None
        for _ in range(STEPS):
            places = _seen(pair, pair.on_body[which], parameters)
            slopes = np.stack([(_seen(pair, pair.on_body[which], parameters + step) - places) / step.sum() for step in np.diag(STEP)], axis=2)
            slopes, left = shapes @ slopes, np.einsum("nij,nj->ni", shapes, at - places)
            far = np.sqrt((left**2).sum(axis=1))
            spread = max(1.4826 * float(np.median(far)), LEAST_SPREAD)
            weights = sure / (1 + (far / (CAUCHY * spread)) ** 2)
            flat = slopes.reshape(-1, len(parameters))
            weighted = flat * np.repeat(weights / spread**2, 2)[:, None]
            normal = weighted.T @ flat + np.diag(USUAL_SD**-2.0)
            parameters = parameters + np.linalg.solve(normal, weighted.T @ left.ravel() - (parameters - USUAL) * USUAL_SD**-2.0)
            parameters[TURN] = np.clip(parameters[TURN], math.radians(3), math.radians(75))
    return parameters, np.linalg.inv(normal), float((value * weights / sure).sum() / len(pair.points))


def _told(pair, parameters, covariance, score):
    middle = np.array([0.0, pair.height / 2])

    def lines(given):
        here, right, up = _seen(pair, middle + np.array([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)]), given)
        return np.degrees([math.atan2(*(right - here)[::-1]), math.atan2((up - here)[0], -(up - here)[1])])

    level = lines(parameters)
    rise = np.column_stack([(lines(parameters + step) - level) / step.sum() for step in np.diag(STEP)])
    sds = np.sqrt(np.einsum("ki,ij,kj->k", rise, covariance, rise))
    place = _seen(pair, middle[None], parameters)[0] / np.array(pair.turned.solid.size)
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
    shown = cv2.warpPerspective(pair.front.edges, warp, (width, height))
    centre = cv2.perspectiveTransform(pair.points[None].astype(np.float64), warp)[0]
    expected = _seen(pair, pair.on_body, parameters)
    cell = np.rint(centre).astype(int)
    moved = np.rint(expected - centre).astype(int)
    half = PATCH_PX // 2
    low, high = half + np.minimum(cell, cell + moved - reach) - half, np.maximum(cell, cell + moved + reach) + half
    inside = (low >= half).all(axis=1) & (high < (width, height)).all(axis=1)
    which = np.flatnonzero(inside)
    span = 2 * reach + 1
    maps = np.empty((len(which), span, span), np.float32)
    for k, ((x, y), (u, v)) in enumerate(zip(cell[which].tolist(), (cell + moved)[which].tolist(), strict=True)):
        patch = shown[y - half : y + half + 1, x - half : x + half + 1]
        around = pair.turned.edges[v - half - reach : v + half + reach + 1, u - half - reach : u + half + reach + 1]
        maps[k] = cv2.matchTemplate(around, patch, cv2.TM_CCOEFF_NORMED)
    maps = np.clip(np.nan_to_num(maps, posinf=0.0, neginf=0.0), -1, 1)
    row, column = np.divmod(maps.reshape(len(which), -1).argmax(axis=1) if len(which) else np.zeros(0, int), span)
    value = maps[np.arange(len(which)), row, column]
    good = (row > 0) & (row < span - 1) & (column > 0) & (column < span - 1) & (value > LEAST_CORRELATION)
    which, maps, row, column, value = which[good], maps[good], row[good], column[good], value[good]
    finer, shapes = _peaks(maps, row, column)
    at = centre[which] + moved[which] + np.column_stack([column, row]) - reach + finer
    sure = np.clip((value - LEAST_CORRELATION) / (SURE_CORRELATION - LEAST_CORRELATION), 1e-3, 1)
    return which, at, shapes, sure, value


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
