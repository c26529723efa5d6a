"""
Worker processes that need nothing of the program that starts them.

By default a new process runs the main program's file again, to find functions
defined there. A script that calls the library without ``if __name__ ==
"__main__"`` would then start an audit in every worker, and a program from
standard input has no file at all. The workers here call functions of this
package only, so the main program is left alone.
"""

import threading
from multiprocessing import spawn
from multiprocessing.context import ForkServerContext, ForkServerProcess
from multiprocessing.popen_forkserver import Popen

_MAIN_PROGRAM = ("init_main_from_name", "init_main_from_path")  # what makes a new process run it, see multiprocessing.spawn.prepare
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
