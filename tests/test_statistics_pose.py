"""Deviations within a set: turns, framing rules, straps."""

import numpy as np
import pandas as pd
import pytest
from catalogue_audit import schema
from catalogue_audit.measures.geometry.straight_on import for_the_sketch
from catalogue_audit.measures.geometry.strap import EVIDENCE
from catalogue_audit.statistics.geometry.framing_rules import framing_rule, size_and_place
from catalogue_audit.statistics.geometry.pose import pose_deviations
from catalogue_audit.statistics.geometry.stances import stances
from catalogue_audit.statistics.geometry.strap_picture import Shape, strap_state
from catalogue_audit.statistics.geometry.strap_states import strap_states
from catalogue_audit.statistics.geometry.turns import straight_on_turns, yaw_deviations


def table(**columns):
    rows = len(next(iter(columns.values())))
    frames = pd.DataFrame({column.name: [None] * rows for column in schema.FRAME_COLUMNS})
    return frames.assign(file=[f"{k}.jpg" for k in range(rows)], view_kind="upright", style="tote", origin="original", **columns)


def test_an_empty_set_gives_an_empty_table():
    frames = table(view=[])
    found = pose_deviations(frames, {}, None)
    assert len(found) == 0 and {"yaw_dev_deg", "lean_deg", "strap_state", "scale_dev"} <= set(found)


def test_the_rule_that_the_set_follows_is_found():
    random = np.random.default_rng(1)
    width = random.uniform(0.4, 0.9, 30)
    equal = table(view=["front"] * 30, fill_height=random.normal(0.8, 0.003, 30), fill_width=width, fill_area=0.7 * width)
    assert framing_rule(equal, None) == "equal_height"
    aspect = random.uniform(0.6, 1.5, 30)
    size = np.minimum(0.74 / aspect, 0.68)
    limited = table(view=["front"] * 30, fill_height=size, fill_width=size * aspect, fill_area=0.8 * size**2 * aspect)
    assert framing_rule(limited, None) == "first_limit"


def test_a_product_framed_too_small_is_told_by_the_rule():
    height = np.full(12, 0.8)
    height[5] = 0.72
    width = np.linspace(0.4, 0.9, 12)
    frames = table(view=["front"] * 12, fill_height=height, fill_width=width, fill_area=width * height, centre_dx=[0.0] * 12, centre_dy=[0.0] * 12)
    found = size_and_place(frames, {}, None)
    assert found["scale_dev"].iloc[5] == pytest.approx(-0.1, abs=0.005)
    assert found["scale_dev"].drop(5).abs().max() < 0.01
    assert found["scale_dev_sd"].max() < 0.01


def _by_the_first_limit(aspects):
    """Products centred in a frame of which they fill 0.74 of the width or 0.68 of the height, in one view."""
    height = np.minimum(0.74 / np.asarray(aspects), 0.68)
    width = height * aspects
    place = np.zeros(len(height))
    return table(
        view=["three_quarter"] * len(height), fill_height=height, fill_width=width, fill_area=0.7 * width * height,
        centre_dx=place, centre_dy=place, baseline=0.5 + height / 2,
    )  # fmt: skip


WIDE = (1.3, 1.5, 1.8, 1.4, 1.6, 2.0, 1.25, 1.7)


def test_the_only_tall_product_may_have_met_the_other_limit_and_is_no_fault_for_sure():
    found = size_and_place(_by_the_first_limit([*WIDE, 0.85]), {}, None).iloc[-1]
    assert not abs(found["scale_dev"]) > max(0.05, 3 * found["scale_dev_sd"])
    assert not abs(found["centre_dev_y"]) > max(0.02, 3 * found["centre_dev_y_sd"])


def test_tall_products_that_meet_one_limit_show_the_rule_and_then_a_small_one_is_off_for_sure():
    frames = _by_the_first_limit([*WIDE, 0.85, 0.9, 0.8, 0.95])
    frames.loc[len(WIDE), ["fill_height", "fill_width"]] *= 0.88
    found = size_and_place(frames, {}, None)
    assert found["scale_dev"][len(WIDE)] == pytest.approx(-0.12, abs=0.01)
    assert found["scale_dev"].drop(len(WIDE)).abs().max() < 0.01
    assert found["scale_dev_sd"][len(WIDE)] < 0.12 / 3


