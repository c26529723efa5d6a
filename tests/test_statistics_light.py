"""Deviations of light from the set's reference, on tables with known deviations."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from catalogue_audit.pixels.colour import lab_from_linear, linear_from_lab
from catalogue_audit.statistics.photometry import detail_white, light, product_colour
from catalogue_audit.statistics.photometry.kin import kin_effects
from catalogue_audit.statistics.photometry.light import light_deviations, white_ratios
from catalogue_audit.statistics.photometry.lit_alike import ODD_SD, explained, odd_share, own_light
from catalogue_audit.statistics.photometry.regions import region_deviations
from catalogue_audit.statistics.photometry.surfaces import surfaces
from catalogue_audit.statistics.photometry.view_effects import group_effects, learned_odds, learned_scatter, view_scatter
from catalogue_audit.statistics.photometry.view_pairs import levels_of_pairs, levels_of_views
from catalogue_audit.statistics.tables import table_from_rows

VIEWS = {"front": 0.0, "back": -0.25, "three_quarter": -0.1}
WHITE = np.array([0.78, 0.80, 0.76])


def _delivery(products=12, seed=0, faults=None, clipped=(), noise=0.03, views=VIEWS):
    """
    Frames and sketches of a delivery under steady light.

    ``faults`` maps (sku, view) to what happened there: ``ev`` of all lamps,
    ``product_ev``, ``background_ev`` of one kind, ``gain`` (3,) of all,
    ``product_gain`` of the retoucher.
    """
    rng = np.random.default_rng(seed)
    rows, sketches = [], {}
    for number in range(products):
        sku = f"S{number:02d}"
        own = linear_from_lab((rng.uniform(25, 85), rng.uniform(-20, 40), rng.uniform(-25, 35)))
        own = np.clip(own, 0.01, 0.9)
        for view, effect in views.items():
            fault = (faults or {}).get((sku, view), {})
            common = 2.0 ** (fault.get("ev", 0.0) + rng.normal(0, 0.01)) * np.array(fault.get("gain", (1, 1, 1)))
            white = WHITE * common * 2.0 ** fault.get("background_ev", 0.0)
            light = own * common * 2.0 ** (fault.get("product_ev", 0.0) + effect + rng.normal(0, noise))
            light = light * np.array(fault.get("product_gain", (1, 1, 1)))
            is_clipped = (sku, view) in clipped
            if is_clipped:
                white = np.ones(3)
            fall_off = 1 + 0.06 * np.cos(np.arange(16))
            regions = lab_from_linear(np.clip(white * fall_off[:, None], 0, 1))
            if is_clipped:
                regions[:] = (100, 0, 0)
            L, a, b = lab_from_linear(white)
            product = lab_from_linear(light)
            row = {
                "file": f"{sku}_{view}.jpg", "sku": sku, "view": view, "view_kind": "upright", "status": "measured",
                "origin": "original", "backdrop": "white", "background_L": L, "background_a": a, "background_b": b,
                "background_clipped": float(is_clipped), "product_ev": float(np.log2(light @ (0.2225, 0.7169, 0.0606))),
                "product_L": product[0], "product_a": product[1], "product_b": product[2],
            }  # fmt: skip
            if not is_clipped:
                row |= {"white_red": white[0] / white[1], "white_blue": white[2] / white[1], "white_sd": 0.0015}
                row |= {"white_source": "background"}
            rows.append(row)
            sketches[row["file"]] = {
                "backdrop": regions.astype(np.float32),
                "palette": np.array([[*product, 1.0]], np.float32),
            }
    return table_from_rows("frames", rows), sketches


def _found(frames, sketches, brief=None):
    return light_deviations(frames, sketches, brief).set_index(frames["file"])


def test_a_steady_delivery_deviates_by_next_to_nothing():
    found = _found(*_delivery())
    assert found["wb_dev"].max() < 0.1
    assert found["exposure_dev_ev"].abs().max() < 0.06
    assert found["background_dev_ev"].abs().max() < 0.05
    assert found["product_colour_dev"].max() < 0.2


def test_columns_are_empty_for_an_empty_delivery():
    found = light_deviations(table_from_rows("frames", []), {}, None)
    assert len(found) == 0
    assert "wb_gain_r" in found


@pytest.mark.parametrize("ev", [-0.5, -0.2, 0.1, 0.2])
def test_all_lamps_together_are_found_to_a_fiftieth_of_a_stop(ev):
    found = _found(*_delivery(faults={("S03", "front"): {"ev": ev}}))
    row = found.loc["S03_front.jpg"]
    assert row["exposure_dev_ev"] == pytest.approx(ev, abs=0.03)
    assert row["background_dev_ev"] == pytest.approx(ev, abs=0.03)


def test_a_whole_product_under_other_light_is_found_by_its_background():
    faults = {("S03", view): {"ev": 0.3} for view in VIEWS}
    found = _found(*_delivery(faults=faults))
    for view in VIEWS:
        assert found.loc[f"S03_{view}.jpg", "exposure_dev_ev"] == pytest.approx(0.3, abs=0.04)


def test_a_background_that_moved_alone_leaves_the_exposure():
    found = _found(*_delivery(faults={("S05", "back"): {"background_ev": -0.35}}))
    row = found.loc["S05_back.jpg"]
    assert row["background_dev_ev"] == pytest.approx(-0.35, abs=0.03)
    assert abs(row["exposure_dev_ev"]) < 0.1


def test_a_product_lamp_that_moved_alone_is_found():
    found = _found(*_delivery(faults={("S05", "back"): {"product_ev": -0.4}}))
    row = found.loc["S05_back.jpg"]
    assert row["exposure_dev_ev"] == pytest.approx(-0.4, abs=0.1)
    assert abs(row["background_dev_ev"]) < 0.03


@pytest.mark.parametrize(("ev", "known"), [(0.0, False), (0.5, True)])
def test_the_light_of_a_product_burnt_out_but_no_brighter_is_not_known(ev, known):
    """A white product that its light washed out leaves only what is not white to be compared; one that is brighter as well is told."""
    frames, sketches = _delivery(faults={("S03", "front"): {"ev": ev}})
    frames["clipped_high"] = np.where(frames["file"] == "S03_front.jpg", 0.45, 0.03)
    found = _found(frames, sketches)
    assert np.isfinite(found.loc["S03_front.jpg", "exposure_dev_ev"]) == known
    assert found.drop("S03_front.jpg")["exposure_dev_ev"].notna().all()


def test_finals_retouched_one_by_one_do_not_widen_what_is_usual():
    """Three backs of twelve that were lightened or darkened are told from backs that scatter, where no background is left."""
    wrong = {("S02", "back"): 0.4, ("S05", "back"): -0.35, ("S09", "back"): 0.45}
    clipped = {(f"S{k:02d}", view) for k in range(12) for view in VIEWS}
    frames, sketches = _delivery(faults={key: {"product_ev": ev} for key, ev in wrong.items()}, clipped=clipped)
    found = _found(frames.assign(backdrop="cut_out"), sketches)
    for (sku, view), ev in wrong.items():
        row = found.loc[f"{sku}_{view}.jpg"]
        assert row["exposure_dev_ev"] == pytest.approx(ev, abs=0.12)
        assert 3 * row["exposure_dev_sd_ev"] < abs(ev) - 0.1
    assert found.drop([f"{sku}_{view}.jpg" for sku, view in wrong])["exposure_dev_ev"].abs().max() < 0.12


def test_a_round_body_that_keeps_its_light_where_flat_fronts_turn_from_the_lamp_is_not_too_bright():
    """One lamp from the side takes a stop off every slanting front, and nothing off two buckets."""
    lamp_aside = VIEWS | {"three_quarter": -1.0}
    faults = {(sku, "three_quarter"): {"product_ev": 1.0} for sku in ("S03", "S07")}
    faults["S05", "three_quarter"] = {"ev": 0.4}
    found = _found(*_delivery(products=16, faults=faults, views=lamp_aside))
    for sku in ("S03", "S07"):
        row = found.loc[f"{sku}_three_quarter.jpg"]
        assert abs(row["exposure_dev_ev"]) < max(0.15, 3 * row["exposure_dev_sd_ev"])
    assert found.loc["S05_three_quarter.jpg", "exposure_dev_ev"] == pytest.approx(0.4, abs=0.1)  # its background says so


def _under_one_lamp(edges_seen):
    """One lamp from the side takes a stop off eleven flat fronts that slant, nothing off five round bodies; one flat front is 0.4 EV too bright."""
    rounded = range(3, 12, 2)
    faults = {(f"S{k:02d}", "three_quarter"): {"product_ev": 1.0} for k in rounded} | {("S06", "three_quarter"): {"product_ev": 0.4}}
    frames, sketches = _delivery(products=16, faults=faults, views=VIEWS | {"three_quarter": -1.0}, noise=0.02)
    frames["backdrop"] = "cut_out"
    for file in frames["file"][frames["view"] == "three_quarter"]:
        if edges_seen and int(file[1:3]) not in rounded:
            sketches[file]["front_edge"] = np.zeros(5, np.float32)
    return _found(frames, sketches)


def test_round_bodies_under_one_lamp_are_no_measure_for_flat_fronts():
    found = _under_one_lamp(edges_seen=True)
    assert found.loc["S06_three_quarter.jpg", "exposure_dev_ev"] == pytest.approx(0.4, abs=0.12)
    assert found.drop("S06_three_quarter.jpg")["exposure_dev_ev"].abs().max() < 0.12
    assert _under_one_lamp(edges_seen=False).loc["S06_three_quarter.jpg", "exposure_dev_ev"] < 0.15  # it may be half round


def test_how_often_views_look_otherwise_is_learned_from_the_other_products():
    """Where no detail of twenty looks otherwise than usual an odd one is likelier lit otherwise; where five do, it is not."""
    sku, groups, none = np.array([f"S{k:02d}" for k in range(20)]), np.full(20, "detail"), np.full(20, "")
    share, sd = np.full(20, 0.07), np.full(20, 0.12)
    few, few_sd = learned_odds(share, sd, np.zeros(20), np.zeros(20), sku, groups, none)
    odd = np.where(np.arange(20) < 5, 1.0, 0.0)
    many, many_sd = learned_odds(share, sd, odd, odd * 0.3**2, sku, groups, none)
    assert few.max() < 0.02 and many.min() > 0.15
    assert few_sd == pytest.approx(sd)
    assert many_sd == pytest.approx(np.full(20, 0.25), abs=0.03)
    own = np.full(20, 0.0)
    own[0] = 1.0  # an odd product says nothing of itself
    learned, _ = learned_odds(share, sd, own, own * 0.3**2, sku, groups, none)
    assert learned[0] == pytest.approx(few[0]) and (learned[1:] > few[0]).all()
    kin = np.where(np.arange(20) < 4, "tote", "")
    learned, _ = learned_odds(share, sd, own, own * 0.3**2, sku, groups, kin)
    assert learned[1] > 1.5 * learned[10]  # its style's other picture is odd, so this one may be as well


def test_a_detail_a_stop_and_a_half_off_is_rather_another_thing_seen_than_another_light():
    sd, dark, calm = np.full(4, 0.04), np.full(4, np.nan), np.zeros(4, bool)
    straight = np.array([False, True, True, True])
    ev, error = own_light(np.array([1.5, 0, 0, 0]), sd, sd, dark, calm, straight=straight)
    assert 3 * error[0] > ev[0]
    ev, error = own_light(np.array([0.5, 0, 0, 0]), sd, sd, dark, calm, straight=straight)
    assert ev[0] == pytest.approx(0.5, abs=0.08)
    assert 3 * error[0] < ev[0]


def test_pairs_of_pictures_that_contradict_one_another_make_their_light_unsure():
    """Of three differences that do not add up any may be wrong; of six, the one that the others contradict."""
    three = np.array([[1, -1, 0], [0, 1, -1], [1, 0, -1]])  # first over second, second over third, first over third
    level, apart = levels_of_pairs(three, np.array([0.3, 0.2, 0.5]), np.zeros(3))
    assert level - level[2] == pytest.approx([0.5, 0.2, 0.0], abs=0.01)
    assert (apart < 0.02).all()
    assert (levels_of_pairs(three, np.array([0.3, 0.2, 2.0]), np.zeros(3))[1] > 0.3).all()
    six = np.array([[1, -1, 0, 0], [1, 0, -1, 0], [1, 0, 0, -1], [0, 1, -1, 0], [0, 1, 0, -1], [0, 0, 1, -1]])
    true = np.array([-0.5, 0.1, 0.0, 0.4])
    level, apart = levels_of_pairs(six, six @ true + [0, 1.2, 0, 0, 0, 0], np.zeros(6))
    assert level == pytest.approx(true, abs=0.02)
    assert (apart < 0.02).all()


@pytest.mark.parametrize(("other", "least", "most"), [(0.0, 0.0, 0.01), (0.2, 0.03, 0.08), (0.5, 0.1, 0.2)])
def test_the_less_two_pictures_show_of_the_same_the_less_surely_their_light_is_compared(other, least, most):
    rng = np.random.default_rng(3)
    leather, stripe = rng.normal((120, 90, 60), 6, (4000, 3)), rng.normal((60, 90, 120), 6, (4000, 3))
    first = {"thumb": np.clip(leather, 0, 255).astype(np.uint8).reshape(50, 80, 3)}
    mixed = np.where(np.arange(4000)[:, None] < other * 4000, stripe, leather)
    second = {"thumb": np.clip(mixed, 0, 255).astype(np.uint8).reshape(50, 80, 3)}
    views = [surfaces(sketch, True) for sketch in (first, second)]
    level, extra_sd = levels_of_views(views, np.full(2, np.nan), np.zeros(2, bool), np.zeros(2, bool))
    assert np.abs(level[0]).max() < 0.02
    assert (extra_sd[0] >= least).all() and (extra_sd[0] <= most).all()


def test_backgrounds_painted_to_one_level_say_nothing_of_the_light():
    """Finals on a painted sweep: the product of one back is brighter, its background is what all are."""
    errors = []
    for seed in range(6):
        file = f"S{seed:02d}_back.jpg"
        frames, sketches = _delivery(seed=seed, faults={(f"S{seed:02d}", "back"): {"product_ev": 0.35}})
        for sketch in sketches.values():
            sketch["backdrop"] = sketches["S00_front.jpg"]["backdrop"].copy()
        found = _found(frames, sketches)
        assert found["background_dev_ev"].abs().max() < 1e-6
        assert 3 * found.loc[file, "exposure_dev_sd_ev"] < 0.3
        assert found.drop(file)["exposure_dev_ev"].abs().max() < 0.15
        errors.append(found.loc[file, "exposure_dev_ev"] - 0.35)
    assert np.mean(np.abs(errors)) < 0.06


def test_a_fifth_of_the_backs_lit_otherwise_is_no_scatter_of_backs():
    """Fronts and backs that agree to 0.02 EV, two of ten backs brighter by 0.3: a quantile would take these for the view's own scatter."""
    rng = np.random.default_rng(3)
    sku, groups = np.repeat([f"S{k:02d}" for k in range(10)], 2), np.tile(["back", "front"], 10)
    residual = rng.normal(0, 0.02, 20)
    residual[[0, 2]] += 0.3
    scatter = view_scatter(residual, sku, groups, np.zeros(20), np.zeros(20), even=("back", "front"))
    assert scatter.max() < 0.045
    assert view_scatter(residual, sku, groups, np.zeros(20), np.zeros(20)).max() > 0.06


