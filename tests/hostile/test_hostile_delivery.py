"""A whole hostile delivery through the command: nothing runs, nothing is lost, nothing spreads."""

import os
import re
from collections import Counter

import pytest
from catalogue_audit import schema
from catalogue_audit.delivery.shown import shown_name

from hostile import command, making

SET_COLUMNS = set(schema.set_columns())  # these may depend on the other files
# What a buyer must never read in a reason: exception names, Python, paths of this machine, library names.
NOT_PLAIN = re.compile(r"Error|Exception|Traceback|errno|NoneType|0x[0-9a-f]{6}|/tmp|/home|/usr|\.py\b|numpy|OpenCV|libjpeg|libpng|PIL\b|simplejpeg", re.IGNORECASE)
CONTROLS = re.compile("[\x00-\x08\x0b-\x1f\x7f\x80-\x9f\u202a-\u202e\u2066-\u2069]")


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """The audit of the hostile delivery, started inside it, as a user may."""
    place = tmp_path_factory.mktemp("hostile")
    delivery, out = place / "delivery", place / "out"
    items = making.make(delivery, place / "outside")
    before = command.listing(place)
    env = command.environment(place / "home", TMPDIR=str(place / "scratch"))
    (place / "scratch").mkdir()
    status, output, errors = command.run("review", ".", "--out", out, "--tables-only", "--jobs", "2", cwd=delivery, env=env)
    return {
        "place": place, "delivery": delivery, "out": out, "items": items, "before": before, "status": status,
        "output": output, "errors": errors, "report": command.reports(out)[-1], "mark": env[command.MARK],
    }  # fmt: skip


@pytest.fixture(scope="module")
def alone(tmp_path_factory):
    """The audit of the good neighbours without the hostile files."""
    place = tmp_path_factory.mktemp("alone")
    names = making.neighbours(place / "delivery")
    (place / "delivery" / "products.csv").write_bytes(making.PRODUCTS.encode("utf-8-sig"))
    status, output, _ = command.run("review", place / "delivery", "--out", place / "out", "--tables-only", cwd=place)
    assert status in (0, 1)
    return {"names": names, "report": output.strip()}


def test_there_are_enough_hostile_entries_of_every_kind(hostile):
    counts = Counter(item.expect for item in hostile["items"])
    assert len(hostile["items"]) >= 250
    assert counts["bad"] >= 70 and counts["good"] >= 80 and counts["measured"] >= 45


def test_the_command_ends_with_findings_and_says_where_the_report_is(hostile):
    assert hostile["status"] == 1, hostile["errors"]
    assert hostile["output"].splitlines() == [str(hostile["report"])]


def test_every_entry_is_accounted_for_exactly_once(hostile):
    files = Counter(row["file"] for row in command.rows(hostile["report"]))
    others = Counter(command.summary(hostile["report"])["other_files"])
    hidden = Counter(command.summary(hostile["report"])["hidden_files"])
    in_table = {"bad", "noted", "doubtful", "good", "measured", "any", "closed"}
    wrong = []
    for item in hostile["items"]:
        name = shown_name(item.name)
        if item.expect == "hidden" and name.startswith("__MACOSX/"):
            name = "__MACOSX"
        expected = (int(item.expect in in_table), int(item.expect == "other"), int(item.expect == "hidden"))
        if (files[name], others[name], hidden[name]) != expected:
            wrong.append((name, files[name], others[name], hidden[name]))
    assert wrong == []
    known = {shown_name(item.name) for item in hostile["items"]}
    assert len(files) + len(others) + len(hidden) - len(known) == 8 + 1  # the good neighbours and products.csv
    assert max(files.values()) == 1


def test_each_bad_file_says_so_and_each_good_one_is_measured(hostile):
    status = {row["file"]: (row["status"], row["reason"]) for row in command.rows(hostile["report"])}
    allowed = {
        "bad": {"not_measured"}, "noted": {"measured_with_note"}, "doubtful": {"not_measured", "measured_with_note"},
        "good": {"measured", "measured_with_note"}, "measured": {"measured", "measured_with_note"},
        "any": {"not_measured", "measured_with_note", "measured"},
        "closed": {"not_measured"} if os.getuid() else {"measured", "measured_with_note"},
    }  # fmt: skip
    wrong = {
        shown_name(item.name): status[shown_name(item.name)]
        for item in hostile["items"]
        if item.expect in allowed and status[shown_name(item.name)][0] not in allowed[item.expect]
    }
    assert wrong == {}


def test_every_reason_is_plain_words(hostile):
    for row in command.rows(hostile["report"]):
        if row["status"] != "measured":
            assert len(row["reason"].split()) >= 5, row["file"]
        assert not NOT_PLAIN.search(row["reason"]), (row["file"], row["reason"])
        assert "does not foresee" not in row["reason"], row["file"]


