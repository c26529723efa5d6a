"""The whole page as a PDF, printed by a Chromium of this machine; optional."""

import shutil
import subprocess
import tempfile
from pathlib import Path

from catalogue_audit.errors import AuditError

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")
TIMEOUT = 180  # s
ARGUMENTS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-extensions", "--no-pdf-header-footer",
    "--host-resolver-rules=MAP * ~NOTFOUND",
)  # fmt: skip
MISSING = (
    "The report as PDF needs the browser Chromium, which is not on this machine.\n"
    "Install the package 'chromium', or open report.html and print it from your own browser."
)


def find_browser():
    """Path of a Chromium on this machine, or None."""
    return next((path for path in map(shutil.which, BROWSERS) if path), None)


def write_page_pdf(folder, target=None, browser=None):
    """
    Print ``report.html`` of a report folder to a PDF.

    Parameters
    ----------
    folder : str or Path
        The report folder.
    target : str or Path, optional
        By default ``report.pdf`` in the folder.
    browser : str or Path, optional
        The Chromium to use.

    Returns
    -------
    Path

    Raises
    ------
    AuditError
        Where there is no page, no browser, or the browser fails.
    """
    page = Path(folder).resolve() / "report.html"
    if not page.is_file():
        raise AuditError(f"There is no report.html in {page.parent.name!r}. Pass the folder of a finished report.")
    browser = browser or find_browser()
    if browser is None:
        raise AuditError(MISSING)
    target = Path(target).resolve() if target else page.with_suffix(".pdf")
    with tempfile.TemporaryDirectory(prefix="catalogue-audit-") as scratch:
        printed = Path(scratch) / "page.pdf"
        command = [str(browser), *ARGUMENTS, f"--user-data-dir={scratch}/profile", f"--print-to-pdf={printed}", page.as_uri()]
        try:
            subprocess.run(command, capture_output=True, timeout=TIMEOUT, check=False, stdin=subprocess.DEVNULL)
        except (OSError, subprocess.TimeoutExpired) as error:
            msg = f"Chromium could not print the page ({type(error).__name__}). Open report.html and print it by hand."
            raise AuditError(msg) from error
        if not printed.is_file() or printed.stat().st_size == 0:
            raise AuditError("Chromium printed nothing. Open report.html and print it from your own browser.")
        shutil.move(printed, target)
    return target
