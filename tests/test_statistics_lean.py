"""Lean and handles of a set of solids posed and projected by OpenCV's camera model."""

import functools
import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from catalogue_audit import schema
from catalogue_audit.findings.pose import SURELY_OFF_LEVEL
from catalogue_audit.measures.applicability import applicable
from catalogue_audit.measures.features import feature_sketch
from catalogue_audit.measures.geometry.handles import STAND, handles_facts
from catalogue_audit.measures.geometry.roll import roll_facts
from catalogue_audit.measures.geometry.turn import turn_facts
from catalogue_audit.statistics.geometry.handles import gaps_beyond_perspective, handle_stands
from catalogue_audit.statistics.geometry.lean import LEANS_DEG, handles_off_level, leans, rather_a_lean
from catalogue_audit.statistics.geometry.lean_traces import Seen, Traces, _by_name, handle_weights
from making_projected import Solid, View, photographed

SHAPE = (600, 480)
FOCAL = 95.0


@dataclass(frozen=True)
class Shot:
    """One picture of the set."""

    sku: str
    view: str
    solid: Solid
    pose: View
    style: str | None = None


@functools.cache
def measured(shot):
    """Frame columns and sketch of one picture, as pass one and the view leave them."""
    picture, outline = photographed(shot.solid, shot.pose, SHAPE, len(shot.sku))
    facts = {"outline_confidence": outline.confidence, "focal_length_35mm": FOCAL, "height_px": SHAPE[0], "width_px": SHAPE[1], "touches": ""}
    for found in (roll_facts(picture, outline, FOCAL), turn_facts(picture, outline, FOCAL), handles_facts(picture, outline, FOCAL)):
        facts.update(found)
    sketch = {name: facts.pop(name) for name in list(facts) if isinstance(facts[name], np.ndarray)} | feature_sketch(picture, outline)
    return applicable(facts, shot.view, "upright")[0], sketch


def delivery(shots):
    """(frames, sketches, stands) of a set of pictures."""
    rows, sketches = [], {}
    for number, shot in enumerate(shots):
        facts, sketch = measured(shot)
        rows.append(facts | {"file": f"{number}.jpg", "sku": shot.sku, "view": shot.view, "view_kind": "upright", "origin": "original", "style": shot.style, "strap_state": "none"})
        sketches[f"{number}.jpg"] = sketch
    frames = pd.DataFrame(rows).reindex(columns=[column.name for column in schema.FRAME_COLUMNS])
    sizes = [{"sku": s.sku, "width_cm": s.solid.width, "height_cm": s.solid.height, "depth_cm": s.solid.depth} for s in shots]
    products = pd.DataFrame(sizes).drop_duplicates("sku")
    return frames, sketches, handle_stands(frames, sketches, products)


def upright_set():
    """Three bags with two handles in front, back and three-quarter views, with the natural variation of careful practice."""
    random = np.random.default_rng(5)
    shots = []
    for k, solid in enumerate((Solid(), Solid(30, 24, 12, 30, 11, 2, 10), Solid(36, 30, 15, 33, 12, 2, 14))):
        for view, yaw, pitch in (("front", 0.0, 6.0), ("back", 0.0, 6.0), ("three_quarter", 31.0, 9.0)):
            pose = View(yaw + random.normal(0, 0.8), random.normal(0, 0.3), random.normal(0, 0.2), pitch, FOCAL, view == "back")
            shots.append(Shot(f"P{k}", view, solid, pose))
    return shots


def changed(shots, sku, view, solid=None, **pose):
    return [
        Shot(s.sku, s.view, s.solid._replace(**(solid or {})), s.pose._replace(**pose), s.style) if (s.sku, s.view) == (sku, view) else s
        for s in shots
    ]


def test_products_that_stand_upright_are_told_so():
    shots = upright_set()
    frames, sketches, stands = delivery(shots)
    found = leans(frames, sketches, stands)
    straight = frames["view"] != "three_quarter"
    true = np.array([s.pose.lean for s in shots])
    assert found.loc[straight, "lean_deg"].notna().all() and found.loc[~straight, "lean_deg"].isna().all()
    assert ((found["lean_deg"] - true).abs()[straight] < 1.2).all()
    gaps = gaps_beyond_perspective(frames, stands)
    assert (gaps["gap"].abs() < np.maximum(3 * gaps["gap_sd"], 0.02)).all()


@pytest.mark.parametrize(("view", "lean"), [("front", 8.0), ("back", 9.0)])
def test_the_picture_that_leans_towards_the_camera_is_told_from_the_other(view, lean):
    shots = changed(upright_set(), "P0", view, lean=lean)
    frames, sketches, stands = delivery(shots)
    found = leans(frames, sketches, stands)
    here = next(k for k, s in enumerate(shots) if (s.sku, s.view) == ("P0", view))
    value, sd = found.loc[here, ["tilt_deg", "tilt_sd_deg"]]
    assert value > 3 and abs(value - lean) < 3 * sd
    others = found.drop(index=here).dropna()
    assert (others["lean_deg"].abs() < 3 * others["lean_sd_deg"]).all()
    # what the lean explains is no raised handle
    left = gaps_beyond_perspective(frames, stands, found["tilt_deg"])["gap"]
    assert left[here] < 0.5 * gaps_beyond_perspective(frames, stands)["gap"][here]


