"""Where turned products stand in the frame of a camera that does not move, beside a pinhole camera's own projection (plane geometry)."""

import numpy as np
import pandas as pd
import pytest
from catalogue_audit import schema
from catalogue_audit.statistics.geometry.framing_rules import size_and_place
from catalogue_audit.statistics.geometry.turned_places import turned_place_sd

DISTANCE_CM, DOWN_DEG, FRAME_CM = 220.0, 12.0, 70.0  # of the camera to the stand's middle; how far it looks down; what the frame shows there
BAGS = [(42, 14, 30, False), (40, 13, 28, False), (30, 12, 33, False), (26, 8, 17, False), (36, 18, 25, True), (34, 15, 26, False), (38, 16, 27, False)]


def foot(width, depth, turn_deg, is_round):
    """Place of the nearest point of a base on the table, fraction of the frame below its middle."""
    angles = np.radians(np.arange(0.0, 360.0, 0.25))
    x, y = np.cos(angles), np.sin(angles)
    if not is_round:
        x, y = (value / np.maximum(np.abs(x), np.abs(y)) for value in (x, y))
    turn, down = np.radians(turn_deg), np.radians(DOWN_DEG)
    near = (width / 2 * x * np.sin(turn) + depth / 2 * y * np.cos(turn)).max()  # towards the camera, along the table
    return near * np.sin(down) / (DISTANCE_CM - near * np.cos(down)) * DISTANCE_CM / FRAME_CM


def photographed(turn_deg, cropped=False):
    """Frames of fronts and of three-quarter views, on one stand, or each moved to one base line."""
    rows = []
    for number, (width, depth, height, is_round) in enumerate(BAGS):
        for view, turn in (("front", 0.0), ("back", 0.0), ("three_quarter", turn_deg)):
            base = 0.8 if cropped else 0.75 + foot(width, depth, turn, is_round)
            tall = height / FRAME_CM
            rows.append(dict(sku=f"N{number}", view=view, baseline=base, centre_dy=base - tall / 2 - 0.5, fill_height=tall, fill_width=width / FRAME_CM))  # fmt: skip
    frames = pd.DataFrame({column.name: [None] * len(rows) for column in schema.FRAME_COLUMNS})
    told = pd.DataFrame(rows).assign(centre_dx=0.0, view_kind="upright", style="", file=[f"{k}.jpg" for k in range(len(rows))])
    return frames.assign(**told, fill_area=told["fill_width"] * told["fill_height"])


def clearly_off(frames):
    """SKUs of turned views that lie off by more than the usual tolerance of 2 % and three of their uncertainties."""
    found = size_and_place(frames, {}, None)
    off, sd = found["centre_dev_y"].abs(), found["centre_dev_y_sd"]
    return frames.loc[(off > 0.02) & (off > 3 * sd) & (frames["view"] == "three_quarter"), "sku"].tolist()


@pytest.mark.parametrize("turn_deg", [25.0, 35.0, 45.0])
def test_the_uncertainty_is_of_the_size_of_what_shapes_and_widths_do_to_the_base_line(turn_deg):
    frames = photographed(turn_deg)
    turned = frames["view"] == "three_quarter"
    assert (turned_place_sd(frames)[~turned] == 0).all()
    apart = frames.loc[turned, "baseline"].astype(float)
    ratio = turned_place_sd(frames)[turned][0] / float(np.std(apart, ddof=1))
    assert 0.6 < ratio < 1.7  # seven products tell a standard deviation to a factor of 1.7 (chi-square, 95 %)


@pytest.mark.parametrize("turn_deg", [-45.0, 25.0, 35.0, 45.0])
def test_a_bag_of_another_base_on_the_same_stand_is_not_out_of_place(turn_deg):
    assert clearly_off(photographed(turn_deg)) == []


@pytest.mark.parametrize("shift", [-0.06, 0.06])
def test_a_turned_bag_off_the_stand_is_still_out_of_place(shift):
    frames = photographed(35.0)
    moved = (frames["sku"] == "N5") & (frames["view"] == "three_quarter")
    for name in ("baseline", "centre_dy"):
        frames.loc[moved, name] = frames.loc[moved, name].astype(float) + shift
    assert clearly_off(frames) == ["N5"]


def test_frames_cropped_to_one_base_line_are_held_to_it():
    frames = photographed(35.0, cropped=True)
    assert (turned_place_sd(frames) < 1e-9).all()
