"""Reports for a notebook opened without one: of the demo delivery, and the invented demo season."""

import tempfile
from pathlib import Path

from catalogue_audit.errors import UsageError

DEMO = Path(__file__).resolve().parents[3] / "data_demo" / "small"
DEMO_SEASON = DEMO.parent / "season"


def demo_delivery():
    """
    Folder of the demo delivery.

    Returns
    -------
    Path

    Raises
    ------
    UsageError
        Where the package was installed without the demo data.
    """
    if DEMO.is_dir():
        return DEMO
    msg = "There is no demo delivery beside this installation.\nPass the folder of a written report as 'report_folder'."
    raise UsageError(msg)


def demo_report():
    """
    Audit the demo delivery into a temporary folder, without executed notebooks.

    Returns
    -------
    Path
        The report folder; it stays until the system clears its temporary files.
    """
    from catalogue_audit.runs.review import review  # heavy: notebooks of a written report do without it

    out = Path(tempfile.mkdtemp(prefix="catalogue-audit-demo-"))
    return review(demo_delivery(), out=out, notebooks=False).folder


def demo_season():
    """
    Folder of the invented demo season's study.

    Returns
    -------
    Path

    Raises
    ------
    UsageError
        Where the package was installed without the demo data.
    """
    folder = DEMO_SEASON
    if not (folder / "tables" / "habits.csv").is_file():
        msg = "There is no demo season beside this installation.\nPass the folder of a season report as 'report_folder'."
        raise UsageError(msg)
    return folder
