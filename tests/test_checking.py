"""The check of an output folder's history, store and reports: what it finds, and that it changes nothing."""

import shutil
import sqlite3

import pytest
from hostile import command, pictures

from catalogue_audit.cli import main
from catalogue_audit.errors import LockedError, UsageError
from catalogue_audit.runs.checking import check_records
from catalogue_audit.runs.lock import output_lock
from catalogue_audit.runs.review import review


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """An output folder with one report."""
    delivery = tmp_path_factory.mktemp("checked") / "spring"
    delivery.mkdir()
    for name in ("AB-1_front.jpg", "AB-1_back.jpg"):
        (delivery / name).write_bytes(pictures.photograph(len(name)))
    return review(delivery, out=delivery.parent / "reports", jobs=1, tables_only=True).folder.parent


@pytest.fixture
def out(whole, tmp_path):
    shutil.copytree(whole, tmp_path / "reports")
    return tmp_path / "reports"


def report_in(out):
    (report,) = command.reports(out)
    return report


def changed(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_a_folder_as_it_was_written_has_no_faults_and_is_not_changed(out, capsys):
    before = command.listing(out)
    assert main(["check-records", "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "history: 1 audits" in said and "store: 2 results" in said and "reports: 1" in said
    assert "Not proven:" in said and "WRONG" not in said
    after = command.listing(out)
    files = [path for path, facts in before.items() if facts[-1] and not path.endswith(b"/lock")]
    assert len(files) > 8
    assert {path: after[path] for path in files} == {path: before[path] for path in files}


@pytest.mark.parametrize(
    ("damage", "fault"),
    [
        (lambda report: changed(report / "tables" / "frames.csv", "AB-1_front", "AB-2_front"), "frames.csv is not what the history recorded"),
        (lambda report: changed(report / "tables" / "marks.csv", "file,", ""), "marks.csv lacks the column 'file'"),
        (lambda report: (report / "tables" / "changes.csv").unlink(), "changes.csv is missing"),
        (lambda report: (report / "tables" / "corrections.csv").write_bytes(b"\xff\xfe"), "corrections.csv cannot be read"),
        (lambda report: (report / "summary.json").write_text("{"), "summary.json cannot be read"),
        (lambda report: changed(report / "summary.json", '"files": 2', '"files": 3'), "does not hold the 3 files"),
        (lambda report: shutil.rmtree(report), "is not there, though it is the newest"),
    ],
)
def test_a_report_that_was_altered_or_lost_is_told(out, damage, fault):
    damage(report_in(out))
    checked = check_records(out)
    assert checked.exit_status == 1
    assert any(fault in line for line in checked.faults), checked.faults


@pytest.mark.parametrize("name", ["measures.sqlite3", "history.sqlite3"])
def test_a_damaged_database_is_told(out, name):
    path = out / ".catalogue-audit" / name
    data = bytearray(path.read_bytes())
    data[4096:9000] = b"\x5a" * (9000 - 4096)
    path.write_bytes(data)
    checked = check_records(out)
    assert any(line.startswith(f"{name} is damaged") for line in checked.faults), checked


def test_a_result_without_its_check_sum_is_told(out):
    with sqlite3.connect(out / ".catalogue-audit" / "measures.sqlite3") as connection:
        connection.execute("UPDATE measured SET facts = replace(facts, 'JPEG', 'TIFF')")
    connection.close()
    assert check_records(out).faults == ["2 results of the store do not have their check sum; they are measured again when needed"]


def test_a_folder_without_records_is_a_wrong_command_and_one_in_use_is_left_alone(out, tmp_path):
    with pytest.raises(UsageError, match="Nothing is kept in"):
        check_records(tmp_path / "elsewhere")
    with output_lock(out / ".catalogue-audit"), pytest.raises(LockedError):
        check_records(out)