def test_the_scatter_of_views_is_learned_from_what_was_lit_alike():
    """Slanting views of forty products that differ by 0.06 EV, four lit otherwise by half a stop; a scatter of 40 is known to 11 %."""
    rng = np.random.default_rng(4)
    groups = np.tile(["back", "front", "three_quarter"], 40)
    true = np.where(groups == "three_quarter", 0.06, 0.02)
    residual = rng.normal(0, 1, 120) * true
    residual[[2, 32, 62, 92]] += 0.5
    nothing, calm, straight = np.full(120, np.nan), np.zeros(120, bool), groups != "three_quarter"
    scatter = np.full(120, 0.04)
    for _ in range(12):
        parts = [
            explained(residual[k], scatter[k], np.full(3, 0.01), nothing[k], calm[k], (0.0, 0.0), odd_share(straight[k]), ODD_SD)
            for k in np.arange(120).reshape(-1, 3)
        ]
        alike, square = (np.concatenate([part[column] for part in parts]) for column in (2, 4))
        scatter = learned_scatter(scatter, np.zeros(120), alike, square, groups)
    assert scatter[2] == pytest.approx(0.06, rel=0.35)
    assert scatter[:2].max() < 0.035
    assert alike[[2, 32, 62, 92]].max() < 0.1


def test_a_background_off_alone_within_a_darker_run_leaves_the_run_s_light():
    """All lamps turned down for four products, one sweep darker still, and that photograph delivered twice: it has the run's light."""
    faults = {(f"S{k:02d}", view): {"ev": -0.3} for k in range(4, 8) for view in VIEWS}
    faults["S05", "back"] = {"ev": -0.3, "background_ev": -0.4}
    frames, sketches = _delivery(faults=faults)
    frames["captured_at"] = [f"2026-05-04T10:{k:02d}:00" for k in range(len(frames))]
    copies = frames[frames["file"] == "S05_back.jpg"]
    frames = pd.concat([frames, copies.assign(file="S05_back-2.jpg")], ignore_index=True)
    sketches["S05_back-2.jpg"] = sketches["S05_back.jpg"]
    found = _found(frames, sketches)
    in_run = [f"S{k:02d}_{view}.jpg" for k in range(4, 8) for view in VIEWS] + ["S05_back-2.jpg"]
    assert (found.loc[in_run, "exposure_dev_ev"] + 0.3).abs().max() < 0.06
    assert (3 * found.loc[in_run, "exposure_dev_sd_ev"]).max() < 0.3
    assert found.drop(in_run)["exposure_dev_ev"].abs().max() < 0.06


