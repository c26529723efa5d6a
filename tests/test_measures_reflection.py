"""A glossy ground's mirror image is no product; a product's own pale base is."""

import making
import numpy as np
import pytest
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.outline import find_outline

SHAPE = (640, 480)
BASE = 480
BODY = np.array([(120.0, 250), (360, 250), (350, BASE), (130, BASE)])
HANDLE = making.strip(making.arch(240, 254, 70, 110), 9)
RED, BLACK, BLUE = (0.2, 0.02, 0.02), (0.02, 0.02, 0.02), (0.1, 0.2, 0.45)


def bottom_of(linear):
    picture = making.picture_of(making.photograph(np.clip(linear, 0, 1), noise=0.002))
    return find_outline(picture, fit_backdrop(picture)).box[3] * SHAPE[0]


def on_glass(colour, ground, share, contact=0.35):
    """A bag and its image in the ground, which throws back ``share`` of its light; darker where the two meet."""
    truth = making.cover(SHAPE, BODY, HANDLE)
    bag = making.put(ground, truth, colour)
    depth = SHAPE[0] - BASE
    image = share * truth[BASE - depth : BASE][::-1, :, None]
    bag[BASE:] = bag[BASE:] * (1 - image) + np.asarray(colour) * image
    down = np.arange(SHAPE[0])[:, None] - BASE
    shade = np.where(down >= 0, np.exp(-np.maximum(down, 0) / 8.0), 0.0) * (truth[BASE - 3] > 0.5)
    return bag * (1 - contact * shade)[..., None]


@pytest.mark.parametrize(("colour", "level"), [(RED, 0.4), (RED, 0.85), (BLACK, 0.85), (BLUE, 0.85)])
def test_a_mirror_image_down_to_the_frame_is_not_product(colour, level):
    assert abs(bottom_of(on_glass(colour, making.sweep(*SHAPE, level), 0.22)) - BASE) < 6


@pytest.mark.parametrize("height", [120, 160])
@pytest.mark.parametrize("share", [0.12, 0.2])
def test_a_round_base_stands_at_its_lowest_place_and_its_image_down_to_the_frame_is_not_product(share, height):
    low, turn = 570, np.linspace(0, np.pi, 60)
    body = np.vstack([[(120.0, 330), (360, 330)], np.column_stack([240 + 120 * np.cos(turn), low - height + height * np.sin(turn)])])
    truth = making.cover(SHAPE, body, making.strip(making.arch(240, 334, 70, 110), 9))
    scene = making.put(np.ones((*SHAPE, 3)), truth, BLACK)
    depth = SHAPE[0] - low
    image = share * truth[low - depth : low][::-1, :, None]
    scene[low:] = 1 - image * (1 - np.asarray(BLACK))
    assert abs(bottom_of(scene) - low) < 6


@pytest.mark.parametrize(("colour", "level", "rise"), [(RED, 0.97, 0.8), (RED, 1.04, 0.8), (BLUE, 0.97, 0.4), (BLUE, 1.1, 0.4)])
def test_what_is_left_of_a_mirror_image_on_burnt_out_white_is_not_product(colour, level, rise):
    rows = np.arange(SHAPE[0])
    ground = np.ones((*SHAPE, 3)) * (level + rise * np.clip((rows - BASE + 20) / 100, 0, None))[:, None, None]
    assert abs(bottom_of(on_glass(colour, ground, 0.22)) - BASE) < 6


@pytest.mark.parametrize("band", [(0.55, 0.53, 0.5), (0.6, 0.6, 0.6), (0.7, 0.6, 0.45)])
@pytest.mark.parametrize("shadow", [False, True])
def test_a_pale_band_at_the_base_is_product(band, shadow):
    truth = making.cover(SHAPE, BODY, HANDLE)
    paint = np.broadcast_to(np.array((0.05, 0.02, 0.02)), (*SHAPE, 3)).copy()
    paint[BASE - 50 :] = band
    cast = making.soft_shadow(truth, 0.4, 10, 5) if shadow else None
    assert abs(bottom_of(making.put(making.sweep(*SHAPE, 0.9), truth, paint, cast)) - BASE) < 4


