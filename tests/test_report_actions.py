"""Findings put in the order of work."""

import dataclasses

import pandas as pd
import pytest
from catalogue_audit.report.actions import (
    excess,
    reference_of,
    reference_pictures,
    remedy_counts,
    subject,
    things_to_do,
    work,
)
from catalogue_audit.report.contact import outline_text, sheet_by_product, sheets_by_view
from catalogue_audit.report.wording import REMEDY_ORDER
from catalogue_audit.schema import SEVERITIES
from catalogue_audit.statistics.tables import table_from_rows
from making_audit import make_audit


@pytest.fixture(scope="module")
def audit():
    return make_audit()


def test_every_finding_is_in_exactly_one_thing(audit):
    rows = sorted(row for thing in things_to_do(audit.findings) for row in thing.rows)
    assert rows == list(range(len(audit.findings)))


def test_findings_that_share_a_cause_are_one_thing(audit):
    shared = [thing for thing in things_to_do(audit.findings) if len(thing.rows) > 1]
    assert [(thing.check, len(thing.files)) for thing in shared] == [("white_balance", 3)]


def test_an_accepted_finding_is_nothing_to_do(audit):
    findings = audit.findings.copy()
    findings.loc[0, "cause"] = "accepted by J. Doe: as agreed"
    assert 0 not in {row for thing in things_to_do(findings) for row in thing.rows}
    assert sum(sum(counts.values()) for _, counts in remedy_counts(findings)) == len(findings) - 1


def test_things_come_worst_first(audit):
    ranks = [SEVERITIES.index(thing.severity) for thing in things_to_do(audit.findings)]
    assert ranks == sorted(ranks)
    major = [thing.weight for thing in things_to_do(audit.findings) if thing.severity == "major"]
    assert major == sorted(major, reverse=True)


def test_order_of_rows_does_not_change_what_is_said(audit):
    turned = audit.findings.iloc[::-1].reset_index(drop=True)
    same = [(thing.severity, thing.check, thing.files and sorted(thing.files)) for thing in things_to_do(audit.findings)]
    assert sorted(map(str, same)) == sorted(str((t.severity, t.check, t.files and sorted(t.files))) for t in things_to_do(turned))


def test_the_work_is_a_line_a_remedy_and_counts_every_picture_once(audit):
    lines = work(things_to_do(audit.findings), audit.products)
    due = audit.findings[audit.findings["severity"] != "minor"]
    assert [remedy for remedy, *_ in lines] == [remedy for remedy in REMEDY_ORDER if (due["remedy"] == remedy).any()]
    for remedy, severity, amount, kinds, until in lines:
        of_remedy = due[due["remedy"] == remedy]
        pictures = of_remedy["file"].nunique() + int(of_remedy["file"].isna().sum())
        assert amount.startswith(f"{pictures} picture")
        assert severity == min(of_remedy["severity"], key=SEVERITIES.index)
        assert kinds and not until, "the made products have no dates"


def test_a_long_list_of_kinds_ends_in_a_count(audit):
    lines = {remedy: kinds for remedy, _, _, kinds, _ in work(things_to_do(audit.findings), audit.products)}
    due = audit.findings[audit.findings["severity"] != "minor"]
    number = due.loc[due["remedy"] == "retouch", "check"].nunique()
    assert lines["retouch"].endswith(f" and {number - 5} more kinds") and lines["retouch"].count(", ") == 4


def test_minor_findings_are_no_work(audit):
    findings = audit.findings.assign(severity="minor")
    assert work(things_to_do(findings), audit.products) == []


@pytest.mark.parametrize(
    ("dates", "said"),
    [
        ({"P1": "2024-04-02", "P2": "2024-03-20"}, "the first sample leaves on 2024-03-20"),
        ({"P1": "2024-03-20", "P2": "2024-03-20"}, "samples leave on 2024-03-20"),
        ({"P2": "2024-03-20"}, "the first sample leaves on 2024-03-20"),
        ({}, ""),
    ],
)
def test_the_work_says_until_when_the_samples_can_be_had(dates, said):
    rows = [
        {"file": f"{sku}_front.jpg", "sku": sku, "view": "front", "check": "focus", "severity": "critical", "remedy": "reshoot", "note": "out of focus"}
        for sku in ("P1", "P2")
    ]
    products = table_from_rows("products", [{"sku": sku, "sample_until": dates.get(sku)} for sku in ("P1", "P2")])
    assert work(things_to_do(table_from_rows("findings", rows)), products) == [("reshoot", "critical", "2 pictures of P1, P2", "focus", said)]


def test_what_was_found_on_a_product_as_a_whole_is_no_picture():
    rows = [
        {"file": "P2_front.jpg", "sku": "P2", "view": "front", "check": "focus", "severity": "critical", "remedy": "reshoot", "note": "out of focus"},
        {"sku": "P1", "check": "styling", "severity": "major", "remedy": "reshoot", "note": "tag over the zip"},
    ]
    (line,) = work(things_to_do(table_from_rows("findings", rows)), table_from_rows("products", []))
    assert line[2] == "1 picture of P2 and all of P1"


def test_excess_follows_the_kind_of_limit():
    assert excess({"check": "roll", "value": -1.6, "expected": 0.0, "tolerance": 0.8}) == 2.0
    assert excess({"check": "focus", "value": 3.0, "expected": 1.0, "tolerance": 1.5}) == 2.0
    assert excess({"check": "jpeg_quality", "value": 50, "expected": 92, "tolerance": 75}) == 1.5


def test_a_reference_picture_has_no_finding_that_needs_action(audit):
    faulty = set(audit.findings.loc[audit.findings["severity"] != "minor", "file"].dropna())
    named = {file for files in reference_pictures(audit.frames, audit.findings).values() for file in files}
    assert named
    assert not named & faulty


