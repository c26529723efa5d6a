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


def seen(moved=0.0, roll_deg=0.0, sewn=True, hollow=False):
    """
    A rectangle with pockets, two straps and a clasp about one axis, ``moved`` off its middle in widths; its sides and its mask.

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
    off = np.abs(x - 0.5 * (left + right) - moved * (right - left))
    if sewn:
        light[(np.abs(off - 62) < 6) & body] = 70.0
        light[(off < 95) & (np.abs(y - 300) < 2)] = 60.0
        light[(off < 14) & (np.abs(y - 220) < 9)] = 190.0
    grey = np.clip(light + np.random.default_rng(3).normal(0, 1.5, light.shape), 0, 255).astype(np.uint8)
    rows = np.arange(top, bottom) + 0.5
    turned = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    sides = {name: np.stack([np.full(len(rows), at), rows], axis=1) @ turned for name, at in (("left", left), ("right", right))}
    return SimpleNamespace(grey=grey, working=np.zeros((SIZE, SIZE, 3), np.uint8)), sides | {"width": float(right - left)}, body


@pytest.mark.parametrize("roll_deg", [0.0, 3.0])
@pytest.mark.parametrize("moved", [-0.02, 0.0, 0.013])
def test_a_front_is_found_where_it_was_moved_to(moved, roll_deg):
    place, wrong = inner_axis(*seen(moved, roll_deg), roll_deg)
    assert place == pytest.approx(moved, abs=0.0015) and wrong < 0.1


def test_a_front_of_which_nothing_repeats_mirrored_tells_no_axis():
    assert inner_axis(*seen(sewn=False)) is None
    assert inner_axis(seen()[0], None, seen()[2]) is None


@pytest.mark.parametrize("moved", [-0.045, 0.0, 0.03])
def test_an_upper_edge_that_crosses_the_face_does_not_hold_it_to_the_middle(moved):
    place, wrong = inner_axis(*seen(moved, hollow=True))
    assert place == pytest.approx(moved, abs=0.0015) and wrong < 0.2


def test_an_outline_alone_is_no_front():
    assert inner_axis(*seen(sewn=False, hollow=True)) is None


def test_a_front_that_moved_against_its_outline_parts_a_turn_from_a_roll():
    mirror = {"roll": (-0.6, 0.3)}
    turned, square, neither = (turn_and_roll(UNCLEAR, 6.0, mirror=mirror | extra) for extra in ({"inner": (0.018, 0.04)}, {"inner": (0.0, 0.04)}, {}))
    assert square[0] < neither[0] < turned[0] and turned[1] < neither[1]
    assert abs(turned[2]) < abs(neither[2]) < abs(square[2])


def test_to_the_right_it_moves_when_the_front_turns_to_the_right():
    towards_right, towards_left = (turn_and_roll({"top": (0.0, 0.2)}, 6.0, mirror={"inner": (place, 0.04)})[0] for place in (0.02, -0.02))
    assert towards_right > 1 and towards_left == pytest.approx(-towards_right, abs=0.05)
