"""Sheets to hand on: right rows, safe cells, readable on paper."""

import csv
import dataclasses
import tracemalloc

import pytest
from catalogue_audit.errors import AuditError
from catalogue_audit.report import sheets_pdf
from catalogue_audit.report.pictures import write_pictures
from catalogue_audit.report.sheets import mail_text, placing_words, reshoot_rows, retouch_rows, write_sheets
from catalogue_audit.statistics.tables import table_from_rows
from making_audit import make_audit
from test_report_page import hostile_audit


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    audit, folder = make_audit(), tmp_path_factory.mktemp("sheets")
    write_pictures(audit, folder)
    return audit, folder, write_sheets(audit, folder)


def _csv(path):
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_everything_to_photograph_again_is_on_the_sheet_once(written):
    audit, folder, _ = written
    wanted = audit.findings[audit.findings["remedy"].isin(["reshoot", "supply"]) & (audit.findings["severity"] != "minor")]
    assert sorted((row["sku"], row["note"]) for row in _csv(folder / "sheets" / "reshoot.csv")) == sorted(zip(wanted["sku"], wanted["note"], strict=True))


def test_products_stay_together_on_the_reshoot_sheet(written):
    skus = [row["sku"] for row in reshoot_rows(written[0])]
    assert skus == sorted(skus)


def test_a_row_says_how_to_place_the_product(written):
    row = next(row for row in reshoot_rows(written[0]) if row["why"] == "Angle")
    assert row["reference"] and "of the frame" in row["placing"] and "85 mm" in row["placing"]


def test_correction_values_reach_the_retoucher_unchanged(written):
    audit, folder, _ = written
    rows = {row["file"]: row for row in _csv(folder / "sheets" / "retouch.csv")}
    for correction in audit.corrections.to_dict("records"):
        row = rows[correction["file"]]
        for name in ("exposure_ev", "gain_b", "rotate_deg", "crop_left"):
            value = correction[name]
            assert row[name] == "" if value != value else float(row[name]) == value


def test_gains_within_the_error_of_their_measure_are_left_empty_in_the_retouch_sheet(written):
    audit = written[0]
    file = audit.corrections["file"].iloc[0]
    gains = {"gain_r": 0.9987, "gain_g": 1.0, "gain_b": 1.0058, "mired_shift": 1.0, "duv_shift": 1e-5}
    for blue, given in ((1.0058, False), (1.03, True)):
        table = table_from_rows("corrections", [{"file": file, "exposure_ev": 0.29, **gains, "gain_b": blue}])
        row = next(row for row in retouch_rows(dataclasses.replace(audit, corrections=table)) if row["file"] == file)
        assert row["exposure_ev"] == 0.29 and [row[name] is not None for name in gains] == [given] * len(gains)


def test_no_measure_on_the_reshoot_sheet_needs_a_mark_before_its_sign(written):
    cells = [row["measured"] for row in _csv(written[1] / "sheets" / "reshoot.csv")]
    assert any(cell.startswith("off by +") for cell in cells)
    assert not any(cell.startswith(("'", "+", "-", "\N{MINUS SIGN}")) for cell in cells)


def test_every_picture_to_retouch_has_one_row(written):
    audit, _, _ = written
    rows = retouch_rows(audit)
    to_do = audit.findings[(audit.findings["remedy"] == "retouch") & (audit.findings["severity"] == "major")]
    assert len({row["file"] for row in rows}) == len(rows)
    assert set(to_do["file"].dropna()) <= {row["file"] for row in rows}


def test_the_mail_says_verdict_and_counts_and_stays_short(written):
    text = mail_text(written[0])
    assert text.startswith("Delivery: Autumn bags, drop 2\nResult: Send back. 32 things to do, in 30 of 60 pictures.")
    again = written[0].findings.query("remedy == 'reshoot' and severity != 'minor'")
    assert f"Photograph again ({again['file'].nunique()} pictures of {again['sku'].nunique()} products):" in text and len(text.splitlines()) < 80


def test_a_big_delivery_still_gives_a_mail_of_message_length():
    assert len(mail_text(make_audit(60)).splitlines()) < 110


def test_clean_deliveries_have_no_sheets_to_work_through(tmp_path):
    names = [name for name, _ in write_sheets(make_audit(2, faults=False), tmp_path)]
    assert names == ["sheets/summary.txt"]


def test_hostile_cells_open_as_text_and_hostile_names_print(tmp_path):
    audit = hostile_audit()
    write_pictures(audit, tmp_path)
    write_sheets(audit, tmp_path)
    for name in ("reshoot.csv", "retouch.csv"):
        for row in _csv(tmp_path / "sheets" / name):
            assert not [cell for cell in row.values() if cell.startswith(("=", "@", "\t", "\r"))]
    assert "\u202e" not in (tmp_path / "sheets" / "summary.txt").read_text(encoding="utf-8")


