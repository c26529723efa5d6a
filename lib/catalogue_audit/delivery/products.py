"""
The products file: which products there are, how large they are, when they are due.

A CSV from anywhere: any usual encoding, comma, semicolon, tab or bar, point or
decimal comma. It is read rightly or refused with line and column; text stays
as it was written (``007``, ``1e5``, ``NA`` are SKUs).
"""

import csv
import difflib
import math
import os
import re
import unicodedata
from array import array
from datetime import date

from catalogue_audit.delivery.csv_rows import csv_rows, opened_text, refuse_zero_bytes, text_encoding
from catalogue_audit.delivery.gs1 import GTIN_LENGTHS
from catalogue_audit.delivery.plain_file import read_plain_file
from catalogue_audit.errors import UsageError
from catalogue_audit.schema import PRODUCT_FILE_COLUMNS

# What keeps the reading of a products file under a gigabyte; a million products of a dozen columns are well below.
MOST_BYTES = 300_000_000
MOST_COLUMNS = 400
MOST_CELLS = 25_000_000
CELLS_AT_ONCE = 400_000  # held as Python text before they are packed
MOST_UNDELIVERED = 10_000  # products without a picture that get a row and a finding each; of more, one for all

LONGEST_SKU = 255  # characters; no file could be named after a longer one
NUMBERS = ("width_cm", "height_cm", "depth_cm")
DATES = ("due", "live_on", "sample_until")
ALIKE = 0.75  # share of signs from which two headings may mean one: 'width' and 'width_cm' share 0.77
LARGEST_CM = 1000.0  # ten metres: no bag; a figure in another unit

_DELIMITERS = (",", ";", "\t", "|")
_SAME_COLUMN = {"colour": "colourway", "color": "colourway", "colorway": "colourway", "ean": "gtin", "upc": "gtin"}
_NUMBER = re.compile(r"(\d+(?:[.,]\d+)?)\s*(?:cm)?", re.IGNORECASE | re.ASCII)
_DATE = re.compile(r"(\d{4}-\d{2}-\d{2})(?:[T ]00:00(?::00(?:\.0+)?)?)?", re.ASCII)
_NOT_KNOWN = ("", "-", "–", "n/a", "?")
_BLANKS = "".join(map(chr, (*range(9, 14), *range(28, 33), 0x85, 0xA0, 0x1680, *range(0x2000, 0x200E), 0x2028, 0x2029, 0x202F, 0x205F, 0x2060, 0x3000, 0xFEFF)))
_WORKBOOKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")  # what spreadsheet programs write by themselves
_SUM_WORDS = frozenset("total totals sum sums subtotal grand_total summe gesamt totale somme suma".split())


def read_products(source, name="products.csv"):
    """
    Read a products file.

    Parameters
    ----------
    source : str, os.PathLike or bytes
        A file the user named, or the bytes of one that lies in the delivery
        (`Delivery.products_file` never follows a link out of it).
    name : str
        What messages call the bytes.

    Returns
    -------
    pandas.DataFrame
        The columns of ``schema.PRODUCT_FILE_COLUMNS`` in that order, then any
        others of the file under the names they have there; a row a product, in
        the order of the file. ``width_cm``, ``height_cm``, ``depth_cm`` are
        float with NaN for unknown; everything else is text, empty for unknown.

    Raises
    ------
    UsageError
        Naming line, column, what was found and what is allowed.
    """
    if isinstance(source, bytes):
        return parse_products(source, name)
    return parse_products(read_plain_file(source, MOST_BYTES, "products file"), os.fspath(source))


def parse_products(data, name="products.csv"):
    """Read the bytes of a products file; as `read_products`."""
    import pandas as pd

    if len(data) > MOST_BYTES:
        msg = f"{name} has {len(data) / 1e6:,.0f} MB; at most {MOST_BYTES / 1e6:,.0f} MB are read.\nLeave out products and columns."
        raise UsageError(msg)
    if data.startswith(_WORKBOOKS):
        raise UsageError(f"{name} is the workbook of a spreadsheet program, no CSV, whatever its name says.\nSave it as CSV (UTF-8).")
    encoding = text_encoding(data, name)
    delimiter = _delimiter(data, encoding)
    rows = csv_rows(data, encoding, delimiter, name)
    line, cells = next(rows, (1, []))
    header, columns = _header(cells, delimiter, name, line)
    refuse_zero_bytes(data, encoding, name)
    lines, packed = array("q"), []
    for chunk_lines, cells in _chunks(rows, header, name):
        lines.extend(chunk_lines)
        packed.append(
            pd.DataFrame({column: pd.array(values, dtype="str") for column, values in zip(columns, cells, strict=True)})
        )
    empty = pd.DataFrame({column: pd.array([], dtype="str") for column in columns})
    table = pd.concat(packed, ignore_index=True) if packed else empty
    _check_skus(table["sku"], lines, name)
    _check_last(table, lines, name)
    return _typed(table, lines, name)


