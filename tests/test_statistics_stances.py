"""Turn, pitch and roll of three-quarter views, told together: sets of boxes projected by OpenCV's camera model."""

import math
from types import SimpleNamespace

import cv2
import numpy as np
import pandas as pd
import pytest
from catalogue_audit import schema
from catalogue_audit.statistics.geometry import stances as s
from catalogue_audit.statistics.geometry.foreshortening import Laid
from catalogue_audit.statistics.geometry.pose import _without_unsure_turns
from catalogue_audit.statistics.geometry.stance_traces import gathered
from catalogue_audit.statistics.geometry.stances import expected, mixture, stances
from catalogue_audit.statistics.geometry.turns import yaw_deviations

WIDTH, HEIGHT, FOCAL_35MM = 960, 1200, 100.0
FOCAL_PX = FOCAL_35MM * math.hypot(WIDTH, HEIGHT) / math.hypot(36, 24)


def projected(yaw=32.0, pitch=9.0, roll=0.0, width=34.0, depth=13.0, height=26.0):
    """Near corner, far ends of both lower edges and two ends of the front's upper edge, pixels, by cv2.projectPoints (pinhole camera)."""
    turn, tilt, spin = np.radians([yaw, pitch, roll])
    points = np.array([[-width / 2, 0, -depth / 2], [width / 2, 0, -depth / 2], [-width / 2, 0, depth / 2], [-width / 2, -height, -depth / 2], [width / 2, -height, -depth / 2]])
    about = np.array([[np.cos(turn), 0, -np.sin(turn)], [0, 1, 0], [np.sin(turn), 0, np.cos(turn)]])
    down = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    level = np.array([[np.cos(spin), -np.sin(spin), 0], [np.sin(spin), np.cos(spin), 0], [0, 0, 1]])
    camera = np.array([[FOCAL_PX, 0, WIDTH / 2], [0, FOCAL_PX, HEIGHT / 2], [0, 0, 1]])
    return cv2.projectPoints(points @ about.T, cv2.Rodrigues(level @ down)[0], level @ np.array([0.0, 14.0, 230.0]), camera, None)[0][:, 0]


def sketch(pose, random, only=("front", "side", "top", "sides"), sides_deg=0.0, mirrored=False):
    """What pass one keeps of such a picture, its edges a tenth of a degree off, its sides leaning by its shape."""
    near, right, left, *upper = projected(**pose)
    off = lambda: math.radians(random.normal(0, 0.1))
    slope = lambda a, b: (b[1] - a[1]) / (b[0] - a[0]) + off()
    flip = -1.0 if mirrored else 1.0
    at = lambda *points: [0.5 + flip * (np.mean([p[0] for p in points]) / WIDTH - 0.5), np.mean([p[1] for p in points]) / HEIGHT]
    front, side = flip * slope(near, right), flip * slope(left, near)
    found = {}
    if "front" in only:
        found["front_edge"] = [*at(near, right), front, 0.002, flip]
    if "side" in only:
        edges = (side, front) if not mirrored else (front, side)
        found["corner"] = [*at(left), *at(near), *at(right), *edges, 0.006, 0.006]
    if "top" in only:
        found["upper_edge"] = [*at(*upper), flip * slope(*upper), 0.002]
    if "sides" in only:
        found["axis"] = [flip * (pose.get("roll", 0.0) + sides_deg + random.normal(0, 0.2)), 0.8]
    return {name: np.array(values, np.float32) for name, values in found.items()}


