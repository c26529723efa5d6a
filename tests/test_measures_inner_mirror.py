"""Where a front's own mirror axis lies beside the middle of its outline, and what that says of a turn."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from catalogue_audit.measures.geometry.inner_mirror import inner_axis
from catalogue_audit.measures.geometry.straight_on import turn_and_roll

SIZE = 480
BODY = (90, 390, 120, 400)  # left, right, top, bottom
UNCLEAR = {"base": (-1.6, 0.06), "mirror": (-0.6, 0.5)}  # may be a turn, or a roll, or half of each


def seen(moved=0.0, roll_deg=0.0, sewn=True, hollow=False, label=False):
    """
    A drum with a pocket, seams, two straps and a clasp about one axis, turned by ``moved`` degrees; its sides and its mask.

    With ``label`` it wears nothing else.

    The upper edge of a ``hollow`` one hangs through, evenly about the middle of the outline.
    """
    y, x = np.mgrid[:SIZE, :SIZE] + 0.5
    angle = math.radians(roll_deg)
    x, y = x * math.cos(angle) + y * math.sin(angle), -x * math.sin(angle) + y * math.cos(angle)  # as the picture's corner turns it
    left, right, top, bottom = BODY
    light = np.full(x.shape, 230.0)
    body = (x > left) & (x < right) & (y > top) & (y < bottom)
    if hollow:
        body &= y > top + 90 * (1 - ((x - 0.5 * (left + right)) / (0.5 * (right - left))) ** 2)
    light[body] = 120.0
    off = np.abs(np.degrees(np.arcsin(np.clip((x - 0.5 * (left + right)) / (0.5 * (right - left)), -1, 1))) - moved)
    if sewn and not label:
        light[(np.abs(off - 25) < 2.5) & body] = 70.0
        light[(off < 40) & (np.abs(y - 300) < 2)] = 60.0
        light[(np.abs(off - 38) < 2) & (y > 310) & body] = 90.0
        light[(off < 2) & (y > 310) & body] = 80.0
    if sewn or label:
        light[(off < 6) & (np.abs(y - 220) < 9)] = 190.0
    grey = np.clip(light + np.random.default_rng(3).normal(0, 1.5, light.shape), 0, 255).astype(np.uint8)
    rows = np.arange(top, bottom) + 0.5
    turned = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    sides = {name: np.stack([np.full(len(rows), at), rows], axis=1) @ turned for name, at in (("left", left), ("right", right))}
    return SimpleNamespace(grey=grey, working=np.zeros((SIZE, SIZE, 3), np.uint8)), sides | {"width": float(right - left)}, body


@pytest.mark.parametrize("roll_deg", [0.0, 3.0])
@pytest.mark.parametrize("moved", [-14.0, -2.5, 0.0, 8.0])
def test_a_front_is_found_where_it_was_turned_to(moved, roll_deg):
    angle, wrong = inner_axis(*seen(moved, roll_deg), roll_deg)
    assert angle == pytest.approx(moved, abs=0.3) and wrong < 0.1


def test_a_front_of_which_nothing_repeats_mirrored_tells_no_axis():
    assert inner_axis(*seen(sewn=False)) is None
    assert inner_axis(seen()[0], None, seen()[2]) is None


@pytest.mark.parametrize("moved", [-5.0, 0.0, 4.0])
def test_an_upper_edge_that_crosses_the_face_does_not_hold_it_to_the_middle(moved):
    angle, wrong = inner_axis(*seen(moved, hollow=True))
    assert angle == pytest.approx(moved, abs=0.3) and wrong < 0.2


def test_one_label_beside_the_middle_is_less_sure_than_all_that_is_sewn_on():
    angle, wrong = inner_axis(*seen(7.0, label=True))
    assert angle == pytest.approx(7.0, abs=0.5) and wrong > 2 * inner_axis(*seen(7.0))[1]


def test_an_outline_alone_is_no_front():
    assert inner_axis(*seen(sewn=False, hollow=True)) is None


def test_a_front_that_moved_against_its_outline_parts_a_turn_from_a_roll():
    mirror = {"roll": (-0.6, 0.3)}
    turned, square, neither = (turn_and_roll(UNCLEAR, 6.0, mirror=mirror | extra) for extra in ({"inner": (2.5, 0.01)}, {"inner": (0.0, 0.01)}, {}))
    assert square[0] < neither[0] < turned[0] and turned[1] < neither[1]
    assert abs(turned[2]) < abs(neither[2]) < abs(square[2])


def test_to_the_right_it_moves_when_the_front_turns_to_the_right():
    towards_right, towards_left = (turn_and_roll({"top": (0.0, 0.2)}, 6.0, mirror={"inner": (angle, 0.01)})[0] for angle in (3.0, -3.0))
    assert towards_right > 1 and towards_left == pytest.approx(-towards_right, abs=0.05)


def test_a_supplied_depth_says_how_far_a_turn_moves_a_front():
    flat, deep = (turn_and_roll({"top": (0.0, 0.2)}, 6.0, mirror={"inner": (6.0, 0.003)}, depth=depth) for depth in (0.4, 0.9))
    assert 4 < deep[0] < 7 and deep[1] < 3 and flat[0] > deep[0] + 1


def test_the_base_of_a_drum_hardly_slopes_when_it_is_turned():
    """By the ellipse of a base whose half depth is 0.95 of its half width: 0.1 of a box's slope."""
    seen_level = {"base": (0.0, 0.8), "mirror": (0.0, 0.4)}, 8.0, 0.0, None, {"roll": (0.0, 0.3), "inner": (10.0, 0.003)}
    as_a_drum, as_a_box = (turn_and_roll(*seen_level, depth=depth) for depth in (0.95, 0.35))
    assert as_a_drum[0] > 2 * as_a_drum[1] > 0 and as_a_drum[0] == pytest.approx(10.5, abs=3.0)
    assert abs(as_a_box[0]) < 0.5