def sku_forms(products):
    """
    Every way a file name may write a product: its SKU, or its GTIN with or without leading zeros.

    Parameters
    ----------
    products : DataFrame or None
        From `read_products`.

    Returns
    -------
    dict
        Written form → SKU, for `names.read_names`; a GTIN stands there in 14
        digits. A GTIN that two products share, or that is also an SKU, stands
        for none of them.
    """
    if products is None:
        return {}
    forms = {}
    for sku, gtin in zip(products["sku"], products["gtin"], strict=True):
        digits = "".join(char for char in gtin if char not in " -") if gtin else ""
        if digits.isascii() and digits.isdigit() and len(digits) in GTIN_LENGTHS:
            digits = digits.zfill(14)
            forms[digits] = sku if forms.get(digits, sku) == sku else None
    forms = {gtin: sku for gtin, sku in forms.items() if sku is not None}
    forms.update(zip(products["sku"], products["sku"], strict=True))
    return forms


def misread_columns(products):
    """
    Questions about columns whose headings are nearly those of columns that are read and not there.

    Parameters
    ----------
    products : DataFrame or None
        From `read_products`.

    Returns
    -------
    tuple of str
    """
    if products is None:
        return ()
    absent = [column for column in PRODUCT_FILE_COLUMNS if products[column].isin(["", math.nan]).all()]
    meant = {column: difflib.get_close_matches(_column_name(column), absent, 1, ALIKE) for column in products.columns[len(PRODUCT_FILE_COLUMNS) :]}
    return tuple(f"The products file's column '{_shown(column)}' is not used: is '{near[0]}' meant?" for column, near in meant.items() if near)


def split_products(products, skus):
    """
    A products file that lists far more than was delivered, cut to the products of the folder.

    A house may keep one list of everything it sells; a row and a finding for each
    of a million products without a picture would bury the delivery's own.

    Parameters
    ----------
    products : DataFrame or None
        From `read_products`.
    skus : iterable of str
        SKUs that the folder names.

    Returns
    -------
    of_folder : DataFrame or None
        All rows, unless more than `MOST_UNDELIVERED` of them are of no product in the folder; then the others.
    left_out : DataFrame
        ``sku`` and ``due`` of the rows that are not in it, in the order of the file.
    """
    import pandas as pd

    nothing = pd.DataFrame({name: pd.array([], dtype="str") for name in ("sku", "due")})
    if products is None or len(products) <= MOST_UNDELIVERED:
        return products, nothing
    named = {sku.casefold() for sku in skus if sku}
    here = pd.Series([sku.casefold() in named for sku in products["sku"]], dtype=bool)
    if len(products) - here.sum() <= MOST_UNDELIVERED:
        return products, nothing
    return products[here].reset_index(drop=True), products.loc[~here, ["sku", "due"]].reset_index(drop=True)


def _delimiter(data, encoding):
    """The separator with which the first line holds a column 'sku'; else the most frequent one."""
    text = opened_text(data, encoding).read(1 << 20)
    first = text.lstrip("\r\n").splitlines()[0] if text.strip() else ""
    named = re.fullmatch(r'"?sep=(.)"?', first.strip("\r\n "), re.IGNORECASE)
    if named:
        return named[1]
    for delimiter in _DELIMITERS:
        cells = next(csv.reader([first[:100_000]], delimiter=delimiter), [])
        if len(cells) > 1 and "sku" in map(_column_name, cells):
            return delimiter
    return max(_DELIMITERS, key=first.count)


def _column_name(cell):
    plain = re.sub(r"[\s\-]+", "_", cell.strip().strip("\ufeff").casefold())
    return _SAME_COLUMN.get(plain, plain)


def _header(cells, delimiter, name, line):
    if len(cells) > MOST_COLUMNS:
        msg = f"{name}, line {line}: {len(cells):,} columns; at most {MOST_COLUMNS} are read.\nLeave out those that are not needed."
        raise UsageError(msg)
    cells = [cell.strip().strip("\ufeff") for cell in cells]
    while cells and not cells[-1]:
        cells.pop()
    known = [_column_name(cell) for cell in cells]
    if "sku" not in known:
        found = ", ".join(f"'{cell[:40]}'" for cell in cells[:20]) or "none"
        separator = {"\t": "tab"}.get(delimiter, delimiter)
        msg = (
            f"{name}: there is no column 'sku' (columns found, separated by {separator}: {found}).\n"
            "Name the columns in the first line; allowed besides sku: " + ", ".join(PRODUCT_FILE_COLUMNS[1:]) + "."
        )
        raise UsageError(msg)
    columns = [plain if plain in PRODUCT_FILE_COLUMNS else cell for plain, cell in zip(known, cells, strict=True)]
    columns = [column or f"column_{place}" for place, column in enumerate(columns, 1)]
    twice = next((column for place, column in enumerate(columns) if column in columns[:place]), None)
    if twice is not None:
        places = [place for place, column in enumerate(columns, 1) if column == twice]
        msg = f"{name}: the column '{twice}' is there twice (columns {places[0]} and {places[1]}).\nKeep one of them."
        raise UsageError(msg)
    return cells, columns


