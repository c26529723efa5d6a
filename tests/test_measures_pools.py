"""A small lamp's cast shadow is ground, however steep its rim; a grey part of a product is not."""

import cv2
import making
import numpy as np
import pytest
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.outline import find_outline

SHAPE = (600, 640)
BODY = np.array([(240.0, 200), (460, 200), (450, 500), (250, 500)])
SHADOW = np.array([(40.0, 300), (230, 260), (300, 498), (70, 480)])


def box_of(linear):
    picture = making.picture_of(making.photograph(np.clip(linear, 0, 1), noise=0.002))
    return np.multiply(find_outline(picture, fit_backdrop(picture)).box, (SHAPE[1], SHAPE[0]) * 2)


def shadowed(truth, darkness, penumbra, place=SHADOW):
    """Transmission of a shadow with a rim some pixels wide."""
    cast = cv2.GaussianBlur(making.cover(SHAPE, place), (0, 0), penumbra)
    return 1 - darkness * cast * (1 - truth)


@pytest.mark.parametrize("colour", [(0.2, 0.02, 0.02), (0.02, 0.02, 0.02), (0.8, 0.8, 0.78), (0.1, 0.2, 0.45)])
@pytest.mark.parametrize("darkness", [0.25, 0.4, 0.55])
def test_a_shadow_with_a_steep_rim_is_not_product(colour, darkness):
    truth = making.cover(SHAPE, BODY)
    linear = making.put(making.sweep(*SHAPE, 0.62), truth, colour, shadowed(truth, darkness, 4.5))
    assert np.abs(box_of(linear) - (240, 200, 460, 500)).max() < 6


@pytest.mark.parametrize("colour", [(0.1, 0.2, 0.45), (0.8, 0.8, 0.78)])
def test_a_shadow_that_leaves_the_frame_and_is_sharp_beside_the_product_is_ground(colour):
    truth = making.cover(SHAPE, BODY)
    beside = np.array([(445.0, 400), (660, 380), (660, 470), (445, 500)])
    near = np.clip((560 - np.arange(SHAPE[1])) / 110, 0, 1)[None] ** 2
    cast = near * cv2.GaussianBlur(making.cover(SHAPE, beside), (0, 0), 1) + (1 - near) * cv2.GaussianBlur(making.cover(SHAPE, beside), (0, 0), 6)
    linear = making.put(making.sweep(*SHAPE, 0.35), truth, colour, 1 - 0.45 * cast * (1 - truth))
    assert np.abs(box_of(linear) - (240, 200, 460, 500)).max() < 6


@pytest.mark.parametrize("penumbra", [2.4, 3.2])
@pytest.mark.parametrize("leaves", [False, True])
def test_a_penumbra_twice_as_wide_as_the_products_edges_is_one(penumbra, leaves):
    """The half-shadow of a lamp of some millimetres is a few pixels wide along all of its rim, also where the frame cuts it off."""
    truth = making.cover(SHAPE, BODY)
    place = SHADOW - (60, 0) if leaves else SHADOW
    linear = making.put(making.sweep(*SHAPE, 0.4), truth, (0.1, 0.2, 0.45), shadowed(truth, 0.45, penumbra, place))
    assert np.abs(box_of(linear) - (240, 200, 460, 500)).max() < 6


@pytest.mark.parametrize("blur", [0.01, 1.0, 1.5, 2.0])
def test_a_grey_wing_is_product_however_sharp_the_picture(blur):
    body, wing = making.cover(SHAPE, BODY), making.cover(SHAPE, SHADOW)
    paint = np.where(body[..., None] > 0.5, (0.2, 0.02, 0.02), (0.22, 0.22, 0.22))
    linear = cv2.GaussianBlur(making.put(making.sweep(*SHAPE, 0.5), np.maximum(body, wing), paint), (0, 0), blur)
    assert abs(box_of(linear)[0] - 40) < 6


