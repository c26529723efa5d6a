"""The products file, GS1 check digits, and what spreadsheets do to them."""

import csv
import io
import math
import re
import time

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from catalogue_audit.delivery.gs1 import gs1_check_digit, gtin_check_digit_ok
from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.delivery.names import read_names
from catalogue_audit.delivery.products import MOST_UNDELIVERED, parse_products, read_products, sku_forms, split_products
from catalogue_audit.errors import UsageError
from catalogue_audit.schema import PRODUCT_FILE_COLUMNS

USUAL = "sku,name,style,colour,width_cm,height_cm,due\nAB-1,Tote,tote,tan,30,28.5,2026-03-31\n007,Pouch,pouch,red,,,\n"


def fault(text, **options):
    data = text if isinstance(text, bytes) else text.encode("utf-8")
    with pytest.raises(UsageError) as caught:
        parse_products(data, **options)
    return str(caught.value)


def test_the_columns_are_those_of_the_schema_and_unknown_is_empty():
    table = parse_products(USUAL.encode())
    assert tuple(table) == PRODUCT_FILE_COLUMNS
    assert list(table["sku"]) == ["AB-1", "007"]
    assert list(table["colourway"]) == ["tan", "red"]
    assert table["width_cm"][0] == 30.0 and math.isnan(table["width_cm"][1])
    assert list(table["due"]) == ["2026-03-31", ""]
    assert list(table["gtin"]) == ["", ""]
    kinds = {column: str(table[column].dtype) for column in table}
    assert {column for column, kind in kinds.items() if kind == "float64"} == {"width_cm", "height_cm", "depth_cm"}
    assert set(kinds.values()) == {"float64", "str"}


@pytest.mark.parametrize(
    "sku", ["007", "1e5", "1E5", "NA", "null", "nan", "None", "True", "00123.0", "=1+1", '="007"', "-5"]
)
def test_skus_stay_as_they_were_written(sku):
    written = io.StringIO()
    csv.writer(written).writerows([["sku", "name"], [sku, sku]])
    table = parse_products(written.getvalue().encode())
    assert list(table["sku"]) == [sku] and list(table["name"]) == [sku]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252"])
def test_any_usual_encoding_is_read(encoding):
    assert parse_products("sku,name\nAB-1,Täschchen\n".encode(encoding))["name"][0] == "Täschchen"


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_any_usual_separator_and_line_end_is_read(delimiter, end):
    rows = ["name|sku|width_cm", '"one, two; three"|AB-1|"12,5"', "four|AB-2|7 cm"]
    table = parse_products(end.join(row.replace("|", delimiter) for row in rows).encode())
    assert list(table["sku"]) == ["AB-1", "AB-2"]
    assert list(table["width_cm"]) == [12.5, 7.0]
    assert table["name"][0] == "one, two; three"


def test_a_line_that_names_the_separator_is_understood():
    assert list(parse_products(b"sep=;\r\nsku;name\r\nAB-1;a,b\r\n")["name"]) == ["a,b"]


def test_quoted_line_breaks_stay_in_their_cell_and_lines_are_counted_on():
    text = 'sku,name,width_cm\nAB-1,"two\nlines",3\n\nAB-2,x,wide\n'
    assert "line 5, column width_cm: found 'wide'" in fault(text)
    assert parse_products(text.replace("wide", "4").encode())["name"][0] == "two\nlines"


def test_headings_may_carry_capitals_spaces_and_other_columns():
    table = parse_products(b" SKU ,Width CM,Strap,Color,\nAB-1,3,removable,tan,\n")
    assert table["width_cm"][0] == 3.0 and table["colourway"][0] == "tan"
    assert list(table)[len(PRODUCT_FILE_COLUMNS) :] == ["Strap"]


def test_a_missing_sku_column_names_what_was_found():
    message = fault("article;name\n1;2\n", name="p.csv")
    assert "no column 'sku'" in message and "'article', 'name'" in message
    assert "no column 'sku'" in fault("")
    assert "no column 'sku'" in fault(b"\x89PNG\r\n\x1a\n" + bytes(range(256)))


def test_a_column_named_twice_is_refused():
    assert "columns 2 and 3" in fault("sku,colour,colourway\nAB-1,tan,red\n")


def test_an_sku_that_is_there_twice_names_both_lines():
    assert "lines 2 and 5: the SKU 'AB-1' is there twice" in fault("sku\nAB-1\nAB-2\n\nAB-1\n")


def test_skus_that_differ_by_case_are_two_products():
    assert len(parse_products(b"sku\nAB-1\nab-1\n")) == 2


