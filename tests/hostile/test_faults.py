"""Faults: killed, ended, disk full, files that change, two runs at once; nothing is lost and no half report appears."""

import os
import random
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from hostile import command
from hostile import pictures as p

PICTURES = 12
KILLS = 10
SIGNALS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
FIRST_COUNT = (
    "import sys\nfrom catalogue_audit.runs.review import review\n"
    "if __name__ == '__main__':\n"
    "    review(sys.argv[1], out=sys.argv[2], tables_only=True, jobs=1, progress=lambda done, total: print(done, total))\n"
)

pytestmark = pytest.mark.slow  # each test runs the command as a process of its own


@pytest.fixture(scope="module")
def delivery(tmp_path_factory):
    folder = tmp_path_factory.mktemp("faults") / "delivery"
    folder.mkdir()
    for number in range(PICTURES):
        (folder / f"AB-{number // 2}_{('front', 'back')[number % 2]}.jpg").write_bytes(p.photograph(number, minute=number))
    return folder


@pytest.fixture(scope="module")
def undisturbed(delivery, tmp_path_factory):
    """Tables of a run that nothing disturbed, and the seconds it took."""
    out = tmp_path_factory.mktemp("undisturbed")
    began = time.monotonic()
    status, output, errors = audit(delivery, out)
    assert status in (0, 1), errors
    return {"tables": command.table_bytes(output.strip()), "seconds": time.monotonic() - began, "status": status}


def audit(delivery, out, *arguments, **options):
    return command.run("review", delivery, "--out", out, "--tables-only", "--jobs", "2", *arguments, cwd=delivery.parent, **options)


def begun(delivery, out, *arguments, tables_only=True):
    """A run that is under way, and the mark of its processes."""
    env = command.environment(delivery.parent)
    more = ("--tables-only",) if tables_only else ()
    process = command.start("review", delivery, "--out", out, "--jobs", "2", *more, *arguments, cwd=delivery.parent, env=env)
    return process, env[command.MARK]


def kept(out):
    """How many results the store of an output folder holds."""
    path = out / ".catalogue-audit" / "measures.sqlite3"
    if not path.is_file():
        return 0
    connection = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)
    try:
        return connection.execute("SELECT count(*) FROM measured").fetchone()[0]
    except sqlite3.OperationalError:
        return 0
    finally:
        connection.close()


def wait_for(condition, seconds=300):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it never came to that"
        time.sleep(0.02)


def only_whole_reports(out):
    """No half report under a final name: each has its summary, which is written last."""
    return all((report / "summary.json").is_file() for report in command.reports(out))


def kill_at(delivery, out, moment):
    process, mark = begun(delivery, out)
    try:
        process.wait(timeout=moment)
    except subprocess.TimeoutExpired:
        process.kill()
    process.communicate()
    assert command.left_alive(mark) == {}, "workers outlive a killed run"
    assert only_whole_reports(out)


def test_killed_again_and_again_the_run_ends_with_the_tables_of_an_undisturbed_one(delivery, undisturbed, tmp_path):
    moments = random.Random(4)
    for _ in range(KILLS):
        kill_at(delivery, tmp_path, moments.uniform(0.1, 1.1) * undisturbed["seconds"])
    status, output, errors = audit(delivery, tmp_path)
    assert status == undisturbed["status"], errors
    assert command.table_bytes(output.strip()) == undisturbed["tables"]
    assert command.strays(tmp_path) == []


@pytest.mark.slow
@pytest.mark.parametrize("number", range(25))
def test_each_of_twenty_five_kills_is_recovered(delivery, undisturbed, tmp_path, number):
    kill_at(delivery, tmp_path, random.Random(number).uniform(0.05, 1.0) * undisturbed["seconds"])
    status, output, errors = audit(delivery, tmp_path)
    assert status == undisturbed["status"], errors
    assert command.table_bytes(output.strip()) == undisturbed["tables"]
    assert command.strays(tmp_path) == []


def test_what_was_measured_before_a_kill_is_not_measured_again(delivery, tmp_path):
    process, mark = begun(delivery, tmp_path)
    wait_for(lambda: kept(tmp_path) >= 1 or process.poll() is not None)
    process.kill()
    process.communicate()
    before = kept(tmp_path)
    assert command.left_alive(mark) == {}
    assert before >= 1
    result = subprocess.run([sys.executable, "-c", FIRST_COUNT, delivery, tmp_path], capture_output=True, text=True, check=True, cwd=tmp_path.parent)
    assert result.stdout.splitlines()[0] == f"{before} {PICTURES}"


