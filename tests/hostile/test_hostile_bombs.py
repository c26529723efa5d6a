"""Small files that ask for much: each a row in plain words, within the time and memory of one file."""

import os
import re
import time
import zlib

import numpy as np
import pytest
from catalogue_audit.delivery.brief import load_brief, parse_brief
from catalogue_audit.delivery.products import parse_products
from catalogue_audit.errors import AuditError, UsageError
from catalogue_audit.findings.decisions import read_decisions
from catalogue_audit.measures.measure import Limits, measure_bytes

from making_files import save

from hostile import bombs
from hostile import pictures as p

SECONDS, BYTES = 20.0, 1 << 30  # one file's, by the promise
NOT_PLAIN = re.compile(r"Error|Exception|Traceback|\.py\b|numpy|libjpeg|libpng|PIL\b", re.IGNORECASE)


def measured(data):
    """(facts, CPU seconds, bytes added to the peak) of measuring a file in a process of its own."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        before = _peak()
        try:
            os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
            facts, _ = measure_bytes(data, Limits(load_brief().limits.max_pixels), "x")
            words = f"{facts['status']}\n{'; '.join(facts['reasons'])}\n{_peak() - before}"
        except BaseException as error:  # noqa: BLE001 - told to the parent, who fails
            words = f"raised\n{error!r}\n0"
        os.write(writing, words.encode()[:60_000])
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading, "rb") as told:
        words = told.read().decode()
    _, ended, used = os.wait4(child, 0)
    status, reasons, added = words.split("\n") if words else (f"ended by signal {ended}", "", "0")
    return status, reasons, used.ru_utime + used.ru_stime, int(added)


def _peak():
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) * 1024 for line in status if line.startswith("VmHWM"))


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:This process.*multi-threaded:DeprecationWarning")
@pytest.mark.parametrize("family", ["_exif", "_profiles", "_jpeg", "_png", "_tiff", "_webp", "_heic", "_others"])
def test_each_bomb_is_a_row_in_plain_words_within_the_limits_of_one_file(family):
    files = getattr(bombs, family)()
    for name, data in files.items():
        status, reasons, seconds, added = measured(data)
        assert status in ("measured", "measured_with_note", "not_measured"), (name, status, reasons)
        assert seconds < SECONDS and added < BYTES, (name, seconds, added)
        assert not NOT_PLAIN.search(reasons), (name, reasons)
        assert status != "not_measured" or len(reasons.split()) >= 5, name
    assert len(files) >= 4


def test_a_picture_with_long_texts_beside_it_is_measured():
    text = b"XML:com.adobe.xmp\0\0\0\0\0<a>" + b"<b c='d'/>" * 300_000 + b"</a>"  # 3 MB, as programs that keep every step write
    bomb = b"Comment\0\0" + zlib.compress(bytes(80_000_000), 9)
    for kind, body in ((b"iTXt", text), (b"zTXt", bomb)):
        assert measure_bytes(bombs._plain_png(p.png_chunk(kind, body)), Limits(), "x")[0]["status"] == "measured"


def test_a_strip_of_a_picture_is_measured_as_far_as_it_can_be():
    facts, _ = measure_bytes(save(np.tile(p.bag(0, bombs.BROAD, 200), (2, 1, 1)), "JPEG"), Limits(), "x")
    assert facts["status"] == "measured" and facts["width_px"] == bombs.BROAD


@pytest.mark.parametrize(
    "text",
    [
        "a=" + "[" * 50_000, "a=" + "{a=" * 5000 + "1" + "}" * 5000, "[" + ".".join("a" * 5000) + "]", "x = " + "9" * 5000,
        "".join(f"[t{n}]\n" for n in range(20_000)), "[tolerance]\nroll = inf\n", "\0\0\0", "# " + "x" * 2_000_000,
    ],
    ids=["arrays", "tables", "dotted", "figures", "unknown", "inf", "zeros", "long"],
)  # fmt: skip
@pytest.mark.parametrize("kind", ["brief", "decisions"])
def test_hostile_toml_is_refused_in_plain_words_and_soon(tmp_path, text, kind):
    (tmp_path / "hostile.toml").write_text(text)
    begun = time.process_time()
    with pytest.raises(UsageError) as told:
        read = {"brief": load_brief, "decisions": lambda path: _refused_if_empty(read_decisions(path))}[kind]
        read(tmp_path / "hostile.toml")
    assert time.process_time() - begun < SECONDS
    assert "Error" not in str(told.value) and len(str(told.value)) < 3000


def _refused_if_empty(decisions):
    if not decisions:
        raise UsageError("a comment holds no decision, and none is read")
    return decisions


@pytest.mark.parametrize(
    "data",
    [
        b"file,check,why,by\n" + b"x" * 200_000 + b",angle,w,me\n", b",".join([b"file", *(b"c%d" % n for n in range(100_000))]) + b"\n",
        b'file,check,why,by\n"open', b"file;check\n",
    ],
    ids=["cell", "columns", "quote", "semicolon"],
)  # fmt: skip
def test_a_hostile_table_of_decisions_is_refused_in_plain_words(tmp_path, data):
    (tmp_path / "hostile.csv").write_bytes(data)
    with pytest.raises(UsageError) as told:
        read_decisions(tmp_path / "hostile.csv")
    assert len(str(told.value)) < 1000


def test_a_pipe_or_a_device_is_no_decisions_file(tmp_path):
    os.mkfifo(tmp_path / "pipe.toml")
    for path in (tmp_path / "pipe.toml", "/dev/zero"):
        with pytest.raises(UsageError, match="is not a file"):
            read_decisions(path)


@pytest.mark.parametrize(
    "data",
    [b"x" * 20_000_000, b'sku,name\nA,"' + b"x" * 20_000_000 + b'"\n', b"sku,name\n" + b"\n" * 3_000_000, b"sku,name\n" + b'"a""' * 1_000_000],
    ids=["no line end", "one cell", "blank lines", "quotes"],
)
def test_a_hostile_products_file_is_refused_in_plain_words_and_soon(data):
    begun = time.process_time()
    with pytest.raises(AuditError) as told:
        parse_products(data)
    assert time.process_time() - begun < SECONDS and "line" in str(told.value) and len(str(told.value)) < 1000


def test_names_of_signs_of_four_bytes_are_read():
    from catalogue_audit.delivery.names import read_names

    found = read_names(["\U00020bb7" * 60 + "_front.jpg"], parse_brief(""))
    assert found[0].view == "front" and found[0].sku == "\U00020bb7" * 60