@pytest.mark.parametrize(("lamps", "light"), [("ev", -0.35), ("background_ev", 0.0)])
@pytest.mark.parametrize("split", [4, 10])
def test_a_product_split_by_a_step_of_the_background_tells_the_light_of_the_whole_stretch(lamps, light, split):
    """Six products before a darker sweep, and from a front on, or up to one, the product photographed as the lamps were changed."""
    order = [(f"S{number:02d}", view) for number in range(16) for view in VIEWS]
    first, last = {4: (order.index(("S04", "back")), order.index(("S10", "front"))), 10: (order.index(("S05", "front")), order.index(("S10", "front")) + 1)}[split]
    frames, sketches = _delivery(products=16, faults={key: {lamps: -0.35} for key in order[first:last]})
    frames["captured_at"] = [f"2026-05-04T10:{k:02d}:00" for k in range(len(frames))]
    found = _found(frames, sketches)
    inside = [f"{sku}_{view}.jpg" for sku, view in order[first:last]]
    assert (found.loc[inside, "exposure_dev_ev"] - light).abs().max() < 0.06
    assert (3 * found.loc[inside, "exposure_dev_sd_ev"]).max() < 0.3
    assert found.drop(inside)["exposure_dev_ev"].abs().max() < 0.06


def test_a_style_s_own_shape_is_no_light_and_one_product_s_light_no_shape():
    """Slanting views of one style are darker by 0.25 EV: steady. The one product of another style that is darker as much is not."""
    rng = np.random.default_rng(2)
    sku, views = np.repeat([f"S{k:02d}" for k in range(12)], 3), np.tile(["front", "back", "three_quarter"], 12)
    style = np.repeat(["tote"] * 6 + ["hobo"] + ["bucket"] * 5, 3)
    residual = rng.normal(0, 0.01, 36) - 0.25 * ((views == "three_quarter") & np.isin(style, ["tote", "hobo"]))
    found = group_effects(residual, sku, views, style, 3)
    slanting = views == "three_quarter"
    assert np.abs(found[slanting & (style == "tote")] + 0.25 * 5 / 8).max() < 0.03
    assert np.abs(found[~slanting | (style != "tote")]).max() < 0.03
    assert not group_effects(residual, sku, views, np.full(36, ""), 3).any()


