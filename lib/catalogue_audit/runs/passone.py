"""
Pass one over a delivery: what the store does not have is measured, here or on a cluster, and kept as it comes.
"""

import contextlib
import hashlib
import importlib
import os
import time
from typing import NamedTuple

from catalogue_audit.delivery.shown import shown_name
from catalogue_audit.errors import AuditError
from catalogue_audit.runs import store
from catalogue_audit.runs.pool import available_processors, measured_here, not_measured

# What pass two imports, in pieces: while workers measure there is time for it, and none of them waits.
LATER = ("scipy.special", "scipy.spatial", "catalogue_audit.runs.passtwo", "scipy.optimize", "scipy.interpolate", "scipy.stats", "ruptures")
COMMIT_SECONDS = 1.0  # between transactions; a killed run repeats at most what was measured in this time


class Measuring(NamedTuple):
    """How pass one is done; none of it changes a result."""

    jobs: int | None = None  # worker processes; by default one for each processor this process may use
    cluster: str | None = None  # address of a Dask scheduler; by default this machine's processes
    verify: bool = False  # read every file and go by its content, whatever its size and times say

    @property
    def workers(self):
        """Processes of this machine that work at once."""
        return self.jobs or available_processors()


def measure_delivery(delivery, entries, connection, version, *, limits, measuring=Measuring(), progress=None, row_of=None):
    """
    Facts of every entry of a delivery, from the store where it has them.

    Parameters
    ----------
    delivery : Delivery
    entries : list of Entry
    connection : sqlite3.Connection
        The store; results are kept as they come.
    version : str
        `store.measure_version()`.
    limits : FileLimits
    measuring : Measuring
    progress : callable, optional
        Called with (files done, files in all).
    row_of : callable, optional
        Called with (index, facts) as each file is done; what it returns is kept instead of the facts, which
        take ten times the memory of a row of the frames table.

    Returns
    -------
    list
        Facts (dict) or what `row_of` made of them, in the order of `entries`.
    """
    row_of = row_of or _facts_as_they_are
    location = shown_name(os.fsencode(delivery.location))
    results = [None] * len(entries)
    waiting = []
    for index, entry in enumerate(entries):
        facts = _known(connection, version, location, entry, limits, measuring.verify)
        if facts is None:
            waiting.append(index)
        else:
            results[index] = row_of(index, facts)
    done = len(entries) - len(waiting)
    if progress:
        progress(done, len(entries))
    committed, unread, later = time.monotonic(), False, iter(LATER)
    try:
        with contextlib.closing(_measured(delivery, entries, waiting, limits, measuring, connection, version)) as measured:
            for index, facts, sketch, read_at_ns in measured:
                results[index] = row_of(index, facts)
                unread |= facts["status"] == "not_measured"
                if sketch is not None:
                    store.keep(connection, version, facts["sha256"], facts, sketch)
                if read_at_ns:
                    store.remember(connection, location, entries[index], facts["sha256"], read_at_ns)
                if time.monotonic() - committed > COMMIT_SECONDS:
                    connection.commit()
                    committed = time.monotonic()
                done += 1
                if progress:
                    progress(done, len(entries))
                if (module := next(later, None)) is not None:
                    importlib.import_module(module)
    finally:
        connection.commit()  # also when the run is ended: what was measured is kept
    if (unread or done < len(entries)) and not delivery.still_there():  # no verdict on pictures that nobody could read
        msg = (
            f"The folder {delivery.name!r} went away while it was being read. No report was written.\n"
            "Make it available again and run the same command: what was measured is kept."
        )
        raise AuditError(msg)
    return results


def _facts_as_they_are(index, facts):
    return facts


def _known(connection, version, location, entry, limits, verify):
    """Facts of a file that need no reading of it, or None."""
    if entry.problem:
        return not_measured(entry, entry.problem)
    if verify or (entry.size or 0) > limits.max_bytes:
        return None
    content = store.recognise(connection, location, entry)
    return store.recall(connection, version, content) if content else None


def _measured(delivery, entries, waiting, limits, measuring, connection, version):
    """(index, facts, packed sketch or None where it is kept already, time of reading or 0) as files are done."""
    if measuring.cluster:
        from catalogue_audit.runs.cluster import measured_on_cluster

        return measured_on_cluster(measuring.cluster, delivery, entries, waiting, limits)
    return measured_here(delivery, entries, waiting, measuring.jobs, limits, (store.path_of(connection), version))


def settings_version(limits):
    """
    Version of pass one under some limits: what is kept under one limit says nothing about another.

    Parameters
    ----------
    limits : FileLimits

    Returns
    -------
    str
    """
    words = f"{store.measure_version()} {limits.max_pixels} {limits.memory_bytes}"
    return hashlib.sha256(words.encode()).hexdigest()