@pytest.mark.parametrize("number", SIGNALS, ids=lambda number: number.name)
def test_a_signal_ends_the_run_soon_and_cleanly(delivery, tmp_path, number):
    process, mark = begun(delivery, tmp_path)
    wait_for(lambda: (tmp_path / ".catalogue-audit" / "measures.sqlite3").is_file() or process.poll() is not None)
    began = time.monotonic()
    process.send_signal(number)
    out, errors = process.communicate(timeout=60)
    assert time.monotonic() - began < 15
    assert command.status_of(process) == 128 + number
    assert out == b"" and b"Traceback" not in errors
    assert errors.decode().strip() == "Stopped. Measured files are kept; the same command goes on from there."
    assert command.left_alive(mark, 5) == {}
    assert command.strays(tmp_path) == [] and command.reports(tmp_path) == []


@pytest.mark.slow
@pytest.mark.parametrize("number", SIGNALS, ids=lambda number: number.name)
def test_a_signal_while_notebooks_run_leaves_no_kernel(delivery, tmp_path, number):
    process, mark = begun(delivery, tmp_path, tables_only=False)
    wait_for(lambda: process.poll() is not None or any("catalogue_audit.report.kernel" in line for line in command.alive(mark).values()))
    time.sleep(2)
    began = time.monotonic()
    process.send_signal(number)
    _, errors = process.communicate(timeout=120)
    assert time.monotonic() - began < 15
    assert command.status_of(process) == 128 + number, errors
    assert b"Traceback" not in errors
    assert command.left_alive(mark, 5) == {}
    assert command.strays(tmp_path) == [] and command.reports(tmp_path) == []


@pytest.mark.slow
def test_a_run_killed_while_notebooks_run_leaves_no_kernel_for_long(delivery, tmp_path):
    process, mark = begun(delivery, tmp_path, tables_only=False)
    wait_for(lambda: process.poll() is not None or any("catalogue_audit.report.kernel" in line for line in command.alive(mark).values()))
    process.kill()
    process.communicate()
    assert command.left_alive(mark, 20) == {}
    assert command.reports(tmp_path) == []


@pytest.mark.parametrize("size", [1_000, 30_000, 150_000])
def test_a_limit_on_file_sizes_is_one_clear_line_and_nothing_is_damaged(delivery, undisturbed, tmp_path, size):
    def limit():
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))

    env = command.environment(delivery.parent, PYTHONDONTWRITEBYTECODE="1")  # Python itself would leave short .pyc files
    status, output, errors = audit(delivery, tmp_path, preexec_fn=limit, env=env)
    assert (status, output) == (3, ""), errors
    assert "Traceback" not in errors and errors.startswith("Cannot write the report into")
    assert command.reports(tmp_path) == [] and command.strays(tmp_path) == []
    status, output, errors = audit(delivery, tmp_path)
    assert status == undisturbed["status"], errors
    assert command.table_bytes(output.strip()) == undisturbed["tables"]
    assert not list((tmp_path / ".catalogue-audit").glob("*damaged*"))


@pytest.mark.parametrize("kilobytes", [64, 400])
def test_a_full_disk_is_one_clear_line_and_nothing_is_damaged(delivery, undisturbed, tmp_path, kilobytes):
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", tmp_path], capture_output=True, check=False)
    if mounted.returncode:
        pytest.skip("a small file system may not be mounted here")
    try:
        status, output, errors = audit(delivery, tmp_path / "out")
        assert (status, output) == (3, ""), errors
        assert "Traceback" not in errors and "space" in errors
        assert command.reports(tmp_path / "out") == [] and command.strays(tmp_path / "out") == []
        subprocess.run(["mount", "-o", "remount,size=50m", tmp_path], check=True)
        status, output, errors = audit(delivery, tmp_path / "out")
        assert status == undisturbed["status"], errors
        assert command.table_bytes(output.strip()) == undisturbed["tables"]
        assert not list((tmp_path / "out" / ".catalogue-audit").glob("*damaged*"))
    finally:
        subprocess.run(["umount", "-l", tmp_path], check=True)


def test_of_two_runs_at_once_one_works_and_the_other_leaves_with_four(delivery, undisturbed, tmp_path):
    first, mark = begun(delivery, tmp_path)
    wait_for(lambda: (tmp_path / ".catalogue-audit" / "measures.sqlite3").is_file() or first.poll() is not None)
    status, output, errors = audit(delivery, tmp_path)
    assert (status, output) == (4, ""), errors
    assert str(first.pid) in errors
    first.communicate(timeout=command.PATIENCE)
    assert first.returncode == undisturbed["status"]
    assert len(command.reports(tmp_path)) == 1
    assert command.left_alive(mark, 5) == {}


