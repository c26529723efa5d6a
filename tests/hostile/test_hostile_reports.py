"""Reports, stores and decisions that are damaged, or are of another program or delivery: told as such, by name."""

import contextlib
import json
import os
import shutil
import sqlite3
import time
from types import SimpleNamespace

import pandas as pd
import pytest
from catalogue_audit.errors import UsageError
from catalogue_audit.findings.compare import compare_with_previous
from catalogue_audit.findings.decisions import read_decisions, without_effect
from catalogue_audit.findings.sameness import _kept_files, exact_duplicate
from catalogue_audit.report.tables import read_tables
from catalogue_audit.runs.brief import write_brief
from catalogue_audit.runs.checking import check_records
from catalogue_audit.runs.placing import placing_outline
from catalogue_audit.runs.review import review
from catalogue_audit.runs.season import season

from hostile import command
from hostile import pictures as p

NOISE = os.urandom(999)
WORDS = "file,sku,view,status,sha256,roll_deg,width_px,captured_at\na_front.jpg,a,front,measured,zz,much,1e999,yesterday\n"
DAMAGE = {
    "empty summary": ("summary.json", b""), "summary of a list": ("summary.json", b"[]"), "deep summary": ("summary.json", b"[" * 100_000), "noise for a summary": ("summary.json", NOISE),
    "empty frames": ("tables/frames.csv", b""), "noise for frames": ("tables/frames.csv", NOISE), "words for figures": ("tables/frames.csv", WORDS.encode()), "noise for more": ("tables/more.json", NOISE),
}  # fmt: skip


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    place = tmp_path_factory.mktemp("reports")
    (place / "delivery").mkdir()
    for name, seed in (("AB-1_front.jpg", 1), ("AB-1_back.jpg", 2)):
        (place / "delivery" / name).write_bytes(p.photograph(seed))
    return review(place / "delivery", out=place / "out", tables_only=True, jobs=1).folder


@pytest.fixture
def copied(written, tmp_path):
    shutil.copytree(written.parent, tmp_path / "out # 100%41?")
    return tmp_path / "out # 100%41?" / written.name


@pytest.mark.parametrize("kind", DAMAGE)
def test_a_damaged_report_is_told_by_its_name_and_file(copied, kind):
    name, data = DAMAGE[kind]
    (copied / name).write_bytes(data)
    for use in (lambda: write_brief(from_report=copied), lambda: placing_outline(copied, to=copied.parent / "placing")):
        with pytest.raises(UsageError) as told:
            use()
        assert str(copied) in str(told.value) and "cannot be read" in str(told.value) and "Error" not in str(told.value)
    assert not (copied.parent / "placing").exists()
    checked = check_records(copied.parent)
    if name != "tables/more.json":
        assert checked.exit_status == 1 and any(copied.name in fault for fault in checked.faults)


def test_a_brief_in_a_report_that_is_none_is_refused(copied):
    summary = json.loads((copied / "summary.json").read_text())
    summary["brief"]["tolerance"]["roll"] = "much"
    (copied / "summary.json").write_text(json.dumps(summary))
    with pytest.raises(UsageError, match="summary.json"):
        write_brief(from_report=copied)


def test_outlines_are_found_in_a_folder_of_any_name_and_none_in_a_damaged_store(copied):
    assert placing_outline(copied, to=copied.parent / "placing")
    with pytest.raises(UsageError, match="exists already"):
        placing_outline(copied, to=copied.parent / "placing")
    store = copied.parent / ".catalogue-audit" / "measures.sqlite3"
    for data in (NOISE, b"", store.read_bytes()[:3000] + NOISE * 20):
        store.write_bytes(data)
        with pytest.raises(UsageError, match="No outline"):
            placing_outline(copied, to=copied.parent / "other")


@pytest.mark.parametrize(
    ("frames", "findings"),
    [
        ("a,b\n1,2\n", "c\n1\n"), ("file,sku,view\na,b,front\n", "file,sku,view,check,value\na,b,front,angle,much\n"),
        ("file,sku,view,width_px\na,b,front,1e999\n", "file,sku,view,check\n"), (NOISE, NOISE), ("", ""),
    ],
    ids=["foreign", "words", "infinite", "noise", "empty"],
)  # fmt: skip
def test_a_previous_report_that_is_none_is_refused(written, tmp_path, frames, findings):
    (tmp_path / "before" / "tables").mkdir(parents=True)
    for name, data in (("frames", frames), ("findings", findings)):
        (tmp_path / "before" / "tables" / f"{name}.csv").write_bytes(data if isinstance(data, bytes) else data.encode())
    tables = read_tables(written / "tables")
    with pytest.raises(UsageError, match="'before' holds no readable report"):
        compare_with_previous(tmp_path / "before", tables["frames"], tables["findings"])


