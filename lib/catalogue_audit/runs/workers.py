"""
Worker processes that need nothing of the program that starts them.

By default a new process runs the main program's file again, to find functions
defined there. A script that calls the library without ``if __name__ ==
"__main__"`` would then start an audit in every worker, and a program from
standard input has no file at all. The workers here call functions of this
package only, so the main program is left alone.
"""

import contextlib
import os
import threading
from multiprocessing import forkserver, spawn
from multiprocessing.context import ForkServerContext, ForkServerProcess
from multiprocessing.popen_forkserver import Popen

_MAIN_PROGRAM = ("init_main_from_name", "init_main_from_path")  # what makes a new process run it, see multiprocessing.spawn.prepare
_PRELOADED = ["catalogue_audit.measures.measure", "catalogue_audit.runs.sketches"]  # by the server, once for all workers
# Arrays of picture size are otherwise given back to the kernel and faulted in again at every use.
_WORKER_ENVIRONMENT = {
    "MALLOC_MMAP_THRESHOLD_": "1073741824",
    "MALLOC_TRIM_THRESHOLD_": "1073741824",
    "MALLOC_ARENA_MAX": "2",
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "PYTHONSAFEPATH": "1",  # started inside a delivery, a worker must not import modules from it
}
_one_at_a_time = threading.Lock()


class _Started(Popen):
    def _launch(self, process):
        here = threading.get_ident()

        def without_main_program(name):
            data = prepared(name)
            if threading.get_ident() != here:  # a process that somebody else starts meanwhile
                return data
            return {key: value for key, value in data.items() if key not in _MAIN_PROGRAM}

        with _one_at_a_time:
            prepared = spawn.get_preparation_data
            spawn.get_preparation_data = without_main_program
            try:
                super()._launch(process)
            finally:
                spawn.get_preparation_data = prepared


class _Process(ForkServerProcess):
    @staticmethod
    def _Popen(process):
        return _Started(process)


class WorkerContext(ForkServerContext):
    """A multiprocessing context like ``forkserver``, whose processes do not run the main program's file."""

    Process = _Process


def server_of_workers():
    """
    The context that workers are started in, and with it the server process that starts them.

    The server imports what workers need while the program goes on: who will need workers asks for it early.
    """
    context = WorkerContext()
    context.set_forkserver_preload(_PRELOADED)
    with _environment(), _without_messages():
        forkserver.ensure_running()  # every worker, also one that takes the place of another, inherits its environment
    return context


@contextlib.contextmanager
def _without_messages():
    """
    Standard error leads nowhere meanwhile, and so for all processes started in the block.

    What Python says of a worker that was just starting when the program was stopped is nothing to its user.
    """
    try:
        before = os.dup(2)
    except OSError:  # closed from the start
        yield
        return
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)
        os.close(nowhere)
        yield
    finally:
        os.dup2(before, 2)
        os.close(before)


class _environment:
    """Environment of the workers, set while the process that forks them is started."""

    def __enter__(self):
        self._before = {name: os.environ.get(name) for name in _WORKER_ENVIRONMENT}
        for name, value in _WORKER_ENVIRONMENT.items():
            os.environ.setdefault(name, value)

    def __exit__(self, *error):
        for name, value in self._before.items():
            if value is None:
                os.environ.pop(name, None)
