"""
The main job through the command line: a delivered folder in, a dated report out.

The delivery is the small one of ``data_demo``, path-traced with faults that
its truth tables name; its bags, brand and makers are invented.
"""

import csv
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import imagehash
import pandas as pd
import pytest
from PIL import Image

from catalogue_audit import schema
from catalogue_audit.cli import main
from catalogue_audit.report.tables import read_tables

REPOSITORY = Path(__file__).resolve().parents[1]
SMALL = REPOSITORY / "data_demo" / "small"
TRUTH = REPOSITORY / "data_demo" / "truth"


def _state(folder):
    return {path: (path.stat().st_mtime_ns, path.stat().st_size) for path in sorted(folder.rglob("*"))}


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory):
    """(output folder, report folder, exit status, lines of standard output, delivery unchanged)."""
    out = tmp_path_factory.mktemp("out")
    before = _state(SMALL)
    command = [sys.executable, "-m", "catalogue_audit", "review", str(SMALL), "--out", str(out)]
    result = subprocess.run(command, capture_output=True, text=True, check=False)
    lines = result.stdout.splitlines()
    assert lines, result.stderr
    return out, Path(lines[-1]), result.returncode, result.stderr, before == _state(SMALL)


def test_the_report_folder_is_dated_named_and_whole(reviewed):
    out, folder, status, _, untouched = reviewed
    assert status == 1
    assert untouched
    assert re.fullmatch(r"\d{4}-\d{2}-\d{2}_small", folder.name)
    assert {path.name for path in out.iterdir()} == {folder.name, ".catalogue-audit"}
    expected = {"report.html", "notebooks", "tables", "pictures", "sheets", "frames.parquet", "summary.json"}
    assert {path.name for path in folder.iterdir()} == expected
    assert {path.stem for path in (folder / "tables").glob("*.csv")} == set(schema.TABLES)
    assert len(list((folder / "notebooks").glob("*.ipynb"))) == 3


def test_nothing_on_the_terminal_but_the_verdict(reviewed):
    assert len(reviewed[3].strip().splitlines()) == 1
    assert "Traceback" not in reviewed[3]


