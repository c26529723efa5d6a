"""Rests of shadow below a product's base are ground; its feet, corners and whatever else differs from the ground beside it are product."""

import cv2
import making
import numpy as np
import pytest
from catalogue_audit.measures.evidence import find_evidence, halved
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.rests import without_rests
from catalogue_audit.pixels.working import lab_of, lightness_of

SHAPE, BASE = (640, 480), 480
BODY = np.array([(120.0, 200), (360, 200), (360, BASE), (120, BASE)])
POINTED = np.array([(120.0, 200), (360, 200), (360, 420), (250, BASE), (120, 430)])
RED, BLACK, GREY = (0.2, 0.02, 0.02), (0.02, 0.02, 0.02), (0.3, 0.3, 0.3)
ROWS, COLUMNS = np.mgrid[: SHAPE[0], : SHAPE[1]]


def left_of(body, colour, piece, paint=None, shade=1.0):
    """Share of a piece (a polygon that was taken for product with the body) and of the body that stay product; the piece is painted, or is what the ground is."""
    covers = [making.cover(SHAPE, polygon) for polygon in (body, piece)]
    shade = np.broadcast_to(shade, SHAPE)[..., None]
    scene = making.put(making.sweep(*SHAPE, 0.7) * shade, covers[0], colour)
    if paint is not None:
        scene = making.put(scene, covers[1], paint)
    picture = making.picture_of(making.photograph(np.clip(scene, 0, 1), noise=0.002))
    linear = picture.linear_at((slice(None), slice(None)))
    backdrop = fit_backdrop(picture).at((SHAPE[0] // 2, SHAPE[1] // 2))
    evidence = find_evidence(lightness_of(linear), cv2.split(lab_of(halved(linear))), backdrop)
    body, piece = covers[0] > 0.5, (covers[1] > 0.5) & (covers[0] <= 0.5)
    product = body | piece
    ground = ~product
    without_rests(evidence, ground, product, max(SHAPE) // 2)
    assert not (ground & product).any()
    return float(product[piece].mean()), float(product[body].mean())


def box(left, top, right, bottom):
    return np.array([(left, top), (right, top), (right, bottom), (left, bottom)], float)


@pytest.mark.parametrize("colour", [RED, BLACK])
@pytest.mark.parametrize("light", [0.2, 0.5, 1.0])
def test_a_narrow_piece_as_dark_as_the_ground_beside_it_is_ground(colour, light):
    shade = 1 - (1 - light) * np.exp(-(((ROWS - BASE) / 30.0) ** 2)) * (ROWS >= BASE)
    piece, body = left_of(BODY, colour, box(230, BASE, 238, BASE + 12), shade=shade)
    assert piece < 0.05
    assert body > 0.999


@pytest.mark.parametrize("colour", [RED, BLACK, GREY])
def test_a_foot_that_differs_from_the_ground_beside_it_is_product(colour):
    shade = 1 - 0.5 * np.exp(-(((ROWS - BASE) / 30.0) ** 2)) * (ROWS >= BASE)
    piece, body = left_of(BODY, colour, box(230, BASE, 238, BASE + 12), paint=BLACK, shade=shade)
    assert piece > 0.95
    assert body > 0.999


@pytest.mark.parametrize("colour", [RED, BLACK])
def test_the_rim_of_a_shadow_that_hangs_free_is_ground(colour):
    shade = 0.4 + 0.6 / (1 + np.exp(-(COLUMNS - 300) / 4.0))  # dark at the left, lit at the right
    piece, body = left_of(BODY, colour, box(296, BASE + 8, 304, BASE + 20), shade=np.where(ROWS > BASE, shade, 1.0))
    assert piece < 0.05
    assert body > 0.999


@pytest.mark.parametrize("colour", [RED, BLACK, GREY])
@pytest.mark.parametrize("light", [0.05, 0.3, 1.0])
def test_the_tip_of_a_corner_stays_product_in_any_shadow(colour, light):
    shade = 1 - (1 - light) * np.exp(-(((ROWS - BASE) / 25.0) ** 2))
    _, body = left_of(POINTED, colour, box(20, 20, 24, 24), shade=shade)
    assert body > 0.999
