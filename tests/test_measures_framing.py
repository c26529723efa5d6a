"""Box, fill and base line of painted products."""

import making
import numpy as np
import pytest
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.framing import framing_facts
from catalogue_audit.measures.segmentation.outline import find_outline

SHAPE = (600, 480)


def facts_of(*polygons):
    truth = making.cover(SHAPE, *polygons)
    picture = making.picture_of(making.photograph(making.put(making.sweep(*SHAPE), truth, (0.1, 0.02, 0.02))))
    outline = find_outline(picture, fit_backdrop(picture))
    return framing_facts(outline, SHAPE)


def test_a_rectangle_is_framed_where_it_was_painted():
    facts = facts_of([(100, 200), (340, 200), (340, 500), (100, 500)])
    expected = {
        "left": 100 / 480, "right": 340 / 480, "top": 200 / 600, "bottom": 500 / 600, "baseline": 500 / 600,
        "fill_width": 0.5, "fill_height": 0.5, "fill_area": 0.25, "centre_dx": 220 / 480 - 0.5, "centre_dy": 350 / 600 - 0.5,
    }  # fmt: skip
    for name, value in expected.items():
        assert facts[name] == pytest.approx(value, abs=0.003), name


def test_a_hanging_strap_is_in_the_box_but_carries_nothing():
    body = [(100, 200), (340, 200), (340, 450), (100, 450)]
    facts = facts_of(body, making.strip(np.array([(360.0, 250), (360, 520)]), 8), [(330, 240), (364, 240), (364, 256), (330, 256)])
    assert facts["bottom"] == pytest.approx(520 / 600, abs=0.004)
    assert facts["baseline"] == pytest.approx(450 / 600, abs=0.004)


def test_without_a_product_there_is_a_reason_and_no_number():
    picture = making.picture_of(making.photograph(making.sweep(*SHAPE)))
    facts = framing_facts(find_outline(picture, fit_backdrop(picture)), SHAPE)
    assert "left" not in facts and facts["reasons"]
