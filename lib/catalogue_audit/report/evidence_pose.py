"""Evidence of how a product stands: its outline, box, centre, tilt and what the frame cuts off, against the reference."""

import numpy as np
from PIL import Image

from catalogue_audit.measures.applicability import shows_a_turn
from catalogue_audit.measures.geometry.handles import STAND
from catalogue_audit.report import look
from catalogue_audit.report.drawing import (
    PANEL,
    arrow,
    beside,
    box_points,
    decode_preview,
    outline_points,
    stroke,
    write,
)
from catalogue_audit.report.wording import is_missing, plain_text

ALIKE = 0.15  # difference of log(width / height) up to which two bodies have one shape, turned or not
SMALL_VIEW = 170  # px, side of the view from above or from the side
# A body about the middle of that view, in parts of seven tenths of its side, y down.
FOOTPRINT = np.array([(-0.5, -0.2), (0.5, -0.2), (0.5, 0.2), (-0.5, 0.2)])
SIDE = np.array([(-0.2, -0.5), (0.2, -0.5), (0.2, 0.4), (-0.2, 0.4)])


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


def stance(picture, scene):
    """
    Outline and lower edges as they are, and as the reference stands: its edges, and its outline where the shapes are alike.

    The reference is laid foot on foot at the size of this picture's body, so that what differs is how the product
    stands, not where it is or how large. The outline of another shape would only confuse. A turn is shown from above too, a lean from the side.
    """
    _draw_outline(picture, scene)
    for edge in _lower_edges(scene.sketch, scene.sketch, picture.size):
        stroke(picture, edge, look.MEASURED)
    for edge in _lower_edges(scene.sketch, scene.reference_sketch, picture.size):
        stroke(picture, edge, look.REFERENCE, broken=True)
    laid = _foot_on_foot(scene, picture.size)
    if laid is not None:
        stroke(picture, laid, look.REFERENCE, broken=True, closed=True)
    off, turn = scene.finding.get("value"), scene.frame.get("yaw_deg")
    if scene.finding["check"] == "angle" and not is_missing(off):
        turn = float(off) if is_missing(turn) else float(turn)
        _small_view(picture, FOOTPRINT, turn - float(off), turn, "from above, camera below")
    if scene.finding["check"] == "lean" and not is_missing(off):
        _small_view(picture, SIDE, 0.0, float(off), "from the side, camera left")
    return reference_beside(picture, scene)


def handles(picture, scene):
    """
    A line at the rear handle's crown as it is, a broken one where it would be if both were level.

    The picture alone where the sketch does not hold the crowns: an outline would not show which handle is which.
    """
    rear = _rear_crown(scene)
    gap, left, right = (scene.frame.get(name) for name in ("handle_gap", "left", "right"))
    if rear is None or any(is_missing(value) for value in (gap, left, right)):
        return reference_beside(picture, scene)
    row, height = rear
    for share, colour, broken in ((row + float(gap) * height, look.REFERENCE, True), (row, look.MEASURED, False)):
        y = share * (picture.height - 1)
        stroke(picture, [(float(left) * picture.width, y), (float(right) * picture.width, y)], colour, broken=broken)
    return reference_beside(picture, scene)


def _rear_crown(scene):
    """Row of the rear handle's crown and the product's height, fractions of the frame's height; None where not known."""
    stand = scene.sketch.get("stand")
    if stand is None or len(stand) != len(STAND):
        return None
    known = dict(zip(STAND, np.asarray(stand, float).tolist(), strict=True))
    turn = scene.frame.get("yaw_deg")
    if shows_a_turn(scene.finding.get("view")) and not is_missing(turn):
        known["rear"] = known["left_crown" if turn > 0 else "right_crown"]
    return (known["rear"], known["height"]) if np.isfinite(known["rear"] + known["height"]) else None


def _lower_edges(sketch, sloped, size):
    """The two edges that meet at the lowest corner of one sketch, at the slopes of another; none where either shows no corner."""
    own, other = sketch.get("corner"), sloped.get("corner")
    if own is None or other is None:
        return []
    left, corner, right = np.asarray(own[:6], float).reshape(3, 2) * (size[0] - 1, size[1] - 1)
    slopes = np.asarray(other[6:8], float)
    return [[corner, corner + (end[0] - corner[0]) * np.array([1.0, slope])] for end, slope in zip((left, right), slopes, strict=True)]


def _foot_on_foot(scene, size):
    """The reference's outline as large as this picture's body and on the same foot, pixels; None where the shapes are not alike."""
    width, height = (scene.reference_frame.get(name) for name in ("width_px", "height_px"))
    if is_missing(width) or is_missing(height):
        return None
    own, other = _body(scene.sketch, size), _body(scene.reference_sketch, (width, height))
    if own is None or other is None or abs(np.log(own[1] / own[2] * other[2] / other[1])) > ALIKE:
        return None
    outline = outline_points(scene.reference_sketch["outline"], (width, height))
    return own[0] + (outline - other[0]) * own[2] / other[2]


def _body(sketch, size):
    """Foot (x of the body's middle, y of the lowest point), width and height of a body without its handles, pixels; or None."""
    sides, outline = sketch.get("sides"), outline_points(sketch.get("outline"), size)
    if sides is None or outline is None:
        return None
    y, left, right = np.asarray(sides, float).T
    foot = np.array([np.nanmedian(left + right) / 2 * (size[0] - 1), outline[:, 1].max()])
    width, height = np.nanmedian(right - left) * (size[0] - 1), foot[1] - y[0] * (size[1] - 1)
    return (foot, width, height) if width > 0 and height > 0 else None


def _small_view(picture, shape, wanted, measured, words):
    """The body from another side, turned counter-clockwise by two angles, degrees: as it should be and as it is."""
    view = Image.new("RGB", (SMALL_VIEW, SMALL_VIEW), look.PAPER)
    for degrees, colour, broken in ((wanted, look.REFERENCE, True), (measured, look.MEASURED, False)):
        angle = np.deg2rad(degrees)
        right, down = np.array([np.cos(angle), -np.sin(angle)]), np.array([np.sin(angle), np.cos(angle)])
        corners = SMALL_VIEW / 2 + 0.7 * SMALL_VIEW * (shape[:, :1] * right + shape[:, 1:] * down)
        stroke(view, corners, colour, broken=broken, closed=True, line=2)
    for line, text in enumerate(words.split(", ")):
        write(view, 5, 1 + line * (SMALL_VIEW - 22), text, size=16, colour=look.QUIET)
    picture.paste(view, (6, 6))


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
    along = int(abs(moved[1] * picture.height) > abs(moved[0] * picture.width))  # 1: it is off upwards or downwards
    _cross(picture, target, along, look.REFERENCE, broken=True)
    _cross(picture, centre, along, look.MEASURED, broken=False)
    arrow(picture, target, centre, look.MEASURED)
    return picture


def _cross(picture, point, along, colour, broken):
    """A cross, whose line across the way the product is off runs over the whole frame: two that lie on one another would show nothing."""
    x, y = point
    lines = [(x, 0), (x, picture.height)], [(0, y), (picture.width, y)]
    ticks = [(x - 30, y), (x + 30, y)], [(x, y - 30), (x, y + 30)]
    stroke(picture, lines[along], colour, broken=broken, line=2)
    stroke(picture, ticks[along], colour, broken=broken, line=2)


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
