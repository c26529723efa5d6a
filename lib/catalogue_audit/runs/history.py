"""
The history: every audit recorded in one SQLite file beside the reports.

SQLite and not DuckDB: it is in the standard library, lets one run write while others
read, survives ``kill -9`` by its write-ahead log, and a season's few hundred
audits need no column store; the frames of each audit are kept as one Parquet
value, so a new column never needs a migration.
"""

import io
import json
import sqlite3
import time

from catalogue_audit.runs.store import Unusable, is_damage

HISTORY_NAME = "history.sqlite3"

# Each script takes the file from its number to the next; never edited, only added to.
MIGRATIONS = (
    """
    CREATE TABLE audits (
        id INTEGER PRIMARY KEY,
        delivery TEXT NOT NULL,
        location TEXT NOT NULL,
        fingerprint TEXT NOT NULL,
        audited_at TEXT NOT NULL,
        report TEXT,
        stage TEXT NOT NULL,
        verdict TEXT NOT NULL,
        exit_status INTEGER NOT NULL,
        summary TEXT NOT NULL,
        frames BLOB NOT NULL,
        findings BLOB NOT NULL
    );
    CREATE INDEX audits_by_delivery ON audits (delivery, audited_at);
    CREATE TABLE attempts (
        location TEXT PRIMARY KEY,
        fingerprint TEXT NOT NULL,
        failures INTEGER NOT NULL,
        reason TEXT NOT NULL
    ) WITHOUT ROWID;
    """,
    """
    ALTER TABLE audits ADD COLUMN products BLOB;
    CREATE INDEX audits_by_location ON audits (location, id);
    ALTER TABLE attempts ADD COLUMN exit_status INTEGER NOT NULL DEFAULT 3;
    CREATE TABLE arrivals (
        location TEXT PRIMARY KEY,
        fingerprint TEXT NOT NULL,
        seen_at REAL NOT NULL
    ) WITHOUT ROWID;
    """,
)


def open_history(folder):
    """
    Open the history in `folder`, bringing it to the newest schema.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    connection : sqlite3.Connection
    notes : tuple of str
        Where the file was damaged, or written by a newer version: under which
        name it was set aside.
    """
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / HISTORY_NAME
    try:
        return _connect(path), ()
    except sqlite3.DatabaseError as error:
        if not is_damage(error):
            raise
        aside = path.with_name(f"{HISTORY_NAME}.damaged-{time.time_ns()}")
        path.rename(aside)
        for suffix in ("-wal", "-shm"):
            if path.with_name(HISTORY_NAME + suffix).exists():
                path.with_name(HISTORY_NAME + suffix).rename(aside.with_name(aside.name + suffix))
        return _connect(path), (f"the history could not be read ({error}); it was set aside as {aside.name}",)


def _connect(path):
    connection = sqlite3.connect(path, timeout=60, isolation_level=None)
    try:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        if connection.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
            raise Unusable("its inner check failed")
        _migrate(connection)
    except sqlite3.DatabaseError:
        connection.close()
        raise
    return connection


def _migrate(connection):
    connection.execute("BEGIN IMMEDIATE")
    try:
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        if version > len(MIGRATIONS):
            msg = f"written by a newer version of the program (schema {version})"
            raise Unusable(msg)
        for script in MIGRATIONS[version:]:
            for statement in script.split(";"):
                if statement.strip():
                    connection.execute(statement)
        connection.execute(f"PRAGMA user_version={len(MIGRATIONS)}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # a full disk has ended it already, and a second error would hide the first
            connection.execute("ROLLBACK")
        raise


def record_audit(connection, location, fingerprint, summary, frames, findings, products=None):
    """
    Record an audit before its report is published; `report` is filled by `record_report`.

    Returns
    -------
    int
        The audit's number.
    """
    cursor = connection.execute(
        "INSERT INTO audits (delivery, location, fingerprint, audited_at, stage, verdict, exit_status, summary,"
        " frames, findings, products) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            summary["delivery"],
            location,
            fingerprint,
            summary["audited_at"],
            summary["stage"],
            summary["verdict"],
            summary["exit_status"],
            json.dumps(summary, sort_keys=True),
            _parquet(frames),
            _parquet(findings),
            None if products is None else _parquet(products),
        ),
    )
    return cursor.lastrowid


def record_report(connection, number, report):
    """
    Note under which folder name an audit's report was published.

    A report is published where no folder is, so an earlier audit of that name has none any more: it was removed.
    """
    connection.execute("UPDATE audits SET report = '' WHERE report = ?", (report,))
    connection.execute("UPDATE audits SET report = ? WHERE id = ?", (report, number))


