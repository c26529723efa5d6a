"""The store of pass-one results and the lock on the output folder."""

import contextlib
import subprocess
import sys
import time
from types import SimpleNamespace

import numpy as np
import pytest

from catalogue_audit.errors import LockedError
from catalogue_audit.measures.sketch import pack_sketch
from catalogue_audit.runs import store
from catalogue_audit.runs.lock import output_lock
from catalogue_audit.runs.sketches import Sketches

FACTS = {"sha256": "ab", "roll_deg": 0.5, "reasons": ["the picture is nearly flat"]}


def _entry(**changes):
    values = {"name": "a.jpg", "size": 10, "mtime_ns": 1, "ctime_ns": 2, "inode": 3, "etag": ""}
    return SimpleNamespace(**(values | changes))


def test_a_result_comes_back_as_it_was_kept(tmp_path):
    connection, notes = store.open_store(tmp_path)
    sketch = pack_sketch({"thumb": np.arange(12, dtype=np.uint8).reshape(2, 2, 3)})
    store.keep(connection, "v1", "ab", FACTS, sketch)
    connection.commit()
    assert notes == ()
    assert store.recall(connection, "v1", "ab") == FACTS | {"reasons": ("the picture is nearly flat",)}
    assert store.recall(connection, "v2", "ab") is None
    sketches = Sketches(tmp_path / store.STORE_NAME, "v1", {"a.jpg": "ab"})
    np.testing.assert_array_equal(sketches["a.jpg"]["thumb"], np.arange(12).reshape(2, 2, 3))
    sketches.close()
    connection.close()


def test_a_damaged_result_is_not_believed(tmp_path):
    connection, _ = store.open_store(tmp_path)
    store.keep(connection, "v1", "ab", FACTS, pack_sketch({}))
    connection.execute("UPDATE measured SET facts = replace(facts, '0.5', '0.6')")
    assert store.recall(connection, "v1", "ab") is None
    connection.close()


def test_a_damaged_store_is_set_aside_and_begun_anew(tmp_path):
    (tmp_path / store.STORE_NAME).write_bytes(b"this is no database" * 500)
    connection, notes = store.open_store(tmp_path)
    assert len(notes) == 1
    assert "set aside" in notes[0]
    assert len(list(tmp_path.glob("*.damaged-*"))) == 1
    assert connection.execute("SELECT count(*) FROM measured").fetchone() == (0,)
    connection.close()


def test_a_sketch_is_read_in_parts_and_whole_in_the_end(tmp_path):
    connection, _ = store.open_store(tmp_path)
    draw = np.random.default_rng(1)
    keys = ("tones", "strap", "mask", "thumb", "outline", "preview", "descriptors", "keypoints")
    made = {key: draw.integers(0, 255, (7 + place, 3)).astype(np.uint8) for place, key in enumerate(keys)} | {"axis": np.float32([1, 2])}
    store.keep(connection, "v1", "ab", FACTS, pack_sketch(made))
    connection.commit()
    asked = []
    connection.set_trace_callback(asked.append)
    with contextlib.closing(Sketches(tmp_path / store.STORE_NAME, "v1", {"a.jpg": "ab", "b.jpg": "cd"})) as sketches:
        sketches._connection.set_trace_callback(asked.append)
        sketch = sketches["a.jpg"]
        assert set(sketch) == set(made) and "preview" in sketch and sketch.get("nothing") is None
        np.testing.assert_array_equal(sketch["axis"], made["axis"])
        assert len(asked) == 1, "a few numbers were asked for"
        for key, array in made.items():
            np.testing.assert_array_equal(sketch[key], array)
        assert len(asked) == 3, "each further part once"
        assert sketches["b.jpg"] == {}
    connection.close()


def test_a_store_of_sketches_in_one_piece_is_measured_anew(tmp_path):
    connection, _ = store.open_store(tmp_path)
    store.remember(connection, "here", _entry(), "ab", time.time_ns())
    connection.executescript(
        "DROP TABLE measured; CREATE TABLE measured (version TEXT, sha256 TEXT, facts TEXT, sketch BLOB, check_sum TEXT);"
        "INSERT INTO measured VALUES ('v1', 'ab', '{}', x'00', 'c'); PRAGMA user_version=2;"
    )
    connection.close()
    connection, notes = store.open_store(tmp_path)
    assert notes == ()
    assert store.recall(connection, "v1", "ab") is None
    assert store.recognise(connection, "here", _entry()) == "ab"
    connection.close()


@pytest.mark.parametrize("change", [{"size": 11}, {"mtime_ns": 5}, {"ctime_ns": 5}, {"inode": 5}, {"name": "b.jpg"}])
def test_a_file_is_recognised_only_by_size_times_and_inode_together(tmp_path, change):
    connection, _ = store.open_store(tmp_path)
    store.remember(connection, "here", _entry(), "ab", time.time_ns())
    assert store.recognise(connection, "here", _entry()) == "ab"
    assert store.recognise(connection, "here", _entry(**change)) is None
    assert store.recognise(connection, "elsewhere", _entry()) is None
    connection.close()


def test_times_too_fresh_to_trust_are_not_remembered(tmp_path):
    connection, _ = store.open_store(tmp_path)
    now = time.time_ns()
    store.remember(connection, "here", _entry(mtime_ns=now), "ab", now)
    assert store.recognise(connection, "here", _entry(mtime_ns=now)) is None
    connection.close()


def test_a_file_of_a_server_is_recognised_by_its_entity_tag(tmp_path):
    connection, _ = store.open_store(tmp_path)
    seen = _entry(ctime_ns=0, inode=0, mtime_ns=time.time_ns(), etag="9a03")
    store.remember(connection, "s3://here", seen, "ab", time.time_ns())
    store.remember(connection, "s3://here", _entry(name="b.jpg", ctime_ns=0, inode=0), "cd", time.time_ns())
    connection.commit()
    again = _entry(ctime_ns=0, inode=0, mtime_ns=seen.mtime_ns)
    assert store.recognise(connection, "s3://here", seen) == "ab"
    assert store.recognise(connection, "s3://here", SimpleNamespace(**vars(again) | {"etag": "9a04"})) is None
    assert store.recognise(connection, "s3://here", _entry(name="b.jpg", ctime_ns=0, inode=0)) is None, "nothing told b.jpg apart"
    connection.close()


def test_a_store_of_an_older_version_knows_its_files_and_measures_them_anew(tmp_path):
    connection, _ = store.open_store(tmp_path)
    store.keep(connection, "v1", "ab", FACTS, pack_sketch({}))
    store.remember(connection, "here", _entry(), "ab", time.time_ns())
    connection.executescript("ALTER TABLE seen DROP COLUMN etag; PRAGMA user_version=1;")
    connection.close()
    connection, notes = store.open_store(tmp_path)
    assert notes == ()
    assert store.recognise(connection, "here", _entry()) == "ab"
    assert store.recall(connection, "v1", "ab") is None, "sketches were packed otherwise"
    connection.close()


def test_a_second_run_leaves_and_a_dead_runs_lock_is_no_lock(tmp_path):
    holder = (
        "import sys, time, pathlib\nfrom catalogue_audit.runs.lock import output_lock\n"
        "with output_lock(pathlib.Path(sys.argv[1])):\n    print('held', flush=True)\n    time.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, "-c", holder, tmp_path], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout.readline() == "held\n"
        with pytest.raises(LockedError, match=f"process {process.pid}"), output_lock(tmp_path):
            pass
        process.kill()
        process.wait()
    with output_lock(tmp_path):
        assert (tmp_path / "lock").exists()