def test_a_picture_is_never_its_own_reference(audit):
    references = reference_pictures(audit.frames, audit.findings)
    best, second = references["front", ""][:2]
    assert reference_of(references, "front") == best
    assert reference_of(references, "front", None, best) == second
    assert reference_of({("front", ""): (best,)}, "front", None, best) is None


def test_a_bag_is_compared_with_another_one_of_its_style(audit):
    references = reference_pictures(audit.frames, audit.findings)
    rows = audit.frames[audit.frames["view"] == "front"].set_index("file")["style"]
    for file, style in rows.items():
        own_style = [other for other in references.get(("front", style), ()) if other != file]
        if own_style:
            assert rows[reference_of(references, "front", style, file)] == style
    shapes = {"wide": (0.1, 0.9), "narrow": (0.4, 0.6), "judged": (0.38, 0.62)}
    boxes = {file: {"left": x, "right": y, "top": 0.2, "bottom": 0.8, "width_px": 800, "height_px": 1000} for file, (x, y) in shapes.items()}
    assert reference_of({("front", "tote"): ("wide", "narrow")}, "front", "tote", "judged", boxes) == "narrow"
    assert any(style for (view, style), files in references.items() if len(files) > 1)


def test_a_missing_view_is_a_hole_in_the_sheet(audit):
    _, rows = sheet_by_product(audit)
    assert {(row.sku, view) for row in rows for view in row.holes} == {("BG-0103", "back")}


def test_every_picture_is_on_the_sheet_by_product_once(audit):
    _, rows = sheet_by_product(audit)
    shown = [cell.file for row in rows for cells in row.cells.values() for cell in cells]
    assert sorted(shown) == sorted(audit.frames["file"])


def test_every_measured_picture_with_a_view_is_on_a_view_sheet_once(audit):
    shown = [cell.file for sheet in sheets_by_view(audit) for cell in sheet.cells]
    assert sorted(shown) == sorted(audit.frames.loc[audit.frames["status"] == "measured", "file"])


def test_pictures_without_a_product_or_view_are_shown_too():
    audit = make_audit(2, faults=False)
    frames = audit.frames.copy()
    frames.loc[0, ["sku", "view"]] = pd.NA
    views, rows = sheet_by_product(dataclasses.replace(audit, frames=frames))
    assert views[-1] == "" and rows[-1].cells[""][0].row == 0


def test_an_empty_delivery_has_nothing_to_do():
    audit = make_audit(0, faults=False)
    assert things_to_do(audit.findings) == []
    assert reference_pictures(audit.frames, audit.findings) == {}
    assert sheets_by_view(audit) == []
    assert outline_text(None) == ""


def test_a_picture_is_overlaid_with_the_outline_of_another_of_its_own_style():
    audit = make_audit(12, faults=False)
    frames = audit.frames.assign(style=["tote" if sku < "BG-0107" else "pouch" for sku in audit.frames["sku"]])
    for sheet in sheets_by_view(dataclasses.replace(audit, frames=frames)):
        files = list(sheet.outlines)
        for row, place in sheet.laid.items():
            assert frames.loc[row, "style"] == frames.set_index("file").loc[files[place], "style"]
            assert frames.loc[row, "file"] != files[place]
    assert any(sheet.laid for sheet in sheets_by_view(audit))


def test_several_pictures_are_named_by_their_products_and_range():
    rows = [
        {"file": f"{sku}_front.jpg", "sku": sku, "view": "front", "check": "exposure", "severity": "major", "value": value,
         "expected": 0.0, "tolerance": 0.15, "unit": "EV", "remedy": "retouch", "note": "Darker: brighten it.", "cause": "change at b.jpg"}
        for sku, value in (("A1", -0.31), ("A2", -0.18))
    ]  # fmt: skip
    (thing,) = things_to_do(table_from_rows("findings", rows))
    assert subject(thing) == "2 pictures of A1, A2"
    assert thing.measured == "\N{MINUS SIGN}0.31 EV to \N{MINUS SIGN}0.18 EV, tolerance ± 0.15 EV"
    assert thing.note == "2 pictures share one cause: exposure changed at b.jpg. Darker: brighten it."


def test_a_picture_without_a_view_is_named_by_its_file():
    row = {"file": "A1_04.jpg", "sku": "A1", "view": None, "check": "strap", "severity": "major", "remedy": "reshoot", "note": "x"}
    assert subject(things_to_do(table_from_rows("findings", [row]))[0]) == "A1_04.jpg"


def test_the_only_picture_of_its_style_is_laid_under_no_other_shape():
    audit = make_audit(12, faults=False)
    alone = audit.frames["sku"] == "BG-0105"
    frames = audit.frames.assign(style=["bowler" if one else "tote" for one in alone])
    sheets = sheets_by_view(dataclasses.replace(audit, frames=frames))
    laid = {row for sheet in sheets for row in sheet.laid}
    assert laid and not laid & set(frames.index[alone])


def test_without_styles_only_a_product_as_broad_is_laid_over():
    audit = make_audit(12, faults=False)
    narrow = audit.frames["sku"] == "BG-0105"
    middle = (audit.frames["left"] + audit.frames["right"]) / 2
    frames = audit.frames.assign(
        style=None, left=audit.frames["left"].where(~narrow, middle - 0.08), right=audit.frames["right"].where(~narrow, middle + 0.08)
    )
    laid = {row for sheet in sheets_by_view(dataclasses.replace(audit, frames=frames)) for row in sheet.laid}
    assert laid and not laid & set(frames.index[narrow])
