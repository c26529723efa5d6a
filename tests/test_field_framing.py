"""What deliveries of other kinds than the demo showed of outlines and framing: painted pictures and invented numbers."""

import cv2
import numpy as np
import pandas as pd
import pytest
from catalogue_audit import schema
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.outline import find_outline
from catalogue_audit.metadata.container import read_container
from catalogue_audit.pixels.decode import decode
from catalogue_audit.statistics.geometry.framing_rules import size_and_place

FINE = 4  # painted this many times larger, so that edges are covered as a lens covers them


def found_mask(picture):
    data = cv2.imencode(".png", picture)[1].tobytes()
    decoded = decode(data, read_container(data))
    return find_outline(decoded, fit_backdrop(decoded)).mask


def bag_with_crossed_handles(side=700):
    """(side, side, 3) uint8 BGR on pure white, and the place (x, y) of the gap between two handles."""
    large = np.full((side * FINE, side * FINE, 3), 255, np.uint8)
    cv2.rectangle(large, (150 * FINE, 300 * FINE), (550 * FINE, 620 * FINE), (60, 170, 220), -1)
    for middle in (265, 435):
        cv2.ellipse(large, (middle * FINE, 300 * FINE), (115 * FINE, 240 * FINE), 0, 180, 360, (50, 150, 200), 46 * FINE)
    return cv2.resize(large, (side, side), interpolation=cv2.INTER_AREA), (350, 250)


def test_a_gap_between_two_handles_on_pure_white_is_background():
    picture, (x, y) = bag_with_crossed_handles()
    mask = found_mask(picture)
    rows, columns = mask.shape[0] / picture.shape[0], mask.shape[1] / picture.shape[1]
    assert not mask[int(y * rows), int(x * columns)]
    painted = cv2.resize((picture.min(axis=2) < 250).astype(np.uint8), mask.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
    assert (mask & painted).sum() / (mask | painted).sum() > 0.98


def framed(**columns):
    rows = len(next(iter(columns.values())))
    frames = pd.DataFrame({column.name: [None] * rows for column in schema.FRAME_COLUMNS})
    return frames.assign(file=[f"{k}.jpg" for k in range(rows)], view="front", view_kind="upright", style="", **columns)


def on_one_line(heights, line=0.85):
    heights = np.asarray(heights, float)
    width = np.full(len(heights), 0.7)
    return framed(
        fill_height=heights, fill_width=width, fill_area=width * heights, centre_dx=np.zeros(len(heights)),
        centre_dy=line - heights / 2 - 0.5, baseline=line + 0.003 * np.cos(np.arange(len(heights))),
    )  # fmt: skip


def test_two_low_products_on_the_common_base_line_are_not_out_of_place():
    frames = on_one_line([0.70, 0.702, 0.699, 0.701, 0.70, 0.70, 0.48, 0.60])  # a clutch limited by its width, a duffle
    assert np.abs(size_and_place(frames, {}, None)["centre_dev_y"]).max() < 0.02


def test_where_products_are_centred_the_centre_counts():
    frames = on_one_line([0.70, 0.702, 0.699, 0.701, 0.70, 0.70, 0.48, 0.60])
    frames = frames.assign(centre_dy=0.01, baseline=0.51 + frames["fill_height"] / 2)
    assert np.abs(size_and_place(frames, {}, None)["centre_dev_y"]).max() < 0.02


@pytest.mark.parametrize("shift", [-0.05, 0.05])
def test_a_product_off_the_line_is_out_of_place(shift):
    frames = on_one_line([0.70, 0.702, 0.699, 0.701, 0.70, 0.70, 0.48, 0.60])
    frames.loc[2, "baseline"] += shift
    frames.loc[2, "centre_dy"] += shift
    assert size_and_place(frames, {}, None)["centre_dev_y"][2] == pytest.approx(shift, abs=0.005)


def _beside_tall_ones(width, height):
    """A set framed to 0.85 of the height, and one product of another size."""
    widths = np.array([0.52, 0.61, 0.47, 0.55, 0.66, 0.58, 0.5, width])
    heights = np.array([0.85, 0.852, 0.848, 0.851, 0.85, 0.849, 0.85, height])
    return framed(fill_width=widths, fill_height=heights, fill_area=widths * heights)


def test_a_wide_product_that_cannot_be_as_tall_as_the_others_is_not_too_small():
    told = size_and_place(_beside_tall_ones(0.87, 0.63), {}, None).iloc[-1]
    assert abs(told["scale_dev"]) < 0.02
    assert told["scale_dev_sd"] < 0.05  # brought to the others' height it would be wider than the frame, so its width was its limit


def test_a_product_that_could_be_as_tall_as_the_others_is_too_small():
    told = size_and_place(_beside_tall_ones(0.45, 0.63), {}, None).iloc[-1]
    assert told["scale_dev"] < -0.2
    assert abs(told["scale_dev"]) > 3 * told["scale_dev_sd"]
