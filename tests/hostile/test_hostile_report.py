"""The full report of a hostile delivery: no script of the supplier's runs, nothing of this machine is told."""

import os
import re
import zipfile

import nbformat
import pytest

from hostile import command, making
from hostile import pictures as p

CANARIES = "() => ({title: document.title, hacked: window.hacked === undefined ? 'no' : 'yes'})"
DANGEROUS = ("script", "onerror", "onmouseover", "7*191", "touch hacked", "HYPERLINK", "javascript:", "{sku}", "\\input")


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    """A report with pages, sheets and notebooks over texts and names that try to be more than text."""
    place = tmp_path_factory.mktemp("page")
    delivery = place / "delivery <img src=x onerror=window.hacked=1>{{7*191}}"
    making.neighbours(delivery)
    (delivery / "files").mkdir()
    for kind, text in p.TEXTS.items():
        (delivery / "files" / f"{kind}_front.jpg").write_bytes(p.photograph(4, make=text, model=text, artist=text, description=text))
    for item in making.hostile_names():
        if any(word.encode() in item.name for word in DANGEROUS) or b"\n" in item.name or b"\xff" in item.name:
            making.place(delivery, item)
    (delivery / "files" / "gps.jpg").write_bytes(making.metadata_files(place / "x")["gps.jpg"][1])
    (delivery / "files" / "html.jpg").write_bytes(making.bad_files()["html.jpg"][1])
    (delivery / "products.csv").write_bytes(b"\xff\xfe" + making.PRODUCTS.encode("utf-16-le"))
    env = command.environment(place / "home", TMPDIR=str(place))
    status, output, errors = command.run("review", delivery, "--out", place / "out", "--jobs", "2", cwd=delivery, env=env)
    assert status == 1, errors
    assert "Traceback" not in errors
    return {"place": place, "folder": command.reports(place / "out")[0], "mark": env[command.MARK]}


@pytest.fixture(scope="module")
def pages(report, tmp_path_factory):
    """Every HTML page of the report, and every notebook exported to HTML."""
    from nbconvert import HTMLExporter

    exported = tmp_path_factory.mktemp("exported")
    found = sorted(report["folder"].rglob("*.html"))
    for path in sorted(report["folder"].rglob("*.ipynb")):
        html, _ = HTMLExporter().from_notebook_node(nbformat.read(path, as_version=4))
        page = exported / f"{path.stem}.html"
        page.write_text(html, encoding="utf-8")
        found.append(page)
    return found


@pytest.mark.slow
def test_the_report_is_whole_and_leaves_nothing_behind(report):
    assert (report["folder"] / "report.html").is_file()
    assert "incomplete" not in command.summary(report["folder"])
    assert {path.name for path in (report["folder"] / "notebooks").glob("*.ipynb")} >= {"01_delivery_review.ipynb", "02_consistency_study.ipynb"}
    assert command.strays(report["folder"].parent) == []
    assert {path.name[:8] for path in report["place"].iterdir()} <= {"delivery", "out"}, "temporary files are left"
    assert command.left_alive(report["mark"], 5) == {}


@pytest.mark.slow
@pytest.mark.browser
def test_no_script_of_the_supplier_runs_in_any_page(pages, browser):
    assert len(pages) >= 4
    for page in pages:
        context = browser.new_context(offline=True)
        opened = context.new_page()
        asked = []
        opened.on("request", lambda request, asked=asked: asked.append(request.url))
        opened.on("dialog", lambda dialog: dialog.dismiss())
        opened.goto(page.as_uri(), wait_until="load")
        opened.wait_for_timeout(500)
        for handle in opened.query_selector_all("[onmouseover], [onerror], [onload], [onfocus]"):
            assert "hacked" not in handle.evaluate("node => node.outerHTML"), page.name
        state = opened.evaluate(CANARIES)
        assert state["hacked"] == "no", page.name
        assert state["title"] != "hacked", page.name
        assert not [url for url in asked if "canary" in url], page.name
        context.close()


@pytest.mark.slow
def test_dangerous_text_is_shown_as_it_is_written(report):
    text = (report["folder"] / "report.html").read_text(encoding="utf-8")
    assert "{{7*191}}" in text and "1337" not in text
    assert "&lt;script&gt;" in text or "&lt;img" in text
    assert not list(report["place"].rglob("hacked"))


@pytest.mark.slow
def test_nothing_of_this_machine_and_no_place_of_a_photograph_is_in_any_file(report):
    names = [str(report["place"]), os.uname().nodename, os.path.dirname(os.path.dirname(os.__file__)), "/site-packages/"]
    names = [name for name in names if len(name) > 4]  # a shorter one stands in compressed pictures by chance
    for path in report["folder"].rglob("*"):
        if not path.is_file():
            continue
        data = path.read_bytes()
        if zipfile.is_zipfile(path):
            data = b"".join(zipfile.ZipFile(path).read(name) for name in zipfile.ZipFile(path).namelist())
        for name in names:
            assert name.encode() not in data, (path.name, name)
        if path.suffix in (".jpg", ".jpeg", ".png", ".webp"):
            assert b"Exif\0\0" not in data and b"GPS" not in data, path.name
        elif path.suffix in (".html", ".csv", ".json", ".ipynb", ".txt"):
            assert not re.search(rb"48\.8582|2\.2945|29\.68", data), path.name


@pytest.mark.slow
def test_the_csv_files_beside_the_tables_hold_no_formulas_either(report):
    checked = 0
    for path in report["folder"].rglob("*.csv"):
        for cell in command.cells_of(path):
            assert not cell.startswith(("=", "+", "@", "\t", "\r")), (path.name, cell)
            assert not cell.startswith("-") or re.fullmatch(r"-[\d.e-]+", cell), (path.name, cell)
            checked += 1
    assert checked > 1000
