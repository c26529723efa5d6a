"""The run nobody watches: what it takes up, what it leaves, and what being killed costs."""

import hashlib
import json
import logging
import os
import random
import shutil
import signal
import sqlite3
import stat
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest
from bs4 import BeautifulSoup
from catalogue_audit.errors import AuditError, MachineError, UsageError
from catalogue_audit.report.index import write_index
from catalogue_audit.runs import history, scheduled as runs
from catalogue_audit.runs.review import Review
from catalogue_audit.runs.scheduled import delivery_state, scheduled
from making_audit import paint_bag
from making_files import save

VIEWS = ("three_quarter", "front", "back", "detail")
LATER = 3600.0  # seconds after the deliveries were written: quiet


def _fill(folder, skus=("B100",), views=VIEWS):
    """A small delivery of painted bags."""
    folder.mkdir(parents=True, exist_ok=True)
    for number, sku in enumerate(skus):
        for view in views:
            array, _ = paint_bag((90 + 20 * number, 70, 60), "detail" if view == "detail" else "front")
            (folder / f"{sku}_{view}.jpg").write_bytes(save(array[::2, ::2], "JPEG", quality=92))
    return folder


@pytest.fixture
def inbox(tmp_path):
    for name in ("drop_1", "drop_2"):
        folder = tmp_path / "inbox" / name
        folder.mkdir(parents=True)
        (folder / "B100_front.jpg").write_bytes(b"a picture")
    return tmp_path / "inbox"


@pytest.fixture
def audits(monkeypatch):
    """Audits replaced by a stand-in that records and publishes as the real one does; gives the names audited."""
    done, trouble = [], {}

    def audit(run, folder, state):
        done.append(folder.name)
        if folder.name in trouble:
            raise trouble[folder.name]
        number = len(done)
        report = next(path for path in (run.out / f"2026-03-02_{folder.name}_{n}" for n in range(1, 99)) if not path.exists())
        report.mkdir()
        summary = {
            "delivery": folder.name, "audited_at": f"2026-03-02T10:00:{number:02d}+00:00", "stage": "originals", "verdict": "accept", "exit_status": 0,
            "files": 1, "verdict_sentence": "Accept.", "findings_by_severity": {},
        }  # fmt: skip
        (report / "summary.json").write_text(json.dumps(summary))
        from catalogue_audit.statistics.tables import table_from_rows

        frames, findings = table_from_rows("frames", []), table_from_rows("findings", [])
        row = history.record_audit(run.history, str(folder), state, summary, frames, findings)
        history.record_report(run.history, row, report.name)
        return Review(report, summary, 0)

    monkeypatch.setattr(runs, "_audit", audit)
    audit.done, audit.trouble = done, trouble
    return audit


def _run(inbox, **options):
    return {outcome.delivery: outcome.done for outcome in scheduled(inbox, **({"out": inbox.parent / "out", "now": time.time() + LATER} | options))}


