"""Fine over coarse structure inside cut-out products, against the closed form for plain edges and painted grain of known blur."""

import cv2
import numpy as np
import pytest
from catalogue_audit.measures.surface.structure import SCALES, fine_detail
from light_scenes import outline_of, picture_of, rounded_code, to_code, to_linear, working_mask

SIZE = 720
PRODUCT = slice(120, 600)


def squared_distance(narrow, wide):
    """
    Integral of the squared difference of two blurred steps of standard deviations `narrow` and `wide`.

    E|X - Y| - E|X - X'| / 2 - E|Y - Y'| / 2 of normal deviates, times the root of pi: Szekely and Rizzo, "Energy
    statistics", J. Statistical Planning and Inference 143, 2013 (from memory).
    """
    return np.sqrt(2 * (narrow**2 + wide**2)) - narrow - wide


def ratio_of_edges(sigma):
    first, second, third = np.hypot(sigma, SCALES)
    return np.sqrt(squared_distance(first, second) / squared_distance(second, third))


def stripes():
    """Linear light of a product in stripes 48 px wide, whose edges do not touch one another's filters."""
    light = np.full((SIZE, SIZE), 0.3, np.float32)
    light[:, (np.arange(SIZE) // 48) % 2 == 0] = 0.45
    return light


def grain(seed=0):
    """Linear light of a product of which every pixel differs on one half, and none on the other."""
    light = 0.3 + 0.2 * np.random.default_rng(seed).normal(size=(SIZE, SIZE))
    light[:, SIZE // 2 :] = 0.3
    return light.clip(0.02, 0.9).astype(np.float32)


def detail_of(light, sigma, noise=0.0, ground=255.0, ground_noise=0.0):
    """`fine_detail` of a product blurred in linear light, with noise, cut out by a hard mask and laid on a plain ground."""
    random = np.random.default_rng(1)
    code = to_code(cv2.GaussianBlur(light, (0, 0), sigma)) + noise * random.normal(size=light.shape)
    mask = np.zeros(light.shape, bool)
    mask[PRODUCT, PRODUCT] = True
    code = np.where(mask, code, ground + ground_noise * random.normal(size=light.shape))
    picture = picture_of(rounded_code(np.repeat(code[..., None], 3, axis=2)))
    return fine_detail(picture, outline_of(working_mask(mask, picture)))


def test_the_scene_is_in_linear_light():
    assert to_linear(to_code(stripes())) == pytest.approx(stripes(), abs=0.01)


@pytest.mark.parametrize("sigma", [0.5, 0.8, 1.2, 1.8, 2.6])
@pytest.mark.parametrize("noise", [0.0, 1.0])
def test_plain_edges_have_the_ratio_of_the_closed_form(sigma, noise):
    assert detail_of(stripes(), sigma, noise) == pytest.approx(ratio_of_edges(sigma), rel=0.12)  # code values are no light, and the sharpest count


def test_grain_is_finer_than_edges_at_the_same_blur():
    for sigma in (0.5, 1.2, 1.8):
        assert detail_of(grain(), sigma) > 1.15 * ratio_of_edges(sigma)


def test_blur_takes_fine_structure_from_grain():
    ratios = [detail_of(grain(), sigma) for sigma in (0.5, 1.0, 1.5, 2.0)]
    assert all(more > 1.15 * less for more, less in zip(ratios, ratios[1:], strict=False))


def test_a_photographed_background_leaves_it_open():
    assert detail_of(stripes(), 0.5, noise=1.0, ground=235.0, ground_noise=1.0) is None


def test_a_smooth_product_leaves_it_open():
    assert detail_of(np.full((SIZE, SIZE), 0.3, np.float32), 0.5, noise=1.0) is None