def the_set(odd, count=12, style="tote", seed=0, **how):
    """Deviations of a set as careful hands make one, of which the last picture has the pose ``odd``."""
    random = np.random.default_rng(seed)
    sketches = {}
    for k in range(count):
        usual = {"yaw": random.normal(32, 1.0), "pitch": random.normal(9, 0.3), "roll": random.normal(0, 0.15)}
        sketches[f"{k}.jpg"] = sketch(usual | (odd if k == count - 1 else {}), random, **how)
    frames = pd.DataFrame({column.name: [None] * count for column in schema.FRAME_COLUMNS}).assign(
        file=list(sketches), view="three_quarter", view_kind="upright", style=style, origin="original", width_px=WIDTH, height_px=HEIGHT,
        focal_length_35mm=FOCAL_35MM, yaw_deg=33.0, camera_pitch_deg=8.5,
    )  # fmt: skip
    return frames, sketches


def test_slopes_are_those_of_opencv_camera():
    near, right, left, *upper = projected(yaw=35.0, pitch=8.0)
    place = lambda *points: (np.mean(points, axis=0) - (WIDTH / 2, HEIGHT / 2)) / FOCAL_PX
    places = np.array([[place(near, right), place(left, near), place(*upper), (0, 0), (0, 0), place(near, right), (0, 0), (0, 0)]])
    slopes = [math.degrees(math.atan2(*(b - a)[::-1])) for a, b in ((near, right), (left, near), upper)]
    assert expected(places, 35.0, 8.0)[0] == pytest.approx([*slopes, 0.0, 35.0, slopes[0], 0.0, 35.0], abs=0.01)


@pytest.mark.parametrize(
    ("odd", "name", "size"),
    [
        ({"yaw": 40.0}, "turn", 8.0),
        ({"yaw": 25.0}, "turn", -7.0),
        ({"roll": 1.6}, "roll", 1.6),
        ({"roll": -3.0}, "roll", -3.0),
        ({"pitch": 13.5}, "pitch", 4.5),
        ({"pitch": 5.5}, "pitch", -3.5),
    ],
)
@pytest.mark.parametrize("mirrored", [False, True])
def test_each_fault_is_told_from_the_others(odd, name, size, mirrored):
    last = stances(*the_set(odd, mirrored=mirrored)).iloc[-1]
    if mirrored and name != "pitch":  # the picture as a whole is mirrored, its roll too
        size = -size
    assert abs(last[name]) > 3 * last[f"{name}_sd"]
    assert abs(last[name] - size) < max(3 * last[f"{name}_sd"], 0.5)
    for other in {"turn", "pitch", "roll"} - {name}:
        assert abs(last[other]) < 3 * last[f"{other}_sd"]


@pytest.mark.parametrize("odd", [{}, {"yaw": 40.0}])
def test_a_picture_cropped_to_a_square_shows_the_stance_of_the_whole(odd):
    frames, sketches = the_set(odd)
    whole = stances(frames, sketches).iloc[-1]
    square = sketches["11.jpg"] = {name: values.copy() for name, values in sketches["11.jpg"].items()}
    for name, heights in (("front_edge", [1]), ("upper_edge", [1]), ("corner", [1, 3, 5])):
        square[name][heights] = 0.5 + (square[name][heights] - 0.5) * HEIGHT / WIDTH
    cropped = frames.assign(height_px=[HEIGHT] * 11 + [WIDTH])
    assert stances(cropped, sketches).iloc[-1].to_numpy() == pytest.approx(whole.to_numpy(), abs=0.01)


@pytest.mark.parametrize(("depth", "sign"), [(34.0, 1.0), (13.0, -1.0)])
def test_of_a_cube_the_side_is_not_taken_for_the_front(depth, sign):
    """Turned by 47 degrees, the side of a product as deep as wide is the longer edge, as a front turned by 43 the other way; a flat product was turned so."""
    random = np.random.default_rng(4)
    frames, sketches = the_set({}, count=10)
    turned = {"yaw": 47.0, "depth": depth} if sign > 0 else {"yaw": 43.0}
    sketches["9.jpg"] = sketch(turned, random, only=("front", "side", "top"), mirrored=sign < 0)
    if sign > 0:
        corner = sketches["9.jpg"]["corner"]
        sketches["9.jpg"]["front_edge"] = np.array([*(corner[0:2] + corner[2:4]) / 2, corner[6], 0.002, -1.0], np.float32)
    traces = gathered(frames, sketches)
    edge = sketches["9.jpg"]["corner"][7] if sign > 0 else -sketches["9.jpg"]["front_edge"][2]
    assert traces.sign[-1] == sign and traces.seen[-1, 0] == pytest.approx(math.degrees(math.atan(edge)), abs=1e-4)


