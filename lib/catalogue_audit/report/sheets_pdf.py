"""Sheets on paper: PDF by the optional library ReportLab; the only importer of it."""

import functools
import html
import importlib.util
import io

from catalogue_audit.errors import AuditError
from catalogue_audit.report import look
from catalogue_audit.report.numbers import correction_line, count_text
from catalogue_audit.report.picture_names import FOLDER, correction_name, evidence_name, placing_name
from catalogue_audit.report.wording import plain_text, view_title

MISSING = (
    "Sheets as PDF need the library ReportLab, which is not installed.\n"
    "Run 'pip install reportlab', or use the CSV files beside the report."
)
# General cautions. Product labels, safety data sheets, local codes and the site's competent people come first.
# Sources: Washington State L&I hazard alert CannedAir0608; OSHA eTool on the NIOSH lifting limit;
# HSE pages on slips and trips; lamps, hardware and stands: general practice.
CAUTIONS = (
    ("Compressed air", "Canned air is liquefied gas, often flammable. Read the label. Keep it upright, do not shake; not near flames, switches or hot lamps, nor in small rooms without air. The liquid burns skin by cold."),
    ("Lamps", "Lamps can burn and ignite. Keep paper, cloth and backdrops away, fit the guard, let them cool, and unplug before changing."),
    ("Cables and stands", "Lead cables away from where people walk or cover the crossing. Weight the stands, secure what hangs overhead."),
    ("Lifting goods", "About 23 kg only close to the body, at waist height, without a twist, with a good grip. Otherwise share it or use a trolley."),
    ("Goods", "Gloves where buckles, pins or blades are sharp. Try tape and cleaners out of sight first; follow the owner's instructions."),
)  # fmt: skip
CAUTION_NOTE = "General cautions only. Product labels, safety data sheets, local codes and licensed practice come first."
PICTURE_WIDTH, PICTURE_HEIGHT = 220, 160  # pt
PLACING_WIDTH = 96  # pt
CHECK_WIDTH = 92  # pt


def available():
    """True where ReportLab is installed."""
    return importlib.util.find_spec("reportlab") is not None


def write_reshoot(audit, rows, folder, path):
    """
    The re-shoot sheet: per product which view, why, the evidence, how to place it, cautions.

    Parameters
    ----------
    audit : Audit
    rows : list of dict
        As `sheets.reshoot_rows` gives.
    folder : Path
        The report folder.
    path : Path

    Raises
    ------
    AuditError
        Where ReportLab is not installed.
    """
    kit = _kit()
    story = [kit.heading("To photograph or supply again"), kit.text(plain_text(audit.summary.get("delivery")), "quiet"), kit.text("At the right of each entry: the reference with its outline and the middle of the frame.", "quiet"), *_cautions(kit)]
    last, frame_row = None, {file: number for number, file in enumerate(audit.frames["file"])}
    for row in rows:
        block = []
        if row["sku"] != last:
            last = row["sku"]
            block.append(kit.heading(" ".join(filter(None, (plain_text(row["sku"]) or "The delivery", plain_text(row["name"])))), 2))
        mark = look.SEVERITY_MARKS.get(row["severity"])
        words = [
            kit.text(f"{mark.character if mark else ''} {plain_text(row['severity'])}", "quiet"),
            kit.text(f"{view_title(row['view']) or 'any view'}: {row['why']}", "strong"),
            kit.text(row["measured"], "plain"),
            kit.text(plain_text(row["note"]), "plain"),
            kit.text(f"Placing: {row['placing']}" if row["placing"] else "", "plain"),
            kit.text(f"Reference: {plain_text(row['reference'])}" if row["reference"] else "", "quiet"),
            kit.text(plain_text(row["file"]), "quiet"),
            kit.text("☐ done", "plain"),
        ]
        placing = folder / FOLDER / placing_name(frame_row[row["reference"]]) if row["reference"] in frame_row else None
        evidence = folder / FOLDER / evidence_name(row["row"])
        block.append(kit.picture_row(evidence, [part for part in words if part is not None], placing))
        story.append(kit.together(block))
    kit.build(path, story, "Re-shoot sheet")


