"""Sizes of products photographed from one distance, beside those of their own shape."""

import numpy as np
import pandas as pd
import pytest
from catalogue_audit import schema
from catalogue_audit.statistics.geometry.camera_distance import free_sizes, front_over_back
from catalogue_audit.statistics.geometry.framing_rules import size_and_place


def sizes_against_their_shape(skus, widths):
    """Deviations of ln(size) of fronts that are all as high as wide."""
    frames = pd.DataFrame({"sku": skus, "view": "front", "fill_width": widths, "fill_height": widths})
    ((off, *_),) = free_sizes(frames, [np.arange(len(skus))], 0.01)
    return off


@pytest.mark.parametrize("name", ["BAG-{:02d}", "hobo_{}", "Tote {}"])
def test_products_that_a_number_alone_tells_apart_are_no_colourways_of_one_size(name):
    widths = np.linspace(0.4, 0.7, 6)
    assert np.array_equal(sizes_against_their_shape([name.format(number) for number in range(1, 7)], widths), np.zeros(6))


@pytest.mark.parametrize("colours", [("BLK", "TAN", "RED"), ("01", "02", "03")])
def test_colourways_of_a_numbered_style_are_of_one_size(colours):
    off = sizes_against_their_shape([f"AL-1101-{colour}" for colour in colours], [0.5, 0.5, 0.6])
    assert off == pytest.approx([0, 0, np.log(1.2)])


FOCAL, DISTANCE_CM, DOWN = 3.0, 220.0, np.radians(12.0)  # of a pinhole camera, in frame widths; how far it is, how much it looks down
SHAPES = [(42, 14, 30), (40, 13, 36), (30, 12, 33), (46, 9, 30), (36, 18, 25), (34, 15, 26), (38, 16, 27)]  # cm


def box_seen(width, depth, height, turn_deg):
    """Width and height of the picture of a box, as shares of the frame (pinhole projection, plane geometry)."""
    x, z, y = (values.ravel() for values in np.meshgrid([-width / 2, width / 2], [-depth / 2, depth / 2], [0.0, height]))
    turn = np.radians(turn_deg)
    x, z = x * np.cos(turn) - z * np.sin(turn), x * np.sin(turn) + z * np.cos(turn)  # z towards the camera
    up, away = (y - 12) * np.cos(DOWN) - z * np.sin(DOWN), DISTANCE_CM - z * np.cos(DOWN) - (y - 12) * np.sin(DOWN)
    return np.ptp(FOCAL * x / away), np.ptp(FOCAL * up / away)


def set_from_one_distance(magnified):
    """Frames of seven boxes, front, back and three-quarter view; the pictures named (number, view) magnified by so much."""
    rows = []
    for number, (shape, turn) in enumerate(zip(SHAPES, (33, 35, 36, 34, 35, 37, 33), strict=True)):
        for view, seen in (("front", 0), ("back", 0), ("three_quarter", turn)):
            factor = magnified.get((number, view), 1.0)
            wide, tall = (factor * length for length in box_seen(*shape, seen))
            rows.append({"sku": f"N{number}", "view": view, "view_kind": "upright", "fill_width": wide, "fill_height": tall})
    told = pd.DataFrame(rows)
    frames = pd.DataFrame({column.name: [None] * len(rows) for column in schema.FRAME_COLUMNS})
    return frames.assign(**told, fill_area=told["fill_width"] * told["fill_height"], style="", file=[f"{k}.jpg" for k in range(len(rows))])


def clearly_scaled(frames):
    found = size_and_place(frames, {}, None)
    off = found["scale_dev"]
    sure = (off.abs() > 0.05) & (off.abs() > 3 * found["scale_dev_sd"])
    return list(zip(frames.loc[sure, "sku"], frames.loc[sure, "view"], off[sure].round(2), strict=True))


@pytest.mark.parametrize(("view", "factor"), [("back", 0.89), ("front", 0.89), ("back", 1.11), ("front", 1.11)])
def test_the_turned_view_tells_which_of_a_front_and_a_back_is_off(view, factor):
    """A bag much wider and flatter than the others may leave it open; none is told the wrong way round."""
    found = 0
    for number in range(len(SHAPES)):
        for sku, found_view, off in clearly_scaled(set_from_one_distance({(number, view): factor})):
            assert (sku, found_view) == (f"N{number}", view) and off == pytest.approx(factor - 1, abs=0.025)
            found += 1
    assert found >= 5


