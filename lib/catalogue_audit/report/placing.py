"""
Placing outlines: the set's reference as a transparent picture to lay over the camera's live view, and a sheet for the table.

The picture has the camera's pixels and aspect ratio. The sheet lies on the table, seen
from above, its lower edge towards the camera: a line shows how the product's front edge runs.
"""

import math
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, PngImagePlugin

from catalogue_audit.errors import AuditError, UsageError
from catalogue_audit.report import look, sheets_pdf
from catalogue_audit.report.wording import plain_text, view_title

LINE = 1 / 500  # width of the outline, of the longer side
HALO = 2.2  # width of the light line below it, so that it is seen on any ground
DASH = 1 / 60  # length of a dash, of the longer side
PAGE_CM = 21.0, 29.7  # A4
CENTRE_CM = 10.5, 17.5
EDGE_CM = 16.0  # drawn length of the front edge
RULER_CM = 10


def outline_picture(placing, outline):
    """
    Outline, box, base line and centre as a transparent picture.

    Parameters
    ----------
    placing : statistics.geometry.placing.Placing
    outline : (n, 2) ndarray of float
        Fractions of the frame.

    Returns
    -------
    PIL.Image.Image
        Mode RGBA, ``placing.width_px`` by ``placing.height_px``.
    """
    size = np.array([placing.width_px, placing.height_px])
    picture = Image.new("RGBA", tuple(int(side) for side in size), (255, 255, 255, 0))
    draw = ImageDraw.Draw(picture)
    width = max(2, round(LINE * size.max()))
    left, top, right, bottom = np.array(placing.box) * np.tile(size, 2)
    middle = (left + right) / 2
    thin = max(1, width // 2)
    box = [(left, top), (right, top), (right, bottom), (left, bottom), (left, top)]
    _broken(draw, box, thin, look.QUIET, DASH * size.max())
    _broken(draw, [(middle, 0.0), (middle, float(size[1]))], thin, look.QUIET, DASH * size.max())
    if math.isfinite(placing.baseline):
        base = placing.baseline * size[1]
        _line(draw, [(0.0, base), (float(size[0]), base)], thin, look.VERMILION)
    points = [tuple(point) for point in np.asarray(outline, float) * size]
    _line(draw, [*points, points[0]], width, look.REFERENCE)
    return picture


def _line(draw, points, width, colour):
    draw.line(points, fill="#FFFFFFC0", width=max(width + 2, round(HALO * width)), joint="curve")
    draw.line(points, fill=colour, width=width, joint="curve")


def _broken(draw, points, width, colour, dash):
    for start, end in zip(points, points[1:], strict=False):
        start, end = np.array(start, float), np.array(end, float)
        length = float(np.hypot(*(end - start)))
        for begin in np.arange(0.0, length, 2 * dash):
            part = [tuple(start + (end - start) * min(1.0, at / length)) for at in (begin, begin + dash)]
            _line(draw, part, width, colour)


def write_outline(picture, path, description):
    """Write the transparent picture; `description` goes into its text block."""
    info = PngImagePlugin.PngInfo()
    info.add_itxt("Description", description)
    picture.save(path, "PNG", pnginfo=info)


def placing_words(placing):
    """
    How to place the product, in lines.

    Returns
    -------
    list of str
    """
    left, top, right, bottom = placing.box
    lines = [f"Measured on {placing.pictures} pictures; outline of {plain_text(placing.file)}."]
    if math.isfinite(placing.yaw_deg):
        side = "towards the right" if placing.yaw_deg > 0 else "towards the left"
        error = f" (known to ± {2 * placing.yaw_error_deg:.1f}°)" if math.isfinite(placing.yaw_error_deg) else ""
        turn = f"turned {abs(placing.yaw_deg):.1f}° {side}, as the camera sees it" if abs(placing.yaw_deg) >= 0.5 else "square to the camera"
        lines.append(f"Front edge {turn}{error}.")
    else:
        lines.append("The turn could not be measured in this view: place by the outline.")
    lines.append(f"In the frame: {100 * left:.1f} % to {100 * right:.1f} % across, {100 * top:.1f} % to {100 * bottom:.1f} % down.")
    if math.isfinite(placing.camera_pitch_deg):
        lines.append(f"Camera looks down by {placing.camera_pitch_deg:.1f}°." if placing.camera_pitch_deg > 0 else f"Camera looks up by {-placing.camera_pitch_deg:.1f}°.")
    if math.isfinite(placing.focal_length_mm):
        lines.append(f"Focal length {placing.focal_length_mm:.0f} mm.")
    return lines


def write_table_sheet(placings, path, delivery):
    """
    The sheets for the table as PDF, one A4 page a view, to print at 100 %.

    Parameters
    ----------
    placings : list of statistics.geometry.placing.Placing
    path : Path
    delivery : str

    Raises
    ------
    AuditError
        Where ReportLab is not installed.
    """
    if not sheets_pdf.available():
        raise AuditError(sheets_pdf.MISSING)
    from reportlab.lib.units import cm
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont
    from reportlab.pdfgen.canvas import Canvas

    pdfmetrics.registerFont(TTFont("Sheet", str(look.FONT)))
    pdfmetrics.registerFont(TTFont("Sheet-Bold", str(look.FONT_BOLD)))
    canvas = Canvas(str(path), pagesize=(PAGE_CM[0] * cm, PAGE_CM[1] * cm), invariant=1)
    canvas.setTitle("Table sheets")
    for placing in placings:
        canvas.scale(cm, cm)
        _draw_sheet(canvas, placing, plain_text(delivery, 60))
        canvas.showPage()
    canvas.save()


def _draw_sheet(canvas, placing, delivery):
    """One page, in centimetres."""
    from reportlab.lib.colors import HexColor

    ink, quiet, blue, rule = (HexColor(colour) for colour in (look.INK, look.QUIET, look.BLUE, look.RULE))
    centre_x, centre_y = CENTRE_CM
    _text(canvas, 1.5, 27.9, f"{view_title(placing.view).capitalize()}: how the product stands", "Sheet-Bold", 0.55, ink)
    _text(canvas, 1.5, 27.2, f"{delivery}. Seen from above; this edge of the sheet away from the camera, the lower one towards it.", "Sheet", 0.3, quiet)
    canvas.setStrokeColor(rule)
    canvas.setLineWidth(0.03)
    canvas.line(centre_x, centre_y - 9.5, centre_x, centre_y + 8.5)
    canvas.line(centre_x - EDGE_CM / 2, centre_y, centre_x + EDGE_CM / 2, centre_y)
    _text(canvas, centre_x + 0.2, centre_y - 9.4, "▼ camera", "Sheet", 0.32, quiet)
    if math.isfinite(placing.yaw_deg):
        across, along = math.cos(math.radians(placing.yaw_deg)), math.sin(math.radians(placing.yaw_deg))  # + counter-clockwise from above
        canvas.setStrokeColor(blue)
        canvas.setLineWidth(0.1)
        half = EDGE_CM / 2
        canvas.line(centre_x - half * across, centre_y - half * along, centre_x + half * across, centre_y + half * along)
        canvas.line(centre_x, centre_y, centre_x + 2.5 * along, centre_y - 2.5 * across)  # where the front looks
        canvas.setLineWidth(0.04)
        if round(placing.yaw_deg, 1):  # ReportLab divides by an arc of nothing
            canvas.arc(centre_x - 4, centre_y - 4, centre_x + 4, centre_y + 4, 0, placing.yaw_deg)
        _text(canvas, centre_x + 4.3, centre_y + 0.25 + (0.6 if placing.yaw_deg < 0 else 0.0), f"{abs(placing.yaw_deg):.1f}°", "Sheet-Bold", 0.45, blue)
        _text(canvas, centre_x + 2.7 * along + 0.1, centre_y - 2.7 * across - 0.3, "front", "Sheet", 0.3, blue)
    _ruler(canvas, ink)
    lines = [*placing_words(placing), "Lay the middle of the base on the cross, the lower front edge along the blue line.", "Print at 100 % and check the ruler. Tape the sheet down flat.", sheets_pdf.CAUTION_NOTE]
    for number, line in enumerate(lines):
        _text(canvas, 1.5, 6.4 - 0.48 * number, line, "Sheet", 0.3, ink if number < len(lines) - 1 else quiet)


def _ruler(canvas, ink):
    canvas.setStrokeColor(ink)
    canvas.setLineWidth(0.03)
    canvas.line(1.5, 1.6, 1.5 + RULER_CM, 1.6)
    for number in range(RULER_CM + 1):
        canvas.line(1.5 + number, 1.6, 1.5 + number, 1.9 if number % 5 else 2.1)
    _text(canvas, 1.7 + RULER_CM, 1.55, f"{RULER_CM} cm", "Sheet", 0.3, ink)


def _text(canvas, x, y, words, font, size, colour):
    canvas.setFillColor(colour)
    canvas.setFont(font, size)
    canvas.drawString(x, y, words)


def outline_name(view):
    """File name of a view's outline, safe whatever the view is called."""
    from catalogue_audit.report.publish import safe_name

    return f"placing_{safe_name(view)}.png"


SHEET_NAME = "table_sheet.pdf"


def write_placings(placings, outlines, to, delivery):
    """
    Write an outline a view, and the sheets for the table.

    Parameters
    ----------
    placings : list of statistics.geometry.placing.Placing
    outlines : dict of str to (n, 2) ndarray
        By file.
    to : Path
        Folder, made where it does not exist; no file in it is replaced.
    delivery : str

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    UsageError
        A file exists already.
    """
    to = Path(to)
    names = [outline_name(placing.view) for placing in placings] + ([SHEET_NAME] if sheets_pdf.available() else [])
    taken = [name for name in names if (to / name).exists()]
    if taken:
        raise UsageError(f"{taken[0]!r} exists already in {to.name!r}.\nName another folder with --to: nothing is replaced.")
    to.mkdir(parents=True, exist_ok=True)
    for placing, name in zip(placings, names, strict=False):
        write_outline(outline_picture(placing, outlines[placing.file]), to / name, " ".join(placing_words(placing)))
    if sheets_pdf.available():
        write_table_sheet(placings, to / SHEET_NAME, delivery)
    return [to / name for name in names]