def test_a_rule_that_another_view_shows_holds_here_too():
    front = _by_the_first_limit([*WIDE, 0.85, 0.9, 0.8, 0.95]).assign(view="front")
    few = _by_the_first_limit([1.3, 1.5, 1.8, 0.7]).set_index(pd.Index([20, 21, 22, 23]))
    alone, beside = (size_and_place(frames, {}, None).loc[[20, 21, 22, 23]] for frames in (few, pd.concat([front, few])))
    assert beside["scale_dev"].abs().max() < 0.01 and beside["scale_dev_sd"].max() < 0.015
    assert alone["scale_dev_sd"][23] > 0.03


def _from_one_distance(colours=2):
    """Seven bags of 18 to 45 cm, in some colours, photographed from one distance: sizes drawn, frames of one width."""
    random = np.random.default_rng(4)
    rows = []
    for style in range(7):
        wide, tall = random.uniform(0.3, 0.75), random.uniform(0.25, 0.7)
        for colour in range(colours):
            for view, narrower in (("front", 1.0), ("back", 1.0), ("three_quarter", 0.85)):
                width, height = (length * np.exp(random.normal(0, 0.003)) for length in (wide * narrower, tall))
                rows.append((f"AB{style}-{colour}", view, width, height, 0.7 * width * height))
    columns = dict(zip(("sku", "view", "fill_width", "fill_height", "fill_area"), zip(*rows, strict=True), strict=True))
    return table(**columns, centre_dx=[0.0] * len(rows), centre_dy=[0.0] * len(rows))


@pytest.mark.parametrize("colours", [1, 2, 3])
def test_bags_photographed_from_one_distance_are_as_large_as_they_are(colours):
    frames = _from_one_distance(colours)
    found = size_and_place(frames, {}, None)
    assert framing_rule(frames, None) == "fixed_distance"
    assert not (found["scale_dev"].abs() > np.maximum(0.03, 3 * found["scale_dev_sd"])).any()


def test_from_one_distance_a_picture_is_compared_with_those_of_the_same_shape():
    frames = _from_one_distance()
    frames.loc[3, ["fill_width", "fill_height"]] *= 0.88
    found = size_and_place(frames, {}, None)
    off = found["scale_dev"].abs() > np.maximum(0.05, 3 * found["scale_dev_sd"])
    assert list(np.flatnonzero(off)) == [3]
    assert found["scale_dev"][3] == pytest.approx(-0.12, abs=0.01)


def test_a_product_that_is_small_in_all_views_is_no_other_way_of_working():
    frames = pd.concat([_by_the_first_limit([*WIDE, 0.85, 0.9, 0.8, 0.95]).assign(view=view) for view in ("front", "back", "three_quarter")])
    frames = frames.reset_index(drop=True).assign(sku=[f"AB-{n}-X" for n in list(range(12)) * 3])
    small = frames["sku"] == "AB-4-X"
    frames.loc[small, ["fill_width", "fill_height"]] *= 0.88
    found = size_and_place(frames, {}, None)
    assert framing_rule(frames, None) == "first_limit"
    assert found["scale_dev"][small].to_numpy() == pytest.approx(-0.12, abs=0.01)
    assert found["scale_dev_sd"][small].max() < 0.03


WIDE_ARCH = {"arch_height": 0.9, "arch_span": 0.88, "arch_bands": 1, "arch_thickness": 0.02}
CUT_OFF = {"arch_height": 0.42, "arch_span": 0.7, "arch_bands": 1, "arch_thickness": 0.057, "arch_valley": 1.0}  # two legs that the frame cuts
SLANTING_ARCH = {"arch_height": 0.23, "arch_span": 0.7, "arch_bands": 1, "arch_thickness": 0.012, "arch_slant": 0.23}