@pytest.mark.parametrize("grey", [0.2, 0.35])
def test_a_smooth_grey_wing_of_a_product_is_product(grey):
    body, wing = making.cover(SHAPE, BODY), making.cover(SHAPE, SHADOW)
    truth = np.maximum(body, wing)
    paint = np.where(body[..., None] > 0.5, (0.2, 0.02, 0.02), (grey, grey, grey))
    assert abs(box_of(making.put(making.sweep(*SHAPE, 0.62), truth, paint, making.soft_shadow(truth, 0.3, 10, 5)))[0] - 40) < 4


def test_a_smooth_grey_product_out_of_focus_is_product():
    truth = making.cover(SHAPE, BODY)
    linear = cv2.GaussianBlur(making.put(making.sweep(*SHAPE, 0.62), truth, (0.3, 0.3, 0.3)), (0, 0), 2)
    assert np.abs(box_of(linear) - (240, 200, 460, 500)).max() < 8


LILAC = (1.0, 0.88, 1.25)


@pytest.mark.parametrize("colour", [(0.2, 0.02, 0.02), (0.8, 0.8, 0.78), (0.15, 0.15, 0.15)])
@pytest.mark.parametrize("darkness", [0.2, 0.45])
@pytest.mark.parametrize("leaves", [False, True])
def test_a_hard_shadow_on_a_coloured_ground_is_told_by_the_grounds_chromaticity(colour, darkness, leaves):
    truth = making.cover(SHAPE, BODY)
    place = SHADOW - (60, 0) if leaves else SHADOW
    linear = making.put(making.sweep(*SHAPE, 0.4, tint=LILAC), truth, colour, shadowed(truth, darkness, 0.7, place))
    assert np.abs(box_of(linear) - (240, 200, 460, 500)).max() < 6


@pytest.mark.parametrize("grey", [0.15, 0.25])
def test_a_grey_wing_on_a_coloured_ground_is_product(grey):
    body, wing = making.cover(SHAPE, BODY), making.cover(SHAPE, SHADOW)
    paint = np.where(body[..., None] > 0.5, (0.2, 0.02, 0.02), (grey,) * 3)
    assert abs(box_of(making.put(making.sweep(*SHAPE, 0.4, tint=LILAC), np.maximum(body, wing), paint))[0] - 40) < 4


TABLE_ROW = 330
BESIDE = np.array([(-40.0, 400), (260, 380), (300, 498), (-40, 470)])


def before_a_wall(truth, colour, transmission=None, row=TABLE_ROW):
    """A product on a table whose edge is seen before a lighter wall; (h, w, 3) linear light."""
    ground = making.sweep(*SHAPE, 0.4)
    ground[row:] *= 0.62
    return making.put(ground, truth, colour, transmission)


@pytest.mark.parametrize("colour", [(0.2, 0.02, 0.02), (0.02, 0.02, 0.02)])
@pytest.mark.parametrize("penumbra", [0.7, 1.8])
def test_a_hard_shadow_on_a_table_that_runs_out_of_the_frame_is_ground(colour, penumbra):
    truth = making.cover(SHAPE, BODY)
    linear = before_a_wall(truth, colour, shadowed(truth, 0.35, penumbra, BESIDE))
    assert np.abs(box_of(linear) - (240, 200, 460, 500)).max() < 6


@pytest.mark.parametrize("colour", [(0.05, 0.05, 0.05), (0.12, 0.12, 0.12), (0.2, 0.02, 0.02)])
def test_a_product_that_the_frame_cuts_off_before_a_wall_is_no_shadow(colour):
    truth = making.cover(SHAPE, BODY - (300, 0))
    assert np.abs(box_of(before_a_wall(truth, colour)) - (0, 200, 160, 500)).max() < 6


def test_what_lies_on_the_table_cut_off_and_is_of_another_colour_is_product():
    truth = np.maximum(making.cover(SHAPE, BODY), making.cover(SHAPE, BESIDE))
    assert box_of(before_a_wall(truth, (0.2, 0.02, 0.02)))[0] < 2
