"""
Contact sheets: every product in a row with its holes, every view at one scale.

The page shows them as text and thumbnails; `composed_sheet` joins thumbnails
into one picture, for a notebook or for print.
"""

from typing import NamedTuple

import numpy as np
from markupsafe import Markup
from PIL import Image

from catalogue_audit.report import look
from catalogue_audit.report.actions import accepted_rows, breadth, reference_of, reference_pictures, severity_rank
from catalogue_audit.report.audit import settings, view_order
from catalogue_audit.report.drawing import fitted, write
from catalogue_audit.report.picture_names import FOLDER, thumb_name
from catalogue_audit.report.wording import is_missing

OUTLINE_POINTS = 90  # corners of a drawn reference outline
UNITS = 1000  # width and height of the drawing plane of an outline on the page
AS_BROAD = 0.1  # logarithm of width over height: shapes without a name that are as alike as one style's
CELL = 150  # px of a composed sheet's cell


class Cell(NamedTuple):
    """One picture of a sheet: its row of frames, and the worst finding about it ('' for none)."""

    row: int
    file: str
    sku: str
    severity: str
    first_finding: int | None
    measured: bool


class ProductRow(NamedTuple):
    """One product: cells by view; ``holes`` are the required views that are missing."""

    sku: str
    name: str
    verdict: str
    cells: dict
    holes: frozenset


class ViewSheet(NamedTuple):
    """
    All pictures of one view, each with the outline of a picture of its own shape to lay over.

    Attributes
    ----------
    view : str
    cells : list of Cell
    outlines : dict of file to str
        Corners of each reference's outline, in a plane of 1000 x 1000 units.
    laid : dict of int to int
        Row of a cell to the place of its outline among `outlines`; without those that have none.
    """

    view: str
    cells: list
    outlines: dict
    laid: dict


def all_cells(audit):
    """
    A cell for every row of frames, in order.

    Returns
    -------
    list of Cell
    """
    worst, accepted = {}, accepted_rows(audit.findings)
    for row, finding in enumerate(audit.findings[["file", "severity"]].to_dict("records")):
        file = finding["file"]
        if not is_missing(file) and row not in accepted:
            known = worst.get(file)
            if known is None or severity_rank(finding["severity"]) < severity_rank(known[0]):
                worst[file] = (finding["severity"], row)
    return [
        Cell(row, frame["file"], "" if is_missing(frame["sku"]) else frame["sku"], *worst.get(frame["file"], ("", None)),
             measured=frame["status"] != "not_measured")
        for row, frame in enumerate(audit.frames[["file", "sku", "status"]].to_dict("records"))
    ]  # fmt: skip


def sheet_by_product(audit):
    """
    Rows of products, columns of views.

    Returns
    -------
    views : list of str
        Columns; the last is '' where some picture has no view.
    rows : list of ProductRow
    """
    cells, views = all_cells(audit), view_order(audit)
    by_sku = {}
    view_of = audit.frames["view"].fillna("").to_list()
    for cell in cells:
        view = view_of[cell.row] or ""
        by_sku.setdefault(cell.sku, {}).setdefault(view, []).append(cell)
    missing = _missing_views(audit)
    details = {row["sku"]: row for row in audit.products.to_dict("records") if not is_missing(row["sku"])}
    skus = list(dict.fromkeys([*details, *(sku for sku in by_sku if sku), *missing]))
    rows = [
        ProductRow(sku, _text(details.get(sku, {}).get("name")), _text(details.get(sku, {}).get("verdict")), by_sku.get(sku, {}), frozenset(missing.get(sku, ())))
        for sku in skus
    ]
    if "" in by_sku:
        rows.append(ProductRow("", "", "", by_sku[""], frozenset()))
    if any("" in row.cells for row in rows):
        views = [*views, ""]
    return views, rows


def _text(value):
    return "" if is_missing(value) else str(value)


