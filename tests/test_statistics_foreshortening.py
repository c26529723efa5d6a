"""A front view laid over a three-quarter view: boxes with a printed front, projected by OpenCV's camera model."""

import math

import cv2
import numpy as np
import pytest
from catalogue_audit.statistics.geometry.foreshortening import front_laid

WIDTH, HEIGHT, FOCAL_35MM = 480, 600, 100.0
FOCAL_PX = FOCAL_35MM * math.hypot(WIDTH, HEIGHT) / math.hypot(36, 24)
WIDE, DEEP, TALL = 34.0, 13.0, 26.0  # cm
CAMERA = np.array([[FOCAL_PX, 0, WIDTH / 2], [0, FOCAL_PX, HEIGHT / 2], [0, 0, 1]])


def front_art(seed, plain=False):
    """A front's picture: seams, a lock and patches; or nothing but its own edges."""
    random = np.random.default_rng(seed)
    art = np.full((520, 680), 120, np.uint8)
    if not plain:
        for _ in range(24):
            x, y, w, h = random.integers([20, 20, 20, 15], [600, 440, 120, 80])
            cv2.rectangle(art, (int(x), int(y)), (int(x + w), int(y + h)), int(random.integers(60, 220)), -1 if random.random() < 0.5 else 4)
        cv2.circle(art, (340, 200), 30, 230, -1)
    return art


def sketch(art, yaw=0.0, pitch=9.0, roll=0.0):
    """What pass one keeps of a box with this front, by cv2.projectPoints (pinhole camera); + front to the camera's right."""
    turn, tilt, spin = np.radians([yaw, pitch, roll])
    about = np.array([[np.cos(turn), 0, -np.sin(turn)], [0, 1, 0], [np.sin(turn), 0, np.cos(turn)]])
    down = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    level = np.array([[np.cos(spin), -np.sin(spin), 0], [np.sin(spin), np.cos(spin), 0], [0, 0, 1]])
    project = lambda points: cv2.projectPoints(np.asarray(points, float) @ about.T, cv2.Rodrigues(level @ down)[0], level @ np.array([0.0, 14.0, 230.0]), CAMERA, None)[0][:, 0]
    left, right, front, back = -WIDE / 2, WIDE / 2, -DEEP / 2, DEEP / 2
    face = project([(left, -TALL, front), (right, -TALL, front), (right, 0, front), (left, 0, front)])
    side_x = left if yaw > 0 else right
    side = project([(side_x, -TALL, front), (side_x, -TALL, back), (side_x, 0, back), (side_x, 0, front)])
    picture, mask = np.full((HEIGHT, WIDTH), 245, np.uint8), np.zeros((HEIGHT, WIDTH), np.uint8)
    lid = project([(x, -TALL, z) for x, z in ((left, front), (right, front), (right, back), (left, back))])
    for quad, grey in ((lid, 150), *(((side, 90),) if yaw else ())):
        cv2.fillConvexPoly(picture, np.rint(quad).astype(int), grey, cv2.LINE_AA)
        cv2.fillConvexPoly(mask, np.rint(quad).astype(int), 1)
    art_corners = np.array([(0, 0), (680, 0), (680, 520), (0, 520)], np.float32)
    warp = cv2.getPerspectiveTransform(art_corners, face.astype(np.float32))
    shown, where = (cv2.warpPerspective(plane, warp, (WIDTH, HEIGHT), flags=cv2.INTER_AREA) for plane in (art, np.full(art.shape, 255, np.uint8)))
    picture = np.where(where > 127, shown, picture).astype(np.uint8)
    mask[where > 127] = 1
    rows = np.flatnonzero(mask.any(axis=1))
    sides = [(y / HEIGHT, np.flatnonzero(mask[y])[0] / WIDTH, (np.flatnonzero(mask[y])[-1] + 1) / WIDTH) for y in np.linspace(rows[0] + 12, rows[-1] - 12, 30).astype(int)]
    sides[0], sides[-1] = (rows[0] / HEIGHT, *sides[0][1:]), (rows[-1] / HEIGHT, *sides[-1][1:])
    return {"preview": cv2.imencode(".jpg", picture)[1].ravel(), "mask": mask, "sides": np.array(sides)}


def laid_over(art, other=None, **pose):
    sketches = {"front.jpg": sketch(art), "turned.jpg": sketch(art if other is None else other, **pose)}
    return front_laid(sketches, (("front.jpg", FOCAL_35MM), ("turned.jpg", FOCAL_35MM), math.copysign(1.0, pose["yaw"])))


@pytest.mark.parametrize("yaw", [22.0, 32.0, 45.0, -35.0])
@pytest.mark.parametrize("seed", [0, 1])
def test_a_turn_is_told_by_how_narrow_the_front_is(yaw, seed):
    found = laid_over(front_art(seed), yaw=yaw)
    assert found.turn_deg == pytest.approx(abs(yaw), abs=2.0)
    assert found.score > 0.3


def test_two_turns_differ_by_what_lies_between_them():
    art = front_art(3)
    near, far = (laid_over(art, yaw=yaw).turn_deg for yaw in (27.0, 35.0))
    assert far - near == pytest.approx(8.0, abs=1.5)


def test_a_roll_turns_level_and_upright_lines_alike():
    art = front_art(4)
    level, rolled = (laid_over(art, yaw=32.0, roll=roll) for roll in (0.0, 2.5))
    assert rolled.level_deg - level.level_deg == pytest.approx(2.5, abs=0.5)
    assert rolled.upright_deg - level.upright_deg == pytest.approx(2.5, abs=0.5)
    assert rolled.turn_deg == pytest.approx(level.turn_deg, abs=1.5)


def test_level_lines_slope_as_the_look_down_has_them():
    """The image of a level line (Hartley and Zisserman, ch. 8) in the front's middle, by OpenCV's camera."""
    found = laid_over(front_art(5), yaw=32.0, pitch=9.0)
    turn, tilt = np.radians([32.0, 9.0])
    about = np.array([[np.cos(turn), 0, -np.sin(turn)], [0, 1, 0], [np.sin(turn), 0, np.cos(turn)]])
    down = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    ends = np.array([(-1.0, -TALL / 2, -DEEP / 2), (1.0, -TALL / 2, -DEEP / 2)]) @ about.T
    a, b = cv2.projectPoints(ends, cv2.Rodrigues(down)[0], np.array([0.0, 14.0, 230.0]), CAMERA, None)[0][:, 0]
    assert found.level_deg == pytest.approx(math.degrees(math.atan2(*(b - a)[::-1])), abs=0.5)


def test_another_products_front_is_not_taken_for_its_own():
    own, other = front_art(6), front_art(7)
    assert laid_over(own, yaw=32.0).score > 2 * getattr(laid_over(own, other, yaw=32.0), "score", 0.0)


def test_no_product_tells_nothing():
    shown = sketch(front_art(0), yaw=32.0)
    assert front_laid({"front.jpg": {}, "turned.jpg": shown}, (("front.jpg", 85.0), ("turned.jpg", 85.0), 1.0)) is None
