"""A written report folder from a made audit, without running the notebooks."""

from catalogue_audit.report.audit import write_data
from catalogue_audit.report.chart_files import write_charts
from catalogue_audit.report.page import write_page
from catalogue_audit.report.pictures import write_pictures
from catalogue_audit.report.sheets import write_sheets


def write_made_report(audit, folder, **page):
    """Everything of a report but the executed notebooks; returns the folder."""
    write_data(audit, folder)
    sizes = write_pictures(audit, folder)
    sheets = write_sheets(audit, folder)
    write_page(audit, folder, sizes, write_charts(audit, folder), sheets=sheets, **page)
    return folder
