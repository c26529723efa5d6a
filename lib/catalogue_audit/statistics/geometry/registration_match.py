"""
Two pictures of one product laid over each other: by how much it was turned, tilted and rolled between them.

Patches of edges are searched for in the other picture. How far each has gone is explained by a shift, a scale, a roll
and a little stretch of the whole, and by a turn and a tilt of a solid in the product's place (`registration_solid`),
whose near parts move against its far ones. All are found together by robust least squares (Lucas and
Kanade, IJCAI 1981, of whom this keeps the best place of each patch; weights after Cauchy), from several beginnings: each good
explanation is kept with what speaks for it.
"""

import math
from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit.statistics.geometry.registration_pictures import points_of, sight
from catalogue_audit.statistics.geometry.registration_solid import (
    BASE,
    BASE_SD,
    FRONT_SD,
    HANDLE,
    HANDLE_SHARE,
    INSIDE,
    SIDE,
    SIDE_SD,
    TOP,
    TOP_SD,
    depths,
    parts,
    seen_after,
)

PATCH_PX, REACH_PX = 11, 9  # width of a patch, and how far from where it is expected it is searched for
VOTES_PX, EVERY = 3, 2  # the same once a turn is supposed, of every second patch
TURNS_DEG, TILTS_DEG = np.arange(-15.0, 15.1, 3.0), np.array([-5.0, 0.0, 5.0])  # that are supposed
USUAL_FIRST = 0.0005, 0.001  # of correlation a degree of turn and of tilt: of two alike, the smaller movement
BEGINNINGS, APART_DEG = 2, 4.0
SEARCHED_PX = (4, 3, 2)  # in each round, around what the last one expects; all but the last also of what turns out to be the same
SAME_DEG = 1.5
NEAR_FIRST = 0.05  # of correlation, at the far side of what is searched
LEAST_CORRELATION, SURE_CORRELATION = 0.3, 0.7
FLAT = 1e-3, 0.02  # of correlation a px squared: what is flatter says nothing, and moves no patch
CAUCHY = 0.8  # of the patches' own spread
LEAST_SPREAD = 0.05
FEWEST_POINTS = 20
SHIFT_X, SHIFT_Y, SCALE, ROLL, STRETCH, YAW, PITCH, AT_FRONT, SIDE_DEPTH, BASE_DEPTH, TOP_DEPTH = range(11)
PARTS = INSIDE, SIDE, BASE, TOP  # whose depths are only known so well
# What moves between two pictures of one product: pixels, logarithms, radians. Sizes of sewn bags repeat to half a per cent.
USUAL = np.array([1e3, 1e3, 0.05, math.radians(2.5), 0.005, math.radians(8.0), math.radians(4.0)])
DEPTH_SDS = np.array([FRONT_SD, SIDE_SD, BASE_SD, TOP_SD])
STEP = 0.01  # radian, px: for slopes


class Motion(NamedTuple):
    """
    One explanation of the difference of two pictures, second less first.

    Attributes
    ----------
    yaw_deg, pitch_deg, roll_deg : float
        + front to the right, + top towards the camera, + clockwise.
    sds_deg : (3,) ndarray
        Of least squares alone.
    score : float
        Mean correlation of all patches where this expects them, 0 to 1.
    """

    yaw_deg: float
    pitch_deg: float
    roll_deg: float
    sds_deg: np.ndarray
    score: float


class _Patches(NamedTuple):
    """Patches of the first picture: where, how deep, what of, and (n, k, k) correlations around ``at`` in the second."""

    points: np.ndarray
    depth: np.ndarray
    kinds: np.ndarray
    group: np.ndarray
    at: np.ndarray
    found: np.ndarray


