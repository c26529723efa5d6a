"""What is wrong with the command itself: one clear message, the right status, nothing written."""

import os
import re
import shutil
import subprocess
import sys

import pytest

from hostile import command, making
from hostile import pictures as p

NOTHING_LEFT = "nothing is written where the command is wrong"

pytestmark = pytest.mark.slow  # each test runs the command as a process of its own


@pytest.fixture
def delivery(tmp_path):
    folder = tmp_path / "delivery"
    folder.mkdir()
    (folder / "AB-1_front.jpg").write_bytes(p.jpeg())
    return folder


def audit(place, *arguments, **options):
    return command.run("review", *arguments, "--tables-only", "--jobs", "1", cwd=place, **options)


def refused(place, *arguments):
    """Standard error of a command that must be refused with status 2 and leave nothing."""
    before = command.listing(place)
    status, output, errors = audit(place, *arguments)
    assert (status, output) == (2, ""), errors
    assert "Traceback" not in errors
    assert command.listing(place) == before, NOTHING_LEFT
    return errors


def test_a_missing_folder_an_empty_one_and_one_without_pictures(tmp_path):
    (tmp_path / "empty").mkdir()
    (tmp_path / "texts").mkdir()
    (tmp_path / "texts" / "a.txt").write_text("x")
    (tmp_path / "file.jpg").write_bytes(p.jpeg())
    assert "no folder 'gone'" in refused(tmp_path, "gone")
    assert "is empty" in refused(tmp_path, "empty")
    assert "1 file: 1 .txt" in refused(tmp_path, "texts")
    assert "not a folder" in refused(tmp_path, "file.jpg")


def test_an_output_folder_inside_the_delivery_is_refused_also_behind_a_link(tmp_path, delivery):
    (tmp_path / "door").symlink_to(delivery)
    for out in ("delivery", "delivery/reports", "delivery/../delivery/x", "door/reports"):
        assert "inside the delivery" in refused(tmp_path, "delivery", "--out", out)


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("[tolerance]\nroll = 'much'\n", ("roll", "much")),
        ("[tolerance]\nrol = 1\n", ("rol", "roll")),
        ("[views\n", ("line 1",)),
        ("stage = 'raw'\n", ("stage", "raw", "originals")),
        ("[limits]\nmax_pixels = -4\n", ("max_pixels", "-4")),
        ("\x1b]0;x\x07 = 1\n", ("house.toml",)),
    ],
)
def test_a_broken_brief_names_file_key_found_and_allowed(tmp_path, delivery, text, parts):
    (tmp_path / "house.toml").write_text(text)
    errors = refused(tmp_path, "delivery", "--brief", "house.toml")
    for part in ("house.toml", *parts):
        assert part in errors
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f]", errors)


@pytest.mark.parametrize(
    ("data", "parts"),
    [
        (b"name,style\nx,y\n", ("sku", "name")),
        (b"sku,sku\n1,2\n", ("sku",)),
        (b"sku\n1\n1\n", ("lines 2 and 3",)),
        (b"sku,width_cm\n1,wide\n", ("line 2", "width_cm", "wide")),
        (b"sku\n\"open\n", ("line",)),
        (b"\x00\x01\x02\x03", ()),
    ],
)
def test_a_broken_products_file_names_file_line_found_and_allowed(tmp_path, delivery, data, parts):
    (tmp_path / "list.csv").write_bytes(data)
    errors = refused(tmp_path, "delivery", "--products", "list.csv")
    for part in ("list.csv", *parts):
        assert part in errors


def test_other_files_that_are_not_there_are_named_before_anything_is_measured(tmp_path, delivery):
    for option in ("--brief", "--products", "--decisions", "--previous"):
        assert "gone" in refused(tmp_path, "delivery", option, "gone")
    (tmp_path / "empty").mkdir()
    assert "no report" in refused(tmp_path, "delivery", "--previous", "empty")