@pytest.mark.parametrize("view", ["front", "three_quarter"])
@pytest.mark.parametrize("raised", [2.5, 4.0])
def test_a_raised_rear_handle_is_found_and_is_no_lean(view, raised):
    shots = changed(upright_set(), "P1", view, solid={"raised": raised})
    frames, sketches, stands = delivery(shots)
    gaps = gaps_beyond_perspective(frames, stands)
    cm = gaps["gap"] * stands["height_cm"]
    here = next(k for k, s in enumerate(shots) if (s.sku, s.view) == ("P1", view))
    assert cm[here] == pytest.approx(raised, abs=max(0.9, 0.3 * raised)) and gaps.loc[here, "gap"] > 3 * gaps.loc[here, "gap_sd"]
    assert (cm.drop(index=here).abs() < 1.0).all()
    lean = leans(frames, sketches, stands).dropna()
    assert (lean["lean_deg"].abs() < np.maximum(3 * lean["lean_sd_deg"], 3.0)).all()


@pytest.mark.parametrize(("view", "lean"), [("front", 8.0), ("back", 7.0), ("back", 9.0)])
@pytest.mark.parametrize("alone", [False, True])
def test_handles_that_a_lean_raises_are_not_surely_off_level(view, lean, alone):
    shots = changed(upright_set(), "P0", view, lean=lean)
    shots = [s for s in shots if not alone or s.sku != "P0" or s.view == view]
    here = next(k for k, s in enumerate(shots) if (s.sku, s.view) == ("P0", view))
    frames, sketches, stands = delivery(shots)
    found = handles_off_level(frames, sketches, stands)[here]
    limit = SURELY_OFF_LEVEL if alone else 1 - SURELY_OFF_LEVEL
    assert found < limit or (np.isnan(found) and np.isnan(gaps_beyond_perspective(frames, stands)["gap"][here]))


@pytest.mark.parametrize(("product", "raised"), [("P1", 2.5), ("P1", 4.0), ("P2", 1.8)])
def test_a_handle_raised_beyond_what_front_and_back_allow_for_is_surely_off_level(product, raised):
    shots = changed(upright_set(), product, "front", solid={"raised": raised})
    frames, sketches, stands = delivery(shots)
    found = handles_off_level(frames, sketches, stands)
    here = next(k for k, s in enumerate(shots) if (s.sku, s.view) == (product, "front"))
    assert found[here] > SURELY_OFF_LEVEL and (found.drop(index=here).dropna() < 0.5).all()
    assert found[frames["view"] == "three_quarter"].isna().all()


def test_without_the_other_view_no_lean_is_told():
    shots = [s for s in upright_set() if s.view != "back"]
    assert leans(*delivery(shots))["lean_deg"].isna().all()


def test_a_straightened_cut_out_shows_its_lean_by_height_and_handles_alone():
    shots = changed(upright_set(), "P0", "front", lean=9.0)
    frames, sketches, stands = delivery(shots)
    keystone = lambda outline: np.stack([0.5 + (outline[:, 0] - 0.5) * (1 + 0.1 * outline[:, 1]), outline[:, 1]], axis=1).astype(np.float32)
    bent = {file: sketch | {"outline": keystone(sketch["outline"])} for file, sketch in sketches.items()}
    cut_out = frames.assign(backdrop="cut_out")
    assert leans(cut_out, bent, stands).equals(leans(cut_out, sketches, stands))
    assert leans(cut_out, sketches, stands)["tilt_deg"][0] > 3


def test_without_sketches_nothing_is_known():
    frames, _, _ = delivery(upright_set())
    stands = handle_stands(frames, {}, None)
    assert stands[list(STAND)].isna().all(axis=None) and not stands["two_handled"].any()
    assert leans(frames, {}, stands)["lean_deg"].isna().all() and gaps_beyond_perspective(frames, stands)["gap"].isna().all()


def colourways(random, shapes=1):
    """Front and back of three colourways of a style, none of which shows two handles."""
    shots = []
    for k in range(3):
        for view in ("front", "back"):
            pose = View(random.normal(0, 0.8), random.normal(0, 0.3), random.normal(0, 0.2), 6.0 + random.normal(0, 0.2), FOCAL, view == "back")
            shots.append(Shot(f"C{k}", view, Solid(30, 24, 16, 30, 15, 0), pose, "bowler"))
    return shots


@pytest.mark.parametrize(("view", "lean"), [("front", 7.0), ("back", 6.0), ("back", 8.0)])
def test_the_odd_one_of_the_colourways_is_the_one_that_leans(view, lean):
    shots = changed(colourways(np.random.default_rng(2)), "C1", view, lean=lean)
    here = next(k for k, s in enumerate(shots) if (s.sku, s.view) == ("C1", view))
    found = leans(*delivery(shots))
    value, sd = found.loc[here, ["tilt_deg", "tilt_sd_deg"]]
    assert abs(value - lean) < 3 * sd and abs(value) > 3 * sd and sd < 2.2
    others = found.drop(index=here).dropna()
    assert (others["tilt_deg"].abs() < np.minimum(3 * others["tilt_sd_deg"], 3.0)).all()


