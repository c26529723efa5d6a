"""
What the mirror symmetry of a product's outline says of its roll and turn.

Bags are made symmetric, so in a straight-on view the outline and its mirror image coincide, but for what the pose
does: a roll turns the two apart; a turn brings one end nearer to the camera, where all is larger (pinhole camera;
Hartley and Zisserman, Multiple View Geometry, 2nd ed., ch. 8), and shows a side, so that one slanted shoulder of
the outline bulges. The outline is laid over its mirror image by exactly these, and half of what is found is the
product's own. Front and back of two pictures of one product are each other's mirror images in the same way.
"""

import math
from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit.measures.quantiles import median, quantile

CONTOUR_POINTS = 160  # about the whole product; those on handles and straps are left out
LEAST_POINTS = 30
NEAR = 2.5  # pixels of the body's mask between it and the points that bound it
HANDLE_AWAY, HANDLES_START = 4.0, 0.35  # the same of points on handles, and how far down the body they may begin
CATCH = 0.12  # of the body's width, within which points find each other
NOISE = 0.003  # of the body's width; how well outlines of sewn things repeat
ALIKE = 6.0  # neighbouring points that err together
TUKEY = 4.685  # Holland and Welsch (1977): 95 % efficiency
FIRST_SPREAD = 0.03  # of the body's width
ROUNDS, PAIRINGS = 8, 6  # of solving, and those of them that pair points anew
CAMERA_ABOVE = 1.2  # body widths that the horizon lies above the base in straight-on views: common practice, no source
TERMS = ("across", "up", "scale", "roll", "stretch", "taper", "turn", "side")
USUAL = np.array([0.1, 0.1, 0.1, 0.1, 0.15, 0.08, 0.1, 0.05])  # sizes that they have at most, weakly held to
MIRROR_TERMS, HANDLE_TERMS = (0, 3, 6, 7), (0, 3)  # the others are alike in a thing and its mirror image
AXIS_DEG, MOST_AXIS_DEG = 90.0, 0.27  # what a body's width of scatter between an outline and its mirror image does to their axis, and at most: 0.1 to 0.2 degree of firm made bags
EVEN = 0.001  # of the body's width; no outline repeats better
WELL = 0.004  # of the body's width; scatter of outlines that are worth their statistical uncertainty


class Edge(NamedTuple):
    """The body's outline in widths of the body, x from its middle, y up from its base: (n, 2) points and outward normals."""

    points: np.ndarray
    normals: np.ndarray

    def mirrored(self):
        flip = np.array([-1.0, 1.0])
        return Edge(self.points * flip, self.normals * flip)


class Laid(NamedTuple):
    """One outline laid over another: values and standard uncertainties by `TERMS`, share of points that agree, their scatter."""

    values: np.ndarray
    sds: np.ndarray
    share: float
    scatter: float