def test_one_product_before_a_lighter_sweep_may_stand_nearer_and_two_in_turn_were_lit_otherwise():
    """Backgrounds lighter by 0.13 EV in all views of one product, between others of the usual level: half a chance. In those of two in turn: light."""
    one = {("S06", view): {"ev": 0.13} for view in VIEWS}
    both = one | {("S07", view): {"ev": 0.13} for view in VIEWS}
    files = [f"S06_{view}.jpg" for view in VIEWS]
    found = []
    for faults in (one, both):
        frames, sketches = _delivery(faults=faults)
        frames["captured_at"] = [f"2026-05-04T10:{k:02d}:00" for k in range(len(frames))]
        found.append(_found(frames, sketches).loc[files])
    assert (found[0]["exposure_dev_ev"] < 0.12).all()
    assert (found[0]["exposure_dev_sd_ev"] > 1.25 * found[1]["exposure_dev_sd_ev"]).all()
    assert found[1]["exposure_dev_ev"].to_numpy() == pytest.approx(0.13, abs=0.03)


def test_where_one_view_s_light_changed_the_rest_of_its_product_was_rather_lit_otherwise_than_nearer():
    """All of a product darker by 0.17 EV stays half a chance; with one view 0.4 EV brighter than its others, it is light."""
    all_of_it = {("S06", view): {"ev": -0.17} for view in VIEWS}
    changed = all_of_it | {("S06", "three_quarter"): {"ev": 0.23}}
    files = [f"S06_{view}.jpg" for view in VIEWS if view != "three_quarter"]
    steady, told = (_found(*_delivery(faults=faults, products=20)).loc[files] for faults in (all_of_it, changed))
    assert told["exposure_dev_ev"].to_numpy() == pytest.approx(-0.17, abs=0.03)
    assert (told["exposure_dev_ev"] < steady["exposure_dev_ev"]).all()
    assert (told["exposure_dev_sd_ev"] < steady["exposure_dev_sd_ev"]).all()


