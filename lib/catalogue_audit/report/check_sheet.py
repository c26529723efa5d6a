"""The check sheet of the random sample: a table to fill in, and the same on paper. Nothing is judged here."""

from catalogue_audit.report import sheets_pdf
from catalogue_audit.report.numbers import count_text
from catalogue_audit.report.picture_names import FOLDER as PICTURES
from catalogue_audit.report.picture_names import thumb_name
from catalogue_audit.report.sheets import FOLDER, write_csv
from catalogue_audit.report.wording import is_missing, plain_text

FILE = "check_sheet.csv"
PAPER = "check_sheet.pdf"


def sample_of(audit):
    """The sample as the summary tells it, or None where none was drawn."""
    sampling = audit.summary.get("sampling")
    return sampling if isinstance(sampling, dict) and sampling.get("products") else None


def sheet_rows(audit):
    """
    A row for each product of the sample, in the sheet's columns.

    Parameters
    ----------
    audit : Audit

    Returns
    -------
    columns : list of str
        ``row``, ``sku``, ``name``, the questions, ``note``.
    rows : list of dict
        With ``picture``, the row of the frame that stands for the product, or None.
    """
    sampling = sample_of(audit)
    if sampling is None:
        return [], []
    names = dict(zip(audit.products["sku"], audit.products["name"], strict=True))
    pictures = _main_pictures(audit)
    rows = [
        {"row": number, "sku": sku, "name": names.get(sku), **product["answers"], "note": product["note"], "picture": pictures.get(sku)}
        for number, product in enumerate(sampling["products"], 1)
        for sku in [product["sku"]]
    ]
    return ["row", "sku", "name", *sampling["questions"], "note"], rows


def _main_pictures(audit):
    """SKU to the row of its main view's picture, else of its first one."""
    main = ((audit.summary.get("brief") or {}).get("views") or {}).get("main")
    own = dict(zip(audit.products["sku"], audit.products["main_view"], strict=True))
    pictures, shown_main = {}, set()
    for row, (sku, view) in enumerate(zip(audit.frames["sku"], audit.frames["view"], strict=True)):
        if is_missing(sku) or sku in shown_main:
            continue
        wanted = own.get(sku)
        if view == (main if is_missing(wanted) or not wanted else wanted):
            shown_main.add(sku)
            pictures[sku] = row
        pictures.setdefault(sku, row)
    return pictures


def plan_words(sampling):
    """
    How the sample was drawn and when it is accepted, as two sentences.

    Parameters
    ----------
    sampling : dict
        The summary's part.
    """
    size, lot = sampling["sample_size"], count_text(sampling["lot"], "product")
    drawn = f"All {lot} of the delivery" if sampling["whole_lot"] else f"{size} of {lot}, drawn at random (seed {sampling['seed']})"
    most = sampling["accept"]
    few = f"with at most {count_text(most, 'product')} on which" if most else "only if there is none on which"
    return (
        f"{drawn}: inspection level {sampling['level']}, AQL {sampling['aql']:g} %, {sampling['inspection']} inspection "
        f"({sampling['inspection_reason']}). Accept {few} something is not in order, "
        f"send the delivery back from {sampling['reject']} on."
    )


def protection_words(sampling):
    """What a sample of this size would notice, for a delivery that stands alone."""
    return f"With {count_text(sampling['detects'], 'bad product')} or more in the delivery, this sample sends it back at least 9 times in 10."


def write_check_sheet(audit, folder):
    """
    Write the check sheet as a table into ``<folder>/sheets``.

    Returns
    -------
    list of (file name relative to the folder, words)
        Empty where no sample was drawn.
    """
    columns, rows = sheet_rows(audit)
    if not rows:
        return []
    target = folder / FOLDER
    target.mkdir(exist_ok=True)
    write_csv(target / FILE, columns, rows)
    return [(f"{FOLDER}/{FILE}", "check sheet, by eye (CSV)")]


def write_check_sheet_on_paper(audit, folder):
    """The same on paper, with a picture of each product; empty where the optional ``reportlab`` is missing."""
    _, rows = sheet_rows(audit)
    if not rows or not sheets_pdf.available():
        return []
    sampling = sample_of(audit)
    entries = [
        {
            "picture": folder / PICTURES / thumb_name(row["picture"]) if row["picture"] is not None else None,
            "title": f"{row['row']}  {plain_text(row['sku'])}",
            "name": plain_text(row["name"]),
            "answers": [(plain_text(question), row[question]) for question in sampling["questions"]],
            "note": plain_text(row["note"]),
        }
        for row in rows
    ]
    words = [plain_text(audit.summary.get("delivery")), plan_words(sampling), protection_words(sampling)]
    sheets_pdf.write_check_sheet(words, entries, folder / FOLDER / PAPER)
    return [(f"{FOLDER}/{PAPER}", "check sheet, by eye (PDF)")]
