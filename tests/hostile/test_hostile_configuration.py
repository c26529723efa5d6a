"""Products files, briefs and cells as spreadsheets and editors leave them: read rightly, or refused with place, found and allowed."""

import pytest
from catalogue_audit.delivery.brief import dump_brief, parse_brief
from catalogue_audit.delivery.products import parse_products
from catalogue_audit.errors import UsageError
from catalogue_audit.report.tables import escape_cell


@pytest.mark.parametrize(
    ("data", "parts"),
    [
        (b"PK\x03\x04" + bytes(200), ("workbook", "CSV")),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(200), ("workbook", "CSV")),
        (b"sku,width_cm\nA,10\nB,20\nTotal,30\n", ("line 4", "column sku", "Total", "sums")),
        (b"sku;name;width_cm\nA;x;10\nGrand total:;;30\n", ("line 3", "column sku", "sums")),
        (b"sku\nA\n" + b"x" * 50_000 + b"\n", ("line 3", "column sku", "50,000 characters", "at most 255")),
        (b"sku,name\nA,x\nB,\0y\n", ("line 3", "zero bytes")),
    ],
)
def test_what_a_spreadsheet_leaves_is_refused_with_its_place(data, parts):
    with pytest.raises(UsageError) as told:
        parse_products(data, "list.csv")
    for part in ("list.csv", *parts):
        assert part in str(told.value)


def test_a_product_that_is_called_like_a_sum_is_one_where_it_has_a_name():
    assert list(parse_products(b"sku,name,width_cm\nA,x,10\nTotal,a wide bag,30\n")["sku"]) == ["A", "Total"]
    assert list(parse_products(b"sku\nTotal\nA\n")["sku"]) == ["Total", "A"]
    assert list(parse_products(b"sku\nSum\n")["sku"]) == ["Sum"]


def test_invisible_signs_around_a_cell_are_no_part_of_it():
    text = "\ufeffsku,name\n\ufeffA\u200b,x\n\u2060B\u00a0,\u3000y\ufeff\n"
    found = parse_products(text.encode())
    assert list(found["sku"]) == ["A", "B"] and list(found["name"]) == ["x", "y"]


LINE_ENDS = ("\n", "\r\n", "\r", "\r\r\n", "\n\r")


@pytest.mark.parametrize("end", LINE_ENDS, ids=repr)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-be", "utf-32", "latin-1"])
def test_any_line_end_in_any_encoding(end, encoding):
    data = end.join(["sku;name;width_cm", "A;x;28,5", "B;Täsche;", ""]).encode(encoding)
    found = parse_products(data)
    assert list(found["sku"]) == ["A", "B"] and found["width_cm"][0] == 28.5 and found["name"][1] == "Täsche"


FIGURES = ("nan", "inf", "-inf", "-1", "1.7e308", "10000000000000000000000", "true", '"4"', "[1]", "[]", "{}", "2026-01-01")


@pytest.mark.parametrize("figure", FIGURES)
@pytest.mark.parametrize(
    "key",
    [
        "views.required", "views.counts", "tolerance.roll", "file_spec.width_px", "framing.fill", "framing.px_per_cm", "reference.background_Lab",
        "reference.background_ev", "verdict.return_delivery_above", "sampling.aql", "sampling.seed", "capture.pause_minutes", "limits.memory_bytes",
        "limits.seconds_per_file", "strap.front", "names.patterns", "checks.skip", "as_of", "stage",
    ],
)  # fmt: skip
def test_each_figure_is_refused_with_file_and_key_or_can_be_written_and_read_again(key, figure):
    try:
        brief = parse_brief(f"{key} = {figure}\n", "house.toml")
    except UsageError as told:
        section, _, name = key.rpartition(".")
        assert "house.toml" in str(told) and (name in str(told) or section in str(told))
        assert "Error" not in str(told) and len(str(told)) < 1500
    else:
        assert parse_brief(dump_brief(brief)) == brief


@pytest.mark.parametrize("lead", ["", " ", "\t", "\x0b", "\x01", "\x85", "\u00a0", "\u200b", "\ufeff", "\u00ad"])
@pytest.mark.parametrize("sign", list("=+-@") + ["\uff1d", "\uff0b", "\uff0d", "\uff20", "\ufe62"])
def test_a_formula_is_one_also_in_wide_signs_and_behind_what_a_spreadsheet_drops(lead, sign):
    assert escape_cell(f"{lead}{sign}1+1") == f"'{lead}{sign}1+1"
    assert escape_cell(f"A{sign}1") == f"A{sign}1"