def test_careful_pictures_stay_within_their_uncertainties():
    for seed in range(4):
        stood = stances(*the_set({}, seed=seed))
        for name in ("turn", "pitch", "roll"):
            assert (stood[name].abs() < 3 * stood[f"{name}_sd"]).all()


class Kept(dict):
    """Sketches with results worked out before."""


def with_fronts(frames, sketches, turns, score=0.4, rival=0.0, roll=0.0):
    """The same set with a front view of each product, laid over it: these turns, and level and upright lines tilted by the last one's roll."""
    count = len(frames)
    fronts = frames.assign(file=[f"front{k}.jpg" for k in range(count)], view="front", yaw_deg=0.0, roll_deg=0.0)
    both = pd.concat([frames, fronts], ignore_index=True).assign(sku=[f"A{k}" for k in range(count)] * 2)
    kept = Kept(sketches)
    tilts = [roll if k == count - 1 else 0.0 for k in range(count)]
    laid = [Laid(turn, 0.5, -6.0 + tilt, 0.2, 1.0 + tilt, 0.2, (0.5, 0.5), score, rival) for turn, tilt in zip(turns, tilts, strict=True)]
    kept.made = {("front laid", ((f"front{k}.jpg", FOCAL_35MM), (f"{k}.jpg", FOCAL_35MM), 1.0)): one for k, one in enumerate(laid)}
    return both, kept


def test_the_front_laid_over_says_what_sloped_an_edge():
    frames, sketches = the_set({"yaw": 40.0}, only=("front",))
    turns = [32.0 + 0.3 * (k % 3) for k in range(11)] + [40.0]
    alone, told = stances(frames, sketches).iloc[11], stances(*with_fronts(frames, sketches, turns)).iloc[11]
    assert abs(alone["turn"]) < 3 * alone["turn_sd"]
    assert told["turn"] > 3 * told["turn_sd"] and told["turn"] == pytest.approx(8.0, abs=2 * told["turn_sd"])
    for unsure in ({"score": 0.15}, {"rival": 1.0}):
        assert stances(*with_fronts(frames, sketches, turns, **unsure)).iloc[11]["turn_sd"] > 1.2 * told["turn_sd"]
    unsure = stances(*with_fronts(frames, sketches, turns, score=0.15)).iloc[11]
    assert unsure["turn_sd"] > 1.5 * told["turn_sd"]


def test_a_front_as_wide_as_ever_says_that_a_sloped_edge_is_a_roll():
    frames, sketches = the_set({"roll": -2.5}, only=("front",))
    alone, told = stances(frames, sketches).iloc[11], stances(*with_fronts(frames, sketches, [32.0 + 0.3 * (k % 3) for k in range(12)], roll=-2.5)).iloc[11]
    assert told["roll_sd"] < alone["roll_sd"]
    assert told["roll"] < -3 * told["roll_sd"] and abs(told["turn"]) < 3 * told["turn_sd"]


def test_the_sets_turn_is_the_one_that_most_styles_agree_on():
    frames, sketches = the_set({}, count=10)
    turned = [22.0] * 4 + [33.0] * 6
    frames = frames.assign(sku=[f"A{k}" for k in range(10)], style=["tote"] * 4 + list("abcdef"), yaw_deg=turned, yaw_sd_deg=2.0)
    turn, _, sd = s.usual_view(frames, gathered(frames, sketches))
    assert turn == pytest.approx(33.0, abs=1.0) and sd < 3.0