def test_a_row_without_an_sku_names_its_line():
    assert "line 3, column sku" in fault("sku,name\nAB-1,x\n,y\n")


def test_too_many_cells_name_their_line_and_empty_ones_are_forgiven():
    assert "line 3: 3 cells" in fault("sku,name\nAB-1,x\nAB-2,x,12\n")
    assert list(parse_products(b"sku,name\nAB-1,x,,\nAB-2\n")["name"]) == ["x", ""]


@pytest.mark.parametrize(
    "cell", ["31.03.2026", "2026-13-01", "2026-02-30", "soon", "20260331", "2026-W10-1", "03/31/2026"]
)
@pytest.mark.parametrize("column", ["due", "live_on", "sample_until"])
def test_a_wrong_date_names_line_column_found_and_allowed(column, cell):
    message = fault(f"sku,{column}\nAB-1,2026-03-31\nAB-2,{cell}\n", name="p.csv")
    assert (
        message
        == f"p.csv, line 3, column {column}: found '{cell}'.\nAllowed: a date as year-month-day, for example 2026-03-31."
    )


def test_a_spreadsheets_midnight_is_its_date():
    assert list(parse_products(b"sku,due\n1,2026-03-31 00:00:00\n2,2026-03-31T00:00\n")["due"]) == ["2026-03-31"] * 2


@pytest.mark.parametrize("cell", ["0", "-3", "1e3", "nan", "inf", "wide", "1.234,5", "12 in", "5000", "=2+3", "٣"])
def test_a_wrong_size_names_line_column_found_and_allowed(cell):
    written = io.StringIO()
    csv.writer(written).writerows([["sku", "width_cm"], ["AB-1", cell]])
    assert f"line 2, column width_cm: found '{cell}'" in fault(written.getvalue())


def test_an_open_quote_is_refused_and_does_not_swallow_the_rest():
    assert "line 3: the quotes do not pair up" in fault('sku,name\nAB-1,x\nAB-2,"open\n' + "AB-3,y\n" * 100)


def test_a_cell_of_a_megabyte_is_refused():
    assert "far too long" in fault("sku,name\nAB-1," + "x" * 1_000_000)


def test_control_characters_do_not_reach_the_message():
    assert "\x1b" not in fault("sku,due\nAB-1,\x1b[31mred\n")


def test_a_missing_file_and_a_pipe_are_told(tmp_path):
    import os

    os.mkfifo(tmp_path / "pipe.csv")
    for name, what in (
        ("none.csv", "There is no products file"),
        ("pipe.csv", "is not a file"),
        (".", "is not a file"),
    ):
        with pytest.raises(UsageError, match=what):
            read_products(tmp_path / name)


def test_a_file_is_read_from_disk(tmp_path):
    (tmp_path / "p.csv").write_text(USUAL)
    assert len(read_products(tmp_path / "p.csv")) == 2
    assert read_products(USUAL.encode()).equals(read_products(str(tmp_path / "p.csv")))


@given(st.binary(max_size=300))
@settings(deadline=None)
def test_any_bytes_are_a_table_or_a_message(data):
    try:
        table = parse_products(data)
    except UsageError as error:
        assert str(error)
    else:
        assert "" not in list(table["sku"]) and table["sku"].is_unique


CELLS = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=12)


def _bare(cell):
    """A cell without blanks and marks of no width around it, which people cannot see."""
    return re.sub(r"^[\s\u200b-\u200d\u2060\ufeff]+|[\s\u200b-\u200d\u2060\ufeff]+$", "", cell)


@example([("0", "\ufeff")])
@given(st.lists(st.tuples(CELLS.filter(_bare), CELLS), max_size=6, unique_by=lambda row: _bare(row[0])))
@settings(deadline=None)
def test_what_a_csv_writer_wrote_is_read_back(rows):
    import unicodedata

    rows = [tuple(_bare(unicodedata.normalize("NFC", cell)) for cell in row) for row in rows]
    if len({sku for sku, _ in rows}) < len(rows):
        return
    written = io.StringIO()
    csv.writer(written).writerows([("sku", "name"), *rows])
    table = parse_products(written.getvalue().encode("utf-8"))
    assert list(zip(table["sku"], table["name"], strict=True)) == rows


