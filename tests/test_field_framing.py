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
from catalogue_audit.statistics.geometry.style_places import body_axes

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


def styles_of_two(places, *, mirrored):
    """Fronts and backs of products in two colours, each style ``places[k]`` beside the set's place; scattered by two thousandths."""
    across = np.repeat(places, 4) * np.tile([1, -1 if mirrored else 1], 2 * len(places)) + 0.002 * np.cos(7.0 * np.arange(4 * len(places)))
    same = np.full(len(across), 0.6)
    frames = framed(fill_height=same, fill_width=same, fill_area=same * same, centre_dx=across, centre_dy=np.zeros(len(across)), baseline=0.8 * np.ones(len(across)))
    skus = [f"B-{100 + style}-{colour}" for style in range(len(places)) for colour in "AB" for _ in range(2)]
    return frames.assign(sku=skus, view=["front", "back"] * (2 * len(places)))


def test_a_style_that_a_strap_moves_alike_in_all_its_colours_is_no_picture_out_of_place():
    told = size_and_place(styles_of_two([0, 0, 0.03, 0, 0, 0], mirrored=True), {}, None)
    assert np.abs(told["centre_dev_x"]).max() < 0.01


@pytest.mark.parametrize("shift", [-0.035, 0.035])
def test_one_picture_beside_its_other_colour_and_view_is_out_of_place(shift):
    frames = styles_of_two([0, 0, 0, 0, 0, 0], mirrored=True)
    frames.loc[9, "centre_dx"] += shift
    told = size_and_place(frames, {}, None)
    assert told["centre_dev_x"][9] == pytest.approx(shift, abs=0.005)
    assert abs(told["centre_dev_x"][9]) > 3 * told["centre_dev_x_sd"][9]
    assert np.abs(told["centre_dev_x"].drop(9)).max() < 0.01


def test_one_picture_is_out_of_place_within_a_style_that_lies_elsewhere():
    frames = styles_of_two([0, 0, 0.03, 0, 0, 0], mirrored=True)
    frames.loc[9, "centre_dx"] += 0.06
    told = size_and_place(frames, {}, None)
    assert told["centre_dev_x"][9] == pytest.approx(0.06, abs=0.01)
    assert np.abs(told["centre_dev_x"].drop(9)).max() < 0.01


@pytest.mark.parametrize("first", [20, 22])
def test_styles_that_a_moved_camera_shifts_one_after_another_are_out_of_place(first):
    """Three styles in a row, from the start of a style or the middle of it, in front and back alike, where a style's own shape mirrors."""
    frames = styles_of_two([0] * 12, mirrored=True)
    moved = np.arange(first, first + 16)
    frames.loc[moved, "centre_dx"] += 0.035
    frames["captured_at"] = [f"2024-03-12T10:{k:02d}:00" for k in range(len(frames))]
    told = size_and_place(frames, {}, None)
    off, sd = told["centre_dev_x"], told["centre_dev_x_sd"]
    assert off[moved].to_numpy() == pytest.approx(np.full(16, 0.035), abs=0.006)
    assert (off[moved] > np.maximum(0.02, 3 * sd[moved])).all()
    assert off.drop(moved).abs().max() < 0.01


def test_styles_with_a_place_of_their_own_between_others_are_no_moved_camera():
    frames = styles_of_two([0, 0.03, 0, 0, 0.03, 0, 0, 0, 0.03, 0, 0, 0], mirrored=True)
    frames["captured_at"] = [f"2024-03-12T10:{k:02d}:00" for k in range(len(frames))]
    assert size_and_place(frames, {}, None)["centre_dev_x"].abs().max() < 0.01


def test_a_view_of_a_product_alone_in_its_style_is_out_of_place():
    frames = styles_of_two([0] * 6, mirrored=True).assign(sku=[f"B{k // 2}" for k in range(24)])
    frames.loc[8, "centre_dx"] += 0.035
    told = size_and_place(frames, {}, None)
    assert told["centre_dev_x"][8] > max(0.02, 3 * told["centre_dev_x_sd"][8])


def test_a_lone_slanting_view_is_out_of_place_where_all_other_styles_keep_the_rule():
    frames = styles_of_two([0] * 6, mirrored=True).assign(sku=[f"B{k // 3}" for k in range(24)], view=["front", "back", "three_quarter"] * 8)
    for shift in (-0.037, 0.037):
        moved = frames.copy()
        moved.loc[8, "centre_dx"] += shift
        told = size_and_place(moved, {}, None)
        assert abs(told["centre_dev_x"][8]) > max(0.02, 3 * told["centre_dev_x_sd"][8]), shift


def test_a_photograph_delivered_twice_does_not_excuse_itself():
    frames = styles_of_two([0] * 6, mirrored=True).assign(view="three_quarter")
    frames.loc[[8, 9], "centre_dx"] += 0.05
    frames.loc[[10, 11], "centre_dx"] = np.nan
    frames["fill_height"] = frames["fill_height"].where(frames["centre_dx"].notna())
    twice = frames.assign(duplicate_group=np.where(frames.index.isin([8, 9]), "d1", None))
    excused, told = (size_and_place(each, {}, None)["centre_dev_x"][8] for each in (frames, twice))
    assert abs(excused) < 0.01 < 0.03 < told


def sides_about(axis, hanging=0.0):
    """Sides of a body about an axis; a strap widens the lower half to the right."""
    rows = np.linspace(0.3, 0.8, 64)
    return {"sides": np.stack([rows, np.full(64, axis - 0.2), axis + 0.2 + hanging * (rows > 0.55)], axis=1).astype(np.float32)}


def test_where_bodies_stand_on_one_axis_what_hangs_at_a_side_moves_no_product():
    frames = styles_of_two([0] * 6, mirrored=False).assign(sku=[f"B{k // 2}" for k in range(24)])
    axes = 0.001 * np.sin(5.0 * np.arange(24))
    frames["centre_dx"] = axes + 0.05 * (np.arange(24) % 5 == 0) - 0.04 * (np.arange(24) % 7 == 3)
    frames.loc[12, "centre_dx"], axes[12] = 0.05, 0.05
    told = size_and_place(frames, {file: sides_about(0.5 + axis) for file, axis in zip(frames["file"], axes)}, None)
    assert told["centre_dev_x"][12] == pytest.approx(0.05, abs=0.004)
    assert np.abs(told["centre_dev_x"].drop(12)).max() < 0.01


def test_an_axis_whose_rows_disagree_is_told_unsure():
    frames = framed(centre_dx=[0.0, 0.0])
    (_, _), (even, uneven) = body_axes(frames, {"0.jpg": sides_about(0.5), "1.jpg": sides_about(0.5, hanging=0.1)})
    assert even == pytest.approx(0.0, abs=1e-6)
    assert uneven > 0.01