def test_a_view_seen_only_under_other_lamps_is_compared_all_the_same():
    """A side that looks like the other views, which one product has, under darker lamps: its background and its other views tell its light."""
    dark = {("S05", view): {"ev": -0.3} for view in (*VIEWS, "side")}
    frames, sketches = _delivery(faults=dark, views=VIEWS | {"side": -0.1})
    keep = (frames["view"] != "side") | (frames["sku"] == "S05")
    found = _found(frames[keep].reset_index(drop=True), sketches)
    row = found.loc["S05_side.jpg"]
    assert row["exposure_dev_ev"] == pytest.approx(-0.3, abs=0.03)
    assert 3 * row["exposure_dev_sd_ev"] < 0.3


@pytest.mark.parametrize(("products", "margin"), [(600, 0.3), (3, 1.0)])
def test_the_scatter_of_each_view_follows_from_that_of_their_pairs(products, margin):
    """The three-cornered hat of Gray and Allan (1974): three clocks' scatters from their three differences; few products leave what is usual."""
    true = np.array([0.02, 0.03, 0.08])
    rng = np.random.default_rng(5)
    sku, groups = np.repeat([f"S{k:03d}" for k in range(products)], 3), np.tile(["a", "b", "c"], products)
    residual = rng.normal(0, np.tile(true, products)) + np.repeat(rng.normal(0, 1, products), 3)
    found = view_scatter(residual, sku, groups, np.zeros(3 * products), np.zeros(3 * products))[:3]
    assert np.abs(np.log(found / true)).max() < margin


def test_exposure_behind_a_clipped_background_comes_from_the_other_views():
    errors = []
    for seed in range(6):
        key = (f"S{seed:02d}", "front")
        found = _found(*_delivery(seed=seed, faults={key: {"ev": 0.35}}, clipped={key}))
        row = found.loc[f"{key[0]}_front.jpg"]
        assert np.isnan(row["background_dev_ev"])
        assert row["exposure_dev_sd_ev"] < 0.08
        errors.append(row["exposure_dev_ev"] - 0.35)
    assert np.mean(np.abs(errors)) < 0.06


