"""Gaps between handles beside perspective and beside the shape's other pictures, from made stands."""

import numpy as np
import pandas as pd
import pytest

from catalogue_audit.statistics.geometry.handles import APART, LOOKS_DEG, gaps_beyond_perspective, view_looks

WIDTH, HEIGHT, DEPTH = 0.5, 0.7, 0.3  # of the frame; depth over width
LOOK_DEG, ABOVE_DEG = 8.0, 4.0


def stands_of(extra):
    """Fronts and backs of bags in two colours that a camera sees from 8 degrees above; ``extra`` of the height shows between the handles."""
    level = APART * DEPTH * WIDTH / HEIGHT * np.sin(np.radians(LOOK_DEG - ABOVE_DEG))
    rows = len(extra)
    frames = pd.DataFrame({
        "file": [f"{k}.jpg" for k in range(rows)], "sku": [f"B-{100 + k // 4}-{'AB'[k // 2 % 2]}" for k in range(rows)],
        "view": ["front", "back"] * (rows // 2), "view_kind": "upright", "style": "", "touches": "", "yaw_deg": 0.0, "camera_pitch_deg": np.nan,
    })  # fmt: skip
    gap = HEIGHT * (level + np.asarray(extra, float))
    stands = pd.DataFrame({
        "rear": 0.2 - gap, "front": 0.2, "gap_sd": 0.004, "apart": 1.0, "height": HEIGHT, "width": WIDTH, "depth": DEPTH, "depth_sd": 0.03,
        "above_deg": ABOVE_DEG, "two_handled": True, "left_crown": np.nan, "right_crown": np.nan, "legs": 4.0,
    })  # fmt: skip
    return frames, stands


@pytest.mark.parametrize("raised", [0.045, 0.08])
def test_a_rear_handle_raised_in_one_picture_is_found_beside_its_other_colour(raised):
    gaps = gaps_beyond_perspective(*stands_of([0, 0, 0, 0, 0, raised, 0, 0]))
    assert gaps["gap"][5] == pytest.approx(raised, abs=0.012)
    assert gaps["gap"][5] > 3 * gaps["gap_sd"][5]
    assert (gaps["gap"].drop(5).abs() < 0.012).all()


def test_what_all_pictures_of_a_shape_show_above_the_handle_is_the_shape():
    """Handles sewn farther apart, or a strap over the only one, look alike in all colours and views."""
    gaps = gaps_beyond_perspective(*stands_of([0, 0, 0, 0, 0.06, 0.06, 0.062, 0.06]))
    assert (gaps["gap"].abs() < 0.02).all()


def test_of_two_pictures_the_one_with_the_handles_apart_is_the_odd_one():
    """A handle that stands too high shows itself; one that hides exactly behind the other is level."""
    frames, stands = stands_of([-0.02, 0.05])
    gaps = gaps_beyond_perspective(frames.assign(sku="B-1"), stands)["gap"]
    assert gaps[1] > 0.03 and abs(gaps[0]) < 0.02


def test_one_camera_takes_front_and_back():
    looks = view_looks(*stands_of([0.0] * 8))
    assert looks["front"] == pytest.approx(looks["back"])
    assert looks["front"] @ LOOKS_DEG == pytest.approx(LOOK_DEG, abs=2.0)


@pytest.mark.parametrize(("turns", "found"), [((28.0, 31.0, 30.0, np.nan), True), ((28.0, -31.0, 30.0, np.nan), False), ((28.0, 31.0, np.nan, np.nan), False)])
def test_a_turn_that_is_not_known_is_that_of_its_view_where_all_are_turned_one_way(turns, found):
    """Which of two handles is the rear one hangs on the way the product is turned alone; a set turns all its products one way."""
    frames, stands = stands_of([0.0] * 4)
    level = APART * DEPTH * WIDTH / HEIGHT * np.sin(np.radians(LOOK_DEG - ABOVE_DEG)) * np.cos(np.radians(30.0))
    gaps = HEIGHT * (level + np.array([0.0, 0.0, 0.0, 0.07])) * np.sign(np.nan_to_num(turns, nan=1.0))
    frames = frames.assign(view="three_quarter", yaw_deg=turns, sku=list("ABCD"))
    stands = stands.assign(left_crown=0.2, right_crown=0.2 + gaps)
    gap = gaps_beyond_perspective(frames, stands)["gap"]
    assert (gap[3] > 0.05) if found else np.isnan(gap[3])
    assert (gap[:2].abs() < 0.02).all()
