"""A CSV text of any usual encoding, row by row with line numbers."""

import codecs
import csv
import io

from catalogue_audit.errors import UsageError

MOST_BLANK = 1_000_000  # lines, as a spreadsheet that forgot its end may write
_PIECE = 1 << 20  # bytes or characters looked at in one go
_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


_WIDE = ("utf-16", "utf-16-le", "utf-16-be", "utf-32")  # whose letters hold zero bytes by rights


def text_encoding(data, name):
    """
    How a text is encoded: by its mark, else UTF-16 by its zeros, UTF-8 where all of it is, or Windows-1252.

    Parameters
    ----------
    data : bytes
        Decoded whole once, piece by piece, to be sure.
    name : str
        What messages call it.

    Raises
    ------
    UsageError
        The text does not keep to the encoding that its mark names.
    """
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            return _proven(data, encoding, name)
    start = data[:4000]
    if start.count(0) > len(start) / 4:  # UTF-16 without its mark: every other byte of Latin text is 0
        return _proven(data, "utf-16-le" if start[1:2] == b"\0" else "utf-16-be", name)
    return "utf-8" if _first_fault(data, "utf-8") is None else "cp1252"  # what spreadsheets on Windows write


def _proven(data, encoding, name):
    fault = _first_fault(data, encoding)
    if fault is not None:
        msg = f"{name}: the text is damaged ({encoding}, near byte {fault}).\nSave it again as CSV, UTF-8."
        raise UsageError(msg)
    return encoding


def _first_fault(data, encoding):
    """About where the first byte stands that cannot be decoded, or None."""
    decoder = codecs.getincrementaldecoder(encoding)()
    whole = memoryview(data)
    for start in range(0, len(data) + 1, _PIECE):
        try:
            decoder.decode(whole[start : start + _PIECE], final=start + _PIECE > len(data))
        except UnicodeDecodeError as error:
            return start + error.start
    return None


def refuse_zero_bytes(data, encoding, name):
    """Raise a UsageError that names the line where a text holds a zero byte, as damage leaves it: no letter is one."""
    if encoding not in _WIDE and (at := data.find(b"\0")) >= 0:
        line = data.count(b"\n", 0, at) + 1
        raise UsageError(f"{name}, line {line}: the text holds zero bytes, so it is damaged.\nSave it again as CSV.")


def opened_text(data, encoding):
    """The text as an open file, line ends as they are; never decoded as a whole."""
    return io.TextIOWrapper(io.BytesIO(data), encoding, "replace" if encoding == "cp1252" else "strict", newline="")


def csv_rows(data, encoding, delimiter, name):
    """
    Rows of a CSV text that hold anything; only one is held at a time.

    Parameters
    ----------
    data : bytes
    encoding, delimiter, name : str

    Yields
    ------
    line : int
        On which the row begins, 1 for the first.
    cells : list of str

    Raises
    ------
    UsageError
        Quotes do not pair up, or a cell is longer than `csv.field_size_limit` (131,072 characters).
    """
    reader = csv.reader(opened_text(data, encoding), delimiter=delimiter, strict=True)
    line, blank = 1, 0
    try:
        for cells in reader:
            blank += not any(cells)
            if blank > MOST_BLANK:
                msg = f"{name}, line {line}: more than {MOST_BLANK:,} lines hold nothing.\nSave it again as CSV."
                raise UsageError(msg)
            if not (line == 1 and len(cells) <= 2 and cells and cells[0].lower().startswith("sep=")) and any(
                map(str.strip, cells)
            ):
                yield line, cells
            line = reader.line_num + 1
    except csv.Error as error:
        what = f"the quotes do not pair up, or a cell is far too long ({error})"
        msg = f"{name}, line {line}: {what}.\nSave it again as CSV."
        raise UsageError(msg) from error
