"""Evidence of small things: marked places, the rim of a cut-out, sharpness and noise, enlarged."""

import cv2
import numpy as np
from PIL import Image

from catalogue_audit.report import look
from catalogue_audit.report.drawing import PANEL, beside, box_points, circle, decode_preview, outline_points, stroke
from catalogue_audit.report.wording import is_missing

WINDOW = 90  # px, side of the part that is enlarged
ENLARGED = 4 * WINDOW  # px
GRID = 48  # places looked at, across and down
EDGE_LIMIT = 40.0  # 8-bit steps a pixel: many edges count for more than a single strong one
CONTRAST = 6  # times, by which noise is made visible
LARGE_MARK = 0.25  # of the frame's width; a larger mark names the whole product, not a place on it


def circles(picture, scene):
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


def rim(picture, scene):
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
    circles(picture, scene._replace(marks=small))
    if not small:
        circle(picture, *centre, 24, look.MEASURED)
    return beside([picture, _enlarged(plain, centre, Image.Resampling.NEAREST)], ["where", "enlarged"], height=PANEL - 60)


def sharpness(picture, scene):
    """The most telling detail of the product, enlarged, beside the same place of a sharp reference."""
    own, reference = decode_preview(scene.sketch), decode_preview(scene.reference_sketch)
    x, y = telling_place(own, scene.frame, reference, scene.reference_frame)
    parts = [_framed(own, *_in_box(own, scene.frame, x, y)), _enlarged(own, _in_box(own, scene.frame, x, y))]
    words = ["this picture", "enlarged"]
    if reference is not None:
        parts.append(_enlarged(reference, _in_box(reference, scene.reference_frame, x, y)))
        words.append(scene.reference_words)  # the same place of it, at the same scale
    return beside(parts, words, height=ENLARGED)


def telling_place(own, frame, reference=None, reference_frame=None):
    """
    Where the product shows the most detail: hardware, seams, the front edge, in both pictures where there are two.

    Parameters
    ----------
    own, reference : PIL.Image.Image
    frame, reference_frame : dict
        With the product's box, fractions of the frame; the whole frame where it has none.

    Returns
    -------
    x, y : float
        Fractions of the product's box.
    """
    detail = _detail_map(own, frame)
    if reference is not None:
        detail = np.sqrt(detail * _detail_map(reference, reference_frame))
    row, column = np.unravel_index(int(np.argmax(detail)), detail.shape)
    return (column + 0.5) / GRID, (row + 0.5) / GRID


def _detail_map(picture, frame):
    """(GRID, GRID) edges in the window round each place of the product's box, 1 at most."""
    left, top, right, bottom = _box_of(frame)
    grey = np.asarray(picture.convert("L"), np.float32)
    rows, columns = (_pixels(low, high, size) for low, high, size in ((top, bottom, grey.shape[0]), (left, right, grey.shape[1])))
    slope = np.hypot(cv2.Sobel(grey, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(grey, cv2.CV_32F, 0, 1, scale=1 / 8))
    edges = np.minimum(slope[rows, columns], EDGE_LIMIT)
    density = cv2.blur(edges, (WINDOW, WINDOW), borderType=cv2.BORDER_CONSTANT)
    detail = cv2.resize(density, (GRID, GRID), interpolation=cv2.INTER_AREA)
    return detail / max(float(detail.max()), 1e-6)


def _box_of(frame):
    sides = [(frame or {}).get(side) for side in ("left", "top", "right", "bottom")]
    return (0.0, 0.0, 1.0, 1.0) if any(is_missing(side) for side in sides) else sides


def _pixels(low, high, size):
    start = int(np.clip(low * size, 0, size - 2))
    return slice(start, max(int(np.clip(high * size, 0, size)), start + 2))


def _in_box(picture, frame, x, y):
    """A place of the product's box as pixels of a picture."""
    left, top, right, bottom = _box_of(frame)
    return np.array([left + x * (right - left), top + y * (bottom - top)]) * picture.size


def noise(picture, scene):
    """A flat place, enlarged and with its contrast raised, beside the same place of the reference."""
    own, reference = decode_preview(scene.sketch), decode_preview(scene.reference_sketch)
    pictures = [own] if reference is None else [own, reference]
    x, y = flat_place(pictures)
    parts = [_framed(own, x * own.width, y * own.height), *(_raised(_enlarged(one, (x * one.width, y * one.height), Image.Resampling.NEAREST)) for one in pictures)]
    words = ["this picture", f"contrast raised {CONTRAST} times", scene.reference_words]
    return beside(parts, words[: len(parts)], height=ENLARGED)


def flat_place(pictures):
    """
    The place, fractions of the frame, whose surroundings change least in all pictures.

    Parameters
    ----------
    pictures : list of PIL.Image.Image

    Returns
    -------
    x, y : float
    """
    unrest = np.zeros((GRID, GRID), np.float32)
    for picture in pictures:
        smooth = cv2.GaussianBlur(np.asarray(picture.convert("L"), np.float32), (0, 0), 3)
        slope = np.hypot(cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1))
        unrest = np.maximum(unrest, cv2.resize(cv2.blur(slope, (WINDOW, WINDOW)), (GRID, GRID), interpolation=cv2.INTER_AREA))
    edge = GRID // 8  # windows lie inside the frame
    inner = unrest[edge:-edge, edge:-edge]
    row, column = np.unravel_index(int(np.argmin(inner)), inner.shape)
    return (column + edge + 0.5) / GRID, (row + edge + 0.5) / GRID


def _raised(part):
    array = np.asarray(part, np.float32)
    return Image.fromarray(np.clip(128 + CONTRAST * (array - np.median(array, axis=(0, 1))), 0, 255).astype(np.uint8))


def _framed(picture, x, y):
    """The picture with a frame round the part that is enlarged."""
    half, drawn = WINDOW / 2, picture.copy()
    x, y = (float(np.clip(at, half, max(side - half, half))) for at, side in zip((x, y), picture.size, strict=True))
    corners = np.array([(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)])
    stroke(drawn, corners, look.MEASURED, closed=True)
    return drawn


def _enlarged(picture, centre, filter=Image.Resampling.BICUBIC):
    """The window round a place, px, four times as large."""
    x, y = (int(np.clip(round(at - WINDOW / 2), 0, max(side - WINDOW, 0))) for at, side in zip(centre, picture.size, strict=True))
    part = picture.crop((x, y, min(x + WINDOW, picture.width), min(y + WINDOW, picture.height)))
    return part.resize((part.width * ENLARGED // WINDOW, part.height * ENLARGED // WINDOW), filter)