@pytest.mark.parametrize(
    ("evidence", "known", "state"),
    [
        ({}, {}, "none"),
        ({"apart": 0.04}, {}, "coiled"),
        ({"apart": 0.9}, {}, "none"),  # the other shoe of a pair
        ({"beside_right": 0.02, "arch_height": 0.3, "arch_span": 0.7, "beside_begins": 0.2}, {}, "draped"),
        ({"beside_right": 0.02, "arch_height": 0.3, "arch_span": 0.7, "beside_begins": 0.0}, {}, "none"),  # all along the side
        (SLANTING_ARCH, {}, "draped"),
        (SLANTING_ARCH | {"arch_thickness": 0.04}, {}, "none"),  # two handles of a turned bag
        (SLANTING_ARCH, {"shape": Shape(height=0.23, slant=0.02)}, "none"),  # level in its straight-on pictures
        (SLANTING_ARCH, {"shape": Shape(height=0.0, slant=0.02)}, "draped"),
        (WIDE_ARCH | {"arch_bands": 2}, {}, "held_up"),
        (WIDE_ARCH, {}, "held_up"),
        (WIDE_ARCH | {"hollow": 0.2}, {}, "none"),  # a hobo's handle
        (WIDE_ARCH, {"shape": Shape(hollow=0.2)}, "none"),
        (WIDE_ARCH | {"arch_height": 0.25}, {}, "none"),  # a belt
        (WIDE_ARCH | {"arch_span": 0.5}, {}, "none"),  # handles
        (WIDE_ARCH | {"arch_span": 0.75, "arch_valley": 0.2}, {"view": "three_quarter"}, "none"),  # two of them, seen from the side
        (WIDE_ARCH | {"arch_span": 0.75}, {"view": "three_quarter", "shape": Shape(height=0.9, span=0.5)}, "none"),
        (WIDE_ARCH | {"arch_span": 0.75}, {"view": "three_quarter", "shape": Shape(height=0.2, span=0.5)}, "held_up"),
        (CUT_OFF, {"view": "three_quarter", "shape": Shape(height=0.34, span=0.3, held=True)}, "held_up"),
        (CUT_OFF | {"arch_valley": 0.0}, {"view": "three_quarter", "shape": Shape(height=0.34, span=0.3, held=True)}, "none"),  # its crown is seen: the handle's
        (CUT_OFF, {"view": "three_quarter", "shape": Shape(height=0.34, span=0.5, held=True)}, "none"),  # handles, one behind the other
        (WIDE_ARCH | {"arch_thickness": 0.09}, {}, "none"),
        (WIDE_ARCH | {"arch_thickness": 0.09}, {"view": "three_quarter", "shape": Shape(height=0.9, span=0.9, held=True)}, "held_up"),
        ({"beside_right": 0.01, "beside_begins": 0.2}, {}, "none"),  # a wrist strap
        ({"beside_right": 0.01, "beside_begins": 0.7}, {}, "coiled"),
        ({"curve": 1.9, "contrast": 0.9}, {}, "front"),
        ({"curve": 1.9, "contrast": 0.7}, {}, "none"),
        ({"curve": 1.9, "contrast": 0.7}, {"view": "back"}, "front"),  # no flap there
        ({"curve": 1.9, "contrast": 0.5, "stub_left": 0.07, "stub_right": 0.06}, {}, "front"),
        ({"curve": 1.9, "contrast": 0.5, "stub_left": 0.07, "stub_right": 0.06}, {"shape": Shape(front_without=True)}, "none"),
        ({"ribbon": 0.5, "ribbon_by_chance": 0.2}, {}, "front"),
        ({"ribbon": 0.5, "ribbon_by_chance": 0.3}, {}, "none"),
        ({"ribbon": 0.5, "ribbon_by_chance": 0.3, "contrast": 0.4, "stub_left": 0.07, "stub_right": 0.06}, {}, "front"),
        ({"curve": 1.5, "contrast": 0.6}, {"has_strap": True}, "none"),
        ({"curve": 1.7, "contrast": 0.6}, {"has_strap": True}, "front"),
        ({"curve": 1.7, "contrast": 0.3}, {"has_strap": True, "view": "back"}, "none"),  # a panel's edge
        ({"curve": 1.25, "contrast": 0.4}, {"has_strap": True, "view": "three_quarter"}, "front"),
        ({"curve": 1.25, "contrast": 0.2}, {"has_strap": True, "view": "three_quarter"}, "none"),
        ({"curve": 1.25, "contrast": 0.35}, {"has_strap": True, "view": "three_quarter"}, None),
        ({"curve": 1.25, "contrast": 0.35, "turned_ribbon": 0.5}, {"has_strap": True, "view": "three_quarter"}, "front"),
        ({"curve": 1.9, "contrast": 0.6}, {"has_strap": False}, "none"),
        ({"curve": 1.2, "stub_left": 0.14, "stub_right": 0.13}, {"has_strap": True}, "behind"),
        ({"curve": 1.2, "stub_left": 0.14, "stub_right": 0.13}, {}, "none"),
        ({"curve": 1.2, "stub_left": 0.11, "stub_right": 0.12}, {"has_strap": True, "rings": 0.10}, "none"),
        ({"curve": 1.2, "stub_left": 0.11, "stub_right": 0.12}, {"has_strap": True, "rings": 0.06}, "behind"),
        ({"curve": 0.5, "stub_left": 0.18}, {"has_strap": True, "view": "three_quarter"}, "behind"),
    ],
)
def test_strap_states_follow_from_the_evidence(evidence, known, state):
    assert strap_state({name: evidence.get(name, 0.0) for name in EVIDENCE}, **known) == state


