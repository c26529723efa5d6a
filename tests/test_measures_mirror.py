"""An outline laid over its mirror image, on solids posed and projected by OpenCV's camera model."""

import math

import cv2
import numpy as np
import pytest
from catalogue_audit.measures.geometry.mirror import Edge, edges, laid_over, mirror_pose
from catalogue_audit.measures.geometry.roll import roll_facts
from making_projected import Solid, View, photographed

FOCAL = 95.0
SHAPE = (900, 720)
FOCAL_PX = FOCAL * math.hypot(*SHAPE) / math.hypot(36, 24)


def pose_of(solid, view):
    return mirror_pose(photographed(solid, view, SHAPE)[1], FOCAL_PX)


@pytest.mark.parametrize("roll", [-2.0, 0.0, 1.2])
def test_a_roll_turns_an_outline_and_its_mirror_image_apart(roll):
    found = pose_of(Solid(handles=1), View(0.0, 0.0, roll, 6.0, FOCAL))
    assert found["roll"][0] == pytest.approx(roll, abs=0.12)
    assert found["handles"][0] == pytest.approx(roll, abs=0.3)
    assert abs(found["turn"][0]) < max(2 * found["turn"][1], 0.8)


@pytest.mark.parametrize("yaw", [-11.0, -7.0, 8.0, 12.0])
def test_a_turn_makes_one_end_of_a_flat_thing_larger_and_is_no_roll(yaw):
    found = pose_of(Solid(depth=2.0, top_depth=2.0, handles=0, top_width=31.0), View(yaw, 0.0, 0.0, 6.0, FOCAL))
    assert found["turn"][0] == pytest.approx(yaw, rel=0.35) and abs(found["turn"][0]) > 2 * found["turn"][1]
    assert abs(found["roll"][0]) < 0.05 * abs(yaw)


@pytest.mark.parametrize("yaw", [-8.0, 8.0])
def test_a_slanted_shoulder_bulges_where_the_side_comes_into_view(yaw):
    """A pyramid's slanted side, from a little above: the rear edge of the near side shows beyond the front one."""
    found = pose_of(Solid(34.0, 24.0, 16.0, 14.0, 16.0, handles=0), View(yaw, 0.0, 0.0, 8.0, FOCAL))
    assert found["side"][0] * yaw > 0 and abs(found["side"][0]) > 1.5 * found["side"][1]


def test_what_the_frame_cuts_and_what_has_no_body_has_no_mirror_image():
    outline = photographed(Solid(), View(), SHAPE)[1]
    assert mirror_pose(outline._replace(body=None), FOCAL_PX) == {}
    picture, outline = photographed(Solid(handles=0), View(9.0, 0.0, 0.0, 6.0, FOCAL), SHAPE)
    whole, cut = (roll_facts(picture, outline._replace(touches=touches), FOCAL) for touches in ((), ("left",)))
    assert whole["straight_on_turn"] != cut["straight_on_turn"]


def test_laying_over_finds_a_similarity():
    """`cv2.getRotationMatrix2D` turns counter-clockwise in pictures, whose y runs down."""
    body, _ = edges(*contour_and_body(Solid(30, 26, 12, 24, 8, 0)))
    matrix = cv2.getRotationMatrix2D((0.0, 0.4), 1.5, 1.03)
    matrix[:, 2] += 0.02, -0.01
    flip = np.array([1.0, -1.0])  # to a picture's y and back
    points = cv2.transform(((body.points * flip)[None]).astype(float), matrix)[0] * flip
    normals = cv2.transform((body.normals * flip)[None].astype(float), np.column_stack([matrix[:, :2] / 1.03, [0, 0]]))[0] * flip
    found = laid_over(Edge(points, normals), body, (0, 1, 2, 3))
    assert math.degrees(found.values[3]) == pytest.approx(-1.5, abs=0.1) and found.values[2] == pytest.approx(0.03, abs=0.002)


def contour_and_body(solid):
    outline = photographed(solid, View(), SHAPE)[1]
    return outline.contours[0], outline.body.mask, outline.body.scale


def test_an_axis_is_worth_more_of_an_outline_that_repeats_itself_mirrored():
    outline = photographed(Solid(handles=0), View(0.0, 0.0, 0.0, 6.0, FOCAL), SHAPE)[1]
    contour = outline.contours[0]
    ragged = outline._replace(contours=(contour + np.random.default_rng(1).normal(0, 2.0, contour.shape), *outline.contours[1:]))
    even, uneven = (mirror_pose(one, FOCAL_PX)["roll"][1] for one in (outline, ragged))
    assert even < 0.2 and uneven > 1.5 * even
