"""
Tables on disk: rounded by the schema, safe to open in a spreadsheet.

CSV: UTF-8, comma, header row, ``.`` decimal, empty = not applicable or unknown.
A text cell or heading that a spreadsheet would run as a formula is written behind an
apostrophe; `read_table` takes it off again.
"""

import csv
import os
import re

import pandas as pd

from catalogue_audit import schema
from catalogue_audit.statistics.tables import conform, table_from_rows

# What begins a formula, wide forms too, also behind blanks and signs that a spreadsheet may drop.
_FORMULA = re.compile(r"['\t\r\n]|[\s\x00-\x20\x7f-\xa0\xad\u200b-\u200f\u2060\ufeff]*[=+\-@\uff1d\uff0b\uff0d\uff20\ufe62\ufe63\ufe66\ufe6b]")


def write_table(path, table, frame):
    """Write one table as CSV, whole or not at all."""
    columns = {column.name: column for column in schema.ALL_TABLES[table]}
    names = [*columns, *(name for name in frame.columns if name not in columns)]
    cells = [_cells(frame[name], columns.get(name)) for name in names]
    temporary = path.with_name(path.name + ".part")
    with open(temporary, "w", encoding="utf-8", newline="") as file:
        writer = csv.writer(UnixLines(file))
        writer.writerow(map(escape_cell, names))
        writer.writerows(zip(*cells, strict=True))
        file.flush()
        os.fsync(file.fileno())
    os.replace(temporary, path)


class UnixLines:
    """
    Rows ended by a line feed, from a writer that thinks they end with both.

    The writer quotes a cell only where it holds a character of its own line end,
    and a carriage return in a file name must be quoted too.
    """

    def __init__(self, file):
        self._file = file

    def write(self, row):
        return self._file.write(row.removesuffix("\r\n") + "\n")


def read_table(path, table):
    """Inverse of `write_table`: the same types, the apostrophes taken off."""
    known = [column.name for column in schema.ALL_TABLES[table] if column.type in ("number", "integer", "boolean")]
    text = pd.read_csv(
        path, dtype="str", keep_default_na=False, na_values={name: [""] for name in known}, encoding="utf-8", lineterminator="\n"
    )
    text.columns = [name.removeprefix("'") for name in text.columns]
    for name in text.columns.difference(known, sort=False):
        text[name] = text[name].map(_unescape)
    booleans = [c.name for c in schema.ALL_TABLES[table] if c.type == "boolean" and c.name in text.columns]
    for name in booleans:
        text[name] = text[name].map({"true": True, "false": False})
    return conform(table, text)


def _cells(series, column):
    kind = column.type if column else ("number" if series.dtype.kind == "f" else "text")
    if kind == "number":
        digits = column.digits if column else 6
        return ["" if pd.isna(value) else f"{value + 0.0:.{digits}f}" for value in series]
    if kind == "integer":
        return ["" if pd.isna(value) else str(int(value)) for value in series]
    if kind == "boolean":
        return ["" if pd.isna(value) else str(bool(value)).lower() for value in series]
    return ["" if pd.isna(value) else escape_cell(str(value)) for value in series]


def escape_cell(text):
    """
    Text that no spreadsheet takes for a formula.

    Examples
    --------
    >>> escape_cell("=1+1"), escape_cell("plain")
    ("'=1+1", 'plain')
    """
    text = text.replace("\0", "")
    return "'" + text if _FORMULA.match(text) else text


def _unescape(text):
    if text == "":
        return None
    return text[1:] if text.startswith("'") else text


def write_tables(folder, tables):
    """Write every table of `tables` (name → DataFrame) into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        write_table(folder / f"{name}.csv", name, frame)


def read_tables(folder):
    """Every table of a report's ``tables`` folder, by name; a table whose file is missing is empty."""
    return {
        name: read_table(folder / f"{name}.csv", name)
        if (folder / f"{name}.csv").is_file()
        else table_from_rows(name, [])
        for name in schema.TABLES
    }