@pytest.mark.parametrize(
    ("evidence", "sure", "unsure"),
    [
        ({"stub_left": 0.16, "stub_right": 0.08}, "behind", "none"),  # on one side only
        ({"stub_left": 0.16, "stub_right": 0.15}, "behind", "behind"),
        ({"beside_right": 0.004, "beside_begins": 0.3, "arch_height": 0.3}, "draped", None),
        ({"beside_right": 0.03, "beside_begins": 0.3, "arch_height": 0.3}, "draped", "draped"),
    ],
)
def test_what_an_unsure_outline_shows_on_one_side_may_be_backdrop(evidence, sure, unsure):
    evidence = {name: evidence.get(name, 0.0) for name in EVIDENCE}
    assert strap_state(evidence, has_strap=True) == sure
    assert strap_state(evidence, has_strap=True, sure=False) == unsure


def test_the_products_file_and_the_front_picture_say_what_a_faint_strap_is():
    curves = {"A_front": 1.7, "A_three": 1.25, "B_front": 1.5, "B_three": 1.25, "C_front": 1.9}
    sketches = {f"{k}.jpg": {"strap": np.array([{"curve": value, "contrast": 0.9}.get(name, 0.0) for name in EVIDENCE], np.float32)} for k, value in curves.items()}
    frames = table(view=["front", "three_quarter"] * 2 + ["front"], sku=["A", "A", "B", "B", "C"]).assign(file=list(sketches))
    products = pd.DataFrame({"sku": ["A", "B", "C"], "strap": ["detachable", "none", "none"]})
    assert strap_states(frames, sketches, products).tolist() == ["front", "front", "none", "none", "none"]
    assert strap_states(frames, sketches).tolist() == ["front", "front", "none", "none", "front"]


def _straps(pictures, views, skus, styles=None, outlines=()):
    """Strap states of pictures with so much of the evidence, and what else their sketches hold."""
    sketches = {f"{k}.jpg": {"strap": np.array([evidence.get(name, 0.0) for name in EVIDENCE], np.float32)} for k, evidence in enumerate(pictures)}
    for sketch, outline in zip(sketches.values(), outlines, strict=False):
        sketch |= outline
    return strap_states(table(view=views, sku=skus).assign(file=list(sketches), style=styles or skus, outline_confidence=1.0), sketches).tolist()