def edges(contour, body, scale):
    """
    The points of an outline that bound the body, and those that bound what stands above it.

    Parameters
    ----------
    contour : (n, 2) float
        Closed, x right, y down, in pixels.
    body : (h, w) bool
        The body's mask.
    scale : float
        Pixels of the contour a pixel of the mask.

    Returns
    -------
    body, handles : Edge or None
        Handles from their own middle. None where there is hardly anything.
    """
    rows, columns = np.flatnonzero(body.any(axis=1)), np.flatnonzero(body.any(axis=0))
    if len(rows) < 12 or len(columns) < 12:
        return None, None
    points = _resampled(np.asarray(contour, float))
    along = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    normals = np.stack([along[:, 1], -along[:, 0]], axis=1) / np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    at = np.clip((points / scale).astype(int) + 1, 0, np.array(body.shape[::-1]) + 1)  # pixels of the mask with one more on each side
    left, top = np.minimum(at.min(axis=0), (columns[0], rows[0]))
    right, bottom = np.maximum(at.max(axis=0), (columns[-1] + 2, rows[-1] + 2))
    rim = cv2.morphologyEx(np.pad(body, 1)[top : bottom + 1, left : right + 1].view(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    away = cv2.distanceTransform(1 - rim, cv2.DIST_L2, 3)[at[:, 1] - top, at[:, 0] - left]
    above = (away > HANDLE_AWAY) & (points[:, 1] < (rows[0] + HANDLES_START * (rows[-1] - rows[0])) * scale)
    width, base = (columns[-1] - columns[0] + 1) * scale, quantile(points[:, 1], 0.97)
    return tuple(_edge(points[part], normals[part], base, width) for part in (away < NEAR, above))


def _edge(points, normals, base, width):
    """`Edge` of some points of a contour; None where they are few."""
    if len(points) < LEAST_POINTS:
        return None
    middle = 0.5 * (points[:, 0].min() + points[:, 0].max())
    return Edge(np.stack([points[:, 0] - middle, base - points[:, 1]], axis=1) / width, normals * np.array([1.0, -1.0]))


def _resampled(contour):
    """`CONTOUR_POINTS` points evenly along a closed contour."""
    closed = np.vstack([contour, contour[:1]])
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.linspace(0, way[-1], CONTOUR_POINTS, endpoint=False)
    return np.stack([np.interp(at, way, column) for column in closed.T], axis=1)


def laid_over(fixed, moving, terms=tuple(range(len(TERMS)))):
    """
    Lay one outline over another.

    Parameters
    ----------
    fixed, moving : Edge
    terms : tuple of int
        Those of `TERMS` that are free. ``across``, ``up``, ``scale`` shift and enlarge; ``roll`` (radian, + clockwise);
        ``stretch`` upwards; ``taper``: enlargement a width upwards; ``turn``: enlargement a width to the right;
        ``side``: how far the slanted shoulders move out on the left and in on the right.

    Returns
    -------
    Laid or None
        Iteratively reweighted least squares of the distances along the normals (Holland and Welsch 1977); None where fewer
        than `LEAST_POINTS` find a partner.
    """
    moves = _moves(moving)[:, list(terms)]
    facing = np.where(moving.normals @ fixed.normals.T < 0.5, 1.0, 0.0)
    size = (fixed.points**2).sum(axis=1)
    values, usual = np.zeros(len(terms)), USUAL[list(terms)]
    for round_ in range(ROUNDS):
        moved = moving.points + np.einsum("nkc,k->nc", moves, values)
        if round_ < PAIRINGS:
            partner = (size - 2 * moved @ fixed.points.T + facing * 10).argmin(axis=1)
            found = ((moved - fixed.points[partner]) ** 2).sum(axis=1) + facing[np.arange(len(partner)), partner] < CATCH**2
            if found.sum() < LEAST_POINTS:
                return None
            normals = fixed.normals[partner]
            rise = np.einsum("nkc,nc->nk", moves, normals)
        off = ((fixed.points[partner] - moved) * normals).sum(axis=1)
        spread = max(1.4826 * float(median(np.abs(off[found]))), NOISE / 3, FIRST_SPREAD * 0.5**round_)  # wide at first, or an edge far off would never count
        weight = np.where(found & (np.abs(off) < TUKEY * spread), (1 - (off / (TUKEY * spread)) ** 2) ** 2, 0.0)
        variance = ALIKE * max(NOISE, spread) ** 2
        precision = (rise * weight[:, None]).T @ rise / variance + np.diag(usual**-2.0)
        values = values + np.linalg.solve(precision, (rise * weight[:, None]).T @ off / variance - values / usual**2)
    return Laid(_spread_out(values, terms), _spread_out(np.sqrt(np.diag(np.linalg.inv(precision))), terms), float(weight.mean()), spread)


def _spread_out(values, terms):
    whole = np.zeros(len(TERMS))
    whole[list(terms)] = values
    return whole


def _moves(edge):
    """What a unit of each of `TERMS` does to the points: (n, 8, 2)."""
    x, y = edge.points.T
    one, none = np.ones_like(x), np.zeros_like(x)
    slanted = -2 * np.sign(x * edge.normals[:, 1]) * np.abs(edge.normals[:, 0] * edge.normals[:, 1])
    moves = [(one, none), (none, one), (x, y), (y, -x), (none, y), (x * y, y * y), (x * x, x * (y - CAMERA_ABOVE)), tuple(slanted * edge.normals.T)]
    return np.array(moves).transpose(2, 0, 1)


def mirror_pose(outline, focal_px):
    """
    Roll and turn by an outline's own mirror image.

    Parameters
    ----------
    outline : Outline
    focal_px : float
        Focal length in working pixels.

    Returns
    -------
    dict
        (value, standard uncertainty) each: ``roll``, degrees, + clockwise; ``turn``, degrees, + the front turns towards the
        camera's right; ``side``: how far the slanted shoulder of the side that comes into view bulges, of the body's width,
        + on the left; ``handles``: roll of what stands above the body. What is not seen is left out.
    """
    found = {}
    if outline.body is None or outline.body.sides is None:
        return found
    body, handles = edges(outline.contours[0], outline.body.mask, outline.body.scale)
    laid = None if body is None else laid_over(body, body.mirrored(), MIRROR_TERMS)
    if laid is not None:
        half, sds, gain = 0.5 * laid.values, 0.5 * laid.sds * max(1.0, laid.scatter / WELL), math.degrees(focal_px / outline.body.sides["width"])
        exact = min(1.0, max(laid.scatter, EVEN) / NOISE)  # what is seen to repeat better than is usual is worth more
        axis_sd = math.hypot(exact * math.degrees(sds[3]), min(AXIS_DEG * laid.scatter, MOST_AXIS_DEG))
        found |= {"roll": (math.degrees(half[3]), axis_sd), "turn": (-gain * half[6], gain * sds[6]), "side": (half[7], sds[7])}
    laid = None if handles is None else laid_over(handles, handles.mirrored(), HANDLE_TERMS)
    if laid is not None:
        found["handles"] = math.degrees(0.5 * laid.values[3]), math.degrees(0.5 * laid.sds[3])
    return found