def test_every_file_is_one_row_and_every_cell_is_a_value_or_empty(reviewed):
    with open(reviewed[1] / "tables" / "frames.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["file"] for row in rows] == sorted(path.name for path in SMALL.glob("*.jpg"))
    assert list(rows[0]) == schema.column_names("frames")
    assert not {"nan", "inf", "-inf", "None", "<NA>"} & {cell.lower() for row in rows for cell in row.values()}


def test_the_injected_faults_are_found_and_little_else_is_said(reviewed):
    tables = read_tables(reviewed[1] / "tables")
    faults = pd.read_csv(TRUTH / "small_faults.csv", dtype=str)
    found = {(row.file if isinstance(row.file, str) else row.sku, row.check) for row in tables["findings"].itertuples()}
    injected = {(row.file if isinstance(row.file, str) else row.sku, row.check) for row in faults.itertuples()}
    assert injected - found == set()
    assert len(found - injected) <= 2


def test_hashes_are_those_of_imagehash_read_the_ordinary_way(reviewed):
    frames = read_tables(reviewed[1] / "tables")["frames"]
    measured = frames[frames["phash"].notna()]
    distances = [
        imagehash.hex_to_hash(row.phash) - imagehash.phash(Image.open(SMALL / row.file))
        for row in measured.itertuples()
    ]
    assert len(distances) > 20
    assert sorted(distances)[len(distances) // 2] == 0
    assert max(distances) <= 2


def test_the_summary_counts_what_the_tables_hold(reviewed):
    summary = json.loads((reviewed[1] / "summary.json").read_text(encoding="utf-8"))
    tables = read_tables(reviewed[1] / "tables")
    assert summary["files"] == len(tables["frames"])
    assert summary["not_measured"] == (tables["frames"]["status"] == "not_measured").sum()
    assert summary["products"] == len(tables["products"])
    findings = tables["findings"]
    for check, counted in summary["findings_by_check"].items():  # what has one cause is counted once
        rows = findings[findings["check"] == check]
        assert counted == rows["cause"].nunique() + rows["cause"].isna().sum() > 0
    assert set(summary["findings_by_check"]) == set(findings["check"])
    assert summary["exit_status"] == reviewed[2]
    assert summary["verdict"] in ("accept", "accept_after_corrections", "return")


def test_a_second_run_the_same_day_has_the_same_tables_and_a_name_of_its_own(reviewed, capsys):
    out, first, *_ = reviewed
    assert main(["review", str(SMALL), "--out", str(out), "--tables-only", "--jobs", "1"]) == 1
    second = Path(capsys.readouterr().out.splitlines()[-1])
    assert second.name == f"{first.name}_2"
    for path in sorted((first / "tables").glob("*.csv")):
        assert (second / "tables" / path.name).read_bytes() == path.read_bytes(), path.name


def test_an_added_file_changes_no_other_files_frame_columns(reviewed, tmp_path, capsys):
    out, first, *_ = reviewed
    shutil.copytree(SMALL, tmp_path / "more")
    shutil.copy(SMALL / "AL-2101-CRM_front.jpg", tmp_path / "more" / "AL-9999-NEW_front.jpg")
    assert main(["review", str(tmp_path / "more"), "--out", str(out), "--tables-only"]) == 1
    more = read_tables(Path(capsys.readouterr().out.splitlines()[-1]) / "tables")["frames"]
    columns = [column.name for column in schema.FRAME_COLUMNS if column.kind == "frame"]
    before = read_tables(first / "tables")["frames"][columns]
    after = more[more["file"] != "AL-9999-NEW_front.jpg"][columns].reset_index(drop=True)
    pd.testing.assert_frame_equal(after, before)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["no_such_folder"], "no folder"),
        (["{empty}"], "is empty"),
        (["{small}", "--out", "{small}/reports"], "inside the delivery"),
        (["{small}", "--brief", "{brief}"], "tolerance"),
        (["{small}", "--products", "{products}"], "sku"),
    ],
)
def test_a_wrong_command_says_what_and_where_and_writes_nothing(arguments, says, tmp_path, capsys):
    (tmp_path / "empty").mkdir()
    (tmp_path / "brief.toml").write_text("[tolerance]\nrolll = 1\n", encoding="utf-8")
    (tmp_path / "products.csv").write_text("article,colour\n1,red\n", encoding="utf-8")
    places = {
        "small": SMALL,
        "empty": tmp_path / "empty",
        "brief": tmp_path / "brief.toml",
        "products": tmp_path / "products.csv",
    }
    arguments = [argument.format(**places) for argument in arguments]
    out = [] if "--out" in arguments else ["--out", str(tmp_path / "out")]
    assert main(["review", *arguments, *out]) == 2
    captured = capsys.readouterr()
    assert says in captured.err
    assert "Traceback" not in captured.err
    assert captured.out == ""
    assert not (tmp_path / "out").exists()
    assert not (SMALL / "reports").exists()


def test_a_folder_of_broken_files_still_gives_a_report(tmp_path, capsys):
    (tmp_path / "broken").mkdir()
    for number in range(3):
        (tmp_path / "broken" / f"AB-{number}_front.jpg").write_bytes(b"\xff\xd8 this is no picture")
    assert main(["review", str(tmp_path / "broken"), "--out", str(tmp_path / "out"), "--tables-only"]) == 1
    tables = read_tables(Path(capsys.readouterr().out.splitlines()[-1]) / "tables")
    assert list(tables["frames"]["status"]) == ["not_measured"] * 3
    assert tables["frames"]["reason"].notna().all()
    assert (tables["findings"]["check"] == "unreadable_file").sum() >= 1


def test_the_readme_names_every_command_and_ci_runs_its_test_command():
    text = (REPOSITORY / "README.md").read_text(encoding="utf-8")
    for command in ("review", "season", "scheduled", "brief", "placing-outline", "check-records"):
        assert f"catalogue-audit {command}" in text
    blocks = re.findall(r"<!-- (demo|tests) -->\n```sh\n(.+?)\n```\n<!-- end -->", text, re.DOTALL)
    assert [name for name, _ in blocks] == ["demo", "tests"]
    assert "README.md" in (REPOSITORY / ".ci" / "run").read_text(encoding="utf-8")


def test_the_documents_list_every_column():
    text = (REPOSITORY / "DEVELOPERS.md").read_text(encoding="utf-8")
    listed = re.findall(r"^\| `(\w+)` \| (?:frame|set) \|", text, re.MULTILINE)
    assert listed == schema.column_names("frames")