class TestWhatIsTakenUp:
    def test_finished_deliveries_once_and_again_only_when_they_change(self, inbox, audits):
        assert _run(inbox) == {"drop_1": "audited", "drop_2": "audited"}
        assert _run(inbox) == {"drop_1": "unchanged", "drop_2": "unchanged"}
        (inbox / "drop_2" / "B101_front.jpg").write_bytes(b"one more")
        assert _run(inbox) == {"drop_1": "unchanged", "drop_2": "audited"}
        assert audits.done == ["drop_1", "drop_2", "drop_2"]

    def test_what_still_arrives_is_left_until_quiet_or_marked_complete(self, inbox, audits):
        (inbox / "drop_2" / "complete").touch()
        assert _run(inbox, now=time.time()) == {"drop_1": "arriving", "drop_2": "audited"}
        assert _run(inbox, now=time.time() + 601) == {"drop_1": "audited", "drop_2": "unchanged"}

    def test_an_empty_folder_and_one_that_lost_a_file_may_still_be_changing(self, inbox, audits):
        (inbox / "drop_3").mkdir()
        (inbox / "drop_4" / "details").mkdir(parents=True)
        assert set(_run(inbox, now=time.time()).values()) == {"arriving"}
        (inbox / "drop_1" / "wrong.jpg").write_bytes(b"1")
        (inbox / "drop_1" / "wrong.jpg").unlink()
        assert delivery_state(inbox / "drop_1", now=time.time() + 1)[1] >= (inbox / "drop_1").stat().st_ctime

    def test_a_marker_that_is_no_plain_file_marks_nothing(self, inbox, audits):
        (inbox / "drop_1" / "complete").mkdir()
        (inbox / "drop_2" / "complete").symlink_to("/etc/passwd")
        assert set(_run(inbox, now=time.time()).values()) == {"arriving"}

    def test_links_and_hidden_folders_are_no_deliveries(self, inbox, audits):
        (inbox / ".trash").mkdir()
        (inbox / "elsewhere").symlink_to(inbox / "drop_1")
        (inbox / "note.txt").write_text("hello")
        assert set(_run(inbox)) == {"drop_1", "drop_2"}

    @pytest.mark.parametrize("days", [-30, -1, -0.1])
    def test_a_clock_set_back_delays_a_delivery_by_one_quiet_time_at_most(self, inbox, audits, days):
        now = time.time() + days * 86400
        assert set(_run(inbox, now=now).values()) == {"arriving"}
        assert set(_run(inbox, now=now + 300).values()) == {"arriving"}
        assert set(_run(inbox, now=now + 601).values()) == {"audited"}
        assert set(_run(inbox, now=now - 5 * 86400).values()) == {"unchanged"}

    def test_a_file_that_claims_the_future_is_judged_by_when_it_came(self, inbox, audits):
        ahead = time.time() + 400 * 86400
        os.utime(inbox / "drop_1" / "B100_front.jpg", (ahead, ahead))
        assert _run(inbox, now=time.time() + 601)["drop_1"] == "audited"

    def test_a_clock_change_is_no_change_of_a_delivery(self, inbox, audits, monkeypatch):
        _run(inbox)
        for zone in ("Pacific/Chatham", "America/St_Johns", "no such zone"):
            monkeypatch.setenv("TZ", zone)
            time.tzset()
            assert set(_run(inbox).values()) == {"unchanged"}
        monkeypatch.delenv("TZ")
        time.tzset()


