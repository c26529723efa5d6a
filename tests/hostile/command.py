"""Running the command as a user does, and looking at what it leaves."""

import csv
import hashlib
import json
import os
import signal
import stat
import subprocess
import sys
import time
import uuid
from pathlib import Path

MARK = "CATALOGUE_AUDIT_TEST_MARK"
TABLES = ("frames", "findings", "marks", "products", "corrections", "changes")
PATIENCE = 600  # s; only a hang takes longer, also on a busy machine


def environment(home, **changes):
    """A small clean environment; `changes` replaces or adds."""
    return {"PATH": os.environ["PATH"], "HOME": str(home), "LANG": "C.UTF-8", MARK: uuid.uuid4().hex} | changes


def start(*arguments, cwd, env, **options):
    """The installed command, started in a session of its own."""
    command = [Path(sys.executable).with_name("catalogue-audit"), *map(os.fsdecode, map(os.fspath, arguments))]
    pipes = {"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    return subprocess.Popen(command, cwd=cwd, env=env, start_new_session=True, **(pipes | options))


def run(*arguments, cwd, env=None, **options):
    """(exit status, standard output, standard error) of the command; a death by signal n counts as 128 + n."""
    env = env or environment(cwd)
    process = start(*arguments, cwd=cwd, env=env, **options)
    try:
        out, errors = process.communicate(timeout=PATIENCE)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        raise
    return status_of(process), out.decode("utf-8", "surrogateescape"), errors.decode("utf-8", "surrogateescape")


def status_of(process):
    """Exit status as a shell tells it."""
    code = process.returncode
    return 128 - code if code < 0 else code


def alive(mark):
    """Command lines of processes that carry a mark in their environment, by id."""
    found = {}
    for place in Path("/proc").glob("[0-9]*"):
        try:
            if f"{MARK}={mark}".encode() in (place / "environ").read_bytes():
                found[int(place.name)] = (place / "cmdline").read_bytes().replace(b"\0", b" ").decode("utf-8", "replace")
        except OSError:
            continue
    return {number: line for number, line in found.items() if line}  # an empty one is a dead process not yet waited for


def left_alive(mark, seconds=15):
    """What still carries the mark after waiting at most some seconds for it to end."""
    end = time.monotonic() + seconds
    while (found := alive(mark)) and time.monotonic() < end:
        time.sleep(0.1)
    return found


def rows(report, table="frames"):
    """Rows of a table as any CSV reader gives them, apostrophes taken off."""
    with open(Path(report) / "tables" / f"{table}.csv", newline="", encoding="utf-8") as file:
        return [
            {name: cell[1:] if cell.startswith("'") else cell for name, cell in row.items()} for row in csv.DictReader(file)
        ]


def raw_cells(report, table):
    """Every cell of a table as it stands in the file."""
    yield from cells_of(Path(report) / "tables" / f"{table}.csv")


def cells_of(path):
    """Every cell of a CSV file."""
    with open(path, newline="", encoding="utf-8") as file:
        yield from (cell for row in csv.reader(file) for cell in row)


def summary(report):
    """The summary of a report."""
    return json.loads((Path(report) / "summary.json").read_text(encoding="utf-8"))


def table_bytes(report):
    """Bytes of the contract's tables."""
    return {name: (Path(report) / "tables" / f"{name}.csv").read_bytes() for name in TABLES}


def listing(folder):
    """Everything below a folder with kind, mode, size, times and content, to see whether anything changed."""
    found = {}
    for place, folders, files in os.walk(os.fsencode(folder)):
        for name in [*folders, *files]:
            path = os.path.join(place, name)
            facts = os.lstat(path)
            content = None
            if stat.S_ISREG(facts.st_mode) and facts.st_mode & 0o400:
                content = hashlib.sha256(Path(os.fsdecode(path)).read_bytes()).hexdigest()
            found[path] = (facts.st_mode, facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns, content)
    facts = os.lstat(folder)
    return found | {b".": (facts.st_mode, facts.st_mtime_ns)}


def reports(out):
    """Report folders of an output folder, oldest name first."""
    return sorted(path for path in Path(out).iterdir() if path.name[:2] == "20") if Path(out).is_dir() else []


def strays(out):
    """What an output folder holds besides reports and the work folder."""
    return sorted(path.name for path in Path(out).iterdir() if path.name[:2] != "20" and path.name != ".catalogue-audit")