def test_a_broad_ribbon_in_the_turned_view_is_the_strap_that_a_square_picture_shows_held_up():
    """Also where the product's other square picture lacks it, which is what is wrong."""
    turned = WIDE_ARCH | {"arch_span": 0.84, "arch_thickness": 0.09, "arch_slimness": 10.0}
    views = ["front", "back", "three_quarter"]
    assert _straps([{}, WIDE_ARCH, turned], views, ["A"] * 3) == ["none", "held_up", "held_up"]
    assert _straps([{}, {}, turned], views, ["A"] * 3) == ["none"] * 3


@pytest.mark.parametrize(("span", "slant", "height", "state"), [(0.54, 0.11, 0.4, "draped"), (0.54, 0.01, 0.4, "none"), (0.40, 0.11, 0.4, "none"), (0.54, 0.11, 0.6, "none")])
def test_what_comes_down_beside_the_handle_in_one_picture_of_a_style_alone_is_a_strap(span, slant, height, state):
    """A handle that stands wider, that leans, or that is drawn up is no strap: it must be wider on one side, and as tall."""
    handle = {"arch_height": 0.4, "arch_span": 0.385, "arch_bands": 2.0, "arch_thickness": 0.06, "arch_slant": 0.007}
    odd = handle | {"arch_span": span, "arch_slant": slant, "arch_height": height}
    views, styles = ["front", "back", "front", "back"], ["tote"] * 4
    assert _straps([handle, odd, handle, handle], views, ["A", "A", "B", "B"], styles) == ["none", state, "none", "none"]
    assert _straps([handle, odd], views[:2], ["A", "A"], styles[:2]) == ["none", "none"]  # either of two may be the odd one


@pytest.mark.parametrize(("height", "span", "state"), [(0.39, 0.84, "none"), (0.30, 0.84, "held_up"), (0.39, 0.72, "held_up")])
def test_an_arch_that_only_a_limit_parts_from_the_colourways_is_the_same_handle(height, span, state):
    """Handles of 0.39 to 0.41 of the body's height, of which straps rise from 0.40 on; one much lower, or narrower, is another thing."""
    handle = {"arch_height": height, "arch_span": span, "arch_bands": 2.0, "arch_thickness": 0.034, "arch_slant": 0.02}
    taller = {"arch_height": 0.41, "arch_span": 0.86, "arch_bands": 2.0, "arch_thickness": 0.034, "arch_slant": 0.02}
    views, skus = ["front", "back"] * 2, ["BK-10-RED", "BK-10-RED", "BK-10-SKY", "BK-10-SKY"]
    assert _straps([handle, taller, handle, handle], views, skus, ["bucket"] * 4) == ["none", state, "none", "none"]
    held = taller | {"arch_height": 0.8}
    assert _straps([held, held, handle, handle], views, skus, ["bucket"] * 4) == ["held_up", "held_up", "none", "none"]


@pytest.mark.parametrize(("height", "span", "state"), [(0.58, 0.66, "held_up"), (0.50, 0.66, "none"), (0.58, 0.5, "none")])
def test_an_arch_that_only_a_limit_parts_from_the_one_that_front_and_back_show_is_the_same(height, span, state):
    """A bucket's handle that stands 0.62 of its height above it may be taken for a strap; then it is none that the turned view lacks."""
    arch = WIDE_ARCH | {"arch_height": 0.62, "arch_span": 0.84}
    turned = WIDE_ARCH | {"arch_height": height, "arch_span": span}
    assert _straps([arch, arch, turned], ["front", "back", "three_quarter"], ["A"] * 3) == ["held_up", "held_up", state]


def test_a_bucket_s_handle_that_all_pictures_show_is_no_strap_held_up():
    """A strap at full length rises farther; one much lower in another picture is another thing."""
    arch, turned = WIDE_ARCH | {"arch_height": 0.42, "arch_span": 0.84}, WIDE_ARCH | {"arch_height": 0.38, "arch_span": 0.69}
    views = ["front", "back", "three_quarter"]
    assert _straps([arch, arch, turned], views, ["A"] * 3) == ["none"] * 3
    assert _straps([arch, arch, turned | {"arch_height": 0.3}], views, ["A"] * 3) == ["held_up", "held_up", "none"]


