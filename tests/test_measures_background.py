"""Background light and colour against painted backgrounds of known light."""

import cv2
import numpy as np
import pytest
from catalogue_audit.measures.photometry.background import background_facts, border_regions
from light_scenes import (
    backdrop_of,
    bag,
    outline_of,
    picture_of,
    rounded_code,
    to_code,
    to_lab,
    to_linear,
    working_mask,
)


def _scene(light, gradient=0.0, shadow=False, noise=1.5, size=(600, 800), paint=None):
    """A bag before a background of linear `light` (3,), brighter by `gradient` (fraction) from left to right."""
    code, mask = bag(size, supersample=2)
    height, width = size
    code = code if paint is None else np.broadcast_to(np.asarray(paint, float), code.shape)
    linear = np.where(mask[..., None], to_linear(code), np.asarray(light, float))
    ramp = 1 + gradient * (np.linspace(0, 1, width) - 0.5)[None, :, None]
    linear = np.where(mask[..., None], linear, linear * ramp)
    y, x = np.mgrid[:height, :width]
    fall = np.exp(-(((x - 0.5 * width) / (0.28 * width)) ** 2) - ((y - 0.9 * height) / (0.035 * height)) ** 2)
    darkened = fall > 0.05
    if shadow:
        linear = np.where(mask[..., None], linear, linear * (1 - 0.6 * fall[..., None]))
    linear = np.clip(linear, 0, 1)
    code = to_code(linear) + noise * np.random.default_rng(2).standard_normal(linear.shape)
    picture = picture_of(rounded_code(code))
    outline = outline_of(working_mask(mask, picture), working_mask(darkened & ~mask & shadow, picture))
    return picture, backdrop_of(picture, to_lab(np.clip(light, 0, 1))), outline


@pytest.mark.parametrize("light", [(0.80, 0.80, 0.80), (0.82, 0.78, 0.70), (0.45, 0.50, 0.58)])
def test_level_and_white_are_those_painted(light):
    facts = background_facts(*_scene(light))
    L, a, b = to_lab(np.array(light))
    assert facts["background_L"] == pytest.approx(L, abs=0.1)
    assert facts["background_a"] == pytest.approx(a, abs=0.15)
    assert facts["background_b"] == pytest.approx(b, abs=0.15)
    assert facts["white_red"] == pytest.approx(light[0] / light[1], rel=0.002)
    assert facts["white_blue"] == pytest.approx(light[2] / light[1], rel=0.002)
    assert facts["white_source"] == "background"


def test_doubling_the_light_doubles_the_background():
    dark, light = background_facts(*_scene((0.4, 0.4, 0.4))), background_facts(*_scene((0.8, 0.8, 0.8)))
    assert np.log2(light["background_green"] / dark["background_green"]) == pytest.approx(1, abs=0.01)


def test_encoded_white_is_d65():
    """sRGB 255, 255, 255 is D65 (IEC 61966-2-1): 6503 K, Duv 0.0032 (Ohno 2014, by colour-science)."""
    facts = background_facts(*_scene((0.8, 0.8, 0.8)))
    assert facts["cct_k"] == pytest.approx(6503, abs=12)
    assert facts["duv"] == pytest.approx(0.0032, abs=2e-4)


def test_spread_is_the_difference_of_the_lightest_and_darkest_region():
    light = (0.7, 0.7, 0.7)
    facts = background_facts(*_scene(light, gradient=0.2))
    middle_of_outer_cells = 0.2 * (0.94 - 0.06)  # border regions at the sides reach 0.12 of the frame deep
    ends = [to_lab(np.array(light) * (1 + sign * middle_of_outer_cells / 2))[0] for sign in (1, -1)]
    assert facts["background_spread"] == pytest.approx(ends[0] - ends[1], abs=0.35)
    regions = facts["sketch"]["backdrop"]
    assert regions.shape == (16, 3)
    assert np.nanargmin(regions[:, 0]) in (0, 12, 13, 14, 15)  # clockwise from the top left: these lie at the left


def test_the_white_is_taken_from_the_part_that_is_not_clipped():
    light = np.array([1.00, 0.96, 0.88])
    facts = background_facts(*_scene(light, gradient=0.25))
    assert facts["background_clipped"] > 0.3
    assert facts["white_source"] == "unclipped part"
    assert facts["white_red"] == pytest.approx(1.00 / 0.96, rel=0.01)
    assert facts["white_blue"] == pytest.approx(0.88 / 0.96, rel=0.01)


def test_a_clipped_background_speaks_through_the_shadow():
    facts = background_facts(*_scene(np.array([1.16, 1.12, 1.05]), shadow=True))
    assert facts["white_source"] == "shadow"
    assert facts["white_red"] == pytest.approx(1.0, abs=0.06)
    assert "cct_k" not in facts
    assert "clipped" in facts["reasons"][0]


def test_a_vivid_product_leaves_the_colour_of_its_shadow_unsure():
    grey, red = (background_facts(*_scene(np.array([1.16, 1.12, 1.05]), shadow=True, paint=paint)) for paint in ((90, 90, 90), (170, 30, 40)))
    assert grey["white_source"] == red["white_source"] == "shadow"
    assert grey["white_sd"] == pytest.approx(0.02, abs=0.002)
    assert red["white_sd"] > 0.07


def test_a_clipped_background_without_shadow_shows_no_colour():
    facts = background_facts(*_scene(np.array([1.3, 1.3, 1.3])))
    assert facts["background_clipped"] > 0.95
    assert "white_red" not in facts
    assert "clipped" in facts["reasons"][0]


def test_a_coloured_background_has_no_colour_temperature():
    picture, backdrop, outline = _scene((0.3, 0.5, 0.8))
    facts = background_facts(picture, backdrop._replace(kind="coloured"), outline)
    assert "cct_k" not in facts
    assert "coloured" in facts["reasons"][0]
    assert facts["white_red"] == pytest.approx(0.6, rel=0.01)


def test_a_frame_without_background_is_not_measured():
    picture, backdrop, _ = _scene((0.8, 0.8, 0.8))
    facts = background_facts(picture, backdrop, outline_of(np.ones(picture.working.shape[:2], bool)))
    assert "background_L" not in facts
    assert facts["reasons"]


def test_regions_go_clockwise_from_the_top_left():
    lab = np.zeros((100, 100, 3), np.float32)
    lab[..., 0] = np.linspace(10, 90, 100)[None, :]
    regions = border_regions(lab, np.ones((100, 100), bool))[:, 0]
    assert np.all(np.diff(regions[:5]) > 0)  # along the top
    assert np.all(np.diff(regions[8:13]) < 0)  # back along the bottom
    lab[..., 0] = np.linspace(10, 90, 100)[:, None]
    assert np.all(np.diff(border_regions(lab, np.ones((100, 100), bool))[4:9, 0]) > 0)  # down the right


def test_the_answer_does_not_depend_on_the_size_decoded():
    large, _ = bag((1400, 1600), supersample=1, background=225.0)
    _, mask = bag((1400, 1600), supersample=1)
    results = []
    for size in ((1600, 1400), (800, 700)):
        picture = picture_of(rounded_code(cv2.resize(large, size, interpolation=cv2.INTER_AREA)))
        inside = cv2.resize(mask.astype(np.uint8), picture.working.shape[1::-1], interpolation=cv2.INTER_NEAREST) > 0
        results.append(background_facts(picture, backdrop_of(picture, (89.5, 0, 0)), outline_of(inside)))
    assert results[0]["background_L"] == pytest.approx(results[1]["background_L"], abs=0.05)