def reconcile(connection, out):
    """
    Settle audits recorded by a run that was killed before it noted its report.

    A report on disk that says the same delivery and time is theirs; where there
    is none, the audit is taken out again and will be made anew.

    Parameters
    ----------
    connection : sqlite3.Connection
    out : Path
        Folder of report folders.
    """
    pending = connection.execute("SELECT id, delivery, audited_at FROM audits WHERE report IS NULL").fetchall()
    if not pending:
        return
    published = {}
    for path in sorted(out.glob("*/summary.json")):
        try:
            summary = json.loads(path.read_text(encoding="utf-8"))
            published[summary["delivery"], summary["audited_at"]] = path.parent.name
        except (OSError, ValueError, KeyError, TypeError):
            continue
    for number, delivery, audited_at in pending:
        report = published.get((delivery, audited_at))
        if report is None:
            connection.execute("DELETE FROM audits WHERE id = ?", (number,))
        else:
            record_report(connection, number, report)


def last_audit(connection, location):
    """(fingerprint, exit status, report) of the newest audit of a location, or None."""
    return connection.execute(
        "SELECT fingerprint, exit_status, report FROM audits WHERE location = ? AND report IS NOT NULL"
        " ORDER BY id DESC LIMIT 1",
        (location,),
    ).fetchone()


def failures(connection, location, fingerprint):
    """(how often, last exit status) of a location's failures in this very state; (0, 0) where there is none."""
    row = connection.execute(
        "SELECT failures, exit_status FROM attempts WHERE location = ? AND fingerprint = ?", (location, fingerprint)
    ).fetchone()
    return row or (0, 0)


def record_failure(connection, location, fingerprint, reason, exit_status=3):
    """Count one failure of a location in this state; returns how often it has failed in it."""
    count = failures(connection, location, fingerprint)[0] + 1
    connection.execute(
        "INSERT OR REPLACE INTO attempts VALUES (?, ?, ?, ?, ?)",
        (location, fingerprint, count, reason[:2000], exit_status),
    )
    return count


def clear_failures(connection, location):
    """Forget a location's failures: it has been audited."""
    connection.execute("DELETE FROM attempts WHERE location = ?", (location,))


def first_seen(connection, location, fingerprint, now):
    """When a location was first seen in this very state, seconds since the epoch; `now` is noted where it is new."""
    row = connection.execute(
        "SELECT seen_at FROM arrivals WHERE location = ? AND fingerprint = ?", (location, fingerprint)
    ).fetchone()
    if row:
        return row[0]
    connection.execute("INSERT OR REPLACE INTO arrivals VALUES (?, ?, ?)", (location, fingerprint, now))
    return now


def list_audits(connection):
    """Summaries of all audits, oldest first, each with its ``report``, ``number`` and ``location``."""
    rows = connection.execute(
        "SELECT id, report, location, summary FROM audits WHERE report IS NOT NULL ORDER BY id"
    ).fetchall()
    return [
        json.loads(summary) | {"report": report, "number": number, "location": location}
        for number, report, location, summary in rows
    ]


def load_audits(connection, numbers):
    """
    The tables of recorded audits, with the columns ``audit`` (number) and ``delivery``.

    Parameters
    ----------
    connection : sqlite3.Connection
    numbers : collection of int

    Returns
    -------
    frames, findings, products : DataFrame
        Empty, with their columns, where there is no such audit. Audits recorded by an
        older version of the program have no products.
    """
    wanted = set(numbers)
    tables = {"frames": [], "findings": [], "products": []}
    rows = connection.execute(
        "SELECT id, delivery, frames, findings, products FROM audits WHERE report IS NOT NULL ORDER BY id"
    )
    for number, delivery, *values in rows:
        if number not in wanted:
            continue
        for name, value in zip(tables, values, strict=True):
            if value is not None:
                tables[name].append(from_parquet(value).assign(audit=number, delivery=delivery))
    return tuple(_joined(name, parts) for name, parts in tables.items())


def _joined(name, parts):
    """Tables one below the other, columns of the schema first, in its types."""
    import pandas as pd

    from catalogue_audit.statistics.tables import conform, table_from_rows

    if not parts:
        empty = {"audit": pd.Series(dtype="int64"), "delivery": pd.Series(dtype="str")}
        return table_from_rows(name, []).assign(**empty)
    return conform(name, pd.concat([conform(name, part) for part in parts], ignore_index=True))


def from_parquet(value):
    """A recorded table."""
    import pandas as pd

    return pd.read_parquet(io.BytesIO(value))


def _parquet(frame):
    buffer = io.BytesIO()
    frame.to_parquet(buffer, index=False, compression="zstd")
    return buffer.getvalue()
