"""Camera heights by the ground: a floor with a shadow and falling light, projected by OpenCV's camera model (`cv2.projectPoints`)."""

import math

import cv2
import numpy as np
import pandas as pd
import pytest
from catalogue_audit import schema
from catalogue_audit.statistics.geometry.ground import ground_of, longer
from catalogue_audit.statistics.geometry.handles import handle_stands
from catalogue_audit.statistics.geometry.heights import HEIGHTS_DEG, OF_ONE_PRODUCT, _of_moved, height_weights
from catalogue_audit.statistics.geometry.lean import leans

TALL, WIDE = 640, 512
FOCAL_35MM = 85.0
FOCAL_PX = FOCAL_35MM / math.hypot(36, 24) * math.hypot(TALL, WIDE)
DISTANCE, AIM = 180.0, 16.0  # cm, from the camera to the point it looks at, and that point's height
BAG = (30.0, 26.0, 12.0)  # width, height, depth, cm
FLOOR_PX, HALF_FLOOR = 5, 120  # floor texture: px a cm; cm from the middle to its edges


def projected(points, pitch):
    """Pixels (n, 2) of points in cm: right, up, towards the camera, which looks down by pitch degrees."""
    down = math.radians(pitch)
    eye = np.array([0.0, AIM + DISTANCE * math.sin(down), DISTANCE * math.cos(down)])
    axes = np.array([[1.0, 0, 0], [0, -math.cos(down), math.sin(down)], [0, -math.sin(down), -math.cos(down)]])
    camera = np.array([[FOCAL_PX, 0, WIDE / 2], [0, FOCAL_PX, TALL / 2], [0, 0, 1.0]])
    return cv2.projectPoints(np.asarray(points, float), cv2.Rodrigues(axes)[0], -axes @ eye, camera, None)[0][:, 0]


def floor(seed, darkness):
    """Luminance of the floor, seen from above, 0 to 1: a soft shadow about the bag's base and further light falling off to one side and behind."""
    cm = np.arange(2 * HALF_FLOOR * FLOOR_PX) / FLOOR_PX - HALF_FLOOR
    right, near = np.meshgrid(cm, cm)
    beside = np.hypot(np.maximum(np.abs(right) - BAG[0] / 2, 0), np.maximum(np.abs(near) - BAG[2] / 2, 0))
    cast = np.exp(-(((right - 14) / 12) ** 2) - ((near + 6) / 9) ** 2)
    light = 0.6 - 0.0012 * right + 0.0015 * near
    return light * (1 - darkness * np.exp(-beside / 4)) * (1 - 0.35 * cast) * (1 + np.random.default_rng(seed).normal(0, 0.01, right.shape))


def shot(pitch, seed=0, darkness=0.6, exposure=1.0, lean=0.0):
    """Sketch of one picture of the bag on the floor."""
    corners = np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]]) * HALF_FLOOR
    pixels = projected([(x, 0.0, z) for x, z in corners], pitch)
    texture = ((corners + HALF_FLOOR) * FLOOR_PX).astype(np.float32)
    light = cv2.warpPerspective(floor(seed, darkness), cv2.getPerspectiveTransform(texture, pixels.astype(np.float32)), (WIDE, TALL), flags=cv2.INTER_AREA, borderValue=0.5)
    half, tall, deep = BAG[0] / 2, BAG[1], BAG[2] / 2
    tip, edge = math.radians(lean), math.copysign(deep, lean)  # the edge that it stands on: in front where it leans towards the camera
    leaning = lambda x, y, z: (x, y * math.cos(tip) - (z - edge) * math.sin(tip), (z - edge) * math.cos(tip) + y * math.sin(tip) + edge)
    solid = projected([leaning(x, y, z) for x in (-half, half) for y in (0.0, tall) for z in (-deep, deep)], pitch)
    outline = cv2.convexHull(solid.astype(np.float32))[:, 0]
    cv2.fillPoly(light, [np.round(outline).astype(np.int32)], 0.15)
    light = np.clip(exposure * light, 0, 1)
    srgb = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)  # IEC 61966-2-1
    grey = np.round(255 * srgb).astype(np.uint8)
    mask = np.zeros((TALL, WIDE), np.uint8)
    cv2.fillPoly(mask, [np.round(outline).astype(np.int32)], 1)
    dense = np.concatenate([np.linspace(a, b, 60, endpoint=False) for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True)])
    return {
        "preview": cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, 90])[1].ravel(),
        "mask": cv2.resize(mask, (205, 256), interpolation=cv2.INTER_NEAREST).astype(bool),
        "outline": (dense / [WIDE, TALL]).astype(np.float32),
    }


