"""
Sheets to hand on: what to photograph again, what to retouch, a text for a mail.

CSV for a spreadsheet, PDF for the wall of the studio. Nothing is judged here.
"""

import csv
import re

from catalogue_audit.report import sheets_pdf
from catalogue_audit.report.actions import (
    AGAIN,
    accepted_rows,
    reference_of,
    reference_pictures,
    severity_rank,
    subject,
    things_to_do,
)
from catalogue_audit.report.audit import settings
from catalogue_audit.report.headline import headline
from catalogue_audit.report.numbers import balances_nothing, measured_text, number_text
from catalogue_audit.report.tables import UnixLines, escape_cell
from catalogue_audit.report.wording import NOTE_LIMIT, REMEDY_TITLES, check_title, is_missing, plain_text, view_title

FOLDER = "sheets"
MAIL_LINES = 12
EXPLAINED = re.compile(r" \([^()]*\)(?=[:.,;](?: |$))")  # why a sentence is believed; the bracket of a file's name is followed by its ending
MAIL_FILES = 3  # of one thing named in a mail
RESHOOT_COLUMNS = ("sku", "name", "sample_until", "live_on", "view", "why", "measured", "severity", "file", "reference", "placing", "note")
PLACING_DIGITS = {"fraction": 1, "degree": 0}  # no table is set finer
NO_DATE = "9999"  # comes after every date
RETOUCH_COLUMNS = (
    "file", "sku", "view", "what", "exposure_ev", "gain_r", "gain_g", "gain_b", "mired_shift", "duv_shift", "background_from", "background_to",
    "rotate_deg", "crop_left", "crop_top", "crop_right", "crop_bottom", "marks", "note",
)  # fmt: skip
# How the reference stands in its frame, in the words of whoever places the product.
PLACING = (  # column, words where it is positive and where it is negative, unit
    ("fill_height", "height {} of the frame", "", "fraction"),
    ("baseline", "base at {} from the top", "", "fraction"),
    ("centre_dx", "centre {} of the width right of the middle", "centre {} of the width left of the middle", "fraction"),
    ("camera_pitch_deg", "camera looking down {}", "camera looking up {}", "degree"),
    ("yaw_deg", "turned {}, front to the right", "turned {}, front to the left", "degree"),
    ("focal_length_mm", "{}", "", "mm"),
)


BALANCE = ("gain_r", "gain_g", "gain_b", "mired_shift", "duv_shift")  # left empty in the retouch sheet where they change nothing


def write_sheets(audit, folder):
    """
    Write every sheet into ``<folder>/sheets``.

    Parameters
    ----------
    audit : Audit
    folder : Path
        The report folder, with its pictures.

    Returns
    -------
    list of (file name relative to the folder, words)
        What was written; PDF sheets only where the optional ``reportlab`` is installed.
    """
    target = folder / FOLDER
    target.mkdir(exist_ok=True)
    again, retouch = reshoot_rows(audit), retouch_rows(audit)
    written = []
    if again:
        write_csv(target / "reshoot.csv", RESHOOT_COLUMNS, again)
        written.append(("reshoot.csv", "re-shoot sheet (CSV)"))
    if retouch:
        write_csv(target / "retouch.csv", RETOUCH_COLUMNS, retouch)
        written.append(("retouch.csv", "retouch sheet (CSV)"))
    (target / "summary.txt").write_text(mail_text(audit), encoding="utf-8", newline="\n")
    written.append(("summary.txt", "text for a mail"))
    if sheets_pdf.available():
        if again:
            sheets_pdf.write_reshoot(audit, again, folder, target / "reshoot.pdf")
            written.insert(0, ("reshoot.pdf", "re-shoot sheet (PDF)"))
        if retouch:
            sheets_pdf.write_retouch(audit, retouch, folder, target / "retouch.pdf")
            written.append(("retouch.pdf", "retouch sheet (PDF)"))
    return [(f"{FOLDER}/{name}", words) for name, words in sorted(written, key=lambda pair: (pair[0] == "summary.txt", pair[0]))]


def write_csv(path, columns, rows):
    """Write rows as CSV in the contract's way: UTF-8, ``.`` decimal, empty = unknown, no formula."""
    with open(path, "w", encoding="utf-8", newline="") as file:
        writer = csv.writer(UnixLines(file))
        writer.writerow(map(escape_cell, columns))
        for row in rows:
            writer.writerow(["" if is_missing(row.get(name)) else _cell(row[name]) for name in columns])


def _cell(value):
    return f"{value:.10g}" if isinstance(value, float) else escape_cell(str(value))


