"""How the processes that measure files are started."""

import os
import subprocess
import sys

import pytest

START = """
import os
from multiprocessing import forkserver
from catalogue_audit.runs.pool import process_pool
pool = process_pool(1, ".", None, None)
print(os.readlink(f"/proc/{forkserver._forkserver._forkserver_pid}/fd/2"))
os.write(2, b"still heard")
pool.stop()
pool.join()
"""


def started():
    return subprocess.run([sys.executable, "-c", START], stdout=subprocess.PIPE, text=True, timeout=60, check=True, stderr=subprocess.PIPE)


@pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="this system does not show the open files of a process")
def test_python_s_words_about_a_worker_that_was_just_starting_reach_nobody():
    done = started()
    assert done.stdout.strip() == os.devnull
    assert done.stderr == "still heard"
