"""
The page people open: one HTML file, pictures beside it, no network.

Every text goes through `plain_text` and is escaped by the template engine; no
outside text is ever part of a script or of a file name.
"""

import base64
import hashlib
from pathlib import Path
from typing import NamedTuple

import jinja2
import pandas as pd
from markupsafe import Markup

from catalogue_audit.report import charts, charts_sets, look
from catalogue_audit.report.actions import (
    accepted_rows,
    reasons,
    remedy_counts,
    remedy_rank,
    severity_rank,
    spoken_subject,
    subject,
    things_to_do,
)
from catalogue_audit.report.audit import settings, tolerance, view_order
from catalogue_audit.report.contact import all_cells, sheet_by_product, sheets_by_view
from catalogue_audit.report.pictures import FOLDER, correction_name, evidence_name, thumb_name
from catalogue_audit.report.wording import (
    VERDICT_TITLES,
    check_title,
    column_unit,
    correction_words,
    count_text,
    is_missing,
    measured_text,
    number_text,
    plain_text,
    remedy_title,
    value_text,
    view_title,
)
from catalogue_audit.schema import CHECKS, SEVERITIES

TEMPLATES = Path(__file__).parent / "templates"
WORST = 10
AFFECTED = 12  # thumbnails of a thing that concerns many pictures
PAGE_BYTES = 3_000_000  # the page stays below, whatever the delivery


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


FILE_COLUMNS = (
    "background_L", "wb_dev", "exposure_dev_ev", "focal_length_mm", "fill_height", "centre_dx", "centre_dy",
    "roll_deg", "yaw_dev_deg", "blur_px", "noise",
)  # fmt: skip


def environment():
    """
    The template engine: everything escaped, every outside text made plain first.

    Returns
    -------
    jinja2.Environment
    """
    engine = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES, encoding="utf-8"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_made_plain,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    engine.filters.update(
        check_title=check_title,
        view=view_title,
        views=_views_text,
        remedy=remedy_title,
        number=number_text,
        measured=measured_text,
        subject=spoken_subject,
        cell=_cell_text,
        value=value_text,
    )
    engine.globals.update(
        thumb=thumb_name,
        evidence=evidence_name,
        correction=correction_name,
        count=count_text,
        marks=look.SEVERITY_MARKS,
        pictures=FOLDER,
        look=look,
        unit=column_unit,
        rank=severity_rank,
        correction_words=correction_words,
    )
    return engine


def _made_plain(value):
    return value if hasattr(value, "__html__") else plain_text(value)


def _cell_text(value):
    """A number of a dense table exactly as the CSV file has it, without trailing noughts."""
    return "" if is_missing(value) else f"{value:.6g}".replace("-", "\N{MINUS SIGN}")


def _views_text(names):
    """Several view names, parted by blanks in the table, as a list for people."""
    return ", ".join(view_title(name) for name in plain_text(names).split())


def write_page(audit, folder, sizes, *, incomplete="", sheets=(), notebooks=()):
    """
    Write charts and ``report.html``.

    Parameters
    ----------
    audit : Audit
    folder : Path
        The report folder; its pictures are already there.
    sizes : dict of str to (int, int)
        As `pictures.write_pictures` gives.
    incomplete : str
        Why the report is not whole; said first on the page. Empty where it is.
    sheets, notebooks : sequence of (file name relative to the folder, words)
        What lies beside the page.
    """
    drawn = write_charts(audit, folder / FOLDER)
    for share in (1.0, 0.6, 0.3, 0.1, 0.03):
        html = render_page(audit, drawn, sizes, Room().part(share), incomplete=incomplete, sheets=sheets, notebooks=notebooks)
        if len(html.encode()) < PAGE_BYTES:
            break
    (folder / "report.html").write_text(html, encoding="utf-8", newline="\n")


def write_charts(audit, target):
    """
    Draw every chart that has something to show.

    Returns
    -------
    dict of str to (file name, alternative text, list of changes)
    """
    target.mkdir(parents=True, exist_ok=True)
    jobs = {name: lambda name=name: charts.drift_chart(audit, name) for name in charts.DRIFTS if charts.has_drift(audit, name)}
    if audit.frames["exposure_group"].notna().any():
        jobs["setups"] = lambda: charts_sets.exposure_chart(audit)
    if audit.frames["yaw_dev_deg"].notna().any():
        jobs["angles"] = lambda: charts_sets.angle_chart(audit)
    if len(audit.spots):
        jobs["dust"] = lambda: charts_sets.dust_map(audit)
    drawn = {}
    for name, draw in jobs.items():
        figure, words = draw()
        charts.figure_file(figure, target / f"chart_{name}.svg")
        related = charts.DRIFTS[name].related if name in charts.DRIFTS else ()
        changes = audit.changes[audit.changes["quantity"].isin(related)].to_dict("records")
        drawn[name] = (f"chart_{name}.svg", plain_text(words, 1200), changes)
    return drawn