def test_pale_feet_are_product():
    feet = [np.array([(x, BASE - 2), (x + 24, BASE - 2), (x + 24, BASE + 14), (x, BASE + 14)]) for x in (140.0, 316.0)]
    truth, legs = making.cover(SHAPE, BODY, HANDLE, *feet), making.cover(SHAPE, *feet)
    paint = np.where(legs[..., None] > 0.5, (0.6, 0.5, 0.3), (0.05, 0.02, 0.02))
    linear = making.put(making.sweep(*SHAPE, 0.9), truth, paint, making.soft_shadow(truth, 0.4, 10, 5))
    assert abs(bottom_of(linear) - (BASE + 14)) < 4


def patched_on_glass(share):
    """A bag with pale patches, as dark as its ground at the base, and its image, which so lies apart from it; on black glass."""
    ground = making.sweep(*SHAPE, 0.06)
    truth = making.cover(SHAPE, BODY, HANDLE)
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    pale = (np.sin(columns / 17.0 + np.sin(rows / 23.0)) * np.sin(rows / 19.0) > -0.1) & (rows < BASE - 26)
    paint = np.where(pale[..., None], (0.7, 0.66, 0.6), (0.02, 0.02, 0.022))
    bag = making.put(ground, truth, paint)
    depth = SHAPE[0] - BASE
    image = share * truth[BASE - depth : BASE][::-1, :, None]
    bag[BASE:] = bag[BASE:] * (1 - image) + paint[BASE - depth : BASE][::-1] * image
    return bag


@pytest.mark.parametrize("share", [0.06, 0.1, 0.14])
def test_a_mirror_image_that_lies_apart_from_a_patterned_product_is_not_product(share):
    assert abs(bottom_of(patched_on_glass(share)) - BASE) < 6


def test_a_pale_pouch_that_lies_before_a_product_is_product():
    pouch = np.array([(170.0, 540), (310, 540), (310, 600), (170, 600)])
    truth, lying = making.cover(SHAPE, BODY, HANDLE, pouch), making.cover(SHAPE, pouch)
    paint = np.where(lying[..., None] > 0.5, (0.55, 0.44, 0.3), (0.05, 0.02, 0.02))
    assert abs(bottom_of(making.put(making.sweep(*SHAPE, 0.6), truth, paint)) - 600) < 4


@pytest.mark.parametrize(("tone", "bottom"), [(0.1, BASE - 40), (0.4, BASE + 70)])
def test_a_dim_part_below_the_product_and_apart_from_it_is_ground_and_a_bright_one_is_product(tone, bottom):
    """Where a bag's base is as dark as black glass its image lies apart; a part as bright as the bag hangs on something as dark as the glass."""
    parts = [np.array([(left, top), (right, top), (right, end), (left, end)]) for left, top, right, end in ((120.0, 220.0, 360.0, BASE - 40.0), (170.0, BASE + 20.0, 300.0, BASE + 70.0))]
    truth, below = making.cover(SHAPE, *parts), making.cover(SHAPE, parts[1])
    paint = np.where(below[..., None] > 0.5, (tone,) * 3, (0.5, 0.48, 0.45))
    assert abs(bottom_of(making.put(making.sweep(*SHAPE, 0.05), truth, paint)) - bottom) < 4


def test_a_straight_bag_that_the_frame_cuts_off_below_a_dark_trim_is_no_mirror_image():
    """What lies below the trim has the upper part's colour, only stronger: an image gives back less than what it mirrors."""
    truth = making.cover(SHAPE, np.array([(130.0, 260), (350, 260), (350, 700), (130, 700)]))
    paint = np.broadcast_to(np.array((0.42, 0.45, 0.5)), (*SHAPE, 3)).copy()
    paint[446:478], paint[478:] = 0.02, (0.29, 0.315, 0.36)
    picture = making.picture_of(making.photograph(making.put(making.sweep(*SHAPE, 0.55), truth, paint), noise=0.002))
    found = find_outline(picture, fit_backdrop(picture))
    assert found.touches == ("bottom",) and abs(found.box[1] * SHAPE[0] - 260) < 4
