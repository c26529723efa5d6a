"""
Drawing on a picture: boxes, outlines, lines, circles, a gauge, words. Arrays in, picture out.

Measured things are full lines in one colour, what they should be are broken
lines in another, each on a light border so that it shows on any product.
"""

import functools
import io

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from catalogue_audit.report import look
from catalogue_audit.report.wording import plain_text

JPEG_QUALITY = 84
PANEL = 560  # px, long side of a picture that is drawn on
LINE = 3  # px
BORDER = 2  # px of light border each side of a line
DASH = 11.0  # px
BAND = 70  # px, height of the strip under a picture that holds words and gauge
CAPTION, SMALL_CAPTION = 20, 15  # px, above pictures of at least and of less than `TALL`: the page shows two beside each other at half their size
TALL = 300  # px


def decode_preview(sketch, side=None):
    """
    The sketch's preview as a picture, or None where there is none.

    Parameters
    ----------
    sketch : dict
        With ``preview``, the bytes of a JPEG we wrote ourselves.
    side : int, optional
        Pixels of the longer side that are enough: the decoder then gives the smallest
        scaled picture that has them, which is cheaper.

    Returns
    -------
    PIL.Image.Image or None
        RGB.
    """
    data = (sketch or {}).get("preview")
    if data is None or len(data) == 0:
        return None
    with Image.open(io.BytesIO(np.asarray(data, np.uint8).tobytes()), formats=("JPEG",)) as picture:
        if side is not None:
            picture.draft("RGB", (side, side))
        return picture.convert("RGB")


def jpeg_bytes(picture, quality=JPEG_QUALITY):
    """Picture as the bytes of a JPEG without any metadata."""
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=quality, optimize=True)
    return buffer.getvalue()


def fitted(picture, width, height):
    """Picture reduced to fit into width x height, never enlarged."""
    scale = min(width / picture.width, height / picture.height, 1.0)
    size = max(1, round(picture.width * scale)), max(1, round(picture.height * scale))
    return resized(picture, size)


def resized(picture, size):
    """Picture of that size, px; the filter is the cheapest that neither blurs nor rings when pictures get smaller."""
    return picture if size == picture.size else picture.resize(size, Image.Resampling.HAMMING)


@functools.cache
def font(size, bold=False):
    """The report's typeface at a size, px."""
    return ImageFont.truetype(str(look.FONT_BOLD if bold else look.FONT), size)


def write(picture, x, y, text, *, size=15, bold=False, colour=look.INK, width=None, on_mat=False):
    """
    Write one line; shortened with an ellipsis where it is wider than `width` px.

    Returns
    -------
    float
        Width written, px.
    """
    draw = ImageDraw.Draw(picture)
    face, text = font(size, bold), plain_text(text)
    while width is not None and len(text) > 1 and draw.textlength(text, face) > width:
        text = text[:-2].rstrip() + "\N{HORIZONTAL ELLIPSIS}"
    length = draw.textlength(text, face)
    if on_mat:
        draw.rectangle((x - 4, y - 2, x + length + 4, y + size + 5), fill=look.PAPER)
    draw.text((x, y), text, fill=colour, font=face)
    return length


def stroke(picture, points, colour, *, broken=False, closed=False, line=LINE):
    """
    Draw a line through points, on a light border.

    Parameters
    ----------
    points : (n, 2) array
        Pixels, x right, y down.
    broken : bool
        A broken line: what should be.
    """
    points = np.asarray(points, float)
    if len(points) < 2:
        return
    if closed:
        points = np.vstack([points, points[:1]])
    pieces = _dashes(points) if broken else [points]
    draw = ImageDraw.Draw(picture)
    for width, shade in ((line + 2 * BORDER, look.PAPER), (line, colour)):
        for piece in pieces:
            draw.line([tuple(point) for point in piece], fill=shade, width=width, joint="curve")


def _dashes(points):
    """The line cut into dashes of equal length with equal gaps."""
    lengths = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(lengths)])
    if along[-1] < 2 * DASH:
        return [points]
    pieces = []
    for start in np.arange(0.0, along[-1], 2 * DASH):
        end = min(start + DASH, along[-1])
        inside = along[(along > start) & (along < end)]
        at = np.concatenate([[start], inside, [end]])
        pieces.append(np.column_stack([np.interp(at, along, points[:, k]) for k in (0, 1)]))
    return pieces