def test_only_broken_files_still_make_a_report_that_says_so(tmp_path):
    folder = tmp_path / "broken"
    folder.mkdir()
    for name, data in {"a_front.jpg": b"", "b_front.jpg": p.jpeg()[:700], "c_front.jpg": b"GIF89a"}.items():
        (folder / name).write_bytes(data)
    status, output, errors = audit(tmp_path, "broken", "--out", "out")
    assert status == 1, errors
    figures = command.summary(output.strip())
    assert (figures["files"], figures["measured"], figures["not_measured"], figures["exit_status"]) == (3, 0, 3, 1)


@pytest.mark.parametrize("lead", ["a file", "closed"])
def test_an_output_folder_that_cannot_be_written_is_one_clear_line(tmp_path, delivery, lead):
    out = tmp_path / "out"
    if lead == "a file":
        out.write_text("x")
    else:
        out.mkdir()
        out.chmod(0o500)
        if os.getuid() == 0:
            pytest.skip("the superuser may write anywhere")
    status, output, errors = audit(tmp_path, "delivery", "--out", "out")
    assert (status, output) == (3, ""), errors
    assert errors.startswith("Cannot write the report into 'out'") and "Traceback" not in errors


def test_output_and_delivery_may_have_any_name(tmp_path):
    odd = os.fsencode(tmp_path) + b"/del\xe9 {sku}%20?#\n$(touch hacked)"
    os.mkdir(odd)
    with open(odd + b"/AB_front.jpg", "wb") as file:
        file.write(p.jpeg())
    out = "out %41?mode=rw#x {y}"
    status, output, errors = audit(tmp_path, odd, "--out", out)
    assert status in (0, 1), errors
    (report,) = command.reports(tmp_path / out)
    assert output == f"{report}\n"
    assert "{" not in report.name and "\n" not in report.name and "?" not in report.name
    assert not list(tmp_path.rglob("hacked"))


def test_products_files_are_read_in_every_usual_dress(tmp_path, delivery):
    seen = set()
    for number, (encoding, separator) in enumerate([("utf-8-sig", ","), ("utf-16", ";"), ("utf-8", "\t")]):
        text = making.PRODUCTS.replace(";", separator)
        (tmp_path / "list.csv").write_bytes(text.encode(encoding))
        status, output, errors = audit(tmp_path, "delivery", "--products", "list.csv", "--out", f"out{number}")
        assert status in (0, 1), errors
        seen.add((command.table_bytes(output.strip()))["products"])
        skus = {row["sku"] for row in command.rows(output.strip(), "products")}
        assert {"00123", "1E5", "NA", "null"} <= skus
    assert len(seen) == 1


def test_a_delivery_is_never_written_to_even_when_it_may_not_be_read_whole(tmp_path, delivery):
    shutil.copyfile(delivery / "AB-1_front.jpg", delivery / "AB-1_back.jpg")
    before = command.listing(delivery)
    for file in delivery.iterdir():
        file.chmod(0o400)
    delivery.chmod(0o500)
    try:
        status, _, errors = audit(tmp_path, "delivery", "--out", "out")
        assert status in (0, 1), errors
        after = command.listing(delivery)
        assert [facts[1:3] + facts[4:] for facts in after.values() if len(facts) > 2] == [
            facts[1:3] + facts[4:] for facts in before.values() if len(facts) > 2
        ]
    finally:
        delivery.chmod(0o700)


@pytest.mark.parametrize("started", ["a file", "standard input"])
def test_a_script_without_a_main_guard_is_not_run_again_by_the_workers(tmp_path, delivery, started):
    script = "print('begun')\nfrom catalogue_audit.runs.review import review\nprint(review('delivery', jobs=2, tables_only=True).exit_status)\n"
    (tmp_path / "script.py").write_text(script)
    arguments, given = (["script.py"], "") if started == "a file" else (["-"], script)
    ended = subprocess.run([sys.executable, *arguments], input=given, cwd=tmp_path, capture_output=True, text=True, timeout=300)
    assert (ended.returncode, ended.stdout.split()[0], ended.stderr) == (0, "begun", "")
    assert ended.stdout.count("begun") == 1
