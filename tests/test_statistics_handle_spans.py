"""Turn by the legs of handles: arches drawn through OpenCV's pinhole camera (cv2.projectPoints), a check outside the project's own formulae."""

import math

import cv2
import numpy as np
import pytest
from catalogue_audit.statistics.geometry.handle_spans import MOST_COSINE, SCATTERS, TOLD_WRONG, closer, legs_of, turn_by_handles

SIZE, FOCAL, DISTANCE = (480, 600), 1400.0, 190.0  # px; cm, about six widths away, as products are photographed
ROUND = "round"


def drawn(turn_deg, *, handles=(-5.0, 5.0), look_deg=8.0, width=32.0, depth=13.0, height=22.0, span=14.0, rise=14.0, shape="box", way=1.0):
    """Mask of a bag with arched handles: a box, or a body of oval plan."""
    turn, look = math.radians(turn_deg) * way, math.radians(look_deg)
    about = np.array([[math.cos(turn), 0, -math.sin(turn)], [0, 1, 0], [math.sin(turn), 0, math.cos(turn)]])
    down = cv2.Rodrigues(np.array([look, 0.0, 0.0]))[0]
    camera = np.array([[FOCAL, 0, SIZE[0] / 2], [0, FOCAL, SIZE[1] / 2], [0, 0, 1]])

    def seen(points):
        return cv2.projectPoints(np.asarray(points, float) @ about.T, cv2.Rodrigues(down)[0], down @ np.array([0.0, 16.0, 0.0]) + (0, 0, DISTANCE), camera, None)[0][:, 0]

    mask = np.zeros(SIZE[::-1], np.uint8)
    angles = np.radians(np.arange(0, 360, 5))
    plan = [(-1, -1), (1, -1), (1, 1), (-1, 1)] if shape == "box" else np.column_stack([np.cos(angles), np.sin(angles)])
    body = [(x * width / 2, y, z * depth / 2) for x, z in plan for y in (0.0, -height)]
    cv2.fillConvexPoly(mask, cv2.convexHull(np.rint(seen(body)).astype(np.int32)), 1)
    arch = np.radians(np.arange(0, 181, 4))
    for z in handles:
        legs = [(-span / 2, -height), *((-span / 2 * math.cos(a), -height - rise + 7 - 7 * math.sin(a)) for a in arch), (span / 2, -height)]
        cv2.polylines(mask, [np.rint(seen([(x, y, z) for x, y in legs])).astype(np.int32)], False, 1, 7)
    return mask


def told(turn_deg, **kind):
    return turn_by_handles({"front": {"mask": drawn(0.0, **kind)}, "turned": {"mask": drawn(turn_deg, **kind)}}, ("front", "turned"))


@pytest.mark.parametrize("turn", [20.0, 28.0, 32.0, 36.0, 45.0])
@pytest.mark.parametrize("kind", [{}, {"handles": (0.0,)}, {"handles": (0.0,), "shape": ROUND}, {"shape": ROUND}, {"way": -1.0}, {"look_deg": 5.0}], ids=str)
def test_the_legs_of_handles_tell_the_turn_of_boxes_and_of_round_bodies(turn, kind):
    found = told(turn, **kind)
    assert found is not None
    value, sd, wrong = found
    assert abs(value - turn) < 3 * sd and sd < 5.0 and TOLD_WRONG[0] <= wrong <= TOLD_WRONG[-1]


def test_turns_are_told_apart_far_better_than_each_is_known():
    """What shapes and the camera add is alike from picture to picture of a set."""
    found = np.array([told(turn)[0] for turn in (24.0, 32.0, 40.0)])
    assert np.abs(np.diff(found) - 8.0).max() < 1.5


def test_another_arch_than_the_front_views_tells_nothing():
    """A strap held up instead of the handle is another arch: wider towards its crown than the front's by another share on each row."""
    rows = np.arange(10.0, 90.0)
    arch, slanting = 60 * np.sqrt(np.minimum(rows / 40, 1.0)), 0.9 * rows
    assert closer(rows, 0.85 * arch, rows, arch, 400.0)[0] == pytest.approx(0.85, abs=0.002)
    assert closer(rows, slanting, rows, arch, 400.0) is None


def test_legs_that_come_no_closer_belong_to_no_turned_view():
    assert told(2.0) is None and math.degrees(math.acos(MOST_COSINE)) == pytest.approx(8.0)


def test_a_scattered_arch_is_likelier_wrong():
    assert list(SCATTERS) == sorted(SCATTERS) and list(TOLD_WRONG) == sorted(TOLD_WRONG)


@pytest.mark.parametrize("mask", [None, np.zeros((40, 30), np.uint8), np.ones((40, 30), np.uint8), np.ones((1, 1), bool)])
def test_masks_without_handles_tell_nothing(mask):
    assert legs_of(mask, (4, 3, 2)) is None
    assert turn_by_handles({"front": {"mask": mask}, "turned": {"mask": drawn(32.0)}}, ("front", "turned")) is None
    assert turn_by_handles({}, ("front", "turned")) is None
