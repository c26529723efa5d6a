"""Tables in memory and on disk."""

import csv

import pandas as pd
import pytest

from catalogue_audit import schema
from catalogue_audit.report.tables import read_table, read_tables, write_table
from catalogue_audit.statistics.tables import conform, table_from_rows


@pytest.mark.parametrize("table", schema.TABLES)
def test_an_empty_table_has_every_column_in_its_type(table, tmp_path):
    empty = table_from_rows(table, [])
    assert list(empty.columns) == schema.column_names(table)
    write_table(tmp_path / "t.csv", table, empty)
    pd.testing.assert_frame_equal(read_table(tmp_path / "t.csv", table), empty)


def test_a_table_survives_the_way_to_disk_and_back(tmp_path):
    rows = [
        {"file": "=cmd|' /C calc'!A0.jpg", "sku": "00123", "view": "front", "left": 0.123456789, "bytes": 12},
        {"file": "a\nb,\"c\".jpg", "sku": "NA", "left": float("nan"), "rights_present": False},
        {"file": "'quoted.jpg", "sku": "1E5", "roll_deg": -0.0001, "orientation": 6},
    ]
    table = table_from_rows("frames", rows)
    write_table(tmp_path / "frames.csv", "frames", table)
    pd.testing.assert_frame_equal(read_table(tmp_path / "frames.csv", "frames"), table)


def test_no_cell_can_be_taken_for_a_formula_and_unknown_is_empty(tmp_path):
    rows = [{"file": lead + "x", "left": float("inf"), "roll_deg": float("nan")} for lead in "=+-@\t\r"]
    write_table(tmp_path / "frames.csv", "frames", table_from_rows("frames", rows))
    with open(tmp_path / "frames.csv", newline="", encoding="utf-8") as file:
        cells = [cell for row in list(csv.reader(file))[1:] for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t", "\r"))]
    assert not {"nan", "inf", "NaN", "None", "<NA>"} & set(cells)


def test_no_heading_can_be_taken_for_a_formula(tmp_path):
    """Headings of a supplier's products file that no column of the contract is called by."""
    odd = ["=1+1", "+x", " @y", "-z", "'quoted", "plain"]
    table = table_from_rows("products", [{"sku": "A1"}]).assign(**dict.fromkeys(odd, "=2"))
    write_table(tmp_path / "products.csv", "products", table)
    with open(tmp_path / "products.csv", newline="", encoding="utf-8") as file:
        heading = next(csv.reader(file))
    assert heading[-len(odd) :] == ["'=1+1", "'+x", "' @y", "'-z", "''quoted", "plain"]
    assert list(read_table(tmp_path / "products.csv", "products").columns)[-len(odd) :] == odd


def test_a_folder_without_tables_reads_as_empty_tables(tmp_path):
    tables = read_tables(tmp_path)
    assert set(tables) == set(schema.TABLES)
    assert all(len(table) == 0 for table in tables.values())


def test_new_columns_of_a_frame_conform_and_the_others_stay():
    frames = table_from_rows("frames", [{"file": "a.jpg", "roll_deg": 0.5}, {"file": "b.jpg"}])
    columns = {"yaw_dev_deg": [1.23456789, float("inf")], "duplicate_group": [None, 3.0]}
    every = conform("frames", frames.assign(**columns))
    pd.testing.assert_frame_equal(conform("frames", frames.assign(**columns), set(columns)), every)
    assert every["yaw_dev_deg"][0] != columns["yaw_dev_deg"][0]
    assert every["yaw_dev_deg"].isna()[1]