def test_columns_and_cells_beyond_all_sense_are_refused_with_their_line(monkeypatch):
    assert "line 1: 1,000,001 columns" in fault("sku," * 1_000_000 + "name\nAB-1\n")
    monkeypatch.setattr("catalogue_audit.delivery.products.MOST_CELLS", 20)
    assert len(parse_products(b"sku,name\n" + b"".join(b"AB-%d,Bag\n" % n for n in range(10)))) == 10
    assert "line 12" in fault("sku,name\n" + "".join(f"AB-{n},Bag\n" for n in range(11)))
    monkeypatch.setattr("catalogue_audit.delivery.products.MOST_BYTES", 20)
    assert "at most" in fault("sku,name\nAB-1,a longer name\n")


def test_a_list_of_all_that_a_house_sells_is_cut_to_the_folder():
    rows = "".join(f"AB-{n},2026-03-{n % 28 + 1:02d}\n" for n in range(MOST_UNDELIVERED + 2))
    listed = parse_products(f"sku,due\n{rows}".encode())
    kept, left_out = split_products(listed, ["ab-7"])
    assert list(kept["sku"]) == ["AB-7"] and list(kept) == list(listed) and list(kept.index) == [0]
    assert len(left_out) == len(listed) - 1 and dict(left_out.iloc[7]) == {"sku": "AB-8", "due": "2026-03-09"}
    kept, left_out = split_products(listed, ["AB-7", "AB-8", None, ""])
    assert kept is listed and left_out.empty  # as many as may be left without a picture
    assert split_products(None, ["AB-7"])[0] is None


@pytest.mark.slow
def test_a_million_products_are_read_in_bounded_time():
    text = "sku,name,style,colour,width_cm,height_cm,depth_cm,gtin,due\n" + "".join(
        f"AB-{n:07d},Bag number {n},style {n % 999},tan,{n % 60 + 10},{n % 40 + 10}.5,12,,2026-03-{n % 28 + 1:02d}\n"
        for n in range(1_000_000)
    )
    begun = time.process_time()
    table = parse_products(text.encode())
    assert len(table) == 1_000_000
    assert table["sku"].iloc[-1] == "AB-0999999" and table["height_cm"].iloc[-1] == 49.5
    assert time.process_time() - begun < 60


def test_files_named_by_gtin_find_their_product():
    table = parse_products(b"sku,gtin\nBG-104,9520000000011\nBG-105,9520000000028\nBG-106,9520000000028\nBG-107,\n")
    names = [f"{gtin}_front.jpg" for gtin in ("9520000000011", "09520000000011", "9520000000028")] + [
        "bg-107_front.jpg"
    ]
    skus = [facts.sku for facts in read_names(names, load_brief(), sku_forms(table))]
    assert skus == ["BG-104", "BG-104", "9520000000028", "BG-107"]  # a GTIN of two products is neither's
    assert sku_forms(None) == {}


# -- GS1 check digits -----------------------------------------------------------------------

# key, where the figure comes from
GTINS = (
    ("6291041500213", "GS1 check-digit page, worked table (sum 57)"),
    ("7300011000017", "GS1 Sweden, worked example (15 + 8 = 23, 30 - 23)"),
    ("8904000210037", "GS1 India, worked example (54 + 9 = 63, + 7)"),
    ("40987650000223", "vendor support page on GTIN check digits"),
    ("96385074", "widely printed EAN-8 example; from memory"),
    ("012345678905", "widely printed UPC-A demonstration number; from memory"),
    ("9520000000011", "computed, GS1 prefix 952 for examples"),
)


@pytest.mark.parametrize("key, source", GTINS)
def test_published_gtins_have_their_check_digit(key, source):
    assert gs1_check_digit(key[:-1]) == int(key[-1]), source
    assert gtin_check_digit_ok(key), source
    assert gtin_check_digit_ok(key.zfill(14)), source  # leading zeros change nothing


def test_the_published_serial_shipping_container_code_has_its_check_digit():
    # SSCC 376104250021234569: GS1 check-digit page, 18-digit example; from memory
    assert gs1_check_digit("37610425002123456") == 9


@pytest.mark.parametrize("key, source", GTINS)
def test_one_wrong_digit_is_always_noticed(key, source):
    # weights 1 and 3 have no factor in common with 10, so every single change shows
    for place in range(len(key)):
        for digit in set("0123456789") - {key[place]}:
            assert not gtin_check_digit_ok(key[:place] + digit + key[place + 1 :]), source


@pytest.mark.parametrize("text", ["", "AB-1", "123", "629104150021x", "٦٢٩١٠٤١٥٠٠٢١٣", "6291041500213\n", "0" * 40])
def test_what_is_no_gtin_has_no_right_check_digit(text):
    assert not gtin_check_digit_ok(text)


@given(st.text())
def test_any_text_can_be_asked(text):
    assert gtin_check_digit_ok(text) in (True, False)
