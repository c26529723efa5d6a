"""
Pass one on a Dask cluster: the same measuring, one file a task, results kept by the run that asked.

A Dask worker measures nothing itself: it hands each file to processes of its own that are
bounded as those of a local run are (`runs.pool`). So a file that hangs or eats memory costs
itself and no Dask worker, and a Dask worker that is ended costs no result: its files go to others.
"""

import contextlib
import multiprocessing
import threading
from concurrent.futures.process import BrokenProcessPool

from catalogue_audit.delivery.source import open_delivery
from catalogue_audit.errors import AuditError, UsageError
from catalogue_audit.runs import store
from catalogue_audit.runs.pool import IN_FLIGHT, POOL_STARTS, outcome, process_pool, start_measuring

CONNECT_SECONDS = 30
WORKERS_SECONDS = 120  # a cluster may start its workers when it is asked


def measured_on_cluster(address, delivery, entries, waiting, limits):
    """
    Measure files on the workers of a Dask cluster.

    Parameters
    ----------
    address : str
        The scheduler's, for example ``tcp://10.0.0.5:8786``.
    delivery : Delivery
        At a place that every worker can read: a URL, or a folder shared under the same path.
    entries, waiting, limits
        As in `runs.pool.measured_here`, and as it does, yields (index, facts, sketch, time of reading).

    Raises
    ------
    UsageError
        Dask is not installed, or the workers do not run this version of the program.
    AuditError
        The cluster cannot be reached, has no workers, or its workers cannot read the delivery.
    """
    if not waiting:
        return
    with _client(address) as client:
        task = (delivery.location, limits, store.measure_version())
        try:
            yield from _results(client, task, entries, waiting, limits)
        finally:
            with contextlib.suppress(Exception):  # the cluster may be gone; what it gave is kept
                client.run(_stop_pools, delivery.location)


@contextlib.contextmanager
def _client(address):
    try:
        import distributed
    except ImportError as error:
        msg = (
            "--cluster needs Dask, which is not installed.\n"
            "Install it with: pip install 'catalogue-audit[cluster]', or leave --cluster out."
        )
        raise UsageError(msg) from error
    try:
        client = distributed.Client(address, timeout=CONNECT_SECONDS, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        msg = f"No Dask scheduler answers at '{address}'.\nCheck the address (for example tcp://10.0.0.5:8786) and the network."
        raise AuditError(msg) from error
    with client:
        try:
            client.wait_for_workers(1, timeout=WORKERS_SECONDS)
        except TimeoutError as error:
            msg = f"The Dask cluster at '{address}' has no workers.\nStart some, or leave --cluster out."
            raise AuditError(msg) from error
        yield client


def _results(client, task, entries, waiting, limits):
    from distributed import as_completed

    queue = iter(waiting)
    running, ended = {}, {}
    finished = as_completed(loop=client.loop, raise_errors=False)

    def hand_out(index):
        future = client.submit(measure_on_worker, *task, entries[index], pure=False)
        running[future] = index
        finished.add(future)

    def fill():
        most = IN_FLIGHT * max(1, sum(client.nthreads().values()))
        while len(running) < most and (index := next(queue, None)) is not None:
            hand_out(index)

    fill()
    for future in finished:
        index = running.pop(future)
        if _was_lost(future):
            ended[index] = ended.get(index, 0) + 1
            if ended[index] == POOL_STARTS:
                raise AuditError("The cluster's workers were ended again and again.\nLook at their memory and their logs.")
            hand_out(index)
        else:
            yield index, *_checked(future, entries[index], limits)
            fill()


def _was_lost(future):
    """The workers that had this file were ended from outside, or the link to them was: nothing to do with the file."""
    from distributed import CancelledError, KilledWorker

    return future.status == "cancelled" or (
        future.status == "error" and isinstance(future.exception(), (KilledWorker, CancelledError, BrokenProcessPool, OSError))
    )


def _checked(future, entry, limits):
    error = future.exception() if future.status == "error" else None
    if isinstance(error, AuditError):
        raise error
    if isinstance(error, ImportError):
        msg = f"The cluster's workers lack a package ({error}).\nInstall this version of the program, with its requirements, on all of them."
        raise UsageError(msg) from error
    return outcome(future, entry, limits)


# -- what runs on a Dask worker ------------------------------------------------------------------------

_pools = {}  # of a Dask worker only: (location, limits) → processes that measure
_guard = threading.Lock()


def measure_on_worker(location, limits, version, entry):
    """
    (facts, packed sketch or None, time of reading) of one file; runs in a thread of a Dask worker.

    Raises
    ------
    AuditError
        This worker cannot read the delivery, or would measure otherwise than the run that asks.
    """
    pool = _pool(location, limits, version)
    future = start_measuring(pool, entry, limits)
    return outcome(future, entry, limits)


def _pool(location, limits, version):
    key = location, limits.model_dump_json()
    with _guard:
        if key not in _pools or not _pools[key].active:
            _refuse_another_version(version)
            _check_place(location)
            # A Dask worker may be a daemon, which multiprocessing lets have no children, lest they outlive it: ours end with it.
            multiprocessing.current_process()._config["daemon"] = False  # noqa: SLF001
            _pools[key] = process_pool(_threads(), location, limits, None)
        return _pools[key]


def _threads():
    from distributed import get_worker

    return get_worker().state.nthreads


def _refuse_another_version(version):
    if store.measure_version() != version:
        msg = "The cluster's workers run another version of the measures or of their libraries.\nInstall the same version, with its requirements, on all of them."
        raise UsageError(msg)


def _check_place(location):
    try:
        open_delivery(location)
    except AuditError as error:
        msg = f"A worker of the cluster cannot read the delivery: {error}\nGive the delivery as a URL, or share its folder under the same path."
        raise AuditError(msg) from error


def _stop_pools(location):
    """End the processes of a delivery that is done."""
    with _guard:
        for key in [key for key in _pools if key[0] == location]:
            pool = _pools.pop(key)
            pool.stop()
            pool.join()
