"""What backgrounds tell of the light: painted deliveries whose sweeps differ by light, by place, or by both."""

import numpy as np
import pytest
from catalogue_audit.statistics.photometry.backgrounds import DRIFT_EV, NEARER_SD, light_behind, of_the_place, of_the_product, scatters
from catalogue_audit.statistics.photometry.surfaces import brighter, surfaces
from test_statistics_light import VIEWS, _delivery, _found
from test_statistics_surfaces import CREAM, RED, _view

SKUS = [f"S{k:02d}" for k in range(12)]


def _background(values):
    """Faults of `_delivery` that move backgrounds alone."""
    return {key: {"background_ev": ev} for key, ev in values.items() if ev}


def test_a_view_before_a_lighter_part_of_the_sweep_is_not_brighter():
    """Three-quarter views taken from higher up, before a sweep lighter by 0.12 EV in all of them, and products as ever."""
    frames, sketches = _delivery(faults=_background({(sku, "three_quarter"): 0.12 for sku in SKUS}))
    found = _found(frames, sketches)
    assert found["exposure_dev_ev"].abs().max() < 0.06
    assert found.loc["S03_three_quarter.jpg", "background_dev_ev"] > 0.08


def test_a_product_photographed_from_nearer_is_not_said_to_be_brighter():
    """All backgrounds of each product lie apart by 0.08 EV, as it stands near or far: one that is off by 0.17 is no finding."""
    spread = 0.08 * np.array([-1.6, -1.1, -0.8, -0.5, -0.3, 2.1, -0.1, 0.1, 0.3, 0.5, 0.8, 1.1])
    by_product = dict(zip(SKUS, spread, strict=True))
    frames, sketches = _delivery(faults=_background({(sku, view): by_product[sku] for sku in SKUS for view in VIEWS}))
    found = _found(frames, sketches)
    told = found["exposure_dev_ev"].abs() > np.maximum(0.15, 3 * found["exposure_dev_sd_ev"])
    assert not told.any()


@pytest.mark.parametrize("ev", [-0.4, 0.4])
def test_all_lamps_are_told_from_scattered_backgrounds_too(ev):
    rng = np.random.default_rng(7)
    faults = _background({(sku, view): rng.normal(0, 0.05) for sku in SKUS for view in VIEWS})
    faults["S07", "back"] = {"ev": ev}
    found = _found(*_delivery(faults=faults))
    row = found.loc["S07_back.jpg"]
    assert row["exposure_dev_ev"] == pytest.approx(ev, abs=0.1)
    assert 3 * row["exposure_dev_sd_ev"] < abs(ev)
    assert found.drop("S07_back.jpg")["exposure_dev_ev"].abs().max() < 0.15


@pytest.mark.parametrize(("light", "sweep"), [(0.06, 0.01), (0.01, 0.06)])
def test_products_tell_whether_backgrounds_scatter_by_light_or_by_place(light, sweep):
    rng = np.random.default_rng(9)
    sku, own = np.repeat([f"S{k}" for k in range(40)], 3), rng.normal(0, light, 120)
    background = own + rng.normal(0, sweep, 120)
    level = own + rng.normal(0, 0.03, 120)
    light_sd, sweep_sd = scatters(background, level, sku, np.ones(120, bool))
    assert light_sd == pytest.approx(light, abs=0.02)
    assert sweep_sd == pytest.approx(sweep, abs=0.025)


def test_the_uncertainty_of_the_light_behind_a_background_covers_its_error():
    """Where light and sweep scatter as supposed, squared errors are on average the stated variances (law of total variance)."""
    rng = np.random.default_rng(3)
    touched = rng.random(20000) < 0.05
    light = rng.normal(0, 0.03, 20000) + touched * rng.normal(0, 0.3, 20000)
    background = light + rng.normal(0, 0.05, 20000)
    found, sd, chance = light_behind(background, np.zeros(20000), 0.03, np.full(20000, 0.05), np.full(20000, 0.05))
    assert np.mean((found - light) ** 2) == pytest.approx(np.mean(sd**2), rel=0.1)
    assert np.mean(chance) == pytest.approx(0.05, abs=0.01)
    nearer = ~touched & (rng.random(20000) < 0.1)
    background = background + nearer * rng.normal(0, NEARER_SD, 20000)
    found, sd, chance = light_behind(background, np.zeros(20000), 0.03, np.full(20000, 0.05), np.full(20000, 0.05), 0.1)
    assert np.mean((found - light) ** 2) == pytest.approx(np.mean(sd**2), rel=0.1)
    assert np.mean(chance) == pytest.approx(0.05, abs=0.01)


def test_what_is_common_and_what_is_of_a_view_is_found_from_those_that_show_it():
    sku, groups = np.repeat(SKUS, 3), np.tile(["back", "front", "side"], 12)
    background = np.where(groups == "side", 0.08, 0.0)
    background[:3] += 0.2
    place = of_the_place(background, sku, groups, np.ones(36, bool))
    assert place[groups == "side"] == pytest.approx(0.08 - DRIFT_EV, abs=0.01)
    common, _ = of_the_product(background - place, np.full(36, 0.01), sku, np.ones(36, bool))
    assert common[:3] == pytest.approx(0.2, abs=0.02)
    assert np.abs(common[3:]).max() < 0.02


@pytest.mark.parametrize("ev", [0.3, 0.6])
def test_a_product_half_burnt_out_is_as_much_brighter_as_its_unclipped_parts(ev):
    """Cream that is burnt out in the brighter view, in part in the other, beside red that is not: two tops of the scale are no likeness."""
    bright = tuple(1.55 * np.array(CREAM))
    found, *_ = brighter(*(surfaces(_view([(bright, 50), (RED, 40)], more), False) for more in (ev, 0.0)))
    assert found == pytest.approx(ev, abs=0.06)
