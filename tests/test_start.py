"""The command starts at once: nothing heavy is imported to say how it is used."""

import resource
import subprocess
import sys
from pathlib import Path

import pytest

HEAVY = {"numpy", "cv2", "pandas", "pydantic", "matplotlib", "scipy", "pebble", "distributed", "fsspec", "sqlite3"}
COMMAND = Path(sys.executable).with_name("catalogue-audit")
MOST_SECONDS = 0.15  # of processor time


@pytest.mark.parametrize("arguments", [["--help"], ["review", "--help"], ["check-records", "--help"]])
def test_help_imports_nothing_heavy(arguments):
    timed = subprocess.run([sys.executable, "-X", "importtime", COMMAND, *arguments], capture_output=True, text=True, check=True)
    imported = {line.rpartition("|")[2].strip().partition(".")[0] for line in timed.stderr.splitlines() if "|" in line}
    assert "argparse" in imported
    assert imported & HEAVY == set()


def test_help_takes_little_processor_time():
    spent = []
    for _ in range(5):  # the least of five: a busy machine adds, never takes away
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([COMMAND, "--help"], capture_output=True, check=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        spent.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    assert min(spent) <= MOST_SECONDS
