"""Keystones of bodies projected by OpenCV's camera model, which pictures of a shape they show tilted, and what the ground at their feet adds."""

import itertools
import math

import cv2
import numpy as np
import pytest
from catalogue_audit.statistics.geometry.keystones import keystone, keystones_of, widths_of
from catalogue_audit.statistics.geometry.lean_contacts import contact_likelihood, feet_scatter
from catalogue_audit.statistics.geometry.lean_levels import SCALES, told_by_others

TALL, WIDE, FOCAL_PX, DISTANCE = 640, 512, 1300.0, 190.0  # px; cm
TILTS_DEG = np.arange(-14.0, 14.01, 0.5)
UPRIGHT = 0.95 * np.exp(-0.5 * (TILTS_DEG / 0.7) ** 2) / 0.7 + 0.05 * np.exp(-0.5 * (TILTS_DEG / 5) ** 2) / 5


def sketch(half_widths, lean=0.0, pitch=6.0, tall=26.0):
    """Sketch of a slab so many cm high, whose half widths in cm go evenly from base to top, that leans about its base and is seen by a camera looking down."""
    heights = np.linspace(0.0, tall, len(half_widths))
    flat = np.concatenate([np.stack([half_widths, heights, 0 * heights], axis=1), np.stack([-half_widths, heights, 0 * heights], axis=1)[::-1]])
    tip, down = math.radians(lean), math.radians(pitch)
    turned = flat @ np.array([[1.0, 0, 0], [0, math.cos(tip), math.sin(tip)], [0, -math.sin(tip), math.cos(tip)]])
    eye = np.array([0.0, 13 + DISTANCE * math.sin(down), DISTANCE * math.cos(down)])
    axes = np.array([[1.0, 0, 0], [0, -math.cos(down), math.sin(down)], [0, -math.sin(down), -math.cos(down)]])
    camera = np.array([[FOCAL_PX, 0, WIDE / 2], [0, FOCAL_PX, TALL / 2], [0, 0, 1.0]])
    outline = cv2.projectPoints(turned, cv2.Rodrigues(axes)[0], -axes @ eye, camera, None)[0][:, 0]
    mask = np.zeros((TALL, WIDE), np.uint8)
    cv2.fillPoly(mask, [np.round(outline).astype(np.int32)], 1)
    dense = np.concatenate([np.linspace(a, b, 5, endpoint=False) for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True)])
    return {"mask": cv2.resize(mask, (205, 256), interpolation=cv2.INTER_NEAREST).astype(bool), "outline": (dense / [WIDE, TALL]).astype(np.float32)}


BOX = np.full(60, 15.0)
SATCHEL = np.linspace(16.0, 12.5, 60)
DOME = 15 * np.sqrt(1 - np.clip((np.linspace(0, 26, 60) - 11) / 15.5, 0, 1) ** 2)


@pytest.mark.parametrize("lean", [-7.0, 4.0, 8.0])
def test_the_keystone_of_a_pair_is_the_sine_of_the_lean_over_the_distance_in_widths(lean):
    distance = DISTANCE / (2 * BOX[0])
    growth, sd = keystone(widths_of(sketch(BOX, lean)), widths_of(sketch(BOX)), distance)
    assert growth * distance == pytest.approx(math.sin(math.radians(lean)), abs=0.12 * math.sin(math.radians(abs(lean))) + 0.006)
    assert sd * distance < math.sin(math.radians(1.5))


@pytest.mark.parametrize("lean", [-7.0, 4.0, 8.0])
def test_where_sides_slant_the_height_that_a_lean_takes_is_in_the_uncertainty(lean):
    distance = DISTANCE / (2 * SATCHEL[:30].mean())
    growth, sd = keystone(widths_of(sketch(SATCHEL, lean)), widths_of(sketch(SATCHEL)), distance)
    assert abs(growth * distance - math.sin(math.radians(lean))) < 1.5 * sd * distance < math.sin(math.radians(4.5))
    assert np.sign(growth) == np.sign(lean)


