"""Details that show another bag than they are filed under: what their colours alone say."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from catalogue_audit.statistics.matching.wrong_details import Colours


@pytest.mark.parametrize(
    ("theirs", "likely"),
    [
        ({"B": (30, 40), "C": (60, -20)}, "B"),  # its own detail shows just these colours
        ({"B": (30, 40), "C": (31, 41)}, None),  # two bags of one leather
        ({"B": (38, 30), "C": (60, -20)}, None),  # near, but not the same
        ({"C": (30, 40), "D": (60, -20)}, None),  # a plaque like its own, on a bag of another colour
    ],
)
def test_a_foreign_detail_is_at_home_where_one_detail_shows_its_colours(theirs, likely):
    def look(a, b):
        return SimpleNamespace(colour=np.tile([20.0, a, b], 5).astype(np.float32))

    looks = {0: look(60, 60), 1: look(30, 41)} | {row: look(*colour) for row, colour in enumerate(theirs.values(), 2)}
    frames = pd.DataFrame({"sku": ["A", "A", *theirs]})
    colours = Colours(looks, {"A": [0]}, [1])
    assert colours.of_one_detail(frames, [1, *range(2, len(frames))], 1, ["B"])[0] == likely


@pytest.mark.parametrize(
    ("own", "theirs", "likely"),
    [
        ((60, 60), {"B": (31, 40), "C": (60, -20)}, "B"),  # of its colours, and without a detail
        ((60, 60), {"B": (31, 40), "C": (31.5, 40)}, None),  # two bags of one leather
        ((60, 60), {"B": (38, 36), "C": (60, -20)}, None),  # near, but not the same
    ],
)
def test_a_foreign_detail_belongs_to_the_one_product_of_its_colours_that_has_none(own, theirs, likely):
    def look(a, b):
        return SimpleNamespace(colour=np.tile([20.0, a, b], 5).astype(np.float32))

    wholes = {0: look(*own)} | {row: look(*colour) for row, colour in enumerate(theirs.values(), 2)}
    looks = wholes | {1: look(30, 40), 8: look(60, -20)}
    frames = pd.DataFrame({"sku": ["A", "A", *theirs, *[""] * 4, "C"]}, index=[0, 1, *range(2, 2 + len(theirs)), 4, 5, 6, 7, 8])
    products = {"A": [0]} | {name: [row] for row, name in enumerate(theirs, 2)}
    colours = Colours(looks, products, [1, 8])
    assert colours.without_a_detail(frames, [1, 8], 1)[0] == likely
    looks[9] = look(30, 40)
    frames.loc[9, "sku"] = "B"
    assert colours.without_a_detail(frames, [1, 8, 9], 1)[0] is None  # it has its own
