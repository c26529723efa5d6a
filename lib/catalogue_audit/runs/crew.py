"""
Worker processes for pass two: what `statistics.spread` hands out is worked out by several at once, from sketches that each reads for itself.

A process that is ended costs no result: what it was at is worked out here. No result depends on where it was worked out.
"""

import math
import time
from concurrent.futures import FIRST_COMPLETED, wait

from pebble import ProcessPool

from catalogue_audit.runs.pool import IN_FLIGHT, at_work
from catalogue_audit.runs.workers import server_of_workers

SHARES = 8  # of the items for each process: enough that none waits long for another's last one
MOST_ITEMS = 64  # handed out at once
QUICK_SECONDS = 0.02  # a share done in less costs as much to hand over and fetch: the next ones are larger


class Crew:
    """Processes of this machine that read the sketches of one store; started when first needed, stopped by `stop`."""

    def __init__(self, workers, reader, where):
        """`reader` is a class of sketches; ``reader(*where)`` gives each process its own."""
        self._workers = workers
        self._reader, self._where = reader, where
        self._pool = None
        self._broken = False

    def spread(self, function, items, given):
        """
        Results of ``function(given, item)``, of the workers' own sketches or what they have at hand instead of `given`.

        What fails in a worker is done here, so that an error is the same as without workers.
        """
        here = lambda share: [function(given, item) for item in share]
        kind = None if isinstance(given, self._reader) else type(given)
        size = min(max(math.ceil(len(items) / (SHARES * self._workers)), 1), MOST_ITEMS)
        results, running, start = {}, {}, 0  # results by the place of a share's first item
        while True:
            while len(running) < self._workers * IN_FLIGHT and start < len(items):
                share = items[start : start + size]
                future = self._handed_out(function, share, kind)
                if future is None:
                    results[start] = here(share)
                else:
                    running[future] = start, share
                start += len(share)
            if not running:
                return [result for _, found in sorted(results.items(), key=lambda share: share[0]) for result in found]
            finished, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in finished:
                first, share = running.pop(future)
                results[first], seconds = (here(share), math.inf) if future.exception() else future.result()
                if seconds < QUICK_SECONDS:
                    size = min(2 * size, MOST_ITEMS)

    def _handed_out(self, function, share, kind):
        """Future of a share's results; None where there are no processes left."""
        if self._broken:
            return None
        try:
            self._pool = self._pool or ProcessPool(self._workers, context=server_of_workers(), initializer=_start, initargs=(self._reader, self._where))
            return self._pool.schedule(_worked_out, args=(function, share, kind))
        except (RuntimeError, OSError):  # what pebble says of a pool all of whose processes were ended; none can be started
            self._broken = True
            return None

    def stop(self):
        """End the processes, whatever they are at."""
        if self._pool is not None:
            self._pool.stop()
            self._pool.join()
            self._pool = None


_worker = {}  # of a worker process only: its sketches, and what it last had at hand


def _start(reader, where):
    at_work()
    _worker.update(sketches=reader(*where), at_hand=None)


def _worked_out(function, share, kind):
    """A share's results, and the seconds of processor time that they took."""
    begun = time.process_time()
    given = _worker["sketches"]
    if kind is not None:
        if type(_worker["at_hand"]) is not kind:
            _worker["at_hand"] = kind(given)
        given = _worker["at_hand"]
    return [function(given, item) for item in share], time.process_time() - begun
