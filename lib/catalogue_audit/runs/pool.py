"""
Worker processes of this machine: one file at a time each, bounded in time and memory.

A file that hangs, or takes its worker down with it, costs itself and nothing
else: it becomes a row with a reason.
"""

import contextlib
import hashlib
import os
import resource
import signal
import time
from concurrent.futures import FIRST_COMPLETED, TimeoutError, wait
from concurrent.futures.process import BrokenProcessPool

from pebble import ProcessExpired, ProcessPool

from catalogue_audit.delivery.source import open_delivery
from catalogue_audit.errors import MachineError, UnreadablePicture
from catalogue_audit.runs import store
from catalogue_audit.runs.workers import server_of_workers

IN_FLIGHT = 3  # files handed out per worker: enough to keep it busy, few enough to bound memory
POOL_STARTS = 4  # a pool all of whose workers were ended from outside is begun anew, at most this often

UNFORESEEN = (
    "something in this file is of a kind that the measuring program does not foresee, so it was not measured; "
    "ask for a fresh export as a plain baseline JPEG"
)


def available_processors():
    """Processors this process may run on."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def measured_here(delivery, entries, waiting, jobs, limits, kept):
    """
    Measure files in processes of this machine.

    Parameters
    ----------
    delivery : Delivery
    entries : list of Entry
    waiting : list of int
        Which of them.
    jobs : int or None
        Worker processes; by default one for each processor this process may use.
    limits : FileLimits
    kept : tuple or None
        Path of the store and the version of what may be taken from it.

    Yields
    ------
    index : int
    facts : dict
    sketch : bytes or None
        Packed; None where it is kept already, or there is none.
    read_at_ns : int
        When the file was read; 0 where nothing may be concluded from it.
    """
    left = dict.fromkeys(waiting)
    for _ in range(POOL_STARTS):
        if not left or not delivery.still_there():  # no process opens a folder that went away: the caller says so
            return
        with contextlib.suppress(BrokenProcessPool):
            for found in _measured_by_one_pool(delivery, entries, list(left), jobs, limits, kept):
                del left[found[0]]
                yield found
    if left:
        fewer = "" if jobs == 1 else ", or pass --jobs 1"
        msg = f"The measuring processes were ended from outside again and again.\nLook at the machine's memory and its limit on open files (ulimit -n){fewer}."
        raise MachineError(msg)


def _measured_by_one_pool(delivery, entries, waiting, jobs, limits, kept):
    workers = max(1, min(jobs or available_processors(), len(waiting)))
    queue = iter(waiting)
    with _stopped_at_the_end(process_pool(workers, delivery.location, limits, kept)) as pool:
        running = {}
        _hand_out(pool, queue, entries, running, workers * IN_FLIGHT, limits)
        while running:
            finished, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in sorted(finished, key=running.get):
                index = running.pop(future)
                yield index, *outcome(future, entries[index], limits)
            _hand_out(pool, queue, entries, running, workers * IN_FLIGHT, limits)


@contextlib.contextmanager
def _stopped_at_the_end(pool):
    """The pool, its workers ended at the end of the block without waiting for what they are at."""
    try:
        yield pool
    finally:
        pool.stop()
        pool.join()


def _hand_out(pool, queue, entries, running, most, limits):
    while len(running) < most and (index := next(queue, None)) is not None:
        running[start_measuring(pool, entries[index], limits)] = index


def start_measuring(pool, entry, limits):
    """Future of one file's `measure_file`, which ends with the time that a file may take."""
    try:
        return pool.schedule(measure_file, args=(entry,), timeout=limits.seconds_per_file)
    except RuntimeError as error:  # what pebble says of a pool that broke in between
        raise BrokenProcessPool from error
    except OSError as error:  # its first call starts the processes and makes what they talk through
        msg = (
            f"The measuring processes could not be started: {(error.strerror or 'unknown reason').lower()}.\n"
            "They need shared memory (/dev/shm: a container may have to be given it) and some open files each (ulimit -n)."
        )
        raise MachineError(msg) from error


def outcome(future, entry, limits):
    """(facts, sketch, time of reading) of one finished file, whatever became of its process."""
    try:
        return future.result()
    except TimeoutError:
        reason = (
            f"measuring this file took longer than {limits.seconds_per_file:g} s, so it was given up; "
            "ask for a fresh export as a plain baseline JPEG"
        )
    except ProcessExpired:
        reason = "measuring this file needed more memory than allowed, or stopped the measuring program; ask for a fresh export"
    except BrokenProcessPool:
        raise
    except Exception:  # noqa: BLE001 - one bad file never costs another file's result
        reason = UNFORESEEN
    return not_measured(entry, reason), None, 0


def not_measured(entry, reason):
    """Facts of a file of which nothing is known but why."""
    facts = {"status": "not_measured", "reasons": (reason,)}
    if entry.size is not None:
        facts["bytes"] = entry.size
    return facts


def process_pool(workers, location, limits, kept):
    """Processes that measure files of a delivery; the caller stops them."""
    return ProcessPool(
        max_workers=workers,
        context=server_of_workers(),
        initializer=_start_worker,
        initargs=(location, limits, kept),
    )


_worker = {}  # of a worker process only: its delivery, its limits and where earlier results are kept


def at_work():
    """Make this process a worker: silent, of one thread, ended by and with the program that started it only."""
    import cv2

    _silence()
    cv2.setNumThreads(1)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    _end_with_parent()


def _start_worker(location, limits, kept):
    at_work()
    if limits.memory_bytes:
        resource.setrlimit(resource.RLIMIT_AS, (_address_space() + limits.memory_bytes,) * 2)
    _worker.update(delivery=open_delivery(location), limits=limits, kept=store.open_kept(*kept) if kept else None)


def measure_file(entry):
    """(facts, packed sketch or None, time of reading) of one file, in a process of the pool."""
    from catalogue_audit.measures.measure import Limits, measure_bytes
    from catalogue_audit.measures.sketch import pack_sketch

    limits = _worker["limits"]
    read_at_ns = time.time_ns()
    try:
        data = _worker["delivery"].read(entry.name, limits.max_bytes, entry)
    except UnreadablePicture as problem:
        return not_measured(entry, str(problem)), None, 0
    try:
        content = hashlib.sha256(data).hexdigest()
        if _worker["kept"] and (facts := _worker["kept"](content)):  # the same content under another name, or moved here
            return facts, None, read_at_ns
        facts, sketch = measure_bytes(data, Limits(limits.max_pixels), content)
        return facts, pack_sketch(sketch), read_at_ns
    except MemoryError:
        reason = "measuring this file needs more memory than allowed; ask for a smaller export"
        return not_measured(entry, reason), None, 0
    except Exception:  # noqa: BLE001 - one bad file never costs another file's result
        return not_measured(entry, UNFORESEEN), None, 0


def _silence():
    """Decoders write what they find in damaged files straight to the terminal; the row's reason says it better."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for descriptor in (1, 2):
        os.dup2(nowhere, descriptor)
    os.close(nowhere)


def _address_space():
    """Bytes of address space in use, so that the limit counts what a file adds."""
    try:
        with open("/proc/self/statm") as statm:
            return int(statm.read().split()[0]) * resource.getpagesize()
    except OSError:
        return 2 << 30


def _end_with_parent():
    """Ask Linux to end this process with the one that started it, however that ends."""
    try:
        import ctypes

        ctypes.CDLL(None).prctl(1, signal.SIGKILL)  # 1 is PR_SET_PDEATHSIG, linux/prctl.h
    except (AttributeError, OSError):
        pass