def _chunks(rows, header, name):
    """Rows as columns, some thousands at a time."""
    lines, held = [], []
    width = len(header)
    at_once, most = max(1, CELLS_AT_ONCE // width), MOST_CELLS // width
    for number, (line, cells) in enumerate(rows, 1):
        if number > most:
            msg = f"{name}, line {line}: more than {most:,} products with {width} columns each.\nLeave out products or columns."
            raise UsageError(msg)
        if len(cells) > width and any(map(str.strip, cells[width:])):
            msg = (
                f"{name}, line {line}: {len(cells)} cells, but the first line names {width} columns"
                f" (too many: '{cells[width][:40]}').\nPut texts that hold the separator in quotes."
            )
            raise UsageError(msg)
        held.append((cells + [""] * (width - len(cells)))[:width])
        lines.append(line)
        if len(held) == at_once:
            yield lines, _columns(held)
            lines, held = [], []
    if held:
        yield lines, _columns(held)


def _columns(rows):
    # lone surrogates cannot be stored; a CSV that holds them is damaged text, shown as such
    return [
        [unicodedata.normalize("NFC", cell.strip(_BLANKS)) if not cell.isascii() else cell.strip() for cell in column]
        for column in zip(*rows, strict=True)
    ]


def _check_skus(skus, lines, name):
    without = (skus == "").to_numpy()
    if without.any():
        line = lines[int(without.argmax())]
        raise UsageError(f"{name}, line {line}, column sku: the cell is empty.\nEvery row needs its SKU.")
    long = (skus.str.len() > LONGEST_SKU).to_numpy()
    if long.any():
        at = int(long.argmax())
        found = f"'{_shown(skus.iloc[at])}...' of {len(skus.iloc[at]):,} characters"
        raise UsageError(f"{name}, line {lines[at]}, column sku: found {found}.\nAllowed: at most {LONGEST_SKU} characters, as file names have.")
    again = skus.duplicated().to_numpy()
    if again.any():
        second = int(again.argmax())
        sku = skus.iloc[second]
        first = int((skus == sku).to_numpy().argmax())
        where = f"{name}, lines {lines[first]} and {lines[second]}"
        msg = f"{where}: the SKU '{_shown(sku)}' is there twice.\nKeep one row a product."
        raise UsageError(msg)


def _check_last(table, lines, name):
    """Refuse the line of sums that a spreadsheet leaves under its figures: it is no product."""
    if len(table) < 2 or _column_name(table["sku"].iloc[-1]).rstrip(":") not in _SUM_WORDS:
        return
    others = table.iloc[-1].drop("sku")
    if not any(cell and not _NUMBER.fullmatch(cell) for cell in others):
        found = _shown(table["sku"].iloc[-1])
        raise UsageError(f"{name}, line {lines[-1]}, column sku: found '{found}', a line of sums.\nLeave that line out.")


def _typed(table, lines, name):
    import pandas as pd

    columns = {}
    for column in PRODUCT_FILE_COLUMNS:
        if column in NUMBERS:
            columns[column] = _mapped(table, column, _centimetres, "float64", math.nan, lines, name)
        elif column in DATES:
            columns[column] = _mapped(table, column, _iso_date, "str", "", lines, name)
        else:
            columns[column] = table[column] if column in table else pd.Series("", index=table.index, dtype="str")
    extra = {column: table[column] for column in table if column not in columns}
    return pd.DataFrame({**columns, **extra})


def _mapped(table, column, read, dtype, missing, lines, name):
    """Each different cell is read once: a million rows hold few different dates."""
    import pandas as pd

    if column not in table:
        return pd.Series(missing, index=table.index, dtype=dtype)
    cells = table[column]
    values = {}
    for cell in cells.unique():
        try:
            values[cell] = read(cell)
        except ValueError as allowed:
            line = lines[int((cells == cell).to_numpy().argmax())]
            msg = f"{name}, line {line}, column {column}: found '{_shown(cell)}'.\nAllowed: {allowed}."
            raise UsageError(msg) from allowed
    return cells.map(values).astype(dtype)


def _centimetres(cell):
    if cell.casefold() in _NOT_KNOWN:
        return math.nan
    found = _NUMBER.fullmatch(cell)
    value = float(found[1].replace(",", ".")) if found else math.nan
    if not 0 < value <= LARGEST_CM:
        msg = f"centimetres, more than 0 and at most {LARGEST_CM:g}, for example 28.5"
        raise ValueError(msg)
    return value


def _iso_date(cell):
    if cell.casefold() in _NOT_KNOWN:
        return ""
    found = _DATE.fullmatch(cell)
    try:
        return date.fromisoformat(found[1] if found else "").isoformat()
    except ValueError as error:
        raise ValueError("a date as year-month-day, for example 2026-03-31") from error


def _shown(cell):
    return "".join(char if char.isprintable() else repr(char)[1:-1] for char in cell[:60])