@pytest.mark.parametrize(("ribbon", "state"), [(0.57, "front"), (0.2, "behind")])
def test_a_ribbon_that_is_seen_across_hangs_in_front_however_little_its_edges_stand_out(ribbon, state):
    """Contrast of 0.46 beside 0.9 in both colourways: a strap over a coarse grain, or the edge of a flap."""
    clear = {"curve": 3.0, "contrast": 0.9, "stub_left": 0.17, "stub_right": 0.17}
    faint = clear | {"curve": 2.2, "contrast": 0.46, "ribbon": ribbon, "ribbon_by_chance": 0.19}
    assert _straps([clear, clear, faint], ["front"] * 3, ["A", "B", "C"], ["satchel"] * 3) == ["front", "front", state]


def test_a_ribbon_across_the_face_of_a_turned_body_hangs_in_front_however_little_its_edges_stand_out():
    """Contrast of 0.30 beside a front's 0.88, which alone tells nothing."""
    front, views, skus = {"curve": 3.3, "contrast": 0.88, "ribbon": 0.84, "stub_left": 0.16, "stub_right": 0.17}, ["front", "three_quarter"], ["A"] * 2
    turned = {"curve": 1.57, "contrast": 0.30, "stub_right": 0.19}
    assert _straps([front, turned | {"turned_ribbon": 0.51}], views, skus) == ["front", "front"]
    assert _straps([front, turned | {"turned_ribbon": 0.10}], views, skus) == ["front", "behind"]


def test_a_flap_that_curves_alike_in_both_colourways_is_a_strap_in_neither():
    """Contrasts of 0.90 and 0.80 on either side of what tells a strap; beside one that shows no curve the same picture does."""
    views, skus, styles = ["front", "front"], ["CL-10-NVY", "CL-10-RED"], ["clutch"] * 2
    flap = {"curve": 1.74, "contrast": 0.90}
    assert _straps([flap, {"curve": 1.55, "contrast": 0.80}], views, skus, styles) == ["none", "none"]
    assert _straps([flap, {"curve": 1.55, "contrast": 0.80}], views, ["CL-10-NVY", "CL-20-RED"], styles) == ["front", "none"]  # another clutch
    assert _straps([flap, {"curve": 0.95, "contrast": 0.35}], views, skus, styles) == ["front", "none"]


def states_of(curves, views, skus, styles=None):
    """Strap states of pictures of which the named ones show a ribbon across."""
    sketches = {f"{k}.jpg": {"strap": np.array([{"ribbon": ribbon}.get(name, 0.0) for name in EVIDENCE], np.float32)} for k, ribbon in enumerate(curves)}
    frames = table(view=views, sku=skus).assign(file=list(sketches), style=styles or skus)
    return strap_states(frames, sketches).tolist()


def test_a_strap_across_the_back_hangs_behind_in_all_views_that_show_none():
    views = ["front", "three_quarter", "back"]
    assert states_of([0, 0, 0.6], views, ["A"] * 3) == ["behind"] * 3
    assert states_of([0, 0.6, 0.6], views, ["A"] * 3) == ["none", "front", "front"]
    assert states_of([0.6, 0.6, 0], views, ["A"] * 3) == ["front", "front", "none"]
    assert states_of([0, 0], ["back", "front"], ["A"] * 2) == ["none", "none"]
    assert states_of([0.6], ["back"], ["A"]) == ["front"]


