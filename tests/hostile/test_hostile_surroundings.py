"""The command in odd surroundings: closed and full outputs, blocked signals, short memory, impossible time zones."""

import datetime
import errno
import io
import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from catalogue_audit import cli
from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.delivery.source import Entry, open_delivery
from catalogue_audit.errors import AuditError, MachineError
from catalogue_audit.report.notebooks import _scratch_folder
from catalogue_audit.runs import places
from catalogue_audit.runs.crew import Crew
from catalogue_audit.runs.pool import measured_here
from catalogue_audit.runs.review import review
from catalogue_audit.runs.writing import writable
from catalogue_audit.terminal import progress
from pebble import ProcessPool

from hostile import command
from hostile import pictures as p

COMMAND = Path(sys.executable).with_name("catalogue-audit")


def ended(*arguments, **options):
    """(status, standard output or None, standard error) of the command, a death by signal n as 128 + n."""
    streams = {"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    process = subprocess.run([COMMAND, *map(str, arguments)], timeout=command.PATIENCE, check=False, **(streams | options))
    told = (process.stderr or b"").decode()
    assert "Traceback" not in told
    return command.status_of(process), process.stdout, told


@pytest.fixture(scope="module")
def delivery(tmp_path_factory):
    folder = tmp_path_factory.mktemp("surroundings") / "delivery"
    folder.mkdir()
    (folder / "AB-1_front.jpg").write_bytes(p.jpeg())
    return folder


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full on this system")
def test_a_brief_that_standard_output_cannot_take_is_one_clear_line():
    with open("/dev/full", "wb") as full:
        status, _, errors = ended("brief", stdout=full)
    assert status == 3 and errors == "The brief could not be told on standard output: no space left on device.\n"


def test_closed_outputs_end_no_command_early():
    assert ended("brief", preexec_fn=lambda: os.close(1), stdout=None)[0] == 0
    assert ended("review", "/nonexistent", preexec_fn=lambda: os.close(2), stderr=None)[0] == 2
    reading, writing = os.pipe()
    os.close(reading)
    assert ended("brief", stdout=writing)[0] == 128 + signal.SIGPIPE
    assert ended("review", "/nonexistent", stderr=writing)[0] == 2
    os.close(writing)


@pytest.mark.slow
@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full on this system")
def test_a_report_whose_path_cannot_be_told_is_there_and_its_place_is_said(delivery, tmp_path):
    with open("/dev/full", "wb") as full:
        status, _, errors = ended("review", delivery, "--out", tmp_path, "--tables-only", stdout=full)
    (report,) = command.reports(tmp_path)
    assert status == 3 and f"The report is written: {report}" in errors and "No report" not in errors


@pytest.mark.slow
def test_signals_left_blocked_by_a_parent_neither_hang_the_run_nor_its_end(delivery, tmp_path):
    block = {"preexec_fn": lambda: signal.pthread_sigmask(signal.SIG_BLOCK, range(1, 32))}
    status, _, errors = ended("review", delivery, "--out", tmp_path, "--tables-only", **block)
    assert status in (0, 1), errors
    env = command.environment(tmp_path)
    process = command.start("review", delivery, "--out", tmp_path, cwd=tmp_path, env=env, **block)
    try:
        process.wait(timeout=2)
    except subprocess.TimeoutExpired:
        process.terminate()
    process.communicate(timeout=60)
    assert command.status_of(process) in (0, 1, 128 + signal.SIGTERM)
    assert command.left_alive(env[command.MARK], 5) == {}


@pytest.mark.parametrize("error", [MemoryError(), ImportError("libx.so: failed to map segment", name="numpy")])
def test_short_memory_is_told_as_what_it_is(monkeypatch, capsys, error):
    def fails(*_, **__):
        raise error

    monkeypatch.setattr("catalogue_audit.runs.brief.write_brief", fails)
    before = {number: signal.getsignal(number) for number in cli.ENDING_SIGNALS}
    try:
        assert cli.main(["brief"]) == 3
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    told = capsys.readouterr().err
    assert "memory" in told and "fault of the program" not in told and len(told.splitlines()) == 2


def test_a_failed_write_is_told_in_the_words_of_the_system(tmp_path):
    with pytest.raises(MachineError) as told, writable(tmp_path / "reports"):
        raise OSError(errno.ENOSPC, "Error writing bytes to file. Detail: [errno 28] No space left on device")
    assert str(told.value).startswith("Cannot write the report into 'reports': no space left on device.\n")


def test_a_machine_that_can_start_no_processes_is_told_as_what_it_is(monkeypatch):
    def fails(*_, **__):
        raise OSError(errno.EROFS, "Read-only file system")  # where /dev/shm cannot be written to

    monkeypatch.setattr(ProcessPool, "schedule", fails)
    here = open_delivery(str(Path(__file__).parent))
    with pytest.raises(MachineError, match="could not be started: read-only file system") as told:
        list(measured_here(here, [Entry("command.py")], [0], 1, load_brief().limits, None))
    assert "/dev/shm" in str(told.value)
    crew = Crew(1, dict, ())
    assert crew.spread(_twice, [1, 2, 3], {}) == [2, 4, 6]  # pass two goes on without processes
    crew.stop()


def _twice(given, item):
    return 2 * item


def test_a_folder_that_a_dying_process_writes_into_takes_not_the_place_of_what_ended_the_run(monkeypatch):
    remove, tries = shutil.rmtree, []

    def meets_a_new_file(path, **options):  # once, as a kernel that is only just ended leaves one
        tries.append(path)
        if len(tries) > 1:
            remove(path, **options)
        elif not options.get("ignore_errors"):
            raise OSError(errno.ENOTEMPTY, "Directory not empty")

    monkeypatch.setattr(shutil, "rmtree", meets_a_new_file)
    with pytest.raises(KeyboardInterrupt), _scratch_folder() as scratch:
        raise KeyboardInterrupt
    assert len(tries) == 2 and not scratch.exists()


@pytest.mark.parametrize("zone", ["XXX-99:99:99", ":/etc/passwd", "", "Nowhere/Land", "UTC+24"])
def test_any_time_zone_gives_a_time(zone):
    code = "from catalogue_audit.runs.places import local_time; print(local_time())"
    env = {**os.environ, "TZ": zone}
    told = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True).stdout
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d(:\d\d)?\n", told)
    now = datetime.datetime.fromisoformat(told.strip())
    assert abs((now - datetime.datetime.now(datetime.UTC)).total_seconds()) < 600


