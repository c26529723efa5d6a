"""Evidence of how a product stands: its outline, box, centre, tilt and what the frame cuts off, against the reference."""

import numpy as np

from catalogue_audit.report import look
from catalogue_audit.report.drawing import PANEL, arrow, beside, box_points, decode_preview, outline_points, stroke
from catalogue_audit.report.wording import is_missing, plain_text


def as_it_is(picture, scene):
    return picture


def reference_beside(picture, scene):
    """Picture and reference side by side."""
    reference = decode_preview(scene.reference_sketch)
    if reference is None:
        return picture
    return beside([picture, reference], ["this picture", scene.reference_words], height=PANEL - 60)


def _draw_outline(picture, scene):
    own = outline_points(scene.sketch.get("outline"), picture.size)
    if own is not None:
        stroke(picture, own, look.MEASURED, closed=True)
    return picture


def reference_over(picture, scene):
    """The reference's outline laid over, beside the reference itself."""
    reference = outline_points(scene.reference_sketch.get("outline"), picture.size)
    _draw_outline(picture, scene)
    if reference is not None:
        stroke(picture, reference, look.REFERENCE, broken=True, closed=True)
    return reference_beside(picture, scene)


def _box(picture, scene, frame, colour, broken):
    sides = [frame.get(side) for side in ("left", "top", "right", "bottom")]
    if any(is_missing(side) for side in sides):
        return None
    corners = box_points(*sides, picture.size)
    stroke(picture, corners, colour, broken=broken, closed=True)
    return corners


def boxes(picture, scene):
    """The product's box, and the box it would have at the reference's size."""
    own = _box(picture, scene, scene.frame, look.MEASURED, broken=False)
    deviation = scene.finding.get("value")
    if own is not None and not is_missing(deviation) and deviation > -0.9:
        foot = np.array([(own[0, 0] + own[1, 0]) / 2, own[2, 1]])
        stroke(picture, foot + (own - foot) / (1 + deviation), look.REFERENCE, broken=True, closed=True)
    return reference_beside(picture, scene)


def centre_cross(picture, scene):
    """Cross at the product's centre, an arrow from where it should be."""
    own = _box(picture, scene, scene.frame, look.MEASURED, broken=False)
    if own is None:
        return picture
    centre = own.mean(axis=0)
    moved = [scene.frame.get(name) for name in ("centre_dev_x", "centre_dev_y")]
    moved = np.array([0.0 if is_missing(value) else float(value) for value in moved])
    target = centre - moved * picture.size
    _cross(picture, target, look.REFERENCE, broken=True)
    _cross(picture, centre, look.MEASURED, broken=False)
    arrow(picture, target, centre, look.MEASURED)
    return picture


def _cross(picture, point, colour, broken):
    x, y = point
    stroke(picture, [(x, 0), (x, picture.height)], colour, broken=broken, line=2)
    stroke(picture, [(x - 30, y), (x + 30, y)], colour, broken=broken, line=2)


def tilt(picture, scene):
    """Base line and axis at the measured tilt, level and plumb lines to compare."""
    angle = scene.finding.get("value")
    sides = [scene.frame.get(side) for side in ("left", "right", "bottom", "top")]
    if is_missing(angle) or any(is_missing(side) for side in sides):
        return _draw_outline(picture, scene)
    left, right, bottom, top = (float(side) for side in sides)
    foot = np.array([(left + right) / 2, bottom]) * picture.size
    half, height = (right - left) / 2 * picture.width, (bottom - top) * picture.height
    for degrees, colour, broken in ((0.0, look.REFERENCE, True), (float(angle), look.MEASURED, False)):
        turn = np.deg2rad(degrees)
        along, up = np.array([np.cos(turn), np.sin(turn)]), np.array([np.sin(turn), -np.cos(turn)])
        stroke(picture, [foot - half * along, foot + half * along], colour, broken=broken)
        stroke(picture, [foot, foot + height * up], colour, broken=broken)
    return picture


def cut_off(picture, scene):
    """A bar along each side of the frame that the product meets."""
    edge = {"left": [(4, 0), (4, 1)], "right": [(-5, 0), (-5, 1)], "top": [(0, 4), (1, 4)], "bottom": [(0, -5), (1, -5)]}
    width, height = picture.size
    for side in plain_text(scene.frame.get("touches")).split():
        if side in ("left", "right"):
            x = edge[side][0][0] % width
            stroke(picture, [(x, 0), (x, height)], look.MEASURED, line=8)
        elif side in ("top", "bottom"):
            y = edge[side][0][1] % height
            stroke(picture, [(0, y), (width, y)], look.MEASURED, line=8)
    return reference_beside(picture, scene)