def _missing_views(audit):
    found = {}
    table = audit.findings[audit.findings["check"] == "missing_view"]
    for sku, view in zip(table["sku"], table["view"], strict=True):
        if not is_missing(sku) and not is_missing(view):
            found.setdefault(sku, set()).add(view)
    return found


def sheets_by_view(audit):
    """
    For each view all its pictures, each with the outline of a picture without findings of the same shape, where there is one.

    Returns
    -------
    list of ViewSheet
        In the order of the brief.
    """
    references = reference_pictures(audit.frames, audit.findings)
    frames = {row["file"]: row for row in audit.frames.to_dict("records")}
    cells = all_cells(audit)
    of_view = {}
    for cell, view, kind in zip(cells, audit.frames["view"], audit.frames["view_kind"], strict=True):
        if cell.measured and not is_missing(view):
            of_view.setdefault(view, []).append((cell, kind))
    sheets = []
    for view in view_order(audit):
        if view not in of_view:
            continue
        shown = [cell for cell, _ in of_view[view]]
        upright = [cell for cell, kind in of_view[view] if kind == "upright"]
        chosen = {cell.row: _of_its_shape(references, view, cell.file, frames) for cell in upright}
        outlines = {file: outline_text((audit.sketches.get(file) or {}).get("outline")) for file in dict.fromkeys(chosen.values()) if file}
        outlines = {file: text for file, text in outlines.items() if text}
        places = {file: place for place, file in enumerate(outlines)}
        sheets.append(ViewSheet(view, shown, outlines, {row: places[file] for row, file in chosen.items() if file in places}))
    return sheets


def _of_its_shape(references, view, file, frames):
    """The picture whose outline is laid over `file`: of its style, or where no style is named as wide for its height; None where there is none."""
    style = frames[file]["style"]
    found = reference_of(references, view, style, file, frames)
    if found is None or (not is_missing(style) and frames[found]["style"] != style):
        return None  # the outline of another shape would look like a fault of the placing
    return found if not is_missing(style) or abs(breadth(frames[found]) - breadth(frames[file])) < AS_BROAD else None


def outline_text(outline):
    """
    An outline as the ``points`` of an SVG polygon in a plane of 1000 x 1000 units.

    Examples
    --------
    >>> outline_text(np.array([(0.1, 0.2), (0.9, 0.2), (0.5, 0.8)]))
    Markup('100,200 900,200 500,800')
    """
    if outline is None or len(outline) < 3:
        return Markup("")
    step = max(1, len(outline) // OUTLINE_POINTS)
    points = " ".join(f"{x:.0f},{y:.0f}" for x, y in np.asarray(outline, float)[::step] * UNITS)
    return Markup(points)  # digits only: never shortened like a supplier's text


def required_views(audit):
    """Views the brief requires of every product."""
    return list((settings(audit).get("views") or {}).get("required") or [])


def composed_sheet(folder, cells, columns=8):
    """
    Thumbnails of a written report joined into one picture.

    Parameters
    ----------
    folder : Path
        The report folder.
    cells : list of Cell
    columns : int

    Returns
    -------
    PIL.Image.Image
    """
    rows = max(1, -(-len(cells) // columns))
    canvas = Image.new("RGB", (columns * CELL, rows * (CELL + 22)), look.PAPER)
    for place, cell in enumerate(cells):
        x, y = place % columns * CELL, place // columns * (CELL + 22)
        thumb = folder / FOLDER / thumb_name(cell.row)
        if thumb.is_file():
            with Image.open(thumb, formats=("JPEG",)) as opened:
                picture = fitted(opened.convert("RGB"), CELL - 8, CELL - 8)
            canvas.paste(picture, (x + (CELL - picture.width) // 2, y + (CELL - picture.height) // 2))
        mark = look.SEVERITY_MARKS.get(cell.severity)
        write(canvas, x + 4, y + CELL, f"{mark.character + ' ' if mark else ''}{cell.sku or cell.file}", size=11, width=CELL - 8, colour=mark.colour if mark else look.INK)
    return canvas