def motions(first, second):
    """
    Explanations of the difference between two pictures, the best first.

    Parameters
    ----------
    first, second : Sight

    Returns
    -------
    list of Motion
        Empty where too little can be compared.
    """
    points = points_of(first)
    if len(points) < FEWEST_POINTS:
        return []
    start = _beginning(first, second)
    patches = _searched(first, second, points, start)
    prior = np.concatenate([USUAL, DEPTH_SDS * first.solid.depth * first.solid.half_width])
    tried = [_settled(first, second, patches, begun, prior, SEARCHED_PX[:-1]) for begun in _beginnings(first, second, patches, start)]
    found = []
    for parameters, motion in sorted(tried, key=lambda one: -one[1].score):
        if all(abs(motion.yaw_deg - other.yaw_deg) + abs(motion.pitch_deg - other.pitch_deg) > SAME_DEG for other in found):
            found.append(_settled(first, second, patches, parameters, prior, SEARCHED_PX[-1:])[1])
    return sorted(found, key=lambda one: -one.score)


def motions_around(sketches, pictures):
    """
    `motions` between the pictures of one kind, each beside the next and the last beside the first.

    Parameters
    ----------
    sketches : mapping of str to dict
    pictures : list of tuple
        File, and what else `sight` asks for.

    Returns
    -------
    list of (place, place, list of Motion)
    """
    sights = [sight(sketches.get(file) or {}, *shown) for file, *shown in pictures]
    ring = [place for place, one in enumerate(sights) if one is not None]
    pairs = zip(ring, ring[1:] + ring[:1], strict=True) if len(ring) > 2 else zip(ring, ring[1:], strict=False)
    return [(one, other, motions(sights[one], sights[other])) for one, other in pairs]


def _beginning(first, second):
    """Parameters that lay one product's box over the other's: as high, on one base, on one middle."""
    (left, top, right, bottom), box = first.box, second.box
    scale = (box[3] - box[1]) / (bottom - top)
    x, y = first.solid.middle
    parameters = np.zeros(TOP_DEPTH + 1)
    parameters[SHIFT_X] = (box[0] + box[2]) / 2 - second.solid.middle[0] - scale * ((left + right) / 2 - x)
    parameters[SHIFT_Y] = box[3] - second.solid.middle[1] - scale * (bottom - y)
    parameters[SCALE] = math.log(scale)
    return parameters


def _searched(first, second, points, start):
    """`_Patches`, each handle's three times: of one in front, in the middle and behind."""
    kinds = parts(first.solid, first.mask, points)
    depth = depths(first.solid, points, kinds)
    at = np.rint(_expected(first, second, points, depth, start)).astype(int)
    half = PATCH_PX // 2
    pad = half + REACH_PX
    around = cv2.copyMakeBorder(second.edges, pad, pad, pad, pad, cv2.BORDER_CONSTANT)
    at = np.clip(at, 0, np.array(second.mask.shape[::-1]) - 1)
    found = np.empty((len(points), 2 * REACH_PX + 1, 2 * REACH_PX + 1), np.float32)
    for k, ((x, y), (u, v)) in enumerate(zip(points.tolist(), at.tolist(), strict=True)):
        patch = first.edges[y - half : y + half + 1, x - half : x + half + 1]
        found[k] = cv2.matchTemplate(around[v : v + 2 * pad + 1, u : u + 2 * pad + 1], patch, cv2.TM_CCOEFF_NORMED)
    found = np.clip(np.nan_to_num(found, posinf=0.0, neginf=0.0), -1, 1)
    handles = np.flatnonzero(kinds == HANDLE)
    which = np.concatenate([np.arange(len(points)), handles, handles])
    apart = HANDLE_SHARE * first.solid.depth * first.solid.half_width
    depth = np.concatenate([depth, np.full(len(handles), apart), np.full(len(handles), -apart)])
    return _Patches(points[which], depth, kinds[which], which, at[which], found[which])


def _expected(first, second, points, depth, parameters):
    """(n, 2) places in the second picture, px."""
    x, y = seen_after(first.solid, points, depth, parameters[YAW], parameters[PITCH]).T
    x, y = x * math.exp(parameters[STRETCH] / 2), y * math.exp(-parameters[STRETCH] / 2)
    scale, sine, cosine = math.exp(parameters[SCALE]), math.sin(parameters[ROLL]), math.cos(parameters[ROLL])
    moved = np.column_stack([x * cosine - y * sine, x * sine + y * cosine]) * scale
    return moved + np.array(second.solid.middle) + parameters[:2]


