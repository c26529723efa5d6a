"""The report folder: tables, pictures, sheets, notebooks, and the page over all."""

import platform
from dataclasses import replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from catalogue_audit.errors import AuditError
from catalogue_audit.report.audit import write_data, write_summary
from catalogue_audit.report.check_sheet import write_check_sheet, write_check_sheet_on_paper

COULD_NOT_FINISH = 3  # exit status, as the contract says
PRINTED = ("report.pdf", "this page as PDF")
NOTEBOOK_WORDS = {
    "01_delivery_review.ipynb": "Delivery review",
    "02_consistency_study.ipynb": "Consistency study",
    "03_reshoot_and_retouch_sheets.ipynb": "Sheets to photograph and retouch again",
}
MEASURING_LIBRARIES = ("numpy", "opencv-python-headless", "pandas", "pillow", "scipy", "simplejpeg")


def write_report(audit, folder, *, tables_only=False, notebooks=True, pdf=False):
    """
    Write everything a report holds into an empty folder.

    Parameters
    ----------
    audit : Audit
    folder : Path
    tables_only : bool
        Write tables and summary only.
    notebooks : bool
        False leaves out the executed notebooks.
    pdf : bool
        Print the page to ``report.pdf`` too.

    Returns
    -------
    dict
        The summary as written. Where a notebook or the printing failed it says so under
        ``incomplete``, with exit status 3; tables, pictures and page are there all the same.
    """
    folder = Path(folder)
    audit = replace(audit, versions=versions() | audit.versions)
    write_data(audit, folder)
    check_sheet = write_check_sheet(audit, folder)
    if tables_only:
        return audit.summary
    # Not before they are needed: a run for the tables alone does without 60 MB of charts, pages and notebooks.
    from catalogue_audit.report.chart_files import write_charts
    from catalogue_audit.report.notebooks import REPORT_NOTEBOOKS, NotebookFailed, run_notebooks
    from catalogue_audit.report.page import write_page
    from catalogue_audit.report.page_pdf import write_page_pdf
    from catalogue_audit.report.pictures import write_pictures
    from catalogue_audit.report.sheets import write_sheets

    sizes, charts = write_pictures(audit, folder), write_charts(audit, folder)
    sheets = [*write_sheets(audit, folder), *check_sheet, *write_check_sheet_on_paper(audit, folder)]
    incomplete, beside = "", []
    try:
        run = run_notebooks(folder, REPORT_NOTEBOOKS) if notebooks else []
        beside = [(f"notebooks/{path.name}", NOTEBOOK_WORDS.get(path.name, path.stem)) for path in run]
    except NotebookFailed as error:
        incomplete = str(error)
    page = {"incomplete": incomplete, "notebooks": beside}
    write_page(audit, folder, sizes, charts, sheets=[*([PRINTED] if pdf else []), *sheets], **page)
    if pdf:
        try:
            write_page_pdf(folder)
        except AuditError as error:
            incomplete = " ".join(filter(None, (incomplete, str(error))))
            write_page(audit, folder, sizes, charts, sheets=sheets, **page | {"incomplete": incomplete})
    if incomplete:
        audit = replace(audit, summary=audit.summary | {"incomplete": incomplete, "exit_status": COULD_NOT_FINISH})
        write_summary(audit.summary, folder)
    return audit.summary


def versions():
    """Name and version of what computes the numbers, for the end of the page."""
    found = {"python": platform.python_version()}
    for name in MEASURING_LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found