def write_retouch(audit, rows, folder, path):
    """
    The retouch sheet: per picture the correction's values, before and after.

    Parameters
    ----------
    As for `write_reshoot`; ``rows`` as `sheets.retouch_rows` gives.
    """
    kit = _kit()
    note = "In linear light, in this order: exposure and gains, rotation, crop (in fractions of the frame, from its left and top edge; below 0 and above 1 the canvas is extended)."
    story = [kit.heading("To retouch"), kit.text(plain_text(audit.summary.get("delivery")), "quiet"), kit.text(note, "quiet")]
    for row in rows:
        words = [
            kit.text(plain_text(row["file"]), "strong"),
            kit.text(row["what"], "plain"),
            kit.text(correction_line(row), "plain"),
            kit.text(f"{count_text(row['marks'], 'place')} marked in tables/marks.csv" if row["marks"] else "", "quiet"),
            kit.text(plain_text(row.get("note")), "quiet"),
            kit.text("☐ done", "plain"),
        ]
        name = evidence_name(row["finding"]) if row["correction"] is None else correction_name(row["correction"])
        picture = folder / FOLDER / name
        story.append(kit.together([kit.picture_row(picture, [part for part in words if part is not None])]))
    kit.build(path, story, "Retouch sheet")


def write_check_sheet(words, entries, path):
    """
    The check sheet: each product of the sample with its picture and a box for every answer.

    Parameters
    ----------
    words : list of str
        Delivery, plan, and what the sample protects from.
    entries : list of dict
        ``picture`` (path or None), ``title``, ``name``, ``answers`` (pairs of question and answer, '' where open), ``note``.
    path : Path
    """
    kit = _kit()
    delivery, *plan = words
    how = "Look at the product itself or at all of its pictures, and mark one box a question. Enter the marks as yes, no or - into check_sheet.csv."
    story = [kit.heading("To look at by eye"), kit.text(delivery, "quiet"), *(kit.text(part, "plain") for part in [*plan, how])]
    for entry in entries:
        boxes = [kit.text(f"{question}:   {_boxes(answer)}", "plain") for question, answer in entry["answers"]]
        remark = kit.text(f"Note: {entry['note'] or '.' * 60}", "quiet")
        parts = [kit.text(entry["title"], "strong"), kit.text(entry["name"], "quiet"), *boxes, remark]
        story.append(kit.together([kit.picture_row(entry["picture"], [part for part in parts if part is not None], width=CHECK_WIDTH)]))
    story.append(kit.text(f"Looked at by {'.' * 40}   on {'.' * 24}", "plain"))
    kit.build(path, story, "Check sheet")


def _boxes(answer):
    return "   ".join(f"{'☒' if answer == word else '☐'} {words}" for word, words in (("yes", "yes"), ("no", "no"), ("-", "- does not apply")))


def _cautions(kit):
    parts = [kit.text(f"{topic}. {words}", "small") for topic, words in CAUTIONS]
    return [kit.box([kit.text("Cautions", "strong"), *parts, kit.text(CAUTION_NOTE, "small")])]


def _kit():
    """ReportLab's parts in the report's look; a plain error where it is missing."""
    if not available():
        raise AuditError(MISSING)
    from reportlab import rl_config

    rl_config.useA85 = 0  # pictures as bytes: written as text they are a quarter larger and take nine tenths of the time
    return _Kit()


