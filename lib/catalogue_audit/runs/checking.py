"""
The check of everything an output folder keeps: history, store and reports. It changes nothing.
"""

import contextlib
import csv
import json
import sqlite3
import tempfile
from pathlib import Path
from typing import NamedTuple

from catalogue_audit import schema
from catalogue_audit.errors import UsageError
from catalogue_audit.report.tables import read_table, write_table
from catalogue_audit.runs import history, store
from catalogue_audit.runs.lock import output_lock
from catalogue_audit.runs.places import WORK_FOLDER

RECORDED = ("frames", "findings", "products")  # tables that the history keeps too
NOT_PROVEN = (
    "Not proven: that the numbers are right (audit the delivery again with --verify and compare the tables); that history and report"
    " were not both altered alike; that pictures, sheets and notebooks are as they were written; and where a folder that the history"
    " names is missing, whether --keep removed it or somebody else."
)


class Checked(NamedTuple):
    """What a check found: sentences about what was looked at, about what is wrong, about what is worth knowing."""

    seen: list
    faults: list
    notes: list

    @property
    def exit_status(self):
        """0 where nothing is wrong, else 1."""
        return 1 if self.faults else 0


def check_records(out="reports"):
    """
    Verify the history, the store of measures and every report of an output folder.

    Parameters
    ----------
    out : str or Path

    Returns
    -------
    Checked

    Raises
    ------
    UsageError
        There is no such folder, or nothing was ever kept in it.
    LockedError
        A run is writing to it.
    """
    out = Path(out).resolve()
    work = out / WORK_FOLDER
    if not work.is_dir():
        msg = f"Nothing is kept in {out.name!r} (no folder {WORK_FOLDER}).\nPass the folder of reports with --out."
        raise UsageError(msg)
    checked = Checked([], [], [])
    with output_lock(work):
        recorded = _check_history(work / history.HISTORY_NAME, out, checked)
        _check_store(work / store.STORE_NAME, checked)
        _check_reports(out, recorded, checked)
        aside = sorted(path.name for path in work.glob("*.damaged-*") if not path.name.endswith(("-wal", "-shm")))
        checked.notes.extend(f"{name} was damaged and set aside by an earlier run; it may be removed" for name in aside)
    checked.notes.append(NOT_PROVEN)
    return checked


def _reader(path):
    return contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, timeout=60))


def _is_whole(connection, name, checked):
    """Whether SQLite's own check of every page and index finds nothing."""
    try:
        (answer,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
    except sqlite3.DatabaseError as error:
        answer = str(error)
    if answer != "ok":
        checked.faults.append(f"{name} is damaged ({answer.splitlines()[0]}); the next run sets it aside, or remove it")
    return answer == "ok"


def _check_history(path, out, checked):
    """Rows of the history by report folder: number, tables as recorded, whether it is the newest of its delivery."""
    if not path.is_file():
        checked.notes.append("there is no history")
        return {}
    with _reader(path) as connection:
        if not _is_whole(connection, path.name, checked):
            return {}
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        if version != len(history.MIGRATIONS):
            checked.notes.append(f"{path.name} is of schema {version}, not {len(history.MIGRATIONS)}; its rows were not read")
            return {}
        recorded, newest = {}, {}
        rows = connection.execute("SELECT id, location, report, summary, frames, findings, products FROM audits ORDER BY id")
        for number, location, report, summary, *tables in rows:
            try:
                json.loads(summary)
                read = {name: value for name, value in zip(RECORDED, tables, strict=True) if value is not None}
                for value in read.values():
                    history.from_parquet(value)
            except Exception as error:  # noqa: BLE001 - whatever a damaged value makes a parser say
                checked.faults.append(f"audit {number} of the history cannot be read ({type(error).__name__})")
                continue
            if report is None:
                checked.notes.append(f"audit {number} was recorded by a run that was ended; the next run settles it")
                continue
            recorded[report] = number
            newest[location] = report
        checked.seen.append(f"history: {len(recorded)} audits, every table of each can be read")
    for report, number in recorded.items():
        if not (out / report / "summary.json").is_file():
            last = report in newest.values()
            what = f"the report of audit {number}, {report!r}, is not there"
            (checked.faults if last else checked.notes).append(what + (", though it is the newest of its delivery" if last else ""))
    return recorded


def _check_store(path, checked):
    if not path.is_file():
        checked.notes.append("there is no store of measures; the next run measures everything")
        return
    with _reader(path) as connection:
        if not _is_whole(connection, path.name, checked):
            return
        if store.is_of_older_kind(connection):
            checked.notes.append("the store of measures is of an older version; the next run measures everything")
            return
        total = damaged = 0
        for facts, parts, check_sum in store.all_kept(connection):
            total += 1
            damaged += store.check_sum(facts, parts) != check_sum
        checked.seen.append(f"store: {total} results, the check sum of each was computed anew")
        if damaged:
            checked.faults.append(f"{damaged} results of the store do not have their check sum; they are measured again when needed")


def _check_reports(out, recorded, checked):
    with contextlib.closing(_history_or_nothing(out)) as connection:
        folders = [path for path in sorted(out.iterdir()) if path.is_dir() and (path / "summary.json").exists()]
        for folder in folders:
            faults = list(_faults_of_report(folder, connection, recorded.get(folder.name)))
            checked.faults.extend(f"report {folder.name!r}: {fault}" for fault in faults)
            if folder.name not in recorded and not faults and (folder / "frames.parquet").exists():
                checked.notes.append(f"report {folder.name!r} is not in the history; its tables were only read")
        checked.seen.append(f"reports: {len(folders)}, every table of each was read")
    half = sorted(path.name for path in out.glob(".building-*"))
    checked.notes.extend(f"{name} was left by a run that was ended; the next run removes it" for name in half)


def _history_or_nothing(out):
    path = out / WORK_FOLDER / history.HISTORY_NAME
    return sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True) if path.is_file() else sqlite3.connect(":memory:")


