"""Shadow and mirror image left at a product's foot are ground; a pale part of the product, which ends as sharply as the rest, is not."""

import cv2
import making
import numpy as np
import pytest
from catalogue_audit.measures.evidence import find_evidence, halved
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.foot import smaller_without, without_soft_foot
from catalogue_audit.pixels.working import lab_of, lightness_of

SHAPE = (640, 480)
BASE = 480
BODY = np.array([(120.0, 200), (360, 200), (350, BASE), (130, BASE)])
PIECE = np.array([(90.0, BASE - 24), (250, BASE - 6), (250, BASE + 30), (90, BASE + 14)])
RED, BLACK, BLUE = (0.2, 0.02, 0.02), (0.02, 0.02, 0.02), (0.1, 0.2, 0.45)


def settled(colour, level, tone, softness):
    """
    Body and piece at the foot, (h, w) bool, and what is made of them when both were taken for product.

    The piece has ``tone`` times the ground's light, and a rim ``softness`` pixels wide.
    """
    body = making.cover(SHAPE, BODY)
    piece = making.cover(SHAPE, PIECE) * (1 - body)
    soft = cv2.GaussianBlur(making.cover(SHAPE, PIECE), (0, 0), softness) * (1 - body)
    ground = making.sweep(*SHAPE, level)
    picture = making.picture_of(making.photograph(np.clip(making.put(ground * (1 - (1 - tone) * soft)[..., None], body, colour), 0, 1), noise=0.002))
    linear = picture.linear_at((slice(None), slice(None)))
    backdrop = fit_backdrop(picture).at((SHAPE[0] // 2, SHAPE[1] // 2))
    evidence = find_evidence(lightness_of(linear), cv2.split(lab_of(halved(linear))), backdrop)
    body, piece = (halved(cover.astype(np.float32)) > 0.5 for cover in (body, piece))
    return body, piece, *without_soft_foot(evidence, ~(body | piece), body | piece)


def doubt_of(*scene):
    _, _, _, product, doubtful = settled(*scene)
    return 0 if doubtful is None else smaller_without(product, doubtful)


def kept(*scene):
    """Share of the piece, and of the body, that stay product."""
    body, piece, ground, product, _ = settled(*scene)
    assert (ground != product).all()
    return float(product[piece].mean()), float(product[body].mean())


@pytest.mark.parametrize("colour", [RED, BLACK, BLUE])
@pytest.mark.parametrize(("level", "tone"), [(0.85, 0.75), (0.4, 0.7), (0.9, 0.9)])
def test_a_faint_piece_that_ends_softly_is_ground(colour, level, tone):
    piece, body = kept(colour, level, tone, 8.0)
    assert piece < 0.05
    assert body > 0.995


@pytest.mark.parametrize("colour", [RED, BLACK, BLUE])
@pytest.mark.parametrize(("level", "tone"), [(0.85, 0.75), (0.4, 0.7)])
@pytest.mark.parametrize("softness", [0.3, 0.8])
def test_a_faint_piece_with_an_edge_is_product(colour, level, tone, softness):
    piece, body = kept(colour, level, tone, softness)
    assert piece > 0.95
    assert body > 0.995


def test_a_product_that_is_faint_all_over_keeps_its_foot():
    """A white bag on a white sweep differs from it no more than its shadow does."""
    piece, body = kept((0.6, 0.6, 0.6), 0.75, 0.8, 1.0)
    assert piece > 0.95
    assert body > 0.995


def test_a_piece_of_which_it_is_open_whether_it_is_ground_makes_the_outline_unsure():
    """Its rim falls by less than a product's edges do, and too steeply for a shadow's."""
    doubts = [doubt_of(BLACK, 0.85, tone, softness) for tone, softness in ((0.75, 1.2), (0.75, 8.0), (0.75, 0.3))]
    assert doubts[0] > 8
    assert doubts[1:] == [0, 0]


def test_a_doubtful_piece_that_was_given_to_the_ground_since_leaves_no_doubt():
    body, _, _, product, doubtful = settled(BLACK, 0.85, 0.75, 1.2)
    assert smaller_without(product, doubtful) > 8
    assert smaller_without(product & body, doubtful) == 0
