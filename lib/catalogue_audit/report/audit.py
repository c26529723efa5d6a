"""
One audit, everything the report shows: tables, brief, pictures as sketches.

The report reads nothing else. `read_audit` brings a written report folder back
as the same record, without sketches, so that a notebook shows what was saved.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from catalogue_audit.errors import UsageError
from catalogue_audit.report.tables import read_tables, write_tables
from catalogue_audit.schema import CHECKS, TABLES
from catalogue_audit.statistics.tables import table_from_rows

MORE_FILE = "more.json"  # tables beyond the contract's, notes and versions, for the notebooks
NO_REPORT = (
    "There is no report in {folder!r} (no summary.json in it).\n"
    "Pass the folder that 'catalogue-audit review' printed, the one that holds report.html."
)
UNREADABLE = (
    "The report in {folder!r} cannot be read: {what} is damaged, missing or of another program.\n"
    "Run 'catalogue-audit review' on the delivery again, and pass the new report."
)
# What files that are no report, or a damaged one, make their readers raise.
UNREADABLE_ERRORS = (OSError, ValueError, TypeError, AttributeError, LookupError, OverflowError, RecursionError)


def _table(name):
    return field(default_factory=lambda: table_from_rows(name, []))


@dataclass(frozen=True)
class Audit:
    """
    What one audit found.

    Attributes
    ----------
    summary : dict
        The content of ``summary.json``; ``summary["brief"]`` is the brief as judged, plain values.
    frames, findings, marks, changes, corrections, products : DataFrame
        The tables of the contract.
    pairs : DataFrame
        A row a pair of pictures that are alike: ``file_a``, ``file_b``, ``kind``, ``note`` and what else identity tells.
    spots : DataFrame
        A row a recurring sensor spot: ``x``, ``y`` (fractions of the frame), ``size_px``, ``frames``.
    framing_rule : str or None
        The rule by which size was judged.
    comparison : DataFrame or None
        Findings against those of the report before.
    brief : object or None
        The validated brief; the report reads ``summary["brief"]``.
    sketches : mapping of str to dict
        File → sketch, loaded one at a time; empty when read back from a folder.
    original_sketches : mapping of str to dict
        The same of the camera originals, where they were given.
    notes : tuple of str
        What happened on the way, for the method part.
    versions : dict of str to str
        Names and versions of what computed the numbers.
    """

    summary: dict
    frames: pd.DataFrame = _table("frames")
    findings: pd.DataFrame = _table("findings")
    marks: pd.DataFrame = _table("marks")
    changes: pd.DataFrame = _table("changes")
    corrections: pd.DataFrame = _table("corrections")
    products: pd.DataFrame = _table("products")
    pairs: pd.DataFrame = field(default_factory=pd.DataFrame)
    spots: pd.DataFrame = field(default_factory=pd.DataFrame)
    framing_rule: Any = None
    comparison: Any = None
    brief: Any = None
    sketches: Mapping = field(default_factory=dict)
    original_sketches: Mapping = field(default_factory=dict)
    notes: tuple = ()
    versions: dict = field(default_factory=dict)


def settings(audit):
    """The brief as plain values; empty where the summary holds none."""
    brief = audit.summary.get("brief")
    return brief if isinstance(brief, dict) else {}


def tolerance(audit, check):
    """Tolerance of a check: the brief's, else the default; None where the check has none."""
    value = (settings(audit).get("tolerance") or {}).get(check)
    if value is None and check in CHECKS:
        value = CHECKS[check].tolerance
    return value[0] if isinstance(value, list) else value  # the second figure is for soft styles


def view_order(audit):
    """
    Views in the order of the brief, then the others by name.

    Returns
    -------
    list of str
        Without the empty view.
    """
    required = list((settings(audit).get("views") or {}).get("required") or [])
    missing = audit.findings.loc[audit.findings["check"] == "missing_view", "view"]
    seen = {view for view in [*missing.dropna(), *audit.frames["view"].dropna()] if view}
    return [*required, *sorted(seen - set(required))]


def write_data(audit, folder):
    """
    Write what a program reads: the contract's tables, ``frames.parquet``, ``summary.json``.

    Parameters
    ----------
    audit : Audit
    folder : Path
        The report folder.
    """
    tables = folder / "tables"
    write_tables(tables, {name: getattr(audit, name) for name in TABLES})
    audit.frames.to_parquet(folder / "frames.parquet", index=False)
    more = {name: json.loads(value.to_json(orient="split", index=False)) for name, value in _further(audit).items()}
    content = {"tables": more, "framing_rule": audit.framing_rule, "notes": list(audit.notes), "versions": audit.versions}
    _write_json(tables / MORE_FILE, content)
    write_summary(audit.summary, folder)


def write_summary(summary, folder):
    """Write ``summary.json`` into a report folder."""
    _write_json(Path(folder) / "summary.json", summary)


def _write_json(path, content):
    text = json.dumps(content, indent=1, sort_keys=True, ensure_ascii=True, default=str, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8", newline="\n")


def _further(audit):
    candidates = {name: getattr(audit, name) for name in ("pairs", "spots", "comparison")}
    return {name: value for name, value in candidates.items() if isinstance(value, pd.DataFrame)}


def read_audit(folder):
    """
    Audit of a written report folder, without its sketches.

    Parameters
    ----------
    folder : str or Path
        The folder that holds ``report.html``.

    Returns
    -------
    Audit

    Raises
    ------
    UsageError
        Where there is no report in the folder, or it cannot be read.
    """
    folder = Path(folder)
    if not (folder / "summary.json").is_file():
        raise UsageError(NO_REPORT.format(folder=str(folder)))
    summary = _read_json(folder, "summary.json")
    more = _read_json(folder, f"tables/{MORE_FILE}") if (folder / "tables" / MORE_FILE).is_file() else {}
    try:
        further = {name: pd.DataFrame(**table) for name, table in more.get("tables", {}).items()}
        if isinstance(more.get("framing_rule"), str):
            further["framing_rule"] = more["framing_rule"]
        return Audit(
            summary,
            **read_tables(folder / "tables"),
            **further,
            notes=tuple(more.get("notes", ())),
            versions=more.get("versions", {}),
        )
    except UNREADABLE_ERRORS as error:
        raise UsageError(UNREADABLE.format(folder=str(folder), what="one of its tables")) from error


def _read_json(folder, name):
    """A file of a report that holds one JSON object."""
    try:
        content = json.loads((folder / name).read_text(encoding="utf-8"))
    except UNREADABLE_ERRORS as error:
        raise UsageError(UNREADABLE.format(folder=str(folder), what=name)) from error
    if not isinstance(content, dict):
        raise UsageError(UNREADABLE.format(folder=str(folder), what=name))
    return content
