"""Tables in memory: built from the schema, so that even an empty folder gives the right columns and types."""

import numpy as np
import pandas as pd

from catalogue_audit import schema

DTYPES = {"text": "str", "integer": "Int64", "number": "float64", "boolean": "boolean"}


def table_from_rows(table, rows):
    """
    DataFrame of one of the schema's tables.

    Parameters
    ----------
    table : str
        Key of `schema.TABLES`.
    rows : iterable of dict
        Values by column name; what is missing or None is unknown. Keys that
        are no column of the table are left out.

    Returns
    -------
    DataFrame
        The table's columns in order and type, also where there are no rows.
    """
    rows = list(rows)
    columns = schema.ALL_TABLES[table]
    return table_from_columns(table, ((c.name, [row.get(c.name) for row in rows]) for c in columns), len(rows))


def table_from_columns(table, columns, length):
    """
    `table_from_rows` for values that stand in columns.

    Parameters
    ----------
    table : str
    columns : iterable of (str, list or array)
        Every column of the table, in any order; taken one at a time.
    length : int
        Number of rows.

    Returns
    -------
    DataFrame
    """
    schema_of = {column.name: column for column in schema.ALL_TABLES[table]}
    data = {name: _typed(values, schema_of[name]) for name, values in columns}
    return pd.DataFrame({name: data[name] for name in schema_of}, index=pd.RangeIndex(length))


def conform(table, frame, renewed=None):
    """
    The table's columns in order, type and rounding; further columns after them as they are.

    Parameters
    ----------
    table : str
    frame : DataFrame
    renewed : collection of str, optional
        Columns that are new in a frame whose others conform already; by default all are looked at.

    Returns
    -------
    DataFrame
    """
    data = {}
    for column in schema.ALL_TABLES[table]:
        values = frame[column.name] if column.name in frame else None
        if values is None:
            values = _typed([None] * len(frame), column)
        elif renewed is None or column.name in renewed:
            values = _conformed(values, column)
        data[column.name] = values.to_numpy() if values.dtype == "float64" else values.array  # a Series would be laid along the index, which is slow
    others = {name: frame[name].to_list() for name in frame.columns if name not in data}
    return pd.DataFrame(data | others, index=pd.RangeIndex(len(frame)))


def _conformed(values, column):
    """`_typed` for a Series, which is of its column's type already more often than not."""
    if values.dtype != DTYPES[column.type]:
        return _typed(list(values), column)
    return _rounded(values.to_numpy(), column) if column.type == "number" else values.reset_index(drop=True)


def _typed(values, column):
    """One column's values as a Series of its type, rounded, unknown where not finite."""
    if isinstance(values, np.ndarray) and column.type == "number":
        return _rounded(values, column)
    values = [None if _is_missing(value) else value for value in values]
    if column.type == "number":
        return _rounded(np.array([np.nan if value is None else float(value) for value in values], dtype="float64"), column)
    if column.type == "integer":
        return pd.Series([None if value is None else int(round(float(value))) for value in values], dtype="Int64")
    if column.type == "boolean":
        return pd.Series([None if value is None else bool(value) for value in values], dtype="boolean")
    return pd.Series([None if value is None else str(value) for value in values], dtype="str")


def _rounded(numbers, column):
    """Numbers to the column's digits, without infinities and negative zeros."""
    return pd.Series(np.round(np.where(np.isfinite(numbers), numbers, np.nan), column.digits) + 0.0)


def _is_missing(value):
    return value is None or value is pd.NA or (isinstance(value, float) and not np.isfinite(value))
