"""
Bags as plain solids, posed and projected by OpenCV's pinhole camera model, with known truth.

Centimetres; x to the camera's right, y away from it, z up; the bag stands on z = 0 and its front looks at the camera.
"""

import math
from typing import NamedTuple

import cv2
import making
import numpy as np
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.outline import find_outline


class Solid(NamedTuple):
    """A bag: a prism that tapers in width and depth, with a pair of handles, one handle, or none."""

    width: float = 34.0
    height: float = 28.0
    depth: float = 13.0
    top_width: float = 34.0
    top_depth: float = 9.0
    handles: int = 2
    handle: float = 13.0
    raised: float = 0.0  # rear handle above the front one


class View(NamedTuple):
    """Pose of the bag and of the camera; degrees, signs as the contract has them."""

    yaw: float = 0.0
    lean: float = 0.0
    roll: float = 0.0
    pitch: float = 6.0
    focal_35mm: float = 95.0
    back: bool = False


def random_solid(random, handles=2):
    """Some bag that a studio may get: (Solid)."""
    width, height = random.uniform(22, 42), random.uniform(17, 34)
    depth = width * random.uniform(0.28, 0.52)
    return Solid(width, height, depth, width * random.uniform(0.85, 1.08), depth * random.uniform(0.5, 1.0), handles, random.uniform(0.3, 0.5) * height)


def pose(points, view, turn_over=True):
    """Points (n, 3) of the standing bag as the view has them: seen from behind, leaning, turned."""
    points = points * (-1, -1, 1) if view.back and turn_over else points
    lean, yaw = math.radians(view.lean), math.radians(view.yaw)
    x, y, z = points.T
    y, z = y * math.cos(lean) - z * math.sin(lean), y * math.sin(lean) + z * math.cos(lean)
    return np.stack([x * math.cos(yaw) - y * math.sin(yaw), x * math.sin(yaw) + y * math.cos(yaw), z], axis=1)


def project(points, view, aim_height, distance, shape):
    """Pixels (n, 2) of world points, by `cv2.projectPoints`; + 0.5 for pixel centres."""
    pitch, roll = math.radians(view.pitch), math.radians(view.roll)
    focal = view.focal_35mm * math.hypot(*shape) / math.hypot(36, 24)
    forward = np.array([0, math.cos(pitch), -math.sin(pitch)])
    down = np.array([0, -math.sin(pitch), -math.cos(pitch)])
    right = np.array([1.0, 0, 0])
    axes = np.array([right * math.cos(roll) - down * math.sin(roll), right * math.sin(roll) + down * math.cos(roll), forward])
    offset = axes @ -(np.array([0, 0, aim_height]) - distance * forward)
    camera = np.array([[focal, 0, shape[1] / 2], [0, focal, shape[0] / 2], [0, 0, 1]])
    return cv2.projectPoints(points.astype(float), cv2.Rodrigues(axes)[0], offset, camera, None)[0][:, 0]


def polygons(solid, view, shape):
    """Outline of the body and a band for each handle, pixels, framed to fill two thirds of the picture."""
    corners = [
        (sx * (solid.width, solid.top_width)[up] / 2, sy * (solid.depth, solid.top_depth)[up] / 2, up * solid.height)
        for sx in (-1, 1) for sy in (-1, 1) for up in (0, 1)
    ]  # fmt: skip
    body = pose(np.array(corners), view)
    paths = []
    angle = np.linspace(math.pi, 0, 60)
    for side, rise in ((-1, 0.0), (1, solid.raised))[: solid.handles]:
        tall = solid.handle + rise
        up = tall * np.sin(angle)
        place = side * solid.top_depth / 2 if solid.handles == 2 else 0.0
        y = place + side * up * math.sin(math.radians(9)) * (solid.handles == 2)
        path = np.stack([0.2 * solid.width * np.cos(angle), y, solid.height + up], axis=1)
        paths.append(pose(path, view, turn_over=False))  # the rear one is the rear one, whichever side is shown
    everything = np.concatenate([body, *paths])
    tall, wide = np.ptp(everything[:, 2]), np.ptp(everything[:, 0])
    diagonal = math.hypot(*shape)
    focal = view.focal_35mm * diagonal / math.hypot(36, 24)
    distance = focal * max(tall / (0.68 * shape[0]), wide / (0.74 * shape[1]))
    drawn = lambda points: project(points, view, tall / 2, distance, shape)
    band = 1.1 * focal / distance
    return [cv2.convexHull(drawn(body).astype(np.float32))[:, 0], *(making.strip(drawn(path), band) for path in paths)]


def photographed(solid, view, shape=(1000, 800), seed=0):
    """(picture, outline) of a bag in front of a sweep."""
    mask = making.cover(shape, *polygons(solid, view, shape))
    scene = making.put(making.sweep(*shape), mask, (0.12, 0.03, 0.02), making.soft_shadow(mask, 0.3))
    picture = making.picture_of(making.photograph(scene, seed=seed))
    return picture, find_outline(picture, fit_backdrop(picture))
