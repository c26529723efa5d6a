"""A mirror image in dark glass is no product, and leaves the product whole; a product's own dark or dim base is product."""

import making
import numpy as np
import pytest
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.outline import find_outline

SHAPE, TOP, BASE = (640, 480), 250, 460
DARK = 0.07  # linear light of the ground, L* 32
BODY = np.array([(130.0, TOP), (350, TOP), (330, BASE), (150, BASE)])
HANDLE = making.strip(making.arch(240, TOP + 4, 60, 90), 9)
RED, CREAM, MINT = (0.35, 0.03, 0.03), (0.6, 0.55, 0.42), (0.3, 0.5, 0.42)
ROWS, COLUMNS = np.mgrid[: SHAPE[0], : SHAPE[1]]


def outline_of(linear):
    picture = making.picture_of(making.photograph(np.clip(linear, 0, 1), noise=0.002))
    return find_outline(picture, fit_backdrop(picture))


def on_glass(paint, share):
    """A bag, (h, w, 3) ``paint``, on dark glass that throws back ``share`` of its light; and the bag's cover."""
    truth = making.cover(SHAPE, BODY, HANDLE)
    bag = making.put(making.sweep(*SHAPE, DARK), truth, paint)
    depth = SHAPE[0] - BASE
    seen = (truth[..., None] * paint)[BASE - depth : BASE][::-1]
    bag[BASE:] += share * seen
    down = np.maximum(ROWS - BASE, 0)
    return bag * (1 - 0.3 * np.exp(-down / 6.0) * (ROWS >= BASE))[..., None], truth


def spotted(colour):
    """Paint with large dark spots."""
    spots = np.sin(COLUMNS / 11.0) * np.sin(ROWS / 13.0 + 1) > 0.25
    return np.where(spots[..., None], 0.01, colour)


def shaded(colour):
    """Paint that falls off to a fourth towards the lower right."""
    lower = np.clip((ROWS - TOP) / (BASE - TOP), 0, 1) * np.clip((COLUMNS - 130) / 220, 0, 1)
    return (1 - 0.75 * lower)[..., None] * np.asarray(colour)


@pytest.mark.parametrize("share", [0.04, 0.08])
@pytest.mark.parametrize("paint", [spotted(CREAM), spotted(MINT), shaded(CREAM), shaded(MINT)])
def test_a_mirror_image_in_dark_glass_is_ground_and_the_product_stays_whole(paint, share):
    linear, truth = on_glass(paint, share)
    outline = outline_of(linear)
    assert abs(outline.box[3] * SHAPE[0] - BASE) < 4
    assert outline.mask[truth > 0.5].mean() > 0.985


@pytest.mark.parametrize("base", [(0.01, 0.01, 0.01), (0.02, 0.015, 0.01), (0.14, 0.13, 0.12), (0.1, 0.09, 0.08)])
@pytest.mark.parametrize("colour", [RED, CREAM])
def test_a_base_nearly_as_dark_as_the_ground_is_product(base, colour):
    truth = making.cover(SHAPE, BODY, HANDLE)
    paint = np.where((ROWS >= BASE - 50)[..., None], base, np.broadcast_to(colour, (*SHAPE, 3)))
    assert abs(outline_of(making.put(making.sweep(*SHAPE, DARK), truth, paint)).box[3] * SHAPE[0] - BASE) < 4


@pytest.mark.parametrize("height", [60, 100])
@pytest.mark.parametrize("lamp", [0.0, 0.6])
@pytest.mark.parametrize("tone", [0.11, 0.14])
def test_a_lower_half_little_lighter_than_the_ground_is_product_in_a_lamp_from_the_side_too(height, lamp, tone):
    truth = making.cover(SHAPE, BODY, HANDLE)
    leather = 1 + 0.1 * np.sin(COLUMNS / 3.0 + np.sin(ROWS / 5.0)) * np.sin(ROWS / 4.0)
    falling = (1 - lamp * np.clip((COLUMNS - 130) / 220, 0, 1)) * leather
    paint = np.where((ROWS >= BASE - height)[..., None], (tone,) * 3, CREAM) * falling[..., None]
    assert abs(outline_of(making.put(making.sweep(*SHAPE, DARK), truth, paint)).box[3] * SHAPE[0] - BASE) < 4


@pytest.mark.parametrize("colour", [RED, MINT])
@pytest.mark.parametrize("share", [0.06, 0.12])
def test_a_plain_image_that_ends_within_the_frame_is_told_by_the_waist_between_it_and_the_product(colour, share):
    body, foot = np.array([(120.0, 200), (360, 200), (360, 290), (300, 340), (180, 340), (120, 290)]), 340
    truth = making.cover(SHAPE, body)
    paint = np.clip(1 - 0.5 * (ROWS - 200) / 140, 0, 1)[..., None] * np.asarray(colour)  # lit from above
    bag = making.put(making.sweep(*SHAPE, DARK), truth, paint)
    bag[foot : 2 * foot - 190] += share * (truth[..., None] * paint)[190:foot][::-1]
    outline = outline_of(bag)
    assert abs(outline.box[3] * SHAPE[0] - foot) < 4
    assert outline.mask[truth > 0.5].mean() > 0.985