def box_points(left, top, right, bottom, size):
    """Corners of a box given in fractions of the frame, as pixels of a picture of that size."""
    width, height = size
    return np.array([(left, top), (right, top), (right, bottom), (left, bottom)], float) * (width - 1, height - 1)


def outline_points(outline, size):
    """An outline in fractions of the frame as pixels; None where there is none."""
    if outline is None or len(outline) < 3:
        return None
    return np.asarray(outline, float) * (size[0] - 1, size[1] - 1)


def circle(picture, x, y, radius, colour):
    """A circle round a point, px; at least large enough to be seen."""
    radius = max(radius, 9.0)
    turn = np.linspace(0, 2 * np.pi, 33)
    stroke(picture, np.column_stack([x + radius * np.cos(turn), y + radius * np.sin(turn)]), colour, line=2)


def arrow(picture, start, end, colour):
    """An arrow from start to end, px."""
    start, end = np.asarray(start, float), np.asarray(end, float)
    stroke(picture, [start, end], colour)
    way = end - start
    length = np.hypot(*way)
    if length < 4:
        return
    way /= length
    side = np.array([-way[1], way[0]])
    head = min(14.0, length)
    stroke(picture, [end - head * way + 0.5 * head * side, end, end - head * way - 0.5 * head * side], colour)


def beside(pictures, captions, *, height=480, gap=14):
    """
    Pictures side by side at one height, each with a caption above.

    Parameters
    ----------
    pictures : list of PIL.Image.Image or None
        None leaves an empty place, drawn as a hole.
    captions : list of str

    Returns
    -------
    PIL.Image.Image
    """
    known = [picture for picture in pictures if picture is not None]
    height = min(height, max((picture.height for picture in known), default=height))
    scaled = [None if p is None else resized(p, (max(1, round(p.width * height / p.height)), height)) for p in pictures]
    hole = max(round(0.75 * height), 120)
    widths = [hole if p is None else p.width for p in scaled]
    size = CAPTION if height >= TALL else SMALL_CAPTION
    top = size + 12
    canvas = Image.new("RGB", (sum(widths) + gap * (len(widths) - 1), height + top), look.PAPER)
    x = 0
    for picture, width, caption in zip(scaled, widths, captions, strict=True):
        write(canvas, x, 2, caption, size=size, colour=look.QUIET, width=width)
        if picture is None:
            stroke(canvas, box_points(0, 0, 1, 1, (width - 4, height - 4)) + (x + 2, top + 2), look.QUIET, broken=True, closed=True, line=2)
        else:
            canvas.paste(picture, (x, top))
        x += width + gap
    return canvas


def with_band(picture, title, words="", finding_gauge=None):
    """
    A strip under the picture: the measurement in words, and as a gauge where it has a tolerance.

    Parameters
    ----------
    title, words : str
        First and second line.
    finding_gauge : (value, least, most), optional
        What was measured, and the ends of what is allowed.

    Returns
    -------
    PIL.Image.Image
    """
    canvas = Image.new("RGB", (max(picture.width, 460), picture.height + BAND), look.PAPER)
    canvas.paste(picture, ((canvas.width - picture.width) // 2, 0))
    room = canvas.width - 12
    beside_gauge = room if finding_gauge is None else room - 190
    write(canvas, 6, picture.height + (7 if words else 22), title, size=20, bold=True, width=beside_gauge)
    write(canvas, 6, picture.height + 38, words, size=18, width=room)
    if finding_gauge is not None:
        _draw_gauge(canvas, (canvas.width - 172, picture.height + 4, canvas.width - 8, picture.height + 34), *finding_gauge)
    return canvas


def _draw_gauge(canvas, box, value, least, most):
    """A scale: the band allowed, and where the value stands."""
    left, top, right, bottom = box
    low, high = min(value, least), max(value, most)
    margin = 0.08 * (high - low)
    x, start, end = np.interp([value, least, most], [low - margin, high + margin], [left, right])
    draw, middle = ImageDraw.Draw(canvas), (top + bottom) / 2
    draw.line((left, middle, right, middle), fill=look.QUIET, width=1)
    draw.rectangle((start, middle - 7, end, middle + 7), fill="#CFE3F0", outline=look.REFERENCE)
    draw.polygon([(x, middle - 1), (x - 7, middle - 15), (x + 7, middle - 15)], fill=look.MEASURED)
    draw.line((x, middle - 2, x, middle + 12), fill=look.MEASURED, width=3)
