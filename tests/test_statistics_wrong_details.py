"""Details that show another bag than they are filed under: what their colours alone say."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from catalogue_audit.statistics.matching.wrong_details import _Colours


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
    colours = _Colours(looks, {"A": [0]}, [1])
    assert colours.of_one_detail(frames, [1, *range(2, len(frames))], 1, ["B"])[0] == likely