def test_a_dome_whose_rear_rim_a_tilt_lifts_is_not_taken_for_one_that_draws_together():
    """The outline of a cylinder's two ends, one lifted above the other, is their union."""
    lifted = np.linspace(0, 27, 120)
    ends = [np.interp(lifted - up, np.linspace(0, 26, 60), DOME, left=0.0, right=0.0) for up in (0.0, 1.0)]
    growth, sd = keystone(widths_of(sketch(np.maximum(*ends), tall=27.0)), widths_of(sketch(DOME)))
    assert abs(growth) < 2 * sd


def test_sides_that_differ_otherwise_than_by_a_straight_line_are_no_sure_keystone():
    flap = BOX + np.where(np.linspace(0, 26, 60) > 14, 0.7, 0.0)  # one face has a flap that stands out over its upper half
    growth, sd = keystone(widths_of(sketch(flap)), widths_of(sketch(BOX)))
    assert growth > 0.02 and growth < 3 * sd


def test_pictures_without_a_body_are_left_out():
    empty = {"mask": np.zeros((256, 205), bool), "outline": np.zeros((8, 2), np.float32)}
    found = keystones_of({"a": sketch(BOX), "b": empty, "c": sketch(BOX, -6.0)}, [(name, 6.0) for name in "abcd"])
    assert [each[:2] for each in found] == [(0, 2)] and found[0][2] > 0.01
    assert widths_of({}) is None and widths_of(empty) is None
    assert not keystones_of({"a": sketch(BOX), "c": sketch(BOX, -6.0)}, [("a", np.inf), ("c", 6.0)])  # of no width, nothing tells how far away it is


def test_what_is_utterly_unlikely_is_weighed_without_a_warning():
    pairs = {(0, 1): (0.99, 0.001), (0, 2): (0.0, 0.001), (1, 2): (-0.99, 0.001)}
    feet = {(0, 1): contact_likelihood(5.0, 0.001, TILTS_DEG, TILTS_DEG)}
    told = told_by_others(TILTS_DEG, pairs, feet, [UPRIGHT, np.where(TILTS_DEG == 14, 1.0, 0.0), UPRIGHT], ["A", "A", "B"], 0.7)
    assert np.isfinite(told).all() and [each.max() for each in told] == [1.0, 1.0, 1.0]


def differences(tilts, sd=0.02):
    """Pairs of pictures of the tilts in degrees, as `told_by_others` takes them."""
    sines = np.sin(np.radians(tilts))
    return {(a, b): (sines[a] - sines[b], sd) for a in range(len(sines)) for b in range(a + 1, len(sines))}


def middles(tilts, products, feet=None):
    told = told_by_others(TILTS_DEG, differences(tilts), feet or {}, [UPRIGHT] * len(tilts), products, 0.7)
    weights = [UPRIGHT * each for each in told]
    return [float(np.interp(0.5, np.cumsum(each) / each.sum(), TILTS_DEG + 0.25)) for each in weights]


@pytest.mark.parametrize("lean", [-7.0, 6.0])
def test_of_several_pictures_the_odd_one_is_tilted(lean):
    found = middles([0.0, lean, 0.0, 0.0], ["A", "A", "B", "B"])
    assert found[1] == pytest.approx(lean, abs=1.5) and np.abs(np.delete(found, 1)).max() < 1


def test_two_pictures_do_not_tell_which_of_them_is_tilted_but_their_feet_do():
    one, other = middles([6.0, 0.0], ["A", "A"])
    assert one == pytest.approx(-other, abs=0.6)
    feet = {(0, 1): contact_likelihood(0.012, 0.003, TILTS_DEG, TILTS_DEG)}
    found = middles([6.0, 0.0], ["A", "A"], feet)
    assert found[0] > 3 and abs(found[1]) < 1.5
    found = middles([6.0, 0.0], ["A", "A"], {(0, 1): feet[0, 1].T})  # the ground lies lower at the other one's foot
    assert abs(found[0]) < 1.5 and found[1] < -3


def test_where_two_products_differ_in_both_views_either_may_be_the_one_that_leans():
    found = middles([6.0, 6.0, 0.0, 0.0], ["A", "A", "B", "B"])
    assert np.abs(np.add(found[:2], found[2:])).max() < 0.6