def test_the_legs_of_handles_tell_the_turn_of_a_round_body_and_leave_its_roll():
    frames, sketches = the_set({}, only=(), style="bucket")
    frames["style"] = ["bucket", "hobo", "drum", "pouch"] * 3
    random = np.random.default_rng(6)
    for k, file in enumerate(sketches):
        tilt = -3.5 if k == 11 else -4.5  # an oval base shows half of what turns a straight edge from -5 to -3 degrees
        sketches[file] = {"round_base": np.array([0.5, 0.85, math.tan(math.radians(tilt + random.normal(0, 0.3))), 0.008], np.float32)}
    both, kept = with_fronts(frames, sketches, [32.0] * 12)
    kept.made = {}
    turns = [32.0 + 0.5 * (k % 3) for k in range(11)] + [20.0]
    kept.made |= {("legs", (f"front{k}.jpg", f"{k}.jpg")): (turn, 1.5, 0.025) for k, turn in enumerate(turns)}
    stood = stances(both, kept).iloc[:12]
    last, others = stood.iloc[-1], stood.iloc[:-1]
    assert last["turn"] < -3 * last["turn_sd"] and last["turn"] == pytest.approx(-12.5, abs=2 * last["turn_sd"])
    assert (others["turn"].abs() < 3 * others["turn_sd"]).all() and others["turn"].abs().max() < 2.0
    assert (stood["roll"].abs() < 3 * stood["roll_sd"]).all() and stood["pitch"].isna().all()


def test_another_edge_is_no_roll_of_a_round_base():
    frames, sketches = the_set({}, only=(), style="bucket")
    random = np.random.default_rng(8)
    for k, file in enumerate(sketches):
        tilt = (-15.0 if k == 11 else -4.5) + random.normal(0, 0.3)
        sketches[file] = {"round_base": np.array([0.5, 0.85, math.tan(math.radians(tilt)), 0.008], np.float32)}
    last = stances(frames, sketches).iloc[-1]
    assert abs(last["roll"]) < 0.5 < last["roll_sd"]


def test_one_edge_alone_leaves_open_what_sloped_it():
    last = stances(*the_set({"roll": -2.5}, only=("front",))).iloc[-1]
    assert abs(last["turn"]) < 3 * last["turn_sd"] and np.isnan(last["pitch"])
    assert abs(last["roll"] + 2.5) < 3 * last["roll_sd"]


def test_what_a_style_adds_drops_out_among_its_pictures():
    frames, sketches = the_set({"roll": 2.2}, only=("front", "sides"), seed=3)
    random = np.random.default_rng(5)
    for k in range(4):  # a style of four whose sides lean by three degrees
        sketches[f"{8 + k}.jpg"] = sketch({"yaw": 32.0, "pitch": 9.0, "roll": 2.2 if k == 3 else 0.0}, random, ("front", "sides"), sides_deg=3.0)
    frames["style"] = ["tote"] * 8 + ["bowler"] * 4
    stood = stances(frames, sketches)
    assert stood["roll"].iloc[-1] > 3 * stood["roll_sd"].iloc[-1]
    assert (stood["roll"].iloc[:-1].abs() < 3 * stood["roll_sd"].iloc[:-1]).all()


def test_products_without_a_style_are_compared_with_their_colourways():
    frames, sketches = the_set({}, only=("front", "sides"), seed=3)
    random = np.random.default_rng(5)
    for k in range(4):  # four colours of one product whose sides lean by three degrees
        sketches[f"{8 + k}.jpg"] = sketch({"yaw": 32.0, "pitch": 9.0, "roll": 2.2 if k == 3 else 0.0}, random, ("front", "sides"), sides_deg=3.0)
    frames = frames.assign(style=None, sku=[f"AB-{100 + k}-RED" for k in range(8)] + [f"AB-500-{colour}" for colour in ("RED", "TAN", "NVY", "BLK")])
    stood = stances(frames, sketches)
    alone = stances(frames.assign(sku=[f"AB-{100 + k}-RED" for k in range(12)]), sketches)
    assert stood["roll"].iloc[-1] > 3 * stood["roll_sd"].iloc[-1]
    assert abs(stood["roll"].iloc[-1] - 2.2) < abs(alone["roll"].iloc[-1] - 2.2)