class TestFailures:
    def test_one_failure_stops_no_other_and_is_tried_again_with_a_limit(self, inbox, audits, caplog):
        audits.trouble["drop_1"] = ValueError("secret words of a library")
        with caplog.at_level(logging.INFO, "catalogue_audit.scheduled"):
            assert _run(inbox) == {"drop_1": "failed", "drop_2": "audited"}
            for expected in ("failed", "failed", "given_up", "given_up"):
                assert _run(inbox)["drop_1"] == expected
        assert audits.done.count("drop_1") == 3
        assert "unforeseen ValueError" in caplog.text and "secret words" not in caplog.text and "Traceback" not in caplog.text
        (inbox / "drop_1" / "B101_front.jpg").write_bytes(b"mended")
        del audits.trouble["drop_1"]
        assert _run(inbox)["drop_1"] == "audited"

    @pytest.mark.parametrize("trouble", [MachineError("Cannot write the report into 'out': no space left on device."), MemoryError()], ids=["disk", "memory"])
    def test_what_the_machine_lacks_is_told_and_no_attempt_of_the_delivery(self, inbox, audits, caplog, trouble):
        audits.trouble["drop_1"] = trouble
        for _ in range(runs.ATTEMPTS + 2):
            found = scheduled(inbox, out=inbox.parent / "out", now=time.time() + LATER)
            assert (found[0].done, found[0].exit_status, found[1].done in ("audited", "unchanged")) == ("failed", 3, True)
        assert "no space left" in caplog.text or "not enough memory" in caplog.text
        del audits.trouble["drop_1"]
        assert _run(inbox)["drop_1"] == "audited"

    def test_status_is_the_worst_and_a_given_up_delivery_keeps_its_own(self, inbox, audits):
        audits.trouble["drop_1"] = UsageError("No readable image.")
        outcomes = [scheduled(inbox, out=inbox.parent / "out", now=time.time() + LATER)[0] for _ in range(4)]
        assert [outcome.exit_status for outcome in outcomes] == [2, 2, 2, 2]
        assert outcomes[-1].done == "given_up"

    def test_an_incomplete_report_is_tried_again_and_then_left(self, inbox, audits, monkeypatch):
        whole = runs._audit
        monkeypatch.setattr(runs, "_audit", lambda *args: whole(*args)._replace(exit_status=AuditError.exit_status))
        for _ in range(5):
            _run(inbox)
        assert audits.done.count("drop_1") == 3
        (inbox / "drop_1" / "new.jpg").write_bytes(b"1")
        monkeypatch.setattr(runs, "_audit", whole)
        assert [_run(inbox)["drop_1"] for _ in range(3)] == ["audited", "unchanged", "unchanged"]

    def test_a_wrong_brief_is_one_error_of_the_command(self, inbox, audits, tmp_path):
        brief = tmp_path / "brief.toml"
        brief.write_text("this is = = no brief")
        with pytest.raises(UsageError):
            _run(inbox, brief=brief)
        assert audits.done == []

    def test_no_inbox_and_an_output_inside_it_are_refused(self, inbox):
        with pytest.raises(UsageError, match="no inbox folder"):
            scheduled(inbox / "none", out=inbox.parent / "out")
        with pytest.raises(UsageError, match="lies inside"):
            scheduled(inbox, out=inbox / "drop_1" / "out")


class TestAfterwards:
    def test_old_reports_go_only_when_asked(self, inbox, audits):
        for number in range(4):
            (inbox / "drop_1" / f"more_{number}.jpg").write_bytes(b"1")
            _run(inbox)
        out = inbox.parent / "out"
        keepsake = out / "2026-03-02_drop_1_kept_by_hand"
        keepsake.mkdir()
        assert len(list(out.glob("2026*_drop_1_[0-9]*"))) == 4
        (inbox / "drop_1" / "last.jpg").write_bytes(b"1")
        _run(inbox, keep=2)
        assert len(list(out.glob("2026*_drop_1_[0-9]*"))) == 2 and keepsake.is_dir()
        index = json.loads((out / "index.json").read_text())
        assert [audit["present"] for audit in index["audits"] if audit["delivery"] == "drop_1"] == [False] * 3 + [True] * 2

    @pytest.mark.parametrize("keep", [1, 2])
    def test_a_removed_reports_name_taken_anew_is_the_new_reports(self, inbox, audits, keep):
        """On one day the lowest free number is taken, so a removed report's name comes again."""
        out = inbox.parent / "out"
        for number in range(5):
            (inbox / "drop_1" / f"more_{number}.jpg").write_bytes(b"1")
            (outcome,) = (one for one in scheduled(inbox, out=out, now=time.time() + LATER, keep=keep) if one.delivery == "drop_1")
            assert (out / outcome.report / "summary.json").is_file()
            assert len(list(out.glob("2026*_drop_1_*"))) == min(keep, number + 1)
        index = json.loads((out / "index.json").read_text())
        assert [audit["present"] for audit in index["audits"] if audit["delivery"] == "drop_1"] == [False] * (5 - keep) + [True] * keep

    def test_the_users_command_gets_the_summary_and_no_shell(self, inbox, audits, tmp_path):
        script = tmp_path / "tell the team"
        script.write_text(f'#!/bin/sh\necho "$@" >> {tmp_path}/told\n')
        script.chmod(script.stat().st_mode | stat.S_IXUSR)
        _run(inbox, on_report=f"'{script}' '; touch {tmp_path}/harm' $HOME")
        lines = (tmp_path / "told").read_text().splitlines()
        assert len(lines) == 2 and lines[0].endswith("summary.json") and "$HOME" in lines[0]
        assert not (tmp_path / "harm").exists()

    @pytest.mark.parametrize("command", ["/no/such/program", "false", "'unclosed", ""])
    def test_a_command_that_fails_changes_nothing(self, inbox, audits, command, caplog):
        assert set(_run(inbox, on_report=command).values()) == {"audited"}
        assert ("command after the report" in caplog.text) == bool(command)

    def test_a_command_that_hangs_is_ended_with_what_it_started(self, inbox, audits, monkeypatch, caplog):
        monkeypatch.setattr(runs, "COMMAND_SECONDS", 0.5)
        _run(inbox, on_report="sh -c 'sleep 61; true'")
        assert "was ended" in caplog.text
        assert "sleep 61" not in subprocess.run(["ps", "-eo", "args"], capture_output=True, text=True, check=True).stdout.replace("'sleep 61; true'", "")

    def test_the_index_follows_after_a_kill_between_report_and_index(self, inbox, audits):
        out = inbox.parent / "out"
        _run(inbox)
        whole = (out / "index.json").read_text()
        (out / "index.json").write_text('{"audits": []}')
        (out / "index.html.part").write_text("half")
        (out / ".removing-2026-03-02_drop_1").mkdir()
        assert set(_run(inbox).values()) == {"unchanged"}
        assert (out / "index.json").read_text() == whole
        assert not list(out.glob("*.part")) and not list(out.glob(".removing-*"))

    def test_nothing_is_written_into_the_inbox(self, inbox, audits):
        before = {path: path.stat().st_mtime_ns for path in sorted(inbox.rglob("*"))}
        _run(inbox)
        assert {path: path.stat().st_mtime_ns for path in sorted(inbox.rglob("*"))} == before


