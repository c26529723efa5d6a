"""The history: brought forward from an older schema, set aside when damaged, written by two at once."""

import json
import sqlite3
import subprocess
import sys

import pandas as pd
import pytest
from catalogue_audit.runs import history
from catalogue_audit.statistics.tables import table_from_rows

SUMMARY = {"delivery": "drop_1", "audited_at": "2026-03-02T10:00:00+00:00", "stage": "originals", "verdict": "accept", "exit_status": 0}
FRAMES = table_from_rows("frames", [{"file": "a.jpg", "sku": "007", "roll_deg": 0.25}, {"file": "b.jpg"}])
FINDINGS = table_from_rows("findings", [{"file": "a.jpg", "check": "roll", "severity": "major"}])


def _record(connection, **changes):
    number = history.record_audit(connection, "/in/drop_1", "state", SUMMARY | changes, FRAMES, FINDINGS)
    history.record_report(connection, number, f"2026-03-02_drop_1_{number}")
    return number


def _old_file(folder, version):
    """A history as an older version of the program left it: an audit and a failure in it."""
    connection = sqlite3.connect(folder / history.HISTORY_NAME)
    for script in history.MIGRATIONS[:version]:
        connection.executescript(script)
    connection.execute(
        "INSERT INTO audits (delivery, location, fingerprint, audited_at, report, stage, verdict, exit_status, summary, frames, findings)"
        " VALUES ('drop_1', '/in/drop_1', 'state', '2026-03-02T10:00:00+00:00', '2026-03-02_drop_1', 'originals', 'accept', 0, ?, ?, ?)",
        (json.dumps(SUMMARY), history._parquet(FRAMES), history._parquet(FINDINGS)),
    )
    connection.execute("INSERT INTO attempts (location, fingerprint, failures, reason) VALUES ('/in/drop_2', 'state', 2, 'no pictures')")
    connection.execute(f"PRAGMA user_version={version}")
    connection.commit()
    connection.close()


def test_an_audit_comes_back_as_it_was_recorded(tmp_path):
    connection, notes = history.open_history(tmp_path)
    number = _record(connection)
    frames, findings, products = history.load_audits(connection, [number])
    assert notes == ()
    pd.testing.assert_frame_equal(frames.drop(columns=["audit", "delivery"]), FRAMES)
    assert findings["check"].tolist() == ["roll"] and frames["sku"].tolist()[0] == "007"
    assert len(products) == 0 and "sku" in products.columns
    assert history.last_audit(connection, "/in/drop_1") == ("state", 0, f"2026-03-02_drop_1_{number}")
    connection.close()


def test_a_file_of_the_first_schema_is_brought_forward_with_all_it_holds(tmp_path):
    _old_file(tmp_path, version=1)
    connection, notes = history.open_history(tmp_path)
    assert notes == ()
    assert connection.execute("PRAGMA user_version").fetchone() == (len(history.MIGRATIONS),)
    frames, findings, products = history.load_audits(connection, [1])
    assert frames["file"].tolist() == ["a.jpg", "b.jpg"] and len(findings) == 1 and len(products) == 0
    assert history.failures(connection, "/in/drop_2", "state") == (2, 3)
    assert history.first_seen(connection, "/in/drop_3", "state", 50.0) == 50.0
    assert history.first_seen(connection, "/in/drop_3", "state", 90.0) == 50.0
    assert history.first_seen(connection, "/in/drop_3", "changed", 90.0) == 90.0
    connection.close()


def test_a_migration_that_is_broken_off_leaves_the_old_file(tmp_path, monkeypatch):
    _old_file(tmp_path, version=1)
    broken = (*history.MIGRATIONS[:1], "ALTER TABLE audits ADD COLUMN more TEXT; no such statement")
    monkeypatch.setattr(history, "MIGRATIONS", broken)
    with pytest.raises(sqlite3.Error):
        history._connect(tmp_path / history.HISTORY_NAME)
    connection = sqlite3.connect(tmp_path / history.HISTORY_NAME)
    assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    assert "more" not in [row[1] for row in connection.execute("PRAGMA table_info(audits)")]
    connection.close()


@pytest.mark.parametrize("damage", ["not a database", "a torn page"])
def test_a_damaged_history_is_set_aside_with_a_note(tmp_path, damage):
    path = tmp_path / history.HISTORY_NAME
    connection, _ = history.open_history(tmp_path)
    for _ in range(40):
        _record(connection)
    connection.close()
    data = bytearray(path.read_bytes())
    data = b"this is no database " * 500 if damage == "not a database" else data[:4096] + b"\xff" * 4096 + data[8192:]
    path.write_bytes(bytes(data))
    connection, notes = history.open_history(tmp_path)
    assert len(notes) == 1 and "set aside as history.sqlite3.damaged-" in notes[0]
    (aside,) = tmp_path.glob("*.damaged-*[0-9]")
    assert aside.read_bytes() == bytes(data)
    assert history.list_audits(connection) == []
    connection.close()


def test_a_history_of_a_newer_program_is_not_overwritten(tmp_path):
    connection, _ = history.open_history(tmp_path)
    _record(connection)
    connection.execute("PRAGMA user_version=99")
    connection.close()
    connection, notes = history.open_history(tmp_path)
    assert "newer version" in notes[0]
    connection.close()
    (aside,) = tmp_path.glob("*.damaged-*[0-9]")
    kept = sqlite3.connect(aside)
    assert kept.execute("SELECT count(*) FROM audits").fetchone() == (1,)
    kept.close()


def test_two_writers_at_once_lose_nothing(tmp_path):
    program = (
        "import sys, pathlib; sys.path.insert(0, sys.argv[2])\n"
        "from catalogue_audit.runs import history\nfrom test_history import _record\n"
        "connection, _ = history.open_history(pathlib.Path(sys.argv[1]))\n"
        "for _ in range(15): _record(connection, delivery=sys.argv[3])\n"
    )
    here = str(__import__("pathlib").Path(__file__).parent)
    writers = [subprocess.Popen([sys.executable, "-c", program, tmp_path, here, name], stderr=subprocess.PIPE) for name in ("one", "two")]
    assert [(writer.communicate(timeout=300)[1], writer.returncode) for writer in writers] == [(b"", 0), (b"", 0)]
    connection, notes = history.open_history(tmp_path)
    names = [audit["delivery"] for audit in history.list_audits(connection)]
    assert notes == () and (names.count("one"), names.count("two")) == (15, 15)
    connection.close()


def test_an_audit_whose_run_was_killed_is_settled_by_what_is_on_disk(tmp_path):
    connection, _ = history.open_history(tmp_path)
    lost = history.record_audit(connection, "/in/drop_1", "state", SUMMARY, FRAMES, FINDINGS)
    published = history.record_audit(connection, "/in/drop_2", "state", SUMMARY | {"delivery": "drop_2"}, FRAMES, FINDINGS)
    report = tmp_path / "2026-03-02_drop_2"
    report.mkdir()
    (report / "summary.json").write_text(json.dumps(SUMMARY | {"delivery": "drop_2"}))
    (tmp_path / "2026-03-02_other").mkdir()
    (tmp_path / "2026-03-02_other" / "summary.json").write_text("{ not json")
    history.reconcile(connection, tmp_path)
    assert [(audit["number"], audit["report"]) for audit in history.list_audits(connection)] == [(published, report.name)]
    assert connection.execute("SELECT count(*) FROM audits WHERE id = ?", (lost,)).fetchone() == (0,)
    connection.close()
