"""Measuring on a Dask cluster: the results of a local run, with the same bounds for every file."""

import os
import signal
import sys

import pytest
from hostile import command, pictures

from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.delivery.source import open_delivery
from catalogue_audit.errors import AuditError, UsageError
from catalogue_audit.runs import cluster, store
from catalogue_audit.runs.passone import Measuring, measure_delivery
from catalogue_audit.runs.review import review

distributed = pytest.importorskip("distributed", reason="Dask is not installed")


@pytest.fixture(scope="module")
def two_workers():
    """Address of a cluster of two worker processes on this machine."""
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as started:
        yield started


@pytest.fixture
def delivery(tmp_path):
    folder = tmp_path / "delivery"
    folder.mkdir()
    for number in range(8):
        name = f"AB-{number // 2}_{('front', 'back')[number % 2]}.jpg"
        (folder / name).write_bytes(pictures.photograph(number, minute=number))
    (folder / "AB-9_front.jpg").write_bytes(b"\xff\xd8no picture")
    return folder


def measured(folder, out, measuring, limits=None):
    """Facts of every file, and what the store then holds."""
    source, limits = open_delivery(folder), limits or load_brief(None).limits
    connection, _ = store.open_store(out)
    try:
        facts = measure_delivery(source, source.entries(), connection, "v", limits=limits, measuring=measuring)
        kept = connection.execute("SELECT * FROM measured ORDER BY sha256").fetchall()
        return facts, kept
    finally:
        connection.close()


def test_a_worker_of_a_cluster_gives_what_a_process_of_this_machine_gives(tmp_path):
    folder = tmp_path / "delivery"
    folder.mkdir()
    (folder / "AB-1_front.jpg").write_bytes(pictures.photograph(1))
    (folder / "AB-1_back.jpg").write_bytes(b"\xff\xd8no picture")
    here = measured(folder, tmp_path / "here", Measuring(jobs=1))
    with distributed.LocalCluster(n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None) as started:
        there = measured(folder, tmp_path / "there", Measuring(cluster=started.scheduler_address))
    assert [row["status"] for row in here[0]] == ["not_measured", "measured"]
    assert there == here


def test_without_dask_the_command_says_what_to_install(tmp_path, delivery, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)  # as where it is not installed
    with pytest.raises(UsageError, match=r"pip install 'catalogue-audit\[cluster\]'"):
        measured(delivery, tmp_path / "out", Measuring(cluster="tcp://127.0.0.1:9"))


def test_an_address_at_which_nothing_answers_is_one_clear_line(tmp_path, delivery, monkeypatch):
    monkeypatch.setattr(cluster, "CONNECT_SECONDS", 1)
    with pytest.raises(AuditError, match="No Dask scheduler answers at 'tcp://127.0.0.1:9'"):
        measured(delivery, tmp_path / "out", Measuring(cluster="tcp://127.0.0.1:9"))


@pytest.mark.slow
def test_the_tables_are_those_of_a_local_run(tmp_path, delivery, two_workers):
    here = review(delivery, out=tmp_path / "here", jobs=1, tables_only=True)
    there = review(delivery, out=tmp_path / "there", cluster=two_workers.scheduler_address, tables_only=True)
    assert there.exit_status == here.exit_status
    assert command.table_bytes(there.folder) == command.table_bytes(here.folder)


@pytest.mark.slow
def test_a_worker_killed_in_the_middle_costs_no_result(tmp_path, delivery, two_workers):
    here, _ = measured(delivery, tmp_path / "here", Measuring(jobs=1))
    with distributed.Client(two_workers, set_as_default=False) as client:
        victim = next(iter(client.run(os.getpid).values()))
    seen = []

    def kill(done, total):
        seen.append(done)
        if done == 2:
            os.kill(victim, signal.SIGKILL)

    source, limits = open_delivery(delivery), load_brief(None).limits
    connection, _ = store.open_store(tmp_path / "there")
    there = measure_delivery(
        source, source.entries(), connection, "v", limits=limits, progress=kill,
        measuring=Measuring(cluster=two_workers.scheduler_address),
    )  # fmt: skip
    connection.close()
    assert there == here
    assert seen == list(range(len(here) + 1))


@pytest.mark.slow
def test_a_file_keeps_its_bounds_on_a_cluster(tmp_path, two_workers):
    folder = tmp_path / "delivery"
    folder.mkdir()
    (folder / "AB-1_front.jpg").write_bytes(pictures.jpeg())
    (folder / "AB-2_front.png").write_bytes(pictures.slow_png())
    limits = load_brief(None).limits
    measuring = Measuring(cluster=two_workers.scheduler_address)
    little_time, _ = measured(folder, tmp_path / "time", measuring, limits.model_copy(update={"seconds_per_file": 0.4}))
    little_memory, _ = measured(folder, tmp_path / "memory", measuring, limits.model_copy(update={"memory_bytes": 60_000_000}))
    assert "longer than 0.4 s" in little_time[1]["reasons"][0]
    assert little_memory[0]["status"] == "measured"
    assert "memory" in little_memory[1]["reasons"][0]


@pytest.mark.slow
def test_workers_that_cannot_read_the_delivery_end_the_run_with_a_clear_line(tmp_path, delivery, two_workers):
    source, limits = open_delivery(delivery), load_brief(None).limits
    moved = source._replace(location=str(tmp_path / "elsewhere"))
    connection, _ = store.open_store(tmp_path / "out")
    with pytest.raises(AuditError, match="A worker of the cluster cannot read the delivery"):
        measure_delivery(
            moved, source.entries(), connection, "v", limits=limits,
            measuring=Measuring(cluster=two_workers.scheduler_address),
        )  # fmt: skip
    connection.close()
