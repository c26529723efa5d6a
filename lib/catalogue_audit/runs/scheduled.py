"""
The run nobody watches: audit what is new or changed in an inbox of deliveries.

A delivery is a folder directly inside the inbox. It is left alone while it is
still arriving: until its marker file is there, or until nothing in it has
changed for a while. What was audited in this very state is not touched again.
"""

import contextlib
import hashlib
import logging
import os
import re
import shlex
import shutil
import subprocess
import time
from pathlib import Path
from typing import NamedTuple

from catalogue_audit import __version__
from catalogue_audit.errors import AuditError, UsageError
from catalogue_audit.runs import history
from catalogue_audit.runs.lock import output_lock
from catalogue_audit.runs.places import WORK_FOLDER, output_folder

log = logging.getLogger("catalogue_audit.scheduled")

ATTEMPTS = 3  # failures of a delivery in one state before it is left until it changes
COMMAND_SECONDS = 300  # the user's own command may take this long
_REPORT_NAME = re.compile(r"\d{4}-\d{2}-\d{2}_.+")


class Outcome(NamedTuple):
    """One delivery of a scheduled run: what was done ('audited', 'unchanged', 'arriving', 'failed', 'given_up')."""

    delivery: str
    done: str
    exit_status: int
    report: str


def scheduled(
    inbox,
    out="reports",
    brief=None,
    quiet_minutes=10.0,
    marker="complete",
    attempts=ATTEMPTS,
    keep=None,
    on_report=None,
    jobs=None,
    tables_only=False,
    now=None,
):
    """
    Audit the deliveries of an inbox that are finished and new or changed.

    Parameters
    ----------
    inbox, out : str or Path
    brief : str or Path, optional
        One brief for all deliveries.
    quiet_minutes : float
        A delivery is finished when nothing in it has changed for this long, or at
        once when it holds a file named `marker`.
    marker : str
        Name of the file that says a delivery is complete.
    attempts : int
        Failures after which a delivery is left until it changes.
    keep : int, optional
        Report folders to keep for each delivery; older ones are removed. By
        default none is.
    on_report : str, optional
        Command to call after each report, with the path of its ``summary.json``
        as the last argument; split as a shell splits words, run without one.
    now : float, optional
        Seconds since the epoch; the clock's by default.

    Returns
    -------
    list of Outcome
        One for each delivery, by name.
    """
    inbox = Path(inbox)
    if not inbox.is_dir():
        msg = f"There is no inbox folder {str(inbox)!r}.\nPass the folder that holds the deliveries."
        raise UsageError(msg)
    out = output_folder(out, inbox.resolve())
    now = time.time() if now is None else now
    with output_lock(out / WORK_FOLDER):
        connection, notes = history.open_history(out / WORK_FOLDER)
        for note in notes:
            log.warning("%s", note)
        with contextlib.closing(connection):
            history.reconcile(connection, out)
            run = _Run(out, connection, brief, quiet_minutes, marker, attempts, keep, on_report, jobs, tables_only, now)
            outcomes = [_one(run, folder) for folder in _deliveries(inbox)]
        changed = any(outcome.done == "audited" for outcome in outcomes)
        if changed or not (out / "index.html").exists():
            from catalogue_audit.report.index import write_index

            with contextlib.closing(history.open_history(out / WORK_FOLDER)[0]) as connection:
                write_index(out, history.list_audits(connection))
    counts = {done: sum(outcome.done == done for outcome in outcomes) for done in sorted({o.done for o in outcomes})}
    log.info("%d deliveries: %s", len(outcomes), ", ".join(f"{n} {done}" for done, n in counts.items()) or "none")
    return outcomes


class _Run(NamedTuple):
    """What every delivery of one run shares."""

    out: Path
    history: object
    brief: str | None
    quiet_minutes: float
    marker: str
    attempts: int
    keep: int | None
    on_report: str | None
    jobs: int | None
    tables_only: bool
    now: float


def _deliveries(inbox):
    """Folders directly inside the inbox; links are not followed."""
    return sorted(
        (Path(item.path) for item in os.scandir(inbox) if item.is_dir(follow_symlinks=False) and item.name[0] != "."),
        key=lambda path: path.name,
    )


