"""Lean and handles of a set of solids posed and projected by OpenCV's camera model."""

import functools
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from making_projected import Solid, View, photographed

from catalogue_audit import schema
from catalogue_audit.findings.pose import SURELY_OFF_LEVEL
from catalogue_audit.measures.applicability import applicable
from catalogue_audit.measures.handles import STAND, handles_facts
from catalogue_audit.measures.roll import roll_facts
from catalogue_audit.measures.turn import turn_facts
from catalogue_audit.statistics.handles import gaps_beyond_perspective, handle_stands
from catalogue_audit.statistics.lean import handles_off_level, leans, taper_difference, weigh_leans

SHAPE = (600, 480)
FOCAL = 95.0


@dataclass(frozen=True)
class Shot:
    """One picture of the set."""

    sku: str
    view: str
    solid: Solid
    pose: View


@functools.cache
def measured(shot):
    """Frame columns and sketch of one picture, as pass one and the view leave them."""
    picture, outline = photographed(shot.solid, shot.pose, SHAPE, len(shot.sku))
    facts = {"outline_confidence": outline.confidence, "focal_length_35mm": FOCAL, "height_px": SHAPE[0], "width_px": SHAPE[1], "touches": ""}
    for found in (roll_facts(picture, outline, FOCAL), turn_facts(picture, outline, FOCAL), handles_facts(picture, outline, FOCAL)):
        facts.update(found)
    sketch = {name: facts.pop(name) for name in list(facts) if isinstance(facts[name], np.ndarray)}
    return applicable(facts, shot.view, "upright")[0], sketch


def delivery(shots):
    """(frames, sketches, stands) of a set of pictures."""
    rows, sketches = [], {}
    for number, shot in enumerate(shots):
        facts, sketch = measured(shot)
        rows.append(facts | {"file": f"{number}.jpg", "sku": shot.sku, "view": shot.view, "view_kind": "upright", "origin": "original"})
        sketches[f"{number}.jpg"] = sketch
    frames = pd.DataFrame(rows).reindex(columns=[column.name for column in schema.FRAME_COLUMNS])
    products = pd.DataFrame([{"sku": s.sku, "width_cm": s.solid.width, "depth_cm": s.solid.depth} for s in shots]).drop_duplicates("sku")
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
        Shot(s.sku, s.view, s.solid._replace(**(solid or {})), s.pose._replace(**pose)) if (s.sku, s.view) == (sku, view) else s
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
    value, sd = found.loc[here]
    assert value > 3 and abs(value - lean) < 3 * sd
    others = found.drop(index=here).dropna()
    assert (others["lean_deg"].abs() < 3 * others["lean_sd_deg"]).all()
    # what the lean explains is no raised handle
    left = gaps_beyond_perspective(frames, stands, found["lean_deg"])["gap"]
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
    assert found < SURELY_OFF_LEVEL or (np.isnan(found) and np.isnan(gaps_beyond_perspective(frames, stands)["gap"][here]))


@pytest.mark.parametrize("raised", [2.5, 4.0])
def test_a_handle_raised_beyond_what_front_and_back_allow_for_is_surely_off_level(raised):
    shots = changed(upright_set(), "P1", "front", solid={"raised": raised})
    frames, sketches, stands = delivery(shots)
    found = handles_off_level(frames, sketches, stands)
    here = next(k for k, s in enumerate(shots) if (s.sku, s.view) == ("P1", "front"))
    assert found[here] > SURELY_OFF_LEVEL and (found.drop(index=here).dropna() < 0.5).all()
    assert found[frames["view"] == "three_quarter"].isna().all()


def test_without_the_other_view_no_lean_is_told():
    shots = [s for s in upright_set() if s.view != "back"]
    assert leans(*delivery(shots))["lean_deg"].isna().all()


def test_a_straightened_cut_out_shows_its_lean_by_height_and_handles_alone():
    shots = changed(upright_set(), "P0", "front", lean=9.0)
    frames, sketches, stands = delivery(shots)
    bent = {file: sketch | {"sides": sketch["sides"] * np.array([1.0, 0.9, 1.1], np.float32)} for file, sketch in sketches.items()}
    cut_out = frames.assign(backdrop="cut_out")
    assert leans(cut_out, bent, stands).equals(leans(cut_out, sketches, stands))
    assert leans(cut_out, sketches, stands)["lean_deg"][0] > 3


def test_without_sketches_nothing_is_known():
    frames, _, _ = delivery(upright_set())
    stands = handle_stands(frames, {}, None)
    assert stands[list(STAND)].isna().all(axis=None) and not stands["two_handled"].any()
    assert leans(frames, {}, stands)["lean_deg"].isna().all() and gaps_beyond_perspective(frames, stands)["gap"].isna().all()


@pytest.mark.parametrize("lean", [-6.0, 5.0])
def test_the_taper_of_the_sides_is_the_tilt(lean):
    shots = [Shot("T", "front", Solid(handles=0), View(lean=lean)), Shot("T", "back", Solid(handles=0), View(back=True))]
    _, sketches, stands = delivery(shots)
    found, sd = taper_difference(sketches["0.jpg"]["sides"], sketches["1.jpg"]["sides"], stands.loc[0], stands.loc[1])
    assert found == pytest.approx(lean, abs=0.15 * abs(lean) + 3 * sd)


def test_two_pictures_that_differ_alone_do_not_say_which_of_them_leans():
    flat = np.ones(57)
    apart = np.sin(np.radians(np.arange(-14, 14.01, 0.5)))
    apart = apart[:, None] - apart[None]
    (first, second), (sd, _) = weigh_leans([[(np.radians(7.0), apart, np.full(apart.shape, 0.01), 0.3, 1.0)]], flat, flat)
    assert first == pytest.approx(-second, abs=0.6) and abs(first) < 3 * sd