def _faults_of_report(folder, connection, number):
    try:
        summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        summary = None
    if not isinstance(summary, dict):
        yield "summary.json cannot be read"
        return
    tables = {path.stem: path for path in sorted((folder / "tables").glob("*.csv")) if path.stem in schema.ALL_TABLES}
    if (folder / "frames.parquet").exists():
        yield from (f"tables/{name}.csv is missing" for name in schema.TABLES if name not in tables)
    for name, path in tables.items():
        yield from _faults_of_table(path, name)
    if number is not None:
        yield from _unlike_history(tables, connection, number)
    files = summary.get("files")
    if isinstance(files, int) and "frames" in tables and _rows(tables["frames"]) != files:
        yield f"tables/frames.csv does not hold the {files} files of summary.json"


def _rows(path):
    """Rows below the header; -1 of a table that cannot be read."""
    try:
        with open(path, encoding="utf-8", newline="") as file:
            return sum(1 for _ in csv.reader(file)) - 1
    except (OSError, ValueError, csv.Error):
        return -1


def _faults_of_table(path, name):
    """What in a table is not as the schema says."""
    try:
        with open(path, encoding="utf-8", newline="") as file:
            rows = csv.reader(file, strict=True)
            header = next(rows, [])
            uneven = next((number for number, row in enumerate(rows, 2) if len(row) != len(header)), None)
        wanted = [column.name for column in schema.ALL_TABLES[name]]
        missing = [column for column in wanted if column not in header]
        if missing:
            yield f"{path.name} lacks the column {missing[0]!r}"  # also where an older version wrote it
        elif uneven:
            yield f"row {uneven} of {path.name} has not as many cells as its header"
        else:
            read_table(path, name)
    except (OSError, ValueError, TypeError, OverflowError, csv.Error) as error:
        yield f"{path.name} cannot be read ({type(error).__name__})"


def _unlike_history(tables, connection, number):
    """Tables that are not byte for byte those that were recorded when the report was made."""
    values = connection.execute("SELECT frames, findings, products FROM audits WHERE id = ?", (number,)).fetchone()
    with tempfile.TemporaryDirectory() as place:
        for name, value in zip(RECORDED, values, strict=True):
            if value is None or name not in tables:
                continue
            frame = history.from_parquet(value)
            if any(column.name not in frame for column in schema.ALL_TABLES[name]):
                continue  # recorded by an older version, with other columns
            again = Path(place) / f"{name}.csv"
            write_table(again, name, frame)
            if again.read_bytes() != tables[name].read_bytes():
                yield f"tables/{name}.csv is not what the history recorded"