def test_a_lean_that_turns_the_top_out_of_sight_is_left_open_but_not_denied():
    """Seen level, a box's top is a line: leaning further away its outline hardly changes."""
    shots = changed(colourways(np.random.default_rng(2)), "C1", "back", lean=-6.0)
    value, sd = leans(*delivery(shots)).loc[3, ["tilt_deg", "tilt_sd_deg"]]
    assert np.isnan(value) or abs(value + 6.0) < 3 * sd


def test_a_camera_that_looks_down_more_is_a_tilt_and_no_sure_lean():
    """One picture cannot tell a leaning product from a higher camera: cv2.projectPoints draws nearly the same outline."""
    shots = changed(colourways(np.random.default_rng(2)), "C1", "front", pitch=11.0)
    found = leans(*delivery(shots)).loc[2]
    assert found["tilt_deg"] == pytest.approx(5.0, abs=2.5) and found["tilt_deg"] > 3 * found["tilt_sd_deg"]
    assert np.isnan(found["lean_deg"]) or abs(found["lean_deg"]) < 3 * found["lean_sd_deg"]


def test_shapes_of_other_sizes_are_not_compared():
    shots = colourways(np.random.default_rng(2))
    shots[0] = Shot("C0", "front", Solid(22, 24, 10, 22, 10, 0), shots[0].pose, "bowler")
    frames, sketches, stands = delivery(shots)
    assert stands["shape"].nunique() == 2
    assert leans(frames, sketches, stands)["tilt_deg"].drop(index=[0, 1]).abs().max() < 2.5


@pytest.mark.parametrize(("raised", "shapes"), [((0, 0, 0, 0.08), 1), ((0, 0, 0.16, 0.16), 2), ((0, 0, 0, 0.3), 2)])
def test_a_product_has_one_shape_also_where_it_leans_in_one_picture(raised, shapes):
    """Of a deep bag a lean of 7 degrees raises the upper edge by 0.85 x 0.7 / 1.0 x sin(7 degrees) = 0.07 of the height; what is larger in both views, or far off, is another shape."""
    frames = pd.DataFrame({"file": list("abcd"), "sku": ["T-1-RED", "T-1-RED", "T-1-BLU", "T-1-BLU"], "view": ["front", "back"] * 2, "style": "tote"})
    stands = pd.DataFrame({"base": 0.8, "shoulders": 0.8 - 0.4 * np.exp(raised), "width": 0.4, "depth": 0.7, "shape": frames["sku"]})
    assert _by_name(frames, stands).nunique() == shapes


def test_a_small_tilt_is_rather_the_cameras_and_a_large_one_the_products():
    assert not rather_a_lean(2.8) and rather_a_lean(-6.5)


@pytest.mark.parametrize("lean", [-6.0, 5.0])
def test_the_taper_of_the_sides_is_the_tilt(lean):
    shots = [Shot("T", "front", Solid(handles=0), View(lean=lean)), Shot("T", "back", Solid(handles=0), View(back=True))]
    tapers = Traces.of(*delivery(shots)).table["taper"]
    assert np.degrees(np.arcsin(tapers[0] - tapers[1])) == pytest.approx(lean, abs=0.5 * abs(lean))


@pytest.mark.parametrize("lean", [-6.0, 5.0, 7.0])
def test_a_low_body_is_a_roll_only_where_its_depth_is_known(lean):
    """A clutch half as high as wide leaves as much of a lean in its sides as any box; of a depth that is only what is usual, a roll would be concluded from nothing."""
    clutch, roll = Solid(36, 17, 10, 36, 10, 0), Solid(36, 17, 17, 36, 17, 0)
    frames, sketches, stands = delivery([Shot("T", "front", clutch, View(lean=lean)), Shot("T", "back", clutch, View(back=True))])
    for known in (stands, handle_stands(frames, sketches)):
        sine, sd = Traces.of(frames, sketches, known).keystones[0, 1]
        assert abs(math.degrees(math.asin(sine)) - lean) < 2 * math.degrees(sd) < 4.0
    assert not Traces.of(*delivery([Shot("T", "front", roll, View(lean=lean)), Shot("T", "back", roll, View(back=True))])).keystones


def test_two_pictures_that_differ_alone_do_not_say_which_of_them_leans():
    seen = Seen(np.array([0.06, np.nan, np.nan]), np.full(3, 0.01), 0.5, 0.8, 1.1)
    flat, sines = (np.ones(len(LEANS_DEG)), np.zeros(len(LEANS_DEG))), np.sin(np.radians(LEANS_DEG))
    weight, off_level = handle_weights(seen, sines[:, None], sines[None], flat, flat)
    assert not off_level.any() and np.allclose(weight, weight[::-1, ::-1].T)