def test_each_unreadable_file_is_a_finding_with_a_remedy(hostile):
    unreadable = {row["file"] for row in command.rows(hostile["report"]) if row["status"] == "not_measured"}
    told = {row["file"]: row for row in command.rows(hostile["report"], "findings") if row["check"] == "unreadable_file"}
    assert unreadable - told.keys() == set()
    assert all(row["remedy"] and row["note"] for row in told.values())


def test_frame_columns_of_good_neighbours_do_not_change(hostile, alone):
    with_hostile = {row["file"]: row for row in command.rows(hostile["report"])}
    for row in command.rows(alone["report"]):
        other = with_hostile[row["file"]]
        differing = {name: (value, other[name]) for name, value in row.items() if name not in SET_COLUMNS and value != other[name]}
        assert differing == {}, row["file"]
        assert row["status"] == "measured"
    assert len(alone["names"]) == 8


def test_article_numbers_stay_as_written(alone, hostile):
    for report in (alone["report"], hostile["report"]):
        skus = {row["sku"] for row in command.rows(report)}
        assert {"00123", "1E5", "NA", "null"} <= skus
        assert {"00123", "1E5", "NA", "null"} <= {row["sku"] for row in command.rows(report, "products")}


@pytest.mark.parametrize("table", command.TABLES)
def test_no_cell_is_a_formula_and_no_number_is_nan_or_infinite(hostile, table):
    numbers = {column.name for column in schema.TABLES[table] if column.type in ("number", "integer")}
    negative = re.compile(r"-\d+(\.\d+)?")
    for cell in command.raw_cells(hostile["report"], table):
        assert not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n")) or negative.fullmatch(cell), cell
    for row in command.rows(hostile["report"], table):
        for name in numbers & row.keys():
            assert re.fullmatch(r"|-?\d+(\.\d+)?", row[name]), (name, row[name])


def test_nothing_outside_the_delivery_was_read(hostile):
    canary = making.CANARY.encode()
    for path in hostile["out"].rglob("*"):
        if path.is_file():
            assert canary not in path.read_bytes(), path.name
    assert making.CANARY not in hostile["errors"]


def test_nothing_is_written_but_below_the_output_folder(hostile):
    after = command.listing(hostile["place"])
    out, scratch = (os.fsencode(hostile["place"] / name) for name in ("out", "scratch"))
    after = {path: facts for path, facts in after.items() if path not in (out, scratch) and not path.startswith(out + b"/")}
    before = dict(hostile["before"])
    after.pop(b"."), before.pop(b".")
    assert after == before  # the scratch folder is empty again, and nobody made a home
    assert command.strays(hostile["out"]) == []
    assert {path.name for path in (hostile["out"] / ".catalogue-audit").iterdir()} == {"history.sqlite3", "measures.sqlite3", "lock"}
    assert command.left_alive(hostile["mark"], 5) == {}


def test_the_terminal_stays_clean(hostile):
    assert not CONTROLS.search(hostile["errors"].replace("\n", " "))
    assert len(hostile["errors"].splitlines()) == 1
    assert "Traceback" not in hostile["errors"]


def test_no_coordinates_and_no_machine_paths_in_tables_and_summary(hostile):
    report = hostile["report"]
    for path in report.rglob("*"):
        if path.is_file() and path.suffix != ".parquet":
            text = path.read_text(encoding="utf-8")
            assert str(hostile["place"]) not in text, path.name
            assert "48.858" not in text and "29.68" not in text and not re.search(r"gps", text.replace("gps.jpg", ""), re.IGNORECASE), path.name
            assert os.uname().nodename not in text, path.name


@pytest.mark.slow
def test_tables_are_the_same_bytes_elsewhere(hostile, tmp_path):
    """One worker, files made in another order, another locale, time zone, umask, home and terminal; another cache."""
    making.make(tmp_path / "delivery", hostile["place"] / "outside", reverse=True)
    env = command.environment("/nonexistent", LANG="tr_TR.ISO-8859-9", LC_ALL="C", TZ="Pacific/Kiritimati", TERM="dumb", PYTHONHASHSEED="7")
    status, _, errors = command.run(
        "review", tmp_path / "delivery", "--out", tmp_path / "out", "--tables-only", "--jobs", "1", cwd="/", env=env, umask=0o077
    )
    assert status == 1, errors
    mine, theirs = command.table_bytes(hostile["report"]), command.table_bytes(command.reports(tmp_path / "out")[-1])
    links = hostile["place"].parent  # links out of the delivery name the same folder in both
    assert links.is_dir()
    for name in command.TABLES:
        assert mine[name] == theirs[name], name


@pytest.mark.slow
def test_a_second_run_replaces_nothing_and_gives_the_same(hostile):
    first = command.listing(hostile["report"])
    env = command.environment(hostile["place"])
    status, output, _ = command.run("review", hostile["delivery"], "--out", hostile["out"], "--tables-only", cwd=hostile["place"], env=env)
    second = command.reports(hostile["out"])[-1]
    assert (status, second.name) == (1, hostile["report"].name + "_2")
    assert command.listing(hostile["report"]) == first
    assert command.table_bytes(second) == command.table_bytes(hostile["report"])
    assert output.strip() == str(second)