@pytest.mark.parametrize("gain", [(1.08, 1, 0.92), (0.95, 1, 1.05), (1.03, 1, 1.03)])
def test_channel_gains_are_found_to_four_in_a_thousand(gain):
    found = _found(*_delivery(faults={("S07", "three_quarter"): {"gain": gain}}))
    row = found.loc["S07_three_quarter.jpg"]
    assert 1 / row["wb_gain_r"] == pytest.approx(gain[0], rel=0.004)
    assert 1 / row["wb_gain_b"] == pytest.approx(gain[2], rel=0.004)
    assert row["wb_dev"] > 0.5


def test_white_balance_behind_a_clipped_background_comes_with_its_uncertainty():
    key = ("S02", "front")
    found = _found(*_delivery(faults={key: {"gain": (1.08, 1, 0.9)}}, clipped={key}))
    row = found.loc["S02_front.jpg"]
    assert 1 / row["wb_gain_r"] == pytest.approx(1.08, rel=0.05)
    assert row["wb_dev_sd"] > 3 * found["wb_dev_sd"].median()


def test_a_third_of_the_pictures_off_moves_the_reference_little():
    faults = {(f"S{k:02d}", view): {"gain": (1.1, 1, 0.9), "ev": 0.3} for k in range(4) for view in VIEWS}
    found = _found(*_delivery(faults=faults))
    assert found.loc["S08_front.jpg", "wb_dev"] < 0.2
    assert abs(found.loc["S08_front.jpg", "exposure_dev_ev"]) < 0.06


def test_the_brief_may_name_the_reference_picture():
    faults = {("S01", view): {"gain": (1.1, 1, 0.9)} for view in VIEWS}
    frames, sketches = _delivery(faults=faults)
    brief = SimpleNamespace(reference=SimpleNamespace(picture="S01_front.jpg"))
    found = _found(frames, sketches, brief)
    assert found.loc["S01_front.jpg", "wb_dev"] < 0.1
    assert found.loc["S06_front.jpg", "wb_dev"] > 2


def test_the_brief_may_give_the_reference_as_values():
    frames, sketches = _delivery()
    brief = SimpleNamespace(reference=SimpleNamespace(background_Lab=[90.0, 0.0, 0.0]))
    found = _found(frames, sketches, brief)
    assert found["wb_gain_r"].median() == pytest.approx(WHITE[1] / WHITE[0], rel=0.003)


def test_a_view_of_another_colour_is_found_and_colourways_are_not_mixed():
    found = _found(*_delivery(faults={("S04", "back"): {"product_gain": (1.3, 1.0, 0.7)}}))
    assert found["product_colour_dev"].idxmax() == "S04_back.jpg"
    assert found.loc["S04_back.jpg", "product_colour_dev"] > 3
    others = found.drop([f"S04_{view}.jpg" for view in VIEWS])["product_colour_dev"]
    assert others.max() < 1


def test_the_order_of_files_changes_nothing():
    frames, sketches = _delivery(faults={("S03", "front"): {"ev": 0.3, "gain": (1.05, 1, 0.95)}})
    turned = frames.iloc[::-1].reset_index(drop=True)
    first, second = _found(frames, sketches), _found(turned, sketches).loc[frames["file"]]
    assert np.allclose(first.to_numpy(), second.to_numpy(), atol=1e-9, equal_nan=True)


def test_finals_on_pure_white_have_no_white_balance():
    frames, sketches = _delivery(clipped={(f"S{k:02d}", view) for k in range(12) for view in VIEWS})
    frames = frames.assign(backdrop="cut_out")
    found = _found(frames, sketches)
    assert found["wb_dev"].isna().all()
    assert found["background_dev_ev"].isna().all()
    assert found["exposure_dev_ev"].notna().all()


def test_a_dark_frame_is_off_as_a_whole_even_where_its_sweep_turns_grey():
    """White and grey are one sweep under more or less light; the background tells which of two views is off."""
    faults = {("S03", "front"): {"ev": -0.45}}
    frames, sketches = _delivery(products=6, faults=faults, views={"front": 0.0, "three_quarter": -0.1})
    dark = frames["sku"].eq("S03") & frames["view"].eq("front")
    frames.loc[dark, "backdrop"] = "grey"
    found = light_deviations(frames, sketches, None)
    assert found.loc[dark, "exposure_dev_ev"].item() == pytest.approx(-0.45, abs=0.05)
    assert found.loc[dark, "background_dev_ev"].item() == pytest.approx(-0.45, abs=0.05)
    assert found.loc[~dark, "exposure_dev_ev"].abs().max() < 0.1