def test_files_that_vanish_or_change_while_they_are_read_cost_only_themselves(tmp_path, delivery):
    copy = tmp_path / "delivery"
    shutil.copytree(delivery, copy)
    blocked = copy / "AA-0_front.jpg"  # the first in order
    blocked.write_bytes(p.photograph(70))
    process, _ = begun(copy, tmp_path / "out")
    wait_for(lambda: (tmp_path / "out" / ".catalogue-audit" / "lock").is_file() or process.poll() is not None)
    (copy / "AB-5_back.jpg").unlink()
    (copy / "AB-5_front.jpg").write_bytes(p.photograph(71))
    _, errors = process.communicate(timeout=command.PATIENCE)
    assert process.returncode in (0, 1), errors
    found = {row["file"]: row for row in command.rows(command.reports(tmp_path / "out")[0])}
    assert len(found) == PICTURES + 1
    changed = [found[name] for name in ("AB-5_back.jpg", "AB-5_front.jpg")]
    for row in changed:
        assert row["status"] == "measured" or "Wait until" in row["reason"], row
    assert all(row["status"] == "measured" for name, row in found.items() if not name.startswith("AB-5"))


def test_a_file_that_takes_too_long_costs_one_row(tmp_path):
    folder = tmp_path / "delivery"
    folder.mkdir()
    (folder / "AB-1_front.jpg").write_bytes(p.jpeg())
    (folder / "AB-2_front.png").write_bytes(p.slow_png())
    (tmp_path / "brief.toml").write_text("[limits]\nseconds_per_file = 0.4\n")
    status, output, errors = audit(folder, tmp_path / "out", "--brief", "brief.toml")
    assert status == 1, errors
    found = {row["file"]: row for row in command.rows(output.strip())}
    assert found["AB-2_front.png"]["status"] == "not_measured"
    assert "longer than 0.4 s" in found["AB-2_front.png"]["reason"]


def test_a_file_that_needs_too_much_memory_costs_one_row(tmp_path):
    folder = tmp_path / "delivery"
    folder.mkdir()
    (folder / "AB-1_front.jpg").write_bytes(p.jpeg())
    (folder / "AB-2_front.png").write_bytes(p.slow_png())
    (tmp_path / "brief.toml").write_text("[limits]\nmemory_bytes = 60000000\n")
    status, output, errors = audit(folder, tmp_path / "out", "--brief", "brief.toml")
    assert status == 1, errors
    found = {row["file"]: row for row in command.rows(output.strip())}
    assert found["AB-1_front.jpg"]["status"] == "measured", found["AB-1_front.jpg"]["reason"]
    assert found["AB-2_front.png"]["status"] == "not_measured"
    assert "memory" in found["AB-2_front.png"]["reason"]


@pytest.mark.parametrize("name", ["measures.sqlite3", "history.sqlite3"])
def test_damaged_records_are_set_aside_with_a_note_in_the_report(delivery, undisturbed, tmp_path, name):
    audit(delivery, tmp_path)
    path = tmp_path / ".catalogue-audit" / name
    data = bytearray(path.read_bytes())
    data[2000:9000] = os.urandom(7000)
    path.write_bytes(data)
    status, output, errors = audit(delivery, tmp_path)
    assert status == undisturbed["status"], errors
    assert command.table_bytes(output.strip()) == undisturbed["tables"]
    assert len(list(path.parent.glob(f"{name}.damaged-*"))) == 1
    assert "set aside" in (Path(output.strip()) / "tables" / "more.json").read_text()


def test_a_changed_byte_is_measured_again_though_size_and_time_say_nothing_changed(tmp_path):
    folder = tmp_path / "delivery"
    folder.mkdir()
    picture = folder / "AB-1_front.png"
    whole = bytearray(p.save(p.bag(), "PNG"))
    picture.write_bytes(whole)
    time.sleep(2.2)  # else the first run does not trust the fresh times, and measures again for that reason
    before = picture.stat()
    _, first, _ = audit(folder, tmp_path / "out")
    whole[len(whole) // 2] ^= 0x10
    with open(picture, "r+b") as file:
        file.write(whole)
    os.utime(picture, ns=(before.st_atime_ns, before.st_mtime_ns))
    after = picture.stat()
    assert (after.st_size, after.st_mtime_ns, after.st_ino) == (before.st_size, before.st_mtime_ns, before.st_ino)
    _, second, _ = audit(folder, tmp_path / "out")
    (old,), (new,) = command.rows(first.strip()), command.rows(second.strip())
    assert old["status"] == "measured" and new["status"] == "not_measured" and old["sha256"] != new["sha256"]


def test_a_result_kept_under_one_limit_is_not_believed_under_another(tmp_path):
    folder = tmp_path / "delivery"
    folder.mkdir()
    (folder / "AB-1_front.jpg").write_bytes(p.jpeg())
    (tmp_path / "pixels.toml").write_text("[limits]\nmax_pixels = 1000\n")
    (tmp_path / "bytes.toml").write_text("[limits]\nmax_bytes = 1000\n")
    statuses = []
    for more in ((), ("--brief", "pixels.toml"), ("--brief", "bytes.toml"), ()):
        _, output, errors = audit(folder, tmp_path / "out", *more)
        statuses.append(command.rows(output.strip())[0]["status"])
    assert statuses == ["measured", "not_measured", "not_measured", "measured"], errors
