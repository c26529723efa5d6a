"""The signs and units of the truth, checked by projecting known points. Run: python -m pytest data_demo"""

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))

from studio import camera as cameras  # noqa: E402
from studio.canvas import frame_matrix, product_box, to_frame  # noqa: E402
from studio.finish import Finish, decode, encode, light, motion_kernel  # noqa: E402


@dataclass
class Pose:
    yaw_deg: float = 0.0
    lean_deg: float = 0.0


def look(**changes):
    values = dict(aim=(0.0, 0.0, 10.0), distance_cm=200.0, elevation_deg=0.0, roll_deg=0.0, focal_length_mm=100.0) | changes
    return cameras.Camera(**values)


def test_right_and_up_in_the_world_are_right_and_up_in_the_frame():
    (x0, y0), (x1, _), (_, y2) = cameras.project(look(), np.array([[0, 0, 10.0], [5, 0, 10], [0, 0, 15]]))
    assert (x0, y0) == pytest.approx((0.5, 0.5))
    assert x1 > x0 and y2 < y0


def test_one_centimetre_has_the_stated_pixels():
    (x0, _), (x1, _) = cameras.project(look(), np.array([[0, 0, 10.0], [1, 0, 10]])) * 1280
    assert x1 - x0 == pytest.approx(cameras.pixels_per_cm(look(), 1280))
    assert x1 - x0 == pytest.approx(1280 * 100 / 24 / 200)      # similar triangles


def test_positive_roll_turns_the_picture_clockwise():
    (x0, _), (x1, _) = cameras.project(look(roll_deg=10), np.array([[0, 0, 10.0], [0, 0, 20]]))
    assert x1 > x0          # what was above is now to the right


def test_positive_roll_in_finishing_turns_the_same_way():
    facts = {"canvas_px": [100, 125], "frame_px": [80, 100]}
    matrix = frame_matrix(facts, (80, 100), roll_deg=10)
    above = matrix @ [49.5, 30, 1]
    assert above[0] > 39.5


def test_positive_yaw_turns_the_front_to_the_cameras_right():
    world, _ = cameras.posed(np.array([[0, -10.0, 0], [0, 10, 0]]), Pose(yaw_deg=30), back=False)
    assert world[0, 0] > 0 > world[1, 0]


def test_positive_lean_brings_the_top_to_the_camera_in_front_and_back_views():
    for back in (False, True):
        world, _ = cameras.posed(np.array([[0, 0, 0.0], [0, 0, 30]]), Pose(lean_deg=5), back)
        assert world[1, 1] < world[0, 1]


def test_a_posed_product_stands_on_the_floor():
    points = np.random.default_rng(0).uniform(-10, 10, (50, 3))
    world, _ = cameras.posed(points, Pose(yaw_deg=20, lean_deg=4), back=True)
    assert world[:, 2].min() == pytest.approx(0)


def test_the_framing_rule_is_met():
    points = np.random.default_rng(1).uniform((-15, -5, 0), (15, 5, 25), (500, 3))
    lens = cameras.frame_product(points, 6, 0, 100)
    left, top, right, bottom = cameras.bounding_box(lens, points)
    assert max((right - left) / cameras.FILL_WIDTH, (bottom - top) / cameras.FILL_HEIGHT) == pytest.approx(1, abs=1e-4)
    assert ((left + right) / 2, (top + bottom) / 2) == pytest.approx((0.5, 0.5), abs=1e-4)


def test_light_is_exact_in_linear_light():
    image, cover = np.full((4, 6, 3), 0.2, np.float32), np.zeros((4, 6), np.float32)
    cover[:, :3] = 1
    made = light(image, cover, Finish(exposure_ev=1.0, background_ev=-1.0, gain_r=1.1, gain_b=0.9))
    assert made[0, 0] == pytest.approx([0.44, 0.4, 0.36], rel=1e-5)
    assert made[0, 5] == pytest.approx([0.11, 0.1, 0.09], rel=1e-5)


def test_encoding_and_decoding_are_inverse():
    values = np.linspace(0, 1, 256)
    assert encode(decode(values)) == pytest.approx(values, abs=1e-6)


def test_the_box_is_exclusive_at_right_and_bottom():
    cover = np.zeros((10, 20))
    cover[2:6, 5:15] = 1
    assert product_box(cover) == pytest.approx((0.25, 0.2, 0.75, 0.6))


def test_shift_and_zoom_move_what_they_say():
    facts = {"canvas_px": [100, 125], "frame_px": [80, 100]}
    cover = np.zeros((125, 100), np.float32)
    cover[52:73, 40:60] = 1
    left, top, right, bottom = product_box(to_frame(cover, frame_matrix(facts, (80, 100), zoom=1.5, shift=(0.1, 0.05)), (80, 100)))
    assert right - left == pytest.approx(1.5 * 20 / 80, abs=0.03)
    assert (left + right) / 2 == pytest.approx(0.6, abs=0.02)
    assert (top + bottom) / 2 == pytest.approx(0.55, abs=0.02)


def test_a_motion_kernel_keeps_the_light_and_has_its_length():
    kernel = motion_kernel(9, 0)
    assert kernel.sum() == pytest.approx(1)
    row = kernel[kernel.shape[0] // 2]
    place = np.arange(len(row)) - len(row) // 2
    assert np.sqrt((row * place**2).sum() * 12) == pytest.approx(9, abs=0.4)     # sd of a uniform line is length / sqrt(12)


@pytest.mark.parametrize(("first", "second", "expected"), [
    ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
    ((50, -1, 2), (50, 0, 0), 2.3669),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644)])
def test_ciede2000_gives_published_values(first, second, expected):
    """Pairs 1, 7 and 17 of Sharma, Wu and Dalal, Color Research and Application 30 (2005), table 1; from memory."""
    from studio.colour import ciede2000
    assert ciede2000(first, second) == pytest.approx(expected, abs=1e-4)
