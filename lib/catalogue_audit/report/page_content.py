"""What the page holds, from the tables: things to do, contact sheets, tables; as much as it has room for."""

from typing import NamedTuple

from catalogue_audit.report.actions import accepted_rows, in_order_of_work, remedy_counts, remedy_rank, severity_rank, subject, things_to_do
from catalogue_audit.report.audit import settings, tolerance, view_order
from catalogue_audit.report.charts import DRIFTS
from catalogue_audit.report.contact import all_cells, sheet_by_product, sheets_by_view
from catalogue_audit.report.picture_names import chart_name
from catalogue_audit.report.since_before import alike_rows, compared_rows
from catalogue_audit.report.wording import is_missing, plain_text
from catalogue_audit.schema import CHECKS, SEVERITIES
from catalogue_audit.statistics.photometry.clusters import exposure_group_settings

WORST = 10
AFFECTED = 12  # thumbnails of a thing that concerns many pictures
FILE_COLUMNS = (
    "background_L", "wb_dev", "exposure_dev_ev", "focal_length_mm", "fill_height", "centre_dx", "centre_dy",
    "roll_deg", "yaw_dev_deg", "blur_px", "noise",
)  # fmt: skip


class Room(NamedTuple):
    """
    How much the page holds of each kind; what is left out is counted on the page and whole in the tables.

    Attributes
    ----------
    cards : int
        Things shown as cards; the pictures of the others open from the table.
    rows : int
        Rows of a table.
    products : int
        Rows of the contact sheet by product, those with findings first.
    pictures : int
        Pictures of the sheets by view, all views together.
    """

    cards: int = 400
    rows: int = 2500
    products: int = 700
    pictures: int = 2500

    def part(self, share):
        """The same in a smaller page."""
        return Room(*(max(20, round(share * limit)) for limit in self))


def work_content(audit, room):
    """Things to do, the findings table, the cards."""
    findings = audit.findings.to_dict("records")
    frame_row = {file: row for row, file in enumerate(audit.frames["file"])}
    things = things_to_do(audit.findings)
    card_of, cards = {}, []
    shown = sorted(things[:room.cards], key=lambda thing: (remedy_rank(thing.remedy), severity_rank(thing.severity), thing.skus[:1], thing.rows[0]))
    for thing in shown:
        card_of.update(dict.fromkeys(thing.rows, thing.rows[0]))
        others = [frame_row[file] for file in thing.files if file in frame_row][:AFFECTED] if len(thing.rows) > 1 else []
        cards.append({"thing": thing, "finding": findings[thing.rows[0]], "who": subject(thing), "others": others, "more": max(0, len(thing.files) - AFFECTED)})
    accepted = accepted_rows(audit.findings)
    order = in_order_of_work(audit.findings)
    return {
        "things": things,
        "worst": [{"thing": thing, "finding": findings[thing.rows[0]], "who": subject(thing)} for thing in things[:WORST] if thing.severity != "minor"],
        "cards": cards,
        "cards_left": max(0, len(things) - room.cards),
        "finding_rows": [(row, findings[row], card_of.get(row)) for row in order[: room.rows]],
        "findings_left": max(0, len(order) - room.rows),
        "frame_row": frame_row,
        "remedies": remedy_counts(audit.findings),
        "accepted": [(row, findings[row]) for row in sorted(accepted)][: room.rows],
        "shown_findings": set(order[: room.rows]),
        "severities": [s for s in SEVERITIES if (audit.findings["severity"] == s).any()],
        "skus": sorted({plain_text(sku) for sku in audit.findings["sku"].dropna()}),
    }


def chart_content(audit, words):
    """Each chart drawn with its alternative text and the changes of its quantity; the charts over time by name."""
    related = {name: DRIFTS[name].related if name in DRIFTS else () for name in words}
    changes = {name: audit.changes[audit.changes["quantity"].isin(quantities)].to_dict("records") for name, quantities in related.items()}
    return {
        "drawn": {name: (chart_name(name), text, changes[name]) for name, text in words.items()},
        "drift_names": [name for name in DRIFTS if name in words],
    }


def sheet_content(audit, room):
    views, rows = sheet_by_product(audit)
    if len(rows) > room.products:
        rows = sorted(rows, key=lambda row: not (row.holes or any(cell.severity for cells in row.cells.values() for cell in cells)))
    left, kept = room.pictures, []
    for sheet in sheets_by_view(audit):
        kept.append(sheet._replace(cells=sheet.cells[:left]))
        left = max(0, left - len(sheet.cells))
    return {
        "sheet_views": views,
        "sheet_rows": rows[:room.products],
        "sheet_rows_left": max(0, len(rows) - room.products),
        "view_sheets": [sheet for sheet in kept if sheet.cells],
    }


def table_content(audit, most):
    frames = audit.frames
    columns = [name for name in FILE_COLUMNS if frames[name].notna().any()]
    brief = settings(audit)
    return {
        "cells": all_cells(audit)[:most],
        "frame_records": frames[["file", "sku", "view", "status", "reason", *columns]].head(most).to_dict("records"),
        "file_columns": columns,
        "files_left": max(0, len(frames) - most),
        "setups": exposure_group_settings(frames, frames["exposure_group"]).to_dict("records"),
        "setup_thumbs": {
            number: list(part.index[:8]) for number, part in frames.groupby("exposure_group", sort=True)
        },
        "corrections": list(enumerate(audit.corrections.head(most).to_dict("records"))),
        "products": audit.products.to_dict("records")[:most],
        "tolerances": [(check, tolerance(audit, check.name)) for check in CHECKS.values()],
        "brief_lines": list(_flat(brief)),
        "framing_rule": plain_text(audit.framing_rule).replace("_", " ") if isinstance(audit.framing_rule, str) else "",
        "pairs": alike_rows(audit.pairs, most),
        "comparison": compared_rows(audit.comparison, most),
        "views": view_order(audit),
    }


def _flat(value, key=""):
    """Nested settings as (dotted key, text) pairs."""
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _flat(inner, f"{key}.{name}" if key else str(name))
    elif isinstance(value, list | tuple):
        yield key, ", ".join(str(item) for item in value) or "none"
    elif not is_missing(value) and value != "":
        yield key, str(value)
