"""Reads the published series beside the tests; ``data/published/README.md`` names the sources."""

import csv
from pathlib import Path

import numpy as np

FOLDER = Path(__file__).parent / "data" / "published"


def rows(name):
    """Rows of a table as dicts of text."""
    with (FOLDER / f"{name}.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def column(name, key):
    """One column as numbers."""
    return np.array([float(row[key]) for row in rows(name)])
