"""
How far a product is turned in a three-quarter view, by how much narrower its front is seen there than in the front view.

A plane that is turned by an angle from square is seen narrower by the cosine of it, and its level lines slope by what the camera looks
down on it (pinhole camera; Hartley and Zisserman, Multiple View Geometry, 2nd ed., ch. 6). The front view shows what is on the front:
seams, hardware, prints and the front's own edges. It is laid over the three-quarter view, from several supposed turns, and
patches of its edges, searched for there (`front_patches`), say where it really is: robust least squares (weights after Cauchy) over turn, look down,
roll, size, place, how far the front leans back and how far it bulges. Handles stand before or behind the front and say nothing.
"""

import math
from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit.measures.geometry.handles import DEPTH
from catalogue_audit.statistics.geometry.front_patches import NOT_SURE, found_near, maps_about, prepared
from catalogue_audit.statistics.geometry.registration_pictures import points_of, sight

LOOK_DEG = 10.0  # down on the front of a front view: common practice, no source
SUPPOSED_DEG = np.arange(12.0, 58.0, 5.0)  # turns that are supposed
SIZES = -0.05, 0.0, 0.05  # logarithms, about how high the bodies, and the products, are in the two pictures
BOXES_APART = 0.06  # logarithm, from which body and product tell two sizes
HANDLES = 0.75  # of the product's height, in which the body is where the two sizes differ
ROOM = 0.07  # of the body's width and height, in which the front is searched for about its far edge on the far outline
BEGINNINGS, APART_DEG = 5, 5.0  # that are looked at
# Of each stage: how far patches are searched for, px, about the beginnings; how far again once least squares moved them; how many beginnings are left.
STAGES = (5, (5,), 5), (3, (3,), 3), (3, (2, 2), 1)
CELL_PX, MOST_POINTS = 9, 120  # one point is taken of each square; the edgiest
ABOVE, BELOW_PX = 1.03, 11  # the body's base, of its height, and below it, px: where its front may show
CAUCHY, LEAST_SPREAD = 0.8, 0.05
SPREAD = 1.6  # of least squares' own uncertainty of the turn: patches of one seam are wrong together; 330 fronts of three makes
TOO_FAR_DEG = 0.9  # that fronts are laid on average, on three makes alike: their rounded edges are seen from the other side
RIVAL_DEG = 4.0  # from which a turn is another one
STEPS = 8
FEWEST_POINTS, FEWEST_FOUND = 15, 12
ENOUGH_POINTS = 80  # fewer agree by chance
TURN, LOOK, ROLL, SIZE, BACK, BULGE, SHIFT_X, SHIFT_Y = range(8)
# What is usual: radians; logarithm; half widths of the body; px. Common practice of product photographs, and how sewn fronts are shaped; no source.
USUAL = np.array([math.radians(32), math.radians(9), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
USUAL_SD = np.array([math.radians(14), math.radians(2.5), math.radians(2.5), 0.2, math.radians(5), 0.12, 1e3, 1e3])
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
        From square, and the uncertainty of least squares, with what patches of one seam are wrong together.
    level_deg, level_sd_deg : float
        Slope of the front's level lines in its middle, + clockwise.
    upright_deg, upright_sd_deg : float
        Slant of the front's upright lines there, + clockwise: of roll and of how the front leans back.
    middle : (x, y)
        Of the front, fractions of the frame.
    score : float
        Mean correlation of all patches by their weights, 0 to 1; less where there are few.
    rival : float
        The best score of a clearly other turn over the chosen one's, when both had been followed equally far.
    """

    turn_deg: float
    turn_sd_deg: float
    level_deg: float
    level_sd_deg: float
    upright_deg: float
    upright_sd_deg: float
    middle: tuple
    score: float
    rival: float = 0.0


class _Pair(NamedTuple):
    """
    Edges of both pictures at half their size, points of the front (n, 2) px and on the body (n, 2), the front's middle of the base, half its width, its
    height, which way it turns, how large its body is seen in the turned view, that view's `Solid`, and the heights of both products.
    """

    front: np.ndarray
    turned: np.ndarray
    points: np.ndarray
    on_body: np.ndarray
    base: np.ndarray
    half: float
    height: float
    way: float
    usual_size: float
    solid: object
    products: tuple


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
    pair = _pair(front, turned, way)
    if len(pair.points) < FEWEST_POINTS:
        return None
    tried = _beginnings(pair)
    if not len(tried):
        return None
    picture, score, followed = prepared(pair.turned), np.zeros(len(tried)), []
    for reach, again, kept in STAGES:
        tried = tried[np.argsort(-score, kind="stable")[:kept]]
        tried, covariance, score = _settled(pair, maps_about(pair, picture, *_warps(pair, tried), reach), tried, again)
        followed.append((tried[:, TURN], score))
    best = int(np.argmax(score))
    return _told(pair, tried[best], covariance[best], float(score[best]), _rival(tried[best, TURN], *followed[-2])) if score[best] > 0 else None


def _rival(turn, turns, scores):
    """The best score of other turns over that of this one."""
    other = np.abs(turns - turn) > math.radians(RIVAL_DEG)
    own = scores[~other].max(initial=0.0)
    return float(np.clip(scores[other].max(initial=0.0) / own, 0.0, 1.0)) if own > 0 else 1.0


def _pair(front, turned, way):
    """The `_Pair` of two `Sight`s: half their size shows all that least squares can use, in a quarter of the time."""
    (here, body), (there, solid) = (_halved(one) for one in (front, turned))
    points = points_of(front, CELL_PX, front.mask.size)
    up = (front.solid.base - points[:, 1]) / (front.solid.base - front.solid.top)
    points = points[(up < ABOVE) & (points[:, 1] < front.solid.base + BELOW_PX)]
    points = points[np.sort(np.argsort(-cv2.boxFilter(front.edges.sum(axis=2), -1, (5, 5))[points[:, 1], points[:, 0]], kind="stable")[:MOST_POINTS])] / 2
    base = np.array([body.middle[0], body.base])
    on_body = (points - base) * (1.0, -1.0 / math.cos(math.radians(LOOK_DEG)))
    height = body.base - body.top
    products = tuple((one.box[3] - one.box[1]) / 2 for one in (front, turned))
    return _Pair(here, there, points, on_body, base, body.half_width, height, way, (solid.base - solid.top) / height, solid, products)


def _halved(one):
    solid = one.solid
    x, y = solid.middle
    lengths = {name: getattr(solid, name) / 2 for name in ("focal", "half_width", "top", "base")}
    smaller = solid._replace(size=(solid.size[0] / 2, solid.size[1] / 2), middle=(x / 2, y / 2), **lengths)
    return cv2.resize(one.edges, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), smaller


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
    focal = pair.solid.focal
    share = focal / (focal / (pair.usual_size * np.exp(size)) - nearer)
    u, v = across * share, up * share
    places = np.empty(u.shape + (2,))
    places[..., 0], places[..., 1] = u * cos_roll + v * sin_roll + shift_x, u * sin_roll - v * cos_roll + shift_y
    return places


def _beginnings(pair):
    """Parameters (m, 8) of the likeliest few of the supposed turns and sizes: where half-size edges of the front correlate best."""
    here, there = (cv2.resize(edges, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA) for edges in (pair.front, pair.turned))
    boxes = math.log(pair.products[1] / pair.products[0] / pair.usual_size)
    sizes, height = list(SIZES), pair.height
    if abs(boxes) > BOXES_APART:
        sizes, height = sizes + [boxes + size for size in SIZES], min(height, HANDLES * pair.products[0])
    supposed = np.tile(USUAL, (len(SUPPOSED_DEG) * len(sizes), 1))
    supposed[:, TURN], supposed[:, SIZE] = np.repeat(np.radians(SUPPOSED_DEG), len(sizes)), np.tile(sizes, len(SUPPOSED_DEG))
    marks = _seen(pair, np.array([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (pair.way * pair.half, 0.0)]), supposed)
    tried = [_tried(pair, here, there, *one, height) for one in zip(supposed, marks, strict=True)]
    taken = []
    for _, parameters in sorted((one for one in tried if one is not None), key=lambda one: -one[0]):
        if all(abs(parameters[TURN] - other[TURN]) > math.radians(APART_DEG) for other in taken):
            taken.append(parameters)
        if len(taken) == BEGINNINGS:
            break
    return np.array(taken)


def _tried(pair, here, there, parameters, marks, height):
    """Correlation of the front as a supposed turn and size show it, and the parameters with the place where that is highest."""
    solid = pair.solid
    corner, across, up, far = marks
    (a, c), (b, d) = across - corner, corner - up
    wide, tall = int(pair.half * abs(a)), int(0.52 * height * d)  # half size
    if wide < 5 or tall < 5:
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


def _warps(pair, tried):
    """Projections (m, 3, 3) of the front view as the parameters (m, 8) show its plane, and where they expect its points (m, n, 2)."""
    corners = np.array([(-pair.half, pair.height), (pair.half, pair.height), (pair.half, 0.0), (-pair.half, 0.0)])
    before = (pair.base + corners * (1.0, -math.cos(math.radians(LOOK_DEG)))).astype(np.float32)
    after = _seen(pair, corners, tried).astype(np.float32)
    return np.array([cv2.getPerspectiveTransform(before, one) for one in after]), _seen(pair, pair.on_body, tried)


def _settled(pair, maps, tried, reaches):
    """
    What least squares reach from several beginnings.

    Parameters
    ----------
    maps : front_patches.Maps
    tried : (m, 8) float
    reaches : sequence of int
        How far from where they are expected then patches are searched for, px, each time that least squares have moved them.

    Returns
    -------
    tried : (m, 8) float
    covariance : (m, 8, 8) float
    score : (m,) float
        -1 where too few patches are found.
    """
    many = len(tried)
    for reach in reaches:
        seen = _seen(pair, pair.on_body, (tried[:, None] + STEPPED).reshape(-1, len(STEP))).reshape(many, len(STEPPED), -1, 2)
        at, shapes, sure, value = found_near(maps, seen[:, 0], reach)
        found = sure > 0
        slopes = np.einsum("mnab,mknb->mnak", shapes, (seen[:, 1:] - seen[:, :1]) / STEP[:, None, None])
        both = np.concatenate([slopes, np.einsum("mnab,mnb->mna", shapes, at - seen[:, 0])[..., None]], axis=-1)
        products = (both.transpose(0, 1, 3, 2) @ both).reshape(many, len(pair.points), -1)  # of slopes with slopes, and with what is left
        middle = np.arange(many), np.maximum(found.sum(axis=1) - 1, 0) // 2
        moved = np.zeros(tried.shape)
        for _ in range(STEPS):
            left = both @ np.column_stack([-moved, np.ones(many)])[:, None, :, None]
            far = np.square(left[..., 0]).sum(axis=-1)
            spread = np.sort(np.where(found, far, np.inf), axis=1)[middle]
            spread = np.maximum(1.4826**2 * np.where(np.isfinite(spread), spread, 1.0), LEAST_SPREAD**2)[:, None]
            weights = sure / (1 + far / (CAUCHY**2 * spread))
            total = ((weights / spread)[:, None] @ products).reshape(many, len(STEPPED), -1)
            normal, pull = total[:, :-1, :-1] + USUAL_NORMAL, total[:, :-1, -1] + (USUAL - tried) @ USUAL_NORMAL
            moved = np.linalg.solve(normal, pull[..., None])[..., 0]
        tried = tried + moved
        tried[:, TURN] = np.clip(tried[:, TURN], LEAST_TURN, MOST_TURN)
    score = (value * weights / np.maximum(sure, NOT_SURE)).sum(axis=1) / max(len(pair.points), ENOUGH_POINTS)
    return tried, np.linalg.inv(normal), np.where(found.sum(axis=1) >= FEWEST_FOUND, score, -1.0)


def _told(pair, parameters, covariance, score, rival):
    middle = np.array([0.0, pair.height / 2])
    here, right, up = np.moveaxis(_seen(pair, middle + np.array([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)]), parameters + STEPPED), 1, 0)
    (across, down), (aside, below) = (right - here).T, (up - here).T
    lines = np.degrees([np.arctan2(down, across), np.arctan2(aside, -below)])
    level, rise = lines[:, 0], (lines[:, 1:] - lines[:, :1]) / STEP
    sds = np.sqrt(np.einsum("ki,ij,kj->k", rise, covariance, rise))
    place = here[0] / np.array(pair.solid.size)
    turn, turn_sd = math.degrees(parameters[TURN]) - TOO_FAR_DEG, SPREAD * math.degrees(math.sqrt(covariance[TURN, TURN]))
    return Laid(turn, turn_sd, float(level[0]), float(sds[0]), float(level[1]), float(sds[1]), tuple(place.tolist()), score, rival)
