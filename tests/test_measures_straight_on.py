"""Turn and roll of straight-on views of solids posed and projected by OpenCV's camera model."""

import math

import numpy as np
import pytest
from catalogue_audit.measures.geometry.handles import legs_apart
from catalogue_audit.measures.geometry.roll import roll_facts
from catalogue_audit.measures.geometry.straight_on import for_the_sketch, of_the_sketch, turn_and_roll
from making_projected import Solid, View, photographed, random_solid


@pytest.mark.parametrize("seed", range(6))
def test_turn_and_roll_of_a_projected_solid_are_told_together(seed):
    random = np.random.default_rng(seed)
    view = View(random.uniform(-3, 3), 0.0, random.normal(0, 0.4), random.uniform(3, 10), random.uniform(70, 120), bool(seed % 2))
    picture, outline = photographed(random_solid(random), view, (750, 600), seed)
    facts = roll_facts(picture, outline, view.focal_35mm)
    turn, sd = facts["straight_on_turn"]
    assert abs(turn - view.yaw) < 3 * sd and sd < 2.0
    assert facts["roll_deg"] == pytest.approx(view.roll, abs=0.35)
    assert abs(facts["roll_deg"] - view.roll) < 3 * facts["roll_sd_deg"]


@pytest.mark.parametrize("yaw", [-12.0, 10.0])
def test_a_product_set_askew_is_no_tilted_camera(yaw):
    random = np.random.default_rng(3)
    view = View(yaw, 0.0, 0.1, 7.0, 90.0)
    picture, outline = photographed(random_solid(random, handles=0), view, (750, 600))
    facts = roll_facts(picture, outline, view.focal_35mm)
    turn, sd = facts["straight_on_turn"]
    assert turn * yaw > 0 and abs(turn) > 3 * sd and abs(turn - yaw) < 3 * sd
    assert abs(facts["roll_deg"]) < max(3 * facts["roll_sd_deg"], 0.8)


def test_a_tilted_camera_is_no_turned_product():
    picture, outline = photographed(random_solid(np.random.default_rng(3), handles=0), View(0.4, 0.0, 2.0, 7.0, 90.0), (750, 600))
    facts = roll_facts(picture, outline, 90.0)
    assert facts["roll_deg"] == pytest.approx(2.0, abs=0.2)
    assert abs(facts["straight_on_turn"][0]) < 3 * facts["straight_on_turn"][1]


def test_an_axis_that_nothing_else_confirms_is_not_believed():
    yaw, yaw_sd, roll, roll_sd = turn_and_roll({"symmetry": (-5.9, 0.8), "sides": (-4.7, 4.5)}, 5.0)
    assert abs(roll) < 3 * roll_sd
    assert turn_and_roll({"base": (0.3, 0.1)}, 5.0) is None


@pytest.mark.parametrize("yaw", [-9.0, 10.0])
def test_handles_that_stand_beside_each_other_tell_a_turn(yaw):
    solid = Solid(34.0, 24.0, 15.0, 34.0, 15.0, handles=2, handle=13.0)
    square, turned = (photographed(solid, View(angle, 0.0, 0.0, 6.0, 95.0), (1200, 960)) for angle in (0.5, yaw))
    assert legs_apart(square[1]) is None
    # Two things a distance apart, one behind the other, part by its sine when turned.
    assert legs_apart(turned[1]) == pytest.approx(solid.top_depth / solid.width * math.sin(math.radians(abs(yaw))), rel=0.3)
    found = roll_facts(*turned, 95.0)["straight_on_turn"]
    assert found[0] * yaw > 0 and abs(found[0] - yaw) < 3 * found[1]


def test_legs_apart_make_a_turn_of_a_slope_that_might_be_a_roll():
    witnesses = {"base": (-1.6, 0.1), "symmetry": (-0.5, 4.0)}
    alone, with_legs = turn_and_roll(witnesses, 5.5), turn_and_roll(witnesses, 5.5, 0.0, 0.06)
    assert with_legs[0] > alone[0] + 2 and abs(with_legs[2]) < abs(alone[2])


@pytest.mark.parametrize("pitch", [3.5, 12.0])
def test_a_known_height_of_the_camera_tells_a_turn_better_than_the_usual_one(pitch):
    view = View(8.0, 0.0, 0.0, pitch, 90.0)  # OpenCV's camera model
    picture, outline = photographed(Solid(34.0, 24.0, 13.0, 34.0, 13.0), view, (750, 600))
    facts = roll_facts(picture, outline, view.focal_35mm)
    turn, sd = turn_and_roll(*of_the_sketch(facts["straight_on"]), pitch=(pitch, 1.0))[:2]
    usual, _ = facts["straight_on_turn"]
    assert abs(turn - view.yaw) < min(1.0, abs(usual - view.yaw)) and abs(turn - view.yaw) < 3 * sd


def test_what_a_sketch_keeps_tells_the_same_turn():
    told = {"base": (-2.0, 0.1), "top": (0.3, 0.4)}, 5.0, -3.0, 0.04, {"roll": (0.1, 0.2), "turn": (3.0, 2.0), "side": (0.01, 0.004), "inner": (0.01, 0.1)}
    assert turn_and_roll(*of_the_sketch(for_the_sketch(*told))) == pytest.approx(turn_and_roll(*told), abs=1e-4)
    assert of_the_sketch(for_the_sketch({}, 1.0))[3:] == (None, {})
