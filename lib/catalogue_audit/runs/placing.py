"""
The placing outlines of a written report.

A report folder holds no sketches. They are read from the store of the output folder
that the report lies in (``.catalogue-audit/measures.sqlite3``), by the content of each
picture; the delivery itself is not needed.
"""

import contextlib
import sqlite3
from pathlib import Path

from catalogue_audit.errors import UsageError
from catalogue_audit.report.audit import read_audit
from catalogue_audit.report.placing import write_placings
from catalogue_audit.runs.places import WORK_FOLDER
from catalogue_audit.runs.sketch_parts import kept_sketch
from catalogue_audit.runs.store import STORE_NAME, is_of_older_kind
from catalogue_audit.statistics.geometry.placing import placings

NO_OUTLINES = (
    "No outline of this report's pictures is kept beside it ({name!r} in the folder above it).\n"
    "Run 'catalogue-audit review' on the delivery again with the same --out, and pass the new report."
)


def placing_outline(report, view=None, to="placing"):
    """
    Write the set's reference outlines and the sheets for the table.

    Parameters
    ----------
    report : str or Path
        A written report folder, in the output folder it was written to.
    view : str, optional
        Only this view.
    to : str or Path
        Folder to write to; no file is replaced.

    Returns
    -------
    list of Path

    Raises
    ------
    UsageError
        There is no report, no such view, or the store does not hold the outlines.
    """
    report = Path(report).resolve()
    audit = read_audit(report)
    path = report.parent / WORK_FOLDER / STORE_NAME
    try:
        found, outlines = _kept_outlines(path, audit.frames, view) if path.is_file() else ([], {})
    except (sqlite3.Error, ValueError, LookupError):  # damaged, or no store of this program
        found = []
    if not found:
        raise UsageError(NO_OUTLINES.format(name=f"{WORK_FOLDER}/{STORE_NAME}"))
    return write_placings(found, outlines, to, audit.summary.get("delivery", ""))


def _kept_outlines(path, frames, view):
    """Placings of which the store holds the outline, and the outlines by file."""
    with contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, timeout=60)) as connection:
        older = is_of_older_kind(connection)
        kept = set() if older else {row[0] for row in connection.execute("SELECT DISTINCT sha256 FROM measured")}
        found = placings(frames, set(frames.loc[frames["sha256"].isin(kept), "file"]))
        if found and view is not None:
            names = ", ".join(placing.view for placing in found)
            found = [placing for placing in found if placing.view == view]
            if not found:
                raise UsageError(f"This report has no whole product in a view {view!r}.\nIts views are: {names}.")
        content = frames.set_index("file")["sha256"]
        outlines = {placing.file: _outline(connection, content[placing.file]) for placing in found}
    return [placing for placing in found if outlines[placing.file] is not None], outlines


def _outline(connection, sha256):
    """Outline of a content, from any version of the measures; None where none has it."""
    versions = connection.execute("SELECT version FROM measured WHERE sha256 = ? ORDER BY version", (sha256,)).fetchall()
    for (version,) in versions:
        outline = kept_sketch(connection, version, sha256).get("outline")
        if outline is not None and len(outline) >= 3:
            return outline
    return None
