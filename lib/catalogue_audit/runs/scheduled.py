"""
The run nobody watches: audit what is new or changed in an inbox of deliveries.

A delivery is a folder directly inside the inbox. It is left alone while it is
still arriving: until its marker file is there, or until nothing in it has
changed for a while. What was audited in this very state is not touched again,
unless its report is incomplete: that is tried again, as often as a failed one.

Clocks are not trusted further than needed. A file whose times lie in the future
(the clock was set back, or the supplier's was wrong) says nothing about its age;
such a delivery has arrived when two runs that lie apart saw it in one state.
"""

import contextlib
import hashlib
import logging
import math
import os
import re
import shlex
import shutil
import signal
import stat
import subprocess
import time
from pathlib import Path
from typing import NamedTuple

from catalogue_audit import __version__
from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.delivery.filetypes import kind_by_name
from catalogue_audit.delivery.shown import shown_name
from catalogue_audit.errors import AuditError, MachineError, UsageError
from catalogue_audit.runs import history
from catalogue_audit.runs.lock import output_lock
from catalogue_audit.runs.passone import Measuring
from catalogue_audit.runs.places import WORK_FOLDER, output_folder
from catalogue_audit.runs.writing import writable

log = logging.getLogger("catalogue_audit.scheduled")

ATTEMPTS = 3  # failures of a delivery in one state before it is left until it changes
COMMAND_SECONDS = 300  # the user's own command may take this long
REMOVING = ".removing-"
_WORDS = {
    "audited": "audited",
    "unchanged": "unchanged",
    "arriving": "still arriving",
    "failed": "failed",
    "given_up": "given up until changed",
}
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
    cluster=None,
    verify=False,
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
    jobs, cluster, verify, tables_only
        As in `runs.review.review`.
    now : float, optional
        Seconds since the epoch; the clock's by default.

    Returns
    -------
    list of Outcome
        One for each delivery, by name.
    """
    inbox = Path(inbox).resolve()
    if not inbox.is_dir():
        msg = f"There is no inbox folder {str(inbox)!r}.\nPass the folder that holds the deliveries."
        raise UsageError(msg)
    out = output_folder(out, inbox, "inbox")
    now = time.time() if now is None else now
    measuring = Measuring(jobs, cluster, verify)
    load_brief(brief)  # a wrong brief is one error of the command, not one of each delivery
    with writable(out), output_lock(out / WORK_FOLDER):
        _remove_leftovers(out)
        connection, notes = history.open_history(out / WORK_FOLDER)
        for note in notes:
            log.warning("%s", note)
        with contextlib.closing(connection):
            history.reconcile(connection, out)
            _warn_of_others(inbox)
            run = _Run(out, connection, brief, quiet_minutes, marker, attempts, keep, on_report, measuring, tables_only, now)
            outcomes = [_one(run, folder) for folder in _deliveries(inbox)]
            refresh_index(out, connection)
    counts = {done: sum(outcome.done == done for outcome in outcomes) for done in sorted({o.done for o in outcomes})}
    words = ", ".join(f"{number} {_WORDS[done]}" for done, number in counts.items()) or "nothing to do"
    log.info("%d %s: %s", len(outcomes), "delivery" if len(outcomes) == 1 else "deliveries", words)
    return outcomes


def refresh_index(out, connection):
    """Write the index page and ``index.json`` where they do not say what the history and the folder say."""
    from catalogue_audit.report.index import index_is_current, write_index

    audits = history.list_audits(connection)
    if not index_is_current(out, audits):
        write_index(out, audits)


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
    measuring: Measuring
    tables_only: bool
    now: float


def _deliveries(inbox):
    """Folders directly inside the inbox; links are not followed."""
    return sorted(
        (Path(item.path) for item in os.scandir(inbox) if item.is_dir(follow_symlinks=False) and item.name[0] != "."),
        key=lambda path: path.name,
    )


def _warn_of_others(inbox):
    """Pictures and links directly inside the inbox belong to no delivery: whoever put them there is told."""
    found = sorted(os.scandir(inbox), key=lambda item: item.name)
    loose = [item.name for item in found if item.is_file(follow_symlinks=False) and kind_by_name(item.name) != "other" and item.name[0] != "."]
    if loose:
        words = f"{loose[0]}{f' and {len(loose) - 1} more' if len(loose) > 1 else ''}"
        log.warning("pictures that lie in no folder of the inbox are not audited: %s. Put each delivery into its own folder", _plain(words))
    for item in found:
        if item.is_symlink() and item.is_dir():
            log.warning("%s: a link to a folder, not followed. Move the delivery itself into the inbox", _plain(item.name))


def _one(run, folder):
    """Outcome of one delivery; its failure is logged and counted, and stops no other."""
    name, location, state = folder.name, shown_name(os.fsencode(folder)), ""
    try:
        state, newest, complete = delivery_state(folder, run.brief, run.marker, run.now)
        failed, status = history.failures(run.history, location, state)
        last = history.last_audit(run.history, location)
        if last and last[0] == state and (not failed or failed >= run.attempts):
            return Outcome(name, "unchanged", last[1], last[2])
        if failed >= run.attempts:
            log.warning("%s: given up after %d failures; it is tried again when it changes", _plain(name), failed)
            return Outcome(name, "given_up", status, "")
        if not failed and not complete and not _is_quiet(run, location, state, newest):
            log.info("%s: still arriving", _plain(name))
            return Outcome(name, "arriving", 0, "")
        result = _audit(run, folder, state)
    except (MachineError, MemoryError) as error:  # no fault of the delivery's, so it is no attempt: tried again until the machine can
        log.error("%s: could not be audited on this machine as it is: %s", _plain(name), _plain(str(error) or "not enough memory"))
        return Outcome(name, "failed", AuditError.exit_status, "")
    except Exception as error:  # noqa: BLE001 - whatever one delivery brings, the others are audited
        reason = str(error) if isinstance(error, AuditError) else f"unforeseen {type(error).__name__}"
        status = getattr(error, "exit_status", AuditError.exit_status)
        count = history.record_failure(run.history, location, state, reason, status)
        log.error("%s: could not be audited (attempt %d of %d): %s", _plain(name), count, run.attempts, _plain(reason))
        return Outcome(name, "failed", status, "")
    if result.exit_status == AuditError.exit_status:  # a notebook failed: the report says so, and is tried again
        count = history.record_failure(run.history, location, state, "incomplete report")
        words = _plain(str(result.summary.get("incomplete", "")))
        log.error("%s: incomplete report (attempt %d of %d): %s", _plain(name), count, run.attempts, words)
    else:
        history.clear_failures(run.history, location)
    log.info("%s: %s Report: %s", _plain(name), _plain(result.summary["verdict_sentence"]), _plain(result.folder.name))
    _call(run, result.folder / "summary.json")
    _retain(run, location)
    return Outcome(name, "audited", result.exit_status, result.folder.name)


def _is_quiet(run, location, state, newest):
    """Whether a delivery has stopped arriving."""
    quiet = run.quiet_minutes * 60
    if newest <= run.now:
        return run.now - newest >= quiet
    return abs(run.now - history.first_seen(run.history, location, state, run.now)) >= quiet


def _audit(run, folder, state):
    from catalogue_audit.runs.review import audit_folder

    return audit_folder(
        folder, run.out, brief=run.brief, measuring=run.measuring, tables_only=run.tables_only, fingerprint=state
    )


def delivery_state(folder, brief=None, marker=None, now=math.inf):
    """
    Fingerprint of a delivery as it stands, the time of its newest change, and whether it is marked complete.

    Names, sizes, times and inodes of all its files, the brief and the
    program's version: what an audit depends on, without reading a picture.
    """
    digest = hashlib.sha256(__version__.encode())
    if brief is not None:
        digest.update(Path(brief).read_bytes() if Path(brief).is_file() else b"")
    newest = 0.0
    complete = False
    for root, folders, files in os.walk(folder, followlinks=False):
        folders.sort()
        newest = max(newest, _changed(root, now))  # a file that was taken away, or a folder whose first file is still to come
        for name in sorted(files):
            path = os.path.join(root, name)
            try:
                facts = os.lstat(path)
            except OSError:
                continue
            if name == marker and Path(root) == folder and stat.S_ISREG(facts.st_mode):
                complete = True
                continue
            digest.update(os.fsencode(os.path.relpath(path, folder)) + b"\0")
            digest.update(f"{facts.st_size} {facts.st_mtime_ns} {facts.st_ctime_ns} {facts.st_ino}\n".encode())
            newest = max(newest, _last_change(facts, now))
    return digest.hexdigest(), newest, complete


def _changed(folder, now):
    """When something was last put into a folder or taken out; 0 where it is gone."""
    try:
        return _last_change(os.lstat(folder), now)
    except OSError:
        return 0.0


def _last_change(facts, now):
    """Seconds since the epoch of a file's or folder's last change."""
    changed = facts.st_ctime  # by this machine's clock; the supplier's may be wrong
    return max(changed, facts.st_mtime if facts.st_mtime <= now else changed)


def _call(run, summary):
    """Call the user's command with the summary's path; its failure is logged and changes nothing."""
    if not run.on_report:
        return
    try:
        command = [*shlex.split(run.on_report), str(summary)]
        with subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
        ) as process:
            try:
                status = process.wait(COMMAND_SECONDS)
            except BaseException:  # too slow, or this run is being ended: what it started ends with it
                os.killpg(process.pid, signal.SIGKILL)
                raise
    except subprocess.TimeoutExpired:
        log.error("the command after the report took longer than %d s and was ended", COMMAND_SECONDS)
    except (OSError, ValueError) as error:
        log.error("the command after the report could not run: %s", _plain(str(error)))
    else:
        if status:
            log.error("the command after the report ended with status %d", status)


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
            aside = path.with_name(REMOVING + report)
            path.rename(aside)
            shutil.rmtree(aside)
            log.info("removed the older report %s", _plain(report))


def _remove_leftovers(out):
    """Clear what killed runs left: reports that were being built, removals that had begun."""
    from catalogue_audit.report.publish import remove_leftovers

    remove_leftovers(out)
    for folder in out.glob(f"{REMOVING}*"):
        if _REPORT_NAME.fullmatch(folder.name.removeprefix(REMOVING)) and folder.is_dir() and not folder.is_symlink():
            shutil.rmtree(folder)


def _plain(text):
    """Text on one line, control characters made harmless."""
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text.replace("\n", " "))
