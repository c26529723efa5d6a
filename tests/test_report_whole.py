"""The whole report folder: what the contract lists, and how it tells that it is not whole."""

import json

import pytest
from bs4 import BeautifulSoup
from catalogue_audit.cli import main
from catalogue_audit.errors import AuditError, UsageError
from catalogue_audit.report import notebooks, page_pdf
from catalogue_audit.report.notebooks import NotebookFailed
from catalogue_audit.report.report import write_report
from catalogue_audit.schema import TABLES
from making_audit import make_audit
from making_report import write_made_report
from PIL import Image

CONTRACT = ("report.html", "summary.json", "frames.parquet", *(f"tables/{name}.csv" for name in TABLES))


@pytest.mark.slow
def test_a_report_holds_what_the_contract_lists(tmp_path):
    audit = make_audit(2)
    summary = write_report(audit, tmp_path)
    assert summary == audit.summary
    assert all((tmp_path / name).is_file() for name in CONTRACT)
    assert len(list((tmp_path / "notebooks").glob("*.ipynb"))) == 3
    page = BeautifulSoup((tmp_path / "report.html").read_text(encoding="utf-8"), "html.parser")
    assert not page.select("[role=alert]")
    assert not page.select("a[href='report.pdf']")
    assert {f"notebooks/{path.name}" for path in (tmp_path / "notebooks").iterdir()} <= {link.get("href") for link in page.select("a")}
    assert "numpy" in page.find(id="method").find_parent("section").text


def test_tables_only_writes_tables_and_summary_and_no_page(tmp_path):
    write_report(make_audit(2), tmp_path, tables_only=True)
    assert {path.name for path in tmp_path.iterdir()} == {"tables", "frames.parquet", "summary.json"}


def test_a_failed_notebook_never_looks_finished(tmp_path, monkeypatch):
    def fail(folder, names):
        raise NotebookFailed("The notebook '02_consistency_study.ipynb', cell 5 did not run to its end: MemoryError.")

    monkeypatch.setattr(notebooks, "run_notebooks", fail)
    audit = make_audit(2, faults=False)
    summary = write_report(audit, tmp_path)
    assert summary["exit_status"] == 3 and "cell 5" in summary["incomplete"]
    assert audit.summary["exit_status"] == 0 and "incomplete" not in audit.summary
    assert json.loads((tmp_path / "summary.json").read_text(encoding="utf-8"))["exit_status"] == 3
    page = BeautifulSoup((tmp_path / "report.html").read_text(encoding="utf-8"), "html.parser")
    assert "Incomplete" in page.select_one("header [role=alert]").text
    assert (tmp_path / "tables" / "frames.csv").is_file()


@pytest.mark.slow
def test_tables_and_pictures_are_the_same_bytes_each_time(tmp_path):
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        write_made_report(make_audit(2), tmp_path / name)
    for path in (tmp_path / "a").rglob("*"):
        if path.is_file():
            assert path.read_bytes() == (tmp_path / "b" / path.relative_to(tmp_path / "a")).read_bytes(), path.name


def test_without_a_browser_the_pdf_says_what_to_install(tmp_path, monkeypatch):
    (tmp_path / "report.html").write_text("<p>x", encoding="utf-8")
    monkeypatch.setattr(page_pdf, "find_browser", lambda: None)
    with pytest.raises(AuditError, match="chromium"):
        page_pdf.write_page_pdf(tmp_path)
    with pytest.raises(AuditError, match=r"no report\.html"):
        page_pdf.write_page_pdf(tmp_path / "absent")


def test_the_command_refuses_to_print_before_it_measures_where_there_is_no_browser(tmp_path, monkeypatch, capsys):
    Image.new("RGB", (300, 300)).save(tmp_path / "A-1_front.jpg")
    monkeypatch.setattr(page_pdf, "find_browser", lambda: None)
    assert main(["review", str(tmp_path), "--out", str(tmp_path.parent / "out"), "--pdf"]) == 2
    assert main(["print", str(tmp_path)]) == 2
    assert main(["review", str(tmp_path), "--out", str(tmp_path.parent / "out"), "--pdf", "--tables-only"]) == 2
    told = capsys.readouterr().err
    assert "'chromium'" in told and "no report.html" in told and "either --pdf or --tables-only" in told
    assert not (tmp_path.parent / "out").exists() or not list((tmp_path.parent / "out").glob("20*"))


def test_a_report_that_could_not_be_printed_says_so(tmp_path, monkeypatch):
    def fail(folder):
        raise AuditError("Chromium printed nothing.")

    monkeypatch.setattr(page_pdf, "write_page_pdf", fail)
    summary = write_report(make_audit(1, faults=False), tmp_path, notebooks=False, pdf=True)
    assert summary["exit_status"] == 3 and "printed nothing" in summary["incomplete"]
    page = BeautifulSoup((tmp_path / "report.html").read_text(encoding="utf-8"), "html.parser")
    assert "printed nothing" in page.select_one("header [role=alert]").text and not page.select("a[href='report.pdf']")


@pytest.mark.browser
@pytest.mark.parametrize(("paper", "size"), [("A4", (595, 842)), ("Letter", (612, 792))])  # pt: ISO 216; ANSI Y14.1
def test_the_page_prints_to_a_pdf_that_names_no_folder(tmp_path, chromium_path, paper, size):
    pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed")
    write_made_report(make_audit(2), tmp_path)
    target = page_pdf.write_page_pdf(tmp_path, browser=chromium_path, paper=paper)
    pages = pypdf.PdfReader(target).pages
    assert "Send back" in pages[0].extract_text()
    assert tuple(float(side) for side in pages[0].mediabox[2:]) == pytest.approx(size, abs=1.5)
    addresses = [note.get_object().get("/A", {}).get("/URI") for page in pages for note in page.get("/Annots") or []]
    assert not [address for address in addresses if address] and str(tmp_path).encode() not in target.read_bytes()
    with pytest.raises(UsageError, match="exists already"):
        page_pdf.write_page_pdf(tmp_path, target, browser=chromium_path)
