"""Which style a picture's product is of: as supplied, else by parts of its SKU."""

import pandas as pd
import pytest
from catalogue_audit.statistics.sku_parts import likely_stem, may_be_colourways, possible_stem, sure_stem
from catalogue_audit.statistics.styles import shapes_of, sized_shapes, style_families, styles_of, styles_or_shapes

FRAMES = pd.DataFrame(
    {
        "file": list("abcdef"),
        "sku": ["AL-1-RED", "AL-1-TAN", "AL-2-RED", "BAG-04", "BAG-05", None],
        "style": [None, "", "tote", None, None, None],
    }
)
SIZES = {"width_cm": [30.0, 30.0], "height_cm": [20.0, 20.0], "depth_cm": [10.0, 10.0]}


def alike(texts):
    """Files by group, of those that stand together; missing texts stand nowhere."""
    return {"".join(FRAMES["file"][rows]) for rows in texts.groupby(texts).groups.values()}


@pytest.mark.parametrize(
    ("told", "groups"),
    [
        (styles_of, {"ab", "c", "d", "e"}),  # numbers are no colours: two styles
        (style_families, {"ab", "c", "de", "f"}),
        (shapes_of, {"ab", "c", "d", "e", "f"}),
        (styles_or_shapes, {"ab", "c", "d", "e", "f"}),
        (sized_shapes, {"a", "b", "c", "d", "e", "f"}),
    ],
)
def test_each_question_reads_skus_as_boldly_as_it_may(told, groups):
    assert alike(told(FRAMES)) == groups


def test_a_supplied_style_stands_above_what_the_sku_says_and_an_empty_one_says_nothing():
    frames = FRAMES.assign(style=["tote", "hobo", "", None, None, None])
    assert styles_of(frames).fillna("").tolist()[:3] == style_families(frames).tolist()[:3] == ["tote", "hobo", "AL-2"]


def test_supplied_sizes_part_the_bags_of_one_style_and_join_what_numbers_part():
    frames = FRAMES.assign(style="tote")
    products = pd.DataFrame({"sku": ["BAG-04", "BAG-05"], "style": "tote", **SIZES})
    assert alike(shapes_of(frames, products)) == {"ab", "c", "de", "f"}
    assert alike(sized_shapes(frames, products)) == {"a", "b", "c", "de", "f"}
    other = products.assign(depth_cm=[10.0, 14.0])
    assert alike(shapes_of(frames, other)) == {"ab", "c", "d", "e", "f"}
    assert alike(sized_shapes(frames, other)) == {"a", "b", "c", "d", "e", "f"}


@pytest.mark.parametrize(
    ("sku", "sure", "likely", "possible"),
    [
        ("AL-1101-BLK", "AL-1101", "AL-1101", "AL-1101"),
        ("AL-1101_BLK", "AL-1101", "AL-1101", "AL-1101"),  # the last mark counts, whichever it is
        ("AL-1101-12", "AL-1101-12", "AL-1101", "AL-1101"),
        ("BAG-04", "BAG-04", "BAG-04", "BAG"),
        ("T5504", "T5504", "T5504", "T5504"),
        ("", "", "", ""),
    ],
)
def test_the_stem_of_a_sku(sku, sure, likely, possible):
    assert (sure_stem(sku), likely_stem(sku), possible_stem(sku)) == (sure, likely, possible)


def test_colourways_differ_in_their_last_part_alone():
    assert may_be_colourways("AL-1-RED", "AL-1-TAN")
    for one, other in (("AL-1-RED", "AL-2-RED"), ("T5504", "T5512"), ("AL-1-RED", None), ("AL", "AL-1")):
        assert not may_be_colourways(one, other)
