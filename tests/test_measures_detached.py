"""A white lower part on a white sweep, told by its line of contact."""

import cv2
import making
import numpy as np
import pytest
from catalogue_audit.measures.records import CONFIDENCE_LIMIT
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.outline import find_outline

SHAPE = (600, 480)
BODY = [(120.0, 200), (360, 200), (360, 510), (120, 510)]


def shoe(upper, sole_px, sole=1.0, shadow=0.4):
    """A box of a colour on a sole that is as light as the sweep times ``sole``; its picture, and its coverage."""
    ground, truth = making.sweep(*SHAPE), making.cover(SHAPE, BODY)
    edge = 510 - sole_px
    top = making.cover(SHAPE, [(120, 200), (360, 200), (360, edge), (120, edge)])
    cast = making.soft_shadow(truth, shadow, 10, 5) if shadow else None
    colour = making.put(ground * sole, top, upper)
    return making.photograph(making.put(ground, truth, colour, cast), noise=0.003), truth > 0.5


def outlined(rgb):
    picture = making.picture_of(rgb)
    return find_outline(picture, fit_backdrop(picture))


@pytest.mark.parametrize("upper", [(0.02, 0.1, 0.5), (0.02, 0.02, 0.02), (0.45, 0.3, 0.05)])
@pytest.mark.parametrize("sole", [1.0, 0.97])
def test_a_white_sole_on_white_reaches_down_to_its_contact_shadow(upper, sole):
    rgb, truth = shoe(upper, 70, sole)
    found = outlined(rgb)
    assert np.sum(found.mask & truth) / np.sum(found.mask | truth) > 0.96
    assert abs(found.box[3] * SHAPE[0] - 510) < 3
    assert CONFIDENCE_LIMIT <= found.confidence < 0.7 and "sides" in found.reason


def test_a_product_of_which_most_is_not_seen_is_not_trusted():
    rgb, truth = shoe((0.2, 0.04, 0.03), 270)
    found = outlined(rgb)
    assert found.confidence < CONFIDENCE_LIMIT and found.reason
    assert abs(found.box[3] * SHAPE[0] - 510) < 3


@pytest.mark.parametrize("shadow", [0.4, None])
def test_a_product_seen_whole_keeps_its_confidence(shadow):
    rgb, truth = shoe((0.02, 0.1, 0.5), 0, shadow=shadow)
    found = outlined(rgb)
    assert np.sum(found.mask & truth) / np.sum(found.mask | truth) > 0.98 and found.confidence > 0.9


def test_a_shadow_that_lies_apart_from_what_hangs_is_not_its_line_of_contact():
    """Hung up, a bag throws a shadow on the ground below it that begins as softly as it ends."""
    ground = making.sweep(*SHAPE)
    truth = making.cover(SHAPE, [(120.0, 100), (360, 100), (360, 330), (120, 330)])
    dark = cv2.GaussianBlur(making.cover(SHAPE, [(110.0, 440), (370, 440), (370, 480), (110, 480)]), (0, 0), 12)
    rgb = making.photograph(making.put(ground * (1 - 0.5 * dark[..., None]), truth, (0.2, 0.04, 0.03)), noise=0.003)
    found = outlined(rgb)
    assert abs(found.box[3] * SHAPE[0] - 330) < 3 and found.confidence > 0.9


def test_the_line_of_a_shadow_alone_is_no_product():
    ground, truth = making.sweep(*SHAPE), making.cover(SHAPE, BODY)
    found = outlined(making.photograph(making.put(ground, truth, ground, making.soft_shadow(truth, 0.4, 10, 5)), noise=0.003))
    assert found.confidence < CONFIDENCE_LIMIT