def _unchanged_runs(inbox, times):
    _run(inbox)
    out = inbox.parent / "out"
    before = {path: (path.stat().st_mtime_ns, path.stat().st_ino) for path in out.rglob("*") if path.is_file() and ".catalogue-audit" not in path.parts}
    slowest = 0.0
    for _ in range(times):
        start = time.process_time()
        assert set(_run(inbox).values()) == {"unchanged"}
        slowest = max(slowest, time.process_time() - start)
    assert {path: (path.stat().st_mtime_ns, path.stat().st_ino) for path in out.rglob("*") if path.is_file() and ".catalogue-audit" not in path.parts} == before
    return slowest


@pytest.fixture
def full_inbox(inbox):
    """40 deliveries of 50 files."""
    for number in range(3, 41):
        folder = inbox / f"drop_{number}"
        folder.mkdir()
        for file in range(50):
            (folder / f"{file}.jpg").touch()
    return inbox


def test_runs_over_an_unchanged_inbox_do_nothing(full_inbox, audits):
    assert _unchanged_runs(full_inbox, 20) < 2.0  # processor seconds of a run


@pytest.mark.slow
def test_a_thousand_runs_over_an_unchanged_inbox_do_nothing(full_inbox, audits):
    assert _unchanged_runs(full_inbox, 1000) < 2.0


# -- whole runs, as a timer starts them -----------------------------------------------------------

COMMAND = [sys.executable, "-m", "catalogue_audit", "scheduled"]


def _environment(**more):
    """What a timer gives, and where Python finds the library when it is not installed."""
    kept = {name: os.environ[name] for name in ("PATH", "PYTHONPATH") if name in os.environ}
    return kept | {"OPENBLAS_NUM_THREADS": "1"} | more


def _command(inbox, out, *options, **settings):
    arguments = [*COMMAND, str(inbox), "--out", str(out), "--tables-only", "--jobs", "1", "--quiet-minutes", "0", *options]
    return subprocess.Popen(arguments, env=_environment(**settings), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True)