@pytest.mark.parametrize(
    ("front", "back", "turned", "states"),
    [
        ((0.18, 0.17), (0.0, 0.0), {}, ["behind", "none", "behind"]),
        ((0.18, 0.17), (0.0, 0.0), {"curve": 1.8, "contrast": 0.5}, ["behind", "none", "front"]),
        ((0.18, 0.17), (0.06, 0.06), {}, ["none"] * 3),  # rings, or a band around the body
        ((0.18, 0.05), (0.0, 0.0), {}, ["none"] * 3),  # a zip's end
        ((0.08, 0.08), (0.0, 0.0), {}, ["none"] * 3),  # rings alone
    ],
)
def test_what_stands_out_of_both_sides_of_the_front_and_not_out_of_the_back_is_a_strap_taken_off_for_it(front, back, turned, states):
    """What is sewn on stands out of both: front and back have one outline, mirrored."""
    shown = [dict(zip(("stub_left", "stub_right"), front)), dict(zip(("stub_left", "stub_right"), back)), {"stub_left": 0.14} | turned]
    assert _straps(shown, ["front", "back", "three_quarter"], ["A"] * 3) == states


@pytest.mark.parametrize(("contrast", "state"), [(0.26, "none"), (0.46, "front")])
def test_a_faint_ribbon_between_rings_is_a_strap_only_where_its_edges_are_seen(contrast, state):
    """A ribbon of 0.36 where the body gives 0.25 by chance: a grain, or a strap."""
    grain = {"ribbon": 0.36, "ribbon_by_chance": 0.25, "stub_left": 0.10, "stub_right": 0.10, "curve": 1.0, "contrast": contrast}
    assert _straps([grain], ["front"], ["A"]) == [state]


def _bucket(strap=0.0, rim=0.06, shift=0.0):
    """Outline and mask of a bucket with a rim, and the ends of a strap that stand so far out below it, all in its height; 512 points as in a sketch."""
    right = np.array([(0.0, 0.1), (0.36 + rim, 0.1), (0.36 + rim, 0.22), (0.36, 0.22), (0.36 + strap, 0.27), (0.35 + 0.7 * strap, 0.38), (0.345, 0.42), (0.3, 0.9), (0.0, 0.9)])
    corners = np.concatenate([right, right[::-1] * (-1, 1), right[:1]]) * (0.8, 1.0) + (0.5 + shift, 0.0)
    along = np.concatenate([[0.0], np.hypot(*np.diff(corners, axis=0).T).cumsum()])
    at = np.linspace(0, along[-1], 512, endpoint=False)
    return {"outline": np.stack([np.interp(at, along, corners[:, k]) for k in (0, 1)], axis=1).astype(np.float32), "mask": np.ones((256, 256), bool)}


@pytest.mark.parametrize(
    ("front", "back", "states"),
    [
        (_bucket(0.04), _bucket(shift=0.1), ["behind", "none", "behind"]),
        (_bucket(0.04), _bucket(0.04), ["none"] * 3),  # sewn on: both show it
        (_bucket(), _bucket(), ["none"] * 3),
        (_bucket(), _bucket(0.04), ["none"] * 3),  # no strap of the front's
        (_bucket(rim=0.1), _bucket(), ["none"] * 3),  # another rim, at the body's corner
        (_bucket(0.04), {}, ["none"] * 3),
    ],
)
def test_a_strap_below_a_rim_that_stands_out_of_the_back_too_is_told_by_both_outlines(front, back, states):
    """Of either picture alone as much stands out: the front is compared with the back, mirrored."""
    shown = [{"stub_left": 0.15, "stub_right": 0.16}, {"stub_left": 0.14, "stub_right": 0.15}, {"stub_left": 0.16, "stub_right": 0.1}]
    assert _straps(shown, ["front", "back", "three_quarter"], ["A"] * 3, outlines=(front, back, {})) == states


@pytest.mark.parametrize(
    ("face", "side", "state"),
    [
        ({"ribbon": 0.6}, {"stub_left": 0.12}, "front"),
        ({"ribbon": 0.6}, {"stub_left": 0.02}, None),  # nothing stands out that could be the strap's loop
        ({}, {"stub_left": 0.12}, "none"),  # a pocket
        (WIDE_ARCH | {"arch_height": 0.95, "arch_span": 0.9}, {"arch_height": 0.8, "arch_span": 0.15}, "held_up"),
        (WIDE_ARCH | {"arch_height": 0.95, "arch_span": 0.9}, {"arch_height": 0.3, "arch_span": 0.15}, "none"),
    ],
)
def test_a_side_view_shows_the_strap_where_the_product_s_face_does(face, side, state):
    assert _straps([face, {}, side], ["front", "back", "side"], ["A"] * 3)[2] == state