def elevation(ground, pitch):
    """Degrees from which the camera sees the ground at the base."""
    return pitch + math.degrees(math.atan((ground.base - 0.5) * TALL / FOCAL_PX))


@pytest.mark.parametrize(("pitch", "other"), [(6.0, 9.0), (6.0, 3.5), (10.0, 14.0)])
def test_the_ground_is_longer_by_the_sine_of_its_elevation(pitch, other):
    one, its = ground_of(shot(pitch)), ground_of(shot(other, seed=1, exposure=0.9))
    found, sd, _ = longer(one, its)
    expected = math.log(math.sin(math.radians(elevation(one, pitch))) / math.sin(math.radians(elevation(its, other))))
    assert abs(found - expected) < max(3 * sd, 0.15 * abs(expected))
    assert longer(its, one)[0] == pytest.approx(-found, abs=0.01)


@pytest.mark.parametrize("changed", [{"exposure": 1.2}, {"darkness": 0.45}, {"lean": 7.0}, {"lean": -7.0}])
def test_neither_exposure_nor_the_shadows_depth_nor_a_lean_makes_it_longer(changed):
    found, sd, _ = longer(ground_of(shot(6.0)), ground_of(shot(6.0, seed=2, **changed)))
    assert abs(found) < 0.07 and sd < 0.1  # 0.6 degrees of camera height


@pytest.mark.parametrize(("lean", "raised"), [(-7.0, 1.0), (-4.0, 1.0), (7.0, 0.0)])
def test_under_an_edge_that_is_raised_in_front_the_ground_lies_lower_by_as_much(lean, raised):
    lower = longer(ground_of(shot(6.0, lean=lean)), ground_of(shot(6.0, seed=2)))[2]
    width, _, depth = BAG
    assert lower == pytest.approx(raised * depth * math.sin(math.radians(abs(lean))) / width, abs=0.012)


def delivery(shots):
    """(frames, sketches, stands) of (sku, view, sketch)."""
    rows = [{"file": f"{sku}_{view}{k}.jpg", "sku": sku, "view": view, "view_kind": "upright", "origin": "original", "style": "tote", "touches": "", "strap_state": "none", "focal_length_35mm": FOCAL_35MM,
             "height_px": TALL, "width_px": WIDE} for k, (sku, view, _) in enumerate(shots)]
    frames = pd.DataFrame(rows).reindex(columns=[column.name for column in schema.FRAME_COLUMNS])
    sketches = {row["file"]: sketch for row, (*_, sketch) in zip(rows, shots, strict=True)}
    return frames, sketches, handle_stands(frames, sketches)


def products(count, odd=None, pitch=6.0):
    """Front and back of some products, one of the pictures from another height."""
    pitches = [(f"P{k}", view, pitch if (k, view) == odd else 6.0 + 0.2 * math.sin(7 * k + len(view))) for k in range(count) for view in ("front", "back")]
    return [(sku, view, shot(degrees, seed=number)) for number, (sku, view, degrees) in enumerate(pitches)]


@pytest.mark.parametrize("pitch", [9.0, 3.0, 11.0])
def test_the_picture_taken_from_another_height_is_the_one_told(pitch):
    frames, sketches, stands = delivery(products(3, odd=(1, "back"), pitch=pitch))
    found = leans(frames, sketches, stands)
    value, sd = found.loc[3, ["height_deg", "height_sd_deg"]]
    assert value == pytest.approx(pitch - 6, abs=1.0) and abs(value) > 3 * sd
    assert (found["height_deg"].drop(index=3).abs() < 0.8).all()


def test_of_two_that_differ_it_is_left_open_which():
    found = leans(*delivery(products(1, odd=(0, "front"), pitch=11.0)))
    assert (found["height_sd_deg"] > 1).all() or found["height_deg"].isna().all()


def raised_run(base_line):
    """Seven products; of style a three pictures of four, of style b a product's two were taken from 4 degrees higher, with this base line."""
    high = {("P0", "front"), ("P0", "back"), ("P1", "front"), ("P2", "front"), ("P2", "back")}
    shots = [(f"P{k}", view, shot(10.0 if (f"P{k}", view) in high else 6.0, seed=2 * k + len(view))) for k in range(7) for view in ("front", "back")]
    frames, sketches, stands = delivery(shots)
    raised = np.array([(sku, view) in high for sku, view in zip(frames["sku"], frames["view"], strict=True)])
    styles = dict(zip((f"P{k}" for k in range(7)), "aabbcde", strict=True))
    frames = frames.assign(style=frames["sku"].map(styles), baseline=np.where(raised, base_line, 0.82), backdrop="grey")
    return raised, leans(frames, sketches, stands)


