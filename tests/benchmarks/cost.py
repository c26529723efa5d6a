"""Processor time, memory and wall time of a command with all its descendants, and of simpler ways over the same files."""

import ctypes
import json
import os
import resource
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import NamedTuple

import numpy as np
import psutil
import simplejpeg

PR_SET_CHILD_SUBREAPER = 36  # linux/prctl.h
SAMPLE_SECONDS = 0.05


class Cost(NamedTuple):
    """
    What a command took.

    Attributes
    ----------
    cpu_s : float
        User and system time of the command and every descendant.
    wall_s : float
    parent_mb, worker_mb : float
        Highest resident memory of the command's first process, and of any other.
    """

    cpu_s: float
    wall_s: float
    parent_mb: float
    worker_mb: float


def cost_of(command):
    """
    Run a command to its end.

    Descendants that outlive their parent are adopted by this process (Linux), so that their time counts, too.

    Parameters
    ----------
    command : list of str

    Returns
    -------
    Cost

    Raises
    ------
    subprocess.CalledProcessError
        If the command ends with 2 or more; 1 says that findings were made.
    """
    others = {child.pid for child in psutil.Process().children()}
    peaks = {"parent": 0, "worker": 0}
    done = threading.Event()
    before, start = _children_cpu(), time.monotonic()
    _adopt(True)
    try:
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        watcher = threading.Thread(target=_watch, args=(process.pid, peaks, done))
        watcher.start()
        status = process.wait()
        wall = time.monotonic() - start
        done.set()
        watcher.join()
        while adopted := [child.pid for child in psutil.Process().children() if child.pid not in others]:
            os.waitpid(adopted[0], 0)
    finally:
        _adopt(False)
    if status > 1:
        raise subprocess.CalledProcessError(status, command)
    return Cost(_children_cpu() - before, wall, peaks["parent"] / 1e6, peaks["worker"] / 1e6)


def audit_command(folder, out, jobs):
    """The command of an audit that writes tables only."""
    options = ["--out", str(out), "--tables-only", "--jobs", str(jobs)]
    return [sys.executable, "-P", "-m", "catalogue_audit", "review", str(folder), *options]


def decoding_s(files):
    """CPU seconds of decoding all files once with simplejpeg into memory that is used again, the better of two rounds."""
    contents = [file.read_bytes() for file in files]
    sizes = [simplejpeg.decode_jpeg_header(data)[:2] for data in contents]
    buffer = np.zeros(3 * max(height * width for height, width in sizes), np.uint8)

    def once():
        start = time.process_time()
        for data in contents:
            simplejpeg.decode_jpeg(data, "RGB", buffer=buffer)
        return time.process_time() - start

    return min(once(), once())


def plain_script_s(files):
    """CPU seconds of what a short script does: decode in full with Pillow, hash, statistics and Exif of every file."""
    import cv2
    import exifread
    import imagehash
    from PIL import Image

    cv2.setNumThreads(1)
    start = time.process_time()
    for file in files:
        with file.open("rb") as opened:
            exifread.process_file(opened, details=False)
        with Image.open(file) as picture:
            pixels = np.asarray(picture)
            imagehash.phash(picture)
        grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
        cv2.meanStdDev(pixels)
        cv2.meanStdDev(cv2.Laplacian(grey, cv2.CV_64F))
        cv2.calcHist([grey], [0], None, [256], [0, 256])
    return time.process_time() - start


def stages_ms(files):
    """CPU milliseconds a file of every step of pass one, as a worker spends them, dearest first: list of (step, ms)."""
    from catalogue_audit.runs.workers import _WORKER_ENVIRONMENT

    command = [sys.executable, "-m", "benchmarks.cost", *map(str, files)]
    found = subprocess.run(command, env=os.environ | _WORKER_ENVIRONMENT | _SEE_TESTS, capture_output=True, text=True, check=True)
    return [tuple(row) for row in json.loads(found.stdout)]


def stages_here_ms(files, rounds=5):
    """`stages_ms` in this process: the best of some rounds."""
    import cv2

    from catalogue_audit.measures import measure

    cv2.setNumThreads(1)
    names = [name for name in vars(measure) if name in _STAGES or name.endswith(("_facts", "_sketch"))]
    spent, plain = dict.fromkeys(names, 0.0), {name: getattr(measure, name) for name in names}

    def timed(name):
        def step(*arguments):
            start = time.thread_time()
            try:
                return plain[name](*arguments)
            finally:
                spent[name] += time.thread_time() - start

        step.__name__ = name
        return step

    total = {"whole pass one": 0.0} | dict.fromkeys(names, 0.0)
    try:
        for name in names:
            setattr(measure, name, timed(name))
        for file in files:
            data, runs = file.read_bytes(), []
            for _ in range(rounds):
                spent.update(dict.fromkeys(names, 0.0))
                start = time.thread_time()
                measure.measure_bytes(data)
                runs.append({"whole pass one": time.thread_time() - start} | spent)
            for name in total:
                total[name] += min(run[name] for run in runs)
    finally:
        for name in names:
            setattr(measure, name, plain[name])
    return sorted(((name, 1000 * seconds / len(files)) for name, seconds in total.items()), key=lambda row: -row[1])


_STAGES = {
    "read_container", "read_exif", "read_rights", "decode", "fit_backdrop", "find_outline", "preview_jpeg", "thumbnail",
}  # fmt: skip


_SEE_TESTS = {"PYTHONPATH": str(Path(__file__).parents[1]), "PYTHONSAFEPATH": ""}


def _children_cpu():
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _adopt(wanted):
    """Whether descendants whose parent ends become children of this process."""
    ctypes.CDLL(None).prctl(PR_SET_CHILD_SUBREAPER, int(wanted))


def _watch(pid, peaks, done):
    """Keep the highest resident memory seen of a process and of its descendants."""
    try:
        first = psutil.Process(pid)
        while not done.wait(SAMPLE_SECONDS):
            peaks["parent"] = max(peaks["parent"], first.memory_info().rss)
            for other in first.children(recursive=True):
                peaks["worker"] = max(peaks["worker"], _resident(other))
    except psutil.Error:
        return


def _resident(process):
    try:
        return process.memory_info().rss
    except psutil.Error:
        return 0


if __name__ == "__main__":
    print(json.dumps(stages_here_ms([Path(name) for name in sys.argv[1:]])))
