"""The whole report folder: what the contract lists, and how it tells that it is not whole."""

import json

import pytest
from bs4 import BeautifulSoup
from catalogue_audit.errors import AuditError
from catalogue_audit.report import page_pdf, report
from catalogue_audit.report.notebooks import NotebookFailed
from catalogue_audit.report.report import write_report
from catalogue_audit.schema import TABLES
from making_audit import make_audit
from making_report import write_made_report

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
    assert {f"notebooks/{path.name}" for path in (tmp_path / "notebooks").iterdir()} <= {link.get("href") for link in page.select("a")}
    assert "numpy" in page.find(id="method").find_parent("section").text


def test_tables_only_writes_tables_and_summary_and_no_page(tmp_path):
    write_report(make_audit(2), tmp_path, notebooks=False)
    assert {path.name for path in tmp_path.iterdir()} == {"tables", "frames.parquet", "summary.json"}


def test_a_failed_notebook_never_looks_finished(tmp_path, monkeypatch):
    def fail(folder, names):
        raise NotebookFailed("The notebook '02_consistency_study.ipynb', cell 5 did not run to its end: MemoryError.")

    monkeypatch.setattr(report, "run_notebooks", fail)
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


@pytest.mark.browser
def test_the_page_prints_to_a_pdf(tmp_path, chromium_path):
    pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed")
    write_made_report(make_audit(2), tmp_path)
    text = pypdf.PdfReader(page_pdf.write_page_pdf(tmp_path, browser=chromium_path)).pages[0].extract_text()
    assert "Send back" in text