def _finish(process, timeout=540):
    out, err = process.communicate(timeout=timeout)
    return process.returncode, out, err


def _tables(out):
    """Bytes of all tables by delivery and table."""
    return {
        (json.loads(path.read_text())["delivery"], table.name): table.read_bytes()
        for path in sorted(out.glob("20*/summary.json"))
        for table in sorted((path.parent / "tables").glob("*.csv"))
    }


def _in_store(out, *statements):
    """Rows of the last of these statements on the store of results."""
    connection = sqlite3.connect(out / ".catalogue-audit" / "measures.sqlite3", isolation_level=None)
    try:
        return [connection.execute(statement).fetchall() for statement in statements][-1]
    finally:
        connection.close()


def _strays(out):
    return [path.name for path in out.rglob("*") if path.name.startswith((".building-", ".removing-")) or path.name.endswith(".part")]


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory):
    """A real inbox and what a run that nobody disturbs makes of it."""
    place = tmp_path_factory.mktemp("scheduled")
    _fill(place / "inbox" / "drop_1", ("B100",))
    _fill(place / "inbox" / "drop_2", ("B200",), VIEWS[:2])
    start = time.monotonic()
    status, _, log = _finish(_command(place / "inbox", place / "out"))
    assert status in (0, 1), log
    return place, _tables(place / "out"), time.monotonic() - start


@pytest.mark.slow
def test_one_added_file_is_the_only_one_measured_again(undisturbed, tmp_path):
    place, _, _ = undisturbed
    inbox, out = tmp_path / "inbox", tmp_path / "out"
    shutil.copytree(place / "inbox", inbox)
    time.sleep(2.2)  # times too fresh to trust are measured again, by design
    assert _finish(_command(inbox, out))[0] in (0, 1)
    _in_store(
        out,
        "CREATE TABLE written (sha256)",
        "CREATE TRIGGER watch AFTER INSERT ON measured BEGIN INSERT INTO written VALUES (NEW.sha256); END",
    )  # every result that is measured is kept, so every keeping is a measuring
    array, _ = paint_bag((10, 120, 60), "front")
    (inbox / "drop_2" / "B200_back.jpg").write_bytes(save(array[::2, ::2], "JPEG", quality=92))
    status, _, log = _finish(_command(inbox, out))
    assert status in (0, 1) and "1 audited, 1 unchanged" in log
    new = hashlib.sha256((inbox / "drop_2" / "B200_back.jpg").read_bytes()).hexdigest()
    assert _in_store(out, "SELECT sha256 FROM written") == [(new,)]


def _killed_at_random(undisturbed, tmp_path, moments, seed):
    place, tables, seconds = undisturbed
    inbox, out, dice = place / "inbox", tmp_path / "out", random.Random(seed)
    killed = 0
    for _ in range(moments):
        process = _command(inbox, out)
        try:
            process.communicate(timeout=dice.uniform(0.0, seconds))
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL) if dice.random() < 0.5 else process.kill()
            process.communicate()
            killed += 1
        if _tables(out).keys() == tables.keys() and dice.random() < 0.5:
            shutil.rmtree(out)  # begin anew, so that every stage is hit
    status, _, log = _finish(_command(inbox, out))
    assert status in (0, 1), log
    found = _tables(out)
    assert [key for key in tables if found.get(key) != tables[key]] == [] and found.keys() == tables.keys()
    assert _strays(out) == []
    assert len(json.loads((out / "index.json").read_text())["audits"]) == len({key[0] for key in tables})
    return killed


@pytest.mark.slow
def test_a_run_killed_at_two_moments_ends_in_the_same_tables(undisturbed, tmp_path):
    assert _killed_at_random(undisturbed, tmp_path, 2, seed=5) > 0