def render_page(audit, drawn, sizes, room=Room(), *, incomplete="", sheets=(), notebooks=()):
    """
    The page as text.

    Returns
    -------
    str
        HTML.
    """
    engine = environment()
    script = (TEMPLATES / "page.js").read_text(encoding="utf-8")
    style = (TEMPLATES / "page.css").read_text(encoding="utf-8")
    return engine.get_template("report.html").render(
        style=Markup(style),
        script=Markup(script),
        script_hash=base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
        audit=audit,
        summary=audit.summary,
        head=headline(audit),
        drawn=drawn,
        drift_names=[name for name in charts.DRIFTS if name in drawn],
        sizes=sizes,
        incomplete=incomplete,
        sheets=sheets,
        notebooks=notebooks,
        **_work(audit, room),
        **_sheets(audit, room),
        **_tables(audit, room.rows),
    )


def headline(audit):
    """
    What the first screen says.

    Returns
    -------
    dict
        ``title``, ``text``, ``severity`` ('' where all is well), ``facts`` (word → text), ``reasons``, ``lead`` text.
    """
    summary, things = audit.summary, things_to_do(audit.findings)
    files = len(audit.frames)
    unread = int((audit.frames["status"] == "not_measured").sum())
    counts = {severity: sum(thing.severity == severity for thing in things) for severity in SEVERITIES}
    pictures = len({file for thing in things if thing.severity != "minor" for file in thing.files})
    verdict = VERDICT_TITLES.get(summary.get("verdict"), plain_text(summary.get("verdict")))
    if files == unread:
        lead = "Nothing in this delivery could be measured." if files else "There is no picture in this delivery."
    elif not counts["critical"] and not counts["major"]:
        lead = "Nothing needs action." if not counts["minor"] else f"Nothing needs action; {count_text(counts['minor'], 'remark')} to know of."
    else:
        number = counts["critical"] + counts["major"]
        lead = f"{count_text(number, 'thing')} to do" + (f", in {pictures} of {count_text(files, 'picture')}." if pictures else ".")
    return {
        "title": verdict,
        "lead": lead,
        "severity": next((severity for severity in ("critical", "major") if counts[severity]), ""),
        "counts": counts,
        "reasons": reasons(things),
        "why": [sentence_of(reason) for reason in summary.get("reasons") or ()] if counts["critical"] or counts["major"] else [],
        "facts": _facts(audit, files, unread),
    }


def sentence_of(words):
    """Words as a sentence: first letter large, one full stop."""
    words = plain_text(words)
    return words[:1].upper() + words[1:].rstrip(".") + "." if words else ""


def _facts(audit, files, unread):
    summary = audit.summary
    facts = [("Pictures", count_text(files, "file") + (f", {unread} not measured" if unread else ", all measured") if files else "none")]
    if not is_missing(summary.get("products")):
        complete = summary.get("complete_products")
        facts.append(("Products", f"{summary['products']}" + ("" if is_missing(complete) else f", {complete} complete")))
    times = audit.frames["captured_at"].dropna()
    if len(times):
        first, last = min(times)[:16].replace("T", " "), max(times)[:16].replace("T", " ")
        facts.append(("Captured", f"{first} to {last}"))
    facts.append(("Stage", plain_text(summary.get("stage")) or "unknown"))
    facts.append(("Audited", plain_text(summary.get("audited_at"))[:16].replace("T", " ")))
    return facts


def _work(audit, room):
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
    order = sorted(set(range(len(findings))) - accepted, key=lambda row: (remedy_rank(findings[row]["remedy"]), severity_rank(findings[row]["severity"]), plain_text(findings[row]["sku"]), row))
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


def _sheets(audit, room):
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


def _tables(audit, most):
    frames = audit.frames
    columns = [name for name in FILE_COLUMNS if frames[name].notna().any()]
    setups = (
        frames.dropna(subset=["exposure_group"])
        .groupby("exposure_group", sort=True)
        .agg(pictures=("file", "size"), first=("file", "first"), ev100=("ev100", "median"), focal_length_mm=("focal_length_mm", "median"), background_L=("background_L", "median"))
        .reset_index()
    )
    brief = settings(audit)
    return {
        "cells": all_cells(audit)[:most],
        "frame_records": frames[["file", "sku", "view", "status", "reason", *columns]].head(most).to_dict("records"),
        "file_columns": columns,
        "files_left": max(0, len(frames) - most),
        "setups": setups.to_dict("records"),
        "setup_thumbs": {
            number: list(part.index[:8]) for number, part in frames.groupby("exposure_group", sort=True)
        },
        "corrections": list(enumerate(audit.corrections.head(most).to_dict("records"))),
        "products": audit.products.to_dict("records")[:most],
        "tolerances": [(check, tolerance(audit, check.name)) for check in CHECKS.values()],
        "brief_lines": list(_flat(brief)),
        "framing_rule": plain_text(audit.framing_rule).replace("_", " ") if isinstance(audit.framing_rule, str) else "",
        "pairs": _any_table(audit.pairs, most),
        "comparison": _any_table(audit.comparison, most),
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


def _any_table(table, most):
    """A table of any columns as (names, rows of text); None where there is nothing in it."""
    if not isinstance(table, pd.DataFrame) or not len(table):
        return None
    return list(table.columns), [
        [number_text(value) if isinstance(value, float) else plain_text(value) for value in row]
        for row in table.head(most).itertuples(index=False)
    ]
