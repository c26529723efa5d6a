"""
A simple solid in place of a bag: where a point of its picture goes when the bag, or the camera, turns a little.

The body is a prism on a superellipse, as wide as it is seen and as deep as the products file says. What lies within
its outline lies on its front; the outline itself is where the surface turns away, half the depth behind. Handles
stand in front, in the middle or behind. The camera is a pinhole (Hartley and Zisserman, Multiple View Geometry,
2nd ed., ch. 6); the unit of length is the pixel at the body's middle, so that its distance is the focal length in pixels.
"""

import math
from functools import lru_cache
from typing import NamedTuple

import cv2
import numpy as np

INSIDE, SIDE, BASE, TOP, HANDLE = range(5)
RIM = 0.026  # of the frame's long side: within so much of the outline a patch shows it rather than the front
ABOVE_BODY = 0.04  # of the body's height, from which what is seen belongs to handles
SQUARENESS = 5.0  # exponent of the cross-section: between an oval (2) and a box (infinite)
# Depth of outlines over the front's above or below them, and of handles over half the body's: where they move as if they lay, on
# made bags of seven styles, whose pictures at two known turns and pitches tell.
BASE_SHARE, TOP_SHARE, HANDLE_SHARE = 0.8, 0.3, 0.8
FRONT_SD, SIDE_SD, BASE_SD, TOP_SD = 0.15, 0.6, 0.25, 0.35  # how the depths vary, in halves of the body's


class Solid(NamedTuple):
    """
    Camera and body of one picture; lengths in pixels of the picture they were made for, y down.

    Attributes
    ----------
    size : (int, int)
        Width and height of the frame.
    focal : float
    middle : (float, float)
    half_width, top, base : float
        The body as it is seen.
    depth : float
        Of the body over its true width.
    turn, pitch : float
        Of the view, radians: + front to the right, + looking down.
    """

    size: tuple
    focal: float
    middle: tuple
    half_width: float
    top: float
    base: float
    depth: float
    turn: float
    pitch: float


@lru_cache(maxsize=64)
def cross_section(depth, turn):
    """
    Depths of a prism's visible surface, from left to right.

    Parameters
    ----------
    depth : float
        Over the width.
    turn : float
        Radians.

    Returns
    -------
    (201,) ndarray
        Towards the camera, in halves of the seen width, at even steps of it.
    """
    angle = np.linspace(0, 2 * math.pi, 720, endpoint=False)
    across, along = (np.sign(wave) * np.abs(wave) ** (2 / SQUARENESS) for wave in (np.cos(angle), depth * np.sin(angle)))
    along *= depth / np.abs(along).max()
    x, z = across * math.cos(turn) + along * math.sin(turn), along * math.cos(turn) - across * math.sin(turn)
    x, z = x / x.max(), z / x.max()
    right, left = int(x.argmax()), int(x.argmin())
    grid, surface = np.linspace(-1, 1, 201), np.full(201, -np.inf)
    for start, end in ((right, left), (left, right)):
        branch = np.arange(start, start + (end - start) % 720 + 1) % 720
        order = np.argsort(x[branch], kind="stable")
        surface = np.maximum(surface, np.interp(grid, x[branch][order], z[branch][order]))
    return surface


def parts(solid, mask, points):
    """
    Which part of a bag each point shows.

    Parameters
    ----------
    solid : Solid
    mask : (h, w) uint8
        1 on the product.
    points : (n, 2) int
        x, y.

    Returns
    -------
    (n,) ndarray of int
        `INSIDE`, `SIDE`, `BASE`, `TOP` or `HANDLE`.
    """
    x, y = points.T
    within = cv2.distanceTransform(mask, cv2.DIST_L2, 3)[y, x]
    soft = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 2.5)
    level = np.abs(cv2.Sobel(soft, cv2.CV_32F, 0, 1)[y, x]) > np.abs(cv2.Sobel(soft, cv2.CV_32F, 1, 0)[y, x])
    height = (solid.base - y) / (solid.base - solid.top)
    kinds = np.where(within > RIM * max(solid.size), INSIDE, np.where(level, np.where(height < 0.5, BASE, TOP), SIDE))
    return np.where(height > 1 + ABOVE_BODY, HANDLE, kinds)


def depths(solid, points, kinds):
    """Depth of each point towards the camera from the body's middle, px; 0 of handles, which stand before and behind it."""
    surface = cross_section(solid.depth, solid.turn) * solid.half_width
    front = np.interp((points[:, 0] - solid.middle[0]) / solid.half_width, np.linspace(-1, 1, len(surface)), surface)
    side = np.where(points[:, 0] < solid.middle[0], surface[0], surface[-1])
    return np.select([kinds == SIDE, kinds == BASE, kinds == TOP, kinds == HANDLE], [side, BASE_SHARE * front, TOP_SHARE * front, 0.0], front)


def seen_after(solid, points, depth, yaw=0.0, pitch=0.0):
    """
    Where points are seen after a turn about the vertical and a tilt about the level axis through the body's middle.

    Parameters
    ----------
    solid : Solid
    points : (n, 2) float
        Where they are seen before.
    depth : (n,) float
    yaw, pitch : float
        Radians; + front to the right; + top towards the camera, which is what a camera does that looks down more.

    Returns
    -------
    (n, 2) ndarray
        From the body's middle, px.
    """
    focal, centre = solid.focal, np.array(solid.size) / 2
    middle = (np.array(solid.middle) - centre) * (1, -1)
    flat = (points - centre) * (1, -1)
    x, y = (flat * ((focal - depth) / focal)[:, None] - middle).T
    sine, cosine = math.sin(solid.pitch), math.cos(solid.pitch)
    upright, nearer = y * cosine + depth * sine, depth * cosine - y * sine  # along the product's own vertical, and square to it
    x, nearer = x * math.cos(yaw) + nearer * math.sin(yaw), nearer * math.cos(yaw) - x * math.sin(yaw)
    y, z = upright * cosine - nearer * sine, upright * sine + nearer * cosine
    y, z = y * math.cos(pitch) - z * math.sin(pitch), y * math.sin(pitch) + z * math.cos(pitch)
    share = focal / (focal - z)
    return np.column_stack([(x + middle[0]) * share - middle[0], -((y + middle[1]) * share - middle[1])])
