"""The product's light, colour and clipping against painted products."""

import numpy as np
import pytest
from catalogue_audit.measures.photometry.light import palette, product_light_facts
from light_scenes import bag, outline_of, picture_of, rounded_code, to_code, to_lab, to_linear, working_mask


def _facts(linear, mask, noise=1.5):
    code = to_code(linear) + noise * np.random.default_rng(7).standard_normal(linear.shape)
    picture = picture_of(rounded_code(code))
    return product_light_facts(picture, outline_of(working_mask(mask, picture)))


@pytest.fixture(scope="module")
def scene():
    code, mask = bag((900, 1200), supersample=2)
    return to_linear(code), mask


@pytest.mark.parametrize("ev", [-0.5, -0.15, 0.1, 0.3])
def test_a_gain_shows_as_that_many_ev(scene, ev):
    linear, mask = scene
    before, after = _facts(linear, mask), _facts(linear * 2**ev, mask)
    assert after["product_ev"] - before["product_ev"] == pytest.approx(ev, abs=0.01)


def test_the_colour_is_that_of_the_body_not_of_hardware_or_highlights(scene):
    linear, mask = scene
    body = to_linear(np.array([120.0, 70.0, 55.0]))
    shining = linear.copy()
    rows, columns = mask.nonzero()
    some = np.random.default_rng(0).random(len(rows)) < 0.12
    shining[rows[some], columns[some]] = 0.95
    facts = _facts(linear, mask)
    assert np.allclose([facts["product_L"], facts["product_a"], facts["product_b"]], to_lab(body), atol=0.5)


def test_the_palette_of_a_patterned_product_lists_its_colours_by_share():
    rng = np.random.default_rng(1)
    red, white, blue = ((40, 55, 30), 6000), ((92, 0, 2), 2500), ((30, 10, -40), 1500)
    lab = np.concatenate([np.array(colour) + rng.normal(0, 1.5, (count, 3)) for colour, count in (red, white, blue)])
    found = palette(lab)
    assert len(found) == 3
    assert np.allclose(found[:, 3], [0.6, 0.25, 0.15], atol=0.01)
    assert np.allclose(found[0, :3], red[0], atol=0.3)


def test_clipping_is_counted_at_full_resolution(scene):
    linear, mask = scene
    spoiled = linear.copy()
    rows, columns = mask.nonzero()
    order = np.random.default_rng(3).permutation(len(rows))
    high, low = order[: len(order) // 20], order[len(order) // 20 : len(order) // 10]
    spoiled[rows[high], columns[high]] = 1.0
    spoiled[rows[low], columns[low]] = 0.0
    facts = _facts(spoiled, mask, noise=0.0)
    assert facts["clipped_high"] == pytest.approx(0.05, abs=0.003)
    assert facts["clipped_low"] == pytest.approx(0.05, abs=0.003)


def test_nothing_is_clipped_in_a_plain_picture(scene):
    facts = _facts(*scene)
    assert facts["clipped_high"] == 0
    assert facts["clipped_low"] == 0


def test_a_product_too_small_is_not_measured(scene):
    linear, mask = scene
    tiny = np.zeros_like(mask)
    tiny[100:106, 100:106] = True
    facts = _facts(linear, tiny)
    assert "product_ev" not in facts
    assert "too small" in facts["reasons"][0]