def test_decisions_of_another_delivery_are_told(written, tmp_path):
    findings = read_tables(written / "tables")["findings"]
    (tmp_path / "d.csv").write_text("file,sku,check,why,by\nZZ-9_front.jpg,,angle,w,me\n,AB-1,missing_view,w,me\n,,missing_view,w,me\n")
    (told,) = without_effect(findings, read_decisions(tmp_path / "d.csv"))
    assert told.startswith("1 of 3 decisions concern no finding") and "ZZ-9_front.jpg, angle" in told
    assert without_effect(findings, []) == ()


def test_a_heading_that_is_there_twice_is_refused(tmp_path):
    (tmp_path / "d.csv").write_text("file,file,check,why,by\na,b,angle,w,me\n")
    with pytest.raises(UsageError, match="'file' twice"):
        read_decisions(tmp_path / "d.csv")


@pytest.mark.parametrize("name", [".catalogue-audit", ".catalogue-audit/lock", ".catalogue-audit/measures.sqlite3", ".catalogue-audit/history.sqlite3"])
def test_no_record_is_written_into_a_delivery_through_a_link(tmp_path, name):
    delivery, out = tmp_path / "delivery", tmp_path / "out"
    delivery.mkdir()
    (delivery / "AB-1_front.jpg").write_bytes(p.jpeg())
    (out / name).parent.mkdir(parents=True)
    (out / name).symlink_to(delivery if name == ".catalogue-audit" else delivery / "AB-1_front.jpg")
    before = command.listing(delivery)
    for run in (lambda: review(delivery, out=out, tables_only=True), lambda: season([delivery], out=out, tables_only=True)):
        with pytest.raises(UsageError, match="inside the delivery"):
            run()
    assert command.listing(delivery) == before


def test_records_of_another_program_are_set_aside(tmp_path):
    (tmp_path / "delivery").mkdir()
    (tmp_path / "delivery" / "AB-1_front.jpg").write_bytes(p.jpeg())
    work = tmp_path / "out" / ".catalogue-audit"
    work.mkdir(parents=True)
    for name in ("measures", "history"):
        with contextlib.closing(sqlite3.connect(work / f"{name}.sqlite3")) as other:
            for table in ("measured", "seen", "audits"):
                other.execute(f"CREATE TABLE {table} (x)")
            other.commit()
    assert review(tmp_path / "delivery", out=tmp_path / "out", tables_only=True, jobs=1).summary["measured"] == 1
    assert len(list(work.glob("*.damaged-*"))) == 2


@pytest.mark.parametrize("seconds", [2**40, 2**36, -(2**31), 0])
def test_a_file_of_any_time_is_measured(tmp_path, seconds):
    (tmp_path / "delivery").mkdir()
    file = tmp_path / "delivery" / "AB-1_front.jpg"
    file.write_bytes(p.jpeg())
    try:
        os.utime(file, (seconds, seconds))
    except (OSError, OverflowError):
        pytest.skip("no file of this file system can have such a time")
    for _ in range(2):
        assert review(tmp_path / "delivery", out=tmp_path / "out", tables_only=True, jobs=1).summary["measured"] == 1


def test_thousands_of_copies_of_one_file_cost_in_step_with_their_number():
    spent = []
    for number in (500, 8000):
        files = [f"E-{place:05d}_front.jpg" for place in range(number)]
        rows = [{"file": file, "sku": file[:7], "view": "front"} for file in files]
        pairs = pd.DataFrame({"file_a": files[0], "file_b": files[1:], "kind": "same_bytes"})
        evidence = SimpleNamespace(pairs=pairs, rows=rows, file_order={file: place for place, file in enumerate(files)})
        begun = time.process_time()
        found = list(exact_duplicate(evidence))
        kept = _kept_files(evidence)
        spent.append(time.process_time() - begun)
        assert len(found) == number and f"and {number - 5} more" in found[-1]["note"] and set(kept.values()) == {files[0]}
    assert spent[1] < 64 * spent[0], spent  # sixteen times the files; were each compared with each, it would be 256