def _one(run, folder):
    """Outcome of one delivery; its failure is logged and counted, and stops no other."""
    name = folder.name
    state, newest, complete = _state(folder, run)
    location = str(folder.resolve())
    last = history.last_audit(run.history, location)
    if last and last[0] == state:
        return Outcome(name, "unchanged", last[1], last[2])
    if not complete and run.now - newest < run.quiet_minutes * 60:
        log.info("%s: still arriving", _plain(name))
        return Outcome(name, "arriving", 0, "")
    if history.failures(run.history, location, state) >= run.attempts:
        return Outcome(name, "given_up", 3, "")
    try:
        result = _audit(run, folder, state)
    except (AuditError, OSError) as error:
        reason = str(error) or type(error).__name__
        count = history.record_failure(run.history, location, state, reason)
        log.error("%s: could not be audited (attempt %d of %d): %s", _plain(name), count, run.attempts, _plain(reason))
        return Outcome(name, "failed", getattr(error, "exit_status", 3), "")
    log.info("%s: %s Report: %s", _plain(name), _plain(result.summary["verdict_sentence"]), _plain(result.folder.name))
    _call(run, result.folder / "summary.json")
    _retain(run, location)
    return Outcome(name, "audited", result.exit_status, result.folder.name)


def _audit(run, folder, state):
    from catalogue_audit.runs.review import audit_folder

    return audit_folder(
        folder, run.out, brief=run.brief, jobs=run.jobs, tables_only=run.tables_only, fingerprint=state
    )


def _state(folder, run):
    """
    Fingerprint of a delivery as it stands, the time of its newest change, and whether it is marked complete.

    Names, sizes, times and inodes of all its files, the brief and the
    program's version: what an audit depends on, without reading a picture.
    """
    digest = hashlib.sha256(__version__.encode())
    if run.brief is not None:
        digest.update(Path(run.brief).read_bytes() if Path(run.brief).is_file() else b"")
    newest = 0.0
    complete = False
    for root, folders, files in os.walk(folder, followlinks=False):
        folders.sort()
        for name in sorted(files):
            path = os.path.join(root, name)
            try:
                facts = os.lstat(path)
            except OSError:
                continue
            if name == run.marker and Path(root) == folder:
                complete = True
                continue
            digest.update(os.fsencode(os.path.relpath(path, folder)) + b"\0")
            digest.update(f"{facts.st_size} {facts.st_mtime_ns} {facts.st_ctime_ns} {facts.st_ino}\n".encode())
            newest = max(newest, facts.st_mtime, facts.st_ctime)
    if newest > run.now:  # the clock was set back, or a file claims the future: its age says nothing
        newest = run.now - run.quiet_minutes * 60 if newest > run.now + 86400 else newest
    return digest.hexdigest(), newest, complete


def _call(run, summary):
    """Call the user's command with the summary's path; its failure is logged and changes nothing."""
    if not run.on_report:
        return
    try:
        result = subprocess.run(
            [*shlex.split(run.on_report), str(summary)],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=COMMAND_SECONDS,
            check=False,
        )
    except (OSError, ValueError, subprocess.TimeoutExpired) as error:
        log.error("the command after the report could not run: %s", _plain(str(error)))
        return
    if result.returncode:
        log.error("the command after the report ended with status %d", result.returncode)


def _retain(run, location):
    """Remove the reports of a delivery beyond the newest `keep`; the history keeps their numbers."""
    if run.keep is None:
        return
    rows = run.history.execute(
        "SELECT report FROM audits WHERE location = ? AND report IS NOT NULL ORDER BY id DESC", (location,)
    ).fetchall()
    for (report,) in rows[run.keep :]:
        path = run.out / report
        if _REPORT_NAME.fullmatch(report) and path.is_dir() and not path.is_symlink():
            aside = path.with_name(f".removing-{report}")
            path.rename(aside)
            shutil.rmtree(aside)
            log.info("removed the older report %s", _plain(report))


def _plain(text):
    """Text on one line, control characters made harmless."""
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text.replace("\n", " "))
