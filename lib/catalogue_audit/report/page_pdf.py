"""
The whole page as a PDF, printed by a Chromium of this machine; optional.

What is printed is a copy without links that leave the page: a PDF is passed on,
and they would name folders of this machine.
"""

import re
import shutil
import subprocess
import tempfile
from pathlib import Path

from catalogue_audit.errors import AuditError, UsageError

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")
PAPERS = ("A4", "Letter")
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


def need_browser():
    """
    Path of a Chromium on this machine.

    Raises
    ------
    UsageError
        Where there is none, with what to install.
    """
    browser = find_browser()
    if browser is None:
        raise UsageError(MISSING)
    return browser


def write_page_pdf(folder, target=None, browser=None, paper="A4"):
    """
    Print ``report.html`` of a report folder to a PDF.

    Parameters
    ----------
    folder : str or Path
        The report folder.
    target : str or Path, optional
        A file that does not exist yet; by default ``report.pdf`` in the folder, which is replaced.
    browser : str or Path, optional
        The Chromium to use.
    paper : str
        One of `PAPERS`.

    Returns
    -------
    Path

    Raises
    ------
    UsageError
        Where there is no page, no browser, or the target exists.
    AuditError
        Where the browser fails.
    """
    page = Path(folder).resolve() / "report.html"
    if not page.is_file():
        raise UsageError(f"There is no report.html in {page.parent.name!r}. Pass the folder of a finished report.")
    if target is not None and Path(target).exists():
        raise UsageError(f"{Path(target).name!r} exists already. Name another file: nothing is replaced.")
    browser = browser or need_browser()
    target = Path(target).resolve() if target else page.with_suffix(".pdf")
    with tempfile.TemporaryDirectory(prefix="catalogue-audit-", ignore_cleanup_errors=True) as scratch:  # what is left of the browser may still write there
        copy = _copy_to_print(page, Path(scratch) / "report", paper)
        printed = _print(browser, copy, Path(scratch))
        target.parent.mkdir(parents=True, exist_ok=True)
        part = target.with_name(target.name + ".part")
        part.write_bytes(_without_time(printed.read_bytes()))
        part.replace(target)
    return target


def _copy_to_print(page, folder, paper):
    """The page with its paper named and its outward links taken off, beside the pictures it shows."""
    folder.mkdir()
    if (page.parent / "pictures").is_dir():
        (folder / "pictures").symlink_to(page.parent / "pictures", target_is_directory=True)
    html = re.sub(r' href="(?![#"]|data:)[^"]*"', "", page.read_text(encoding="utf-8"))
    html = html.replace("</style>", f"@page {{ size: {paper}; }}</style>", 1)
    (folder / "report.html").write_text(html, encoding="utf-8")
    return folder / "report.html"


def _print(browser, page, scratch):
    printed = scratch / "page.pdf"
    command = [str(browser), *ARGUMENTS, f"--user-data-dir={scratch}/profile", f"--print-to-pdf={printed}", page.as_uri()]
    try:
        subprocess.run(command, capture_output=True, timeout=TIMEOUT, check=False, stdin=subprocess.DEVNULL)
    except (OSError, subprocess.TimeoutExpired) as error:
        msg = f"Chromium could not print the page ({type(error).__name__}). Open report.html and print it by hand."
        raise AuditError(msg) from error
    if not printed.is_file() or printed.stat().st_size == 0:
        raise AuditError("Chromium printed nothing. Open report.html and print it from your own browser.")
    return printed


def _without_time(pdf):
    """The PDF's two times of writing set to one that says nothing, in as many bytes: equal pages give equal files."""
    return re.sub(rb"(/(?:CreationDate|ModDate) \(D:)\d{14}", rb"\g<1>19800101000000", pdf)