def _slopes(first, second, patches, depth, parameters):
    """Expected places (n, 2) and how they move (n, 2, 11) with the parameters."""
    here = _expected(first, second, patches.points, depth, parameters)
    x, y = (here - np.array(second.solid.middle) - parameters[:2]).T
    slopes = np.zeros((len(here), 2, TOP_DEPTH + 1))
    slopes[:, 0, SHIFT_X] = slopes[:, 1, SHIFT_Y] = 1.0
    slopes[:, :, SCALE] = np.column_stack([x, y])
    slopes[:, :, ROLL] = np.column_stack([-y, x])
    slopes[:, :, STRETCH] = np.column_stack([x, -y]) / 2
    for k in (YAW, PITCH):
        other = parameters.copy()
        other[k] += STEP
        slopes[:, :, k] = (_expected(first, second, patches.points, depth, other) - here) / STEP
    deeper = _expected(first, second, patches.points, depth + 1.0, parameters) - here
    for k, kind in enumerate(PARTS):
        slopes[:, :, AT_FRONT + k] = deeper * (patches.kinds == kind)[:, None]
    return here, slopes


def _beginnings(first, second, patches, start):
    """The likeliest few of the supposed turns and tilts, each shifted to where most patches are found."""
    here, slopes = _slopes(first, second, patches, patches.depth, start)
    voters = slice(None, None, EVERY)
    here, slopes, at, found = here[voters], slopes[voters], patches.at[voters], patches.found[voters]
    supposed = np.stack([grid.ravel() for grid in np.meshgrid(np.radians(TURNS_DEG), np.radians(TILTS_DEG), indexing="ij")], axis=1)
    moves = slopes[:, :, [YAW, PITCH]] @ supposed.T  # (n, 2, m)
    places = np.rint(here[:, :, None] + moves - at[:, :, None]).astype(int)
    span = np.arange(-VOTES_PX, VOTES_PX + 1)
    columns = np.clip(places[:, 0, :, None] + span + REACH_PX, 0, 2 * REACH_PX)
    rows = np.clip(places[:, 1, :, None] + span + REACH_PX, 0, 2 * REACH_PX)
    positive = np.maximum(found, 0)
    votes = positive[np.arange(len(here))[:, None, None, None], rows[..., :, None], columns[..., None, :]].mean(axis=0)
    flat = votes.reshape(len(supposed), -1)
    best = flat.argmax(axis=1)
    size = flat[np.arange(len(flat)), best] - USUAL_FIRST[0] * np.degrees(np.abs(supposed[:, 0])) - USUAL_FIRST[1] * np.degrees(np.abs(supposed[:, 1]))
    taken = []
    for k in np.argsort(-size, kind="stable"):
        if all(np.abs(supposed[k] - supposed[other]).max() > math.radians(APART_DEG) for other in taken):
            taken.append(k)
        if len(taken) == BEGINNINGS:
            break
    for k in taken:
        parameters = start.copy()
        parameters[[YAW, PITCH]] = supposed[k]
        parameters[[SHIFT_X, SHIFT_Y]] += span[best[k] % len(span)], span[best[k] // len(span)]
        yield parameters


def _settled(first, second, patches, parameters, prior, rounds):
    """Parameters and `Motion` that least squares reach from a beginning, in rounds of these searches."""
    sizes = np.array([(patches.kinds == kind) for kind in PARTS], float).T
    for searched in rounds:
        here, slopes = _slopes(first, second, patches, patches.depth + sizes @ parameters[AT_FRONT:], parameters)
        offsets, shapes, sure = _best_places(patches, here - patches.at, searched)
        slopes, left = shapes @ slopes, np.einsum("nij,nj->ni", shapes, offsets)
        step = np.zeros(len(parameters))
        for _ in range(3):
            far = np.sqrt(((left - slopes @ step) ** 2).sum(axis=1))
            spread = max(1.4826 * float(np.median(far[sure > 0])), LEAST_SPREAD) if (sure > 0).any() else 1.0
            weights = _of_each_group(sure / (1 + (far / (CAUCHY * spread)) ** 2), patches.group)
            flat = slopes.reshape(-1, len(parameters))
            weighted = flat * np.repeat(weights / spread**2, 2)[:, None]
            normal = weighted.T @ flat + np.diag(prior**-2)
            step = np.linalg.solve(normal, weighted.T @ left.ravel() - parameters * prior**-2)
        parameters = parameters + step
    places = _expected(first, second, patches.points, patches.depth + sizes @ parameters[AT_FRONT:], parameters) - patches.at
    seen = np.zeros(patches.group.max() + 1)
    np.maximum.at(seen, patches.group, np.maximum(_read(patches.found, places), 0))
    sds = np.degrees(np.sqrt(np.diag(np.linalg.inv(normal))))
    yaw, pitch, roll = np.degrees(parameters[[YAW, PITCH, ROLL]])
    return parameters, Motion(float(yaw), float(pitch), float(roll), sds[[YAW, PITCH, ROLL]], float(seen.mean()))


def _of_each_group(weights, group):
    """Weights of the best only of several explanations of one patch."""
    best = np.zeros(group.max() + 1)
    np.maximum.at(best, group, weights)
    return np.where(weights >= 0.999 * best[group], weights, 0.0)


def _best_places(patches, expected, searched):
    """
    Where each patch correlates best near where it is expected.

    Returns
    -------
    offsets : (n, 2) float
        From where it is expected, px.
    shapes : (n, 2, 2) float
        Roots of the correlation's curvature there: an edge says nothing of its own direction.
    sure : (n,) float
        0 to 1.
    """
    n, rows = len(expected), np.arange(len(expected))
    limit = REACH_PX - 1 - searched
    cell = np.clip(np.rint(expected), -limit, limit).astype(int)
    span = np.arange(-searched, searched + 1)
    near = patches.found[rows[:, None, None], (cell[:, 1, None] + span + REACH_PX)[:, :, None], (cell[:, 0, None] + span + REACH_PX)[:, None, :]]
    away = (cell[:, 1, None] + span - expected[:, 1, None])[:, :, None] ** 2 + (cell[:, 0, None] + span - expected[:, 0, None])[:, None, :] ** 2
    best = (near - NEAR_FIRST * away / searched**2).reshape(n, -1).argmax(axis=1)
    y, x = cell[:, 1] + span[best // len(span)] + REACH_PX, cell[:, 0] + span[best % len(span)] + REACH_PX
    nine = patches.found[rows[:, None, None], y[:, None, None] + np.arange(-1, 2)[:, None], x[:, None, None] + np.arange(-1, 2)]
    value = nine[:, 1, 1]
    rise = np.column_stack([nine[:, 1, 2] - nine[:, 1, 0], nine[:, 2, 1] - nine[:, 0, 1]]) / 2
    bend = np.empty((n, 2, 2))
    bend[:, 0, 0], bend[:, 1, 1] = 2 * value - nine[:, 1, 2] - nine[:, 1, 0], 2 * value - nine[:, 2, 1] - nine[:, 0, 1]
    bend[:, 0, 1] = bend[:, 1, 0] = -(nine[:, 2, 2] + nine[:, 0, 0] - nine[:, 0, 2] - nine[:, 2, 0]) / 4
    size, axes = np.linalg.eigh(bend)
    along = np.einsum("nji,nj->ni", axes, rise) / np.maximum(size, FLAT[1])
    finer = np.clip(np.einsum("nij,nj->ni", axes, along), -0.7, 0.7)
    shapes = (axes * np.sqrt(np.maximum(size, FLAT[0]))[:, None, :]).transpose(0, 2, 1)
    reached = (np.abs(expected) <= REACH_PX - 1).all(axis=1)
    sure = np.clip((value - LEAST_CORRELATION) / (SURE_CORRELATION - LEAST_CORRELATION), 0, 1) * reached
    return np.column_stack([x, y]) - REACH_PX + finer - expected, shapes, sure


def _read(found, places):
    """Correlations between their whole pixels (n,)."""
    x, y = (np.clip(places + REACH_PX, 0, 2 * REACH_PX - 1e-3)).T
    column, row = x.astype(int), y.astype(int)
    right, down, rows = x - column, y - row, np.arange(len(found))
    upper = found[rows, row, column] * (1 - right) + found[rows, row, column + 1] * right
    lower = found[rows, row + 1, column] * (1 - right) + found[rows, row + 1, column + 1] * right
    return upper * (1 - down) + lower * down
