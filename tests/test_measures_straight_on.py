"""Turn and roll of straight-on views of solids posed and projected by OpenCV's camera model."""

import numpy as np
import pytest
from making_projected import View, photographed, random_solid

from catalogue_audit.measures.roll import roll_facts
from catalogue_audit.measures.straight_on import turn_and_roll


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
