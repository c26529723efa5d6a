"""Handle gaps painted with known height."""

import making
import numpy as np
import pytest
from catalogue_audit.measures.geometry.handles import crown_gap, handles_facts
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.outline import find_outline

SHAPE = (600, 480)
BODY = np.array([(120.0, 280), (360, 280), (350, 510), (130, 510)])


def gap_of(rise):
    front, rear = making.arch(240, 284, 70, 120), making.arch(240, 284, 68, 120 + rise)
    truth = making.cover(SHAPE, BODY, making.strip(front, 11), making.strip(rear, 11))
    picture = making.picture_of(making.photograph(making.put(making.sweep(*SHAPE), truth, (0.15, 0.03, 0.02))))
    height = 510 - (284 - 120 - max(rise, 0) - 5.5)
    return handles_facts(picture, find_outline(picture, fit_backdrop(picture))), rise / height


@pytest.mark.parametrize("rise", [0, 8, 25])
def test_the_gap_is_what_was_painted(rise):
    facts, expected = gap_of(rise)
    assert abs(facts["handle_gap"] - expected) <= 3 * facts["handle_gap_sd"]
    assert facts["handle_gap"] == pytest.approx(expected, abs=0.012)


def test_a_bag_without_handles_has_no_gap_but_a_reason():
    truth = making.cover(SHAPE, BODY)
    picture = making.picture_of(making.photograph(making.put(making.sweep(*SHAPE), truth, (0.15, 0.03, 0.02))))
    facts = handles_facts(picture, find_outline(picture, fit_backdrop(picture)))
    assert "handle_gap" not in facts and facts["reasons"]


@pytest.mark.parametrize(("slope", "alike"), [(0.0, True), (0.5, False)])
def test_a_strap_that_crosses_above_the_handle_is_no_rear_handle(slope, alike):
    """Two handles run parallel; a draped strap slants over the one."""
    mask = np.zeros((300, 300), bool)
    for column in range(100, 200):
        for start in (120, int(95 + slope * (column - 150))):
            mask[start : start + 7, column] = True
    gap = crown_gap(mask, (60, 180, 80.0, 220.0), 280.0)
    assert isinstance(gap, str) != alike
    if alike:
        assert gap[0] == 25 and gap[2]