def test_products_of_other_sizes_and_a_turned_view_off_by_itself_make_no_front_or_back_too_large():
    assert clearly_scaled(set_from_one_distance({})) == []
    assert not {view for _, view, _ in clearly_scaled(set_from_one_distance({(2, "three_quarter"): 1.11}))} & {"front", "back"}


def test_without_a_turned_view_nothing_says_which_of_two_is_off():
    frames = set_from_one_distance({(0, "back"): 0.89})
    frames = frames[frames["view"] != "three_quarter"].reset_index(drop=True)
    assert clearly_scaled(frames) == []


@pytest.mark.parametrize(("view", "factor"), [("back", 0.89), ("front", 1.11)])
def test_a_front_and_a_back_of_two_sizes_are_told_apart_and_no_others(view, factor):
    clean, faulty = (front_over_back(set_from_one_distance(faults)) for faults in ({}, {(2, view): factor}))
    assert len(clean) == len(SHAPES) and (clean["apart"].abs() < clean["apart_sd"]).all()
    off = faulty[faulty["apart"].abs() > 3 * faulty["apart_sd"]]
    assert off["apart"].to_dict() == {"N2": pytest.approx(np.log(factor) * (1 if view == "front" else -1), abs=0.01)}


def test_a_back_of_another_outline_is_not_called_of_another_size():
    """A strap that stands up in front makes the outline higher and not wider."""
    frames = set_from_one_distance({})
    tall = (frames["sku"] == "N2") & (frames["view"] == "front")
    assert "N2" not in front_over_back(frames.assign(fill_height=frames["fill_height"].where(~tall, 1.2 * frames["fill_height"]))).index


def test_what_all_fronts_are_larger_by_is_no_product_s_fault_and_a_few_products_tell_nothing():
    frames = set_from_one_distance({})
    front = frames["view"] == "front"
    nearer = frames.assign(**{name: frames[name].where(~front, 1.15 * frames[name]) for name in ("fill_width", "fill_height")})
    assert front_over_back(nearer)["apart"].abs().max() < 0.02
    assert front_over_back(frames[frames["sku"].isin(["N0", "N1", "N2"])]).empty


def set_zoomed_for_a_run(timed):
    """Eighteen shapes of two colours, fronts and backs of one distance, three-quarter views of one width; the last four shapes from nearer by a tenth."""
    draw, rows = np.random.default_rng(3), []
    for shape in range(18):
        size, aspect = draw.uniform(0.4, 0.6), draw.uniform(0.8, 1.3)
        for colour in ("RED", "TAN"):
            for view in ("front", "back", "three_quarter"):
                wide = (0.6 if view == "three_quarter" else size) * np.exp(draw.normal(0, 0.006)) * (1.1 if shape >= 14 else 1.0)
                sku = f"Z{'ABCDEFGHIJKLMNOPQRST'[shape]}-{colour}"
                rows.append({"sku": sku, "view": view, "view_kind": "upright", "fill_width": wide, "fill_height": wide / aspect})
    told = pd.DataFrame(rows)
    frames = pd.DataFrame({column.name: [None] * len(rows) for column in schema.FRAME_COLUMNS})
    times = pd.date_range("2026-03-02T09:00:00", periods=len(rows), freq="40s").strftime("%Y-%m-%dT%H:%M:%S") if timed else None
    area, files = told["fill_width"] * told["fill_height"], [f"{number:03}.jpg" for number in range(len(rows))]
    return frames.assign(**told, fill_area=area, style="", file=files, captured_at=times, camera_model="one", camera_serial="1")


def test_a_zoom_that_stays_for_some_products_is_no_size_of_their_shapes():
    """What shapes that have nothing in common but their time share is the camera's, even where each shape may be of any size."""
    told = clearly_scaled(set_zoomed_for_a_run(timed=True))
    assert {(sku, view) for sku, view, _ in told} == {(f"Z{shape}-{colour}", "three_quarter") for shape in "OPQR" for colour in ("RED", "TAN")}
    assert [off for *_, off in told] == pytest.approx([0.1] * 8, abs=0.03)
    assert not clearly_scaled(set_zoomed_for_a_run(timed=False))


def test_a_style_that_follows_another_by_name_is_no_zoom():
    """Of two styles all told, however many products each has, the shape is as good a reason as time."""
    frames = set_zoomed_for_a_run(timed=True)
    shapes = frames["sku"].str[1]
    assert not clearly_scaled(frames.assign(style=np.where(shapes >= "O", "shoe", "tote")))
