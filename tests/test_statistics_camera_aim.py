"""Pictures whose product stands elsewhere in the frame than its view's others."""

import numpy as np
import pandas as pd
import pytest
from catalogue_audit.statistics.geometry.camera_aim import aimed_otherwise


def the_view(baselines, **columns):
    return pd.DataFrame({"view": "front", "view_kind": "upright", "origin": "original", "backdrop": "grey", "baseline": baselines}).assign(**columns)


STEADY = [0.815, 0.82, 0.818, 0.822, 0.817, 0.821, 0.819]


@pytest.mark.parametrize("line", [0.7, 0.9])
def test_a_base_line_well_off_the_others_is_told(line):
    assert aimed_otherwise(the_view([*STEADY, line])).tolist() == [False] * 7 + [True]


@pytest.mark.parametrize(
    ("baselines", "columns"),
    [
        (STEADY, {}),
        ([0.82, 0.82, 0.82, 0.7], {}),  # too few to have a usual line
        ([0.62, 0.9, 0.75, 0.83, 0.68, 0.86, 0.7], {}),  # no usual line
        ([*STEADY, 0.85], {}),  # framing
        ([*STEADY, np.nan], {}),
        ([*STEADY, 0.7], {"origin": "derived"}),
        ([*STEADY, 0.7], {"backdrop": "cut_out"}),
        ([*STEADY, 0.7], {"view_kind": "crop"}),
    ],
)
def test_what_says_nothing_of_the_camera(baselines, columns):
    assert not aimed_otherwise(the_view(baselines, **columns)).any()


def test_each_view_has_its_own_line():
    both = pd.concat([the_view(STEADY), the_view([line - 0.12 for line in STEADY], view="back")], ignore_index=True)
    assert not aimed_otherwise(both).any()