@pytest.mark.parametrize("depth", [0.3, 0.45, 0.7])
def test_the_ground_under_a_raised_edge_tells_a_lean_by_the_depth_of_the_body(depth):
    """A box that stands on its rear edge has its front edge raised by its depth times the sine of the lean."""
    raised = depth * np.sin(np.radians(6.5))
    likely = contact_likelihood(raised, 0.003, TILTS_DEG, np.zeros(1), depth)[:, 0]
    upright = likely[np.abs(TILTS_DEG) < 1.5].max()
    assert likely[np.abs(TILTS_DEG + 6.5) < 0.3].max() > 10 * upright and likely[TILTS_DEG > 0].max() < 10 * upright
    assert likely[(TILTS_DEG < 0) & (TILTS_DEG > -5.0)].max() < 2 * upright


def test_feet_repeat_as_well_as_the_delivery_shows():
    random = np.random.default_rng(3)
    assert feet_scatter([]) == pytest.approx(0.004)
    assert feet_scatter(random.normal(0, 0.02, 60)) == pytest.approx(0.02, rel=0.35)
    assert feet_scatter(random.normal(0, 0.0005, 60)) < 0.003


COARSE_DEG, SEEN = TILTS_DEG[::4], UPRIGHT[::4]


def all_ways(own, pairs, products, upright_sd_deg, scale):
    """Log likelihood of each picture's tilts by writing out every way: none, one or two of one product among the others are tilted."""
    upright = np.abs(COARSE_DEG) <= 1.5
    sines, zero = np.sin(np.radians(COARSE_DEG)), len(COARSE_DEG) // 2
    apart = sines[:, None] - sines

    def compared(sine, sd):
        sd = np.hypot(scale * sd, np.sin(np.radians(upright_sd_deg)))
        like = 0.995 * np.exp(-0.5 * ((sine - apart) / sd) ** 2) / sd + 0.005 * np.exp(-0.5 * (sine / 0.25) ** 2) / 0.25
        return min(1.0, (len(own) - 1) / len(pairs)) * np.log(like)

    table = {two: compared(*told) for two, told in pairs.items()}
    found = []
    for place in range(len(own)):
        others = [other for other in range(len(own)) if other != place]
        two_of_one = [two for two in itertools.combinations(others, 2) if products[two[0]] == products[two[1]]]
        likelihood = np.zeros(len(COARSE_DEG))
        for tilted in [(), *((other,) for other in others), *two_of_one]:
            for at in itertools.product(range(len(COARSE_DEG)), repeat=len(tilted)):
                here = {other: zero for other in others} | dict(zip(tilted, at, strict=True)) | {place: np.arange(len(COARSE_DEG))}
                weight = sum(np.log(own[other][upright].sum()) for other in others if other not in tilted)
                weight += sum(np.log(1e-300 + (0.0 if upright[step] else own[other][step])) for other, step in zip(tilted, at, strict=True))
                likelihood = likelihood + np.exp(weight + sum(like[here[one], here[other]] for (one, other), like in table.items()))
        found.append(np.log(likelihood))
    return np.array(found)


def test_the_sum_over_all_ways_is_that_of_writing_them_out():
    tilts, products = [0.4, -0.2, 7.0, 0.1, 0.3], ["A", "A", "B", "B", "C"]
    pairs = {two: told for two, told in differences(tilts).items() if two not in ((0, 3), (1, 4))}  # two were not compared
    own = [SEEN, np.exp(-0.5 * ((COARSE_DEG - 2) / 3) ** 2), SEEN, SEEN, SEEN]
    written_out = np.logaddexp(*(all_ways(own, pairs, products, 0.7, scale) for scale in SCALES))
    told = told_by_others(COARSE_DEG, pairs, {}, own, products, 0.7)
    np.testing.assert_allclose(told, np.exp(written_out - written_out.max(axis=1, keepdims=True)), atol=1e-9)


def test_of_three_hundred_pictures_of_one_shape_the_tilted_one_is_told():
    tilts = [0.0] * 300
    tilts[141] = 6.0
    near = {two: told for two, told in differences(tilts).items() if two[1] - two[0] <= 3}
    told = told_by_others(TILTS_DEG, near, {}, [UPRIGHT] * 300, [str(number // 2) for number in range(300)], 0.7)
    assert abs(TILTS_DEG[np.argmax(told[141])] - 6.0) <= 0.5
    assert all(abs(TILTS_DEG[np.argmax(told[place] * UPRIGHT)]) <= 0.5 for place in (0, 140, 142, 299))