def test_a_run_from_one_greater_height_is_told_though_most_of_its_style_belongs_to_it():
    raised, found = raised_run(base_line=0.70)
    assert (found["height_deg"][raised] > 3 * found["height_sd_deg"][raised]).all()
    assert found["height_deg"][raised].to_numpy() == pytest.approx(4.0, abs=1.2)
    assert (found["height_deg"][~raised].abs() < 3 * found["height_sd_deg"][~raised]).all()


def test_where_the_camera_aims_as_before_the_majority_of_a_style_is_believed():
    _, found = raised_run(base_line=0.82)
    assert found["height_deg"].iloc[[0, 1, 2]].abs().max() < 2.0


class Compared(dict):
    """Sketches whose grounds are compared already: each product's is by a natural log longer, ``lengths``, (sku, view) to float."""

    def __init__(self, frames, lengths):
        super().__init__()
        seen = {row.file: lengths.get((row.sku, row.view), lengths.get(row.sku, 0.0)) for row in frames.itertuples()}
        self.made = {("ground", one, other): (seen[one] - seen[other], 0.03 + 0.1 * abs(seen[one] - seen[other]), 0.0, 0.8, 0.8) for one in seen for other in seen}


def catalogue(styles):
    """(frames, stands) of front and back of products, a style each by its first letter."""
    frames, _, stands = delivery([(sku, view, {}) for sku in styles for view in ("front", "back")])
    return frames.assign(style=frames["sku"].str[0]), stands


@pytest.mark.parametrize("length", [-1.0, -0.6, 0.8])
@pytest.mark.parametrize("odd", [("B-RED", "B-BLU"), ("B-RED",)])
def test_a_style_whose_ground_is_its_own_was_not_taken_from_elsewhere(odd, length):
    """Front and back of all its colourways differ alike from two other products: that is one witness, and no four."""
    frames, stands = catalogue(["A-RED", *odd, "C-RED", "D-RED"])
    found = leans(frames, Compared(frames, dict.fromkeys(odd, length)), stands)
    assert not (found["height_deg"].abs() > np.maximum(3 * found["height_sd_deg"], 2.0)).any()


def test_one_view_that_differs_from_its_products_other_was_taken_from_elsewhere_though_its_style_is_its_own():
    frames, stands = catalogue(["A-RED", "B-RED", "B-BLU", "B-TAN", "C-RED"])
    lengths = dict.fromkeys(("B-RED", "B-BLU", "B-TAN"), 0.6) | {("B-BLU", "front"): 0.6 + math.log(math.sin(math.radians(17.5)) / math.sin(math.radians(13.5)))}
    found = leans(frames, Compared(frames, lengths), stands)
    odd = (frames["sku"] == "B-BLU") & (frames["view"] == "front")
    assert found["height_deg"][odd].item() == pytest.approx(4.0, abs=1.2) and found["height_deg"][odd].item() > 3 * found["height_sd_deg"][odd].item()
    assert not (found["height_deg"][~odd].abs() > 3 * found["height_sd_deg"][~odd]).any()


def test_a_copy_of_the_odd_picture_is_no_second_witness():
    shots = products(2, odd=(0, "front"), pitch=10.0)
    found = leans(*delivery([*shots, shots[0], shots[0]]))["height_deg"]
    assert found[[0, 4, 5]].between(2.5, 5.5).all() and found[[1, 2, 3]].abs().max() < 1


def test_cut_outs_and_files_without_sketches_show_no_ground():
    frames, sketches, stands = delivery(products(2))
    assert height_weights(frames.assign(backdrop="cut_out"), sketches, stands) == {}
    assert height_weights(frames.assign(origin="derived"), sketches, stands) == {}
    assert height_weights(frames, {}, stands) == {}
    assert ground_of({}) is None and len(HEIGHTS_DEG) == 41


def test_a_delivery_whose_grounds_repeat_well_tells_heights_more_surely():
    few, many = (leans(*delivery(products(count, odd=(1, "back"), pitch=9.0))).loc[3] for count in (3, 6))
    assert many["height_sd_deg"] < few["height_sd_deg"] and many["height_deg"] == pytest.approx(3.0, abs=1.0)


