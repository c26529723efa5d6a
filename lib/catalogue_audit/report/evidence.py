"""
The evidence picture of a finding: its preview with the measurement drawn on it.

One small function a kind of evidence; `DRAWINGS` says which check uses which.
Nothing is measured here: lines and numbers come from the tables and the sketch.
"""

from typing import NamedTuple

import cv2
import numpy as np
from PIL import Image

from catalogue_audit.report import look
from catalogue_audit.report.colours import lab_to_srgb8
from catalogue_audit.report.drawing import (
    arrow,
    beside,
    box_points,
    circle,
    decode_preview,
    fitted,
    outline_points,
    stroke,
    with_band,
    write,
)
from catalogue_audit.report.wording import AT_LEAST_CHECKS, AT_MOST_CHECKS, check_title, is_missing, measured_text, number_text, plain_text

LONG_SIDE = 560  # px of one panel
PATCH = 104  # px, side of a colour patch
LARGE_MARK = 0.25  # of the frame's width; a larger mark names the whole product, not a place on it
WINDOW = 90  # px, side of the part that is enlarged
EDGE_LIMIT = 12.0  # 8-bit steps a pixel: many fine edges count for more than one strong one
CLIPPED = 254  # 8-bit sRGB from which a preview pixel is drawn as clipped


class Scene(NamedTuple):
    """
    What a drawing may know.

    Attributes
    ----------
    finding, frame : dict
        Rows of the tables; ``frame`` is empty where the finding has no file.
    sketch : dict
    marks : list of dict
        Rows of the marks table for this file and check.
    reference_frame, reference_sketch : dict
        The picture this one is compared with; empty where there is none.
    reference_words : str
        What that picture is, as a caption.
    """

    finding: dict
    frame: dict
    sketch: dict
    marks: list
    reference_frame: dict
    reference_sketch: dict
    reference_words: str


def evidence_picture(scene):
    """
    The picture that shows a finding.

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    PIL.Image.Image
        RGB; always a picture, also where the file cannot be shown.
    """
    picture = decode_preview(scene.sketch)
    if picture is None:
        return _cannot_be_shown(scene)
    picture = fitted(picture, LONG_SIDE, LONG_SIDE)
    drawn = DRAWINGS.get(scene.finding["check"], _as_it_is)(picture.copy(), scene)
    title, words = check_title(scene.finding["check"]), measured_text(scene.finding)
    return with_band(drawn, title, words, _gauge(scene.finding))


def _gauge(finding):
    if finding["check"] in AT_MOST_CHECKS | AT_LEAST_CHECKS:
        return None  # one-sided: a band round the middle would say something else
    value, tolerance = finding.get("value"), finding.get("tolerance")
    if is_missing(value) or is_missing(tolerance) or not tolerance > 0:
        return None
    expected = 0.0 if is_missing(finding.get("expected")) else finding["expected"]
    return float(value), float(expected), float(tolerance)


def _cannot_be_shown(scene):
    panel = Image.new("RGB", (LONG_SIDE, round(0.6 * LONG_SIDE)), look.MAT)
    corners = box_points(0.03, 0.05, 0.97, 0.95, panel.size)
    stroke(panel, corners, look.QUIET, broken=True, closed=True, line=2)
    write(panel, 40, 120, "This file cannot be shown", size=22, bold=True)
    write(panel, 40, 156, plain_text(scene.finding.get("file")), size=16, colour=look.QUIET, width=LONG_SIDE - 80)
    reference = decode_preview(scene.reference_sketch)
    drawn = panel if reference is None else beside([panel, reference], ["as delivered", scene.reference_words], height=round(0.6 * LONG_SIDE))
    return with_band(drawn, check_title(scene.finding["check"]))


# -- drawings: (picture, scene) -> picture ---------------------------------------------------


def _as_it_is(picture, scene):
    return picture


def _reference_beside(picture, scene):
    """Picture and reference side by side."""
    reference = decode_preview(scene.reference_sketch)
    if reference is None:
        return picture
    return beside([picture, reference], ["this picture", scene.reference_words], height=LONG_SIDE - 60)


def _draw_outline(picture, scene):
    own = outline_points(scene.sketch.get("outline"), picture.size)
    if own is not None:
        stroke(picture, own, look.MEASURED, closed=True)
    return picture


def _reference_over(picture, scene):
    """The reference's outline laid over, beside the reference itself."""
    reference = outline_points(scene.reference_sketch.get("outline"), picture.size)
    _draw_outline(picture, scene)
    if reference is not None:
        stroke(picture, reference, look.REFERENCE, broken=True, closed=True)
    return _reference_beside(picture, scene)


