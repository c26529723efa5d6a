"""Details that show another bag than they are filed under: what their colours alone say."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from catalogue_audit.statistics.matching.wrong_details import Colours, Fits, wrong_details


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


def shown_as(correlation, colour):
    return SimpleNamespace(correlation=correlation, zoom=3.0, colour=colour)


@pytest.mark.parametrize("misfiled", [True, False])
def test_a_picture_of_another_product_says_nothing_of_its_details(misfiled):
    """A's front shows B, a bag of the same build in another colour: A's detail is found there in another colour, and is at home in its back."""
    rows = [(sku, view) for sku in "ABCD" for view in ("front", "back", "detail")]
    frames = pd.DataFrame(rows, columns=["sku", "view"]).assign(file=[f"{sku}_{view}" for sku, view in rows])
    colours = {"A": (0, 0), "B": (40, 0), "C": (0, 40), "D": (0, -40)}
    looks = {row: SimpleNamespace(colour=np.tile([50.0, *colours["B" if row == 0 else sku]], 5).astype(np.float32)) for row, (sku, _) in enumerate(rows)}
    products = {sku: [3 * number, 3 * number + 1] for number, sku in enumerate("ABCD")}

    class Found(Fits):
        def __init__(self):
            pass

        def look_for(self, pairs, zooms=None):
            pass

        def zooms_learnt(self, pairs):
            return np.array([2.0, 3.0, 4.0])

        def __call__(self, crop, whole, zooms=None):
            detail, picture = rows[crop][0], "B" if whole == 0 else rows[whole][0]
            same_bag = detail == rows[whole][0] or whole == 0 or picture == "C"  # C is of A's build and colour
            clear = 0.9 if whole == 0 or picture == "C" else 0.7
            return shown_as(clear if same_bag else 0.1, 32.0 if detail == "A" and whole == 0 else 1.0)

        def in_frames(self, crop, wholes):
            return self.best(crop, wholes, None)

    known = {0: ("B", "wrong_product", 2.0, "")} if misfiled else {}
    crops = {row for row, (_, view) in enumerate(rows) if view == "detail"}
    told = [row for row, _ in wrong_details(frames, looks, products, crops, {}, Found(), known)]
    assert told == ([] if misfiled else [2])
