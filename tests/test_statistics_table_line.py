"""Roll by the line behind the product: painted rooms with known slopes."""

import math

import cv2
import numpy as np
import pandas as pd
import pytest
from catalogue_audit import schema
from catalogue_audit.statistics.geometry.pose import pose_deviations
from catalogue_audit.statistics.geometry.table_line import line_behind, line_rolls

WIDTH, HEIGHT = 640, 480


def room(slope_deg=0.0, row=0.55, wall=150.0, table=215.0, blur=1.2, seed=0, product=(230, 150, 410, 380)):
    """Sketch of a product before a wall and on a table, whose far edge slopes so; drawn by the distance from the line, without stairs."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(float)
    below = (y - row * HEIGHT - math.tan(math.radians(slope_deg)) * (x - (WIDTH - 1) / 2)) * math.cos(math.radians(slope_deg))
    picture = wall + (table - wall) / (1 + np.exp(-below / blur)) + np.random.default_rng(seed).normal(0, 1.0, below.shape)
    mask = np.zeros((HEIGHT, WIDTH), np.uint8)
    left, top, right, bottom = product
    mask[top:bottom, left:right] = 1
    picture[mask > 0] = 70
    return {"preview": cv2.imencode(".jpg", np.clip(picture, 0, 255).astype(np.uint8))[1].ravel(), "mask": mask}


def the_set(slopes, view="three_quarter", **how):
    sketches = {f"{k}.jpg": room(slope, seed=k, **how) for k, slope in enumerate(slopes)}
    count = len(slopes)
    frames = pd.DataFrame({column.name: [None] * count for column in schema.FRAME_COLUMNS}).assign(
        file=list(sketches), view=view, view_kind="upright", backdrop="grey", origin="original", width_px=WIDTH, height_px=HEIGHT,
    )  # fmt: skip
    return frames, sketches


@pytest.mark.parametrize("slope", [-5.3, -1.0, 0.0, 0.4, 2.7])
@pytest.mark.parametrize("step", [60.0, -60.0])
def test_a_lines_slope_is_measured(slope, step):
    found, sd, row = line_behind({"a": room(slope, wall=150.0, table=150.0 + step)}, "a")
    assert found == pytest.approx(slope, abs=max(3 * sd, 0.05)) and sd < 0.1
    assert row == pytest.approx(0.55, abs=0.01)


@pytest.mark.parametrize(
    "how",
    [
        {"blur": 40.0},  # the bend of a sweep
        {"table": 153.0},  # hardly a step
        {"product": (0, 150, 640, 380)},  # nothing free beside the product
        {"product": (0, 150, 410, 380)},  # on one side only
        {"row": 0.99},  # the picture's own border
    ],
)
def test_what_is_no_line_of_the_room_tells_nothing(how):
    assert line_behind({"a": room(1.0, **how)}, "a") is None


def test_the_soft_edge_of_a_shadow_that_is_stronger_does_not_hide_a_line():
    shown = room(-2.4, row=0.45, wall=190.0, table=215.0)
    picture = cv2.imdecode(shown["preview"], cv2.IMREAD_GRAYSCALE).astype(float)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(float)
    bent = 0.8 * HEIGHT + 25 * np.cos(x / 90) - y
    picture -= np.where(shown["mask"] > 0, 0, 90 / (1 + np.exp(bent / 4)))
    shown["preview"] = cv2.imencode(".jpg", np.clip(picture, 0, 255).astype(np.uint8))[1].ravel()
    found, sd, row = line_behind({"a": shown}, "a")
    assert found == pytest.approx(-2.4, abs=max(3 * sd, 0.05)) and row == pytest.approx(0.45, abs=0.01)


@pytest.mark.parametrize("end", [slice(0, 60), slice(420, HEIGHT)])
def test_a_border_added_to_the_picture_is_no_line_of_the_room(end):
    shown = room(0.0, blur=40.0)
    picture = cv2.imdecode(shown["preview"], cv2.IMREAD_GRAYSCALE)
    picture[end] = 255
    shown["preview"] = cv2.imencode(".jpg", picture)[1].ravel()
    assert line_behind({"a": shown}, "a") is None


def test_the_odd_one_is_told_and_the_others_are_level():
    frames, sketches = the_set([0.6, 0.7, 0.5, 0.6, 0.65, 3.6])  # the camera does not face the wall quite squarely
    told = line_rolls(frames, sketches)
    assert told["roll"].iloc[-1] == pytest.approx(3.0, abs=0.15)
    assert (told["roll"].iloc[:-1].abs() < 2 * told["sd"].iloc[:-1]).all()


def test_lines_that_lie_anyhow_or_are_few_tell_nothing():
    assert line_rolls(*the_set([-3.0, 2.0, 0.0, 4.0, -5.0])).isna().all(axis=None)
    assert line_rolls(*the_set([0.0, 0.0, 3.0])).isna().all(axis=None)


def test_an_edge_far_from_the_sets_lines_is_something_else():
    frames, sketches = the_set([0.0, 0.1, 0.0, 0.1, 0.0])
    sketches["4.jpg"] = room(5.0, row=0.85, seed=4)  # a hem of a product that is as light as the room, say
    told = line_rolls(frames, sketches)
    assert told["roll"].iloc[:-1].notna().all() and math.isnan(told["roll"].iloc[-1])


def test_a_floor_on_pure_white_tells_nothing():
    frames, sketches = the_set([0.0, 0.1, 0.0, 0.1, 2.5])
    assert line_rolls(frames.assign(backdrop="white"), sketches).isna().all(axis=None)


@pytest.mark.parametrize(("view", "own_sd", "told"), [("three_quarter", 0.1, True), ("back", 1.0, True), ("back", math.nan, True), ("back", 0.1, False)])
def test_the_line_is_asked_where_the_product_leaves_its_roll_open(view, own_sd, told):
    frames, sketches = the_set([0.0, 0.1, 0.0, 0.1, -2.5], view)
    frames = frames.assign(roll_deg=0.2, roll_sd_deg=own_sd)
    roll = pose_deviations(frames, sketches, None)["roll_dev_deg"].iloc[-1]
    assert roll == pytest.approx(-2.5, abs=0.2) if told else math.isnan(roll)
