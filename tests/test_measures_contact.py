"""The line of contact under a deep shadow, and what is no shadow: painted truth."""

import cv2
import making
import numpy as np
import pytest
from catalogue_audit.measures.evidence import find_evidence, halved
from catalogue_audit.measures.records import CONFIDENCE_LIMIT
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.contact import settle_base
from catalogue_audit.measures.segmentation.outline import find_outline

SHAPE = (600, 480)
BASE = 420


def standing(colour, darkest, reach):
    """A box on a sweep; its contact shadow falls to a share of the light at the base and fades over some pixels."""
    truth = making.cover(SHAPE, [(120, 200), (360, 200), (360, BASE), (120, BASE)])
    rows = np.arange(SHAPE[0], dtype=np.float64)
    fade = 1 - (1 - darkest) * np.exp(-np.maximum(rows - BASE, 0) / reach)
    fade[rows < BASE - 30] = 1
    columns = cv2.GaussianBlur(((np.arange(SHAPE[1]) > 125) & (np.arange(SHAPE[1]) < 355)).astype(np.float64)[None], (31, 1), 6)
    light = 1 - columns * (1 - fade[:, None])
    ground = making.sweep(*SHAPE) * light[..., None]
    return making.photograph(making.put(ground, truth, colour), noise=0.002), truth


NOT_YET = pytest.mark.xfail(strict=True, reason="a light grey product's base is found 11 px low in a shadow as deep as this")


@pytest.mark.parametrize(
    "colour", [(0.05, 0.05, 0.05), pytest.param((0.4, 0.4, 0.4), marks=NOT_YET), (0.3, 0.05, 0.04), (0.05, 0.07, 0.3)]
)
def test_the_base_is_found_at_the_end_of_a_deep_contact_shadow(colour):
    rgb, truth = standing(colour, 0.02, 25)
    picture = making.picture_of(rgb)
    found = find_outline(picture, fit_backdrop(picture))
    assert found.box[3] * SHAPE[0] == pytest.approx(BASE, abs=3.5)  # the darkest rows belong to either
    assert np.sum(found.mask & (truth > 0.5)) / np.sum(found.mask | (truth > 0.5)) > 0.98


def test_a_product_that_darkens_upwards_without_a_shadow_keeps_its_base():
    truth = making.cover(SHAPE, [(120, 200), (360, 200), (360, BASE), (120, BASE)])
    shade = np.linspace(0.05, 0.4, SHAPE[0])[:, None, None] * np.ones((*SHAPE, 3))
    white = np.ones((*SHAPE, 3))
    rgb = making.photograph(white * (1 - truth[..., None]) + shade * truth[..., None], noise=0.0)
    picture = making.picture_of(rgb)
    assert find_outline(picture, fit_backdrop(picture)).box[3] * SHAPE[0] == pytest.approx(BASE, abs=0.6)


@pytest.mark.parametrize("level", [0.3, 0.45, 0.6])
def test_a_corner_in_shadow_draws_no_line_through_a_base_without_one(level):
    """Cut out to pure white: only the corner, cut off at the right, keeps a spot of its shadow."""
    truth = making.cover(SHAPE, [(120, 200), (360, 200), (360, BASE - 40), (330, BASE), (120, BASE)])
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    light = 1 - 0.7 * np.exp(-(((columns - 350) / 8) ** 2) - ((rows - (BASE - 24)) / 14) ** 2)
    rgb = making.photograph(making.put(np.ones((*SHAPE, 3)) * light[..., None], truth, (level, 0.97 * level, 0.92 * level)), noise=0.0)
    picture = making.picture_of(rgb)
    found = find_outline(picture, fit_backdrop(picture))
    assert np.sum(~found.mask[:, 240:330] & (truth[:, 240:330] > 0.9)) < 30


def test_a_scene_that_meets_every_side_is_not_trusted():
    random = np.random.default_rng(3)
    rgb = making.photograph(making.sweep(*SHAPE), noise=0.002)
    for _ in range(60):
        x, y = int(random.integers(0, 440)), int(random.integers(0, 560))
        cv2.rectangle(rgb, (x, y), (x + 60, y + 60), tuple(int(v) for v in random.integers(0, 255, 3)), -1)
    rgb[:, :30] = rgb[-40:] = (40, 60, 30)
    picture = making.picture_of(rgb)
    found = find_outline(picture, fit_backdrop(picture))
    assert found.confidence < CONFIDENCE_LIMIT and found.reason


@pytest.mark.parametrize(("top", "kept"), [(30, False), (1.5, True)])
def test_a_low_wedge_that_fades_upwards_is_shadow_and_one_with_an_upper_edge_is_product(top, kept):
    body = making.cover(SHAPE, [(120, 200), (360, 200), (360, BASE), (120, BASE)])
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float64)
    beside = (columns > 360) & (columns < 390)
    deep = np.clip((rows - (BASE - 30)) / top, 0, 1) * (rows < BASE) * beside  # darker downwards, then an edge
    light = (1 - 0.1 * beside * (rows > BASE - 60)) * (1 - 0.25 * deep)
    rgb = making.photograph(making.put(making.sweep(*SHAPE) * light[..., None], body, (0.05, 0.05, 0.05)), noise=0.002)
    picture = making.picture_of(rgb)
    half = halved(picture.lab)
    product = halved(np.float32(body + (deep > 0.4))) > 0.5
    evidence = find_evidence(picture.lab[..., 0].copy(), cv2.split(half), fit_backdrop(picture).at(half.shape[:2]))
    _, settled, _ = settle_base(evidence, picture.lab[..., 0].copy(), ~product, product.copy())
    assert settled[BASE - 12 : BASE - 4, 366:384].mean() == kept and settled[220 : BASE - 4, 124:356].all()


def on_a_strip(foot, softness, deep=0.4):
    """A tan box whose front throws a strip of shadow 26 px deep on ground that is lit beyond; or a grey ``foot`` of its own as high and of as sharp edges."""
    box = making.cover(SHAPE, [(120, 200), (360, 200), (360, BASE), (120, BASE)])
    strip = making.cover(SHAPE, [(122, BASE - 9), (358, BASE - 9), (358, BASE + 26), (122, BASE + 26)])
    strip = cv2.GaussianBlur(strip, (0, 0), softness) * (1 - box)
    rows = np.arange(SHAPE[0])[:, None]
    depth = np.full(SHAPE, 0.4) if foot else deep + (0.9 - deep) * np.exp(-np.maximum(rows - BASE, 0) / 5)
    ground = making.sweep(*SHAPE) * (1 - strip * depth)[..., None]
    return making.photograph(making.put(ground, box, (0.35, 0.2, 0.09)), noise=0.002), box


@pytest.mark.parametrize(("softness", "deep"), [(0.7, 0.15), (3.0, 0.8)])
def test_a_strip_of_shadow_that_ends_on_lit_ground_is_not_the_products(softness, deep):
    rgb, truth = on_a_strip(False, softness, deep)
    picture = making.picture_of(rgb)
    found = find_outline(picture, fit_backdrop(picture))
    assert found.box[3] * SHAPE[0] == pytest.approx(BASE, abs=4.5)  # of 26
    assert np.sum(found.mask & (truth > 0.5)) / np.sum(found.mask | (truth > 0.5)) > 0.98


def test_a_grey_foot_of_a_coloured_product_with_an_edge_of_its_own_stays():
    rgb, _ = on_a_strip(True, 0.3)
    picture = making.picture_of(rgb)
    assert find_outline(picture, fit_backdrop(picture)).box[3] * SHAPE[0] == pytest.approx(BASE + 26, abs=1.5)