def _box(picture, scene, frame, colour, broken):
    sides = [frame.get(side) for side in ("left", "top", "right", "bottom")]
    if any(is_missing(side) for side in sides):
        return None
    corners = box_points(*sides, picture.size)
    stroke(picture, corners, colour, broken=broken, closed=True)
    return corners


def _boxes(picture, scene):
    """The product's box, and the box it would have at the reference's size."""
    own = _box(picture, scene, scene.frame, look.MEASURED, broken=False)
    deviation = scene.finding.get("value")
    if own is not None and not is_missing(deviation) and deviation > -0.9:
        foot = np.array([(own[0, 0] + own[1, 0]) / 2, own[2, 1]])
        stroke(picture, foot + (own - foot) / (1 + deviation), look.REFERENCE, broken=True, closed=True)
    return _reference_beside(picture, scene)


def _centre(picture, scene):
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


def _tilt(picture, scene):
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


def _cut_off(picture, scene):
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
    return _reference_beside(picture, scene)


def _marks(picture, scene):
    """A circle round every mark."""
    for mark in scene.marks:
        sides = [mark.get(side) for side in ("left", "top", "right", "bottom")]
        if any(is_missing(side) for side in sides):
            continue
        corners = box_points(*sides, picture.size)
        radius = np.hypot(*(corners[2] - corners[0])) / 2 + 6
        if radius > 40:
            stroke(picture, corners, look.MEASURED, closed=True)
        else:
            circle(picture, *corners.mean(axis=0), radius, look.MEASURED)
    return picture


def _rim(picture, scene):
    """The cut-out's edge, and a place of it enlarged: the marked one, or the outermost at the right."""
    outline = outline_points(scene.sketch.get("outline"), picture.size)
    small = [mark for mark in scene.marks if mark["right"] - mark["left"] < LARGE_MARK]
    if small:
        corners = box_points(*(small[0][side] for side in ("left", "top", "right", "bottom")), picture.size)
        centre = corners.mean(axis=0)
    elif outline is not None:
        centre = outline[np.argmax(outline[:, 0])]
    else:
        return picture
    plain = picture.copy()
    _marks(picture, scene._replace(marks=small))
    if not small:
        circle(picture, *centre, 24, look.MEASURED)
    return beside([picture, _enlarged(plain, centre)], ["where", "enlarged"], height=LONG_SIDE - 60)


def _enlarged(picture, centre, size=110):
    x, y = (int(np.clip(c - size / 2, 0, max(side - size, 0))) for c, side in zip(centre, picture.size, strict=True))
    part = picture.crop((x, y, min(x + size, picture.width), min(y + size, picture.height)))
    return part.resize((part.width * 4, part.height * 4), Image.Resampling.NEAREST)


def _sharpness(picture, scene):
    """The place of the product with the most edges, this picture's and the reference's, enlarged alike."""
    parts, words = [picture, _enlarged(picture, _busiest(picture, scene.frame))], ["this picture", "enlarged"]
    reference = decode_preview(scene.reference_sketch)
    if reference is not None:
        reference = fitted(reference, LONG_SIDE, LONG_SIDE)
        parts = [*parts, _enlarged(reference, _busiest(reference, scene.reference_frame))]
        words = [*words, "the same of " + scene.reference_words]
    return beside(parts, words, height=360)


def _busiest(picture, frame):
    """Centre, px, of the window inside the product's box that holds the most edges."""
    sides = [frame.get(side) for side in ("left", "top", "right", "bottom")]
    left, top, right, bottom = (0, 0, 1, 1) if any(is_missing(side) for side in sides) else sides
    grey = np.asarray(picture.convert("L"), float)
    rows, columns = (slice(int(low * size), max(int(high * size), int(low * size) + 2)) for low, high, size in ((top, bottom, grey.shape[0]), (left, right, grey.shape[1])))
    energy = np.zeros(grey.shape)
    inside = grey[rows, columns]
    if min(inside.shape) < 4:
        return np.array(picture.size) / 2
    energy[rows, columns] = np.minimum(np.hypot(*np.gradient(inside)), EDGE_LIMIT)
    density = cv2.blur(energy, (WINDOW, WINDOW), borderType=cv2.BORDER_REFLECT)
    row, column = np.unravel_index(int(np.argmax(density)), density.shape)
    return np.array([column, row], float)