@pytest.mark.slow
def test_a_run_killed_at_thirty_moments_ends_in_the_same_tables(undisturbed, tmp_path):
    assert _killed_at_random(undisturbed, tmp_path, 30, seed=11) > 15


def test_of_two_runs_together_one_works_and_one_leaves_with_four(inbox, tmp_path):
    out = tmp_path / "out"
    holder = (
        "import sys, time, pathlib\nfrom catalogue_audit.runs.lock import output_lock\n"
        "with output_lock(pathlib.Path(sys.argv[1])):\n    print('held', flush=True)\n    time.sleep(300)\n"
    )
    with subprocess.Popen([sys.executable, "-c", holder, out / ".catalogue-audit"], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout.readline() == "held\n"
        status, _, log = _finish(_command(inbox, out))
        process.kill()
    assert status == 4 and "Another run" in log and "Traceback" not in log
    assert not list(out.glob("20*"))


@pytest.mark.slow
def test_two_real_runs_together_give_one_set_of_reports(undisturbed, tmp_path):
    place, tables, _ = undisturbed
    both = [_command(place / "inbox", tmp_path / "out") for _ in range(2)]
    statuses = sorted(_finish(process)[0] for process in both)
    assert statuses[-1] == 4 and statuses[0] in (0, 1)
    assert _tables(tmp_path / "out") == tables


@pytest.fixture
def open_place():
    """A temporary folder that every user may enter; pytest's own are closed to others."""
    place = Path(tempfile.mkdtemp(prefix="catalogue-audit-test-"))
    place.chmod(0o755)
    yield place
    shutil.rmtree(place)


@pytest.mark.slow
@pytest.mark.skipif(os.geteuid() != 0, reason="giving up rights needs them first: run as root")
def test_an_unprivileged_user_without_home_display_or_write_access_to_the_inbox(undisturbed, open_place):
    closed = [folder for folder in Path(sys.executable).resolve().parents if not folder.stat().st_mode & stat.S_IXOTH]
    if closed:
        pytest.skip(f"the user nobody cannot start this Python: {closed[0]} is closed to others")
    place, tables, _ = undisturbed
    inbox, out = open_place / "inbox", open_place / "out"
    shutil.copytree(place / "inbox", inbox)
    for path in (inbox, *inbox.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)
    out.mkdir()
    os.chown(out, 65534, 65534)
    program = "import os, sys; os.setgroups([]); os.setgid(65534); os.setuid(65534); os.execv(sys.executable, [sys.executable, *sys.argv[1:]])"
    arguments = [sys.executable, "-c", program, "-m", "catalogue_audit", "scheduled", str(inbox), "--out", str(out), "--tables-only", "--jobs", "1", "--quiet-minutes", "0"]
    done = subprocess.run(arguments, env=_environment(TZ="Pacific/Chatham", HOME="/nonexistent"), cwd="/", capture_output=True, text=True, timeout=540, check=False)
    assert done.returncode in (0, 1) and "Traceback" not in done.stderr, done.stderr
    assert _tables(out) == tables
    assert (out / "index.html").stat().st_uid == 65534


def test_the_index_says_a_verdict_as_the_report_does_with_its_sign(tmp_path):
    audit = {"report": "2026-03-02_drop_1", "delivery": "drop_1", "audited_at": "2026-03-02T10:00:00+00:00", "files": 40, "number": 1}
    later = {"verdict": "accept", "findings_by_severity": {}, "number": 2}
    write_index(tmp_path, [audit | {"verdict": "return", "findings_by_severity": {"critical": 2, "major": 5, "minor": 9}}, audit | later])
    newest, first = BeautifulSoup((tmp_path / "index.html").read_text(encoding="utf-8"), "html.parser").select("tbody tr")
    assert [cell.text for cell in first.find_all("td")][1:] == ["\N{BLACK DIAMOND} send back", "40", "7", "first audit"]
    assert [cell.text for cell in newest.find_all("td")][1:] == ["accept", "40", "0", "7 fewer to act on"]
