"""Deliveries on other file systems: an S3 server and a plain web server on this machine."""

import functools
import http.server
import logging
import threading
from multiprocessing import forkserver

import pytest
from hostile import command, pictures

from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.delivery.source import open_delivery
from catalogue_audit.errors import UnreadablePicture, UsageError
from catalogue_audit.runs import passone, store
from catalogue_audit.runs.passone import Measuring, measure_delivery
from catalogue_audit.runs.review import review

PLACE = "s3://deliveries/spring"


@pytest.fixture(scope="module")
def bucket():
    """A folder of an S3 server, as a file system of fsspec; its address stands in the environment."""
    pytest.importorskip("s3fs", reason="s3fs is not installed")
    moto = pytest.importorskip("moto.server", reason="moto is not installed")
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    server = moto.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    patch = pytest.MonkeyPatch()
    for name, value in {
        "AWS_ENDPOINT_URL": f"http://{host}:{port}", "AWS_ACCESS_KEY_ID": "test", "AWS_SECRET_ACCESS_KEY": "test",
        "AWS_DEFAULT_REGION": "us-east-1",
    }.items():  # fmt: skip
        patch.setenv(name, value)
    _forget_environment()
    import fsspec

    files = fsspec.filesystem("s3", skip_instance_cache=True)
    files.mkdir("deliveries")
    yield files
    patch.undo()
    _forget_environment()
    server.stop()


def _forget_environment():
    """End the process that workers are forked from: it keeps the environment it was started in."""
    forkserver._forkserver._stop()  # noqa: SLF001 - there for tests, says its source


def filled(files, folder, number=4):
    """The same pictures in a bucket and in a local folder."""
    folder.mkdir()
    for name, data in {
        **{f"AB-{n // 2}_{('front', 'back')[n % 2]}.jpg": pictures.photograph(n, minute=n) for n in range(number)},
        "AB-9 caf\u00e9_front.jpg": b"\xff\xd8no picture",
    }.items():  # fmt: skip
        (folder / name).write_bytes(data)
        files.pipe(f"deliveries/spring/{name}", data)
    files.invalidate_cache()
    return folder


def facts_of(place, out, **options):
    source = open_delivery(place)
    connection, _ = store.open_store(out)
    try:
        return measure_delivery(
            source, source.entries(), connection, "v", limits=load_brief(None).limits, measuring=Measuring(jobs=1, **options)
        )
    finally:
        connection.close()


def test_a_bucket_gives_what_a_folder_gives_and_what_its_etags_know_is_not_read_again(bucket, tmp_path, monkeypatch):
    folder = filled(bucket, tmp_path / "spring", number=2)
    here = facts_of(folder, tmp_path / "here")
    assert facts_of(PLACE, tmp_path / "there") == here
    entries = open_delivery(PLACE).entries()
    assert all(len(entry.etag) == 32 for entry in entries)  # of a plain upload it is the MD5 of the content (S3 API reference)
    asked = []

    def measured(delivery, entries, waiting, *more):
        asked.extend(entries[index].name for index in waiting)
        yield from ()

    monkeypatch.setattr(passone, "measured_here", measured)
    facts_of(PLACE, tmp_path / "there")
    assert asked == []
    bucket.pipe("deliveries/spring/AB-0_back.jpg", pictures.photograph(0))
    bucket.invalidate_cache()
    facts_of(PLACE, tmp_path / "there")
    assert asked == ["AB-0_back.jpg"]


def test_an_object_that_was_replaced_since_it_was_listed_is_refused(bucket, tmp_path):
    bucket.pipe("deliveries/later/AB-1_front.jpg", b"1" * 100)
    source = open_delivery("s3://deliveries/later")
    (entry,) = source.entries()
    assert source.read(entry.name, None, entry) == b"1" * 100
    bucket.pipe("deliveries/later/AB-1_front.jpg", b"2" * 100)
    source = open_delivery("s3://deliveries/later")
    with pytest.raises(UnreadablePicture, match="changed while the delivery was being read"):
        source.read(entry.name, None, entry)


def test_a_bucket_that_is_not_there_is_a_wrong_command(bucket):
    with pytest.raises(UsageError, match="There is no folder 's3://deliveries/winter'"):
        open_delivery("s3://deliveries/winter")


@pytest.mark.slow
def test_the_tables_of_a_bucket_are_those_of_a_folder(bucket, tmp_path):
    folder = filled(bucket, tmp_path / "spring", number=8)
    here = review(folder, out=tmp_path / "here", jobs=1, tables_only=True)
    there = review(PLACE, out=tmp_path / "there", jobs=2, tables_only=True)
    assert there.folder.name == here.folder.name
    assert command.table_bytes(there.folder) == command.table_bytes(here.folder)


# -- a plain web server ----------------------------------------------------------------------


@pytest.fixture
def web(tmp_path):
    """A folder, and the address under which a web server shows it."""
    pytest.importorskip("aiohttp", reason="aiohttp is not installed")
    folder = tmp_path / "shown" / "spring"
    folder.mkdir(parents=True)

    class Quiet(http.server.SimpleHTTPRequestHandler):
        def log_message(self, *arguments):
            """Say nothing."""

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(Quiet, directory=folder.parent)) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield folder, f"http://127.0.0.1:{server.server_address[1]}/spring/"
        server.shutdown()


def test_a_web_servers_folder_can_be_listed_and_read(web):
    folder, address = web
    (folder / "details").mkdir()
    (folder / "AB-1 caf\u00e9_front.jpg").write_bytes(b"1" * 10)
    (folder / "details" / "AB-1_detail.jpg").write_bytes(b"2" * 20)
    delivery = open_delivery(address)
    entries = delivery.entries()
    assert delivery.name == "spring"
    assert {entry.name: delivery.read(entry.name, 100, entry) for entry in entries} == {
        "AB-1 caf\u00e9_front.jpg": b"1" * 10,
        "details/AB-1_detail.jpg": b"2" * 20,
    }