def test_a_product_without_a_back_picture_is_taken_to_be_as_its_other_colourways():
    views, skus = ["front", "back", "front"], ["A-1", "A-1", "A-2"]
    assert states_of([0, 0.6, 0], views, skus, ["A"] * 3) == ["behind"] * 3
    assert states_of([0, 0.6, 0], views, skus, ["A", "A", "B"]) == ["behind", "behind", "none"]
    assert states_of([0, 0.6, 0, 0], [*views, "back"], [*skus, "A-2"], ["A"] * 4) == ["behind", "behind", "none", "none"]


@pytest.mark.parametrize(("others", "turned", "back"), [(3, 0, "behind"), (2, 0, "front"), (3, 0.6, "front")])
def test_where_straps_hang_behind_one_laid_over_for_the_front_leaves_its_back_as_the_others(others, turned, back):
    """Not where few hang so, or where the product's turned view shows it in front as well."""
    views, products = ["front", "three_quarter", "back"], [name for name in "ABC"[:others] for _ in range(3)]
    states = states_of([0, 0, 0.6] * others + [0.6, turned, 0.6], views * (others + 1), [*products, "D", "D", "D"])
    assert states[:-3] == ["behind"] * 3 * others
    assert states[-3] == "front" and states[-1] == back


def test_straight_on_views_are_compared_with_the_middle_of_their_view():
    turns = np.array([0.4, -0.2, 0.1, 0.0, 8.5, -0.3])
    frames = table(view=["front"] * 6, yaw_deg=turns, yaw_sd_deg=[1.0] * 6)
    found = yaw_deviations(frames, stances(frames, {}), None, {})
    assert np.allclose(found["yaw_dev_deg"], turns - np.median(turns))
    assert (found["yaw_dev_deg"].abs() > 3 * found["yaw_dev_sd_deg"]).tolist() == [False, False, False, False, True, False]


def drums(angles):
    """Fronts of as many products, nearly as deep as wide, with what is sewn on them at angles about their axis: frames, sketches and products."""
    seen = [({"base": (0.0, 0.8)}, 8.0, 0.0, None, {"roll": (0.0, 0.2), "inner": (angle, 0.003)}) for angle in angles]
    count = len(seen)
    skus, same = [f"AL-{1101 + k}-RED" for k in range(count)], np.ones(count)
    frames = table(view=["front"] * count, sku=skus, yaw_deg=0.0 * same, yaw_sd_deg=3.0 * same, baseline=0.8 * same)
    sketches = {file: {"straight_on": for_the_sketch(*told)} for file, told in zip(frames["file"], seen, strict=True)}
    return frames, sketches, pd.DataFrame({"sku": frames["sku"], "width_cm": 22.0, "depth_cm": 20.0})


def test_a_label_that_all_products_wear_beside_the_middle_is_no_turn():
    alone, alike = (straight_on_turns(*drums([*others, 9.0]))[-1] for others in ([0.1, -0.2, 0.0, 0.2, -0.1], [8.8, 9.3, 9.1, 8.9, 9.0]))
    assert alone[0] > 2 * alone[1] and abs(alike[0]) < 0.5


def test_a_supplied_depth_tells_how_far_a_front_of_a_drum_was_turned():
    """By the ellipse: the tangent of 9 degrees over that of the turn is 20 cm over 22 cm."""
    frames, sketches, products = drums([0.0, 0.1, -0.1, 0.0, 0.1, 9.0])
    known, unknown = straight_on_turns(frames, sketches, products), straight_on_turns(frames, sketches)
    assert abs(known[-1, 0] - 9.9) < known[-1, 1] and known[-1, 0] > 2 * known[-1, 1]
    assert not abs(unknown[-1, 0]) > 2 * unknown[-1, 1]
    assert np.abs(known[:-1, 0]).max() < 0.5