def test_an_output_folder_that_is_a_link_to_itself_is_refused(tmp_path):
    (tmp_path / "round").symlink_to("round")
    with pytest.raises(places.UsageError, match="leads back to itself"):
        places.output_folder(tmp_path / "round", None)


@pytest.mark.parametrize("option", [("--quiet-minutes", "nan"), ("--quiet-minutes", "inf"), ("--quiet-minutes", "-5"), ("--marker", "../x"), ("--marker", ""), ("--keep", "0")])
def test_an_impossible_option_of_the_timer_is_refused(tmp_path, capsys, option):
    with pytest.raises(SystemExit) as ended_with:
        cli.main(["scheduled", str(tmp_path), "--out", str(tmp_path / "out"), *option])
    assert ended_with.value.code == 2 and option[0] in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_what_a_thread_or_a_finaliser_raises_is_told_once_and_in_one_line():
    code = (
        "import threading\nfrom catalogue_audit import cli\ncli._tell_in_one_line()\n"
        "class Odd:\n    def __del__(self):\n        raise ValueError\n"
        "Odd()\n"
        "def broken():\n    return 1 / 0\n"
        "for _ in range(3):\n    thread = threading.Thread(target=broken)\n    thread.start()\n    thread.join()\n"
        "import warnings\nwarnings.warn('x')\n"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stderr.splitlines()
    assert [re.search(r"\((.*)\)", line)[1] for line in told] == ["ValueError in <string>, line 6", "ZeroDivisionError in <string>, line 9"]
    assert all("please report" in line for line in told)


@pytest.mark.parametrize("way", ["moved", "emptied"])  # a drive that was taken off leaves an empty place
def test_a_folder_that_goes_away_while_it_is_read_gets_no_verdict(tmp_path, way):
    folder, out = tmp_path / "delivery", tmp_path / "out"
    folder.mkdir()
    for name in ("AB-1_front.jpg", "AB-1_back.jpg"):
        (folder / name).write_bytes(p.jpeg())

    def take_away(done, total):
        if folder.exists():
            folder.rename(tmp_path / "elsewhere")
            if way == "emptied":
                folder.mkdir()

    with pytest.raises(AuditError, match="'delivery' went away while it was being read. No report was written") as raised:
        review(folder, out=out, jobs=1, tables_only=True, progress=take_away)
    assert raised.value.exit_status == 3 and command.reports(out) == []


def test_whoever_looks_on_is_told_what_goes_on_after_the_last_picture(monkeypatch):
    class Screen(io.StringIO):
        def isatty(self):
            return True

    screen = Screen()
    monkeypatch.setattr(sys, "stderr", screen)
    tell = progress()
    tell(1, 2)
    tell(2, 2)
    assert screen.getvalue() == "\r1 of 2 pictures measured\r2 of 2 pictures measured; comparing them and writing the report\n"