def test_a_corner_and_the_ground_are_weighed_together():
    """Alone the corner leaves 5 ± 1.2 degrees; the grounds of the others say none of it."""
    shots = [(f"P{k}", "three_quarter", shot(8.0, seed=k)) for k in range(3)]
    frames, sketches, stands = delivery(shots)
    corners = pd.DataFrame({"pitch": [5.0, 0.1, np.nan], "pitch_sd": [1.2, 0.5, np.nan]})
    found = leans(frames, sketches, stands, corners)
    assert found["height_deg"].abs().max() < 1.5 and found[["tilt_deg", "lean_deg"]].isna().all(axis=None)
    turned = leans(*delivery([(shots[0][0], "three_quarter", shot(12.0)), *shots[1:]]), corners)
    assert turned.loc[0, "height_deg"] == pytest.approx(4.0, abs=1.2) and turned.loc[0, "height_deg"] > 3 * turned.loc[0, "height_sd_deg"]


@pytest.mark.parametrize("length", [-0.1, 0.0])
def test_a_corner_that_the_ground_does_not_confirm_leaves_the_height_unsure_and_not_to_itself(length):
    frames, _, stands = delivery([(sku, "three_quarter", {}) for sku in ("B-RED", "B-BLU")])
    corners = pd.DataFrame({"pitch": [6.5, np.nan], "pitch_sd": [1.6, np.nan]})
    found = leans(frames, Compared(frames, {"B-RED": length}), stands, corners).loc[0]
    assert abs(found["height_deg"]) < 2.0 and 0.5 < found["height_sd_deg"] < 3.0


def test_where_no_ground_tells_the_height_it_is_left_empty():
    """What is usual is no measure: grounds that repeat badly leave a height open, and a flat one shows none."""
    frames, sketches, stands = delivery(products(3))
    blank = {file: sketch | {"preview": cv2.imencode(".png", np.full((400, 300, 3), 200, np.uint8))[1].ravel()} for file, sketch in sketches.items()}
    found = leans(frames, blank, stands)
    assert found["height_deg"].isna().all()


def test_a_picture_that_aims_as_raised_ones_do_was_rather_taken_from_there():
    near, far = _of_moved(8.0, -0.14, -0.139), _of_moved(8.0, -0.14, 0.1)
    at, usual = HEIGHTS_DEG == 8.0, HEIGHTS_DEG == 0.0
    assert near[at] > far[at] > 1 and near[usual] < far[usual] < 1


def test_two_views_of_one_product_were_rather_taken_from_elsewhere_together():
    at, usual = int(np.flatnonzero(HEIGHTS_DEG == 5.0)[0]), int(np.flatnonzero(HEIGHTS_DEG == 0.0)[0])
    assert OF_ONE_PRODUCT[at, at] > 3 and OF_ONE_PRODUCT[at, usual] < 1
    assert OF_ONE_PRODUCT == pytest.approx(OF_ONE_PRODUCT.T)


def test_single_points_that_are_hidden_leave_the_length_as_it_is():
    """The slope at a point is its neighbours', so that a hidden one among them has a slope, and no light."""
    frames, sketches, _ = delivery(products(1, odd=(0, "front"), pitch=9.0))
    one, other = (ground_of(sketches[file]) for file in frames["file"])
    light = one.light.copy()
    light[::9, ::7] = np.nan
    assert longer(one._replace(light=light), other)[:2] == pytest.approx(longer(one, other)[:2], abs=0.02)


@pytest.mark.parametrize(("corner", "alone", "raised"), [(0.1, True, False), (0.1, False, True), (4.0, True, True)])
def test_a_shape_whose_ground_its_own_corner_contradicts_was_not_taken_from_elsewhere(corner, alone, raised):
    """Seen from 17.5 degrees for 13.5 the ground is longer by log(sin 17.5 / sin 13.5) = 0.25; a corner that tells the height without others (a pitch of its own) does not show it."""
    frames, _, stands = delivery([(f"T{k}-RED", view, {}) for k in range(1, 6) for view in ("front", "back", "three_quarter")])
    odd, turned = frames["sku"] == "T2-RED", frames["view"] == "three_quarter"
    corners = pd.DataFrame({"pitch": corner, "pitch_sd": 0.4}, index=frames.index[odd & turned]).reindex(frames.index)
    frames = frames.assign(camera_pitch_deg=pd.Series(8.0, index=frames.index).where(odd & turned & alone))
    found = leans(frames, Compared(frames, {"T2-RED": 0.25}), stands, corners)
    told = found["height_deg"].abs() > np.maximum(3 * found["height_sd_deg"], 2.0)
    assert told[odd & ~turned].tolist() == [raised, raised]
    assert not told[~odd].any()
