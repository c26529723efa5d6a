"""Views of a style whose own shape leaves them smaller than the set's rule has them."""

import numpy as np
import pandas as pd
import pytest
from catalogue_audit.statistics.geometry.style_sizes import own_sizes
from catalogue_audit.statistics.styles import styles_or_shapes


def taken(backs, fronts=0.0, style="Shoe"):
    """Deviations of three products of one style, and what their shape makes of them: (of backs, of fronts)."""
    frames = pd.DataFrame({"file": [f"{k}.jpg" for k in range(6)], "sku": ["W1", "W2", "W3"] * 2, "view": ["back"] * 3 + ["front"] * 3, "style": style})
    own = own_sizes(frames, np.concatenate([np.broadcast_to(backs, 3), np.full(3, fronts)]), 0.012)
    return own[:3], own[3:]


def test_a_view_that_all_colourways_show_alike_beside_a_front_in_its_place_is_the_shapes():
    backs, fronts = taken([-0.25, -0.26, -0.27])
    assert backs == pytest.approx(-0.26)
    assert not fronts.any()


@pytest.mark.parametrize(
    ("backs", "fronts", "style"),
    [
        ([-0.25, -0.26, 0.0], 0.0, "Shoe"),  # two of three: as likely framed wrongly
        ([-0.25, -0.26, -0.4], 0.0, "Shoe"),  # one is off beside its own, too: the finding stays
        (-0.25, -0.25, "Shoe"),  # all views of it: a camera farther off
        ([-0.25, np.nan, -0.25], 0.0, "Shoe"),
        ([-0.25, -0.26, -0.27], 0.0, None),  # numbers tell three products apart, of no common style
    ],
)
def test_nothing_else_is(backs, fronts, style):
    assert not np.any(taken(backs, fronts, style))


def test_a_style_is_named_by_its_word_where_there_is_one():
    frames = pd.DataFrame({"file": ["a", "b", "c"], "sku": ["W1031", "W1038", None], "style": ["Shoe", "Shoe", None]})
    assert styles_or_shapes(frames).tolist()[:2] == ["Shoe", "Shoe"]
    assert styles_or_shapes(frames.assign(style=None)).nunique() == 3