def _patches(picture, scene, prefix):
    """Measured colour and reference colour as two touching patches."""
    labs = [[frame.get(f"{prefix}_{c}") for c in "Lab"] for frame in (scene.frame, scene.reference_frame)]
    drawn = _reference_beside(picture, scene)
    if any(is_missing(value) for lab in labs for value in lab):
        return drawn
    canvas = Image.new("RGB", (max(drawn.width, 520), drawn.height + PATCH + 12), look.PAPER)
    canvas.paste(drawn, (0, 0))
    y = drawn.height + 8
    for x, lab, words in ((0, labs[0], "here"), (PATCH * 2, labs[1], "reference")):
        canvas.paste(tuple(lab_to_srgb8(lab)), (x, y, x + PATCH * 2, y + PATCH))
        text = f"{words}  L* {lab[0]:.1f}  a* {lab[1]:.1f}  b* {lab[2]:.1f}"
        write(canvas, x + 8, y + PATCH - 24, text, size=12, width=PATCH * 2 - 16, on_mat=True)
    return canvas


def _background_patches(picture, scene):
    return _patches(picture, scene, "background")


def _product_patches(picture, scene):
    return _patches(picture, scene, "product")


def _exposure(picture, scene):
    """Both pictures, and how their pixels spread from dark to light."""
    reference = decode_preview(scene.reference_sketch)
    drawn = _reference_beside(picture, scene)
    canvas = Image.new("RGB", (drawn.width, drawn.height + 96), look.PAPER)
    canvas.paste(drawn, (0, 0))
    box = (0, drawn.height + 22, drawn.width, drawn.height + 94)
    write(canvas, 0, drawn.height + 4, "pixels from dark to light", size=12, colour=look.QUIET)
    if reference is not None:
        _histogram(canvas, reference, box, look.REFERENCE, broken=True)
    _histogram(canvas, picture, box, look.MEASURED, broken=False)
    return canvas


def _histogram(canvas, picture, box, colour, broken):
    counts = np.bincount(np.asarray(picture.convert("L")).ravel() // 4, minlength=64).astype(float) ** 0.4
    left, top, right, bottom = box
    x = np.linspace(left + 3, right - 4, 64)
    stroke(canvas, np.column_stack([x, bottom - 4 - (bottom - top - 8) * counts / counts.max()]), colour, broken=broken, line=2)


def _clipped(picture, scene):
    """Pixels at the top of the scale inside the product's box, painted over."""
    array = np.array(picture)
    burnt = (array >= CLIPPED).any(axis=2)
    mask = scene.sketch.get("mask")
    if mask is not None:
        on_product = Image.fromarray(np.asarray(mask, bool)).resize(picture.size)
        burnt &= np.asarray(on_product)
    rows, columns = np.nonzero(burnt)
    stripe = (rows + columns) % 6 < 3
    array[rows[stripe], columns[stripe]] = (213, 94, 0)
    array[rows[~stripe], columns[~stripe]] = 255
    return Image.fromarray(array)


def _evenness(picture, scene):
    """L* of the border regions, written where they were measured."""
    regions = scene.sketch.get("backdrop")
    if regions is None or len(regions) != 16:
        return picture
    lightness = np.asarray(regions, float)[:, 0]
    places = [(i, 0) for i in range(4)] + [(4, i) for i in range(4)] + [(4 - i, 4) for i in range(4)] + [(0, 4 - i) for i in range(4)]
    for (column, row), value in zip(places, lightness, strict=True):
        if not np.isfinite(value):
            continue
        x = 8 + column / 4 * (picture.width - 58)
        y = 6 + row / 4 * (picture.height - 32)
        extreme = value in (lightness.min(), lightness.max())
        write(picture, x, y, number_text(value, digits=1), size=14, bold=extreme, colour=look.MEASURED if extreme else look.INK, on_mat=True)
    return picture


DRAWINGS = {
    "angle": _reference_over,
    "camera_height": _reference_over,
    "lean": _reference_over,
    "roll": _tilt,
    "handles": _reference_over,
    "strap": _reference_beside,
    "scale": _boxes,
    "centring": _centre,
    "cut_off": _cut_off,
    "white_balance": _background_patches,
    "background": _background_patches,
    "product_colour": _product_patches,
    "exposure": _exposure,
    "uneven_background": _evenness,
    "cutout_edge": _rim,
    "shadow": _reference_beside,
    "clipping": _clipped,
    "focus": _sharpness,
    "motion_blur": _sharpness,
    "noise": _sharpness,
    "upscaled": _sharpness,
    "product_specks": _marks,
    "sensor_spots": _marks,
    "wrong_product": _reference_beside,
    "wrong_detail": _reference_beside,
    "swapped_views": _reference_beside,
    "exact_duplicate": _reference_beside,
    "near_duplicate": _reference_beside,
}
