"""
What a notebook shows: one call, one displayable page part. Reads a written report folder.

Pictures are embedded, so that a saved notebook shows them wherever it lies.
"""

import base64
from pathlib import Path
from typing import NamedTuple

from IPython.display import HTML

from catalogue_audit.report.actions import severity_rank, subject, things_to_do
from catalogue_audit.report.audit import Audit, read_audit
from catalogue_audit.report.change_words import how_long, levels, quantity_title
from catalogue_audit.report.chart_files import read_chart
from catalogue_audit.report.contact import all_cells, composed_sheet, sheets_by_view
from catalogue_audit.report.drawing import jpeg_bytes
from catalogue_audit.report.headline import headline
from catalogue_audit.report.numbers import camera_settings, correction_line, number_text
from catalogue_audit.report.page_words import environment, whole_sentence
from catalogue_audit.report.picture_names import FOLDER, correction_name, evidence_name
from catalogue_audit.report.sheets import mail_text, reshoot_rows, retouch_rows
from catalogue_audit.report.wording import check_title, plain_text, remedy_title, verdict_words, view_title
from catalogue_audit.statistics.photometry.clusters import exposure_group_settings

SHEET_CELLS = 96  # pictures of one composed sheet
SHOWN = 24  # findings or corrections a notebook shows with their picture
ROWS = 200  # rows a notebook shows of a table
NO_CHART = {"dust": "No spot returns at one place of the frame.", "setups": "No two pictures share a set-up of light and lens.", "control": "Too few pictures for natural limits."}


class Report(NamedTuple):
    """A written report: its folder and the audit read back."""

    folder: Path
    audit: Audit


def open_report(folder):
    """
    Open a written report folder.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    Report

    Raises
    ------
    UsageError
        Where there is no report in it.
    """
    return Report(Path(folder), read_audit(folder))


def verdict(report):
    """The verdict, the reasons and the facts of the delivery."""
    return _part("verdict", head=headline(report.audit), delivery=report.audit.summary.get("delivery"))


def to_do(report, remedy=None):
    """
    Things to do as a table, worst first.

    Parameters
    ----------
    report : Report
    remedy : str, optional
        Only those of one remedy.
    """
    things = [thing for thing in things_to_do(report.audit.findings) if remedy in (None, thing.remedy)]
    rows = []
    for thing in things[:ROWS]:
        view = view_title(thing.view) if len(thing.files) < 2 else "several"
        rows.append([thing.severity, remedy_title(thing.remedy), subject(thing), view, thing.title, thing.measured, whole_sentence(thing.note)])
    return _table(("Severity", "Remedy", "Product", "View", "What", "Measured", "In words"), rows, "Nothing to do.", len(things) - len(rows))


def evidence(report, limit=SHOWN):
    """The worst things with their evidence pictures."""
    items = []
    for thing in [thing for thing in things_to_do(report.audit.findings) if thing.severity != "minor"][:limit]:
        source = _embedded(report.folder / FOLDER / evidence_name(thing.rows[0]))
        items.append({"severity": thing.severity, "title": f"{thing.title}: {subject(thing)}", "text": thing.measured, "note": whole_sentence(thing.note), "source": source})
    return _part("pictures", items=items, nothing="Nothing that needs action.")


def products(report):
    """Verdict by product."""
    names = ("sku", "name", "verdict", "worst_severity", "findings", "views_missing")
    table = report.audit.products.sort_values("worst_severity", key=lambda column: column.map(severity_rank), kind="stable")
    rows = [[verdict_words(row[name]) if name == "verdict" else _words(row[name]) for name in names] for row in table.head(ROWS).to_dict("records")]
    return _table(("SKU", "Product", "Verdict", "Worst", "Findings", "Missing views"), rows, "No product is named.", len(table) - len(rows))


def view_sheets(report):
    """Every view as a contact sheet, all pictures at one scale."""
    items = []
    for sheet in sheets_by_view(report.audit):
        cells = sheet.cells[:SHEET_CELLS]
        picture = composed_sheet(report.folder, cells)
        left = len(sheet.cells) - len(cells)
        items.append({"severity": "", "title": view_title(sheet.view), "text": f"{len(sheet.cells)} pictures" + (f", {left} not shown" if left else ""), "note": "", "source": _data(jpeg_bytes(picture), "jpeg")})
    if not (report.folder / FOLDER).is_dir():
        return _part("pictures", items=[], nothing="This report was written as tables only: it has no pictures.")
    return _part("pictures", items=items, nothing="No picture has a view.", wide=True)