def test_a_lining_has_a_colour_of_its_own_and_fills_the_frame():
    """An interior on a page burnt out, whose lining is no paler view of the outside; and one whose border is all lining: their light is unknown."""
    views = {**VIEWS, "interior": 0.0}
    frames, sketches = _delivery(views=views, clipped={("S02", "interior")})
    plain = _found(frames, sketches)
    frames.loc[frames["file"] == "S02_interior.jpg", ["product_L", "product_a", "product_b"]] = 40.0, 35.0, 20.0
    frames.loc[frames["file"] == "S03_interior.jpg", "background_L"] = np.nan  # without an outline
    sketches["S03_interior.jpg"]["backdrop"] = np.tile(np.float32([45, 5, 20]), (16, 1))
    found = _found(frames, sketches)
    assert np.isnan(found.loc["S02_interior.jpg", "wb_dev"])
    assert found.loc["S03_interior.jpg", ["wb_dev", "exposure_dev_ev", "background_dev_ev"]].isna().all()
    assert abs(found.loc["S04_interior.jpg", "background_dev_ev"]) < 0.05  # on the sweep
    others = ~frames["view"].eq("interior").to_numpy()
    np.testing.assert_allclose(found[others]["exposure_dev_ev"], plain[others]["exposure_dev_ev"], atol=0.01)


def test_one_strange_view_does_not_accuse_the_others():
    faults = {("S02", "back"): {"product_ev": 1.1}}
    frames, sketches = _delivery(faults=faults)
    found = light_deviations(frames, sketches, None)
    strange = frames["sku"].eq("S02") & frames["view"].eq("back")
    assert found.loc[strange, "exposure_dev_ev"].item() == pytest.approx(1.1, abs=0.15)
    assert found.loc[~strange, "exposure_dev_ev"].abs().max() < 0.15


@pytest.mark.parametrize(("level", "counts"), [((86.0, 0.3, 1.6), False), ((45.0, 20.0, 20.0), False), (None, True)])
def test_a_crop_whose_border_is_the_product_has_no_light_of_its_own(level, counts):
    frames, sketches = _delivery()
    crop = frames["sku"].eq("S04") & frames["view"].eq("back")
    frames.loc[crop, ["view", "view_kind"]] = ("detail", "crop")
    if level is not None:
        frames.loc[crop, ["background_L", "background_a", "background_b"]] = level
    found = light_deviations(frames, sketches, None)[crop]
    assert found[["wb_gain_r", "wb_dev", "background_dev_ev"]].notna().all(axis=None) == counts


def test_a_shadow_beside_a_vivid_product_is_as_unsure_as_its_measure_says():
    frames = pd.DataFrame({
        "sku": ["A", "B"], "white_red": [1.08, 1.08], "white_blue": [1.0, 1.0], "white_sd": [0.02, 0.085], "white_source": "shadow",
        "backdrop": "white", "view": "front", "product_L": 40.0, "product_a": [2.0, 47.0], "product_b": [1.0, 26.0],
    })  # fmt: skip
    _, sd = white_ratios(frames, np.ones(2, bool), np.ones(2, bool))
    assert sd == pytest.approx([0.02, 0.085])


def test_a_vivid_product_s_other_views_tell_less_of_the_light_than_a_dull_one_s():
    """A two-hundredth of white mirrored in one view more than in another washes out red lacquer, and leaves tan leather as it is."""
    washed = {}
    for name, own in {"red": (0.16, 0.012, 0.02), "tan": (0.30, 0.16, 0.08)}.items():
        lab = lab_from_linear(np.array([own, own, np.array(own) + 0.005]))
        washed[name] = pd.DataFrame({
            "sku": "A", "white_red": [1.0, 1.0, np.nan], "white_blue": [1.0, 1.0, np.nan], "white_sd": 0.004,
            "white_source": ["background", "background", None], "backdrop": "white", "view": "front",
            "product_L": lab[:, 0], "product_a": lab[:, 1], "product_b": lab[:, 2],
        })  # fmt: skip
    every = np.ones(3, bool)
    ratios, sd = white_ratios(washed["red"], every, every)
    assert abs(ratios[2, 0]) > 0.2 and 3 * sd[2] > abs(ratios[2, 0])
    ratios, sd = white_ratios(washed["tan"], every, every)
    assert np.abs(ratios[2]).max() < 0.05 and sd[2] < 0.05


def test_other_colourways_tell_what_a_turned_view_loses_unless_one_of_them_was_lit_otherwise():
    """Twelve styles of three colourways whose turned views differ by 0.15 EV from style to style; one picture of the first is 0.4 EV too bright."""
    rng = np.random.default_rng(3)
    views = np.array(["front", "back", "three_quarter"])
    styles, sku = np.repeat([f"T{k}" for k in range(12)], 9), np.repeat([f"T{k}-{way}" for k in range(12) for way in "abc"], 3)
    groups, turned = np.tile(views, 36), np.tile(views == "three_quarter", 36)
    own = np.repeat(rng.normal(0, 0.15, 12), 9) * turned
    residual = own + rng.normal(0, 0.02, len(own))
    residual[2] += 0.4
    assumed = np.where(turned, 0.15, 0.02), np.where(turned, 0.07, 0.01), np.full(len(own), 0.2), np.zeros(len(own)), np.zeros(len(own))
    effect, sd, within = kin_effects(residual, sku, groups, styles, *assumed)
    left = residual - effect
    assert np.std(left[turned][3:]) < 0.05 < np.std(residual[turned][3:])
    assert abs(left[2] - 0.4) < 0.05 and sd[2] < 0.04
    assert abs(left[5]) < 0.07 and abs(left[8]) < 0.07  # what is wrong with the first does not pass for the style's
    assert np.all(within[turned] < 0.035)