class _Kit:
    """The few kinds of blocks a sheet is made of."""

    def __init__(self):
        from reportlab.lib.colors import HexColor
        from reportlab.lib.styles import ParagraphStyle
        from reportlab.pdfbase import pdfmetrics
        from reportlab.pdfbase.ttfonts import TTFont

        for name, file in (("Sheet", look.FONT), ("Sheet-Bold", look.FONT_BOLD)):
            if name not in pdfmetrics.getRegisteredFontNames():  # a font takes long to read
                pdfmetrics.registerFont(TTFont(name, str(file)))
        self.rule, self.mat = HexColor(look.RULE), HexColor(look.MAT)
        ink, quiet = HexColor(look.INK), HexColor(look.QUIET)
        base = {"fontName": "Sheet", "fontSize": 9, "leading": 12.5, "textColor": ink, "spaceAfter": 2, "splitLongWords": 1}
        self.styles = {
            "plain": ParagraphStyle("plain", **base),
            "quiet": ParagraphStyle("quiet", **base | {"textColor": quiet, "fontSize": 8, "leading": 11}),
            "small": ParagraphStyle("small", **base | {"fontSize": 7.5, "leading": 10}),
            "strong": ParagraphStyle("strong", **base | {"fontName": "Sheet-Bold"}),
            "h1": ParagraphStyle("h1", **base | {"fontName": "Sheet-Bold", "fontSize": 18, "leading": 23, "spaceAfter": 4}),
            "h2": ParagraphStyle("h2", **base | {"fontName": "Sheet-Bold", "fontSize": 12, "leading": 16, "spaceBefore": 10, "spaceAfter": 4}),
        }

    def text(self, words, style):
        """A paragraph; None where there are no words. Markup in the words is text."""
        from reportlab.platypus import Paragraph

        return Paragraph(html.escape(words), self.styles[style]) if words else None

    def heading(self, words, level=1):
        """A heading."""
        return self.text(words, f"h{level}")

    def together(self, parts):
        """Parts that stay on one page."""
        from reportlab.platypus import KeepTogether

        return KeepTogether([part for part in parts if part is not None])

    def box(self, parts):
        """Parts on a quiet ground."""
        from reportlab.platypus import Table, TableStyle

        table = Table([[[part for part in parts if part is not None]]], colWidths=["100%"], spaceBefore=6, spaceAfter=8)
        table.setStyle(TableStyle([("BACKGROUND", (0, 0), (-1, -1), self.mat), ("LEFTPADDING", (0, 0), (-1, -1), 9), ("RIGHTPADDING", (0, 0), (-1, -1), 9)]))
        return table

    def picture_row(self, path, words, placing=None, width=PICTURE_WIDTH):
        """A picture at the left, words beside it, the placing outline at the right."""
        from reportlab.platypus import Table, TableStyle

        cells, widths = [self._picture(path, width, PICTURE_HEIGHT), words], [width + 14, None]
        if placing is not None:
            cells, widths = [*cells, self._picture(placing, PLACING_WIDTH, PICTURE_HEIGHT)], [*widths, PLACING_WIDTH + 4]
        table = Table([cells], colWidths=widths)
        padding = [(f"{side}PADDING", (0, 0), (-1, -1), size) for side, size in (("LEFT", 0), ("TOP", 7), ("BOTTOM", 7))]
        table.setStyle(TableStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), ("LINEABOVE", (0, 0), (-1, 0), 0.6, self.rule), *padding]))
        return table

    def _picture(self, path, most_width, most_height):
        from reportlab.lib.utils import ImageReader

        if path is None or not path.is_file():
            return ""
        data = io.BytesIO(path.read_bytes())  # by content: a path would name the picture inside the PDF
        width, height = ImageReader(data).getSize()
        scale = min(most_width / width, most_height / height)
        return _drawn_once()(data, width * scale, height * scale, hAlign="LEFT")

    def build(self, path, story, title):
        """Write the PDF; equal content gives equal bytes."""
        from reportlab.lib.pagesizes import A4
        from reportlab.platypus import SimpleDocTemplate

        def number(canvas, document):
            canvas.setFont("Sheet", 7.5)
            canvas.drawRightString(A4[0] - 40, 24, f"{title}, page {document.page}")

        document = SimpleDocTemplate(str(path), pagesize=A4, leftMargin=40, rightMargin=40, topMargin=40, bottomMargin=42, title=title, author="", invariant=1)
        document.build([part for part in story if part is not None], onFirstPage=number, onLaterPages=number)


@functools.cache
def _drawn_once():
    """
    ReportLab's picture in a text, which lets its pixels go once it is drawn.

    The document keeps the reader of every picture; with its pixels, 2 MB each, a thousand of them take 2 GB.
    """
    from reportlab.platypus import Image

    class DrawnOnce(Image):
        def draw(self):
            reader = self._img
            super().draw()
            reader._data = reader._dataA = reader._image = None

    return DrawnOnce