def set_up_sheets(report):
    """Every set-up of light and lens as a contact sheet."""
    cells, groups = all_cells(report.audit), report.audit.frames["exposure_group"]
    if not (report.folder / FOLDER).is_dir():
        return _part("pictures", items=[], nothing="This report was written as tables only: it has no pictures.")
    items = []
    for row in exposure_group_settings(report.audit.frames, groups).to_dict("records"):
        number = row["exposure_group"]
        mine = [cell for cell, group in zip(cells, groups.fillna(-1), strict=True) if group == number]
        picture = composed_sheet(report.folder, mine[:SHEET_CELLS])
        items.append({"severity": "", "title": f"Set-up {number}", "text": ", ".join(filter(None, [f"{len(mine)} pictures", camera_settings(row)])), "note": "", "source": _data(jpeg_bytes(picture), "jpeg")})
    return _part("pictures", items=items, nothing="No two pictures share a set-up.", wide=True)


def chart(report, name):
    """
    One chart with its alternative text.

    Parameters
    ----------
    report : Report
    name : str
        As `chart_files.charts_of` names it.
    """
    drawn = read_chart(report.audit, report.folder, name)
    if drawn is None:
        return _part("text", text=NO_CHART.get(name, "This could not be measured in this delivery."))
    return _part("chart", source=_data(drawn[0], "svg+xml"), words=drawn[1])


def changes(report):
    """Steps and trends found along capture time."""
    table = report.audit.changes
    rows = [
        [quantity_title(row["quantity"]), view_title(row["view"]), row["kind"], row["from_file"], row["to_file"], *levels(row), f"{how_long(row)} {plain_text(row['note'])}"]
        for row in table.head(ROWS).to_dict("records")
    ]
    return _table(("Quantity", "View", "Kind", "From", "To", "Before", "After", "In words"), rows, "No step and no trend was found.", len(table) - len(rows))


def reshoot_sheet(report):
    """What to photograph or supply again."""
    rows = reshoot_rows(report.audit)
    names = ("severity", "sku", "view", "why", "measured", "reference", "placing")
    cells = [[view_title(row[name]) if name == "view" else _words(row[name]) for name in names] for row in rows[:ROWS]]
    return _table(("Severity", "SKU", "View", "Why", "Measured", "Reference", "Placing"), cells, "Nothing to photograph again.", len(rows) - len(cells))


def retouch_sheet(report):
    """What to retouch, with the values of the correction."""
    rows = retouch_rows(report.audit)
    cells = [[row["file"], row["what"], correction_line(row), _words(row.get("note"))] for row in rows[:ROWS]]
    return _table(("File", "What", "Correction", "Note"), cells, "Nothing to retouch.", len(rows) - len(cells))


def before_and_after(report, limit=SHOWN):
    """Corrections on the preview, before and after."""
    items = []
    for number, row in enumerate(report.audit.corrections.head(limit).to_dict("records")):
        source = _embedded(report.folder / FOLDER / correction_name(number))
        items.append({"severity": "", "title": row["file"], "text": correction_line(row), "note": row["note"], "source": source})
    return _part("pictures", items=items, nothing="No picture can be brought back by software.")


def mail(report):
    """The result as a text to paste into a mail."""
    return _part("text", text=mail_text(report.audit))


def tolerances(report):
    """Checks with the tolerance applied."""
    from catalogue_audit.report.audit import tolerance
    from catalogue_audit.schema import CHECKS

    rows = []
    for check in CHECKS.values():
        value = tolerance(report.audit, check.name)
        shown = number_text(value, check.unit) if isinstance(value, int | float) else _words(value)
        rows.append([check_title(check.name), shown, check.severity, remedy_title(check.remedy), check.stage])
    return _table(("Check", "Tolerance", "Severity", "Remedy", "Stage"), rows, "", 0)


def _words(value):
    return plain_text(value).replace("_", " ")


def _table(names, rows, nothing, left):
    return _part("table", names=names, rows=rows, nothing=nothing, left=left)


def _part(kind, **values):
    template = environment().get_template("show.html")
    return HTML(str(getattr(template.make_module({"kind": kind}), kind)(values)))


def _embedded(path):
    return _data(path.read_bytes(), "jpeg") if path.is_file() else ""


def _data(data, kind):
    from markupsafe import Markup

    return Markup(f"data:image/{kind};base64,{base64.b64encode(data).decode()}")