def test_the_pdf_sheets_hold_every_row_and_the_cautions(written):
    pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed")
    pytest.importorskip("reportlab", reason="ReportLab is not installed")
    audit, folder, _ = written
    text = "\n".join(page.extract_text() for page in pypdf.PdfReader(folder / "sheets" / "reshoot.pdf").pages)
    for words in ("Compressed air", "Lamps", "Cables", "Lifting", "local codes and licensed practice come first"):
        assert words in text
    assert text.count("done") == len(reshoot_rows(audit))
    text = "\n".join(page.extract_text() for page in pypdf.PdfReader(folder / "sheets" / "retouch.pdf").pages)
    assert all(row["file"] in text for row in retouch_rows(audit))


def test_equal_sheets_are_equal_bytes(written, tmp_path):
    pytest.importorskip("reportlab", reason="ReportLab is not installed")
    audit, folder, _ = written
    sheets_pdf.write_reshoot(audit, reshoot_rows(audit), folder, tmp_path / "again.pdf")
    assert (tmp_path / "again.pdf").read_bytes() == (folder / "sheets" / "reshoot.pdf").read_bytes()


def test_without_the_pdf_library_the_message_says_what_to_install(monkeypatch, tmp_path):
    monkeypatch.setattr(sheets_pdf, "available", lambda: False)
    with pytest.raises(AuditError, match="pip install reportlab"):
        sheets_pdf.write_reshoot(make_audit(1), [], tmp_path, tmp_path / "x.pdf")
    assert all(not name.endswith(".pdf") for name, _ in write_sheets(make_audit(2), tmp_path))


def test_what_leaves_first_is_photographed_first():
    """By the day until which the sample can be had, then the live date; a product's main view before its others."""
    audit = make_audit(4, faults=False)
    skus = audit.products["sku"].tolist()
    products = audit.products.assign(sample_until=["2026-05-01", "2026-04-01", "2026-04-01", None], live_on=[None, "2026-06-02", "2026-06-01", "2026-01-01"])
    rows = [{"check": "angle", "severity": "major", "remedy": "reshoot", "note": "Turned.", "sku": sku, "view": view} for sku in skus for view in ("back", "three_quarter")]
    summary = audit.summary | {"brief": {"views": {"main": "three_quarter"}}}
    sheet = reshoot_rows(dataclasses.replace(audit, products=products, findings=table_from_rows("findings", rows), summary=summary))
    assert list(dict.fromkeys(row["sku"] for row in sheet)) == [skus[2], skus[1], skus[0], skus[3]]
    assert [row["view"] for row in sheet[:2]] == ["three_quarter", "back"]


def test_a_line_of_the_mail_says_what_there_is_where_no_number_does():
    row = {"file": "A (2).jpg", "sku": "A", "view": "front", "check": "strap", "severity": "major", "remedy": "reshoot",
           "note": "The front of A (A (2).jpg) shows the strap behind (3 witnesses): photograph it again."}  # fmt: skip
    empty = make_audit(1, faults=False)
    audit = dataclasses.replace(empty, findings=table_from_rows("findings", [row, row | {"check": "roll", "file": "A (3).jpg", "value": 2.0, "expected": 0.0, "tolerance": 0.8, "unit": "degree"}]))
    lines = mail_text(audit).splitlines()
    assert "- The front of A (A (2).jpg) shows the strap behind: photograph it again." in lines
    assert "- A, front: tilt (+2°, tolerance ± 0.8°)" in lines
    assert "Products: 1, 1 with all views" in lines


def test_a_long_sheet_does_not_hold_the_pixels_of_its_pictures(written, tmp_path):
    pytest.importorskip("reportlab", reason="ReportLab is not installed")
    audit, folder, _ = written
    rows = (reshoot_rows(audit) * 60)[:60]  # each picture decodes to more than a megabyte
    tracemalloc.start()
    sheets_pdf.write_reshoot(audit, rows, folder, tmp_path / "long.pdf")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 30e6


def test_nobody_is_told_to_place_a_product_by_hundredths_of_a_per_cent():
    words = placing_words({"fill_height": 0.68612, "baseline": 0.8449, "centre_dx": 0.00035, "yaw_deg": -0.3, "camera_pitch_deg": 7.8, "focal_length_mm": 100.0})
    assert words == "height 68.6 % of the frame, base at 84.5 % from the top, camera looking down 8°, 100 mm"
