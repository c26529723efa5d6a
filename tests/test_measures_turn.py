"""Turn and pitch from corners projected by OpenCV's camera model."""

import cv2
import numpy as np
import pytest
from catalogue_audit.measures.geometry.turn import front_turn, turn_facts, weigh_pitches
from making_projected import View, photographed, random_solid

FOCAL_PX, CENTRE = 2300.0, (400.0, 500.0)


def projected_base(yaw_deg, pitch_deg, roll_deg=0.0, width=34.0, depth=14.0, distance=180.0):
    """Lower edges of a box a corner and two slopes, by cv2.projectPoints (calib3d's pinhole model)."""
    yaw, pitch, roll = np.radians([yaw_deg, pitch_deg, roll_deg])
    # Ground points, x to the camera's right, z away from it, y down: left rear, near corner, right.
    ground = np.array([[-width / 2, 0, depth / 2], [-width / 2, 0, -depth / 2], [width / 2, 0, -depth / 2]])
    turn = np.array([[np.cos(yaw), 0, -np.sin(yaw)], [0, 1, 0], [np.sin(yaw), 0, np.cos(yaw)]])
    tilt = np.array([[1, 0, 0], [0, np.cos(pitch), -np.sin(pitch)], [0, np.sin(pitch), np.cos(pitch)]])
    spin = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
    rotation, _ = cv2.Rodrigues(spin @ tilt)
    camera = np.array([[FOCAL_PX, 0, CENTRE[0]], [0, FOCAL_PX, CENTRE[1]], [0, 0, 1]])
    offset = spin @ np.array([0.0, 12.0, distance])
    points = cv2.projectPoints(ground @ turn.T, rotation, offset, camera, None)[0][:, 0]
    left, corner, right = points
    slopes = [(corner[1] - left[1]) / (corner[0] - left[0]), (right[1] - corner[1]) / (right[0] - corner[0])]
    return {"corner": tuple(corner), "slopes": slopes}


def place_of(base):
    return tuple((at - centre) / FOCAL_PX for at, centre in zip(base["corner"], CENTRE, strict=True))


@pytest.mark.parametrize("yaw", [20.0, 32.0, 40.0])
@pytest.mark.parametrize("pitch", [4.0, 8.0, 15.0])
def test_the_front_edge_and_the_pitch_give_the_turn(yaw, pitch):
    base = projected_base(yaw, pitch)
    assert front_turn(base["slopes"][1], np.radians(pitch), place_of(base)) == pytest.approx(yaw, abs=0.05)


def test_roll_is_taken_out_first():
    base = projected_base(32.0, 7.0, roll_deg=1.0)
    found = front_turn(base["slopes"][1], np.radians(7.0), place_of(base), np.radians(1.0))
    assert found == pytest.approx(32.0, abs=0.3)


@pytest.mark.parametrize("pitch", [5.0, 9.0, 14.0])
def test_a_clear_side_edge_tells_the_pitch(pitch):
    base = projected_base(32.0, pitch)
    yaw, yaw_sd, found, pitch_sd = weigh_pitches((base["slopes"][1], 0.002, 1.0), (base["slopes"][0], 0.01, True, place_of(base)), place_of(base), 0.0, 0.0)
    assert found == pytest.approx(pitch, abs=0.4) and pitch_sd < 0.5
    assert yaw == pytest.approx(32.0, abs=1.0) and abs(yaw - 32.0) < 3 * yaw_sd


def test_without_a_side_edge_the_turn_is_as_unsure_as_the_pitch():
    base = projected_base(32.0, 9.0)
    yaw, yaw_sd, _, pitch_sd = weigh_pitches((base["slopes"][1], 0.002, 1.0), None, place_of(base), 0.0, 0.0)
    assert abs(yaw - 32.0) < 2 * yaw_sd and yaw_sd > 3 and pitch_sd > 2


def test_a_rounded_side_edge_does_not_drag_the_turn_along():
    base = projected_base(32.0, 9.0)
    front = (base["slopes"][1], 0.002, 1.0)
    rounded = weigh_pitches(front, (2.5 * base["slopes"][0], 0.05, False, place_of(base)), place_of(base), 0.0, 0.0)
    assert abs(rounded[0] - 32.0) < 2 * rounded[1]


def measured(seed):
    """Facts of a random solid turned by a random angle, and how it was posed."""
    random = np.random.default_rng(seed)
    view = View(random.uniform(24, 42) * (-1) ** seed, 0.0, random.normal(0, 0.2), random.uniform(5, 14), random.uniform(70, 120))
    picture, outline = photographed(random_solid(random), view, (750, 600), seed)
    return turn_facts(picture, outline, view.focal_35mm), view


@pytest.mark.parametrize("seed", [0, 1, 3, 4, 5])
def test_the_corner_of_a_projected_solid_tells_turn_and_pitch(seed):
    facts, view = measured(seed)
    assert facts["yaw_deg"] == pytest.approx(view.yaw, abs=1.0) and abs(facts["yaw_deg"] - view.yaw) < 2 * facts["yaw_sd_deg"]
    assert facts["camera_pitch_deg"] == pytest.approx(view.pitch, abs=0.8)


def test_where_the_corner_is_not_seen_the_turn_is_as_unsure_as_it_is():
    facts, view = measured(2)
    assert "camera_pitch_deg" not in facts and abs(facts["yaw_deg"] - view.yaw) < 2 * facts["yaw_sd_deg"]
