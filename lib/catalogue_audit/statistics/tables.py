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
    data = {
        column.name: _typed([row.get(column.name) for row in rows], column) for column in schema.ALL_TABLES[table]
    }
    return pd.DataFrame(data, index=pd.RangeIndex(len(rows)))


def conform(table, frame):
    """The table's columns in order, type and rounding; further columns after them as they are."""
    data = {
        column.name: _typed(list(frame[column.name]) if column.name in frame else [None] * len(frame), column)
        for column in schema.ALL_TABLES[table]
    }
    others = {name: frame[name].to_list() for name in frame.columns if name not in data}
    return pd.DataFrame(data | others, index=pd.RangeIndex(len(frame)))


def _typed(values, column):
    """One column's values as a Series of its type, rounded, unknown where not finite."""
    values = [None if _is_missing(value) else value for value in values]
    if column.type == "number":
        numbers = np.array([np.nan if value is None else float(value) for value in values], dtype="float64")
        numbers[~np.isfinite(numbers)] = np.nan
        return pd.Series(np.round(numbers, column.digits) + 0.0)
    if column.type == "integer":
        return pd.Series([None if value is None else int(round(float(value))) for value in values], dtype="Int64")
    if column.type == "boolean":
        return pd.Series([None if value is None else bool(value) for value in values], dtype="boolean")
    return pd.Series([None if value is None else str(value) for value in values], dtype="str")


def _is_missing(value):
    return value is None or value is pd.NA or (isinstance(value, float) and not np.isfinite(value))
