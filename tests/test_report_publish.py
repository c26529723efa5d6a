"""A report folder appears whole or not at all, and never replaces another."""

import datetime
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from catalogue_audit.report.publish import BUILDING, NAME_BYTES, publish, remove_leftovers, safe_name
from hypothesis import given
from hypothesis import strategies as st

DAY = datetime.date(2026, 3, 4)


def _write(text):
    def build(folder):
        (folder / "report.html").write_text(text, encoding="utf-8")

    return build


def test_a_report_gets_its_dated_name(tmp_path):
    folder = publish(_write("one"), tmp_path, "drop 2", DAY)
    assert folder == tmp_path / "2026-03-04_drop 2"
    assert [path.name for path in tmp_path.iterdir()] == ["2026-03-04_drop 2"]


def test_a_second_report_of_the_day_replaces_nothing(tmp_path):
    folders = [publish(_write(str(n)), tmp_path, "drop", DAY) for n in range(3)]
    assert [folder.name for folder in folders] == ["2026-03-04_drop", "2026-03-04_drop_2", "2026-03-04_drop_3"]
    assert [(folder / "report.html").read_text(encoding="utf-8") for folder in folders] == ["0", "1", "2"]


def test_a_file_or_dangling_link_in_the_way_is_left_alone(tmp_path):
    (tmp_path / "2026-03-04_drop").write_text("mine", encoding="utf-8")
    (tmp_path / "2026-03-04_drop_2").symlink_to(tmp_path / "nowhere")
    assert publish(_write("x"), tmp_path, "drop", DAY).name == "2026-03-04_drop_3"
    assert (tmp_path / "2026-03-04_drop").read_text(encoding="utf-8") == "mine"


def test_a_failed_build_leaves_nothing(tmp_path):
    def build(folder):
        (folder / "half").write_text("half", encoding="utf-8")
        raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space"):
        publish(build, tmp_path, "drop", DAY)
    assert list(tmp_path.iterdir()) == []


def test_runs_at_the_same_time_get_names_of_their_own(tmp_path):
    folders, gate = [], threading.Barrier(6)

    def build(folder):
        (folder / "report.html").write_text(folder.name, encoding="utf-8")
        gate.wait(10)

    def run():
        folders.append(publish(build, tmp_path, "drop", DAY))

    threads = [threading.Thread(target=run) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len({folder.name for folder in folders}) == 6
    assert len({(folder / "report.html").read_text(encoding="utf-8") for folder in folders}) == 6


def test_what_a_killed_run_left_is_removed_and_a_living_ones_is_not(tmp_path):
    dead = subprocess.Popen([sys.executable, "-c", "pass"])
    dead.wait()
    (tmp_path / f"{BUILDING}{dead.pid}-0").mkdir()
    (tmp_path / f"{BUILDING}{os.getpid()}-7").mkdir()
    (tmp_path / f"{BUILDING}notes").mkdir()
    remove_leftovers(tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([f"{BUILDING}{os.getpid()}-7", f"{BUILDING}notes"])


def test_a_link_named_like_a_leftover_is_not_followed(tmp_path):
    kept = tmp_path / "kept"
    kept.mkdir()
    (kept / "file").write_text("x", encoding="utf-8")
    out = tmp_path / "out"
    out.mkdir()
    (out / f"{BUILDING}999999999-0").symlink_to(kept)
    remove_leftovers(out)
    assert (kept / "file").is_file()


@given(st.text(max_size=300))
def test_any_delivery_name_becomes_one_safe_folder_name(name):
    safe = safe_name(name)
    assert safe and len(safe.encode()) <= NAME_BYTES
    assert Path("/x", f"2026-03-04_{safe}").parent == Path("/x")
    assert not set(safe) & set('/\\:*?"<>|{}\0\n\r') and not safe.startswith((".", "-")) and not safe.endswith((".", " "))


def test_a_name_that_is_not_utf8_still_gets_a_folder(tmp_path):
    assert publish(_write("x"), tmp_path, b"drop\xff".decode("utf-8", "surrogateescape"), DAY).name == "2026-03-04_drop-"
