"""Pictures filed under the wrong product or view."""

import pandas as pd

COLUMNS = ("file", "claimed_sku", "likely_sku", "kind", "score", "evidence", "cause")


def _table(rows):
    table = pd.DataFrame(rows, columns=COLUMNS)
    return table.astype({name: "float64" if name == "score" else "str" for name in COLUMNS})


def misfiled(frames, sketches):
    return _table([])