def test_a_round_base_tells_a_roll_and_no_turn():
    frames, sketches = the_set({}, only=(), style="bucket")
    random = np.random.default_rng(2)
    for k, file in enumerate(sketches):
        roll = 3.0 if k == 11 else 0.0
        tilt = math.tan(math.radians(-4.5 + roll + random.normal(0, 0.3)))
        axis = [4.5 + roll + random.normal(0, 0.3), 2.4]  # sides of a body that is no wider above, but deeper
        sketches[file] = {"round_base": np.array([0.5, 0.85, tilt, 0.008], np.float32), "axis": np.array(axis, np.float32)}
    stood = stances(frames, sketches)
    assert stood["roll"].iloc[-1] > 3 * stood["roll_sd"].iloc[-1] and stood["turn"].isna().all()
    assert (stood["roll"].iloc[:-1].abs() < 3 * stood["roll_sd"].iloc[:-1]).all()


def test_a_single_cause_is_weighed_as_bayes_rule_says():
    """Against a grid over roll alone: prior times likelihood, summed (Bayes' rule), the rest held by steep uncertainties."""
    seen, sd = 1.5, 0.4
    rise = np.zeros((1, 8, 3))
    rise[0, 3, 2] = 1.0
    apart = np.where(np.arange(8) == 3, seen, math.nan)[None]
    means, sds = mixture(apart, np.full((1, 8), sd), rise)
    grid = np.linspace(-15, 15, 6001)
    normal = lambda x, scale: np.exp(-0.5 * (x / scale) ** 2) / scale
    others = 1 - (1 - s.FAULTY[0]) * (1 - s.FAULTY[1])  # turn or pitch is wrong
    calm = (1 - s.FAULTY[2]) * (others + s.CALM * (1 - others))
    prior = calm * normal(grid, s.STEADY_SD_DEG[2]) + s.FAULTY[2] * normal(grid, s.FAULT_SD_DEG[2])
    far = math.hypot(sd, s.MISREAD_SD_DEG[3])
    weight = prior * ((1 - s.MISREAD[3]) * normal(seen - grid, sd) + s.MISREAD[3] * normal(seen - grid, far))
    mean = float((weight * grid).sum() / weight.sum())
    assert means[0, 2] == pytest.approx(mean, abs=0.01)
    assert sds[0, 2] == pytest.approx(math.sqrt(float((weight * (grid - mean) ** 2).sum() / weight.sum())), abs=0.02)


def test_turned_views_are_compared_with_what_the_brief_names():
    frames, sketches = the_set({"yaw": 40.0})
    stood = stances(frames, sketches)
    frames["yaw_deg"] = 33.0 + stood["turn"]
    brief = SimpleNamespace(reference=SimpleNamespace(views={"three_quarter": SimpleNamespace(yaw_deg=30.0)}))
    alone, named = (yaw_deviations(frames, stood, which, sketches) for which in (None, brief))
    assert np.allclose(named["yaw_dev_deg"], alone["yaw_dev_deg"] + 3.0)
    assert (named["yaw_dev_sd_deg"] > alone["yaw_dev_sd_deg"]).all()


def test_a_turn_that_is_neither_known_nor_off_for_sure_is_left_out():
    frames = pd.DataFrame({"view": ["three_quarter"] * 3 + ["front"]})
    result = pd.DataFrame({"yaw_dev_deg": [1.0, 4.0, -15.0, 4.0], "yaw_dev_sd_deg": [1.0, 3.5, 3.5, 3.5]})
    assert _without_unsure_turns(result, frames)["yaw_dev_deg"].notna().tolist() == [True, False, True, True]
