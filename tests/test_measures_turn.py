"""Turn and pitch from corners projected by OpenCV's camera model."""

import cv2
import numpy as np
import pytest

from catalogue_audit.measures.turn import solve_turn

FOCAL_PX, CENTRE = 2300.0, (400.0, 500.0)


def projected_base(yaw_deg, pitch_deg, roll_deg=0.0, width=34.0, depth=14.0, distance=180.0):
    """Lower edges of a box as `base_corner` gives them, by cv2.projectPoints (calib3d's pinhole model)."""
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


@pytest.mark.parametrize("yaw", [20.0, 32.0, 40.0])
@pytest.mark.parametrize("pitch", [4.0, 8.0, 15.0])
def test_turn_and_pitch_are_those_of_the_camera(yaw, pitch):
    found = solve_turn(projected_base(yaw, pitch), 0.0, FOCAL_PX, CENTRE)
    assert found == pytest.approx((yaw, pitch), abs=0.05)


def test_roll_is_taken_out_first():
    assert solve_turn(projected_base(32.0, 7.0, roll_deg=1.0), 1.0, FOCAL_PX, CENTRE)[0] == pytest.approx(32.0, abs=0.3)


def test_slopes_of_no_corner_give_no_turn():
    assert solve_turn({"corner": (400, 800), "slopes": (-0.1, 0.1)}, 0.0, FOCAL_PX, CENTRE) is None