def reshoot_rows(audit):
    """
    What to photograph or supply again: what leaves first comes first, then what goes live first; a product's main view before its others.

    Parameters
    ----------
    audit : Audit

    Returns
    -------
    list of dict
        With the `RESHOOT_COLUMNS`, and ``row``, the row of the findings table.
    """
    frames = {row["file"]: row for row in audit.frames.to_dict("records")}
    products = {row["sku"]: row for row in audit.products.to_dict("records")}
    main = (settings(audit).get("views") or {}).get("main")
    references = reference_pictures(audit.frames, audit.findings)
    rows = []
    accepted = accepted_rows(audit.findings)
    for number, finding in enumerate(audit.findings.to_dict("records")):
        if number in accepted or finding["remedy"] not in AGAIN or finding["severity"] == "minor":
            continue
        frame = frames.get(finding["file"], {})
        product = products.get(finding["sku"], {})
        reference = reference_of(references, finding["view"], frame.get("style"), finding["file"])
        rows.append(
            {
                "row": number,
                "sku": finding["sku"],
                **{name: product.get(name) for name in ("name", "sample_until", "live_on")},
                "main": finding["view"] == (plain_text(product.get("main_view")) or main),
                "view": finding["view"],
                "why": check_title(finding["check"]),
                "measured": _off_by(measured_text(finding)),
                "severity": finding["severity"],
                "file": finding["file"],
                "reference": reference,
                "placing": placing_words(frames.get(reference)),
                "note": finding["note"],
            }
        )
    return sorted(rows, key=_urgency)


def _off_by(measured):
    """A signed difference in words first: a spreadsheet takes what begins with a sign for a sum, and would have to be kept from it by a mark."""
    return f"off by {measured}" if measured.startswith(("+", "\N{MINUS SIGN}", "-")) else measured


def _urgency(row):
    dates = (plain_text(row[name]) or NO_DATE for name in ("sample_until", "live_on"))
    return (*dates, plain_text(row["sku"]), not row["main"], plain_text(row["view"]), severity_rank(row["severity"]), row["row"])


def placing_words(reference):
    """
    How the reference picture is placed, as notes for the next one.

    Parameters
    ----------
    reference : dict or None
        A row of frames.

    Returns
    -------
    str
        Empty where nothing is known.
    """
    parts = []
    for column, positive, negative, unit in PLACING if reference else ():
        text = number_text(reference.get(column), unit, digits=PLACING_DIGITS.get(unit))
        if text and not (negative and text.startswith(("0 ", "0.0 ", "0°"))):  # in the middle, or straight on, goes without saying
            parts.append((negative if text.startswith("\N{MINUS SIGN}") else positive).format(text.lstrip("\N{MINUS SIGN}")))
    return ", ".join(parts)


def retouch_rows(audit):
    """
    What to retouch, a row a picture: the findings in words and the correction's values.

    Parameters
    ----------
    audit : Audit

    Returns
    -------
    list of dict
        With the `RETOUCH_COLUMNS`; ``correction`` and ``finding``, rows of those tables or None.
    """
    findings = audit.findings[(audit.findings["remedy"] == "retouch") & (audit.findings["severity"] != "minor") & audit.findings["file"].notna()]
    findings = findings[~findings.index.isin(accepted_rows(audit.findings))]
    what, first = {}, {}
    for number, finding in zip(findings.index, findings.to_dict("records"), strict=True):
        first.setdefault(finding["file"], number)
        measured = measured_text(finding)
        what.setdefault(finding["file"], []).append(check_title(finding["check"]) + (f" {measured}" if measured else ""))
    corrections = {row["file"]: (number, row) for number, row in enumerate(audit.corrections.to_dict("records"))}
    marks = audit.marks.groupby("file").size().to_dict()
    rows = []
    for frame in audit.frames[["file", "sku", "view"]].to_dict("records"):
        file = frame["file"]
        if file not in what and file not in corrections:
            continue
        number, correction = corrections.get(file, (None, {}))
        if balances_nothing(correction):
            correction = correction | dict.fromkeys(BALANCE)
        rows.append({**correction, **frame, "what": "; ".join(what.get(file, ())), "marks": marks.get(file), "correction": number, "finding": first.get(file)})
    return rows


def mail_text(audit):
    """
    The result as a text of message length, to paste into a mail.

    Parameters
    ----------
    audit : Audit

    Returns
    -------
    str
    """
    head, things = headline(audit), [thing for thing in things_to_do(audit.findings) if thing.severity != "minor"]
    lines = [f"Delivery: {plain_text(audit.summary.get('delivery'))}", f"Result: {' '.join([head['title'] + '.', head['lead'], *head['why']])}", ""]
    lines += [f"{word}: {text}" for word, text in head["facts"]]
    for remedy, _, amount, _, until in head["work"]:
        of_remedy = [thing for thing in things if thing.remedy == remedy]
        lines += ["", f"{REMEDY_TITLES.get(remedy, plain_text(remedy))} ({', '.join(part for part in (amount, until) if part)}):"]
        lines += [f"- {_mail_line(thing)}" for thing in of_remedy[:MAIL_LINES]]
        if len(of_remedy) > MAIL_LINES:
            lines.append(f"- and {len(of_remedy) - MAIL_LINES} more, in the report")
    lines += ["", "Pictures and numbers: report.html beside this text."]
    return "\n".join(lines) + "\n"


def _mail_line(thing):
    if not thing.measured and len(thing.files) < 2:  # the sentence says more than the title: what there is, and what to do
        return EXPLAINED.sub("", plain_text(thing.note, NOTE_LIMIT))
    view = f", {view_title(thing.view)}" if thing.view and len(thing.files) < 2 else ""
    what = thing.title if thing.title[:2].isupper() else thing.title[:1].lower() + thing.title[1:]
    files = ", ".join(map(plain_text, thing.files)) if 1 < len(thing.files) <= MAIL_FILES else ""
    more = "; ".join(part for part in (thing.measured, files) if part)
    return f"{subject(thing)}{view}: {what}" + (f" ({more})" if more else "")
