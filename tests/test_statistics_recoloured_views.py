"""Front and back exchanged, told by colourways that were recoloured from one photograph."""

import pandas as pd
import pytest
from catalogue_audit.statistics.matching.recoloured_views import exchanged_among_recoloured

FACES = {"A": ("front", "back"), "B": ("front", "back"), "C": ("front",)}
RIGHT = [("A_front", "B_front"), ("A_back", "B_back"), ("B_front", "C_front")]


def exchanged(pairs, kind="recoloured"):
    rows = [(f"{sku}_{view}", sku, view) for sku, views in FACES.items() for view in views]
    frames = pd.DataFrame(rows, columns=["file", "sku", "view"])
    told = pd.DataFrame(pairs, columns=["file_a", "file_b"]).assign(kind=kind)
    found = list(exchanged_among_recoloured(frames, dict.fromkeys(frames.index), told))
    assert all(sku == frames["sku"][row] for row, (sku, *_) in found)
    return sorted(frames["file"][row] for row, _ in found)


@pytest.mark.parametrize(
    ("pairs", "wrong"),
    [
        (RIGHT, []),
        ([("A_front", "B_back"), ("A_back", "B_front"), ("B_front", "C_front")], ["A_back", "A_front"]),
        ([("A_front", "B_back"), ("B_front", "C_front")], ["A_back", "A_front"]),  # its other face was worked on, and is no longer told
        ([("A_front", "B_back"), ("A_back", "B_front")], []),  # either may be the one
        ([*RIGHT, ("A_front", "B_back")], []),  # plain all over: any face is like any
        ([("A_front", "B_front"), ("B_back", "C_front")], []),  # with one picture of its own there is nothing to exchange
    ],
)
def test_the_smaller_camp_is_exchanged(pairs, wrong):
    assert exchanged(pairs) == wrong
    assert exchanged(pairs, "re_export") == []