def test_the_only_other_colourway_lit_otherwise_leaves_the_style_open():
    sku, groups, styles = np.repeat(["T1-a", "T1-b"], 3), np.tile(["front", "back", "three_quarter"], 2), np.full(6, "T1")
    residual = np.array([0.0, 0.0, 0.4, 0.0, 0.0, 0.0])
    assumed = np.full(6, 0.05), np.full(6, 0.02), np.full(6, 0.2), np.zeros(6), np.zeros(6)
    effect, sd, _ = kin_effects(residual, sku, groups, styles, *assumed)
    assert abs(effect[2]) < 0.01 and sd[2] < 0.05  # the even one tells the odd one
    assert abs(effect[5]) < 0.15 and sd[5] > 0.05  # and the odd one little of the even one
    foreign = np.array([0.0, 0.0, 0.5, 0.0, 0.0, 0.0])  # what cannot be compared with its product's other views tells nothing of it
    effect, sd, _ = kin_effects(residual, sku, groups, styles, *assumed[:-1], foreign)
    assert abs(effect[5]) < 0.02 and sd[5] < 0.07


def test_a_detail_that_one_whole_view_of_four_explains_keeps_its_products_light(monkeypatch):
    """A spurious overlap with a single view is no light of its own; with half of them it is."""
    found = iter([(np.array([0.03, -0.09]), 0.9), *[(np.full(2, np.nan), 0.0)] * 3])
    monkeypatch.setattr(detail_white, "shifted", lambda *pair: next(found))
    view = detail_white.Chromaticities(np.zeros(1), np.array([0.2, -0.3]), 0.002)
    assert detail_white._own_light(view, [view] * 4, np.zeros((4, 2))) is None
    found = iter([(np.array([0.03, -0.09]), 0.9)] * 2 + [(np.full(2, np.nan), 0.0)] * 2)
    light, _ = detail_white._own_light(view, [view] * 4, np.zeros((4, 2)))
    assert light.tolist() == [0.03, -0.09]


def test_a_region_burnt_out_in_most_frames_is_no_reference_for_the_few_darker_ones():
    """A sweep all of which but its top row is at the top of the scale: the one frame 0.33 EV darker is told by the row that all frames show."""
    light = np.full((20, 16), 1.1)
    light[:, :5] = 0.78
    light[7] *= 2**-0.33
    neutral = (np.clip(light, 0, 1)[..., None] * np.ones(3)).reshape(-1, 3)
    lab = lab_from_linear(neutral).reshape(20, 16, 3)
    frames = pd.DataFrame({"file": [f"{k}.jpg" for k in range(20)], "backdrop": "white"})
    sketches = {file: {"backdrop": one} for file, one in zip(frames["file"], lab, strict=True)}
    all_of_them = np.ones(20, bool)
    ev, sd = region_deviations(frames, sketches, all_of_them, all_of_them)
    assert ev[7] == pytest.approx(-0.33, abs=0.01) and sd[7] < 0.02
    assert np.abs(np.delete(ev, 7)).max() < 0.01


@pytest.mark.parametrize("blue", [1.0, 0.98, 0.9])
def test_a_tinted_page_among_white_ones_tells_its_light_at_least(blue):
    """sRGB 255, 255, 243 beside pages of pure white: blue is off by 0.1 of a natural logarithm at least; a step or two is rounding."""
    count = 8
    frames = pd.DataFrame({"background_L": np.full(count, 100.0), "white_source": [None] * 7 + ["shadow"]})
    frames[["background_red", "background_green", "background_blue"]] = 1.0
    frames.loc[7, "background_blue"] = blue
    unknown, wide, whole = np.full((count, 2), np.nan), np.full(count, np.nan), np.ones(count, bool)
    ratios, sd, reference = light._tinted_pages(frames, whole, unknown, wide, np.full(2, np.nan))
    if blue < 0.97:
        assert ratios[7] == pytest.approx([0.0, np.log(blue)]) and sd[7] < 0.01 and reference.tolist() == [0.0, 0.0]
    else:
        assert np.isnan(ratios).all()
    frames.loc[:4, "background_L"] = 80.0  # no page any more
    assert np.isnan(light._tinted_pages(frames, whole, unknown, wide, np.full(2, np.nan))[0]).all()


@pytest.mark.parametrize(("strip", "off"), [(0.06, False), (0.01, True)])
def test_a_side_that_shows_the_gusset_alone_has_no_wrong_colour(strip, off):
    """A grey body with a tan gusset: the side is tan, as a strip of the front is; a stitch or two of tan would not be enough."""
    front = np.array([[50.0, 0.0, 0.0, 1 - strip, 1.0], [50.0, 12.0, 30.0, strip, 1.0]])
    side = np.array([[50.0, 12.0, 30.0, 1.0, 1.0]])
    assert (product_colour._distance(side, front) > 3.0) == off
